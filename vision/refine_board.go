package vision

import (
	"image"
	"math"

	"gonum.org/v1/gonum/mat"
)

// The whole board is one least-squares fit of its grey values. Windows of half
// a square about every crossing of the grid's lines, the outline's too, tile
// it. Each has its own light (dark, gain, tilts), which is eliminated where it
// stands; all share the look; and their shifts are not free: together they are
// a smooth displacement of the board's picture, polynomials of the fourth
// degree in the board's coordinates, of the fifth where the lens is not known.
// Those hold its pose (a homography, to first order), its bend and the lens. How
// the windows scatter about it tells how true their covariances are.

// node is one crossing of the grid's lines and its window.
type node struct {
	at     [2]float64 // squares from the board's top left
	corner int        // the inner corner here, or -1
	out    [2]float64 // away from the board where the outline is, else 0
	push   [2]float64 // where the outline goes in the picture when black grows

	found
	light    [4]float64 // dark, gain, tilts, grey levels
	variance float64    // of a grey value about the prediction
	system   system

	// Where the edges of each quadrant are that tell of its shift in x, and in
	// y: the displacement that it sees is that of these places.
	centre [4][2][2]float64
}

// system is what a window says of the shifts of its quadrants (x, y of each)
// and the look, its light eliminated: normal equations in pixels and the look's
// own units.
type system struct {
	n [numShared][numShared]float64
	r [numShared]float64
}

const (
	numShifts = 8
	numLooks  = numCols - colBlur
	numShared = numShifts + numLooks
	numLights = colBlur - colDark
)

// nodesOf are the nodes of a board whose windows can be used: with markers
// that are not trusted to be in their places, inner corners only.
func nodesOf(b *Board, pat *pattern) (nodes []node) {
	inner := b.Cols - 1
	for r := range b.Rows + 1 {
		for c := range b.Cols + 1 {
			n := node{at: [2]float64{float64(c), float64(r)}, corner: -1}
			side := func(i, last int) float64 {
				switch i {
				case 0:
					return -1
				case last:
					return 1
				}
				return 0
			}
			n.out = [2]float64{side(c, b.Cols), side(r, b.Rows)}
			if n.out == [2]float64{} {
				n.corner = (r-1)*inner + c - 1
			} else if pat.half < 0.5 {
				continue
			}
			nodes = append(nodes, n)
		}
	}
	return nodes
}

// quietM is the white border that every print of ours has, metres.
const quietM = quietMM * 1e-3

// window is the part of win about the node that is safe to look at: beyond the
// outline only what the point spread does not mix with what follows the white
// border.
func (n *node) window(win window, b *Board, c *chart, lk look) window {
	if n.corner >= 0 {
		return win
	}
	win.clip = true
	win.lo, win.hi = [2]float64{-win.half, -win.half}, [2]float64{win.half, win.half}
	radius := marginReach * lk.blur
	if lk.sharp != 0 {
		radius = math.Max(radius, marginReach*math.Hypot(lk.blur, sharpRadius))
	}
	_, xa, xb := poly(&c.x, 0, 0)
	_, ya, yb := poly(&c.y, 0, 0)
	for k, slope := range [2]float64{math.Hypot(xa, xb), math.Hypot(ya, yb)} {
		limit := math.Min(win.half, quietM/b.SquareM-radius*slope/c.unit)
		switch n.out[k] {
		case -1:
			win.lo[k] = -limit
		case 1:
			win.hi[k] = limit
		}
	}
	return win
}

// marginReach is how far, in standard deviations, what follows the white border
// is seen: Φ(-2.5) is 0.006 of the contrast, and only in the outermost pixels.
const marginReach = 2.5

// nodePass measures all nodes with thinned out windows.
func (s *scene) nodePass(m *measured, win window) {
	b := &s.boards[m.board]
	win.half = math.Min(win.half, m.pat.half)
	for i := range m.nodes {
		n := &m.nodes[i]
		n.found = found{why: outside}
		c, ok := m.warp.chartAt(n.at, win.half, 1)
		if !ok {
			continue
		}
		w := n.window(win, b, &c, m.look)
		if w.clip && (w.hi[0]-w.lo[0] < 0.3 || w.hi[1]-w.lo[1] < 0.3) {
			continue
		}
		f, ok := s.bench.fitWindow(s.levels[0], m.pat, &c, w, m.look)
		n.judge(f, ok, &c, m.warp.squarePx(n.at))
		if ok {
			copy(n.light[:], s.bench.sol[colDark:colBlur])
			n.variance = math.Max(s.bench.variance, leastVariance)
			var t sums
			for i := range s.bench.rows {
				// The residual of the light alone.
				r := &s.bench.rows[i]
				off := r.off + r.col[colShiftX]*s.bench.sol[colShiftX] + r.col[colShiftY]*s.bench.sol[colShiftY]
				for k := colBlur; k < w.cols; k++ {
					off += r.col[k] * s.bench.sol[k]
				}
				t.add(r.quad, &r.col, r.weight, r.weight*off)
				t.place(r.quad, &r.col, r.weight, r.dx, r.dy)
			}
			n.reduce(&t, w.cols)
		}
	}
}

