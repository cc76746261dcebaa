package cache

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// An adopted entry is found again with its outputs away, and nothing is amiss while their
// bytes are not here; once they are, they are served, counted and pruned like others.
func TestAdopt(t *testing.T) {
	ctx := context.Background()
	s := open(t, filepath.Join(t.TempDir(), "c"), Options{Durable: true})
	want := entryA()
	got, err := s.Adopt(ctx, actionA, entryA())
	must(t, err)
	for i := range want.Outputs {
		want.Outputs[i].Away = want.Outputs[i].Kept
	}
	if d := cmp.Diff(&want, got); d != "" {
		t.Errorf("adopted (-want +got):\n%s", d)
	}
	if again, miss := s.Lookup(actionA); cmp.Diff(&want, again) != "" {
		t.Errorf("found %+v, %q", again, miss)
	}
	if e := entryA(); e.Outputs[0].Away {
		t.Error("the caller's entry was changed")
	}
	if _, miss := s.Blob(want.Outputs[0]); !strings.Contains(miss, "missing") {
		t.Errorf("blob before it is here: %q", miss)
	}
	if found := findings(t, s); len(found) != 0 {
		t.Errorf("findings before the bytes are here: %+v", found)
	}
	if st := stat(t, s); st.Stages[0].Outputs != (Count{}) {
		t.Errorf("outputs counted that are away: %+v", st.Stages)
	}
	must(t, s.PutBlob(ctx, want.Outputs[0], cycles.Data))
	if b, miss := s.Blob(want.Outputs[0]); !bytes.Equal(b, cycles.Data) {
		t.Errorf("blob %q, %q", b, miss)
	}
	if st := stat(t, s); st.Stages[0].Outputs != (Count{1, cycles.Size}) {
		t.Errorf("outputs counted: %+v", st.Stages)
	}
	if found := findings(t, s); len(found) != 0 {
		t.Errorf("findings: %+v", found)
	}
}

// Only an output's own bytes are taken for it.
func TestPutBlobRefuses(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "c"), Options{})
	o := cycles.output()
	altered := bytes.Clone(cycles.Data)
	altered[0]++
	for _, tt := range []struct {
		reason string
		data   []byte
		want   string
	}{
		{"cut", cycles.Data[1:], "length"},
		{"longer", append(bytes.Clone(cycles.Data), 0), "length"},
		{"altered", altered, "content differs from its hash"},
	} {
		err := s.PutBlob(context.Background(), o, tt.data)
		if err == nil || !strings.Contains(err.Error(), tt.want) || s.HasBlob(o) {
			t.Errorf("%s: %v, stored %t", tt.reason, err, s.HasBlob(o))
		}
	}
	stopped, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := s.Adopt(stopped, actionA, entryA()); err == nil {
		t.Error("an entry was adopted though the run had been stopped")
	}
}

func findings(t *testing.T, s *Store) (out []Finding) {
	t.Helper()
	_, err := s.Verify(context.Background(), VerifyOptions{}, func(f Finding) { out = append(out, f) })
	must(t, err)
	return out
}

func stat(t *testing.T, s *Store) Stats {
	t.Helper()
	st, err := s.Stat()
	must(t, err)
	return st
}
