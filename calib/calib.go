package calib

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/mat"

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
	Joint   *vision.Joint // how the corners hang together, as in [vision.View]; or nil
}

// Options steer [Calibrate]. The zero value works, and allows for a board that
// a good printer and a stiff plate make.
type Options struct {
	// PrintError is the standard uncertainty of the board's print, relative: of
	// the difference between its two scales, and of its right angle (radians).
	// 0 means 0.003.
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
	// Lens says which terms of the lens are found; the zero value lets the
	// residuals decide.
	Lens Lens
	// Wander is what to expect of how lens and board change from photograph to
	// photograph; 0 means those of a phone and of a board on something stiff.
	// Photographs that are sharp enough show it themselves. Steady takes the lens
	// for fixed, PerfectBoard also the board.
	Wander Wander
	Steady bool
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
	Offset          Offset
	Residuals       []Residual
	RMSPx           float64 // of the corners used, as in [Result]
}

// Result is a calibrated camera and what speaks for it.
type Result struct {
	Camera vision.Camera // with covariance

	Views  []ViewResult
	Shapes map[vision.Board]Shape // estimated; empty where taken for perfect

	Lens    Lens   // the terms found
	LensWhy string // what the residuals say for it, in a sentence
	Wander  Wander // estimated; zero where the lens was taken for steady

	Corners, Rejected int     // used and left out
	RMSPx             float64 // root of the mean squared length of the residuals, OpenCV's definition

	// DetectionFactor is what the detection's covariances were multiplied by, and
	// LackOfFitPx the standard uncertainty per coordinate that was then added, so
	// that residuals are as large and as unequal as they are. Alike is by how much
	// more the variance of all that is smooth over a board was taken to be, for
	// neighbouring corners that err alike or detection that states more than
	// residuals show.
	DetectionFactor, LackOfFitPx, Alike float64
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
// Residuals of real photographs are not what the detection's covariance says:
// no lens is exactly the model, no corner exactly where its grey values say, and
// some detections state little. So the detection's covariances are multiplied by
// one factor, and one variance is added to all; the two that make the residuals
// the likeliest are taken ([Result.DetectionFactor], [Result.LackOfFitPx]). How
// alike neighbouring corners of a photograph err tells by how much more their
// errors count in all that is smooth ([Result.Alike]); where the corners come with
// a [vision.Joint], that says so itself. What the corners of a view share entirely
// goes into its pose and shows nowhere, so the variance is never taken for less
// than the detection states.
//
// Corners do not err independently in other ways either: those of one photograph
// share its blur, focus and stabiliser, those in one place of the frame share
// what the lens model leaves, the same corner in all photographs shares its print.
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
// What moves from photograph to photograph is an unknown of each ([Offset]) with
// a prior whose width is found with the others ([Wander]).
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
	if len(m.views) >= minViews {
		var err error
		if m, err = m.chooseLens(ctx, res); err != nil {
			return nil, err
		}
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
	if v.Joint != nil {
		if len(v.Joint.Rows) == 0 {
			return fmt.Errorf("photo %s: its corners have no rows together", v.Name)
		}
		for _, row := range v.Joint.Rows {
			if len(row) != 2*len(v.Corners) || !finite(row) {
				return fmt.Errorf("photo %s: the rows of its corners together are not %d finite numbers", v.Name, 2*len(v.Corners))
			}
		}
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

func finite(v []float64) bool {
	for _, x := range v {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

// model is the bundle's state between fits.
type model struct {
	opts    Options
	views   []*modelView
	dropped []string
	cam     vision.Camera
	boards  []vision.Board
	shapes  [][]float64 // by board
	lens    Lens
	wander  Wander // the offsets' prior
	noise   noise
	alike   float64 // what smooth errors have in variance over what independent ones would
	focal   float64 // of the start, for the scale of the lens's prior
	oblong  bool    // pixels turned out not to be square
}

type modelView struct {
	name            string
	board           int
	halfM           float64
	index           []int // corner on the board
	obs             []observation
	joint           *vision.Joint
	cameraFromBoard pose.SE3
	offset          Offset
	rejected        []bool
	squared         []float64 // whitened squared length of each corner's residual

	whole *together // of the corners in use, where joint is; nil: not yet worked out
}

func newModel(views []View, cam vision.Camera, poses []pose.SE3, opts Options) *model {
	m := &model{opts: opts, cam: cam, lens: LensPlain, noise: noise{1, 0}, alike: 1, focal: (cam.FX + cam.FY) / 2}
	m.wander = m.usualWander()
	if len(opts.Lens.free()) > 0 {
		m.lens = opts.Lens
	}
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
		mv := &modelView{name: v.Name, board: b, halfM: Reach(&v.Board), joint: v.Joint, cameraFromBoard: poses[i],
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
	p, f := or(m.opts.PrintError, 0.003), or(m.opts.Flatness, 0.005)
	return &shapePrior{[numShape]float64{p, p, f, f, f}}
}

// used returns the view's residual of the corners not rejected.
func (m *model) used(v *modelView) *viewResidual {
	f := m.alone(v)
	if t := v.together(); t != nil {
		f.rows = t.rows(m.noise.times(m.alike))
	}
	return f
}

// alone is used with each corner by itself.
func (m *model) alone(v *modelView) *viewResidual {
	f := &viewResidual{halfM: v.halfM, plain: m.lens == LensPlain}
	for i := range v.obs {
		if !v.rejected[i] {
			f.obs = append(f.obs, v.obs[i])
			f.w = append(f.w, whitening(v.obs[i].cov, m.noise.times(m.alike)))
		}
	}
	return f
}

// together returns the joint whitening of the corners in use, nil where they
// were measured one by one.
func (v *modelView) together() *together {
	if v.whole == nil && v.joint != nil {
		v.whole = newTogether(v.joint, v.rejected)
	}
	return v.whole
}

// intrinsics lists the free ones.
func (m *model) intrinsics() []int {
	free := make([]int, vision.PlainIntrinsics)
	for i := range free {
		free[i] = i
	}
	return append(free, m.lens.free()...)
}

// problem builds the bundle at the model's state. With a loss, each corner is
// by itself.
func (m *model) problem(loss bundle.Loss) (p *bundle.Problem, cam bundle.BlockID, shapes, photos []bundle.BlockID) {
	p = &bundle.Problem{}
	k := m.cam.Intrinsics()
	cam = p.AddBlock("the camera", k[:], bundle.Euclidean(vision.NumIntrinsics))
	var held []int
	free := m.intrinsics()
	for i := range k {
		if !slices.Contains(free, i) {
			held = append(held, i)
		}
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
		id := p.AddBlock("photo "+v.name, photoValue(v.cameraFromBoard, v.offset), photoManifold{})
		p.Eliminate(id)
		photos = append(photos, id)
		f := m.used(v)
		if loss != nil {
			f = m.alone(v)
		}
		p.AddResidual("photo "+v.name, f, f.dim(), min(2, f.dim()), loss, cam, id, shapes[v.board])
		free, held := m.offsets()
		for i := range held {
			held[i] += 6
		}
		p.Hold(id, held...)
		if len(free) == 0 {
			continue
		}
		p.AddResidual("the prior of photo "+v.name, &offsetPrior{m.wander.sigma()}, numOffset, 0, nil, id)
	}
	return
}

// solve runs the bundle once and measures every corner against the result. It
// returns the cost.
func (m *model) solve(ctx context.Context, loss bundle.Loss) (float64, error) {
	p, cam, shapes, photos := m.problem(loss)
	o := bundle.Options{MaxIterations: 200, Workers: m.opts.Workers}
	if loss != nil {
		// Reweighting converges slowly, and need not arrive: it only tells the
		// wrong corners from the right ones.
		o.MaxIterations, o.AcceptLimit = 50, true
	}
	sum, err := p.Solve(ctx, o)
	if err != nil {
		switch {
		case ctx.Err() != nil:
			return 0, ctx.Err()
		case loss != nil:
			// Wrong corners can hold it where the lens model folds over; the best
			// it found still tells them apart.
		default:
			return 0, &TooWeak{Reason: "no camera fits them (" + err.Error() + ")", Advice: photographMore}
		}
	}
	m.cam.SetIntrinsics([vision.NumIntrinsics]float64(p.Value(cam)))
	for i, id := range shapes {
		m.shapes[i] = p.Value(id)
	}
	for i, id := range photos {
		m.views[i].cameraFromBoard, m.views[i].offset = getPhoto(p.Value(id))
	}
	m.measure()
	return sum.FinalCost, nil
}

// off returns a corner's residual, predicted minus seen.
func (m *model) off(v *modelView, i int) (d [2]float64, ok bool) {
	q, _ := shapeAt(v.offset.bend(m.shapes[v.board]), v.obs[i].board, v.halfM)
	cam := m.cam
	v.offset.move(&cam)
	px, ok := cam.Project(v.cameraFromBoard.Apply(q))
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
			at := m.noise
			if v.joint != nil {
				at.stated = math.Max(1, at.stated) // the noise is that of the rows together
			}
			v.squared[i] = squaredLength(d, v.obs[i].cov, at)
		}
	}
}

func squaredLength(d [2]float64, cov [3]float64, n noise) float64 {
	w := whitening(cov, n)
	a, b := w[0]*d[0], w[1]*d[0]+w[2]*d[1]
	return a*a + b*b
}

// freedom is the number of whitened rows less that of unknowns, the offsets'
// priors among the rows.
func (m *model) freedom() float64 {
	n := len(m.intrinsics())
	if !m.opts.PerfectBoard {
		n += numShape * len(m.boards)
	}
	rows := 0
	for _, v := range m.views {
		n += 6 // as many rows as unknowns of the offset
		if t := v.together(); t != nil {
			rows += len(t.sigma)
			continue
		}
		for _, r := range v.rejected {
			if !r {
				rows += 2
			}
		}
	}
	return math.Max(1, float64(rows-n))
}

// fit solves with a robust loss, rejects wrong corners, and solves again by
// plain least squares with the added variance that the residuals ask for.
func (m *model) fit(ctx context.Context) error {
	if !m.opts.KeepAll {
		m.measure()
		for range 3 {
			// A corner's weight must not depend on others that are wrong, so the
			// scale here is from the median.
			m.noise = noise{stated: 1}
			type miss struct {
				d   [2]float64
				cov [3]float64
			}
			var all []miss
			for _, v := range m.views {
				for i := range v.obs {
					if d, ok := m.off(v, i); ok && !v.rejected[i] {
						all = append(all, miss{d, v.obs[i].cov})
					}
				}
			}
			sq := make([]float64, len(all))
			m.noise.extra = added(1, func(at noise) float64 {
				if len(sq) == 0 {
					return 0
				}
				for i, c := range all {
					sq[i] = squaredLength(c.d, c.cov, at)
				}
				sort.Float64s(sq)
				return sq[len(sq)/2] / medianSquared
			})
			if _, err := m.solve(ctx, bundle.Cauchy(2)); err != nil {
				return err
			}
		}
		m.reject()
		if len(m.views) < minViews {
			return nil
		}
	}
	m.oblong = math.Abs(math.Log(m.cam.FX/m.cam.FY)) > 4*priorAspect
	return m.refit(ctx)
}

// refit is the second half of fit.
func (m *model) refit(ctx context.Context) error {
	for round := range 16 {
		if _, err := m.solve(ctx, nil); err != nil {
			return err
		}
		before, wander, alike := m.noise, m.wander, m.alike
		all := m.misses()
		m.noise = all.likeliest()
		// Residuals are smaller than errors that all corners of a view share, and
		// which only detection can know.
		m.alike = math.Max(1, math.Exp(all.logVariance(noise{1, 0})-all.logVariance(m.noise)))
		// What moves from photograph to photograph makes neighbours alike too, so it
		// is sought first.
		if round >= 3 {
			m.alike = math.Max(m.alike, m.neighbours())
		}
		m.estimateWander()
		m.measure()
		changed := !m.opts.KeepAll && m.reject()
		if len(m.views) < minViews {
			return nil
		}
		if round > 3 && !changed && math.Abs(m.noise.extra-before.extra) <= 1e-3*before.extra && math.Abs(m.noise.stated-before.stated) <= 1e-3*before.stated &&
			math.Abs(m.alike-alike) <= 0.01*alike && m.wander.near(&wander, 0.01) {
			break
		}
	}
	_, err := m.solve(ctx, nil)
	return err
}

// misses are the residuals of all corners in use, as the noise is found from them.
type misses struct {
	views   []viewMisses
	offsets float64 // squared offsets over their variances
	freedom float64
}

// viewMisses has the residuals corner by corner, or, where they were measured
// together, squared along the columns of v.
type viewMisses struct {
	d   [][2]float64
	cov [][3]float64

	whole   *together
	squared []float64

	// What pose and offset do to the residuals (rows: two a corner, or the columns
	// of v), and what is known of them besides.
	jac   *mat.Dense
	prior []float64
}

func (m *model) misses() *misses {
	all := &misses{freedom: m.freedom()}
	s := m.wander.sigma()
	free, _ := m.offsets()
	k := m.cam.Intrinsics()
	for _, v := range m.views {
		for i, o := range v.offset.vector() {
			all.offsets += o * o / (s[i] * s[i])
		}
		f := m.alone(v)
		f.rows = mat.NewDense(1, 1, nil) // not whitened
		n := 2 * len(f.obs)
		e, j := make([]float64, n), make([]float64, n*numPhoto)
		if !f.byCorner([][]float64{k[:], photoValue(v.cameraFromBoard, v.offset), m.shapes[v.board]}, e, [][]float64{nil, j, nil}) {
			continue
		}
		w := viewMisses{whole: v.together(), jac: mat.NewDense(n, 6+len(free), nil), prior: make([]float64, 6+len(free))}
		for row := range n {
			copy(w.jac.RawRowView(row), j[row*numPhoto:row*numPhoto+6])
			for a, i := range free {
				w.jac.Set(row, 6+a, j[row*numPhoto+6+i])
				w.prior[6+a] = 1 / (s[i] * s[i])
			}
		}
		if w.whole == nil {
			for i := range f.obs {
				w.d, w.cov = append(w.d, [2]float64{e[2*i], e[2*i+1]}), append(w.cov, f.obs[i].cov)
			}
		} else {
			var p mat.VecDense
			p.MulVec(w.whole.v.T(), mat.NewVecDense(n, e))
			w.squared = make([]float64, len(w.whole.sigma))
			for k := range w.squared {
				w.squared[k] = p.AtVec(k) * p.AtVec(k)
			}
			var jac mat.Dense
			jac.Mul(w.whole.v.T(), w.jac)
			w.jac = &jac
		}
		all.views = append(all.views, w)
	}
	return all
}

// size is the mean square of the whitened residuals: 1 if the noise is right.
func (r *misses) size(at noise) float64 {
	sum := r.offsets
	for i := range r.views {
		v := &r.views[i]
		for k := range v.d {
			sum += squaredLength(v.d[k], v.cov[k], at)
		}
		for k, sq := range v.squared {
			f := v.whole.root(k, at)
			sum += sq * f * f
		}
	}
	return sum / r.freedom
}

// logVariance is the mean logarithm of the variances that a noise gives the rows.
func (r *misses) logVariance(at noise) float64 {
	var sum float64
	n := 0
	for i := range r.views {
		v := &r.views[i]
		for _, c := range v.cov {
			w := whitening(c, at)
			sum -= 2 * math.Log(w[0]*w[2])
		}
		for k := range v.squared {
			sum -= 2 * math.Log(v.whole.root(k, at))
		}
		n += 2*len(v.cov) + len(v.squared)
	}
	return sum / float64(max(1, n))
}

// logTaken is the logarithm of the determinant of what the rows say of poses and
// offsets, by view: what those take up does not show in residuals.
func (r *misses) logTaken(at noise) (sum float64) {
	for i := range r.views {
		v := &r.views[i]
		rows, n := v.jac.Dims()
		white := mat.NewDense(rows, n, nil)
		for c := range v.cov {
			w := whitening(v.cov[c], at)
			x, y := v.jac.RawRowView(2*c), v.jac.RawRowView(2*c+1)
			for k := range n {
				white.Set(2*c, k, w[0]*x[k])
				white.Set(2*c+1, k, w[1]*x[k]+w[2]*y[k])
			}
		}
		for k := range v.squared {
			f := v.whole.root(k, at)
			for c, x := range v.jac.RawRowView(k) {
				white.Set(k, c, f*x)
			}
		}
		info := mat.NewSymDense(n, nil)
		info.SymOuterK(1, white.T())
		for k, p := range v.prior {
			info.SetSym(k, k, info.At(k, k)+p)
		}
		var chol mat.Cholesky
		if chol.Factorize(info) {
			sum += chol.LogDet()
		}
	}
	return sum
}

// noise says what the covariances of the detection are multiplied by, and what
// is then added to each coordinate's variance, px².
type noise struct{ stated, extra float64 }

func (n noise) times(f float64) noise { return noise{n.stated * f, n.extra * f} }

// halve returns the end of the interval's part where f, which falls, is at most 1.
func halve(lo, hi float64, f func(float64) float64) float64 {
	for range 60 {
		mid := (lo + hi) / 2
		if f(mid) > 1 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

// added returns the variance to add to stated times the detection's so that
// size, which falls with it, is 1; 0 if it is at most 1 without.
func added(stated float64, size func(noise) float64) float64 {
	if size(noise{stated, 0}) <= 1 {
		return 0
	}
	hi := 1e-8
	// The offsets' share does not fall: it may be above 1 by itself for a while.
	for size(noise{stated, hi}) > 1 && hi < 1e12 {
		hi *= 4
	}
	return halve(0, hi, func(extra float64) float64 { return size(noise{stated, extra}) })
}

// likeliest returns the noise with which residuals have the size they should and
// are the likeliest, with what poses and offsets take up of them allowed for:
// restricted maximum likelihood (Patterson and Thompson, Biometrika 58 (1971)
// 545-554, cited from memory). Between the two ends, detection that states all
// errors up to a factor and detection whose statements mean nothing, the residuals
// decide.
func (r *misses) likeliest() noise {
	n := 0
	for i := range r.views {
		n += 2*len(r.views[i].cov) + len(r.views[i].squared)
	}
	unlikely := func(at noise) float64 { return float64(n)*r.logVariance(at) + r.logTaken(at) }
	most := 1.0
	for r.size(noise{most, 0}) > 1 && most < 1e12 {
		most *= 4
	}
	most = halve(1e-6, most, func(s float64) float64 { return r.size(noise{s, 0}) })
	best := noise{most, 0}
	least := unlikely(best)
	for _, share := range []float64{0.9, 0.75, 0.5, 0.25, 0.1, 0.03, 0.01, 1e-3, 1e-6} {
		at := noise{stated: most * share}
		at.extra = added(at.stated, r.size)
		if l := unlikely(at); l < least {
			best, least = at, l
		}
	}
	return best
}

// neighbours tells from how alike neighbouring corners err by how much the
// variance of all that is smooth over a board exceeds that from independent
// corners. With the correlations ρ of corners next to each other, along rows and
// along columns, and correlations that fall off exponentially, it is the product
// of (1 + ρ)/(1 − ρ). Source: the spectrum of a first-order autoregression at
// frequency zero; common knowledge, no source.
func (m *model) neighbours() float64 {
	var same, next [2]float64 // along rows, along columns
	for _, v := range m.views {
		if v.joint != nil {
			continue // it says itself what its corners share
		}
		off := make(map[int][2]float64, len(v.obs))
		var in []int
		for i := range v.obs {
			if v.rejected[i] {
				continue
			}
			d, _ := m.off(v, i)
			c := v.obs[i].cov
			in = append(in, v.index[i])
			off[v.index[i]] = [2]float64{d[0] / math.Sqrt(m.noise.stated*c[0]+m.noise.extra), d[1] / math.Sqrt(m.noise.stated*c[2]+m.noise.extra)}
		}
		cols := m.boards[v.board].Cols - 1
		for _, i := range in {
			a := off[i]
			for along, j := range [2]int{i + 1, i + cols} {
				b, ok := off[j]
				if !ok || along == 0 && i%cols == cols-1 {
					continue
				}
				same[along] += (a[0]*a[0] + a[1]*a[1] + b[0]*b[0] + b[1]*b[1]) / 2
				next[along] += a[0]*b[0] + a[1]*b[1]
			}
		}
	}
	f := 1.0
	for along := range same {
		if same[along] > 0 {
			r := math.Min(math.Max(0, next[along]/same[along]), 0.9)
			f *= (1 + r) / (1 - r)
		}
	}
	return f
}

// reject marks the corners that are wrong at the present solution, takes back
// those that are not, and drops views that keep too few.
func (m *model) reject() (changed bool) {
	var keep []*modelView
	for _, v := range m.views {
		n := 0
		for i, s := range v.squared {
			r := !(s <= rejectSquared)
			if r != v.rejected[i] {
				changed, v.whole = true, nil
			}
			v.rejected[i] = r
			if !r {
				n++
			}
		}
		if n < minCorners || !m.spans(v) || v.joint != nil && v.together() == nil {
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
	res.DetectionFactor, res.LackOfFitPx, res.Alike = m.noise.stated, math.Sqrt(m.noise.extra), m.alike
	res.Lens = m.lens
	res.Wander = m.wander
	if m.opts.Steady {
		res.Wander.Focal, res.Wander.CentrePx = 0, 0
	}
	if m.opts.PerfectBoard {
		res.Wander.Bend = 0
	}
	res.Shapes = map[vision.Board]Shape{}
	if !m.opts.PerfectBoard {
		for i, b := range m.boards {
			res.Shapes[b] = shapeOf(m.shapes[i])
		}
	}
	var sum float64
	for _, v := range m.views {
		r := ViewResult{Name: v.name, CameraFromBoard: v.cameraFromBoard, Offset: v.offset}
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
