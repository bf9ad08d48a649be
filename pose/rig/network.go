package rig

import (
	"fmt"
	"math"

	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/pose/bundle"
	"wheelplane/vision"

	"gonum.org/v1/gonum/mat"
)

// Observation is one board in one photograph.
type Observation struct {
	Photo   int // index into Job.Photos
	Board   int // index into Job.Boards
	Corners []vision.Corner
}

// network is the bundle of a job: its blocks by their part in the chain.
type network struct {
	job  *Job
	cast *cast
	p    bundle.Problem

	camera, scale bundle.BlockID
	stations      []bundle.BlockID
	hubs          [][]bundle.BlockID // by wheel and epoch
	hangs         []bundle.BlockID
	spins         [][]bundle.BlockID // by hang and station
	floor         []bundle.BlockID
	photos        []bundle.BlockID

	views     []bundle.ResidualID // by observation
	corners   int                 // rows/2 of active views
	priorRows int
}

// robust is the loss against wrong corners while the solution is being found:
// a group is one corner, whitened, so 3 is about the 99 % circle.
const robustWidth = 3

// build lays the job out as one least-squares problem that starts at s. Photos
// with used false take no part.
func build(job *Job, obs []Observation, s *State, used []bool, loss bundle.Loss) *network {
	n := &network{job: job, cast: job.cast()}
	pr := job.Priors

	intr := s.Camera.Intrinsics()
	n.camera = n.p.AddBlock("camera", intr[:], bundle.Euclidean(vision.NumIntrinsics))
	n.scale = n.p.AddBlock("print scale", s.PrintScale[:], bundle.Euclidean(2))
	n.priorOn(n.scale, "print scale prior", []float64{1, 1}, []float64{1 / pr.PrintScale, 0, 0, 1 / pr.PrintScale})

	bodyTilt := job.BodyTilt()
	for i, t := range s.FloorFromBody {
		b := n.p.AddBlock("body at station "+job.Stations[i].Name, bundle.PoseValue(t), bundle.PoseManifold)
		if i == 0 {
			n.p.SetConstant(b, true) // body and floor coincide there: the gauge, with centrelineGauge
		} else {
			n.p.AddResidual("floor flatness at station "+job.Stations[i].Name, levelPrior{0, pr.FloorFlatness, bodyTilt}, 3, 0, nil, b)
			n.priorRows += 3
		}
		n.stations = append(n.stations, b)
	}
	n.hubs = make([][]bundle.BlockID, len(n.cast.wheels))
	for w, wheel := range n.cast.wheels {
		for e, epoch := range n.cast.epochs {
			n.hubs[w] = append(n.hubs[w], n.p.AddBlock(fmt.Sprintf("axis of %s, %s", wheel, epoch), bundle.PoseValue(s.BodyFromHub[w][e]), hubManifold{}))
		}
	}
	seen := map[place]bool{} // by board, and station for those on wheels
	for _, o := range obs {
		if used[o.Photo] && len(o.Corners) > 0 {
			seen[placeOf(job, n.cast, o)] = true
		}
	}
	n.spins = make([][]bundle.BlockID, len(job.Hangs))
	for h, hang := range job.Hangs {
		b := n.p.AddBlock(fmt.Sprintf("mount of board %s on %s", job.Boards[hang.Board].Name, hang.Wheel), bundle.PoseValue(s.HubFromBoard[h]), bundle.PoseManifold)
		n.p.AddResidual("mount prior of board "+job.Boards[hang.Board].Name, mountPrior{pr.MountTilt, pr.MountOffset, pr.Standoff, pr.StandoffU}, 5, 0, nil, b)
		n.priorRows += 5
		n.hangs = append(n.hangs, b)
		zero := false // spin counts from the first station that shows the board
		for st := range job.Stations {
			b := n.p.AddBlock(fmt.Sprintf("spin of board %s at station %s", job.Boards[hang.Board].Name, job.Stations[st].Name), []float64{s.Spin[h][st]}, bundle.Euclidean(1))
			shown := seen[place{hang.Board, st}]
			n.p.SetConstant(b, !zero || !shown)
			zero = zero || shown
			n.spins[h] = append(n.spins[h], b)
		}
	}
	for f, board := range job.Floor {
		b := n.p.AddBlock("floor board "+job.Boards[board].Name, bundle.PoseValue(s.FloorFromBoard[f]), bundle.PoseManifold)
		n.p.AddResidual("floor prior of board "+job.Boards[board].Name, levelPrior{pr.FloorThickness, pr.FloorFlatness, pr.FloorTilt}, 3, 0, nil, b)
		n.priorRows += 3
		n.p.SetConstant(b, !seen[place{board, -1}])
		n.floor = append(n.floor, b)
	}
	for i, t := range s.Cameras {
		b := n.p.AddBlock("photo "+job.Photos[i].Path, bundle.PoseValue(t), bundle.PoseManifold)
		n.p.Eliminate(b)
		n.p.SetConstant(b, !used[i])
		n.photos = append(n.photos, b)
	}
	n.gauge()

	for _, o := range obs {
		id := bundle.ResidualID(-1)
		if used[o.Photo] && len(o.Corners) > 0 {
			id = n.addView(o, loss)
		}
		n.views = append(n.views, id)
	}
	n.cameraPrior(&s.Camera)
	return n
}

