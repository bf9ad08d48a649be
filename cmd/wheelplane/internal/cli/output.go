package cli

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// printf writes to standard output. With --json a command prints its result
// with printJSON only.
func (a *App) printf(format string, args ...any) {
	fmt.Fprintf(a.Stdout, format, args...)
}

// printJSON writes v to standard output, indented. NaN and infinities are an
// error: a reading that has none is left out, not invented.
func (a *App) printJSON(v any) error {
	return encodeJSON(a.Stdout, v)
}

// encodeJSON is how every JSON file and output of ours is written.
func encodeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

// warn tells of something that was skipped or assumed, in one line on standard
// error. It does not end the run.
func (a *App) warn(format string, args ...any) {
	if a.Quiet {
		return
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.bar != nil {
		a.bar.bar.Clear()
	}
	fmt.Fprintf(a.Stderr, "wheelplane: warning: %s\n", oneLine(fmt.Sprintf(format, args...)))
}

// column is a column of a table.
type column struct {
	name  string
	right bool
}

// left is a column of words, right a column of numbers.
func left(name string) column  { return column{name: name} }
func right(name string) column { return column{name: name, right: true} }

// table lines up cells in columns, two spaces apart.
type table struct {
	columns []column
	rows    [][]string
}

func newTable(columns ...column) *table { return &table{columns: columns} }

// row adds a row; missing cells at its end stay empty. More cells than columns
// panic.
func (t *table) row(cells ...string) {
	if len(cells) > len(t.columns) {
		panic(fmt.Sprintf("cli: %d cells in a table of %d columns", len(cells), len(t.columns)))
	}
	t.rows = append(t.rows, append(cells, make([]string, len(t.columns)-len(cells))...))
}

// String returns the table with its heading, each line ended by a newline and
// without spaces at its end.
func (t *table) String() string {
	head := make([]string, len(t.columns))
	width := make([]int, len(t.columns))
	for i, c := range t.columns {
		head[i] = c.name
	}
	lines := append([][]string{head}, t.rows...)
	for _, l := range lines {
		for i, s := range l {
			width[i] = max(width[i], utf8.RuneCountInString(s))
		}
	}
	var b strings.Builder
	for _, l := range lines {
		var line strings.Builder
		for i, s := range l {
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(s))
			if i > 0 {
				line.WriteString("  ")
			}
			if t.columns[i].right {
				line.WriteString(pad + s)
			} else {
				line.WriteString(s + pad)
			}
		}
		b.WriteString(strings.TrimRight(line.String(), " ") + "\n")
	}
	return b.String()
}

// fold breaks a sentence into lines of at most 80 characters, the first after
// lead ("- "), the others below it.
func fold(lead, text string) string {
	var b strings.Builder
	line := strings.TrimRight(lead, " ")
	for _, word := range strings.Fields(text) {
		if line != "" && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > 80 {
			b.WriteString(line + "\n")
			line = strings.Repeat(" ", max(0, len(lead)-1))
		}
		if line != "" || lead != "" {
			line += " "
		}
		line += word
	}
	return b.String() + line + "\n"
}

// stickyWriter remembers the first error of writing, so that output nobody
// checked still ends the run with a failure (a full disk behind a redirect).
type stickyWriter struct {
	w   io.Writer
	err error
}

func (s *stickyWriter) Write(p []byte) (int, error) {
	n, err := s.w.Write(p)
	if err != nil && s.err == nil {
		s.err = err
	}
	return n, err
}
