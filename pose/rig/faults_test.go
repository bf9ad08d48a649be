package rig_test

import (
	"context"
	"math"
	"strings"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// TestMishaps: what goes wrong in a bay is named, with board or photo and
// station, and what the rest still tells is true; for corners measured one by
// one, and for one seed for whole boards too.
func TestMishaps(t *testing.T) {
	const deg = math.Pi / 180
	for i, c := range []struct {
		name   string
		do     func(s *fixtures.Scene)
		kind   rig.FaultKind
		detail string // of the fault, and of the warning
		// Readings that the mishap itself changes.
		except func(r align.Reading) bool
	}{
		{"slip in the middle", func(s *fixtures.Scene) {
			s.SlipBoard(2, 1, [6]float64{0.4 * deg, 3 * deg, -0.3 * deg, 0.004, 0, -0.003})
		},
			rig.BoardSlipped, "board C slipped on axle 2 left", func(r align.Reading) bool { return r.Quantity == align.RollingRadius }},
		{"slip at the end", func(s *fixtures.Scene) { s.SlipBoard(5, 2, [6]float64{0.2 * deg, 0, 0.5 * deg, 0.002, 0, 0}) },
			rig.BoardSlipped, "board F slipped on axle 3 right between stations 1 and 3, the photographs do not tell when", func(r align.Reading) bool { return r.Quantity == align.RollingRadius }},
		{"floor board kicked", func(s *fixtures.Scene) { s.KickFloorBoard(3, 2, [6]float64{0, 0, 2 * deg, 0.03, -0.02, 0}) },
			rig.FloorKicked, "floor board J was moved before station 3", nil},
		{"floor board nudged", func(s *fixtures.Scene) { s.KickFloorBoard(0, 1, [6]float64{0, 0, 0.05 * deg, 0.002, 0.001, 0}) },
			rig.FloorKicked, "floor board G was moved before station 2", nil},
		{"vehicle moved", func(s *fixtures.Scene) { s.MoveVehicle(1, 6, [6]float64{0, 0, 0.02 * deg, 0.008, 0, 0}) },
			rig.VehicleMoved, "while station 2 was photographed, between photos/2/06.jpg and photos/2/07.jpg", func(r align.Reading) bool { return r.Quantity == align.RollingRadius }}, // it slid
		{"steered while rolling", func(s *fixtures.Scene) { s.SteerWheels(1, 2, 0.8*deg) },
			rig.WheelsSteered, "axle 1 were steered between stations 1 and 3, the photographs do not tell when", nil},
		{"photo misfiled", func(s *fixtures.Scene) { s.Misfile(31, 1) },
			rig.PhotoMisfiled, "photos/3/04.jpg does not fit the other photographs of station 2 and is left out; it fits station 3", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			for round := range seeds(3) {
				if !*allJobs && round != uint64(1+2*(i%2)) { // corners that err alone, or together, in turn
					continue
				}
				seed := 1 + (round-1)%2
				scene := "yard-truck"
				if c.kind == rig.VehicleMoved { // a level floor makes other photographs nearly as likely
					scene = "levelled-bay"
				}
				s := newScene(t, scene, seed)
				c.do(s)
				obs := s.DrawCorners(0.05, maxOblique, seed)
				if round == 3 {
					obs = together(s, 0.02, seed)
				}
				sol := solve(t, s, obs)
				if len(sol.Network.Faults) != 1 || sol.Network.Faults[0].Kind != c.kind || !strings.Contains(sol.Network.Faults[0].Text, c.detail) {
					t.Errorf("seed %d: found %+v, want %q", seed, sol.Network.Faults, c.detail)
				}
				warning := c.detail
				if c.kind == rig.PhotoMisfiled { // told as other photographs left out are
					warning = "photos/3/04.jpg is left out: it does not fit the other photographs of station 2; it fits station 3"
				}
				if !strings.Contains(strings.Join(sol.Warnings, "\n"), warning) {
					t.Errorf("seed %d: the warnings do not say so: %q", seed, sol.Warnings)
				}
				for r, e := range normalised(t, s, sol) {
					if c.except != nil && c.except(r) {
						continue
					}
					if !(math.Abs(e) < 4) {
						t.Errorf("seed %d: %s axle %d %s is %.1f of its standard uncertainties off", seed, r.Quantity, r.Axle, r.Side, e)
					}
				}
			}
		})
	}
}

