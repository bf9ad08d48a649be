package rig_test

import (
	"context"
	"encoding/json"
	"math"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/rig"
)

// TestStanceRoundTrip writes how the wheels stand to a file's form and back, and
// wants the readings and their uncertainties again.
func TestStanceRoundTrip(t *testing.T) {
	for _, name := range []string{"semi-trailer", "sweep"} {
		scene, err := fixtures.NewScene(name, 3, 4000)
		if err != nil {
			t.Fatal(err)
		}
		sol, err := rig.Solve(context.Background(), scene.Job, scene.Camera, scene.DrawCorners(0.03, 70*math.Pi/180, 3), rig.Options{})
		if err != nil {
			t.Fatal(err)
		}
		text, err := json.Marshal(rig.Result{Readings: rig.ForFiles(sol.Readings), Stances: rig.StancesForFiles(&scene.Job.Vehicle, sol.Readings)})
		if err != nil {
			t.Fatal(err)
		}
		var r rig.Result
		if err := json.Unmarshal(text, &r); err != nil {
			t.Fatal(err)
		}
		stance, err := r.StanceOf(scene.Job, rig.AsFound)
		if err != nil {
			t.Fatal(err)
		}
		set, err := stance.Readings()
		if err != nil {
			t.Fatal(err)
		}
		e := sol.Readings[0]
		compared := 0
		for i, x := range e.Readings {
			k := set.FindLike(x)
			if k < 0 {
				continue
			}
			compared++
			tolerance := 1e-4 // the covariance is written to eight digits
			if d := set.Readings[k].Value - x.Value; math.Abs(d) > 1e-9 || math.Abs(set.U(k)-e.U(i)) > tolerance*e.U(i) {
				t.Errorf("%s: %s axle %d %s: off by %.2g, u %.6g was %.6g", name, x.Quantity, x.Axle, x.Side, d, set.U(k), e.U(i))
			}
		}
		if compared < 20 {
			t.Errorf("%s: only %d readings compared", name, compared)
		}
	}
	job := &rig.Job{Vehicle: rig.Vehicle{Axles: make([]rig.Axle, 1)}}
	for _, damage := range []func(*rig.Stance){
		func(s *rig.Stance) { s.Covariance = s.Covariance[1:] },
		func(s *rig.Stance) { s.Covariance[0] = "much" },
		func(s *rig.Stance) { s.Covariance[1] = "1" },
		func(s *rig.Stance) { s.Wheels[0].Side = "top" },
		func(s *rig.Stance) { s.Wheels[0].Axle = 2 },
		func(s *rig.Stance) { s.Epoch = "another" },
	} {
		s := rig.Stance{Epoch: rig.AsFound, Wheels: []rig.StanceWheel{{Axle: 1, Side: "left"}}, Covariance: []string{"1", "0 1", "0 0 1", "0 0 0 1", "0 0 0 0 1"}}
		if _, err := (&rig.Result{Stances: []rig.Stance{s}}).StanceOf(job, rig.AsFound); err != nil {
			t.Fatal(err)
		}
		damage(&s)
		if _, err := (&rig.Result{Stances: []rig.Stance{s}}).StanceOf(job, rig.AsFound); err == nil {
			t.Errorf("taken: %+v", s)
		}
	}
}
