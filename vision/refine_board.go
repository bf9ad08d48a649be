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

	// The modes of the solution at those places, all 0 where nothing is seen.
	modes [4][2][numTerms]float64
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

// manyPixels tells whether every second window of a thinned pass will do: where
// they are many and of more pixels than are used.
func (s *scene) manyPixels(m *measured, win window) bool {
	b := &s.boards[m.board]
	win.half = math.Min(win.half, m.pat.half)
	c, ok := m.warp.chartAt([2]float64{float64(b.Cols) / 2, float64(b.Rows) / 2}, win.half, 1)
	return ok && len(m.nodes) >= manyNodes && c.pixels(&win) > float64(2*win.max)
}

// manyNodes are so many that half of them tell the look.
const manyNodes = 40

// nodePass measures all nodes, or every second one, with thinned out windows.
func (s *scene) nodePass(m *measured, win window, sparse bool) {
	b := &s.boards[m.board]
	win.half = math.Min(win.half, m.pat.half)
	for i := range m.nodes {
		n := &m.nodes[i]
		n.found = found{why: outside}
		if sparse && int(n.at[0]+n.at[1])%2 != 0 {
			continue
		}
		c, ok := m.warp.chartAt(n.at, win.half, 1)
		if !ok {
			continue
		}
		w := n.window(win, b, &c, m.look)
		if w.clip && (w.hi[0]-w.lo[0] < 0.3 || w.hi[1]-w.lo[1] < 0.3) {
			continue
		}
		f, ok := s.bench.fitWindow(s.levels[0], m.pat, &c, w, m.look)
		n.judge(f, ok, &c)
		if ok {
			copy(n.light[:], s.bench.sol[colDark:colBlur])
			n.variance = math.Max(s.bench.variance, leastVariance)
			// The residuals of the light alone.
			s.bench.residuals(n.lit())
			var t sums
			s.bench.add(&t, 0, 0)
			n.reduce(&t, w.cols)
		}
	}
}

// lit is the node's light as a solution.
func (n *node) lit() *[numCols]float64 {
	return &[numCols]float64{colDark: n.light[0], colGain: n.light[1], colTiltX: n.light[2], colTiltY: n.light[3]}
}

// leastVariance is that of rounding to grey levels.
const leastVariance = 1.0 / 12

// judge tells whether the node's window looks like it.
func (n *node) judge(f fit, good bool, c *chart) { n.found = judgeWindow(f, good, c) }

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
		m, e := &t.n[q], &t.n[q][colOff]
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
			if slope := t.n[q][colShiftX+k][colShiftX+k]; slope > 0 {
				c[0] += t.at[q][k][0] / slope
				c[1] += t.at[q][k][1] / slope
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
	looks int           // columns of the look solved for
	used  int           // windows
	chol  *mat.Cholesky // of the normal equations

	scatter float64       // of the windows about it: the sum of offSquared
	cov     *mat.SymDense // of x, with the pixels' own noise; of a solution judged
	lack    float64       // variance factor from the scatter of the windows
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
	for i := range m.nodes {
		if nd := &m.nodes[i]; m.counts(nd) {
			nd.look(&q.modes)
		}
	}
	k := len(q.modes.powers)
	dim := 2*k + 1 + looks
	for round := 0; round < 4; round++ {
		q.used = 0
		n := make([]float64, dim*dim) // its lower triangle
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
			for a := range numShifts + looks {
				// A row of the system times the design, and that by the design.
				var t [maxUnknowns]float64
				q.times(nd, &nd.system.n[a], &t)
				add := func(i int, v float64) {
					r[i] += v * nd.system.r[a]
					row := n[i*dim : i*dim+i+1]
					for l := range row {
						row[l] += v * t[l]
					}
				}
				if a >= numShifts {
					add(2*k+1+a-numShifts, 1)
					continue
				}
				for i, v := range nd.modes[a/2][a%2][:k] {
					if v != 0 {
						add(a%2*k+i, v)
					}
				}
				if v := nd.pushed(a); v != 0 {
					add(2*k, v)
				}
			}
		}
		if 2*q.used-2*k < leastSpare {
			return q, false
		}
		var chol mat.Cholesky
		for i := range dim {
			for l := range i {
				n[l*dim+i] = n[i*dim+l]
			}
		}
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
			q.chol, q.scatter = &chol, sum
			return q, true
		}
	}
	return q, false
}

