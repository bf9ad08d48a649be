package record

import (
	"fmt"
	"html"
	"math"
	"strconv"
	"strings"
	"sync"

	"wheelplane/pose/align"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// Colour of ink, "#rrggbb".
type colour string

// The colours. Blue, vermilion and yellow are of the set of Okabe and Ito
// (2008), "Color universal design", made for people of every colour vision;
// nothing is told by colour alone.
const (
	ink       colour = "#16222e"
	soft      colour = "#55616d" // words beside the numbers
	faint     colour = "#8d98a3"
	hairline  colour = "#c6ced5"
	tint      colour = "#f1f4f6" // ground of a heading, of the vehicle
	band      colour = "#d7e6f1" // tolerance
	blue      colour = "#0072b2" // within, thrust line
	vermilion colour = "#d55e00" // outside
	yellow    colour = "#f0e442" // undecided
	white     colour = "#ffffff"
)

// picture is a drawing in millimetres from its top left corner: made once,
// written as SVG and painted into the PDF.
type picture struct {
	w, h        float64
	title, desc string
	shapes      []shape
}

// shape is a path, or a text where text is not empty.
type shape struct {
	path   []segment
	stroke colour // "": none
	fill   colour // "": none
	width  float64
	dash   []float64

	text   string
	x, y   float64 // of the text's base line
	size   float64 // mm
	bold   bool
	anchor anchor
}

type anchor int

const (
	start anchor = iota
	middle
	end
)

var anchorWords = [...]string{"start", "middle", "end"}

// segment of a path: move, line, curve or close.
type segment struct {
	op rune // M, L, C, Z
	p  [3][2]float64
}

const point = 25.4 / 72 // mm

func (p *picture) add(s shape) { p.shapes = append(p.shapes, s) }

func (p *picture) line(x0, y0, x1, y1 float64, c colour, width float64, dash ...float64) {
	p.add(shape{path: polygon(false, [2]float64{x0, y0}, [2]float64{x1, y1}), stroke: c, width: width, dash: dash})
}

func (p *picture) rect(x, y, w, h float64, fill, stroke colour, width float64) {
	p.add(shape{path: polygon(true, [2]float64{x, y}, [2]float64{x + w, y}, [2]float64{x + w, y + h}, [2]float64{x, y + h}), fill: fill, stroke: stroke, width: width})
}

func (p *picture) circle(x, y, r float64, fill, stroke colour, width float64) {
	p.add(shape{path: rounded(x-r, y-r, 2*r, 2*r, r), fill: fill, stroke: stroke, width: width})
}

// write sets a text in points; \n is not known here.
func (p *picture) write(x, y float64, s string, points float64, c colour, bold bool, a anchor) {
	if s != "" {
		p.add(shape{text: s, x: x, y: y, size: points * point, fill: c, bold: bold, anchor: a})
	}
}

func polygon(closed bool, points ...[2]float64) []segment {
	var out []segment
	for i, q := range points {
		op := 'L'
		if i == 0 {
			op = 'M'
		}
		out = append(out, segment{op: op, p: [3][2]float64{q}})
	}
	if closed {
		out = append(out, segment{op: 'Z'})
	}
	return out
}

// rounded is a rectangle with round corners; a circle where r is half its side.
func rounded(x, y, w, h, r float64) []segment {
	r = math.Min(r, math.Min(w, h)/2)
	k := r * (1 - 4*(math.Sqrt2-1)/3) // a quarter circle as one cubic curve
	x1, y1 := x+w, y+h
	m := func(a, b float64) segment { return segment{op: 'M', p: [3][2]float64{{a, b}}} }
	l := func(a, b float64) segment { return segment{op: 'L', p: [3][2]float64{{a, b}}} }
	c := func(a, b, cx, cy, d, e float64) segment {
		return segment{op: 'C', p: [3][2]float64{{a, b}, {cx, cy}, {d, e}}}
	}
	if 2*r >= math.Max(w, h) { // a circle has no straight parts to draw
		return []segment{m(x+r, y), c(x1-k, y, x1, y+k, x1, y+r), c(x1, y1-k, x1-k, y1, x+r, y1), c(x+k, y1, x, y1-k, x, y+r), c(x, y+k, x+k, y, x+r, y), {op: 'Z'}}
	}
	return []segment{
		m(x+r, y), l(x1-r, y), c(x1-k, y, x1, y+k, x1, y+r),
		l(x1, y1-r), c(x1, y1-k, x1-k, y1, x1-r, y1),
		l(x+r, y1), c(x+k, y1, x, y1-k, x, y1-r),
		l(x, y+r), c(x, y+k, x+k, y, x+r, y), {op: 'Z'},
	}
}

// turned returns a path turned about a point by an angle, counterclockwise as
// seen on the page, and moved by (dx, dy).
func turned(path []segment, cx, cy, angle, dx, dy float64) []segment {
	s, c := math.Sincos(angle)
	out := make([]segment, len(path))
	for i, g := range path {
		out[i].op = g.op
		for k, q := range g.p {
			x, y := q[0]-cx, q[1]-cy
			out[i].p[k] = [2]float64{cx + c*x + s*y + dx, cy - s*x + c*y + dy}
		}
	}
	return out
}

// mark draws a verdict's sign: a disc for within, a square standing on its
// corner for outside, a square half filled for undecided, a ring where nothing
// is judged. r is half its width. Pale ones belong to the epoch before.
func (p *picture) mark(x, y, r float64, v align.Verdict, pale bool) {
	c, fill := verdictColour(v), verdictColour(v)
	if pale {
		fill = white
	}
	switch v {
	case align.Within:
		p.circle(x, y, r, fill, c, r/3)
	case align.Outside:
		d := r * 1.25
		p.add(shape{path: polygon(true, [2]float64{x, y - d}, [2]float64{x + d, y}, [2]float64{x, y + d}, [2]float64{x - d, y}), fill: fill, stroke: c, width: r / 3})
	case align.Undecided:
		a := r * 0.9
		p.rect(x-a, y-a, 2*a, 2*a, white, ink, r/3)
		if pale {
			p.add(shape{path: polygon(true, [2]float64{x - a, y + a}, [2]float64{x + a, y + a}, [2]float64{x + a, y - a}), fill: hairline})
			break
		}
		p.add(shape{path: polygon(true, [2]float64{x - a, y + a}, [2]float64{x + a, y + a}, [2]float64{x + a, y - a}), fill: c, stroke: ink, width: r / 3})
	default:
		p.circle(x, y, r*0.85, white, soft, r/2.5)
	}
}

func verdictColour(v align.Verdict) colour {
	switch v {
	case align.Within:
		return blue
	case align.Outside:
		return vermilion
	case align.Undecided:
		return yellow
	}
	return soft
}

// markPicture is one verdict's sign by itself.
func markPicture(v align.Verdict) *picture {
	p := &picture{w: 3, h: 3}
	p.mark(1.5, 1.5, 1, v, false)
	return p
}

// num writes a coordinate to a micrometre.
func num(v float64) string { return strconv.FormatFloat(math.Round(v*1e3)/1e3+0, 'f', -1, 64) }

// svg writes a picture as an SVG element. id must be the page's only one of its
// name; without a title the picture is told to be decoration.
func (p *picture) svg(id, class string) string {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="%s" xmlns="http://www.w3.org/2000/svg" width="%smm" height="%smm" viewBox="0 0 %s %s" stroke-linejoin="round"`, class, num(p.w), num(p.h), num(p.w), num(p.h))
	if p.title == "" {
		b.WriteString(` aria-hidden="true">`)
	} else {
		fmt.Fprintf(&b, ` role="img" aria-labelledby="%s-t`, id)
		if p.desc != "" {
			fmt.Fprintf(&b, ` %s-d`, id)
		}
		fmt.Fprintf(&b, `"><title id="%s-t">%s</title>`, id, html.EscapeString(p.title))
		if p.desc != "" {
			fmt.Fprintf(&b, `<desc id="%s-d">%s</desc>`, id, html.EscapeString(p.desc))
		}
	}
	for _, s := range p.shapes {
		if s.text != "" {
			fmt.Fprintf(&b, `<text x="%s" y="%s" font-size="%s" fill="%s"`, num(s.x), num(s.y), num(s.size), s.fill)
			if s.bold {
				b.WriteString(` font-weight="700"`)
			}
			if s.anchor != start {
				fmt.Fprintf(&b, ` text-anchor="%s"`, anchorWords[s.anchor])
			}
			// Held to its width in our font, so that with another nothing overlaps.
			fmt.Fprintf(&b, ` textLength="%s" lengthAdjust="spacingAndGlyphs">%s</text>`, num(textWidth(s.text, s.size/point, s.bold)), html.EscapeString(s.text))
			continue
		}
		b.WriteString(`<path d="`)
		for _, g := range s.path {
			b.WriteRune(g.op)
			n := map[rune]int{'M': 1, 'L': 1, 'C': 3}[g.op]
			for k := range n {
				fmt.Fprintf(&b, "%s %s", num(g.p[k][0]), num(g.p[k][1]))
				if k+1 < n {
					b.WriteByte(' ')
				}
			}
		}
		fill := string(s.fill)
		if fill == "" {
			fill = "none"
		}
		fmt.Fprintf(&b, `" fill="%s"`, fill)
		if s.stroke != "" {
			fmt.Fprintf(&b, ` stroke="%s" stroke-width="%s"`, s.stroke, num(s.width))
			for i, d := range s.dash {
				b.WriteString([]string{` stroke-dasharray="`, " "}[min(i, 1)] + num(d))
			}
			if len(s.dash) > 0 {
				b.WriteByte('"')
			}
		}
		b.WriteString(`/>`)
	}
	b.WriteString(`</svg>`)
	return b.String()
}

