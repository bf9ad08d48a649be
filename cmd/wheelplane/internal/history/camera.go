package history

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"wheelplane/pose/rig"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Steady is how much a sound camera may differ from job to job, standard
// deviations: a phone focuses anew and its stabiliser rests elsewhere. Common
// practice, no source.
type Steady struct {
	Focal    float64 `json:"focal"`     // relative
	CentrePx float64 `json:"centre_px"` // x and y each
}

// DefaultSteady is what is allowed if nobody says otherwise.
var DefaultSteady = Steady{Focal: 0.0002, CentrePx: 1}

// The chart for drift: cumulative sums of standardised surprises with an
// allowance of half a standard deviation, alarm at seven (E. S. Page, "Continuous
// inspection schemes", Biometrika 41, 1954).
const (
	cusumAllowance = 0.5
	cusumAlarm     = 7.0
)

// JobsPerFalseAlarm is after how many jobs, on average, a steady camera is
// suspected all the same.
func JobsPerFalseAlarm() float64 {
	return runLength(cusumAllowance, cusumAlarm, 0) / float64(2*len(centreAndFocal)+1)
}

// runLength is the mean number of standard normal values, shifted by so many
// standard deviations, until a one-sided cumulative sum passes its alarm: the
// Markov chain of D. Brook and D. A. Evans, "An approach to the probability
// distribution of cusum run length", Biometrika 59, 1972.
func runLength(allowance, alarm, shift float64) float64 {
	const states = 200
	w := 2 * alarm / (2*states - 1) // the first state is half as wide, around 0
	phi := distuv.UnitNormal.CDF
	a := mat.NewDense(states, states, nil)
	one := mat.NewVecDense(states, nil)
	for i := range states {
		one.SetVec(i, 1)
		for k := range states {
			// From i·w to the k-th state: x = (k − i)·w ± w/2, and for 0 all below.
			edge := func(x float64) float64 { return phi(x + allowance - shift) }
			p := edge((float64(k-i) + 0.5) * w)
			if k > 0 {
				p -= edge((float64(k-i) - 0.5) * w)
			}
			a.Set(i, k, -p)
		}
		a.Set(i, i, a.At(i, i)+1)
	}
	var length mat.VecDense
	if err := length.SolveVec(a, one); err != nil {
		return math.NaN()
	}
	return length.AtVec(0)
}

// Camera is a camera file and how it fared over its jobs.
type Camera struct {
	Name       string    `json:"name"`
	SHA256     string    `json:"sha256"` // of its file
	Calibrated time.Time `json:"calibrated,omitzero"`
	Jobs       []Seen    `json:"jobs"`

	// Alarm is the index of the first job at which the file was found not to fit
	// any more, and Since the one from which on it began to; -1: it fits.
	Alarm int    `json:"alarm"`
	Since int    `json:"since"`
	What  string `json:"what,omitempty"` // drifts: focal length, centre x, centre y, or the lens as a whole

	// Drift is the change of the focal length from job to job, relative, with its
	// standard uncertainty; zero with fewer than three jobs.
	Drift  float64 `json:"drift_per_job"`
	UDrift float64 `json:"u_drift_per_job"`

	// Due is in how many further jobs the focal length will be off by twice the
	// uncertainty that the file states, if it goes on like that; 0: by now, -1: not
	// in sight.
	Due int `json:"due_in_jobs"`
}

// Seen is what one job found.
type Seen struct {
	Folder string  `json:"folder"`
	Date   string  `json:"date"`
	Focal  Against `json:"focal"`    // relative to the file's
	CX     Against `json:"centre_x"` // px
	CY     Against `json:"centre_y"` // px
	Lens   float64 `json:"lens"`     // surprise of all intrinsics together
	Chart  float64 `json:"chart"`    // the largest of the cumulative sums
	ChiSq  float64 `json:"chi_square"`
	Of     int     `json:"directions"`
}

