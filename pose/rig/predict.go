package rig

import (
	"math"
	"slices"
	"strings"

	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/pose/bundle"
	"wheelplane/vision"

	"gonum.org/v1/gonum/mat"
)

// Nominal returns a state of a job that nobody photographed yet: the vehicle's
// data say where its wheels are, boards are clamped square, the floor is flat.
// rolled is how far the body has rolled by each station, m, spun how far lifted
// wheels have been turned by hand by then, rad; floor and body say where those
// boards are. There are no cameras in it.
func (j *Job) Nominal(camera vision.Camera, rolled, spun []float64, floorFromBoard, bodyFromBoard []pose.SE3) *State {
	c := j.Cast()
	s := &State{Camera: camera, PrintScale: [2]float64{1, 1}, FloorFromBoard: floorFromBoard, BodyFromBoard: bodyFromBoard}
	for st, stop := range j.Stations {
		body := pose.SE3{R: pose.IdentityRotation(), T: pose.Vec{rolled[st], 0, 0}}
		if st > 0 && len(stop.Lifted) > 0 {
			body.T[2] = 0.03
		}
		s.FloorFromBody = append(s.FloorFromBody, body)
	}
	for _, a := range c.Axes {
		hub := j.nominalHub(c.Wheels[a.Wheel])
		s.BodyFromHub = append(s.BodyFromHub, hub)
		// A steering axis as trucks have them: its top leans rearward and inboard
		// and it passes inboard of the wheel (common practice, no source).
		out := c.Wheels[a.Wheel].Side.Outboard()
		up := pose.Unit(pose.Vec{-math.Tan(4 * math.Pi / 180), -out * math.Tan(7*math.Pi/180), 1})
		x := pose.Unit(pose.Cross(pose.Vec{0, 1, 0}, up))
		s.BodyFromLine = append(s.BodyFromLine, pose.SE3{
			R: pose.FromColumns(x, pose.Cross(up, x), up),
			T: pose.Add(hub.T, pose.Vec{0, -out * 0.11, 0}),
		})
	}
	for w := range c.Wheels {
		steer := make([]float64, len(j.Stations))
		for st, stop := range j.Stations {
			if stop.Sweep && c.steered[w] {
				steer[st] = stop.Steer
			}
		}
		s.Steer = append(s.Steer, steer)
	}
	for _, hang := range j.Hangs {
		s.HubFromBoard = append(s.HubFromBoard, squareHang(j.Priors.Standoff))
		radius := j.nominalHub(hang.Wheel).T[2]
		spin := make([]float64, len(j.Stations))
		zero := math.NaN()
		for st, stop := range j.Stations {
			// Rolling forward turns a wheel about the body's +y, which is outboard
			// on the left only.
			spin[st] = rolled[st] / radius
			for _, w := range stop.Lifted {
				if w == hang.Wheel {
					spin[st] += spun[st]
				}
			}
			spin[st] *= hang.Wheel.Side.Outboard()
			if hang.Stations.Has(st) && math.IsNaN(zero) {
				zero = spin[st]
			}
		}
		for st := range spin {
			if !math.IsNaN(zero) {
				spin[st] -= zero
			}
		}
		s.Spin = append(s.Spin, spin)
	}
	return s
}

// Placed returns where a board of the job is at a station and whether it is
// anywhere; lies tells that it lies on the floor.
func (c *Cast) Placed(s *State, board, station int) (floorFromBoard pose.SE3, lies, ok bool) {
	floorFromBoard, ok = c.FloorFromBoard(s, board, station)
	return floorFromBoard, ok && c.seatOf(board, station).kind == onFloor, ok
}

// Predict returns the readings that a job would have with such photographs,
// taken from where the state says, and their uncertainties: by the chain that
// solves, without solving. Of the observations only which corners there are and
// their covariances count, and what photographs from one place share of these.
func Predict(job *Job, camera vision.Camera, obs []Observation, s *State) ([]EpochReadings, error) {
	n := build(job, &camera, obs, s, allOf(job), 0)
	if alike := n.repeats(obs); alike != nil {
		obs = slices.Clone(obs)
		for v := range obs {
			if alike[v] != 1 {
				obs[v].weigh(alike[v])
			}
		}
		n = build(job, &camera, obs, s, allOf(job), 0)
	}
	cov, err := n.p.Covariance()
	if err != nil {
		return nil, solveError(err)
	}
	return n.allReadings(s, cov)
}

func allOf(job *Job) []bool {
	used := make([]bool, len(job.Photos))
	for i := range used {
		used[i] = true
	}
	return used
}