// The fonts: Liberation Sans, embedded in what we write as PDF; the HTML asks
// for it or for one as wide.
var (
	regularTTF = liberationsansregular.TTF
	boldTTF    = liberationsansbold.TTF
)

// letters measures a font, each sign once.
type letters struct {
	mu    sync.Mutex
	font  *sfnt.Font
	width map[rune]float64 // of the size; absent signs have none
	buf   sfnt.Buffer
}

var fonts = sync.OnceValue(func() [2]*letters {
	var out [2]*letters
	for i, data := range [][]byte{regularTTF, boldTTF} {
		f, err := sfnt.Parse(data)
		if err != nil {
			panic(err)
		}
		out[i] = &letters{font: f, width: map[rune]float64{}}
	}
	return out
})

func lettersOf(bold bool) *letters {
	if bold {
		return fonts()[1]
	}
	return fonts()[0]
}

// of returns a sign's width over the size; false where the font lacks it.
func (l *letters) of(r rune) (float64, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if w, ok := l.width[r]; ok {
		return w, w >= 0
	}
	w := -1.0
	if g, err := l.font.GlyphIndex(&l.buf, r); err == nil && g != 0 && r <= 0xffff {
		if a, err := l.font.GlyphAdvance(&l.buf, g, fixed.I(1000), font.HintingNone); err == nil {
			w = float64(a) / 64 / 1000
		}
	}
	l.width[r] = w
	return w, w >= 0
}

