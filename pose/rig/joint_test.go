package rig_test

import (
	"context"
	"math"
	"slices"
	"strings"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// together measures drawn corners as a fit of the whole board would.
func together(s *fixtures.Scene, sigmaPx float64, seed uint64) []rig.Observation {
	return s.DrawBoards(sigmaPx, maxOblique, seed)
}

// TestTogether: jobs whose views' corners err together state true uncertainties,
// and nothing of them is left out.
func TestTogether(t *testing.T) {
	jobs := 12
	if testing.Short() {
		jobs = 3
	}
	sum, n, factor := 0.0, 0, 0.0
	for seed := uint64(1); seed <= uint64(jobs); seed++ {
		s := newScene(t, "yard-truck", seed)
		sol := solve(t, s, together(s, 0.02, seed))
		if sol.Network.Rejected > 30 || len(sol.Network.LeftOut) > 0 || len(sol.Network.Faults) > 0 {
			t.Errorf("seed %d: %d corners rejected, %v left out, %v", seed, sol.Network.Rejected, sol.Network.LeftOut, sol.Network.Faults)
		}
		factor += sol.Network.VarianceFactor / float64(jobs)
		for _, e := range normalised(t, s, sol) {
			sum += e * e
			n++
		}
		holds(t, s, sol, 4.5)
	}
	t.Logf("%d readings: mean square of error/u %.3f, variance factor %.3f", n, sum/float64(n), factor)
	if ms := sum / float64(n); !testing.Short() && (ms < 0.7 || ms > 1.35) {
		t.Errorf("mean square of normalised errors %.3f, want 0.7 to 1.35", ms)
	}
	if math.Abs(factor-1) > 0.04 {
		t.Errorf("variance factor %.3f, want 1", factor)
	}
}

// TestTogetherIsEach: rows that only whiten each corner by itself are the job
// without them.
func TestTogetherIsEach(t *testing.T) {
	s := newScene(t, "yard-truck", 3)
	obs := s.DrawCorners(0.05, maxOblique, 3)
	each := solve(t, s, obs)
	if each.Network.Rejected > 0 {
		t.Fatal("choose a seed of which no corner is rejected")
	}
	for v := range obs {
		o := &obs[v]
		o.Joint = &vision.Joint{LackOfFit: 1}
		for i, c := range o.Corners {
			w := rig.Whiten(c.Cov)
			x, y := make([]float64, 2*len(o.Corners)), make([]float64, 2*len(o.Corners))
			x[2*i], y[2*i], y[2*i+1] = w[0], w[1], w[2]
			o.Joint.Rows = append(o.Joint.Rows, x, y)
		}
	}
	all := solve(t, s, obs)
	if a, b := each.Network, all.Network; math.Abs(a.VarianceFactor-b.VarianceFactor) > 1e-9 || math.Abs(a.RMSPx-b.RMSPx) > 1e-9 || a.Corners != b.Corners || a.Redundancy != b.Redundancy {
		t.Errorf("variance factor %.12g and %.12g, RMS %.12g and %.12g px, %d and %d corners, redundancy %d and %d", a.VarianceFactor, b.VarianceFactor, a.RMSPx, b.RMSPx, a.Corners, b.Corners, a.Redundancy, b.Redundancy)
	}
	for i, r := range each.Readings[0].Readings {
		other := all.Readings[0]
		if d := math.Abs(r.Value-other.Readings[i].Value) / other.U(i); d > 1e-5 || math.Abs(each.Readings[0].U(i)/other.U(i)-1) > 1e-5 {
			t.Errorf("%s axle %d %s differs by %.2g of its uncertainty; u %g and %g", r.Quantity, r.Axle, r.Side, d, each.Readings[0].U(i), other.U(i))
		}
	}
}

// TestOffView: a view that is off as a whole is left out and named, as is a
// photo of which none is left; others stay, and the readings stay true.
func TestOffView(t *testing.T) {
	s := newScene(t, "yard-truck", 2)
	obs := together(s, 0.02, 2)
	shift := func(v int, x, y float64) {
		for i := range obs[v].Corners {
			obs[v].Corners[i].Px[0] += x
			obs[v].Corners[i].Px[1] += y
		}
	}
	inPhoto := map[int]int{}
	for _, o := range obs {
		inPhoto[o.Photo]++
	}
	var off []int
	for v, o := range obs {
		if inPhoto[o.Photo] > 2 && (len(off) == 0 && v > 40 || len(off) == 1 && v > 90) {
			off = append(off, v)
		}
	}
	shift(off[0], 0.4, 0)
	shift(off[1], 0, -0.5)
	sol := solve(t, s, obs)
	holds(t, s, sol, 3.5)
	var want []string
	for _, v := range off {
		want = append(want, s.Job.Boards[obs[v].Board].Name+" in "+s.Job.Photos[obs[v].Photo].Path)
	}
	var got []string
	for _, v := range sol.Network.RejectedViews {
		got = append(got, v.Board+" in "+v.Photo)
		if v.OffPx < 0.1 || v.OffPx > 0.5 {
			t.Errorf("%s is off by %.3f px, want some 0.3", got[len(got)-1], v.OffPx)
		}
	}
	for _, w := range want {
		if !slices.Contains(got, w) {
			t.Errorf("left out %q, want %q among them", got, w)
		}
		if !strings.Contains(strings.Join(sol.Warnings, "\n"), w) {
			t.Errorf("warnings %q do not name %s", sol.Warnings, w)
		}
	}
	if len(got) > len(want)+1 {
		t.Errorf("left out %q, want %q", got, want)
	}
	if sol.Network.Rejected < len(obs[off[0]].Corners)+len(obs[off[1]].Corners) {
		t.Errorf("%d corners rejected", sol.Network.Rejected)
	}
}

// TestTogetherRefused: rows that are not of the corners are no riddle.
func TestTogetherRefused(t *testing.T) {
	s := newScene(t, "yard-truck", 1)
	obs := together(s, 0.02, 1)
	obs[7].Joint.Rows[2] = obs[7].Joint.Rows[2][1:]
	_, err := rig.Solve(context.Background(), s.Job, s.Camera, obs, rig.Options{})
	if err == nil || !strings.Contains(err.Error(), "board "+s.Job.Boards[obs[7].Board].Name+" in ") {
		t.Errorf("got %v", err)
	}
}
