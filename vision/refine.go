package vision

import (
	"image"
	"math"
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
	colDark   // grey of black print
	colGain   // grey of white print above it
	colTiltX  // gain growing across the window
	colTiltY
	colBlur // logarithm of the blur, times the gain
	colTone // f·(1-f): a tone curve to second order
	numCols
)

// look is how a board's picture is formed, as far as the windows of one view
// share it.
type look struct {
	blur float64 // standard deviation of the point spread with the pixel's own area, pixels
	tone float64 // coefficient of f·(1-f)
}

// fit is the outcome of one window.
type fit struct {
	shift  [2]float64
	cov    [3]float64 // of the shift: xx, xy, yy
	dark   float64
	gain   float64
	blur   float64 // wished change of the blur's logarithm
	blurW  float64 // its weight: 1/variance
	tone   float64
	toneW  float64
	n      int
	rms    float64 // of the residuals, grey levels
	r2     float64 // share of the window's variance that is explained
	worst  float64 // largest mean square of the residuals of a quadrant
	inside float64 // share of the window inside the picture
}

// bench holds the buffers of one goroutine's windows.
type bench struct {
	rows [][numCols]float64
	grey []float64
	quad []uint8
}

// fitWindow fits the window of the chart's corner, half squares to each side,
// in img. cols is how many columns to solve for: colTiltX (shift, dark and
// gain only), colBlur, or numCols.
func (w *bench) fitWindow(img *image.Gray, p *pattern, c *chart, half float64, lk look, cols int) (f fit, ok bool) {
	b := img.Bounds()
	width, height := b.Dx(), b.Dy()
	x0, x1 := int(math.Ceil(c.lo[0])), int(math.Floor(c.hi[0]))
	y0, y1 := int(math.Ceil(c.lo[1])), int(math.Floor(c.hi[1]))
	w.rows, w.grey, w.quad = w.rows[:0], w.grey[:0], w.quad[:0]
	var corr correlation
	_, xa, xb := poly(&c.x, 0, 0)
	_, ya, yb := poly(&c.y, 0, 0)
	na, nb := math.Hypot(xa, xb), math.Hypot(ya, yb)
	if !(na > 0) || !(nb > 0) {
		return f, false
	}
	corr.set((xa*ya + xb*yb) / (na * nb))
	iu := 1 / c.unit
	outside := 0
	for y := y0; y <= y1; y++ {
		bb := (float64(y) - c.px[1]) * iu
		// For one row the polynomials are cubics in a.
		ex := rowPoly(&c.x, bb)
		ey := rowPoly(&c.y, bb)
		rowOK := y >= 0 && y < height
		var line []uint8
		if rowOK {
			line = img.Pix[y*img.Stride:]
		}
		for x := x0; x <= x1; x++ {
			a := (float64(x) - c.px[0]) * iu
			dx := ex.v[0] + a*(ex.v[1]+a*(ex.v[2]+a*ex.v[3]))
			if dx > half || dx < -half {
				continue
			}
			dy := ey.v[0] + a*(ey.v[1]+a*(ey.v[2]+a*ey.v[3]))
			if dy > half || dy < -half {
				continue
			}
			if !rowOK || x < 0 || x >= width {
				outside++
				continue
			}
			// Gradients of the board coordinates, per pixel.
			xu := (ex.v[1] + a*(2*ex.v[2]+3*a*ex.v[3])) * iu
			xv := (ex.d[0] + a*(ex.d[1]+a*ex.d[2])) * iu
			yu := (ey.v[1] + a*(2*ey.v[2]+3*a*ey.v[3])) * iu
			yv := (ey.d[0] + a*(ey.d[1]+a*ey.d[2])) * iu
			s := spread{
				sx:   1 / (lk.blur * math.Sqrt(xu*xu+xv*xv)),
				sy:   1 / (lk.blur * math.Sqrt(yu*yu+yv*yv)),
				corr: &corr,
			}
			v, vx, vy, vs := p.sample(c.board[0]+dx, c.board[1]+dy, s)
			slope := 1 + lk.tone*(1-2*v)
			tone := v * (1 - v)
			g := v + lk.tone*tone
			w.rows = append(w.rows, [numCols]float64{
				-slope * (vx*xu + vy*yu), -slope * (vx*xv + vy*yv), 1, g, g * dx, g * dy, slope * vs, tone,
			})
			w.grey = append(w.grey, float64(line[x]))
			q := uint8(0)
			if dx > 0 {
				q = 1
			}
			if dy > 0 {
				q |= 2
			}
			w.quad = append(w.quad, q)
		}
	}
	f.n = len(w.rows)
	if f.n < 3*cols {
		return f, false
	}
	f.inside = float64(f.n) / float64(f.n+outside)

	var n [numCols][numCols]float64
	var r [numCols]float64
	var mean, square float64
	for i := range w.rows {
		row := &w.rows[i]
		v := w.grey[i]
		mean += v
		square += v * v
		for j := 0; j < cols; j++ {
			e := row[j]
			if e == 0 {
				continue
			}
			r[j] += e * v
			for k := 0; k <= j; k++ {
				n[j][k] += e * row[k]
			}
		}
	}
	for j := cols; j < numCols; j++ {
		n[j][j] = 1 // not solved for
	}
	inv, good := invertSPD8(n)
	if !good {
		return f, false
	}
	var sol [numCols]float64
	for j := 0; j < cols; j++ {
		for k := 0; k < cols; k++ {
			sol[j] += inv[j][k] * r[k]
		}
	}
	var sum [4]float64
	var count [4]float64
	for i := range w.rows {
		e := w.grey[i]
		for j := 0; j < cols; j++ {
			e -= w.rows[i][j] * sol[j]
		}
		sum[w.quad[i]] += e * e
		count[w.quad[i]]++
	}
	rss := sum[0] + sum[1] + sum[2] + sum[3]
	for q := range sum {
		if count[q] > 4 {
			f.worst = math.Max(f.worst, sum[q]/count[q])
		}
	}
	total := square - mean*mean/float64(f.n)
	f.dark, f.gain = sol[colDark], sol[colGain]
	if !(f.gain > 0) || !(total > 0) {
		return f, false
	}
	variance := rss / float64(f.n-cols)
	f.rms = math.Sqrt(variance)
	f.r2 = 1 - rss/total
	f.shift = [2]float64{sol[colShiftX] / f.gain, sol[colShiftY] / f.gain}
	vv := variance / (f.gain * f.gain)
	f.cov = [3]float64{inv[0][0] * vv, inv[1][0] * vv, inv[1][1] * vv}
	if cols > colBlur {
		f.blur, f.blurW = sol[colBlur]/f.gain, 1/(inv[colBlur][colBlur]*vv)
	}
	if cols > colTone {
		f.tone, f.toneW = sol[colTone]/f.gain, 1/(inv[colTone][colTone]*vv)
	}
	return f, true
}

// poly is the value and the derivatives of a cubic at (a, b).
func poly(t *[10]float64, a, b float64) (v, da, db float64) {
	r := rowPoly(t, b)
	return r.v[0] + a*(r.v[1]+a*(r.v[2]+a*r.v[3])),
		r.v[1] + a*(2*r.v[2]+3*a*r.v[3]),
		r.d[0] + a*(r.d[1]+a*r.d[2])
}

// cubicRow is a cubic in two variables along one row: its coefficients in a,
// and those of its derivative with respect to b.
type cubicRow struct {
	v [4]float64
	d [3]float64
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
