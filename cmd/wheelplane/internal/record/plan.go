package record

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/pose/align"
)

// plot is the vehicle on the ground as the drawing needs it.
type plot struct {
	draw.Vehicle
	axles  []plotAxle
	factor float64 // angles are drawn larger by this
}

type plotAxle struct {
	draw.Axle
	number       int
	now, before  [2]plotWheel // left, right
	heading, was *float64     // of the axle
}

type plotWheel struct {
	angle float64 // heading, positive to the left
	known bool
}

// plotOf places the axles: as measured where they were, or as job.yaml has them.
func (t *telling) plotOf() *plot {
	g := &plot{}
	shift, n := 0.0, 0
	measured := func(i int) (float64, bool) {
		if l := t.of(align.Wheelbase, i+1, align.NoSide); l != nil {
			return -l.now().value, true
		}
		return 0, i == 0 && !t.Kingpin
	}
	for i, a := range t.Vehicle.Axles {
		if x, ok := measured(i); ok {
			shift, n = shift+x+a.Position, n+1
		}
	}
	if n > 0 {
		shift /= float64(n)
	}
	if t.Kingpin && n > 0 {
		zero := 0.0
		g.Kingpin = &zero
	}
	biggest := 0.0
	for i, a := range t.Vehicle.Axles {
		x, ok := measured(i)
		if !ok {
			x = shift - a.Position
		}
		p := plotAxle{number: i + 1, Axle: draw.Axle{X: x, Half: a.Track / 2, Tyre: a.TyreDiameter}}
		if p.Tyre <= 0 {
			p.Tyre = 1
		}
		p.Width = 0.28 * p.Tyre
		if l := t.of(align.Track, i+1, align.NoSide); l != nil {
			p.Half = l.now().value / 2
		}
		if l := t.of(align.AxleOffset, i+1, align.NoSide); l != nil {
			p.Y = l.now().value
		}
		for k, side := range []align.Side{align.Left, align.Right} {
			l := t.of(align.Toe, i+1, side)
			if l == nil {
				continue
			}
			p.now[k] = plotWheel{-side.Outboard() * l.now().value, true}
			if l.left != nil && l.found != nil {
				p.before[k] = plotWheel{-side.Outboard() * l.found.value, true}
			}
			biggest = math.Max(biggest, math.Max(math.Abs(p.now[k].angle), math.Abs(p.before[k].angle)))
		}
		if p.now[0].known && p.now[1].known {
			h := (p.now[0].angle + p.now[1].angle) / 2
			p.heading = &h
			if p.before[0].known && p.before[1].known {
				w := (p.before[0].angle + p.before[1].angle) / 2
				p.was = &w
			}
		}
		g.axles = append(g.axles, p)
	}
	slices.SortFunc(g.axles, func(a, b plotAxle) int { return cmp.Compare(b.X, a.X) })
	for _, a := range g.axles {
		g.Axles = append(g.Axles, a.Axle)
	}
	g.Enclose()
	// The largest angle is drawn as 4 to 10 degrees.
	g.factor = 100
	for _, f := range []float64{50, 20, 10, 5, 2, 1} {
		if biggest*g.factor > 10*degree {
			g.factor = f
		}
	}
	return g
}

