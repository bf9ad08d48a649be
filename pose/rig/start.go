package rig

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"math"
	"slices"
	"strings"

	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/vision"
)

// LeftOut names a photograph that takes no part, and why.
type LeftOut struct {
	Photo  string `json:"photo"`
	Reason string `json:"reason"`
}

// place is where a board stays while it is photographed: a floor board has one
// for as long as it lies, a board on a wheel or the body one for each station.
// In place of a station a floor board has −1 less its index in Job.Floor.
type place struct{ board, station int }

func (p place) onFloor() bool { return p.station < 0 }

// starter builds the first picture of the whole job, photo by photo from one
// floor board outwards, in a frame ("scene") that is this board's.
type starter struct {
	ctx    context.Context
	job    *Job
	cast   *Cast
	camera *vision.Camera
	obs    []Observation
	poses  [][]planarPose // by observation
	firm   []float64      // by observation: how well it fixes a pose, see strength

	ofPhoto [][]int // observations by photo
	ofPlace map[place][]int

	sceneFromBoard  map[place]pose.SE3
	cameraFromScene []*pose.SE3
	rootPlace       place
	doubtful        map[int]bool // photos that do not fit what is placed so far
}

func (s *starter) placeOf(o int) place {
	board, st := s.obs[o].Board, s.job.Photos[s.obs[o].Photo].Station
	if f := s.cast.floorAt[board][st]; f >= 0 {
		return s.layPlace(f)
	}
	return place{board, st}
}

// layPlace is the place of a floor board.
func (s *starter) layPlace(f int) place { return place{s.job.Floor[f].Board, -1 - f} }

// start finds a State near the solution. It returns which photos take part and
// names those that tie to nothing.
func start(ctx context.Context, job *Job, camera vision.Camera, obs []Observation, unusable map[int]string) (*State, []bool, []LeftOut, error) {
	s := &starter{ctx: ctx, job: job, cast: job.Cast(), camera: &camera, obs: obs,
		ofPhoto: make([][]int, len(job.Photos)), ofPlace: map[place][]int{},
		sceneFromBoard: map[place]pose.SE3{}, cameraFromScene: make([]*pose.SE3, len(job.Photos)), doubtful: map[int]bool{}}
	s.poses, s.firm = make([][]planarPose, len(obs)), make([]float64, len(obs))
	if err := onAllCores(len(obs), func(o int) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		s.poses[o] = planarPoses(&camera, &job.Boards[obs[o].Board], obs[o].Corners)
		return nil
	}); err != nil {
		return nil, nil, nil, err
	}
	for o, ob := range obs {
		s.firm[o] = strength(ob.Corners)
		if len(s.poses[o]) == 0 || s.cast.seatOf(ob.Board, job.Photos[ob.Photo].Station).kind == nowhere {
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
	out := []LeftOut{}
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
		return "only one board in the photograph, so it ties to nothing; take two or more into each"
	}
	return "its boards " + strings.Join(names, ", ") + " are in no photograph that ties to the others; photograph one of them together with a board of the rest"
}

// root chooses the floor board to begin at: the one most often seen with others.
func (s *starter) root() error {
	best, bestCount := place{}, 0
	for f := range s.job.Floor {
		count := 0
		for _, o := range s.ofPlace[s.layPlace(f)] {
			if len(s.ofPhoto[s.obs[o].Photo]) > 1 {
				count++
			}
		}
		if count > bestCount {
			best, bestCount = s.layPlace(f), count
		}
	}
	if bestCount == 0 {
		return fmt.Errorf("no floor board is seen together with another board in any photograph: photograph the floor boards with the wheels' boards beside them")
	}
	s.sceneFromBoard[best], s.rootPlace = pose.Identity(), best
	return nil
}

