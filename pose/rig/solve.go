package rig

import (
	"context"
	"fmt"
	"io"
	"maps"
	"math"
	"runtime"
	"slices"
	"sort"
	"strings"

	"wheelplane/pose/align"
	"wheelplane/pose/bundle"
	"wheelplane/vision"

	"golang.org/x/sync/errgroup"
	"gonum.org/v1/gonum/stat/distuv"
)

// Options steer [Solve]; the zero value works.
type Options struct {
	// RejectSigma is how many of its standard deviations a corner may lie off
	// before it is left out of the final fit. 0: 4.
	RejectSigma float64
	// Unusable says of photographs, by index, why they were not even looked at;
	// the result names them with the others that are left out.
	Unusable map[int]string
	// Progress, if any, is told what is going on.
	Progress func(what string)
	// Problem, if any, gets the last fit as plain text, from where it set out.
	// See [WriteProblem].
	Problem io.Writer
}

// EpochReadings are the readings of one epoch with their joint covariance.
type EpochReadings struct {
	Epoch string
	align.Set
	// Stance is the wheels the readings were derived from, in the body's frame.
	Stance align.Stance
	// UFloor is the part of each reading's standard uncertainty that comes from
	// how flat the floor is stated to be, rad or m.
	UFloor []float64
}

// Solution is a job solved.
type Solution struct {
	State    *State
	Readings []EpochReadings
	Network  Network
	Warnings []string
	Used     []bool // by photo

	net    *network // of the last fit
	stated []Observation
}

// Observations returns what the solution is of: corners left out are not among them,
// and the others are as uncertain as they are taken to be (the variance factor and a
// film's codec count), but for what photographs from one place share.
func (s *Solution) Observations() []Observation { return s.stated }

// Network tells how the solution came about and how well it fits.
type Network struct {
	Photos          int          `json:"photos"`           // used
	LeftOut         []LeftOut    `json:"left_out"`         // photographs that take no part
	Faults          []Fault      `json:"faults,omitempty"` // mishaps found and worked around
	Views           int          `json:"views"`            // boards in photographs
	Corners         int          `json:"corners"`          // used
	Rejected        int          `json:"rejected_corners"` // left out as wrong, those of rejected views among them
	RejectedViews   []OffView    `json:"rejected_views,omitempty"`
	RMSPx           float64      `json:"rms_px"`          // of corners used, each coordinate
	Redundancy      int          `json:"redundancy"`      // observations and priors less unknowns
	VarianceFactor  float64      `json:"variance_factor"` // chi-square over redundancy; the corners' covariances are multiplied by it, below 1 by its root
	Iterations      int          `json:"iterations"`
	RunoutRemoved   bool         `json:"runout_compensated"` // more than one station with the wheels turned
	PrintScale      [2]Scalar    `json:"print_scale"`
	Boards          []BoardFound `json:"boards,omitempty"`          // by board seen, where boards may differ
	CameraWander    *Wandering   `json:"camera_wander,omitempty"`   // where the camera may
	RollingShutter  *Rolling     `json:"rolling_shutter,omitempty"` // where it may move while it reads a photo
	Codec           *Codec       `json:"codec,omitempty"`           // of a film's frames
	Stations        []Stop       `json:"stations"`
	Camera          *CameraFit   `json:"camera,omitempty"` // where its file states a covariance
	FloorFlatnessMM float64      `json:"floor_flatness_mm"`
}

// OffView is a board in a photograph that does not fit as a whole.
type OffView struct {
	Board string  `json:"board"`
	Photo string  `json:"photo"`
	OffPx float64 `json:"off_px"` // its corners, root mean square of each coordinate
}

// Scalar is a value with its standard uncertainty.
type Scalar struct {
	Name  string  `json:"name,omitempty"`
	Value float64 `json:"value"`
	U     float64 `json:"u"`
}

// BoardFound is a board as the solution found it.
type BoardFound struct {
	Board string `json:"board"`
	// PrintScale is the board's own, x and y, over the one all share; nil where
	// neither differs from 1 by three of its uncertainties.
	PrintScale []Scalar `json:"print_scale,omitempty"`
	// BowMM is how far the face stands out of its mean plane: x, by how much the
	// middles of its left and right edge stand before its middle; y, those of its
	// top and bottom edge; twist, by how much two opposite corners do, and the
	// other two behind it.
	BowMM []Scalar `json:"bow_mm,omitempty"`
}

// Wandering tells how much the camera differed from photo to photo: the root
// mean squares of what was found, and of the uncertainty it was found with.
type Wandering struct {
	Focal    Scalar `json:"focal"`     // relative
	CentrePx Scalar `json:"centre_px"` // x and y alike
}

