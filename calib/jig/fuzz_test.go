package jig

import (
	"math"
	"strings"
	"testing"
)

// Whatever a table holds, it is analysed to numbers or refused in one line.
func FuzzTable(f *testing.F) {
	f.Add("part,operator,trial,value\n1,A,1,2\n1,A,2,3\n2,A,1,4\n2,A,2,4.5\n")
	f.Add("part;operator;value (deg)\n1;A;1,5\n1;B;1,6\n2;A;1,9\n2;B;1,7\n")
	f.Fuzz(func(t *testing.T, text string) {
		table, err := ReadTable(strings.NewReader(text), "x.csv", Columns{})
		var l *Layout
		if err == nil {
			l, err = Arrange(table.Trials)
		}
		var s *Study
		if err == nil {
			s, err = Analyse(l, Options{})
		}
		if err != nil {
			return
		}
		for _, c := range s.Components {
			if !(c.SD >= 0) || math.IsInf(c.SD, 0) || !(c.SDInterval.Low <= c.SD*(1+1e-9)) || !(c.SDInterval.High >= c.SD*(1-1e-9)) {
				t.Errorf("%s: %g, %+v", c.Source, c.SD, c.SDInterval)
			}
		}
		if s.Categories < 1 {
			t.Errorf("%d categories", s.Categories)
		}
	})
}

// Whatever a jig's file holds, it is a jig with readings or refused.
func FuzzJig(f *testing.F) {
	f.Add(goodJig)
	f.Fuzz(func(t *testing.T, text string) {
		j, _, err := parse([]byte(text))
		if err != nil {
			if j != nil && strings.Contains(err.Error(), "\n") {
				t.Errorf("two lines: %v", err)
			}
			return
		}
		list, err := j.Readings(1, 25)
		if err != nil {
			return
		}
		for _, r := range list {
			if math.IsNaN(r.Value) || !(r.U > 0) || math.IsInf(r.U, 0) {
				t.Errorf("%+v", r)
			}
		}
	})
}
