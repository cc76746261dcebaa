package ingest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"testing"

	"lapwear/fatigue/lanes"
	"lapwear/stages"
)

// crowd is hands of three who are never busy.
func crowd(n int, do func(i int) error) error {
	var begun atomic.Int64
	var workers sync.WaitGroup
	errs := make([]error, n)
	for range 3 {
		workers.Go(func() {
			for i := int(begun.Add(1) - 1); i < n; i = int(begun.Add(1) - 1) {
				if errs[i] = do(i); errs[i] != nil {
					begun.Add(int64(n))
				}
			}
		})
	}
	workers.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// recordOf reads the columns A and B of a text that is in memory.
func recordOf(ctx context.Context, text []byte, hands stages.Hands) (*record, error) {
	s, err := openContent(stages.File{Path: "a.csv", Content: text})
	if err != nil {
		return nil, err
	}
	s.hands = hands
	src, err := s.open([]string{"A", "B"})
	if err != nil {
		return nil, err
	}
	return src.read(ctx, newCursor(Params{Time: Time{Rate: 1}, StartS: nan, EndS: nan}))
}

// TestTogetherEqualsAlone reads texts of several portions by many hands and by nobody's. In some there are rows anywhere that are not
// dense, or rows become so short that there are more than the first ones had memory taken for.
func TestTogetherEqualsAlone(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	others := []string{"", ",", "1,x", "1", "1,2,3", ",2", "-,1", `"1","2"`, "1e400,2", "+1.5e-7, 2", "# 1", "1.25,2.5"}
	for range 60 {
		text := []byte("A,B\n")
		odd, sizes := [...]float64{0, 1e-5, 1e-3}[rng.IntN(3)], [...]string{"%.6f,%.6f", "%.3g,%.0f", "%.17g,%.1f"}
		size, shorter := sizes[rng.IntN(3)], rng.IntN(4) == 0
		end := [...]string{"\n", "\r\n"}[rng.IntN(2)]
		for want := rng.IntN(6 * portion); len(text) < want; {
			if shorter && len(text) > 2*portion {
				size = "%.0f,%.0f"
			}
			if rng.Float64() < odd {
				text = append(text, others[rng.IntN(len(others))]...)
			} else {
				text = fmt.Appendf(text, size, 3*rng.NormFloat64(), rng.NormFloat64())
			}
			text = append(text, end...)
		}
		if rng.IntN(2) == 0 {
			text = bytes.TrimRight(text, "\r\n")
		}
		want, wantErr := recordOf(context.Background(), text, nil)
		got, err := recordOf(context.Background(), text, crowd)
		if fmt.Sprint(err) != fmt.Sprint(wantErr) {
			t.Fatalf("together: %v; alone: %v", err, wantErr)
		}
		if err != nil {
			continue
		}
		if got.rows != want.rows || got.first != want.first || got.finite != want.finite {
			t.Fatalf("together %d rows from %d, finite %v; alone %d from %d, %v", got.rows, got.first, got.finite, want.rows, want.first, want.finite)
		}
		for k := range want.cols {
			if !slices.EqualFunc(got.cols[k], want.cols[k], sameBits) {
				t.Fatalf("column %d differs", k)
			}
			if want.finite && !lanes.Finite(want.cols[k]) {
				t.Fatalf("column %d is not finite", k)
			}
		}
	}
}

// TestRoomForAll has memory for one row more or less than a text has, whose last line may lack its end.
func TestRoomForAll(t *testing.T) {
	text := bytes.Repeat([]byte("1.25,2.5\n"), portion/4)
	rows := bytes.Count(text, []byte{'\n'})
	for _, tail := range []string{"", "1", "1,2", "1,"} {
		for more := -2; more <= 2; more++ {
			b := blocksOf(append(bytes.Clone(text), tail...))
			b.read(1)
			r := &record{cols: [][]float64{make([]float64, 1, rows+more), make([]float64, 1, rows+more)}}
			x := &table{s: &file{hands: crowd}, at: layout{cells: []string{"A", "B"}, delimiter: ','}, fields: []field{{0, 0}, {1, 1}}, decimal: '.', rec: r,
				numbers: newDense(2, ',', '.')}
			if err := x.together(context.Background(), b); err != nil {
				t.Fatal(err)
			}
			left := 0
			for {
				rest, err := b.next()
				if err != nil {
					t.Fatal(err)
				}
				if len(rest) == 0 {
					break
				}
				left += bytes.Count(rest, []byte{'\n'})
			}
			if r.rows+left != rows || more > 0 && tail == "" && left > 0 {
				t.Errorf("%d rows, room for %d more, then %q: %d are read, %d left", rows, more, tail, r.rows, left)
			}
		}
	}
}

// TestTogetherIsStopped stops the reading of a text by many hands.
func TestTogetherIsStopped(t *testing.T) {
	text := append([]byte("A,B\n"), bytes.Repeat([]byte("1.25,2.5\n"), portion)...)
	ctx, stop := context.WithCancel(context.Background())
	hands := func(n int, do func(i int) error) error {
		stop()
		return crowd(n, do)
	}
	if _, err := recordOf(ctx, text, hands); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want that it was stopped", err)
	}
}