// leastVariance is that of rounding to grey levels.
const leastVariance = 1.0 / 12

// judge tells whether the node's window looks like it.
func (n *node) judge(f fit, good bool, c *chart, squarePx float64) {
	n.found = judgeWindow(f, good, c, squarePx)
}

// reduce eliminates the light from the window's normal equations.
func (n *node) reduce(t *sums, cols int) {
	gain := n.light[1]
	var p matrix
	for q := range t.n {
		for i := range numLights {
			for j := range i + 1 {
				p[i][j] += t.n[q][colDark+i][colDark+j]
			}
		}
	}
	// Light does not grow by more than about its half in a square.
	prior := n.variance / (0.5 * 0.5 * gain * gain)
	p[2][2] += prior
	p[3][3] += prior
	inv, ok := p.invert(numLights)
	if !ok {
		n.ok, n.why = false, "no contrast"
		return
	}
	// The shared unknowns among themselves, with the light, and alone.
	var (
		a     [numShared][numShared]float64
		b     [numShared][numLights]float64
		r     [numShared]float64
		light [numLights]float64
	)
	looks := cols - colBlur
	for q := range t.n {
		m, e := &t.n[q], &t.r[q]
		for k := range light {
			light[k] += e[colDark+k]
		}
		for i := range 2 {
			x := 2*q + i
			r[x] = e[colShiftX+i]
			for j := range 2 {
				a[x][2*q+j] = m[max(i, j)][min(i, j)]
			}
			for k := range numLights {
				b[x][k] = m[colDark+k][colShiftX+i]
			}
			for k := range looks {
				v := m[colBlur+k][colShiftX+i]
				a[x][numShifts+k], a[numShifts+k][x] = v, v
			}
		}
		for k := range looks {
			x := numShifts + k
			r[x] += e[colBlur+k]
			for l := range k + 1 {
				v := m[colBlur+k][colBlur+l]
				a[x][numShifts+l] += v
				if l < k {
					a[numShifts+l][x] += v
				}
			}
			for l := range numLights {
				b[x][l] += m[colBlur+k][colDark+l]
			}
		}
	}
	scale, line := gain*gain/n.variance, gain/n.variance
	for x := range numShared {
		var w [numLights]float64
		for k := range w {
			for l := range w {
				w[k] += b[x][l] * inv[l][k]
			}
		}
		v := r[x]
		for k := range w {
			v -= w[k] * light[k]
		}
		n.system.r[x] = v * line
		for y := range x + 1 {
			v := a[x][y]
			for k := range w {
				v -= w[k] * b[y][k]
			}
			n.system.n[x][y], n.system.n[y][x] = v*scale, v*scale
		}
	}
	for q := range n.centre {
		for k := range 2 {
			c := n.at
			if t.slope[q][k] > 0 {
				c[0] += t.at[q][k][0] / t.slope[q][k]
				c[1] += t.at[q][k][1] / t.slope[q][k]
			}
			n.centre[q][k] = c
		}
	}
}

// modes are the smooth displacements of a board: monomials of its coordinates,
// for each axis of the picture.
type modes struct {
	powers     []int // indices into smoothTerms
	mid, scale [2]float64
}

// newModes are those up to a degree that a board's inner corners and the nodes
// that are ok can show.
func newModes(b *Board, nodes []node, degree int) (d modes) {
	var cols, rows [64]bool
	var nx, ny int
	for i := range nodes {
		if n := &nodes[i]; n.ok {
			c, r := int(n.at[0])%len(cols), int(n.at[1])%len(rows)
			if !cols[c] {
				cols[c] = true
				nx++
			}
			if !rows[r] {
				rows[r] = true
				ny++
			}
		}
	}
	nx, ny = min(nx, b.Cols-1), min(ny, b.Rows-1)
	d.scale = [2]float64{float64(b.Cols) / 2, float64(b.Rows) / 2}
	d.mid = d.scale
	for i, e := range termPowers {
		if e[0]+e[1] <= degree && e[0] < nx && e[1] < ny {
			d.powers = append(d.powers, i)
		}
	}
	return d
}

// at are the monomials at a board point.
func (d *modes) at(b [2]float64) (f [numTerms]float64) {
	t := smoothTerms((b[0]-d.mid[0])/d.scale[0], (b[1]-d.mid[1])/d.scale[1])
	for i, k := range d.powers {
		f[i] = t[k]
	}
	return f
}

// smooth is the solution of the whole board.
type smooth struct {
	modes modes
	x     []float64     // coefficients in x, in y, the push of the outline, the look
	cov   *mat.SymDense // of x, with the pixels' own noise
	looks int           // columns of the look solved for
	lack  float64       // variance factor from the scatter of the windows
	used  int           // windows
}

// shift is the displacement of a board point, pixels.
func (q *smooth) shift(b [2]float64) (d [2]float64) {
	k := len(q.modes.powers)
	for i, v := range q.modes.at(b) {
		if i < k {
			d[0] += q.x[i] * v
			d[1] += q.x[k+i] * v
		}
	}
	return d
}

