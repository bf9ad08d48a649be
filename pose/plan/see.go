package plan

import (
	"math"
	"slices"
	"sync"

	"wheelplane/pose"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"gonum.org/v1/gonum/mat"
)

// Detector is what is known of finding boards in photographs before there are
// any. The zero value is that of a phone's pictures.
type Detector struct {
	// BlurPx is the standard deviation of the pictures' point spread with the
	// pixel's own area, px. 0: a phone's, 0.98 at 4000 px across and 0.76 at 2000.
	BlurPx float64
	// Noise is the standard deviation of a grey value over a board's contrast, see
	// [vision.Likeness]. 0: 0.017.
	Noise float64
	// LeastSquarePx is the smallest side of a square that is found well, px. 0: 8.
	LeastSquarePx float64
	// MostOblique is the largest angle between line of sight and normal, rad.
	// 0: 77 degrees.
	MostOblique float64
	// Margin is how far from a picture's edge a board is counted on, as a share of
	// the picture's width. 0: 0.03, as far as one aims by.
	Margin float64
}

// What the boards in a phone's photographs have in common: medians of rendered
// ones (fixtures.PhoneOptics). go test ./pose/plan -run PlanRendered -accuracy -v
// works them out again.
const (
	usualNoise = 0.017 // over the contrast
	usualLack  = 1.4   // lack of fit
	// A lens blurs by a share of the picture's width; what is left of the blur of
	// pictures that were made smaller is their pixels' own.
	lensBlur, pixelBlur = 0.70, 0.68 // px at 4000 px across; px
)

func (d Detector) withDefaults(width int) Detector {
	if d.BlurPx == 0 {
		d.BlurPx = math.Hypot(pixelBlur, lensBlur*float64(width)/4000)
	}
	if d.Noise == 0 {
		d.Noise = usualNoise
	}
	if d.LeastSquarePx == 0 {
		d.LeastSquarePx = 8
	}
	if d.MostOblique == 0 {
		d.MostOblique = 77 * math.Pi / 180
	}
	if d.Margin == 0 {
		d.Margin = 0.03
	}
	return d
}

// Likeness is that of the pictures to come, so many pixels wide.
func (d Detector) Likeness(width int) vision.Likeness {
	d = d.withDefaults(width)
	return vision.Likeness{BlurPx: d.BlurPx, Noise: d.Noise, Lack: usualLack, Retouched: true}
}

// As returns the detector whose noise is that of photographs that are there, where
// five boards or more were seen whole in them.
func (d Detector) As(job *rig.Job, camera *vision.Camera, obs []rig.Observation, used []bool) Detector {
	d = d.withDefaults(camera.Width)
	var ratios []float64
	for _, o := range obs {
		b := &job.Boards[o.Board]
		if !used[o.Photo] || o.Joint == nil || len(o.Corners) != b.NumCorners() {
			continue
		}
		if r, ok := Compared(b, o, d.Likeness(camera.Width)); ok {
			ratios = append(ratios, r)
		}
	}
	if len(ratios) >= 5 {
		slices.Sort(ratios)
		d.Noise *= ratios[len(ratios)/2]
	}
	return d
}

// Foresee returns what a plan's photographs of this width would tell of a board
// whose corners are at px, all of them; ok is false where that is nothing.
func (d Detector) Foresee(b *vision.Board, px [][2]float64, width int) (v vision.View, ok bool) {
	v.Corners, v.Joint = foresightOf(*b).Foresee(px, d.Likeness(width))
	return v, v.Joint != nil
}

// WithDefaults fills in what is zero, for photographs of this width.
func (d Detector) WithDefaults(width int) Detector { return d.withDefaults(width) }

// Compared tells how much less well a board that was seen whole is known than
// foreseen of pictures like l: the ratio of standard uncertainties, the geometric
// mean over the six ways in which its picture may be moved, turned and stretched.
func Compared(b *vision.Board, o rig.Observation, l vision.Likeness) (ratio float64, ok bool) {
	var px [][2]float64
	for _, c := range o.Corners {
		px = append(px, c.Px)
	}
	_, joint := foresightOf(*b).Foresee(px, l)
	if joint == nil {
		return 0, false
	}
	n := len(o.Corners)
	ways := mat.NewDense(2*n, 6, nil)
	for i, c := range o.Corners {
		p := b.Corner(c.Index)
		for k := range 2 {
			for j, v := range [3]float64{1, p[0] / b.SquareM, p[1] / b.SquareM} {
				ways.Set(2*i+k, 3*k+j, v)
			}
		}
	}
	logDet := func(j *vision.Joint) float64 {
		rows := mat.NewDense(len(j.Rows), 2*n, nil)
		for i, r := range j.Rows {
			rows.SetRow(i, r)
		}
		var seen, info mat.Dense
		seen.Mul(rows, ways)
		info.Mul(seen.T(), &seen)
		det, _ := mat.LogDet(&info)
		return det
	}
	ratio = math.Exp((logDet(joint) - logDet(o.Joint)) / (2 * 6))
	return ratio, ratio > 0 && !math.IsInf(ratio, 0)
}

