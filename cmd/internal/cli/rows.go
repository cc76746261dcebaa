package cli

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"slices"

	"lapwear/stages/frame"
)

// tableRow is a row of a table by column. As JSON it is an object with the columns in
// their order; numbers that are not known are null.
type tableRow struct {
	names  []string
	values map[string]any // string, bool, number or int64
}

// readRows reads a table, with some columns before the others.
func readRows(f *frame.Frame, first ...string) []tableRow {
	if f == nil {
		return nil
	}
	names := slices.DeleteFunc(slices.Clone(first), func(n string) bool { _, has := f.Column(n); return !has })
	for _, c := range f.Columns() {
		if !slices.Contains(names, c.Name) {
			names = append(names, c.Name)
		}
	}
	out := make([]tableRow, f.Rows())
	for i := range out {
		out[i] = tableRow{names: slices.Clone(names), values: map[string]any{}}
		for _, c := range f.Columns() {
			out[i].values[c.Name] = valueAt(c, i)
		}
	}
	return out
}

func valueAt(c frame.Column, i int) any {
	switch v := c.Values().(type) {
	case []float64:
		return number(v[i])
	case []string:
		return v[i]
	case []bool:
		return v[i]
	case []int64:
		return v[i]
	}
	return nil
}

// put adds a column before the one at a place.
func (r *tableRow) put(at int, name string, value any) {
	r.names = slices.Insert(r.names, at, name)
	r.values[name] = value
}

// rename gives a column another name.
func (r *tableRow) rename(old, name string) {
	if i := slices.Index(r.names, old); i >= 0 {
		r.names[i], r.values[name] = name, r.values[old]
		delete(r.values, old)
	}
}

func (r tableRow) text(name string) string {
	v, _ := r.values[name].(string)
	return v
}

func (r tableRow) is(name string) bool {
	v, _ := r.values[name].(bool)
	return v
}

// number is that of a column, NaN without one.
func (r tableRow) number(name string) number {
	if v, ok := r.values[name].(number); ok {
		return v
	}
	return number(math.NaN())
}

// MarshalJSON implements json.Marshaler.
func (r tableRow) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, n := range r.names {
		if i > 0 {
			b.WriteByte(',')
		}
		name, err := json.Marshal(n)
		if err != nil {
			return nil, fmt.Errorf("write column %q: %w", n, err)
		}
		v, err := json.Marshal(r.values[n])
		if err != nil {
			return nil, fmt.Errorf("write column %q: %w", n, err)
		}
		b.Write(name)
		b.WriteByte(':')
		b.Write(v)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}
