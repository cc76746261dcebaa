package frame

// Layout turns rows into columns, one call a column, in the order of the calls.
type Layout[R any] struct {
	Rows []R
	cols []Column
}

// Text adds a column of texts.
func (l *Layout[R]) Text(name string, get func(r *R) string) { add(l, name, "", get) }

// Number adds a column of numbers in a unit.
func (l *Layout[R]) Number(name, unit string, get func(r *R) float64) { add(l, name, unit, get) }

// Count adds a column of whole numbers.
func (l *Layout[R]) Count(name string, get func(r *R) int) {
	add(l, name, "", func(r *R) int64 { return int64(get(r)) })
}

// Frame builds the frame; it panics where a name occurs twice.
func (l *Layout[R]) Frame() *Frame { return Must(nil, l.cols...) }

func add[R any, V float64 | int64 | string](l *Layout[R], name, unit string, get func(r *R) V) {
	v := make([]V, len(l.Rows))
	for i := range l.Rows {
		v[i] = get(&l.Rows[i])
	}
	switch v := any(v).(type) {
	case []float64:
		l.cols = append(l.cols, Col(name, unit, v))
	case []int64:
		l.cols = append(l.cols, Col(name, unit, v))
	case []string:
		l.cols = append(l.cols, Col(name, unit, v))
	}
}
