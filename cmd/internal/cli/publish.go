package cli

import (
	"bytes"
	"cmp"
	"context"
	"io"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"lapwear/cache"
	"lapwear/cache/key"
	"lapwear/cmd/internal/folder"
	"lapwear/cmd/internal/report"
	"lapwear/fatigue/lanes"
	"lapwear/pipeline/season"
	"lapwear/stages/frame"
)

// Files that stand beside the tables.
const (
	workbookName = "lapwear.xlsx"
	schemaName   = "schema.json"
)

// published tells whether a name in an output folder is that of a run's own file.
func published(name string) bool {
	switch name {
	case reportName, workbookName, schemaName, inputsName:
		return true
	}
	stem := strings.TrimSuffix(strings.TrimSuffix(name, ".csv"), ".parquet")
	return stem != name && slices.Contains(tableNames, stem)
}

// claim takes the lock of an output folder, so that two runs do not write it at once.
func (a *app) claim(ctx context.Context, out string, wait time.Duration) (*folder.Lock, error) {
	me := folder.Holder{PID: os.Getpid(), Started: time.Now().Round(time.Second), Command: strings.Join(append([]string{"lapwear"}, a.args...), " ")}
	me.Host, _ = os.Hostname()
	if u, err := user.Current(); err == nil {
		me.User = u.Username
	}
	l, err := folder.Acquire(ctx, out, me, wait)
	if err == nil && l.Stale != nil {
		a.warnf("output folder %q: %v was killed before it ended; its claim is void, and what it had not finished is done now", out, *l.Stale)
	}
	if err == nil {
		a.claimed.Store(l)
	}
	return l, err
}

// abandon leaves word in the output folder that this process ends as it was told to, not killed.
func (a *app) abandon() {
	if l := a.claimed.Load(); l != nil {
		l.Abandon() // else the next run warns of a killed one, no more
	}
}

// release gives an output folder up.
func (a *app) release(l *folder.Lock) {
	a.claimed.CompareAndSwap(l, nil)
	if err := l.Release(); err != nil {
		a.warnf("give up the output folder: %v", err)
	}
}

// publish replaces files of an output folder all at once. Of the folder's other files
// those go of which owned says that they are the command's own.
func (a *app) publish(dir string, files []folder.File, owned func(string) bool, fixed []string) error {
	return a.publishSet(&folder.Set{Dir: dir, Files: files, Owned: owned, Fixed: fixed})
}

func (a *app) publishSet(set *folder.Set) error {
	if err := os.MkdirAll(set.Dir, 0o777); err != nil {
		return err
	}
	reason, err := set.Publish()
	if reason != "" {
		a.warnf("files in %q are replaced one by one, not all at once, since %s; a run that is killed meanwhile leaves old ones beside new ones: "+
			"give a folder of its own with --out", set.Dir, reason)
	}
	return err
}

// bookBefore is the workbook that an output folder had when it was looked at.
type bookBefore struct {
	info fs.FileInfo // nil = none
	book report.Earlier
}

// mostBook and mostTable are how many bytes a workbook and a table have at most that are read.
const (
	mostBook  = 1 << 30
	mostTable = 256 << 20
)

func readBook(path string) bookBefore {
	info, text := readRegular(path, mostBook)
	if info == nil {
		return bookBefore{}
	}
	return bookBefore{info, report.ReadEarlier(text)}
}

// readRegular reads a file of at most so many bytes; info is nil where there is none that can be read. Reading a pipe would wait for who writes to it.
func readRegular(path string, most int64) (fs.FileInfo, []byte) {
	info, err := os.Stat(path)
	if err != nil || !info.Mode().IsRegular() || info.Size() > most {
		return nil, nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, nil
	}
	defer f.Close()
	text := lanes.Uncleared[byte](int(info.Size()))
	if _, err := io.ReadFull(f, text); err != nil {
		return nil, nil
	}
	return info, text
}

// readEarlier reads a workbook of which nothing is known.
func readEarlier(path string) report.Earlier { return readBook(path).book }

// now is the workbook, read again if it was replaced since.
func (b bookBefore) now(path string) bookBefore {
	info, err := os.Stat(path)
	if err != nil && b.info == nil || err == nil && b.info != nil && cache.Alike(info, b.info) {
		return b
	}
	return readBook(path)
}

// begunBook is a run's workbook, which has been begun beside what comes before its turn if the run has computed anything.
type begunBook struct {
	files   []folder.File // the workbook, and the schema of its tables
	tables  *report.Workbook
	current func() bool // whether the workbook in the folder is this one; if not, it has been begun after that
}

