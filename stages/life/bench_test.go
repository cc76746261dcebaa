package life

import "testing"

// Three subjects of six specimens, with a prediction.
func BenchmarkJudge(b *testing.B) {
	e := nothing()
	e.Predicted, e.Scatter, e.Slope, e.Target = 4200, 0.15, 6, 2400
	p := Defaults()
	p.Expected = []Expected{e}
	r := only(4210, 6930, 5480, 7810, -8000, 3900)
	r.Specimens[0].Hotspot, r.Specimens[1].Hotspot, r.Specimens[2].Hotspot = "toe", "toe", "rib"
	r.Specimens[3].Hotspot, r.Specimens[5].Hotspot = "toe", "toe"
	for b.Loop() {
		if _, err := Judge(r, p); err != nil {
			b.Fatal(err)
		}
	}
}
