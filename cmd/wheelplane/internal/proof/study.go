package proof

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"wheelplane/calib/jig"
	"wheelplane/cmd/wheelplane/internal/draw"
)

// Study is a gauge study of one reading.
type Study struct {
	Name string `json:"reading"`
	Unit string `json:"unit"` // "": not stated
	// StatedU is the standard uncertainty that the measurements state, root mean
	// square; 0: they state none. It should be about the gauge's standard deviation,
	// or more: what all of them share, such as a camera, does not show in a study.
	StatedU float64 `json:"stated_u,omitempty"`
	*jig.Study
}

// StudyDocument is what is printed of one or more studies.
type StudyDocument struct {
	Title     string
	Parts, By string // how parts and operators were named; "": by columns
	Studies   []Study
	About     draw.About
}

// ScaleText says how the figures are usually read: AIAG, Measurement Systems
// Analysis, 4th edition (2010), chapter II D, from memory.
const ScaleText = "How such figures are usually read (AIAG, 2010): a gauge that takes less than 10 % of the study variation or of the tolerance is good, between 10 and 30 % it depends on what is measured, above 30 % it is not good enough; 5 distinct categories or more are wanted. The study variation is that of the parts chosen: parts that hardly differ make any gauge look bad."

// SizeText tells how large a study is.
func SizeText(s *jig.Study) string {
	trials := fmt.Sprintf("%g trials each", s.Trials)
	if s.Trials == 1 {
		trials = "1 trial each"
	}
	if s.Unequal != "" {
		trials = "unequal trials"
	}
	operators := fmt.Sprintf("%d operators", len(s.Operators))
	if len(s.Operators) == 1 {
		operators = "1 operator"
	}
	return fmt.Sprintf("%d parts, %s, %s, %d readings", len(s.Parts), operators, trials, s.Readings)
}

// AnovaCells writes a line of an analysis of variance: source, df, SS, MS, F, p.
func AnovaCells(l jig.Line) [6]string {
	out := [6]string{l.Source, strconv.FormatFloat(l.DF, 'g', 6, 64), significant(l.SS, 6)}
	if l.MS > 0 {
		out[3] = significant(l.MS, 6)
	}
	if l.F != nil {
		out[4] = significant(*l.F, 5)
		out[5] = strconv.FormatFloat(*l.P, 'f', 4, 64)
		if *l.P < 0.00005 {
			out[5] = "< 0.0001"
		}
	}
	return out
}

// ComponentTable writes components, a row each; intervals and the percent of the
// tolerance where there are any.
func ComponentTable(list []jig.Component, s *jig.Study) (heads []string, rows [][]string) {
	percent := func(v float64) string { return strconv.FormatFloat(v, 'f', 2, 64) }
	rows = make([][]string, len(list))
	column := func(head string, there bool, cell func(c jig.Component) string) {
		if !there {
			return
		}
		heads = append(heads, head)
		for i, c := range list {
			rows[i] = append(rows[i], cell(c))
		}
	}
	interval := list[0].SDInterval != nil
	column("source", true, func(c jig.Component) string { return c.Source })
	column("variance", true, func(c jig.Component) string { return significant(c.Variance, 5) })
	column("% contribution", true, func(c jig.Component) string { return percent(c.Contribution) })
	column("sd", true, func(c jig.Component) string { return significant(c.SD, 5) })
	column("from", interval, func(c jig.Component) string { return significant(c.SDInterval.Low, 4) })
	column("to", interval, func(c jig.Component) string { return significant(c.SDInterval.High, 4) })
	column(fmt.Sprintf("%g sd", s.Sigmas), true, func(c jig.Component) string { return significant(c.StudyWidth, 5) })
	column("% study", true, func(c jig.Component) string { return percent(c.PctStudy) })
	column("% tolerance", s.Tolerance > 0, func(c jig.Component) string { return percent(c.PctTolerance) })
	return heads, rows
}