// What is known of the solution before anything is seen.
const (
	bendPrior = 0.3 // pixels, of modes of the second and third degree: the warp has most of them
	posePrior = 1e3 // pixels
	lookPrior = 1.0

	// Of the outline's push, pixels: what the look's shape leaves of blur, tone
	// and ink that spreads, and more where there is much of it.
	pushPrior = 0.001
	pushLook  = 0.005
)

// The degree of the smooth displacement. What a lens that is not known does is
// not over with the third, nor is a bowed board seen at a slant.
const (
	knownLensDegree   = 4
	unknownLensDegree = 5
)

const (
	// A window further from the smooth solution than this, squared, in units of
	// its variance with two degrees of freedom, is not what it should be.
	nodeReject = 30

	// leastSpare is the fewest degrees of freedom that tell how the windows
	// scatter.
	leastSpare = 10
)

// solve fits the smooth displacement and the look to the windows that are ok.
// Those out of line with the others are marked so.
func (m *measured) solve(b *Board, looks int) (q smooth, ok bool) {
	degree := knownLensDegree
	if m.warp.lens.cam == nil || m.guessed {
		degree = unknownLensDegree
	}
	for ; degree > 0; degree-- {
		q = smooth{modes: newModes(b, m.nodes, degree), looks: looks}
		spare := -2 * len(q.modes.powers)
		for i := range m.nodes {
			if m.counts(&m.nodes[i]) {
				spare += 2
			}
		}
		if spare >= leastSpare {
			break
		}
	}
	k := len(q.modes.powers)
	dim := 2*k + 1 + looks
	for round := 0; round < 4; round++ {
		q.used = 0
		n := make([]float64, dim*dim)
		r := make([]float64, dim)
		for i := range k {
			prior := posePrior
			if q.modes.powers[i] > 2 {
				prior = bendPrior
			}
			n[i*dim+i], n[(k+i)*dim+k+i] = 1/(prior*prior), 1/(prior*prior)
		}
		push := pushPrior + pushLook*(math.Abs(m.look.tone)+math.Abs(m.look.sharp))
		n[2*k*dim+2*k] = 1 / (push * push)
		for i := range looks {
			n[(2*k+1+i)*(dim+1)] = 1 / (lookPrior * lookPrior)
		}
		for i := range m.nodes {
			nd := &m.nodes[i]
			if !m.counts(nd) {
				continue
			}
			q.used++
			j := m.design(&q, nd)
			for a := range j {
				if a >= numShifts+looks {
					break
				}
				// A row of the system times the design.
				var t [maxUnknowns]float64
				for c := range numShifts + looks {
					w := nd.system.n[a][c]
					if w == 0 {
						continue
					}
					for i, v := range j[c][:dim] {
						t[i] += w * v
					}
				}
				for i, v := range j[a][:dim] {
					if v == 0 {
						continue
					}
					r[i] += v * nd.system.r[a]
					row := n[i*dim : (i+1)*dim]
					for l := range row {
						row[l] += v * t[l]
					}
				}
			}
		}
		if 2*q.used-2*k < leastSpare {
			return q, false
		}
		var chol mat.Cholesky
		if !chol.Factorize(mat.NewSymDense(dim, n)) {
			return q, false
		}
		var x mat.VecDense
		if chol.SolveVecTo(&x, mat.NewVecDense(dim, r)) != nil {
			return q, false
		}
		q.x = x.RawVector().Data
		// The windows' own shifts against the smooth one.
		var off []float64
		var sum float64
		all := make([]float64, len(m.nodes))
		for i := range m.nodes {
			nd := &m.nodes[i]
			if m.counts(nd) {
				all[i] = m.offSquared(&q, nd)
				off = append(off, all[i])
				sum += all[i]
			}
		}
		spare := float64(2*q.used - 2*k)
		// The median of χ² with two degrees of freedom is 1.386.
		typical := math.Max(leastColour, median(off)/1.386*float64(2*q.used)/spare)
		out := 0
		for i := range m.nodes {
			nd := &m.nodes[i]
			if m.counts(nd) && all[i] > nodeReject*typical {
				nd.ok, nd.why = false, "out of line with the others"
				out++
			}
		}
		if out == 0 {
			var cov mat.SymDense
			if chol.InverseTo(&cov) != nil {
				return q, false
			}
			q.cov = &cov
			spare = 0
			for i := range m.nodes {
				if nd := &m.nodes[i]; m.counts(nd) {
					spare += 2 - m.leverage(&q, nd)
				}
			}
			q.lack = sum / math.Max(1, spare)
			return q, true
		}
	}
	return q, false
}

// maxUnknowns are those of the smooth solution: the modes in x and in y, the
// push of the outline and the look.
const maxUnknowns = 2*numTerms + 1 + numLooks

// counts tells whether a node takes part in the solution. Far from the middle
// of the picture no polynomial follows a lens as far as the outline, so that
// with a guessed one corners speak for themselves.
func (m *measured) counts(nd *node) bool {
	return nd.ok && (!m.guessed || nd.corner >= 0)
}

