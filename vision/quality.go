package vision

import (
	"image"
	"math"

	"gonum.org/v1/gonum/mat"
)

// What a photograph is like, as far as its corners suffer from it: how wide its
// point spread is and in which direction, contrast, noise, and what that makes
// of the corners together.

// PointSpread is the covariance of a picture's point spread with the pixel's own
// area, px²: x to the right, y down, as in the sensor's orientation.
type PointSpread struct{ XX, XY, YY float64 }

// Axes are the standard deviations along the axes of the point spread, px, and
// the direction of the long one, rad from x towards y, 0 to π.
func (s PointSpread) Axes() (long, short, direction float64) {
	mid, d := (s.XX+s.YY)/2, math.Hypot((s.XX-s.YY)/2, s.XY)
	direction = math.Mod(math.Atan2(2*s.XY, s.XX-s.YY)/2+math.Pi, math.Pi)
	return math.Sqrt(mid + d), math.Sqrt(math.Max(0, mid-d)), direction
}

// Motion is the trail that would draw a round point spread out to this one: its
// length, px, and direction, as of Axes. What the lens stretches is in it too.
//
// An even trail of length L has a variance of L²/12. The Gaussian that fits such
// an edge best in the sense of least squares is wider than that, by up to 0.10 for
// trails much longer than the point spread (worked out in one dimension; the
// formula follows it to 0.003).
func (s PointSpread) Motion() (length, direction float64) {
	long, short, direction := s.Axes()
	if !(short > 0) {
		return 0, direction
	}
	wider := 1 + 0.108*(1-math.Pow(long/short, -1.55))
	return math.Sqrt(12*(long*long-short*short)) / wider, direction
}

func (s PointSpread) plus(o PointSpread) PointSpread {
	return PointSpread{s.XX + o.XX, s.XY + o.XY, s.YY + o.YY}
}

func (s PointSpread) times(k float64) PointSpread {
	return PointSpread{k * s.XX, k * s.XY, k * s.YY}
}

// Why a corner is not used when something hides it, or the picture ends.
const (
	covered       = "covered"
	partlyCovered = "partly covered"
	outside       = "outside the picture"
)

// BoardQuality is what a photograph is like where a board is.
type BoardQuality struct {
	// SigmaPx is the standard deviation of independent corners, all of the
	// board's, that would fix the eight degrees of freedom of a flat board's
	// picture (a homography's) as well as the view fixes them: the geometric mean
	// over them, px. Infinite where the view does not fix them.
	SigmaPx float64
	// Missing is the factor of SigmaPx that comes from corners not used, 1 where
	// all are; Covered and Outside say how many and why.
	Missing          float64
	Covered, Outside int
	// Obliquity is the angle between the line of sight to the board's middle and
	// its normal, rad: where the camera is known, true anywhere in the picture.
	Obliquity float64

	Spread   PointSpread // of [Weigh]: round
	Contrast float64     // white print over black, grey levels
	Noise    float64     // standard deviation of a grey value about the prediction, grey levels
	Clipped  float64     // share of the white print that has the highest grey level, 0 to 1
}

// Quality is what a photograph is like.
type Quality struct {
	Boards []BoardQuality // as the views of the result
	// Spread is the mean of the boards'; where none is found, that of the
	// picture's sharpest edges. Zero where nothing shows it.
	Spread PointSpread
	Light  Light
}

// known is what the fit of a board knew beyond the view.
type known struct {
	pat             *pattern
	warp            warp
	look            look
	contrast, noise float64
}

// knows is what is left of the fit.
func (m *measured) knows() *known {
	k := &known{pat: m.pat, warp: m.warp, look: m.look}
	var gain, variance []float64
	for i := range m.nodes {
		if n := &m.nodes[i]; m.whole != nil && n.ok {
			gain, variance = append(gain, n.light[1]), append(variance, n.variance)
		}
	}
	for i := range m.cs {
		if c := &m.cs[i]; m.whole == nil && c.ok {
			gain, variance = append(gain, c.last.gain), append(variance, c.last.rms*c.last.rms)
		}
	}
	if len(gain) > 0 {
		k.contrast, k.noise = median(gain), math.Sqrt(median(variance))
	}
	return k
}

// Plain is the view without what its fit left for [Weigh] and [Assess], which is
// most of its memory.
func (v View) Plain() View {
	v.fit = nil
	return v
}

