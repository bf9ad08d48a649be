package rig_test

import (
	"context"
	"math"
	"regexp"
	"strings"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// refused solves a job that cannot be measured and looks at what it says: one
// line that names the trouble.
func refused(t *testing.T, s *fixtures.Scene, obs []rig.Observation, want string) {
	t.Helper()
	_, err := rig.Solve(context.Background(), s.Job, s.Camera, obs, rig.Options{})
	if err == nil {
		t.Errorf("measured all the same, want %q", want)
		return
	}
	if !regexp.MustCompile(want).MatchString(err.Error()) || strings.Contains(err.Error(), "\n") {
		t.Errorf("error %q does not match %q", err, want)
	}
}

// TestTooLittleSteer: a station of a sweep at which the wheels turn out to be
// straight ahead is named, whatever the job says of it.
func TestTooLittleSteer(t *testing.T) {
	s := newScene(t, "sweep", 1)
	st := 4 // "5", said to be at 20 degrees
	for w := range s.Truth.Steer {
		s.Truth.Steer[w][st] *= 1.0 / 20
	}
	obs := s.DrawCorners(0.05, maxOblique, 1)
	refused(t, s, obs, `station 5: the job says the wheels are steered by 20 degrees there, the photographs say by [01]\.\d at most: steer further`)
}

// TestTooLittleSpin: lifted wheels that were hardly spun between their stations
// are named with the stations; so is a wheel lifted once.
func TestTooLittleSpin(t *testing.T) {
	s := newScene(t, "jacked", 1)
	for h, hang := range s.Job.Hangs {
		if hang.Wheel.Axle == 1 && hang.Wheel.Side == align.Right {
			for st := range s.Truth.Spin[h] {
				s.Truth.Spin[h][st] *= 2.5 / 155 // of the 155 degrees it is spun in all
			}
		}
	}
	obs := s.DrawCorners(0.05, maxOblique, 1)
	refused(t, s, obs, `axle 1 right, lifted at stations 4, 5, 6, was spun by only 2\.\d degrees between them: spin it further, by 60 degrees or more`)

	s = newScene(t, "jacked", 1)
	var once []rig.Observation
	for _, o := range s.DrawCorners(0.05, maxOblique, 1) {
		if st := s.Job.Photos[o.Photo].Station; st < 4 {
			once = append(once, o)
		}
	}
	s.Job.Stations = s.Job.Stations[:4]
	for h := range s.Job.Hangs {
		if s.Job.Hangs[h].Wheel.Axle == 1 {
			s.Job.Hangs[h].Stations = []int{2, 3}
		}
	}
	for p, photo := range s.Job.Photos {
		if photo.Station == 4 {
			s.Job.Photos = s.Job.Photos[:p]
			break
		}
	}
	refused(t, s, once, `axle 1 left is lifted at one station only \(4\) and its board . turned nowhere else: spin the wheel`)
}

// TestNothingInCommon: a pair is moved to another axle. By the job two pairs
// stay, but no photograph shows them again, or only one board of them.
func TestNothingInCommon(t *testing.T) {
	s := newScene(t, "gravel-tipper", 1)
	stayed := map[int]bool{}
	for _, h := range s.Job.Hangs {
		if h.Stations == nil {
			stayed[h.Board] = true
		}
	}
	all := s.DrawCorners(0.05, maxOblique, 1)
	var obs []rig.Observation
	for _, o := range all {
		if s.Job.Photos[o.Photo].Station < 3 || !stayed[o.Board] {
			obs = append(obs, o)
		}
	}
	refused(t, s, obs, `epoch "as found": axle 3 left, photographed at station 4, 5, 6, has nothing in common with the wheels of station 1, 2, 3 but the floor: leave at least one pair`)

	// Its first station does not even show its own pair.
	var half []rig.Observation
	for _, o := range obs {
		if s.Job.Photos[o.Photo].Station != 3 || s.Job.Boards[o.Board].Name != s.Job.Boards[s.Job.Hangs[2].Board].Name {
			half = append(half, o)
		}
	}
	refused(t, s, half, `station 4: fewer than two wheel boards are tied to the floor boards there and at the stations before it: photograph them together`)

	// And nothing at all of the floor either: the second half hangs in the air.
	floor := map[int]bool{}
	for _, l := range s.Job.Floor {
		floor[l.Board] = true
	}
	var air []rig.Observation
	for _, o := range obs {
		if s.Job.Photos[o.Photo].Station < 3 || !floor[o.Board] {
			air = append(air, o)
		}
	}
	refused(t, s, air, `board . \(axle 3 left\) is in no photograph that ties to the floor boards: photograph it together`)
}

// TestSpinBarelyEnough: what is a little beyond the least turn is measured, and
// states how little it knows.
func TestSpinBarelyEnough(t *testing.T) {
	s := newScene(t, "jacked", 2)
	for h, hang := range s.Job.Hangs {
		if hang.Wheel.Axle == 1 {
			for st := range s.Truth.Spin[h] {
				s.Truth.Spin[h][st] *= 8.0 / 155
			}
		}
	}
	sol := solve(t, s, s.DrawCorners(0.05, maxOblique, 2))
	holds(t, s, sol, 3.5)
	set := sol.Readings[0]
	u := set.U(set.Find(align.Camber, 1, align.Left)) * 180 / math.Pi
	if u < 0.03 {
		t.Errorf("u of camber %.4f degrees after a spin of 8 degrees", u)
	}
}
