package vision

import "math"

// match is a point of the board, in squares from its top-left corner (x
// right, y down), and where it was seen.
type match struct {
	board [2]float64
	px    [2]float64
	sd    float64 // standard deviation of px, per axis
}

// homography takes board squares to ideal (undistorted) pixels:
//
//	u = (a0 + a1 x + a2 y)/w, v = (b0 + b1 x + b2 y)/w, w = 1 + g x + h y
//
// with x, y counted from origin.
type homography struct {
	origin [2]float64
	p      [8]float64 // a0 a1 a2 b0 b1 b2 g h
}

func (h *homography) at(b [2]float64) (px [2]float64, w float64) {
	x, y := b[0]-h.origin[0], b[1]-h.origin[1]
	w = 1 + h.p[6]*x + h.p[7]*y
	return [2]float64{(h.p[0] + h.p[1]*x + h.p[2]*y) / w, (h.p[3] + h.p[4]*x + h.p[5]*y) / w}, w
}

// row gives the derivatives of u and v with respect to the parameters.
func (h *homography) row(b [2]float64) (px [2]float64, ju, jv [8]float64, w float64) {
	x, y := b[0]-h.origin[0], b[1]-h.origin[1]
	px, w = h.at(b)
	i := 1 / w
	ju = [8]float64{i, x * i, y * i, 0, 0, 0, -px[0] * x * i, -px[0] * y * i}
	jv = [8]float64{0, 0, 0, i, x * i, y * i, -px[1] * x * i, -px[1] * y * i}
	return
}

// perspectivePrior is the standard deviation of g and h before anything is
// seen, per square: a 55 mm square at 0.7 m seen at 50° has 0.06.
const perspectivePrior = 0.06

// fitHomography fits by Gauss-Newton with Cauchy weights, which keep a wrong
// point from doing harm. cov is the covariance of h.p. ok is false when the
// points do not fix the map or it folds over between them.
func fitHomography(pts []match) (h homography, cov matrix, ok bool) {
	if len(pts) < 4 {
		return
	}
	for _, m := range pts {
		h.origin[0] += m.board[0] / float64(len(pts))
		h.origin[1] += m.board[1] / float64(len(pts))
	}
	spread := 1.0
	for iter := 0; iter < 12; iter++ {
		// Bent by a lens, all points lie off: that makes none of them wrong.
		if iter > 1 {
			spread = medianSquare(pts, h.at)
		}
		var n matrix
		var r [10]float64
		n[6][6], n[7][7] = 1/(perspectivePrior*perspectivePrior), 1/(perspectivePrior*perspectivePrior)
		r[6], r[7] = -h.p[6]*n[6][6], -h.p[7]*n[7][7]
		for _, m := range pts {
			px, ju, jv, w := h.row(m.board)
			if w < 0.05 {
				return h, cov, false
			}
			ex, ey := m.px[0]-px[0], m.px[1]-px[1]
			wt := 1 / (m.sd * m.sd)
			if iter > 1 { // the affine start comes first
				wt /= 1 + (ex*ex+ey*ey)*wt/(9*spread)
			}
			if iter == 0 {
				ju[6], ju[7], jv[6], jv[7] = 0, 0, 0, 0
			}
			for i := 0; i < 8; i++ {
				r[i] += wt * (ju[i]*ex + jv[i]*ey)
				for j := 0; j <= i; j++ {
					n[i][j] += wt * (ju[i]*ju[j] + jv[i]*jv[j])
				}
			}
		}
		inv, good := n.invert(8)
		if !good {
			return h, cov, false
		}
		d := inv.times(&r)
		var step float64
		for i := range h.p {
			h.p[i] += d[i]
			step += d[i] * r[i]
		}
		cov = inv
		if iter > 2 && step < 1e-6 {
			break
		}
	}
	for _, m := range pts {
		if _, w := h.at(m.board); w < 0.05 {
			return h, cov, false
		}
	}
	return h, cov, true
}

