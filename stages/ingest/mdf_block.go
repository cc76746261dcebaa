package ingest

import (
	"encoding/binary"
	"encoding/xml"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Bounds on what a damaged or hostile MDF file may make the program do.
const (
	maxDescriptors = 1 << 17  // data groups, channel groups and channels
	maxDataBlocks  = 1 << 20  // blocks of records in one data group
	maxName        = 64 << 10 // bytes of one name or unit
	maxNames       = 64 << 20 // bytes of all of them
	mdfWindow      = 4 << 10  // bytes read at once around a block
)

// The identification takes the first 64 bytes, the ##HD block follows.
const (
	mdfHeadAt  = 64
	blockHead  = 24 // "##", type, 4 reserved bytes, length, number of links
	linkSize   = 8
	damagedMDF = "copy or export it again"
)

// mdf gives the blocks of an MDF 4 file. Every link and length is checked against
// the file before it is followed.
type mdf struct {
	s         *file
	size      int64
	window    []byte
	windowAt  int64
	linked    map[int64]bool // descriptors that a link has led to
	names     map[int64]string
	nameBytes int64
}

// block is one block of an MDF file.
type block struct {
	at     int64
	kind   string // "CG"
	length int64
	links  int64
}

// body is where the block's data begins, after its links.
func (b block) body() int64 { return b.at + blockHead + b.links*linkSize }

// rest is the number of bytes of data.
func (b block) rest() int64 { return b.length - blockHead - b.links*linkSize }

// broken refuses a block.
func (m *mdf) broken(b block, format string, args ...any) error {
	return m.s.refuse("byte %d, block ##%s: %s; %s", b.at, b.kind, fmt.Sprintf(format, args...), damagedMDF)
}

// bytes returns bytes of the file, valid until the next call.
func (m *mdf) bytes(at int64, n int) ([]byte, error) {
	if at < 0 || at > m.size-int64(n) {
		return nil, m.s.refuse("byte %d: %d bytes expected, the file has %d in all; %s", at, n, m.size, damagedMDF)
	}
	if i := at - m.windowAt; i >= 0 && i+int64(n) <= int64(len(m.window)) {
		return m.window[i : i+int64(n)], nil
	}
	want := int(min(int64(max(n, mdfWindow)), m.size-at))
	m.window, m.windowAt = slices.Grow(m.window[:0], want)[:want], at
	if got, err := m.s.ReadAt(m.window, at); got < want {
		m.window = m.window[:0]
		return nil, m.s.refuse("byte %d: %d bytes expected, %d could be read (%v); %s", at, want, got, err, damagedMDF)
	}
	return m.window[:n], nil
}

// open reads the head of the block at a link; from is the block that has the link.
func (m *mdf) open(from block, at int64, kinds ...string) (block, error) {
	wanted := "##" + strings.Join(kinds, " or ##")
	if at < mdfHeadAt || at > m.size-blockHead {
		return block{}, m.broken(from, "links to %s at byte %d, outside the file of %d bytes", wanted, uint64(at), m.size)
	}
	head, err := m.bytes(at, blockHead)
	if err != nil {
		return block{}, err
	}
	if string(head[:2]) != "##" {
		return block{}, m.s.refuse("byte %d: %q found where block %s is expected; %s", at, head[:4], wanted, damagedMDF)
	}
	b := block{at: at, kind: string(head[2:4])}
	length, links := binary.LittleEndian.Uint64(head[8:]), binary.LittleEndian.Uint64(head[16:])
	switch {
	case !slices.Contains(kinds, b.kind):
		return block{}, m.s.refuse("byte %d: block %q found where %s is expected; %s", at, "##"+b.kind, wanted, damagedMDF)
	case length < blockHead || length > uint64(m.size-at):
		return block{}, m.broken(b, "a length of %d bytes, %d to %d expected", length, blockHead, m.size-at)
	case links > (length-blockHead)/linkSize:
		return block{}, m.broken(b, "%d links in %d bytes", links, length)
	}
	b.length, b.links = int64(length), int64(links)
	return b, nil
}

// descriptor reads the head of a block that only one link may lead to, with its
// first links and the first bytes of its data.
func (m *mdf) descriptor(from block, at int64, kind string, links, data int) (block, []int64, []byte, error) {
	b, err := m.open(from, at, kind)
	if err == nil {
		err = m.once(b)
	}
	if err == nil && len(m.linked) > maxDescriptors {
		err = m.broken(b, "one of more than %d groups and channels; export fewer channels", maxDescriptors)
	}
	if err != nil {
		return b, nil, nil, err
	}
	to, raw, err := m.parts(b, links, data)
	return b, to, raw, err
}

// once refuses a block that a link has led to before, which ends every loop.
func (m *mdf) once(b block) error {
	if m.linked[b.at] {
		return m.broken(b, "linked to a second time, a loop or a block in two places")
	}
	m.linked[b.at] = true
	return nil
}

// parts returns the first links of a block and the first bytes of its data.
func (m *mdf) parts(b block, links, data int) ([]int64, []byte, error) {
	if b.links < int64(links) || b.rest() < int64(data) {
		return nil, nil, m.broken(b, "%d links and %d bytes of data, at least %d and %d expected", b.links, b.rest(), links, data)
	}
	to, err := m.linksOf(b, 0, links)
	if err != nil {
		return nil, nil, err
	}
	raw, err := m.bytes(b.body(), data)
	return to, slices.Clone(raw), err
}

// linksOf returns n links of a block from the given one on.
func (m *mdf) linksOf(b block, first int64, n int) ([]int64, error) {
	raw, err := m.bytes(b.at+blockHead+first*linkSize, n*linkSize)
	if err != nil {
		return nil, err
	}
	to := make([]int64, n)
	for i := range to {
		to[i] = int64(binary.LittleEndian.Uint64(raw[i*linkSize:]))
	}
	return to, nil
}

// text returns the text of a ##TX block, or of the element TX of an ##MD block; ""
// without a link.
func (m *mdf) text(from block, at int64) (string, error) {
	if at == 0 {
		return "", nil
	}
	if t, known := m.names[at]; known {
		return t, nil
	}
	b, err := m.open(from, at, "TX", "MD")
	if err != nil {
		return "", err
	}
	if m.nameBytes += b.rest(); b.rest() > maxName || m.nameBytes > maxNames {
		return "", m.broken(b, "%d bytes where a name or a unit is expected", b.rest())
	}
	raw, err := m.bytes(b.body(), int(b.rest()))
	if err != nil {
		return "", err
	}
	t, _, _ := strings.Cut(string(raw), "\x00")
	if b.kind == "MD" {
		t = elementTX(t)
	}
	t = strings.TrimSpace(strings.ToValidUTF8(t, "\ufffd"))
	m.names[at] = t
	return t, nil
}

// elementTX returns the text of the first element TX, as far as the XML can be read.
func elementTX(doc string) string {
	d := xml.NewDecoder(strings.NewReader(doc))
	d.Strict = false
	inside := false
	var out strings.Builder
	for {
		token, err := d.Token()
		if err != nil {
			return out.String()
		}
		switch t := token.(type) {
		case xml.StartElement:
			inside = inside || t.Name.Local == "TX"
		case xml.EndElement:
			if inside && t.Name.Local == "TX" {
				return out.String()
			}
		case xml.CharData:
			if inside {
				out.Write(t)
			}
		}
	}
}

// openMDF reads the identification of an MDF file and returns its ##HD block and the
// link to its first data group.
func openMDF(s *file) (*mdf, block, int64, error) {
	m := &mdf{s: s, size: s.size, linked: map[int64]bool{}, names: map[int64]string{}}
	id, err := m.bytes(0, mdfHeadAt)
	if err != nil {
		return nil, block{}, 0, err
	}
	version := strings.TrimSpace(strings.TrimRight(string(id[8:16]), "\x00"))
	switch {
	case string(id[:8]) != "MDF     ":
		return nil, block{}, 0, s.refuse("byte 0: %q says that the MDF recording was not finished; finish it with the recorder's software or export it again", id[:8])
	case !strings.HasPrefix(version, "4."):
		return nil, block{}, 0, s.refuse("byte 8: MDF version %q, 4.00 and later are read; export it as MDF 4.10", version)
	}
	root := block{at: 0, kind: "ID"}
	hd, to, _, err := m.descriptor(root, mdfHeadAt, "HD", 6, 0)
	if err != nil {
		return nil, block{}, 0, err
	}
	return m, hd, to[0], nil
}

// floats returns numbers that stand in a block's data.
func (m *mdf) floats(b block, from int64, n int) ([]float64, error) {
	if b.rest() < from+int64(n)*8 {
		return nil, m.broken(b, "%d bytes of data, %d numbers expected from byte %d of it on", b.rest(), n, from)
	}
	raw, err := m.bytes(b.body()+from, n*8)
	if err != nil {
		return nil, err
	}
	out := make([]float64, n)
	for i := range out {
		out[i] = math.Float64frombits(binary.LittleEndian.Uint64(raw[i*8:]))
	}
	return out, nil
}