// Weigh says what the views of a photograph are worth: all of their quality that
// their fits know, without looking at the picture again.
func Weigh(boards []Board, r Result) []BoardQuality {
	out := make([]BoardQuality, len(r.Views))
	for i := range r.Views {
		v, q := &r.Views[i], &out[i]
		b := &boards[v.Board]
		q.SigmaPx, q.Missing = v.worth(b)
		q.Obliquity = v.Obliquity
		for _, c := range v.Rejected {
			switch c.Reason {
			case covered, partlyCovered:
				q.Covered++
			case outside:
				q.Outside++
			}
		}
		if v.fit != nil {
			q.Obliquity = v.fit.obliquity(b, v.Obliquity)
			q.Contrast, q.Noise = v.fit.contrast, v.fit.noise
			q.Spread = PointSpread{XX: v.BlurPx * v.BlurPx, YY: v.BlurPx * v.BlurPx}
		}
	}
	return out
}

// Assess looks at a photograph once more, knowing what [Detect] found in it: some
// milliseconds a board.
func Assess(img *image.Gray, boards []Board, r Result) Quality {
	q := Quality{Boards: Weigh(boards, r), Light: lightOf(img)}
	n := 0.0
	for i := range r.Views {
		v, b := &r.Views[i], &q.Boards[i]
		if v.fit == nil {
			continue
		}
		if s, clipped, ok := v.fit.spread(img, &boards[v.Board], v.Corners); ok {
			b.Spread, b.Clipped = s, clipped
			q.Spread = q.Spread.plus(s)
			n++
		}
	}
	if n > 0 {
		q.Spread = q.Spread.times(1 / n)
	} else {
		q.Spread, _ = spreadOfEdges(img)
	}
	return q
}

// obliquity is that of the board's middle, rad; guess where the camera is not
// known.
func (k *known) obliquity(b *Board, guess float64) float64 {
	c := k.warp.lens.cam
	if c == nil {
		return guess
	}
	mid := [2]float64{float64(b.Cols) / 2, float64(b.Rows) / 2}
	// Columns of inverse(K)·H: the board's axes and its middle, all times one
	// unknown factor.
	ray := func(u, v, w float64) [3]float64 {
		return [3]float64{(u - c.CX*w) / c.FX, (v - c.CY*w) / c.FY, w}
	}
	h := &k.warp.h
	x, y := mid[0]-h.origin[0], mid[1]-h.origin[1]
	p := &h.p
	a := ray(p[1], p[4], p[6])
	d := ray(p[2], p[5], p[7])
	t := ray(p[0]+p[1]*x+p[2]*y, p[3]+p[4]*x+p[5]*y, 1+p[6]*x+p[7]*y)
	n := [3]float64{a[1]*d[2] - a[2]*d[1], a[2]*d[0] - a[0]*d[2], a[0]*d[1] - a[1]*d[0]}
	cos := math.Abs(dot(n[:], t[:])) / math.Sqrt(dot(n[:], n[:])*dot(t[:], t[:]))
	if !(cos <= 1) {
		return guess
	}
	return math.Acos(cos)
}

// worth is SigmaPx and Missing of [BoardQuality].
func (v *View) worth(b *Board) (sigma, missing float64) {
	pts := make([]match, len(v.Corners))
	for i, c := range v.Corners {
		pts[i] = match{b.cornerSquares(c.Index), c.Px, 1}
	}
	h, _, ok := fitHomography(pts)
	if !ok {
		return math.Inf(1), 1
	}
	rows := func(n int, at func(i int) [2]float64) *mat.Dense {
		j := mat.NewDense(2*n, 8, nil)
		for i := range n {
			_, ju, jv, _ := h.row(at(i))
			j.SetRow(2*i, ju[:])
			j.SetRow(2*i+1, jv[:])
		}
		return j
	}
	all := rows(b.NumCorners(), b.cornerSquares)
	seen := rows(len(pts), func(i int) [2]float64 { return pts[i].board })
	white := new(mat.Dense)
	if v.Joint != nil {
		r := mat.NewDense(len(v.Joint.Rows), 2*len(pts), nil)
		for i, row := range v.Joint.Rows {
			r.SetRow(i, row)
		}
		white.Mul(r, seen)
	} else {
		white.CloneFrom(seen)
		for i, c := range v.Corners {
			// The rows of a corner times the inverse of its covariance's root.
			l := math.Sqrt(c.Cov[0])
			m := c.Cov[1] / l
			n := math.Sqrt(math.Max(c.Cov[2]-m*m, 1e-12))
			for k := range 8 {
				x := seen.At(2*i, k) / l
				white.Set(2*i, k, x)
				white.Set(2*i+1, k, (seen.At(2*i+1, k)-m*x)/n)
			}
		}
	}
	// Ratios of determinants are products of the eight ratios of variances.
	logDet := func(j *mat.Dense) float64 {
		var n mat.SymDense
		n.SymOuterK(1, j.T())
		var c mat.Cholesky
		if !c.Factorize(&n) {
			return math.Inf(-1)
		}
		return c.LogDet()
	}
	full := logDet(all)
	return math.Exp((full - logDet(white)) / 16), math.Exp((full - logDet(seen)) / 16)
}