// Against is a job's estimate less the camera file.
type Against struct {
	Difference float64 `json:"difference"`
	U          float64 `json:"u"`          // of the estimate
	UFile      float64 `json:"u_file"`     // of the file
	Normalised float64 `json:"normalised"` // difference over its own uncertainty
	Surprise   float64 `json:"surprise"`   // less what the jobs before led to expect, over its uncertainty
	job, uJob  float64 // what this job alone says, of the difference
}

// Fits tells whether the file is still good.
func (c *Camera) Fits() bool { return c.Alarm < 0 }

// centreAndFocal are the functions of the intrinsics that are charted.
var centreAndFocal = []struct {
	name string
	of   func(fit *rig.CameraFit) map[string]float64 // weight by intrinsic
	to   func(s *Seen) *Against
}{
	{"focal length", func(fit *rig.CameraFit) map[string]float64 {
		return map[string]float64{"fx": 0.5 / file(fit, "fx"), "fy": 0.5 / file(fit, "fy")}
	}, func(s *Seen) *Against { return &s.Focal }},
	{"centre x", func(*rig.CameraFit) map[string]float64 { return map[string]float64{"cx": 1} }, func(s *Seen) *Against { return &s.CX }},
	{"centre y", func(*rig.CameraFit) map[string]float64 { return map[string]float64{"cy": 1} }, func(s *Seen) *Against { return &s.CY }},
}

func file(fit *rig.CameraFit, name string) float64 {
	for _, x := range fit.Intrinsics {
		if x.Name == name {
			return x.File
		}
	}
	return math.NaN()
}

// Cameras tells how every camera file fared, those with the most recent jobs
// first.
func (d *DB) Cameras(s Steady) ([]Camera, error) {
	sums, err := d.cameras()
	if err != nil {
		return nil, err
	}
	out := []Camera{}
	for _, sum := range sums {
		visits, err := d.fitsOf(sum)
		if err != nil {
			return nil, err
		}
		c, err := follow(visits, s)
		if err != nil {
			return nil, err
		}
		c.SHA256 = sum
		out = append(out, *c)
	}
	sortCameras(out)
	return out, nil
}

// follow takes a camera through its jobs. What is known of it, relative to its
// file and scaled by the file's covariance, begins with the file; each job is
// compared with what the jobs before led to expect, and then added to it (a
// Kalman filter of a camera that keeps still but for s). The file's own error,
// which all jobs share, is so met once, at the first job, and the surprises of a
// steady camera are independent and standard normal.
func follow(visits []*Visit, s Steady) (*Camera, error) {
	c := &Camera{Alarm: -1, Since: -1, Due: -1}
	var known *knowledge
	charts := newCharts()
	for _, v := range visits {
		w, err := v.fit.Whitened()
		if err != nil {
			return nil, fmt.Errorf("%s: what the job found of its camera is damaged: %w: measure that job again", v.Folder, err)
		}
		if known == nil || len(v.fit.Intrinsics) != known.mean.Len() {
			known = newKnowledge(len(v.fit.Intrinsics))
		}
		c.Name, c.Calibrated = v.fit.Name, v.fit.Calibrated
		seen := Seen{Folder: v.Folder, Date: v.Date}
		seen.ChiSq, seen.Of = w.ChiSquare()
		known.meet(v.fit, w, s, &seen)
		c.Jobs = append(c.Jobs, seen)
		charts.add(&c.Jobs[len(c.Jobs)-1])
		if chart, since := charts.alarm(); chart >= 0 && c.Alarm < 0 {
			c.Alarm, c.Since, c.What = len(c.Jobs)-1, since, charts.names[chart]
		}
	}
	c.drift(s)
	return c, nil
}

// knowledge is of the camera, in the coordinates of [rig.WhitenedFit].
type knowledge struct {
	mean *mat.VecDense
	cov  *mat.SymDense
}

func newKnowledge(n int) *knowledge {
	k := &knowledge{mat.NewVecDense(n, nil), mat.NewSymDense(n, nil)}
	for i := range n {
		k.cov.SetSym(i, i, 1)
	}
	return k
}