// design is how the solution moves what a node's system knows of.
func (m *measured) design(q *smooth, nd *node) (j [numShared][maxUnknowns]float64) {
	k := len(q.modes.powers)
	push := &nd.push
	for quad := range nd.centre {
		for a := range 2 {
			row := &j[2*quad+a]
			if nd.system.n[2*quad+a][2*quad+a] == 0 {
				continue // nothing of the quadrant is seen
			}
			f := q.modes.at(nd.centre[quad][a])
			copy(row[a*k:a*k+k], f[:])
			row[2*k] = push[a]
		}
	}
	for i := range q.looks {
		j[numShifts+i][2*k+1+i] = 1
	}
	return j
}

// outward is the direction in the picture in which the outline at a node goes
// when black grows: square to the outline.
func (m *measured) outward(nd *node) (d [2]float64) {
	for a, o := range nd.out {
		if o == 0 {
			continue
		}
		// Along the outline, then turned.
		p, q := nd.at, nd.at
		p[1-a] -= 0.25
		q[1-a] += 0.25
		pp, ok1 := m.warp.at(p)
		pq, ok2 := m.warp.at(q)
		p = nd.at
		p[a] += 0.25 * o
		po, ok3 := m.warp.at(p)
		pn, ok4 := m.warp.at(nd.at)
		if !ok1 || !ok2 || !ok3 || !ok4 {
			continue
		}
		tx, ty := pq[0]-pp[0], pq[1]-pp[1]
		l := math.Hypot(tx, ty)
		nx, ny := -ty/l, tx/l
		if nx*(po[0]-pn[0])+ny*(po[1]-pn[1]) < 0 {
			nx, ny = -nx, -ny
		}
		d[0] += nx
		d[1] += ny
	}
	return d
}

// offSquared is how far a window's own shift is from the smooth one, squared,
// in units of its variance: a shift common to its quadrants.
func (m *measured) offSquared(q *smooth, nd *node) float64 {
	n, r := m.off(q, nd)
	det := n[0]*n[2] - n[1]*n[1]
	if !(det > 0) {
		return 0
	}
	return (n[2]*r[0]*r[0] - 2*n[1]*r[0]*r[1] + n[0]*r[1]*r[1]) / det
}

// off are the normal equations of a shift of the window from where the smooth
// solution has it: xx, xy, yy, and their right-hand side.
func (m *measured) off(q *smooth, nd *node) (n [3]float64, r [2]float64) {
	j := m.design(q, nd)
	var left [numShared]float64
	for a := range left {
		if a < numShifts+q.looks {
			for i, v := range q.x {
				left[a] += j[a][i] * v
			}
		}
	}
	s := &nd.system
	for a := range numShifts {
		v := s.r[a]
		for b := range numShifts + q.looks {
			v -= s.n[a][b] * left[b]
		}
		r[a%2] += v
		for b := range numShifts {
			n[a%2+b%2] += s.n[a][b]
		}
	}
	n[1] /= 2
	return n, r
}

// leverage is how much of a window's two degrees of freedom the smooth solution
// has followed: what the mean of offSquared falls short of 2.
func (m *measured) leverage(q *smooth, nd *node) (l float64) {
	j := m.design(q, nd)
	dim := len(q.x)
	// What the solution does to the sums that off makes.
	var a [2][maxUnknowns]float64
	var n [3]float64
	for i := range numShifts {
		for b := range numShared {
			s := nd.system.n[i][b]
			if s == 0 {
				continue
			}
			if b < numShifts {
				n[i%2+b%2] += s
			}
			for c, v := range j[b][:dim] {
				a[i%2][c] += s * v
			}
		}
	}
	n[1] /= 2
	det := n[0]*n[2] - n[1]*n[1]
	if !(det > 0) {
		return 2
	}
	var v [3]float64
	for i := range dim {
		var x, y float64
		for c := range dim {
			w := q.cov.At(i, c)
			x += w * a[0][c]
			y += w * a[1][c]
		}
		v[0] += a[0][i] * x
		v[1] += a[0][i] * y
		v[2] += a[1][i] * y
	}
	return (n[2]*v[0] - 2*n[1]*v[1] + n[0]*v[2]) / det
}

// own is where the node's own window sees it: the solution followed, and what
// the window differs from it.
func (m *measured) own(nd *node) [2]float64 {
	px, _ := m.warp.at(nd.at)
	n, r := m.off(m.whole, nd)
	if det := n[0]*n[2] - n[1]*n[1]; det > 0 {
		px[0] += (n[2]*r[0] - n[1]*r[1]) / det
		px[1] += (n[0]*r[1] - n[1]*r[0]) / det
	}
	return px
}

