package spec

import (
	"math"
	"strings"
	"testing"

	"wheelplane/pose/align"
)

// with adds a list of what can be adjusted to a sound specification; its first
// line is number 7.
func with(lines ...string) []byte {
	text := string(file("{quantity: camber, axle: 1, target: 0 deg, tolerance: 1 deg}")) + "adjust:\n"
	for _, l := range lines {
		text += "  - " + l + "\n"
	}
	return []byte(text)
}

func TestAdjusters(t *testing.T) {
	s, err := Parse(with(
		"{axle: rear, heading: slide, at: right, lever: 1050 mm}",
		"{axle: drive, offset: shims, step: 1/16 in}",
		"{axle: 1, toe: tie_rod, pitch: 1.5 mm, arm: 190 mm, threads: both, held: left, rod: ahead}",
		"{axle: 1, steering: drag_link, pitch: 2 mm, arm: 220 mm, threads: one}",
		"{axle: 1, camber: eccentrics, step: 6 min}",
		"{axle: 1, caster: shims, side: left, step: 0.5 deg}",
		"{axle: 3, toe: tie_rods, pitch: 1.25 mm, arm: 150 mm, threads: one}",
		"{axle: 2, heading: eccentrics, at: both, step: 1 mm}",
	), "f")
	if err != nil {
		t.Fatal(err)
	}
	got, err := s.Adjusters(truck)
	if err != nil {
		t.Fatal(err)
	}
	want := []align.Adjuster{
		{Kind: align.AxleSlide, Axle: 2, Side: align.Right, Lever: 1.05}, {Kind: align.AxleSlide, Axle: 3, Side: align.Right, Lever: 1.05},
		{Kind: align.AxleShift, Axle: 2, Step: 0.0254 / 16, Steps: true},
		{Kind: align.TieRod, Axle: 1, Pitch: 1.5e-3, Arm: 0.19, BothThreads: true, Held: align.Left, Ahead: true},
		{Kind: align.DragLink, Axle: 1, Pitch: 2e-3, Arm: 0.22},
		{Kind: align.CamberCam, Axle: 1, Side: align.Left, Step: 0.1 * math.Pi / 180, Steps: true}, {Kind: align.CamberCam, Axle: 1, Side: align.Right, Step: 0.1 * math.Pi / 180, Steps: true},
		{Kind: align.CasterShim, Axle: 1, Side: align.Left, Step: 0.5 * math.Pi / 180, Steps: true},
		{Kind: align.TieRod, Axle: 3, Side: align.Left, Pitch: 1.25e-3, Arm: 0.15}, {Kind: align.TieRod, Axle: 3, Side: align.Right, Pitch: 1.25e-3, Arm: 0.15},
		{Kind: align.AxleSlide, Axle: 2, Step: 1e-3, Steps: true},
	}
	if len(got) != len(want) {
		t.Fatalf("%d adjusters, want %d: %+v", len(got), len(want), got)
	}
	for i := range want {
		g, w := got[i], want[i]
		for _, v := range [][2]*float64{{&g.Lever, &w.Lever}, {&g.Step, &w.Step}, {&g.Pitch, &w.Pitch}, {&g.Arm, &w.Arm}} {
			if math.Abs(*v[0]-*v[1]) > 1e-12 {
				t.Errorf("entry %d: %+v, want %+v", i, got[i], want[i])
			}
			*v[0] = *v[1]
		}
		if g != w {
			t.Errorf("entry %d: %+v, want %+v", i, got[i], want[i])
		}
	}
}

func TestBadAdjusters(t *testing.T) {
	for _, c := range []struct{ line, want string }{
		{"{axle: 2}", "does not say what is adjusted"},
		{"{heading: slide, at: left}", "no axle named"},
		{"{axle: 2, heading: push, at: left}", "\"push\" is not one of slide, shims, eccentrics"},
		{"{axle: 2, heading: slide}", "heading: slide needs at; at: left, right or both"},
		{"{axle: 2, heading: shims, at: left}", "heading: shims needs step"},
		{"{axle: 2, heading: shims, at: left, step: 1 deg}", "must be a length"},
		{"{axle: 1, camber: shims, step: 1 mm}", "must be an angle"},
		{"{axle: 2, heading: slide, at: left, lever: 1840}", "\"1840\" has no unit"},
		{"{axle: 2, heading: slide, at: left, lever: 18 m}", "the lever must be the distance"},
		{"{axle: 2, heading: slide, at: left, pitch: 1 mm}", "pitch does not belong to heading: slide"},
		{"{axle: 1, toe: tie_rod, pitch: 1.5 mm, threads: both}", "toe: tie_rod needs arm"},
		{"{axle: 1, toe: tie_rod, pitch: 150 mm, arm: 190 mm, threads: both}", "a thread's pitch of 150 mm is no rod's"},
		{"{axle: 1, toe: tie_rod, pitch: 0 mm, arm: 190 mm, threads: both}", "pitch must be above 0"},
		{"{axle: 1, toe: tie_rod, pitch: 1 mm, arm: 190 mm, threads: three}", "\"three\" is not one of one, both"},
		{"{axle: 1, toe: tie_rod, caster: shims, step: 1 deg}", "both toe and caster in one line"},
		{"{axle: 1, heading: slide, at: left, colour: red}", "unknown key \"colour\" in a way of adjusting"},
		{"{axle: 9, heading: slide, at: left}", "there is no axle 9; the vehicle has axles 1 to 3"},
		{"{axle: 3, steering: drag_link, pitch: 2 mm, arm: 220 mm, threads: one}", "is not steered in job.yaml"},
	} {
		s, err := Parse(with(c.line), "f")
		if err == nil {
			_, err = s.Adjusters(truck)
		}
		if err == nil || !strings.Contains(err.Error(), "f:7: ") || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s:\n got %v\nwant f:7: ... %s", c.line, err, c.want)
		}
	}
	s, err := Parse(with("{axle: 2, heading: slide, at: left}", "{axle: drive, heading: slide, at: left}"), "f")
	if err != nil {
		t.Fatal(err)
	}
	if _, err = s.Adjusters(truck); err == nil || !strings.Contains(err.Error(), "f:8: adjust: axle 2 has this way of adjusting in an earlier line already") {
		t.Errorf("got %v", err)
	}
}
