package cache

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"lapwear/cache/key"
)

// benchEntry is an entry as a stage of the season writes it: one output, a
// transcript of 20 fields.
func benchEntry() Entry {
	e := Entry{Stage: "damage"}
	for i := range 20 {
		e.Transcript = append(e.Transcript, key.Field{Label: fmt.Sprintf("parameter %d", i), Value: key.Of([]byte{byte(i)}).String()})
	}
	return e
}

func benchPayload(i int) Payload {
	data := bytes.Repeat([]byte(fmt.Sprintf("%015d\n", i)), 256)
	return Payload{Name: "damage", Data: data, ID: key.Of(data), Size: int64(len(data))}
}

func benchID(i int) key.ID { return key.Of([]byte(fmt.Sprint(i))) }

func benchStore(b *testing.B, durable bool) *Store {
	b.Helper()
	s, err := Open(b.TempDir(), Options{Durable: durable})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { s.Close() })
	return s
}

func BenchmarkLookup(b *testing.B) {
	s := benchStore(b, false)
	const n = 4096
	for i := range n {
		if err := s.Put(context.Background(), benchID(i), benchEntry(), []Payload{benchPayload(i)}); err != nil {
			b.Fatal(err)
		}
	}
	ids := make([]key.ID, n)
	for i := range ids {
		ids[i] = benchID(i)
	}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		if _, miss := s.Lookup(ids[i%n]); miss != "" {
			b.Fatal(miss)
		}
	}
}

func BenchmarkBlob(b *testing.B) {
	s := benchStore(b, false)
	p := benchPayload(1)
	if err := s.Put(context.Background(), benchID(1), benchEntry(), []Payload{p}); err != nil {
		b.Fatal(err)
	}
	o := Output{Name: p.Name, ID: p.ID, Size: p.Size, Kept: true}
	b.ReportAllocs()
	for b.Loop() {
		if _, miss := s.Blob(o); miss != "" {
			b.Fatal(miss)
		}
	}
}

func BenchmarkPut(b *testing.B) {
	for _, durable := range []bool{false, true} {
		b.Run(fmt.Sprintf("durable=%t", durable), func(b *testing.B) {
			s := benchStore(b, durable)
			for i := 0; b.Loop(); i++ {
				if err := s.Put(context.Background(), benchID(i), benchEntry(), []Payload{benchPayload(i)}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkFileID(b *testing.B) {
	s := benchStore(b, false)
	path := filepath.Join(b.TempDir(), "lap.csv")
	if err := os.WriteFile(path, []byte("TIME,AZ\n"), 0o666); err != nil {
		b.Fatal(err)
	}
	old := time.Now().Add(-time.Hour)
	if err := os.Chtimes(path, old, old); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := s.FileID(path, false); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkLoadIndex(b *testing.B) {
	files := map[string]record{}
	for i := range 20000 {
		files[fmt.Sprintf("/data/season/2031/recordings/lap%06d.csv", i)] = record{id: benchID(i), size: 1 << 20}
	}
	data := encodeIndex(files)
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		if got, damaged := decodeIndex(data); len(got) != len(files) || damaged != 0 {
			b.Fatal(len(got), damaged)
		}
	}
}

// BenchmarkLook is what opening a store costs that holds 80,000 entries and as many blobs
// in eight packs.
func BenchmarkLook(b *testing.B) {
	s := benchStore(b, false)
	e := benchEntry()
	for i := range 80000 {
		data := fmt.Appendf(nil, "%d", i)
		if err := s.Put(context.Background(), benchID(i), e, []Payload{{Name: "x", Data: data, ID: key.Of(data), Size: int64(len(data))}}); err != nil {
			b.Fatal(err)
		}
		if i%10000 == 9999 {
			if err := s.Sync(); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ReportAllocs()
	b.ResetTimer()
	for b.Loop() {
		next, err := Open(s.Dir(), Options{})
		if err != nil {
			b.Fatal(err)
		}
		next.look()
		if n := next.packs.entries.len(); n != 80000 {
			b.Fatal(n)
		}
		next.Close()
	}
}
