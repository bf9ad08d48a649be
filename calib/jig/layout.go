package jig

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// Trial is one reading of a study. Where says where it was read, for errors.
type Trial struct {
	Part, Operator, Name string
	Value                float64
	Where                string
}

// Layout is a crossed study: Cells[part][operator] holds the trials, none of
// them empty. Parts and operators stand in the order in which they first came.
type Layout struct {
	Parts, Operators []string
	Cells            [][][]float64
}

// Arrange sorts trials into a crossed study. A study has two parts or more, and
// a reading in every cell: what is missing is an error that names it.
func Arrange(list []Trial) (*Layout, error) {
	l := &Layout{}
	index := func(names *[]string, name string) int {
		i := slices.Index(*names, name)
		if i < 0 {
			i = len(*names)
			*names = append(*names, name)
		}
		return i
	}
	type key struct {
		p, o int
		name string
	}
	seen := map[key]string{}
	cells := map[[2]int][]float64{}
	for _, t := range list {
		if !(math.Abs(t.Value) < 1e100) { // squares must not overflow
			return nil, fmt.Errorf("%s: the value %g is not one that is measured", t.Where, t.Value)
		}
		p, o := index(&l.Parts, t.Part), index(&l.Operators, t.Operator)
		if t.Name != "" {
			k := key{p, o, t.Name}
			if before, ok := seen[k]; ok {
				return nil, fmt.Errorf("%s: trial %s of part %s by %s is there already, in %s: number the trials of a cell", t.Where, t.Name, t.Part, t.Operator, before)
			}
			seen[k] = t.Where
		}
		cells[[2]int{p, o}] = append(cells[[2]int{p, o}], t.Value)
	}
	if len(l.Parts) < 2 {
		return nil, fmt.Errorf("a gauge study needs two parts or more, here is %d: measure another", len(l.Parts))
	}
	for p, part := range l.Parts {
		row := make([][]float64, len(l.Operators))
		for o, operator := range l.Operators {
			row[o] = cells[[2]int{p, o}]
			if len(row[o]) == 0 {
				return nil, fmt.Errorf("part %s was not measured by %s: a crossed study needs every part by everyone; measure it, or leave one of them out", part, operator)
			}
		}
		l.Cells = append(l.Cells, row)
	}
	return l, nil
}

// Count is the number of readings.
func (l *Layout) Count() (n int) {
	for _, row := range l.Cells {
		for _, c := range row {
			n += len(c)
		}
	}
	return n
}

// Trials is how many readings a cell has: the number where it is the same
// everywhere, or else their harmonic mean and the cell that differs.
func (l *Layout) Trials() (r float64, differs string) {
	inverse, first := 0.0, len(l.Cells[0][0])
	for p, row := range l.Cells {
		for o, c := range row {
			inverse += 1 / float64(len(c))
			if len(c) != first && differs == "" {
				differs = fmt.Sprintf("part %s by %s has %d, part %s by %s has %d", l.Parts[p], l.Operators[o], len(c), l.Parts[0], l.Operators[0], first)
			}
		}
	}
	if differs == "" {
		return float64(first), ""
	}
	return float64(len(l.Parts)*len(l.Operators)) / inverse, differs
}

func spanOf(list []float64) float64 { return slices.Max(list) - slices.Min(list) }

// CellMeans is the mean of every cell, [part][operator].
func (l *Layout) CellMeans() [][]float64 {
	out := make([][]float64, len(l.Parts))
	for p, row := range l.Cells {
		for _, c := range row {
			out[p] = append(out[p], stat.Mean(c, nil))
		}
	}
	return out
}

// Ranges is the range of every cell, [part][operator].
func (l *Layout) Ranges() [][]float64 {
	out := make([][]float64, len(l.Parts))
	for p, row := range l.Cells {
		for _, c := range row {
			out[p] = append(out[p], spanOf(c))
		}
	}
	return out
}

// PartMeans and OperatorMeans are means of cell means.
func (l *Layout) PartMeans() []float64 {
	var out []float64
	for _, row := range l.CellMeans() {
		out = append(out, stat.Mean(row, nil))
	}
	return out
}

// OperatorMeans is described at [Layout.PartMeans].
func (l *Layout) OperatorMeans() []float64 {
	out := make([]float64, len(l.Operators))
	for _, row := range l.CellMeans() {
		for o, m := range row {
			out[o] += m / float64(len(l.Parts))
		}
	}
	return out
}