// Rolling tells how much the camera moved from a photo's first row to its last: the
// root mean squares of what was found, of each direction, and of the uncertainty it
// was found with.
type Rolling struct {
	TurnDeg Scalar `json:"turn_deg"`
	ShiftMM Scalar `json:"shift_mm"`
}

// Codec tells how far off a film's codec drew boards, standard deviations of each
// coordinate, pixels: whole boards, and their edges against their middle.
type Codec struct {
	ShiftPx float64 `json:"shift_px"`
	WarpPx  float64 `json:"warp_px"`
}

// Stop is a station as the solution found it.
type Stop struct {
	Name     string  `json:"name"`
	Epoch    string  `json:"epoch"`
	Photos   int     `json:"photos"`
	RolledMM float64 `json:"rolled_mm"` // forward from the first station
	TurnDeg  float64 `json:"turned_deg"`
}

// Solve finds the wheel axes of a job from the corners in its photographs.
//
// It starts from the boards' poses photo by photo, solves one bundle with a
// robust loss, explains what does not fit by what can go wrong in a bay, leaves
// out wrong corners and solves again without a loss. The covariance is that of
// the last fit, in which the corners' covariances are reweighed (see reweigh).
func Solve(ctx context.Context, job *Job, camera vision.Camera, obs []Observation, o Options) (*Solution, error) {
	if o.RejectSigma == 0 {
		o.RejectSigma = 4
	}
	if o.Progress == nil {
		o.Progress = func(string) {}
	}
	if err := job.Validate(); err != nil {
		return nil, err
	}
	if err := checkJoint(job, obs); err != nil {
		return nil, err
	}
	f := &fitting{ctx: ctx, job: job, file: &camera, camera: &camera, obs: obs, o: o}
	if err := f.copies(); err != nil {
		return nil, err
	}
	for _, step := range []struct {
		what string
		do   func() error
	}{
		{fmt.Sprintf("placing %d photographs", len(job.Photos)), f.start},
		{"solving", f.robust},
		{"checking that everything fits", f.explain},
		{"leaving out wrong corners", f.final},
		{"weighing the corners", f.reweigh},
	} {
		o.Progress(step.what)
		if err := step.do(); err != nil {
			return nil, err
		}
	}
	if err := f.net.checkTurns(f.state); err != nil {
		return nil, err
	}
	if o.Problem != nil {
		if err := WriteProblem(o.Problem, f.job, f.camera, f.obs, f.begin, f.used); err != nil {
			return nil, err
		}
	}
	o.Progress("working out uncertainties")
	return f.solution()
}

// checkJoint makes sure that what is known of corners together is of those
// corners.
func checkJoint(job *Job, obs []Observation) error {
	for _, o := range obs {
		if o.Joint == nil {
			continue
		}
		bad := len(o.Joint.Rows) == 0
		for _, row := range o.Joint.Rows {
			bad = bad || len(row) != 2*len(o.Corners)
		}
		if bad {
			return fmt.Errorf("internal: board %s in %s: what is known of its %d corners together does not have two numbers for each", job.Boards[o.Board].Name, job.Photos[o.Photo].Path, len(o.Corners))
		}
	}
	return nil
}

// weigh multiplies the covariance of an observation; the numbers it was made of
// stay as they are.
func (o *Observation) weigh(factor float64) {
	o.Corners = slices.Clone(o.Corners)
	for i := range o.Corners {
		for k := range o.Corners[i].Cov {
			o.Corners[i].Cov[k] *= factor
		}
	}
	if o.Joint == nil {
		return
	}
	joint := *o.Joint
	joint.Rows = make([][]float64, len(o.Joint.Rows))
	for i, row := range o.Joint.Rows {
		joint.Rows[i] = slices.Clone(row)
		for k := range joint.Rows[i] {
			joint.Rows[i][k] /= math.Sqrt(factor)
		}
	}
	o.Joint = &joint
}

// fitting is a job on its way to a solution.
type fitting struct {
	ctx    context.Context
	job    *Job
	file   *vision.Camera // as calibrated
	camera *vision.Camera // the same, but for its covariance if it was let go
	obs    []Observation
	o      Options

	state      *State
	begin      *State // of the last fit
	used       []bool // by photo
	leftOut    []LeftOut
	faults     []Fault
	rejected   int // corners
	offViews   []OffView
	iterations int
	codec      codecNoise    // that the corners' covariances hold
	factor     float64       // chi-square over redundancy, with the corners' covariances as detection states them
	stated     []Observation // see [Solution.Observations]

	net *network // of the last fit
	sum bundle.Summary
}

