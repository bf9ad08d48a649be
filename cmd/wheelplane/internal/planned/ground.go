package planned

import (
	"fmt"
	"math"
	"slices"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/pose/plan"
	"wheelplane/pose/rig"
)

// Everything is black on white or grey: it is read in a poor light, and copied.
const (
	greyTyre = draw.Colour("#5b6670")
	greyView = draw.Colour("#e3e7ea")
)

// ground is the vehicle from above at one station, with what lies and stands
// around it, in a picture of its own. It has the same scale and place at all
// stations.
type ground struct {
	c     *plan.Choice
	job   *rig.Job
	p     *draw.Picture
	above draw.Above
	taken []rect // what texts and marks keep clear of
}

// rect is an area of the picture, mm.
type rect struct{ x0, y0, x1, y1 float64 }

func around(x, y, halfW, halfH float64) rect {
	return rect{x - halfW, y - halfH, x + halfW, y + halfH}
}

func (r rect) meets(o rect) bool { return r.x0 < o.x1 && o.x0 < r.x1 && r.y0 < o.y1 && o.y0 < r.y1 }

// Halves of what marks take up, mm: a phone held flat or upright, a floor board.
const (
	phoneLong, phoneShort = 5.3, 3.7
	boardW, boardH        = 3.6, 2.6
)

// vehicle is the plan's as it is drawn, x from axle 1.
func vehicle(c *plan.Choice) *draw.Vehicle {
	j := c.Job
	v := &draw.Vehicle{}
	for _, a := range j.Vehicle.Axles {
		tyre := a.TyreDiameter
		if tyre <= 0 {
			tyre = 1
		}
		v.Axles = append(v.Axles, draw.Axle{X: -a.Position, Half: a.Track / 2, Tyre: tyre, Width: 0.28 * tyre})
	}
	if j.Kingpin != nil {
		for i, b := range j.Body {
			if b == j.Kingpin.Board {
				x := toFirst(j, c.State.BodyFromBoard[i].T)[0]
				v.Kingpin = &x
			}
		}
	}
	v.Enclose()
	return v
}

// newGround begins the picture of a station, at most w × h mm; it is as high as
// what it shows needs. With shots it has room for those of all stations, without
// for the distances of the boards.
func newGround(c *plan.Choice, w, h float64, shots bool) *ground {
	g := &ground{c: c, job: c.Job}
	v := vehicle(c)
	x0, x1, y := v.Rear, v.Front, v.Half
	reach := func(at pose.Vec) {
		x0, x1, y = math.Min(x0, at[0]), math.Max(x1, at[0]), math.Max(y, math.Abs(at[1]))
	}
	for i := range g.job.Floor {
		reach(g.floorAt(i, 0))
	}
	edge := 16.0
	if shots {
		edge = 7
		for _, s := range c.Shots {
			reach(toFirst(g.job, s.At))
		}
		for st := range g.job.Stations {
			for i := range g.job.Floor {
				reach(g.floorAt(i, st))
			}
		}
	}
	scale := math.Min(math.Min((w-2*edge)/(2*y), (h-2*edge)/(x1-x0)), 26)
	g.p = &draw.Picture{W: w, H: scale*(x1-x0) + 2*edge}
	g.above = draw.Above{X: w / 2, Y: edge + scale*x1, Scale: scale}
	return g
}

// floorAt is where a floor board lies at a station, from axle 1.
func (g *ground) floorAt(i, st int) pose.Vec {
	s := g.c.State
	return toFirst(g.job, s.FloorFromBody[st].Inverse().Apply(s.FloorFromBoard[i].T))
}

func (g *ground) at(v pose.Vec) (x, y float64) {
	q := g.above.At(v[0], v[1])
	return q[0], q[1]
}