// grow places photos and boards until nothing more ties on. What fits badly
// waits for a better tie as long as there is one; what was placed early, by few
// photos, is placed again when all are known.
func (s *starter) grow() {
	// By photo, how firmly its placed boards hold it.
	held := make([]float64, len(s.ofPhoto))
	hold := func(pl place) {
		for _, o := range s.ofPlace[pl] {
			held[s.obs[o].Photo] += s.firm[o]
		}
	}
	hold(s.rootPlace)
	for careful := true; s.ctx.Err() == nil; {
		// The photo that its placed boards fix best is next.
		next, most := -1, 0.0
		for p := range s.ofPhoto {
			if s.cameraFromScene[p] != nil || careful && s.doubtful[p] {
				continue
			}
			if held[p] > most {
				next, most = p, held[p]
			}
		}
		if next < 0 {
			if !careful {
				break
			}
			careful = false
			continue
		}
		t, cost := s.findPhoto(next)
		if careful && cost > doubtful {
			s.doubtful[next] = true
			continue
		}
		s.cameraFromScene[next] = &t
		progress := false
		for _, o := range s.ofPhoto[next] {
			pl := s.placeOf(o)
			if _, ok := s.sceneFromBoard[pl]; ok {
				continue
			}
			if t, cost := s.findBoard(pl); !careful || cost < doubtful {
				s.sceneFromBoard[pl] = t
				hold(pl)
				progress = true
			}
		}
		if progress {
			careful = true
			clear(s.doubtful)
		}
	}
	for range 2 {
		for p := range s.cameraFromScene {
			if s.cameraFromScene[p] != nil && s.ctx.Err() == nil {
				t, _ := s.findPhoto(p)
				s.cameraFromScene[p] = &t
			}
		}
		for _, pl := range s.places() {
			if pl != s.rootPlace {
				s.sceneFromBoard[pl], _ = s.findBoard(pl)
			}
		}
	}
}

// doubtful is a misfit (see below) that is not noise: some five pixels, or ten
// degrees from where a board usually is.
const doubtful = 4

// places lists the placed boards in a fixed order.
func (s *starter) places() []place {
	var out []place
	for pl := range s.sceneFromBoard {
		out = append(out, pl)
	}
	slices.SortFunc(out, comparePlaces)
	return out
}

func comparePlaces(a, b place) int {
	return cmp.Or(cmp.Compare(a.station, b.station), cmp.Compare(a.board, b.board))
}

// strength says how well a view fixes a pose, to compare views: corners times
// how far apart they are, px.
func strength(corners []vision.Corner) float64 {
	var p [][2]float64
	for _, c := range corners {
		p = append(p, c.Px)
	}
	_, spread := vision.Spread(p)
	return float64(len(p)) * spread
}

// findPhoto takes, of all poses that a photo's placed boards suggest, the one
// under which all of them fit best. It returns the misfit.
func (s *starter) findPhoto(p int) (cameraFromScene pose.SE3, cost float64) {
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
	if t, _, ok := locate(s.camera, views, best); ok {
		if cost := misfit(s.camera, views, t); cost < bestCost {
			best, bestCost = t, cost
		}
	}
	return best, bestCost
}

// findBoard takes, of all poses that the placed photos suggest for a board, the
// one under which all of them fit best. What is known beforehand breaks the tie
// of a board's two mirrored poses: floor boards lie flat, wheels stand upright.
func (s *starter) findBoard(pl place) (sceneFromBoard pose.SE3, cost float64) {
	up := s.up()
	best, bestCost := pose.SE3{}, math.Inf(1)
	var photos []int
	for _, o := range s.ofPlace[pl] {
		if s.cameraFromScene[s.obs[o].Photo] != nil {
			photos = append(photos, o)
		}
	}
	// The firmest suggest, and judge.
	slices.SortStableFunc(photos, func(a, b int) int { return cmp.Compare(s.firm[b], s.firm[a]) })
	photos = photos[:min(len(photos), mostJudges)]
	for _, o := range photos[:min(len(photos), mostSuggestions)] {
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
			switch {
			case pl.onFloor():
				off = math.Acos(math.Max(-1, math.Min(1, pose.Dot(n, up))))
			case s.cast.bodyOf[pl.board] >= 0:
				off = 0 // may be fixed in any direction
			}
			const usual = 5 * math.Pi / 180 // wheel and floor are straight to a few degrees
			cost += off*off/(usual*usual) + mirrored(s.poses[o], c, len(s.obs[o].Corners))
			if cost < bestCost {
				best, bestCost = sceneFromBoard, cost
			}
		}
	}
	return best, bestCost
}

