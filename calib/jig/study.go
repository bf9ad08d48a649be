package jig

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"

	"gonum.org/v1/gonum/stat"
)

// Rule says what becomes of the interaction in the analysis of variance.
type Rule string

// The rules.
const (
	Auto Rule = "auto" // pooled with repeatability unless significant
	Keep Rule = "keep"
	Pool Rule = "pool"
)

// Options of a study. Zero values are the usual ones.
type Options struct {
	Sigmas     float64 // width of the study variation in standard deviations; 0: 6
	Confidence float64 // of intervals; 0: 0.95
	Alpha      float64 // the interaction is pooled where its p is above; 0: 0.25
	Rule       Rule    // "": Auto
	Tolerance  float64 // width, in the readings' unit; 0: none
}

func (o Options) filled() Options {
	if o.Sigmas == 0 {
		o.Sigmas = 6
	}
	if o.Confidence == 0 {
		o.Confidence = 0.95
	}
	if o.Alpha == 0 {
		o.Alpha = 0.25
	}
	if o.Rule == "" {
		o.Rule = Auto
	}
	return o
}

// Line is one of an analysis of variance. F and P are left out where there are
// none.
type Line struct {
	Source string   `json:"source"`
	DF     float64  `json:"df"`
	SS     float64  `json:"ss"`
	MS     float64  `json:"ms,omitempty"`
	F      *float64 `json:"f,omitempty"`
	P      *float64 `json:"p,omitempty"`
}

// Names of the sources of variation.
const (
	Gauge           = "gauge" // repeatability and reproducibility
	Repeatability   = "repeatability"
	Reproducibility = "reproducibility"
	Operator        = "operator"
	Interaction     = "operator x part"
	Part            = "part"
	Total           = "total"
)

// Component is one source's part of the variation.
type Component struct {
	Source       string    `json:"source"`
	Variance     float64   `json:"variance"`
	Raw          float64   `json:"raw_variance"` // as it came out; below zero it counts as zero
	SD           float64   `json:"sd"`
	SDInterval   *Interval `json:"sd_interval,omitempty"`
	StudyWidth   float64   `json:"study_width"` // so many standard deviations
	PctStudy     float64   `json:"percent_of_study_variation"`
	Contribution float64   `json:"percent_contribution"`
	PctTolerance float64   `json:"percent_of_tolerance,omitempty"`
}

// Study is the analysis of a crossed study.
type Study struct {
	Parts     []string `json:"parts"`
	Operators []string `json:"operators"`
	Readings  int      `json:"readings"`
	Trials    float64  `json:"trials"` // in a cell; unequal: their harmonic mean
	Unequal   string   `json:"unequal,omitempty"`
	Mean      float64  `json:"mean"`

	Sigmas     float64 `json:"sigmas"`
	Confidence float64 `json:"confidence"`
	Alpha      float64 `json:"alpha"`
	Tolerance  float64 `json:"tolerance,omitempty"`

	Full       []Line      `json:"anova,omitempty"`        // with the interaction; none where it cannot be told from repeatability
	Pooled     []Line      `json:"anova_pooled,omitempty"` // without
	Kept       bool        `json:"interaction_kept"`
	Why        string      `json:"why"`
	Components []Component `json:"components"`

	Categories         int       `json:"distinct_categories"`
	CategoriesExact    float64   `json:"distinct_categories_unrounded"`
	CategoriesInterval *Interval `json:"distinct_categories_interval,omitempty"`
	PctStudyInterval   *Interval `json:"gauge_percent_interval,omitempty"` // of the study variation

	Range   *RangeStudy `json:"average_and_range,omitempty"`
	NoRange string      `json:"no_average_and_range,omitempty"` // why not

	Layout *Layout `json:"-"`
}

// Component returns that of a source, or nil.
func (s *Study) Component(source string) *Component {
	for i := range s.Components {
		if s.Components[i].Source == source {
			return &s.Components[i]
		}
	}
	return nil
}

// squares are the mean squares of a study, with its size.
type squares struct {
	p, o, r        float64
	part, operator square
	inter, within  square
}

// squaresOf is the two-way analysis of variance. Where cells have unequal
// numbers of trials it is the analysis of unweighted means: sums of squares of
// the cells' means times the harmonic mean of the trials (Burdick, Borror and
// Montgomery 2005, chapter 8, from memory; exact where they are equal).
func squaresOf(l *Layout) squares {
	q := squares{p: float64(len(l.Parts)), o: float64(len(l.Operators))}
	q.r, _ = l.Trials()
	means, parts, operators := l.CellMeans(), l.PartMeans(), l.OperatorMeans()
	grand := stat.Mean(parts, nil)
	var sp, so, si, se float64
	for i, row := range l.Cells {
		sp += sq(parts[i] - grand)
		for k, c := range row {
			si += sq(means[i][k] - parts[i] - operators[k] + grand)
			for _, y := range c {
				se += sq(y - means[i][k])
			}
		}
	}
	for _, m := range operators {
		so += sq(m - grand)
	}
	over := func(ss, df float64) square {
		if df <= 0 {
			return square{}
		}
		return square{ss / df, df}
	}
	q.part = over(q.o*q.r*sp, q.p-1)
	q.operator = over(q.p*q.r*so, q.o-1)
	q.inter = over(q.r*si, (q.p-1)*(q.o-1))
	q.within = over(se, float64(l.Count())-q.p*q.o)
	return q
}