// drawVehicle draws the body, axles and wheels as they stand at a station, with
// their boards.
func (g *ground) drawVehicle(st int) {
	v, s := vehicle(g.c), g.above.Scale
	g.p.Body(v, g.above, false)
	stop := g.job.Stations[st]
	for i, a := range v.Axles {
		l, r := g.above.At(a.X, a.Half), g.above.At(a.X, -a.Half)
		g.p.Line(l[0], l[1], r[0], r[1], draw.Ink, 0.5)
		m := g.above.At(a.X, 0)
		g.p.Circle(m[0], m[1], 2.7, draw.White, draw.Ink, 0.3)
		g.p.Write(m[0], m[1]+1.35, fmt.Sprint(i+1), 10.5, draw.Ink, true, draw.Middle)
		for _, side := range []align.Side{align.Left, align.Right} {
			angle := 0.0
			if stop.Sweep && g.job.Vehicle.Axles[i].Steered {
				angle = stop.Steer
			}
			y := side.Outboard() * a.Half
			c := g.above.At(a.X, y)
			w := draw.Shape{Path: draw.Turned(g.above.Wheel(a.X, y, a.Tyre, a.Width), c[0], c[1], angle, 0, 0), Fill: greyTyre, Stroke: draw.Ink, Width: 0.3}
			for _, up := range stop.Lifted {
				if up.Axle == i+1 && up.Side == side {
					w.Fill, w.Dash = draw.White, []float64{1, 0.7}
				}
			}
			g.p.Add(w)
			g.wheelBoard(st, i, side, a, angle)
		}
	}
	for i, b := range g.job.Body {
		// Seen edge on; its name stands inboard of it, or behind the kingpin's.
		t := g.c.State.BodyFromBoard[i]
		x, y := g.at(toFirst(g.job, t.T))
		n := t.R.Column(2)
		dx, dy := -n[1]*1, -n[0]*1 // its face's direction on the page
		half := math.Max(1.8, 0.19*s)
		g.p.Line(x-half*dy, y+half*dx, x+half*dy, y-half*dx, draw.Ink, 1.1)
		name := g.job.Boards[b].Name
		switch {
		case math.Abs(dy) > math.Abs(dx):
			g.p.Write(x, y+4.2, name, 10, draw.Ink, true, draw.Middle)
		case dx < 0:
			g.p.Write(x+1.6, y+1.2, name, 10, draw.Ink, true, draw.Start)
		default:
			g.p.Write(x-1.6, y+1.2, name, 10, draw.Ink, true, draw.End)
		}
		g.taken = append(g.taken, around(x, y, 2, 2))
	}
	a, b := g.above.At(v.Front, v.Half), g.above.At(v.Rear, -v.Half)
	g.taken = append(g.taken, rect{a[0] - 1, a[1], b[0] + 1, b[1]})
}

// wheelBoard draws the board clamped to a wheel, edge on, and its name outboard.
func (g *ground) wheelBoard(st, axle int, side align.Side, a draw.Axle, angle float64) {
	for _, h := range g.job.Hangs {
		if !h.Stations.Has(st) || h.Wheel != (rig.Wheel{Axle: axle + 1, Side: side}) {
			continue
		}
		out := side.Outboard()
		c := g.above.At(a.X, out*a.Half)
		off := a.Width*g.above.Scale/2 + 1.3
		half := math.Max(1.9, 0.19*g.above.Scale)
		x := c[0] - out*off
		g.p.Add(draw.Shape{Path: draw.Turned(draw.Polygon(false, [2]float64{x, c[1] - half}, [2]float64{x, c[1] + half}), c[0], c[1], angle, 0, 0), Stroke: draw.Ink, Width: 1.1})
		anchor := draw.End
		if side == align.Right {
			anchor = draw.Start
		}
		name := g.job.Boards[h.Board].Name
		x -= out * 1.5
		g.p.Write(x, c[1]+1.3, name, 10.5, draw.Ink, true, anchor)
		w := draw.TextWidth(name, 10.5, true)
		g.taken = append(g.taken, around(x-out*w/2, c[1], w/2+0.6, 2.2))
	}
}

// drawFloor draws the floor boards that lie at a station: larger than they are,
// so that their names can be read.
func (g *ground) drawFloor(st int) {
	for i, lay := range g.job.Floor {
		if !lay.Stations.Has(st) {
			continue
		}
		x, y := g.at(g.floorAt(i, st))
		name := g.job.Boards[lay.Board].Name
		half := g.boardHalf(lay.Board)
		g.p.Rect(x-half, y-boardH, 2*half, 2*boardH, draw.White, draw.Ink, 0.35)
		g.p.Write(x, y+1.15, name, 9, draw.Ink, true, draw.Middle)
		g.taken = append(g.taken, around(x, y, half+0.3, boardH+0.3))
	}
}

// sizeDistance is that of distances' type, points.
const sizeDistance = 9

// arrow draws a distance's line with a point at either end.
func (g *ground) arrow(x0, y0, x1, y1 float64) {
	g.p.Line(x0, y0, x1, y1, draw.Ink, 0.25)
	for _, e := range [][4]float64{{x0, y0, x1, y1}, {x1, y1, x0, y0}} {
		d := math.Hypot(e[2]-e[0], e[3]-e[1])
		if d < 3.5 {
			continue
		}
		dx, dy := (e[2]-e[0])/d, (e[3]-e[1])/d
		g.p.Add(draw.Shape{Path: draw.Polygon(true, [2]float64{e[0], e[1]}, [2]float64{e[0] + 1.6*dx + 0.6*dy, e[1] + 1.6*dy - 0.6*dx}, [2]float64{e[0] + 1.6*dx - 0.6*dy, e[1] + 1.6*dy + 0.6*dx}), Fill: draw.Ink})
	}
}

