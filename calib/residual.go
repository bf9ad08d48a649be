package calib

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"wheelplane/pose"
	"wheelplane/pose/bundle"
	"wheelplane/vision"
)

// numShape is the number of parameters of a board's own errors; see [Shape].
const numShape = 5

// Shape is how a printed board departs from its drawing, in board coordinates
// (x, y nominal, metres):
//
//	x' = x·(1 + Stretch/2) + y·Skew/2
//	y' = y·(1 − Stretch/2) + x·Skew/2
//	z' = L·(BowX·(x/L)² + BowXY·(x/L)·(y/L) + BowY·(y/L)²)
//
// with L the distance of the outermost corner from the board's centre. A
// change of both scales together is not in it: it cannot be told from
// distance, and does not touch the intrinsics.
type Shape struct {
	Stretch, Skew     float64 // relative; Skew: radians off the right angle
	BowX, BowXY, BowY float64 // relative to L
}

// BowM returns how far, at most, the shape takes a corner of the board out of
// its plane, metres.
func (s *Shape) BowM(b *vision.Board) float64 {
	l := Reach(b)
	var most float64
	for i := range b.NumCorners() {
		q, _ := shapeAt(s.vector(), b.Corner(i), l)
		most = math.Max(most, math.Abs(q[2]))
	}
	return most
}

// Reach is the distance of the outermost corner from the board's centre,
// metres.
func Reach(b *vision.Board) float64 { return pose.Norm(b.Corner(0)) }

func (s *Shape) vector() []float64 {
	return []float64{s.Stretch, s.Skew, s.BowX, s.BowXY, s.BowY}
}

func shapeOf(v []float64) Shape { return Shape{v[0], v[1], v[2], v[3], v[4]} }

// shapeAt returns a nominal board point as the shape has it, and the derivative of
// its coordinates with respect to the five parameters.
func shapeAt(s []float64, p pose.Vec, l float64) (q pose.Vec, d [3][numShape]float64) {
	u, v := p[0]/l, p[1]/l
	q = pose.Vec{
		p[0] + p[0]*s[0]/2 + p[1]*s[1]/2,
		p[1] - p[1]*s[0]/2 + p[0]*s[1]/2,
		p[2] + l*(s[2]*u*u+s[3]*u*v+s[4]*v*v),
	}
	d[0][0], d[0][1] = p[0]/2, p[1]/2
	d[1][0], d[1][1] = -p[1]/2, p[0]/2
	d[2][2], d[2][3], d[2][4] = l*u*u, l*u*v, l*v*v
	return q, d
}

// observation is one corner in one view.
type observation struct {
	board pose.Vec // nominal
	px    [2]float64
	cov   [3]float64 // of detection: xx, xy, yy
}

// whitening returns the lower triangular W with W'·W the inverse of the
// covariance of a corner detected with cov: three numbers w00, w10, w11.
func whitening(cov [3]float64, n noise) [3]float64 {
	// Cholesky of the covariance, then its inverse.
	l00 := math.Sqrt(n.stated*cov[0] + n.extra)
	l10 := n.stated * cov[1] / l00
	l11 := math.Sqrt(n.stated*cov[2] + n.extra - l10*l10)
	return [3]float64{1 / l00, -l10 / (l00 * l11), 1 / l11}
}

// numPhoto is the number of unknowns of a photograph: six of its pose, then its
// [Offset].
const numPhoto = 6 + numOffset

// photoManifold is a transform and an offset: the value has those numbers one
// after the other, and so has the step.
type photoManifold struct{}

func (photoManifold) Dim() int { return numPhoto }

func (photoManifold) Plus(x, delta, out []float64) {
	bundle.PoseManifold.Plus(x[:bundle.PoseSize], delta[:6], out[:bundle.PoseSize])
	for i := bundle.PoseSize; i < len(out); i++ {
		out[i] = x[i] + delta[6+i-bundle.PoseSize]
	}
}

func photoValue(cameraFromBoard pose.SE3, o Offset) []float64 {
	v := o.vector()
	return append(bundle.PoseValue(cameraFromBoard), v[:]...)
}

