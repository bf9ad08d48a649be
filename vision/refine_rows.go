package vision

/*
#include "refine_rows.h"
*/
import "C"

import (
	"image"
	"math"
	"runtime"
	"unsafe"
)

// sampleRow is a pixel of a window as a row of its least-squares problem: wp_row.
type sampleRow struct {
	col    [C.WP_COLS]float32 // the columns, and in colOff the residual
	grey   float32
	weight float32
	dx, dy float32 // squares from the corner
	x, y   int32
	quad   int32
	_      int32
}

// colOff is where rows and sums have the residual.
const colOff = numCols

// sums are what a window's rows add up to, by quadrant: wp_sums.
type sums struct {
	n           [4][C.WP_COLS][C.WP_COLS]float64 // lower triangles
	square      [4]float64                       // of the residuals
	weight      [4]float64
	count       [4]float64
	grey, grey2 float64

	// Sums of the squared slopes along each axis of the picture times the place
	// on the board.
	at [4][2][2]float64
}

// thinning says which pixels of a window become rows: of flat places, of those
// from which an edge is felt, and of those near one, every so many on a slanted
// lattice. The first two are multiples of the last.
type thinning struct {
	flat, far, near int
	slant           int
}

const (
	// reach is how far, in standard deviations of the point spread, an edge is
	// felt: Φ(-3.2) is 0.0007 of the contrast.
	reach = 3.2

	// nearReach bounds the pixels that tell of an edge's place: those beyond
	// have less than a fortieth of its information, all together 0.7 %.
	nearReach = 1.9
	maskReach = 2.8 // of the sharpening's mask, which is seen less
)

// predict makes rows of the window's pixels in img. inside is the share of the
// window that is in the picture. ok is false where the chart is degenerate.
func (w *bench) predict(img *image.Gray, p *pattern, c *chart, win *window, lk look, second bool, thin thinning) (inside float64, ok bool) {
	w.rows = w.rows[:0]
	_, xa, xb := poly(&c.x, 0, 0)
	_, ya, yb := poly(&c.y, 0, 0)
	na, nb := math.Hypot(xa, xb), math.Hypot(ya, yb)
	if !(na > 0) || !(nb > 0) {
		return 0, false
	}
	b := img.Bounds()
	lo, hi := win.bounds()
	mask := math.Hypot(lk.blur, sharpRadius)
	in := &w.window
	*in = C.wp_window{
		x0: C.int(math.Ceil(c.lo[0])), x1: C.int(math.Floor(c.hi[0])),
		y0: C.int(math.Ceil(c.lo[1])), y1: C.int(math.Floor(c.hi[1])),
		unit: C.double(c.unit), blur: C.double(lk.blur), tone: C.double(lk.tone), curl: C.double(lk.curl), sharp: C.double(lk.sharp),
		dark: C.double(lk.dark), narrow: C.double(lk.blur / mask),
		skip: [3]C.int{C.int(thin.flat), C.int(thin.far), C.int(thin.near)}, slant: C.int(thin.slant),
		reach: reach, mask_reach: maskReach, near: nearReach,
	}
	if second {
		in.second = 1
	}
	for k := range 2 {
		in.board[k], in.px[k] = C.double(c.board[k]), C.double(c.px[k])
		in.lo[k], in.hi[k] = C.double(lo[k]), C.double(hi[k])
	}
	for k := range c.x {
		in.x[k], in.y[k] = C.double(c.x[k]), C.double(c.y[k])
	}
	w.corr.set((xa*ya + xb*yb) / (na * nb))
	in.corr = w.corr.c
	most := (int(in.x1-in.x0) + 1) * (int(in.y1-in.y0) + 1)
	if thin.near > 1 {
		most = most/thin.near + int(in.y1-in.y0) + 1
	}
	if most <= 0 {
		return 0, false
	}
	if cap(w.rows) < most {
		w.rows = make([]sampleRow, most)
	}
	w.rows = w.rows[:most]
	n := C.wp_rows(in, p.size(), (*C.double)(&p.xs[0]), (*C.double)(&p.ys[0]), (*C.double)(&p.white[0]),
		(*C.uint8_t)(&img.Pix[img.PixOffset(b.Min.X, b.Min.Y)]), C.int(b.Dx()), C.int(b.Dy()), C.int(img.Stride),
		(*C.wp_row)(unsafe.Pointer(&w.rows[0])), C.int(most))
	runtime.KeepAlive(img)
	w.rows = w.rows[:n]
	if n == 0 {
		return 0, false
	}
	return float64(in.inside) / float64(in.inside+in.outside), true
}