// follow moves the warp by the solution and takes the look over. large tells
// whether that was a large step.
func (m *measured) follow(q *smooth) (large bool) {
	w, k := &m.warp, len(q.modes.powers)
	if !w.bend {
		w.bend, w.mid, w.scale = true, q.modes.mid, q.modes.scale
	}
	for i, p := range q.modes.powers {
		if p < len(w.bx) {
			w.bx[p] += q.x[i]
			w.by[p] += q.x[k+i]
			continue
		}
		w.high = true
		w.hx[p-len(w.bx)] += q.x[i]
		w.hy[p-len(w.bx)] += q.x[k+i]
	}
	var wish [4]estimate
	for i := range q.looks {
		wish[i] = estimate{q.x[2*k+1+i], 1}
	}
	large = m.look.learn(wish)
	var dark []float64
	for i := range m.nodes {
		if nd := &m.nodes[i]; nd.ok {
			d := q.shift(nd.at)
			large = large || math.Hypot(d[0], d[1]) > largeShift
			dark = append(dark, nd.light[0]/nd.light[1])
		}
	}
	if len(dark) > 0 {
		m.look.dark = median(dark)
	}
	return large
}

// largeShift is a step of the warp, pixels, after which its derivatives are
// not good enough for the last pass.
const largeShift = 0.04

// edgeMap tells where on a board edges are felt: a raster of its window of the
// print.
type edgeMap struct {
	step   float64 // cells per square
	origin float64 // squares before the board's first line
	nx, ny int
	cell   []uint8
}

// What a cell of an edgeMap holds.
const (
	flatPlace uint8 = iota
	farEdge         // an edge is felt a little, or only by the sharpening's mask
	nearEdge
)

const (
	// nearReach bounds the pixels that tell of an edge's place: those beyond
	// have less than a hundredth of its information.
	nearReach = 2.3
	maskReach = 2.6
)

// set draws the map for a pattern whose point spread has standard deviations
// of sx × sy squares, and the mask's of wx × wy or none.
func (e *edgeMap) set(p *pattern, sx, sy, wx, wy float64) {
	e.step, e.origin = 32, 0.5
	e.nx, e.ny = int(float64(p.cols+1)*e.step)+1, int(float64(p.rows+1)*e.step)+1
	if cap(e.cell) < e.nx*e.ny {
		e.cell = make([]uint8, e.nx*e.ny)
	}
	e.cell = e.cell[:e.nx*e.ny]
	clear(e.cell)
	e.draw(p, math.Max(reach*sx, maskReach*wx), math.Max(reach*sy, maskReach*wy), farEdge)
	e.draw(p, nearReach*sx, nearReach*sy, nearEdge)
}

// draw marks all within rx, ry of an edge.
func (e *edgeMap) draw(p *pattern, rx, ry float64, mark uint8) {
	mx, my := len(p.xs)+1, len(p.ys)+1
	end := func(at []float64, i int) (lo, hi float64) {
		lo, hi = -e.origin, at[len(at)-1]+e.origin
		if i > 0 {
			lo = at[i-1]
		}
		if i < len(at) {
			hi = at[i]
		}
		return
	}
	fill := func(x0, x1, y0, y1 float64) {
		i0, i1 := max(0, int((x0+e.origin)*e.step)), min(e.nx-1, int((x1+e.origin)*e.step))
		j0, j1 := max(0, int((y0+e.origin)*e.step)), min(e.ny-1, int((y1+e.origin)*e.step))
		for j := j0; j <= j1; j++ {
			row := e.cell[j*e.nx+i0 : j*e.nx+i1+1]
			for i := range row {
				row[i] = mark
			}
		}
	}
	for j := range my {
		for i := range mx {
			v := p.white[j*mx+i]
			if i > 0 && p.white[j*mx+i-1] != v {
				lo, hi := end(p.ys, j)
				fill(p.xs[i-1]-rx, p.xs[i-1]+rx, lo-ry, hi+ry)
			}
			if j > 0 && p.white[(j-1)*mx+i] != v {
				lo, hi := end(p.xs, i)
				fill(lo-rx, hi+rx, p.ys[j-1]-ry, p.ys[j-1]+ry)
			}
		}
	}
}

// sums are what a window's pixels add up to, by quadrant.
type sums struct {
	n                  [4]matrix
	r                  [4][numCols]float64
	square, weight     [4]float64 // of the residuals
	count              [4]float64
	grey, grey2        float64
	inside, considered float64

	// Sums of the squared slopes along each axis of the picture, and those
	// times the place on the board.
	slope [4][2]float64
	at    [4][2][2]float64
}

// add adds a pixel with weight wt and weighted residual off.
func (t *sums) add(quad int, v *[numCols]float64, wt, off float64) {
	n, r := &t.n[quad&3], &t.r[quad&3]
	for j := range v {
		r[j] += v[j] * off
		e := wt * v[j]
		row := &n[j]
		for k := 0; k <= j; k++ {
			row[k] += e * v[k]
		}
	}
}

// place adds where on the board a pixel's slopes are.
func (t *sums) place(quad int, v *[numCols]float64, wt, dx, dy float64) {
	quad &= 3
	for k := range 2 {
		e := wt * v[colShiftX+k] * v[colShiftX+k]
		t.slope[quad][k] += e
		t.at[quad][k][0] += e * dx
		t.at[quad][k][1] += e * dy
	}
}