// meet compares a job with what is known and adds it.
//
// A job's difference d from the file is K·(what the camera is) + noise, with
// K = 1 − M and noise of covariance M − M², where M is the estimate's covariance:
// what least squares with the file as an observation make of the job.
func (k *knowledge) meet(fit *rig.CameraFit, w *rig.WhitenedFit, s Steady, seen *Seen) {
	n := k.mean.Len()
	var kk, noise, m2 mat.Dense
	kk.Scale(-1, w.Cov)
	for i := range n {
		kk.Set(i, i, kk.At(i, i)+1)
	}
	m2.Mul(w.Cov, w.Cov)
	noise.Sub(w.Cov, &m2)
	// A steady camera's own scatter.
	scatter := mat.NewSymDense(n, nil)
	for i, x := range fit.Intrinsics {
		switch x.Name {
		case "fx", "fy":
			for j, y := range fit.Intrinsics {
				if y.Name == "fx" || y.Name == "fy" {
					scatter.SetSym(i, j, x.File*y.File*s.Focal*s.Focal)
				}
			}
		case "cx", "cy":
			scatter.SetSym(i, i, s.CentrePx*s.CentrePx)
		}
	}
	var q, about, expected mat.Dense
	q.Product(w.White, scatter, w.White.T())
	about.Add(k.cov, &q)
	expected.Product(&kk, &about, &kk) // K is symmetric
	expected.Add(&expected, &noise)
	var predicted, surprise mat.VecDense
	predicted.MulVec(&kk, k.mean)
	surprise.SubVec(w.Diff, &predicted)

	inverse, rank, chi2 := pseudoInverse(&expected, &surprise)
	seen.Lens = normalScore(chi2, rank)
	var back mat.Dense
	if back.Inverse(w.White) == nil {
		for _, f := range centreAndFocal {
			*f.to(seen) = against(f.of(fit), fit, w, &back, &surprise, &expected)
		}
	}

	var gain, less mat.Dense
	gain.Product(k.cov, &kk, inverse)
	var step mat.VecDense
	step.MulVec(&gain, &surprise)
	k.mean.AddVec(k.mean, &step)
	less.Product(&gain, &kk, k.cov)
	for i := range n {
		for j := range i + 1 {
			k.cov.SetSym(i, j, k.cov.At(i, j)-(less.At(i, j)+less.At(j, i))/2)
		}
	}
}

// against works out one function of the intrinsics.
func against(weight map[string]float64, fit *rig.CameraFit, w *rig.WhitenedFit, back *mat.Dense, surprise *mat.VecDense, expected *mat.Dense) Against {
	n := len(fit.Intrinsics)
	g := mat.NewVecDense(n, nil)
	for i, x := range fit.Intrinsics {
		g.SetVec(i, weight[x.Name])
	}
	var gw, mg, eg mat.VecDense
	gw.MulVec(back.T(), g)
	mg.MulVec(w.Cov, &gw)
	eg.MulVec(expected, &gw)
	before, after := mat.Dot(&gw, &gw), mat.Dot(&gw, &mg) // variances
	a := Against{Difference: mat.Dot(&gw, w.Diff), U: math.Sqrt(after), UFile: math.Sqrt(before)}
	const told = 1e-4
	if e := mat.Dot(&gw, &eg); before-after > told*before && e > 0 {
		a.Normalised = a.Difference / math.Sqrt(before-after)
		a.Surprise = mat.Dot(&gw, surprise) / math.Sqrt(e)
		// Of one number: 1/after = 1/before + 1/uJob².
		a.job = a.Difference * before / (before - after)
		a.uJob = math.Sqrt(before * after / (before - after))
	}
	return a
}

