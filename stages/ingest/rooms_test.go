package ingest

import (
	"bytes"
	"context"
	"math"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"lapwear/fatigue/lanes"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// What is taken back of a signal is all of its memory, and nothing of one with stamps, nor of a short lap of a long recording.
func TestRecycle(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1)) // what one processor gave a pool, another may not find, and the first finds later
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
			tt.p.Recycle(tt.f, true)
			if room := anyRoom[T](pool); room != nil {
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

// Once no more recordings are read, the memory of a signal serves others, and no column.
func TestRecycleAtTheEnd(t *testing.T) {
	testRecycleAtTheEnd(t, func(v []float32) frame.Column { return frame.Col("value", "g", v) })
	testRecycleAtTheEnd(t, func(v []float64) frame.Column { return frame.Col("value", "g", v) })
}

func testRecycleAtTheEnd[T real](t *testing.T, column func([]T) frame.Column) {
	t.Helper()
	p := Params{StartS: math.NaN(), EndS: math.NaN()}
	served := false
	for range 100 { // such memory may be lost, but is never found elsewhere
		leanRooms, rooms = sync.Pool{}, sync.Pool{}
		v := make([]T, 100_000)
		p.Recycle(frame.Must(nil, column(v)), false)
		if leanRooms.Get() != nil || rooms.Get() != nil {
			t.Fatalf("%T: memory waits for a column that is not to come", v)
		}
		if other := lanes.Uncleared[T](len(v)); &other[0] == &v[0] {
			served = true
			break
		}
	}
	if !served {
		t.Errorf("%T: memory of a signal serves nobody", []T{})
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
		p.Recycle(o.Frame, true)
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

// Memory of a long recording serves no lap that needs less than half of it, of whichever format; it is left to the collector.
func TestMemoryOfLongRecording(t *testing.T) {
	const long, short = 20_000, 2_000
	p, text := wide8(long, 8, "%.9g", "\n")
	_, less := wide8(short, 8, "%.9g", "\n")
	p.Time = Time{Rate: 2000}
	windowed := p
	windowed.Time, windowed.EndS = Time{Column: "TIME", Scale: 1}, 0.9
	for _, tt := range []struct {
		reason string
		p      Params
		of     func(t *testing.T, text []byte) []byte
	}{
		{"text", p, func(_ *testing.T, text []byte) []byte { return text }},
		{"text of unknown size", p, func(t *testing.T, text []byte) []byte { return zipped(t, text) }},
		{"a text's beginning", windowed, func(_ *testing.T, text []byte) []byte { return text }},
		{"Parquet", p, parquetOf},
	} {
		whole, part := tt.of(t, text), tt.of(t, less)
		rooms, leanRooms, stepRooms = sync.Pool{}, sync.Pool{}, sync.Pool{}
		for k, content := range [][]byte{whole, part, whole, part, part} {
			q := tt.p
			if k%2 == 0 && k < 4 {
				q.Time, q.EndS = p.Time, p.EndS // all of it
			}
			out, err := q.Run(context.Background(), stages.Inputs{File: stages.File{Path: "a", Content: content}})
			if err != nil {
				t.Fatalf("%s: %v", tt.reason, err)
			}
			for _, o := range out[:len(p.Channels)] {
				v, ok := o.Frame.Columns()[0].Values().([]float64)
				if !ok || cap(v) > 2*short && len(v) < long {
					t.Errorf("%s: lap %d: %d values have memory for %d", tt.reason, k+1, len(v), cap(v))
				}
				q.Recycle(o.Frame, true)
			}
		}
		if room := anyRoom[float64](&stepRooms); cap(room) > 2*short {
			t.Errorf("%s: %d steps are kept", tt.reason, cap(room))
		}
	}
}

// parquetOf is a text's table as Parquet.
func parquetOf(t *testing.T, text []byte) []byte {
	t.Helper()
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	names := strings.Split(lines[0], ",")
	values := make([][]float64, len(names))
	for _, l := range lines[1:] {
		for i, cell := range strings.Split(l, ",") {
			v, err := strconv.ParseFloat(cell, 64)
			if err != nil {
				t.Fatal(err)
			}
			values[i] = append(values[i], v)
		}
	}
	cols := make([]frame.Column, len(names))
	for i, n := range names {
		cols[i] = frame.Col(n, "", values[i])
	}
	var b bytes.Buffer
	if err := frame.Must(nil, cols...).WriteParquet(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}
