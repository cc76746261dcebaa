package cli

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"

	"lapwear/cmd/internal/folder"
	"lapwear/pipeline/season"
	"lapwear/stages/aggregate"
	"lapwear/stages/frame"
)

// tableNames lists the tables in the order in which people read them.
var tableNames = append([]string{"season", "circuits", "places", "laps", "calibration", "quality"}, comparisons()...)

// comparisons lists the tables that there are only where the manifest names what to compare.
func comparisons() []string {
	var out []string
	for _, factor := range aggregate.Factors() {
		out = append(out, aggregate.CompareTable(factor))
	}
	return out
}

// tableFiles lists the files of tables.
func tableFiles(tables []season.Table) []folder.File {
	return tableFilesAfter(tables, func(string) ([]byte, []frame.Rows) { return nil, nil })
}

// tableFilesAfter are tableFiles where before returns what a table's file of that name holds now, and which rows are the same in it: nothing where that is
// not known.
func tableFilesAfter(tables []season.Table, before func(table string) (csv []byte, same []frame.Rows)) []folder.File {
	var out []folder.File
	for _, t := range tables {
		text := func(w io.Writer) error {
			was, same := before(t.Name)
			return t.Frame.WriteCSVAfter(w, was, same)
		}
		out = append(out, folder.File{Name: csvFile(t.Name), Write: text}, folder.File{Name: t.Name + ".parquet", Write: t.Frame.WriteParquet})
	}
	return out
}

func csvFile(table string) string { return table + ".csv" }

// partial ends the name of a table that is being written.
const partial = ".part"

// clearOfInputs refuses an output folder in which a table would take the place of a
// file that the season reads.
func clearOfInputs(s *season.Season, out string) error {
	for _, in := range inputPaths(s) {
		abs, err := filepath.Abs(in)
		if err == nil && filepath.Dir(abs) == out && published(filepath.Base(abs)) {
			return usagef("table %q would take the place of a file that the season reads; give another folder with --out", abs)
		}
	}
	return nil
}

// inputPaths lists the files that the season reads.
func inputPaths(s *season.Season) []string {
	inputs := []string{s.Path, s.LapsFile}
	if s.CalendarFile != "" {
		inputs = append(inputs, s.CalendarFile)
	}
	if s.Specimens.File != "" {
		inputs = append(inputs, s.Specimens.File)
	}
	for _, l := range s.Laps {
		inputs = append(inputs, l.Path)
	}
	return inputs
}

// pendingFile is a file that is complete under another name.
type pendingFile struct{ temp, path string }

// preparedFile writes a file in full beside its place.
func preparedFile(path string, write func(io.Writer) error) (*pendingFile, error) {
	// Two runs into one folder each have names of their own.
	temp := fmt.Sprintf("%s.%d-%08x%s", path, os.Getpid(), rand.Uint32(), partial)
	f, err := os.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return nil, fmt.Errorf("write %q: %w; give another folder with --out", path, err)
	}
	p := &pendingFile{f.Name(), path}
	w := bufio.NewWriterSize(f, 1<<18)
	err = write(w)
	err = errors.Join(err, w.Flush(), f.Close())
	if err != nil {
		p.drop()
		return nil, fmt.Errorf("write %q: %w", path, err)
	}
	return p, nil
}

func (p *pendingFile) publish() error {
	if p.temp == "" {
		return nil
	}
	if same(p.temp, p.path) {
		p.drop()
		return nil
	}
	err := os.Rename(p.temp, p.path)
	if err == nil {
		p.temp = ""
	}
	return err
}

// drop removes what has not taken its name.
func (p *pendingFile) drop() {
	if p.temp != "" {
		os.Remove(p.temp)
		p.temp = ""
	}
}

// same tells whether two files hold the same bytes; a table that did not change
// keeps its time stamp, and what depends on it is not made again.
func same(a, b string) bool {
	x, errA := os.Stat(a)
	y, errB := os.Stat(b)
	if errA != nil || errB != nil || x.Size() != y.Size() {
		return false
	}
	p, errA := os.ReadFile(a)
	q, errB := os.ReadFile(b)
	return errA == nil && errB == nil && bytes.Equal(p, q)
}

