package draw

import "fmt"

// Sheet is a PDF being set from top to bottom: headings, paragraphs, forms and
// plain tables. Y is where the next thing goes, mm.
type Sheet struct {
	*PDF
	X0, X1     float64 // margins
	Top, Floor float64 // of what is set
	Y          float64
}

// Column of a plain table: its part of the width, and whether numbers stand in
// it.
type Column struct {
	Name  string
	Share float64
	Right bool
}

// Table is a plain table. With Pen its rows are to be written in by hand.
type Table struct {
	Columns []Column
	Rows    [][]string
	Pen     bool
}

// Words is a column of words, Numbers one of numbers, which stand at its right.
func Words(name string, share float64) Column { return Column{Name: name, Share: share} }

// Numbers is described at [Words].
func Numbers(name string, share float64) Column {
	return Column{Name: name, Share: share, Right: true}
}

// Fact is a name and its value, perhaps blank.
type Fact [2]string

// Sizes of type on a sheet, points.
const (
	SizeTitle = 19
	SizeHead  = 10.5
	SizeText  = 8.2
	SizeTable = 7.5
	SizeSmall = 6.5
)

const (
	gridGap  = 3.0
	gridHead = 4.4
	gridStep = SizeTable * Point * 1.3
)

// NewSheet begins a file with its first page.
func NewSheet(w, h float64, about About) *Sheet {
	s := &Sheet{PDF: NewPDF(w, h, about), X0: 14, X1: w - 14, Top: 20, Floor: h - 17}
	s.Page()
	s.Y = 14
	return s
}

// clean replaces signs that the fonts lack, so that nothing is lost unseen.
func (s *Sheet) clean(text string) string { return Clean(text, s.Lost) }

// Page begins a page.
func (s *Sheet) Page() {
	s.AddPage()
	s.Y = s.Top
}

// Need starts a new page where less than h is left.
func (s *Sheet) Need(h float64) bool {
	if s.Y+h <= s.Floor {
		return false
	}
	s.Page()
	return true
}

// Rule draws a line across the sheet.
func (s *Sheet) Rule(y float64, c Colour, width float64) { s.Stroke(s.X0, y, s.X1, y, c, width) }

// Stroke draws a straight line.
func (s *Sheet) Stroke(x0, y0, x1, y1 float64, c Colour, width float64) {
	p := &Picture{}
	p.Line(x0, y0, x1, y1, c, width)
	s.Paint(p, 0, 0)
}

// Fill fills a rectangle.
func (s *Sheet) Fill(x, y, w, h float64, c Colour) {
	p := &Picture{}
	p.Rect(x, y, w, h, c, "", 0)
	s.Paint(p, 0, 0)
}

// Head sets a section's heading; room is what must follow on the same page.
func (s *Sheet) Head(title string, room float64) {
	if s.Y > s.Top+1 {
		s.Y += 4.5
	}
	s.Need(8 + room)
	s.Y += 4
	s.Text(s.X0, s.Y, title, SizeHead, Ink, true, Start)
	s.Bookmark(title, s.Y-4)
	s.Y += 1.8
	s.Rule(s.Y, Ink, 0.3)
	s.Y += 1
}

// Para sets a paragraph, with a sign hung before it where lead is not empty.
func (s *Sheet) Para(lead, text string, points float64, c Colour) {
	x := s.X0
	if lead != "" {
		x += 4
	}
	step := points * Point * 1.38
	for i, l := range Wrap(s.clean(text), points, false, s.X1-x) {
		s.Need(step)
		s.Y += step
		if i == 0 && lead != "" {
			s.Text(s.X0+1, s.Y, lead, points, Soft, false, Start)
		}
		s.Text(x, s.Y, l, points, c, false, Start)
	}
	s.Y += step * 0.3
}

// ParaHeight is how high para will be.
func (s *Sheet) ParaHeight(lead, text string, points float64) float64 {
	w := s.X1 - s.X0
	if lead != "" {
		w -= 4
	}
	return points * Point * 1.38 * (float64(len(Wrap(s.clean(text), points, false, w))) + 0.3)
}

// Edges writes what stands at the head of every page but the first and at the
// foot of all, once their number is known.
func (s *Sheet) Edges(head, date, foot string) {
	n := s.Pages()
	for i := 1; i <= n; i++ {
		s.SetPage(i)
		if i > 1 {
			s.Text(s.X0, 12, Fit(s.clean(head), SizeSmall+0.5, false, s.X1-s.X0-45), SizeSmall+0.5, Soft, false, Start)
			s.Text(s.X1, 12, date, SizeSmall+0.5, Soft, false, End)
			s.Rule(14, Hairline, 0.25)
		}
		y := s.H - 9
		s.Rule(y-3.4, Hairline, 0.25)
		s.Text(s.X1, y, fmt.Sprintf("page %d of %d", i, n), SizeSmall, Soft, false, End)
		s.Text(s.X0, y, Fit(s.clean(foot), SizeSmall, false, s.X1-s.X0-25), SizeSmall, Soft, false, Start)
	}
}

