package vision

import (
	"math"
	"time"
)

// NumIntrinsics is the number of parameters of a [Camera], in the order of
// [Camera.Intrinsics].
const NumIntrinsics = 16

// IntrinsicNames names the parameters in their order, which is OpenCV's.
var IntrinsicNames = [NumIntrinsics]string{"fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3",
	"k4", "k5", "k6", "s1", "s2", "s3", "s4"}

// PlainIntrinsics is how many of the parameters, the first ones, a plain lens
// has; the others are those of the rational and the thin prism model.
const PlainIntrinsics = 9

// Camera is a pinhole camera with OpenCV's distortion: the five coefficients
// k1, k2, p1, p2, k3 of a plain lens, the denominator k4, k5, k6 of its rational
// model and the thin prism s1 ... s4. With normalised x, y and s = x² + y²
//
//	x' = x·q + 2·p1·x·y + p2·(s + 2x²) + s1·s + s2·s²
//	y' = y·q + p1·(s + 2y²) + 2·p2·x·y + s3·s + s4·s²
//	q  = (1 + k1·s + k2·s² + k3·s³) / (1 + k4·s + k5·s² + k6·s³)
//
// Pixels follow OpenCV: the centre of the first pixel is (0, 0), x right, y
// down. Camera coordinates: x right, y down, z forward, metres.
//
// Source of the model: OpenCV, "Camera Calibration and 3D Reconstruction"
// (Brown 1966 as written there).
type Camera struct {
	Name           string
	Width, Height  int // of the picture, pixels
	FX, FY         float64
	CX, CY         float64
	K1, K2         float64
	P1, P2         float64
	K3             float64
	K4, K5, K6     float64
	S1, S2, S3, S4 float64

	// Cov is the covariance of the intrinsics in the order of
	// [IntrinsicNames], or nil when the file does not state it.
	Cov *[NumIntrinsics][NumIntrinsics]float64

	// Focal35MM is the EXIF focal length in 35 mm film of the photographs
	// this camera was calibrated from, and FocalMM the true one; 0 if unknown.
	Focal35MM, FocalMM float64

	// How the calibration went; zero if unknown.
	RMSPx      float64 // root mean square distance of a corner from its prediction
	Views      int     // photographs used
	Calibrated time.Time

	path string // the file it was read from, for messages
	sum  string // SHA-256 of that file, hexadecimal
}

// Sum is the SHA-256 of the file the camera was read from, hexadecimal; empty
// where it was not read from one.
func (c *Camera) Sum() string { return c.sum }

// Intrinsics returns the parameters as a vector.
func (c *Camera) Intrinsics() [NumIntrinsics]float64 {
	return [NumIntrinsics]float64{c.FX, c.FY, c.CX, c.CY, c.K1, c.K2, c.P1, c.P2, c.K3,
		c.K4, c.K5, c.K6, c.S1, c.S2, c.S3, c.S4}
}

// SetIntrinsics is the inverse of [Camera.Intrinsics].
func (c *Camera) SetIntrinsics(k [NumIntrinsics]float64) {
	c.FX, c.FY, c.CX, c.CY, c.K1, c.K2, c.P1, c.P2, c.K3 = k[0], k[1], k[2], k[3], k[4], k[5], k[6], k[7], k[8]
	c.K4, c.K5, c.K6, c.S1, c.S2, c.S3, c.S4 = k[9], k[10], k[11], k[12], k[13], k[14], k[15]
}

// rational tells whether there is a denominator.
func (c *Camera) rational() bool { return c.K4 != 0 || c.K5 != 0 || c.K6 != 0 }

// prism tells whether there is a thin prism.
func (c *Camera) prism() bool { return c.S1 != 0 || c.S2 != 0 || c.S3 != 0 || c.S4 != 0 }

// distorted is a point under the distortion.
type distorted struct {
	x, y           float64 // normalised, before
	s              float64 // x² + y²
	xd, yd         float64 // after
	q, iden        float64 // of the radial part: its factor, 1/denominator
	xx, xy, yx, yy float64 // Jacobian of (xd, yd): xy is dxd/dy
}

// by fills d by distorting x, y.
func (d *distorted) by(c *Camera, x, y float64) {
	s := x*x + y*y
	q := 1 + s*(c.K1+s*(c.K2+s*c.K3))
	dq := c.K1 + s*(2*c.K2+s*3*c.K3) // with respect to s
	d.iden = 1
	if c.rational() {
		iden := 1 / (1 + s*(c.K4+s*(c.K5+s*c.K6)))
		q *= iden
		dq = (dq - q*(c.K4+s*(2*c.K5+s*3*c.K6))) * iden
		d.iden = iden
	}
	d.x, d.y, d.s, d.q = x, y, s, q
	d.xd = x*q + 2*c.P1*x*y + c.P2*(s+2*x*x)
	d.yd = y*q + c.P1*(s+2*y*y) + 2*c.P2*x*y
	d.xx = q + 2*x*x*dq + 2*c.P1*y + 6*c.P2*x
	d.xy = 2*x*y*dq + 2*c.P1*x + 2*c.P2*y
	d.yx = d.xy
	d.yy = q + 2*y*y*dq + 6*c.P1*y + 2*c.P2*x
	if c.prism() {
		d.xd += s * (c.S1 + s*c.S2)
		d.yd += s * (c.S3 + s*c.S4)
		u, v := 2*(c.S1+2*s*c.S2), 2*(c.S3+2*s*c.S4)
		d.xx += u * x
		d.xy += u * y
		d.yx += v * x
		d.yy += v * y
	}
}