// copies leaves out photographs that are another's copy to the last pixel: they
// tell nothing twice.
func (f *fitting) copies() error {
	of := make([]string, len(f.job.Photos))
	for _, o := range f.obs {
		of[o.Photo] += fmt.Sprint(o.Board, o.Corners)
	}
	first := map[string]int{}
	unusable, copied := maps.Clone(f.o.Unusable), map[int]bool{}
	for p, seen := range of {
		q, ok := first[seen]
		a, b := f.job.Photos[p], f.job.Photos[q]
		switch {
		case seen == "":
		case !ok:
			first[seen] = p
		case a.Station != b.Station:
			return fmt.Errorf("%s and %s are the same picture, filed under two stations: keep it where it belongs", b.Path, a.Path)
		default:
			if unusable == nil {
				unusable = map[int]string{}
			}
			unusable[p], copied[p] = "it is the same picture as "+b.Path, true
		}
	}
	f.o.Unusable = unusable
	f.obs = slices.DeleteFunc(slices.Clone(f.obs), func(o Observation) bool { return copied[o.Photo] })
	return nil
}

func (f *fitting) start() (err error) {
	f.state, f.used, f.leftOut, err = start(f.ctx, f.job, *f.camera, f.obs, f.o.Unusable)
	if err != nil {
		return err
	}
	return checkStations(f.job, f.used)
}

// fit solves the bundle from the present state and moves there.
func (f *fitting) fit(width float64, o bundle.Options) (err error) {
	f.begin, f.net = f.state, build(f.job, f.camera, f.obs, f.state, f.used, width)
	if f.sum, err = f.net.p.Solve(f.ctx, o); err != nil {
		return solveError(err)
	}
	f.iterations += f.sum.Iterations
	f.state = f.net.state(f.camera)
	return nil
}

// robust solves while wrong corners are still in. Far from the solution most
// corners look wrong: the loss narrows as the fit gets better.
func (f *fitting) robust() error {
	films, stated := f.job.films(), f.obs
	if films {
		f.drawOff(usualCodec)
	}
	for _, width := range []float64{10 * robustWidth, robustWidth} {
		if err := f.fit(width, bundle.Options{MaxIterations: 60, CostTolerance: 1e-7, AcceptLimit: true}); err != nil {
			return err
		}
	}
	if films {
		f.coarsen(stated)
		f.drawOff(usualCodec)
		return f.weighCodec(func() error {
			return f.fit(robustWidth, bundle.Options{MaxIterations: 30, CostTolerance: 1e-6, AcceptLimit: true})
		})
	}
	return nil
}

func (f *fitting) explain() (err error) {
	var now *trial
	if now, f.faults, err = explain(f.ctx, f.job, f.camera, f.obs, f.state, f.used); err != nil {
		return err
	}
	f.job, f.camera, f.state, f.used = now.job, now.camera, now.state, now.used
	if len(now.off) > 0 {
		all := build(f.job, f.camera, f.obs, f.state, f.used, 0)
		for _, v := range slices.Sorted(maps.Keys(now.off)) {
			if all.views[v].id >= 0 {
				f.offViews = append(f.offViews, all.off(f.obs[v], all.views[v]))
				f.rejected += len(f.obs[v].Corners)
			}
		}
		f.obs = now.kept(f.obs)
	}
	for _, x := range f.faults {
		if x.Kind == PhotoMisfiled {
			why := strings.Replace(strings.TrimPrefix(x.Text, x.Photo), " and is left out", "", 1)
			f.leftOut = append(f.leftOut, LeftOut{x.Photo, "it" + why})
		}
	}
	return nil
}

// final leaves out wrong corners and solves without a loss, until none is left
// to leave out.
func (f *fitting) final() error {
	total := countCorners(f.obs, f.used) + f.rejected
	for round := range 4 {
		check := build(f.job, f.camera, f.obs, f.state, f.used, 0)
		kept, out, views := check.reject(f.obs, f.o.RejectSigma)
		if round > 0 && out == 0 {
			break
		}
		f.rejected += out
		f.offViews = append(f.offViews, views...)
		f.obs = kept
		if err := f.dropEmpty(); err != nil {
			return err
		}
		if err := f.fit(0, bundle.Options{MaxIterations: 60}); err != nil {
			return err
		}
	}
	if f.rejected*2 > total {
		return fmt.Errorf("more than half of all corners (%d of %d) fit nothing: check hangs, stations and the camera file", f.rejected, total)
	}
	return nil
}

