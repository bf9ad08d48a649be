package draw

import (
	"math"
	"slices"
	"strconv"
)

// Chart is lines or points with their uncertainties against two axes. Lines are
// told apart by dashes and marks as well as by colour.
type Chart struct {
	W, H   float64 // mm
	Title  string
	Desc   string // what it shows, for who cannot see it
	X, Y   Axis
	Lines  []Series
	Guides []Guide
	Points float64 // size of type; 0: 8
}

// Axis is what a chart's lines stand against.
type Axis struct {
	Name     string
	Log      bool
	Min, Max float64  // both 0: as the data need
	Whole    bool     // counts: ticks at whole numbers only
	Names    []string // of 1, 2, … instead of numbers, as far as there is room
}

// Series is a line of a chart. Its name stands in the key, if it has one.
type Series struct {
	Name  string
	Dots  []Dot
	Loose bool // points only, not joined
	Band  bool // uncertainties as a band along the line, else as a bar at each point
}

// Dot is a point with its uncertainty, 0 for none.
type Dot struct{ X, Y, U float64 }

// Guide is a straight line across a chart at a value of Y, or of X where it
// stands upright.
type Guide struct {
	Name    string
	At      float64
	Upright bool
}

// Colours, dashes and marks of a chart's lines, in turn.
var (
	seriesColours = []Colour{Blue, Vermilion, Ink, Soft}
	seriesDashes  = [][]float64{nil, {2.4, 1.2}, {0.7, 0.9}, {3, 0.9, 0.7, 0.9}}
)

// dotMark draws the i-th line's mark: a disc, a square standing on its corner, a
// ring, a square.
func (p *Picture) dotMark(i int, x, y float64) {
	const r = 0.85
	c := seriesColours[i%len(seriesColours)]
	switch i % 4 {
	case 0:
		p.Circle(x, y, r, c, White, 0.15)
	case 1:
		d := r * 1.3
		p.Add(Shape{Path: Polygon(true, [2]float64{x, y - d}, [2]float64{x + d, y}, [2]float64{x, y + d}, [2]float64{x - d, y}), Fill: c, Stroke: White, Width: 0.15})
	case 2:
		p.Circle(x, y, r, White, c, 0.35)
	default:
		p.Rect(x-r*0.85, y-r*0.85, r*1.7, r*1.7, c, White, 0.15)
	}
}

// span is the range of an axis: as told, or of the values, rounded outwards.
func (a Axis) span(values []float64) (low, high float64) {
	if a.Min != 0 || a.Max != 0 {
		return a.Min, a.Max
	}
	if len(a.Names) > 0 {
		return 0.5, float64(len(a.Names)) + 0.5
	}
	low, high = math.Inf(1), math.Inf(-1)
	for _, v := range values {
		if !math.IsNaN(v) && !math.IsInf(v, 0) && (!a.Log || v > 0) {
			low, high = math.Min(low, v), math.Max(high, v)
		}
	}
	if low > high {
		low, high = 1, 10
	}
	if a.Log {
		if high < low*1.5 {
			low, high = low/1.5, high*1.5
		}
		return low / math.Pow(high/low, 0.06), high * math.Pow(high/low, 0.06)
	}
	if low > 0 && low < 0.6*high { // from nought, unless that leaves the lines no room
		low = 0
	}
	if high-low < 1e-12*math.Max(1, math.Abs(high)) {
		low, high = low-1, high+1
	}
	step := roundStep((high - low) / 5)
	if low != 0 {
		low = math.Floor(low/step-1e-9) * step
	}
	return low, math.Ceil(high/step-1e-9) * step
}

// roundStep is the next 1, 2 or 5 times a power of ten.
func roundStep(v float64) float64 {
	ten := math.Pow(10, math.Floor(math.Log10(v)))
	for _, s := range []float64{1, 2, 5} {
		if v <= s*ten*(1+1e-9) {
			return s * ten
		}
	}
	return 10 * ten
}