// fullPass measures all nodes with all pixels that tell of an edge, and a few
// of the others for the light.
func (s *scene) fullPass(m *measured, cols int) {
	b := &s.boards[m.board]
	half := math.Min(0.5, m.pat.half)
	// The light of windows that were not understood, from the others.
	var lights [4][]float64
	var noise []float64
	for i := range m.nodes {
		if n := &m.nodes[i]; n.ok {
			for k := range lights {
				lights[k] = append(lights[k], n.light[k])
			}
			noise = append(noise, n.variance)
		}
	}
	if len(noise) == 0 {
		return
	}
	usual, typical := [4]float64{median(lights[0]), median(lights[1])}, median(noise)
	charts := make([]chart, len(m.nodes))
	good := make([]bool, len(m.nodes))
	var sx, sy float64
	for i := range m.nodes {
		charts[i], good[i] = m.warp.chartAt(m.nodes[i].at, half, 1)
		if good[i] {
			x, y := charts[i].slopes()
			sx, sy = math.Max(sx, x), math.Max(sy, y)
		}
	}
	wide := 0.0
	if m.look.sharp != 0 {
		wide = math.Hypot(m.look.blur, sharpRadius)
	}
	s.bench.edges.set(m.pat, sx*m.look.blur, sy*m.look.blur, sx*wide, sy*wide)
	for i := range m.nodes {
		n, c := &m.nodes[i], &charts[i]
		was := n.found
		n.found = found{why: outside}
		if !good[i] {
			continue
		}
		win := n.window(window{half: half}, b, c, m.look)
		if win.clip && (win.hi[0]-win.lo[0] < 0.3 || win.hi[1]-win.lo[1] < 0.3) {
			continue
		}
		if !was.ok {
			n.light, n.variance = usual, typical
		}
		n.variance = math.Min(n.variance, 4*typical)
		var t sums
		s.bench.sum(&t, s.levels[0], m.pat, c, &win, m.look, n)
		f, ok := n.close(&t, cols)
		n.judge(f, ok, c, m.warp.squarePx(n.at))
		// What covers a part of a window blurs into more of it than stands out.
		if n.ok && (f.kept < 0.85 || f.least < 0.5) {
			n.ok, n.why = false, partlyCovered
		}
	}
}

// slopes are the lengths of the gradients of a chart's board coordinates at
// its point, squares per pixel.
func (c *chart) slopes() (x, y float64) {
	_, xa, xb := poly(&c.x, 0, 0)
	_, ya, yb := poly(&c.y, 0, 0)
	return math.Hypot(xa, xb) / c.unit, math.Hypot(ya, yb) / c.unit
}

// close solves a window's sums and reduces them.
func (n *node) close(t *sums, cols int) (f fit, ok bool) {
	var count, kept, rss float64
	f.least = 1
	for q := range t.count {
		count += t.count[q]
		kept += t.weight[q]
		rss += t.square[q]
		if t.count[q] > 4 {
			f.least = math.Min(f.least, t.weight[q]/t.count[q])
			f.worst = math.Max(f.worst, t.square[q]/math.Max(1, t.weight[q]))
		}
	}
	if !(count > float64(3*cols)) || kept < float64(3*cols) {
		return f, false
	}
	f.inside, f.n, f.kept = t.inside/math.Max(1, t.considered), count, kept/count
	f.total = t.grey2 - t.grey*t.grey/count
	// The light and the shift with the look as it is.
	var all matrix
	var r, sol [numCols]float64
	for q := range t.n {
		for i := range colBlur {
			r[i] += t.r[q][i]
			for j := range i + 1 {
				all[i][j] += t.n[q][i][j]
			}
		}
	}
	inv, ok := all.invert(colBlur)
	if !ok {
		return f, false
	}
	for i := range colBlur {
		for j := range colBlur {
			sol[i] += inv[i][j] * r[j]
		}
		rss -= sol[i] * r[i]
	}
	for k := range n.light {
		n.light[k] += sol[colDark+k]
	}
	f.gain = n.light[1]
	if !(f.gain > 0) || !(f.total > 0) {
		return f, false
	}
	n.variance = math.Max(leastVariance, rss/(kept-colBlur))
	f.rms, f.r2 = math.Sqrt(n.variance), 1-rss/f.total
	f.shift = [2]float64{sol[colShiftX] / f.gain, sol[colShiftY] / f.gain}
	vv := n.variance / (f.gain * f.gain)
	f.cov = [3]float64{inv[0][0] * vv, inv[1][0] * vv, inv[1][1] * vv}
	n.ok = true
	n.reduce(t, cols)
	return f, n.ok
}

