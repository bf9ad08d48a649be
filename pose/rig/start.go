package rig

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"strings"

	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/vision"

	"golang.org/x/sync/errgroup"
)

// LeftOut names a photograph that takes no part, and why.
type LeftOut struct {
	Photo  string `json:"photo"`
	Reason string `json:"reason"`
}

// place is where a board stays while it is photographed: a floor board has one
// for the whole job, a board on a wheel one for each station.
type place struct{ board, station int }

// starter builds the first picture of the whole job, photo by photo from one
// floor board outwards, in a frame ("scene") that is this board's.
type starter struct {
	ctx    context.Context
	job    *Job
	cast   *cast
	camera *vision.Camera
	obs    []Observation
	poses  [][]planarPose // by observation

	ofPhoto [][]int // observations by photo
	ofPlace map[place][]int

	sceneFromBoard  map[place]pose.SE3
	cameraFromScene []*pose.SE3
}

func placeOf(j *Job, c *cast, o Observation) place {
	if c.floorOfBoard[o.Board] >= 0 {
		return place{o.Board, -1}
	}
	return place{o.Board, j.Photos[o.Photo].Station}
}

func (s *starter) placeOf(o int) place { return placeOf(s.job, s.cast, s.obs[o]) }

// start finds a State near the solution. It returns which photos take part and
// names those that tie to nothing.
func start(ctx context.Context, job *Job, camera vision.Camera, obs []Observation, unusable map[int]string) (*State, []bool, []LeftOut, error) {
	s := &starter{ctx: ctx, job: job, cast: job.cast(), camera: &camera, obs: obs,
		ofPhoto: make([][]int, len(job.Photos)), ofPlace: map[place][]int{},
		sceneFromBoard: map[place]pose.SE3{}, cameraFromScene: make([]*pose.SE3, len(job.Photos))}
	s.poses = make([][]planarPose, len(obs))
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for o := range obs {
		g.Go(func() error {
			s.poses[o] = planarPoses(ctx, &camera, &job.Boards[obs[o].Board], obs[o].Corners)
			return nil
		})
	}
	g.Wait()
	if err := ctx.Err(); err != nil {
		return nil, nil, nil, err
	}
	for o, ob := range obs {
		if len(s.poses[o]) == 0 {
			continue
		}
		s.ofPhoto[ob.Photo] = append(s.ofPhoto[ob.Photo], o)
		s.ofPlace[s.placeOf(o)] = append(s.ofPlace[s.placeOf(o)], o)
	}
	if err := s.root(); err != nil {
		return nil, nil, nil, err
	}
	s.grow()
	state, err := s.state()
	if err != nil {
		return nil, nil, nil, err
	}
	used := make([]bool, len(job.Photos))
	var out []LeftOut
	for p := range job.Photos {
		used[p] = s.cameraFromScene[p] != nil && len(s.ofPhoto[p]) > 1
		if !used[p] {
			reason, ok := unusable[p]
			if !ok {
				reason = s.why(p)
			}
			out = append(out, LeftOut{job.Photos[p].Path, reason})
		}
	}
	return state, used, out, ctx.Err()
}

// why says why a photo ties to nothing.
func (s *starter) why(p int) string {
	var names []string
	for _, o := range s.ofPhoto[p] {
		names = append(names, s.job.Boards[s.obs[o].Board].Name)
	}
	switch len(names) {
	case 0:
		return "no board in it was found well enough to tell where it is"
	case 1:
		return "it shows only board " + names[0] + ", so it ties to nothing; take two or more boards into each photograph"
	}
	return "its boards " + strings.Join(names, ", ") + " are in no photograph that ties to the others; photograph one of them together with a board of the rest"
}

// root chooses the floor board to begin at: the one most often seen with others.
func (s *starter) root() error {
	best, bestCount := place{-1, -1}, 0
	for _, b := range s.job.Floor {
		count := 0
		for _, o := range s.ofPlace[place{b, -1}] {
			if len(s.ofPhoto[s.obs[o].Photo]) > 1 {
				count++
			}
		}
		if count > bestCount {
			best, bestCount = place{b, -1}, count
		}
	}
	if bestCount == 0 {
		return fmt.Errorf("no floor board is seen together with another board in any photograph: photograph the floor boards with the wheels' boards beside them")
	}
	s.sceneFromBoard[best] = pose.Identity()
	return nil
}

