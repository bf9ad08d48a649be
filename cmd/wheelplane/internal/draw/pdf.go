package draw

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"time"

	"github.com/go-pdf/fpdf"
)

// PDF is a file being set, page by page. The same calls give the same bytes.
type PDF struct {
	W, H float64       // of its pages, mm
	Lost map[rune]bool // signs the fonts lack; a box stands for them
	pdf  *fpdf.Fpdf
}

// About is what a PDF says of itself.
type About struct {
	Title   string
	Version string // of this program
	Made    time.Time
}

// NewPDF begins a file without pages.
func NewPDF(w, h float64, about About) *PDF {
	d := &PDF{W: w, H: h, Lost: map[rune]bool{}}
	d.pdf = fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: fpdf.SizeType{Wd: w, Ht: h}})
	d.pdf.SetAutoPageBreak(false, 0)
	d.pdf.SetCatalogSort(true)
	d.pdf.SetCreationDate(about.Made)
	d.pdf.SetModificationDate(about.Made)
	d.pdf.SetTitle(Clean(about.Title, d.Lost), true)
	d.pdf.SetCreator("wheelplane "+about.Version, true)
	d.pdf.SetProducer("wheelplane "+about.Version, true)
	d.pdf.SetLang("en-GB")
	d.pdf.SetLineJoinStyle("round")
	d.pdf.AddUTF8FontFromBytes("sans", "", regularTTF)
	d.pdf.AddUTF8FontFromBytes("sans", "B", boldTTF)
	return d
}

// AddPage begins a page.
func (d *PDF) AddPage() { d.pdf.AddPage() }

// Pages is how many there are.
func (d *PDF) Pages() int { return d.pdf.PageCount() }

// SetPage goes back to a page, counted from 1.
func (d *PDF) SetPage(i int) { d.pdf.SetPage(i) }

// Bookmark lists a place of this page in the reader's table of contents.
func (d *PDF) Bookmark(title string, y float64) { d.pdf.Bookmark(Clean(title, d.Lost), 0, y) }

// LostSigns lists the signs that the fonts lack.
func (d *PDF) LostSigns() []rune { return slices.Sorted(maps.Keys(d.Lost)) }

// Output writes the file.
func (d *PDF) Output(w io.Writer) error { return d.pdf.Output(w) }

func rgb(c Colour) (r, g, b int) {
	v, err := strconv.ParseUint(string(c[1:]), 16, 32)
	if err != nil {
		panic(err)
	}
	return int(v >> 16), int(v >> 8 & 255), int(v & 255)
}

// Text sets one line of text, its base line at y.
func (d *PDF) Text(x, y float64, text string, points float64, c Colour, bold bool, a Anchor) {
	if text == "" {
		return
	}
	text = Clean(text, d.Lost)
	style := ""
	if bold {
		style = "B"
	}
	d.pdf.SetFont("sans", style, 0)
	d.pdf.SetFontUnitSize(points * Point)
	d.pdf.SetTextColor(rgb(c))
	switch a {
	case Middle:
		x -= TextWidth(text, points, bold) / 2
	case End:
		x -= TextWidth(text, points, bold)
	}
	d.pdf.Text(x, y, text)
}

// Paint draws a picture with its top left corner at (x, y).
func (d *PDF) Paint(p *Picture, x, y float64) {
	for _, s := range p.Shapes {
		if s.Text != "" {
			d.Text(x+s.X, y+s.Y, s.Text, s.Size/Point, s.Fill, s.Bold, s.Anchor)
			continue
		}
		how := ""
		if s.Fill != "" {
			d.pdf.SetFillColor(rgb(s.Fill))
			how = "F"
		}
		if s.Stroke != "" {
			d.pdf.SetDrawColor(rgb(s.Stroke))
			d.pdf.SetLineWidth(s.Width)
			d.pdf.SetDashPattern(s.Dash, 0)
			how += "D"
		}
		for _, g := range s.Path {
			q := g.P
			switch g.Op {
			case 'M':
				d.pdf.MoveTo(x+q[0][0], y+q[0][1])
			case 'L':
				d.pdf.LineTo(x+q[0][0], y+q[0][1])
			case 'C':
				d.pdf.CurveBezierCubicTo(x+q[0][0], y+q[0][1], x+q[1][0], y+q[1][1], x+q[2][0], y+q[2][1])
			case 'Z':
				d.pdf.ClosePath()
			}
		}
		d.pdf.DrawPath(how)
	}
}

// A4 is the width and height of a page, mm.
const (
	A4Width  = 210.0
	A4Height = 297.0
)

// WritePDF writes pictures as a file of its own, each on an A4 page: in the middle
// of its width, from the top margin. A picture as large as the page has its own
// margins. It returns the signs that the fonts lack.
func WritePDF(w io.Writer, about About, pages ...*Picture) (lost []rune, err error) {
	const margin = 14
	d := NewPDF(A4Width, A4Height, about)
	for i, p := range pages {
		if p.W > A4Width+1e-6 || p.H > A4Height+1e-6 {
			return nil, fmt.Errorf("picture %d, %.0f × %.0f mm, does not go on an A4 page", i+1, p.W, p.H)
		}
		d.AddPage()
		d.Paint(p, (A4Width-p.W)/2, min(margin, (A4Height-p.H)/2))
	}
	return d.LostSigns(), d.Output(w)
}