// medianSquare is the median of the squared distances between points and a
// map, in units of their variances, at least 1.
func medianSquare(pts []match, at func([2]float64) ([2]float64, float64)) float64 {
	e := make([]float64, len(pts))
	for i, m := range pts {
		px, _ := at(m.board)
		dx, dy := m.px[0]-px[0], m.px[1]-px[1]
		e[i] = (dx*dx + dy*dy) / (m.sd * m.sd)
	}
	return math.Max(1, median(e))
}

// sd is the standard deviation of the fitted map at a board point, pixels:
// the root of the mean of both axes' variances.
func (h *homography) sd(b [2]float64, cov *matrix) float64 {
	_, ju, jv, w := h.row(b)
	if w < 0.05 {
		return math.Inf(1)
	}
	var v float64
	for i := 0; i < 8; i++ {
		for j := 0; j < 8; j++ {
			v += cov[i][j] * (ju[i]*ju[j] + jv[i]*jv[j])
		}
	}
	return math.Sqrt(v / 2)
}

// straight is the pixel without the smooth rest.
func (w *warp) straight(b [2]float64) (px [2]float64, ok bool) {
	q, den := w.h.at(b)
	if den < 0.05 {
		return q, false
	}
	return w.lens.real(q)
}

// matrix is room for the small symmetric systems here, given by their lower
// triangle.
type matrix [10][10]float64

// factor is the triangle of Cholesky of the leading n × n part, scaled to a unit
// diagonal by s. ok is false when it is not positive definite.
func (a *matrix) factor(n int) (l matrix, s [10]float64, ok bool) {
	for i := 0; i < n; i++ {
		if !(a[i][i] > 0) {
			return l, s, false
		}
		s[i] = 1 / math.Sqrt(a[i][i])
	}
	for i := 0; i < n; i++ {
		for j := 0; j <= i; j++ {
			v := a[i][j] * s[i] * s[j]
			for k := 0; k < j; k++ {
				v -= l[i][k] * l[j][k]
			}
			if i == j {
				if !(v > 1e-13) {
					return l, s, false
				}
				l[i][i] = math.Sqrt(v)
			} else {
				l[i][j] = v / l[j][j]
			}
		}
	}
	return l, s, true
}

// invert inverts the leading n × n part. ok is false when it is not positive
// definite.
func (a *matrix) invert(n int) (inv matrix, ok bool) {
	l, s, ok := a.factor(n)
	if !ok {
		return inv, false
	}
	var li matrix // inverse of l
	for j := 0; j < n; j++ {
		for i := j; i < n; i++ {
			v := 0.0
			if i == j {
				v = 1
			}
			for k := j; k < i; k++ {
				v -= l[i][k] * li[k][j]
			}
			li[i][j] = v / l[i][i]
		}
	}
	for i := 0; i < n; i++ {
		for j := 0; j <= i; j++ {
			var v float64
			for k := i; k < n; k++ {
				v += li[k][i] * li[k][j]
			}
			v *= s[i] * s[j]
			inv[i][j], inv[j][i] = v, v
		}
	}
	return inv, true
}

// solve replaces right-hand sides by the solutions with the leading n × n part. ok
// is false where that is not positive definite.
func (a *matrix) solve(n int, sides ...*[10]float64) (ok bool) {
	l, s, ok := a.factor(n)
	if !ok {
		return false
	}
	for _, x := range sides {
		for i := range n {
			v := x[i] * s[i]
			for k := range i {
				v -= l[i][k] * x[k]
			}
			x[i] = v / l[i][i]
		}
		for i := n - 1; i >= 0; i-- {
			v := x[i]
			for k := i + 1; k < n; k++ {
				v -= l[k][i] * x[k]
			}
			x[i] = v / l[i][i]
		}
		for i := range n {
			x[i] *= s[i]
		}
	}
	return true
}

func (a *matrix) times(v *[10]float64) (r [10]float64) {
	for i := range a {
		for j := range v {
			r[i] += a[i][j] * v[j]
		}
	}
	return
}

// lens takes pixels to ideal pixels, as a pinhole camera of the same focal
// length would see them, and back. Without a camera it does nothing.
type lens struct{ cam *Camera }

