package cache

import (
	"encoding/binary"
	"fmt"
	"time"

	"lapwear/cache/key"
)

// Output is the identity of one result of an action.
type Output struct {
	Name string
	ID   key.ID // SHA-256 of its bytes; of what is not kept any hash of 32 bytes
	Size int64  // their number
	Kept bool   // false: the bytes are not stored, only their identity is known
	Away bool   // the bytes are kept elsewhere; whether also here, only looking tells
}

// Entry is what is remembered of an action.
type Entry struct {
	Stage      string
	Outputs    []Output
	Refused    string // why the input cannot be used; a refusal is a result
	Transcript []key.Field
	// Made is when the entry was first put, for people to read. It is the one
	// thing in an entry that does not follow from the action.
	Made time.Time
}

// Encode returns the file of an action's entry, as FORMAT.md describes it.
func (e *Entry) Encode(action key.ID) []byte {
	size := 128 + len(e.Stage) + len(e.Refused)
	for _, o := range e.Outputs {
		size += 64 + len(o.Name)
	}
	for _, f := range e.Transcript {
		size += 8 + len(f.Label) + len(f.Value)
	}
	b := newSealed(entryMagic, size)
	b = append(b, action[:]...)
	b = binary.LittleEndian.AppendUint64(b, uint64(e.Made.UnixNano()))
	b = appendString(b, e.Stage)
	b = appendString(b, e.Refused)
	b = binary.AppendUvarint(b, uint64(len(e.Outputs)))
	for _, o := range e.Outputs {
		b = appendOutput(b, o)
	}
	b = binary.AppendUvarint(b, uint64(len(e.Transcript)))
	for _, f := range e.Transcript {
		b = appendString(appendString(b, f.Label), f.Value)
	}
	return seal(b)
}

func appendOutput(b []byte, o Output) []byte {
	b = appendString(b, o.Name)
	b = append(b, o.ID[:]...)
	b = binary.LittleEndian.AppendUint64(b, uint64(o.Size))
	switch {
	case o.Kept && o.Away:
		return append(b, 2)
	case o.Kept:
		return append(b, 1)
	}
	return append(b, 0)
}

// The least bytes that an output and a field of a transcript take.
const (
	minOutput = 1 + 32 + 8 + 1
	minField  = 1 + 1
)

// DecodeEntry checks and reads the file of an action's entry.
func DecodeEntry(b []byte, action key.ID) (*Entry, error) {
	body, err := unseal(entryMagic, b)
	if err != nil {
		return nil, err
	}
	c := &cursor{s: string(body)}
	e, err := c.result(action)
	if err != nil {
		return nil, err
	}
	if n := c.count(minField); n > 0 {
		e.Transcript = make([]key.Field, n)
	}
	for i := range e.Transcript {
		e.Transcript[i] = key.Field{Label: c.string(), Value: c.string()}
	}
	return e, c.done()
}

// decodeResult is DecodeEntry without the transcript.
func decodeResult(b []byte, action key.ID) (*Entry, error) {
	body, err := unseal(entryMagic, b)
	if err != nil {
		return nil, err
	}
	c := &cursor{s: string(body[:resultLen(body)])}
	e, err := c.result(action)
	if err != nil {
		return nil, err
	}
	return e, c.done()
}

// resultLen is how many bytes of an entry's body stand before its transcript; all where the body is too short.
func resultLen(body []byte) int {
	at := len(key.ID{}) + 8
	text := func(more int) bool {
		if at >= len(body) {
			return false
		}
		n, size := binary.Uvarint(body[at:])
		if size <= 0 || n > uint64(len(body)-at-size) {
			return false
		}
		at += size + int(n) + more
		return true
	}
	for range 2 { // the stage and the refusal
		if !text(0) {
			return len(body)
		}
	}
	if at >= len(body) {
		return len(body)
	}
	outputs, size := binary.Uvarint(body[at:])
	at += max(size, 0)
	for range min(outputs, uint64(len(body))) {
		if !text(minOutput - 1) {
			return len(body)
		}
	}
	return min(at, len(body))
}

// result reads what stands before the transcript.
func (c *cursor) result(action key.ID) (*Entry, error) {
	if id := c.id(); id != action {
		return nil, fmt.Errorf("it belongs to action %s, not %s", id.Short(), action.Short())
	}
	e := &Entry{Made: time.Unix(0, c.int64()).UTC(), Stage: c.string(), Refused: c.string()}
	if n := c.count(minOutput); n > 0 {
		e.Outputs = make([]Output, n)
	}
	for i := range e.Outputs {
		e.Outputs[i] = c.output()
	}
	return e, nil
}

func (c *cursor) output() Output {
	o := Output{Name: c.string(), ID: c.id(), Size: c.int64()}
	kept := c.take(1)
	o.Kept, o.Away = kept > "\x00", kept == "\x02"
	if o.Size < 0 || kept > "\x02" {
		c.s, c.bad = "", true
	}
	return o
}
