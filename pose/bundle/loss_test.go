package bundle

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"
)

var losses = map[string]func(c float64) Loss{"Huber": Huber, "Cauchy": Cauchy, "Tukey": Tukey}

func TestLossDerivatives(t *testing.T) {
	for name, loss := range losses {
		for _, c := range []float64{0.7, 3} {
			l := loss(c)
			if rho, w := l.Rho(0); rho != 0 || w != 1 {
				t.Errorf("%s: ρ(0) = %v, ρ'(0) = %v", name, rho, w)
			}
			// The last places lie beyond the edge, on both sides of it.
			for _, s := range []float64{1e-3, 0.1, 0.3, 2, 8.5, 9.5, 100} {
				h := 1e-4 * s
				plus, _ := l.Rho(s + h)
				minus, _ := l.Rho(s - h)
				rho, w := l.Rho(s)
				if d := (plus - minus) / (2 * h); math.Abs(d-w) > 1e-6*w+1e-9 {
					t.Errorf("%s(%v): ρ'(%v) is %v, by differences %v", name, c, s, w, d)
				}
				if rho > s || rho <= 0 {
					t.Errorf("%s(%v): ρ(%v) is %v", name, c, s, rho)
				}
			}
			// No jump at the edge.
			below, wb := l.Rho(c * c * (1 - 1e-12))
			above, wa := l.Rho(c * c * (1 + 1e-12))
			if math.Abs(above-below) > 1e-9 || math.Abs(wa-wb) > 1e-9 {
				t.Errorf("%s(%v) jumps at the edge", name, c)
			}
		}
	}
}

// The constants quoted with the losses give 95 % of the efficiency of the mean
// for one normal row, by numerical integration of (∫ψ'φ)² / ∫ψ²φ with
// ψ(r) = r·ρ'(r²). The three constants are common practice, from memory.
func TestLossEfficiency(t *testing.T) {
	for name, l := range map[string]Loss{"Huber": Huber(1.345), "Cauchy": Cauchy(2.385), "Tukey": Tukey(4.685)} {
		psi := func(r float64) float64 {
			_, w := l.Rho(r * r)
			return r * w
		}
		var slope, square float64
		const h = 1e-3
		for r := -12.0; r < 12; r += h {
			phi := math.Exp(-r*r/2) / math.Sqrt(2*math.Pi) * h
			slope += (psi(r+h/2) - psi(r-h/2)) / h * phi
			square += psi(r) * psi(r) * phi
		}
		if e := slope * slope / square; math.Abs(e-0.95) > 1e-3 {
			t.Errorf("%s has efficiency %.4f", name, e)
		}
	}
}

// linear is r = (A·x − y)/σ.
type linear struct {
	a     [][]float64
	y     []float64
	sigma float64
}

func (l *linear) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	n := len(x[0])
	for i, row := range l.a {
		r[i] = -l.y[i] / l.sigma
		for j, a := range row {
			r[i] += a * x[0][j] / l.sigma
			if jac[0] != nil {
				jac[0][i*n+j] = a / l.sigma
			}
		}
	}
	return true
}

// The gradient that the linear system holds is that of ½Σρ, group by group.
func TestRobustGradient(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	for name, loss := range losses {
		l := &linear{sigma: 0.5}
		for range 8 {
			l.a = append(l.a, []float64{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()})
			l.y = append(l.y, 2*rng.NormFloat64())
		}
		var p Problem
		b := p.AddBlock("x", []float64{0.3, -0.2, 0.1}, Euclidean(3))
		p.AddResidual("rows", l, 8, 2, loss(3), b)
		lay, err := newLayout(&p)
		if err != nil {
			t.Fatal(err)
		}
		s := newSystem(lay, 1)
		x := lay.gather()
		if _, err := s.linearise(x); err != nil {
			t.Fatal(err)
		}
		g := append([]float64(nil), s.g...)
		for i := range x {
			const h = 1e-5
			at := x[i]
			x[i] = at + h
			plus, _ := s.cost(x)
			x[i] = at - h
			minus, _ := s.cost(x)
			x[i] = at
			if d := (plus - minus) / (2 * h); math.Abs(d-g[i]) > 1e-7*math.Max(1, math.Abs(g[i])) {
				t.Errorf("%s: gradient %d is %v, by differences %v", name, i, g[i], d)
			}
		}
	}
}

// A line with a third of gross outliers on one side, which pull the plain fit
// away by many times what the robust one may be off.
func TestRobustLine(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 1))
	truth := []float64{2, -0.7}
	const n, sigma = 60, 0.05
	data := make([]*linear, n)
	for i := range data {
		x := float64(i) / 10
		y := truth[0] + truth[1]*x + sigma*rng.NormFloat64()
		if i%3 == 1 {
			y += 2 + 3*rng.Float64()
		}
		data[i] = &linear{[][]float64{{1, x}}, []float64{y}, sigma}
	}
	fit := func(loss Loss, start []float64) []float64 {
		var p Problem
		b := p.AddBlock("line", start, Euclidean(2))
		for _, l := range data {
			p.AddResidual("point", l, 1, 1, loss, b)
		}
		sum, err := p.Solve(context.Background(), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if sum.FinalCost > sum.InitialCost || !sum.Converged {
			t.Errorf("%+v", sum)
		}
		return p.Value(b)
	}
	off := func(v []float64) float64 { return math.Max(math.Abs(v[0]-truth[0]), math.Abs(v[1]-truth[1])) }
	plain := fit(nil, []float64{0, 0})
	if off(plain) < 0.5 {
		t.Errorf("the outliers do not even disturb the plain fit: %v", plain)
	}
	cauchy := fit(Cauchy(2.385), []float64{0, 0})
	if off(cauchy) > 0.1 {
		t.Errorf("Cauchy: %v, truth %v", cauchy, truth)
	}
	// Tukey needs a good start, and then forgets the outliers altogether.
	tukey := fit(Tukey(4.685), cauchy)
	if off(tukey) > 3*sigma/math.Sqrt(n*2/3)*2 {
		t.Errorf("Tukey: %v, truth %v", tukey, truth)
	}
	if h := fit(Huber(1.345), []float64{0, 0}); off(h) > off(plain)/3 {
		t.Errorf("Huber: %v, truth %v", h, truth)
	}
}

// A group is weighted as one: an outlier in x takes its y along.
func TestLossActsOnGroups(t *testing.T) {
	l := &linear{[][]float64{{1, 0}, {0, 1}, {1, 0}, {0, 1}}, []float64{100, 1, 0, 0}, 1}
	var p Problem
	b := p.AddBlock("x", []float64{0, 0}, Euclidean(2))
	p.AddResidual("two points", l, 4, 2, Tukey(5), b)
	if _, err := p.Solve(context.Background(), Options{}); err != nil {
		t.Fatal(err)
	}
	if v := p.Value(b); math.Abs(v[0]) > 1e-9 || math.Abs(v[1]) > 1e-9 {
		t.Errorf("%v: the second row of the outlier still pulls", v)
	}
}
