package bundle

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"

	"wheelplane/pose"
)

// jacobian stacks the Jacobian of all residuals over all free components, by
// another road than the solver's.
func jacobian(p *Problem) *mat.Dense {
	at := make([][]int, len(p.blocks))
	cols := 0
	for b := range p.blocks {
		bl := &p.blocks[b]
		for i := range bl.dim {
			c := -1
			if !bl.constant && (bl.held == nil || !bl.held[i]) {
				c = cols
				cols++
			}
			at[b] = append(at[b], c)
		}
	}
	var rows [][]float64
	for id := range p.residuals {
		res := &p.residuals[id]
		if res.inactive {
			continue
		}
		var x, jac [][]float64
		for _, b := range res.blocks {
			x = append(x, p.blocks[b].x)
			jac = append(jac, make([]float64, res.dim*p.blocks[b].dim))
		}
		res.f.Eval(x, make([]float64, res.dim), jac)
		for r := range res.dim {
			row := make([]float64, cols)
			for i, b := range res.blocks {
				for c, col := range at[b] {
					if col >= 0 {
						row[col] += jac[i][r*p.blocks[b].dim+c]
					}
				}
			}
			rows = append(rows, row)
		}
	}
	j := mat.NewDense(len(rows), cols, nil)
	for i, r := range rows {
		j.SetRow(i, r)
	}
	return j
}

// By orthogonal triangulation of the whole Jacobian (gonum's QR), which forms
// no JᵀJ and eliminates nothing: the covariance is R⁻¹R⁻ᵀ.
func TestCovarianceAgainstQR(t *testing.T) {
	n := newNetwork(networkOptions{photos: 12, views: 3, boards: 4, stations: 2, seed: 3, start: 0.02})
	n.p.Hold(n.lens, 3)
	n.p.Deactivate(n.views[4])
	if _, err := n.p.Solve(context.Background(), Options{}); err != nil {
		t.Fatal(err)
	}
	cov, err := n.p.Covariance()
	if err != nil {
		t.Fatal(err)
	}
	j := jacobian(&n.p)
	_, cols := j.Dims()
	var qr mat.QR
	qr.Factorize(j)
	var r, inv, want mat.Dense
	qr.RTo(&r)
	if err := inv.Inverse(r.Slice(0, cols, 0, cols)); err != nil {
		var cond mat.Condition
		if !errors.As(err, &cond) || math.IsInf(float64(cond), 0) {
			t.Fatal(err)
		}
	}
	want.Mul(&inv, inv.T())
	var blocks []BlockID
	for b := range n.p.blocks {
		blocks = append(blocks, BlockID(b))
	}
	got := cov.Joint(blocks)
	var free []int
	at := 0
	for b := range n.p.blocks {
		bl := &n.p.blocks[b]
		for i := range bl.dim {
			if !bl.constant && (bl.held == nil || !bl.held[i]) {
				free = append(free, at)
			} else if got.At(at, at) != 0 {
				t.Errorf("held component %d of %q has variance %v", i, bl.name, got.At(at, at))
			}
			at++
		}
	}
	if len(free) != cols {
		t.Fatalf("%d free components, %d columns", len(free), cols)
	}
	worst := 0.0
	for i, gi := range free {
		for k, gk := range free {
			scale := math.Sqrt(want.At(i, i) * want.At(k, k))
			worst = math.Max(worst, math.Abs(got.At(gi, gk)-want.At(i, k))/scale)
		}
	}
	t.Logf("largest difference, as a correlation: %.2g", worst)
	if worst > 1e-8 {
		t.Errorf("covariance differs by %.2g", worst)
	}
}

// target sees a point of known place, as a camera would: u = x/z, v = y/z, in
// units of σ.
type target struct {
	point pose.Vec
	uv    [2]float64
	sigma float64
}

func (o *target) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	t := GetPose(x[0])
	turned := t.R.Apply(o.point)
	c := pose.Add(turned, t.T)
	if c[2] <= 0 {
		return false
	}
	r[0] = (c[0]/c[2] - o.uv[0]) / o.sigma
	r[1] = (c[1]/c[2] - o.uv[1]) / o.sigma
	if jac[0] != nil {
		for i, d := range []pose.Vec{{1 / c[2], 0, -c[0] / (c[2] * c[2])}, {0, 1 / c[2], -c[1] / (c[2] * c[2])}} {
			d = pose.Scale(1/o.sigma, d)
			turn := pose.Cross(turned, d)
			copy(jac[0][6*i:], turn[:])
			copy(jac[0][6*i+3:], d[:])
		}
	}
	return true
}

