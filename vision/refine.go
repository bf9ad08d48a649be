package vision

// #include "refine_rows.h"
import "C"

import (
	"image"
	"math"
	"sort"
)

// A corner is measured by predicting the picture of its neighbourhood: the
// squares and marker cells within half a square, through the current warp,
// blurred, and solving for the shift that makes the picture agree with the
// photograph. Half-square windows do not overlap, so neighbouring corners use
// different pixels.

// The columns of a window's least-squares problem. All enter linearly: the
// shift multiplies the gain.
const (
	colShiftX = iota
	colShiftY
	colDark  // grey of black print
	colGain  // grey of white print above it
	colTiltX // light growing across the window
	colTiltY
	colBlur  // logarithm of the blur, times the gain
	colTone  // f·(1-f): a tone curve to second order
	colCurl  // f·(1-f)·(1-2f): and to third
	colSharp // f less f blurred further: sharpening, or a point spread with tails
	numCols
)

// look is how a board's picture is formed, as far as the windows of one view
// share it.
type look struct {
	blur  float64 // standard deviation of the point spread with the pixel's own area, pixels
	tone  float64 // coefficient of f·(1-f)
	curl  float64 // coefficient of f·(1-f)·(1-2f)
	sharp float64 // coefficient of the sharpening
	dark  float64 // grey of black print over the gain, about
}

// sharpRadius is the further blur of the sharpening's mask, pixels.
const sharpRadius = 1.2

// window says which pixels around a corner to use and what to solve for.
type window struct {
	half float64 // squares to each side
	max  int     // about the most pixels used; more are thinned out evenly
	cols int     // the first cols columns

	doubt  bool // give no weight to pixels that are not the print
	colour bool // look at the noise's colour

	// Where clip is set, only the part from lo to hi, squares from the corner.
	clip   bool
	lo, hi [2]float64
}

// bounds is the window's part of the board, squares from its corner.
func (w *window) bounds() (lo, hi [2]float64) {
	if w.clip {
		return w.lo, w.hi
	}
	return [2]float64{-w.half, -w.half}, [2]float64{w.half, w.half}
}

// fit is the outcome of one window.
type fit struct {
	shift  [2]float64
	cov    [3]float64 // of the shift: xx, xy, yy
	gain   float64
	look   [4]estimate // wished change of the blur's logarithm, tone, curl, sharp
	rms    float64     // of the residuals, grey levels
	r2     float64     // share of the window's variance that is explained
	total  float64     // that variance, times n
	n      float64     // pixels used
	worst  float64     // largest mean square of the residuals of a quadrant
	kept   float64     // share of the pixels that look as predicted
	least  float64     // the same of the worst quadrant
	inside float64     // share of the window inside the picture

	// The variance of the shift as the residuals themselves show it, and as
	// those of white noise would; only where asked for.
	shown, white float64
}

// estimate is a value and its weight, 1/variance.
type estimate struct{ value, weight float64 }

// bench holds the buffers of one goroutine's windows.
type bench struct {
	rows          []sampleRow
	some, weights []float64
	grid          []int32
	pull          []pull

	// The last window's normal equations, solution and variance of a grey value.
	n        matrix
	r, sol   [numCols]float64
	variance float64

	window C.wp_window
	corr   correlation
}