// pooled is interaction and repeatability together.
func (q squares) pooled() square {
	df := q.inter.df + q.within.df
	return square{(q.inter.ms*q.inter.df + q.within.ms*q.within.df) / df, df}
}

// tables writes both analyses of variance.
func (q squares) tables() (full, pooled []Line) {
	line := func(source string, s square, over square) Line {
		l := Line{Source: source, DF: s.df, SS: s.ms * s.df, MS: s.ms}
		if over.df > 0 && over.ms > 0 {
			f := s.ms / over.ms
			// The upper tail itself: 1 less the rest would lose small ones.
			p := mathext.RegIncBeta(over.df/2, s.df/2, over.df/(over.df+s.df*f))
			l.F, l.P = &f, &p
		}
		return l
	}
	table := func(rest square, also ...Line) []Line {
		out := []Line{line(Part, q.part, rest)}
		if q.o > 1 {
			out = append(out, line(Operator, q.operator, rest))
		}
		out = append(out, also...)
		total := Line{Source: Total}
		for _, l := range out {
			total.DF += l.DF
			total.SS += l.SS
		}
		return append(out, total)
	}
	if q.inter.df > 0 && q.within.df > 0 {
		full = table(q.inter, line(Interaction, q.inter, q.within), line(Repeatability, q.within, square{}))
	}
	rest := q.pooled()
	return full, table(rest, line(Repeatability, rest, square{}))
}

// combinations are the variances of the sources, each of mean squares.
func (q squares) combinations(kept bool) map[string]combination {
	p, o, r := q.p, q.o, q.r
	e, in := q.within, q.inter
	if !kept {
		e = q.pooled()
		in = e // what follows then adds up to the model without interaction
	}
	c := map[string]combination{
		Repeatability: {{1, e}},
		Gauge:         {{1, e}},
		Part:          {{1 / (o * r), q.part}, {-1 / (o * r), in}},
		Total:         {{1 / (o * r), q.part}, {1 - 1/(o*r), e}},
	}
	if o > 1 {
		c[Operator] = combination{{1 / (p * r), q.operator}, {-1 / (p * r), in}}
		c[Reproducibility] = c[Operator]
		c[Gauge] = combination{{1 / (p * r), q.operator}, {1 - 1/(p*r), e}}
		c[Total] = combination{{1 / (o * r), q.part}, {1 / (p * r), q.operator}, {1 - 1/(o*r) - 1/(p*r), e}}
	}
	if kept {
		c[Interaction] = combination{{1 / r, in}, {-1 / r, e}}
		c[Reproducibility] = combination{{1 / (p * r), q.operator}, {(p - 1) / (p * r), in}, {-1 / r, e}}
		c[Gauge] = combination{{1 / (p * r), q.operator}, {(p - 1) / (p * r), in}, {1 - 1/r, e}}
		c[Total] = combination{{1 / (o * r), q.part}, {1 / (p * r), q.operator}, {(p*o - p - o) / (p * o * r), in}, {1 - 1/r, e}}
	}
	return c
}

// ratio is the interval of the part's variance over the gauge's: Burdick,
// Borror and Montgomery (2005), there called gamma R, as gaugerr has it.
func (q squares) ratio(kept bool, confidence float64) Interval {
	a := (1 - confidence) / 2
	e, in := q.within, q.inter
	if !kept {
		e = q.pooled()
		in = e
	}
	bound := func(a float64) float64 {
		chi := quantileF(1-a, q.part.df, math.Inf(1))
		f := quantileF(1-a, q.part.df, in.df)
		rest := q.o*(q.p-1)*in.ms + q.p*q.o*(q.r-1)*e.ms
		if q.o > 1 {
			rest += q.o / chi * quantileF(1-a, q.part.df, q.operator.df) * q.operator.ms
		} else { // the exact interval of one factor
			return math.Max(0, (q.part.ms/(f*e.ms)-1)/q.r)
		}
		return math.Max(0, q.p/chi*(q.part.ms-f*in.ms)/rest)
	}
	return Interval{bound(a), bound(1 - a)}
}

