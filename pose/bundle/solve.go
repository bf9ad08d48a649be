package bundle

import (
	"context"
	"fmt"
	"math"
	"runtime"
)

// Options steer [Problem.Solve]; the zero value works.
type Options struct {
	MaxIterations int // linear systems built; 0: 100

	// Convergence needs one of these. 0 takes the value given here.
	CostTolerance     float64 // relative change of the cost: 1e-12
	GradientTolerance float64 // largest cosine between the residuals and a column of the Jacobian: 1e-12
	StepTolerance     float64 // largest step of a block, over the length of its value: 1e-10

	// AcceptLimit makes reaching MaxIterations no error; Summary.Converged is
	// false all the same.
	AcceptLimit bool

	InitialDamping float64 // 0: 1e-4
	Workers        int     // goroutines that evaluate residuals; 0: one per processor

	// Progress, if any, is called at the start and after each iteration.
	Progress func(iteration int, cost float64)
}

// Reason says why a solver stopped.
type Reason string

// The reasons; the first four are convergence.
const (
	CostSettled     Reason = "the cost no longer changes"
	GradientZero    Reason = "the gradient is zero"
	StepZero        Reason = "the step is too small to matter"
	CostZero        Reason = "the residuals are zero"
	IterationLimit  Reason = "the iteration limit was reached"
	RanAway         Reason = "a parameter ran to where no residual depends on it"
	NoLowerCost     Reason = "no step lowers the cost"
	Interrupted     Reason = "interrupted"
	NotEvaluable    Reason = "a residual could not be evaluated"
	nothingHappened Reason = "not started"
)

// Summary tells what [Problem.Solve] did.
type Summary struct {
	InitialCost, FinalCost float64 // ½Σρ
	Iterations             int     // linear systems built
	Refused                int     // steps that were not taken
	Converged              bool
	Reason                 Reason
	Gradient               float64 // largest cosine between the residuals and a column of the Jacobian
	Rows                   int     // of all active residuals
	Residuals              int     // active ones
	Parameters             int     // free components, eliminated ones included
	Eliminated             int     // blocks taken out by the Schur complement
}

// Solve moves the free blocks to a minimum of the cost. With an error the
// values are the best found so far, and the summary says what was reached.
//
// Errors: a residual that is not defined or not finite at the starting values,
// which is named; no convergence within the limit (see Options.AcceptLimit); no
// step that lowers the cost, which is a sign of a wrong Jacobian; a parameter
// that ran away to where the residuals no longer depend on it; ctx done.
func (p *Problem) Solve(ctx context.Context, o Options) (Summary, error) {
	o = o.withDefaults()
	sum := Summary{Reason: nothingHappened}
	l, err := newLayout(p)
	if err != nil {
		return sum, fmt.Errorf("bundle: %w", err)
	}
	s := newSolver(l, o)
	sum.Rows, sum.Residuals, sum.Parameters = l.rows, len(l.terms), l.parameters()
	for i := range l.groups {
		if l.groups[i].block >= 0 {
			sum.Eliminated++
		}
	}
	err = s.run(ctx, &sum)
	s.store()
	if err != nil {
		return sum, fmt.Errorf("bundle: %w", err)
	}
	return sum, nil
}

func (o Options) withDefaults() Options {
	if o.MaxIterations == 0 {
		o.MaxIterations = 100
	}
	if o.CostTolerance == 0 {
		o.CostTolerance = 1e-12
	}
	if o.GradientTolerance == 0 {
		o.GradientTolerance = 1e-12
	}
	if o.StepTolerance == 0 {
		o.StepTolerance = 1e-10
	}
	if o.InitialDamping == 0 {
		o.InitialDamping = 1e-4
	}
	if o.Workers == 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	return o
}

// solver is the state of one run. Damping is λD, with D the largest diagonal of
// JᵀJ seen so far: the method then does not depend on the units of the
// parameters (Moré 1978). The memory fades, lest a parameter whose start was
// off by many powers of ten stays stiff for ever.
type solver struct {
	*system
	o        Options
	now, try []float64 // values of all blocks, one after the other
	home     []float64 // the best ones while a run wanders, see maxWander
	wander   int       // plain steps taken since home
	scale    []float64 // D of the global columns
	delta    []float64 // the step of one block
}