// sum adds up a window's pixels as they differ from the node's prediction.
func (w *bench) sum(t *sums, img *image.Gray, p *pattern, c *chart, win *window, lk look, nd *node) {
	bounds := img.Bounds()
	width, height := bounds.Dx(), bounds.Dy()
	lo, hi := win.bounds()
	x0, x1 := int(math.Ceil(c.lo[0])), int(math.Floor(c.hi[0]))
	y0, y1 := int(math.Ceil(c.lo[1])), int(math.Floor(c.hi[1]))
	_, xa, xb := poly(&c.x, 0, 0)
	_, ya, yb := poly(&c.y, 0, 0)
	na, nb := math.Hypot(xa, xb), math.Hypot(ya, yb)
	iu := 1 / c.unit
	area := math.Abs(xa*yb-xb*ya) * iu * iu // of a pixel, squares
	if !(na > 0) || !(nb > 0) || !(area > 0) {
		return
	}
	t.considered = (hi[0] - lo[0]) * (hi[1] - lo[1]) / area
	var e eye
	e.set(p, lk, lk.sharp != 0, (xa*ya+xb*yb)/(na*nb))
	flatSkip := max(1, int(t.considered/flatPixels))
	nearSkip := max(1, int(t.considered/mostPixels))
	farSkip := 3 * nearSkip
	dark, gain, tiltX, tiltY := nd.light[0], nd.light[1], nd.light[2], nd.light[3]
	limit := nd.variance * doubtFrom * doubtFrom
	slack := closeTolerance * gain * doubtFrom
	slack *= slack
	em := &w.edges
	ox, oy := (c.board[0]+em.origin)*em.step, (c.board[1]+em.origin)*em.step
	for y := max(y0, 0); y <= y1 && y < height; y++ {
		bb := (float64(y) - c.px[1]) * iu
		ex, ey := rowPoly(&c.x, bb), rowPoly(&c.y, bb)
		line := img.Pix[y*img.Stride:][:width]
		a0, a1 := (float64(x0)-c.px[0])*iu, (float64(x1)-c.px[0])*iu
		k := 1 / (lk.blur * iu)
		spreadAt := func(a float64) (sx, sy float64) {
			xu, xv := ex.slopes(a)
			yu, yv := ey.slopes(a)
			return k / math.Sqrt(xu*xu+xv*xv), k / math.Sqrt(yu*yu+yv*yv)
		}
		sx0, sy0 := spreadAt(a0)
		sx1, sy1 := spreadAt(a1)
		ia := 1 / math.Max(a1-a0, 1e-9)
		dsx, dsy := (sx1-sx0)*ia, (sy1-sy0)*ia
		slant := 2 * y
		for x := max(x0, 0); x <= x1 && x < width; x++ {
			a := (float64(x) - c.px[0]) * iu
			dx := ex.v[0] + a*(ex.v[1]+a*(ex.v[2]+a*ex.v[3]))
			if dx > hi[0] || dx < lo[0] {
				continue
			}
			dy := ey.v[0] + a*(ey.v[1]+a*(ey.v[2]+a*ey.v[3]))
			if dy > hi[1] || dy < lo[1] {
				continue
			}
			t.inside++
			var place uint8
			if i, j := int(dx*em.step+ox), int(dy*em.step+oy); uint(i) < uint(em.nx) && uint(j) < uint(em.ny) {
				place = em.cell[j*em.nx+i]
			}
			skip := flatSkip
			switch place {
			case nearEdge:
				skip = nearSkip
			case farEdge:
				skip = farSkip
			}
			if skip > 1 && (x+slant)%skip != 0 {
				continue
			}
			grey := float64(line[x])
			q := 0
			if dx > 0 {
				q = 1
			}
			if dy > 0 {
				q |= 2
			}
			t.count[q]++
			t.grey += grey
			t.grey2 += grey * grey
			if place == flatPlace {
				g := p.flat(c.board[0]+dx, c.board[1]+dy)
				gx, gy := (g+lk.dark)*dx, (g+lk.dark)*dy
				off := grey - dark - gain*g - tiltX*gx - tiltY*gy
				wt := trust(off * off / limit)
				t.square[q] += wt * off * off
				t.weight[q] += wt
				woff := wt * off
				n, r := &t.n[q&3], &t.r[q&3]
				r[colDark] += woff
				r[colGain] += woff * g
				r[colTiltX] += woff * gx
				r[colTiltY] += woff * gy
				n[colDark][colDark] += wt
				row := &n[colGain]
				row[colDark] += wt * g
				row[colGain] += wt * g * g
				row = &n[colTiltX]
				row[colDark] += wt * gx
				row[colGain] += wt * gx * g
				row[colTiltX] += wt * gx * gx
				row = &n[colTiltY]
				row[colDark] += wt * gy
				row[colGain] += wt * gy * g
				row[colTiltX] += wt * gy * gx
				row[colTiltY] += wt * gy * gy
				continue
			}
			i := e.see(c.board[0]+dx, c.board[1]+dy, sx0+(a-a0)*dsx, sy0+(a-a0)*dsy)
			xu, xv := ex.slopes(a)
			yu, yv := ey.slopes(a)
			v := [numCols]float64{
				-(i.x*xu + i.y*yu) * iu, -(i.x*xv + i.y*yv) * iu, 1, i.g, (i.g + lk.dark) * dx, (i.g + lk.dark) * dy,
				i.blur, i.tone, i.curl, i.sharp}
			off := grey - dark - gain*i.g - tiltX*v[colTiltX] - tiltY*v[colTiltY]
			wt := trust(off * off / (limit + slack*(v[0]*v[0]+v[1]*v[1])))
			t.square[q] += wt * off * off
			t.weight[q] += wt
			t.add(q, &v, wt, wt*off)
			t.place(q, &v, wt, dx, dy)
		}
	}
}

