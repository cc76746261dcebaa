package ingest

// dense reads rows of which every cell is wanted, once, for as long as each is a plain number: neighbouring columns whose numbers are
// written in one form at once, other numbers one by one.
type dense struct {
	cols    []cells  // in the order of a row
	targets []target // what is expected of each
	forms   forms
	decimal byte
}

// target says what is expected of a column.
type target struct {
	form   *form // nil of none
	alike  int   // how many columns from this one on expect the same form: they are read at once
	reach  int   // how many bytes they take at most
	loose  bool  // numbers are in too many forms to expect one
	misses int   // numbers that were in another form than expected
}

// newDense returns a reader of rows of n cells.
func newDense(n int, delimiter, decimal byte) *dense {
	d := &dense{cols: make([]cells, n), targets: make([]target, n), decimal: decimal}
	for k := range d.targets {
		d.targets[k].alike, d.cols[k].end = 1, delimiter
	}
	d.cols[n-1].end = '\n'
	return d
}

// read reads rows from the row-th on, for as long as every cell is a plain number, and returns how many there are and how many bytes they
// take. A row that is anything else it leaves whole.
func (d *dense) read(lines []byte, row int) (rows, size int) {
	for ; ; rows++ {
		next := d.row(lines, size, row+rows)
		if next < 0 {
			return rows, size
		}
		size = next
	}
}

// row reads a row that begins at lines[p] and returns where the next one does, -1 where a cell is no plain number.
func (d *dense) row(lines []byte, p, row int) (next int) {
	for k := 0; k < len(d.targets); k++ {
		c := &d.targets[k]
		if f := c.form; f != nil && p >= longestForm && len(lines)-p > c.reach {
			n := 0
			if n, p = f.read(d.cols[k:k+c.alike], row, lines, p); n == c.alike {
				k += n - 1
				continue
			}
			k += n
			c = &d.targets[k]
		}
		v, end, ok := scanNumber(lines, p, d.decimal)
		if !ok || end >= len(lines) {
			return -1
		}
		d.cols[k].col[row] = v
		if !c.loose {
			d.learn(k, lines[p:end], row)
		}
		if lines[end] != d.cols[k].end && !d.endsLine(k, lines[end]) {
			return -1
		}
		p = end + 1
	}
	if d.cols[len(d.cols)-1].end == '\n' {
		return p
	}
	if p < len(lines) && lines[p] == '\n' {
		return p + 1
	}
	return -1
}

// endsLine tells whether a line end begins with a byte behind the last cell of a row, and expects the same from now on.
func (d *dense) endsLine(k int, b byte) bool {
	if k < len(d.cols)-1 || b != '\n' && b != '\r' {
		return false
	}
	d.cols[k].end = b
	return true
}

// missed is by how many numbers in other forms than expected, and by which share of all, a column is found to have none.
const (
	missed      = 64
	missedShare = 16
)

// learn expects the form of a number of the k-th column from now on, unless that has too many of other forms.
func (d *dense) learn(k int, number []byte, row int) {
	c := &d.targets[k]
	if number[0] == '-' {
		number = number[1:]
	}
	f := d.forms.of(number, d.decimal)
	if f != nil && f == c.form {
		return // it was near an end of the text
	}
	if c.misses++; c.misses > row/missedShare+missed {
		c.loose, f = true, nil
	}
	c.form = f
	for k := len(d.targets) - 1; k >= 0; k-- {
		c := &d.targets[k]
		if c.alike = 1; k < len(d.targets)-1 && c.form == d.targets[k+1].form {
			c.alike += d.targets[k+1].alike
		}
		if c.form != nil {
			c.reach = c.alike * (c.form.size + 2)
		}
	}
}
