package align

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Decision is what to do about an adjuster.
type Decision string

// The decisions.
const (
	// Adjust it by the amount.
	Adjust Decision = "adjust"
	// Leave it: the readings it serves are within, or less is missing than the
	// bay can set.
	Leave Decision = "leave"
	// PhotographMore before deciding: the readings are not surely within, and may
	// as well be right as they are.
	PhotographMore Decision = "photograph more"
)

// Step is one adjuster's turn in the order of work.
type Step struct {
	Move     // Amount as the bay can set it; 0 unless it is to be adjusted
	Decision Decision

	Exact float64 // amount that would bring the readings to their wish, before rounding
	U     float64 // its standard uncertainty, from that of the readings
	Grain float64 // Amount is a whole number of these

	For     []Reading // the readings it serves, foreseen just before it
	Targets []Target  // theirs
	Now     []Judgement
	Effects []float64 // changes of For by Amount, rad or m
}

// Advice is what to adjust, in order, and what comes of it.
type Advice struct {
	Steps []Step
	Now   *Set // every reading as it is
	After *Set // and as foreseen: the same readings in the same order

	// Refer are readings that will not be within, and that nothing among the
	// adjusters moves.
	Refer []Reading
}

// Moves lists what is to be adjusted.
func (a *Advice) Moves() []Move {
	var out []Move
	for _, s := range a.Steps {
		if s.Decision == Adjust {
			out = append(out, s.Move)
		}
	}
	return out
}

// stage orders the work: what later adjustments are read against comes first.
type stage int

const (
	stageHeading stage = iota // rear axles, the reference axle first
	stageOffset
	stageCaster
	stageCamber
	stageToe // of steered axles, last: caster and camber move it
)

func (s *Stance) stageOf(a Adjuster) stage {
	switch {
	case a.Kind == AxleShift:
		return stageOffset
	case a.Kind == CasterShim:
		return stageCaster
	case a.Kind == CamberCam:
		return stageCamber
	case s.steers(a.Axle) && a.Kind != AxleSlide:
		return stageToe
	}
	return stageHeading
}

// Served lists the readings that adjusters are there for, without their values;
// steered are the axles that are.
func Served(adjusters []Adjuster, steered []int) []Reading {
	s := &Stance{Steered: steered}
	var out []Reading
	for _, g := range groupsOf(s, adjusters) {
		out = append(out, s.serves(g.stage, g.list)...)
	}
	return out
}

// serves lists the readings a group of adjusters of one axle is there for,
// those that say most first.
func (s *Stance) serves(at stage, group []Adjuster) []Reading {
	axle := group[0].Axle
	of := func(q Quantity, sides ...Side) (out []Reading) {
		for _, side := range sides {
			out = append(out, Reading{Quantity: q, Axle: axle, Side: side})
		}
		return
	}
	var sides []Side
	sided, heads, rods := false, false, false
	for _, a := range group {
		if a.Side != NoSide && !slices.Contains(sides, a.Side) {
			sides = append(sides, a.Side)
		}
		switch a.Kind {
		case AxleSlide, DragLink:
			heads = true
		case TieRod:
			rods = true
			sided = sided || a.Side != NoSide
		case ToeCam:
			rods, sided = true, true
		}
	}
	if len(sides) == 0 {
		sides = []Side{Left, Right}
	}
	var out []Reading
	switch at {
	case stageOffset:
		return of(AxleOffset, NoSide)
	case stageCaster:
		out = of(Caster, sides...)
		if len(sides) == 2 && group[0].Side != NoSide {
			out = append(out, of(CrossCaster, NoSide)...)
		}
		return out
	case stageCamber:
		out = of(Camber, sides...)
		if len(sides) == 2 {
			out = append(out, of(CrossCamber, NoSide)...)
		}
		return out
	}
	if rods {
		out = append(out, of(TotalToe, NoSide)...)
	}
	if heads || sided {
		out = append(out, of(ThrustAngle, NoSide)...)
		out = append(out, of(ScrubAngle, NoSide)...)
		out = append(out, of(AxleHeading, NoSide)...)
	}
	if sided || rods && heads {
		out = append(out, of(Toe, Left, Right)...)
	}
	return out
}

