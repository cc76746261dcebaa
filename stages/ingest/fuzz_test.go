package ingest

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"lapwear/stages"
)

// FuzzRecording states what holds for any file: it is read or refused, what is read
// is finite and within the window and nothing to find fault with, and what is written again as plain text gives the
// same outputs.
func FuzzRecording(f *testing.F) {
	seeds := []string{
		base, "\ufeff" + base, strings.ReplaceAll(base, "\n", "\r"), strings.ReplaceAll(base, ",", "\t"),
		strings.NewReplacer(",", ";", ".", ",").Replace(base), "TIME,AZ,SG\ns,g,\n0,1,2\n\n", "TIME,AZ,SG\n0,\"1\",2\n1,\"\"\"\",2\n",
		string(wideText(binary.LittleEndian, base)), string(wideText(binary.BigEndian, base)) + "\xd8", "AZ [g],AZ,TIME,SG\n", "\n\n\"",
		string(zipped(f, []byte(base))), string(zstded(f, []byte(base))), "\x1f\x8b", "\x28\xb5\x2f\xfd\x00",
		"TIME,AZ,SG\n0,1,\n0,,2\n1,1,\n2,3,4\n2,,\n3.1,1,\n3.4,,2\n4,1,\n", "TIME,AZ,SG\n0,1,2\n1,2,\n2,,2\n3,4,\n,1,2\n5,3,\n7,4,8\n",
		"TIME;AZ;SG\n0;1;2\n0,5;1.5;2\n1;2;3", "1,2,3\n4,5,6\n",
	}
	for _, s := range seeds {
		f.Add([]byte(s), 0.0, 0.02)
		f.Add([]byte(s), math.NaN(), math.NaN())
	}
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, content []byte, start, end float64) {
		path := filepath.Join(dir, strconv.Itoa(os.Getpid()))
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
		p := cradle
		p.StartS, p.EndS = start, end
		var r *stages.Refusal
		if _, err := Header(path); err != nil && !errors.As(err, &r) {
			t.Fatalf("header: %v is no refusal", err)
		}
		outs, err := p.Run(context.Background(), stages.Inputs{File: stages.File{Path: path}})
		if err != nil {
			if !errors.As(err, &r) {
				t.Fatalf("%v is no refusal", err)
			}
			return
		}
		if err := p.Check(path); err != nil {
			t.Fatalf("check refuses what run reads: %v", err)
		}
		if faults := Inspect(path, []Params{p})[0].Faults; faults != nil {
			t.Fatalf("inspection finds fault with what run reads: %v", faults)
		}
		rewritten(t, p, outs)
	})
}

// rewritten writes each channel at a stated rate and compares.
func rewritten(t *testing.T, p Params, outs []stages.Output) {
	t.Helper()
	for k, c := range p.Channels {
		want := column(t, outs[k].Frame, "value")
		var s strings.Builder
		s.WriteString(c.Column + "\n")
		for i, v := range want {
			if v-v != 0 {
				t.Fatalf("channel %d row %d: %v is not finite", k, i, v)
			}
			fmt.Fprintf(&s, "%v\n", v)
		}
		if at, _ := outs[k].Frame.Number("start_s"); at < p.StartS || at >= p.EndS {
			t.Fatalf("channel %d begins at %v, outside %v to %v", k, at, p.StartS, p.EndS)
		}
		again, err := run(t, Params{Time: Time{Rate: 1}, Channels: []Channel{c}, StartS: nan, EndS: nan}, "again.csv", []byte(s.String()))
		if err != nil {
			t.Fatal(err)
		}
		for i, v := range column(t, again[0].Frame, "value") {
			if math.Float64bits(v) != math.Float64bits(want[i]) {
				t.Fatalf("channel %d row %d: %v, rewritten %v", k, i, want[i], v)
			}
		}
	}
}