// Outlook is a job's chain at a state, taken apart photograph by photograph:
// what any selection of them would give is known without building it anew. What
// is seen at all (which wheels have readings) is that of all photographs
// together.
type Outlook struct {
	net   *network
	state *State
	info  *bundle.Information
	of    map[bundle.ResidualID]int // a view's board
}

// NewOutlook builds it. Photographs that hold nothing say nothing.
func NewOutlook(job *Job, camera vision.Camera, obs []Observation, s *State) (*Outlook, error) {
	shown := make([]bool, len(job.Photos))
	for _, o := range obs {
		shown[o.Photo] = true
	}
	o := &Outlook{net: build(job, &camera, obs, s, shown, 0), state: s, of: map[bundle.ResidualID]int{}}
	for v, part := range o.net.views {
		if part.id >= 0 {
			o.of[part.id] = obs[v].Board
		}
	}
	var err error
	o.info, err = o.net.p.Information()
	return o, err
}

// Size is the number of unknowns besides those of single photographs.
func (o *Outlook) Size() int { return o.info.Size() }

// Priors is the information of all that is known beforehand.
func (o *Outlook) Priors() *mat.SymDense { return o.info.Rest() }

// Photo is the information in a photograph, its own place being unknown, about
// the columns cols; see [bundle.Information.Of].
func (o *Outlook) Photo(p int) (cols []int32, h *mat.SymDense) { return o.info.Of(o.net.photos[p]) }

// PhotoOf is [Outlook.Photo] with each board's covariance multiplied by what factor
// says of it; h is nil where the photograph then says nothing.
func (o *Outlook) PhotoOf(p int, factor func(board int) float64) (cols []int32, h *mat.SymDense) {
	cols, h, ok := o.info.Weighed(o.net.photos[p], func(id bundle.ResidualID) float64 {
		if b, ok := o.of[id]; ok {
			return 1 / factor(b)
		}
		return 1
	})
	if !ok {
		return nil, nil
	}
	return cols, h
}

// Repeated is the share of their variance that the boards in both of two photographs
// have in common, as a solution counts it: each board's covariance is multiplied by 1
// and what its photograph shares with each of the others.
func (o *Outlook) Repeated(p, q int) float64 {
	photos := o.net.job.Photos
	if photos[p].Station != photos[q].Station {
		return 0
	}
	at := func(k int) pose.Vec { return o.state.Cameras[k].Inverse().T }
	return repeated(pose.Norm(pose.Sub(at(p), at(q))))
}

// Wanted is a reading with its gradient with respect to the unknowns.
type Wanted struct {
	Epoch int // index among the epochs with readings
	Like  align.Reading
	G     []float64
}

// Gradients returns the readings for which want is true, by differences: their
// uncertainty is √(G·C·Gᵀ). Runout, a length of two numbers that may be zero,
// has none.
func (o *Outlook) Gradients(want func(align.Reading) bool) ([]Wanted, error) {
	n := o.net
	all := func() ([]EpochReadings, error) { return n.allReadings(n.state(&o.state.Camera), exactly{&n.p}) }
	at, err := all()
	if err != nil {
		return nil, err
	}
	var out []Wanted
	var index [][2]int
	for e, set := range at {
		for i, r := range set.Readings {
			if r.Quantity != align.Runout && want(r) {
				out = append(out, Wanted{Epoch: e, Like: r, G: make([]float64, o.Size())})
				index = append(index, [2]int{e, i})
			}
		}
	}
	const h = 1e-6 // rad or m
	blocks := []struct {
		ids []bundle.BlockID
		m   bundle.Manifold
	}{{n.stations, bundle.PoseManifold}, {n.hubs, hubManifold{}}, {n.lines, lineManifold{}}, {n.body, bundle.PoseManifold}}
	for _, list := range [][][]bundle.BlockID{n.spins, n.steers} {
		for _, ids := range list {
			blocks = append(blocks, struct {
				ids []bundle.BlockID
				m   bundle.Manifold
			}{ids, bundle.Euclidean(1)})
		}
	}
	for _, b := range blocks {
		for _, id := range b.ids {
			if id < 0 {
				continue
			}
			centre := n.p.Value(id)
			for k, col := range o.info.Columns(id) {
				if col < 0 {
					continue
				}
				d, x := make([]float64, b.m.Dim()), make([]float64, len(centre))
				for _, sign := range []float64{1, -1} {
					d[k] = sign * h
					b.m.Plus(centre, d, x)
					n.p.SetValue(id, x)
					now, err := all()
					if err != nil {
						return nil, err
					}
					for w, i := range index {
						out[w].G[col] += sign * now[i[0]].Readings[i[1]].Value / (2 * h)
					}
				}
			}
			n.p.SetValue(id, centre)
		}
	}
	return out, nil
}

