package ingest

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync/atomic"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"

	"lapwear/stages"
)

// Bounds on what a recording may make the program do. They are far above any
// recording of a lap; they stop a damaged or hostile file.
const (
	maxText    = 16 << 30 // bytes of text after decompression
	maxPacked  = 100      // times that text may be larger than its compressed form,
	freeText   = 16 << 20 // counted from this many bytes of text on
	maxRatio   = 1000     // times that binary records may be larger likewise
	maxSamples = 1 << 28  // rows that are kept: 2 GiB a channel
	maxWindow  = 128 << 20
)

// file is an open recording. Reads of the file itself that fail are remembered, to
// tell a failing disk from a file whose content is at fault.
type file struct {
	path, base string
	f          *os.File // nil when the content is in memory
	content    []byte   // all of it, where f is nil
	size       int64
	nameless   bool // refusals are to leave the name out
	hands      stages.Hands
	before     fs.FileInfo
	failed     atomic.Pointer[error]
	taken      int64 // bytes read so far
}

// openFile opens a recording, which must be a regular file.
func openFile(path string) (*file, error) {
	// Not opened before it is known to be a file: a pipe would wait for a writer.
	if st, err := os.Stat(path); err == nil && !st.Mode().IsRegular() {
		return nil, fmt.Errorf("open recording %q: it is not a regular file; name a file", path)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("open recording %q: %w; name a file that can be read", path, stages.Cause(err))
	}
	st, err := f.Stat()
	if err == nil && !st.Mode().IsRegular() {
		err = errors.New("it is not a regular file")
	}
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("open recording %q: %w; name a file that can be read", path, stages.Cause(err))
	}
	return &file{path: path, base: filepath.Base(path), f: f, size: st.Size(), before: st}, nil
}

// openContent opens a recording, of which the content may be in memory.
func openContent(in stages.File) (*file, error) {
	if in.Content == nil {
		return openFile(in.Path)
	}
	return &file{path: in.Path, base: filepath.Base(in.Path), content: in.Content, size: int64(len(in.Content))}, nil
}

// Read reads the file's bytes.
func (s *file) Read(p []byte) (int, error) {
	if s.f == nil {
		n := copy(p, s.content[s.taken:])
		s.taken += int64(n)
		if n == 0 && len(p) > 0 {
			return 0, io.EOF
		}
		return n, nil
	}
	n, err := s.f.Read(p)
	s.taken += int64(n)
	s.note(err)
	return n, err
}

// note remembers that the file could not be read.
func (s *file) note(err error) {
	if err != nil && err != io.EOF {
		s.failed.CompareAndSwap(nil, &err)
	}
}

// finish closes the file. What was found in it counts only when the file was
// readable and is still the one that was opened.
func (s *file) finish(found error) error {
	if s.f == nil {
		return found
	}
	s.f.Close()
	if failed := s.failed.Load(); failed != nil {
		return fmt.Errorf("read recording %q: %w; copy it to where it can be read", s.path, stages.Cause(*failed))
	}
	now, err := os.Stat(s.path)
	if err != nil {
		return fmt.Errorf("read recording %q: %w; run again when the file is back", s.path, stages.Cause(err))
	}
	if !os.SameFile(s.before, now) || now.Size() != s.before.Size() || !now.ModTime().Equal(s.before.ModTime()) {
		return fmt.Errorf("read recording %q: the file changed meanwhile; run again when it is complete", s.path)
	}
	return found
}

// refuse builds a refusal that begins with the file's name, unless the caller names
// it: a stage's refusal is stored by content, and files of other names may share it.
func (s *file) refuse(format string, args ...any) error {
	if s.nameless {
		return stages.Refuse(format, args...)
	}
	return stages.Refuse("read %q: %s", s.base, fmt.Sprintf(format, args...))
}

// shown is the file's name in the messages of whoever reads it; "" where they are to
// leave it out.
func (s *file) shown() string {
	if s.nameless {
		return ""
	}
	return s.base
}

// undecodable is the refusal of a file whose packing is damaged.
func (s *file) undecodable(err error) error {
	var r *stages.Refusal
	if errors.As(err, &r) {
		return err
	}
	return s.refuse("cannot be decoded: %v, before byte %d; export or copy it again", err, s.taken)
}

// zeroBytes is the refusal of a text that begins with head, in which zero bytes are.
func (s *file) zeroBytes(head []byte) error {
	line := 1 + bytes.Count(head[:bytes.IndexByte(head, 0)], []byte{'\n'})
	return s.refuse("line %d holds zero bytes, as no text does (utf-16 needs a byte-order mark); export or copy it again", line)
}

// packing names how a recording's bytes are packed.
type packing string

const (
	plain      packing = ""
	gzipped    packing = "gzip"
	zstandard  packing = "zstd"
	parquetted packing = "parquet"
	arrowed    packing = "arrow"
	measured   packing = "mdf"
)

var magics = []struct {
	at   string
	pack packing
}{
	{"\x1f\x8b", gzipped},
	{"\x28\xb5\x2f\xfd", zstandard},
	{"PAR1", parquetted},
	{"PARE", parquetted},
	{"ARROW1", arrowed},
	{"\xff\xff\xff\xff", arrowed}, // a stream
	{"MDF     2.", measured},
	{"MDF     3.", measured},
	{"MDF     4.", measured},
	{"UnFinMF ", measured},
}

// detect names the packing of a file by its first bytes.
func (s *file) detect() (packing, error) {
	var head [10]byte
	n, err := s.ReadAt(head[:], 0)
	if err != nil && err != io.EOF {
		return plain, fmt.Errorf("read recording %q: %w; copy it to where it can be read", s.path, stages.Cause(err))
	}
	for _, m := range magics {
		if bytes.HasPrefix(head[:n], []byte(m.at)) {
			return m.pack, nil
		}
	}
	return plain, nil
}

// text returns the file's text, unpacked and in an encoding of bytes, and the
// name of the encoding that it had. Call release when done.
func (s *file) text(pack packing) (r io.Reader, encoding string, release func(), err error) {
	release = func() {}
	switch pack {
	case gzipped:
		z, err := gzip.NewReader(s)
		if err != nil {
			return nil, "", release, s.undecodable(err)
		}
		r = &bounded{s: s, r: z}
	case zstandard:
		z, err := zstd.NewReader(s, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxWindow(maxWindow))
		if err != nil {
			return nil, "", release, s.undecodable(err)
		}
		r, release = &bounded{s: s, r: z}, z.Close
	default:
		r = &bounded{s: s, r: s}
	}
	r, encoding, err = decode(r)
	if err != nil {
		return nil, "", release, s.undecodable(err)
	}
	return r, encoding, release, nil
}

// bounded passes text through until there is more of it than a recording can have.
type bounded struct {
	s   *file
	r   io.Reader
	got int64
}

func (b *bounded) Read(p []byte) (int, error) {
	n, err := b.r.Read(p)
	b.got += int64(n)
	switch {
	case b.got > maxText:
		return 0, b.s.refuse("holds more than %d GiB of text; split the recording", maxText>>30)
	case b.got > freeText && b.got/maxPacked > b.s.taken:
		return 0, b.s.refuse("its text is over %d times as large as the compressed file, which no recording is; export it again", maxPacked)
	}
	return n, err
}