// injective tells whether the distortion has not folded over at the point, nor
// on the way to it from the axis: beyond a fold the polynomial can rise again
// and put what is far outside the field of view into the middle of the picture.
func (c *Camera) injective(d *distorted) bool {
	// Where the Jacobian's symmetric part is positive definite all over a convex
	// region, no two of its points meet.
	if o := d.xy + d.yx; !(d.xx > 0 && 4*d.xx*d.yy > o*o) {
		return false
	}
	s := d.s
	if c.rational() {
		return c.rises(s)
	}
	// The derivative of the distorted radius, 1 + a·s + b·s² + d·s³, must not
	// dip below 0 between the axis and s.
	a, b, e := 3*c.K1, 5*c.K2, 7*c.K3
	if s*(math.Abs(a)+s*(math.Abs(b)+s*math.Abs(e))) < 1 {
		return true
	}
	slope := func(s float64) float64 { return 1 + s*(a+s*(b+s*e)) }
	if slope(s) <= 0 {
		return false
	}
	// Its extremes: a + 2b·s + 3e·s² = 0, roots without cancellation.
	disc := b*b - 3*a*e
	if disc < 0 {
		return true
	}
	q := -(b + math.Copysign(math.Sqrt(disc), b))
	for _, x := range [2]float64{q / (3 * e), a / q} {
		if x > 0 && x < s && slope(x) <= 0 { // NaN and Inf are neither
			return false
		}
	}
	return true
}

// rises tells whether the radius distorted by the rational model rises from the
// axis to s. With q = N/D that is the sign of
//
//	G = N·D + 2s·(N'·D − N·D')
//
// as long as D stays above 0. N and D have three terms each beside the 1, so
// the term of N of degree i with that of D of degree j counts 1 + 2(i − j)
// times.
func (c *Camera) rises(s float64) bool {
	n, d := [4]float64{1, c.K1, c.K2, c.K3}, [4]float64{1, c.K4, c.K5, c.K6}
	var g [7]float64
	for i := range n {
		for j := range d {
			g[i+j] += float64(1+2*(i-j)) * n[i] * d[j]
		}
	}
	return positive(d[:], s) && positive(g[:], s)
}

// positive tells whether a polynomial, its coefficients from the constant up (at
// most seven), is above 0 on [0, end].
func positive(p []float64, end float64) bool {
	// Its Bernstein coefficients on the interval enclose it.
	var b [7]float64
	n := len(p) - 1
	power, choose := 1.0, 1.0 // endᵏ over C(n, k)
	for k := range p {
		b[k] = p[k] * power / choose
		power *= end
		choose *= float64(n-k) / float64(k+1)
	}
	for k := 1; k <= n; k++ { // sums of C(i, k)·…: Pascal's triangle, in place
		for i := n; i >= k; i-- {
			b[i] += b[i-1]
		}
	}
	return bernsteinPositive(b[:n+1], 24)
}

// bernsteinPositive halves the interval until the coefficients tell, or it is so
// short that the polynomial touches 0 for all that matters.
func bernsteinPositive(b []float64, depth int) bool {
	n := len(b) - 1
	if !(b[0] > 0 && b[n] > 0) {
		return false
	}
	all := true
	for _, v := range b {
		all = all && v > 0
	}
	if all {
		return true
	}
	if depth == 0 {
		return false
	}
	// De Casteljau: left in l, right left over in r.
	var l, r [7]float64
	copy(r[:], b)
	for k := 0; k <= n; k++ {
		l[k] = r[0]
		for i := 0; i < n-k; i++ {
			r[i] = (r[i] + r[i+1]) / 2
		}
	}
	return bernsteinPositive(l[:n+1], depth-1) && bernsteinPositive(r[:n+1], depth-1)
}

// Project returns the pixel of a point in camera coordinates. ok is false when
// the point is not in front of the camera, or lies so far out that the
// distortion has folded over.
func (c *Camera) Project(p [3]float64) (px [2]float64, ok bool) {
	if !(p[2] > 1e-9) {
		return px, false
	}
	var d distorted
	d.by(c, p[0]/p[2], p[1]/p[2])
	return [2]float64{c.FX*d.xd + c.CX, c.FY*d.yd + c.CY}, c.injective(&d)
}

