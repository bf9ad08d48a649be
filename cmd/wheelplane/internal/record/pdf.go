package record

import (
	"fmt"
	"io"
	"math"
	"strings"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/align"
)

// sheet is a record being set as PDF.
type sheet struct {
	*telling
	*draw.Sheet
}

// WritePDF writes the record as PDF. The same input gives the same bytes. It
// returns the signs that its fonts lack; a box stands for them.
func WritePDF(w io.Writer, in *Input, o Options) (lost []rune, err error) {
	t, err := tell(in, o)
	if err != nil {
		return nil, err
	}
	s := t.newSheet()
	switch t.Style {
	case OnePage:
		s.onePage()
	case Customer:
		s.customer()
	default:
		s.full()
	}
	s.Edges(s.heading()+" · "+s.subject(), s.date(), s.footer())
	return s.LostSigns(), s.Output(w)
}

func (t *telling) newSheet() *sheet {
	s := &sheet{t, draw.NewSheet(t.paper.WidthMM, t.paper.HeightMM, draw.About{Title: t.heading() + ", " + t.subject(), Version: t.Version, Made: t.Made})}
	s.Lost = t.missing
	return s
}

// clean replaces signs that the fonts lack, so that nothing is lost unseen.
func (t *telling) clean(text string) string { return draw.Clean(text, t.missing) }

func (s *sheet) mark(x, y float64, v align.Verdict) {
	p := &draw.Picture{}
	Mark(p, x, y, 0.95, v, false)
	s.Paint(p, 0, 0)
}

func (t *telling) footer() string {
	foot := "wheelplane " + t.Version
	if t.Job != "" {
		foot = "job: " + t.Job + " · " + foot
	}
	if t.Tool.Version != "" && t.Tool.Version != t.Version {
		foot += ", measured with " + t.Tool.Version
	}
	if !t.Made.IsZero() {
		foot += " · written " + t.Made.Format("2006-01-02 15:04")
	}
	return foot
}

// section sets a heading, a sentence and a plain table, together on a page
// where that is possible.
func (s *sheet) section(g section, lead string) {
	h := s.GridHeight(g.Table)
	if h > 75 {
		h = 25
	}
	if lead != "" {
		h += s.ParaHeight("", lead, draw.SizeText)
	}
	s.Head(g.title, h)
	if lead != "" {
		s.Para("", lead, draw.SizeText, draw.Soft)
	}
	s.Grid(g.Table)
}

// verdicts sets the counts in a tinted bar.
func (s *sheet) verdicts() {
	s.Need(15)
	h := 10.5
	s.Y += 1.5
	s.Fill(s.X0, s.Y, s.X1-s.X0, h, draw.Tint)
	within, undecided, outside, open := s.tally(false)
	base := s.Y + 6.7
	x := s.X0 + 4
	if within+undecided+outside == 0 {
		text := "No target values were given: readings are told, not judged."
		if s.last == "" {
			text += fmt.Sprintf(" %s only.", upper(s.first))
		}
		s.Text(x, base-0.3, text, 9, draw.Ink, false, draw.Start)
		s.Y += h + 1
		return
	}
	s.Text(x, base, upper(s.standing()), 10, draw.Ink, true, draw.Start)
	x += draw.TextWidth(upper(s.standing()), 10, true) + 7
	for _, c := range []struct {
		v align.Verdict
		n int
	}{{align.Within, within}, {align.Undecided, undecided}, {align.Outside, outside}} {
		p := &draw.Picture{}
		Mark(p, x+1.3, base-1.4, 1.35, c.v, false)
		s.Paint(p, 0, 0)
		text := fmt.Sprintf("%d %s", c.n, c.v)
		s.Text(x+4.2, base, text, 10, draw.Ink, true, draw.Start)
		x += 4.2 + draw.TextWidth(text, 10, true) + 7
	}
	right := s.tallyBeside(open)
	s.Text(s.X1-4, base, draw.Fit(right, 8, false, s.X1-4-x), 8, draw.Soft, false, draw.End)
	s.Y += h + 1
}

// columns are where things stand in the table of readings, mm from the margin.
type columns struct {
	side, found, left, wishEnd, targetEnd, strip, width float64
	value, plus                                         float64 // right edges within an epoch
	mark                                                float64
	blockW                                              float64
}

