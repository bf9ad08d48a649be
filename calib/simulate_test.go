package calib

import (
	"fmt"
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/mat"

	"wheelplane/pose"
	"wheelplane/vision"
)

// simulation makes views with known truth. All fields but camera and board may
// be zero.
type simulation struct {
	camera vision.Camera
	board  vision.Board
	views  int

	noisePx  float64 // mean standard deviation of a corner
	unevenly bool    // each corner with a covariance of its own, known to the solver
	stated   float64 // stated over true standard deviation; 0: 1
	shape    Shape   // of the printed board
	jitterPx float64 // of the principal point, from photo to photo
	breathe  float64 // relative, of the focal length from photo to photo
	bend     float64 // of the board from photo to photo, as Shape counts it
	together bool    // corners of a photo share errors, as its Joint tells
	smooth   bool    // and the Joint tells of what is smooth only
	wrong    float64 // share of corners that are off by 2 to 10 px
	flat     bool    // no tilt at all
	sameTilt bool
}

func phone() vision.Camera {
	return vision.Camera{Width: 4000, Height: 3000, FX: 2920, FY: 2914, CX: 2012, CY: 1487,
		K1: 0.11, K2: -0.28, P1: 0.0007, P2: -0.0004, K3: 0.17}
}

func a3Board() vision.Board {
	return vision.Board{Name: "a", Dictionary: "36h11", Cols: 7, Rows: 5, SquareM: 0.055, MarkerM: 0.041}
}

// run returns the views of a seed and the true cameraFromBoard of each.
func (s *simulation) run(seed uint64) (views []View, poses []pose.SE3) {
	rng := rand.New(rand.NewPCG(seed, 17))
	half := pose.Norm(s.board.Corner(0))
	for len(views) < s.views {
		azimuth, tilt := 2*math.Pi*rng.Float64(), (10+40*rng.Float64())*math.Pi/180
		if s.flat {
			tilt = 0
		}
		if s.sameTilt {
			azimuth, tilt = 1, 0.5
		}
		roll := math.Pi/2*float64(rng.IntN(2)) + 0.2*rng.NormFloat64()
		// The board faces the camera: turned by half a turn about x, rolled, then
		// tilted about an axis in the picture's plane.
		r := pose.Exp(pose.Vec{tilt * math.Cos(azimuth), tilt * math.Sin(azimuth), 0}).
			Mul(pose.RotZ(roll)).Mul(pose.RotX(math.Pi))
		fill := 0.35 + 0.45*rng.Float64() // of the frame's height
		z := s.camera.FX * 2 * half / (fill * float64(s.camera.Height))
		cx := (rng.Float64() - 0.5) * float64(s.camera.Width) / s.camera.FX * z
		cy := (rng.Float64() - 0.5) * float64(s.camera.Height) / s.camera.FY * z
		cameraFromBoard := pose.SE3{R: r, T: pose.Vec{0.9 * cx, 0.9 * cy, z}}
		cam := s.camera
		cam.CX += s.jitterPx * rng.NormFloat64()
		cam.CY += s.jitterPx * rng.NormFloat64()
		f := 1 + s.breathe*rng.NormFloat64()
		cam.FX *= f
		cam.FY *= f
		v := View{Name: fmt.Sprintf("photo%02d.jpg", len(views)), Board: s.board}
		bent := s.shape.vector()
		if s.bend > 0 {
			for i := 2; i < numShape; i++ {
				bent[i] += s.bend * rng.NormFloat64()
			}
		}
		for i := range s.board.NumCorners() {
			q, _ := shapeAt(bent, s.board.Corner(i), half)
			px, ok := cam.Project(cameraFromBoard.Apply(q))
			if !ok || px[0] < 10 || px[1] < 10 || px[0] > float64(cam.Width)-11 || px[1] > float64(cam.Height)-11 {
				continue
			}
			a, b, turn := s.noisePx, s.noisePx, 0.0
			if s.unevenly {
				a *= math.Exp(0.5 * rng.NormFloat64())
				b *= math.Exp(0.5 * rng.NormFloat64())
				turn = math.Pi * rng.Float64()
			}
			na, nb := a*rng.NormFloat64(), b*rng.NormFloat64()
			c, sn := math.Cos(turn), math.Sin(turn)
			px[0] += c*na - sn*nb
			px[1] += sn*na + c*nb
			if rng.Float64() < s.wrong {
				e, d := 2*math.Pi*rng.Float64(), 2+8*rng.Float64()
				px[0] += d * math.Cos(e)
				px[1] += d * math.Sin(e)
			}
			k := s.stated
			if k == 0 {
				k = 1
			}
			a, b = k*k*a*a, k*k*b*b
			v.Corners = append(v.Corners, vision.Corner{Index: i, Px: px,
				Cov: [3]float64{c*c*a + sn*sn*b, c * sn * (a - b), sn*sn*a + c*c*b}})
		}
		if s.together && len(v.Corners) >= 12 {
			s.share(&v, half, rng)
		}
		if len(v.Corners) >= 8 {
			views, poses = append(views, v), append(poses, cameraFromBoard)
		}
	}
	return views, poses
}

