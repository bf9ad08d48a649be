// Package draw holds what all drawings are made of: pictures in millimetres,
// made once, written as SVG and painted into PDF pages alike, with texts whose
// widths are known; and the plots, bars and vehicles seen from above that are
// made of them.
package draw

import (
	"fmt"
	"html"
	"io"
	"math"
	"strconv"
	"strings"
)

// Colour is that of ink, "#rrggbb".
type Colour string

// The colours. Blue, vermilion and yellow are of the set of Okabe and Ito
// (2008), "Color universal design", made for people of every colour vision;
// nothing is told by colour alone.
const (
	Ink       Colour = "#16222e"
	Soft      Colour = "#55616d" // words beside the numbers
	Faint     Colour = "#8d98a3"
	Hairline  Colour = "#c6ced5"
	Tint      Colour = "#f1f4f6" // ground of a heading, of the vehicle
	Band      Colour = "#d7e6f1" // tolerance
	Blue      Colour = "#0072b2" // within, thrust line
	Vermilion Colour = "#d55e00" // outside
	Yellow    Colour = "#f0e442" // undecided
	White     Colour = "#ffffff"
)

// Picture is a drawing in millimetres from its top left corner, x to the right
// and y down: made once, written as SVG and painted into a PDF. Title and Desc
// tell it to who cannot see it.
type Picture struct {
	W, H        float64
	Title, Desc string
	Shapes      []Shape
}

// Shape is a path, or a text where Text is not empty.
type Shape struct {
	Path   []Segment
	Stroke Colour  // "": none
	Fill   Colour  // "": none
	Width  float64 // of the stroke, mm
	Dash   []float64

	Text   string
	X, Y   float64 // of the text's base line
	Size   float64 // mm
	Bold   bool
	Anchor Anchor
}

// Anchor tells which part of a text stands at its x.
type Anchor int

const (
	Start Anchor = iota
	Middle
	End
)

var anchorWords = [...]string{"start", "middle", "end"}

// Segment of a path: move, line, cubic curve or close.
type Segment struct {
	Op rune // M, L, C, Z
	P  [3][2]float64
}

// Point is the unit of type sizes, mm.
const Point = 25.4 / 72

// Add adds a shape over those that are there.
func (p *Picture) Add(s Shape) { p.Shapes = append(p.Shapes, s) }

// Line adds a straight line.
func (p *Picture) Line(x0, y0, x1, y1 float64, c Colour, width float64, dash ...float64) {
	p.Add(Shape{Path: Polygon(false, [2]float64{x0, y0}, [2]float64{x1, y1}), Stroke: c, Width: width, Dash: dash})
}

// Rect adds a rectangle; a fill or stroke of "" is none.
func (p *Picture) Rect(x, y, w, h float64, fill, stroke Colour, width float64) {
	p.Add(Shape{Path: Polygon(true, [2]float64{x, y}, [2]float64{x + w, y}, [2]float64{x + w, y + h}, [2]float64{x, y + h}), Fill: fill, Stroke: stroke, Width: width})
}

// Circle adds a circle; a fill or stroke of "" is none.
func (p *Picture) Circle(x, y, r float64, fill, stroke Colour, width float64) {
	p.Add(Shape{Path: Rounded(x-r, y-r, 2*r, 2*r, r), Fill: fill, Stroke: stroke, Width: width})
}

// Write adds one line of text, its size in points, its base line at y.
func (p *Picture) Write(x, y float64, s string, points float64, c Colour, bold bool, a Anchor) {
	if s != "" {
		p.Add(Shape{Text: s, X: x, Y: y, Size: points * Point, Fill: c, Bold: bold, Anchor: a})
	}
}

// Polygon is a path along straight lines.
func Polygon(closed bool, points ...[2]float64) []Segment {
	var out []Segment
	for i, q := range points {
		op := 'L'
		if i == 0 {
			op = 'M'
		}
		out = append(out, Segment{Op: op, P: [3][2]float64{q}})
	}
	if closed {
		out = append(out, Segment{Op: 'Z'})
	}
	return out
}