func getPhoto(x []float64) (cameraFromBoard pose.SE3, o Offset) {
	return bundle.GetPose(x), offsetOf(x[bundle.PoseSize:])
}

// viewResidual is the whitened residual of all corners of one view: predicted
// minus observed pixel. Blocks: intrinsics (vision's order), photo, shape.
//
// It is whitened corner by corner, two rows a corner, or, with rows, by these
// all together.
type viewResidual struct {
	halfM float64 // the shape's L
	obs   []observation
	w     [][3]float64 // whitening of each corner
	rows  *mat.Dense   // × two a corner; nil: by w
	plain bool         // the intrinsics beyond those of a plain lens are held
}

func (v *viewResidual) dim() int {
	if v.rows != nil {
		r, _ := v.rows.Dims()
		return r
	}
	return 2 * len(v.obs)
}

var _, _, _, _ bundle.Residual = (*viewResidual)(nil), (*shapePrior)(nil), (*lensPrior)(nil), (*offsetPrior)(nil)

// Eval implements [bundle.Residual].
func (v *viewResidual) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	sizes := [3]int{vision.NumIntrinsics, numPhoto, numShape}
	to, at := jac, r
	if v.rows != nil {
		at = make([]float64, 2*len(v.obs))
		to = make([][]float64, 3)
		for i := range to {
			if jac != nil && jac[i] != nil {
				to[i] = make([]float64, 2*len(v.obs)*sizes[i])
			}
		}
	}
	if !v.byCorner(x, at, to) {
		return false
	}
	if v.rows == nil {
		return true
	}
	mat.NewVecDense(len(r), r).MulVec(v.rows, mat.NewVecDense(len(at), at))
	for i, n := range sizes {
		if to[i] != nil {
			mat.NewDense(len(r), n, jac[i]).Mul(v.rows, mat.NewDense(len(at), n, to[i]))
		}
	}
	return true
}

// byCorner is Eval with two rows a corner; they are not whitened if they are to
// be whitened together.
func (v *viewResidual) byCorner(x [][]float64, r []float64, jac [][]float64) bool {
	cameraFromBoard, offset := getPhoto(x[1])
	var cam vision.Camera
	cam.SetIntrinsics([vision.NumIntrinsics]float64(x[0]))
	steady := cam
	offset.move(&cam)
	shape := offset.bend(x[2])
	columns := vision.NumIntrinsics
	if v.plain {
		columns = vision.PlainIntrinsics
	}
	want := func(i int) bool { return jac != nil && jac[i] != nil }
	var px [2]float64
	var dPoint [2][3]float64
	var dK [2][vision.NumIntrinsics]float64
	for i := range v.obs {
		o, w := &v.obs[i], [3]float64{1, 0, 1}
		if v.rows == nil {
			w = v.w[i]
		}
		p, dShape := shapeAt(shape, o.board, v.halfM)
		turned := cameraFromBoard.R.Apply(p)
		seen := [3]float64(pose.Add(turned, cameraFromBoard.T))
		if !cam.ProjectTo(&seen, &px, &dPoint, &dK, columns) {
			return false
		}
		ex, ey := px[0]-o.px[0], px[1]-o.px[1]
		r[2*i], r[2*i+1] = w[0]*ex, w[1]*ex+w[2]*ey
		put := func(block, n, col int, dx, dy float64) {
			j := jac[block]
			j[2*i*n+col] = w[0] * dx
			j[(2*i+1)*n+col] = w[1]*dx + w[2]*dy
		}
		if want(1) {
			// d(exp(ω)·R·p)/dω = −[R·p]×
			s := pose.Skew(turned)
			for c := 0; c < 3; c++ {
				var d [2]float64
				for k := 0; k < 2; k++ {
					d[k] = -(dPoint[k][0]*s[0][c] + dPoint[k][1]*s[1][c] + dPoint[k][2]*s[2][c])
				}
				put(1, numPhoto, c, d[0], d[1])
				put(1, numPhoto, 3+c, dPoint[0][c], dPoint[1][c])
			}
			put(1, numPhoto, 6, steady.FX*dK[0][0], steady.FY*dK[1][1])
			put(1, numPhoto, 7, 1, 0)
			put(1, numPhoto, 8, 0, 1)
		}
		for c := 0; (want(1) || want(2)) && c < numShape; c++ {
			q := cameraFromBoard.R.Apply(pose.Vec{dShape[0][c], dShape[1][c], dShape[2][c]})
			dx, dy := pose.Dot(dPoint[0], q), pose.Dot(dPoint[1], q)
			if want(2) {
				put(2, numShape, c, dx, dy)
			}
			if want(1) && c >= 2 {
				put(1, numPhoto, 9+c-2, dx, dy)
			}
		}
		if want(0) {
			dK[0][0] *= 1 + offset.Focal
			dK[1][1] *= 1 + offset.Focal
			for c := range columns {
				put(0, vision.NumIntrinsics, c, dK[0][c], dK[1][c])
			}
		}
	}
	return true
}

