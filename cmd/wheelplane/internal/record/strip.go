package record

import (
	"fmt"
	"math"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/pose/align"
)

// The tolerance band takes the same part of every strip, so that readings of
// different kinds are compared down the page at a glance.
const (
	bandFrom = 0.30
	bandTo   = 0.70
)

// strip draws a line against its target: the band of tolerance with the wish
// in it, the reading's sign and its 95 % interval; as found above in outline,
// as it stands below and filled. Without a target it is drawn around nought.
func (t *telling) strip(l *line, w, h float64) *draw.Picture {
	p := &draw.Picture{W: w, H: h, Title: t.stripTitle(l)}
	edge := 2.2
	from, to := edge, w-edge // what the scale spans
	var place func(v float64) float64
	if tg := l.target; tg != nil {
		low, high := tg.Low, tg.High
		width := high - low
		openLow, openHigh := math.IsInf(low, 0), math.IsInf(high, 0)
		if openLow || openHigh {
			// A band that is open at one side is drawn as wide as the way from the
			// limit to the wish, twice.
			limit := low
			if openLow {
				limit = high
			}
			width = math.Max(2*math.Abs(tg.Wish-limit), 8*l.now().u)
			if openLow {
				low = high - width
			} else {
				high = low + width
			}
		}
		if !(width > 0) {
			width = math.Max(8*l.now().u, 1e-9)
			low, high = low-width/2, high+width/2
		}
		place = func(v float64) float64 { return w * (bandFrom + (bandTo-bandFrom)*(v-low)/(high-low)) }
		b0, b1 := w*bandFrom, w*bandTo
		if openLow {
			b0 = from
		}
		if openHigh {
			b1 = to
		}
		p.Rect(from, h/2-0.06, to-from, 0.12, draw.Hairline, "", 0)
		p.Rect(b0, 0.35, b1-b0, h-0.7, draw.Band, "", 0)
		for _, e := range []struct {
			open bool
			x    float64
		}{{openLow, b0}, {openHigh, b1}} {
			if !e.open {
				p.Line(e.x, 0.35, e.x, h-0.35, draw.Blue, 0.25)
			}
		}
		if x := place(tg.Wish); x > b0 && x < b1 {
			p.Line(x, 0.35, x, h-0.35, draw.White, 0.5)
		}
	} else {
		span := t.span(l)
		place = func(v float64) float64 { return w/2 + (w/2-edge)*v/span }
		p.Rect(from, h/2-0.06, to-from, 0.12, draw.Hairline, "", 0)
		p.Line(w/2, h/2-1, w/2, h/2+1, draw.Hairline, 0.25)
	}
	yFound, yNow := h/2, h/2
	if l.found != nil && l.left != nil {
		yFound, yNow = h*0.29, h*0.70
	}
	r := math.Min(0.95, h*0.2)
	if l.found != nil {
		interval(p, place, l.found, yFound, r, from, to, l.left != nil)
	}
	if l.left != nil {
		interval(p, place, l.left, yNow, r, from, to, false)
	}
	return p
}

// interval draws a reading with its 95 % interval. What lies beyond the strip
// is drawn at its end with an arrow.
func interval(p *draw.Picture, place func(float64) float64, c *cell, y, r, from, to float64, pale bool) {
	x := place(c.value)
	x0, x1 := place(c.value-2*c.u), place(c.value+2*c.u)
	col := verdictColour(c.Verdict)
	if c.Verdict == align.Undecided {
		col = draw.Ink
	}
	k0, k1 := math.Max(from, math.Min(x0, to)), math.Max(from, math.Min(x1, to))
	if k1 > k0 {
		p.Line(k0, y, k1, y, col, 0.35)
		for _, e := range [][2]float64{{x0, k0}, {x1, k1}} {
			if e[0] == e[1] {
				p.Line(e[1], y-r*0.7, e[1], y+r*0.7, col, 0.25)
			}
		}
	}
	at := math.Max(from, math.Min(x, to))
	if x < from || x > to {
		s := 1.0
		if x < from {
			s = -1
		}
		p.Add(draw.Shape{Path: draw.Polygon(true, [2]float64{at + s*2.1, y}, [2]float64{at + s*1.1, y - 0.8}, [2]float64{at + s*1.1, y + 0.8}), Fill: col})
	}
	Mark(p, at, y, r, c.Verdict, pale)
}

// span is the scale of a strip without a target: what holds every reading of
// its quantity, rounded to 1, 2 or 5.
func (t *telling) span(l *line) float64 {
	most := 0.0
	for i := range t.lines {
		if x := &t.lines[i]; x.Quantity == l.Quantity && x.target == nil {
			for _, c := range []*cell{x.found, x.left} {
				if c != nil {
					most = math.Max(most, math.Abs(c.value)+2*c.u)
				}
			}
		}
	}
	k, _, _ := t.scale(l.quantity, l.axle)
	most *= k
	if !(most > 0) {
		return 1 / k
	}
	ten := math.Pow(10, math.Floor(math.Log10(most)))
	for _, s := range []float64{1, 2, 5, 10} {
		if most <= s*ten {
			return s * ten / k
		}
	}
	return 10 * ten / k
}

func (t *telling) stripTitle(l *line) string {
	s := l.title()
	if w := l.whose(); w != "" {
		s += " " + w
	}
	for _, x := range []struct {
		epoch string
		c     *cell
	}{{t.first, l.found}, {t.last, l.left}} {
		if x.c == nil {
			continue
		}
		s += fmt.Sprintf(", %s %s ± %s", x.epoch, t.withUnit(l, x.c.value), t.expanded(l, x.c.u))
		if x.c.Verdict != "" {
			s += ", " + string(x.c.Verdict)
		}
	}
	if l.target != nil {
		wish, limits := t.limits(l)
		s += "; target " + wish + ", limits " + limits
	}
	return s
}
