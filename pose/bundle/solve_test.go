package bundle

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"wheelplane/pose"
)

func TestWorkersGiveTheSameBits(t *testing.T) {
	var values [][][]float64
	var costs []float64
	for _, workers := range []int{1, 2, 8} {
		n := newNetwork(networkOptions{photos: 20, views: 3, boards: 5, stations: 3, seed: 4, start: 0.05})
		for _, id := range n.views {
			n.p.SetLoss(id, Cauchy(3))
		}
		sum, err := n.p.Solve(context.Background(), Options{Workers: workers})
		if err != nil {
			t.Fatal(err)
		}
		values, costs = append(values, n.p.values()), append(costs, sum.FinalCost)
	}
	for i := 1; i < len(values); i++ {
		if costs[i] != costs[0] {
			t.Errorf("cost %v or %v", costs[i], costs[0])
		}
		for b := range values[0] {
			for k, x := range values[0][b] {
				if values[i][b][k] != x {
					t.Fatalf("block %d, number %d: %v or %v", b, k, values[i][b][k], x)
				}
			}
		}
	}
}

// The network comes back to the truth within its own covariance: χ² of the
// photographs' poses against their eliminated covariance.
func TestNetworkWithinItsCovariance(t *testing.T) {
	n := newNetwork(networkOptions{photos: 30, views: 4, boards: 5, stations: 3, seed: 11, start: 0.05})
	sum, err := n.p.Solve(context.Background(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if dof := float64(sum.Rows - sum.Parameters); math.Abs(2*sum.FinalCost-dof) > 5*math.Sqrt(2*dof) {
		t.Errorf("χ² is %.0f in %.0f degrees of freedom", 2*sum.FinalCost, dof)
	}
	c, err := n.p.Covariance()
	if err != nil {
		t.Fatal(err)
	}
	var worst, total float64
	for i, id := range n.photos {
		d := GetPose(n.p.Value(id)).Minus(n.truth[i])
		cov := c.Between(id, id)
		for k := range 6 {
			z := d[k] / math.Sqrt(cov.At(k, k))
			worst = math.Max(worst, math.Abs(z))
			total += z * z / float64(6*len(n.photos))
		}
	}
	// The errors of photographs hang together, so the bounds are wide.
	if worst > 4.5 || total < 0.3 || total > 2.5 {
		t.Errorf("errors over their standard uncertainty: worst %.2f, mean square %.2f", worst, total)
	}
}

// Floor board 1, which carries the floor's frame, is in no photograph here, so
// that the whole floor is known to its weak priors only: 0.06 radians and half a
// metre, where the photographs tell parts of a milliradian. Damped steps need 26
// iterations to come down this bent valley.
func TestWeaklyTiedNetworkIsQuick(t *testing.T) {
	n := newNetwork(networkOptions{photos: 45, views: 6, boards: 12, stations: 3, seed: 1, start: 0.02})
	sum, err := n.p.Solve(context.Background(), Options{})
	if err != nil || sum.Iterations > 12 {
		t.Errorf("%+v, %v", sum, err)
	}
	c, err := n.p.Covariance()
	if err != nil {
		t.Fatal(err)
	}
	if u := math.Sqrt(c.Between(n.floor[6], n.floor[6]).At(2, 2)); u < 0.05 || u > 0.07 {
		t.Errorf("u of the floor's heading is %v", u)
	}
}

// Wherever a run is cut short, the values are those of the cost it states, and
// no later cut states a higher one: also where plain steps wander uphill.
func TestValuesBelongToFinalCost(t *testing.T) {
	last := math.Inf(1)
	for limit := 1; ; limit++ {
		n := newNetwork(networkOptions{photos: 18, views: 4, boards: 8, stations: 3, seed: 1, start: 0.02})
		sum, err := n.p.Solve(context.Background(), Options{MaxIterations: limit, AcceptLimit: true})
		if err != nil {
			t.Fatal(err)
		}
		var cost float64
		for id := range n.p.residuals {
			r, ok := n.p.EvalResidual(ResidualID(id))
			if !ok {
				t.Fatalf("residual %d is not defined", id)
			}
			for _, a := range r {
				cost += a * a / 2
			}
		}
		if math.Abs(cost-sum.FinalCost) > 1e-10*cost {
			t.Errorf("limit %d: the cost is %v, the summary says %v", limit, cost, sum.FinalCost)
		}
		if sum.FinalCost > last*(1+1e-10) {
			t.Errorf("limit %d: the cost is %v, and %v one iteration earlier", limit, sum.FinalCost, last)
		}
		last = sum.FinalCost
		if sum.Converged {
			break
		}
	}
}

func TestConstantHeldAndLeftOut(t *testing.T) {
	l := &linear{[][]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}, []float64{5, 6, 7}, 1}
	wrong := &linear{[][]float64{{1, 0, 0}}, []float64{100}, 1e-3}
	var p Problem
	a := p.AddBlock("a", []float64{1, 2, 3}, Euclidean(3))
	b := p.AddBlock("b", []float64{1, 2, 3}, Euclidean(3))
	c := p.AddBlock("c", []float64{1, 2, 3}, Euclidean(3))
	p.SetConstant(a, true)
	p.Hold(b, 1)
	p.Eliminate(c)
	p.Hold(c, 0, 2)
	for _, id := range []BlockID{a, b, c} {
		p.AddResidual("r", l, 3, 0, nil, id)
	}
	off := p.AddResidual("wrong", wrong, 1, 0, nil, b)
	p.Deactivate(off)
	sum, err := p.Solve(context.Background(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	check := func(id BlockID, want ...float64) {
		t.Helper()
		for i, v := range p.Value(id) {
			if math.Abs(v-want[i]) > 1e-9 {
				t.Errorf("%s is %v, want %v", p.Name(id), p.Value(id), want)
				return
			}
		}
	}
	check(a, 1, 2, 3)
	check(b, 5, 2, 7)
	check(c, 1, 6, 3)
	if sum.Parameters != 3 || sum.Rows != 9 || sum.Residuals != 3 || sum.Eliminated != 1 {
		t.Errorf("%+v", sum)
	}
	if r, ok := p.EvalResidual(off); !ok || math.Abs(r[0]+95e3) > 1 {
		t.Errorf("the residual left out is %v, %v", r, ok)
	}
	p.Activate(off)
	p.SetConstant(a, false)
	p.Hold(b)
	if _, err := p.Solve(context.Background(), Options{}); err != nil {
		t.Fatal(err)
	}
	check(a, 5, 6, 7)
	if v := p.Value(b); math.Abs(v[0]-100) > 1e-3 || math.Abs(v[1]-6) > 1e-9 {
		t.Errorf("b is %v", v)
	}
}

// function is a residual of one number by one number, with a limit to where it
// is defined.
type function struct {
	f, df func(x float64) float64
	ok    func(x float64) bool
}

func (g *function) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	if g.ok != nil && !g.ok(x[0][0]) {
		return false
	}
	r[0] = g.f(x[0][0])
	if jac[0] != nil {
		jac[0][0] = g.df(x[0][0])
	}
	return true
}

func TestSolveErrors(t *testing.T) {
	one := func(start float64, g *function) (*Problem, BlockID) {
		p := &Problem{}
		b := p.AddBlock("x", []float64{start}, Euclidean(1))
		p.AddResidual("good", &linear{[][]float64{{1}}, []float64{0}, 1e6}, 1, 0, nil, b)
		p.AddResidual("photo 7, corner 3", g, 1, 0, nil, b)
		return p, b
	}
	square := &function{f: func(x float64) float64 { return x*x - 2 }, df: func(x float64) float64 { return 2 * x }}
	cases := []struct {
		name    string
		start   float64
		g       *function
		o       Options
		reason  Reason
		message string
	}{
		{"undefined at the start", -1, &function{square.f, square.df, func(x float64) bool { return x > 0 }}, Options{},
			NotEvaluable, `"photo 7, corner 3" is not defined`},
		{"not a number", 1, &function{func(float64) float64 { return math.NaN() }, square.df, nil}, Options{},
			NotEvaluable, `"photo 7, corner 3" or its Jacobian is not a finite number`},
		{"an infinite Jacobian", 1, &function{square.f, func(float64) float64 { return math.Inf(1) }, nil}, Options{},
			NotEvaluable, `"photo 7, corner 3" or its Jacobian is not a finite number`},
		{"a Jacobian that turns bad", 1, &function{square.f, func(x float64) float64 {
			if x > 1.01 {
				return math.NaN()
			}
			return 2 * x
		}, nil}, Options{}, NotEvaluable, `"photo 7, corner 3" or its Jacobian is not a finite number`},
		{"the limit", 1e3, square, Options{MaxIterations: 3}, IterationLimit, "no convergence in 3 iterations"},
		{"a Jacobian of the wrong sign", 1, &function{square.f, func(x float64) float64 { return -2 * x }, nil}, Options{},
			NoLowerCost, "check the Jacobians"},
		{"a wall", 1, &function{square.f, square.df, func(x float64) bool { return x <= 1 }}, Options{},
			NoLowerCost, `"photo 7, corner 3" is not defined`},
	}
	for _, c := range cases {
		p, _ := one(c.start, c.g)
		sum, err := p.Solve(context.Background(), c.o)
		if err == nil || !strings.Contains(err.Error(), c.message) || sum.Reason != c.reason || sum.Converged {
			t.Errorf("%s: %+v, %v", c.name, sum, err)
		}
	}

	p, b := one(1e3, square)
	sum, err := p.Solve(context.Background(), Options{MaxIterations: 3, AcceptLimit: true})
	if err != nil || sum.Converged || sum.Reason != IterationLimit {
		t.Errorf("with the limit accepted: %+v, %v", sum, err)
	}
	if v := p.Value(b)[0]; v >= 1e3 || sum.FinalCost >= sum.InitialCost {
		t.Errorf("three iterations went from 1000 to %v", v)
	}

	// A step that leads to where the residual is not defined, or not a number,
	// is only refused.
	for name, g := range map[string]*function{
		"undefined": {func(x float64) float64 { return math.Log(x) }, func(x float64) float64 { return 1 / x }, func(x float64) bool { return x > 0 }},
		"NaN":       {func(x float64) float64 { return math.Log(x) }, func(x float64) float64 { return 1 / x }, nil},
	} {
		p, b := one(4, g) // Newton's first step goes to 4 − 4·log 4 < 0
		sum, err := p.Solve(context.Background(), Options{})
		if err != nil || sum.Refused == 0 || math.Abs(p.Value(b)[0]-1) > 1e-9 {
			t.Errorf("%s: %+v, %v, x = %v", name, sum, err, p.Value(b))
		}
	}

	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	p, _ = one(3, square)
	if sum, err := p.Solve(ctx, Options{}); !errors.Is(err, context.Canceled) || sum.Reason != Interrupted {
		t.Errorf("cancelled: %+v, %v", sum, err)
	}

	// Also in the middle of a search for a step.
	ctx, cancel = context.WithCancel(context.Background())
	p, b = one(1, &function{func(x float64) float64 {
		if x != 1 {
			cancel()
			return 1e6
		}
		return 1
	}, func(float64) float64 { return 1 }, nil})
	if sum, err := p.Solve(ctx, Options{}); !errors.Is(err, context.Canceled) || sum.Reason != Interrupted || p.Value(b)[0] != 1 {
		t.Errorf("cancelled while searching: %+v, %v", sum, err)
	}
	cancel()

	p, _ = one(-1, &function{square.f, square.df, func(x float64) bool { return x > 0 }})
	if _, err := p.Covariance(); err == nil || !strings.Contains(err.Error(), `"photo 7, corner 3" is not defined`) {
		t.Errorf("covariance where a residual is not defined: %v", err)
	}

	p = &Problem{}
	b = p.AddBlock("x", []float64{1}, Euclidean(1))
	if _, err := p.Solve(context.Background(), Options{}); err == nil || !strings.Contains(err.Error(), "no residuals") {
		t.Errorf("without residuals: %v", err)
	}
	other := p.AddBlock("y", []float64{math.Inf(1)}, Euclidean(1))
	p.AddResidual("difference", &difference{1}, 1, 0, nil, b, other)
	if _, err := p.Solve(context.Background(), Options{}); err == nil || !strings.Contains(err.Error(), `"y" is not a finite`) {
		t.Errorf("with an infinite start: %v", err)
	}
	p.SetValue(other, []float64{0})
	p.Eliminate(b)
	p.Eliminate(other)
	if _, err := p.Solve(context.Background(), Options{}); err == nil || !strings.Contains(err.Error(), "two eliminated blocks") {
		t.Errorf("with two eliminated blocks: %v", err)
	}
	p.SetConstant(b, true) // then it is not in the way
	if _, err := p.Solve(context.Background(), Options{}); err != nil || math.Abs(p.Value(other)[0]-1) > 1e-12 {
		t.Errorf("%v, y = %v", err, p.Value(other))
	}
}

// Directions that nothing fixes do not keep the rest from being solved: the cost
// is that of the same network with its frame held. Damping that is at first far
// too weak to factor the singular systems only costs refused steps.
func TestFreeDirectionsStillSolve(t *testing.T) {
	o := networkOptions{photos: 18, views: 4, boards: 5, stations: 3, seed: 6, start: 0.02}
	var costs []float64
	for _, free := range []bool{false, true} {
		n := newNetwork(o)
		for id := range n.p.residuals {
			if strings.HasSuffix(n.p.residuals[id].name, "as mounted") {
				n.p.Deactivate(ResidualID(id))
			}
		}
		n.p.SetConstant(n.body[0], !free)
		sum, err := n.p.Solve(context.Background(), Options{})
		if err != nil {
			t.Fatal(err)
		}
		costs = append(costs, sum.FinalCost)
	}
	if math.Abs(costs[1]-costs[0]) > 1e-8*costs[0] {
		t.Errorf("cost %v with the frame held, %v without", costs[0], costs[1])
	}

	for _, eliminate := range []bool{false, true} {
		var p Problem
		b := p.AddBlock("pair", []float64{3, 4}, Euclidean(2))
		if eliminate {
			p.Eliminate(b)
		}
		p.AddResidual("sum", &linear{[][]float64{{1, 1}}, []float64{1}, 1}, 1, 0, nil, b)
		sum, err := p.Solve(context.Background(), Options{InitialDamping: 1e-19})
		if v := p.Value(b); err != nil || sum.Refused == 0 || math.Abs(v[0]+v[1]-1) > 1e-8 {
			t.Errorf("eliminated %v: %+v, %v, %v", eliminate, sum, err, v)
		}
	}
}

// Mistakes of the caller panic.
func TestMisuse(t *testing.T) {
	var p Problem
	b := p.AddBlock("b", []float64{1}, Euclidean(1))
	f := &linear{[][]float64{{1}}, []float64{0}, 1}
	for name, do := range map[string]func(){
		"vector of the wrong length": func() { p.AddBlock("c", []float64{1, 2}, Euclidean(1)) },
		"pose of the wrong length":   func() { p.AddBlock("c", []float64{1, 2}, PoseManifold) },
		"empty vector":               func() { Euclidean(0) },
		"no rows":                    func() { p.AddResidual("r", f, 0, 0, nil, b) },
		"groups that do not fit":     func() { p.AddResidual("r", f, 3, 2, nil, b) },
		"no blocks":                  func() { p.AddResidual("r", f, 1, 0, nil) },
		"the same block twice":       func() { p.AddResidual("r", f, 1, 0, nil, b, b) },
		"unknown block":              func() { p.AddResidual("r", f, 1, 0, nil, b+1) },
		"value of the wrong length":  func() { p.SetValue(b, []float64{1, 2}) },
		"held component unknown":     func() { p.Hold(b, 1) },
		"loss of no width":           func() { Cauchy(0) },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: no panic", name)
				}
			}()
			do()
		}()
	}
}