// plan draws the vehicle from above, to scale, front up: its angles enlarged.
// With words the numbers stand beside the wheels with their names, else without.
func (t *telling) plan(w, maxH float64, words bool) *draw.Picture {
	g := t.plotOf()
	p := &draw.Picture{W: w, Title: "The vehicle from above", Desc: t.planDesc(g)}
	top, bottom := 9.0, 9.0
	if !words {
		top, bottom = 7, 7
	}
	label := 43.0 // room for the words of a side
	right := 46.0 // and for those of an axle
	if !words {
		label, right = math.Max(13, (w-34)/2), 0
	}
	s := math.Min((w-2*label-right)/(2*g.Half), (maxH-top-bottom)/(g.Front-g.Rear))
	if words {
		// No larger than the labels need, or a short vehicle fills the page.
		s = math.Min(s, 30)
	}
	p.H = top + bottom + s*(g.Front-g.Rear)
	cx := label + g.Half*s
	if !words || 2*label+right+2*g.Half*s < w {
		cx = (w - right) / 2
	}
	above := draw.Above{X: cx, Y: top + g.Front*s, Scale: s}
	at := above.At
	line := func(x0, y0, x1, y1 float64, c draw.Colour, width float64, dash ...float64) {
		a, b := at(x0, y0), at(x1, y1)
		p.Line(a[0], a[1], b[0], b[1], c, width, dash...)
	}
	p.Body(&g.Vehicle, above, words)

	// The centreline runs through all; the thrust line from the reference axle.
	line(g.Front+0.5*7/s, 0, g.Rear-0.5*4/s, 0, draw.Soft, 0.2, 4, 1, 0.8, 1)
	var thrust *plotAxle
	for i := range g.axles {
		if g.axles[i].number == t.Vehicle.Reference && g.axles[i].heading != nil {
			thrust = &g.axles[i]
		}
	}
	for i := range g.axles {
		drawAxle(p, &g.axles[i], g.factor, above)
	}
	if thrust != nil {
		arrow := func(h float64, c draw.Colour, width float64, dash ...float64) {
			length := g.Front - thrust.X - 0.1*(g.Front-g.Rear)
			if thrust.number == g.axles[0].number {
				length = 0.35 * (g.Front - g.Rear)
			}
			dx, dy := length*math.Cos(h*g.factor), length*math.Sin(h*g.factor)
			line(thrust.X, thrust.Y, thrust.X+dx, thrust.Y+dy, c, width, dash...)
			tip := at(thrust.X+dx, thrust.Y+dy)
			head := draw.Polygon(true, [2]float64{tip[0], tip[1] - 0.4}, [2]float64{tip[0] - 1, tip[1] + 2.2}, [2]float64{tip[0] + 1, tip[1] + 2.2})
			p.Add(draw.Shape{Path: draw.Turned(head, tip[0], tip[1], h*g.factor, 0, 0), Fill: c})
		}
		if thrust.was != nil {
			arrow(*thrust.was, draw.Faint, 0.25, 1.2, 0.9)
		}
		arrow(*thrust.heading, draw.Blue, 0.45)
	}
	t.drawKey(p, g, s, words, thrust != nil)
	if words {
		t.label(p, g, s, at, cx, w)
	} else {
		t.shortLabel(p, g, at)
	}
	return p
}

func drawAxle(p *draw.Picture, a *plotAxle, factor float64, above draw.Above) {
	at, s := above.At, above.Scale
	beam := func(h float64, c draw.Colour, width float64, dash ...float64) {
		// Across the heading (cos h, sin h) lies (−sin h, cos h), to the left.
		dx, dy := -a.Half*math.Sin(h*factor), a.Half*math.Cos(h*factor)
		l, r := at(a.X+dx, a.Y+dy), at(a.X-dx, a.Y-dy)
		p.Line(l[0], l[1], r[0], r[1], c, width, dash...)
	}
	if a.was != nil {
		beam(*a.was, draw.Faint, 0.2, 1.2, 0.9)
	}
	if a.heading != nil {
		beam(*a.heading, draw.Ink, 0.4)
	} else {
		beam(0, draw.Faint, 0.3, 0.6, 0.8)
	}
	for k, side := range []align.Side{align.Left, align.Right} {
		c := at(a.X, a.Y+side.Outboard()*a.Half)
		wheel := above.Wheel(a.X, a.Y+side.Outboard()*a.Half, a.Tyre, a.Width)
		turned := func(angle float64, fill, stroke draw.Colour, width float64, dash ...float64) {
			p.Add(draw.Shape{Path: draw.Turned(wheel, c[0], c[1], angle, 0, 0), Fill: fill, Stroke: stroke, Width: width, Dash: dash})
		}
		n := a.now[k]
		if !n.known {
			turned(0, draw.White, draw.Faint, 0.25, 0.8, 0.7)
			continue
		}
		turned(n.angle*factor, "#3b4854", draw.Ink, 0.2)
		if a.before[k].known {
			turned(a.before[k].angle*factor, "", draw.Faint, 0.3, 1, 0.8)
		} else {
			turned(0, "", draw.Faint, 0.2, 0.6, 0.6)
		}
		// Where the wheel points.
		f := draw.Shape{Path: draw.Turned(draw.Polygon(false, [2]float64{c[0], c[1] - a.Tyre*s/2 + 0.8}, [2]float64{c[0], c[1] + a.Tyre*s/2 - 0.8}), c[0], c[1], n.angle*factor, 0, 0), Stroke: draw.White, Width: 0.25}
		p.Add(f)
	}
}

