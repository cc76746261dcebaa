package frame

import (
	"bytes"
	"strings"
	"testing"
)

// TestMessagesNameTheFile: with a name each message has it, without one none has a hole
// where it would stand.
func TestMessagesNameTheFile(t *testing.T) {
	good := parquetBytes(t, sample())
	arrow := ipcBytes(t, true)
	of := func(b []byte, name string, then func(*Source) error) error {
		s, err := NewSource(bytes.NewReader(b), int64(len(b)), name)
		if err != nil {
			return err
		}
		return then(s)
	}
	read := func(s *Source) error { _, err := s.Read([]string{"none such"}); return err }
	texts := func(s *Source) error { _, err := s.ReadStrings("none such"); return err }
	for _, row := range []struct {
		reason string
		b      []byte
		then   func(*Source) error
	}{
		{"no format that is known", []byte("a,b\n"), nil},
		{"Parquet cut", good[:len(good)-9], nil},
		{"Arrow cut", arrow[:len(arrow)-9], nil},
		{"no such column of Parquet", good, read},
		{"no such column of Arrow", arrow, texts},
	} {
		named, nameless := of(row.b, "lap.x", row.then), of(row.b, "", row.then)
		switch {
		case named == nil || nameless == nil:
			t.Errorf("%s: no error", row.reason)
		case !strings.Contains(named.Error(), ` "lap.x": `):
			t.Errorf("%s: %v does not name the file", row.reason, named)
		case strings.Replace(named.Error(), ` "lap.x"`, "", 1) != nameless.Error():
			t.Errorf("%s: without a name %q, with one %q", row.reason, nameless, named)
		}
	}
}
