package rig

import (
	"fmt"
	"math"
	"slices"

	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/pose/bundle"
	"wheelplane/vision"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// What job.yaml and the camera file state beforehand are observations of the least
// squares. Where the photographs say otherwise and the statement yields, corners
// fit well and readings are wrong in silence; but then the statement's own
// residuals are larger than their covariance allows (1 less that of the solution,
// Hausman's difference again, see [CameraFit]). So each kind of statement is
// tested by its chi-square.

// tense is how improbable a group's residuals must be by chance before anything is
// said. There are six kinds in a job.
const tense = 1e-3

// A claim is what is stated of one thing: a floor board's height, a clamp's
// length, a station's level.
type claim struct {
	what string
	rows []bundle.Row
}

// A tension is a kind of claims that the photographs contradict.
type tension struct {
	p      float64 // of all of its residuals together
	factor float64 // how many times larger they are than stated, root mean square
	worst  int     // the claim that is least likely, or -1: no single one stands out
	r      []float64
}

// tensionOf tests claims of one kind, nil if they may be true.
func tensionOf(cov *bundle.Covariance, claims []claim) (*tension, error) {
	var rows []bundle.Row
	var of []int
	for i, c := range claims {
		for _, r := range c.rows {
			rows, of = append(rows, r), append(of, i)
		}
	}
	if len(rows) == 0 {
		return nil, nil
	}
	r, s, err := cov.Residuals(rows)
	if err != nil {
		return nil, solveError(err)
	}
	some := func(keep func(claim int) bool) (chi2 float64, n int) {
		var list []int
		for i, c := range of {
			if keep(c) {
				list = append(list, i)
			}
		}
		return chiSquareOf(r, s, list)
	}
	chi2, n := some(func(int) bool { return true })
	if n == 0 {
		return nil, nil
	}
	t := &tension{p: survival(chi2, n), factor: math.Sqrt(chi2 / float64(n)), worst: -1, r: r}
	least := 1.0
	for i := range claims {
		if p := survival(some(func(c int) bool { return c == i })); p < least {
			least, t.worst = p, i
		}
	}
	if t.p > tense && least*float64(len(claims)) > tense {
		return nil, nil
	}
	// Is it one alone?
	if p := survival(some(func(c int) bool { return c != t.worst })); p < tense && len(claims) > 1 {
		t.worst = -1
	}
	return t, nil
}

// survival is how likely a chi-square of so many degrees of freedom is as large.
func survival(chi2 float64, n int) float64 {
	if n == 0 {
		return 1
	}
	return distuv.ChiSquared{K: float64(n)}.Survival(chi2)
}

// chiSquareOf is of some residuals over their covariance, in the directions in
// which they are not bound to vanish.
func chiSquareOf(r []float64, s *mat.SymDense, list []int) (chi2 float64, n int) {
	if len(list) == 0 {
		return 0, 0
	}
	sub := mat.NewSymDense(len(list), nil)
	v := mat.NewVecDense(len(list), nil)
	for a, i := range list {
		v.SetVec(a, r[i])
		for b, k := range list {
			sub.SetSym(a, b, s.At(i, k))
		}
	}
	return chiSquareIn(v, sub, leastSpoken)
}

// chiSquareIn is of some numbers over their covariance, in the directions whose
// variance is more than least.
func chiSquareIn(d *mat.VecDense, cov *mat.SymDense, least float64) (chi2 float64, directions int) {
	var eig mat.EigenSym
	if !eig.Factorize(cov, true) {
		return 0, 0
	}
	var vectors mat.Dense
	eig.VectorsTo(&vectors)
	for k, l := range eig.Values(nil) {
		if l <= least {
			continue
		}
		x := mat.Dot(vectors.ColView(k), d)
		chi2 += x * x / l
		directions++
	}
	return chi2, directions
}

// leastSpoken is the least share of a statement's variance that photographs must
// speak to before they can contradict it: below, rounding and what is not linear
// decide.
const leastSpoken = 1e-3

// tensions says which statements the photographs contradict, the least likely
// first. file is the camera's; it counts unless it was found mistaken.
func (n *network) tensions(s *State, cov *bundle.Covariance, file *vision.Camera, counts bool, found *Network) ([]string, error) {
	j, pr := n.job, n.job.Priors
	type said struct {
		p    float64
		text string
	}
	var out []said
	add := func(claims []claim, text func(t *tension) string) error {
		t, err := tensionOf(cov, claims)
		if err != nil || t == nil {
			return err
		}
		out = append(out, said{t.p, text(t)})
		return nil
	}

	var heights []claim
	for f, id := range n.heights {
		if n.seen.lay[f] {
			heights = append(heights, claim{j.Boards[j.Floor[f].Board].Name, []bundle.Row{{Residual: id, Row: 2}}})
		}
	}
	if err := add(heights, func(t *tension) string {
		if t.worst >= 0 {
			return fmt.Sprintf("floor board %s lies %+.1f mm from the height of the others, where floor: flatness_mm says %.2g: look whether it lies on something, or is of another thickness; lay it elsewhere or enter the true flatness_mm", heights[t.worst].what, mm(t.r[t.worst]*pr.FloorFlatness), mm(pr.FloorFlatness))
		}
		return fmt.Sprintf("the floor boards are %.1f times less level than floor: flatness_mm says: the floor is flat to %.1f mm, not %.2g, and camber is known so much less; enter the true flatness_mm, or measure where it is flatter", t.factor, t.factor*mm(pr.FloorFlatness), mm(pr.FloorFlatness))
	}); err != nil {
		return nil, err
	}

	var levels []claim
	for st, id := range n.levels {
		if id >= 0 {
			levels = append(levels, claim{j.Stations[st].Name, []bundle.Row{{Residual: id, Row: 0}, {Residual: id, Row: 1}, {Residual: id, Row: 2}}})
		}
	}
	if err := add(levels, func(t *tension) string {
		at := "from station to station"
		if t.worst >= 0 {
			at = "at station " + levels[t.worst].what
		}
		return fmt.Sprintf("the body leans or stands otherwise %s than a floor flat to %.2g mm lets it: look for a tyre that loses air, a load that shifted, a raised wheel or an uneven floor (floor: flatness_mm); camber is that of station %s", at, mm(pr.FloorFlatness), j.Stations[0].Name)
	}); err != nil {
		return nil, err
	}

	var prints []claim
	for b, id := range n.prints {
		if id >= 0 && pr.PrintSpread > 0 && !slices.Contains(j.Misprinted, b) {
			prints = append(prints, claim{j.Boards[b].Name, []bundle.Row{{Residual: id, Row: 0}, {Residual: id, Row: 1}}})
		}
	}
	if err := add(prints, func(t *tension) string {
		if t.worst >= 0 {
			w := t.worst
			return fmt.Sprintf("board %s is printed %.4f × %.4f times the size of the others, which boards: print_spread (%.2g) does not allow for: print it anew with the others' printer and settings, or measure it", prints[w].what, 1+t.r[2*w]*pr.PrintSpread, 1+t.r[2*w+1]*pr.PrintSpread, pr.PrintSpread)
		}
		return fmt.Sprintf("boards are printed to sizes that differ %.1f times more than boards: print_spread (%.2g) says%s: lengths are not to be trusted; print all of them with one printer and the same settings, or measure them and enter the true print_spread", t.factor, pr.PrintSpread, n.sizes(s))
	}); err != nil {
		return nil, err
	}

	var clamps []claim
	for h, id := range n.mounts {
		if slices.Contains(n.seen.hang[h], true) {
			clamps = append(clamps, claim{j.Boards[j.Hangs[h].Board].Name, []bundle.Row{{Residual: id, Row: 3}}})
		}
	}
	if err := add(clamps, func(t *tension) string {
		if t.worst >= 0 {
			h := t.worst
			return fmt.Sprintf("board %s stands %+.1f mm further out on its wheel than standoff_mm says (%.4g, to %.2g): look whether its clamp sits on the rim as the others do", clamps[h].what, mm(t.r[h]*pr.StandoffU), mm(pr.Standoff), mm(pr.StandoffU))
		}
		return fmt.Sprintf("the boards' stand-offs differ %.1f times more than standoff_u_mm (%.2g) says: look whether all clamps sit on the rim alike and all boards are of one size; track and toe are known so much less", t.factor, mm(pr.StandoffU))
	}); err != nil {
		return nil, err
	}

	if err := add([]claim{{"", []bundle.Row{{Residual: n.scaled, Row: 0}, {Residual: n.scaled, Row: 1}}}}, func(t *tension) string {
		return fmt.Sprintf("the boards come out %.4f × %.4f times the size that job.yaml says, more than its stated uncertainty %.4f allows: measure the printed ruler and enter boards: print_scale", s.PrintScale[0], s.PrintScale[1], pr.PrintScale)
	}); err != nil {
		return nil, err
	}

	if c := found.Camera; c != nil && counts {
		if p := survival(c.ChiSquare, c.Directions); p < tense {
			out = append(out, said{p, fmt.Sprintf("the camera is not what its file says (focal length %.1f px where it says %.1f ± %.2g; chi-square %.0f of %d): another camera or zoom, a focus that moved, or a file of another time; use the file of this camera as it was used here, or calibrate it again with 'wheelplane camera'", s.Camera.FX, file.FX, math.Sqrt(file.Cov[0][0]), c.ChiSquare, c.Directions)})
		}
	}
	slices.SortStableFunc(out, func(a, b said) int {
		switch {
		case a.p < b.p:
			return -1
		case a.p > b.p:
			return 1
		}
		return 0
	})
	var texts []string
	for _, x := range out {
		texts = append(texts, x.text)
	}
	return texts, nil
}

// sizes tells how much smaller or larger the boards on the floor are than those on
// wheels.
func (n *network) sizes(s *State) string {
	mean := func(boards []int) float64 {
		sum, count := 0.0, 0.0
		for _, b := range boards {
			if n.shapes[b] >= 0 {
				shape := s.Shape(b)
				sum, count = sum+(shape.Stretch[0]+shape.Stretch[1])/2, count+1
			}
		}
		return sum / math.Max(1, count)
	}
	var wheels, floor []int
	for _, h := range n.job.Hangs {
		wheels = append(wheels, h.Board)
	}
	for _, l := range n.job.Floor {
		floor = append(floor, l.Board)
	}
	return fmt.Sprintf(" (those on the floor are %.4f times those on wheels)", (1+mean(floor))/(1+mean(wheels)))
}

// A tape measure and a maker's drawing tell a length of a vehicle to this, m
// (common practice, no source). All lengths off by one share is not their doing.
const tapeU = 0.010

// sizeDoubts compares tracks and wheelbases with what the job says of them: a
// wrong size of the squares, or of the print, makes all of them larger by one
// share, and shows nowhere else.
func sizeDoubts(j *Job, e EpochReadings) []string {
	var measured, told []float64
	var last int
	add := func(m, t float64) { measured, told = append(measured, m), append(told, t) }
	centre := map[int][]float64{}
	for _, w := range e.Stance.Wheels {
		centre[w.Axle] = append(centre[w.Axle], w.Centre[0])
	}
	for axle := 1; axle <= len(j.Vehicle.Axles); axle++ {
		x := centre[axle]
		if len(x) != 2 {
			continue
		}
		if k := e.Find(align.Track, axle, align.NoSide); k >= 0 {
			add(e.Readings[k].Value, j.Vehicle.Axles[axle-1].Track)
		}
		if last > 0 {
			before := centre[last]
			add((before[0]+before[1]-x[0]-x[1])/2, j.Vehicle.Axles[axle-1].Position-j.Vehicle.Axles[last-1].Position)
		}
		last = axle
	}
	var mt, tt float64
	for i := range told {
		mt, tt = mt+measured[i]*told[i], tt+told[i]*told[i]
	}
	if len(told) < 3 || tt == 0 {
		return nil
	}
	share := mt / tt
	rest := 0.0
	for i := range told {
		d := (measured[i] - share*told[i]) / tapeU
		rest += d * d
	}
	if math.Abs(share-1) < 3*tapeU/math.Sqrt(tt) || survival(rest, len(told)-1) < 0.01 {
		return nil
	}
	return []string{fmt.Sprintf("epoch %q: all tracks and wheelbases come out %.3f times what track_mm and position_mm say: check square_mm and print_scale against the printed ruler; if those are right, so are the readings", e.Epoch, share)}
}

// A camera that moves while it reads a photo leans it, and one whose focus or
// stabiliser works changes from photo to photo. Where neither is allowed for, the
// poses take most of it up and readings the rest: what is left makes corners fit
// little worse.
const (
	// Wide enough for a hand that walks and for any phone; what is found is smaller.
	swayTurn, swayShift   = 0.3 * math.Pi / 180, 0.010
	freeFocal, freeCentre = 0.01, 30
	// The F ratio of what is set free at which it is named, if chance does not
	// explain it as well. Sound jobs have 0.9 to 1.2, loose bearings up to 2.5, a hand
	// that sways by 2 degrees a second before a shutter of 10 ms 6 to 12.
	unsteady, unsteadyBy = 4, 1e-9
)

// unsteady says whether the photographs ask for a camera that moved while it read
// them, or changed between them: the job is solved once more with that free.
func (f *fitting) unsteady() (string, error) {
	photos := 0
	for _, u := range f.used {
		if u {
			photos++
		}
	}
	hypotheses := []struct {
		told bool
		free func(p *Priors)
		each int // numbers set free by each photo
		what func(s *State) string
	}{
		{f.job.Priors.rolling(), func(p *Priors) { p.RollTurn, p.RollShift = swayTurn, swayShift }, 6, func(s *State) string {
			sum := 0.0
			for p, d := range s.Drifts {
				if f.used[p] {
					sum += pose.Dot(d.Turn, d.Turn) / 3 / float64(photos)
				}
			}
			return fmt.Sprintf("the camera moved while it read its photographs, by some %.2g degrees, which job.yaml does not allow for: readings are off by more than they say; hold the camera still, or enter rolling_shutter: turn_deg %.1g and shift_mm, with which they are true", deg(math.Sqrt(sum)), deg(math.Sqrt(sum)))
		}},
		{f.job.Priors.wandering(), func(p *Priors) { p.WanderFocal, p.WanderCentre = freeFocal, freeCentre }, 3, func(s *State) string {
			focal, centre := 0.0, 0.0
			for p, w := range s.Wanders {
				if f.used[p] {
					focal += w.Focal * w.Focal / float64(photos)
					centre += (w.Centre[0]*w.Centre[0] + w.Centre[1]*w.Centre[1]) / 2 / float64(photos)
				}
			}
			return fmt.Sprintf("the camera changed from photo to photo, its focal length by some %.2g of itself and its centre by %.1f px, which job.yaml does not allow for: readings are off by more than they say; lock focus and switch the stabiliser off, or enter camera_wander: focal %.1g and centre_px %.1g, with which they are true", math.Sqrt(focal), math.Sqrt(centre), math.Sqrt(focal), math.Sqrt(centre))
		}},
	}
	ratios, texts := make([]float64, len(hypotheses)), make([]string, len(hypotheses))
	err := onAllCores(len(hypotheses), func(i int) error {
		h := hypotheses[i]
		if h.told {
			return nil
		}
		free, sum, err := f.near(func(t *trial) { h.free(&t.job.Priors) })
		if f.ctx.Err() != nil {
			return f.ctx.Err()
		}
		// Priors of what is set free are rows as well as unknowns.
		set, rest := float64(h.each*photos), float64(sum.Rows-sum.Parameters)
		if err != nil || set == 0 || rest < 1 {
			return nil // it tells nothing
		}
		ratio := (sum.InitialCost - sum.FinalCost) / set / (sum.FinalCost / rest)
		if ratio > unsteady && (distuv.F{D1: set, D2: rest}).Survival(ratio) < unsteadyBy {
			ratios[i], texts[i] = ratio, h.what(free.state(f.camera))
		}
		return nil
	})
	if err != nil {
		return "", err
	}
	if ratios[1] > ratios[0] {
		return texts[1], nil
	}
	return texts[0], nil
}

// asksFrom is how likely a chi-square as large must be by chance for wheels not to be
// asked for play, nor the camera whether it kept still: that costs more than all the
// rest, and sound jobs need it once in five times.
const asksFrom = 0.2

// play says which wheels' axes do not hold still in the body: each wheel's axis is
// set free at every station, the job solved once more from where it is, and the
// tilts from the first station to the others tested (Wald). Clamp tilt and turning
// wheel imitate a part of them; that part is uncertain accordingly and does not
// count. A wheel that is swept is left out: its axis moves by other laws.
func (f *fitting) play() ([]string, error) {
	said := make([]string, len(f.net.cast.Wheels))
	err := onAllCores(len(said), func(w int) (err error) {
		said[w], err = f.playOf(w)
		return err
	})
	return slices.DeleteFunc(said, func(s string) bool { return s == "" }), err
}

// nearSteps is how often a question is solved for: from the solution, nearly all that
// is to be seen shows in the first step.
const nearSteps = 3

// near solves the job once more from where it is, with something set free. It may be
// called by several goroutines.
func (f *fitting) near(free func(t *trial)) (*network, bundle.Summary, error) {
	t := (&trial{job: f.job, camera: f.camera, state: f.state, used: f.used}).copy(Fault{})
	free(t)
	n := build(t.job, f.camera, f.obs, t.state, f.used, 0)
	sum, err := n.p.Solve(f.ctx, bundle.Options{MaxIterations: nearSteps, AcceptLimit: true, Workers: 1})
	return n, sum, err
}

// playOf is play of one wheel, "" for none.
func (f *fitting) playOf(w int) (string, error) {
	c := f.net.cast
	wheel := c.Wheels[w]
	var at []int // stations that show the wheel on its first axis
	swept := false
	for st := range f.job.Stations {
		a := c.AxisAt[w][st]
		shown := false
		for h := range f.job.Hangs {
			shown = shown || c.wheelOf[h] == w && f.net.seen.hang[h][st]
		}
		if shown && (len(at) == 0 || a == c.AxisAt[w][at[0]]) {
			at = append(at, st)
			swept = swept || f.net.lines[a] >= 0
		}
	}
	if len(at) < 3 || swept {
		return "", nil // two stations do not tell play from a clamp's tilt
	}
	free, _, err := f.near(func(t *trial) {
		for _, st := range at[1:] {
			t.job.Splits = append(t.job.Splits, Split{Station: st, Wheels: []Wheel{wheel}})
		}
		t.recast(f.job, f.state)
	})
	if f.ctx.Err() != nil {
		return "", f.ctx.Err()
	}
	if err != nil {
		return "", nil // it tells nothing of this wheel
	}
	cov, err := free.p.Covariance()
	if err != nil {
		return "", nil // likewise
	}
	var ids []bundle.BlockID
	for _, st := range at {
		ids = append(ids, free.hubs[free.cast.AxisAt[w][st]])
	}
	joint := cov.Joint(ids)
	n := 2 * (len(at) - 1)
	contrast := mat.NewDense(n, 5*len(at), nil)
	var d []float64
	first := bundle.GetPose(free.p.Value(ids[0])).R
	for k := 1; k < len(at); k++ {
		turn := first.Transpose().Mul(bundle.GetPose(free.p.Value(ids[k])).R).Log()
		d = append(d, turn[0], turn[2])
		for i := range 2 {
			contrast.Set(2*(k-1)+i, i, -1)
			contrast.Set(2*(k-1)+i, 5*k+i, 1)
		}
	}
	chi2, by := waldOf(d, align.Propagate(contrast, joint))
	if survival(chi2, n)*float64(len(c.Wheels)) < tense {
		return fmt.Sprintf("the axis of %s does not hold still from station to station, by some %.2g degrees: look for play in its bearing or steering and for a board that slips in its clamp; its toe and camber are not known better than that", wheel, deg(by)), nil
	}
	return "", nil
}

// waldOf is the chi-square of some numbers over their covariance, and how large
// they are in the direction that says most.
func waldOf(d []float64, cov *mat.SymDense) (chi2, size float64) {
	var eig mat.EigenSym
	if !eig.Factorize(cov, true) {
		return 0, 0
	}
	var vectors mat.Dense
	eig.VectorsTo(&vectors)
	values := eig.Values(nil)
	most := 0.0
	for k, l := range values {
		x := mat.Dot(vectors.ColView(k), mat.NewVecDense(len(d), d))
		l = math.Max(l, 1e-12*values[len(values)-1])
		chi2 += x * x / l
		if x*x/l > most {
			most, size = x*x/l, math.Abs(x)
		}
	}
	return chi2, size
}