// pseudoInverse inverts a covariance in the directions in which it is not
// nothing, and returns how many they are and the chi-square of x in them.
func pseudoInverse(cov *mat.Dense, x *mat.VecDense) (inverse *mat.Dense, rank int, chi2 float64) {
	n, _ := cov.Dims()
	s := mat.NewSymDense(n, nil)
	for i := range n {
		for k := range i + 1 {
			s.SetSym(i, k, (cov.At(i, k)+cov.At(k, i))/2)
		}
	}
	inverse = mat.NewDense(n, n, nil)
	var eig mat.EigenSym
	if !eig.Factorize(s, true) {
		return inverse, 0, 0
	}
	var v mat.Dense
	eig.VectorsTo(&v)
	for k, l := range eig.Values(nil) {
		if l < 1e-8 {
			continue
		}
		u := v.ColView(k)
		var outer mat.Dense
		outer.Outer(1/l, u, u)
		inverse.Add(inverse, &outer)
		d := mat.Dot(u, x)
		chi2 += d * d / l
		rank++
	}
	return inverse, rank, chi2
}

// normalScore is the standard normal value that is as rare as a chi-square.
func normalScore(chi2 float64, degrees int) float64 {
	if degrees == 0 {
		return 0
	}
	const most = 8
	p := distuv.ChiSquared{K: float64(degrees)}.Survival(chi2)
	switch {
	case !(p > 1e-15):
		return most
	case p > 1-1e-15:
		return -most
	}
	return -distuv.UnitNormal.Quantile(p)
}

// charts are the cumulative sums: each quantity upward and downward, and the
// lens as a whole upward.
type charts struct {
	names []string
	sum   []float64
	since []int // the job after which it last was zero
	jobs  int
}

func newCharts() *charts {
	c := &charts{}
	for _, f := range centreAndFocal {
		c.names = append(c.names, f.name, f.name)
	}
	c.names = append(c.names, "the lens as a whole")
	c.sum, c.since = make([]float64, len(c.names)), make([]int, len(c.names))
	return c
}

func (c *charts) add(s *Seen) {
	var values []float64
	for _, f := range centreAndFocal {
		z := f.to(s).Surprise
		values = append(values, z, -z)
	}
	values = append(values, s.Lens)
	for i, z := range values {
		if c.sum[i] == 0 {
			c.since[i] = c.jobs
		}
		c.sum[i] = math.Max(0, c.sum[i]+z-cusumAllowance)
		s.Chart = math.Max(s.Chart, c.sum[i])
	}
	c.jobs++
}

// alarm names the chart that is highest above its limit, -1 for none, and the
// job it began to rise at.
func (c *charts) alarm() (chart, since int) {
	chart = -1
	most := cusumAlarm
	for i, s := range c.sum {
		if s > most {
			chart, since, most = i, c.since[i], s
		}
	}
	return chart, since
}

// drift fits a straight line to what each job alone says of the focal length,
// over the number of the job.
func (c *Camera) drift(s Steady) {
	if len(c.Jobs) < 3 {
		return
	}
	var sw, sx, sy, sxx, sxy float64
	for i, j := range c.Jobs {
		if !(j.Focal.uJob > 0) {
			continue
		}
		w := 1 / (j.Focal.uJob*j.Focal.uJob + s.Focal*s.Focal)
		x := float64(i)
		sw, sx, sy, sxx, sxy = sw+w, sx+w*x, sy+w*j.Focal.job, sxx+w*x*x, sxy+w*x*j.Focal.job
	}
	det := sw*sxx - sx*sx
	if !(det > 0) {
		return
	}
	c.Drift, c.UDrift = (sw*sxy-sx*sy)/det, math.Sqrt(sw/det)
	at := (sxx*sy-sx*sxy)/det + c.Drift*float64(len(c.Jobs)-1)
	limit := 2 * c.Jobs[len(c.Jobs)-1].Focal.UFile
	switch {
	case math.Abs(c.Drift) < 2*c.UDrift:
	case math.Abs(at) >= limit:
		c.Due = 0
	default:
		c.Due = int(math.Ceil((limit - at*math.Copysign(1, c.Drift)) / math.Abs(c.Drift)))
	}
}

// sortCameras puts those with the most recent jobs first.
func sortCameras(list []Camera) {
	last := func(c Camera) string {
		if len(c.Jobs) == 0 {
			return ""
		}
		return c.Jobs[len(c.Jobs)-1].Date
	}
	slices.SortStableFunc(list, func(a, b Camera) int { return strings.Compare(last(b), last(a)) })
}