// foresights holds a [vision.Foresight] for each geometry of boards.
var foresights sync.Map

func foresightOf(b vision.Board) *vision.Foresight {
	geometry := vision.Board{Dictionary: b.Dictionary, Cols: b.Cols, Rows: b.Rows, SquareM: b.SquareM, MarkerM: b.MarkerM}
	f, ok := foresights.Load(geometry)
	if !ok {
		f, _ = foresights.LoadOrStore(geometry, vision.NewForesight(geometry))
	}
	return f.(*vision.Foresight)
}

// scene is what stands around a camera at one station.
type scene struct {
	job      *rig.Job
	camera   *vision.Camera
	detector Detector
	boards   []int
	at, into []pose.SE3  // floorFromBoard, boardFromFloor
	lies     []bool      // on the floor
	body     [2]pose.Vec // corners of the vehicle's bulk, in the body
	from     pose.SE3    // bodyFromFloor
}

// sceneAt gathers the boards of a station.
func sceneAt(job *rig.Job, cast *rig.Cast, s *rig.State, camera *vision.Camera, d Detector, station int) *scene {
	sc := &scene{job: job, camera: camera, detector: d.withDefaults(camera.Width), from: s.FloorFromBody[station].Inverse()}
	for b := range job.Boards {
		if t, lies, ok := cast.Placed(s, b, station); ok {
			sc.boards, sc.at, sc.lies = append(sc.boards, b), append(sc.at, t), append(sc.lies, lies)
			sc.into = append(sc.into, t.Inverse())
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

// seen tells whether a camera would have board i of the scene in its picture, which
// must hold the whole of it, some way from its edge.
func (sc *scene) seen(cameraFromFloor pose.SE3, eye pose.Vec, i int) bool {
	t := cameraFromFloor.Mul(sc.at[i])
	if t.T[2] < 0.4 {
		return false
	}
	if -pose.Dot(t.R.Column(2), pose.Unit(t.T)) < math.Cos(sc.detector.MostOblique) {
		return false
	}
	b := &sc.job.Boards[sc.boards[i]]
	w, h := b.Size()
	margin := sc.detector.Margin * float64(sc.camera.Width)
	var outline [4][2]float64
	for k, c := range [4][2]float64{{-w / 2, h / 2}, {w / 2, h / 2}, {w / 2, -h / 2}, {-w / 2, -h / 2}} {
		px, ok := sc.camera.Project(t.Apply(pose.Vec{c[0], c[1], 0}))
		if !ok || px[0] < margin || px[1] < margin || px[0] > float64(sc.camera.Width)-margin || px[1] > float64(sc.camera.Height)-margin {
			return false
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
	least := min(side(0, 1, b.Cols), side(1, 2, b.Rows), side(2, 3, b.Cols), side(3, 0, b.Rows))
	return least >= sc.detector.LeastSquarePx/2 && square >= sc.detector.LeastSquarePx && !sc.hidden(eye, i)
}

// view is what a photograph would tell of board i of the scene; not ok where it is
// not in it.
func (sc *scene) view(cameraFromFloor pose.SE3, i int) (o rig.Observation, ok bool) {
	o.Board = sc.boards[i]
	b, t := &sc.job.Boards[o.Board], cameraFromFloor.Mul(sc.at[i])
	var px [][2]float64
	for c := range b.NumCorners() {
		at, ok := sc.camera.Project(t.Apply(pose.Vec(b.Corner(c))))
		if !ok {
			return o, false
		}
		px = append(px, at)
	}
	o.Corners, o.Joint = foresightOf(*b).Foresee(px, sc.detector.Likeness(sc.camera.Width))
	return o, o.Joint != nil
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
			a, z := sc.into[k].Apply(eye), sc.into[k].Apply(p)
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