// The windows that tell of the point spread: about some of the corners, a third
// of a square to each side.
const (
	spreadWindows = 6
	spreadHalf    = 0.35
	spreadPixels  = 90 // in a window, about
	spreadRounds  = 10
)

// The unknowns of the point spread that all windows share: the logarithm of its
// width, its elongation along the picture's axes and its diagonals (so that the
// covariance is width²·exp of a traceless matrix), and what the fit with a round
// one may have taken for tone and sharpening.
const (
	spreadWidth = iota
	spreadAcross
	spreadSlant
	spreadTone
	spreadSharp
	numSpread
)

type spreadState [numSpread]float64

func (s *spreadState) covariance(blur float64) PointSpread {
	m := math.Hypot(s[spreadAcross], s[spreadSlant])
	k := 1.0 // sinh(m)/m
	if m > 1e-6 {
		k = math.Sinh(m) / m
	}
	v := blur * blur * math.Exp(2*s[spreadWidth])
	c := math.Cosh(m)
	return PointSpread{v * (c + k*s[spreadAcross]), v * k * s[spreadSlant], v * (c - k*s[spreadAcross])}
}

// spreadPixel is one pixel of a window.
type spreadPixel struct {
	x, y           float64 // on the board, squares
	xu, xv, yu, yv float64 // gradients of x and y, squares per pixel
	grey           float64
}

// spread fits the point spread as a Gaussian with two axes to the edges about a
// board's corners, by least squares. Along an edge nothing tells; a corner's
// saddle tells of what its two edges do not, the slanted part. The edges' places
// are those of the whole board's fit, so that each is an edge spread function as
// that of ISO 12233's slanted edge, over a place that is known. clipped is the
// share of flat white that has the highest level.
func (k *known) spread(img *image.Gray, b *Board, corners []Corner) (s PointSpread, clipped float64, ok bool) {
	var windows [][]spreadPixel
	var white, full float64
	for i := range min(spreadWindows, len(corners)) {
		c := corners[i*len(corners)/min(spreadWindows, len(corners))]
		w := k.window(img, b.cornerSquares(c.Index))
		if len(w) > 20 {
			windows = append(windows, w)
		}
	}
	if len(windows) < 2 {
		return s, 0, false
	}
	for _, w := range windows {
		for _, p := range w {
			if k.flatWhite(p) {
				white++
				if p.grey >= 254 {
					full++
				}
			}
		}
	}
	if white > 0 {
		clipped = full / white
	}
	e := spreadEye{known: k}
	best, cost := e.fit(windows, spreadState{spreadTone: k.look.tone, spreadSharp: k.look.sharp})
	// Where that does not explain the picture, the whole board's fit has gone
	// astray: from wider ones, without sharpening.
	for _, blur := range []float64{2, 4.5} {
		if k.noise < poorSpread*k.contrast || k.noise < noisySpread*k.contrast && k.isNoise(cost, windows) {
			break
		}
		plain := *k
		plain.look.curl = 0
		e.known = &plain
		if other, c := e.fit(windows, spreadState{spreadWidth: math.Log(blur / k.look.blur)}); c < cost {
			best, cost = other, c
		}
	}
	if math.IsInf(cost, 1) || math.IsNaN(cost) {
		return s, clipped, false
	}
	return best.covariance(k.look.blur), clipped, true
}

// poorSpread is a root mean square of residuals over the contrast that is more
// than the noise of most pictures that show anything, noisySpread more than that of
// small frames of dim films.
const poorSpread, noisySpread = 0.03, 0.06