// BodyTilt is how much the body may roll or pitch from one station to the
// next (standard uncertainty, rad): two wheels of the narrowest axle on ground
// of the stated flatness.
func (j *Job) BodyTilt() float64 {
	track := math.Inf(1)
	for _, a := range j.Vehicle.Axles {
		track = math.Min(track, a.Track)
	}
	return math.Sqrt2 * j.Priors.FloorFlatness / track
}

// priorOn adds a Gaussian prior on a Euclidean block.
func (n *network) priorOn(b bundle.BlockID, name string, mean, white []float64) {
	n.p.AddResidual(name, &prior{mean, white}, len(mean), 0, nil, b)
	n.priorRows += len(mean)
}

// cameraPrior brings in what the calibration knows. Without a covariance in
// the camera file its numbers are taken as exact.
func (n *network) cameraPrior(c *vision.Camera) {
	if c.Cov == nil {
		n.p.SetConstant(n.camera, true)
		return
	}
	white, held := whitenMatrix(c.Cov)
	if len(held) == vision.NumIntrinsics {
		n.p.SetConstant(n.camera, true)
		return
	}
	n.p.Hold(n.camera, held...)
	mean := c.Intrinsics()
	n.priorOn(n.camera, "camera file", mean[:], white)
}

// whitenMatrix returns W (row by row) with W·cov·Wᵀ = 1 on the intrinsics that
// the file leaves uncertain, and the list of those it holds exactly (variance
// zero).
func whitenMatrix(cov *[vision.NumIntrinsics][vision.NumIntrinsics]float64) (white []float64, held []int) {
	const n = vision.NumIntrinsics
	var free []int
	for i := 0; i < n; i++ {
		if cov[i][i] > 0 {
			free = append(free, i)
		} else {
			held = append(held, i)
		}
	}
	white = make([]float64, n*n)
	if len(free) == 0 {
		return white, held
	}
	// Scaled to unit diagonal first: variances span twenty orders of magnitude.
	s := mat.NewSymDense(len(free), nil)
	sd := make([]float64, len(free))
	for a, i := range free {
		sd[a] = math.Sqrt(cov[i][i])
	}
	for a, i := range free {
		for b := a; b < len(free); b++ {
			s.SetSym(a, b, cov[i][free[b]]/(sd[a]*sd[b]))
		}
	}
	var eig mat.EigenSym
	eig.Factorize(s, true)
	var v mat.Dense
	eig.VectorsTo(&v)
	for k, l := range eig.Values(nil) {
		l = math.Max(l, 1e-12) // rounding in a printed covariance
		for a, i := range free {
			white[free[k]*n+i] = v.At(a, k) / (math.Sqrt(l) * sd[a])
		}
	}
	return white, held
}

// gauge fixes the body's heading and place in the ground plane.
func (n *network) gauge() {
	front, rear := n.job.centrelineAxles()
	hub := func(axle int, side align.Side) bundle.BlockID {
		return n.hubs[index(n.cast.wheels, Wheel{axle, side})][0]
	}
	n.p.AddResidual("centreline", centrelineGauge{}, 3, 0, nil,
		hub(front, align.Left), hub(front, align.Right), hub(rear, align.Left), hub(rear, align.Right))
	n.priorRows += 3
}

// centrelineAxles returns the axles with boards whose midpoints carry the
// centreline (see [align.Derive]).
func (j *Job) centrelineAxles() (front, rear int) {
	first, last := math.MaxInt, 0
	for _, h := range j.Hangs {
		first, last = min(first, h.Wheel.Axle), max(last, h.Wheel.Axle)
	}
	if j.Vehicle.Reference == first {
		return first, last
	}
	return first, j.Vehicle.Reference
}

func (n *network) addView(o Observation, loss bundle.Loss) bundle.ResidualID {
	board := &n.job.Boards[o.Board]
	station := n.job.Photos[o.Photo].Station
	h := n.cast.hangOfBoard[o.Board]
	v := newBoardView(board, o.Corners, h >= 0)
	name := fmt.Sprintf("board %s in photo %s", board.Name, n.job.Photos[o.Photo].Path)
	n.corners += len(o.Corners)
	if h < 0 {
		return n.p.AddResidual(name, v, v.dim(), 2, loss,
			n.photos[o.Photo], n.floor[n.cast.floorOfBoard[o.Board]], n.camera, n.scale)
	}
	return n.p.AddResidual(name, v, v.dim(), 2, loss,
		n.photos[o.Photo], n.stations[station], n.hubs[n.cast.wheelOfHang[h]][n.cast.epochOf[station]],
		n.hangs[h], n.spins[h][station], n.camera, n.scale)
}

// state reads the current values back.
func (n *network) state(camera vision.Camera) *State {
	s := &State{Camera: camera}
	s.Camera.SetIntrinsics([vision.NumIntrinsics]float64(n.p.Value(n.camera)))
	s.PrintScale = [2]float64(n.p.Value(n.scale))
	poses := func(ids []bundle.BlockID) (out []pose.SE3) {
		for _, id := range ids {
			out = append(out, bundle.GetPose(n.p.Value(id)))
		}
		return
	}
	s.FloorFromBody, s.HubFromBoard, s.FloorFromBoard, s.Cameras = poses(n.stations), poses(n.hangs), poses(n.floor), poses(n.photos)
	for _, h := range n.hubs {
		s.BodyFromHub = append(s.BodyFromHub, poses(h))
	}
	for _, list := range n.spins {
		var a []float64
		for _, id := range list {
			a = append(a, n.p.Value(id)[0])
		}
		s.Spin = append(s.Spin, a)
	}
	return s
}