// drawKey writes what the lines are, the scale and the factor.
func (t *telling) drawKey(p *draw.Picture, g *plot, s float64, words, thrust bool) {
	y := p.H - 2
	long, unit := s, "1 m"
	if t.Units == Imperial {
		long, unit = 3*12*inch*s, "3 ft"
	}
	p.Line(0.3, y, 0.3+long, y, draw.Ink, 0.3)
	p.Line(0.3, y-0.8, 0.3, y+0.8, draw.Ink, 0.3)
	p.Line(0.3+long, y-0.8, 0.3+long, y+0.8, draw.Ink, 0.3)
	p.Write(0.3+long+1.5, y+0.8, unit, 6.5, draw.Soft, false, draw.Start)
	x := 0.3 + long + 3 + draw.TextWidth(unit, 6.5, false) + 4
	if !words {
		text := fmt.Sprintf("angles drawn %s ×", decimal(g.factor, 0))
		if p.W < 100 {
			text = "T toe, C camber; " + text
		}
		p.Write(p.W, y+0.8, text, 6.5, draw.Soft, false, draw.End)
		return
	}
	key := func(c draw.Colour, width float64, what string, dash ...float64) {
		p.Line(x, y, x+7, y, c, width, dash...)
		p.Write(x+8.2, y+0.8, what, 6.5, draw.Soft, false, draw.Start)
		x += 8.2 + draw.TextWidth(what, 6.5, false) + 5
	}
	key(draw.Soft, 0.2, "centreline", 4, 1, 0.8, 1)
	if thrust {
		key(draw.Blue, 0.45, "thrust line")
	}
	if t.last != "" {
		key(draw.Faint, 0.3, t.first, 1, 0.8)
	}
	p.Write(p.W, y+0.8, fmt.Sprintf("to scale; angles drawn %s times larger", decimal(g.factor, 0)), 6.5, draw.Soft, false, draw.End)
}

// block is the words beside one end of an axle.
type block struct {
	y, h  float64
	lines []*line
}

// spread moves blocks apart that would overlap, down and then up again.
func spread(blocks []*block, top, bottom, gap float64) {
	for i, b := range blocks {
		y := math.Max(b.y, top)
		if i > 0 {
			y = math.Max(y, blocks[i-1].y+blocks[i-1].h+gap)
		}
		b.y = y
	}
	for i := len(blocks) - 1; i >= 0; i-- {
		b := blocks[i]
		limit := bottom
		if i+1 < len(blocks) {
			limit = blocks[i+1].y - gap
		}
		b.y = math.Min(b.y, limit-b.h)
	}
}

// label writes the numbers beside the wheels and, in a column at the right,
// those of the axles.
func (t *telling) label(p *draw.Picture, g *plot, s float64, at func(x, y float64) [2]float64, cx, w float64) {
	size, step := 7.2, 3.45
	most := 0 // lines that fit where axles stand close
	for _, a := range g.axles {
		n := 0
		for _, side := range []align.Side{align.Left, align.Right, align.NoSide} {
			n = max(n, len(t.planLines(a.number, side)))
		}
		most += n
	}
	if room := p.H - 12 - 2*float64(len(g.axles)); float64(most)*step > room {
		step = room / float64(most)
		size = math.Min(size, step/0.46)
	}
	lead := func(from [2]float64, x, y float64) {
		p.Add(draw.Shape{Path: draw.Polygon(false, from, [2]float64{from[0] + 0.55*(x-from[0]), y}, [2]float64{x, y}), Stroke: draw.Hairline, Width: 0.2})
	}
	for _, side := range []align.Side{align.Left, align.Right, align.NoSide} {
		var blocks []*block
		var ends [][2]float64
		for i := range g.axles {
			a := &g.axles[i]
			b := &block{lines: t.planLines(a.number, side)}
			if side == align.NoSide && len(b.lines) == 0 {
				continue
			}
			b.h = step * math.Max(1, float64(len(b.lines)))
			if side == align.NoSide {
				b.h += step
			}
			end := at(a.X, a.Y+side.Outboard()*(a.Half+a.Width*0.75))
			if side == align.NoSide {
				end = at(a.X, a.Y-(a.Half+a.Width*0.75))
			}
			b.y = end[1] - b.h/2
			blocks, ends = append(blocks, b), append(ends, end)
		}
		spread(blocks, 7, p.H-5, 1.6)
		x0, x1 := 0.0, 40.0 // of the words
		switch side {
		case align.Right:
			x0, x1 = cx+(cx-40), cx+cx
		case align.NoSide:
			x0, x1 = w-42, w
		}
		var names string
		switch side {
		case align.Left:
			names = "left wheels"
		case align.Right:
			names = "right wheels"
		default:
			names = "axles"
		}
		p.Write(x0, 3.2, names, 7.2, draw.Ink, true, draw.Start)
		if t.last != "" {
			p.Write(x1, 3.2, "now, was", 6.2, draw.Soft, false, draw.End)
		}
		p.Line(x0, 4.6, x1, 4.6, draw.Hairline, 0.25)
		for i, b := range blocks {
			y := b.y + step*0.75
			switch side {
			case align.Left:
				lead(ends[i], x1+0.8, b.y+b.h/2)
			case align.Right:
				lead(ends[i], x0-0.8, b.y+b.h/2)
			}
			if side == align.NoSide {
				a := b.axle()
				p.Write(x0, y, draw.Fit(upper(t.axleName(a)), size, true, x1-x0), size, draw.Ink, true, draw.Start)
				y += step
			} else if len(b.lines) == 0 {
				p.Write(x0, y, "not measured", size, draw.Faint, false, draw.Start)
			}
			for _, l := range b.lines {
				t.labelLine(p, l, x0, x1, y, size)
				y += step
			}
		}
	}
}