// Source is where uncertainty comes from.
type Source string

// The sources of a budget, as residuals have them.
const (
	FromCorners  Source = "corners"  // noise of the corners in the photographs
	FromCamera   Source = "camera"   // the calibration
	FromWander   Source = "wander"   // the camera's changes from photo to photo, and within one
	FromPrint    Source = "print"    // print scale, of all boards and of single ones
	FromFlatness Source = "flatness" // how far boards are bowed
	FromFloor    Source = "floor"    // how flat the ground is
	FromMount    Source = "mount"    // how boards are clamped
	FromStandoff Source = "standoff" // how equal the clamps are
	FromSweep    Source = "sweep"    // brakes, steering axes and lifted bodies
	FromKingpin  Source = "kingpin"  // its place on its board
)

// Sources lists them in the order of a table.
var Sources = []Source{FromCorners, FromCamera, FromWander, FromPrint, FromFlatness, FromFloor, FromMount, FromStandoff, FromSweep, FromKingpin}

// sourceOf tells which source a row of a residual belongs to; -1 for the gauge,
// which tells nothing.
func (n *network) sourceOf(id bundle.ResidualID, row int) Source {
	name := n.p.ResidualName(id)
	is := func(s string) bool { return strings.HasPrefix(name, s) }
	switch {
	case is("board "):
		return FromCorners
	case is("camera file"):
		return FromCamera
	case is("wander prior"), is("drift prior"):
		return FromWander
	case is("print scale prior"):
		return FromPrint
	case is("shape prior"):
		// Stretches first, where they are free.
		if n.job.Priors.PrintSpread > 0 && row < 2 {
			return FromPrint
		}
		return FromFlatness
	case is("floor"):
		return FromFloor
	case is("mount prior"):
		if row == 3 {
			return FromStandoff
		}
		return FromMount
	}
	return FromSweep
}

// Share is a reading's standard uncertainty by where it comes from, rad or m, in
// the order of Sources: the squares add up to that of its uncertainty.
type Share []float64

// Budget returns, for each reading of [Predict], its shares.
func Budget(job *Job, camera vision.Camera, obs []Observation, s *State) ([]EpochReadings, [][]Share, error) {
	return budget(build(job, &camera, obs, s, allOf(job), 0), s)
}

// Budget returns each reading's shares of a job that was solved: of the
// observations, weights and photographs of its last fit.
func (s *Solution) Budget() ([]EpochReadings, [][]Share, error) { return budget(s.net, s.State) }

func budget(n *network, s *State) ([]EpochReadings, [][]Share, error) {
	cov, err := n.p.Covariance()
	if err != nil {
		return nil, nil, solveError(err)
	}
	index := map[Source]int{}
	for i, x := range Sources {
		index[x] = i
	}
	parts, err := cov.Shares(len(Sources), func(id bundle.ResidualID, row int) int { return index[n.sourceOf(id, row)] })
	if err != nil {
		return nil, nil, err
	}
	total, err := n.allReadings(s, cov)
	if err != nil {
		return nil, nil, err
	}
	out := make([][]Share, len(total))
	for e := range total {
		for range total[e].Readings {
			out[e] = append(out[e], make(Share, len(Sources)))
		}
	}
	// The kingpin's own uncertainty is no residual: readings add it to whatever
	// covariance they get, so the parts get a kingpin without.
	bare := *n
	job := *n.job
	if k := job.Kingpin; k != nil {
		still := *k
		still.U = 0
		job.Kingpin = &still
	}
	bare.job = &job
	for k, part := range parts {
		from, cov := &bare, covariance(part)
		if Sources[k] == FromKingpin {
			from, cov = n, exactly{&n.p}
		}
		list, err := from.allReadings(s, cov)
		if err != nil {
			return nil, nil, err
		}
		for e := range list {
			for i := range list[e].Readings {
				out[e][i][k] = list[e].U(i)
			}
		}
	}
	return total, out, nil
}

// Loose lists the unknowns that are places or turns of something in the bay,
// m and rad: those that a tape measure and the eye tell about.
func (o *Outlook) Loose() []int {
	n := o.net
	lists := append([][]bundle.BlockID{n.stations, n.hubs, n.lines, n.hangs, n.floor, n.body}, n.spins...)
	var out []int
	for _, ids := range append(lists, n.steers...) {
		for _, id := range ids {
			if id < 0 {
				continue
			}
			for _, col := range o.info.Columns(id) {
				if col >= 0 {
					out = append(out, col)
				}
			}
		}
	}
	return out
}
