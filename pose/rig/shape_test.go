package rig_test

import (
	"math"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// misfit is the mean square of all normalised errors of a solution.
func meanSquare(t *testing.T, s *fixtures.Scene, sol *rig.Solution) float64 {
	sum, n := 0.0, 0
	for _, e := range normalised(t, s, sol) {
		sum += e * e
		n++
	}
	return sum / float64(n)
}

// angleU is the mean of the standard uncertainties of toe, camber and scrub,
// degrees.
func angleU(sol *rig.Solution) (u [3]float64) {
	for k, q := range []align.Quantity{align.Toe, align.Camber, align.ScrubAngle} {
		n := 0.0
		for i, r := range sol.Readings[0].Readings {
			if r.Quantity == q {
				u[k] += sol.Readings[0].U(i) / degree
				n++
			}
		}
		u[k] /= n
	}
	return u
}

func TestExplore(t *testing.T) {
	type setup struct {
		name         string
		drawS, drawF float64
		drawW, drawC float64
		saidS, saidF float64
		saidW, saidC float64
	}
	for _, sigma := range []float64{0.02, 0.005} {
		for _, c := range []setup{
			{name: "all off"},
			{name: "wandering, allowed", drawW: 0.0002, drawC: 0.5, saidW: 0.0002, saidC: 0.5},
			{name: "steady, much allowed", saidW: 0.0005, saidC: 2},
			{name: "much wandering, allowed", drawW: 0.0005, drawC: 2, saidW: 0.0005, saidC: 2},
			{name: "more wandering", drawW: 0.0005, drawC: 5, saidW: 0.0005, saidC: 2},
			{name: "steady, 5 px allowed", saidW: 0.001, saidC: 5},
		} {
			ms, factor := 0.0, 0.0
			var u [3]float64
			const seeds = 8
			for seed := uint64(1); seed <= seeds; seed++ {
				s := newScene(t, "yard-truck", seed)
				s.Shape(0.0003, 0.0003)
				s.Wander(c.drawW, c.drawC)
				pr := &s.Job.Priors
				pr.WanderFocal, pr.WanderCentre = c.saidW, c.saidC
				sol := solve(t, s, together(s, sigma, seed))
				ms += meanSquare(t, s, sol) / seeds
				factor += sol.Network.VarianceFactor / seeds
				one := angleU(sol)
				for k := range u {
					u[k] += one[k] / seeds
				}
				if math.IsNaN(ms) {
					t.Error("nan")
				}
			}
			t.Logf("%.3f px, %-24s mean square %6.2f, factor %6.2f, u toe %.4f camber %.4f scrub %.4f", sigma, c.name, ms, factor, u[0], u[1], u[2])
		}
	}
}