// ProjectJacobian is [Camera.Project] with the derivatives of the pixel with
// respect to the point, dPoint (2×3, px/m), and to the intrinsics,
// dIntrinsics (2×16, in the order of [IntrinsicNames]).
func (c *Camera) ProjectJacobian(p [3]float64) (px [2]float64, dPoint [2][3]float64, dIntrinsics [2][NumIntrinsics]float64, ok bool) {
	ok = c.ProjectTo(&p, &px, &dPoint, &dIntrinsics, NumIntrinsics)
	return
}

// ProjectTo is [Camera.ProjectJacobian] for inner loops: it writes to where it
// is told. dIntrinsics may be nil; of its columns only the first columns are
// written, all or those of a plain lens ([PlainIntrinsics]): who holds the others
// need not pay for them. Where ok is false nothing written is of use.
func (c *Camera) ProjectTo(p *[3]float64, px *[2]float64, dPoint *[2][3]float64, dIntrinsics *[2][NumIntrinsics]float64, columns int) (ok bool) {
	if !(p[2] > 1e-9) {
		return false
	}
	iz := 1 / p[2]
	x, y := p[0]*iz, p[1]*iz
	var d distorted
	d.by(c, x, y)
	px[0], px[1] = c.FX*d.xd+c.CX, c.FY*d.yd+c.CY
	fx, fy := c.FX*iz, c.FY*iz
	dPoint[0] = [3]float64{fx * d.xx, fx * d.xy, -fx * (d.xx*x + d.xy*y)}
	dPoint[1] = [3]float64{fy * d.yx, fy * d.yy, -fy * (d.yx*x + d.yy*y)}
	if dIntrinsics != nil {
		s, u, v := d.s, &dIntrinsics[0], &dIntrinsics[1]
		xs, ys := c.FX*x*s*d.iden, c.FY*y*s*d.iden
		u[0], u[1], u[2], u[3] = d.xd, 0, 1, 0
		v[0], v[1], v[2], v[3] = 0, d.yd, 0, 1
		u[4], u[5], u[8] = xs, xs*s, xs*s*s
		v[4], v[5], v[8] = ys, ys*s, ys*s*s
		u[6], u[7] = c.FX*2*x*y, c.FX*(s+2*x*x)
		v[6], v[7] = c.FY*(s+2*y*y), c.FY*2*x*y
		if columns > PlainIntrinsics {
			xs, ys = -xs*d.q, -ys*d.q
			u[9], u[10], u[11] = xs, xs*s, xs*s*s
			v[9], v[10], v[11] = ys, ys*s, ys*s*s
			u[12], u[13], u[14], u[15] = c.FX*s, c.FX*s*s, 0, 0
			v[12], v[13], v[14], v[15] = 0, 0, c.FY*s, c.FY*s*s
		}
	}
	return c.injective(&d)
}

// Ray returns the normalised coordinates (x, y) with z = 1 of the ray through
// a pixel: the inverse of [Camera.Project], by Newton's method to rounding
// error. ok is false where the distortion has no inverse.
func (c *Camera) Ray(px [2]float64) (xy [2]float64, ok bool) {
	d := [2]float64{(px[0] - c.CX) / c.FX, (px[1] - c.CY) / c.FY}
	if xy, ok = c.undistort(d, d); ok {
		return xy, true
	}
	// The lens distorts so strongly that the distorted point is no start.
	// Walk out from the axis to the distorted radius, or to the fold.
	radial := Camera{K1: c.K1, K2: c.K2, K3: c.K3, K4: c.K4, K5: c.K5, K6: c.K6}
	rd := math.Hypot(d[0], d[1])
	r, step := 0.0, 0.05
	var out distorted
	for i := 0; i < 1000 && step > 1e-6; i++ {
		out.by(&radial, r+step, 0)
		if radial.injective(&out) && out.xd < rd {
			r += step
		} else {
			step /= 2
		}
	}
	return c.undistort(d, [2]float64{d[0] * r / rd, d[1] * r / rd})
}

// undistort solves distort(x, y) = d by Newton's method from a start.
func (c *Camera) undistort(d, start [2]float64) (xy [2]float64, ok bool) {
	x, y := start[0], start[1]
	var g distorted
	for i := 0; i < 30; i++ {
		g.by(c, x, y)
		det := g.xx*g.yy - g.xy*g.yx
		if !(det > 1e-6) {
			return [2]float64{x, y}, false
		}
		ex, ey := d[0]-g.xd, d[1]-g.yd
		dx, dy := (g.yy*ex-g.xy*ey)/det, (g.xx*ey-g.yx*ex)/det
		// Far out the first steps can overshoot the fold.
		if n := math.Hypot(dx, dy); n > 0.5 {
			dx, dy = dx*0.5/n, dy*0.5/n
		}
		x, y = x+dx, y+dy
		// A step of 1e-12 leaves an error of its square.
		if dx*dx+dy*dy < 1e-24 {
			g.by(c, x, y)
			return [2]float64{x, y}, c.injective(&g)
		}
	}
	return [2]float64{x, y}, false
}
