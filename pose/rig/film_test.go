package rig_test

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/rig"
)

// drawnByCodec moves the boards of frames as films of H.264 were measured to
// (DEVELOPERS.md, Films): each as a whole by shift, its edges by warp, pixels, and its
// corners beside each other by up to 2.4 times what they are uncertain by. exact are
// the same corners without noise.
func drawnByCodec(s *fixtures.Scene, obs, exact []rig.Observation, shift, warp float64, coarse bool, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 0x636f646563))
	for p := range s.Job.Photos {
		s.Job.Photos[p].Film = true
	}
	for v := range obs {
		b := s.Job.Boards[obs[v].Board]
		w, h := b.Size()
		var a [8]float64
		for k := range a {
			a[k] = r.NormFloat64() * warp
			switch {
			case k < 2:
				a[k] = r.NormFloat64() * shift
			case k >= 6:
				a[k] *= 0.6
			}
		}
		factor := 1.0
		if coarse {
			factor = math.Sqrt(1 + 5*r.Float64())
		}
		for i := range obs[v].Corners {
			c, e := &obs[v].Corners[i], exact[v].Corners[i].Px
			q := b.Corner(c.Index)
			x, y := 2*q[0]/w, 2*q[1]/h
			c.Px[0] = e[0] + factor*(c.Px[0]-e[0]) + a[0] + a[2]*x + a[4]*y + a[6]*x*x + a[7]*x*y
			c.Px[1] = e[1] + factor*(c.Px[1]-e[1]) + a[1] + a[3]*x + a[5]*y + a[6]*x*y + a[7]*y*y
		}
	}
}

// TestCodec: what a film's codec does to boards is found from how little they fit
// together, and readings are as good as stated; taken for photographs they are not.
// Where it does nothing, frames are worth what photographs are.
func TestCodec(t *testing.T) {
	const sigmaPx = 0.008
	count := uint64(2)
	if *allJobs {
		count = 40
	}
	for _, x := range []struct {
		name        string
		shift, warp float64
		coarse      bool
		film        bool
	}{
		{"H.264", 0.026, 0.0125, true, true},
		{"MPEG-4", 0.010, 0.003, false, true},
		{"every frame by itself", 0, 0, false, true},
		{"H.264, taken for photographs", 0.026, 0.0125, true, false},
	} {
		ms, chi, u, n, jobs, rejected := 0.0, 0.0, [3]float64{}, 0, 0.0, 0
		var found rig.Codec
		for seed := range seeds(count) {
			s := newScene(t, "harbour-car", seed)
			s.FilmCamera(1920)
			obs, exact := together(s, sigmaPx, seed), together(s, 1e-6*sigmaPx, seed)
			drawnByCodec(s, obs, exact, x.shift, x.warp, x.coarse, seed)
			for p := range s.Job.Photos {
				s.Job.Photos[p].Film = x.film
			}
			sol := solve(t, s, obs)
			for _, e := range normalised(t, s, sol) {
				ms, n = ms+e*e, n+1
			}
			for k, v := range angleU(sol) {
				u[k] += v
			}
			chi += sol.Network.VarianceFactor
			rejected += len(sol.Network.RejectedViews)
			if c := sol.Network.Codec; c != nil {
				found.ShiftPx += c.ShiftPx
				found.WarpPx += c.WarpPx
			}
			jobs++
		}
		ms, chi = ms/float64(n), chi/jobs
		found.ShiftPx, found.WarpPx = found.ShiftPx/jobs, found.WarpPx/jobs
		t.Logf("%s: found %.4f and %.4f px of %.4f and %.4f; chi-square %.2f, %d boards left out; u of toe, camber, scrub %.4f %.4f %.4f degrees; mean square %.2f",
			x.name, found.ShiftPx, found.WarpPx, x.shift, x.warp, chi, rejected, u[0]/jobs, u[1]/jobs, u[2]/jobs, ms)
		if !x.film {
			if chi < 3 || rejected == 0 {
				t.Errorf("%s: chi-square %.2f, %d boards left out: it does no harm", x.name, chi, rejected)
			}
			continue
		}
		if chi < 0.8 || chi > 1.25 || rejected > 2*int(jobs) || ms > 1.7 {
			t.Errorf("%s: chi-square %.2f, %d boards left out, mean square %.2f", x.name, chi, rejected, ms)
		}
		if x.shift > 0 && (math.Abs(found.ShiftPx/x.shift-1) > 0.25 || math.Abs(found.WarpPx/x.warp-1) > 0.4) {
			t.Errorf("%s: found %+v", x.name, found)
		}
		if x.shift == 0 && found.ShiftPx > 0.1*sigmaPx {
			t.Errorf("%s: found %+v", x.name, found)
		}
	}
}

// TestFrames: a film's frames are known by the list beside them.
func TestFrames(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"walk.json", "walk-000012.png", "other-000012.png", "walk-12.png", "walk.png"} {
		if err := os.WriteFile(filepath.Join(dir, name), nil, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	for name, want := range map[string]bool{"walk-000012.png": true, "other-000012.png": false, "walk-12.png": false, "walk.png": false} {
		if rig.IsFrame(filepath.Join(dir, name)) != want {
			t.Errorf("%s is taken for a frame: %v", name, !want)
		}
	}
	if p := filepath.Join(dir, filepath.Base(rig.FramePath("photos/s1", "walk", 12))); !rig.IsFrame(p) {
		t.Errorf("%s is not taken for a frame", p)
	}
}
