package calib

import (
	"context"
	"fmt"
	"math"
	"sort"

	"wheelplane/pose"
	"wheelplane/pose/bundle"
	"wheelplane/vision"
)

// View is what one photograph shows of one board. The board's markers do not
// matter here, so a plain chessboard is a [vision.Board] without them.
type View struct {
	Name    string
	Board   vision.Board
	Corners []vision.Corner
}

// Options steer [Calibrate]. The zero value works, and allows for a board that
// a good printer and a stiff plate make.
type Options struct {
	// PrintError is the standard uncertainty of the board's print, relative: of
	// the difference between its two scales, and of its right angle (radians).
	// 0 means 0.001.
	PrintError float64
	// Flatness is the standard uncertainty of the board's bow: how far its
	// outermost corner lies off the plane of its centre, over the distance
	// between the two. 0 means 0.005.
	Flatness float64
	// PerfectBoard takes the board for drawn, flat and square, whatever the two
	// above say. If it is not, the intrinsics are wrong by several times their
	// stated uncertainty.
	PerfectBoard bool
	NoLensPrior  bool
	// MaxFocalError is the relative standard uncertainty of the focal length
	// above which the photographs are refused; 0 means 0.02.
	MaxFocalError float64
	// KeepAll switches the search for wrong corners off.
	KeepAll bool
	// Workers limits the goroutines; 0: all cores.
	Workers int
}

// Residual is what one corner is off by.
type Residual struct {
	Index    int        // of the corner on its board
	Px       [2]float64 // where it was seen
	OffPx    [2]float64 // seen minus predicted
	Rejected bool       // left out of the solution as wrong
}

// ViewResult is one photograph in the solution.
type ViewResult struct {
	Name            string
	CameraFromBoard pose.SE3
	Residuals       []Residual
	RMSPx           float64 // of the corners used, as in [Result]
}

// Result is a calibrated camera and what speaks for it.
type Result struct {
	Camera vision.Camera // with covariance

	Views  []ViewResult
	Shapes map[vision.Board]Shape // estimated; empty where taken for perfect

	Corners, Rejected int     // used and left out
	RMSPx             float64 // root of the mean squared length of the residuals, OpenCV's definition

	// LackOfFitPx is the standard uncertainty per coordinate that had to be
	// added to the detection's own so that the residuals are as large as they
	// are; 0 when the detection's own suffices.
	LackOfFitPx float64
	// ByPhoto, ByPlace and ByBoard tell how much more alike than independent
	// corners those err that share a photograph, a part of the frame (1/8 of
	// its longer side), or a corner of the board: the variance of the
	// intrinsics as such groups disagree among themselves, over that for
	// independent corners. Together is what the covariance was multiplied by on
	// their account.
	ByPhoto, ByPlace, ByBoard, Together float64
	// Pattern is the mean square of the residuals' averages over cells of the
	// frame against what independent residuals give. Well above 1: the
	// residuals point the same way in the same place, so the lens model does
	// not fit.
	Pattern float64

	Variety  Variety
	Warnings []string
}

// TooWeak is the error for photographs that are sound but do not fix a camera.
type TooWeak struct {
	Reason string // what is missing
	Advice string // what to photograph in addition
}

// Error implements error: reason and advice in one line.
func (e *TooWeak) Error() string {
	return "these photographs do not fix a camera: " + e.Reason + ": " + e.Advice
}

const (
	// minCorners is how many corners a view must keep. Six leave it six
	// equations beyond its pose.
	minCorners = 6
	// minViews: two views of a plane fix four intrinsics and leave nothing to
	// check; three are the least that show a wrong one.
	minViews = 3
	// rejectSquared is the squared whitened length beyond which a corner is
	// wrong: 1 in 60 000 right ones lies beyond.
	rejectSquared = 22
	// medianSquared is the median of the squared length of a 2-vector of unit
	// normal components: 2 ln 2.
	medianSquared = 2 * math.Ln2
)