// judge works out how certain the solution is.
func (m *measured) judge(q *smooth) bool {
	var cov mat.SymDense
	if q.chol.InverseTo(&cov) != nil {
		return false
	}
	q.cov = &cov
	var spare float64
	for i := range m.nodes {
		if nd := &m.nodes[i]; m.counts(nd) {
			spare += 2 - m.leverage(q, nd)
		}
	}
	q.lack = q.scatter / math.Max(1, spare)
	return true
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

// look evaluates the modes where the node's window sees edges.
func (nd *node) look(d *modes) {
	for quad := range nd.centre {
		for a := range 2 {
			if nd.system.n[2*quad+a][2*quad+a] == 0 {
				nd.modes[quad][a] = [numTerms]float64{} // nothing of the quadrant is seen
				continue
			}
			nd.modes[quad][a] = d.at(nd.centre[quad][a])
		}
	}
}

// pushed is how the outline's push moves a shift of the node's system.
func (nd *node) pushed(a int) float64 {
	if nd.system.n[a][a] == 0 {
		return 0
	}
	return nd.push[a%2]
}

// times adds a row of the node's system times the design: how the solution moves
// what the system knows of.
func (q *smooth) times(nd *node, row *[numShared]float64, t *[maxUnknowns]float64) {
	k := len(q.modes.powers)
	for c, w := range row[:numShifts] {
		if w == 0 {
			continue
		}
		to := t[c%2*k:][:k]
		for i, v := range nd.modes[c/2][c%2][:k] {
			to[i] += w * v
		}
		t[2*k] += w * nd.pushed(c)
	}
	for i := range q.looks {
		t[2*k+1+i] += row[numShifts+i]
	}
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
	k := len(q.modes.powers)
	var left [numShared]float64
	for a := range numShifts {
		left[a] = nd.pushed(a) * q.x[2*k]
		for i, v := range nd.modes[a/2][a%2][:k] {
			left[a] += v * q.x[a%2*k+i]
		}
	}
	copy(left[numShifts:], q.x[2*k+1:])
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
	dim := len(q.x)
	// What the solution does to the sums that off makes.
	var a [2][maxUnknowns]float64
	var n [3]float64
	for i := range numShifts {
		for b := range numShifts {
			n[i%2+b%2] += nd.system.n[i][b]
		}
		q.times(nd, &nd.system.n[i], &a[i%2])
	}
	n[1] /= 2
	det := n[0]*n[2] - n[1]*n[1]
	if !(det > 0) {
		return 2
	}
	var v [3]float64
	cov := q.cov.RawSymmetric() // the upper triangle
	for i := range dim {
		var x, y float64
		row := cov.Data[i*cov.Stride:][:dim]
		x, y = row[i]*a[0][i]/2, row[i]*a[1][i]/2
		for c := i + 1; c < dim; c++ {
			x += row[c] * a[0][c]
			y += row[c] * a[1][c]
		}
		v[0] += 2 * a[0][i] * x
		v[1] += a[0][i]*y + a[1][i]*x
		v[2] += 2 * a[1][i] * y
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

// step is how far a solution moved a board, pixels, and its look.
type step struct{ px, look float64 }

// large tells whether derivatives from before the step are not good enough for
// the last pass; far, not good enough to take pixels at their word.
func (s step) large() bool { return s.px > largeShift || s.look > largeLook }
func (s step) far() bool   { return s.px > farShift || s.look > farLook }

const (
	largeShift = 0.06
	largeLook  = 0.045
	farShift   = 0.2
	farLook    = 0.15
)

// follow moves the warp by the solution and takes the look over.
func (m *measured) follow(q *smooth) (moved step) {
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
	moved.look = m.look.learn(wish)
	var dark []float64
	for i := range m.nodes {
		if nd := &m.nodes[i]; nd.ok {
			d := q.shift(nd.at)
			moved.px = math.Max(moved.px, math.Hypot(d[0], d[1]))
			dark = append(dark, nd.light[0]/nd.light[1])
		}
	}
	if len(dark) > 0 {
		m.look.dark = median(dark)
	}
	return moved
}

// fullPass measures all nodes with all pixels that tell of an edge, or about so
// many in each window, and a few of the others for the light.
func (s *scene) fullPass(m *measured, cols, most int) {
	b := &s.boards[m.board]
	half := math.Min(0.5, m.pat.half)
	if !m.enlighten() {
		return
	}
	for i := range m.nodes {
		n := &m.nodes[i]
		n.found = found{why: outside}
		c, ok := m.warp.chartAt(n.at, half, 1)
		if !ok {
			continue
		}
		win := n.window(window{half: half}, b, &c, m.look)
		if win.clip && (win.hi[0]-win.lo[0] < 0.3 || win.hi[1]-win.lo[1] < 0.3) {
			continue
		}
		var f fit
		if ok = s.bench.closely(s.levels[0], m.pat, &c, &win, m.look, n, most, &f); ok {
			var t sums
			slack := closeTolerance * n.light[1] * doubtFrom
			s.bench.add(&t, n.variance*doubtFrom*doubtFrom, slack*slack)
			ok = n.close(&f, &t, cols)
		}
		n.judge(f, ok, &c)
		// What covers a part of a window blurs into more of it than stands out.
		if n.ok && (f.kept < 0.85 || f.least < 0.5) {
			n.ok, n.why = false, partlyCovered
		}
	}
}

// enlighten gives windows that were not measured, or not understood, the light of
// those beside them, or else the usual one. It tells whether any was measured.
func (m *measured) enlighten() bool {
	var dark, gain, noise []float64
	for i := range m.nodes {
		if n := &m.nodes[i]; n.ok {
			dark, gain, noise = append(dark, n.light[0]), append(gain, n.light[1]), append(noise, n.variance)
		}
	}
	if len(noise) == 0 {
		return false
	}
	usual, typical := [4]float64{median(dark), median(gain)}, median(noise)
	for i := range m.nodes {
		n := &m.nodes[i]
		if n.ok {
			n.variance = math.Min(n.variance, 4*typical)
			continue
		}
		light, known := m.beside(n)
		if !known {
			light = usual
		}
		n.light, n.variance = light, typical
	}
	return true
}

// beside is the mean light of the windows next to a node's. ok is false where none
// was measured.
func (m *measured) beside(n *node) (mean [4]float64, ok bool) {
	count := 0.0
	for i := range m.nodes {
		o := &m.nodes[i]
		if !o.ok || math.Abs(o.at[0]-n.at[0])+math.Abs(o.at[1]-n.at[1]) != 1 {
			continue
		}
		count++
		for k, v := range o.light {
			mean[k] += v
		}
	}
	for k := range mean {
		mean[k] /= count
	}
	return mean, count > 0
}

// close solves a window's sums and reduces them.
func (n *node) close(f *fit, t *sums, cols int) (ok bool) {
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
		return false
	}
	f.n, f.kept = count, kept/count
	f.total = t.grey2 - t.grey*t.grey/count
	// The light and the shift with the look as it is.
	var all matrix
	var r, sol [numCols]float64
	for q := range t.n {
		for i := range colBlur {
			r[i] += t.n[q][colOff][i]
			for j := range i + 1 {
				all[i][j] += t.n[q][i][j]
			}
		}
	}
	inv, ok := all.invert(colBlur)
	if !ok {
		return false
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
		return false
	}
	n.variance = math.Max(leastVariance, rss/(kept-colBlur))
	f.rms, f.r2 = math.Sqrt(n.variance), 1-rss/f.total
	f.shift = [2]float64{sol[colShiftX] / f.gain, sol[colShiftY] / f.gain}
	vv := n.variance / (f.gain * f.gain)
	f.cov = [3]float64{inv[0][0] * vv, inv[1][0] * vv, inv[1][1] * vv}
	n.ok = true
	n.reduce(t, cols)
	return n.ok
}

// closely predicts a window's pixels: those that tell of an edge, of a window of
// more pixels than most about so many, and a few of the others for the light. Their residuals are those from the node's light.
func (w *bench) closely(img *image.Gray, p *pattern, c *chart, win *window, lk look, nd *node, most int, f *fit) (ok bool) {
	size := c.pixels(win)
	if !(size < 1e9) {
		return false
	}
	near := max(1, int(size/float64(most)))
	f.inside, ok = w.predict(img, p, c, win, lk, lk.sharp != 0,
		thinning{near * max(1, int(size/flatPixels)/near), 3 * near, near, int(math.Round(math.Sqrt(float64(near))))})
	if ok {
		w.residuals(nd.lit())
	}
	return ok
}

// closeTolerance is edgeTolerance once the board is where it belongs.
const closeTolerance = 0.05

const (
	flatPixels = 300   // of a window's flat places, about
	mostPixels = 16000 // in a window; more are thinned out
	somePixels = 200   // of a pass that only moves the board to where it belongs
)

// joint is what the solution knows of the corners given, whose covariances it
// sets. retouched tells that the picture was sharpened.
func (q *smooth) joint(b *Board, corners []Corner, retouched bool) *Joint {
	k, n := len(q.modes.powers), len(corners)
	lack := math.Max(leastColour, q.lack)
	factor, floor := promised(lack, retouched)
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
			sym.SetSym(i, j, factor*(cov.At(i, j)+cov.At(j, i))/2)
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

// promised is what is stated of a way in which corners may be moved together, given
// the lack of fit: its variance over what the pixels' own noise leaves, and its
// smallest standard deviation, pixels.
func promised(lack float64, retouched bool) (factor, least float64) {
	if excess := lack - retouchLack; retouched && excess > 0 {
		return lack - retouchCommon*excess, math.Hypot(jointFloor, retouchFloor*math.Sqrt(excess))
	}
	return lack, jointFloor
}

// jointFloor is what no direction of the corners together is promised to be
// better than, pixels. It is smaller than cornerFloor: the outline's lever arms
// are longer than the corners'.
const jointFloor = 0.0001

// What denoising, motion and a blur that differs over the board do to a picture
// that a phone has retouched makes its windows scatter more than its noise does,
// by more than retouchLack, which such pictures have where the model holds. Only
// a part of that is independent from window to window; the share retouchCommon is
// not, so that a whole board's modes get less of it than their windows do: of the
// variance, retouchFloor squared, px², for each unit of the excess. Chosen on 20
// pictures of fixtures.PhoneOptics by the likelihood of their boards' errors.
const (
	retouchLack   = 0.7
	retouchCommon = 0.6
	retouchFloor  = 0.0017
)

// vaguePx is the standard deviation of a displacement of which the picture
// tells nothing worth having, pixels.
const vaguePx = 2.0

func dot(a, b []float64) (v float64) {
	for i := range a {
		v += a[i] * b[i]
	}
	return v
}
