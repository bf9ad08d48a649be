package jig

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// square is a mean square with its degrees of freedom.
type square struct{ ms, df float64 }

// term is a mean square's part of a linear combination.
type term struct {
	k float64
	square
}

// combination is a variance as a linear combination of independent mean
// squares.
type combination []term

func (c combination) value() (v float64) {
	for _, t := range c {
		v += t.k * t.ms
	}
	return v
}

// Interval is a confidence interval.
type Interval struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// quantileF is the p quantile of the F distribution; of infinite first or
// second degrees of freedom it is that of chi-square over its freedom.
func quantileF(p, d1, d2 float64) float64 {
	switch {
	case math.IsInf(d2, 1):
		return distuv.ChiSquared{K: d1}.Quantile(p) / d1
	case math.IsInf(d1, 1):
		return d2 / distuv.ChiSquared{K: d2}.Quantile(1-p)
	}
	return distuv.F{D1: d1, D2: d2}.Quantile(p)
}

// interval is the two-sided modified large sample interval of a combination,
// confidence such as 0.95, not below zero. The sum of mean squares is that of
// Graybill and Wang (1980), with differences that of Ting and others (1990):
// Burdick, Borror and Montgomery, Design and Analysis of Gauge R&R Studies
// (SIAM 2005), as the R package gaugerr has them; of a single mean square it is the exact
// chi-square interval.
func (c combination) interval(confidence float64) Interval {
	a := (1 - confidence) / 2
	inf := math.Inf(1)
	g := func(df float64) float64 { return 1 - 1/quantileF(1-a, df, inf) }
	h := func(df float64) float64 { return 1/quantileF(a, df, inf) - 1 }
	var plus, minus []term
	for _, t := range c {
		switch {
		case t.k > 0:
			plus = append(plus, t)
		case t.k < 0:
			t.k = -t.k
			minus = append(minus, t)
		}
	}
	part := func(t term) float64 { return t.k * t.ms }
	below, above := 0.0, 0.0
	for _, t := range plus {
		below += sq(g(t.df) * part(t))
		above += sq(h(t.df) * part(t))
	}
	for _, t := range minus {
		below += sq(h(t.df) * part(t))
		above += sq(g(t.df) * part(t))
	}
	for _, q := range plus {
		for _, r := range minus {
			f := quantileF(1-a, q.df, r.df)
			below += (sq(f-1) - sq(g(q.df)*f) - sq(h(r.df))) / f * part(q) * part(r)
			f = quantileF(a, q.df, r.df)
			above += (sq(1-f) - sq(h(q.df)*f) - sq(g(r.df))) / f * part(q) * part(r)
		}
	}
	if len(minus) > 0 {
		for i, q := range plus {
			for _, t := range plus[i+1:] {
				n := q.df + t.df
				star := sq(1-1/quantileF(1-a, n, inf))*n*n/(q.df*t.df) - sq(g(q.df))*q.df/t.df - sq(g(t.df))*t.df/q.df
				below += star / float64(len(plus)-1) * part(q) * part(t)
			}
		}
	}
	v := c.value()
	return Interval{math.Max(0, v-math.Sqrt(math.Max(0, below))), math.Max(0, v+math.Sqrt(math.Max(0, above)))}
}

func sq(x float64) float64 { return x * x }

func (i Interval) root() Interval { return Interval{math.Sqrt(i.Low), math.Sqrt(i.High)} }
