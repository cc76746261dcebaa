package ingest

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"lapwear/fatigue/lanes"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// wide8 is a recording of time and channels, of which the first 8 are wanted.
func wide8(rows, channels int, format string, end string) (Params, []byte) {
	rng := rand.New(rand.NewPCG(8, 9))
	p := Params{Time: Time{Column: "TIME", Scale: 1}, StartS: nan, EndS: nan}
	var b bytes.Buffer
	b.WriteString("TIME")
	for c := range channels {
		name := fmt.Sprintf("C%d", c)
		b.WriteString("," + name)
		if c < 8 {
			p.Channels = append(p.Channels, Channel{name, name, "g"})
		}
	}
	for i := range rows {
		fmt.Fprintf(&b, "%s%.4f", end, float64(i)/2000)
		for range channels {
			fmt.Fprintf(&b, ","+format, rng.NormFloat64())
		}
	}
	b.WriteString(end)
	return p, b.Bytes()
}

func BenchmarkRead(b *testing.B) {
	tests := []struct {
		name           string
		rows, channels int
		format, end    string
		pack           func(testing.TB, []byte) []byte
	}{
		{"8 channels %.7g", 200000, 8, "%.7g", "\n", nil},
		{"8 channels %.7g crlf", 200000, 8, "%.7g", "\r\n", nil},
		{"8 channels %.17g", 100000, 8, "%.17g", "\n", nil},
		{"8 of 12 channels %.7g", 100000, 12, "%.7g", "\n", nil},
		{"8 of 400 channels %.7g", 5000, 400, "%.7g", "\n", nil},
		{"8 channels quoted", 100000, 8, "\"%.7g\"", "\n", nil},
		{"8 channels %.7g gzip", 200000, 8, "%.7g", "\n", zipped},
		{"8 channels %.7g zstd", 200000, 8, "%.7g", "\n", zstded},
	}
	for _, tt := range tests {
		p, text := wide8(tt.rows, tt.channels, tt.format, tt.end)
		content := text
		if tt.pack != nil {
			content = tt.pack(b, text)
		}
		path := write(b, "a.csv", content)
		needed, _ := p.columns()
		b.Run(tt.name, func(b *testing.B) {
			b.SetBytes(int64(len(text)))
			for b.Loop() {
				s, err := openFile(path)
				if err != nil {
					b.Fatal(err)
				}
				src, err := s.open(needed)
				if err != nil {
					b.Fatal(err)
				}
				if _, err := src.read(context.Background(), newCursor(p)); err != nil {
					b.Fatal(err)
				}
				src.close()
				if err := s.finish(nil); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkReadTrack reads the recording of a long stint: 5 minutes at 2 kHz.
func BenchmarkReadTrack(b *testing.B) {
	p, text := wide8(600000, 8, "%.7g", "\n")
	path := write(b, "a.csv", text)
	b.SetBytes(int64(len(text)))
	for b.Loop() {
		if _, err := ReadTrack(context.Background(), path, p.Time, p.Channels); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkRun(b *testing.B) {
	p, text := wide8(200000, 8, "%.7g", "\n")
	in := stages.Inputs{File: stages.File{Path: write(b, "a.csv", text)}}
	b.SetBytes(int64(len(text)))
	for b.Loop() {
		if _, err := p.Run(context.Background(), in); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkAssess judges a channel of 100 s at 2 kHz: noise about a line, and the same as a converter of 16 bits gives it.
func BenchmarkAssess(b *testing.B) {
	rng := rand.New(rand.NewPCG(8, 9))
	fine, coarse := make([]float32, 200000), make([]float32, 200000)
	last := 0.0
	for i := range fine {
		last = 0.9*last + rng.NormFloat64()
		fine[i], coarse[i] = float32(last), float32(math.Round(last*100)/128)
	}
	bench := func(name string, of func()) {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(4 * int64(len(fine)))
			for b.Loop() {
				of()
			}
		})
	}
	ax := whole(len(fine), 2000)
	for _, r := range []struct {
		name string
		x    []float32
	}{{"fine", fine}, {"coarse", coarse}} {
		wide := frame.Widen(r.x, nil)
		e := rangeOf(r.x)
		bench(r.name+"/single", func() { assess(r.x, ax, 0, siteOf) })
		bench(r.name+"/double", func() { assess(wide, ax, 0, siteOf) })
		bench(r.name+"/finite", func() { lanes.Finite(r.x) })
		bench(r.name+"/range", func() { rangeOf(r.x) })
		bench(r.name+"/spikes", func() { spikes(r.x, e) })
		bench(r.name+"/means", func() { blockMeans(r.x, ax) })
		bench(r.name+"/levels", func() { levels(r.x, 2000) })
		bench(r.name+"/digest", func() { digestOf(r.x) })
	}
}
