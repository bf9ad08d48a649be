package plan

import (
	"math"

	"wheelplane/pose"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// Detector is what is known of finding boards in photographs before there are
// any. The zero value is that of a phone's pictures.
type Detector struct {
	// BlurPx is the standard deviation of the pictures' point spread with the
	// pixel's own area, px. 0: 0.8, a phone's at 12 megapixels.
	BlurPx float64
	// LeastSquarePx is the smallest side of a square that is found well, px. 0: 9.
	LeastSquarePx float64
	// MostOblique is the largest angle between line of sight and normal, rad.
	// 0: 70 degrees.
	MostOblique float64
}

func (d Detector) withDefaults() Detector {
	if d.BlurPx == 0 {
		d.BlurPx = 0.8
	}
	if d.LeastSquarePx == 0 {
		d.LeastSquarePx = 9
	}
	if d.MostOblique == 0 {
		d.MostOblique = 70 * math.Pi / 180
	}
	return d
}

// SigmaPx is the standard deviation of independent corners that fix a board's
// picture as well as the detector's fit of the whole board does, for squares of
// so many pixels (root of their area) seen at an angle of that cosine.
//
// Measured, not derived: the geometric mean over the eight degrees of freedom of
// a board's picture, in the demo's photographs of 12 and 2 megapixels, squares of
// 8 to 60 px, 30 to 82 degrees (go test ./pose/plan -run DetectorMeasured -photos
// DIR). Edges are as sharp as the blur, and the number of pixels along them goes
// with the size.
func (d Detector) SigmaPx(squarePx, cosine float64) float64 {
	d = d.withDefaults()
	return 0.10 * math.Pow(d.BlurPx, 1.5) / squarePx * (1 + 0.05/(cosine*cosine))
}

// scene is what stands around a camera at one station.
type scene struct {
	job      *rig.Job
	camera   *vision.Camera
	detector Detector
	boards   []int
	at       []pose.SE3  // floorFromBoard
	lies     []bool      // on the floor
	body     [2]pose.Vec // corners of the vehicle's bulk, in the body
	from     pose.SE3    // bodyFromFloor
}

// sceneAt gathers the boards of a station.
func sceneAt(job *rig.Job, cast *rig.Cast, s *rig.State, camera *vision.Camera, d Detector, station int) *scene {
	sc := &scene{job: job, camera: camera, detector: d.withDefaults(), from: s.FloorFromBody[station].Inverse()}
	for b := range job.Boards {
		if t, lies, ok := cast.Placed(s, b, station); ok {
			sc.boards, sc.at, sc.lies = append(sc.boards, b), append(sc.at, t), append(sc.lies, lies)
		}
	}
	// Cab, load and frame, and the wheels below them: nothing is seen through.
	x0, x1, y := math.Inf(1), math.Inf(-1), 0.0
	for i, a := range job.Vehicle.Axles {
		x := axleX(job, i)
		x0, x1, y = math.Min(x0, x-0.9*radius(a)), math.Max(x1, x+0.9*radius(a)), math.Max(y, a.Track/2)
	}
	sc.body = [2]pose.Vec{{x0, -y, 0.25}, {x1, y, 3}}
	return sc
}

func radius(a rig.Axle) float64 {
	if a.TyreDiameter > 0 {
		return a.TyreDiameter / 2
	}
	return 0.5
}

// axleX is an axle's place along the body, whose origin is below the reference
// axle.
func axleX(j *rig.Job, axle int) float64 {
	return j.Vehicle.Axles[j.Vehicle.Reference-1].Position - j.Vehicle.Axles[axle].Position
}

// seen returns the corners that a camera would give of board i of the scene,
// which must be in the picture as a whole and some way from its edge.
func (sc *scene) seen(cameraFromFloor pose.SE3, eye pose.Vec, i int) []vision.Corner {
	t := cameraFromFloor.Mul(sc.at[i])
	if t.T[2] < 0.4 {
		return nil
	}
	cosine := -pose.Dot(t.R.Column(2), pose.Unit(t.T))
	if cosine < math.Cos(sc.detector.MostOblique) {
		return nil
	}
	b := &sc.job.Boards[sc.boards[i]]
	w, h := b.Size()
	margin := 0.03 * float64(sc.camera.Width)
	var outline [4][2]float64
	for k, c := range [4][2]float64{{-w / 2, h / 2}, {w / 2, h / 2}, {w / 2, -h / 2}, {-w / 2, -h / 2}} {
		px, ok := sc.camera.Project(t.Apply(pose.Vec{c[0], c[1], 0}))
		if !ok || px[0] < margin || px[1] < margin || px[0] > float64(sc.camera.Width)-margin || px[1] > float64(sc.camera.Height)-margin {
			return nil
		}
		outline[k] = px
	}
	side := func(a, b int, squares int) float64 {
		return math.Hypot(outline[a][0]-outline[b][0], outline[a][1]-outline[b][1]) / float64(squares)
	}
	area := 0.0
	for k := range 4 {
		n := outline[(k+1)%4]
		area += (outline[k][0]*n[1] - n[0]*outline[k][1]) / 2
	}
	square := math.Sqrt(math.Abs(area) / float64(b.Cols*b.Rows))
	if least := min(side(0, 1, b.Cols), side(1, 2, b.Rows), side(2, 3, b.Cols), side(3, 0, b.Rows)); least < sc.detector.LeastSquarePx/2 || square < sc.detector.LeastSquarePx {
		return nil
	}
	if sc.hidden(eye, i) {
		return nil
	}
	sigma := sc.detector.SigmaPx(square, cosine)
	var out []vision.Corner
	for c := range b.NumCorners() {
		px, ok := sc.camera.Project(t.Apply(pose.Vec(b.Corner(c))))
		if !ok {
			return nil
		}
		out = append(out, vision.Corner{Index: c, Px: px, Cov: [3]float64{sigma * sigma, 0, sigma * sigma}})
	}
	return out
}

// hidden tells whether the vehicle or another board stands between the eye and
// the middle or a corner of board i.
func (sc *scene) hidden(eye pose.Vec, i int) bool {
	b := &sc.job.Boards[sc.boards[i]]
	w, h := b.Size()
	for _, c := range [5][2]float64{{}, {-1, 1}, {1, 1}, {1, -1}, {-1, -1}} {
		p := sc.at[i].Apply(pose.Vec{c[0] * w / 2, c[1] * h / 2, 0})
		if crossesBox(sc.from.Apply(eye), sc.from.Apply(p), sc.body) {
			return true
		}
		for k := range sc.at {
			if k == i || sc.lies[k] {
				continue
			}
			in := sc.at[k].Inverse()
			a, z := in.Apply(eye), in.Apply(p)
			if a[2]*z[2] >= 0 {
				continue
			}
			f := a[2] / (a[2] - z[2])
			o := &sc.job.Boards[sc.boards[k]]
			ow, oh := o.Size()
			if math.Abs(a[0]+f*(z[0]-a[0])) < 0.6*ow && math.Abs(a[1]+f*(z[1]-a[1])) < 0.6*oh {
				return true
			}
		}
	}
	return false
}

// crossesBox tells whether the way from a to b goes through a box.
func crossesBox(a, b pose.Vec, box [2]pose.Vec) bool {
	from, to := 0.0, 1.0
	for i := range 3 {
		d := b[i] - a[i]
		if math.Abs(d) < 1e-12 {
			if a[i] < box[0][i] || a[i] > box[1][i] {
				return false
			}
			continue
		}
		s, e := (box[0][i]-a[i])/d, (box[1][i]-a[i])/d
		from, to = math.Max(from, math.Min(s, e)), math.Min(to, math.Max(s, e))
	}
	return from < to
}
