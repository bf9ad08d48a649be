package vision

import (
	"fmt"
	"math"
	"slices"
	"sort"
)

// cornerSquares is inner corner i in squares from the board's top-left corner.
func (b *Board) cornerSquares(i int) [2]float64 {
	n := b.Cols - 1
	return [2]float64{float64(i%n + 1), float64(i/n + 1)}
}

// found is a corner on its way.
type found struct {
	px   [2]float64
	sd   float64
	ok   bool
	why  string // of not ok
	last fit
}

const (
	// A square of this many pixels is enough to find a corner by, and few
	// enough that marker cells blur away and cannot mislead.
	growSquarePx = 13

	// What a window must explain of its variance to be taken for a corner
	// while growing, and in the end.
	growR2  = 0.75
	finalR2 = 0.85

	minGain = 12 // grey levels between black and white print
)

// grow measures a board from a group of its markers: corners near the markers
// first, on a reduced picture, then outwards with a map that sharpens as it
// grows, then at full resolution.
func (s *scene) grow(board int, g group) (*measured, bool) {
	b := &s.boards[board]
	coarse, fine := newPattern(b, greyPatch), newPattern(b, allCells)
	n := b.NumCorners()
	cs := make([]found, n)

	// Which level: from the markers' own size.
	var sides []float64
	var markers []match
	for _, m := range g {
		sides = append(sides, shortSide(m))
		q := markerMatches(b, m, coarseSD)
		markers = append(markers, q[:]...)
	}
	sort.Float64s(sides)
	square := sides[len(sides)/2] * b.SquareM / b.MarkerM
	level := 0
	for level+1 < len(s.levels) && square/float64(int(2)<<level) >= growSquarePx {
		level++
	}
	var w warp
	var ok bool
	tried := make([]float64, n) // the sd at the last attempt
	for i := range tried {
		tried[i] = math.Inf(1)
	}
	for round := 0; round < 12; round++ {
		pts := append([]match(nil), markers...)
		good := 0
		for i := range cs {
			if cs[i].ok {
				good++
				pts = append(pts, match{b.cornerSquares(i), cs[i].px, cs[i].sd})
			}
		}
		if good >= 6 {
			pts = pts[len(markers):]
		}
		if w, ok = fitWarp(pts, s.lens, b, good >= 8); !ok {
			return nil, false
		}
		progress := false
		for i := range cs {
			if cs[i].ok {
				continue
			}
			at := b.cornerSquares(i)
			sd := w.h.sd(at, &w.cov)
			// A map with little behind it is not followed far.
			limit := 0.12 * w.squarePx(at)
			if sd > limit || sd > 0.7*tried[i] {
				continue
			}
			tried[i] = sd
			if f, good := s.settle(&w, coarse, fine, at, level); good {
				cs[i] = found{px: f.px, sd: f.sd, ok: true}
				progress = true
			}
		}
		if !progress {
			break
		}
	}
	count := 0
	for i := range cs {
		if cs[i].ok {
			count++
		}
	}
	if count < 4 {
		return nil, false
	}
	return s.measureBlurred(board, len(g), fine, cs)
}

// shortSide is the marker's shorter side, pixels: what obliquity leaves.
func shortSide(m Marker) float64 {
	l := func(i, j int) float64 {
		return math.Hypot(m.Corners[i][0]-m.Corners[j][0], m.Corners[i][1]-m.Corners[j][1])
	}
	return math.Min(l(0, 1)+l(2, 3), l(1, 2)+l(3, 0)) / 2
}

// squarePx is the smaller extent of a square at a board point, pixels.
func (w *warp) squarePx(b [2]float64) float64 {
	var e [4][2]float64
	for i, d := range [4][2]float64{{0.5, 0}, {-0.5, 0}, {0, 0.5}, {0, -0.5}} {
		p, ok := w.at([2]float64{b[0] + d[0], b[1] + d[1]})
		if !ok {
			return 0
		}
		e[i] = p
	}
	return math.Min(math.Hypot(e[0][0]-e[1][0], e[0][1]-e[1][1]), math.Hypot(e[2][0]-e[3][0], e[2][1]-e[3][1]))
}