// fitWindow fits the chart's corner in img.
func (w *bench) fitWindow(img *image.Gray, p *pattern, c *chart, win window, lk look) (f fit, ok bool) {
	size := c.pixels(&win)
	if !(size < 1e9) {
		return f, false
	}
	skip := 1
	if win.max > 0 {
		skip = max(1, int(math.Round(size/float64(win.max))))
	}
	// Thinned out on a slanted lattice, so that no line of the print is missed.
	slant := 1
	if skip > 3 {
		slant = 2
	}
	cols := win.cols
	f.inside, ok = w.predict(img, p, c, &win, lk, cols > colSharp || lk.sharp != 0, thinning{skip, skip, skip, slant})
	count := len(w.rows)
	if !ok || count < 3*cols {
		return f, false
	}

	var mean, square float64
	for i := range w.rows {
		g := float64(w.rows[i].grey)
		mean += g
		square += g * g
	}
	total := square - mean*mean/float64(count)
	inv, sol, good := w.solve(cols)
	for round := 0; good && win.doubt && round < 2 && w.doubt(sol[colGain]); round++ {
		inv, sol, good = w.solve(cols)
	}
	if !good {
		return f, false
	}
	var sum, weight, num [4]float64
	for i := range w.rows {
		row := &w.rows[i]
		e, wt := float64(row.col[colOff]), float64(row.weight)
		sum[row.quad&3] += wt * e * e
		weight[row.quad&3] += wt
		num[row.quad&3]++
	}
	rss := sum[0] + sum[1] + sum[2] + sum[3]
	kept := weight[0] + weight[1] + weight[2] + weight[3]
	f.kept, f.least = kept/float64(count), 1
	for q := range sum {
		if num[q] > 4 {
			f.least = math.Min(f.least, weight[q]/num[q])
			f.worst = math.Max(f.worst, sum[q]/math.Max(1, weight[q]))
		}
	}
	f.gain = sol[colGain]
	if !(f.gain > 0) || !(total > 0) || kept < float64(3*cols) {
		return f, false
	}
	variance := rss / (kept - float64(cols))
	f.rms, w.variance = math.Sqrt(variance), variance
	f.r2, f.total, f.n = 1-rss/total, total, float64(count)
	f.shift = [2]float64{sol[colShiftX] / f.gain, sol[colShiftY] / f.gain}
	vv := variance / (f.gain * f.gain)
	f.cov = [3]float64{inv[0][0] * vv, inv[1][0] * vv, inv[1][1] * vv}
	if win.colour {
		f.shown, f.white = w.colour(&inv, cols, variance)
	}
	for k := colBlur; k < cols; k++ {
		f.look[k-colBlur] = estimate{sol[k] / f.gain, 1 / (inv[k][k] * vv)}
	}
	return f, true
}

// solve is the weighted least-squares solution of the rows.
func (w *bench) solve(cols int) (inv matrix, sol [numCols]float64, ok bool) {
	w.residuals(&sol)
	var t sums
	w.add(&t, 0, 0)
	w.n, w.r = matrix{}, [numCols]float64{}
	for q := range t.n {
		for j := range cols {
			w.r[j] += t.n[q][colOff][j]
			for k := range j + 1 {
				w.n[j][k] += t.n[q][j][k]
			}
		}
	}
	if inv, ok = w.n.invert(cols); !ok {
		return
	}
	for j := 0; j < cols; j++ {
		for k := 0; k < cols; k++ {
			sol[j] += inv[j][k] * w.r[k]
		}
	}
	w.sol = sol
	w.residuals(&sol)
	return
}

const (
	// An edge may lie this far from where it is predicted without its pixels
	// being taken for something else: print and blur are not perfect.
	edgeTolerance = 0.15

	// Residuals beyond this many standard deviations have no weight (Tukey's
	// biweight).
	doubtFrom = 6
)

// doubt gives pixels a weight by their residuals: dirt, a glint or a finger
// is not the print. It tells whether there are any such pixels; without them
// weights stay 1.
func (w *bench) doubt(gain float64) bool {
	w.some = w.some[:0]
	step := 1 + len(w.rows)/100
	for i := 0; i < len(w.rows); i += step {
		w.some = append(w.some, math.Abs(float64(w.rows[i].col[colOff])))
	}
	sort.Float64s(w.some)
	scale := 1.4826 * w.some[len(w.some)/2] // of a normal distribution, from its median
	scale = math.Max(scale, 1)
	edge := edgeTolerance * gain
	var out int
	w.weights = w.weights[:0]
	for i := range w.rows {
		row := &w.rows[i]
		e := float64(row.col[colOff])
		gx, gy := float64(row.col[colShiftX])*edge, float64(row.col[colShiftY])*edge
		t := e * e / ((scale*scale + gx*gx + gy*gy) * (doubtFrom * doubtFrom))
		if t > 0.5 {
			out++
		}
		t = math.Max(0, 1-t)
		w.weights = append(w.weights, t*t)
	}
	if out*200 < len(w.rows) {
		return false
	}
	for i := range w.rows {
		w.rows[i].weight = float32(w.weights[i])
	}
	return true
}

// colourReach is how far, in pixels, noise is taken to be correlated:
// sharpening, demosaicing and denoising reach so far.
const colourReach = 3

