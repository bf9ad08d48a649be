package planned

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/align"
	"wheelplane/pose/plan"
)

// The page and its two columns, mm: the drawing at the left, what to do at the
// right.
const (
	left, right = 13.0, draw.A4Width - 13.0
	bottom      = draw.A4Height - 13.0
	drawingW    = 122.0
	listX       = left + drawingW + 4
)

// booklet is a plan being drawn, page by page.
type booklet struct {
	f    *File
	c    *plan.Choice
	name string // of the job
}

// Pages draws a plan on A4 pages: what to lay out, a page per station, what to
// expect. name is the job's.
func Pages(f *File, c *plan.Choice, name string) []*draw.Picture {
	b := &booklet{f, c, name}
	out := []*draw.Picture{b.first()}
	for st := range f.Stations {
		out = append(out, b.station(st))
	}
	out = append(out, b.expected()...)
	for i, p := range out {
		foot := fmt.Sprintf("%s · page %d of %d", b.name, i+1, len(out))
		p.Write(left, draw.A4Height-7, draw.Fit(foot, 8.5, false, right-left), 8.5, draw.Soft, false, draw.Start)
	}
	return out
}

// WriteSVG writes pages below one another.
func WriteSVG(w io.Writer, pages []*draw.Picture) error {
	all := &draw.Picture{W: draw.A4Width, Title: pages[0].Title, Desc: pages[0].Desc}
	for i, p := range pages {
		if i > 0 {
			all.Line(0, all.H, all.W, all.H, draw.Hairline, 0.3)
		}
		all.Place(p, 0, all.H)
		all.H += p.H
	}
	return all.WriteSVG(w)
}

// cursor writes down a column.
type cursor struct {
	p       *draw.Picture
	x, y, w float64
}

// text writes a paragraph.
func (c *cursor) text(s string, points float64, bold bool) {
	step := points * draw.Point * 1.28
	for _, l := range draw.Wrap(s, points, bold, c.w) {
		c.y += step
		c.p.Write(c.x, c.y-0.22*step, l, points, draw.Ink, bold, draw.Start)
	}
}

// bullet writes a paragraph with a sign before it.
func (c *cursor) bullet(s string, points float64) {
	c.p.Write(c.x, c.y+points*draw.Point, "–", points, draw.Ink, false, draw.Start)
	c.x, c.w = c.x+3.5, c.w-3.5
	c.text(s, points, false)
	c.x, c.w = c.x-3.5, c.w+3.5
	c.y += 0.8
}

// page begins one with its title and what is said below it.
func (b *booklet) page(title, below string) (*draw.Picture, float64) {
	p := &draw.Picture{W: draw.A4Width, H: draw.A4Height, Title: title}
	p.Write(left, 22, draw.Fit(title, 24, true, right-left), 24, draw.Ink, true, draw.Start)
	c := &cursor{p, left, 25, right - left}
	c.text(below, 12.5, false)
	c.y += 2.5
	p.Line(left, c.y, right, c.y, draw.Ink, 0.6)
	return p, c.y + 2
}

// first is the page of what is laid out before the first photograph.
func (b *booklet) first() *draw.Picture {
	j := b.c.Job
	rolls := ""
	if n := len(plan.Runs(j)); len(j.Stations) > n {
		rolls = fmt.Sprintf(", rolled %.0f degrees of the wheels between stations", b.f.TurnDeg)
	}
	p, y := b.page("Plan: "+j.Vehicle.Name, fmt.Sprintf("%d photographs at %s%s. Boards are drawn larger than they are; front up.", len(b.f.Shots), wording.Count(len(j.Stations), "station"), rolls))
	p.Desc = b.describe()
	cautions := b.cautions()
	high := 0.0
	for _, c := range cautions {
		high += 9.5*draw.Point*1.28*float64(len(draw.Wrap(c, 9.5, false, right-left-3.5))) + 0.8
	}
	room := bottom - high - 5
	g := newGround(b.c, drawingW, room-y, false)
	g.drawVehicle(0)
	g.drawDistances()
	g.drawFloor(0)
	p.Place(g.p, left, y)

	c := &cursor{p, listX, y, right - listX}
	c.text("Clamp a board to each wheel", 12, true)
	c.text("as drawn, parallel to the wheel and centred.", 10.5, false)
	c.y += 3
	if len(b.f.Floor) > 0 {
		c.text("Lay the floor boards", 12, true)
		c.text("flat, to a hand's breadth; distances in metres, from axle 1 and from the wheels' middles. Once laid they stay.", 10.5, false)
		c.y += 1.5
		size := 10.5
		if len(b.f.Floor) > 10 {
			size = 9
		}
		for _, x := range b.f.Floor {
			p.Rect(c.x, c.y+1, 3.6, 3.6, draw.White, draw.Ink, 0.35)
			p.Write(c.x+5.4, c.y+4.2, x.Board, 12, draw.Ink, true, draw.Start)
			in := &cursor{p, c.x + 13, c.y, c.w - 13}
			text := x.Where
			if x.Unused {
				text = "not needed: in no photograph of this plan"
			}
			in.text(text, size, false)
			c.y = math.Max(in.y, c.y+5.2) + 0.8
		}
	}
	for _, d := range b.f.Differs {
		c.y += 2
		c.text(d, 10.5, true)
	}
	c = &cursor{p, left, room, right - left}
	p.Line(left, c.y, right, c.y, draw.Ink, 0.3)
	c.y += 2
	for _, s := range cautions {
		c.bullet(s, 9.5)
	}
	return p
}

