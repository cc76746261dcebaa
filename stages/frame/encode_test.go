package frame

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"math"
	"strings"
	"testing"
	"unsafe"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// sample has a column of every kind with its kind's awkward values.
func sample() *Frame {
	return Must(
		[]Attr{Num("rate", "Hz", 1024), Text("channel", "acc_z"), Num("none", "", math.NaN())},
		Col("stress", "MPa", []float64{1.5, math.NaN(), math.Inf(1), math.Inf(-1), math.Copysign(0, -1), 0.1}),
		Col("acc", "g", []float32{0.1, float32(math.NaN()), -2, 3e38, 1e-45, 0}),
		Col("ticks", "", []int64{math.MinInt64, -1, 0, 1, math.MaxInt64, 1 << 53}),
		Col("lap", "", []int32{math.MinInt32, -1, 0, 1, math.MaxInt32, 7}),
		Col("note", "", []string{"", "plain", "a,b", "said \"so\"", "zwei\nZeilen", "=1+1"}),
		Col("linear", "", []bool{true, false, true, true, false, false}),
	)
}

func sameFrame(t *testing.T, got, want *Frame) {
	t.Helper()
	opts := []cmp.Option{cmp.AllowUnexported(Frame{}, Column{}), cmpopts.EquateNaNs(), cmpopts.EquateEmpty()}
	if d := cmp.Diff(want, got, opts...); d != "" {
		t.Errorf("frames differ (-want +got):\n%s", d)
	}
}

func TestEncodingRoundTrip(t *testing.T) {
	long := make([]float64, 3*encodeBlock/8+5)
	texts := make([]string, 5000)
	for i := range long {
		long[i] = float64(i) * 1.25
	}
	for i := range texts {
		texts[i] = strings.Repeat("x", i%300)
	}
	for _, row := range []struct {
		reason string
		f      *Frame
	}{
		{"every kind and its special values", sample()},
		{"no columns, no attributes", Must(nil)},
		{"attributes alone", Must([]Attr{Text("a", "b")})},
		{"columns without rows", Must(nil, Col("a", "", []float64{}), Col("b", "", []string{}))},
		{"longer than a block", Must(nil, Col("a", "", long))},
		{"short whole numbers", Must(nil, Col("a", "", []int16{1, -2, math.MaxInt16}), Col("b", "", []int16{0, 0, math.MinInt16}))},
		{"texts whose lengths need two bytes", Must(nil, Col("a", "", texts))},
	} {
		t.Run(row.reason, func(t *testing.T) {
			b := row.f.AppendEncoded([]byte("before"))[6:]
			if int64(len(b)) != row.f.EncodedLen() {
				t.Errorf("encoding has %d bytes, EncodedLen says %d", len(b), row.f.EncodedLen())
			}
			var streamed bytes.Buffer
			if err := row.f.EncodeTo(&streamed); err != nil || !bytes.Equal(streamed.Bytes(), b) {
				t.Errorf("EncodeTo gives other bytes than AppendEncoded (error %v)", err)
			}
			got, err := Decode(b)
			if err != nil {
				t.Fatal(err)
			}
			sameFrame(t, got, row.f)
		})
	}
}

// Numbers that stay in the bytes they came in are the same ones, aligned for their type, wherever the bytes lie
// and whatever stands before them.
func TestDecodeOwned(t *testing.T) {
	n := leastInPlace + 3
	doubles, singles, whole := make([]float64, n), make([]float32, n), make([]int32, n)
	for i := range n {
		doubles[i], singles[i], whole[i] = float64(i)*1.25, float32(i)/3, int32(-i)
	}
	doubles[n-1] = math.NaN()
	for shift := range 9 {
		names := 2 // where a column lies depends on the sum of both
		if shift == 0 {
			names = 9
		}
		for name := 1; name <= names; name++ {
			want := Must([]Attr{Text(strings.Repeat("n", name), "")}, Col("d", "", doubles), Col("a long name", "MPa", doubles), Col("s", "", singles),
				Col("b", "", make([]bool, n)), Col("w", "", whole), Col("t", "", make([]string, n)), Col("e", "", singles))
			b := want.AppendEncoded(make([]byte, shift))[shift:]
			got, err := DecodeOwned(b)
			if err != nil {
				t.Fatal(err)
			}
			sameFrame(t, got, want)
			for _, c := range got.cols {
				if v, ok := c.data.([]float64); ok && uintptr(unsafe.Pointer(&v[0]))%8 != 0 {
					t.Errorf("shift %d, name of %d: column %q is not aligned", shift, name, c.Name)
				}
			}
			first := uintptr(unsafe.Pointer(unsafe.SliceData(got.cols[6].data.([]float32))))
			if begin := uintptr(unsafe.Pointer(&b[0])); littleHost && (first < begin || first >= begin+uintptr(len(b))) {
				t.Errorf("shift %d, name of %d: numbers were copied", shift, name)
			}
		}
	}
}

