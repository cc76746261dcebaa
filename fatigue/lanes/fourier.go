package lanes

import (
	"fmt"
	"math"
)

// The steps of a discrete Fourier transform in place by decimation in frequency, of numbers whose real and imaginary parts lie apart. Turns are
// the cosines and sines of -2πk/size that a step multiplies by: four cosines, then the four sines of the same k, and so on.

// HalfTurns are those of Half for 2h numbers, h a multiple of 4.
func HalfTurns(h int) []float64 {
	t := make([]float64, 2*h)
	for j := range h {
		at := j/4*8 + j%4
		t[at+4], t[at] = math.Sincos(-2 * math.Pi * float64(j) / float64(2*h))
	}
	return t
}

// QuarterTurns are those of Quarter for blocks of 4q numbers, q a multiple of 4: of k, 2k and 3k for every four k.
func QuarterTurns(q int) []float64 {
	t := make([]float64, 6*q)
	for j := range q {
		for part := range 3 {
			at := j/4*24 + part*8 + j%4
			t[at+4], t[at] = math.Sincos(-2 * math.Pi * float64((part+1)*j) / float64(4*q))
		}
	}
	return t
}

// Half takes the step that leaves two halves to be transformed by themselves; turns are HalfTurns.
func Half(re, im, turns []float64) {
	h := len(re) / 2
	mustFit(h%4 == 0 && len(re) == 2*h && len(im) == len(re) && len(turns) == len(re))
	if wide && h > 0 {
		halfAVX2(&re[0], &im[0], &turns[0], h)
		return
	}
	half(re, im, turns)
}

func half(re, im, turns []float64) {
	h := len(re) / 2
	r0, r1, i0, i1 := re[:h], re[h:][:h], im[:h], im[h:][:h]
	for j := range r0 {
		at := j/4*8 + j%4
		c, s := turns[at], turns[at+4]
		difR, difI := r0[j]-r1[j], i0[j]-i1[j]
		r0[j], i0[j] = r0[j]+r1[j], i0[j]+i1[j]
		r1[j], i1[j] = turned(difR, difI, c, s)
	}
}

// turned is a complex product. The conversions keep processors that could from fusing it with the sum.
func turned(re, im, c, s float64) (float64, float64) {
	return float64(re*c) - float64(im*s), float64(re*s) + float64(im*c)
}

// Quarter takes, in every block of 4q numbers, the step that leaves four quarters to be transformed by themselves; turns are
// QuarterTurns(q). The quarters are in the order of the frequencies' rest by 4.
func Quarter(re, im, turns []float64) {
	q := len(turns) / 6
	mustFit(q > 0 && q%4 == 0 && len(turns) == 6*q && len(re)%(4*q) == 0 && len(im) == len(re))
	if wide && len(re) > 0 {
		quarterAVX2(&re[0], &im[0], &turns[0], len(re)/(4*q), q)
		return
	}
	for from := 0; from < len(re); from += 4 * q {
		quarter(re[from:from+4*q], im[from:from+4*q], turns)
	}
}

func quarter(re, im, turns []float64) {
	q := len(re) / 4
	r0, r1, r2, r3 := re[:q], re[q:][:q], re[2*q:][:q], re[3*q:][:q]
	i0, i1, i2, i3 := im[:q], im[q:][:q], im[2*q:][:q], im[3*q:][:q]
	for j := range r0 {
		t := turns[j/4*24+j%4:]
		t = t[:21]
		a, b, c, d := butterfly(r0[j], r1[j], r2[j], r3[j], i0[j], i1[j], i2[j], i3[j])
		r0[j], i0[j] = a.re, a.im
		r1[j], i1[j] = turned(b.re, b.im, t[0], t[4])
		r2[j], i2[j] = turned(c.re, c.im, t[8], t[12])
		r3[j], i3[j] = turned(d.re, d.im, t[16], t[20])
	}
}

type pair struct{ re, im float64 }

// butterfly is the transform of four numbers.
func butterfly(a, b, c, d, e, f, g, h float64) (pair, pair, pair, pair) {
	sumR, difR, sumI, difI := a+c, a-c, e+g, e-g
	crossR, turnR, crossI, turnI := b+d, b-d, f+h, f-h
	return pair{sumR + crossR, sumI + crossI}, pair{difR + turnI, difI - turnR},
		pair{sumR - crossR, sumI - crossI}, pair{difR - turnI, difI + turnR}
}

// Powers takes the last step, of four numbers each, and adds the squares of what comes out to sum. Of 16 numbers in a row, the powers of
// each four stand 4 apart: number 4g+m is added to 4m+g. The numbers themselves are not kept.
func Powers(sum, re, im []float64) {
	mustFit(len(re)%16 == 0 && len(im) == len(re) && len(sum) == len(re))
	if wide && len(re) > 0 {
		powersAVX2(&sum[0], &re[0], &im[0], len(re))
		return
	}
	powers(sum, re, im)
}

func powers(sum, re, im []float64) {
	for ; len(re) >= 16 && len(im) >= 16 && len(sum) >= 16; re, im, sum = re[16:], im[16:], sum[16:] {
		for g := range 4 {
			r, i := re[4*g:][:4], im[4*g:][:4]
			a, b, c, d := butterfly(r[0], r[1], r[2], r[3], i[0], i[1], i[2], i[3])
			sum[g] += a.power()
			sum[4+g] += b.power()
			sum[8+g] += c.power()
			sum[12+g] += d.power()
		}
	}
}

func (p pair) power() float64 { return float64(p.re*p.re) + float64(p.im*p.im) }

func mustFit(ok bool) {
	if !ok {
		panic(fmt.Errorf("lanes: lengths do not fit each other"))
	}
}