// columns places them; targets and limits take what the lines up to this rank
// need.
func (s *sheet) columns(rank int) columns {
	w := s.X1 - s.X0
	c := columns{side: 30, found: 36.5, value: 11, plus: 22.8, mark: 29.3, blockW: 44}
	if s.Angles == Minutes {
		c.value, c.plus = 12.5, 25.5
		c.mark, c.blockW = 30.6, 45
	}
	if !s.judged {
		c.blockW = c.plus + 4
	}
	x := c.found + c.blockW
	if s.last != "" {
		c.left = x
		x += c.blockW
	}
	if s.judged {
		wish, limits := 7.7, 14.0
		for axle := 1; axle <= len(s.Vehicle.Axles); axle++ {
			for _, l := range s.mains(axle, rank) {
				a, b := s.limits(l)
				wish = math.Max(wish, draw.TextWidth(a, draw.SizeTable-0.3, false))
				limits = math.Max(limits, draw.TextWidth(b, draw.SizeTable-0.3, false))
			}
		}
		c.wishEnd = x + 0.5 + wish
		c.targetEnd = c.wishEnd + 2.2 + limits
		if s.last == "" {
			c.targetEnd += 4
		}
		x = c.targetEnd + 2
	}
	c.strip = x
	c.width = w - x
	return c
}

func (s *sheet) tableHead(c columns) {
	y := s.Y + 3.6
	s.Text(s.X0+c.found+c.value-8.5, y, upper(s.first), draw.SizeTable, draw.Ink, true, draw.Start)
	if s.last != "" {
		s.Text(s.X0+c.left+c.value-8.5, y, draw.Fit(upper(s.last), draw.SizeTable, true, c.blockW-4), draw.SizeTable, draw.Ink, true, draw.Start)
	}
	if s.judged {
		s.Text(s.X0+c.wishEnd, y, "Target", draw.SizeTable, draw.Ink, true, draw.End)
		s.Text(s.X0+c.targetEnd, y, "limits", draw.SizeSmall, draw.Soft, false, draw.End)
		s.Text(s.X0+c.strip+c.width*(bandFrom+bandTo)/2, y, "tolerance", draw.SizeSmall, draw.Soft, false, draw.Middle)
	}
	s.Y += 5
	s.Rule(s.Y, draw.Ink, 0.3)
}

// readings sets the table of readings with their strips, axle by axle, the
// rows pitch high.
func (s *sheet) readings(rank int, pitch float64) {
	c := s.columns(rank)
	s.tableHead(c)
	for axle := 1; axle <= len(s.Vehicle.Axles); axle++ {
		lines := s.mains(axle, rank)
		n := float64(min(3, len(lines)))
		if s.Need(5 + pitch*n) {
			s.tableHead(c)
		}
		s.Fill(s.X0, s.Y, s.X1-s.X0, 5, draw.Tint)
		s.Text(s.X0+1, s.Y+3.55, draw.Fit(s.clean(s.axleTitle(axle)), draw.SizeTable+0.3, true, s.X1-s.X0-2), draw.SizeTable+0.3, draw.Ink, true, draw.Start)
		s.Y += 5
		if len(lines) == 0 {
			s.Text(s.X0+1, s.Y+3.4, "no reading of this axle", draw.SizeTable, draw.Soft, false, draw.Start)
			s.Y += pitch
		}
		for i, l := range lines {
			if s.Need(pitch) {
				s.tableHead(c)
			}
			if i > 0 {
				s.Rule(s.Y, draw.Hairline, 0.12)
			}
			s.row(l, c, pitch)
		}
	}
	s.Rule(s.Y, draw.Ink, 0.3)
}