// isNoise tells whether what a fit of the windows leaves is about what the whole board's
// left: that is the picture's noise then. Of a board whose fit had gone astray windows
// leave a fifth to two fifths.
func (k *known) isNoise(cost float64, windows [][]spreadPixel) bool {
	n := 0
	for _, w := range windows {
		n += len(w)
	}
	return cost > 0.7*0.7*k.noise*k.noise*float64(n)
}

// fit solves for the point spread, and returns the sum of squares that is left.
func (e *spreadEye) fit(windows [][]spreadPixel, start spreadState) (best spreadState, cost float64) {
	prior := spreadState{1, 1, 1, 0.2, 0.3}
	variance := math.Max(leastVariance, math.Pow(math.Min(e.noise, poorSpread*e.contrast), 2))
	cost, best = math.Inf(1), start
	state := start
	back := 0
	for range spreadRounds {
		var n matrix
		var r [10]float64
		now := 0.0
		for i, p := range prior {
			n[i][i] = variance / (p * p)
			r[i] = (start[i] - state[i]) * variance / (p * p)
			now += r[i] * (start[i] - state[i])
		}
		for _, w := range windows {
			now += e.add(w, &state, &n, &r)
		}
		if now > cost {
			// Half way back, twice at most.
			if back++; back > 2 {
				return
			}
			for i := range state {
				state[i] = (state[i] + best[i]) / 2
			}
			continue
		}
		cost, best = now, state
		if !n.solve(numSpread, &r) {
			return
		}
		small := true
		for i := range state {
			state[i] += math.Max(-0.5, math.Min(0.5, r[i]))
			small = small && math.Abs(r[i]) < 0.02
		}
		if small {
			return state, cost
		}
	}
	return
}

// window are the pixels about a corner, all if they are few.
func (k *known) window(img *image.Gray, at [2]float64) (out []spreadPixel) {
	half := math.Min(spreadHalf, k.pat.half)
	c, ok := k.warp.chartAt(at, half, 1)
	if !ok {
		return nil
	}
	b := img.Bounds()
	x0, x1 := max(0, int(math.Ceil(c.lo[0]))), min(b.Dx()-1, int(c.hi[0]))
	y0, y1 := max(0, int(math.Ceil(c.lo[1]))), min(b.Dy()-1, int(c.hi[1]))
	skip := max(1, (x1-x0+1)*(y1-y0+1)/spreadPixels)
	slant := 1
	if skip > 3 {
		slant = 2
	}
	iu := 1 / c.unit
	for y := y0; y <= y1; y++ {
		bb := (float64(y) - c.px[1]) * iu
		ex, ey := rowPoly(&c.x, bb), rowPoly(&c.y, bb)
		for x := x0 + ((slant*y-x0)%skip+skip)%skip; x <= x1; x += skip {
			a := (float64(x) - c.px[0]) * iu
			dx := ex.v[0] + a*(ex.v[1]+a*(ex.v[2]+a*ex.v[3]))
			dy := ey.v[0] + a*(ey.v[1]+a*(ey.v[2]+a*ey.v[3]))
			if math.Abs(dx) > half || math.Abs(dy) > half {
				continue
			}
			xu, xv := ex.slopes(a)
			yu, yv := ey.slopes(a)
			out = append(out, spreadPixel{at[0] + dx, at[1] + dy, xu * iu, xv * iu, yu * iu, yv * iu, float64(img.Pix[y*img.Stride+x])})
		}
	}
	return out
}

// flatWhite tells whether a pixel shows white print that no edge is mixed into.
func (k *known) flatWhite(p spreadPixel) bool {
	rx, ry := k.look.blur*math.Hypot(p.xu, p.xv)*nearReach, k.look.blur*math.Hypot(p.yu, p.yv)*nearReach
	for _, d := range [5][2]float64{{}, {-rx, -ry}, {rx, -ry}, {-rx, ry}, {rx, ry}} {
		if k.pat.flat(p.x+d[0], p.y+d[1]) < 1 {
			return false
		}
	}
	return true
}

// spreadEye predicts grey values with a point spread of two axes.
type spreadEye struct {
	*known
	near, mask correlation
	grey       [numSpread + 1][]float64
}