func (b *block) axle() int { return b.lines[0].axle }

// labelLine writes sign, name, value as it stands and as it was.
func (t *telling) labelLine(p *draw.Picture, l *line, x0, x1, y, size float64) {
	was := 12.5
	if t.last == "" {
		was = 0
	}
	Mark(p, x0+1, y-0.9, 0.85, l.now().Verdict, false)
	v := l.now().value
	value := t.withUnit(l, v)
	if way := l.way(v); way != "" && t.last == "" {
		value = t.withUnit(l, math.Abs(v)) + " " + way
	}
	room := x1 - was - x0 - 3 - draw.TextWidth(value, size, true) - 1
	p.Write(x0+3, y, draw.Fit(l.name, size, false, room), size, draw.Soft, false, draw.Start)
	p.Write(x1-was, y, value, size, draw.Ink, true, draw.End)
	if l.left != nil && l.found != nil {
		p.Write(x1, y, t.withUnit(l, l.found.value), size-0.7, draw.Soft, false, draw.End)
	}
}

// planLines are the readings that stand beside a wheel or an axle.
func (t *telling) planLines(axle int, side align.Side) []*line {
	var out []*line
	want := []align.Quantity{align.Toe, align.Camber, align.Caster, align.Kingpin}
	if side == align.NoSide {
		want = []align.Quantity{align.TotalToe, align.ThrustAngle, align.ScrubAngle, align.AxleOffset}
	}
	for _, q := range want {
		if l := t.of(q, axle, side); l != nil {
			out = append(out, l)
		}
	}
	return out
}

// shortLabel writes toe and camber of each wheel, where room is short with a
// letter for a name.
func (t *telling) shortLabel(p *draw.Picture, g *plot, at func(x, y float64) [2]float64) {
	wide := p.W >= 100
	shrink := math.Min(1, ((p.H-5)/float64(len(g.axles))-0.6)/6.6)
	for _, side := range []align.Side{align.Left, align.Right} {
		var blocks []*block
		var ends [][2]float64
		for i := range g.axles {
			a := &g.axles[i]
			b := &block{h: 6.6 * shrink}
			for _, q := range []align.Quantity{align.Toe, align.Camber} {
				if l := t.of(q, a.number, side); l != nil {
					b.lines = append(b.lines, l)
				}
			}
			e := at(a.X, a.Y+side.Outboard()*(a.Half+a.Width*0.8))
			b.y = e[1] - b.h/2
			blocks, ends = append(blocks, b), append(ends, e)
		}
		spread(blocks, 0.3, p.H-4.2, 0.5)
		for i, b := range blocks {
			x, a := ends[i][0]-1.2, draw.End
			if side == align.Right {
				x, a = ends[i][0]+1.2, draw.Start
			}
			for k, l := range b.lines {
				word := upper(l.name) + " "
				if !wide {
					word = word[:1] + " "
				}
				p.Write(x, b.y+shrink*(2.6+3.1*float64(k)), word+t.withUnit(l, l.now().value), 6.8*shrink, draw.Ink, false, a)
			}
		}
	}
}

// planDesc tells in words what the drawing shows.
func (t *telling) planDesc(g *plot) string {
	s := fmt.Sprintf("Front up, to scale, with wheel angles drawn %s times larger, %s.", decimal(g.factor, 0), t.standing())
	for _, a := range g.axles {
		s += " " + upper(t.axleName(a.number)) + ":"
		n := 0
		for _, side := range []align.Side{align.Left, align.Right, align.NoSide} {
			for _, l := range t.planLines(a.number, side) {
				if n > 0 {
					s += ","
				}
				n++
				s += " " + l.name
				if side != align.NoSide {
					s += " " + string(side)
				}
				s += " " + t.withUnit(l, l.now().value)
			}
		}
		if n == 0 {
			s += " not measured"
		}
		s += "."
	}
	return s
}