// dropEmpty leaves out the photographs of which no corner is left.
func (f *fitting) dropEmpty() error {
	left := make([]bool, len(f.job.Photos))
	for _, o := range f.obs {
		left[o.Photo] = left[o.Photo] || len(o.Corners) > 0
	}
	for p, photo := range f.job.Photos {
		if f.used[p] && !left[p] {
			f.used[p] = false
			f.leftOut = append(f.leftOut, LeftOut{photo.Path, "none of its boards fits the other photographs"})
		}
	}
	return checkStations(f.job, f.used)
}

// leastFactor is the least the corners' covariances are multiplied by: corners a
// tenth as uncertain as detection states.
const leastFactor = 0.01

// reweigh lets the photographs say how good their corners are: the corners'
// covariances are multiplied by the variance factor, below 1 by its root, and
// the job is solved once more, with the priors as they were. Only many redundant corners may say that
// they are better than stated.
func (f *fitting) reweigh() error {
	if f.job.films() {
		if err := f.weighCodec(func() error { return f.fit(0, bundle.Options{MaxIterations: 60}) }); err != nil {
			return err
		}
	}
	redundancy := f.sum.Rows - f.sum.Parameters
	f.factor = 1
	if redundancy > 0 {
		f.factor = 2 * f.sum.FinalCost / float64(redundancy)
	}
	alike := f.net.repeats(f.obs)
	few := f.factor < 1 && redundancy < 1000
	if few && alike == nil {
		f.stated = f.obs
		return nil
	}
	weigh := f.factor
	if few {
		weigh = 1
	} else if weigh < 1 {
		// What the corners of a view share goes into its pose and does not show in
		// residuals, so half of the gain is believed. (Views of whole boards state
		// what their corners share: their factors were 0.92 and 0.95 in two rendered jobs, where half
		// or all is the same.) And corners drawn without noise fit perfectly:
		// weights without end would leave the priors nothing to say.
		weigh = math.Max(math.Sqrt(f.factor), leastFactor)
	}
	f.stated = slices.Clone(f.obs)
	for v := range f.obs {
		if alike == nil || alike[v] == 1 {
			f.stated[v].weigh(weigh)
			f.obs[v].weigh(weigh)
			continue
		}
		// What photographs from one place share does not show in residuals.
		f.stated[v].weigh(math.Max(1, weigh))
		f.obs[v].weigh(alike[v] * math.Max(1, weigh))
	}
	return f.fit(0, bundle.Options{MaxIterations: 60})
}

// solution derives the readings and tells how they came about.
func (f *fitting) solution() (*Solution, error) {
	sol := &Solution{State: f.state, Used: f.used, net: f.net}
	for _, o := range f.stated {
		if len(o.Corners) > 0 {
			sol.stated = append(sol.stated, o)
		}
	}
	net := &sol.Network
	net.Faults, net.LeftOut = f.faults, f.leftOut
	net.Rejected, net.RejectedViews, net.Corners, net.Iterations = f.rejected, f.offViews, f.net.corners, f.iterations
	net.Redundancy = f.sum.Rows - f.sum.Parameters
	net.VarianceFactor = f.factor
	if f.job.films() {
		net.Codec = &Codec{math.Sqrt(f.codec[codecShift]), math.Sqrt(f.codec[codecWarp])}
	}
	cov, err := f.net.p.Covariance()
	if err != nil {
		return nil, solveError(err)
	}
	if sol.Readings, err = f.net.allReadings(f.state, cov); err != nil {
		return nil, err
	}
	if err := f.floorShare(cov, sol.Readings); err != nil {
		return nil, err
	}
	f.tellFound(net.Faults)
	f.net.describe(sol, cov, *f.file)
	tense, err := f.net.tensions(f.state, cov, f.file, f.file == f.camera, net)
	if err != nil {
		return nil, err
	}
	sol.Warnings = append(sol.Warnings, tense...)
	if d := float64(net.Redundancy); survival(net.VarianceFactor*d, net.Redundancy) < asksFrom {
		camera, err := f.unsteady()
		if err != nil {
			return nil, err
		}
		if camera != "" { // it imitates the rest
			sol.Warnings = append([]string{camera}, sol.Warnings...)
		} else {
			loose, err := f.play()
			if err != nil {
				return nil, err
			}
			sol.Warnings = append(sol.Warnings, loose...)
		}
	}
	sol.Warnings = append(sol.Warnings, doubts(f.job, sol)...)
	sol.Warnings = append(sol.Warnings, unplaced(f.job, f.obs)...)
	return sol, nil
}