func (l lens) ideal(px [2]float64) ([2]float64, bool) {
	if l.cam == nil {
		return px, true
	}
	xy, ok := l.cam.Ray(px)
	return [2]float64{l.cam.FX*xy[0] + l.cam.CX, l.cam.FY*xy[1] + l.cam.CY}, ok
}

func (l lens) real(px [2]float64) ([2]float64, bool) {
	if l.cam == nil {
		return px, true
	}
	return l.cam.Project([3]float64{(px[0] - l.cam.CX) / l.cam.FX, (px[1] - l.cam.CY) / l.cam.FY, 1})
}

// cubicTerms are the monomials of x and y up to the third degree.
func cubicTerms(x, y float64) [10]float64 {
	return [10]float64{1, x, y, x * x, x * y, y * y, x * x * x, x * x * y, x * y * y, y * y * y}
}

// smoothTerms are the monomials of x and y up to the fifth degree, those of
// cubicTerms first.
func smoothTerms(x, y float64) (t [numTerms]float64) {
	x2, y2 := x*x, y*y
	x3, y3, xy := x2*x, y2*y, x*y
	x4, y4 := x2*x2, y2*y2
	return [numTerms]float64{1, x, y, x2, xy, y2, x3, x2 * y, x * y2, y3,
		x4, x3 * y, x2 * y2, x * y3, y4, x4 * x, x4 * y, x3 * y2, x2 * y3, x * y4, y4 * y}
}

const numTerms = 21

// termPowers are the powers of x and y in smoothTerms.
var termPowers = [numTerms][2]int{{0, 0}, {1, 0}, {0, 1}, {2, 0}, {1, 1}, {0, 2}, {3, 0}, {2, 1}, {1, 2}, {0, 3},
	{4, 0}, {3, 1}, {2, 2}, {1, 3}, {0, 4}, {5, 0}, {4, 1}, {3, 2}, {2, 3}, {1, 4}, {0, 5}}

// warp is the map from board squares to pixels: a homography, the lens where
// it is known, and a smooth rest, cubic in the board's coordinates, for the
// distortion that is not.
type warp struct {
	h    homography
	cov  matrix
	lens lens

	bend       bool
	mid, scale [2]float64 // board squares to about -1 ... 1
	bx, by     [10]float64

	high   bool // also terms of the fourth and fifth degree
	hx, hy [numTerms - 10]float64
}

// fitWarp fits to points in pixels. bend allows the smooth rest.
func fitWarp(pts []match, l lens, b *Board, bend bool) (w warp, ok bool) {
	w.lens = l
	ideal := make([]match, 0, len(pts))
	for _, m := range pts {
		if p, good := l.ideal(m.px); good {
			m.px = p
			ideal = append(ideal, m)
		}
	}
	if w.h, w.cov, ok = fitHomography(ideal); !ok || !bend {
		return w, ok
	}
	w.scale = [2]float64{float64(b.Cols) / 2, float64(b.Rows) / 2}
	w.mid = w.scale
	for iter := 0; iter < 3; iter++ {
		spread := medianSquare(pts, func(b [2]float64) ([2]float64, float64) {
			q, _ := w.at(b)
			return q, 1
		})
		var n matrix
		var rx, ry [10]float64
		for i := range n {
			// The homography has the first degree already; the rest is a
			// lens's work, of pixels at most.
			prior := 0.05
			if i > 2 {
				prior = 10
			}
			n[i][i] = 1 / (prior * prior)
		}
		for _, m := range pts {
			q, good := w.at(m.board)
			p, good2 := w.straight(m.board)
			if !good || !good2 {
				continue
			}
			ex, ey := m.px[0]-q[0], m.px[1]-q[1]
			wt := 1 / (m.sd * m.sd)
			if iter > 0 {
				wt /= 1 + (ex*ex+ey*ey)*wt/(9*spread)
			}
			t := cubicTerms((m.board[0]-w.mid[0])/w.scale[0], (m.board[1]-w.mid[1])/w.scale[1])
			for i := range t {
				rx[i] += wt * t[i] * (m.px[0] - p[0])
				ry[i] += wt * t[i] * (m.px[1] - p[1])
				for j := 0; j <= i; j++ {
					n[i][j] += wt * t[i] * t[j]
				}
			}
		}
		if !n.solve(len(n), &rx, &ry) {
			break
		}
		w.bx, w.by, w.bend = rx, ry, true
	}
	return w, true
}