// The covariance of a camera's pose against the scatter of many solutions.
// With 3000 trials a standard deviation is known to 1.3 %, and 5 % is nearly
// four times that.
func TestCovarianceByMonteCarlo(t *testing.T) {
	truth := pose.SE3{R: pose.Exp(pose.Vec{0.4, -0.3, 0.8}), T: pose.Vec{0.1, 0.2, 3}}
	points := []pose.Vec{{-0.3, -0.2, 0}, {0.3, -0.2, 0.1}, {0.3, 0.2, 0}, {-0.3, 0.2, -0.1}, {0, 0.1, 0.2}, {0.1, 0, -0.2}}
	const sigma, trials, seed = 3e-4, 3000, 77
	rng := rand.New(rand.NewPCG(seed, 1))
	build := func(noise float64) (*Problem, BlockID) {
		p := &Problem{}
		b := p.AddBlock("camera", PoseValue(truth), PoseManifold)
		for _, q := range points {
			c := truth.Apply(q)
			o := &target{q, [2]float64{c[0]/c[2] + noise*rng.NormFloat64(), c[1]/c[2] + noise*rng.NormFloat64()}, sigma}
			p.AddResidual("point", o, 2, 0, nil, b)
		}
		return p, b
	}
	p, b := build(0)
	cov, err := p.Covariance()
	if err != nil {
		t.Fatal(err)
	}
	want := cov.Between(b, b)
	var sum [6][6]float64
	var chi2 float64
	for range trials {
		p, b := build(sigma)
		s, err := p.Solve(context.Background(), Options{Workers: 1})
		if err != nil {
			t.Fatal(err)
		}
		chi2 += 2 * s.FinalCost / trials
		d := GetPose(p.Value(b)).Minus(truth)
		for i := range 6 {
			for j := range 6 {
				sum[i][j] += d[i] * d[j] / trials
			}
		}
	}
	for i := range 6 {
		if q := math.Sqrt(sum[i][i] / want.At(i, i)); math.Abs(q-1) > 0.05 {
			t.Errorf("seed %d: component %d scatters %.3f times its standard deviation", seed, i, q)
		}
		for j := range i {
			scale := math.Sqrt(want.At(i, i) * want.At(j, j))
			if d := (sum[i][j] - want.At(i, j)) / scale; math.Abs(d) > 0.08 {
				t.Errorf("seed %d: correlation of %d and %d is off by %.3f", seed, i, j, d)
			}
		}
	}
	// And χ² has the mean of its 12 − 6 degrees of freedom, to √(12/3000).
	if math.Abs(chi2-6) > 4*math.Sqrt(12.0/trials) {
		t.Errorf("seed %d: mean χ² is %.3f", seed, chi2)
	}
}

// The half-angle trap, by hand: a point at one metre from the axis, seen to one
// millimetre across, fixes the turn to one thousandth of a radian. A quaternion
// would say half of that.
func TestCovarianceIsInRadians(t *testing.T) {
	var p Problem
	b := p.AddBlock("pose", PoseValue(pose.SE3{R: pose.RotZ(0.7)}), PoseManifold)
	p.Hold(b, 0, 1, 3, 4, 5)
	arm := pose.RotZ(-0.7).Apply(pose.Vec{1, 0, 0}) // points along x once turned
	p.AddResidual("height", &across{arm, 1e-3}, 1, 0, nil, b)
	c, err := p.Covariance()
	if err != nil {
		t.Fatal(err)
	}
	if u := math.Sqrt(c.Between(b, b).At(2, 2)); math.Abs(u-1e-3) > 1e-15 {
		t.Errorf("u of the turn is %v rad, not 0.001", u)
	}
}

// across is the y of a turned point.
type across struct {
	point pose.Vec
	sigma float64
}

func (a *across) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	turned := GetPose(x[0]).R.Apply(a.point)
	r[0] = turned[1] / a.sigma
	if jac[0] != nil {
		jac[0][0], jac[0][2], jac[0][4] = -turned[2]/a.sigma, turned[0]/a.sigma, 1/a.sigma
	}
	return true
}