// TestNoMishaps: a clean job has none, nor has one whose corners are five times
// worse than they say.
func TestNoMishaps(t *testing.T) {
	for seed := uint64(1); seed <= 3; seed++ {
		s := newScene(t, "yard-truck", seed)
		obs := s.DrawCorners(0.05, maxOblique, seed)
		if sol := solve(t, s, obs); len(sol.Network.Faults) > 0 {
			t.Errorf("seed %d: %+v", seed, sol.Network.Faults)
		}
		for _, o := range obs {
			for i := range o.Corners {
				for k := range o.Corners[i].Cov {
					o.Corners[i].Cov[k] /= 25
				}
			}
		}
		sol := solve(t, s, obs)
		if len(sol.Network.Faults) > 0 {
			t.Errorf("seed %d, corners worse than stated: %+v", seed, sol.Network.Faults)
		}
		if f := sol.Network.VarianceFactor; f < 20 || f > 30 {
			t.Errorf("seed %d: variance factor %.1f, want about 25", seed, f)
		}
		holds(t, s, sol, 4)
	}
}

// TestSwappedBoards: the job cannot be solved as told, and the error names the
// two boards.
func TestSwappedBoards(t *testing.T) {
	for _, c := range []struct {
		scene string
		pair  [2]int
	}{
		{"yard-truck", [2]int{0, 1}}, {"yard-truck", [2]int{0, 2}}, {"yard-truck", [2]int{2, 4}}, {"yard-truck", [2]int{3, 4}},
		{"five-axle", [2]int{4, 6}}, {"five-axle", [2]int{8, 9}}, {"harbour-car", [2]int{1, 3}}, {"semi-trailer", [2]int{2, 4}},
	} {
		pair := c.pair
		s := newScene(t, c.scene, 3)
		s.SwapBoards(pair[0], pair[1])
		_, err := rig.Solve(context.Background(), s.Job, s.Camera, s.DrawCorners(0.05, maxOblique, 3), rig.Options{})
		want := "boards " + s.Job.Boards[pair[0]].Name + " and " + s.Job.Boards[pair[1]].Name + " seem to be swapped"
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want %q", err, want)
		}
	}
}

// TestContradiction: photographs that no single mishap explains are refused.
func TestContradiction(t *testing.T) {
	if testing.Short() {
		t.Skip("tries every mishap four times over")
	}
	s := newScene(t, "yard-truck", 5)
	for h := range 6 {
		s.SlipBoard(h, 1, [6]float64{0.01, 0.1, -0.02, 0.01, 0, 0})
		s.SlipBoard(6+h, 2, [6]float64{-0.02, 0.2, 0.01, 0, 0, 0.01})
	}
	_, err := rig.Solve(context.Background(), s.Job, s.Camera, s.DrawCorners(0.05, maxOblique, 5), rig.Options{})
	if err == nil || !strings.Contains(err.Error(), "contradict each other in more than 3 ways, most of all board") {
		t.Errorf("error %v", err)
	}
}

// TestSharpMisfiledPhoto: among corners as sharp as rendered ones a misfiled
// photo is thousands of standard deviations off, and still only left out.
func TestSharpMisfiledPhoto(t *testing.T) {
	s := newScene(t, "yard-truck", 1)
	s.Misfile(31, 1)
	sol := solve(t, s, s.DrawCorners(0.003, maxOblique, 1))
	if len(sol.Network.Faults) != 1 || sol.Network.Faults[0].Kind != rig.PhotoMisfiled || sol.Network.Faults[0].Photo != s.Job.Photos[31].Path {
		t.Errorf("found %+v, want photo %s misfiled", sol.Network.Faults, s.Job.Photos[31].Path)
	}
	holds(t, s, sol, 4)
}