// significant writes a number with so many significant digits.
func significant(v float64, digits int) string {
	if v == 0 {
		return "0"
	}
	decimals := digits - 1 - int(math.Floor(math.Log10(math.Abs(v))+1e-12))
	if decimals > 9 {
		return strconv.FormatFloat(v, 'e', digits-1, 64)
	}
	return strconv.FormatFloat(v, 'f', max(0, decimals), 64)
}

// WritePDF writes the document and returns the signs that its fonts lack.
func (d StudyDocument) WritePDF(w io.Writer) (lost []rune, err error) {
	s := draw.NewSheet(draw.A4Width, draw.A4Height, d.About)
	date := d.About.Made.Format("2 January 2006")
	s.Title("Gauge study", d.Title, date)
	first := d.Studies[0]
	s.Facts(4, []draw.Fact{
		{named("parts", d.Parts), listed(first.Parts)}, {named("operators", d.By), listed(first.Operators)},
		{"readings", SizeText(first.Study)}, {"intervals", fmt.Sprintf("%g %%", 100*first.Confidence)},
	})
	if len(d.Studies) > 1 {
		d.overview(s)
	}
	for i, x := range d.Studies {
		if len(d.Studies) > 1 || i > 0 {
			s.Page()
		}
		x.set(s, len(d.Studies) > 1)
	}
	s.Head("How it was worked out", 20)
	for _, text := range methodTexts(first.Study) {
		s.Para("–", text, draw.SizeText, draw.Ink)
	}
	s.Edges("Gauge study · "+d.Title, date, "wheelplane "+d.About.Version+" · written "+d.About.Made.Format("2006-01-02 15:04"))
	return s.LostSigns(), s.Output(w)
}

func methodTexts(s *jig.Study) []string {
	return []string{
		fmt.Sprintf("Two random factors, crossed: part and operator. Where the interaction's p is above %g it is pooled with repeatability. Components below zero count as zero.", s.Alpha),
		"Intervals: modified large sample (Graybill and Wang 1980; Ting and others 1990), as in Burdick, Borror and Montgomery, Design and Analysis of Gauge R&R Studies (2005).",
		"Unequal cells: unweighted means with the trials' harmonic mean (the same authors); a missing cell is refused.",
		"Average and range: AIAG, Measurement Systems Analysis, 4th edition (2010), constants not rounded.",
		ScaleText,
	}
}

// named says how parts or operators were named, where that is not plain.
func named(what, by string) string {
	if by == "" {
		return what
	}
	return what + ", by " + by
}

// listed writes names, of many the first and the last.
func listed(names []string) string {
	if n := len(names); n > 14 {
		return fmt.Sprintf("%s … %s (%d)", strings.Join(names[:10], ", "), names[n-1], n)
	}
	return strings.Join(names, ", ")
}

// overview is a table of all studies.
func (d StudyDocument) overview(s *draw.Sheet) {
	tolerances := false
	for _, x := range d.Studies {
		tolerances = tolerances || x.Tolerance > 0
	}
	g := draw.Table{Columns: []draw.Column{draw.Words("reading", 6), draw.Words("unit", 1.4), draw.Numbers("repeatability", 3), draw.Numbers("reproducibility", 3), draw.Numbers("gauge", 2.6), draw.Numbers("interval", 4.6), draw.Numbers("parts", 3), draw.Numbers("% study", 2.4)}}
	if tolerances {
		g.Columns = append(g.Columns, draw.Numbers("% tolerance", 2.8))
	}
	g.Columns = append(g.Columns, draw.Numbers("categories", 2.4))
	for _, x := range d.Studies {
		gauge, operators := x.Component(jig.Gauge), ""
		if c := x.Component(jig.Reproducibility); c != nil {
			operators = significant(c.SD, 3)
		}
		row := []string{x.Name, x.Unit, significant(x.Component(jig.Repeatability).SD, 3), operators, significant(gauge.SD, 3),
			significant(gauge.SDInterval.Low, 2) + " to " + significant(gauge.SDInterval.High, 2), significant(x.Component(jig.Part).SD, 3), fmt.Sprintf("%.1f", gauge.PctStudy)}
		if tolerances {
			text := ""
			if x.Tolerance > 0 {
				text = fmt.Sprintf("%.1f", gauge.PctTolerance)
			}
			row = append(row, text)
		}
		g.Rows = append(g.Rows, append(row, fmt.Sprint(x.Categories)))
	}
	s.Head("All readings, standard deviations", 30)
	s.Grid(g)
}