// Advise works out how much to turn, in the order of work: the reference
// axle's heading, then the other axles against it, then sideways offsets,
// caster, camber, and the toe and heading of the steered axles last. Every step
// is worked out from the readings as foreseen after the steps before it.
//
// Targets of readings the stance does not tell are left aside. The amounts of
// adjusters that serve the same readings together are those of the least
// changes, weighed by the tolerances.
func Advise(s *Stance, adjusters []Adjuster, targets []Target, rule Rule) (*Advice, error) {
	for _, a := range adjusters {
		if err := a.Validate(); err != nil {
			return nil, fmt.Errorf("axle %d: %s: %w", a.Axle, a.Kind, err)
		}
		w := (&figure{wheels: s.Wheels}).axle(a.Axle)
		if w[0] < 0 || w[1] < 0 {
			return nil, fmt.Errorf("axle %d: %s: no readings of this axle's wheels; measure them first", a.Axle, a.Kind)
		}
	}
	now, err := s.Readings()
	if err != nil {
		return nil, err
	}
	out := &Advice{Now: now}
	byGroup := groupsOf(s, adjusters)
	var moves []Move
	served := map[Reading]bool{} // of readings without their value
	for _, g := range byGroup {
		steps, err := s.stepsFor(g, moves, targets, rule)
		if err != nil {
			return nil, err
		}
		for _, step := range steps {
			for _, r := range step.For {
				r.Value = 0
				served[r] = true
			}
			if step.Decision == Adjust {
				moves = append(moves, step.Move)
			}
		}
		out.Steps = append(out.Steps, steps...)
	}
	if out.After, err = s.Foresee(moves); err != nil {
		return nil, err
	}
	for i, r := range out.After.Readings {
		for _, t := range targets {
			key := r
			key.Value = 0
			if t.Of(r) && !served[key] && t.Judge(r.Value, out.After.U(i), rule).Verdict != Within {
				out.Refer = append(out.Refer, out.Now.Readings[i])
			}
		}
	}
	return out, nil
}

// group is adjusters of one axle that are turned together.
type group struct {
	stage stage
	list  []Adjuster
}

func groupsOf(s *Stance, adjusters []Adjuster) []group {
	var out []group
	for _, a := range adjusters {
		st := s.stageOf(a)
		i := slices.IndexFunc(out, func(g group) bool { return g.stage == st && g.list[0].Axle == a.Axle })
		if i < 0 {
			out = append(out, group{stage: st})
			i = len(out) - 1
		}
		out[i].list = append(out[i].list, a)
	}
	away := func(g group) int { // from the reference axle, forward first
		d := s.Reference - g.list[0].Axle
		if d < 0 {
			d = 1000 - d
		}
		return d
	}
	slices.SortStableFunc(out, func(a, b group) int {
		if c := cmp.Compare(a.stage, b.stage); c != 0 || a.stage == stageHeading {
			return cmp.Or(c, cmp.Compare(away(a), away(b)))
		}
		return cmp.Compare(a.list[0].Axle, b.list[0].Axle)
	})
	return out
}

// stepsFor works out the steps of a group after the moves before it.
func (s *Stance) stepsFor(g group, before []Move, targets []Target, rule Rule) ([]Step, error) {
	set, err := s.Foresee(before)
	if err != nil {
		return nil, err
	}
	var rows []int // of set
	var wanted []Target
	for _, r := range s.serves(g.stage, g.list) {
		if i := set.FindLike(r); i >= 0 {
			for _, t := range targets {
				if t.Of(r) {
					rows, wanted = append(rows, i), append(wanted, t)
					break
				}
			}
		}
	}
	steps := make([]Step, len(g.list))
	for k, a := range g.list {
		steps[k] = Step{Move: Move{Adjuster: a}, Decision: Leave}
	}
	if len(rows) == 0 { // nothing is asked of it
		return nil, nil
	}
	decision := Leave
	for k, i := range rows {
		v, u := set.Readings[i].Value, set.U(i)
		judged := wanted[k].Judge(v, u, rule)
		for n := range steps {
			steps[n].For, steps[n].Targets, steps[n].Now = append(steps[n].For, set.Readings[i]), append(steps[n].Targets, wanted[k]), append(steps[n].Now, judged)
		}
		// A verdict of outside may come from an uncertainty far wider than the
		// limits: that is no reason to turn anything.
		switch {
		case judged.Verdict == Within:
		case math.Abs(v-wanted[k].Wish) > 2*u:
			decision = Adjust
		case decision == Leave:
			decision = PhotographMore
		}
	}
	exact, j, err := s.amounts(g.list, before, set, rows, wanted)
	if err != nil {
		return nil, err
	}
	// Cov of the amounts: by the pseudo-inverse of the sensitivities.
	inverse := pseudoInverse(j, set, rows, wanted)
	c := mat.NewSymDense(len(rows), nil)
	for a, ra := range rows {
		for b := a; b < len(rows); b++ {
			c.SetSym(a, b, set.Cov.At(ra, rows[b]))
		}
	}
	cov := Propagate(inverse, c)
	for k := range steps {
		st := &steps[k]
		st.Decision, st.Exact, st.U = decision, exact[k], math.Sqrt(math.Max(0, cov.At(k, k)))
		st.Grain = grain(st.Adjuster, exact[k], j, k, set, rows, wanted)
		if decision == Adjust {
			st.Amount = st.Grain * math.Round(exact[k]/st.Grain)
			for n := range rows {
				st.Effects = append(st.Effects, j.At(n, k)*st.Amount)
			}
		}
	}
	for k := range steps {
		if steps[k].Decision == Adjust && steps[k].Amount == 0 {
			steps[k].Decision = Leave
		}
	}
	return steps, nil
}