// growBlur is the blur assumed while growing, pixels of the level: wide, so
// that a prediction off by a pixel or two still finds its way, then near the
// true one.
var growBlur = [...]float64{1.4, 1.0, 0.8}

// settle fits the corner predicted by w on a level, a few steps from wide to
// narrow blur.
func (s *scene) settle(w *warp, coarse, fine *pattern, at [2]float64, level int) (f found, ok bool) {
	factor := float64(int(1) << level)
	c, good := w.chartAt(at, 0.5, int(factor))
	if !good {
		return f, false
	}
	start := c.px
	limit := math.Max(1.5, 0.3*w.squarePx(at)/factor)
	var last fit
	for step, blur := range growBlur {
		p := coarse
		if step == len(growBlur)-1 {
			p = fine
		}
		last, ok = s.bench.fitWindow(s.levels[level], p, &c, window{half: 0.5, max: 300, cols: colBlur}, look{blur: blur})
		if !ok || last.inside < 0.6 {
			return f, false
		}
		step := math.Hypot(last.shift[0], last.shift[1])
		if step > 2 {
			last.shift[0] *= 2 / step
			last.shift[1] *= 2 / step
		}
		c.move(last.shift)
		if math.Hypot(c.px[0]-start[0], c.px[1]-start[1]) > limit {
			return f, false
		}
	}
	if last.r2 < growR2 || last.gain < minGain {
		return f, false
	}
	f.px = [2]float64{c.px[0]*factor + (factor-1)/2, c.px[1]*factor + (factor-1)/2}
	f.sd = factor * math.Max(0.05, math.Sqrt((last.cov[0]+last.cov[2])/2))
	return f, true
}

// move shifts the chart in the picture.
func (c *chart) move(d [2]float64) {
	for k := range d {
		c.px[k] += d[k]
		c.lo[k] += d[k]
		c.hi[k] += d[k]
	}
}

// The passes at full resolution: the corners' shifts and the blur roughly, then
// the board as a whole with all of the look, repeated while it still changes,
// then with all pixels. finalPass is for corners one by one, where the board as
// a whole cannot be had.
var (
	roughPass = window{half: 0.3, max: 120, cols: colTone}
	lookPass  = window{half: 0.5, max: 130, cols: numCols, doubt: true}
	finalPass = window{half: 0.5, max: 1600, cols: colBlur, doubt: true}
)

const (
	maxLookPasses = 4 // enough for a strong tone curve with strong sharpening
	maxFullPasses = 3

	// A blur so many times what was assumed is found before the rest of the look:
	// from far below, more blur and less sharpening look alike.
	wider = 1.25

	// Less sharpening than this takes all windows to tell from none.
	clearlySharp = 0.1
)

// measured is a board being measured in a photograph.
type measured struct {
	board   int
	markers int
	pat     *pattern
	cs      []found
	look    look
	colour  float64 // true variance of a shift over what white noise would give
	warp    warp
	view    View
	guessed bool // the lens is only guessed

	nodes []node
	whole *smooth // the board as a whole, or nil: corners one by one
}

// measure refines the board at full resolution and makes the view.
func (s *scene) measure(board, markers int, pat *pattern, cs []found) (*measured, bool) {
	m := &measured{board: board, markers: markers, pat: pat, cs: cs, colour: 1}
	m.look = s.look // of the photograph's last board, if any
	sum, ok := s.pass(m, roughPass)
	if !ok {
		return nil, false
	}
	m.look.learn(sum)
	rough := *m
	rough.cs = slices.Clone(m.cs)
	if s.measureWhole(m) && s.finish(m) {
		s.look = m.look
		return m, true
	}
	// Where the board as a whole cannot be followed, what its corners say one by
	// one may still do.
	*m = rough
	if _, ok := s.pass(m, finalPass); !ok {
		return nil, false
	}
	s.look = m.look
	return m, s.finish(m)
}

