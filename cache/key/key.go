// Package key names results by what they were made from.
//
//   - An ID is a SHA-256. An action ID stands for a computation: stage, revision,
//     parameters, inputs. An output ID stands for the bytes of a result; of those
//     that are never stored it is their BLAKE3.
//   - A Field is one labelled value that went into an action ID.
//   - A Transcript is the list of fields in the order they were hashed; comparing
//     two transcripts names the field that changed.
//
// Every value is hashed with its label, its type and its length, so that no two
// different lists of fields hash alike.
package key

import (
	"crypto/sha256"
	"encoding"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"

	"github.com/zeebo/blake3"
)

// ID is a SHA-256 digest, or for what is never stored a BLAKE3 digest.
type ID [sha256.Size]byte

// String returns the digest in lower-case hexadecimal.
func (id ID) String() string {
	var text [2 * len(id)]byte
	hex.Encode(text[:], id[:])
	return string(text[:])
}

// Short returns the first 12 hexadecimal digits, for messages.
func (id ID) Short() string { return id.String()[:12] }

// Parse reads a digest as String writes it.
func Parse(s string) (ID, error) {
	var id ID
	if len(s) != 2*len(id) {
		return ID{}, fmt.Errorf("parse id %q: want %d hexadecimal digits", s, 2*len(id))
	}
	if _, err := hex.Decode(id[:], []byte(s)); err != nil {
		return ID{}, fmt.Errorf("parse id %q: %w", s, err)
	}
	return id, nil
}

// Of returns the ID of some bytes.
func Of(b []byte) ID { return sha256.Sum256(b) }

// unkept are hashes that are not in use: one is 10 kB.
var unkept = sync.Pool{New: func() any { return blake3.New() }}

// OfUnkept returns the ID of bytes that are never stored, as write writes them: their BLAKE3, which takes about half the
// time of a SHA-256. What is stored is named by its SHA-256, which every tool can check. A hash that is not made to resist
// would be several times faster still, but whoever knows a recording that is not counted yet could make another one whose signals
// have the same hash, and where both enter one cache, or caches that share, the first's results would stand for the second's.
func OfUnkept(write func(io.Writer) error) (id ID) {
	h := unkept.Get().(*blake3.Hasher)
	defer unkept.Put(h)
	h.Reset()
	_ = write(h) // a hash never fails to write
	h.Sum(id[:0])
	return id
}

// Field is one labelled value of a transcript. Value is the readable form:
// numbers in shortest exact notation, IDs in hexadecimal.
type Field struct {
	Label string
	Value string
}

// Hasher computes an action ID and records what went into it. The zero value is
// not usable; call New, Plain or, for the transcript alone, Listing, which has no sum.
type Hasher struct {
	h      hash.Hash // nil: what is added is not hashed
	fields []Field
	buf    []byte // not hashed yet
	plain  bool   // nothing is recorded
	mark   []byte // the hash as Mark left it
}

// format is hashed first: a change of this package's encoding changes every ID.
const format = "lapwear action 1"

// New starts the ID of an action of the given stage, revision and architecture.
// Floating-point results may differ between architectures, so it is part of the ID.
func New(stage string, revision int, arch string) *Hasher {
	h := &Hasher{h: sha256.New(), buf: make([]byte, 0, roomBytes), fields: make([]Field, 0, roomFields)}
	h.start(stage, revision, arch)
	return h
}

// Plain is New without a transcript.
func Plain(stage string, revision int, arch string) *Hasher {
	h := &Hasher{h: sha256.New(), buf: make([]byte, 0, roomBytes), plain: true}
	h.start(stage, revision, arch)
	return h
}

// Listing is New for the transcript alone: it has no Sum.
func Listing(stage string, revision int, arch string) *Hasher {
	h := &Hasher{buf: make([]byte, 0, roomBytes), fields: make([]Field, 0, roomFields)}
	h.start(stage, revision, arch)
	return h
}

// Expect makes room for so many fields of the transcript more.
func (h *Hasher) Expect(fields int) { h.fields = slices.Grow(h.fields, fields) }

// Restart starts another ID, as Plain does, in the memory of this one.
func (h *Hasher) Restart(stage string, revision int, arch string) {
	h.h.Reset()
	h.buf, h.fields, h.plain = h.buf[:0], nil, true
	h.start(stage, revision, arch)
}

// Mark notes what was added so far, for Return. Only a plain hasher is marked.
func (h *Hasher) Mark() {
	h.h.Write(h.buf)
	h.buf = h.buf[:0]
	h.mark, _ = h.h.(encoding.BinaryAppender).AppendBinary(h.mark[:0]) // a SHA-256 never fails to
}

// Return starts another ID with what was added when Mark was called.
func (h *Hasher) Return() {
	h.buf = h.buf[:0]
	_ = h.h.(encoding.BinaryUnmarshaler).UnmarshalBinary(h.mark)
}