// shapePrior holds the shape to zero with the given standard uncertainties.
type shapePrior struct{ sigma [numShape]float64 }

// Eval implements [bundle.Residual].
func (p *shapePrior) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	for i := range p.sigma {
		r[i] = x[0][i] / p.sigma[i]
		if jac != nil && jac[0] != nil {
			for c := 0; c < numShape; c++ {
				jac[0][i*numShape+c] = 0
			}
			jac[0][i*numShape+i] = 1 / p.sigma[i]
		}
	}
	return true
}

// What is known of any camera before the first photograph, as standard
// uncertainties. They matter only where photographs say little: a careful
// calibration is a hundred times sharper. Without them four photographs of one
// tilt, which leave the focal length and the principal point to trade against
// each other, can answer anything. Common practice, no source, but for the
// square pixel.
const (
	priorCentre     = 0.05  // principal point off the frame's middle, over the longer side
	priorAspect     = 0.002 // fx/fy: pixels are square
	priorTangential = 0.005 // p1, p2, s1, s3, and s2, s4 at the frame's corner
	priorRadial     = 1.0   // what k1 ... k6 each shift the frame's corner by, over its distance from the middle
)

// lensPrior holds the intrinsics to these: one row each, none on the focal
// length but through the aspect.
type lensPrior struct {
	mid     [2]float64 // of the frame, pixels
	size    float64    // longer side, pixels
	cornerR float64    // radius of the frame's corner, normalised, roughly
	aspect  bool       // pixels are square
}

// rows returns value minus expectation over standard uncertainty, and the
// Jacobian.
func (l *lensPrior) rows(k []float64) (r [vision.NumIntrinsics]float64, jac [vision.NumIntrinsics][vision.NumIntrinsics]float64) {
	set := func(i int, sigma, expected float64) {
		r[i] = (k[i] - expected) / sigma
		jac[i][i] = 1 / sigma
	}
	if l.aspect {
		r[0] = math.Log(k[0]/k[1]) / priorAspect
		jac[0][0], jac[0][1] = 1/(k[0]*priorAspect), -1/(k[1]*priorAspect)
	}
	set(2, priorCentre*l.size, l.mid[0])
	set(3, priorCentre*l.size, l.mid[1])
	r2 := l.cornerR * l.cornerR
	set(4, priorRadial/r2, 0)
	set(5, priorRadial/(r2*r2), 0)
	set(6, priorTangential, 0)
	set(7, priorTangential, 0)
	set(8, priorRadial/(r2*r2*r2), 0)
	set(9, priorRadial/r2, 0)
	set(10, priorRadial/(r2*r2), 0)
	set(11, priorRadial/(r2*r2*r2), 0)
	for i := 12; i < 16; i += 2 {
		set(i, priorTangential, 0)
		set(i+1, priorTangential/r2, 0)
	}
	return r, jac
}

// Eval implements [bundle.Residual].
func (l *lensPrior) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	if !(x[0][0] > 0) || !(x[0][1] > 0) {
		return false
	}
	v, j := l.rows(x[0])
	copy(r, v[:])
	if jac != nil && jac[0] != nil {
		for i := range j {
			copy(jac[0][i*vision.NumIntrinsics:], j[i][:])
		}
	}
	return true
}