func newSolver(l *layout, o Options) *solver {
	s := &solver{
		system: newSystem(l, o.Workers), o: o,
		now: l.gather(), try: make([]float64, l.nValues), home: make([]float64, l.nValues),
		scale: make([]float64, l.n),
	}
	return s
}

// gather returns the values of all blocks in one vector.
func (l *layout) gather() []float64 {
	all := make([]float64, l.nValues)
	for b := range l.p.blocks {
		copy(all[l.values[b]:], l.p.blocks[b].x)
	}
	return all
}

// store writes the best values back to the problem.
func (s *solver) store() {
	best := s.now
	if s.wander > 0 {
		best = s.home
	}
	for b := range s.p.blocks {
		if s.columns[b] != nil {
			copy(s.p.blocks[b].x, best[s.values[b]:])
		}
	}
}

// costNoise is the relative rounding error to expect in a cost at least; more
// when residuals are small differences of large numbers.
const costNoise = 1e-14

// zeroRow is the square of a whitened residual that is nothing but rounding.
const zeroRow = 1e-18

// flatGradient is the largest cosine that may pass for a minimum found to
// rounding.
const flatGradient = 1e-4

// lightDamping is λ at which even a direction ten million times weaker than its
// components is free.
const lightDamping = 1e-14

// A plain step is one of Gauss and Newton, with no damping to speak of. Once
// the minimum is near, plain steps are tried first, and up to maxWander of them
// may end at a higher cost than they set out from (home), by less than a mean
// squared residual each. Where directions that only weak priors fix make a bent
// valley, damped steps crawl along its floor; a plain step leaves the floor, and
// the next one comes back to it farther down. If none does, the run goes home.
const maxWander = 3

// trial is a step that was tried; the values there are in solver.try.
type trial struct {
	solved    bool // the linear system could be solved
	err       error
	cost      float64
	predicted float64 // by how much the quadratic model falls
	length    float64 // see [solver.move]
}

func (s *solver) attempt(lambda float64) trial {
	if !s.solve(lambda, s.scale) {
		return trial{length: math.Inf(1)}
	}
	t := trial{solved: true, predicted: s.predicted(lambda), length: s.move()}
	t.cost, t.err = s.cost(s.try)
	return t
}

