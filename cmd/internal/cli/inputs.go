package cli

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"lapwear/cmd/internal/folder"
	"lapwear/cmd/internal/report"
	"lapwear/pipeline/season"
)

// inputsName is the file of an output folder that says what its tables were made from. It
// goes with the folder when that is copied, and so tells two nights apart without a cache.
const inputsName = "inputs.json"

// inputsJSON is what a run was made from.
type inputsJSON struct {
	Format    int             `json:"lapwear"`
	Season    string          `json:"season"`
	Component string          `json:"component"`
	Settings  []settingJSON   `json:"settings"` // of the season file, with what --set replaced
	Calendar  []calendarJSON  `json:"calendar"`
	Files     []inputJSON     `json:"files"`
	SetAside  []setAsideByLap `json:"set_aside"`
	Run       string          `json:"run"` // the digest of the run's record
}

type settingJSON struct {
	Path  string `json:"path"`
	Value string `json:"value"`
}

type calendarJSON struct {
	Circuit string `json:"circuit"`
	Session string `json:"session,omitempty"`
	Laps    number `json:"laps"`
	LapKm   number `json:"lap_km"`
	Basis   string `json:"basis,omitempty"`
}

type inputJSON struct {
	Role   string `json:"role"`
	Path   string `json:"path"`
	SHA256 string `json:"sha256"`
	Laps   int    `json:"laps,omitempty"`
}

type setAsideByLap struct {
	Lap    string `json:"lap_id"`
	Reason string `json:"reason"`
}

// inputsFile writes down what a run was made from.
func inputsFile(s *season.Season, o *season.Outcome, in []report.Input) folder.File {
	j := inputsJSON{Format: 1, Season: s.Season, Component: s.Component,
		Settings: []settingJSON{}, Calendar: []calendarJSON{}, Files: []inputJSON{}, SetAside: []setAsideByLap{}}
	for _, v := range s.Settings() {
		j.Settings = append(j.Settings, settingJSON(v))
	}
	for _, p := range s.Calendar {
		j.Calendar = append(j.Calendar, calendarJSON{p.Circuit, p.Session, number(p.Laps), number(p.LapKm), p.Basis})
	}
	for _, f := range in {
		j.Files = append(j.Files, inputJSON{f.Role, f.Path, f.SHA256, f.Laps})
	}
	for _, l := range o.Laps.SetAside {
		j.SetAside = append(j.SetAside, setAsideByLap{l.Lap, oneLine(l.Reason)})
	}
	if o.Record != nil {
		j.Run = o.Record.Digest()
	}
	var text bytes.Buffer // it is hashed, then written
	e := json.NewEncoder(&text)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	err := e.Encode(j)
	return folder.File{Name: inputsName, Write: func(w io.Writer) error {
		_, failed := w.Write(text.Bytes())
		return errors.Join(err, failed)
	}}
}

// median tells whether a run was at a survival of 50 %, which is the default.
func (j *inputsJSON) median() bool {
	for _, s := range j.Settings {
		if s.Path == "damage.survival" {
			number, _, _ := strings.Cut(s.Value, "%")
			return strings.TrimSpace(number) == "50"
		}
	}
	return true
}

// readInputs reads what the tables of a folder were made from; nil if it does not say.
func readInputs(dir string) (*inputsJSON, error) {
	text, err := os.ReadFile(filepath.Join(dir, inputsName))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	var j inputsJSON
	if err == nil {
		err = json.Unmarshal(text, &j)
	}
	if err != nil {
		return nil, fmt.Errorf("read %q: %w; run the season again", filepath.Join(dir, inputsName), err)
	}
	return &j, nil
}