func (s *sheet) row(l *line, c columns, pitch float64) {
	y := s.Y + pitch/2 + draw.SizeTable*draw.Point*0.36
	if l.first {
		size := math.Max(5.8, math.Min(draw.SizeTable, draw.SizeTable*0.999*(c.side-1.8)/draw.TextWidth(l.title(), draw.SizeTable, false)))
		s.Text(s.X0+1, y, draw.Fit(s.clean(l.title()), size, false, c.side-1.8), size, draw.Ink, false, draw.Start)
	}
	s.Text(s.X0+c.side, y, draw.Fit(s.clean(l.whose()), draw.SizeTable, false, c.found-c.side+1.5), draw.SizeTable, draw.Soft, false, draw.Start)
	block := func(x float64, e *cell, strong bool) {
		if e == nil {
			s.Text(x+c.value, y, "–", draw.SizeTable, draw.Faint, false, draw.End)
			return
		}
		s.Text(x+c.value, y, s.number(l, e.value), draw.SizeTable, draw.Ink, strong, draw.End)
		if u := s.expanded(l, e.u); u != "" {
			s.Text(x+c.plus, y, "± "+u, draw.SizeTable, draw.Soft, false, draw.End)
		}
		s.Text(x+c.plus+0.8, y, s.unit(l), draw.SizeSmall, draw.Soft, false, draw.Start)
		if e.Verdict != "" {
			s.mark(x+c.mark, s.Y+pitch/2, e.Verdict)
			s.Text(x+c.mark+2, y, string(e.Verdict), draw.SizeTable-0.3, draw.Ink, strong, draw.Start)
		}
	}
	block(s.X0+c.found, l.found, s.last == "")
	if s.last != "" {
		block(s.X0+c.left, l.left, true)
	}
	if s.judged {
		wish, limits := s.limits(l)
		s.Text(s.X0+c.wishEnd, y, wish, draw.SizeTable-0.3, draw.Ink, false, draw.End)
		s.Text(s.X0+c.targetEnd, y, limits, draw.SizeTable-0.3, draw.Soft, false, draw.End)
	}
	s.Paint(s.strip(l, c.width, pitch), s.X0+c.strip, s.Y)
	s.Y += pitch
}

// legend explains signs and strips.
func (s *sheet) legend() {
	s.Need(5)
	s.Y += 4
	x := s.X0 + 1
	put := func(v align.Verdict, what string) {
		s.mark(x+0.6, s.Y-0.9, v)
		s.Text(x+2.6, s.Y, what, draw.SizeSmall, draw.Soft, false, draw.Start)
		x += 2.6 + draw.TextWidth(what, draw.SizeSmall, false) + 4
	}
	if s.judged {
		put(align.Within, "within")
		put(align.Undecided, "undecided")
		put(align.Outside, "outside")
	}
	put("", "no target")
	text := s.keyText()
	s.Text(s.X1, s.Y, draw.Fit(text, draw.SizeSmall, false, s.X1-x), draw.SizeSmall, draw.Soft, false, draw.End)
	s.Y += 2
}

// signatures sets lines to sign on, with the names of those who are known.
func (s *sheet) signatures() {
	s.Y += 2
	s.Need(signHigh)
	s.sign()
}

// signHigh is the height of the lines to sign on.
const signHigh = 20

func (s *sheet) sign() {
	list := s.signers()
	gap := 6.0
	w := (s.X1 - s.X0 - gap*float64(len(list)-1)) / float64(len(list))
	for i, p := range list {
		x := s.X0 + (w+gap)*float64(i)
		s.Text(x, s.Y+4, upper(p.Role), draw.SizeSmall+0.5, draw.Soft, false, draw.Start)
		s.Stroke(x, s.Y+15, x+w, s.Y+15, draw.Ink, 0.25)
		name := p.Name
		if name == "" {
			name = "name"
		}
		s.Text(x, s.Y+18.4, draw.Fit(s.clean(name), draw.SizeSmall+0.5, false, w-22), draw.SizeSmall+0.5, draw.Soft, false, draw.Start)
		s.Text(x+w, s.Y+18.4, "signature, date", draw.SizeSmall, draw.Faint, false, draw.End)
	}
	s.Y += signHigh
}

func (s *sheet) full() {
	s.Title(s.heading(), s.subject(), s.date())
	s.Facts(4, s.factList())
	s.verdicts()
	room := s.Floor - s.Y - 13
	if room < 110 {
		room = s.Floor - s.Top - 12
	}
	p := s.plan(s.X1-s.X0, room, true)
	s.Head(s.planTitle(), p.H)
	s.Y += 2
	s.Paint(p, s.X0, s.Y)
	s.Y += p.H

	s.Head("Readings", 40)
	s.readings(5, 4.8)
	s.legend()
	for _, g := range s.grids() {
		s.section(g, "")
	}
	if len(s.Visit.Remarks) > 0 {
		s.Head("Remarks", 6)
		for _, r := range s.Visit.Remarks {
			s.Para("–", r, draw.SizeText, draw.Ink)
		}
	}
	if len(s.Slip) > 0 {
		s.section(s.slipGrid(), slipText)
	}
	if g := s.furtherGrid(); len(g.Rows) > 0 {
		s.section(g, "")
	}
	s.network()
	s.Head("How it was measured", 15)
	for _, m := range s.method() {
		s.Para("", m, draw.SizeText, draw.Ink)
	}
	s.Head("Cautions", 15)
	for _, c := range cautions {
		s.Para("–", c, draw.SizeText, draw.Ink)
	}
	s.Head("Signatures", 23)
	s.signatures()
}