// pull is what one pixel does to the solution.
type pull struct {
	shift [2]float64       // of the shift, for a grey level
	moved [2]float64       // by its own residual
	all   [colBlur]float64 // of everything, for a grey level
}

// colour compares the variance of the shift (sum of both axes) that the
// residuals show, correlations between near pixels included, with what they
// would show if the noise were white. Source of the first: the sandwich
// covariance with correlated errors, P. J. Huber and H. White; here with all
// pairs of pixels up to a distance. The second takes into account that the
// solution has followed the noise.
func (w *bench) colour(inv *matrix, cols int, variance float64) (shown, white float64) {
	cols = min(cols, colBlur)
	at := func(s *sampleRow) (x, y int) { return int(s.x), int(s.y) }
	x0, y0 := at(&w.rows[0])
	x1, y1 := x0, y0
	w.pull = w.pull[:0]
	for i := range w.rows {
		s := &w.rows[i]
		x, y := at(s)
		x0, x1, y0, y1 = min(x0, x), max(x1, x), min(y0, y), max(y1, y)
		var p pull
		for j := range cols {
			for k, v := range s.col[:cols] {
				p.all[j] += inv[j][k] * float64(v)
			}
			p.all[j] *= float64(s.weight)
		}
		off := float64(s.col[colOff])
		p.shift = [2]float64{p.all[colShiftX], p.all[colShiftY]}
		p.moved = [2]float64{p.shift[0] * off, p.shift[1] * off}
		w.pull = append(w.pull, p)
	}
	const reach = colourReach
	width := x1 - x0 + 1 + 2*reach
	n := width * (y1 - y0 + 1 + 2*reach)
	if cap(w.grid) < n {
		w.grid = make([]int32, n)
	}
	w.grid = w.grid[:n]
	clear(w.grid)
	for i := range w.rows {
		x, y := at(&w.rows[i])
		w.grid[(y-y0+reach)*width+x-x0+reach] = int32(i + 1)
	}
	// Every third pixel with all its neighbours is enough.
	for i := 0; i < len(w.rows); i += 3 {
		p := &w.pull[i]
		x, y := at(&w.rows[i])
		middle := (y-y0+reach)*width + x - x0 + reach
		for dy := -reach; dy <= reach; dy++ {
			for dx := -reach; dx <= reach; dx++ {
				j := w.grid[middle+dy*width+dx]
				if j == 0 || dx*dx+dy*dy > reach*reach+1 {
					continue
				}
				q := &w.pull[j-1]
				shown += p.moved[0]*q.moved[0] + p.moved[1]*q.moved[1]
				// Residuals of white noise: unit matrix less the hat matrix.
				var hat float64
				for k, v := range w.rows[j-1].col[:cols] {
					hat -= p.all[k] * float64(v)
				}
				if dx == 0 && dy == 0 {
					hat++
				}
				white += variance * hat * (p.shift[0]*q.shift[0] + p.shift[1]*q.shift[1])
			}
		}
	}
	return shown, white
}

// poly is the value and the derivatives of a cubic at (a, b).
func poly(t *[10]float64, a, b float64) (v, da, db float64) {
	r := rowPoly(t, b)
	da, db = r.slopes(a)
	return r.v[0] + a*(r.v[1]+a*(r.v[2]+a*r.v[3])), da, db
}

// cubicRow is a cubic in two variables along one row: its coefficients in a,
// and those of its derivative with respect to b.
type cubicRow struct {
	v [4]float64
	d [3]float64
}

// slopes are the derivatives at a: along the row and across it.
func (r *cubicRow) slopes(a float64) (da, db float64) {
	return r.v[1] + a*(2*r.v[2]+3*a*r.v[3]), r.d[0] + a*(r.d[1]+a*r.d[2])
}

func rowPoly(t *[10]float64, b float64) cubicRow {
	return cubicRow{
		v: [4]float64{
			t[0] + b*(t[2]+b*(t[5]+b*t[9])),
			t[1] + b*(t[4]+b*t[8]),
			t[3] + b*t[7],
			t[6],
		},
		d: [3]float64{
			t[2] + b*(2*t[5]+3*b*t[9]),
			t[4] + 2*b*t[8],
			t[7],
		},
	}
}