// tellFound adds to faults what was found in place of what was stated.
func (f *fitting) tellFound(faults []Fault) {
	for i, x := range faults {
		switch {
		case x.Kind == CameraMistaken:
			faults[i].Text += fmt.Sprintf(" (focal length %.1f px, where it says %.1f)", f.state.Camera.FX, f.file.FX)
		case x.Kind == BoardMisprinted && x.Board != "":
			b := slices.IndexFunc(f.job.Boards, func(b vision.Board) bool { return b.Name == x.Board })
			shape := f.state.Shape(b)
			faults[i].Text += fmt.Sprintf(" (%.4f × %.4f times the others')", 1+shape.Stretch[0], 1+shape.Stretch[1])
		case x.Kind == BoardMisprinted:
			faults[i].Text += f.net.sizes(f.state)
		}
	}
}

// floorShare tells of each reading how much of its uncertainty comes from the
// floor's stated flatness: what goes away if the floor is made thirty times
// flatter.
func (f *fitting) floorShare(cov *bundle.Covariance, epochs []EpochReadings) error {
	flatter, err := cov.Tightened(30, f.net.flat)
	if err != nil {
		return solveError(err)
	}
	without, err := f.net.allReadings(f.state, flatter)
	if err != nil {
		return err
	}
	for e := range epochs {
		for i := range epochs[e].Readings {
			u, v := epochs[e].U(i), without[e].U(i)
			epochs[e].UFloor = append(epochs[e].UFloor, math.Sqrt(math.Max(0, u*u-v*v)))
		}
	}
	return nil
}

// onAllCores does n things at a time as far as there are cores, and returns the first
// error.
func onAllCores(n int, do func(i int) error) error {
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i := range n {
		g.Go(func() error { return do(i) })
	}
	return g.Wait()
}

// solveError words the failure of the least squares for the person in the bay.
func solveError(err error) error {
	if strings.Contains(err.Error(), "no convergence") {
		return fmt.Errorf("the photographs contradict each other so much that no solution is found: check square_mm, hangs, stations and the camera file, and that every photograph is of this vehicle (%w)", err)
	}
	return fmt.Errorf("the photographs do not fix the solution: %w; add photographs that tie the named parts to their neighbours", err)
}

// checkStations makes sure that every station keeps a photo.
func checkStations(job *Job, used []bool) error {
	count := make([]int, len(job.Stations))
	for p, photo := range job.Photos {
		if used[p] {
			count[photo.Station]++
		}
	}
	for st, c := range count {
		if c == 0 {
			return fmt.Errorf("station %s: none of its photographs ties to the rest; photograph its boards together with floor boards, or take the station out", job.Stations[st].Name)
		}
	}
	return nil
}

func countCorners(obs []Observation, used []bool) int {
	n := 0
	for _, o := range obs {
		if used[o.Photo] {
			n += len(o.Corners)
		}
	}
	return n
}

// reject returns the observations without the corners that lie more than sigma
// standard deviations off, how many went, and which views went as a whole: where
// the whole board was fitted, its corners were judged in the picture, and what is
// left to judge is the view. The scale of the residuals is taken from their
// median, so that a few bad ones do not hide each other.
func (n *network) reject(obs []Observation, sigma float64) (kept []Observation, gone int, views []OffView) {
	// Squares over their median where all is well, of corners and of views.
	var all [2][]float64
	at := make([][]float64, len(obs))
	kind := make([]int, len(obs))
	for v, part := range n.views {
		if part.id < 0 {
			continue
		}
		at[v] = n.squares(part)
		if part.f.rows != nil {
			kind[v] = 1
		}
		usual := chiSquared(part.f.group(), 0.5)
		for _, s := range at[v] {
			all[kind[v]] = append(all[kind[v]], s/usual)
		}
	}
	var scale [2]float64
	for k, list := range all {
		scale[k] = 1
		if len(list) > 0 {
			sort.Float64s(list)
			scale[k] = math.Max(1, list[len(list)/2])
		}
	}
	// Of pairs 1.5·sigma², 24 at 4, which six in a million exceed; as many of views.
	rare := math.Exp(-0.75 * sigma * sigma)
	out := make([]Observation, len(obs))
	for v, o := range obs {
		out[v] = o
		if at[v] == nil {
			continue
		}
		limit := scale[kind[v]] * chiSquared(n.views[v].f.group(), rare)
		if kind[v] == 1 {
			if off := n.off(o, n.views[v]); at[v][0] > limit && !(off.OffPx < leastOffPx) {
				gone += len(o.Corners)
				views = append(views, off)
				out[v].Corners, out[v].Joint = nil, nil
			}
			continue
		}
		out[v].Corners = nil
		for i, c := range o.Corners {
			if at[v][i] > limit {
				gone++
				continue
			}
			out[v].Corners = append(out[v].Corners, c)
		}
	}
	return out, gone, views
}