// set sets one study: pictures and components; where it is brief, without the
// tables behind them.
func (x Study) set(s *draw.Sheet, brief bool) {
	title := x.Name
	if x.Unit != "" {
		title += ", " + x.Unit
	}
	if x.Unit == "" {
		title += " (unit not stated)"
	}
	s.Head(title, 60)
	if x.Unequal != "" {
		s.Para("", "Unequal cells: "+x.Unequal+".", draw.SizeText, draw.Soft)
	}
	half := (s.X1 - s.X0 - 8) / 2
	pairs := [][2]*draw.Picture{{x.componentBars(half), x.byPart(half)}, {x.byOperator(half), x.interaction(half)}}
	for _, pair := range pairs {
		h := math.Max(pair[0].H, pair[1].H)
		s.Need(h + 5)
		s.Paint(pair[0], s.X0, s.Y+2)
		s.Paint(pair[1], s.X0+half+8, s.Y+2)
		s.Y += h + 5
	}
	if x.Range != nil {
		p := x.rangeChart(s.X1 - s.X0)
		s.Need(p.H + 4)
		s.Paint(p, s.X0, s.Y+1)
		s.Y += p.H + 3
	}
	components := func(title string, list []jig.Component) {
		heads, rows := ComponentTable(list, x.Study)
		g := draw.Table{Rows: rows}
		for i, h := range heads {
			g.Columns = append(g.Columns, draw.Column{Name: h, Share: map[bool]float64{true: 4, false: 2.7}[i == 0], Right: i > 0})
		}
		s.Head(title, s.GridHeight(g)+8)
		s.Grid(g)
	}
	components("Components, analysis of variance", x.Components)
	if x.StatedU > 0 {
		s.Para("", fmt.Sprintf("The measurements state a standard uncertainty of %s.", significant(x.StatedU, 3)), draw.SizeText, draw.Ink)
	}
	s.Para("", fmt.Sprintf("Distinct categories: %d (%.2f; %.2f to %.2f). Gauge, percent of the study variation: %.2f (%.1f to %.1f). %s.", x.Categories, x.CategoriesExact, x.CategoriesInterval.Low, x.CategoriesInterval.High,
		x.Component(jig.Gauge).PctStudy, x.PctStudyInterval.Low, x.PctStudyInterval.High, strings.ToUpper(x.Why[:1])+x.Why[1:]), draw.SizeText, draw.Ink)
	if brief {
		return
	}
	anova := func(title string, lines []jig.Line) {
		g := draw.Table{Columns: []draw.Column{draw.Words("source", 4), draw.Numbers("df", 2), draw.Numbers("SS", 3), draw.Numbers("MS", 3), draw.Numbers("F", 3), draw.Numbers("p", 3)}}
		for _, l := range lines {
			cells := AnovaCells(l)
			g.Rows = append(g.Rows, cells[:])
		}
		s.Head(title, s.GridHeight(g))
		s.Grid(g)
	}
	if x.Full != nil {
		anova("Analysis of variance, with interaction", x.Full)
	}
	if !x.Kept {
		anova("Analysis of variance, without interaction", x.Pooled)
	}
	if x.Range != nil {
		components("Components, average and range", x.Range.Components)
		s.Para("", fmt.Sprintf("Distinct categories: %d (%.2f).", x.Range.Categories, x.Range.CategoriesExact), draw.SizeText, draw.Ink)
	} else {
		s.Para("", "No average and range: "+x.NoRange+".", draw.SizeText, draw.Soft)
	}
}