// Calibrate finds the camera that fits the corners of the views best. Width
// and height are of the photographs, pixels.
//
// # How the uncertainty comes about
//
// Residuals of real photographs exceed the detection's own covariance, because
// no lens is exactly the model and no corner exactly where its grey values
// say. So one variance, the same for all corners, is added to the detection's
// until the residuals have their expected size ([Result.LackOfFitPx]).
//
// Corners do not err independently either: those of one photograph share its
// blur, focus and stabiliser, those in one place of the frame share what the
// lens model leaves, the same corner in all photographs shares its own print.
// A covariance from independent corners is then too good. So the corners are
// grouped in these three ways, and the scatter of the groups' pulls on the
// intrinsics (their scores) is compared with what independent corners give.
// With the three ratios R, 1 for independent corners, the variance is that of
// independent corners times R₁ + R₂ + R₃ − 2, if above 1; the excess is further
// multiplied by (n−1)/(n−3) for having been estimated from n photographs.
// Sources, cited from memory: Liang and Zeger, Biometrika 73 (1986) 13-22
// (scores of groups); Cameron, Gelbach and Miller, J. Business & Economic
// Statistics 29 (2011) 238-249 (groupings added up); JCGM 101:2008, 6.4.9.4
// (the factor).
//
// What is wrong in all photographs alike does not show by disagreement: the
// board as a whole. Its print and flatness are unknowns with a prior of the
// width stated in the options, so that their share is in the covariance as
// well; and so is what is known of any camera, see [Options.NoLensPrior].
//
// The error is a [*TooWeak] when the views do not fix the camera.
func Calibrate(ctx context.Context, views []View, width, height int, opts Options) (*Result, error) {
	if width <= 0 || height <= 0 {
		return nil, fmt.Errorf("a picture of %d x %d pixels: give the size of the photographs", width, height)
	}
	res := &Result{}
	var used []View
	for _, v := range views {
		if err := checkView(&v); err != nil {
			res.Warnings = append(res.Warnings, err.Error()+": left out")
			continue
		}
		used = append(used, v)
	}
	if len(used) < minViews {
		return nil, &TooWeak{
			Reason: fmt.Sprintf("%s, at least %d are needed", photographs(len(used)), minViews),
			Advice: photographMore,
		}
	}
	if !focalVisible(used, width, height) {
		return nil, &TooWeak{
			Reason: "the board is seen straight on, or from one side only, in all of them",
			Advice: photographTilted,
		}
	}
	cam, poses, err := Start(used, width, height)
	if err != nil {
		return nil, &TooWeak{Reason: err.Error(), Advice: photographMore}
	}

	return calibrateFrom(ctx, used, cam, poses, opts, res)
}

// calibrateFrom is Calibrate from a start; res may hold warnings already.
func calibrateFrom(ctx context.Context, views []View, cam vision.Camera, poses []pose.SE3, opts Options, res *Result) (*Result, error) {
	m := newModel(views, cam, poses, opts)
	if err := m.fit(ctx); err != nil {
		return nil, err
	}
	for _, v := range m.dropped {
		res.Warnings = append(res.Warnings, fmt.Sprintf("photo %s: fewer than %d of its corners fit the others: left out", v, minCorners))
	}
	if len(m.views) < minViews {
		return nil, &TooWeak{
			Reason: fmt.Sprintf("only %s agree with each other", photographs(len(m.views))),
			Advice: photographMore,
		}
	}
	m.report(res)
	res.Variety = varietyOf(res)
	if err := m.uncertainty(res); err != nil {
		return nil, err
	}
	if err := refuse(res, opts); err != nil {
		return nil, err
	}
	return res, nil
}

// checkView tells what makes a view useless.
func checkView(v *View) error {
	n := v.Board.NumCorners()
	seen := map[int]bool{}
	for _, c := range v.Corners {
		switch {
		case c.Index < 0 || c.Index >= n:
			return fmt.Errorf("photo %s: corner %d is not on the board, which has %d", v.Name, c.Index, n)
		case seen[c.Index]:
			return fmt.Errorf("photo %s: corner %d twice", v.Name, c.Index)
		case !(c.Cov[0] > 0) || !(c.Cov[0]*c.Cov[2] > c.Cov[1]*c.Cov[1]) || math.IsInf(c.Cov[0]+c.Cov[2], 0):
			return fmt.Errorf("photo %s: corner %d has no usable covariance", v.Name, c.Index)
		case math.IsNaN(c.Px[0]+c.Px[1]) || math.IsInf(c.Px[0]+c.Px[1], 0):
			return fmt.Errorf("photo %s: corner %d has no position", v.Name, c.Index)
		}
		seen[c.Index] = true
	}
	if len(v.Corners) < minCorners {
		return fmt.Errorf("photo %s: %d corners of the board are too few (at least %d)", v.Name, len(v.Corners), minCorners)
	}
	h, ok := boardToPicture(v)
	if !ok {
		return fmt.Errorf("photo %s: the corners seen lie on one line", v.Name)
	}
	if !plausible(v, h) {
		return fmt.Errorf("photo %s: its corners do not lie as on the board", v.Name)
	}
	return nil
}

