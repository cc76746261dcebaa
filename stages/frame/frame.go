// Package frame holds columns with names and units, the form in which data
// moves between stages, into the cache and out to tables.
//
//   - A Column is a named, united sequence of values of one Kind.
//   - A Frame is columns of equal length plus Attrs, scalars that belong to the
//     whole frame (a sampling rate, a chosen channel).
//   - The canonical encoding is the one byte sequence that stands for a frame's
//     content; its hash is the identity of a stage's output.
//
// Frames are immutable once built: a reader may keep the slices it is given but
// must not write to them. A float column uses NaN for a missing value. Order of
// columns and attributes is part of the content.
//
// This is the only package that imports Arrow.
package frame

import (
	"fmt"
	"reflect"
)

// Kind is the type of a column's values.
type Kind uint8

// The kinds a column may have. Their numbers are part of the canonical encoding. Int16 is for results that are stored: a table holds Int32.
const (
	Float64 Kind = 1 + iota
	Float32
	Int64
	Int32
	String
	Bool
	Int16
)

// String returns the kind's name as error messages use it.
func (k Kind) String() string {
	names := [...]string{"invalid", "float64", "float32", "int64", "int32", "string", "bool", "int16"}
	if int(k) >= len(names) {
		return "invalid"
	}
	return names[k]
}

// Column is a named sequence of values of one kind. Unit is free text such as
// "MPa" or "g"; empty means a pure number or not applicable.
type Column struct {
	Name string
	Unit string
	data any // one of []float64, []float32, []int64, []int32, []string, []bool, []int16
}

// Values are the Go types that a column can hold.
type Values interface {
	[]float64 | []float32 | []int64 | []int32 | []string | []bool | []int16
}

// Col builds a column over v, which must not be written to afterwards.
func Col[V Values](name, unit string, v V) Column {
	return Column{Name: name, Unit: unit, data: v}
}

// Kind returns the type of the column's values.
func (c Column) Kind() Kind {
	switch c.data.(type) {
	case []float64:
		return Float64
	case []float32:
		return Float32
	case []int64:
		return Int64
	case []int32:
		return Int32
	case []string:
		return String
	case []bool:
		return Bool
	case []int16:
		return Int16
	}
	return 0
}

// Values returns the slice that the column was built of, which must not be written to.
func (c Column) Values() any { return c.data }

// Len returns the number of values.
func (c Column) Len() int {
	switch v := c.data.(type) {
	case []float64:
		return len(v)
	case []float32:
		return len(v)
	case []int64:
		return len(v)
	case []int32:
		return len(v)
	case []string:
		return len(v)
	case []bool:
		return len(v)
	case []int16:
		return len(v)
	}
	return 0
}

// Attr is a scalar that belongs to a whole frame: a number with its unit, or a
// text. Exactly one of Number and Text is meaningful, as IsText says.
type Attr struct {
	Name   string
	Unit   string
	IsText bool
	Number float64
	Text   string
}

// Num builds a numeric attribute.
func Num(name, unit string, v float64) Attr { return Attr{Name: name, Unit: unit, Number: v} }

// Text builds a text attribute.
func Text(name, v string) Attr { return Attr{Name: name, IsText: true, Text: v} }

// Frame is columns of equal length with attributes.
type Frame struct {
	cols  []Column
	attrs []Attr
	rows  int
}

// New builds a frame. It returns an error when columns differ in length, or a
// column's or an attribute's name is empty or occurs twice.
func New(attrs []Attr, cols ...Column) (*Frame, error) {
	f := &Frame{cols: cols, attrs: attrs}
	taken := repeats(len(cols), func(i int) string { return cols[i].Name })
	for i, c := range cols {
		switch {
		case c.Kind() == 0:
			return nil, fmt.Errorf("build frame: column %q has no values", c.Name)
		case c.Name == "" || taken(i):
			return nil, fmt.Errorf("build frame: column name %q is empty or occurs twice", c.Name)
		case i == 0:
			f.rows = c.Len()
		case c.Len() != f.rows:
			return nil, fmt.Errorf("build frame: column %q has %d rows, %q has %d",
				c.Name, c.Len(), cols[0].Name, f.rows)
		}
	}
	taken = repeats(len(attrs), func(i int) string { return attrs[i].Name })
	for i, a := range attrs {
		if a.Name == "" || taken(i) {
			return nil, fmt.Errorf("build frame: attribute name %q is empty or occurs twice", a.Name)
		}
	}
	return f, nil
}

