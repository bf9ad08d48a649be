package jig

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
)

// Columns names the columns of a study's table. Empty names are the usual ones.
type Columns struct{ Part, Operator, Trial, Value string }

// usual is what a column may be called, in lower case.
var usual = map[string][]string{
	"part":     {"part", "vehicle", "object"},
	"operator": {"operator", "condition", "appraiser", "setting", "technician"},
	"trial":    {"trial", "repeat", "replicate"},
	"value":    {"value", "reading", "measurement"},
}

// Table is a study as it was read. Unit stands in brackets in the heading of
// the values, "toe (deg)"; nothing where it does not.
type Table struct {
	Trials []Trial
	Value  string // heading of the values, without the unit
	Unit   string
}

// ReadTable reads a study from CSV with a heading. Columns are separated by
// commas, semicolons or tabs; with the latter two a number may have a decimal
// comma. name is the file's, for errors.
func ReadTable(r io.Reader, name string, c Columns) (*Table, error) {
	text, err := io.ReadAll(bufio.NewReader(r))
	if err != nil {
		return nil, err
	}
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	head, _, _ := bytes.Cut(text, []byte("\n"))
	comma := ','
	for _, x := range []rune{';', '\t'} {
		if bytes.ContainsRune(head, x) {
			comma = x
		}
	}
	in := csv.NewReader(bytes.NewReader(text))
	in.Comma = comma
	in.TrimLeadingSpace = true
	in.FieldsPerRecord = -1
	heading, err := in.Read()
	if errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%s: the file is empty: it needs a heading such as part,operator,trial,value", name)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: not a table: %w", name, err)
	}
	at, err := columnsOf(heading, c)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	t := &Table{Value: strings.TrimSpace(heading[at["value"]])}
	if open := strings.LastIndexAny(t.Value, "(["); open >= 0 && strings.HasSuffix(t.Value, map[byte]string{'(': ")", '[': "]"}[t.Value[open]]) {
		t.Value, t.Unit = strings.TrimSpace(t.Value[:open]), t.Value[open+1:len(t.Value)-1]
	}
	for {
		row, err := in.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("%s: not a table: %w", name, err)
		}
		line, _ := in.FieldPos(0)
		where := fmt.Sprintf("%s:%d", name, line)
		if len(row) != len(heading) {
			return nil, fmt.Errorf("%s: %d fields under a heading of %d: correct the line", where, len(row), len(heading))
		}
		cell := func(column string) string {
			if i, ok := at[column]; ok {
				return strings.TrimSpace(row[i])
			}
			return ""
		}
		trial := Trial{Part: cell("part"), Operator: cell("operator"), Name: cell("trial"), Where: where}
		if trial.Part == "" || trial.Operator == "" {
			return nil, fmt.Errorf("%s: no part or no operator: fill it in", where)
		}
		number := cell("value")
		if comma != ',' {
			number = strings.Replace(number, ",", ".", 1)
		}
		if trial.Value, err = strconv.ParseFloat(number, 64); err != nil {
			return nil, fmt.Errorf("%s: %q is not a number: correct it, or leave the line out", where, cell("value"))
		}
		t.Trials = append(t.Trials, trial)
	}
	if len(t.Trials) == 0 {
		return nil, fmt.Errorf("%s: no readings below the heading", name)
	}
	return t, nil
}

// columnsOf finds the columns. That of trials may be missing: lines then count.
func columnsOf(heading []string, c Columns) (map[string]int, error) {
	plain := make([]string, len(heading))
	for i, h := range heading {
		plain[i], _, _ = strings.Cut(strings.ToLower(h), "(")
		plain[i], _, _ = strings.Cut(plain[i], "[")
		plain[i] = strings.TrimSpace(plain[i])
	}
	at := map[string]int{}
	for _, x := range []struct{ column, asked string }{{"part", c.Part}, {"operator", c.Operator}, {"trial", c.Trial}, {"value", c.Value}} {
		names := usual[x.column]
		if x.asked != "" {
			names = []string{strings.ToLower(x.asked)}
		}
		found := slices.IndexFunc(plain, func(h string) bool { return slices.Contains(names, h) })
		switch {
		case found >= 0:
			at[x.column] = found
		case x.asked != "" || x.column != "trial":
			return nil, fmt.Errorf("no column is called %s; there are: %s", strings.Join(names, " or "), strings.Join(heading, ", "))
		}
	}
	return at, nil
}
