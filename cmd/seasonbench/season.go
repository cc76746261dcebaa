package main

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sync/errgroup"
)

// size says how much a season records.
type size struct {
	Laps     int     `json:"laps"`
	Channels int     `json:"channels"`
	Seconds  float64 `json:"seconds"`
	Rate     float64 `json:"rate_hz"`
}

// samples is the number of a channel's samples in a lap.
func (z size) samples() int { return int(math.Round(z.Seconds * z.Rate)) }

// decoded is how many bytes all samples take as 32-bit floats.
func (z size) decoded() int64 { return 4 * int64(z.Laps) * int64(z.Channels) * int64(z.samples()) }

func channelName(i int) string { return fmt.Sprintf("c%02d", i+1) }

func lapName(i int) string { return fmt.Sprintf("L%05d", i+1) }

// folderSeason is a season in a folder of its own.
type folderSeason struct {
	dir   string
	size  size
	how   layout
	csv   bool
	files int    // recordings; fewer than laps where several are cut from one
	name  string // begins the names of season file and manifest, of one that shares the folder with another
}

func (s folderSeason) path() string { return filepath.Join(s.dir, s.name+"season.yaml") }

func (s folderSeason) lapsFile() string { return s.name + "laps.csv" }

func (s folderSeason) recording(lap int) string {
	ext := ".parquet"
	if s.csv {
		ext = ".csv"
	}
	return filepath.Join(s.dir, "laps", lapName(lap)+ext)
}

// generate writes the season's files.
func (s folderSeason) generate(jobs int) error {
	if err := os.MkdirAll(filepath.Join(s.dir, "laps"), 0o777); err != nil {
		return err
	}
	var g errgroup.Group
	g.SetLimit(jobs)
	for lap := range s.files {
		g.Go(func() error { return s.record(s.recording(lap), lap) })
	}
	if err := g.Wait(); err != nil {
		return err
	}
	return s.describe()
}

// describe writes the season file and the manifest.
func (s folderSeason) describe() error {
	if err := os.WriteFile(s.path(), []byte(s.yaml()), 0o666); err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(s.dir, s.lapsFile()), []byte(s.manifest()), 0o666)
}

// half writes a season of the first half of the laps into the same folder.
func (s folderSeason) half() (folderSeason, error) {
	s.name, s.size.Laps, s.files = "half-", s.size.Laps/2, s.files/2
	return s, s.describe()
}

// yaml is the season file: each channel is followed by a hot spot of its own, so that all are counted.
func (s folderSeason) yaml() string {
	var b strings.Builder
	fmt.Fprintf(&b, "lapwear: 1\nseason: \"2031\"\ncomponent: bench bracket\nlaps: %s\ntime: {rate: %g Hz}\n", s.lapsFile(), s.size.Rate)
	b.WriteString("channels:\n")
	for i := range s.size.Channels {
		fmt.Fprintf(&b, "  %s: {column: %s, unit: g}\n", channelName(i), strings.ToUpper(channelName(i)))
	}
	b.WriteString("hotspots:\n")
	for i := range s.size.Channels {
		fmt.Fprintf(&b, "  h%02d: {follow: %s, gain: %g MPa/g, offset: 12 MPa, material: alloy}\n", i+1, channelName(i), (70+float64(i)/4)/float64(1+i%2))
	}
	b.WriteString("materials:\n")
	for _, m := range []struct {
		name      string
		amplitude int
	}{{"alloy", 90}, {"harder-alloy", 105}} {
		fmt.Fprintf(&b, "  %s: {source: invented, ultimate: 310 MPa, sn: {kind: power, amplitude: %d MPa, cycles: 1e6, slope: 7, knee: 5e6, beyond: same}, scatter: 0.15}\n",
			m.name, m.amplitude)
	}
	b.WriteString("target: {seasons: 1, life_factor: 1.5}\n")
	return b.String()
}

// manifest names a recording a lap; of a season of more laps than recordings, each further lap of one begins
// some samples later, so that its samples are not another's.
func (s folderSeason) manifest() string {
	var b strings.Builder
	b.WriteString("lap_id,file,circuit,session,lap,distance_km,start_s\n")
	for lap := range s.size.Laps {
		start := ""
		if turn := lap / s.files; turn > 0 {
			start = strconv.FormatFloat(float64(turn)*10/s.size.Rate, 'f', -1, 64)
		}
		fmt.Fprintf(&b, "%s,laps/%s,circuit %d,race,%d,4.2,%s\n",
			lapName(lap), filepath.Base(s.recording(lap%s.files)), lap%5+1, lap+1, start)
	}
	return b.String()
}

// record writes a recording of the lap of that number.
func (s folderSeason) record(path string, lap int) error {
	names, columns := make([]string, s.size.Channels), make([][]float32, s.size.Channels)
	logged := make([]int16, s.size.samples())
	for i := range columns {
		counts(logged, s.size.Rate, lap, i)
		names[i], columns[i] = strings.ToUpper(channelName(i)), make([]float32, len(logged))
		for k, v := range logged {
			columns[i][k] = float32(float64(v) * sensitivity(i))
		}
	}
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	w := bufio.NewWriterSize(f, 1<<20)
	if s.csv {
		err = writeCSV(w, names, columns)
	} else {
		err = writeParquet(w, s.how, names, columns)
	}
	if err == nil {
		err = w.Flush()
	}
	if err == nil {
		err = f.Sync() // else the file system would write it with the first thing that lapwear flushes
	}
	if shut := f.Close(); err == nil {
		err = shut
	}
	return err
}

// writeCSV writes columns with six digits behind the point.
func writeCSV(w io.Writer, names []string, columns [][]float32) error {
	line := append([]byte(strings.Join(names, ",")), '\n')
	for k := range columns[0] {
		if _, err := w.Write(line); err != nil {
			return err
		}
		line = line[:0]
		for i, c := range columns {
			if i > 0 {
				line = append(line, ',')
			}
			line = strconv.AppendFloat(line, float64(c[k]), 'f', 6, 32)
		}
		line = append(line, '\n')
	}
	_, err := w.Write(line)
	return err
}
