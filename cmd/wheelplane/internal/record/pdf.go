package record

import (
	"fmt"
	"io"
	"math"
	"strings"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/pose/align"
)

// sheet is a PDF being set, page by page; y is where the next thing goes, mm.
type sheet struct {
	*telling
	pdf        *draw.PDF
	w, h       float64
	x0, x1     float64 // margins
	top, floor float64 // of what is set
	y          float64
}

// Sizes of type, points.
const (
	sizeTitle = 19
	sizeHead  = 10.5
	sizeText  = 8.2
	sizeTable = 7.5
	sizeSmall = 6.5
)

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
	s.edges()
	return s.pdf.LostSigns(), s.pdf.Output(w)
}

func (t *telling) newSheet() *sheet {
	s := &sheet{telling: t, w: t.paper.WidthMM, h: t.paper.HeightMM, x0: 14, x1: t.paper.WidthMM - 14, top: 20, floor: t.paper.HeightMM - 17}
	s.pdf = draw.NewPDF(s.w, s.h, draw.About{Title: t.heading() + ", " + t.subject(), Version: t.Version, Made: t.Made})
	s.pdf.Lost = t.missing
	s.page()
	s.y = 14
	return s
}

func (s *sheet) page() {
	s.pdf.AddPage()
	s.y = s.top
}

// need starts a new page where less than h is left.
func (s *sheet) need(h float64) bool {
	if s.y+h <= s.floor {
		return false
	}
	s.page()
	return true
}

// clean replaces signs that the fonts lack, so that nothing is lost unseen.
func (t *telling) clean(text string) string { return draw.Clean(text, t.missing) }

func (s *sheet) text(x, y float64, text string, points float64, c draw.Colour, bold bool, a draw.Anchor) {
	s.pdf.Text(x, y, text, points, c, bold, a)
}

// paint draws a picture with its top left corner at (x, y).
func (s *sheet) paint(p *draw.Picture, x, y float64) { s.pdf.Paint(p, x, y) }

func (s *sheet) rule(y float64, c draw.Colour, width float64) { s.stroke(s.x0, y, s.x1, y, c, width) }

func (s *sheet) stroke(x0, y0, x1, y1 float64, c draw.Colour, width float64) {
	p := &draw.Picture{}
	p.Line(x0, y0, x1, y1, c, width)
	s.paint(p, 0, 0)
}

func (s *sheet) fill(x, y, w, h float64, c draw.Colour) {
	p := &draw.Picture{}
	p.Rect(x, y, w, h, c, "", 0)
	s.paint(p, 0, 0)
}

func (s *sheet) mark(x, y float64, v align.Verdict) {
	p := &draw.Picture{}
	mark(p, x, y, 0.95, v, false)
	s.paint(p, 0, 0)
}

// head sets a section's heading; room is what must follow on the same page.
func (s *sheet) head(title string, room float64) {
	if s.y > s.top+1 {
		s.y += 4.5
	}
	s.need(8 + room)
	s.y += 4
	s.text(s.x0, s.y, title, sizeHead, draw.Ink, true, draw.Start)
	s.pdf.Bookmark(title, s.y-4)
	s.y += 1.8
	s.rule(s.y, draw.Ink, 0.3)
	s.y += 1
}

// para sets a paragraph, with a sign hung before it where lead is not empty.
func (s *sheet) para(lead, text string, points float64, c draw.Colour) {
	x := s.x0
	if lead != "" {
		x += 4
	}
	step := points * draw.Point * 1.38
	for i, l := range draw.Wrap(s.clean(text), points, false, s.x1-x) {
		s.need(step)
		s.y += step
		if i == 0 && lead != "" {
			s.text(s.x0+1, s.y, lead, points, draw.Soft, false, draw.Start)
		}
		s.text(x, s.y, l, points, c, false, draw.Start)
	}
	s.y += step * 0.3
}

// paraHeight is how high para will be.
func (s *sheet) paraHeight(lead, text string, points float64) float64 {
	w := s.x1 - s.x0
	if lead != "" {
		w -= 4
	}
	return points * draw.Point * 1.38 * (float64(len(draw.Wrap(s.clean(text), points, false, w))) + 0.3)
}

