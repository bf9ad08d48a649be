package jig

import (
	"math"

	"wheelplane/pose/align"
	"wheelplane/pose/rig"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Measured is one measurement of the jig.
type Measured struct {
	Name     string
	Epoch    string // whose readings count
	Readings []rig.Reading
}

// CompareOptions say what is claimed and how sure a decision must be.
type CompareOptions struct {
	AngleDeg, LengthMM float64 // largest error claimed; 0: nothing is claimed
	Rule               align.Rule
	Confidence         float64 // of intervals; 0: 0.95
}

// NormalisedError is En: the difference of a value and its reference over its
// expanded uncertainty, of both with k = 2 (ISO 13528:2022, 9.7; ISO/IEC
// 17043:2023, annex B; clauses from memory). Up to 1 either way it is satisfactory.
func NormalisedError(value, u, reference, uReference float64) float64 {
	return (value - reference) / math.Hypot(2*u, 2*uReference)
}

// Error is one reading of one measurement against the jig. Uncertainties are
// expanded, k = 2.
type Error struct {
	Job         string        `json:"job"`
	Value       float64       `json:"value"`
	U           float64       `json:"U"`
	Error       float64       `json:"error"`
	En          float64       `json:"en"`
	Verdict     align.Verdict `json:"verdict,omitempty"`     // of the error against what is claimed
	Conformance *float64      `json:"conformance,omitempty"` // probability that the error is no larger than claimed
}

// Compared is one reading of all measurements.
type Compared struct {
	rig.Reading               // the jig's; U is its standard uncertainty
	Errors      []Error       `json:"errors"`
	Bias        float64       `json:"bias"`         // mean error
	BiasU       float64       `json:"bias_U"`       // expanded: of the mean, by its spread, and of the jig
	Spread      *float64      `json:"sd,omitempty"` // of repeats
	SpreadRange *Interval     `json:"sd_interval,omitempty"`
	OverStated  *float64      `json:"sd_over_u,omitempty"` // over the standard uncertainty that was stated
	Claim       float64       `json:"claim,omitempty"`
	Verdict     align.Verdict `json:"verdict,omitempty"` // the least favourable of its errors'
}

// Comparison is what a known jig tells of measurements.
type Comparison struct {
	Confidence float64    `json:"confidence"`
	Readings   []Compared `json:"readings"`
	// Within is how many of Count normalised errors are 1 or less either way.
	Within int     `json:"en_within_1"`
	Count  int     `json:"en_count"`
	MaxEn  float64 `json:"largest_en"`
	// OverStated is the spread of repeats over the stated standard uncertainty, root
	// mean square of all readings; left out without repeats.
	OverStated *float64      `json:"sd_over_u,omitempty"`
	Verdict    align.Verdict `json:"verdict,omitempty"`
}

// claimOf is what is claimed of a reading, in its unit.
func (o CompareOptions) claimOf(r rig.Reading) float64 {
	if r.Unit == "mm" {
		return o.LengthMM
	}
	return o.AngleDeg
}

// Compare holds measurements against a jig's readings. A reading that not all
// measurements have is left out.
//
// Whether an error is as small as claimed is decided by the jig's uncertainty
// alone: how well the error is known, not how well the measurement believes to
// be (the test uncertainty of ISO 14253-5, from memory). Limits are the claim either way; the
// rule is that of JCGM 106, or a guard band (ISO 14253-1, from memory).
func Compare(known []rig.Reading, jobs []Measured, o CompareOptions) *Comparison {
	if o.Confidence == 0 {
		o.Confidence = 0.95
	}
	out := &Comparison{Confidence: o.Confidence, Readings: []Compared{}}
	squares := 0.0
	for _, r := range known {
		c, ok := compareOne(r, jobs, o)
		if !ok {
			continue
		}
		for _, e := range c.Errors {
			out.Count++
			if math.Abs(e.En) <= 1 {
				out.Within++
			}
			if math.Abs(e.En) > math.Abs(out.MaxEn) {
				out.MaxEn = e.En
			}
		}
		if c.OverStated != nil {
			squares += sq(*c.OverStated)
		}
		out.Verdict = worse(out.Verdict, c.Verdict)
		out.Readings = append(out.Readings, *c)
	}
	if len(jobs) > 1 && len(out.Readings) > 0 {
		rms := math.Sqrt(squares / float64(len(out.Readings)))
		out.OverStated = &rms
	}
	return out
}

func compareOne(r rig.Reading, jobs []Measured, o CompareOptions) (*Compared, bool) {
	c := &Compared{Reading: r, Claim: o.claimOf(r)}
	target := align.Target{Low: -c.Claim, High: c.Claim}
	stated := 0.0
	var errors []float64
	for _, j := range jobs {
		like := r
		like.Epoch = j.Epoch
		x, ok := rig.Find(j.Readings, like)
		if !ok || !(x.U > 0) {
			return nil, false
		}
		e := Error{Job: j.Name, Value: x.Value, U: 2 * x.U, Error: x.Value - r.Value, En: NormalisedError(x.Value, x.U, r.Value, r.U)}
		if c.Claim > 0 {
			judged := target.Judge(e.Error, r.U, o.Rule)
			e.Verdict, e.Conformance = judged.Verdict, &judged.Conformance
			c.Verdict = worse(c.Verdict, e.Verdict)
		}
		c.Errors = append(c.Errors, e)
		errors = append(errors, e.Error)
		stated += sq(x.U) / float64(len(jobs))
	}
	c.Bias = stat.Mean(errors, nil)
	n := float64(len(jobs))
	if n == 1 {
		c.BiasU = math.Hypot(c.Errors[0].U, 2*r.U)
		return c, true
	}
	s := stat.StdDev(errors, nil)
	i := spreadInterval(s, n-1, o.Confidence)
	over := s / math.Sqrt(stated)
	c.Spread, c.SpreadRange, c.OverStated = &s, &i, &over
	t := distuv.StudentsT{Sigma: 1, Nu: n - 1}.Quantile((1 + o.Confidence) / 2)
	c.BiasU = math.Hypot(t*s/math.Sqrt(n), 2*r.U)
	return c, true
}

// spreadInterval is the exact interval of a standard deviation of normal values.
func spreadInterval(s, df, confidence float64) Interval {
	a := (1 - confidence) / 2
	chi := distuv.ChiSquared{K: df}
	return Interval{s * math.Sqrt(df/chi.Quantile(1-a)), s * math.Sqrt(df/chi.Quantile(a))}
}

// worse is the less favourable of two verdicts; "" is none.
func worse(a, b align.Verdict) align.Verdict {
	rank := map[align.Verdict]int{"": 0, align.Within: 1, align.Undecided: 2, align.Outside: 3}
	if rank[b] > rank[a] {
		return b
	}
	return a
}