// leastOffPx is the least that a whole board must lie off to be taken for wrong,
// root mean square of each coordinate. Nothing that goes wrong in a bay moves one
// by less: a picture whose board is promised too much does, and that belongs into
// the variance factor.
const leastOffPx = 0.02

// off names an observation that does not fit as a whole.
func (n *network) off(o Observation, v view) OffView {
	off := OffView{Board: n.job.Boards[o.Board].Name, Photo: n.job.Photos[o.Photo].Path}
	if e, ok := n.offsets(v); ok {
		off.OffPx = rms(e)
	}
	return off
}

// rms is the root mean square of both coordinates.
func rms(e [][2]float64) float64 {
	sum := 0.0
	for _, d := range e {
		sum += d[0]*d[0] + d[1]*d[1]
	}
	return math.Sqrt(sum / math.Max(1, 2*float64(len(e))))
}

// describe fills in the network's summary and the warnings.
func (n *network) describe(sol *Solution, cov *bundle.Covariance, calibrated vision.Camera) {
	net, s, job := &sol.Network, sol.State, n.job
	var off [][2]float64
	for _, v := range n.views {
		if v.id < 0 {
			continue
		}
		net.Views++
		e, _ := n.offsets(v)
		off = append(off, e...)
	}
	net.RMSPx = rms(off)
	photos := make([]int, len(job.Stations))
	for p, u := range sol.Used {
		if u {
			net.Photos++
			photos[job.Photos[p].Station]++
		}
	}
	sd := func(id bundle.BlockID, i int) float64 {
		c := cov.Joint([]bundle.BlockID{id})
		return math.Sqrt(c.At(i, i))
	}
	for i := range net.PrintScale {
		net.PrintScale[i] = Scalar{Name: []string{"x", "y"}[i], Value: s.PrintScale[i], U: sd(n.scale, i)}
	}
	n.describeBoards(sol, cov)
	n.describeWander(sol, cov)
	n.describeDrift(sol, cov)
	if calibrated.Cov != nil {
		net.Camera = n.cameraFit(s, cov, &calibrated)
	} else {
		sol.Warnings = append(sol.Warnings, "the camera file states no covariance: its numbers are taken as exact, and the uncertainties are too small by what they are not; calibrate with 'wheelplane camera'")
	}
	net.FloorFlatnessMM = job.Priors.FloorFlatness * 1e3
	for st, station := range job.Stations {
		stop := Stop{Name: station.Name, Epoch: station.Epoch, Photos: photos[st]}
		stop.RolledMM = s.FloorFromBody[st].T[0] * 1e3
		if st > 0 {
			stop.TurnDeg = net.Stations[st-1].TurnDeg + n.turned(s, st)*180/math.Pi
		}
		net.Stations = append(net.Stations, stop)
	}
	loose := n.uncompensated(s)
	net.RunoutRemoved = len(loose) == 0
	if len(loose) > 0 {
		on := strings.Join(loose, ", ")
		if len(loose) == len(n.cast.Wheels) {
			on = "any wheel"
		}
		sol.Warnings = append(sol.Warnings, fmt.Sprintf("runout is not compensated on %s, which turned by less than %.0f degrees between stations: its angles are known only as well as its board was clamped (%.2g deg); roll the vehicle until its wheels have turned by some 30 degrees, or lift and spin the wheel, and photograph another station", on, LeastTurn*180/math.Pi, job.Priors.MountTilt*180/math.Pi))
	}
	if net.VarianceFactor > 2 {
		sol.Warnings = append(sol.Warnings, fmt.Sprintf("the corners fit %.1f times worse than their own uncertainty tells (they count for as much less): look for a bent board, a wrong print scale or the wrong camera file", math.Sqrt(net.VarianceFactor)))
	}
	for _, f := range net.Faults {
		if f.Kind != PhotoMisfiled {
			sol.Warnings = append(sol.Warnings, f.Text)
		}
	}
	sol.Warnings = append(sol.Warnings, leftOutWarnings(net.LeftOut)...)
	if len(net.RejectedViews) > 0 {
		var names []string
		for i, v := range net.RejectedViews {
			if i == 4 {
				names = append(names, fmt.Sprintf("%d more", len(net.RejectedViews)-i))
				break
			}
			names = append(names, fmt.Sprintf("%s in %s", v.Board, v.Photo))
		}
		sol.Warnings = append(sol.Warnings, fmt.Sprintf("boards that do not fit the other photographs and are left out: %s; look whether they moved, or were covered or mirrored", strings.Join(names, ", ")))
	}
}