func (s *solver) run(ctx context.Context, sum *Summary) error {
	cost, err := s.linearise(s.now)
	if err != nil {
		sum.Reason = NotEvaluable
		return err
	}
	sum.InitialCost, sum.FinalCost = cost, cost
	if s.o.Progress != nil {
		s.o.Progress(0, cost)
	}
	lambda, growth, shrink := s.o.InitialDamping, 2.0, 5.0
	reach := 0.1   // try plain steps when less than this many mean squared residuals are to gain
	plain := false // try one now
	spent := false // they led nowhere since the cost last changed
	homeCost := cost
	for {
		s.rescale()
		sum.Gradient = s.gradient(cost)
		switch {
		case ctx.Err() != nil:
			sum.Reason = Interrupted
			return context.Cause(ctx)
		case s.wander > 0:
			// Not a place to stay.
		case sum.Gradient <= s.o.GradientTolerance:
			return s.converged(sum, cost, GradientZero)
		case 2*cost <= zeroRow*float64(s.rows):
			return s.converged(sum, cost, CostZero)
		}
		if sum.Iterations >= s.o.MaxIterations {
			sum.Reason = IterationLimit
			if s.o.AcceptLimit {
				return nil
			}
			return fmt.Errorf("no convergence in %d iterations (cost %.6g, gradient cosine %.2g): start nearer to the answer or allow more",
				sum.Iterations, sum.FinalCost, sum.Gradient)
		}
		sum.Iterations++

		meanSquare := 2 * homeCost / float64(s.rows)
		// Near the minimum the model knows better than the difference of two
		// costs.
		floor := max(s.o.CostTolerance, costNoise) * homeCost
		var t trial
		taken := false
		if plain {
			t = s.attempt(lightDamping)
			taken = t.solved && t.err == nil && t.cost <= homeCost+meanSquare && s.wander < maxWander
			if !taken {
				sum.Refused++
				plain, spent, reach = false, true, reach/100
				if s.wander > 0 {
					copy(s.now, s.home)
					s.wander = 0
					if cost, err = s.linearise(s.now); err != nil {
						sum.Reason = NotEvaluable
						return err
					}
					continue
				}
			}
		}
		// Longer and longer damping until a step lowers the cost.
		for !taken {
			if ctx.Err() != nil {
				sum.Reason = Interrupted
				return context.Cause(ctx)
			}
			t = s.attempt(lambda)
			taken = t.solved && t.err == nil && (t.cost < cost || t.predicted <= floor && t.cost <= cost+floor)
			if taken {
				break
			}
			sum.Refused++
			if t.length <= s.o.StepTolerance || lambda > 1e30 {
				return s.stalled(sum, cost, t.err)
			}
			lambda *= growth
			growth *= 2
			shrink = 5
		}

		if plain && s.wander == 0 {
			copy(s.home, s.now)
		}
		actual := cost - t.cost
		s.now, s.try = s.try, s.now
		cost, err = s.linearise(s.now)
		if err != nil {
			// The residuals were fine here, so it is a Jacobian.
			s.now, s.try = s.try, s.now
			sum.Reason = NotEvaluable
			return err
		}
		if plain && cost > homeCost+floor {
			s.wander++
			continue
		}
		s.wander, homeCost, sum.FinalCost = 0, cost, cost
		if s.o.Progress != nil {
			s.o.Progress(sum.Iterations, cost)
		}

		settled := nothingHappened
		switch {
		case t.predicted <= s.o.CostTolerance*cost && actual <= s.o.CostTolerance*cost:
			settled = CostSettled
		case t.length <= s.o.StepTolerance:
			settled = StepZero
		}
		switch {
		case settled != nothingHappened && (plain || spent || lambda <= lightDamping):
			return s.converged(sum, cost, settled)
		case settled != nothingHappened:
			// A small step under damping says little: along a direction that
			// only a weak prior fixes it may be far to go.
			plain = true
		default:
			spent = false
			if !plain {
				plain = t.predicted <= reach*meanSquare && sum.Gradient <= 0.01
			}
		}
		if plain {
			continue
		}
		// Nielsen's rule, but falling faster and faster while the model is
		// right: weak directions wait for light damping, and a refused step
		// costs little. predicted can be zero only at a zero gradient.
		q := 2*actual/t.predicted - 1
		lambda *= max(1/shrink, 1-q*q*q)
		lambda, growth = max(lambda, 1e-20), 2
		if q > 0.5 {
			shrink *= 5
		} else {
			shrink = 5
		}
	}
}

// converged ends a run at a minimum, if it is one: where a column of the
// Jacobian has all but vanished and is not at right angles to the residuals, it
// is only a plain without an end.
func (s *solver) converged(sum *Summary, cost float64, why Reason) error {
	s.rescale()
	sum.Gradient = s.gradient(cost)
	lost := func(g, h, scale float64) bool {
		return h < 1e-10*scale && scale > noScale && (h == 0 || math.Abs(g) > flatGradient*math.Sqrt(2*h*cost))
	}
	for b := range s.p.blocks {
		if s.columns[b] == nil {
			continue
		}
		for i, col := range s.columns[b] {
			if col < 0 {
				continue
			}
			g, h, scale := 0.0, 0.0, 0.0
			if gi := s.groupOf[b]; gi >= 0 {
				pt, d := &s.parts[gi], s.groups[gi].d
				g, h, scale = pt.b[col], pt.v[col*d+col], pt.scale[col]
			} else {
				g, h, scale = s.g[col], s.h[col*s.n+col], s.scale[col]
			}
			if lost(g, h, scale) {
				sum.Reason = RanAway
				return fmt.Errorf("component %d of %q ran to where no residual depends on it: start nearer to the answer or with more damping",
					i, s.p.blocks[b].name)
			}
		}
	}
	// A column at cosine c to the residuals could lower the cost by c² of it: a
	// caller content with less exactness gets it.
	flat := max(flatGradient, math.Sqrt(s.o.CostTolerance))
	if why != CostZero && sum.Gradient > flat && 2*cost > zeroRow*float64(s.rows) {
		return s.stalled(sum, cost, nil)
	}
	sum.Converged, sum.Reason = true, why
	return nil
}

