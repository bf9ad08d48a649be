package proof

import (
	"fmt"
	"io"
	"math"
	"strings"

	"wheelplane/calib/jig"
	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/record"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// JigDocument is the certificate of a comparison with a known jig.
type JigDocument struct {
	Jig               *jig.Jig
	Comparison        *jig.Comparison
	ClaimDeg, ClaimMM float64 // 0: nothing is claimed
	Rule              align.Rule
	Temperature       float64 // of the measurement, °C; NaN: not told
	Jobs              []JigJob
	Name              func(align.Quantity) string // for people
	About             draw.About
}

// JigJob is one measurement of the jig.
type JigJob struct {
	Name, Date, By string
	Network        *rig.Network
	Tool           rig.Tool
}

// VerdictWord is what is said of errors against what is claimed.
func VerdictWord(v align.Verdict) string {
	switch v {
	case align.Within:
		return "pass"
	case align.Outside:
		return "fail"
	case align.Undecided:
		return "undecided"
	}
	return ""
}

// ClaimText tells what is claimed.
func ClaimText(deg, mm float64) string {
	var parts []string
	if deg > 0 {
		parts = append(parts, fmt.Sprintf("angles ± %g deg", deg))
	}
	if mm > 0 {
		parts = append(parts, fmt.Sprintf("lengths ± %g mm", mm))
	}
	if len(parts) == 0 {
		return "nothing is claimed"
	}
	return strings.Join(parts, ", ")
}

// RuleText tells the decision rule.
func RuleText(r align.Rule) string {
	if r.Guard > 0 {
		return fmt.Sprintf("A decision is within guard bands of %g of the jig's expanded uncertainty inside, and outside, the limits (ISO 14253-1; JCGM 106:2012, 8.3); between them it is undecided.", r.Guard)
	}
	sure := r.Confidence
	if sure == 0 {
		sure = 0.95
	}
	return fmt.Sprintf("A decision is sure to %g %% given the jig's uncertainty (JCGM 106:2012, 7 and 8.3; for one limit the guard band of ISO 14253-1, at 95 %% 1.64 standard uncertainties); else it is undecided.", 100*sure)
}

// WritePDF writes the certificate and returns the signs that its fonts lack.
func (d JigDocument) WritePDF(w io.Writer) (lost []rune, err error) {
	s := draw.NewSheet(draw.A4Width, draw.A4Height, d.About)
	c, date := d.Jig.Certificate, d.About.Made.Format("2 January 2006")
	s.Title("Comparison with a known jig", d.Jig.Name, date)
	until := c.ValidUntil
	if until == "" {
		until = "no end told"
	}
	temperature := "not told"
	if !math.IsNaN(d.Temperature) {
		temperature = fmt.Sprintf("%g °C", d.Temperature)
	}
	s.Facts(4, []draw.Fact{
		{"certificate of the jig", c.Number}, {"by", c.By}, {"dated; valid until", c.Date + "; " + until}, {"method", c.Method},
		{"jig calibrated at", c.Temperature.String()}, {"measured at", temperature}, {"measurements", fmt.Sprint(len(d.Jobs))}, {"claimed accuracy", ClaimText(d.ClaimDeg, d.ClaimMM)},
	})
	d.result(s)
	d.chart(s)
	d.table(s)
	d.jobs(s)
	s.Head("How it was decided", 25)
	for _, text := range d.method() {
		s.Para("–", text, draw.SizeText, draw.Ink)
	}
	d.sign(s)
	s.Edges("Comparison with a known jig · "+d.Jig.Name, date, "wheelplane "+d.About.Version+" · written "+d.About.Made.Format("2006-01-02 15:04"))
	return s.LostSigns(), s.Output(w)
}

func (d JigDocument) method() []string {
	out := []string{
		"En = (measured − jig) / √(U² of the measurement + U² of the jig), both expanded with k = 2 (ISO 13528; ISO/IEC 17043). From −1 to 1 it is satisfactory; true uncertainties leave it there in 95 of 100 cases.",
		"Whether an error is as small as claimed is decided by how well the error is known, the jig's uncertainty, not by how well the measurement believes to be (the test uncertainty of ISO 14253-5). " + RuleText(d.Rule),
		"The jig's planes and places are taken as independent; what follows from them (toe against the centreline, sums, differences) has their uncertainty by the law of propagation (JCGM 100:2008, 5.1).",
	}
	if d.Comparison.OverStated != nil {
		out = append(out, "Bias: the mean error. Its U is of the mean by the spread of the repeats (Student's t) and of the jig together. What is the same in all repeats, such as floor and camera, shows as bias, not as spread.")
	}
	return append(out, "It holds for this jig, these jobs and the conditions of their day.")
}

// result sets the answer in a tinted bar.
func (d JigDocument) result(s *draw.Sheet) {
	c := d.Comparison
	s.Need(16)
	s.Y += 1.5
	s.Fill(s.X0, s.Y, s.X1-s.X0, 10.5, draw.Tint)
	base, x := s.Y+6.7, s.X0+4
	if word := VerdictWord(c.Verdict); word != "" {
		p := &draw.Picture{}
		record.Mark(p, x+1.3, base-1.4, 1.35, c.Verdict, false)
		s.Paint(p, 0, 0)
		text := strings.ToUpper(word[:1]) + word[1:]
		s.Text(x+4.2, base, text, 10, draw.Ink, true, draw.Start)
		x += 4.2 + draw.TextWidth(text, 10, true) + 3
		s.Text(x, base, "against "+ClaimText(d.ClaimDeg, d.ClaimMM), 8.2, draw.Ink, false, draw.Start)
	} else {
		s.Text(x, base, "No accuracy is claimed: errors are told, not judged.", 9, draw.Ink, false, draw.Start)
	}
	s.Text(s.X1-4, base, fmt.Sprintf("En is 1 or less in %d of %d, largest %.2f", c.Within, c.Count, c.MaxEn), 9, draw.Ink, true, draw.End)
	s.Y += 11.5
}

func (d JigDocument) nameOf(r rig.Reading) string {
	return strings.TrimSpace(fmt.Sprintf("%s %d %s", d.Name(r.Quantity), r.Axle, r.Side))
}

// chart shows all normalised errors, reading by reading.
func (d JigDocument) chart(s *draw.Sheet) {
	c := draw.Chart{W: s.X1 - s.X0, H: 58, Title: "Normalised errors", Desc: "En of every reading of every measurement; from −1 to 1 is satisfactory", Points: 7.5,
		X: draw.Axis{Name: "reading, in the order of the table"}, Y: draw.Axis{Name: "En"}, Guides: []draw.Guide{{At: 1}, {At: -1}}}
	for j, job := range d.Jobs {
		line := draw.Series{Loose: true}
		if len(d.Jobs) > 1 && len(d.Jobs) <= 4 {
			line.Name = job.Name
		}
		for i, r := range d.Comparison.Readings {
			line.Dots = append(line.Dots, draw.Dot{X: float64(i + 1), Y: r.Errors[j].En})
		}
		c.Lines = append(c.Lines, line)
	}
	for i := range d.Comparison.Readings {
		c.X.Names = append(c.X.Names, fmt.Sprint(i+1))
	}
	p := c.Picture()
	s.Need(p.H + 6)
	s.Paint(p, s.X0, s.Y+3)
	s.Y += p.H + 5
}

// table sets every reading. Its numbers have the digits of its uncertainty.
func (d JigDocument) table(s *draw.Sheet) {
	repeats := len(d.Jobs) > 1
	g := draw.Table{Columns: []draw.Column{draw.Numbers("", 0.8), draw.Words("reading", 4), draw.Words("unit", 1), draw.Numbers("jig", 2.2), draw.Numbers("U", 1.8)}}
	if repeats {
		g.Columns = append(g.Columns, draw.Numbers("bias", 2), draw.Numbers("U", 1.8), draw.Numbers("sd", 1.8), draw.Numbers("interval", 4.4), draw.Numbers("sd / u", 1.5), draw.Numbers("worst error", 2.2))
	} else {
		g.Columns = append(g.Columns, draw.Numbers("measured", 2.2), draw.Numbers("U", 1.8), draw.Numbers("error", 2))
	}
	g.Columns = append(g.Columns, draw.Numbers("En", 1.3), draw.Words("verdict", 2.4))
	for i, r := range d.Comparison.Readings {
		worst := r.Errors[0]
		for _, e := range r.Errors {
			if math.Abs(e.En) > math.Abs(worst.En) {
				worst = e
			}
		}
		digits := max(0, min(4, 1-int(math.Floor(math.Log10(math.Min(r.U, worst.U/2))+1e-9))))
		text := func(v float64) string {
			if math.Abs(v) < 0.5*math.Pow(10, float64(-digits)) {
				v = 0
			}
			return strings.Replace(fmt.Sprintf("%.*f", digits, v), "-", "−", 1)
		}
		row := []string{fmt.Sprint(i + 1), d.nameOf(r.Reading), r.Unit, text(r.Value), text(2 * r.U)}
		if repeats {
			row = append(row, text(r.Bias), text(r.BiasU), text(*r.Spread), text(r.SpreadRange.Low)+" to "+text(r.SpreadRange.High), fmt.Sprintf("%.2f", *r.OverStated), text(worst.Error))
		} else {
			row = append(row, text(worst.Value), text(worst.U), text(worst.Error))
		}
		g.Rows = append(g.Rows, append(row, strings.Replace(fmt.Sprintf("%.2f", worst.En), "-", "−", 1), VerdictWord(r.Verdict)))
	}
	title := "Readings (U: expanded uncertainty, k = 2)"
	s.Head(title, 25)
	s.Grid(g)
}

// jobs lists the measurements.
func (d JigDocument) jobs(s *draw.Sheet) {
	g := draw.Table{Columns: []draw.Column{draw.Words("measurement", 7), draw.Words("day", 2.4), draw.Words("by", 3), draw.Numbers("photographs", 2), draw.Numbers("residual, px", 2), draw.Words("measured with", 2.4)}}
	for _, j := range d.Jobs {
		photos, residual := "", ""
		if j.Network != nil {
			photos, residual = fmt.Sprint(j.Network.Photos), fmt.Sprintf("%.3f", j.Network.RMSPx)
		}
		g.Rows = append(g.Rows, []string{j.Name, j.Date, j.By, photos, residual, j.Tool.Version})
	}
	s.Head("Measurements", s.GridHeight(g))
	s.Grid(g)
}

// sign sets lines to sign on.
func (d JigDocument) sign(s *draw.Sheet) {
	s.Head("Signatures", 20)
	w := (s.X1 - s.X0 - 10) / 2
	for i, role := range []string{"compared by", "checked by"} {
		x := s.X0 + float64(i)*(w+10)
		s.Stroke(x, s.Y+15, x+w, s.Y+15, draw.Ink, 0.25)
		s.Text(x, s.Y+18.4, role, draw.SizeSmall+0.5, draw.Soft, false, draw.Start)
		s.Text(x+w, s.Y+18.4, "date, signature", draw.SizeSmall+0.5, draw.Soft, false, draw.End)
	}
	s.Y += 20
}