// cautions are common practice where vehicles are moved by hand; no source.
func (b *booklet) cautions() []string {
	out := []string{
		"Level, firm ground. Brakes on and wheels chocked whenever people are at the vehicle; chocks away only for a roll: slowly, one person at the controls, one watching, nobody in front, behind or under.",
		"Boards stand out: keep clear while wheels turn, take them off before driving. Hands off steering between stations unless the plan steers.",
	}
	for _, s := range b.c.Job.Stations {
		if len(s.Lifted) > 0 {
			out = append(out, "Never rely on a jack: stands rated for the load, on firm ground, the other wheels chocked, before anyone turns a wheel or reaches under.")
			break
		}
	}
	if slices.ContainsFunc(b.f.Stations, func(s Station) bool { return strings.Contains(s.Do, "steer about") }) {
		out = append(out, "Whoever steers waits until all are clear: a clamped board swings out with the wheel.")
	}
	return append(out, "The vehicle maker's manual, local codes and the workshop's rules come first.")
}

// station is a page of its own.
func (b *booklet) station(st int) *draw.Picture {
	s := b.f.Stations[st]
	p, y := b.page(fmt.Sprintf("Station %s (%d of %d)", s.Name, st+1, len(b.f.Stations)), s.Do)
	g := newGround(b.c, drawingW, bottom-y-12, true)
	g.drawFloorAndAll(st)
	p.Place(g.p, left, y)
	c := &cursor{p, left, y + g.p.H + 0.5, drawingW}
	c.text("Half a metre beside the mark is good enough, with the boards named whole in the picture. Marks look the way of their arrows; the number below is the phone's height.", 9.5, false)

	var shots []Shot
	for _, x := range b.f.Shots {
		if x.Station == s.Name {
			shots = append(shots, x)
		}
	}
	pitch := (bottom - y) / math.Max(1, float64(len(shots)))
	b.list(p, shots, y, math.Min(pitch, 29))
	return p
}

// drawFloorAndAll draws a station with its shots.
func (g *ground) drawFloorAndAll(st int) {
	// Views lie below everything else.
	under := g.p
	top := &draw.Picture{W: under.W, H: under.H}
	g.p = top
	g.drawVehicle(st)
	g.drawFloor(st)
	g.p = under
	g.drawShots(st, top)
}

// list writes the shots, each with a box to tick.
func (b *booklet) list(p *draw.Picture, shots []Shot, y, pitch float64) {
	for i, s := range shots {
		y0 := y + pitch*float64(i)
		if i > 0 {
			p.Line(listX, y0, right, y0, draw.Hairline, 0.25)
		}
		p.Rect(listX, y0+1.6, 5, 5, draw.White, draw.Ink, 0.45)
		p.Write(listX+7, y0+6.2, fmt.Sprint(s.Number), 16, draw.Ink, true, draw.Start)
		c := &cursor{p, listX + 16, y0 + 0.6, right - listX - 16}
		c.text(fmt.Sprintf("%s, %.1f m high", s.Phone, s.AtMM[2]/1e3), 11.5, false)
		c.text(strings.Join(s.Boards, " "), 13, true)
		for _, size := range []float64{10, 9, 8, 7} { // as large as there is room for
			if lines := draw.Wrap(s.Where, size, false, c.w); c.y+float64(len(lines))*size*draw.Point*1.28 < y0+pitch-0.3 {
				c.text(s.Where, size, false)
				break
			}
		}
	}
}