// measureWhole fits the board as a whole. It tells whether that could be done.
func (s *scene) measureWhole(m *measured) bool {
	b := &s.boards[m.board]
	pts := m.matches(b)
	if len(pts) < minCorners {
		return false
	}
	var ok bool
	if m.warp, ok = fitWarp(pts, s.lens, b, len(pts) >= 8); !ok {
		return false
	}
	m.nodes = nodesOf(b, m.pat)
	for i := range m.nodes {
		m.nodes[i].push = m.outward(&m.nodes[i])
	}
	sparse := s.manyPixels(m, lookPass)
	win := lookPass
	if m.look.blur > wider*s.look.blur {
		win.cols = colTone
	}
	for looks := 1; ; looks++ {
		s.nodePass(m, win, sparse)
		q, ok := m.solve(b, win.cols-colBlur)
		if !ok {
			return false
		}
		if m.follow(&q).far() && looks < maxLookPasses {
			continue
		}
		if win.cols < numCols {
			win.cols, looks = numCols, 0 // now all of the look
			continue
		}
		if !sparse || math.Abs(m.look.sharp) > clearlySharp {
			break
		}
		sparse = false
	}
	// A second kernel costs time and must be worth it.
	if math.Abs(m.look.sharp) < 0.03 {
		m.look.sharp = 0
	}
	return s.fullPasses(m)
}

// fullPasses moves the board to where it belongs by some of its pixels, then
// repeats the pass over all until it stands still, mostly once.
func (s *scene) fullPasses(m *measured) bool {
	b := &s.boards[m.board]
	cols := numCols
	if m.look.sharp == 0 {
		cols = colSharp
	}
	var whole smooth
	for _, round := range [...]struct {
		most  int
		again func(step) bool
	}{{somePixels, step.far}, {mostPixels, step.large}} {
		for pass := 1; ; pass++ {
			s.fullPass(m, cols, round.most)
			var ok bool
			if whole, ok = m.solve(b, cols-colBlur); !ok {
				return false
			}
			if !round.again(m.follow(&whole)) || pass == maxFullPasses {
				break
			}
		}
	}
	return s.settleWhole(m, &whole)
}

// settleWhole takes a solution over: how certain it is, and where each corner's own
// window sees it.
func (s *scene) settleWhole(m *measured, whole *smooth) bool {
	if !m.judge(whole) {
		return false
	}
	m.whole = whole
	for i := range m.cs {
		m.cs[i] = found{why: outside}
	}
	for i := range m.nodes {
		if n := &m.nodes[i]; n.corner >= 0 {
			m.cs[n.corner] = n.found
			m.cs[n.corner].px = m.own(n)
		}
	}
	return true
}

// pass fits a warp to the corners so far and measures all of them with it.
// What the windows wish of the look is summed up.
func (s *scene) pass(m *measured, win window) (sum [4]estimate, ok bool) {
	b := &s.boards[m.board]
	pts := m.matches(b)
	if len(pts) < 4 {
		return sum, false
	}
	if m.warp, ok = fitWarp(pts, s.lens, b, len(pts) >= 8); !ok {
		return sum, false
	}
	var shown, white float64
	for i := range m.cs {
		win.colour = win.cols == finalPass.cols && i%3 == 0 // the noise is much the same everywhere
		m.cs[i] = s.measureCorner(m.pat, &m.warp, b.cornerSquares(i), win, m.look)
		if !m.cs[i].ok {
			continue
		}
		shown += m.cs[i].last.shown
		white += m.cs[i].last.white
		for k, l := range m.cs[i].last.look {
			sum[k].value += l.value * l.weight
			sum[k].weight += l.weight
		}
	}
	if white > 0 {
		m.colour = math.Max(leastColour, shown/white)
	}
	return sum, true
}

// leastColour bounds how much better than with white noise corners are taken to
// be: strong sharpening gives about a half.
const leastColour = 0.35

// matches are the good corners, for a warp.
func (m *measured) matches(b *Board) (pts []match) {
	for i, c := range m.cs {
		if c.ok {
			pts = append(pts, match{b.cornerSquares(i), c.px, math.Max(c.sd, 0.02)})
		}
	}
	return
}

// places are the matches, of the outline too where that was measured.
func (m *measured) places(b *Board) (pts []match) {
	if m.whole == nil {
		return m.matches(b)
	}
	for i := range m.nodes {
		if n := &m.nodes[i]; n.ok {
			pts = append(pts, match{n.at, m.own(n), math.Max(n.sd, 0.02)})
		}
	}
	return pts
}

