package jig

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// drawn is a study of the random model with these standard deviations; a cell
// has as many trials as count says.
func drawn(r *rand.Rand, parts, operators int, part, operator, inter, within float64, count func(p, o int) int) *Layout {
	var list []Trial
	po := make([]float64, operators)
	for o := range po {
		po[o] = operator * r.NormFloat64()
	}
	for p := range parts {
		a := 12 + part*r.NormFloat64()
		for o := range operators {
			b := a + po[o] + inter*r.NormFloat64()
			for range count(p, o) {
				list = append(list, Trial{Part: fmt.Sprint(p), Operator: fmt.Sprint(o), Value: b + within*r.NormFloat64()})
			}
		}
	}
	l, err := Arrange(list)
	if err != nil {
		panic(err)
	}
	return l
}

func three(int, int) int { return 3 }

// Intervals of 95 % hold the true value in 95 % of drawn studies or a little
// more, with and without interaction, with unequal cells, with one operator;
// components have no bias.
func TestCoverage(t *testing.T) {
	const n = 1000
	unequal := func(p, o int) int { return 2 + (p+2*o)%3 }
	for _, c := range []struct {
		name                          string
		operators                     int
		part, operator, inter, within float64
		count                         func(p, o int) int
	}{
		{"with interaction", 3, 2, 0.6, 0.5, 1, three},
		{"without", 3, 2, 0.6, 0, 1, three},
		{"unequal cells", 3, 2, 0.6, 0.5, 1, unequal},
		{"one operator", 1, 2, 0, 0, 1, three},
	} {
		r := rand.New(rand.NewPCG(4, 4))
		kept := c.inter > 0
		truth := map[string]float64{
			Repeatability: sq(c.within), Operator: sq(c.operator), Interaction: sq(c.inter), Reproducibility: sq(c.operator) + sq(c.inter),
			Gauge: sq(c.within) + sq(c.operator) + sq(c.inter), Part: sq(c.part), Total: sq(c.within) + sq(c.operator) + sq(c.inter) + sq(c.part),
		}
		held, sum, ratio := map[string]int{}, map[string]float64{}, 0
		for range n {
			q := squaresOf(drawn(r, 8, c.operators, c.part, c.operator, c.inter, c.within, c.count))
			for source, x := range q.combinations(kept) {
				i := x.interval(0.95)
				if truth[source] >= i.Low && truth[source] <= i.High {
					held[source]++
				}
				sum[source] += x.value() / n
			}
			if i, want := q.ratio(kept, 0.95), truth[Part]/truth[Gauge]; want >= i.Low && want <= i.High {
				ratio++
			}
		}
		t.Logf("%s: of %d intervals hold %v, of part over gauge %d", c.name, n, held, ratio)
		held["part over gauge"] = ratio
		for source, k := range held {
			// Three standard errors of 1000 draws below 95 %; the method errs towards more.
			if share := float64(k) / n; share < 0.929 || share > 0.9995 {
				t.Errorf("%s: %s: %.1f %% of the 95 %% intervals hold the truth", c.name, source, 100*share)
			}
		}
		for source, v := range sum {
			// The standard error of a mean of 1000: of an operator's variance with two
			// degrees of freedom 0.032 of itself, and what its neighbours add.
			if math.Abs(v-truth[source]) > 0.1*(truth[source]+0.2) {
				t.Errorf("%s: %s is %.3f on average, truly %.3f", c.name, source, v, truth[source])
			}
		}
	}
}

// With equal cells the analysis of unweighted means is the usual one, and cells
// that were read more often change little.
func TestUnequalCells(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 9))
	l := drawn(r, 10, 3, 2, 0.5, 0.4, 0.3, three)
	s := analysed(t, l, Options{})
	if s.Range == nil || s.Unequal != "" {
		t.Fatalf("no average and range: %s", s.NoRange)
	}
	l.Cells[3][1] = l.Cells[3][1][:2]
	u := analysed(t, l, Options{})
	if u.Range != nil || !strings.Contains(u.NoRange, "part 3 by 1 has 2") {
		t.Errorf("average and range of unequal cells: %v, %q", u.Range, u.NoRange)
	}
	if math.Abs(u.Trials-90/(29+1.5)) > 1e-9 { // harmonic mean of 29 threes and a two
		t.Errorf("%g trials", u.Trials)
	}
	if df := lineOf(t, u.Full, Repeatability).DF; df != 59 {
		t.Errorf("repeatability has %g degrees of freedom, there are 89 readings in 30 cells", df)
	}
	for _, source := range []string{Gauge, Repeatability, Part, Total} {
		close(t, source, u.Component(source).SD, s.Component(source).SD, 0.05)
	}
}