// What nothing fixes is an error that names it, never a number.
func TestUnfixedDirections(t *testing.T) {
	row := func(a ...float64) *linear { return &linear{[][]float64{a}, []float64{1}, 0.01} }

	t.Run("no residual", func(t *testing.T) {
		var p Problem
		a := p.AddBlock("seen", []float64{0}, Euclidean(1))
		p.AddBlock("forgotten", []float64{0, 0}, Euclidean(2))
		p.AddResidual("r", row(1), 1, 0, nil, a)
		wantUnfixed(t, &p, `"forgotten" along [1 0]`, `"forgotten" along [0 1]`)
	})
	t.Run("a sum alone", func(t *testing.T) {
		var p Problem
		a := p.AddBlock("pair", []float64{0, 0}, Euclidean(2))
		p.AddResidual("r", row(1, 2), 1, 0, nil, a)
		p.AddResidual("s", row(2, 4), 1, 0, nil, a)
		wantUnfixed(t, &p, `"pair" along [1 -0.5]`)
		if _, err := p.Solve(context.Background(), Options{}); err != nil {
			t.Errorf("a solution exists all the same, but %v", err)
		}
	})
	t.Run("two blocks", func(t *testing.T) {
		var p Problem
		a := p.AddBlock("left", []float64{0}, Euclidean(1))
		b := p.AddBlock("right", []float64{0}, Euclidean(1))
		c := p.AddBlock("other", []float64{0}, Euclidean(1))
		p.AddResidual("difference", &difference{1}, 1, 0, nil, a, b)
		p.AddResidual("r", row(1), 1, 0, nil, c)
		e := wantUnfixed(t, &p, `"left" with "right"`)
		if d := e.Directions[0]; len(d.Parts) != 2 || math.Abs(d.Parts[0].Share-0.5) > 1e-12 {
			t.Errorf("%+v", d)
		}
	})
	t.Run("an eliminated block by itself", func(t *testing.T) {
		var p Problem
		a := p.AddBlock("photo", []float64{0, 0}, Euclidean(2))
		p.Eliminate(a)
		p.AddResidual("r", row(1, 1), 1, 0, nil, a)
		wantUnfixed(t, &p, `"photo" along [1 -1]`)
	})
	t.Run("only seen through an eliminated block", func(t *testing.T) {
		var p Problem
		photo := p.AddBlock("photo", []float64{0}, Euclidean(1))
		p.Eliminate(photo)
		a := p.AddBlock("board", []float64{0}, Euclidean(1))
		p.AddResidual("difference", &difference{3}, 1, 0, nil, photo, a)
		wantUnfixed(t, &p, `"board"`)
	})
	t.Run("the frame of a network", func(t *testing.T) {
		n := newNetwork(networkOptions{photos: 8, views: 3, boards: 3, stations: 1, seed: 2})
		// The station and the boards on the vehicle can move together, against
		// each other, once nothing says what the body's own frame is.
		n.p.SetConstant(n.body[0], false)
		for id := range n.p.residuals {
			if strings.HasSuffix(n.p.residuals[id].name, "as mounted") {
				n.p.Deactivate(ResidualID(id))
			}
		}
		e := wantUnfixed(t, &n.p, `"station 1"`, `"board 1"`, "and 3 more")
		if len(e.Directions) != 6 {
			t.Errorf("%d directions: %v", len(e.Directions), e)
		}
		for _, d := range e.Directions {
			for _, part := range d.Parts {
				if strings.HasPrefix(part.Name, "floor") || part.Name == "lens" {
					t.Errorf("%q is fixed, but %v", part.Name, e)
				}
			}
		}
	})
}

func wantUnfixed(t *testing.T, p *Problem, parts ...string) *RankError {
	t.Helper()
	_, err := p.Covariance()
	var e *RankError
	if !errors.As(err, &e) {
		t.Fatalf("no rank error but %v", err)
	}
	for _, s := range parts {
		if !strings.Contains(err.Error(), s) {
			t.Errorf("%v: does not speak of %s", err, s)
		}
	}
	return e
}

// difference is x₁ − x₀ in units of σ.
type difference struct{ sigma float64 }

func (d *difference) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	r[0] = (x[1][0] - x[0][0]) / d.sigma
	if jac[0] != nil {
		jac[0][0] = -1 / d.sigma
	}
	if jac[1] != nil {
		jac[1][0] = 1 / d.sigma
	}
	return true
}

// A weak prior is information, however weak beside the rest: by hand, a board
// known to 1 m by itself and to 10 µm from a photo that is otherwise free.
func TestWeakPriorIsHonest(t *testing.T) {
	var p Problem
	photo := p.AddBlock("photo", []float64{0}, Euclidean(1))
	p.Eliminate(photo)
	board := p.AddBlock("board", []float64{0}, Euclidean(1))
	p.AddResidual("seen", &difference{1e-5}, 1, 0, nil, photo, board)
	p.AddResidual("prior", &linear{[][]float64{{1}}, []float64{0}, 1}, 1, 0, nil, board)
	c, err := p.Covariance()
	if err != nil {
		t.Fatal(err)
	}
	if u := math.Sqrt(c.Between(board, board).At(0, 0)); math.Abs(u-1) > 1e-5 {
		t.Errorf("u of the board is %v, not 1", u)
	}
	if u := math.Sqrt(c.Between(photo, photo).At(0, 0)); math.Abs(u-1) > 1e-5 {
		t.Errorf("u of the photo is %v, not 1", u)
	}
	joint := c.Joint([]BlockID{photo, board})
	if u := joint.At(0, 0) + joint.At(1, 1) - 2*joint.At(0, 1); math.Abs(u) > 1e-5 {
		t.Errorf("variance of the difference is %v", u)
	}
}