func (s *sheet) network() {
	if s.Network == nil {
		return
	}
	g := s.stationGrid()
	s.Head("Photographs and how well they fit", 12+math.Min(60, s.GridHeight(g.Table)))
	s.Facts(6, s.networkFacts())
	if len(g.Rows) > 1 {
		s.Grid(g.Table)
	}
	s.Y += 1.5
	for _, n := range s.networkNotes() {
		s.Para("–", n, draw.SizeText, draw.Ink)
	}
}

// onePage sets everything on one page: what does not fit is left out, the least
// important first, and counted.
func (s *sheet) onePage() {
	s.Title(s.heading(), s.subject(), s.date())
	s.Facts(4, s.shortFacts())
	s.verdicts()
	notes := []string{s.shortMethod(), s.shortCaution()}
	foot := signHigh + 1.5
	for i, n := range notes {
		if i == 0 {
			n += " The full record has the drawing and 99 more readings."
		}
		foot += s.ParaHeight("", n, draw.SizeSmall)
	}
	rank, pitch := 3, 4.6
	count := func() float64 {
		n := 0
		for a := range s.Vehicle.Axles {
			n += max(1, len(s.mains(a+1, rank)))
		}
		return float64(n)
	}
	room := func() float64 {
		return s.Floor - s.Y - foot - 5 - 6 - 5*float64(len(s.Vehicle.Axles)) - 5
	}
	const least = 3.5
	const planLeast = 62.0
	for rank > 1 && room()-count()*4.0 < planLeast {
		rank--
	}
	plan := room() - count()*pitch
	if plan < planLeast {
		pitch = max(least, (room()-planLeast)/count())
		plan = room() - count()*pitch
	}
	drawn := plan > 25
	if drawn {
		plan = min(plan, 92)
		w := 62.0
		y := s.Y + 2
		p := s.plan(w, plan-3, false)
		s.Paint(p, s.X0, y)
		s.beside(s.X0+w+8, y, plan-3)
		s.Y = y + plan
	}
	s.readings(rank, pitch)
	all := 0
	for a := range s.Vehicle.Axles {
		all += len(s.mains(a+1, 9)) - len(s.mains(a+1, rank))
	}
	s.legend()
	if what := wording.Count(all, "more reading"); all > 0 || !drawn {
		if !drawn {
			what = strings.TrimSuffix("the drawing and "+what, " and 0 more readings")
		}
		notes[0] += fmt.Sprintf(" The full record has %s.", what)
	}
	s.Y += 0.5
	for _, n := range notes {
		s.Para("", n, draw.SizeSmall, draw.Soft)
	}
	s.Y = max(s.Y, s.Floor-signHigh)
	s.sign()
}

// beside sets what was checked and done at the right of the small drawing, as
// far as there is room.
func (s *sheet) beside(x, y, h float64) {
	x0 := s.X0
	s.X0 = x
	defer func() { s.X0 = x0 }()
	bottom := y + h
	s.Y = y
	left := 0
	for _, g := range s.grids() {
		b := g.brief()
		rows := b.Rows
		b.Rows = nil
		for _, r := range rows {
			b.Rows = append(b.Rows, r)
			if s.Y+4+s.GridHeight(b.Table)+4 > bottom {
				b.Rows = b.Rows[:len(b.Rows)-1]
				break
			}
		}
		left += len(rows) - len(b.Rows)
		if len(b.Rows) == 0 {
			continue
		}
		s.Y += 3.4
		s.Text(s.X0, s.Y, g.title, draw.SizeText, draw.Ink, true, draw.Start)
		s.Y += 0.6
		s.Grid(b.Table)
		s.Y += 1.5
	}
	if left > 0 {
		s.Text(s.X0, min(s.Y+3, bottom), fmt.Sprintf("%s more in the full record", wording.Count(left, "entry")), draw.SizeSmall, draw.Soft, false, draw.Start)
	}
}