// model is the bundle's state between fits.
type model struct {
	opts    Options
	views   []*modelView
	dropped []string
	cam     vision.Camera
	boards  []vision.Board
	shapes  [][]float64 // by board
	lens    int         // how many of the intrinsics are free, the first ones
	extra   float64     // variance added to the detection's, px²
	focal   float64     // of the start, for the scale of the lens's prior
	oblong  bool        // pixels turned out not to be square
}

type modelView struct {
	name            string
	board           int
	halfM           float64
	index           []int // corner on the board
	obs             []observation
	cameraFromBoard pose.SE3
	rejected        []bool
	squared         []float64 // whitened squared length of each corner's residual
}

func newModel(views []View, cam vision.Camera, poses []pose.SE3, opts Options) *model {
	m := &model{opts: opts, cam: cam, lens: vision.PlainIntrinsics, focal: (cam.FX + cam.FY) / 2}
	byBoard := map[vision.Board]int{}
	for i := range views {
		v := &views[i]
		b, ok := byBoard[v.Board]
		if !ok {
			b = len(m.boards)
			byBoard[v.Board] = b
			m.boards = append(m.boards, v.Board)
			m.shapes = append(m.shapes, make([]float64, numShape))
		}
		mv := &modelView{name: v.Name, board: b, halfM: Reach(&v.Board), cameraFromBoard: poses[i],
			rejected: make([]bool, len(v.Corners)), squared: make([]float64, len(v.Corners))}
		for _, c := range v.Corners {
			mv.index = append(mv.index, c.Index)
			mv.obs = append(mv.obs, observation{board: v.Board.Corner(c.Index), px: c.Px, cov: c.Cov})
		}
		m.views = append(m.views, mv)
	}
	return m
}

// lensPrior returns the prior on the intrinsics.
func (m *model) lensPrior() *lensPrior {
	w, h := float64(m.cam.Width-1), float64(m.cam.Height-1)
	return &lensPrior{mid: [2]float64{w / 2, h / 2}, size: math.Max(w, h), aspect: !m.oblong,
		cornerR: math.Hypot(w, h) / 2 / m.focal}
}

// shapePrior returns the prior on each board's shape.
func (m *model) shapePrior() *shapePrior {
	or := func(v, standard float64) float64 {
		if v > 0 {
			return v
		}
		return standard
	}
	p, f := or(m.opts.PrintError, 0.001), or(m.opts.Flatness, 0.005)
	return &shapePrior{[numShape]float64{p, p, f, f, f}}
}

// used returns the view's residual of the corners not rejected.
func (m *model) used(v *modelView) *viewResidual {
	f := &viewResidual{halfM: v.halfM}
	for i := range v.obs {
		if !v.rejected[i] {
			f.obs = append(f.obs, v.obs[i])
			f.w = append(f.w, whitening(v.obs[i].cov, m.extra))
		}
	}
	return f
}

// problem builds the bundle at the model's state.
func (m *model) problem(loss bundle.Loss) (p *bundle.Problem, cam bundle.BlockID, shapes, poses []bundle.BlockID) {
	p = &bundle.Problem{}
	k := m.cam.Intrinsics()
	cam = p.AddBlock("the camera", k[:], bundle.Euclidean(vision.NumIntrinsics))
	var held []int
	for i := m.lens; i < vision.NumIntrinsics; i++ {
		held = append(held, i)
	}
	p.Hold(cam, held...)
	if !m.opts.NoLensPrior {
		p.AddResidual("the prior of the lens", m.lensPrior(), vision.NumIntrinsics, 0, nil, cam)
	}
	prior := m.shapePrior()
	for b, s := range m.shapes {
		id := p.AddBlock(fmt.Sprintf("the shape of board %s", m.boards[b].Name), s, bundle.Euclidean(numShape))
		shapes = append(shapes, id)
		p.SetConstant(id, m.opts.PerfectBoard)
		p.AddResidual("the prior of the board", prior, numShape, 0, nil, id)
	}
	for _, v := range m.views {
		id := p.AddBlock("photo "+v.name, bundle.PoseValue(v.cameraFromBoard), bundle.PoseManifold)
		p.Eliminate(id)
		poses = append(poses, id)
		f := m.used(v)
		p.AddResidual("photo "+v.name, f, 2*len(f.obs), 2, loss, cam, id, shapes[v.board])
	}
	return
}