// at is the pixel of a board point.
func (w *warp) at(b [2]float64) (px [2]float64, ok bool) {
	if px, ok = w.straight(b); !ok || !w.bend {
		return px, ok
	}
	t := smoothTerms((b[0]-w.mid[0])/w.scale[0], (b[1]-w.mid[1])/w.scale[1])
	for i := range w.bx {
		px[0] += w.bx[i] * t[i]
		px[1] += w.by[i] * t[i]
	}
	if w.high {
		for i := range w.hx {
			px[0] += w.hx[i] * t[10+i]
			px[1] += w.hy[i] * t[10+i]
		}
	}
	return px, true
}

// chart is the inverse of a warp near one board point: from pixels to board
// squares, cubic, which leaves 0.001 px at 1.5 m and 75°.
type chart struct {
	board  [2]float64 // the board point
	px     [2]float64 // its pixel
	unit   float64    // pixels per unit of the polynomials' arguments
	x, y   [10]float64
	lo, hi [2]float64 // bounding box in pixels of board ± half
}

// chartAt makes the chart of the board point b for pixels of a picture reduced
// by the given factor, good within half a square times half on either side.
func (w *warp) chartAt(b [2]float64, half float64, factor int) (c chart, ok bool) {
	s := float64(factor)
	reduced := func(b [2]float64) ([2]float64, bool) {
		p, ok := w.at(b)
		return [2]float64{(p[0] - (s-1)/2) / s, (p[1] - (s-1)/2) / s}, ok
	}
	c.board = b
	if c.px, ok = reduced(b); !ok {
		return
	}
	var px [16][2]float64
	c.lo, c.hi = c.px, c.px
	for i := range px {
		dx, dy := half*(float64(i%4)*2/3-1), half*(float64(i/4)*2/3-1)
		if px[i], ok = reduced([2]float64{b[0] + dx, b[1] + dy}); !ok {
			return
		}
		for k := range c.lo {
			c.lo[k], c.hi[k] = math.Min(c.lo[k], px[i][k]), math.Max(c.hi[k], px[i][k])
		}
	}
	c.unit = math.Max(c.hi[0]-c.lo[0], c.hi[1]-c.lo[1]) / 2
	if !(c.unit > 0) {
		return c, false
	}
	var n matrix
	for i := range px {
		t := cubicTerms((px[i][0]-c.px[0])/c.unit, (px[i][1]-c.px[1])/c.unit)
		dx, dy := half*(float64(i%4)*2/3-1), half*(float64(i/4)*2/3-1)
		for j := range t {
			c.x[j] += t[j] * dx
			c.y[j] += t[j] * dy
			for k := 0; k <= j; k++ {
				n[j][k] += t[j] * t[k]
			}
		}
	}
	return c, n.solve(len(n), &c.x, &c.y)
}

// pixels is how many pixels a window has; infinite or not a number where the chart
// is degenerate.
func (c *chart) pixels(win *window) float64 {
	lo, hi := win.bounds()
	_, xa, xb := poly(&c.x, 0, 0)
	_, ya, yb := poly(&c.y, 0, 0)
	return (hi[0] - lo[0]) * (hi[1] - lo[1]) * c.unit * c.unit / math.Abs(xa*yb-xb*ya)
}

// squarePx is the smaller extent of a square at the chart's point, pixels.
func (c *chart) squarePx() float64 {
	_, xa, xb := poly(&c.x, 0, 0)
	_, ya, yb := poly(&c.y, 0, 0)
	return c.unit * math.Min(math.Hypot(xa, xb), math.Hypot(ya, yb)) / math.Abs(xa*yb-xb*ya)
}