// grow places photos and boards until nothing more ties on.
func (s *starter) grow() {
	for s.ctx.Err() == nil {
		// The photo with the most corners on boards already placed is next.
		next, most := -1, 0
		for p := range s.ofPhoto {
			if s.cameraFromScene[p] != nil {
				continue
			}
			corners := 0
			for _, o := range s.ofPhoto[p] {
				if _, ok := s.sceneFromBoard[s.placeOf(o)]; ok {
					corners += len(s.obs[o].Corners)
				}
			}
			if corners > most {
				next, most = p, corners
			}
		}
		if next < 0 {
			return
		}
		s.placePhoto(next)
		for _, o := range s.ofPhoto[next] {
			if pl := s.placeOf(o); len(s.ofPlace[pl]) > 0 {
				if _, ok := s.sceneFromBoard[pl]; !ok {
					s.placeBoard(pl)
				}
			}
		}
	}
}

// placePhoto takes, of all poses that its placed boards suggest, the one under
// which all of them fit best.
func (s *starter) placePhoto(p int) {
	var views []placedView
	var candidates []pose.SE3
	for _, o := range s.ofPhoto[p] {
		sceneFromBoard, ok := s.sceneFromBoard[s.placeOf(o)]
		if !ok {
			continue
		}
		views = append(views, placedView{&s.job.Boards[s.obs[o].Board], s.obs[o].Corners, sceneFromBoard})
		for _, c := range s.poses[o] {
			candidates = append(candidates, c.cameraFromBoard.Mul(sceneFromBoard.Inverse()))
		}
	}
	best, bestCost := pose.SE3{}, math.Inf(1)
	for _, c := range candidates {
		if cost := misfit(s.camera, views, c); cost < bestCost {
			best, bestCost = c, cost
		}
	}
	if t, _, ok := locate(s.ctx, s.camera, views, best); ok {
		best = t
	}
	s.cameraFromScene[p] = &best
}

// placeBoard takes, of all poses that the placed photos suggest, the one under
// which all of them fit best. What is known beforehand breaks the tie of a
// board's two mirrored poses: floor boards lie flat, wheels stand upright.
func (s *starter) placeBoard(pl place) {
	up := s.up()
	best, bestCost := pose.SE3{}, math.Inf(1)
	var photos []int
	for _, o := range s.ofPlace[pl] {
		if s.cameraFromScene[s.obs[o].Photo] != nil {
			photos = append(photos, o)
		}
	}
	for _, o := range photos {
		for _, c := range s.poses[o] {
			sceneFromBoard := s.cameraFromScene[s.obs[o].Photo].Inverse().Mul(c.cameraFromBoard)
			cost := 0.0
			for _, q := range photos {
				v := []placedView{{&s.job.Boards[pl.board], s.obs[q].Corners, sceneFromBoard}}
				cost += misfit(s.camera, v, *s.cameraFromScene[s.obs[q].Photo])
			}
			cost /= float64(len(photos))
			n := sceneFromBoard.R.Column(2)
			off := math.Asin(math.Min(1, math.Abs(pose.Dot(n, up))))
			if pl.station < 0 {
				off = math.Acos(math.Max(-1, math.Min(1, pose.Dot(n, up))))
			}
			const usual = 3 * math.Pi / 180 // wheel and floor are straight to a few degrees
			if cost += off * off / (usual * usual); cost < bestCost {
				best, bestCost = sceneFromBoard, cost
			}
		}
	}
	s.sceneFromBoard[pl] = best
}

// up is the mean normal of the floor boards placed so far.
func (s *starter) up() pose.Vec {
	var n pose.Vec
	for _, b := range s.job.Floor {
		if t, ok := s.sceneFromBoard[place{b, -1}]; ok {
			n = pose.Add(n, t.R.Column(2))
		}
	}
	return pose.Unit(n)
}