// TestTightened: rows tightened are those of a problem that has them ten times as
// certain, and what cannot be tightened is named.
func TestTightened(t *testing.T) {
	p, obs := &Problem{}, []float64{1.2, -0.7}
	x := p.AddBlock("x", []float64{0.1, 0.2}, Euclidean(2))
	own := p.AddBlock("own", []float64{0.3}, Euclidean(1))
	p.Eliminate(own)
	first := p.AddResidual("first", weighed{obs, []float64{2, 3}}, 2, 0, nil, x)
	p.AddResidual("second", weighed{obs, []float64{0.5, 0.8}}, 2, 0, nil, x)
	tied := p.AddResidual("tied", apart{1.5}, 1, 0, nil, x, own)
	p.AddResidual("loose", weighed{obs[:1], []float64{0.2}}, 1, 0, nil, own)
	c, err := p.Covariance()
	if err != nil {
		t.Fatal(err)
	}
	tight, err := c.Tightened(10, []Row{{first, 1}})
	if err != nil {
		t.Fatal(err)
	}
	p.Deactivate(first)
	p.AddResidual("anew", weighed{obs, []float64{2, 30}}, 2, 0, nil, x)
	want, err := p.Covariance()
	if err != nil {
		t.Fatal(err)
	}
	blocks := []BlockID{x, own}
	a, b, before := tight.Joint(blocks), want.Joint(blocks), c.Joint(blocks)
	for i := range 3 {
		for k := range 3 {
			if math.Abs(a.At(i, k)-b.At(i, k)) > 1e-12 {
				t.Errorf("(%d, %d): %g, want %g", i, k, a.At(i, k), b.At(i, k))
			}
		}
	}
	if !(a.At(1, 1) < 0.5*before.At(1, 1)) {
		t.Errorf("variance %g becomes %g", before.At(1, 1), a.At(1, 1))
	}
	for _, bad := range []func() (*Covariance, error){
		func() (*Covariance, error) { return c.Tightened(1, []Row{{tied, 0}}) },
		func() (*Covariance, error) { return c.Tightened(10, []Row{{tied, 0}}) },
		func() (*Covariance, error) { return c.Tightened(10, []Row{{first, 0}}) }, // inactive by now
	} {
		if _, err := bad(); err == nil {
			t.Error("no error")
		}
	}
}

// weighed is w·(x − obs), number by number.
type weighed struct{ obs, w []float64 }

func (f weighed) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	for i := range r {
		r[i] = f.w[i] * (x[0][i] - f.obs[i])
		if jac[0] != nil {
			jac[0][i*len(r)+i] = f.w[i]
		}
	}
	return true
}

// apart is w·(x₀ − y).
type apart struct{ w float64 }

func (f apart) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	r[0] = f.w * (x[0][0] - x[1][0])
	if jac[0] != nil {
		jac[0][0] = f.w
	}
	if jac[1] != nil {
		jac[1][0] = -f.w
	}
	return true
}

// TestResiduals: of two measurements of one number with standard uncertainties 2
// and 3 the mean leaves residuals whose covariance has, in whitened terms, 1 − w
// on its diagonal, w being their weights 9/13 and 4/13; and of one measurement
// nothing is left.
func TestResiduals(t *testing.T) {
	p := &Problem{}
	x := p.AddBlock("x", []float64{0, 0}, Euclidean(2))
	a := p.AddResidual("a", weighed{[]float64{5, 7}, []float64{1. / 2, 1}}, 2, 0, nil, x)
	b := p.AddResidual("b", weighed{[]float64{9}, []float64{1. / 3}}, 1, 0, nil, x)
	if _, err := p.Solve(context.Background(), Options{}); err != nil {
		t.Fatal(err)
	}
	c, err := p.Covariance()
	if err != nil {
		t.Fatal(err)
	}
	r, cov, err := c.Residuals([]Row{{a, 0}, {b, 0}, {a, 1}})
	if err != nil {
		t.Fatal(err)
	}
	mean := (5*9 + 9*4) / 13.
	for i, want := range []float64{(mean - 5) / 2, (mean - 9) / 3, 0} {
		if math.Abs(r[i]-want) > 1e-12 {
			t.Errorf("residual %d is %g, want %g", i, r[i], want)
		}
	}
	for i, row := range [3][3]float64{{4. / 13, -6. / 13, 0}, {-6. / 13, 9. / 13, 0}, {0, 0, 0}} {
		for k, want := range row {
			if math.Abs(cov.At(i, k)-want) > 1e-12 {
				t.Errorf("(%d, %d): %g, want %g", i, k, cov.At(i, k), want)
			}
		}
	}
	if _, _, err := c.Residuals([]Row{{b, 1}}); err == nil {
		t.Error("no error for a row that is not there")
	}
}
