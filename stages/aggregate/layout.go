package aggregate

import "lapwear/stages/frame"

// layout turns rows into columns, one call a column, in the order of the table.
type layout[R any] struct {
	rows []R
	cols []frame.Column
}

func (l *layout[R]) text(name string, get func(r *R) string) {
	l.cols = append(l.cols, frame.Col(name, "", each(l.rows, get)))
}

func (l *layout[R]) number(name, unit string, get func(r *R) float64) {
	l.cols = append(l.cols, frame.Col(name, unit, each(l.rows, get)))
}

func (l *layout[R]) count(name string, get func(r *R) int64) {
	l.cols = append(l.cols, frame.Col(name, "", each(l.rows, get)))
}

func (l *layout[R]) truth(name string, get func(r *R) bool) {
	l.cols = append(l.cols, frame.Col(name, "", each(l.rows, get)))
}

func (l *layout[R]) frame() *frame.Frame { return frame.Must(nil, l.cols...) }

func each[R, V any](rows []R, get func(r *R) V) []V {
	v := frame.Room[V](len(rows))
	for i := range rows {
		v[i] = get(&rows[i])
	}
	return v
}