// finish judges the corners and makes the view.
func (s *scene) finish(m *measured) bool {
	b := &s.boards[m.board]
	v := View{Board: m.board, Markers: m.markers, BlurPx: m.look.blur, fit: m.knows()}
	s.judge(m)
	n := b.NumCorners()
	for i := 0; i < n; i++ {
		c := &m.cs[i]
		if !c.ok {
			if px, ok := m.warp.at(b.cornerSquares(i)); ok {
				v.Rejected = append(v.Rejected, RejectedCorner{i, px, c.why})
			}
			continue
		}
		if m.whole != nil {
			// What the whole board says of the corner, not its own window: that
			// is better, and what Joint is true of.
			px, _ := m.warp.at(b.cornerSquares(i))
			v.Corners = append(v.Corners, Corner{Index: i, Px: px})
			continue
		}
		cov := c.last.cov
		for k := range cov {
			cov[k] *= m.colour
		}
		cov[0] += cornerFloor * cornerFloor
		cov[2] += cornerFloor * cornerFloor
		v.Corners = append(v.Corners, Corner{Index: i, Px: c.px, Cov: cov})
	}
	if len(v.Corners) < minCorners {
		return false
	}
	if m.whole != nil {
		v.Joint = m.whole.joint(b, v.Corners, m.look.sharp != 0)
	}
	mid := [2]float64{float64(b.Cols) / 2, float64(b.Rows) / 2}
	var ratio float64
	v.SquarePx, ratio = m.warp.squareShape(mid)
	v.Obliquity = math.Acos(math.Min(1, ratio))
	for k, q := range [4][2]float64{{0, 0}, {float64(b.Cols), 0}, {float64(b.Cols), float64(b.Rows)}, {0, float64(b.Rows)}} {
		v.Outline[k], _ = m.warp.at(q)
	}
	switch {
	case len(v.Corners) < n/2:
		v.Note = fmt.Sprintf("only %d of %d corners are visible", len(v.Corners), n)
	case v.Joint == nil:
		v.Note = "too little of the board is clear to fit it as a whole: its corners were measured one by one"
	}
	m.view = v
	return true
}

// straighten measures the boards again where the lens bends the picture and
// nobody said how: what one polynomial a board cannot follow, a lens common to
// all can.
func (s *scene) straighten(ms []*measured) {
	if s.lens.cam != nil {
		return
	}
	// The first guess is made of places that no polynomial explained well.
	for range 2 {
		guess, ok := s.guessLens(ms)
		if !ok {
			return
		}
		s.lens.cam = &guess
		s.again(ms)
		if !slices.ContainsFunc(ms, func(m *measured) bool { return m.whole != nil && m.whole.lack > poorFit }) {
			return
		}
	}
}

// poorFit is a lack of fit that a better lens may mend.
const poorFit = 1.5

// again measures the boards with the scene's lens, where that works.
func (s *scene) again(ms []*measured) {
	for _, m := range ms {
		again := *m
		again.guessed = true
		again.cs, again.nodes = slices.Clone(m.cs), slices.Clone(m.nodes)
		ok := false
		if m.whole != nil {
			if again.warp, ok = fitWarp(again.places(&s.boards[m.board]), s.lens, &s.boards[m.board], true); ok {
				ok = s.fullPasses(&again)
			}
		} else {
			_, ok = s.pass(&again, finalPass)
		}
		if ok && s.finish(&again) && len(again.view.Corners) >= len(m.view.Corners)-1 {
			again.view.Note = m.view.Note
			*m = again
		}
	}
}

