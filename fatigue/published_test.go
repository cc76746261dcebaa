package fatigue

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

func TestPublished(t *testing.T) {
	all := Published()
	if len(all) < 90 {
		t.Errorf("%d built-in curves, want 90 or more", len(all))
	}
	name := regexp.MustCompile(`^[a-z0-9][a-z0-9.-]*$`)
	for i, m := range all {
		if errs := m.Check(); errs != nil {
			t.Errorf("%s: %v", m.Name, errs)
		}
		if !name.MatchString(m.Name) || i > 0 && all[i-1].Name >= m.Name {
			t.Errorf("name %q: want lower case, sorted and unique", m.Name)
		}
		if m.Source == "" || m.Record.Title == "" || m.Record.Limits == "" || m.Record.Verified == "" || m.Survival == 0 {
			t.Errorf("%s: an empty field in %+v", m.Name, m)
		}
		if got, found := Lookup(m.Name); !found || got != m {
			t.Errorf("look up %q: %+v, %v", m.Name, got, found)
		}
		// A gross slip only, common practice, no source: structural metals live 1e6 cycles at 5 to 900 MPa.
		if s := m.Curve.Amplitude(1e6); !(s > 5 && s < 900) {
			t.Errorf("%s: amplitude at 1e6 cycles %g MPa", m.Name, s)
		}
	}
	if _, found := Lookup("al-6061-t"); found {
		t.Error("part of a name is found")
	}
	all[0].Name = "changed"
	if Published()[0].Name == "changed" {
		t.Error("a caller can change the built-in curves")
	}
}

// A handbook figure's title repeats its notch factor and strength: a slip of the pen in the table shows.
func TestPublishedAgreesWithTitle(t *testing.T) {
	kt, ftu := regexp.MustCompile(`Kt = ([\d.]+\d)`), regexp.MustCompile(`Ftu = (\d+) ksi`)
	for _, m := range Published() {
		if !strings.HasPrefix(m.Source, "MIL-HDBK-5J") {
			continue
		}
		want := 1.0
		if found := kt.FindStringSubmatch(m.Record.Title); found != nil {
			want, _ = strconv.ParseFloat(found[1], 64)
		} else if !strings.Contains(m.Record.Title, "unnotched") {
			t.Errorf("%s: neither a notch factor nor unnotched in %q", m.Name, m.Record.Title)
		}
		if m.Record.Kt != want || strings.Contains(m.Name, "-kt") != (want != 1) {
			t.Errorf("%s: Kt = %g, title %q", m.Name, m.Record.Kt, m.Record.Title)
		}
		_, suffix, notched := strings.Cut(m.Name, "-kt")
		if notched && suffix != strconv.FormatFloat(want, 'g', -1, 64) {
			t.Errorf("%s: the name's notch factor is not the title's %g", m.Name, want)
		}
		strength := 0.0
		if found := ftu.FindStringSubmatch(m.Record.Title); found != nil {
			ksi, _ := strconv.ParseFloat(found[1], 64)
			strength = ksi * 6.894757293168361
		}
		near(t, m.Name+": ultimate", m.Ultimate, strength, 1e-15)
	}
}

// Scatter is the printed standard error where it is a plain number.
func TestPublishedScatter(t *testing.T) {
	for _, test := range []struct {
		reason, name string
		scatter      float64
	}{
		{"plain number: MIL-HDBK-5J Figure 3.6.2.2.8", "al-6061-t6", 0.48},
		{"a formula of the stress: MIL-HDBK-5J Figure 2.3.1.4.8(c)", "steel-300m-280ksi-kt3", 0},
		{"blank: MIL-HDBK-5J Figure 3.7.10.2.8(b)", "al-7475-t7351-plate-kt3", 0},
		{"EN 1993-1-9 gives none", "weld-71", 0},
	} {
		if m := mustLookup(t, test.name); m.Scatter != test.scatter {
			t.Errorf("%s: scatter %g, want %g", test.reason, m.Scatter, test.scatter)
		}
	}
	weld := mustLookup(t, "weld-71") // a lower bound without scatter answers the same at any survival
	if a, b := mustLaw(t, weld, 0.5).Damage(0, 71), mustLaw(t, weld, 0.999).Damage(0, 71); a != b || math.Abs(a*2e6-1) > 1e-12 {
		t.Errorf("damage of a weld at its category: %g and %g, want 1/2e6", a, b)
	}
}

// The intercept is the coefficient times 2^exponent (reversals to cycles), to the digits printed.
func TestStressLifeConstantsAgree(t *testing.T) {
	for _, fields := range readRows(stressLifeCSV, func(r row) Material {
		want := r.number("strength_coefficient_mpa") * math.Pow(2, r.number("exponent"))
		if math.Abs(r.number("intercept_mpa")-want) > 0.5 {
			t.Errorf("%s: intercept %g MPa, want %g", r["name"], r.number("intercept_mpa"), want)
		}
		return stressLifeMaterial(r)
	}) {
		near(t, fields.Name+": amplitude of 1000 cycles", fields.Curve.Amplitude(1e3), 1889*math.Pow(1e3, -0.104), 1e-12)
	}
}
