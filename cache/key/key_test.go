package key

import (
	"io"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestOf(t *testing.T) {
	// FIPS 180-2, appendix B (B.1, B.2), and the empty message of NIST's SHA test vectors for byte-oriented hashing.
	for in, want := range map[string]string{
		"":    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
		"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
		"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
	} {
		id := Of([]byte(in))
		if id.String() != want || id.Short() != want[:12] {
			t.Errorf("Of(%q) = %s, %s; want %s", in, id, id.Short(), want)
		}
		if back, err := Parse(want); err != nil || back != id {
			t.Errorf("Parse(%q) = %s, %v", want, back, err)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, tt := range []struct{ in, want string }{
		{"", "want 64 hexadecimal digits"},
		{strings.Repeat("a", 63), "want 64 hexadecimal digits"},
		{strings.Repeat("a", 65), "want 64 hexadecimal digits"},
		{strings.Repeat("g", 64), "invalid byte"},
	} {
		if id, err := Parse(tt.in); err == nil || !strings.Contains(err.Error(), tt.want) || id != (ID{}) {
			t.Errorf("Parse(%q) = %s, %v; want error %q", tt.in, id, err, tt.want)
		}
	}
}

// fill adds one field of each type.
func fill(h *Hasher) {
	h.Float("gate", 0.005)
	h.Bool("closed", true)
	h.ID("input", Of([]byte("abc")))
}

func TestSum(t *testing.T) {
	h := New("count", 3, "amd64")
	fill(h)
	// Computed with Python's hashlib over "lapwear action 1" and then for each field: type letter,
	// u32 length of the label, label, u64 length of the value, value; numbers little-endian.
	const want = "29abab74139c71b1a91e9071ed15a58948367bc3f3875e5b6d0fd76b6b4b73b6"
	if got := h.Sum().String(); got != want {
		t.Errorf("Sum = %s, want %s", got, want)
	}
	if again := h.Sum().String(); again != want {
		t.Errorf("a second Sum = %s", again)
	}
	transcript := []Field{
		{"stage", "count"}, {"revision", "3"}, {"arch", "amd64"}, {"gate", "0.005"}, {"closed", "true"},
		{"input", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
	}
	listed := Listing("count", 3, "amd64")
	fill(listed)
	for _, h := range []*Hasher{h, listed} {
		if d := cmp.Diff(transcript, h.Transcript()); d != "" {
			t.Errorf("transcript (-want +got):\n%s", d)
		}
	}
}

// Lists of fields that differ in anything have different IDs.
func TestSumTellsApart(t *testing.T) {
	lists := map[string]func(h *Hasher){
		"nothing":                  func(*Hasher) {},
		"text":                     func(h *Hasher) { h.String("a", "1") },
		"another label":            func(h *Hasher) { h.String("b", "1") },
		"label and value shifted":  func(h *Hasher) { h.String("a1", "") },
		"number like the text":     func(h *Hasher) { h.Int("a", 1) },
		"float like the number":    func(h *Hasher) { h.Float("a", 1) },
		"true like one":            func(h *Hasher) { h.Bool("a", true) },
		"false":                    func(h *Hasher) { h.Bool("a", false) },
		"next float":               func(h *Hasher) { h.Float("a", math.Nextafter(1, 2)) },
		"zero":                     func(h *Hasher) { h.Float("a", 0) },
		"not a number":             func(h *Hasher) { h.Float("a", math.NaN()) },
		"infinite":                 func(h *Hasher) { h.Float("a", math.Inf(1)) },
		"minus infinite":           func(h *Hasher) { h.Float("a", math.Inf(-1)) },
		"minus one":                func(h *Hasher) { h.Int("a", -1) },
		"twice":                    func(h *Hasher) { h.String("a", "1"); h.String("a", "1") },
		"two fields":               func(h *Hasher) { h.String("a", "1"); h.String("b", "2") },
		"two fields swapped":       func(h *Hasher) { h.String("b", "2"); h.String("a", "1") },
		"an ID":                    func(h *Hasher) { h.ID("a", Of(nil)) },
		"the ID's digits":          func(h *Hasher) { h.String("a", Of(nil).String()) },
		"the ID's bytes":           func(h *Hasher) { id := Of(nil); h.String("a", string(id[:])) },
		"a field within the value": func(h *Hasher) { h.String("a", "1s\x01\x00\x00\x00a\x01\x00\x00\x00\x00\x00\x00\x001") },
	}
	seen := map[ID]string{}
	for reason, add := range lists {
		h := New("s", 1, "x")
		add(h)
		if other, ok := seen[h.Sum()]; ok {
			t.Errorf("%q and %q have one ID", reason, other)
		}
		seen[h.Sum()] = reason
	}
	for _, h := range []*Hasher{New("t", 1, "x"), New("s", 2, "x"), New("s", 1, "y")} {
		if other, ok := seen[h.Sum()]; ok {
			t.Errorf("%v has the ID of %q", h.Transcript(), other)
		}
	}
}

// Numbers that mean the same have one ID.
func TestFloatMeansTheSame(t *testing.T) {
	for _, pair := range [][2]float64{
		{0, math.Copysign(0, -1)},
		{math.NaN(), math.Float64frombits(0xfff8000000000123)},
	} {
		a, b := New("s", 1, "x"), New("s", 1, "x")
		a.Float("v", pair[0])
		b.Float("v", pair[1])
		if a.Sum() != b.Sum() || cmp.Diff(a.Transcript(), b.Transcript()) != "" {
			t.Errorf("%v and %v differ: %v, %v", pair[0], pair[1], a.Transcript(), b.Transcript())
		}
	}
}

func TestDiff(t *testing.T) {
	base := []Field{{"stage", "count"}, {"gate", "0"}, {"input", "a"}, {"input", "b"}}
	tests := []struct {
		reason   string
		old, now []Field
		want     []Change
	}{
		{"equal, with a label twice", base, base, nil},
		{"empty", nil, nil, nil},
		{"a value", base, []Field{{"stage", "count"}, {"gate", "0.5"}, {"input", "a"}, {"input", "b"}}, []Change{{"gate", "0", "0.5"}}},
		{"the second of two", base, []Field{{"stage", "count"}, {"gate", "0"}, {"input", "a"}, {"input", "c"}}, []Change{{"input", "b", "c"}}},
		{"one input more", base, append(base[:4:4], Field{"input", "c"}), []Change{{"input", "", "c"}}},
		{"one input less", base, base[:3], []Change{{"input", "b", ""}}},
		{"order of the new, then what only the old has", []Field{{"x", "1"}, {"a", "1"}, {"y", "1"}}, []Field{{"b", "2"}, {"a", "2"}},
			[]Change{{"b", "", "2"}, {"a", "1", "2"}, {"x", "1", ""}, {"y", "1", ""}}},
	}
	for _, tt := range tests {
		if d := cmp.Diff(tt.want, Diff(tt.old, tt.now)); d != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, d)
		}
	}
}

// Law: two texts put in different places never have one ID.
func FuzzFieldsDoNotRunTogether(f *testing.F) {
	f.Add("a", "bc", "ab", "c")
	f.Add("", "", "s", "")
	f.Fuzz(func(t *testing.T, l1, v1, l2, v2 string) {
		a, b := New("s", 1, "x"), New("s", 1, "x")
		a.String(l1, v1)
		b.String(l2, v2)
		if same := l1 == l2 && v1 == v2; (a.Sum() == b.Sum()) != same {
			t.Errorf("(%q, %q) and (%q, %q): one ID %t", l1, v1, l2, v2, !same)
		}
	})
}

// TestOfUnkept compares the hash of nothing with the published one (from memory), and those of texts of odd lengths written
// at once and in parts.
func TestOfUnkept(t *testing.T) {
	const empty = "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"
	if id := OfUnkept(func(io.Writer) error { return nil }); id.String() != empty {
		t.Errorf("hash of nothing is %v, want %s", id, empty)
	}
	b := make([]byte, 40001)
	for i := range b {
		b[i] = byte(i % 251)
	}
	for _, n := range []int{1, 64, 1023, 1025, 8192, 8193, 40001} {
		whole := OfUnkept(func(w io.Writer) error { _, err := w.Write(b[:n]); return err })
		parts := OfUnkept(func(w io.Writer) error {
			for at := 0; at < n; at += 777 {
				_, _ = w.Write(b[at:min(n, at+777)])
			}
			return nil
		})
		if whole != parts || whole == Of(b[:n]) {
			t.Errorf("%d bytes: %v at once, %v in parts, SHA-256 %v", n, whole, parts, Of(b[:n]))
		}
	}
}

// Law: without a transcript the ID is the same.
func TestPlainHasTheSameID(t *testing.T) {
	fill := func(h *Hasher) *Hasher {
		h.String("s", "text")
		h.Int("i", -3)
		h.Bool("b", true)
		h.Float("f", math.NaN())
		h.ID("h", Of([]byte("x")))
		return h
	}
	kept, plain := fill(New("count", 2, "amd64")), fill(Plain("count", 2, "amd64"))
	if kept.Sum() != plain.Sum() {
		t.Errorf("ID %v, without a transcript %v", kept.Sum(), plain.Sum())
	}
	if len(kept.Transcript()) != 8 || plain.Transcript() != nil {
		t.Errorf("transcripts %v and %v, want 8 fields and none", kept.Transcript(), plain.Transcript())
	}
}

// Law: fields encoded beforehand, however long, give the ID that adding them gives, and a transcript has them all the same.
func TestShared(t *testing.T) {
	add := func(h *Hasher) {
		for i := range 100 {
			h.String("s", strings.Repeat("x", i))
			h.Float("f", float64(i))
		}
	}
	fields := AppendFields([]byte("before"), add)
	if string(fields[:6]) != "before" {
		t.Errorf("fields begin with %q", fields[:6])
	}
	added, shared, asked, kept := Plain("s", 1, "x"), Plain("s", 1, "x"), Plain("s", 1, "x"), New("s", 1, "x")
	add(added)
	shared.Shared(fields[6:], func(*Hasher) { t.Error("a plain ID asks for fields that are there") })
	asked.Shared(nil, add)
	kept.Shared(fields[6:], add)
	for _, h := range []*Hasher{added, shared, asked, kept} {
		h.Bool("after", true)
	}
	if want := added.Sum(); shared.Sum() != want || asked.Sum() != want || kept.Sum() != want {
		t.Errorf("ID %v, with shared fields %v, without any %v, with a transcript %v", want, shared.Sum(), asked.Sum(), kept.Sum())
	}
	if n := len(kept.Transcript()); n != 3+200+1 {
		t.Errorf("transcript of %d fields", n)
	}
}

// Law: an ID that goes on from a mark is that of all fields, whatever was added after the mark before, and whether the hash had begun.
func TestMark(t *testing.T) {
	for _, n := range []int{0, 1, 63, 64, 700} {
		begin := func(h *Hasher) *Hasher { h.String("before", strings.Repeat("x", n)); return h }
		marked := begin(Plain("s", 1, "x"))
		marked.Mark()
		for i := range 3 {
			want := begin(Plain("s", 1, "x"))
			for _, h := range []*Hasher{want, marked} {
				h.String("after", strings.Repeat("y", 300*i))
			}
			if got := marked.Sum(); got != want.Sum() {
				t.Errorf("%d bytes before the mark, %d after: ID %v, want %v", n, 300*i, got, want.Sum())
			}
			marked.String("lost", "z")
			marked.Return()
		}
	}
}