// result is a row of the table season as run --json prints it.
type result struct {
	Scenario           string `json:"scenario"`
	Hotspot            string `json:"hotspot"`
	Material           string `json:"material"`
	SeasonDamage       number `json:"season_damage"`
	SeasonDamageLow    number `json:"season_damage_low"`
	SeasonDamageHigh   number `json:"season_damage_high"`
	BetweenLapsDamage  number `json:"between_laps_damage"`
	LifeSeasons        number `json:"life_seasons"`
	LifeFactor         number `json:"life_factor"`
	TargetLifeFactor   number `json:"target_life_factor"`
	StressReserve      number `json:"stress_reserve"`
	FailureProbability number `json:"failure_probability"`

	FailureProbabilityError    number `json:"failure_probability_error"`
	FailureProbabilityMaterial number `json:"failure_probability_material"`
	AllowedThicknessRatio      number `json:"allowed_thickness_ratio"`
	MassRatio                  number `json:"mass_ratio"`

	BorrowedShare    number `json:"borrowed_share"`
	LapsOverUltimate number `json:"laps_over_ultimate"`

	ScatterNote       string `json:"scatter_note,omitempty"`
	ReserveLimit      string `json:"reserve_limit,omitempty"`
	CalibrationRemark string `json:"calibration_remark,omitempty"`
}

// readResults reads the rows of the table season.
func readResults(tables []season.Table) ([]result, error) {
	f := find(tables, "season")
	if f == nil {
		return []result{}, nil
	}
	out := make([]result, f.Rows())
	var err error
	text := func(name string, set func(r *result, v string)) {
		v, e := frame.Get[[]string](f, name)
		err = errors.Join(err, e)
		for i := range v {
			set(&out[i], v[i])
		}
	}
	num := func(name string, set func(r *result, v number)) {
		v, e := frame.Get[[]float64](f, name)
		err = errors.Join(err, e)
		for i := range v {
			set(&out[i], number(v[i]))
		}
	}
	text("scenario", func(r *result, v string) { r.Scenario = v })
	text("hotspot", func(r *result, v string) { r.Hotspot = v })
	text("material", func(r *result, v string) { r.Material = v })
	num("season_damage", func(r *result, v number) { r.SeasonDamage = v })
	num("season_damage_low", func(r *result, v number) { r.SeasonDamageLow = v })
	num("season_damage_high", func(r *result, v number) { r.SeasonDamageHigh = v })
	num("borrowed_share", func(r *result, v number) { r.BorrowedShare = v })
	num("laps_over_ultimate", func(r *result, v number) { r.LapsOverUltimate = v })
	text("reserve_limit", func(r *result, v string) { r.ReserveLimit = v })
	text("scatter_note", func(r *result, v string) { r.ScatterNote = v })
	num("between_laps_damage", func(r *result, v number) { r.BetweenLapsDamage = v })
	num("life_seasons", func(r *result, v number) { r.LifeSeasons = v })
	num("life_factor", func(r *result, v number) { r.LifeFactor = v })
	num("target_life_factor", func(r *result, v number) { r.TargetLifeFactor = v })
	num("stress_reserve", func(r *result, v number) { r.StressReserve = v })
	num("failure_probability", func(r *result, v number) { r.FailureProbability = v })
	num("failure_probability_error", func(r *result, v number) { r.FailureProbabilityError = v })
	num("failure_probability_material", func(r *result, v number) { r.FailureProbabilityMaterial = v })
	num("allowed_thickness_ratio", func(r *result, v number) { r.AllowedThicknessRatio = v })
	num("mass_ratio", func(r *result, v number) { r.MassRatio = v })
	text("calibration_remark", func(r *result, v string) { r.CalibrationRemark = v })
	return out, err
}

func find(tables []season.Table, name string) *frame.Frame {
	for _, t := range tables {
		if t.Name == name {
			return t.Frame
		}
	}
	return nil
}