func metres(v float64) string { return fmt.Sprintf("%.1f", math.Abs(v)) }

// drawDistances measures the floor boards at the first station: across from the
// wheels or the middle; along, those beside the vehicle in a chain that begins at
// axle 1 and those before and behind it from the nearest axle.
func (g *ground) drawDistances() {
	var chains [2][]float64 // x of boards beside, left and right
	reach := 0.0            // how far out the boards lie, mm from the middle
	for i, lay := range g.job.Floor {
		if !lay.Stations.Has(0) {
			continue
		}
		at := g.floorAt(i, 0)
		axle, off := nearest(g.job, at[0])
		a := g.job.Vehicle.Axles[axle]
		x, y := g.at(at)
		side := math.Copysign(1, at[1])
		half := g.boardHalf(lay.Board)
		middle, _ := g.at(pose.Vec{})
		if math.Abs(at[1])-a.Track/2 > 0.15 {
			w, _ := g.at(pose.Vec{at[0], side * a.Track / 2, 0})
			g.arrow(w, y, x+side*half, y)
			g.label((w+x+side*half)/2, y, metres(math.Abs(at[1])-a.Track/2))
			k := 0
			if side < 0 {
				k = 1
			}
			chains[k] = append(chains[k], at[0])
			reach = math.Max(reach, math.Abs(x-middle)+half)
			continue
		}
		if math.Abs(at[1]) >= 0.15 {
			g.arrow(middle, y, x+side*half, y)
			g.label((middle+x+side*half)/2, y, metres(at[1]))
		}
		if math.Abs(off) > 0.15 { // the vehicle is in the way of the line
			_, ya := g.at(pose.Vec{-a.Position, 0, 0})
			from := ya - a.TyreDiameter/2*g.above.Scale*math.Copysign(1, off)
			g.p.Line(x, from, x, ya, draw.Ink, 0.25, 0.8, 0.6)
			end := y + boardH*math.Copysign(1, off)
			g.arrow(x, from, x, end)
			g.label(x, (from+end)/2, metres(off))
		}
	}
	for k, list := range chains {
		g.chain(list, float64(1-2*k), reach+4)
	}
}

// chain measures from board to board along a side, and from axle 1: side is 1 at
// the left, out how far from the middle the chain runs, mm.
func (g *ground) chain(list []float64, side, out float64) {
	if len(list) == 0 {
		return
	}
	stops := append(slices.Clone(list), 0) // axle 1
	slices.Sort(stops)
	stops = slices.CompactFunc(stops, func(a, b float64) bool { return math.Abs(a-b) < 0.05 })
	middle, axle := g.at(pose.Vec{})
	x := middle - side*out
	g.p.Line(x+side*6, axle, x-side*1.2, axle, draw.Ink, 0.25, 0.8, 0.6) // in line with the axle
	anchor := draw.End
	if side < 0 {
		anchor = draw.Start
	}
	for i, s := range stops {
		_, y := g.at(pose.Vec{s, 0, 0})
		g.p.Line(x-1.2, y, x+1.2, y, draw.Ink, 0.25)
		if i > 0 {
			_, y0 := g.at(pose.Vec{stops[i-1], 0, 0})
			g.arrow(x, y0, x, y)
			g.p.Write(x-side*1.2, (y+y0)/2+1.15, metres(s-stops[i-1]), sizeDistance, draw.Ink, false, anchor)
		}
	}
}

// boardHalf is half the width that a floor board is drawn with.
func (g *ground) boardHalf(board int) float64 {
	return math.Max(boardW, draw.TextWidth(g.job.Boards[board].Name, 9, true)/2+0.7)
}

// label writes a distance over its line.
func (g *ground) label(x, y float64, text string) {
	w := draw.TextWidth(text, sizeDistance, false)
	g.p.Rect(x-w/2-0.5, y-1.5, w+1, 3, draw.White, "", 0)
	g.p.Write(x, y+1.15, text, sizeDistance, draw.Ink, false, draw.Middle)
}

// mark is a shot's on the picture.
type mark struct {
	number      int
	shot        plan.Shot
	x, y        float64 // of its middle
	trueX       float64 // where to stand
	trueY       float64
	halfW, half float64
}

func (m *mark) rect() rect { return around(m.x, m.y, m.halfW+0.5, m.half+0.5) }