// expected is what will be known, and how that was chosen.
func (b *booklet) expected() []*draw.Picture {
	text := fmt.Sprintf("Every camber, toe, thrust and scrub angle to %s degrees or better (standard uncertainty; the truth lies within twice that in 95 of 100 cases).", decimals(b.f.WorstU))
	if !b.f.Met {
		text = fmt.Sprintf("%s degrees were wanted; the largest uncertainty stays at %s (standard uncertainty; the truth lies within twice that in 95 of 100 cases).", decimals(b.f.WantedU), decimals(b.f.WorstU))
	}
	p, y := b.page("What to expect", text)
	y = b.table(p, y+2)
	if len(b.f.Curve) > 3 && bottom-y > 60 {
		p.Place(b.curve(right-left, math.Min(78, bottom-y-6)), left, y+6)
	}
	return append([]*draw.Picture{p}, b.trades()...)
}

// curve is the largest uncertainty against the number of photographs.
func (b *booklet) curve(w, h float64) *draw.Picture {
	var dots []draw.Dot
	for _, t := range b.f.Curve {
		dots = append(dots, draw.Dot{X: float64(t.Photos), Y: t.WorstU})
	}
	return draw.Chart{W: w, H: h, Points: 9, Title: "Photographs and uncertainty",
		X: draw.Axis{Name: "photographs, as the plan adds them", Whole: true}, Y: draw.Axis{Name: "largest standard uncertainty, degrees", Log: true},
		Lines: []draw.Series{{Dots: dots}}, Guides: []draw.Guide{{Name: "wanted", At: b.f.WantedU}}}.Picture()
}

func decimals(u float64) string {
	switch {
	case u < 0.01:
		return fmt.Sprintf("%.4f", u)
	case u < 0.1:
		return fmt.Sprintf("%.3f", u)
	}
	return fmt.Sprintf("%.2f", u)
}

// table writes the largest uncertainty of each axle's readings.
func (b *booklet) table(p *draw.Picture, y float64) float64 {
	type row struct {
		epoch string
		axle  int
		u     map[align.Quantity]float64
	}
	var rows []*row
	some := map[align.Quantity]bool{}
	epochs := map[string]bool{}
	for _, r := range b.f.Expected {
		if plan.Share(r.Quantity) == 0 {
			continue
		}
		i := slices.IndexFunc(rows, func(x *row) bool { return x.epoch == r.Epoch && x.axle == r.Axle })
		if i < 0 {
			i = len(rows)
			rows = append(rows, &row{r.Epoch, r.Axle, map[align.Quantity]float64{}})
		}
		rows[i].u[r.Quantity] = math.Max(rows[i].u[r.Quantity], r.U)
		some[r.Quantity], epochs[r.Epoch] = true, true
	}
	size, step := 12.0, 7.0
	if len(rows) > 14 {
		size, step = 9, 4.6
	}
	x := []float64{left, left + 40}
	p.Write(left, y+5, "Standard uncertainty, degrees; the worse side", 11, draw.Soft, false, draw.Start)
	y += 12
	cols := 0
	for _, q := range told {
		if some[q.quantity] {
			cols++
		}
	}
	at := func(i int) float64 { return x[1] + (right-x[1])*float64(i+1)/float64(cols) }
	i := 0
	for _, q := range told {
		if some[q.quantity] {
			p.Write(at(i), y, q.name, math.Min(size, 11), draw.Ink, true, draw.End)
			i++
		}
	}
	y += 1.8
	p.Line(left, y, right, y, draw.Ink, 0.35)
	for _, r := range rows {
		y += step
		name := fmt.Sprintf("axle %d", r.axle)
		if len(epochs) > 1 {
			name += ", " + r.epoch
		}
		p.Write(left, y-1.8, draw.Fit(name, size, false, x[1]-left+8), size, draw.Ink, false, draw.Start)
		i := 0
		for _, q := range told {
			if !some[q.quantity] {
				continue
			}
			if u, ok := r.u[q.quantity]; ok {
				p.Write(at(i), y-1.8, decimals(u), size, draw.Ink, false, draw.End)
			}
			i++
		}
		p.Line(left, y, right, y, draw.Hairline, 0.2)
	}
	return y
}

// describe tells the plan in words to who cannot see it.
func (b *booklet) describe() string {
	var parts []string
	for _, s := range b.f.Stations {
		parts = append(parts, fmt.Sprintf("Station %s: %s %s.", s.Name, s.Do, wording.Count(s.Photos, "photograph")))
	}
	return strings.Join(parts, " ")
}
