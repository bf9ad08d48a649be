package proof

import (
	"fmt"

	"wheelplane/calib/jig"
	"wheelplane/cmd/wheelplane/internal/draw"
)

const chartHigh = 56.0 // mm

func (x Study) valueName() string {
	if x.Unit == "" {
		return x.Name
	}
	return x.Name + ", " + x.Unit
}

// componentBars shows each source's percent of the variance, of the study
// variation and of the tolerance.
func (x Study) componentBars(w float64) *draw.Picture {
	b := draw.Bars{W: w, Title: "Components", Unit: "%", Points: 7.5, Desc: "bars: percent of the variance by source, and of the study variation"}
	sources := []string{jig.Repeatability, jig.Operator, jig.Interaction, jig.Part}
	shares := draw.Bar{Name: "variance"}
	for _, source := range sources {
		c := x.Component(source)
		if c == nil {
			continue
		}
		b.Sources = append(b.Sources, source)
		shares.Parts = append(shares.Parts, c.Contribution)
	}
	b.Rows = append(b.Rows, shares)
	for _, row := range []struct {
		name    string
		percent func(c *jig.Component) float64
		there   bool
	}{
		{"% study", func(c *jig.Component) float64 { return c.PctStudy }, true},
		{"% tolerance", func(c *jig.Component) float64 { return c.PctTolerance }, x.Tolerance > 0},
	} {
		if !row.there {
			continue
		}
		for _, source := range []string{jig.Gauge, jig.Repeatability, jig.Reproducibility, jig.Part} {
			if c := x.Component(source); c != nil {
				b.Rows = append(b.Rows, bar(source+", "+row.name, row.percent(c), len(b.Sources)))
			}
		}
	}
	return b.Picture()
}

// bar is a row of one part, filled otherwise than the sources are. It ends at 200 %,
// or nothing else would show; the number beside it is the true one.
func bar(name string, v float64, sources int) draw.Bar {
	parts := make([]float64, sources+1)
	parts[sources] = min(v, 200)
	return draw.Bar{Name: name, Parts: parts, Note: fmt.Sprintf("%.1f", v)}
}

// byPart shows every reading, part by part, with a line through the parts' means.
func (x Study) byPart(w float64) *draw.Picture {
	all := draw.Series{Name: "readings", Loose: true}
	means := draw.Series{Name: "mean of the part"}
	for p, m := range x.Layout.PartMeans() {
		means.Dots = append(means.Dots, draw.Dot{X: float64(p + 1), Y: m})
		for _, c := range x.Layout.Cells[p] {
			for _, v := range c {
				all.Dots = append(all.Dots, draw.Dot{X: float64(p + 1), Y: v})
			}
		}
	}
	return draw.Chart{W: w, H: chartHigh, Title: "By part", Desc: "every reading against its part, with the parts' means", Points: 7.5,
		X: draw.Axis{Name: "part", Names: x.Parts}, Y: draw.Axis{Name: x.valueName()}, Lines: []draw.Series{all, means}}.Picture()
}

// byOperator is the same, operator by operator.
func (x Study) byOperator(w float64) *draw.Picture {
	all := draw.Series{Name: "readings", Loose: true}
	means := draw.Series{Name: "mean of the operator"}
	for o, m := range x.Layout.OperatorMeans() {
		means.Dots = append(means.Dots, draw.Dot{X: float64(o + 1), Y: m})
		for p := range x.Parts {
			for _, v := range x.Layout.Cells[p][o] {
				all.Dots = append(all.Dots, draw.Dot{X: float64(o + 1), Y: v})
			}
		}
	}
	return draw.Chart{W: w, H: chartHigh, Title: "By operator", Desc: "every reading against its operator, with the operators' means", Points: 7.5,
		X: draw.Axis{Name: "operator", Names: x.Operators}, Y: draw.Axis{Name: x.valueName()}, Lines: []draw.Series{all, means}}.Picture()
}

// interaction shows each operator's means over the parts: parallel lines where
// nobody treats a part differently.
func (x Study) interaction(w float64) *draw.Picture {
	c := draw.Chart{W: w, H: chartHigh, Title: "Operator and part", Desc: "each operator's mean of every part", Points: 7.5,
		X: draw.Axis{Name: "part", Names: x.Parts}, Y: draw.Axis{Name: x.valueName()}}
	means := x.Layout.CellMeans()
	for o, name := range x.Operators {
		line := draw.Series{Name: name}
		for p := range x.Parts {
			line.Dots = append(line.Dots, draw.Dot{X: float64(p + 1), Y: means[p][o]})
		}
		c.Lines = append(c.Lines, line)
	}
	return c.Picture()
}

// rangeChart shows each cell's range beneath its control limit.
func (x Study) rangeChart(w float64) *draw.Picture {
	c := draw.Chart{W: w, H: 40, Title: "Ranges", Desc: "the range of the trials of every part by every operator, with the upper control limit", Points: 7.5,
		X: draw.Axis{Name: "part"}, Y: draw.Axis{Name: "range"}}
	ranges, n := x.Layout.Ranges(), len(x.Parts)
	for o, name := range x.Operators {
		line := draw.Series{Name: name}
		for p := range x.Parts {
			line.Dots = append(line.Dots, draw.Dot{X: float64(o*n + p + 1), Y: ranges[p][o]})
		}
		c.Lines = append(c.Lines, line)
		c.X.Names = append(c.X.Names, x.Parts...)
	}
	c.Guides = []draw.Guide{{Name: "limit " + significant(x.Range.Limit, 3), At: x.Range.Limit}}
	return c.Picture()
}