// edges writes what stands at the head and the foot of every page, once their
// number is known.
func (s *sheet) edges() {
	n := s.pdf.Pages()
	for i := 1; i <= n; i++ {
		s.pdf.SetPage(i)
		if i > 1 {
			s.text(s.x0, 12, draw.Fit(s.clean(s.heading()+" · "+s.subject()), sizeSmall+0.5, false, s.x1-s.x0-45), sizeSmall+0.5, draw.Soft, false, draw.Start)
			s.text(s.x1, 12, s.date(), sizeSmall+0.5, draw.Soft, false, draw.End)
			s.rule(14, draw.Hairline, 0.25)
		}
		y := s.h - 9
		s.rule(y-3.4, draw.Hairline, 0.25)
		number := fmt.Sprintf("page %d of %d", i, n)
		s.text(s.x1, y, number, sizeSmall, draw.Soft, false, draw.End)
		foot := s.footer()
		s.text(s.x0, y, draw.Fit(s.clean(foot), sizeSmall, false, s.x1-s.x0-25), sizeSmall, draw.Soft, false, draw.Start)
	}
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

// title sets the top of the first page.
func (s *sheet) title() {
	s.y += 6.5
	right := s.date()
	room := s.x1 - s.x0 - draw.TextWidth(right, sizeHead, true) - 4
	s.text(s.x0, s.y, draw.Fit(s.heading(), sizeTitle, true, room), sizeTitle, draw.Ink, true, draw.Start)
	s.text(s.x1, s.y, right, sizeHead, draw.Ink, true, draw.End)
	s.y += 6.2
	sub := draw.Wrap(s.clean(s.subject()), sizeHead, false, s.x1-s.x0)
	for i, l := range sub {
		if i == 2 {
			break
		}
		s.text(s.x0, s.y, l, sizeHead, draw.Soft, false, draw.Start)
		s.y += 4.6
	}
	s.y -= 1.6
	s.rule(s.y, draw.Ink, 0.7)
	s.y += 2
}

// facts sets a form: a name above each value, a line to write on below it.
func (s *sheet) facts(columns int, list []fact) {
	gap := 4.0
	w := (s.x1 - s.x0 - gap*float64(columns-1)) / float64(columns)
	for i := 0; i < len(list); i += columns {
		row := list[i:min(i+columns, len(list))]
		lines, most := make([][]string, len(row)), 1
		for k, f := range row {
			lines[k] = draw.Wrap(s.clean(f.value), 8.6, false, w)
			most = max(most, len(lines[k]))
		}
		h := 5.4 + 3.9*float64(most)
		s.need(h)
		for k, f := range row {
			x := s.x0 + (w+gap)*float64(k)
			s.text(x, s.y+3, f.name, sizeSmall, draw.Soft, false, draw.Start)
			for j, l := range lines[k] {
				s.text(x, s.y+7+3.9*float64(j), l, 8.6, draw.Ink, false, draw.Start)
			}
			s.stroke(x, s.y+h-0.9, x+w, s.y+h-0.9, draw.Hairline, 0.25)
		}
		s.y += h
	}
	s.y += 1
}

// col is a column of a plain table: its part of the width, and whether numbers
// stand in it.
type col struct {
	name  string
	share float64
	right bool
}

// section sets a heading, a sentence and a plain table, together on a page
// where that is possible.
func (s *sheet) section(g section, lead string) {
	h := s.gridHeight(g)
	if h > 75 {
		h = 25
	}
	if lead != "" {
		h += s.paraHeight("", lead, sizeText)
	}
	s.head(g.title, h)
	if lead != "" {
		s.para("", lead, sizeText, draw.Soft)
	}
	s.grid(g)
}

const (
	gridGap  = 3.0
	gridHead = 4.4
	gridStep = sizeTable * draw.Point * 1.3
)

// gridUnit is the width of a share of a plain table, mm.
func (s *sheet) gridUnit(columns []col) float64 {
	sum := 0.0
	for _, c := range columns {
		sum += c.share
	}
	return (s.x1 - s.x0 - gridGap*float64(len(columns)-1)) / sum
}

// gridRow wraps a row's cells and says how high it is.
func (s *sheet) gridRow(g section, row []string) (cells [][]string, h float64) {
	unit, most := s.gridUnit(g.columns), 1
	cells = make([][]string, len(g.columns))
	for i, c := range g.columns {
		if i < len(row) {
			cells[i] = draw.Wrap(s.clean(row[i]), sizeTable, false, c.share*unit)
			most = max(most, len(cells[i]))
		}
	}
	h = gridStep*float64(most) + 1.6
	if g.pen {
		h += 1.6
	}
	return cells, h
}

func (s *sheet) gridHeight(g section) float64 {
	sum := gridHead
	for _, r := range g.rows {
		_, h := s.gridRow(g, r)
		sum += h
	}
	return sum
}

// grid sets a plain table with wrapped cells; its heading comes again on every
// page.
func (s *sheet) grid(g section) {
	unit := s.gridUnit(g.columns)
	heads := func() {
		x := s.x0
		for _, c := range g.columns {
			w := c.share * unit
			if c.right {
				s.text(x+w, s.y+3.2, c.name, sizeSmall, draw.Soft, false, draw.End)
			} else {
				s.text(x, s.y+3.2, c.name, sizeSmall, draw.Soft, false, draw.Start)
			}
			x += w + gridGap
		}
		s.y += gridHead
		s.rule(s.y, draw.Hairline, 0.25)
	}
	heads()
	for _, r := range g.rows {
		cells, h := s.gridRow(g, r)
		if s.need(h) {
			heads()
		}
		x := s.x0
		for i, c := range g.columns {
			w := c.share * unit
			for j, l := range cells[i] {
				y := s.y + 3.3 + gridStep*float64(j)
				if g.pen { // written to the line
					y = s.y + h - 1.7 - gridStep*float64(len(cells[i])-1-j)
				}
				if c.right {
					s.text(x+w, y, l, sizeTable, draw.Ink, false, draw.End)
				} else {
					s.text(x, y, l, sizeTable, draw.Ink, false, draw.Start)
				}
			}
			x += w + gridGap
		}
		s.y += h
		s.rule(s.y, draw.Hairline, 0.15)
	}
}

// verdicts sets the counts in a tinted bar.
func (s *sheet) verdicts() {
	s.need(15)
	h := 10.5
	s.y += 1.5
	s.fill(s.x0, s.y, s.x1-s.x0, h, draw.Tint)
	within, undecided, outside, open := s.tally(false)
	base := s.y + 6.7
	x := s.x0 + 4
	if within+undecided+outside == 0 {
		text := "No target values were given: readings are told, not judged."
		if s.last == "" {
			text += fmt.Sprintf(" %s only.", upper(s.first))
		}
		s.text(x, base-0.3, text, 9, draw.Ink, false, draw.Start)
		s.y += h + 1
		return
	}
	s.text(x, base, upper(s.standing()), 10, draw.Ink, true, draw.Start)
	x += draw.TextWidth(upper(s.standing()), 10, true) + 7
	for _, c := range []struct {
		v align.Verdict
		n int
	}{{align.Within, within}, {align.Undecided, undecided}, {align.Outside, outside}} {
		p := &draw.Picture{}
		mark(p, x+1.3, base-1.4, 1.35, c.v, false)
		s.paint(p, 0, 0)
		text := fmt.Sprintf("%d %s", c.n, c.v)
		s.text(x+4.2, base, text, 10, draw.Ink, true, draw.Start)
		x += 4.2 + draw.TextWidth(text, 10, true) + 7
	}
	right := s.tallyBeside(open)
	s.text(s.x1-4, base, draw.Fit(right, 8, false, s.x1-4-x), 8, draw.Soft, false, draw.End)
	s.y += h + 1
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
	w := s.x1 - s.x0
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
				wish = math.Max(wish, draw.TextWidth(a, sizeTable-0.3, false))
				limits = math.Max(limits, draw.TextWidth(b, sizeTable-0.3, false))
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
	y := s.y + 3.6
	s.text(s.x0+c.found+c.value-8.5, y, upper(s.first), sizeTable, draw.Ink, true, draw.Start)
	if s.last != "" {
		s.text(s.x0+c.left+c.value-8.5, y, draw.Fit(upper(s.last), sizeTable, true, c.blockW-4), sizeTable, draw.Ink, true, draw.Start)
	}
	if s.judged {
		s.text(s.x0+c.wishEnd, y, "Target", sizeTable, draw.Ink, true, draw.End)
		s.text(s.x0+c.targetEnd, y, "limits", sizeSmall, draw.Soft, false, draw.End)
		s.text(s.x0+c.strip+c.width*(bandFrom+bandTo)/2, y, "tolerance", sizeSmall, draw.Soft, false, draw.Middle)
	}
	s.y += 5
	s.rule(s.y, draw.Ink, 0.3)
}

// readings sets the table of readings with their strips, axle by axle, the
// rows pitch high.
func (s *sheet) readings(rank int, pitch float64) {
	c := s.columns(rank)
	s.tableHead(c)
	for axle := 1; axle <= len(s.Vehicle.Axles); axle++ {
		lines := s.mains(axle, rank)
		n := float64(min(3, len(lines)))
		if s.need(5 + pitch*n) {
			s.tableHead(c)
		}
		s.fill(s.x0, s.y, s.x1-s.x0, 5, draw.Tint)
		s.text(s.x0+1, s.y+3.55, draw.Fit(s.clean(s.axleTitle(axle)), sizeTable+0.3, true, s.x1-s.x0-2), sizeTable+0.3, draw.Ink, true, draw.Start)
		s.y += 5
		if len(lines) == 0 {
			s.text(s.x0+1, s.y+3.4, "no reading of this axle", sizeTable, draw.Soft, false, draw.Start)
			s.y += pitch
		}
		for i, l := range lines {
			if s.need(pitch) {
				s.tableHead(c)
			}
			if i > 0 {
				s.rule(s.y, draw.Hairline, 0.12)
			}
			s.row(l, c, pitch)
		}
	}
	s.rule(s.y, draw.Ink, 0.3)
}

func (s *sheet) row(l *line, c columns, pitch float64) {
	y := s.y + pitch/2 + sizeTable*draw.Point*0.36
	if l.first {
		size := math.Max(5.8, math.Min(sizeTable, sizeTable*0.999*(c.side-1.8)/draw.TextWidth(l.title(), sizeTable, false)))
		s.text(s.x0+1, y, draw.Fit(s.clean(l.title()), size, false, c.side-1.8), size, draw.Ink, false, draw.Start)
	}
	s.text(s.x0+c.side, y, draw.Fit(s.clean(l.whose()), sizeTable, false, c.found-c.side+1.5), sizeTable, draw.Soft, false, draw.Start)
	block := func(x float64, e *cell, strong bool) {
		if e == nil {
			s.text(x+c.value, y, "–", sizeTable, draw.Faint, false, draw.End)
			return
		}
		s.text(x+c.value, y, s.number(l, e.value), sizeTable, draw.Ink, strong, draw.End)
		if u := s.expanded(l, e.u); u != "" {
			s.text(x+c.plus, y, "± "+u, sizeTable, draw.Soft, false, draw.End)
		}
		s.text(x+c.plus+0.8, y, s.unit(l), sizeSmall, draw.Soft, false, draw.Start)
		if e.Verdict != "" {
			s.mark(x+c.mark, s.y+pitch/2, e.Verdict)
			s.text(x+c.mark+2, y, string(e.Verdict), sizeTable-0.3, draw.Ink, strong, draw.Start)
		}
	}
	block(s.x0+c.found, l.found, s.last == "")
	if s.last != "" {
		block(s.x0+c.left, l.left, true)
	}
	if s.judged {
		wish, limits := s.limits(l)
		s.text(s.x0+c.wishEnd, y, wish, sizeTable-0.3, draw.Ink, false, draw.End)
		s.text(s.x0+c.targetEnd, y, limits, sizeTable-0.3, draw.Soft, false, draw.End)
	}
	s.paint(s.strip(l, c.width, pitch), s.x0+c.strip, s.y)
	s.y += pitch
}

// legend explains signs and strips.
func (s *sheet) legend() {
	s.need(5)
	s.y += 4
	x := s.x0 + 1
	put := func(v align.Verdict, what string) {
		s.mark(x+0.6, s.y-0.9, v)
		s.text(x+2.6, s.y, what, sizeSmall, draw.Soft, false, draw.Start)
		x += 2.6 + draw.TextWidth(what, sizeSmall, false) + 4
	}
	if s.judged {
		put(align.Within, "within")
		put(align.Undecided, "undecided")
		put(align.Outside, "outside")
	}
	put("", "no target")
	text := s.keyText()
	s.text(s.x1, s.y, draw.Fit(text, sizeSmall, false, s.x1-x), sizeSmall, draw.Soft, false, draw.End)
	s.y += 2
}

// signatures sets lines to sign on, with the names of those who are known.
func (s *sheet) signatures() {
	s.y += 2
	s.need(signHigh)
	s.sign()
}

// signHigh is the height of the lines to sign on.
const signHigh = 20

func (s *sheet) sign() {
	list := s.signers()
	gap := 6.0
	w := (s.x1 - s.x0 - gap*float64(len(list)-1)) / float64(len(list))
	for i, p := range list {
		x := s.x0 + (w+gap)*float64(i)
		s.text(x, s.y+4, upper(p.Role), sizeSmall+0.5, draw.Soft, false, draw.Start)
		s.stroke(x, s.y+15, x+w, s.y+15, draw.Ink, 0.25)
		name := p.Name
		if name == "" {
			name = "name"
		}
		s.text(x, s.y+18.4, draw.Fit(s.clean(name), sizeSmall+0.5, false, w-22), sizeSmall+0.5, draw.Soft, false, draw.Start)
		s.text(x+w, s.y+18.4, "signature, date", sizeSmall, draw.Faint, false, draw.End)
	}
	s.y += signHigh
}

func (s *sheet) full() {
	s.title()
	s.facts(4, s.factList())
	s.verdicts()
	room := s.floor - s.y - 13
	if room < 110 {
		room = s.floor - s.top - 12
	}
	p := s.plan(s.x1-s.x0, room, true)
	s.head(s.planTitle(), p.H)
	s.y += 2
	s.paint(p, s.x0, s.y)
	s.y += p.H

	s.head("Readings", 40)
	s.readings(5, 4.8)
	s.legend()
	for _, g := range s.grids() {
		s.section(g, "")
	}
	if len(s.Visit.Remarks) > 0 {
		s.head("Remarks", 6)
		for _, r := range s.Visit.Remarks {
			s.para("–", r, sizeText, draw.Ink)
		}
	}
	if len(s.Slip) > 0 {
		s.section(s.slipGrid(), slipText)
	}
	if g := s.furtherGrid(); len(g.rows) > 0 {
		s.section(g, "")
	}
	s.network()
	s.head("How it was measured", 15)
	for _, m := range s.method() {
		s.para("", m, sizeText, draw.Ink)
	}
	s.head("Cautions", 15)
	for _, c := range cautions {
		s.para("–", c, sizeText, draw.Ink)
	}
	s.head("Signatures", 23)
	s.signatures()
}

func (s *sheet) network() {
	if s.Network == nil {
		return
	}
	g := s.stationGrid()
	s.head("Photographs and how well they fit", 12+math.Min(60, s.gridHeight(g)))
	s.facts(6, s.networkFacts())
	if len(g.rows) > 1 {
		s.grid(g)
	}
	s.y += 1.5
	for _, n := range s.networkNotes() {
		s.para("–", n, sizeText, draw.Ink)
	}
}

// onePage sets everything on one page: what does not fit is left out, the least
// important first, and counted.
func (s *sheet) onePage() {
	s.title()
	s.facts(4, s.shortFacts())
	s.verdicts()
	notes := []string{s.shortMethod(), s.shortCaution()}
	foot := signHigh + 1.5
	for i, n := range notes {
		if i == 0 {
			n += " The full record has the drawing and 99 more readings."
		}
		foot += s.paraHeight("", n, sizeSmall)
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
		return s.floor - s.y - foot - 5 - 6 - 5*float64(len(s.Vehicle.Axles)) - 5
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
		y := s.y + 2
		p := s.plan(w, plan-3, false)
		s.paint(p, s.x0, y)
		s.beside(s.x0+w+8, y, plan-3)
		s.y = y + plan
	}
	s.readings(rank, pitch)
	all := 0
	for a := range s.Vehicle.Axles {
		all += len(s.mains(a+1, 9)) - len(s.mains(a+1, rank))
	}
	s.legend()
	if what := plural(all, "more reading"); all > 0 || !drawn {
		if !drawn {
			what = strings.TrimSuffix("the drawing and "+what, " and 0 more readings")
		}
		notes[0] += fmt.Sprintf(" The full record has %s.", what)
	}
	s.y += 0.5
	for _, n := range notes {
		s.para("", n, sizeSmall, draw.Soft)
	}
	s.y = max(s.y, s.floor-signHigh)
	s.sign()
}

// beside sets what was checked and done at the right of the small drawing, as
// far as there is room.
func (s *sheet) beside(x, y, h float64) {
	x0 := s.x0
	s.x0 = x
	defer func() { s.x0 = x0 }()
	bottom := y + h
	s.y = y
	left := 0
	for _, g := range s.grids() {
		b := g.brief()
		rows := b.rows
		b.rows = nil
		for _, r := range rows {
			b.rows = append(b.rows, r)
			if s.y+4+s.gridHeight(b)+4 > bottom {
				b.rows = b.rows[:len(b.rows)-1]
				break
			}
		}
		left += len(rows) - len(b.rows)
		if len(b.rows) == 0 {
			continue
		}
		s.y += 3.4
		s.text(s.x0, s.y, g.title, sizeText, draw.Ink, true, draw.Start)
		s.y += 0.6
		s.grid(b)
		s.y += 1.5
	}
	if left > 0 {
		s.text(s.x0, min(s.y+3, bottom), fmt.Sprintf("%s more in the full record", plural(left, "entry")), sizeSmall, draw.Soft, false, draw.Start)
	}
}
