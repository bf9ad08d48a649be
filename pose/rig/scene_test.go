package rig_test

import (
	"context"
	"iter"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// maxOblique is how obliquely a drawn board may be seen, rad: 70 degrees.
const maxOblique = 1.22

func newScene(t testing.TB, name string, seed uint64) *fixtures.Scene {
	t.Helper()
	s, err := fixtures.NewScene(name, seed, 4000)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// seeds counts from 1 to n, with -short only to 1.
func seeds(n uint64) iter.Seq[uint64] {
	if testing.Short() {
		n = 1
	}
	return func(yield func(uint64) bool) {
		for seed := uint64(1); seed <= n && yield(seed); seed++ {
		}
	}
}

func solve(t testing.TB, s *fixtures.Scene, obs []rig.Observation) *rig.Solution {
	t.Helper()
	sol, err := rig.Solve(context.Background(), s.Job, s.Camera, obs, rig.Options{})
	if err != nil {
		t.Fatalf("scene %s seed %d: %v", s.Name, s.Seed, err)
	}
	return sol
}

// normalised returns every reading's error over its own standard uncertainty.
func normalised(t testing.TB, s *fixtures.Scene, sol *rig.Solution) map[align.Reading]float64 {
	t.Helper()
	truth, err := s.World.Truth(s.Truth)
	if err != nil {
		t.Fatal(err)
	}
	out := map[align.Reading]float64{}
	for e, set := range sol.Readings {
		for i, r := range set.Readings {
			k := truth[e].FindLike(r)
			if k < 0 {
				t.Fatalf("the truth has no %v", r)
			}
			if r.Quantity == align.Runout && r.Value < 5*set.U(i) {
				continue // a length near zero: its error is not Gaussian
			}
			out[align.Reading{Quantity: r.Quantity, Axle: r.Axle, Side: r.Side, Station: sol.Readings[e].Epoch + " " + r.Station}] = (r.Value - truth[e].Readings[k].Value) / set.U(i)
		}
	}
	return out
}

func holds(t *testing.T, s *fixtures.Scene, sol *rig.Solution, limit float64) {
	t.Helper()
	for r, e := range normalised(t, s, sol) {
		if !(math.Abs(e) <= limit) {
			t.Errorf("%s, seed %d: %s axle %d %s, %s, is %.1f of its standard uncertainties off", s.Name, s.Seed, r.Quantity, r.Axle, r.Side, r.Station, e)
		}
	}
}

// TestDrawnJobs solves jobs whose corners are drawn straight from the chain
// with everything random drawn from the stated priors: then the stated
// uncertainties must be true. The mean square of some 1000 normalised errors,
// of which perhaps a fifth are independent, lies within 0.8 to 1.25.
func TestDrawnJobs(t *testing.T) {
	jobs := 30
	if testing.Short() {
		jobs = 10
	}
	sum, n, covered, factor := 0.0, 0, 0, 0.0
	for seed := uint64(1); seed <= uint64(jobs); seed++ {
		s := newScene(t, "yard-truck", seed)
		sol := solve(t, s, s.DrawCorners(0.05, maxOblique, seed))
		if len(sol.Network.LeftOut) > 0 || sol.Network.Rejected > 3 {
			t.Errorf("seed %d: %v left out, %d corners rejected of a clean job", seed, sol.Network.LeftOut, sol.Network.Rejected)
		}
		factor += sol.Network.VarianceFactor / float64(jobs)
		for _, e := range normalised(t, s, sol) {
			sum += e * e
			n++
			if math.Abs(e) < 1.96 {
				covered++
			}
		}
		holds(t, s, sol, 4.5) // the largest of 1000 is 3.3 on average
	}
	t.Logf("%d readings: mean square of error/u %.3f, 95 %% intervals cover %.1f %%, variance factor %.3f", n, sum/float64(n), 100*float64(covered)/float64(n), factor)
	if ms := sum / float64(n); ms < 0.8 || ms > 1.25 {
		t.Errorf("mean square of normalised errors %.3f, want 0.8 to 1.25", ms)
	}
	if math.Abs(factor-1) > 0.02 {
		t.Errorf("variance factor %.3f, want 1", factor)
	}
}

// TestEveryScene: all layouts and ways of working, three seeds each, against
// their truth. Of 2000 independent readings one would lie beyond 3.5 of its
// standard uncertainties by chance.
func TestEveryScene(t *testing.T) {
	sum, n := 0.0, 0
	for _, name := range fixtures.SceneNames() {
		own, count := 0.0, 0
		for seed := range seeds(3) {
			s := newScene(t, name[0], seed)
			sol := solve(t, s, s.DrawCorners(0.05, maxOblique, seed))
			holds(t, s, sol, 3.5)
			for _, e := range normalised(t, s, sol) {
				own += e * e
				count++
			}
			if seed == 1 {
				for _, set := range sol.Readings {
					for i, r := range set.Readings {
						switch r.Quantity {
						case align.ThrustAngle, align.ScrubAngle, align.Caster, align.Kingpin, align.TotalToe:
							t.Logf("%s, %s: u(%s, axle %d %s) = %.4f degrees", name[0], set.Epoch, r.Quantity, r.Axle, r.Side, set.U(i)*180/math.Pi)
						}
					}
				}
			}
		}
		t.Logf("%s: mean square of %d normalised errors %.2f", name[0], count, own/float64(count))
		sum, n = sum+own, n+count
	}
	t.Logf("all: mean square of %d normalised errors %.3f", n, sum/float64(n))
	if ms := sum / float64(n); !testing.Short() && (ms < 0.8 || ms > 1.25) {
		t.Errorf("mean square of %d normalised errors over all scenes %.3f, want 0.8 to 1.25", n, ms)
	}
}

// TestOneStation: without turning the wheels the mount's tilt is known to its
// prior only, and the reading says so.
func TestOneStation(t *testing.T) {
	for seed := uint64(1); seed <= 3; seed++ {
		s := newScene(t, "first-look", seed)
		sol := solve(t, s, s.DrawCorners(0.03, maxOblique, seed))
		holds(t, s, sol, 3.5)
		set := sol.Readings[0]
		for _, q := range []align.Quantity{align.Toe, align.Camber} {
			u := set.U(set.Find(q, 2, align.Left)) * 180 / math.Pi
			if u < 0.8 || u > 1.2 {
				t.Errorf("seed %d: u(%s) = %.3f degrees from one station, want about the prior's 1", seed, q, u)
			}
		}
		if sol.Network.RunoutRemoved || !strings.Contains(strings.Join(sol.Warnings, "\n"), "runout is not compensated") {
			t.Errorf("seed %d: the result does not say that runout is not compensated: %q", seed, sol.Warnings)
		}
	}
}

// TestWrongCorners throws three corners in a hundred far off: they are left
// out, and the readings stay true.
func TestWrongCorners(t *testing.T) {
	for seed := uint64(1); seed <= 3; seed++ {
		s := newScene(t, "yard-truck", seed)
		obs := s.DrawCorners(0.05, maxOblique, seed)
		r := rand.New(rand.NewPCG(seed, 99))
		wrong := 0
		for _, o := range obs {
			for i := range o.Corners {
				if r.Float64() < 0.03 {
					o.Corners[i].Px[0] += 2 + 10*r.Float64()
					o.Corners[i].Px[1] -= 5 * r.NormFloat64()
					wrong++
				}
			}
		}
		sol := solve(t, s, obs)
		holds(t, s, sol, 3.5)
		if d := sol.Network.Rejected - wrong; d < -1 || d > 3 {
			t.Errorf("seed %d: %d corners rejected, %d were wrong", seed, sol.Network.Rejected, wrong)
		}
	}
}

// TestLoosePhotos: a photo with one board, one with none and one whose boards
// are in no other photo are named and left out.
func TestLoosePhotos(t *testing.T) {
	s := newScene(t, "yard-truck", 4)
	var obs []rig.Observation
	one := 0
	for _, o := range s.DrawCorners(0.05, maxOblique, 4) {
		switch o.Photo {
		case 5:
			continue
		case 9:
			if one++; one > 1 {
				continue
			}
		}
		obs = append(obs, o)
	}
	sol := solve(t, s, obs)
	holds(t, s, sol, 3.5)
	if len(sol.Network.LeftOut) != 2 || sol.Network.LeftOut[0].Photo != s.Job.Photos[5].Path || sol.Network.LeftOut[1].Photo != s.Job.Photos[9].Path {
		t.Errorf("left out: %v", sol.Network.LeftOut)
	}
	if !strings.Contains(sol.Network.LeftOut[1].Reason, "only one board") {
		t.Errorf("reason: %s", sol.Network.LeftOut[1].Reason)
	}
}

// TestUnseenBoard: a wheel nobody photographed is named.
func TestUnseenBoard(t *testing.T) {
	s := newScene(t, "yard-truck", 4)
	var obs []rig.Observation
	for _, o := range s.DrawCorners(0.05, maxOblique, 4) {
		if o.Board != 3 {
			obs = append(obs, o)
		}
	}
	_, err := rig.Solve(context.Background(), s.Job, s.Camera, obs, rig.Options{})
	if err == nil || !strings.Contains(err.Error(), "board D") {
		t.Errorf("error %v does not name board D", err)
	}
}

// TestReferenceAxle: scrub is read against the axle that is chosen.
func TestReferenceAxle(t *testing.T) {
	s := newScene(t, "yard-truck", 6)
	s.Job.Vehicle.Reference = 2
	sol := solve(t, s, s.DrawCorners(0.05, maxOblique, 6))
	holds(t, s, sol, 3.5)
	set := sol.Readings[0]
	if set.Find(align.ThrustAngle, 2, align.NoSide) < 0 || set.Find(align.ScrubAngle, 3, align.NoSide) < 0 {
		t.Error("thrust is not read on axle 2, or scrub not on axle 3")
	}
}

// TestUncertaintyShrinks: half the corner noise gives clearly better toe.
func TestUncertaintyShrinks(t *testing.T) {
	u := func(sigma float64) float64 {
		s := newScene(t, "yard-truck", 8)
		set := solve(t, s, s.DrawCorners(sigma, maxOblique, 8)).Readings[0]
		return set.U(set.Find(align.TotalToe, 3, align.NoSide))
	}
	if a, b := u(0.1), u(0.05); b > 0.6*a || b < 0.4*a {
		t.Errorf("u of total toe %g at 0.1 px and %g at 0.05 px", a, b)
	}
}

func BenchmarkSolve(b *testing.B) {
	s := newScene(b, "yard-truck", 1)
	obs := s.DrawCorners(0.05, maxOblique, 1)
	for b.Loop() {
		solve(b, s, obs)
	}
}

// TestDefaultPlans holds what the ready scenes' plans reach: thrust and scrub of
// a job with a moved pair, caster and kingpin inclination of a sweep to 20
// degrees, at a corner noise four times what pictures of 12 MP give.
func TestDefaultPlans(t *testing.T) {
	for _, c := range []struct {
		scene      string
		quantities []align.Quantity
		limitDeg   float64
	}{
		{"gravel-tipper", []align.Quantity{align.ThrustAngle, align.ScrubAngle}, 0.03},
		{"sweep", []align.Quantity{align.Caster, align.Kingpin}, 0.05},
	} {
		for seed := uint64(1); seed <= 3; seed++ {
			s := newScene(t, c.scene, seed)
			set := solve(t, s, s.DrawCorners(0.02, maxOblique, seed)).Readings[0]
			found := 0
			for i, r := range set.Readings {
				if !slices.Contains(c.quantities, r.Quantity) {
					continue
				}
				found++
				if u := set.U(i) * 180 / math.Pi; u > c.limitDeg {
					t.Errorf("%s, seed %d: u of %s axle %d %s is %.4f degrees, want at most %g", c.scene, seed, r.Quantity, r.Axle, r.Side, u, c.limitDeg)
				}
			}
			if found < 4 {
				t.Errorf("%s, seed %d: only %d readings of %v", c.scene, seed, found, c.quantities)
			}
		}
	}
}
