package ingest

import (
	"math"
	"slices"
	"sync"
	"testing"

	"lapwear/stages/frame"
)

// What is taken back of a signal is as long as the signal, whatever lies behind it, and nothing of one with stamps.
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
			if came = came || room != nil; room != nil && (cap(room) != 10 || &room[:1][0] != &signal[0]) {
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

// Doubles are taken back where nothing lies behind them, as behind a text's columns.
func TestRecycleDoubles(t *testing.T) {
	for _, tt := range []struct {
		reason string
		signal []float64
		want   bool
	}{
		{"as long as the memory", make([]float64, 10), true},
		{"with room behind", make([]float64, 20)[:10], false},
	} {
		came := false
		for range 100 { // a pool may lose what it is given
			rooms = sync.Pool{}
			Params{StartS: math.NaN(), EndS: math.NaN()}.Recycle(frame.Must(nil, frame.Col("value", "g", tt.signal)))
			came = came || takeRoom[float64](&rooms) != nil
		}
		if came != tt.want {
			t.Errorf("%s: came back %v, want %v", tt.reason, came, tt.want)
		}
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