// Title sets the top of the first page, with a date at its right.
func (s *Sheet) Title(heading, subject, date string) {
	s.Y += 6.5
	room := s.X1 - s.X0 - TextWidth(date, SizeHead, true) - 4
	s.Text(s.X0, s.Y, Fit(heading, SizeTitle, true, room), SizeTitle, Ink, true, Start)
	s.Text(s.X1, s.Y, date, SizeHead, Ink, true, End)
	s.Y += 6.2
	sub := Wrap(s.clean(subject), SizeHead, false, s.X1-s.X0)
	for i, l := range sub {
		if i == 2 {
			break
		}
		s.Text(s.X0, s.Y, l, SizeHead, Soft, false, Start)
		s.Y += 4.6
	}
	s.Y -= 1.6
	s.Rule(s.Y, Ink, 0.7)
	s.Y += 2
}

// Facts sets a form: a name above each value, a line to write on below it.
func (s *Sheet) Facts(columns int, list []Fact) {
	gap := 4.0
	w := (s.X1 - s.X0 - gap*float64(columns-1)) / float64(columns)
	for i := 0; i < len(list); i += columns {
		row := list[i:min(i+columns, len(list))]
		lines, most := make([][]string, len(row)), 1
		for k, f := range row {
			lines[k] = Wrap(s.clean(f[1]), 8.6, false, w)
			most = max(most, len(lines[k]))
		}
		h := 5.4 + 3.9*float64(most)
		s.Need(h)
		for k, f := range row {
			x := s.X0 + (w+gap)*float64(k)
			s.Text(x, s.Y+3, f[0], SizeSmall, Soft, false, Start)
			for j, l := range lines[k] {
				s.Text(x, s.Y+7+3.9*float64(j), l, 8.6, Ink, false, Start)
			}
			s.Stroke(x, s.Y+h-0.9, x+w, s.Y+h-0.9, Hairline, 0.25)
		}
		s.Y += h
	}
	s.Y += 1
}

// gridUnit is the width of a share of a plain table, mm.
func (s *Sheet) gridUnit(columns []Column) float64 {
	sum := 0.0
	for _, c := range columns {
		sum += c.Share
	}
	return (s.X1 - s.X0 - gridGap*float64(len(columns)-1)) / sum
}

// gridRow wraps a row's cells and says how high it is.
func (s *Sheet) gridRow(g Table, row []string) (cells [][]string, h float64) {
	unit, most := s.gridUnit(g.Columns), 1
	cells = make([][]string, len(g.Columns))
	for i, c := range g.Columns {
		if i < len(row) {
			cells[i] = Wrap(s.clean(row[i]), SizeTable, false, c.Share*unit)
			most = max(most, len(cells[i]))
		}
	}
	h = gridStep*float64(most) + 1.6
	if g.Pen {
		h += 1.6
	}
	return cells, h
}

// GridHeight is how high a plain table will be.
func (s *Sheet) GridHeight(g Table) float64 {
	sum := gridHead
	for _, r := range g.Rows {
		_, h := s.gridRow(g, r)
		sum += h
	}
	return sum
}

// Grid sets a plain table with wrapped cells; its heading comes again on every
// page.
func (s *Sheet) Grid(g Table) {
	unit := s.gridUnit(g.Columns)
	heads := func() {
		x := s.X0
		for _, c := range g.Columns {
			w := c.Share * unit
			if c.Right {
				s.Text(x+w, s.Y+3.2, c.Name, SizeSmall, Soft, false, End)
			} else {
				s.Text(x, s.Y+3.2, c.Name, SizeSmall, Soft, false, Start)
			}
			x += w + gridGap
		}
		s.Y += gridHead
		s.Rule(s.Y, Hairline, 0.25)
	}
	heads()
	for _, r := range g.Rows {
		cells, h := s.gridRow(g, r)
		if s.Need(h) {
			heads()
		}
		x := s.X0
		for i, c := range g.Columns {
			w := c.Share * unit
			for j, l := range cells[i] {
				y := s.Y + 3.3 + gridStep*float64(j)
				if g.Pen { // written to the line
					y = s.Y + h - 1.7 - gridStep*float64(len(cells[i])-1-j)
				}
				if c.Right {
					s.Text(x+w, y, l, SizeTable, Ink, false, End)
				} else {
					s.Text(x, y, l, SizeTable, Ink, false, Start)
				}
			}
			x += w + gridGap
		}
		s.Y += h
		s.Rule(s.Y, Hairline, 0.15)
	}
}
