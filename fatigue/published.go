package fatigue

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// Record is what a published curve's source says beside the numbers. Empty or 0: the source does not say.
type Record struct {
	Title             string
	ProductForm       string
	Kt                float64 // elastic stress concentration of the specimens; the stress is on the net section
	Specimens         int     // behind the fit
	StandardError     string  // of log10 N about the fitted curve, as printed; "18.3 (1/Seq)" varies with the stress
	StandardDeviation string  // of log10 N about its mean, as printed
	R2Percent         float64 // share of the variance of log10 N that the curve explains
	Limits            string  // what the curve holds for
	Verified          string  // "seen": the numbers were read in the document
}

//go:embed published_mil_hdbk_5j.csv
var handbookCSV string

//go:embed published_en_1993_1_9.csv
var weldCSV string

//go:embed published_stress_life.csv
var stressLifeCSV string

// Published are the built-in curves, sorted by name: metals from MIL-HDBK-5J, a textbook's for titanium, and the detail categories
// of EN 1993-1-9 for welded steel. Their names are ours; Source and Record say what they stand for.
//
// A handbook curve is the best fit, 50 % survival, and its Scatter is the standard error of log10 N about the fit where the
// handbook prints a plain number, else 0. Its Ultimate is the strength in the figure's title, else 0 (not given).
// A textbook's stress-life curve S = A N^b has no scatter, and takes the mean stress by SWT.
// A weld curve is the standard's characteristic curve, about 95 % survival, without scatter; ranges are halved to amplitudes.
func Published() []Material { return slices.Clone(published()) }

// Lookup finds a built-in curve by its name.
func Lookup(name string) (Material, bool) {
	all := published()
	i, found := slices.BinarySearchFunc(all, name, func(m Material, name string) int { return strings.Compare(m.Name, name) })
	if !found {
		return Material{}, false
	}
	return all[i], true
}

var published = sync.OnceValue(func() []Material {
	all := append(readRows(handbookCSV, handbookMaterial), readRows(weldCSV, weldMaterial)...)
	all = append(all, readRows(stressLifeCSV, stressLifeMaterial)...)
	slices.SortFunc(all, func(a, b Material) int { return strings.Compare(a.Name, b.Name) })
	return all
})

// A row is a line of a built-in table by column name.
type row map[string]string

// number is 0 for an empty field.
func (r row) number(column string) float64 {
	if r[column] == "" {
		return 0
	}
	x, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		panic(fmt.Sprintf("fatigue: built-in curve %q, column %q: %v", r["name"], column, err))
	}
	return x
}

func readRows(table string, material func(row) Material) []Material {
	records, err := csv.NewReader(strings.NewReader(table)).ReadAll()
	if err != nil {
		panic(fmt.Sprintf("fatigue: built-in curves: %v", err))
	}
	var out []Material
	for _, fields := range records[1:] {
		r := row{}
		for i, column := range records[0] {
			r[column] = fields[i]
		}
		out = append(out, material(r))
	}
	return out
}

// Stress ratios and net section: MIL-HDBK-5J, 9.3.4. The rest is common practice, no source.
const handbookLimits = "Stress ratios -1 <= R < 1 at most, those tested; stress on the net section and below yield; room temperature. " +
	"Small specimens of the product form named, without weld or corrosion. Where the curve ends in a limit, longer tests may still break."

func handbookMaterial(r row) Material {
	scatter, err := strconv.ParseFloat(r["standard_error"], 64)
	if err != nil { // blank, or a formula of the stress
		scatter = 0
	}
	return Material{
		Name:     r["name"],
		Source:   r["source"],
		Ultimate: r.number("ftu_ksi") * KSI,
		Curve:    EquivalentStress{r.number("a1"), r.number("a2"), r.number("a3"), r.number("a4_ksi"), KSI},
		Scatter:  scatter,
		Survival: 0.5,
		Mean:     MeanStress{Rule: MeanNone},
		Record: Record{
			Title:             r["title"],
			ProductForm:       r["product_form"],
			Kt:                r.number("kt"),
			Specimens:         int(r.number("specimens")),
			StandardError:     r["standard_error"],
			StandardDeviation: r["standard_deviation"],
			R2Percent:         r.number("r2_percent"),
			Limits:            handbookLimits,
			Verified:          r["verified"],
		},
	}
}

// EN 1993-1-9:2005, scope and 7.1; the exclusions from memory.
const weldLimits = "Welded and other structural details of steel, nominal direct stress, as welded: no account of mean stress. Not included: the " +
	"size effect of thickness, the partial factors gamma_Ff and gamma_Mf. No corrosion, no elevated temperature. Not for aluminium."

func weldMaterial(r row) Material {
	return Material{
		Name:   r["name"],
		Source: r["source"],
		Curve: Power{
			RefAmplitude: r.number("category_mpa") / 2, RefCycles: 2e6, Slope: 3,
			Knee: 5e6, Beyond: Beyond{Form: BeyondSlope, Slope: 5}, Cutoff: 1e8,
		},
		Survival: 0.95,
		Mean:     MeanStress{Rule: MeanNone},
		Record: Record{
			Title:    "Detail category " + r["category_mpa"] + " (stress range in MPa at 2e6 cycles)",
			Limits:   weldLimits,
			Verified: r["verified"],
		},
	}
}

// Common practice, no source.
const stressLifeLimits = "Small polished specimens under axial load without mean stress, 1e3 to 1e7 cycles; a mean stress by the SWT rule. No notch, " +
	"surface, size, weld, fretting or corrosion: titanium is sensitive to surface and fretting. No scatter is given."

// stressLifeMaterial reads S = A N^b, A being the amplitude that one cycle breaks at.
func stressLifeMaterial(r row) Material {
	return Material{
		Name:     r["name"],
		Source:   r["source"],
		Ultimate: r.number("ultimate_mpa"),
		Curve: Power{
			RefAmplitude: r.number("intercept_mpa") * math.Pow(1e6, r.number("exponent")), RefCycles: 1e6,
			Slope: -1 / r.number("exponent"), Beyond: Beyond{Form: BeyondSame},
		},
		Survival: 0.5,
		Mean:     MeanStress{Rule: MeanSWT},
		Record:   Record{Title: r["title"], Kt: 1, Limits: stressLifeLimits, Verified: r["verified"]},
	}
}
