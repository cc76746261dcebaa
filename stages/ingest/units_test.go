package ingest

import (
	"strings"
	"testing"
)

func TestContradicts(t *testing.T) {
	tests := []struct {
		a, b string
		want bool
	}{
		{"g", "G", false}, {"g", " [g] ", false}, {"m/s2", "m/s^2", false}, {"m/s²", "m/s2", false}, {"m s⁻²", "m/s2", false},
		{"ustrain", "um/m", false}, {"µm/m", "με", false}, {"µε", "ustrain", false}, {"microstrain", "µstrain", false},
		{"N/mm²", "MPa", false}, {"", "g", false}, {"-", "g", false}, {"g", "m/s2", true}, {"MPa", "mPa", true},
		{"volts", "g", true}, {"°C", "degC", false},
	}
	for _, tt := range tests {
		if got := contradicts(tt.a, tt.b); got != tt.want {
			t.Errorf("contradicts(%q, %q) = %v, want %v", tt.a, tt.b, got, tt.want)
		}
	}
}

func TestContradictsScale(t *testing.T) {
	tests := []struct {
		unit  string
		scale float64
		want  bool
	}{
		{"mSec", 1e-3, false}, {"MS", 1e-3, false}, {"[milliseconds]", 1e-3, false}, {"minutes", 60, false}, {"Hr", 3600, false}, {"milliseconds", 1, true},
		{"Minutes", 1, true}, {"nanoseconds", 1e-9, false}, {"s", 1, false}, {"ms", 1e-3, false}, {"µs", 1e-6, false}, {"sec", 1, false}, {"ms", 1, true}, {"s", 60, true}, {"", 1, false}, {"ticks", 1, false},
	}
	for _, tt := range tests {
		if got := contradictsScale(tt.unit, tt.scale); got != tt.want {
			t.Errorf("contradictsScale(%q, %v) = %v, want %v", tt.unit, tt.scale, got, tt.want)
		}
	}
}

// Every spelling is a unit of time of the list that messages show.
func TestTimeSpellings(t *testing.T) {
	for other, u := range timeSpellings {
		if got, ok := timeUnit(strings.ToUpper(other)); !ok || got != u {
			t.Errorf("%q is %q, %v; want %q", other, got, ok, u)
		}
	}
	for _, u := range strings.Split(timeUnits, ", ") {
		if scaleName(lengths[u]) != u {
			t.Errorf("%v s is called %q, want %q", lengths[u], scaleName(lengths[u]), u)
		}
	}
}
