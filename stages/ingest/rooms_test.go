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

// What is taken back of a signal is all of its memory, and nothing of one with stamps, nor of a short lap of a long recording.
func TestRecycle(t *testing.T) {
	testRecycle(t, &leanRooms, func(v []float32) frame.Column { return frame.Col("value", "g", v) })
	testRecycle(t, &rooms, func(v []float64) frame.Column { return frame.Col("value", "g", v) })
}

func testRecycle[T real](t *testing.T, pool *sync.Pool, column func([]T) frame.Column) {
	t.Helper()
	part, all := make([]T, 20)[:10], make([]T, 10)
	whole := Params{StartS: math.NaN(), EndS: math.NaN()}
	begun, ended := Params{StartS: 1, EndS: math.NaN()}, Params{StartS: math.NaN(), EndS: 1}
	signal := func(v []T) *frame.Frame { return frame.Must(nil, column(v)) }
	stamps := frame.Col("time_s", "s", make([]float64, 10))
	for _, tt := range []struct {
		reason string
		f      *frame.Frame
		p      Params
		want   int // how many values there is room for; 0 = nothing comes back
	}{
		{"a signal", signal(all), whole, 10},
		{"a signal with room behind it", signal(part), whole, 20},
		{"most of a recording, from the beginning", signal(part), ended, 20},
		{"most of a recording, to the end", signal(part), begun, 20},
		{"a short lap at the beginning", signal(all), ended, 0},
		{"a short lap at the end", signal(all), begun, 0},
		{"with stamps", frame.Must(nil, column(part), stamps), whole, 0},
		{"the quality", frame.Must(nil, frame.Col("channel", "", []string{"a"})), whole, 0},
		{"none", signal([]T{}), whole, 0},
	} {
		came := 0
		for range 100 { // a pool may lose what it is given, but has nothing that it was not given
			leanRooms, rooms = sync.Pool{}, sync.Pool{}
			tt.p.Recycle(tt.f)
			if room := takeRoom[T](pool); room != nil {
				came = cap(room)
			}
			if leanRooms.Get() != nil || rooms.Get() != nil {
				t.Fatalf("%s: more came back than the signal", tt.reason)
			}
		}
		if came != tt.want {
			t.Errorf("%s: room for %d came back, want %d", tt.reason, came, tt.want)
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

// Most of a column stays in its memory, from the beginning on, all of which serves again; a short part is copied, so that it does not hold the rest.
func TestCutOut(t *testing.T) {
	for _, tt := range []struct {
		reason   string
		from, to int
		copied   bool
		room     int
	}{
		{"all", 0, 10, false, 10},
		{"but for a few at the beginning", 2, 10, false, 10},
		{"but for a few at both ends", 1, 8, false, 10},
		{"half", 5, 10, true, 5},
		{"few", 9, 10, true, 1},
		{"none", 0, 0, true, 0},
	} {
		var pool sync.Pool
		v := []float32{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}
		want := slices.Clone(v[tt.from:tt.to])
		got := cutOut(&pool, v, tt.from, tt.to)
		if got == nil || !slices.Equal(got, want) || cap(got) != tt.room {
			t.Errorf("%s: %v with room for %d, want %v with room for %d", tt.reason, got, cap(got), want, tt.room)
		}
		if len(got) > 0 && (&got[0] != &v[0]) != tt.copied {
			t.Errorf("%s: copied is %v, want %v", tt.reason, !tt.copied, tt.copied)
		}
	}
}
