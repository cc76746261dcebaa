package frame

import (
	"bytes"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// Law: what is written as Arrow IPC is read back, and equal frames give equal bytes.
func TestArrowReadsBack(t *testing.T) {
	want := [][]float64{{1, math.NaN(), -3.5}, {1, 2, math.MaxInt32}, {0.5, -0.25, 4}}
	f := Must([]Attr{Num("rate_hz", "Hz", 512), Text("season", "2031")},
		Col("time_s", "s", want[0]), Col("n", "", []int32{1, 2, math.MaxInt32}), Col("x", "g", []float32{0.5, -0.25, 4}),
		Col("what", "", []string{"a", "", "c"}), Col("ok", "", []bool{true, false, true}), Col("i", "", []int64{1, 2, 3}))
	var a, b bytes.Buffer
	if err := f.WriteArrow(&a); err != nil {
		t.Fatal(err)
	}
	if err := f.WriteArrow(&b); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("equal frames gave other bytes")
	}
	s, err := NewSource(bytes.NewReader(a.Bytes()), int64(a.Len()), "drive.arrow")
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	got, err := s.Read([]string{"time_s", "n", "x"})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, got, cmpopts.EquateNaNs()); d != "" {
		t.Error(d)
	}
	words, err := s.ReadStrings("what")
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]string{"a", "", "c"}, words); d != "" {
		t.Error(d)
	}
}

func TestArrowNeedsColumns(t *testing.T) {
	if err := Must(nil).WriteArrow(&bytes.Buffer{}); err == nil {
		t.Error("a frame without columns was written")
	}
}
