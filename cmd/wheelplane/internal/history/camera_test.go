package history_test

import (
	"context"
	"math"
	"path/filepath"
	"testing"

	"wheelplane/cmd/wheelplane/internal/history"
	"wheelplane/fixtures"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// Average run lengths of two-sided cumulative sums with an allowance of 0.5, by
// shift in standard deviations: D. C. Montgomery, "Introduction to statistical
// quality control", the table of the chapter on cumulative sums (from memory; the
// first of each row also in NIST/SEMATECH e-Handbook, 6.3.2.3.1). Two-sided are
// 1/(1/upper + 1/lower).
func TestRunLength(t *testing.T) {
	for _, c := range []struct{ alarm, shift, want float64 }{
		{4, 0, 168}, {4, 0.25, 74.2}, {4, 0.5, 26.6}, {4, 0.75, 13.3}, {4, 1, 8.38}, {4, 1.5, 4.75},
		{5, 0, 465}, {5, 0.25, 139}, {5, 0.5, 38.0}, {5, 0.75, 17.0}, {5, 1, 10.4}, {5, 1.5, 5.75},
	} {
		got := 1 / (1/history.RunLength(0.5, c.alarm, c.shift) + 1/history.RunLength(0.5, c.alarm, -c.shift))
		if math.Abs(got/c.want-1) > 0.006 {
			t.Errorf("alarm at %g, shift %g: %.2f, want %g", c.alarm, c.shift, got, c.want)
		}
	}
}

// Steady cameras raise no more false alarms than stated, with or without the
// scatter from job to job that is allowed; one whose focal length drifts by
// 0.05 percent a job is found within a few jobs, and from when on.
func TestCameraHealth(t *testing.T) {
	rate := 1 / history.JobsPerFalseAlarm()
	t.Logf("a steady camera: one false alarm in %.0f jobs", 1/rate)
	const fleets, jobs = 100, 25
	for name, o := range map[string]fixtures.FleetOptions{
		"still":     {},
		"scattered": {FocalScatter: history.DefaultSteady.Focal, CentreScatter: history.DefaultSteady.CentrePx},
	} {
		alarms := 0
		mean, square, n := 0.0, 0.0, 0.0
		for seed := range uint64(fleets) {
			o.Seed, o.Vehicles, o.Visits = seed, 1, jobs
			s := history.Steady{Focal: o.FocalScatter, CentrePx: o.CentreScatter}
			c := followed(t, o, s)
			if !c.Fits() {
				alarms++
			}
			for _, j := range c.Jobs {
				for _, z := range []float64{j.Focal.Surprise, j.CX.Surprise, j.CY.Surprise, j.Lens} {
					mean += z
					square += z * z
					n++
				}
			}
		}
		mean, square = mean/n, square/n
		t.Logf("%s: %d alarms in %d jobs; surprises of mean %.3f, mean square %.3f", name, alarms, fleets*jobs, mean, square)
		// Poisson: three standard deviations above what is stated.
		stated := fleets * jobs * rate
		if float64(alarms) > stated+3*math.Sqrt(stated) {
			t.Errorf("%s: %d false alarms in %d jobs, stated are %.1f", name, alarms, fleets*jobs, stated)
		}
		// They are standard normal and independent, so their mean has a standard
		// error of 1/√n, their mean square of √(2/n).
		if math.Abs(mean) > 4/math.Sqrt(n) || math.Abs(square-1) > 4*math.Sqrt(2/n) {
			t.Errorf("%s: surprises are not standard normal", name)
		}
	}
	worst, total := 0, 0
	for seed := range uint64(fleets) {
		c := followed(t, fixtures.FleetOptions{Seed: seed, Vehicles: 1, Visits: jobs, FocalDrift: 0.0005, FocalScatter: 0.0002, CentreScatter: 1}, history.DefaultSteady)
		if c.Fits() || c.What == "" || c.Since > c.Alarm {
			t.Fatalf("seed %d: a drifting camera is not found: %+v", seed, c)
		}
		worst, total = max(worst, c.Alarm+1), total+c.Alarm+1
		if math.Abs(c.Drift-0.0005) > 4*c.UDrift || c.Due != 0 {
			t.Errorf("seed %d: drift %.6f ± %.6f a job, due in %d", seed, c.Drift, c.UDrift, c.Due)
		}
	}
	t.Logf("a drift of 0.05 %% a job is found after %.1f jobs on average, %d at the most", float64(total)/fleets, worst)
	if worst > 10 {
		t.Errorf("found after %d jobs, want 10 at the most", worst)
	}
}

func followed(t *testing.T, o fixtures.FleetOptions, s history.Steady) *history.Camera {
	t.Helper()
	c, err := history.FollowFleet(fixtures.NewFleet(o), s)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// The same from measured jobs: corners drawn in scenes whose camera drifts away
// from its file, through the whole least squares, the index and back.
func TestCameraDriftMeasured(t *testing.T) {
	if testing.Short() {
		t.Skip("solves some jobs")
	}
	const jobs = 7
	found := map[bool]*history.Camera{}
	var first, file vision.Camera
	for _, drifts := range []bool{false, true} {
		var fits []*rig.CameraFit
		for i := range jobs {
			scene, err := fixtures.NewScene("first-look", uint64(i+1), 4000)
			if err != nil {
				t.Fatal(err)
			}
			if i == 0 {
				first = scene.Truth.Camera
				file = scene.Camera
			}
			scene.Truth.Camera, scene.Camera = first, file
			if drifts {
				scene.Truth.Camera.FX *= 1 + 0.0005*float64(i)
				scene.Truth.Camera.FY *= 1 + 0.0005*float64(i)
			}
			sol, err := rig.Solve(context.Background(), scene.Job, scene.Camera, scene.DrawCorners(0.03, 1.22, uint64(i)), rig.Options{})
			if err != nil {
				t.Fatal(err)
			}
			fits = append(fits, sol.Network.Camera)
		}
		c, err := history.Follow(fits, history.DefaultSteady)
		if err != nil {
			t.Fatal(err)
		}
		found[drifts] = c
	}
	if c := found[false]; !c.Fits() {
		t.Errorf("a steady camera is suspected: %+v", c)
	}
	if c := found[true]; c.Fits() || c.What != "focal length" {
		t.Errorf("a drifting camera is not found: %+v", c)
	} else {
		t.Logf("found after %d jobs, drift %.5f ± %.5f a job", c.Alarm+1, c.Drift, c.UDrift)
	}
}

func TestCamerasListed(t *testing.T) {
	dir, _ := written(t, fixtures.FleetOptions{Seed: 21, Vehicles: 5, Visits: 60, Cameras: 3, FocalDrift: 0.0005})
	index(t, dir, history.IndexOptions{})
	d, err := history.Open(filepath.Join(dir, history.File))
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	cameras, err := d.Cameras(history.DefaultSteady)
	if err != nil {
		t.Fatal(err)
	}
	if len(cameras) != 3 {
		t.Fatalf("%d cameras", len(cameras))
	}
	for _, c := range cameras {
		if len(c.Jobs) != 20 || c.Fits() != (c.Name != "phone 1") {
			t.Errorf("%s: %d jobs, alarm at %d (%s)", c.Name, len(c.Jobs), c.Alarm, c.What)
		}
	}
}
