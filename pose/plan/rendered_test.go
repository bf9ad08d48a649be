package plan_test

import (
	"context"
	"os"
	"path"
	"path/filepath"
	"slices"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/plan"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"golang.org/x/sync/errgroup"
)

// What a plan foretells is what a measurement of its photographs states, the whole
// way: rendered as a phone takes them, by a person who stands a hand's breadth off,
// written, read, boards found and the job solved. It tells the numbers of
// [plan.Detector] as these photographs have them: those of pictures 4000 px wide are
// in use, and with them those of 2000 px for the blur.
//
// A steady plan counts only on boards that half a metre beside still shows, and most
// of the others are seen too: it promises less than is found, of what hangs on the
// photographs alone.
func TestPlanRendered(t *testing.T) {
	if !*whole {
		rendered(t, layouts[1], 1600, false)
		return
	}
	for _, l := range layouts {
		rendered(t, l, 4000, false)
		rendered(t, l, 4000, true)
	}
	rendered(t, layouts[0], 2000, false)
}

func rendered(t *testing.T, l layout, width int, steady bool) {
	least, most := 0.85, 1.15
	if steady {
		least, most = 0.8, 1.25
	}
	s, err := fixtures.NewScene(l.name, 21, width)
	if err != nil {
		t.Fatal(err)
	}
	p, err := plan.Make(s.Job, s.Camera, plan.Options{Wanted: 0.02 * degree, Turn: l.turn * degree, Steady: steady})
	if err != nil {
		t.Fatal(err)
	}
	carriedOut(s, p, 0.1, 1*degree, 21)
	obs, views := developed(t, s)
	sol, err := rig.Solve(context.Background(), s.Job, s.Camera, obs, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%s: steady %v, %d photographs %d px wide, %d boards of which %d counted on, variance factor %.2f; foretold %.4f degrees, found %.4f", l.name, steady, len(p.Shots), width, len(views), len(p.Obs), sol.Network.VarianceFactor, p.Worst/degree, plan.Worst(sol.Readings)/degree)
	for quantity, list := range agreement(p.Readings, sol.Readings) {
		lo, hi := slices.Min(list), slices.Max(list)
		t.Logf("%s: %s: foretold over found %.3f to %.3f", l.name, quantity, lo, hi)
		if lo < least || hi > most {
			t.Errorf("%s: %s: foretold over found %.3f to %.3f", l.name, quantity, lo, hi)
		}
	}
	var blur, lack, usual, own []float64
	for i, v := range views {
		b := &s.Job.Boards[v.Board]
		if v.Joint == nil || len(v.Corners) != b.NumCorners() {
			continue
		}
		blur, lack = append(blur, v.BlurPx), append(lack, v.Joint.LackOfFit)
		like := plan.Detector{}.Likeness(width)
		if r, ok := plan.Compared(b, obs[i], like); ok {
			usual = append(usual, r)
		}
		like.BlurPx, like.Lack = v.BlurPx, v.Joint.LackOfFit
		if r, ok := plan.Compared(b, obs[i], like); ok {
			own = append(own, r)
		}
	}
	for _, list := range [][]float64{blur, lack, usual, own} {
		slices.Sort(list)
	}
	all := make([]bool, len(s.Job.Photos))
	for i := range all {
		all[i] = true
	}
	d := plan.Detector{}.As(s.Job, &s.Camera, obs, all)
	t.Logf("%s: boards' uncertainties over those foreseen, tenth, median and last tenth: %.2f, %.2f, %.2f; with their own blur and lack of fit %.2f, %.2f, %.2f", l.name,
		usual[len(usual)/10], usual[len(usual)/2], usual[len(usual)*9/10], own[len(own)/10], own[len(own)/2], own[len(own)*9/10])
	t.Logf("%s: medians of %d boards: blur %.2f px, lack of fit %.2f, noise over contrast %.4f", l.name, len(blur), blur[len(blur)/2], lack[len(lack)/2], d.Noise)
}

// developed renders a scene's photographs as a phone takes them and finds the
// boards in them, file by file as a measurement does.
func developed(t *testing.T, s *fixtures.Scene) (obs []rig.Observation, views []vision.View) {
	t.Helper()
	dir := t.TempDir()
	for _, p := range s.Job.Photos {
		if err := os.MkdirAll(filepath.Join(dir, filepath.FromSlash(path.Dir(p.Path))), 0o777); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Photograph(context.Background(), dir, fixtures.PhoneOptics(s.Camera.Width), nil); err != nil {
		t.Fatal(err)
	}
	found := make([]vision.Result, len(s.Job.Photos))
	var g errgroup.Group
	g.SetLimit(2)
	for i, p := range s.Job.Photos {
		g.Go(func() error {
			img, err := vision.Load(filepath.Join(dir, filepath.FromSlash(p.Path)))
			if err != nil {
				return err
			}
			defer img.Release()
			found[i], err = vision.Detect(img.Pix, s.Job.Boards, vision.DetectOptions{Camera: &s.Camera})
			return err
		})
	}
	if err := g.Wait(); err != nil {
		t.Fatal(err)
	}
	for i, f := range found {
		for _, v := range f.Views {
			obs = append(obs, rig.Observation{Photo: i, Board: v.Board, Corners: v.Corners, Joint: v.Joint})
			views = append(views, v)
		}
	}
	return obs, views
}