// textWidth is a text's width in mm.
func textWidth(s string, points float64, bold bool) float64 {
	l, sum := lettersOf(bold), 0.0
	for _, r := range s {
		w, ok := l.of(r)
		if !ok {
			w = 0.6
		}
		sum += w
	}
	return sum * points * point
}

// wrap breaks a text into lines no wider than w mm; a word that is wider is
// broken within.
func wrap(s string, points float64, bold bool, w float64) []string {
	var out []string
	for _, paragraph := range strings.Split(s, "\n") {
		line := ""
		for _, word := range strings.Fields(paragraph) {
			if line != "" && textWidth(line+" "+word, points, bold) <= w {
				line += " " + word
				continue
			}
			if line != "" {
				out = append(out, line)
			}
			for textWidth(word, points, bold) > w {
				cut := 0
				for i := range word {
					if i > 0 && textWidth(word[:i], points, bold) > w {
						break
					}
					cut = i
				}
				if cut == 0 {
					break
				}
				out = append(out, word[:cut])
				word = word[cut:]
			}
			line = word
		}
		out = append(out, line)
	}
	return out
}

// fit shortens a text to w mm, with an ellipsis.
func fit(s string, points float64, bold bool, w float64) string {
	if textWidth(s, points, bold) <= w {
		return s
	}
	r := []rune(s)
	for len(r) > 0 && textWidth(string(r)+"…", points, bold) > w {
		r = r[:len(r)-1]
	}
	return strings.TrimRight(string(r), " ") + "…"
}