// add adds a window to the normal equations and returns its sum of squares. Its
// light is eliminated.
func (e *spreadEye) add(w []spreadPixel, s *spreadState, n *matrix, r *[10]float64) float64 {
	const step = 1e-3
	e.predict(w, s, 0)
	for k := range numSpread {
		moved := *s
		moved[k] += step
		e.predict(w, &moved, k+1)
	}
	// Dark, gain and its growth along and across: 4 unknowns of the window alone.
	const own = 4
	var all matrix
	var right [10]float64
	x0, y0 := w[len(w)/2].x, w[len(w)/2].y
	var square float64
	rows := make([][own + numSpread]float64, len(w))
	for i, p := range w {
		g := e.grey[0][i]
		v := [own]float64{1, g, g * (p.x - x0), g * (p.y - y0)}
		for a := range v {
			right[a] += v[a] * p.grey
			for b := range a + 1 {
				all[a][b] += v[a] * v[b]
			}
		}
	}
	all[2][2] += 1e-3
	all[3][3] += 1e-3
	light := right
	if !all.solve(own, &light) {
		return 0
	}
	full := matrix{}
	var line [10]float64
	for i, p := range w {
		g := e.grey[0][i]
		row := &rows[i]
		gain := light[1] + light[2]*(p.x-x0) + light[3]*(p.y-y0)
		*row = [own + numSpread]float64{1, g, g * (p.x - x0), g * (p.y - y0)}
		for k := range numSpread {
			row[own+k] = gain * (e.grey[k+1][i] - g) / step
		}
		off := p.grey - light[0] - gain*g
		square += off * off
		for a := range row {
			line[a] += row[a] * off
			for b := range a + 1 {
				full[a][b] += row[a] * row[b]
			}
		}
	}
	full[2][2] += 1e-3
	full[3][3] += 1e-3
	// The Schur complement of the light.
	inv, _ := full.invert(own)
	for a := range numSpread {
		var back [own]float64
		for i := range own {
			for j := range own {
				back[i] += full[own+a][j] * inv[j][i]
			}
		}
		r[a] += line[own+a]
		for i := range own {
			r[a] -= back[i] * line[i]
		}
		for b := range a + 1 {
			n[a][b] += full[own+a][own+b]
			for i := range own {
				n[a][b] -= back[i] * full[own+b][i]
			}
		}
	}
	return square
}

// predict fills column k of grey.
func (e *spreadEye) predict(w []spreadPixel, s *spreadState, k int) {
	if cap(e.grey[k]) < len(w) {
		e.grey[k] = make([]float64, len(w))
	}
	e.grey[k] = e.grey[k][:len(w)]
	c := s.covariance(e.look.blur)
	wide := c.plus(PointSpread{sharpRadius * sharpRadius, 0, sharpRadius * sharpRadius})
	narrow := math.Sqrt(math.Sqrt((c.XX*c.YY - c.XY*c.XY) / (wide.XX*wide.YY - wide.XY*wide.XY)))
	mid := w[len(w)/2]
	a, z := c.board(mid), wide.board(mid)
	e.near.set(a.rho)
	e.mask.set(z.rho)
	tone, curl, sharp := s[spreadTone], e.look.curl, s[spreadSharp]
	at, sharper, wider := make([][2]float64, len(w)), make([]spread, len(w)), make([]spread, len(w))
	for i, p := range w {
		at[i] = [2]float64{p.x, p.y}
		b := c.board(p)
		sharper[i] = spread{b.sx, b.sy, &e.near}
		b = wide.board(p)
		wider[i] = spread{b.sx, b.sy, &e.mask}
	}
	seen, _, _, _ := e.pat.sample(at, sharper...)
	masked, _, _, _ := e.pat.sample(at, wider...)
	for i := range w {
		v, u := float64(seen[i]), float64(masked[i])
		bump := v * (1 - v)
		g := v + tone*bump + curl*bump*(1-2*v)
		e.grey[k][i] = g + sharp*(g-u-tone*narrow*u*(1-u))
	}
}

// boardSpread is a point spread as seen from the board.
type boardSpread struct{ sx, sy, rho float64 }

func (s PointSpread) board(p spreadPixel) boardSpread {
	xx := s.XX*p.xu*p.xu + 2*s.XY*p.xu*p.xv + s.YY*p.xv*p.xv
	yy := s.XX*p.yu*p.yu + 2*s.XY*p.yu*p.yv + s.YY*p.yv*p.yv
	xy := s.XX*p.xu*p.yu + s.XY*(p.xu*p.yv+p.xv*p.yu) + s.YY*p.xv*p.yv
	return boardSpread{1 / math.Sqrt(xx), 1 / math.Sqrt(yy), xy / math.Sqrt(xx*yy)}
}