func (p *pattern) size() C.wp_print_size {
	return C.wp_print_size{nx: C.int(len(p.xs)), ny: C.int(len(p.ys))}
}

// residuals sets the rows' residuals from a solution.
func (w *bench) residuals(sol *[numCols]float64) {
	var s [numCols]float32
	for k, v := range sol {
		s[k] = float32(v)
	}
	C.wp_residuals((*C.wp_row)(unsafe.Pointer(&w.rows[0])), C.int(len(w.rows)), (*C.float)(&s[0]))
}

// add adds the rows up. Where limit is above 0 each gets its weight first, by
// its residual squared over limit and slack times its slope squared.
func (w *bench) add(t *sums, limit, slack float64) {
	C.wp_sum((*C.wp_row)(unsafe.Pointer(&w.rows[0])), C.int(len(w.rows)), C.double(limit), C.double(slack), (*C.wp_sums)(unsafe.Pointer(t)))
}

// sample is the blurred pattern at points: its whiteness (0 to 1), the
// derivatives with respect to x and y (per square), and the derivative with
// respect to the logarithm of the point spread's width. There is one spread for
// all or one for each, with the correlation of the first.
func (p *pattern) sample(at [][2]float64, s ...spread) (f, fx, fy, fs []float32) {
	n := len(at)
	in, out := make([]float64, 4*n), make([]float32, 4*n)
	for i, q := range at {
		b := s[min(i, len(s)-1)]
		in[i], in[n+i], in[2*n+i], in[3*n+i] = q[0], q[1], b.sx, b.sy
	}
	C.wp_sample(p.size(), (*C.double)(&p.xs[0]), (*C.double)(&p.ys[0]), (*C.double)(&p.white[0]), &s[0].corr.c, reach, C.int(n),
		(*C.double)(&in[0]), (*C.double)(&in[n]), (*C.double)(&in[2*n]), (*C.double)(&in[3*n]),
		(*C.float)(&out[0]), (*C.float)(&out[n]), (*C.float)(&out[2*n]), (*C.float)(&out[3*n]))
	return out[:n], out[n : 2*n], out[2*n : 3*n], out[3*n:]
}

// correlation holds what the two-dimensional normal distribution with one
// correlation needs.
type correlation struct{ c C.wp_correlation }

// set sets the correlation. Source of the quadrature: Z. Drezner and G. O.
// Wesolowsky, J. Statist. Comput. Simul. 35 (1990), in the form of A. Genz,
// Statistics and Computing 14 (2004).
func (c *correlation) set(rho float64) {
	rho = math.Max(-0.999, math.Min(0.999, rho))
	c.c.rho, c.c.iq = C.float(rho), C.float(1/math.Sqrt(1-rho*rho))
	// As many nodes as leave an error below 2e-4 from 0.75 on; below, a series
	// does without.
	n := C.WP_NODES
	switch a := math.Abs(rho); {
	case a < 0.93:
		n = 4
	case a < 0.985:
		n = 6
	}
	c.c.n = C.int(n)
	angle := math.Asin(rho)
	for i, g := range gauss[n] {
		s := math.Sin(angle * g[0])
		c.c.sin[i], c.c.half[i] = C.float(s), C.float(1/(2*(1-s*s)))
		c.c.weight[i] = C.float(angle * g[1] / (2 * math.Pi))
	}
}

// quadrant is a print that is white where x and y are above 0: a spread of one
// square sees the two-dimensional normal distribution function there.
var quadrant = pattern{xs: []float64{0}, ys: []float64{0}, white: []float64{0, 0, 0, 1}}