// share adds errors that the corners of a view have in common: smooth ones, three
// times as large as those of each corner, with the Joint that says so. If it tells
// of what is smooth only, what is not is five times as large as it is otherwise.
func (s *simulation) share(v *View, half float64, rng *rand.Rand) {
	n := len(v.Corners)
	cov := mat.NewSymDense(2*n, nil)
	all := mat.NewDense(2*n, 20, nil)
	for i, c := range v.Corners {
		q := s.board.Corner(c.Index)
		x, y := q[0]/half, q[1]/half
		for k, f := range []float64{1, x, y, x * x, x * y, y * y, x * x * x, x * x * y, x * y * y, y * y * y} {
			all.Set(2*i, k, f)
			all.Set(2*i+1, 10+k, f)
		}
	}
	e := mat.NewVecDense(2*n, nil)
	for k := range 20 {
		f := all.ColView(k)
		if k%10 < 6 {
			cov.SymRankOne(cov, 9*s.noisePx*s.noisePx, f)
			e.AddScaledVec(e, 3*s.noisePx*rng.NormFloat64(), f)
		}
	}
	for i := range 2 * n {
		cov.SetSym(i, i, cov.At(i, i)+s.noisePx*s.noisePx)
	}
	v.Joint = &vision.Joint{LackOfFit: 1}
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		panic("a covariance that is none")
	}
	var u, w mat.TriDense
	chol.UTo(&u)
	if err := w.InverseTri(&u); err != nil {
		panic(err)
	}
	rows := mat.DenseCopyOf(w.T())
	if s.smooth {
		var qr mat.QR
		qr.Factorize(all)
		var q, own, inv mat.Dense
		qr.QTo(&q)
		basis := q.Slice(0, 2*n, 0, 20)
		rest := q.Slice(0, 2*n, 20, 2*n)
		for k := range 2*n - 20 {
			e.AddScaledVec(e, 5*s.noisePx*rng.NormFloat64(), rest.(*mat.Dense).ColView(k))
		}
		own.Product(basis.T(), cov, basis)
		sym := mat.NewSymDense(20, nil)
		for i := range 20 {
			for j := range i + 1 {
				sym.SetSym(i, j, own.At(i, j))
			}
		}
		if !chol.Factorize(sym) {
			panic("a covariance that is none")
		}
		var lower mat.TriDense
		chol.LTo(&lower)
		if err := inv.Solve(&lower, basis.T()); err != nil {
			panic(err)
		}
		rows = &inv
	}
	r, _ := rows.Dims()
	for i := range r {
		v.Joint.Rows = append(v.Joint.Rows, mat.Row(nil, i, rows))
	}
	for i := range v.Corners {
		c := &v.Corners[i]
		c.Px[0] += e.AtVec(2 * i)
		c.Px[1] += e.AtVec(2*i + 1)
		c.Cov = [3]float64{cov.At(2*i, 2*i), 0, cov.At(2*i+1, 2*i+1)}
		if s.smooth {
			c.Cov[0] += 25 * s.noisePx * s.noisePx
			c.Cov[2] += 25 * s.noisePx * s.noisePx
		}
	}
}
