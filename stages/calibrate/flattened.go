package calibrate

import "fmt"

// worthTelling is the share by which noise has to flatten a least-squares gain for it to be
// told: less is below what an interval shows.
const worthTelling = 0.005

// flattened says by how much noise in the channel flattens a least-squares gain; "" where
// it does not matter.
func (e estimate) flattened() string {
	off := 1 - e.ls/e.tls
	if !(off >= worthTelling) {
		return ""
	}
	return fmt.Sprintf("; noise in the channel would flatten a least-squares gain by %.1f %%", 100*off)
}
