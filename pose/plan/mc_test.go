package plan_test

import (
	"context"
	"math/rand/v2"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/plan"
	"wheelplane/pose/rig"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// What a plan states from its Fisher information is how readings scatter: vehicles,
// cameras, clamps and floors drawn as the job says they may be, photographed by the
// plan, corners drawn as the detector is foreseen to find them, and each job solved
// from the start. A reading's squared errors over its stated variance are χ² with
// as many degrees of freedom as there are jobs, those of all readings together over
// their stated covariance with as many times the readings.
func TestPlanMonteCarlo(t *testing.T) {
	if !*whole {
		scattered(t, layouts[1], 16, true)
		return
	}
	for _, l := range layouts {
		for _, wandering := range []bool{false, true} {
			scattered(t, l, 60, wandering)
		}
	}
}

// scattered holds a plan against so many jobs, of a camera that is steady or
// wanders as one that nobody knows.
func scattered(t *testing.T, l layout, jobs int, wandering bool) {
	var focal, centrePx float64
	if wandering {
		d := rig.DefaultPriors()
		focal, centrePx = d.WanderFocal, d.WanderCentre
	}
	first, err := fixtures.NewScene(l.name, 21, 4000)
	if err != nil {
		t.Fatal(err)
	}
	first.Job.Priors.WanderFocal, first.Job.Priors.WanderCentre = focal, centrePx
	p, err := plan.Make(first.Job, first.Camera, plan.Options{Wanted: 0.02 * degree, Turn: l.turn * degree})
	if err != nil {
		t.Fatal(err)
	}
	var sums []float64 // by wanted reading
	var names []string
	together, dim := 0.0, 0
	for i := range jobs {
		s, err := fixtures.NewScene(l.name, 300+uint64(i), 4000)
		if err != nil {
			t.Fatal(err)
		}
		carriedOut(s, p, 0.1, 1*degree, uint64(i))
		if wandering {
			s.Wander(focal, centrePx)
		}
		obs := shaken(seen(s, plan.Detector{}), rand.New(rand.NewPCG(uint64(i), 0x6d63)))
		sol, err := rig.Solve(context.Background(), s.Job, s.Camera, obs, rig.Options{})
		if err != nil {
			t.Fatalf("%s, seed %d: %v", l.name, 300+i, err)
		}
		truth, err := s.World.Truth(s.Truth)
		if err != nil {
			t.Fatal(err)
		}
		foretold, found, exact := p.Readings[0], sol.Readings[0], truth[0]
		var e []float64
		var index []int
		for k, r := range foretold.Readings {
			if !plan.IsWanted(r) {
				continue
			}
			a, b := found.FindLike(r), exact.FindLike(r)
			if a < 0 || b < 0 {
				t.Fatalf("%s: no %s of axle %d", l.name, r.Quantity, r.Axle)
			}
			e, index = append(e, found.Readings[a].Value-exact.Readings[b].Value), append(index, k)
		}
		if sums == nil {
			sums = make([]float64, len(e))
			for _, k := range index {
				r := foretold.Readings[k]
				names = append(names, string(r.Quantity)+" "+string(rune('0'+r.Axle))+" "+string(r.Side))
			}
		}
		for k, v := range e {
			u := foretold.U(index[k])
			sums[k] += v * v / (u * u)
		}
		chi, n := mahalanobis(e, foretold.Cov, index)
		together, dim = together+chi, n
	}
	// All tests together are to fail by chance once in a thousand.
	alpha := 0.001 / float64(len(sums)+1)
	lo, hi := chiSquare(jobs, alpha)
	mean := 0.0
	for k, v := range sums {
		mean += v / float64(jobs*len(sums))
		t.Logf("%s: %s: variance over foretold %.2f", l.name, names[k], v/float64(jobs))
		if v < lo || v > hi {
			t.Errorf("%s: %s: %d errors squared over foretold variance %.2f, %.2f to %.2f is chance", l.name, names[k], jobs, v/float64(jobs), lo/float64(jobs), hi/float64(jobs))
		}
	}
	n := float64(jobs * dim)
	lo, hi = chiSquare(jobs*dim, alpha)
	t.Logf("%s, wandering %v: worst foretold %.4f, %d jobs, %d readings: variance over foretold, mean %.3f; all together over their covariance %.3f of %d directions (%.3f to %.3f is chance)", l.name, wandering, p.Worst/degree, jobs, len(sums), mean, together/n, dim, lo/n, hi/n)
	if together < lo || together > hi {
		t.Errorf("%s: all errors over the foretold covariance %.3f, %.3f to %.3f is chance", l.name, together/n, lo/n, hi/n)
	}
}

// chiSquare is between which bounds χ² lies but for a chance of alpha.
func chiSquare(freedom int, alpha float64) (lo, hi float64) {
	d := distuv.ChiSquared{K: float64(freedom)}
	return d.Quantile(alpha / 2), d.Quantile(1 - alpha/2)
}

// mahalanobis is eᵀ·C⁺·e with the part of a covariance that belongs to readings,
// and its rank: some readings are sums of others.
func mahalanobis(e []float64, cov *mat.SymDense, index []int) (sum float64, rank int) {
	c := mat.NewSymDense(len(e), nil)
	for i, a := range index {
		for j, b := range index {
			c.SetSym(i, j, cov.At(a, b))
		}
	}
	var eigen mat.EigenSym
	if !eigen.Factorize(c, true) {
		panic("no eigenvalues")
	}
	var u mat.Dense
	eigen.VectorsTo(&u)
	values := eigen.Values(nil)
	for k, l := range values {
		if l < 1e-6*values[len(values)-1] {
			continue
		}
		v := 0.0
		for i := range e {
			v += u.At(i, k) * e[i]
		}
		sum, rank = sum+v*v/l, rank+1
	}
	return sum, rank
}
