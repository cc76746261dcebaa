package cli

import (
	"fmt"
	"math"
)

// printAllowances says what the reserve buys at the hot spots that state how stress
// falls with thickness.
func (a *app) printAllowances(results []result) {
	said := false
	for _, r := range results {
		if ratio := float64(r.AllowedThicknessRatio); !math.IsNaN(ratio) {
			fmt.Fprintf(a.out, "\nReserve as thickness: %s (%s) may have %v of today's wall, and of its mass", r.Hotspot, r.Scenario, r.AllowedThicknessRatio)
			said = true
		}
	}
	if said {
		fmt.Fprint(a.out, "\nThis holds while load and stress keep their shape. Stiffness and resonances move with the wall, and so does the load.\n")
	}
}