// Short whole numbers are of two bytes.
func TestEncodingOfInt16(t *testing.T) {
	f := Must(nil, Col("a", "g", []int16{1, -2, math.MinInt16}))
	want := "4c574652414d4501" + "00" + "01" + "03" + "0161" + "0167" + "07" + "0100" + "feff" + "0080"
	if got := hex.EncodeToString(f.AppendEncoded(nil)); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if f.Bytes() != 6 || f.cols[0].Kind().String() != "int16" {
		t.Errorf("%d bytes of %v", f.Bytes(), f.cols[0].Kind())
	}
	both, err := Stack(f, f)
	if err != nil {
		t.Fatal(err)
	}
	if v, _ := Get[[]int16](both, "a"); len(v) != 6 || v[5] != math.MinInt16 {
		t.Errorf("stacked: %v", v)
	}
	if err := f.WriteParquet(new(bytes.Buffer)); err == nil || !strings.Contains(err.Error(), `column "a": tables hold no int16`) {
		t.Errorf("as Parquet: error %v", err)
	}
}

// The bytes are what stored results are found by: they may change only together
// with the version in the magic. Worked out by hand from the layout in encode.go.
func TestEncodingBytes(t *testing.T) {
	f := Must([]Attr{Num("r", "Hz", 2)}, Col("a", "g", []int32{1, -1}), Col("t", "", []string{"", "xy"}))
	want := "4c574652414d4501" + "01" + "02" + "02" +
		"0172" + "02487a" + "00" + "0000000000000040" +
		"0161" + "0167" + "04" + "01000000" + "ffffffff" +
		"0174" + "00" + "05" + "00" + "027879"
	if got := hex.EncodeToString(f.AppendEncoded(nil)); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	sum := sha256.Sum256(sample().AppendEncoded(nil))
	if got, want := hex.EncodeToString(sum[:8]), goldenEncoding; got != want {
		t.Errorf("hash of the sample's encoding is %s, not %s", got, want)
	}
}

func TestNaNsHaveOneEncoding(t *testing.T) {
	odd64, odd32 := math.Float64frombits(0xFFF8000000000123), math.Float32frombits(0x7FC00999)
	a := Must([]Attr{Num("n", "", odd64)}, Col("a", "", []float64{odd64, 1}), Col("b", "", []float32{odd32, 1}))
	nan := math.NaN()
	b := Must([]Attr{Num("n", "", nan)}, Col("a", "", []float64{nan, 1}), Col("b", "", []float32{float32(nan), 1}))
	if !bytes.Equal(a.AppendEncoded(nil), b.AppendEncoded(nil)) {
		t.Error("two payloads of not-a-number give two encodings")
	}
	if math.Float64bits(a.cols[0].data.([]float64)[0]) != 0xFFF8000000000123 {
		t.Error("encoding changed the frame")
	}
}

func TestDecodeRefuses(t *testing.T) {
	good := Must([]Attr{Num("r", "", 2)}, Col("a", "", []float64{1}), Col("b", "", []bool{true})).AppendEncoded(nil)
	change := func(at int, b ...byte) []byte {
		return append(append(bytes.Clone(good[:at]), b...), good[at+len(b):]...)
	}
	for _, row := range []struct {
		reason string
		b      []byte
		want   string
	}{
		{"nothing", nil, "at byte 0: not an encoded frame"},
		{"another version", change(7, 2), "at byte 0: not an encoded frame"},
		{"a byte too many", append(bytes.Clone(good), 0), "1 bytes are left over"},
		{"a byte too few", good[:len(good)-1], "length exceeds"},
		{"many attributes", change(8, 0x7f), "length exceeds"},
		{"a length that is not shortest", append(append(bytes.Clone(good[:8]), 0x81, 0), good[9:]...), "shortest varint"},
		{"a flag of 2 for an attribute", change(14, 2), "neither 0 nor 1"},
		{"a bool of 2", change(len(good)-1, 2), "neither 0 nor 1"},
		{"an unknown kind", change(26, 9), "unknown kind 9"},
		{"a signalling NaN", change(27, 1, 0, 0, 0, 0, 0, 0xf0, 0x7f), "canonical"},
		{"a column name twice", change(36, 'a'), "occurs twice"},
		{"2^35 rows", append(append(bytes.Clone(good[:10]), 0x80, 0x80, 0x80, 0x80, 0x80, 1), good[11:]...), "length exceeds"},
		{"rows without columns", []byte(encodingMagic + "\x00\x00\x05"), "5 rows without columns"},
	} {
		t.Run(row.reason, func(t *testing.T) {
			_, err := Decode(row.b)
			if err == nil || !strings.Contains(err.Error(), row.want) || !strings.Contains(err.Error(), "at byte") {
				t.Errorf("error %v does not say %q", err, row.want)
			}
		})
	}
}

