package draw

import (
	"fmt"
	"math"
)

// Bars is a stack of level bars, each made of parts by source. Sources are told
// apart by their pattern and their place as well as by colour.
type Bars struct {
	W       float64 // mm
	Title   string
	Desc    string
	Unit    string // of the parts, written after the scale's end
	Sources []string
	Rows    []Bar
	Max     float64 // of the scale; 0: the longest bar
	Points  float64 // size of type; 0: 8
}

// Bar is a row: its parts in the order of the sources, and what stands at its end.
type Bar struct {
	Name  string
	Parts []float64
	Note  string
}

// fills of the sources in turn: dark and pale take turns, and some are hatched, so
// that they differ in grey.
var fills = []struct {
	ground Colour
	hatch  float64 // mm between lines; 0: none
	rising bool
}{
	{"#0072b2", 0, false}, {"#d7e6f1", 0, false}, {"#d55e00", 0, false}, {"#ffffff", 1.1, true},
	{"#55616d", 0, false}, {"#f0e442", 0, false}, {"#ffffff", 1.1, false}, {"#16222e", 0, false}, {"#c6ced5", 0, false},
}

// patch fills a rectangle as the i-th source.
func (p *Picture) patch(i int, x, y, w, h float64) {
	f := fills[i%len(fills)]
	p.Rect(x, y, w, h, f.ground, "", 0)
	if f.hatch > 0 {
		for s := -h + f.hatch/2; s < w; s += f.hatch {
			// From the left or the bottom edge to the top or the right one.
			a, b := math.Max(0, s), math.Min(w, s+h)
			ya, yb := y+h-(a-s), y+h-(b-s)
			if !f.rising {
				ya, yb = 2*y+h-ya, 2*y+h-yb
			}
			p.Line(x+a, ya, x+b, yb, Ink, 0.18)
		}
	}
	p.Rect(x, y, w, h, "", Ink, 0.15)
}

// Picture draws the bars; its height is what they need.
func (b Bars) Picture() *Picture {
	size := b.Points
	if size == 0 {
		size = 8
	}
	em := size * Point
	p := &Picture{W: b.W, Title: b.Title, Desc: b.Desc}
	y := 0.0
	if b.Title != "" {
		p.Write(0, em, b.Title, size+1, Ink, true, Start)
		y = 2 * em
	}
	x := 0.0
	for i, s := range b.Sources {
		w := 5.4 + TextWidth(s, size, false)
		if x > 0 && x+w > b.W {
			x, y = 0, y+1.6*em
		}
		p.patch(i, x, y+0.1*em, 4, em)
		p.Write(x+5.4, y+0.9*em, s, size, Ink, false, Start)
		x += w + 4.5
	}
	if len(b.Sources) > 0 {
		y += 2.2 * em
	}
	names, notes, most := 0.0, 0.0, b.Max
	for _, r := range b.Rows {
		names, notes = math.Max(names, TextWidth(r.Name, size, false)), math.Max(notes, TextWidth(r.Note, size, false))
		if b.Max == 0 {
			most = math.Max(most, sumOf(r.Parts))
		}
	}
	if !(most > 0) {
		most = 1
	}
	names = math.Min(names, 0.4*b.W)
	left, right := names+2, b.W-notes-2
	step := 2.1 * em
	for _, r := range b.Rows {
		p.Write(names, y+1.35*em, Fit(r.Name, size, false, names), size, Ink, false, End)
		x, h := left, 1.5*em
		for i, part := range r.Parts {
			w := (right - left) * part / most
			if !(w > 0) {
				continue
			}
			p.patch(i, x, y+0.2*em, w, h)
			x += w
		}
		p.Write(x+1.2, y+1.35*em, r.Note, size, Soft, false, Start)
		y += step
	}
	p.Line(left, y, right, y, Ink, 0.3)
	for _, v := range (Axis{}).ticks(0, most, 5) {
		at := left + (right-left)*v/most
		p.Line(at, y, at, y+0.9, Ink, 0.25)
		p.Write(at, y+1.25*em+0.3, fmt.Sprintf("%g", v), size, Ink, false, Middle)
	}
	if b.Unit != "" {
		p.Write(0, y+1.25*em+0.3, b.Unit, size, Soft, false, Start)
	}
	p.H = y + 1.8*em
	return p
}

func sumOf(v []float64) (sum float64) {
	for _, x := range v {
		sum += x
	}
	return sum
}