// What cannot be answered is left out and said.
func TestSparse(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	s := analysed(t, drawn(r, 8, 3, 2, 0.5, 0, 0.3, func(int, int) int { return 1 }), Options{Rule: Keep})
	if s.Kept || s.Full != nil || s.Range != nil || !strings.Contains(s.Why, "one trial") {
		t.Errorf("one trial a cell: kept %v, %q, %v", s.Kept, s.Why, s.Range)
	}
	s = analysed(t, drawn(r, 8, 1, 2, 0, 0, 0.3, three), Options{})
	if s.Component(Operator) != nil || s.Component(Reproducibility) != nil || !strings.Contains(s.Why, "one operator") {
		t.Errorf("one operator: %+v, %q", s.Components, s.Why)
	}
	if s.Range.Component(Reproducibility).SD != 0 {
		t.Errorf("one operator reproduces to %g", s.Range.Component(Reproducibility).SD)
	}
	for name, c := range map[string]struct {
		l    *Layout
		want string
	}{
		"nothing repeated": {drawn(r, 8, 1, 2, 0, 0, 0.3, func(int, int) int { return 1 }), "measure again"},
		"all alike":        {drawn(r, 8, 2, 2, 0, 0, 0, three), "more digits"},
	} {
		if _, err := Analyse(c.l, Options{}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestReadTable(t *testing.T) {
	table, err := ReadTable(strings.NewReader("\ufeffvehicle;setting;toe (deg)\n1;wet;0,25\n1;dry;-1\n2;wet;3\n2;dry;4\n"), "x.csv", Columns{Value: "toe"})
	if err != nil {
		t.Fatal(err)
	}
	if table.Unit != "deg" || table.Value != "toe" || len(table.Trials) != 4 || table.Trials[0].Value != 0.25 || table.Trials[0].Operator != "wet" {
		t.Errorf("read %+v", table)
	}
	for name, c := range map[string]struct{ text, want string }{
		"empty":         {"", "the file is empty"},
		"heading only":  {"part,operator,value\n", "no readings"},
		"no column":     {"part,who,value\n1,2,3\n", "no column is called operator or"},
		"short line":    {"part,operator,value\n1,2\n", "x.csv:2: 2 fields under a heading of 3"},
		"not a number":  {"part,operator,value\n1,2,3\n1,2,n/a\n", `x.csv:3: "n/a" is not a number`},
		"no part":       {"part,operator,value\n,2,3\n", "x.csv:2: no part"},
		"a bad quote":   {"part,operator,value\n\"1,2,3\n", "x.csv: not a table"},
		"a binary file": {"\x89PNG\x00\x01\n\x02", "no column is called part"},
	} {
		if _, err := ReadTable(strings.NewReader(c.text), "x.csv", Columns{}); err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestArrange(t *testing.T) {
	at := func(part, operator, name string, v float64) Trial {
		return Trial{part, operator, name, v, "x.csv:" + name}
	}
	for name, c := range map[string]struct {
		list []Trial
		want string
	}{
		"one part":      {[]Trial{at("1", "A", "1", 1), at("1", "B", "1", 1)}, "needs two parts"},
		"missing cell":  {[]Trial{at("1", "A", "1", 1), at("1", "B", "1", 1), at("2", "A", "1", 1)}, "part 2 was not measured by B"},
		"twice":         {[]Trial{at("1", "A", "1", 1), at("1", "A", "1", 2)}, "trial 1 of part 1 by A is there already"},
		"not a number":  {[]Trial{at("1", "A", "1", math.NaN())}, "NaN is not one that is measured"},
		"far too large": {[]Trial{at("1", "A", "1", -1e300)}, "-1e+300 is not one that is measured"},
	} {
		if _, err := Arrange(c.list); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
