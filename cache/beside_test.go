package cache

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"io"
	"sync"
	"testing"
	"testing/iotest"

	"lapwear/cache/key"
)

// alone makes the calls one after another, together all at once.
func alone(n int, do func(i int) error) error {
	for i := range n {
		if err := do(i); err != nil {
			return err
		}
	}
	return nil
}

func together(n int, do func(i int) error) error {
	errs := make([]error, n)
	var calls sync.WaitGroup
	for i := range n {
		calls.Go(func() { errs[i] = do(i) })
	}
	calls.Wait()
	return errors.Join(errs...)
}

// What is read and hashed side by side is what was there, whoever helps and however it comes; what is shorter or longer than the room tells so by its length.
func TestCopyBeside(t *testing.T) {
	failure := errors.New("disk on fire")
	whole := func(r io.Reader) io.Reader { return r }
	for _, hands := range []Hands{alone, together} {
		for _, tt := range []struct {
			reason     string
			room, file int
			as         func(io.Reader) io.Reader
			want       error
		}{
			{"empty", 0, 0, whole, nil},
			{"short", 5, 5, whole, nil},
			{"one piece", hashAtOnce, hashAtOnce, whole, nil},
			{"a byte more than a piece", hashAtOnce + 1, hashAtOnce + 1, whole, nil},
			{"many pieces", 7*hashAtOnce - 3, 7*hashAtOnce - 3, whole, nil},
			{"in halves", 2*hashAtOnce + 9, 2*hashAtOnce + 9, iotest.HalfReader, nil},
			{"the end with the last bytes", 2 * hashAtOnce, 2 * hashAtOnce, iotest.DataErrReader, nil},
			{"shorter than the room", 3 * hashAtOnce, hashAtOnce + 4, whole, nil},
			{"longer than the room", hashAtOnce, hashAtOnce + 4, whole, nil},
			{"cannot be read", 3 * hashAtOnce, hashAtOnce, func(r io.Reader) io.Reader { return io.MultiReader(r, iotest.ErrReader(failure)) }, failure},
		} {
			file := make([]byte, tt.file)
			for i := range file {
				file[i] = byte(i * 7 >> 3)
			}
			content, h := make([]byte, tt.room), sha256.New()
			n, err := copyBeside(h, tt.as(bytes.NewReader(file)), content, hands)
			if !errors.Is(err, tt.want) {
				t.Errorf("%s: error %v, want %v", tt.reason, err, tt.want)
			}
			if same := n == int64(tt.room); err == nil && same != (tt.file == tt.room) {
				t.Errorf("%s: %d bytes of %d, room for %d", tt.reason, n, tt.file, tt.room)
			}
			if err == nil && tt.file == tt.room && (!bytes.Equal(content, file) || key.ID(h.Sum(nil)) != key.Of(file)) {
				t.Errorf("%s: another content or hash", tt.reason)
			}
		}
	}
}