// fewNames is up to how many names are looked through one by one: faster than to list them in a map.
const fewNames = 24

// repeats tells of each of n names, asked for in their order, whether it occurs before.
func repeats(n int, name func(i int) string) func(i int) bool {
	if n <= fewNames {
		return func(i int) bool {
			for k := range i {
				if name(k) == name(i) {
					return true
				}
			}
			return false
		}
	}
	seen := make(map[string]bool, n)
	return func(i int) bool {
		before := seen[name(i)]
		seen[name(i)] = true
		return before
	}
}

// Must is New for frames whose shape the program itself guarantees.
func Must(attrs []Attr, cols ...Column) *Frame {
	f, err := New(attrs, cols...)
	if err != nil {
		panic(err)
	}
	return f
}

// Rows returns the number of rows.
func (f *Frame) Rows() int { return f.rows }

// Columns returns the columns in order. The slice must not be changed.
func (f *Frame) Columns() []Column { return f.cols }

// Attrs returns the attributes in order. The slice must not be changed.
func (f *Frame) Attrs() []Attr { return f.attrs }

// Column returns the column of that name.
func (f *Frame) Column(name string) (Column, bool) {
	for i := range f.cols {
		if f.cols[i].Name == name {
			return f.cols[i], true
		}
	}
	return Column{}, false
}

// Get returns the values of a column of a known name and type, without a copy.
// It returns an error when there is no such column or it holds another type.
func Get[V Values](f *Frame, name string) (V, error) {
	c, ok := f.Column(name)
	if !ok {
		return nil, fmt.Errorf("read frame: no column %q", name)
	}
	v, ok := c.data.(V)
	if !ok {
		return nil, fmt.Errorf("read frame: column %q holds %v", name, c.Kind())
	}
	return v, nil
}

// Number returns a numeric attribute, and whether there is one of that name.
func (f *Frame) Number(name string) (float64, bool) {
	for _, a := range f.attrs {
		if a.Name == name && !a.IsText {
			return a.Number, true
		}
	}
	return 0, false
}

// Text returns a text attribute, and whether there is one of that name.
func (f *Frame) Text(name string) (string, bool) {
	for _, a := range f.attrs {
		if a.Name == name && a.IsText {
			return a.Text, true
		}
	}
	return "", false
}

// Shares tells whether columns of two frames have memory in common. What texts consist of does not count.
func (f *Frame) Shares(g *Frame) bool {
	for i := range f.cols {
		from, to := f.cols[i].place()
		for k := range g.cols {
			if begin, end := g.cols[k].place(); from < end && begin < to {
				return true
			}
		}
	}
	return false
}

// place is where a column's values lie in memory; both are 0 where it has none. They are to be compared with those of a column that is in use
// at the same time, and with nothing else.
func (c Column) place() (from, to uintptr) {
	v := reflect.ValueOf(c.data)
	if v.Len() == 0 {
		return 0, 0
	}
	from = v.Pointer()
	return from, from + uintptr(v.Len())*v.Type().Elem().Size()
}

// Bytes returns the memory that the frame's values occupy, in bytes; it is what
// a memory budget counts.
func (f *Frame) Bytes() int64 {
	var n int64
	for _, c := range f.cols {
		switch v := c.data.(type) {
		case []float64:
			n += 8 * int64(len(v))
		case []int64:
			n += 8 * int64(len(v))
		case []float32:
			n += 4 * int64(len(v))
		case []int32:
			n += 4 * int64(len(v))
		case []int16:
			n += 2 * int64(len(v))
		case []bool:
			n += int64(len(v))
		case []string:
			for _, s := range v {
				n += 16 + int64(len(s))
			}
		}
	}
	return n
}