// mirrored is how much worse than the better one a board's pose fits its own
// photograph, up to 1: a fraction of a pixel, which misfit hardly sees, but
// many times what the corners' covariances allow.
func mirrored(poses []planarPose, p planarPose, corners int) float64 {
	evidence := float64(corners) / 2 * (p.cost - poses[0].cost) / math.Max(1, poses[0].cost) // log likelihood ratio
	return math.Min(1, evidence/20)
}

// How many of a board's views suggest where it is, and how many judge each
// suggestion, at most: what is looked for is a start.
const mostSuggestions, mostJudges = 8, 24

// up is the mean normal of the floor boards placed so far.
func (s *starter) up() pose.Vec {
	var n pose.Vec
	for f := range s.job.Floor {
		if t, ok := s.sceneFromBoard[s.layPlace(f)]; ok {
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
	for _, hang := range j.Hangs {
		seen := false
		for st := range j.Stations {
			_, ok := s.sceneFromBoard[place{hang.Board, st}]
			seen = seen || ok && hang.Stations.Has(st)
		}
		if !seen {
			return nil, fmt.Errorf("board %s (%s) is in no photograph that ties to the floor boards: photograph it together with a floor board or a neighbouring wheel", j.Boards[hang.Board].Name, hang.Wheel)
		}
	}
	b := &bodies{starter: s, floorFromScene: s.level(), state: s.nominal(),
		axis: make([]bool, len(s.cast.Axes)), hang: make([]bool, len(j.Hangs)), body: make([]bool, len(j.Body))}
	for st := range j.Stations {
		if err := b.findBody(st); err != nil {
			return nil, err
		}
		if err := b.readBoards(st); err != nil {
			return nil, err
		}
	}
	state := b.state
	// A hub's steering axis starts upright, leaning as most do, through a point
	// inboard of the wheel.
	for a, axis := range s.cast.Axes {
		out := s.cast.Wheels[axis.Wheel].Side.Outboard()
		state.BodyFromLine[a] = pose.SE3{
			R: pose.RotX(out * 0.1).Mul(pose.RotY(-0.05)),
			T: pose.Add(state.BodyFromHub[a].T, pose.Vec{0, -out * 0.1, 0}),
		}
	}
	for f := range j.Floor {
		t, ok := s.sceneFromBoard[s.layPlace(f)]
		if ok {
			t = b.floorFromScene.Mul(t)
		} else {
			t = pose.SE3{R: pose.IdentityRotation(), T: pose.Vec{0, 0, j.Priors.FloorThickness}}
		}
		state.FloorFromBoard = append(state.FloorFromBoard, t)
	}
	for p := range j.Photos {
		cameraFromFloor := pose.Identity()
		if t := s.cameraFromScene[p]; t != nil {
			cameraFromFloor = t.Mul(b.floorFromScene.Inverse())
		}
		state.Cameras = append(state.Cameras, cameraFromFloor)
	}
	return state, nil
}

// level returns a floorFromScene that is level and at the right height: z along
// the floor boards' mean normal, their mean height the stated one.
func (s *starter) level() pose.SE3 {
	floorFromScene := pose.SE3{R: pose.RotationTo(s.up(), pose.Vec{0, 0, 1})}
	height, n := 0.0, 0
	for f := range s.job.Floor {
		if t, ok := s.sceneFromBoard[s.layPlace(f)]; ok {
			height += floorFromScene.Apply(t.T)[2]
			n++
		}
	}
	floorFromScene.T[2] = s.job.Priors.FloorThickness - height/float64(n)
	return floorFromScene
}

// nominal is a state as the job tells it, before any photograph.
func (s *starter) nominal() *State {
	j, c := s.job, s.cast
	state := &State{
		Camera: *s.camera, PrintScale: [2]float64{1, 1},
		FloorFromBody: make([]pose.SE3, len(j.Stations)),
		BodyFromHub:   make([]pose.SE3, len(c.Axes)),
		BodyFromLine:  make([]pose.SE3, len(c.Axes)),
		HubFromBoard:  make([]pose.SE3, len(j.Hangs)),
		BodyFromBoard: make([]pose.SE3, len(j.Body)),
	}
	for w := range c.Wheels {
		steer := make([]float64, len(j.Stations))
		for st, stop := range j.Stations {
			if stop.Sweep && c.steered[w] {
				steer[st] = stop.Steer
			}
		}
		state.Steer = append(state.Steer, steer)
	}
	for a, axis := range c.Axes {
		state.BodyFromHub[a] = j.nominalHub(c.Wheels[axis.Wheel])
	}
	for h := range j.Hangs {
		state.HubFromBoard[h] = squareHang(j.Priors.Standoff)
		state.Spin = append(state.Spin, make([]float64, len(j.Stations)))
	}
	return state
}

// bodies finds the body, station by station, from what earlier stations told
// of it.
type bodies struct {
	*starter
	floorFromScene   pose.SE3
	state            *State
	axis, hang, body []bool // known so far, in the body's frame
	any              bool   // a body is
}

// floorFrom returns where a board is on the floor at a station, if that is
// known.
func (b *bodies) floorFrom(board, st int) (floorFromBoard pose.SE3, ok bool) {
	t, ok := b.sceneFromBoard[place{board, st}]
	return b.floorFromScene.Mul(t), ok
}

// shown goes through the hangs whose boards are known at a station, with where
// these are on the floor.
func (b *bodies) shown(st int) iter.Seq2[int, pose.SE3] {
	return func(yield func(h int, floorFromBoard pose.SE3) bool) {
		for h, hang := range b.job.Hangs {
			if b.cast.hangAt[hang.Board][st] != h {
				continue
			}
			if t, ok := b.floorFrom(hang.Board, st); ok && !yield(h, t) {
				return
			}
		}
	}
}

// findBody finds where the body is at a station: from a body board, else from
// wheels that are where they were, else from the vehicle's data.
func (b *bodies) findBody(st int) error {
	j, c, s := b.job, b.cast, b.state
	name := j.Stations[st].Name
	// Points of the body and where they are on the floor now. A steered wheel in
	// a sweep, or a lifted one, is not where it was.
	var onBody, onFloor, nominal, found [][2]float64
	face := pose.Vec{0, j.Priors.Standoff, 0} // the board's face in the hub
	xy := func(v pose.Vec) [2]float64 { return [2]float64{v[0], v[1]} }
	for h, t := range b.shown(st) {
		found = append(found, xy(t.T))
		nominal = append(nominal, xy(j.nominalHub(j.Hangs[h].Wheel).Apply(face)))
		w := c.wheelOf[h]
		a := c.AxisAt[w][st]
		steady := !(j.Stations[st].Sweep && c.steered[w]) && !c.Axes[a].Lifted
		if b.axis[a] && steady {
			onBody = append(onBody, xy(s.BodyFromHub[a].Apply(face)))
			onFloor = append(onFloor, xy(t.T))
		}
	}
	for k, board := range j.Body {
		if t, ok := b.floorFrom(board, st); ok && b.body[k] {
			s.FloorFromBody[st] = upright(t.Mul(s.BodyFromBoard[k].Inverse()))
			return nil
		}
	}
	switch {
	case len(onBody) >= 2:
		s.FloorFromBody[st], _ = fitPlane(onBody, onFloor)
	case len(found) >= 2:
		// Nothing in common with a station before: the vehicle's data say where
		// its body is.
		floorFromBody, rms := fitPlane(nominal, found)
		if swapped := b.swapped(nominal, found, rms, st); rms > 0.5 || swapped != "" {
			return fmt.Errorf("station %s: the boards do not stand where the vehicle's axles are (%.1f m off on average): check hangs, position_mm, track_mm and the camera file%s", name, rms, swapped)
		}
		if !b.any {
			// The first of all bodies lends the floor its frame.
			b.floorFromScene = floorFromBody.Inverse().Mul(b.floorFromScene)
			floorFromBody = pose.Identity()
		}
		s.FloorFromBody[st] = floorFromBody
	case len(found)+len(j.Body) == 0:
		return fmt.Errorf("station %s: no wheel board is tied to the floor boards there: photograph them together with floor boards or neighbours, or take the station out", name)
	default:
		return fmt.Errorf("station %s: fewer than two wheel boards are tied to the floor boards there and at the stations before it: photograph them together with floor boards or neighbours, or take the station out", name)
	}
	b.any = true
	return nil
}

// readBoards takes from the boards of a station, whose body is found, what is
// not known yet of body boards, axes and mounts, and how far wheels turned and
// were steered.
func (b *bodies) readBoards(st int) error {
	j, c, s := b.job, b.cast, b.state
	bodyFromFloor := s.FloorFromBody[st].Inverse()
	for k, board := range j.Body {
		if t, ok := b.floorFrom(board, st); ok && !b.body[k] {
			s.BodyFromBoard[k], b.body[k] = bodyFromFloor.Mul(t), true
		}
	}
	for h, t := range b.shown(st) {
		wheel, w := j.Hangs[h].Wheel, c.wheelOf[h]
		a := c.AxisAt[w][st]
		bodyFromBoard := bodyFromFloor.Mul(t)
		if steer := s.Steer[w][st]; steer != 0 {
			// The sweep turned the wheel about an upright through its centre, as
			// far as the start goes.
			at := bodyFromBoard.T
			if b.axis[a] {
				at = s.BodyFromHub[a].T
				// How far it turned is told by the board better than by the job.
				was := s.BodyFromHub[a].R.Column(1)
				now := bodyFromBoard.R.Column(2)
				steer = math.Atan2(was[0]*now[1]-was[1]*now[0], was[0]*now[0]+was[1]*now[1])
				s.Steer[w][st] = steer
			}
			turn := steerBy(pose.SE3{R: pose.IdentityRotation(), T: at}, -steer)
			bodyFromBoard = turn.Mul(bodyFromBoard)
		}
		if !b.axis[a] {
			hub := hubOf(bodyFromBoard, j.Priors.Standoff)
			if d := hub.R.Column(1)[1]; (d > 0) != (wheel.Side == align.Left) {
				return fmt.Errorf("board %s faces the wrong way for %s: check whether two boards are swapped", j.Boards[j.Hangs[h].Board].Name, wheel)
			}
			s.BodyFromHub[a], b.axis[a] = hub, true
		}
		hub := s.BodyFromHub[a]
		if !b.hang[h] {
			s.HubFromBoard[h], b.hang[h] = hub.Inverse().Mul(bodyFromBoard), true
			continue
		}
		turned := hub.R.Transpose().Mul(bodyFromBoard.R).Mul(s.HubFromBoard[h].R.Transpose())
		s.Spin[h][st] = turned.Log()[1]
	}
	return nil
}

// swapped tries whether exchanging two boards, or those of two axles, explains that
// they are found rms metres off, root mean square, from where they are expected.
func (b *bodies) swapped(nominal, found [][2]float64, rms float64, st int) string {
	if rms < 0.15 { // a tape measure and a clamp do no better
		return ""
	}
	var hangs []Hang
	for h := range b.shown(st) {
		hangs = append(hangs, b.job.Hangs[h])
	}
	name := func(i int) string { return b.job.Boards[hangs[i].Board].Name }
	best, text := 0.4*rms, ""
	exchange := func(what string, pairs ...[2]int) {
		moved := slices.Clone(found)
		for _, p := range pairs {
			moved[p[0]], moved[p[1]] = moved[p[1]], moved[p[0]]
		}
		if _, rms := fitPlane(nominal, moved); rms < best {
			best, text = rms, "; "+what+" seem to be swapped"
		}
	}
	for i := range found {
		for k := range i {
			exchange(fmt.Sprintf("boards %s and %s", name(k), name(i)), [2]int{k, i})
		}
	}
	for i := range found {
		for k := range i {
			// Two axles: their left boards, and their right ones.
			a, c := hangs[k].Wheel, hangs[i].Wheel
			if a.Axle == c.Axle || a.Side != align.Left || c.Side != align.Left {
				continue
			}
			at := func(axle int) int {
				return slices.IndexFunc(hangs, func(h Hang) bool { return h.Wheel == Wheel{axle, align.Right} })
			}
			if p, q := at(a.Axle), at(c.Axle); p >= 0 && q >= 0 {
				exchange(fmt.Sprintf("the boards of axles %d and %d", a.Axle, c.Axle), [2]int{k, i}, [2]int{p, q})
			}
		}
	}
	return text
}

// upright keeps of a pose its heading and place.
func upright(t pose.SE3) pose.SE3 {
	x := t.R.Column(0)
	t.R = pose.RotZ(math.Atan2(x[1], x[0]))
	return t
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
