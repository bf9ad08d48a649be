package live

import (
	"math"

	"wheelplane/pose"
)

// run is a board at rest in a camera's picture: what its frames since it last
// moved say together.
type run struct {
	ref    pose.SE3 // cameraFromBoard that steps count from
	a      sym6     // sum of the frames' information
	b      vec6     // the same times their steps
	a2     sym6     // sum of the information times its weight squared: old frames count less
	count  int      // frames
	before int      // of the same rest, that another run has
	first  float64  // time of its first frame, s
	last   float64  // and of its latest
	by     [6][numTaken]float64

	off    int // frames in a row that did not fit
	recent []frame
	blocks struct {
		a    sym6
		b    vec6
		n    int
		mean vec6 // of the block before
		cov  sym6
		had  bool
	}
}

// frame is one glance's step from the run's reference and its information.
type frame struct {
	step vec6
	info sym6
	cov  sym6
}

const (
	// memory is after how many frames an old one counts 1/e: nothing stays exactly
	// where it is for long.
	memory = 600

	// keptFrames is the longest stretch of latest frames that is compared with those
	// before.
	keptFrames = 64

	// Limits of a squared step of six numbers in units of its covariance: 40 is
	// exceeded once in two million by chance, 30 once in 25 thousand.
	changeLimit = 40
	driftLimit  = 40

	// steadiness is what nobody's bay keeps still better than, as a share of the
	// variance of one frame: a change below is none.
	steadiness = 0.02
)

func begin(g *glance, at float64) *run {
	r := &run{ref: g.place, first: at}
	r.take(g, at, nil)
	return r
}

// step of a glance from the run's reference.
func (r *run) step(g *glance) vec6 { return vec6(g.place.Minus(r.ref)) }

// mean is the run's place as a step, and the covariance of its noise, a frame's
// noise having the covariance that its fit states.
func (r *run) mean() (m vec6, cov sym6) {
	inv, ok := r.a.inverse()
	if !ok {
		return m, cov
	}
	t := inv.mul(&r.a2)
	return inv.times(r.b), t.mul(&inv)
}

// frameCov is the covariance of a single frame, on average.
func (r *run) frameCov() sym6 {
	mean := r.a
	mean.scale(1 / r.weight())
	inv, _ := mean.inverse()
	return inv
}

// weight is the number of frames, old ones counting less.
func (r *run) weight() float64 {
	n := float64(r.count)
	return memory * (1 - math.Pow(1-1.0/memory, n))
}

// fits tells whether a glance is of the board where the run has it. scale is that
// of a frame's covariance.
func (r *run) fits(g *glance, scale float64) bool {
	m, cov := r.mean()
	cov.add(1, &g.cov)
	cov.scale(scale)
	cov.add(steadiness, &g.cov)
	return square(r.step(g).minus(m), &cov) < changeLimit
}

// take adds a glance. s, if any, learns how frames scatter.
func (r *run) take(g *glance, at float64, s *scatter) {
	f := frame{r.step(g), g.info, g.cov}
	if s != nil && len(r.recent) > 0 {
		before := &r.recent[len(r.recent)-1]
		cov := f.cov
		cov.add(1, &before.cov)
		s.single.add(square(f.step.minus(before.step), &cov))
	}
	const keep = 1 - 1.0/memory
	r.a.scale(keep)
	r.a2.scale(keep * keep)
	for i := range r.b {
		r.b[i] *= keep
	}
	r.a.add(1, &g.info)
	r.a2.add(1, &g.info)
	w := g.info.times(f.step)
	for i := range r.b {
		r.b[i] += w[i]
	}
	r.count++
	r.last, r.by, r.off = at, g.by, 0
	if len(r.recent) == keptFrames {
		copy(r.recent, r.recent[1:])
		r.recent = r.recent[:keptFrames-1]
	}
	r.recent = append(r.recent, f)

	// Means of blocks of frames scatter more than single ones let expect where
	// frames' errors hang together in time.
	k := &r.blocks
	k.a.add(1, &g.info)
	for i := range k.b {
		k.b[i] += w[i]
	}
	if k.n++; k.n == blockFrames {
		if inv, ok := k.a.inverse(); ok {
			m := inv.times(k.b)
			if k.had && s != nil {
				cov := inv
				cov.add(1, &k.cov)
				s.block.add(square(m.minus(k.mean), &cov))
			}
			k.mean, k.cov, k.had = m, inv, true
		}
		k.a, k.b, k.n = sym6{}, vec6{}, 0
	}
}

// drifted tells whether the latest frames say something else than those before
// them: too slow a motion to show between two frames.
func (r *run) drifted(scale float64) bool {
	for _, l := range [...]int{4, 16, 64} {
		n := len(r.recent)
		if n < l || r.count < 2*l || r.count%(l/2) != 0 {
			continue
		}
		var a sym6
		var b vec6
		for i := n - l; i < n; i++ {
			a.add(1, &r.recent[i].info)
			w := r.recent[i].info.times(r.recent[i].step)
			for k := range b {
				b[k] += w[k]
			}
		}
		late, ok := a.inverse()
		rest, restB := r.a, r.b
		rest.add(-1, &a) // recent frames count nearly in full
		for k := range restB {
			restB[k] -= b[k]
		}
		early, ok2 := rest.inverse()
		if !ok || !ok2 {
			continue
		}
		d := late.times(b).minus(early.times(restB))
		cov := late
		cov.add(1, &early)
		cov.scale(scale)
		one := r.frameCov()
		cov.add(steadiness, &one)
		if square(d, &cov) > driftLimit {
			return true
		}
	}
	return false
}

// blockFrames is how many frames are averaged to see whether their errors hang
// together in time.
const blockFrames = 8

// scatter is how frames at rest differ, over what their fits state: the part of the
// stated variance that is not common to all of them.
type scatter struct{ single, block average }

// average is of squared steps of six numbers, over what is expected.
type average struct{ sum, n float64 }

// averageStart is how many values weigh as much as what is thought beforehand.
const averageStart = 10

func (a *average) add(square float64) {
	if square > 60 { // something moved
		return
	}
	a.sum += square / 6
	a.n++
	if a.n > 4000 {
		a.sum, a.n = a.sum/2, a.n/2
	}
}

// value is the average, from what was thought beforehand on.
func (a *average) value(before float64) float64 {
	return (a.sum + averageStart*before) / (a.n + averageStart)
}

// share is the variance of what differs from frame to frame over what is stated.
func (s *scatter) share() float64 {
	single := s.single.value(1)
	return math.Max(single, s.block.value(single))
}