// ticks are round numbers within a span, about n of them.
func (a Axis) ticks(low, high float64, n int) (out []float64) {
	if len(a.Names) > 0 {
		for k := range a.Names {
			out = append(out, float64(k+1))
		}
		return out
	}
	if a.Log {
		for _, steps := range [][]float64{{1, 2, 5}, {1, 1.5, 2, 3, 4, 5, 6, 8}} { // the finer ones where few would be left
			out = nil
			for e := math.Floor(math.Log10(low)); e <= math.Log10(high); e++ {
				for _, s := range steps {
					if v := s * math.Pow(10, e); v >= low*(1-1e-9) && v <= high*(1+1e-9) {
						out = append(out, v)
					}
				}
			}
			if len(out) > 2 {
				break
			}
		}
		return out
	}
	step := roundStep((high - low) / float64(n))
	if a.Whole {
		step = math.Max(1, step)
	}
	for k := math.Ceil(low/step - 1e-9); k*step <= high+1e-9*step; k++ {
		out = append(out, k*step+0) // no negative zero
	}
	return out
}

// Picture draws the chart.
func (c Chart) Picture() *Picture {
	size := c.Points
	if size == 0 {
		size = 8
	}
	em := size * Point
	p := &Picture{W: c.W, H: c.H, Title: c.Title, Desc: c.Desc}
	var xs, ys []float64
	for _, l := range c.Lines {
		for _, d := range l.Dots {
			xs, ys = append(xs, d.X), append(ys, d.Y-d.U, d.Y+d.U)
		}
	}
	for _, g := range c.Guides {
		if g.Upright {
			xs = append(xs, g.At)
		} else {
			ys = append(ys, g.At)
		}
	}
	x0, x1 := c.X.span(xs)
	y0, y1 := c.Y.span(ys)
	label := func(v float64) string { return minus(strconv.FormatFloat(v, 'g', 6, 64)) }
	xTicks, yTicks := c.X.ticks(x0, x1, 7), c.Y.ticks(y0, y1, 5)

	wide := 0.0
	for _, v := range yTicks {
		wide = math.Max(wide, TextWidth(label(v), size, false))
	}
	top := 0.0
	if c.Title != "" {
		p.Write(0, em, c.Title, size+1, Ink, true, Start)
		top += 1.9 * em
	}
	top += c.key(p, top, size)
	// The name of y stands level over its axis: read without turning the head.
	p.Write(0, top+em, c.Y.Name, size, Soft, false, Start)
	top += 1.9 * em
	left, right, bottom := wide+1.6, c.W-2.5, c.H-2.9*em
	p.Write(right, c.H-0.35*em, c.X.Name, size, Soft, false, End)
	place := func(a Axis, low, high, v, from, to float64) float64 {
		if a.Log {
			v, low, high = math.Log(math.Max(v, 1e-300)), math.Log(low), math.Log(high)
		}
		return from + (to-from)*(v-low)/(high-low)
	}
	atX := func(v float64) float64 { return place(c.X, x0, x1, v, left, right) }
	atY := func(v float64) float64 { return place(c.Y, y0, y1, v, bottom, top) }

	free := math.Inf(1)
	for _, v := range yTicks {
		y := atY(v)
		p.Line(left, y, right, y, Hairline, 0.15)
		if y+0.5*em < free { // where there is room
			p.Write(left-1.2, y+0.35*em, label(v), size, Ink, false, End)
			free = y - 0.6*em
		}
	}
	p.Line(left, bottom, right, bottom, Ink, 0.3)
	free = math.Inf(-1)
	for _, v := range xTicks {
		name := label(v)
		if len(c.X.Names) > 0 {
			name = c.X.Names[int(v)-1]
		}
		x, half := atX(v), TextWidth(name, size, false)/2
		p.Line(x, bottom, x, bottom+0.9, Ink, 0.25)
		if x-half > free && x+half < c.W {
			p.Write(x, bottom+1.25*em+0.3, name, size, Ink, false, Middle)
			free = x + half + 0.5*em
		}
	}
	inside := func(d Dot) bool {
		return d.X >= x0-1e-9*math.Abs(x1-x0) && d.X <= x1+1e-9*math.Abs(x1-x0) && (d.Y > 0 || !c.Y.Log) && !math.IsInf(d.Y, 0) && !math.IsNaN(d.Y)
	}
	keepY := func(v float64) float64 { return math.Max(top, math.Min(bottom, atY(v))) }
	for i, l := range c.Lines {
		var dots []Dot
		for _, d := range l.Dots {
			if inside(d) {
				dots = append(dots, d)
			}
		}
		if l.Band && len(dots) > 1 {
			var edge [][2]float64
			for _, d := range dots {
				edge = append(edge, [2]float64{atX(d.X), keepY(d.Y + d.U)})
			}
			for _, d := range slices.Backward(dots) {
				edge = append(edge, [2]float64{atX(d.X), keepY(d.Y - d.U)})
			}
			p.Add(Shape{Path: Polygon(true, edge...), Fill: Band})
		}
		colour := seriesColours[i%len(seriesColours)]
		if !l.Loose && len(dots) > 1 {
			var way [][2]float64
			for _, d := range dots {
				way = append(way, [2]float64{atX(d.X), keepY(d.Y)})
			}
			p.Add(Shape{Path: Polygon(false, way...), Stroke: colour, Width: 0.45, Dash: seriesDashes[i%len(seriesDashes)]})
		}
		for _, d := range dots {
			x := atX(d.X)
			if d.U > 0 && !l.Band {
				p.Line(x, keepY(d.Y-d.U), x, keepY(d.Y+d.U), colour, 0.3)
				for _, e := range []float64{d.Y - d.U, d.Y + d.U} {
					p.Line(x-0.8, keepY(e), x+0.8, keepY(e), colour, 0.3)
				}
			}
			if l.Loose || !l.Band {
				p.dotMark(i, x, keepY(d.Y))
			}
		}
	}
	for _, g := range c.Guides {
		if g.Upright {
			x := atX(g.At)
			p.Line(x, top, x, bottom, Ink, 0.3, 1.6, 1)
			if w := TextWidth(g.Name, size, false); x+1+w < c.W {
				p.Write(x+1, top+0.9*em, g.Name, size, Ink, false, Start)
			} else {
				p.Write(x-1, top+0.9*em, g.Name, size, Ink, false, End)
			}
			continue
		}
		y := atY(g.At)
		p.Line(left, y, right, y, Ink, 0.3, 1.6, 1)
		up := y - 0.35*em
		if up-0.8*em < top {
			up = y + em
		}
		p.Write(right, up, g.Name, size, Ink, false, End)
	}
	return p
}

// key names the lines below y and returns the height it takes.
func (c Chart) key(p *Picture, y, size float64) float64 {
	em, x, rows := size*Point, 0.0, 0
	for i, l := range c.Lines {
		if l.Name == "" {
			continue
		}
		w := 8.5 + TextWidth(l.Name, size, false)
		if rows == 0 || x+w > c.W {
			x, rows = 0, rows+1
		}
		at := y + 1.4*em*float64(rows) - 0.4*em
		if !l.Loose {
			p.Add(Shape{Path: Polygon(false, [2]float64{x, at - 0.35*em}, [2]float64{x + 7, at - 0.35*em}), Stroke: seriesColours[i%len(seriesColours)], Width: 0.45, Dash: seriesDashes[i%len(seriesDashes)]})
		}
		if l.Loose || !l.Band {
			p.dotMark(i, x+3.5, at-0.35*em)
		}
		p.Write(x+8.5, at, l.Name, size, Ink, false, Start)
		x += w + 5
	}
	return 1.4 * em * float64(rows)
}

// minus writes a number's sign as it is printed.
func minus(s string) string {
	if len(s) > 1 && s[0] == '-' {
		return "−" + s[1:]
	}
	return s
}
