package rig

import (
	"context"
	"slices"
	"strings"

	"wheelplane/pose/bundle"
	"wheelplane/vision"

	"gonum.org/v1/gonum/mat"
)

// Fit is the last fit of a job, laid open to the tests: no loss, no wrong
// corners.
type Fit struct {
	fitting
	first, second *State // the first guess and the robust solution
}

// NewFit solves a job as [Solve] does and keeps where its fits set out.
func NewFit(ctx context.Context, job *Job, camera vision.Camera, obs []Observation) (*Fit, error) {
	f := &Fit{fitting: fitting{ctx: ctx, job: job, camera: &camera, obs: obs, o: Options{RejectSigma: 4}}}
	keep := func(to **State) func() error {
		return func() error {
			*to = f.state
			return nil
		}
	}
	for _, step := range []func() error{f.start, keep(&f.first), f.robust, keep(&f.second), f.explain, f.final} {
		if err := step(); err != nil {
			return nil, err
		}
	}
	return f, nil
}

// Problem is a fit's bundle, not solved.
type Problem struct{ *network }

// FirstGuess builds the bundle at the first guess.
func (f *Fit) FirstGuess(width float64) Problem { return f.at(f.first, width) }

// Robust builds it at the robust solution, near the minimum.
func (f *Fit) Robust(width float64) Problem { return f.at(f.second, width) }

func (f *Fit) at(s *State, width float64) Problem {
	return Problem{build(f.job, f.camera, f.obs, s, f.used, width)}
}

// Text is the problem written down.
func (p Problem) Text() (string, error) {
	var b strings.Builder
	err := p.write(&b)
	return b.String(), err
}

// Bundle is the least-squares problem itself.
func (p Problem) Bundle() *bundle.Problem { return &p.p }

// Hubs returns the covariance of the steps of the free hubs and their blocks.
func (p Problem) Hubs(cov *bundle.Covariance) (*mat.SymDense, []bundle.BlockID) {
	var free []bundle.BlockID
	for a, id := range p.hubs {
		if p.seen.axis[a] {
			free = append(free, id)
		}
	}
	return cov.Joint(free), free
}

// Bound is the Cramer-Rao bound of a job's readings: their covariance from the
// curvature of the network at the true state, where nothing is fitted, drawn or
// rejected. Of the observations only which corners there are and how well they
// are measured counts.
func Bound(job *Job, camera vision.Camera, obs []Observation, truth *State) ([]EpochReadings, error) {
	used := make([]bool, len(job.Photos))
	for i := range used {
		used[i] = true
	}
	n := build(job, &camera, obs, truth, used, 0)
	cov, err := n.p.Covariance()
	if err != nil {
		return nil, err
	}
	return n.allReadings(truth, cov)
}

// Flatter returns the readings of a solution's last fit as if the floor were so
// much flatter, by building the whole network anew.
func Flatter(job *Job, camera vision.Camera, obs []Observation, s *State, factor float64) ([]EpochReadings, error) {
	flat := *job
	flat.Priors.FloorFlatness /= factor
	return Bound(&flat, camera, obs, s)
}

// FloorShares returns each reading's part from the floor, from the network at s.
func FloorShares(job *Job, camera vision.Camera, obs []Observation, s *State) ([]EpochReadings, error) {
	f := &fitting{job: job, camera: &camera, obs: obs, state: s, used: slices.Repeat([]bool{true}, len(job.Photos))}
	f.net = build(job, &camera, obs, s, f.used, 0)
	cov, err := f.net.p.Covariance()
	if err != nil {
		return nil, err
	}
	readings, err := f.net.allReadings(s, cov)
	if err != nil {
		return nil, err
	}
	return readings, f.floorShare(cov, readings)
}

var IsFrame = isFrame
