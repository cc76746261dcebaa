package ingest

import (
	"context"
	"math"
	"slices"
	"sync"
	"testing"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// What is taken back of a signal is all the memory that it has, and nothing of one with stamps.
func TestRecycle(t *testing.T) {
	signal := make([]float32, 20)[:10]
	whole := Params{StartS: math.NaN(), EndS: math.NaN()}
	for _, tt := range []struct {
		reason string
		f      *frame.Frame
		p      Params
		want   bool
	}{
		{"a signal", frame.Must(nil, frame.Col("value", "g", signal)), whole, true},
		{"cut out at the beginning", frame.Must(nil, frame.Col("value", "g", signal)), Params{StartS: 1, EndS: math.NaN()}, false},
		{"cut out at the end", frame.Must(nil, frame.Col("value", "g", signal)), Params{StartS: math.NaN(), EndS: 1}, false},
		{"with stamps", frame.Must(nil, frame.Col("value", "g", signal), frame.Col("time_s", "s", make([]float64, 10))), whole, false},
		{"the quality", frame.Must(nil, frame.Col("channel", "", []string{"a"})), whole, false},
		{"none", frame.Must(nil, frame.Col("value", "g", []float32{})), whole, false},
	} {
		came := false
		for range 100 { // a pool may lose what it is given, but has nothing that it was not given
			leanRooms, rooms = sync.Pool{}, sync.Pool{}
			tt.p.Recycle(tt.f)
			room := takeRoom[float32](&leanRooms)
			if came = came || room != nil; room != nil && (cap(room) != 20 || &room[:1][0] != &signal[0]) {
				t.Fatalf("%s: room for %d came back", tt.reason, cap(room))
			}
			if takeRoom[float64](&rooms) != nil {
				t.Fatalf("%s: its stamps came back", tt.reason)
			}
		}
		if came != tt.want {
			t.Errorf("%s: came back %v, want %v", tt.reason, came, tt.want)
		}
	}
}

// A text's columns get fewer rows than they have room for. What one lap's leave serves the next lap, though that may be a little longer.
func TestTextMemoryServesNext(t *testing.T) {
	p, text := wide8(20000, 8, "%.7g", "\n")
	_, longer := wide8(20100, 8, "%.7g", "\n")
	p.Time = Time{Rate: 2000}
	lap := func(text []byte) []stages.Output {
		out, err := p.Run(context.Background(), stages.Inputs{File: stages.File{Path: "a.csv", Content: text}})
		if err != nil {
			t.Fatal(err)
		}
		return out[:len(p.Channels)]
	}
	rooms = sync.Pool{}
	left := map[*float64]bool{}
	for _, o := range lap(text) {
		left[&o.Frame.Columns()[0].Values().([]float64)[0]] = true
		p.Recycle(o.Frame)
	}
	used := 0
	for _, o := range lap(longer) {
		if left[&o.Frame.Columns()[0].Values().([]float64)[0]] {
			used++
		}
	}
	if used == 0 { // a pool may lose some of what it is given
		t.Error("no column lies where one of the lap before did")
	}
}

// Most of a column stays where it is; a short part is copied, so that it does not hold the rest.
func TestCutOut(t *testing.T) {
	for _, tt := range []struct {
		reason   string
		from, to int
		moved    bool
	}{
		{"all", 0, 10, false},
		{"but for a few at the beginning", 2, 10, false},
		{"half", 5, 10, true},
		{"few", 9, 10, true},
		{"none", 0, 0, true},
	} {
		var pool sync.Pool
		v := []float32{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}
		got := cutOut(&pool, v, tt.from, tt.to)
		if got == nil || !slices.Equal(got, v[tt.from:tt.to]) {
			t.Errorf("%s: %v, want %v", tt.reason, got, v[tt.from:tt.to])
		}
		if len(got) > 0 && (&got[0] != &v[tt.from]) != tt.moved {
			t.Errorf("%s: copied is %v, want %v", tt.reason, !tt.moved, tt.moved)
		}
	}
}
