package rig_test

import (
	"bufio"
	"context"
	"fmt"
	"math"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// TestTyreDiameter: a tyre diameter that cannot belong to the wheel is named
// with both numbers, and only that one.
func TestTyreDiameter(t *testing.T) {
	s := newScene(t, "yard-truck", 2)
	obs := s.DrawCorners(0.05, maxOblique, 2)
	if w := solve(t, s, obs).Warnings; len(w) > 0 {
		t.Errorf("warnings of a sound job: %q", w)
	}
	s.Job.Vehicle.Axles = append([]rig.Axle(nil), s.Job.Vehicle.Axles...)
	s.Job.Vehicle.Axles[1].TyreDiameter = 1.120
	s.Job.Vehicle.Axles[2].TyreDiameter = 0 // not told: nothing to compare with
	sol := solve(t, s, obs)
	holds(t, s, sol, 3.5)
	if len(sol.Warnings) != 2 {
		t.Fatalf("warnings: %q", sol.Warnings)
	}
	for i, side := range []align.Side{align.Left, align.Right} {
		set := sol.Readings[0]
		mm := set.Readings[set.Find(align.RollingRadius, 2, side)].Value * 1e3
		want := fmt.Sprintf("axle 2 %s rolls with a radius of %.0f mm, %.2f of half its tyre diameter of 1120 mm", side, mm, mm/560)
		if !strings.HasPrefix(sol.Warnings[i], want) {
			t.Errorf("warning %q, want %q", sol.Warnings[i], want)
		}
	}
}

// locks turns the scene "sweep" into one that is swept to two stations only,
// half a turn (rad) to the left and to the right, and draws its corners.
func locks(t *testing.T, seed uint64, half, sigmaPx, brakeSlip float64) (*fixtures.Scene, []rig.Observation) {
	t.Helper()
	s := newScene(t, "sweep", seed)
	c := s.Job.Cast()
	for st, angle := range map[int]float64{4: half, 6: -half} {
		steered(s, c, 1, st, angle, angle)
		s.Job.Stations[st].Steer = angle
		for h, hang := range s.Job.Hangs {
			if hang.Wheel.Axle == 1 {
				slip := s.Truth.Spin[h][st] - s.Truth.Spin[h][2]
				s.Truth.Spin[h][st] = s.Truth.Spin[h][2] + slip*brakeSlip/s.Job.Priors.BrakeSlip
			}
		}
	}
	s.Job.Priors.BrakeSlip = brakeSlip
	// The two stations at half way go.
	kept := *s.Job
	kept.Stations, kept.Photos = nil, nil
	number := map[int]int{}
	for st, stop := range s.Job.Stations {
		if st != 3 && st != 5 {
			number[st] = len(kept.Stations)
			kept.Stations = append(kept.Stations, stop)
		}
	}
	photo := map[int]int{}
	for p, ph := range s.Job.Photos {
		if st, ok := number[ph.Station]; ok {
			photo[p] = len(kept.Photos)
			kept.Photos = append(kept.Photos, rig.Photo{Path: ph.Path, Station: st})
		}
	}
	var obs []rig.Observation
	for _, o := range s.DrawCorners(sigmaPx, maxOblique, seed) {
		if p, ok := photo[o.Photo]; ok {
			o.Photo = p
			obs = append(obs, o)
		}
	}
	s.Job = &kept
	return s, obs
}

func uOf(sol *rig.Solution, q align.Quantity) float64 {
	set := sol.Readings[0]
	u := 0.0
	for _, side := range []align.Side{align.Left, align.Right} {
		u = math.Max(u, set.U(set.Find(q, 1, side))/degree)
	}
	return u
}

// TestSweepTooSmall: a sweep that leaves caster too uncertain is told, with the
// angle that would do; and that angle does.
func TestSweepTooSmall(t *testing.T) {
	s, obs := locks(t, 1, 2.3*degree, 0.05, 0.1*degree)
	sol := solve(t, s, obs)
	before := uOf(sol, align.Caster)
	m := regexp.MustCompile(`the sweep of axle 1 is too small: 2\.3 degrees of steer leave caster uncertain by (0\.\d\d) degrees; steer by about (\d+) degrees to either side for 0\.05`).FindStringSubmatch(strings.Join(sol.Warnings, "\n"))
	if m == nil {
		t.Fatalf("u(caster) = %.3f degrees, warnings: %q", before, sol.Warnings)
	}
	if m[1] != fmt.Sprintf("%.2f", before) {
		t.Errorf("the warning says %s, the reading %.4f", m[1], before)
	}
	advised, _ := strconv.ParseFloat(m[2], 64)
	s, obs = locks(t, 1, advised*degree, 0.05, 0.1*degree)
	sol = solve(t, s, obs)
	if u := uOf(sol, align.Caster); u > 0.055 || u < 0.03 {
		t.Errorf("u(caster) = %.4f degrees from the advised %g degrees of steer, want 0.05", u, advised)
	}
	if len(sol.Warnings) > 0 {
		t.Errorf("warnings: %q", sol.Warnings)
	}

	// Corners so poor that no sweep would do.
	s, obs = locks(t, 1, 10*degree, 1, 0.1*degree)
	sol = solve(t, s, obs)
	if text := strings.Join(sol.Warnings, "\n"); !regexp.MustCompile(`the sweep of axle 1 is too small: .*steer as far as the wheels go, .*nearer and from more directions \(at 35 degrees it would still be 0\.\d\d\)`).MatchString(text) {
		t.Errorf("u(caster) = %.3f degrees, warnings: %q", uOf(sol, align.Caster), text)
	}
}

// TestSweepTable holds DEVELOPERS.md's table of what a sweep of which angle
// gives to what drawn jobs give, and its law.
func TestSweepTable(t *testing.T) {
	if testing.Short() {
		t.Skip("solves two jobs for each row of a table")
	}
	f, err := os.Open("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	row := regexp.MustCompile(`^\| (\d+) \| (\d\.\d+) \| (\d\.\d+) \| (\d\.\d+) \|$`)
	rows, text := 0, bufio.NewScanner(f)
	var law []float64
	for text.Scan() {
		m := row.FindStringSubmatch(text.Text())
		if m == nil {
			continue
		}
		rows++
		var v [4]float64
		for i := range v {
			v[i], _ = strconv.ParseFloat(m[i+1], 64)
		}
		var got [3]float64
		for i, slip := range []float64{0.1, 0.02} {
			s, obs := locks(t, 1, v[0]*degree, 0.03, slip*degree)
			sol := solve(t, s, obs)
			if i == 0 {
				got[0] = uOf(sol, align.Caster)
				law = append(law, got[0]*math.Sin(v[0]*degree))
			}
			got[1+i] = uOf(sol, align.Kingpin)
		}
		t.Logf("| %.0f | %.3f | %.3f | %.3f |", v[0], got[0], got[1], got[2])
		for i := range got {
			if math.Abs(got[i]-v[1+i]) > 0.02*v[1+i]+0.0006 {
				t.Errorf("%s: column %d is %.4f by drawn jobs", text.Text(), i+2, got[i])
			}
		}
	}
	if err := text.Err(); err != nil || rows != 6 {
		t.Fatalf("%d rows of the table of sweeps in DEVELOPERS.md: %v", rows, err)
	}
	// u(caster) falls nearly as 1/sin.
	for _, l := range law {
		if r := l / law[0]; r < 0.8 || r > 1.8 {
			t.Errorf("u(caster) times the sine of the angle varies by %.2f over the table", r)
		}
	}
}

// TestUnplacedBoard: a pair forgotten in hangs is named, not silently unused.
func TestUnplacedBoard(t *testing.T) {
	s := newScene(t, "yard-truck", 4)
	obs := s.DrawCorners(0.05, maxOblique, 4)
	job := *s.Job
	job.Hangs = slices.Clone(job.Hangs[2:])
	sol, err := rig.Solve(context.Background(), &job, s.Camera, obs, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if w := strings.Join(sol.Warnings, "\n"); !strings.Contains(w, "not used") || !strings.Contains(w, ": A, B; add them") {
		t.Errorf("warnings: %q", w)
	}
}

// TestTrackDoubt: a stand-off that is wrong by decimetres shows in the track.
func TestTrackDoubt(t *testing.T) {
	s := newScene(t, "yard-truck", 4)
	obs := s.DrawCorners(0.05, maxOblique, 4)
	job := *s.Job
	job.Priors.Standoff = 0.025
	sol, err := rig.Solve(context.Background(), &job, s.Camera, obs, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if w := strings.Join(sol.Warnings, "\n"); !strings.Contains(w, "check standoff_mm") || !strings.Contains(w, "axle 2 is 2") {
		t.Errorf("warnings: %q", w)
	}
}

// TestRolledIsNoSweep: wheels that were rolled where the job says steered look
// steered about a lying axis; that is refused, not read as a caster.
func TestRolledIsNoSweep(t *testing.T) {
	s := newScene(t, "yard-truck", 4)
	obs := s.DrawCorners(0.05, maxOblique, 4)
	job := *s.Job
	job.Stations = slices.Clone(job.Stations)
	job.Stations[1].Sweep, job.Stations[1].Steer = true, 10*math.Pi/180
	_, err := rig.Solve(context.Background(), &job, s.Camera, obs, rig.Options{})
	if err == nil || !strings.Contains(err.Error(), "station 2") || !strings.Contains(err.Error(), "as if rolled") {
		t.Errorf("got %v", err)
	}
}