// misfit is the mean over corners of a whitened square that grows slowly once
// it is large, so that one bad corner does not choose the pose.
func misfit(camera *vision.Camera, views []placedView, cameraFromScene pose.SE3) float64 {
	sum, n := 0.0, 0
	for _, v := range views {
		t := cameraFromScene.Mul(v.sceneFromBoard)
		for _, c := range v.corners {
			n++
			px, ok := camera.Project(t.Apply(v.board.Corner(c.Index)))
			if !ok {
				sum += 20
				continue
			}
			ex, ey := px[0]-c.Px[0], px[1]-c.Px[1]
			// A pixel, not the corner's tiny sigma: these are starting poses.
			sum += math.Log1p(ex*ex + ey*ey)
		}
	}
	return sum / float64(max(n, 1))
}

// state turns the placed boards and photos into a State.
func (s *starter) state() (*State, error) {
	j := s.job
	for h, hang := range j.Hangs {
		seen := false
		for st := range j.Stations {
			_, ok := s.sceneFromBoard[place{hang.Board, st}]
			seen = seen || ok
		}
		if !seen {
			return nil, fmt.Errorf("board %s (%s) is in no photograph that ties to the floor boards: photograph it together with a floor board or a neighbouring wheel", j.Boards[hang.Board].Name, j.Hangs[h].Wheel)
		}
	}
	// The floor: z along the mean normal, at the floor boards' mean height.
	up := s.up()
	scene := pose.SE3{R: pose.RotationTo(up, pose.Vec{0, 0, 1})}
	height, n := 0.0, 0
	for _, b := range j.Floor {
		if t, ok := s.sceneFromBoard[place{b, -1}]; ok {
			height += scene.Apply(t.T)[2]
			n++
		}
	}
	scene.T[2] = j.Priors.FloorThickness - height/float64(n)

	state := &State{Camera: *s.camera, PrintScale: [2]float64{1, 1}}
	// Body and floor coincide at the first station: turn the scene so that the
	// nominal vehicle fits its boards there.
	var nominal, found [][2]float64
	for _, hang := range j.Hangs {
		if t, ok := s.sceneFromBoard[place{hang.Board, 0}]; ok {
			c := scene.Apply(t.T)
			found = append(found, [2]float64{c[0], c[1]})
			b := j.nominalHub(hang.Wheel).Apply(pose.Vec{0, j.Priors.Standoff, 0})
			nominal = append(nominal, [2]float64{b[0], b[1]})
		}
	}
	if len(found) < 2 {
		return nil, fmt.Errorf("station %s: fewer than two wheel boards are tied to the floor boards there: photograph the wheels' boards together with floor boards or neighbours", j.Stations[0].Name)
	}
	bodyFromScene, rms := fitPlane(found, nominal)
	if rms > 0.5 {
		return nil, fmt.Errorf("the boards do not stand where the vehicle's axles are (%.1f m off on average): check hangs, position_mm and track_mm, or whether two boards are swapped", rms)
	}
	scene = bodyFromScene.Mul(scene)
	floorFromBoard := map[place]pose.SE3{}
	for pl, t := range s.sceneFromBoard {
		floorFromBoard[pl] = scene.Mul(t)
	}

	for st := range j.Stations {
		if st == 0 {
			state.FloorFromBody = append(state.FloorFromBody, pose.Identity())
			continue
		}
		var from, to [][2]float64
		for _, hang := range j.Hangs {
			a, ok1 := floorFromBoard[place{hang.Board, 0}]
			b, ok2 := floorFromBoard[place{hang.Board, st}]
			if ok1 && ok2 {
				from, to = append(from, [2]float64{a.T[0], a.T[1]}), append(to, [2]float64{b.T[0], b.T[1]})
			}
		}
		if len(from) < 2 {
			return nil, fmt.Errorf("station %s: fewer than two wheel boards are tied to the floor boards there and at station %s: photograph them together with floor boards or neighbours, or take the station out", j.Stations[st].Name, j.Stations[0].Name)
		}
		t, _ := fitPlane(from, to)
		state.FloorFromBody = append(state.FloorFromBody, t)
	}

	state.BodyFromHub = make([][]pose.SE3, len(s.cast.wheels))
	state.HubFromBoard = make([]pose.SE3, len(j.Hangs))
	state.Spin = make([][]float64, len(j.Hangs))
	for h, hang := range j.Hangs {
		state.Spin[h] = make([]float64, len(j.Stations))
		w := s.cast.wheelOfHang[h]
		first := true
		for st := range j.Stations {
			floorFromB, ok := floorFromBoard[place{hang.Board, st}]
			if !ok {
				continue
			}
			bodyFromBoard := state.FloorFromBody[st].Inverse().Mul(floorFromB)
			if first {
				first = false
				hub := hubOf(bodyFromBoard, j.Priors.Standoff)
				if d := hub.R.Column(1)[1]; (d > 0) != (hang.Wheel.Side == align.Left) {
					return nil, fmt.Errorf("board %s faces the wrong way for %s: check whether two boards are swapped", j.Boards[hang.Board].Name, hang.Wheel)
				}
				for range s.cast.epochs {
					state.BodyFromHub[w] = append(state.BodyFromHub[w], hub)
				}
				state.HubFromBoard[h] = hub.Inverse().Mul(bodyFromBoard)
				continue
			}
			hub := state.BodyFromHub[w][0]
			turned := hub.R.Transpose().Mul(bodyFromBoard.R).Mul(state.HubFromBoard[h].R.Transpose())
			state.Spin[h][st] = turned.Log()[1]
		}
	}
	for _, b := range j.Floor {
		t, ok := floorFromBoard[place{b, -1}]
		if !ok {
			t = pose.SE3{R: pose.IdentityRotation(), T: pose.Vec{0, 0, j.Priors.FloorThickness}}
		}
		state.FloorFromBoard = append(state.FloorFromBoard, t)
	}
	for p := range j.Photos {
		if t := s.cameraFromScene[p]; t != nil {
			state.Cameras = append(state.Cameras, t.Mul(scene.Inverse()))
		} else {
			state.Cameras = append(state.Cameras, pose.Identity())
		}
	}
	return state, nil
}