// beginWorkbook begins the workbook of a run's tables.
func beginWorkbook(w *opened, o *season.Outcome) begunBook {
	book := report.NewWorkbook(reported(o.Tables))
	for _, t := range o.Tables {
		if t.ID != (key.ID{}) {
			book.Known(t.Name, t.ID)
		}
	}
	file := workbookFile(book, func(path string) report.Earlier { return w.book().now(path).book })
	isCurrent, write := file.Current, file.Write
	current := sync.OnceValue(func() bool { return isCurrent(filepath.Join(w.out, workbookName)) }) // the folder is held since before
	for _, s := range o.Stages {
		if s.Computed > 0 {
			w.rest.Go(func() { current() })
			break
		}
	}
	file.Current = func(string) bool { return current() }
	file.Write = func(to io.Writer) error {
		current()
		return write(to)
	}
	return begunBook{[]folder.File{file, schemaFile(book)}, book, current}
}

// before finds a table as a CSV file in the output folder, and which of its rows hold what they are to hold, if both the file and the workbook beside it are what
// one run wrote, and a build that might lay out tables in another way has not come between. What others have written into the folder is in neither.
func (b begunBook) before(w *opened) func(table string) ([]byte, []frame.Rows) {
	last := sync.OnceValue(func() *standing {
		s, ok := readStanding(w.store, w.out)
		if b.current() || !ok || s.By != program() || s.made(workbookName) != b.tables.Earlier().ID() {
			return nil
		}
		return s
	})
	return func(table string) ([]byte, []frame.Rows) {
		s := last()
		if s == nil {
			return nil, nil
		}
		same, rows := b.tables.Kept(table), 0
		for _, r := range same {
			rows += r.To - r.From
		}
		if rows < fewestKept {
			return nil, nil
		}
		name := csvFile(table)
		info, text := readRegular(filepath.Join(w.out, name), mostTable)
		if info == nil || key.OfUnkept(func(to io.Writer) error { _, err := to.Write(text); return err }) != s.made(name) {
			return nil, nil
		}
		return text, same
	}
}

// fewestKept is from how many rows on it is worth reading a table for those that are the same.
const fewestKept = 64

// reported are a run's tables as a report has them.
func reported(tables []season.Table) []report.Table {
	out := make([]report.Table, len(tables))
	for i, t := range tables {
		out[i] = report.Table{Name: t.Name, Frame: t.Frame}
	}
	return out
}

// writeResults publishes the tables of a run and what is made of them. It returns what is known of the files that it wrote.
func (a *app) writeResults(w *opened, o *season.Outcome, book begunBook, first ...folder.File) (folder.Set, error) {
	bulkiest := slices.SortedStableFunc(slices.Values(o.Tables), func(a, b season.Table) int { return cmp.Compare(b.Frame.Bytes(), a.Frame.Bytes()) })
	files := slices.Concat(book.files, first, tableFilesAfter(bulkiest, book.before(w))) // what takes longest first
	set := folder.Set{Dir: w.out, Files: files, Owned: published, Fixed: unmoved(w.Season, w.store.Dir())}
	set.After = func(rest func() error) {
		w.gone.Go(func() {
			if err := rest(); err != nil {
				a.warnf("%v", err)
			}
		})
	}
	err := a.publishSet(&set)
	return set, err
}

// workbookFile is a workbook, which takes over what the one before has, as read reads it.
func workbookFile(book *report.Workbook, read func(path string) report.Earlier) folder.File {
	return folder.File{Name: workbookName, Write: book.Write,
		Current: func(path string) bool {
			was := read(path)
			if book.IsCurrent(was) {
				return true
			}
			book.After(was)
			book.Begin()
			return false
		}}
}

// schemaFile says what is in a workbook's tables. It hardly ever changes.
func schemaFile(book *report.Workbook) folder.File {
	return folder.File{Name: schemaName,
		Current: func(path string) bool {
			info, was := readRegular(path, int64(len(book.Schema())))
			return info != nil && bytes.Equal(was, book.Schema())
		},
		Write: func(w io.Writer) error {
			_, err := w.Write(book.Schema())
			return err
		}}
}

// describedFiles are the files of tables of a folder of their own, and a schema that describes them.
func describedFiles(group, schema string, tables []season.Table) []folder.File {
	return append(tableFiles(tables), folder.File{Name: schema, Write: report.DescribeGroup(group, reported(tables)).WriteJSON})
}

// unmoved lists the folders that must stay where they are: those of the season's files, of
// the cache, and the one that the command was called in.
func unmoved(s *season.Season, cache string) []string {
	var out []string
	if cache != "" {
		out = append(out, cache)
	}
	if here, err := os.Getwd(); err == nil {
		out = append(out, here)
	}
	for _, p := range inputPaths(s) {
		if dir := filepath.Dir(p); !slices.Contains(out, dir) {
			out = append(out, dir)
		}
	}
	return out
}