// AppendFields appends the fields that add adds, as they are hashed.
func AppendFields(b []byte, add func(h *Hasher)) []byte {
	h := Hasher{buf: b, plain: true}
	add(&h)
	return h.buf
}

// Shared adds fields that AppendFields has of add, once for many IDs; where there are none, or a transcript is kept, add itself does.
func (h *Hasher) Shared(fields []byte, add func(h *Hasher)) {
	if fields == nil || !h.plain {
		add(h)
		return
	}
	h.end(append(h.buf, fields...))
}

// The room that most actions' transcripts do with, and how many bytes are hashed at once.
const (
	roomFields = 32
	roomBytes  = 1024
)

func (h *Hasher) start(stage string, revision int, arch string) {
	h.end(append(h.buf, format...))
	h.String("stage", stage)
	h.Int("revision", int64(revision))
	h.String("arch", arch)
}

// begin begins a field whose value has so many bytes.
func (h *Hasher) begin(kind byte, label string, length int) []byte {
	b := append(h.buf, kind)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(label)))
	b = append(b, label...)
	return binary.LittleEndian.AppendUint64(b, uint64(length))
}

func (h *Hasher) end(b []byte) {
	switch {
	case h.h == nil && !h.plain: // it is in the transcript
		b = b[:0]
	case h.h != nil && len(b) >= roomBytes/2:
		h.h.Write(b)
		b = b[:0]
	}
	h.buf = b
}

// show records a field. It copies the label: then those that are put together for plain IDs, which are many more, need no memory of their own.
func (h *Hasher) show(label, value string) {
	h.fields = append(h.fields, Field{strings.Clone(label), value})
}

// String adds a text.
func (h *Hasher) String(label, v string) {
	h.end(append(h.begin('s', label, len(v)), v...))
	if !h.plain {
		h.show(label, v)
	}
}

// Int adds a whole number.
func (h *Hasher) Int(label string, v int64) {
	h.end(binary.LittleEndian.AppendUint64(h.begin('i', label, 8), uint64(v)))
	if !h.plain {
		h.show(label, strconv.FormatInt(v, 10))
	}
}

// Bool adds a truth value.
func (h *Hasher) Bool(label string, v bool) {
	b := byte(0)
	if v {
		b = 1
	}
	h.end(append(h.begin('b', label, 1), b))
	if !h.plain {
		h.show(label, strconv.FormatBool(v))
	}
}

// Float adds a number; all NaNs are one, and -0 is 0.
func (h *Hasher) Float(label string, v float64) {
	if v == 0 {
		v = 0
	}
	bits := math.Float64bits(v)
	if math.IsNaN(v) {
		bits = math.Float64bits(math.NaN())
	}
	h.end(binary.LittleEndian.AppendUint64(h.begin('f', label, 8), bits))
	if !h.plain {
		h.show(label, strconv.FormatFloat(v, 'g', -1, 64))
	}
}

// ID adds the identity of an input.
func (h *Hasher) ID(label string, v ID) {
	h.end(append(h.begin('h', label, len(v)), v[:]...))
	if !h.plain {
		h.show(label, v.String())
	}
}

// Sum returns the action ID of all that was added.
func (h *Hasher) Sum() ID {
	h.h.Write(h.buf)
	h.buf = h.buf[:0]
	return ID(h.h.Sum(h.buf))
}

// Transcript returns what was added, in order; nil of a plain one.
func (h *Hasher) Transcript() []Field { return h.fields }

// Diff returns the labels whose values differ between two transcripts, each with
// the old and the new value ("" where a side has no such label), in the order of
// the new transcript, then what only the old one has. Where a label occurs more
// than once, the first of one side is compared with the first of the other, the
// second with the second and so on.
func Diff(old, now []Field) []Change {
	was := make(map[slot]string, len(old))
	oldSlots := slots(old)
	for i, f := range old {
		was[oldSlots[i]] = f.Value
	}
	var out []Change
	for i, at := range slots(now) {
		v, ok := was[at]
		if !ok || v != now[i].Value {
			out = append(out, Change{at.label, v, now[i].Value})
		}
		delete(was, at)
	}
	for _, at := range oldSlots {
		if v, ok := was[at]; ok {
			out = append(out, Change{at.label, v, ""})
		}
	}
	return out
}

// slot is the n-th occurrence of a label.
type slot struct {
	label string
	n     int
}

func slots(fields []Field) []slot {
	seen := make(map[string]int, len(fields))
	out := make([]slot, len(fields))
	for i, f := range fields {
		out[i] = slot{f.Label, seen[f.Label]}
		seen[f.Label]++
	}
	return out
}

// Change is one field that differs between two transcripts.
type Change struct{ Label, Old, New string }