// stalled ends a run in which even the smallest steps raise the cost: at a
// minimum known to rounding that is convergence.
func (s *solver) stalled(sum *Summary, cost float64, cannot error) error {
	if cannot == nil && sum.Gradient <= flatGradient {
		return s.converged(sum, cost, StepZero)
	}
	sum.Reason = NoLowerCost
	if cannot != nil {
		return fmt.Errorf("no step lowers the cost %.6g, and every one tried ends where %w", cost, cannot)
	}
	return fmt.Errorf("no step lowers the cost %.6g though the gradient cosine is %.2g: check the Jacobians", cost, sum.Gradient)
}

// noScale is D of a parameter that nothing has depended on so far: just enough
// to hold it still.
const noScale = 1e-280

// rescale updates D.
func (s *solver) rescale() {
	const fade = 0.9
	grow := func(d *float64, h float64) {
		faded := fade * *d
		*d = max(faded, h, noScale)
	}
	for i := range s.scale {
		grow(&s.scale[i], s.h[i*s.n+i])
	}
	for gi := range s.groups {
		pt, d := &s.parts[gi], s.groups[gi].d
		for i := range d {
			grow(&pt.scale[i], pt.v[i*d+i])
		}
	}
}

// gradient returns the largest cosine of the angle between the residual vector
// and a column of the Jacobian: 0 at a minimum, whatever the units.
func (s *solver) gradient(cost float64) float64 {
	worst := 0.0
	length := math.Sqrt(2 * cost)
	look := func(g, h float64) {
		if g != 0 {
			worst = max(worst, math.Abs(g)/(math.Sqrt(h)*length))
		}
	}
	for i, g := range s.g {
		look(g, s.h[i*s.n+i])
	}
	for gi := range s.groups {
		pt, d := &s.parts[gi], s.groups[gi].d
		for i := range d {
			look(pt.b[i], pt.v[i*d+i])
		}
	}
	return worst
}

// predicted returns by how much the quadratic model falls along the step:
// ½ δᵀ(λDδ − g).
func (s *solver) predicted(lambda float64) float64 {
	var sum float64
	for i, d := range s.step {
		sum += d * (lambda*s.scale[i]*d - s.g[i])
	}
	for gi := range s.groups {
		pt := &s.parts[gi]
		for i, d := range pt.step {
			sum += d * (lambda*pt.scale[i]*d - pt.b[i])
		}
	}
	return sum / 2
}

// move sets try to now moved by the step and returns the largest step of a
// block over the length of its value.
func (s *solver) move() float64 {
	for gi := range s.groups {
		if s.groups[gi].d > 0 {
			s.moveBlock(s.groups[gi].block, s.parts[gi].step)
		}
	}
	longest := 0.0
	for b := range s.p.blocks {
		at, n := s.values[b], len(s.p.blocks[b].x)
		now, try := s.now[at:at+n], s.try[at:at+n]
		switch {
		case s.columns[b] == nil:
			copy(try, now)
			continue
		case !s.p.blocks[b].eliminate:
			s.moveBlock(b, s.step)
		}
		var moved, size float64
		for i, x := range now {
			d := try[i] - x
			moved += d * d
			size += x * x
		}
		if moved > 0 {
			longest = max(longest, math.Sqrt(moved/(size+1e-300)))
		}
	}
	return longest
}

// moveBlock moves block b by the components of its columns in step.
func (s *solver) moveBlock(b int, step []float64) {
	bl := &s.p.blocks[b]
	delta := s.delta[:0]
	for _, c := range s.columns[b] {
		if c < 0 {
			delta = append(delta, 0)
		} else {
			delta = append(delta, step[c])
		}
	}
	s.delta = delta
	at := s.values[b]
	bl.manifold.Plus(s.now[at:at+len(bl.x)], delta, s.try[at:at+len(bl.x)])
}
