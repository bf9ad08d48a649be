package vision

import (
	"math"
	"time"
)

// NumIntrinsics is the number of parameters of a [Camera], in the order of
// [Camera.Intrinsics].
const NumIntrinsics = 9

// IntrinsicNames names the parameters in their order.
var IntrinsicNames = [NumIntrinsics]string{"fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"}

// Camera is a pinhole camera with OpenCV's five distortion coefficients.
//
// Pixels follow OpenCV: the centre of the first pixel is (0, 0), x right, y
// down. Camera coordinates: x right, y down, z forward, metres.
//
// Source of the model: OpenCV, "Camera Calibration and 3D Reconstruction"
// (Brown 1966 as written there).
type Camera struct {
	Name          string
	Width, Height int // of the picture, pixels
	FX, FY        float64
	CX, CY        float64
	K1, K2        float64
	P1, P2        float64
	K3            float64

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
}

// Intrinsics returns the parameters as a vector.
func (c *Camera) Intrinsics() [NumIntrinsics]float64 {
	return [NumIntrinsics]float64{c.FX, c.FY, c.CX, c.CY, c.K1, c.K2, c.P1, c.P2, c.K3}
}

// SetIntrinsics is the inverse of [Camera.Intrinsics].
func (c *Camera) SetIntrinsics(k [NumIntrinsics]float64) {
	c.FX, c.FY, c.CX, c.CY, c.K1, c.K2, c.P1, c.P2, c.K3 = k[0], k[1], k[2], k[3], k[4], k[5], k[6], k[7], k[8]
}

// distort maps normalised coordinates to distorted ones and gives the Jacobian
// [[xx xy] [yx yy]] of that map.
func (c *Camera) distort(x, y float64) (xd, yd, xx, xy, yy float64) {
	r2 := x*x + y*y
	radial := 1 + r2*(c.K1+r2*(c.K2+r2*c.K3))
	dRadial := c.K1 + r2*(2*c.K2+r2*3*c.K3) // with respect to r²
	xd = x*radial + 2*c.P1*x*y + c.P2*(r2+2*x*x)
	yd = y*radial + c.P1*(r2+2*y*y) + 2*c.P2*x*y
	xx = radial + 2*x*x*dRadial + 2*c.P1*y + 6*c.P2*x
	xy = 2*x*y*dRadial + 2*c.P1*x + 2*c.P2*y // equal to yx
	yy = radial + 2*y*y*dRadial + 6*c.P1*y + 2*c.P2*x
	return
}

// injective tells whether the distortion has not folded over at the point
// (x, y) with Jacobian xx, xy, yy, nor on the way to it from the axis: beyond
// a fold the polynomial can rise again and put what is far outside the field
// of view into the middle of the picture.
func (c *Camera) injective(x, y, xx, xy, yy float64) bool {
	if !(xx > 0 && xx*yy > xy*xy) {
		return false
	}
	s := x*x + y*y
	// The derivative of the distorted radius, 1 + a·s + b·s² + d·s³, must not
	// dip below 0 between the axis and s.
	a, b, d := 3*c.K1, 5*c.K2, 7*c.K3
	if s*(math.Abs(a)+s*(math.Abs(b)+s*math.Abs(d))) < 1 {
		return true
	}
	slope := func(s float64) float64 { return 1 + s*(a+s*(b+s*d)) }
	if slope(s) <= 0 {
		return false
	}
	// Its extremes: a + 2b·s + 3d·s² = 0, roots without cancellation.
	disc := b*b - 3*a*d
	if disc < 0 {
		return true
	}
	q := -(b + math.Copysign(math.Sqrt(disc), b))
	for _, e := range [2]float64{q / (3 * d), a / q} {
		if e > 0 && e < s && slope(e) <= 0 { // NaN and Inf are neither
			return false
		}
	}
	return true
}

// Project returns the pixel of a point in camera coordinates. ok is false when
// the point is not in front of the camera, or lies so far out that the
// distortion polynomial has folded over.
func (c *Camera) Project(p [3]float64) (px [2]float64, ok bool) {
	if !(p[2] > 1e-9) {
		return px, false
	}
	xd, yd, xx, xy, yy := c.distort(p[0]/p[2], p[1]/p[2])
	px = [2]float64{c.FX*xd + c.CX, c.FY*yd + c.CY}
	return px, c.injective(p[0]/p[2], p[1]/p[2], xx, xy, yy)
}

// ProjectJacobian is [Camera.Project] with the derivatives of the pixel with
// respect to the point, dPoint (2×3, px/m), and to the intrinsics,
// dIntrinsics (2×9, in the order of [IntrinsicNames]).
func (c *Camera) ProjectJacobian(p [3]float64) (px [2]float64, dPoint [2][3]float64, dIntrinsics [2][NumIntrinsics]float64, ok bool) {
	if !(p[2] > 1e-9) {
		return
	}
	iz := 1 / p[2]
	x, y := p[0]*iz, p[1]*iz
	xd, yd, xx, xy, yy := c.distort(x, y)
	px = [2]float64{c.FX*xd + c.CX, c.FY*yd + c.CY}
	dPoint = [2][3]float64{
		{c.FX * xx * iz, c.FX * xy * iz, -c.FX * (xx*x + xy*y) * iz},
		{c.FY * xy * iz, c.FY * yy * iz, -c.FY * (xy*x + yy*y) * iz},
	}
	r2 := x*x + y*y
	dIntrinsics = [2][NumIntrinsics]float64{
		{xd, 0, 1, 0, c.FX * x * r2, c.FX * x * r2 * r2, c.FX * 2 * x * y, c.FX * (r2 + 2*x*x), c.FX * x * r2 * r2 * r2},
		{0, yd, 0, 1, c.FY * y * r2, c.FY * y * r2 * r2, c.FY * (r2 + 2*y*y), c.FY * 2 * x * y, c.FY * y * r2 * r2 * r2},
	}
	return px, dPoint, dIntrinsics, c.injective(x, y, xx, xy, yy)
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
	rd := math.Hypot(d[0], d[1])
	r, step := 0.0, 0.05
	for i := 0; i < 1000 && step > 1e-6; i++ {
		s := (r + step) * (r + step)
		slope := 1 + s*(3*c.K1+s*(5*c.K2+s*7*c.K3))
		if slope > 0 && (r+step)*(1+s*(c.K1+s*(c.K2+s*c.K3))) < rd {
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
	for i := 0; i < 30; i++ {
		gx, gy, xx, xyd, yy := c.distort(x, y)
		det := xx*yy - xyd*xyd
		if !(det > 1e-6) {
			return [2]float64{x, y}, false
		}
		ex, ey := d[0]-gx, d[1]-gy
		dx, dy := (yy*ex-xyd*ey)/det, (xx*ey-xyd*ex)/det
		// Far out the first steps can overshoot the fold.
		if n := math.Hypot(dx, dy); n > 0.5 {
			dx, dy = dx*0.5/n, dy*0.5/n
		}
		x, y = x+dx, y+dy
		// A step of 1e-12 leaves an error of its square.
		if dx*dx+dy*dy < 1e-24 {
			_, _, xx, xyd, yy = c.distort(x, y)
			return [2]float64{x, y}, c.injective(x, y, xx, xyd, yy)
		}
	}
	return [2]float64{x, y}, false
}