// closeTolerance is edgeTolerance once the board is where it belongs.
const closeTolerance = 0.05

const (
	flatPixels = 300   // of a window's flat places, about
	mostPixels = 16000 // in a window; more are thinned out
)

// trust is the weight of a residual squared over the largest that has any:
// one, but for those that stand out.
func trust(t float64) float64 {
	if t < 0.25 {
		return 1
	}
	t = math.Max(0, (1-t)/0.75)
	return t * t
}

// flat is the whiteness at a point far from edges.
func (p *pattern) flat(x, y float64) float64 {
	return p.white[(p.line(y, p.rows)+1)*(len(p.xs)+1)+p.line(x, p.cols)+1]
}

// joint is what the solution knows of the corners given, whose covariances it
// sets. retouched tells that the picture was sharpened.
func (q *smooth) joint(b *Board, corners []Corner, retouched bool) *Joint {
	k, n := len(q.modes.powers), len(corners)
	lack := math.Max(leastColour, q.lack)
	floor := leastOf(lack, retouched)
	// The monomials at the corners, as orthonormal columns times a triangle.
	var rows [][numTerms]float64
	for _, c := range corners {
		rows = append(rows, q.modes.at(b.cornerSquares(c.Index)))
	}
	ortho := orthonormal(rows, k)
	// The covariance of the corners' displacements in terms of those columns.
	d := len(ortho)
	t := mat.NewDense(2*d, 2*k, nil)
	for i, o := range ortho {
		for j := range k {
			var v float64
			for c := range n {
				v += o[c] * rows[c][j]
			}
			t.Set(i, j, v)
			t.Set(d+i, k+j, v)
		}
	}
	var tc, cov mat.Dense
	tc.Mul(t, q.cov.SliceSym(0, 2*k))
	cov.Mul(&tc, t.T())
	sym := mat.NewSymDense(2*d, nil)
	for i := range 2 * d {
		for j := range i + 1 {
			sym.SetSym(i, j, lack*(cov.At(i, j)+cov.At(j, i))/2)
		}
		sym.SetSym(i, i, sym.At(i, i)+floor*floor)
	}
	var e mat.EigenSym
	if !e.Factorize(sym, true) {
		return nil
	}
	for c := range corners {
		var v [3]float64
		for i, oi := range ortho {
			for j, oj := range ortho {
				p := oi[c] * oj[c]
				v[0] += p * sym.At(i, j)
				v[1] += p * sym.At(i, d+j)
				v[2] += p * sym.At(d+i, d+j)
			}
		}
		corners[c].Cov = v
	}
	joint := &Joint{LackOfFit: lack}
	var u mat.Dense
	e.VectorsTo(&u)
	for a, l := range e.Values(nil) {
		if !(l > 0) || l > vaguePx*vaguePx {
			continue
		}
		row := make([]float64, 2*n)
		w := 1 / math.Sqrt(l)
		for i, o := range ortho {
			for c := range n {
				row[2*c] += w * u.At(i, a) * o[c]
				row[2*c+1] += w * u.At(d+i, a) * o[c]
			}
		}
		joint.Rows = append(joint.Rows, row)
	}
	return joint
}

// orthonormal are columns that span the first k of rows, by Gram and Schmidt.
func orthonormal(rows [][numTerms]float64, k int) (ortho [][]float64) {
	for i := range k {
		col := make([]float64, len(rows))
		for j := range col {
			col[j] = rows[j][i]
		}
		before := dot(col, col)
		for range 2 {
			for _, o := range ortho {
				p := dot(o, col)
				for j := range col {
					col[j] -= p * o[j]
				}
			}
		}
		after := dot(col, col)
		if after < 1e-8*before {
			continue
		}
		l := 1 / math.Sqrt(after)
		for j := range col {
			col[j] *= l
		}
		ortho = append(ortho, col)
	}
	return ortho
}

// leastOf is the smallest standard deviation that is promised of a way in which
// corners may be moved together, pixels, given the lack of fit.
func leastOf(lack float64, retouched bool) float64 {
	if retouched {
		return math.Hypot(jointFloor, retouchFloor*math.Max(0, lack-0.7))
	}
	return jointFloor
}

// jointFloor is what no direction of the corners together is promised to be
// better than, pixels. It is smaller than cornerFloor: the outline's lever arms
// are longer than the corners'.
const jointFloor = 0.0001

// retouchFloor comes on top where a phone has retouched the picture, for each
// unit of lack of fit above what such pictures have when the model holds: what
// denoising, motion and a blur that differs over the board do beyond the model
// moves edges alike, which the scatter of the windows shows only in part. Chosen
// on the pictures of fixtures.PhoneOptics: whole boards' errors squared over
// their covariance are 2.8 on average without it, 1.1 with it; pictures without
// denoising, motion and uneven blur stay at 0.87.
const retouchFloor = 0.0012

// vaguePx is the standard deviation of a displacement of which the picture
// tells nothing worth having, pixels.
const vaguePx = 2.0

func dot(a, b []float64) (v float64) {
	for i := range a {
		v += a[i] * b[i]
	}
	return v
}
