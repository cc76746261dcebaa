package cli

import (
	"testing"

	"lapwear/pipeline/season"
)

func TestFigureName(t *testing.T) {
	for _, c := range []struct {
		reason, scenario, hotspot string
		taken                     []string
		want                      string
	}{
		{"the base scenario is not named", "base", "weld_toe", nil, "weld_toe-overlay.svg"},
		{"another one is", "thicker", "weld_toe", nil, "weld_toe@thicker-overlay.svg"},
		{"no name leaves the folder", "base", "../../etc/x", nil, "------etc-x-overlay.svg"},
		{"letters that some file systems lack", "base", "Ansatz ü", nil, "Ansatz---overlay.svg"},
		{"names that differ in such letters only", "base", "a b", []string{"a-b-overlay.svg"}, "a-b-2-overlay.svg"},
		{"names that differ in case only, which some file systems do not tell apart", "base", "TOE", []string{"toe-overlay.svg"}, "TOE-2-overlay.svg"},
	} {
		if got := figureName(season.Evidence{Scenario: c.scenario, Hotspot: c.hotspot}, "overlay", c.taken); got != c.want {
			t.Errorf("%s: figure of %q is %q, want %q", c.reason, c.hotspot, got, c.want)
		}
	}
}
