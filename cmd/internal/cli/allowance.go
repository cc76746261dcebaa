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
			may, to := "may have", ""
			if ratio > 1 {
				may = "needs at least"
			}
			if r.ReserveLimit == "ultimate" {
				to = "; the ultimate stress is the limit, not the life"
			}
			fmt.Fprintf(a.out, "\nReserve as thickness: %s (%s) %s %v of today's wall, and of its mass%s", r.Hotspot, r.Scenario, may, r.AllowedThicknessRatio, to)
			said = true
		}
	}
	if said {
		fmt.Fprint(a.out, "\nThis holds while load and stress keep their shape. Stiffness and resonances move with the wall, and so does the load.\n")
	}
}