// solve runs the bundle once and measures every corner against the result.
func (m *model) solve(ctx context.Context, loss bundle.Loss) error {
	p, cam, shapes, poses := m.problem(loss)
	o := bundle.Options{MaxIterations: 200, Workers: m.opts.Workers}
	if loss != nil {
		// Reweighting converges slowly, and need not arrive: it only tells the
		// wrong corners from the right ones.
		o.MaxIterations, o.AcceptLimit = 50, true
	}
	if _, err := p.Solve(ctx, o); err != nil {
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case loss != nil:
			// Wrong corners can hold it where the lens model folds over; the best
			// it found still tells them apart.
		default:
			return &TooWeak{Reason: "no camera fits them (" + err.Error() + ")", Advice: photographMore}
		}
	}
	m.cam.SetIntrinsics([vision.NumIntrinsics]float64(p.Value(cam)))
	for i, id := range shapes {
		m.shapes[i] = p.Value(id)
	}
	for i, id := range poses {
		m.views[i].cameraFromBoard = bundle.GetPose(p.Value(id))
	}
	m.measure()
	return nil
}

// off returns a corner's residual, predicted minus seen.
func (m *model) off(v *modelView, i int) (d [2]float64, ok bool) {
	q, _ := shapeAt(m.shapes[v.board], v.obs[i].board, v.halfM)
	px, ok := m.cam.Project(v.cameraFromBoard.Apply(q))
	return [2]float64{px[0] - v.obs[i].px[0], px[1] - v.obs[i].px[1]}, ok
}

// measure fills the squared whitened lengths of all corners.
func (m *model) measure() {
	for _, v := range m.views {
		for i := range v.obs {
			d, ok := m.off(v, i)
			if !ok {
				v.squared[i] = math.Inf(1)
				continue
			}
			v.squared[i] = squaredLength(d, v.obs[i].cov, m.extra)
		}
	}
}

func squaredLength(d [2]float64, cov [3]float64, extra float64) float64 {
	w := whitening(cov, extra)
	a, b := w[0]*d[0], w[1]*d[0]+w[2]*d[1]
	return a*a + b*b
}

// parameters counts the unknowns.
func (m *model) parameters() int {
	n := m.lens + 6*len(m.views)
	if !m.opts.PerfectBoard {
		n += numShape * len(m.boards)
	}
	return n
}

// fit solves with a robust loss, rejects wrong corners, and solves again by
// plain least squares with the added variance that the residuals ask for.
func (m *model) fit(ctx context.Context) error {
	if !m.opts.KeepAll {
		m.measure()
		for range 3 {
			// A corner's weight must not depend on others that are wrong, so the
			// scale here is from the median.
			m.extra = m.extraVariance(func(sq []float64, _ int) float64 {
				sort.Float64s(sq)
				return sq[len(sq)/2] / medianSquared
			})
			if err := m.solve(ctx, bundle.Cauchy(2)); err != nil {
				return err
			}
		}
		m.reject()
		if len(m.views) < minViews {
			return nil
		}
	}
	m.oblong = math.Abs(math.Log(m.cam.FX/m.cam.FY)) > 4*priorAspect
	for range 10 {
		if err := m.solve(ctx, nil); err != nil {
			return err
		}
		before := m.extra
		m.extra = m.extraVariance(func(sq []float64, _ int) float64 {
			var sum float64
			for _, s := range sq {
				sum += s
			}
			return sum / math.Max(1, float64(2*len(sq)-m.parameters()))
		})
		m.measure()
		changed := !m.opts.KeepAll && m.reject()
		if len(m.views) < minViews {
			return nil
		}
		if !changed && math.Abs(m.extra-before) <= 1e-3*before {
			break
		}
	}
	return m.solve(ctx, nil)
}