// guessLens finds the radial distortion about the picture's centre that makes
// the boards' corners fit their homographies best. ok is false where the lens
// is straight enough already.
func (s *scene) guessLens(ms []*measured) (c Camera, ok bool) {
	b := s.levels[0].Bounds()
	f := float64(max(b.Dx(), b.Dy()))
	at := func(k [3]float64) Camera {
		return Camera{Width: b.Dx(), Height: b.Dy(), FX: f, FY: f, CX: float64(b.Dx()-1) / 2, CY: float64(b.Dy()-1) / 2, K1: k[0], K2: k[1], K3: k[2]}
	}
	var total int
	places := make([][]match, len(ms))
	for i, m := range ms {
		places[i] = m.places(&s.boards[m.board])
		total += len(places[i])
	}
	if total == 0 {
		return c, false
	}
	// Residuals of all places from their board's homography, ideal pixels.
	residuals := func(k [3]float64) (e []float64) {
		cam := at(k)
		for i, m := range ms {
			w, ok := fitWarp(places[i], lens{&cam}, &s.boards[m.board], false)
			if !ok {
				return nil
			}
			for _, p := range places[i] {
				q, ok := w.at(p.board)
				if !ok {
					return nil
				}
				e = append(e, p.px[0]-q[0], p.px[1]-q[1])
			}
		}
		return e
	}
	square := func(e []float64) (v float64) {
		for _, x := range e {
			v += x * x
		}
		return v
	}
	// Gauss-Newton with numerical derivatives. The priors are those of a lens,
	// and make one board enough.
	prior := [3]float64{0.5, 0.5, 1}
	var k [3]float64
	e := residuals(k)
	before := math.Sqrt(square(e) / float64(2*total))
	if e == nil || before < 0.02 {
		return c, false
	}
	const step = 1e-4
	for range 8 {
		const weight = 1 / (0.01 * 0.01)
		var j [3][]float64
		var n matrix
		var r [10]float64
		for a := range k {
			moved := k
			moved[a] += step
			if j[a] = residuals(moved); e == nil || len(j[a]) != len(e) {
				return c, false
			}
			for i := range e {
				j[a][i] = (j[a][i] - e[i]) / step
				r[a] -= weight * j[a][i] * e[i]
			}
			for b := range a + 1 {
				for i := range e {
					n[a][b] += weight * j[a][i] * j[b][i]
				}
			}
			n[a][a] += 1 / (prior[a] * prior[a])
			r[a] -= k[a] / (prior[a] * prior[a])
		}
		if !n.solve(len(k), &r) {
			return c, false
		}
		var large bool
		for a := range k {
			k[a] += r[a]
			large = large || math.Abs(r[a]) > 5e-4
		}
		if e = residuals(k); !large {
			break
		}
	}
	if e == nil || math.Sqrt(square(e)/float64(2*total)) > before/2 {
		return c, false
	}
	return at(k), true
}

// measureCorner fits the corner predicted by w and says whether it looks like
// one.
func (s *scene) measureCorner(pat *pattern, w *warp, at [2]float64, win window, lk look) found {
	win.half = math.Min(win.half, pat.half)
	c, good := w.chartAt(at, win.half, 1)
	if !good {
		return found{why: outside}
	}
	f, good := s.bench.fitWindow(s.levels[0], pat, &c, win, lk)
	return judgeWindow(f, good, &c)
}

// judgeWindow says whether a window looks like its corner.
func judgeWindow(f fit, good bool, c *chart) found {
	out := found{px: c.px, last: f}
	limit := math.Max(1, 0.15*c.squarePx())
	switch {
	case f.inside < 0.6:
		out.why = outside
	case !good:
		out.why = covered // nothing of it is there
	case f.gain < minGain:
		out.why = "no contrast"
	case f.kept < 0.6 || f.least < 0.25:
		out.why = covered
	case f.r2 < finalR2 || math.Hypot(f.shift[0], f.shift[1]) > limit:
		out.why = "does not look like its corner"
	default:
		out.ok = true
		out.px = [2]float64{c.px[0] + f.shift[0], c.px[1] + f.shift[1]}
		out.sd = math.Sqrt((f.cov[0] + f.cov[2]) / 2)
	}
	return out
}

// learn takes a step from what the windows of a pass wish, within reason, and
// tells how large the largest of its parts was.
func (lk *look) learn(sum [4]estimate) (moved float64) {
	step := func(k int, limit float64) float64 {
		if sum[k].weight == 0 {
			return 0
		}
		d := math.Max(-limit, math.Min(limit, sum[k].value/sum[k].weight))
		moved = math.Max(moved, math.Abs(d))
		return d
	}
	lk.blur = math.Max(0.3, math.Min(8, lk.blur*math.Exp(step(0, 0.4))))
	lk.tone = math.Max(-0.5, math.Min(0.9, lk.tone+step(1, 0.5)))
	lk.curl = math.Max(-0.6, math.Min(0.6, lk.curl+step(2, 0.4)))
	lk.sharp = math.Max(-0.5, math.Min(2, lk.sharp+step(3, 0.5)))
	return moved
}

