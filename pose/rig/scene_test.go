package rig_test

import (
	"context"
	"math"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/rig"
)

// TestDrawnJobs solves jobs whose corners are drawn straight from the chain
// and holds every reading against its truth and its stated uncertainty.
func TestDrawnJobs(t *testing.T) {
	sum, count := 0.0, 0
	for seed := uint64(1); seed <= 10; seed++ {
		scene, err := fixtures.NewScene("yard-truck", seed, 4000)
		if err != nil {
			t.Fatal(err)
		}
		obs := scene.DrawCorners(0.05, 1.2, seed)
		sol, err := rig.Solve(context.Background(), scene.Job, scene.Camera, obs, rig.Options{})
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		truth, err := scene.Job.Truth(scene.Truth)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("seed %d: %d photos, %d corners, %d rejected, factor %.3f, %d iterations", seed, sol.Network.Photos, sol.Network.Corners, sol.Network.Rejected, sol.Network.VarianceFactor, sol.Network.Iterations)
		for i, r := range sol.Readings[0].Readings {
			k := truth[0].Find(r.Quantity, r.Axle, r.Side)
			if k < 0 {
				t.Fatalf("truth has no %v", r)
			}
			e := (r.Value - truth[0].Readings[k].Value) / sol.Readings[0].U(i)
			sum += e * e
			count++
			if math.Abs(e) > 4 {
				t.Errorf("seed %d: %s axle %d %s: %g, truth %g, u %g", seed, r.Quantity, r.Axle, r.Side, r.Value, truth[0].Readings[k].Value, sol.Readings[0].U(i))
			}
			if seed == 1 {
				f := 180 / math.Pi
				if r.Quantity.IsLength() {
					f = 1000
				}
				t.Logf("%-14s %d %-5s  %9.4f  u %8.4f  error %8.4f", r.Quantity, r.Axle, r.Side, r.Value*f, sol.Readings[0].U(i)*f, (r.Value-truth[0].Readings[k].Value)*f)
			}
		}
	}
	t.Logf("mean squared normalised error %.3f over %d", sum/float64(count), count)
}