// extraVariance returns the variance to add to every corner's covariance so
// that size, which is given the squared whitened lengths of the corners in use
// and falls with the variance, is 1; 0 if it is at most 1 without.
func (m *model) extraVariance(size func(sq []float64, n int) float64) float64 {
	type item struct {
		d   [2]float64
		cov [3]float64
	}
	var items []item
	var top float64
	for _, v := range m.views {
		for i := range v.obs {
			if d, ok := m.off(v, i); ok && !v.rejected[i] {
				items = append(items, item{d, v.obs[i].cov})
				top = math.Max(top, d[0]*d[0]+d[1]*d[1])
			}
		}
	}
	if len(items) == 0 {
		return 0
	}
	at := func(extra float64) float64 {
		sq := make([]float64, len(items))
		for i, it := range items {
			sq[i] = squaredLength(it.d, it.cov, extra)
		}
		return size(sq, len(sq))
	}
	if at(0) <= 1 {
		return 0
	}
	lo, hi := 0.0, top
	for at(hi) > 1 {
		hi *= 2
	}
	for range 60 {
		mid := (lo + hi) / 2
		if at(mid) > 1 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

// reject marks the corners that are wrong at the present solution, takes back
// those that are not, and drops views that keep too few.
func (m *model) reject() (changed bool) {
	var keep []*modelView
	for _, v := range m.views {
		n := 0
		for i, s := range v.squared {
			r := !(s <= rejectSquared)
			changed = changed || r != v.rejected[i]
			v.rejected[i] = r
			if !r {
				n++
			}
		}
		if n < minCorners || !m.spans(v) {
			m.dropped = append(m.dropped, v.name)
			changed = true
			continue
		}
		keep = append(keep, v)
	}
	m.views = keep
	return changed
}

// spans tells whether the corners left in a view still fix its pose.
func (m *model) spans(v *modelView) bool {
	w := View{Board: m.boards[v.board]}
	for i := range v.obs {
		if !v.rejected[i] {
			w.Corners = append(w.Corners, vision.Corner{Index: v.index[i], Px: v.obs[i].px})
		}
	}
	_, ok := boardToPicture(&w)
	return ok
}

// report fills the result but for uncertainty and variety.
func (m *model) report(res *Result) {
	res.Camera = m.cam
	res.Camera.Views = len(m.views)
	res.LackOfFitPx = math.Sqrt(m.extra)
	res.Shapes = map[vision.Board]Shape{}
	if !m.opts.PerfectBoard {
		for i, b := range m.boards {
			res.Shapes[b] = shapeOf(m.shapes[i])
		}
	}
	var sum float64
	for _, v := range m.views {
		r := ViewResult{Name: v.name, CameraFromBoard: v.cameraFromBoard}
		var sq float64
		n := 0
		for i := range v.obs {
			d, _ := m.off(v, i)
			r.Residuals = append(r.Residuals, Residual{Index: v.index[i], Px: v.obs[i].px,
				OffPx: [2]float64{-d[0], -d[1]}, Rejected: v.rejected[i]})
			if v.rejected[i] {
				res.Rejected++
				continue
			}
			sq += d[0]*d[0] + d[1]*d[1]
			n++
		}
		r.RMSPx = math.Sqrt(sq / float64(n))
		sum += sq
		res.Corners += n
		res.Views = append(res.Views, r)
	}
	res.RMSPx = math.Sqrt(sum / float64(res.Corners))
	res.Camera.RMSPx = res.RMSPx
	res.Pattern = m.pattern()
	if res.Pattern > patternLimit {
		res.Warnings = append(res.Warnings, "the residuals point the same way in the same parts of the frame: the lens is not quite of this model (or the board not as stated), and the uncertainty allows for it only in part")
	}
}

// refuse returns a [*TooWeak] when the result must not be used.
func refuse(res *Result, opts Options) error {
	limit := opts.MaxFocalError
	if limit == 0 {
		limit = 0.1
	}
	c := &res.Camera
	u := math.Max(math.Sqrt(c.Cov[0][0])/c.FX, math.Sqrt(c.Cov[1][1])/c.FY)
	if !(u <= limit) {
		return &TooWeak{
			Reason: fmt.Sprintf("the focal length stays uncertain by %s (at most %s)", percent(u), percent(limit)),
			Advice: res.Variety.Advice(),
		}
	}
	if !invertible(c) {
		res.Warnings = append(res.Warnings, "the lens model has no inverse at the edge of the frame, where no board was seen: photograph the board in all four corners of the frame")
	}
	if u > 0.01 {
		res.Warnings = append(res.Warnings, fmt.Sprintf("the focal length is uncertain by %s: %s", percent(u), res.Variety.Advice()))
	}
	return nil
}

// invertible tells whether the model has a ray for every pixel of the frame.
func invertible(c *vision.Camera) bool {
	w, h := float64(c.Width-1), float64(c.Height-1)
	for i := range 9 {
		for j := range 9 {
			if _, ok := c.Ray([2]float64{w * float64(i) / 8, h * float64(j) / 8}); !ok {
				return false
			}
		}
	}
	return true
}

func percent(v float64) string {
	if v >= 0.1 {
		return fmt.Sprintf("%.0f %%", 100*v)
	}
	return fmt.Sprintf("%.2g %%", 100*v)
}

func photographs(n int) string {
	if n == 1 {
		return "1 photograph"
	}
	return fmt.Sprintf("%d photographs", n)
}

const (
	photographMore   = "photograph the board 10 to 20 times, tilted 20 to 45 degrees in all directions, near and far, in the middle and in every corner of the frame, the camera upright and turned by 90 degrees"
	photographTilted = "photograph the board also tilted by 20 to 45 degrees to the left, to the right, upwards and downwards"
)