// What a board may be bowed by before it is to be replaced, m.
const tooBowed = 0.001

// describeBoards tells of the boards' shapes, and which of them are too bowed.
func (n *network) describeBoards(sol *Solution, cov *bundle.Covariance) {
	const clear = 3 // standard uncertainties
	var bad, one []string
	for b, id := range n.shapes {
		if id < 0 {
			continue
		}
		x, c := n.p.Value(id), cov.Between(id, id)
		u := func(i int) float64 { return math.Sqrt(c.At(i, i)) }
		found := BoardFound{Board: n.job.Boards[b].Name}
		if u(0) > 0 && (math.Abs(x[0]) > clear*u(0) || math.Abs(x[1]) > clear*u(1)) {
			found.PrintScale = []Scalar{{"x", 1 + x[0], u(0)}, {"y", 1 + x[1], u(1)}}
		}
		if n.job.Priors.BoardFlatness > 0 {
			most := 0.0
			for i, name := range []string{"x", "y", "twist"} {
				v, u := x[2+i], u(2+i)
				found.BowMM = append(found.BowMM, Scalar{name, v * 1e3, u * 1e3})
				if math.Abs(v)-tooBowed > clear*u {
					most = math.Max(most, math.Abs(v))
				}
			}
			if most > 0 {
				bad, one = append(bad, fmt.Sprintf("%s by %.1f mm", found.Board, most*1e3)), append(one, found.Board)
			}
		}
		sol.Network.Boards = append(sol.Network.Boards, found)
	}
	if len(bad) > 0 {
		sol.Warnings = append(sol.Warnings, fmt.Sprintf("boards that are bowed: %s; this is allowed for, but a stiff plate serves better, and the clamp may be what bends it: replace or straighten %s", strings.Join(bad, ", "), strings.Join(one, ", ")))
	}
}

// improbable tells whether what was found of some components beside a photo's pose,
// over all photos, is more than stated, u by component: by a chi-square in which
// every number counts as far as its photo speaks to it.
func (n *network) improbable(used []bool, cov *bundle.Covariance, u float64, group []int) bool {
	if u == 0 {
		return false
	}
	chi2, count := 0.0, 0.0
	for p, id := range n.photos {
		if !used[p] {
			continue
		}
		x, c := n.p.Value(id), cov.Between(id, id)
		for _, k := range group {
			v := x[bundle.PoseSize+k-6] / u
			chi2, count = chi2+v*v, count+1-c.At(k, k)/(u*u)
		}
	}
	return count > 1 && distuv.ChiSquared{K: count}.Survival(chi2) < tense
}

// besidePose returns root mean squares over the photos used, for each group of the
// components beside a photo's pose (as its block's steps count them): of what they
// were found as, and of their uncertainties.
func (n *network) besidePose(used []bool, cov *bundle.Covariance, groups ...[]int) []Scalar {
	out := make([]Scalar, len(groups))
	count := 0.0
	for p, id := range n.photos {
		if !used[p] {
			continue
		}
		count++
		x, c := n.p.Value(id), cov.Between(id, id)
		for g, group := range groups {
			for _, k := range group {
				v := x[bundle.PoseSize+k-6]
				out[g].Value += v * v / float64(len(group))
				out[g].U += c.At(k, k) / float64(len(group))
			}
		}
	}
	for g := range out {
		out[g].Value, out[g].U = math.Sqrt(out[g].Value/count), math.Sqrt(out[g].U/count)
	}
	return out
}

// describeWander tells how much the camera wandered.
func (n *network) describeWander(sol *Solution, cov *bundle.Covariance) {
	pr := n.job.Priors
	if !pr.wandering() {
		return
	}
	found := n.besidePose(sol.Used, cov, []int{6}, []int{7, 8})
	w := &Wandering{found[0], found[1]}
	sol.Network.CameraWander = w
	for _, x := range []struct {
		found, said float64
		of          []int
		what, key   string
	}{{w.Focal.Value, pr.WanderFocal, []int{6}, fmt.Sprintf("its focal length by %.2g", w.Focal.Value), "focal"}, {w.CentrePx.Value, pr.WanderCentre, []int{7, 8}, fmt.Sprintf("its centre by %.1f px", w.CentrePx.Value), "centre_px"}} {
		if x.said > 0 && x.found > 2*x.said || n.improbable(sol.Used, cov, x.said, x.of) {
			sol.Warnings = append(sol.Warnings, fmt.Sprintf("the camera changed from photo to photo, %s where %.2g was allowed for: switch stabiliser and autofocus off, or enter camera_wander: %s", x.what, x.said, x.key))
		}
	}
}