// Rounded is a rectangle with round corners; a circle where r is half its side.
func Rounded(x, y, w, h, r float64) []Segment {
	r = math.Min(r, math.Min(w, h)/2)
	k := r * (1 - 4*(math.Sqrt2-1)/3) // a quarter circle as one cubic curve
	x1, y1 := x+w, y+h
	m := func(a, b float64) Segment { return Segment{Op: 'M', P: [3][2]float64{{a, b}}} }
	l := func(a, b float64) Segment { return Segment{Op: 'L', P: [3][2]float64{{a, b}}} }
	c := func(a, b, cx, cy, d, e float64) Segment {
		return Segment{Op: 'C', P: [3][2]float64{{a, b}, {cx, cy}, {d, e}}}
	}
	if 2*r >= math.Max(w, h) { // a circle has no straight parts to draw
		return []Segment{m(x+r, y), c(x1-k, y, x1, y+k, x1, y+r), c(x1, y1-k, x1-k, y1, x+r, y1), c(x+k, y1, x, y1-k, x, y+r), c(x, y+k, x+k, y, x+r, y), {Op: 'Z'}}
	}
	return []Segment{
		m(x+r, y), l(x1-r, y), c(x1-k, y, x1, y+k, x1, y+r),
		l(x1, y1-r), c(x1, y1-k, x1-k, y1, x1-r, y1),
		l(x+r, y1), c(x+k, y1, x, y1-k, x, y1-r),
		l(x, y+r), c(x, y+k, x+k, y, x+r, y), {Op: 'Z'},
	}
}

// Turned returns a path turned about a point by an angle, counterclockwise as
// seen on the page, and moved by (dx, dy).
func Turned(path []Segment, cx, cy, angle, dx, dy float64) []Segment {
	s, c := math.Sincos(angle)
	out := make([]Segment, len(path))
	for i, g := range path {
		out[i].Op = g.Op
		for k, q := range g.P {
			x, y := q[0]-cx, q[1]-cy
			out[i].P[k] = [2]float64{cx + c*x + s*y + dx, cy - s*x + c*y + dy}
		}
	}
	return out
}

// Place adds all of another picture, its top left corner at (x, y).
func (p *Picture) Place(q *Picture, x, y float64) {
	for _, s := range q.Shapes {
		s.X, s.Y, s.Path = s.X+x, s.Y+y, Turned(s.Path, 0, 0, 0, x, y)
		p.Add(s)
	}
}

// Wedge is a path from a point along the rays of two directions and an arc of
// radius r between them. Directions are counterclockwise from the right as seen
// on the page, rad.
func Wedge(x, y, r, from, to float64) []Segment {
	at := func(a, k float64) [2]float64 { // k along the tangent
		s, c := math.Sincos(a)
		return [2]float64{x + r*(c-k*s), y - r*(s+k*c)}
	}
	n := max(1, int(math.Ceil(math.Abs(to-from)/(math.Pi/4)))) // arcs of one cubic curve each
	step := (to - from) / float64(n)
	k := 4.0 / 3 * math.Tan(step/4)
	out := []Segment{{Op: 'M', P: [3][2]float64{{x, y}}}, {Op: 'L', P: [3][2]float64{at(from, 0)}}}
	for i := range n {
		a, b := from+step*float64(i), from+step*float64(i+1)
		out = append(out, Segment{Op: 'C', P: [3][2]float64{at(a, k), at(b, -k), at(b, 0)}})
	}
	return append(out, Segment{Op: 'Z'})
}

// Num writes a coordinate to a micrometre.
func Num(v float64) string { return strconv.FormatFloat(math.Round(v*1e3)/1e3+0, 'f', -1, 64) }