// amounts solves for those that bring the readings in rows to their wish, by
// Gauss-Newton from zero: the geometry is nearly linear, so a few steps settle
// it. The last sensitivities, rows × adjusters, are returned too.
func (s *Stance) amounts(list []Adjuster, before []Move, set *Set, rows []int, wanted []Target) ([]float64, *mat.Dense, error) {
	x := make([]float64, len(list))
	at := func(x []float64) ([]float64, error) {
		f, err := s.figure(nil)
		if err != nil {
			return nil, err
		}
		for _, m := range before {
			m.apply(f, make([]float64, 3))
		}
		for k, a := range list {
			// Zero inputs, whatever the amount.
			Move{a, x[k]}.apply(f, make([]float64, 3))
		}
		r, err := f.readings()
		if err != nil {
			return nil, err
		}
		out := make([]float64, len(rows))
		for n, i := range rows {
			out[n] = r.Readings[i].Value
		}
		return out, nil
	}
	var j *mat.Dense
	for range 4 {
		v, err := at(x)
		if err != nil {
			return nil, nil, err
		}
		j = mat.NewDense(len(rows), len(list), nil)
		for k, a := range list {
			h := 1e-4 // m, rad
			if a.Kind.isTurns() {
				h = 1e-3
			}
			var d [2][]float64
			for e, sign := range []float64{1, -1} {
				y := slices.Clone(x)
				y[k] += sign * h
				if d[e], err = at(y); err != nil {
					return nil, nil, err
				}
			}
			for n := range rows {
				j.Set(n, k, (d[0][n]-d[1][n])/(2*h))
			}
		}
		inverse := pseudoInverse(j, set, rows, wanted)
		for k := range x {
			for n := range rows {
				x[k] += inverse.At(k, n) * (wanted[n].Wish - v[n])
			}
		}
	}
	return x, j, nil
}

// half is half the width of a tolerance, or four uncertainties where it has
// one end only.
func half(t Target, u float64) float64 {
	if w := (t.High - t.Low) / 2; !math.IsInf(w, 0) && w > 0 {
		return w
	}
	return math.Max(4*u, 1e-6)
}

// pseudoInverse turns wanted changes of the readings into amounts, adjusters ×
// rows: the least squares of the misses in units of the tolerances; where many
// amounts serve, those with the least effect on the readings in all.
func pseudoInverse(j *mat.Dense, set *Set, rows []int, wanted []Target) *mat.Dense {
	n, m := j.Dims()
	w := make([]float64, n)
	scaled := mat.NewDense(n, m, nil)
	for i := range n {
		w[i] = 1 / half(wanted[i], set.U(rows[i]))
		for k := range m {
			scaled.Set(i, k, j.At(i, k)*w[i])
		}
	}
	norm := make([]float64, m)
	for k := range m {
		norm[k] = mat.Norm(scaled.ColView(k), 2)
		for i := range n {
			if norm[k] > 0 {
				scaled.Set(i, k, scaled.At(i, k)/norm[k])
			}
		}
	}
	out := mat.NewDense(m, n, nil)
	var svd mat.SVD
	if !svd.Factorize(scaled, mat.SVDThin) {
		return out
	}
	var u, v mat.Dense
	svd.UTo(&u)
	svd.VTo(&v)
	for q, sigma := range svd.Values(nil) {
		if sigma < 1e-6 {
			continue
		}
		for k := range m {
			for i := range n {
				if norm[k] > 0 {
					out.Set(k, i, out.At(k, i)+v.At(k, q)*u.At(i, q)*w[i]/(sigma*norm[k]))
				}
			}
		}
	}
	return out
}

// fractions of a turn a person can set on a sleeve, the easiest first.
var fractions = []float64{1.0 / 2, 1.0 / 4, 1.0 / 6, 1.0 / 8, 1.0 / 12, 1.0 / 24}

// grain is the step an amount is rounded to: as given, or the usual one. Of
// turns it is the easiest fraction that misses the wish by less than a tenth of
// the tolerance's half width, or half the reading's uncertainty if that is more.
func grain(a Adjuster, exact float64, j *mat.Dense, k int, set *Set, rows []int, wanted []Target) float64 {
	switch {
	case a.Step > 0:
		return a.Step
	case !a.Kind.isTurns() && !a.Kind.isAngle():
		return 0.5e-3
	case a.Kind == CasterShim:
		return 0.5 * math.Pi / 180
	case a.Kind.isAngle():
		return 0.05 * math.Pi / 180
	}
	for _, f := range fractions {
		miss := math.Abs(exact - f*math.Round(exact/f))
		good := true
		for n, i := range rows {
			u := set.U(i)
			if math.Abs(j.At(n, k))*miss > math.Max(0.1*half(wanted[n], u), u/2) {
				good = false
			}
		}
		if good {
			return f
		}
	}
	return fractions[len(fractions)-1]
}