func TestManifoldLaws(t *testing.T) {
	at := PoseValue(pose.SE3{R: pose.Exp(pose.Vec{0.3, -1, 2}), T: pose.Vec{1, 2, 3}})
	for name, c := range map[string]struct {
		m Manifold
		x []float64
	}{"vector": {Euclidean(3), []float64{1, -2, 3}}, "pose": {PoseManifold, at}} {
		out := make([]float64, len(c.x))
		c.m.Plus(c.x, make([]float64, c.m.Dim()), out)
		for i := range out {
			if math.Abs(out[i]-c.x[i]) > 1e-15 {
				t.Errorf("%s: a zero step moves %v to %v", name, c.x, out)
				break
			}
		}
	}
	step := []float64{0.1, -0.2, 0.3, 4, 5, 6}
	out := make([]float64, PoseSize)
	PoseManifold.Plus(at, step, out)
	got := GetPose(out).Minus(GetPose(at))
	for i := range step {
		if math.Abs(got[i]-step[i]) > 1e-13 {
			t.Errorf("(x + δ) − x is %v, not %v", got, step)
			break
		}
	}
}

// One round of building and solving the linear system allocates next to
// nothing, whatever the number of photographs: a few headers of views and
// closures, and what gonum's Cholesky takes for its blocks.
func TestHotLoopDoesNotAllocate(t *testing.T) {
	var counts []float64
	for _, photos := range []int{10, 100} {
		n := newNetwork(networkOptions{photos: photos, views: 3, boards: 5, stations: 2, seed: 9, start: 0.01})
		l, err := newLayout(&n.p)
		if err != nil {
			t.Fatal(err)
		}
		s := newSolver(l, Options{Workers: 1}.withDefaults())
		counts = append(counts, testing.AllocsPerRun(5, func() {
			if _, err := s.linearise(s.now); err != nil {
				t.Fatal(err)
			}
			s.rescale()
			if !s.solve(1e-4, s.scale) {
				t.Fatal("not positive definite")
			}
			s.move()
			if _, err := s.cost(s.try); err != nil {
				t.Fatal(err)
			}
		}))
	}
	if counts[1] > counts[0]+2 || counts[0] > 60 {
		t.Errorf("%v allocations with 10 photographs, %v with 100", counts[0], counts[1])
	}
}

// ExampleCovariance_Joint shows the uncertainty of a difference of two blocks.
func ExampleCovariance_Joint() {
	var p Problem
	a := p.AddBlock("a", []float64{0}, Euclidean(1))
	b := p.AddBlock("b", []float64{0}, Euclidean(1))
	p.AddResidual("b − a", &difference{0.1}, 1, 0, nil, a, b)
	p.AddResidual("a", &linear{[][]float64{{1}}, []float64{0}, 2}, 1, 0, nil, a)
	cov, err := p.Covariance()
	if err != nil {
		fmt.Println(err)
		return
	}
	c := cov.Joint([]BlockID{a, b})
	fmt.Printf("u(a) = %.2f, u(b) = %.4f, u(b − a) = %.2f\n",
		math.Sqrt(c.At(0, 0)), math.Sqrt(c.At(1, 1)), math.Sqrt(c.At(0, 0)-2*c.At(0, 1)+c.At(1, 1)))
	// Output:
	// u(a) = 2.00, u(b) = 2.0025, u(b − a) = 0.10
}