// Analyse is the whole analysis of a crossed study: analysis of variance with
// and without interaction, components of variance with their confidence
// intervals, and, where all cells have the same number of trials, the method of
// average and range.
//
// Components that come out below zero count as zero, and the sums are of what
// counts, as is usual; intervals are those of the sums before that.
func Analyse(l *Layout, o Options) (*Study, error) {
	o = o.filled()
	q := squaresOf(l)
	if q.inter.df+q.within.df == 0 {
		return nil, fmt.Errorf("every part was read once, by one operator: nothing shows how readings repeat; measure again")
	}
	s := &Study{
		Parts: l.Parts, Operators: l.Operators, Readings: l.Count(), Mean: stat.Mean(l.PartMeans(), nil), Layout: l,
		Sigmas: o.Sigmas, Confidence: o.Confidence, Alpha: o.Alpha, Tolerance: o.Tolerance,
	}
	s.Trials, s.Unequal = l.Trials()
	s.Full, s.Pooled = q.tables()
	s.Kept, s.Why = q.keeps(s.Full, o)
	// What is left of equal numbers is rounding.
	if rest := q.combinations(s.Kept)[Repeatability][0]; rest.ms <= 1e-24*(sq(s.Mean)+q.part.ms) {
		return nil, fmt.Errorf("all trials of each part read the same: repeatability is below the last digit; give the readings with more digits")
	}
	s.components(q, o)
	if s.Unequal != "" {
		s.NoRange = "cells have unequal numbers of trials: " + s.Unequal
	} else {
		s.Range, s.NoRange = rangesOf(l, o)
	}
	return s, nil
}

// keeps decides about the interaction, and says why.
func (q squares) keeps(full []Line, o Options) (bool, string) {
	switch {
	case q.o == 1:
		return false, "one operator: nothing is known of reproducibility"
	case full == nil:
		return false, "one trial in each cell: the interaction cannot be told from repeatability, and counts as such"
	case o.Rule == Keep:
		return true, "interaction kept, as asked"
	case o.Rule == Pool:
		return false, "interaction pooled with repeatability, as asked"
	}
	for _, l := range full {
		if l.Source != Interaction {
			continue
		}
		if l.P == nil { // no spread within cells at all
			return true, "interaction kept: the trials of a cell do not differ"
		}
		p := fmt.Sprintf("%.3f", *l.P)
		if *l.P < 0.0005 {
			p = "below 0.001"
		}
		if *l.P <= o.Alpha {
			return true, fmt.Sprintf("interaction kept: its p is %s, not above %g", p, o.Alpha)
		}
		return false, fmt.Sprintf("interaction pooled with repeatability: its p is %s, above %g", p, o.Alpha)
	}
	panic("jig: an analysis of variance without interaction")
}

// components fills what the variances tell.
func (s *Study) components(q squares, o Options) {
	c := q.combinations(s.Kept)
	counts := map[string]float64{}
	for source, x := range c {
		counts[source] = math.Max(0, x.value())
	}
	counts[Reproducibility] = counts[Operator] + counts[Interaction]
	counts[Gauge] = counts[Repeatability] + counts[Reproducibility]
	counts[Total] = counts[Gauge] + counts[Part]
	order := []string{Gauge, Repeatability, Reproducibility, Operator, Interaction, Part, Total}
	for _, source := range order {
		x, ok := c[source]
		if !ok {
			continue
		}
		v := counts[source]
		i := x.interval(o.Confidence)
		i.Low, i.High = math.Min(i.Low, v), math.Max(i.High, v)
		i = i.root()
		k := Component{Source: source, Variance: v, Raw: x.value(), SD: math.Sqrt(v), SDInterval: &i}
		k.StudyWidth = o.Sigmas * k.SD
		k.PctStudy = 100 * k.SD / math.Sqrt(counts[Total])
		k.Contribution = 100 * v / counts[Total]
		if o.Tolerance > 0 {
			k.PctTolerance = 100 * k.StudyWidth / o.Tolerance
		}
		s.Components = append(s.Components, k)
	}
	s.CategoriesExact = categoriesOf(math.Sqrt(counts[Part]), math.Sqrt(counts[Gauge]))
	s.Categories = wholeCategories(s.CategoriesExact)
	r := q.ratio(s.Kept, o.Confidence)
	s.CategoriesInterval = &Interval{math.Sqrt(2 * r.Low), math.Sqrt(2 * r.High)}
	s.PctStudyInterval = &Interval{100 / math.Sqrt(1+r.High), 100 / math.Sqrt(1+r.Low)}
}

// categoriesOf is the number of distinct categories before it is cut to a whole
// number: how many of the gauge's 97 % intervals the parts' spread holds.
func categoriesOf(part, gauge float64) float64 { return math.Sqrt2 * part / gauge }

// wholeCategories cuts it, as is usual; a gauge that tells nothing apart has 1.
func wholeCategories(exact float64) int { return max(1, int(exact)) }