func TestEncodeToReportsTheWriter(t *testing.T) {
	if err := sample().EncodeTo(failing{}); err == nil || !strings.Contains(err.Error(), errFull.Error()) {
		t.Errorf("got error %v", err)
	}
}

// FuzzDecode: what decodes encodes to the same bytes; nothing panics.
func FuzzDecode(f *testing.F) {
	f.Add(sample().AppendEncoded(nil))
	f.Add(Must(nil).AppendEncoded(nil))
	f.Add(Must(nil, Col("a", "", []int16{7, -1})).AppendEncoded(nil))
	f.Add(Must(nil, Col("a", "", []string{"x", ""})).AppendEncoded(nil))
	f.Fuzz(func(t *testing.T, b []byte) {
		fr, err := Decode(b)
		if owned, other := DecodeOwned(bytes.Clone(b)); (err == nil) != (other == nil) || err == nil && !bytes.Equal(owned.AppendEncoded(nil), b) {
			t.Errorf("decoded in place: %v, copied: %v", other, err)
		}
		if err != nil {
			return
		}
		if !bytes.Equal(fr.AppendEncoded(nil), b) {
			t.Fatal("decoding and encoding gives other bytes")
		}
	})
}

// FuzzEncode: the decoded encoding of a frame is the frame.
func FuzzEncode(f *testing.F) {
	f.Add("a", "MPa", 1.5, float32(2), int64(3), int32(4), "text", true)
	f.Add("", "", math.NaN(), float32(math.NaN()), int64(-1), int32(-1), "", false)
	f.Fuzz(func(t *testing.T, name, unit string, d float64, s float32, l int64, i int32, text string, b bool) {
		want, err := New([]Attr{Num("n"+name, unit, d), Text("t"+name, text)},
			Col("d"+name, unit, []float64{d, 0}), Col("s"+name, unit, []float32{s, 0}),
			Col("l"+name, unit, []int64{l, 0}), Col("i"+name, unit, []int32{i, 0}),
			Col("t"+name, unit, []string{text, name}), Col("b"+name, unit, []bool{b, !b}))
		if err != nil {
			t.Fatal(err)
		}
		got, err := Decode(want.AppendEncoded(nil))
		if err != nil {
			t.Fatal(err)
		}
		sameFrame(t, got, want)
	})
}

func benchFrame() *Frame {
	v := make([]float64, 4<<20)
	for i := range v {
		v[i] = math.Sin(float64(i) * 0.01)
	}
	return Must(nil, Col("a", "", v))
}

type count int64

func (c *count) Write(p []byte) (int, error) { *c += count(len(p)); return len(p), nil }

func BenchmarkEncodeTo(b *testing.B) {
	f := benchFrame()
	b.SetBytes(f.EncodedLen())
	b.ReportAllocs()
	for b.Loop() {
		var n count
		if err := f.EncodeTo(&n); err != nil || int64(n) != f.EncodedLen() {
			b.Fatal(n, err)
		}
	}
}

// As read from a store, into bytes of their own.
func BenchmarkDecodeOwned(b *testing.B) {
	enc := benchFrame().AppendEncoded(nil)
	for _, way := range []struct {
		name   string
		decode func([]byte) (*Frame, error)
	}{{"copied", Decode}, {"in place", DecodeOwned}} {
		b.Run(way.name, func(b *testing.B) {
			b.SetBytes(int64(len(enc)))
			b.ReportAllocs()
			for b.Loop() {
				if _, err := way.decode(bytes.Clone(enc)); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkDecode(b *testing.B) {
	enc := benchFrame().AppendEncoded(nil)
	b.SetBytes(int64(len(enc)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Decode(enc); err != nil {
			b.Fatal(err)
		}
	}
}

// Rows are alike exactly if each has the same encoding alone.
func TestAlike(t *testing.T) {
	other := math.Float64frombits(math.Float64bits(math.NaN()) ^ 1)
	for _, c := range []Column{
		Col("f", "", []float64{0, 0, math.Copysign(0, -1), math.NaN(), other, 1}),
		Col("g", "", []float32{0, 0, float32(math.Copysign(0, -1)), float32(math.NaN()), -float32(math.NaN()), 1}),
		Col("i", "", []int64{1, 1, 2, 2, 2, 1}),
		Col("j", "", []int32{1, 1, 2, 2, 2, 1}),
		Col("k", "", []int16{1, 1, 2, 2, 2, 1}),
		Col("b", "", []bool{true, true, false, false, false, true}),
		Col("s", "", []string{"", "", "a", "a", "a", "b"}),
	} {
		for from := range c.Len() {
			want := true
			for to := from + 1; to <= c.Len(); to++ {
				want = want && bytes.Equal(c.AppendValues(nil, to-1, to), c.AppendValues(nil, from, from+1))
				if got := c.Alike(from, to); got != want {
					t.Errorf("column %s, rows %d to %d: alike %v, want %v", c.Name, from, to, got, want)
				}
			}
		}
	}
}