// describeDrift tells how much the camera moved while it read a photo.
func (n *network) describeDrift(sol *Solution, cov *bundle.Covariance) {
	pr := n.job.Priors
	if !pr.rolling() {
		return
	}
	found := n.besidePose(sol.Used, cov, []int{9, 10, 11}, []int{12, 13, 14})
	scaled := func(s Scalar, unit float64) Scalar { return Scalar{Value: unit * s.Value, U: unit * s.U} }
	r := &Rolling{scaled(found[0], 180/math.Pi), scaled(found[1], 1e3)}
	sol.Network.RollingShutter = r
	if turn, shift := deg(pr.RollTurn), mm(pr.RollShift); turn > 0 && r.TurnDeg.Value > 2*turn || shift > 0 && r.ShiftMM.Value > 2*shift ||
		n.improbable(sol.Used, cov, pr.RollTurn, []int{9, 10, 11}) || n.improbable(sol.Used, cov, pr.RollShift, []int{12, 13, 14}) {
		sol.Warnings = append(sol.Warnings, fmt.Sprintf("the camera moved while it read its photographs, by %.2g degrees and %.2g mm where %.2g and %.2g were allowed for: hold it still, or enter rolling_shutter: turn_deg and shift_mm", r.TurnDeg.Value, r.ShiftMM.Value, turn, shift))
	}
}

// leftOutWarnings names the photographs left out, one line a reason: a few of
// them, since the result lists them all.
func leftOutWarnings(list []LeftOut) []string {
	const named = 4
	photos := map[string][]string{}
	var reasons []string
	for _, l := range list {
		if photos[l.Reason] == nil {
			reasons = append(reasons, l.Reason)
		}
		photos[l.Reason] = append(photos[l.Reason], l.Photo)
	}
	var out []string
	for _, reason := range reasons {
		p := photos[reason]
		switch {
		case len(p) == 1:
			out = append(out, fmt.Sprintf("%s is left out: %s", p[0], reason))
		case len(p) <= named+1:
			out = append(out, fmt.Sprintf("%s are left out: %s", strings.Join(p, ", "), reason))
		default:
			out = append(out, fmt.Sprintf("%s and %d more are left out: %s", strings.Join(p[:named], ", "), len(p)-named, reason))
		}
	}
	return out
}

// turned is how far the standing wheels turned forward on the way to a station,
// on average over the boards seen at both its ends, rad.
func (n *network) turned(s *State, st int) float64 {
	sum, count := 0.0, 0
	standing := func(h, st int) bool {
		return n.seen.hang[h][st] && !n.cast.Axes[n.cast.AxisAt[n.cast.wheelOf[h]][st]].Lifted
	}
	for h, hang := range n.job.Hangs {
		if !standing(h, st-1) || !standing(h, st) {
			continue
		}
		turn := s.Spin[h][st] - s.Spin[h][st-1]
		if hang.Wheel.Side == align.Right {
			turn = -turn
		}
		sum += turn
		count++
	}
	return sum / float64(max(1, count))
}

// LeastTurn is how far a wheel must have turned between stations, rad, before
// its runout counts as compensated.
const LeastTurn = 5 * math.Pi / 180

// uncompensated lists the wheels no hang of which was turned.
func (n *network) uncompensated(s *State) []string {
	var out []string
	for w, wheel := range n.cast.Wheels {
		turned := 0.0
		for h := range n.job.Hangs {
			if n.cast.wheelOf[h] == w {
				turned = math.Max(turned, n.spread(s, h))
			}
		}
		if turned < LeastTurn {
			out = append(out, wheel.String())
		}
	}
	return out
}

// spread is the largest turn of a hang's wheel between two stations that share
// an axis, rad.
func (n *network) spread(s *State, h int) float64 {
	most := 0.0
	axisAt := n.cast.AxisAt[n.cast.wheelOf[h]]
	for a := range n.job.Stations {
		for b := range a {
			if n.seen.hang[h][a] && n.seen.hang[h][b] && axisAt[a] == axisAt[b] {
				most = math.Max(most, math.Abs(math.Remainder(s.Spin[h][a]-s.Spin[h][b], 2*math.Pi)))
			}
		}
	}
	return most
}
