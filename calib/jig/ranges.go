package jig

import (
	"fmt"
	"math"
	"slices"
	"sync"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// RangeStudy is the method of average and range (AIAG, Measurement Systems
// Analysis, 4th edition, chapter III B): everything from ranges. It does not
// know the interaction.
type RangeStudy struct {
	RangeMeans    []float64 `json:"range_means"` // by operator, of the cells' ranges
	OperatorMeans []float64 `json:"operator_means"`
	RangeMean     float64   `json:"range_mean"`
	Difference    float64   `json:"operator_difference"` // largest less smallest operator mean
	PartRange     float64   `json:"part_range"`          // of the parts' means
	K1            float64   `json:"k1"`
	K2            float64   `json:"k2"`
	K3            float64   `json:"k3"`
	D4            float64   `json:"d4"`
	Limit         float64   `json:"range_limit"` // upper control limit of ranges
	Beyond        []Beyond  `json:"ranges_beyond,omitempty"`

	Components      []Component `json:"components"`
	Categories      int         `json:"distinct_categories"`
	CategoriesExact float64     `json:"distinct_categories_unrounded"`
}

// Beyond is a cell whose range is beyond the control limit.
type Beyond struct {
	Part     string  `json:"part"`
	Operator string  `json:"operator"`
	Range    float64 `json:"range"`
}

// rangesOf is nil, with the reason, where the method cannot be used.
func rangesOf(l *Layout, o Options) (*RangeStudy, string) {
	trials, _ := l.Trials()
	if trials < 2 {
		return nil, "one trial in each cell: there are no ranges"
	}
	p, n, r := len(l.Parts), len(l.Operators), int(trials)
	ranges := l.Ranges()
	s := &RangeStudy{OperatorMeans: l.OperatorMeans(), PartRange: spanOf(l.PartMeans())}
	for k := range l.Operators {
		var list []float64
		for i := range l.Parts {
			list = append(list, ranges[i][k])
		}
		s.RangeMeans = append(s.RangeMeans, stat.Mean(list, nil))
	}
	s.RangeMean = stat.Mean(s.RangeMeans, nil)
	if !(s.RangeMean > 0) {
		return nil, "the trials of a cell do not differ: there are no ranges"
	}
	s.Difference = spanOf(s.OperatorMeans)
	d2, d3 := rangeFactors(r)
	s.K1 = 1 / d2Star(r, p*n)
	if p*n > 15 { // the manual takes the limit for many subgroups
		s.K1 = 1 / d2
	}
	if n > 1 {
		s.K2 = 1 / d2Star(n, 1)
	}
	s.K3 = 1 / d2Star(p, 1)
	s.D4 = 1 + 3*d3/d2
	s.Limit = s.D4 * s.RangeMean
	for i, row := range ranges {
		for k, x := range row {
			if x > s.Limit {
				s.Beyond = append(s.Beyond, Beyond{l.Parts[i], l.Operators[k], x})
			}
		}
	}
	s.reckon(p, r, o)
	return s, ""
}

// reckon works out what follows from the mean range, the operators' difference,
// the parts' range and the constants.
func (s *RangeStudy) reckon(parts, trials int, o Options) {
	sd := map[string]float64{
		Repeatability: s.RangeMean * s.K1,
		Part:          s.PartRange * s.K3,
	}
	sd[Reproducibility] = math.Sqrt(math.Max(0, sq(s.Difference*s.K2)-sq(sd[Repeatability])/float64(parts*trials)))
	sd[Gauge] = math.Hypot(sd[Repeatability], sd[Reproducibility])
	sd[Total] = math.Hypot(sd[Gauge], sd[Part])
	s.Components = nil
	for _, source := range []string{Gauge, Repeatability, Reproducibility, Part, Total} {
		k := Component{Source: source, SD: sd[source], Variance: sq(sd[source]), Raw: sq(sd[source]), StudyWidth: o.Sigmas * sd[source]}
		if source == Reproducibility {
			k.Raw = sq(s.Difference*s.K2) - sq(sd[Repeatability])/float64(parts*trials)
		}
		k.PctStudy = 100 * sd[source] / sd[Total]
		k.Contribution = sq(k.PctStudy) / 100
		if o.Tolerance > 0 {
			k.PctTolerance = 100 * k.StudyWidth / o.Tolerance
		}
		s.Components = append(s.Components, k)
	}
	s.CategoriesExact = categoriesOf(sd[Part], sd[Gauge])
	s.Categories = wholeCategories(s.CategoriesExact)
}

// Component returns that of a source, or nil.
func (s *RangeStudy) Component(source string) *Component {
	i := slices.IndexFunc(s.Components, func(c Component) bool { return c.Source == source })
	if i < 0 {
		return nil
	}
	return &s.Components[i]
}

// factors keeps what rangeFactors worked out: studies of many readings need the
// same few again and again.
var factors sync.Map // of [2]float64 by int

// rangeFactors are the mean and the standard deviation of the range of n
// standard normal values, usually called d2 and d3 (Tippett 1925).
func rangeFactors(n int) (d2, d3 float64) {
	if n < 2 {
		panic(fmt.Sprintf("jig: the range of %d values", n))
	}
	if known, ok := factors.Load(n); ok {
		f := known.([2]float64)
		return f[0], f[1]
	}
	const far, nodes = 8.5, 120
	k := float64(n)
	cdf := distuv.UnitNormal.CDF
	d2 = quad.Fixed(func(x float64) float64 {
		return 1 - math.Pow(cdf(x), k) - math.Pow(cdf(-x), k)
	}, -far, far, nodes, nil, 0)
	square := 2 * quad.Fixed(func(y float64) float64 {
		return quad.Fixed(func(x float64) float64 {
			return 1 - math.Pow(cdf(y), k) - math.Pow(cdf(-x), k) + math.Pow(cdf(y)-cdf(x), k)
		}, -far, y, nodes, nil, 0)
	}, -far, far, nodes, nil, 0)
	d3 = math.Sqrt(square - d2*d2)
	factors.Store(n, [2]float64{d2, d3})
	return d2, d3
}

// d2Star is the root mean square of the mean of g ranges of n standard normal
// values: a mean range over it estimates the standard deviation (Duncan 1974).
func d2Star(n, g int) float64 {
	d2, d3 := rangeFactors(n)
	return math.Sqrt(d2*d2 + d3*d3/float64(g))
}