// hubOf takes the board's normal for the spin axis and its centre for a point
// on it: what one station tells.
func hubOf(bodyFromBoard pose.SE3, standoff float64) pose.SE3 {
	y := bodyFromBoard.R.Column(2)
	x := pose.Unit(pose.Cross(y, pose.Vec{0, 0, 1}))
	return pose.SE3{
		R: pose.FromColumns(x, y, pose.Cross(x, y)),
		T: pose.Sub(bodyFromBoard.T, pose.Scale(standoff, y)),
	}
}

// fitPlane returns the turn about z and shift in the plane that best take from
// to to, and the RMS distance left.
func fitPlane(from, to [][2]float64) (pose.SE3, float64) {
	n := float64(len(from))
	var cf, ct [2]float64
	for i := range from {
		for k := 0; k < 2; k++ {
			cf[k] += from[i][k] / n
			ct[k] += to[i][k] / n
		}
	}
	var c, d float64
	for i := range from {
		ax, ay, bx, by := from[i][0]-cf[0], from[i][1]-cf[1], to[i][0]-ct[0], to[i][1]-ct[1]
		c += ax*bx + ay*by
		d += ax*by - ay*bx
	}
	t := pose.SE3{R: pose.RotZ(math.Atan2(d, c))}
	m := t.Apply(pose.Vec{cf[0], cf[1], 0})
	t.T = pose.Vec{ct[0] - m[0], ct[1] - m[1], 0}
	sum := 0.0
	for i := range from {
		m := t.Apply(pose.Vec{from[i][0], from[i][1], 0})
		sum += (m[0]-to[i][0])*(m[0]-to[i][0]) + (m[1]-to[i][1])*(m[1]-to[i][1])
	}
	return t, math.Sqrt(sum / n)
}