// cornerFloor is what no window promises to be better than, pixels.
const cornerFloor = 0.0003

// squareShape is the root of a square's area at a board point, pixels, and the
// ratio of its shortest to its longest diameter in the picture.
func (w *warp) squareShape(b [2]float64) (side, ratio float64) {
	var e [4][2]float64
	for i, d := range [4][2]float64{{0.5, 0}, {-0.5, 0}, {0, 0.5}, {0, -0.5}} {
		e[i], _ = w.at([2]float64{b[0] + d[0], b[1] + d[1]})
	}
	ax, ay, bx, by := e[0][0]-e[1][0], e[0][1]-e[1][1], e[2][0]-e[3][0], e[2][1]-e[3][1]
	// Singular values of [a b] from its sum of squares and its determinant.
	det, sum := math.Abs(ax*by-ay*bx), ax*ax+ay*ay+bx*bx+by*by
	large := math.Sqrt((sum + math.Sqrt(math.Max(0, sum*sum-4*det*det))) / 2)
	return math.Sqrt(det), det / (large * large)
}

// judge rejects corners that stand out from the others of their view: by
// residuals (something covers them) or by place.
func (s *scene) judge(m *measured) {
	b, cs := &s.boards[m.board], m.cs
	if m.whole != nil {
		return // done while it was fitted
	}
	var rel []float64
	for i := range cs {
		if cs[i].ok {
			rel = append(rel, cs[i].last.worst/(cs[i].last.gain*cs[i].last.gain))
		}
	}
	if len(rel) == 0 {
		return
	}
	sort.Float64s(rel)
	typical := rel[len(rel)/2]
	for i := range cs {
		c := &cs[i]
		if c.ok && c.last.worst/(c.last.gain*c.last.gain) > math.Max(6*typical, 0.0004) {
			c.ok, c.why = false, partlyCovered
		}
	}
	pts := m.matches(b)
	if len(pts) < 6 {
		return
	}
	fitted, ok := fitWarp(pts, s.lens, b, len(pts) >= 8)
	if !ok {
		return
	}
	m.warp = fitted
	var off, sds []float64
	for i := range cs {
		if c := &cs[i]; c.ok {
			p, _ := fitted.at(b.cornerSquares(i))
			off = append(off, math.Hypot(p[0]-c.px[0], p[1]-c.px[1]))
			sds = append(sds, c.sd)
		}
	}
	// The scatter about the smooth map, per axis: the median of a Rayleigh
	// distribution is 1.177 of its parameter, and the fit takes up some of it.
	k := math.Sqrt(float64(len(off)) / math.Max(4, float64(len(off)-warpFreedom)))
	scatter := k * median(off) / 1.177
	for i := range cs {
		c := &cs[i]
		if !c.ok {
			continue
		}
		p, _ := fitted.at(b.cornerSquares(i))
		if math.Hypot(p[0]-c.px[0], p[1]-c.px[1]) > math.Max(0.2, math.Max(8*c.sd, 5*scatter)) {
			c.ok, c.why = false, "out of line with the others"
		}
	}
	// Where the corners scatter clearly more than their windows say (a picture
	// reduced without averaging, a print with uneven squares), they are as good
	// as they scatter.
	if typical := median(sds); len(off) >= 2*warpFreedom && scatter > 1.5*typical {
		grow := scatter * scatter / (typical * typical)
		for i := range cs {
			for j := range cs[i].last.cov {
				cs[i].last.cov[j] *= grow
			}
		}
	}
}

// warpFreedom is how many corners' worth of freedom a bent warp has, about.
const warpFreedom = 8

func median(v []float64) float64 {
	s := append([]float64(nil), v...)
	sort.Float64s(s)
	return s[len(s)/2]
}