// drawShots draws a station's shots: a phone, flat or upright, with its number and
// height, and what it looks at; the views lie below what is in over, the phones
// above it.
func (g *ground) drawShots(st int, over *draw.Picture) {
	var marks []*mark
	for i, s := range g.c.Shots {
		if s.Station != st {
			continue
		}
		m := &mark{number: i + 1, shot: s, halfW: phoneLong, half: phoneShort}
		if s.Upright {
			m.halfW, m.half = phoneShort, phoneLong
		}
		m.trueX, m.trueY = g.at(toFirst(g.job, s.At))
		m.x, m.y = m.trueX, m.trueY
		marks = append(marks, m)
	}
	g.apart(marks)
	camera := g.c.State.Camera
	for _, m := range marks {
		ax, ay := g.at(toFirst(g.job, m.shot.Aim))
		dir := math.Atan2(-(ay - m.trueY), ax-m.trueX)
		wide := math.Atan(float64(camera.Width) / 2 / camera.FX)
		if m.shot.Upright {
			wide = math.Atan(float64(camera.Height) / 2 / camera.FY)
		}
		r := math.Max(15, 1.3*g.above.Scale)
		g.p.Add(draw.Shape{Path: draw.Wedge(m.trueX, m.trueY, r, dir-wide, dir+wide), Fill: greyView, Stroke: draw.Faint, Width: 0.2})
	}
	g.p.Place(over, 0, 0)
	for _, m := range marks {
		ax, ay := g.at(toFirst(g.job, m.shot.Aim))
		d := math.Hypot(ax-m.trueX, ay-m.trueY)
		dx, dy := (ax-m.trueX)/d, (ay-m.trueY)/d
		tip := math.Min(d, 11)
		x, y := m.trueX+tip*dx, m.trueY+tip*dy
		g.p.Line(m.trueX, m.trueY, x-1.5*dx, y-1.5*dy, draw.Ink, 0.5)
		g.p.Add(draw.Shape{Path: draw.Polygon(true, [2]float64{x, y}, [2]float64{x - 2.6*dx + 1.1*dy, y - 2.6*dy - 1.1*dx}, [2]float64{x - 2.6*dx - 1.1*dy, y - 2.6*dy + 1.1*dx}), Fill: draw.Ink})
		if math.Hypot(m.x-m.trueX, m.y-m.trueY) > 1 {
			g.p.Line(m.trueX, m.trueY, m.x, m.y, draw.Ink, 0.3)
			g.p.Circle(m.trueX, m.trueY, 0.8, draw.Ink, "", 0)
		}
	}
	for _, m := range marks {
		g.p.Add(draw.Shape{Path: draw.Rounded(m.x-m.halfW, m.y-m.half, 2*m.halfW, 2*m.half, 1.2), Fill: draw.White, Stroke: draw.Ink, Width: 0.6})
		height := fmt.Sprintf("%.1f m", m.shot.At[2])
		if m.shot.Upright {
			g.p.Write(m.x, m.y+0.4, fmt.Sprint(m.number), 13, draw.Ink, true, draw.Middle)
			g.p.Write(m.x, m.y+4, height, 6.5, draw.Ink, false, draw.Middle)
		} else {
			g.p.Write(m.x, m.y+0.7, fmt.Sprint(m.number), 12, draw.Ink, true, draw.Middle)
			g.p.Write(m.x, m.y+3.1, height, 6.5, draw.Ink, false, draw.Middle)
		}
	}
}

// apart moves marks off each other and off what is drawn, a little at a time, and
// never out of the picture.
func (g *ground) apart(marks []*mark) {
	push := func(m *mark, by rect, share float64) bool {
		r := m.rect()
		if !r.meets(by) {
			return false
		}
		// The shortest way out of it.
		left, right, up, down := r.x1-by.x0, by.x1-r.x0, r.y1-by.y0, by.y1-r.y0
		switch least := math.Min(math.Min(left, right), math.Min(up, down)); least {
		case left:
			m.x -= share * least
		case right:
			m.x += share * least
		case up:
			m.y -= share * least
		default:
			m.y += share * least
		}
		return true
	}
	for range 400 {
		moved := false
		for i, m := range marks {
			for _, o := range marks[:i] {
				if at := m.rect(); push(m, o.rect(), 0.52) {
					push(o, at, 0.52)
					moved = true
				}
			}
			for _, r := range g.taken {
				moved = push(m, r, 1.01) || moved
			}
			m.x = math.Max(m.halfW+0.4, math.Min(g.p.W-m.halfW-0.4, m.x))
			m.y = math.Max(m.half+0.4, math.Min(g.p.H-m.half-0.4, m.y))
		}
		if !moved {
			return
		}
	}
}