// SVG returns a picture as an SVG element. id must be the page's only one of its
// name; without a title the picture is told to be decoration.
func (p *Picture) SVG(id, class string) string {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="%s" xmlns="http://www.w3.org/2000/svg" width="%smm" height="%smm" viewBox="0 0 %s %s" stroke-linejoin="round"`, class, Num(p.W), Num(p.H), Num(p.W), Num(p.H))
	if p.Title == "" {
		b.WriteString(` aria-hidden="true">`)
	} else {
		fmt.Fprintf(&b, ` role="img" aria-labelledby="%s-t`, id)
		if p.Desc != "" {
			fmt.Fprintf(&b, ` %s-d`, id)
		}
		fmt.Fprintf(&b, `"><title id="%s-t">%s</title>`, id, html.EscapeString(p.Title))
		if p.Desc != "" {
			fmt.Fprintf(&b, `<desc id="%s-d">%s</desc>`, id, html.EscapeString(p.Desc))
		}
	}
	for _, s := range p.Shapes {
		if s.Text != "" {
			fmt.Fprintf(&b, `<text x="%s" y="%s" font-size="%s" fill="%s"`, Num(s.X), Num(s.Y), Num(s.Size), s.Fill)
			if s.Bold {
				b.WriteString(` font-weight="700"`)
			}
			if s.Anchor != Start {
				fmt.Fprintf(&b, ` text-anchor="%s"`, anchorWords[s.Anchor])
			}
			// Held to its width in our font, so that with another nothing overlaps.
			fmt.Fprintf(&b, ` textLength="%s" lengthAdjust="spacingAndGlyphs">%s</text>`, Num(TextWidth(s.Text, s.Size/Point, s.Bold)), html.EscapeString(s.Text))
			continue
		}
		b.WriteString(`<path d="`)
		for _, g := range s.Path {
			b.WriteRune(g.Op)
			n := map[rune]int{'M': 1, 'L': 1, 'C': 3}[g.Op]
			for k := range n {
				fmt.Fprintf(&b, "%s %s", Num(g.P[k][0]), Num(g.P[k][1]))
				if k+1 < n {
					b.WriteByte(' ')
				}
			}
		}
		fill := string(s.Fill)
		if fill == "" {
			fill = "none"
		}
		fmt.Fprintf(&b, `" fill="%s"`, fill)
		if s.Stroke != "" {
			fmt.Fprintf(&b, ` stroke="%s" stroke-width="%s"`, s.Stroke, Num(s.Width))
			for i, d := range s.Dash {
				b.WriteString([]string{` stroke-dasharray="`, " "}[min(i, 1)] + Num(d))
			}
			if len(s.Dash) > 0 {
				b.WriteByte('"')
			}
		}
		b.WriteString(`/>`)
	}
	b.WriteString(`</svg>`)
	return b.String()
}

// WriteSVG writes a picture as a file of its own, on white.
func (p *Picture) WriteSVG(w io.Writer) error {
	q := &Picture{W: p.W, H: p.H, Title: p.Title, Desc: p.Desc}
	q.Rect(0, 0, p.W, p.H, White, "", 0)
	q.Shapes = append(q.Shapes, p.Shapes...)
	svg := strings.Replace(q.SVG("picture", "picture"), "<svg ", `<svg font-family="Liberation Sans, Arimo, Arial, Helvetica, sans-serif" `, 1)
	_, err := io.WriteString(w, `<?xml version="1.0" encoding="UTF-8"?>`+"\n"+svg+"\n")
	return err
}

// Box is a text of a picture with where it stands, mm: from its capitals' height
// to a little below the base line.
type Box struct {
	Text           string
	X0, Y0, X1, Y1 float64
}

// Texts lists where a picture's texts stand.
func (p *Picture) Texts() []Box {
	var out []Box
	for _, s := range p.Shapes {
		if s.Text == "" {
			continue
		}
		w := TextWidth(s.Text, s.Size/Point, s.Bold)
		x := s.X - w*float64(s.Anchor)/2
		// Cap height and descender of Liberation Sans, of its size.
		out = append(out, Box{s.Text, x, s.Y - 0.73*s.Size, x + w, s.Y + 0.05*s.Size})
	}
	return out
}

// Untidy tells which texts overlap or leave the picture: none should.
func (p *Picture) Untidy() []string {
	var out []string
	boxes := p.Texts()
	common := func(a0, a1, b0, b1 float64) float64 { return math.Min(a1, b1) - math.Max(a0, b0) }
	for i, a := range boxes {
		if a.X0 < -0.1 || a.X1 > p.W+0.1 || a.Y0 < -0.1 || a.Y1 > p.H+0.1 {
			out = append(out, fmt.Sprintf("%q leaves the picture: %+v of %g × %g", a.Text, a, p.W, p.H))
		}
		for _, b := range boxes[:i] {
			if common(a.X0, a.X1, b.X0, b.X1) > 0.2 && common(a.Y0, a.Y1, b.Y0, b.Y1) > 0.2 {
				out = append(out, fmt.Sprintf("%q and %q overlap", a.Text, b.Text))
			}
		}
	}
	return out
}
