package work

import (
	"slices"
	"strings"
	"testing"
	"time"

	"wheelplane/cmd/wheelplane/internal/spec"
	"wheelplane/cmd/wheelplane/internal/visit"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// folder is a four-axle truck whose reference axle is the third, measured, with
// the given readings in degrees.
func folder(t *testing.T, readings ...rig.Reading) *Folder {
	t.Helper()
	s, err := spec.Parse([]byte(`name: n
source: s
targets:
  - {quantity: thrust_angle, axle: reference, target: 0 deg, tolerance: 0.1 deg}
  - {quantity: scrub_angle, axle: all, target: 0 deg, tolerance: 0.1 deg}
  - {quantity: total_toe, axle: steered, target: 0 deg, tolerance: 0.1 deg}
  - {quantity: toe, axle: steered, target: 0 deg, tolerance: 0.1 deg}
  - {quantity: caster, axle: steered, target: 4 deg, tolerance: 0.5 deg}
  - {quantity: camber, axle: all, target: 0 deg, tolerance: 0.5 deg}
`), "spec.yaml")
	if err != nil {
		t.Fatal(err)
	}
	job := &rig.Job{Vehicle: rig.Vehicle{Reference: 3, Axles: []rig.Axle{{Name: "front", Steered: true}, {Name: "drive"}, {Name: "drive 2"}, {Name: "tag"}}}}
	job.Stations = []rig.Station{{Name: "1", Epoch: rig.AsFound}, {Name: "2", Epoch: rig.AsFound}}
	targets, err := s.Targets(&job.Vehicle)
	if err != nil {
		t.Fatal(err)
	}
	for i := range readings {
		readings[i].Epoch, readings[i].Unit, readings[i].U = rig.AsFound, "deg", 0.01
	}
	v := &visit.Visit{}
	for _, c := range checksOf(job) {
		v.Checks = append(v.Checks, visit.Check{What: c.id, Result: visit.OK, By: "R. Vell", At: noon})
	}
	return &Folder{
		Dir: "bay", Job: &rig.Folder{Dir: "bay", Job: job}, Visit: v, Targets: targets,
		Result:   &rig.Result{Readings: readings, Network: &rig.Network{Stations: []rig.Stop{{Name: "1"}, {Name: "2"}}}},
		Measured: noon, Newest: noon.Add(-time.Minute),
		Adjustable: func(q align.Quantity, _ int) bool { return q != align.Camber },
	}
}

func reading(q align.Quantity, axle int, side align.Side, value float64) rig.Reading {
	return rig.Reading{Quantity: q, Axle: axle, Side: side, Value: value}
}

func states(list []Step, prefix string) (out []string) {
	for _, s := range list {
		if strings.HasPrefix(s.ID, prefix) {
			out = append(out, s.ID+" "+string(s.State))
		}
	}
	return
}

// Rear axles from the reference axle forward, then those behind it, then the
// steered ones: caster first, toe last; what cannot be adjusted is not asked for.
func TestOrderOfAdjusting(t *testing.T) {
	f := folder(t,
		reading(align.Toe, 1, align.Left, 1), reading(align.TotalToe, 1, align.NoSide, 1), reading(align.Caster, 1, align.Right, 1),
		reading(align.Camber, 1, align.Left, 2), reading(align.ScrubAngle, 1, align.NoSide, 1),
		reading(align.ScrubAngle, 4, align.NoSide, 1), reading(align.ScrubAngle, 2, align.NoSide, -1), reading(align.ThrustAngle, 3, align.NoSide, 1))
	got := states(Steps(f), "adjust-")
	want := []string{
		"adjust-thrust-angle-3 now", "adjust-scrub-angle-2 later", "adjust-scrub-angle-4 later",
		"adjust-scrub-angle-1 later", "adjust-caster-1-right later", "adjust-total-toe-1 later", "adjust-toe-1-left later",
	}
	if !slices.Equal(got, want) {
		t.Errorf("\n got %v\nwant %v", got, want)
	}
	if r := states(Steps(f), "refer-"); !slices.Equal(r, []string{"refer-camber-1 skipped"}) {
		t.Errorf("what cannot be adjusted: %v", r)
	}
}

// Where there is advice, what it lists is adjusted, in its order: also what an
// undecided reading asks for. What nothing adjusts is referred; what is neither
// brought within nor referred is to be decided on.
func TestOrderOfAdvice(t *testing.T) {
	f := folder(t, reading(align.TotalToe, 1, align.NoSide, 1), reading(align.Camber, 1, align.Left, 2),
		reading(align.ScrubAngle, 2, align.NoSide, 0.099), reading(align.ScrubAngle, 4, align.NoSide, 0.099))
	f.Advice = &Advice{
		Epoch:  rig.AsFound,
		Steps:  []Advised{{Part: "axle_slide", Axle: 2, Side: align.Right, Do: "Move it"}, {Part: "tie_rod", Axle: 1, Do: "Turn it"}},
		Within: func(r rig.Reading) bool { return r.Axle == 2 || r.Quantity == align.TotalToe },
		Refer:  func(r rig.Reading) bool { return r.Quantity == align.Camber },
	}
	got := states(Steps(f), "")
	want := []string{"adjust-axle-slide-2-right now", "adjust-tie-rod-1 later", "refer-camber-1 skipped", "undecided later", "record later"}
	if !slices.Equal(got[len(got)-len(want):], want) {
		t.Errorf("\n got %v\nwant %v", got, want)
	}
	now := Present(Steps(f))
	if !strings.HasPrefix(now.Do, "Move it. ") || !slices.Contains(now.Tell, `wheelplane station bay --epoch "as left" --moved 2,1`) {
		t.Errorf("%+v", now)
	}
	f.Advice.Epoch = "another"
	if now := Present(Steps(f)); now.ID != "adjust-scrub-angle-2" && now.ID != "adjust-total-toe-1" {
		t.Errorf("advice of another epoch was followed: %+v", now)
	}
}

// The steps in turn: each is now once the one before is told, and asking twice
// changes nothing.
func TestOneStepAtATime(t *testing.T) {
	f := folder(t, reading(align.ThrustAngle, 3, align.NoSide, 0.01), reading(align.Toe, 1, align.Left, 0.098))
	now := func() string {
		a, b := Present(Steps(f)), Present(Steps(f))
		if (a == nil) != (b == nil) || a != nil && a.ID != b.ID {
			t.Fatal("two answers to one question")
		}
		if a == nil {
			return ""
		}
		return a.ID
	}
	want := func(id string) {
		t.Helper()
		if got := now(); got != id {
			t.Errorf("now %q, want %q", got, id)
		}
	}
	want("undecided") // toe is 0.2 u inside its limit
	tell := func(what string, r visit.Result, at time.Time) {
		f.Visit.Checks = append(f.Visit.Checks, visit.Check{What: what, Result: r, By: "R. Vell", At: at})
	}
	tell("undecided", visit.OK, noon.Add(-time.Hour)) // about an earlier measurement
	want("undecided")
	tell("undecided", visit.OK, noon.Add(time.Minute))
	want("record")
	f.Recorded = noon.Add(-time.Second) // an older record
	want("record")
	f.Recorded = noon.Add(time.Second)
	want("")
	f.Newest = noon.Add(time.Hour) // new photographs
	want("measure-as-found")
	f.Job.Missing = []int{1} // measured, and its photographs put away
	want("measure-as-found")
	f.Result.Network.Stations = f.Result.Network.Stations[:1]
	want("station-2")
	tell("tyre-pressures", visit.Bad, noon)
	want("tyre-pressures")
	tell("tyre-pressures", visit.Skipped, noon)
	want("station-2")
	f.Targets = nil
	want("targets")
	tell("targets", visit.Skipped, noon)
	want("station-2")
}

// After an adjustment there is a new epoch, and the fasteners and the road test
// are asked for.
func TestAfterAdjusting(t *testing.T) {
	f := folder(t, reading(align.ThrustAngle, 3, align.NoSide, 1))
	f.Job.Job.Stations = append(f.Job.Job.Stations, rig.Station{Name: "3", Epoch: "as left"})
	f.Job.Missing = []int{2}
	if now := Present(Steps(f)); now.ID != "station-3" || !strings.Contains(now.Do, `what makes it "as left"`) {
		t.Errorf("%+v", now)
	}
	f.Job.Missing = nil
	if now := Present(Steps(f)); now.ID != "measure-as-left" {
		t.Errorf("%+v", now)
	}
	f.Result.Readings = append(f.Result.Readings, rig.Reading{Epoch: "as left", Quantity: align.ThrustAngle, Axle: 3, Value: 0.01, U: 0.01, Unit: "deg"})
	f.Result.Network.Stations = append(f.Result.Network.Stations, rig.Stop{Name: "3"})
	if got := states(Steps(f), ""); !slices.Equal(got[len(got)-5:], []string{"measure-as-left done", "steering-wheel now", "torque later", "road-test later", "record later"}) {
		t.Errorf("%v", got)
	}
	// Left as it is, on purpose.
	f.Result.Readings[len(f.Result.Readings)-1].Value = 1
	if now := Present(Steps(f)); now.ID != "adjust-thrust-angle-3" {
		t.Errorf("%+v", now)
	}
	f.Visit.Checks = append(f.Visit.Checks, visit.Check{What: "accept", Result: visit.OK, By: "R. Vell", At: noon.Add(time.Second)})
	if now := Present(Steps(f)); now.ID != "steering-wheel" {
		t.Errorf("%+v", now)
	}
}

// Boards that are moved midway are asked for where it happens.
func TestBoardsMoved(t *testing.T) {
	f := folder(t)
	f.Result = nil
	job := f.Job.Job
	w := func(axle int) rig.Wheel { return rig.Wheel{Axle: axle, Side: align.Left} }
	job.Boards = append(job.Boards, vision.Board{Name: "A"}, vision.Board{Name: "B"})
	job.Hangs = []rig.Hang{{Board: 0, Wheel: w(1)}, {Board: 1, Wheel: w(2), Stations: rig.Stations{0}}, {Board: 1, Wheel: w(3), Stations: rig.Stations{1}}}
	f.Job.Missing = []int{0, 1}
	got := states(Steps(f), "boards")
	if !slices.Equal(got, []string{"boards-hung now", "boards-moved-2 later"}) {
		t.Error(got)
	}
	f.Visit.Checks = append(f.Visit.Checks, visit.Check{What: "boards-hung", Result: visit.OK, By: "R. Vell", At: noon})
	f.Job.Missing = []int{1}
	now := Present(Steps(f))
	if now.ID != "boards-moved-2" || !strings.Contains(now.Do, "board B on axle 3 left (from axle 2 left)") {
		t.Errorf("%+v", now)
	}
	if !slices.Contains(CheckIDs(job), "boards-moved-2") {
		t.Errorf("a step that cannot be told: %v", CheckIDs(job))
	}
}

// Every check can be told, names a reason, and a lifted wheel has its caution.
func TestChecksOfLayouts(t *testing.T) {
	f := folder(t)
	with, without := checksOf(f.Job.Job), checksOf(&rig.Job{Vehicle: rig.Vehicle{Axles: []rig.Axle{{}, {}}}, Kingpin: &rig.Kingpin{}})
	ids := func(list []check) (out []string) {
		for _, c := range list {
			if c.why == "" || c.do == "" || c.title == "" {
				t.Errorf("%s says too little", c.id)
			}
			if strings.Contains(c.do, "Lift ") && !slices.Contains(c.cares, careStands) {
				t.Errorf("%s lifts a wheel without a caution", c.id)
			}
			out = append(out, c.id)
		}
		return
	}
	if a := ids(with); !slices.Contains(a, "kingpins") || slices.Contains(a, "coupling") {
		t.Error(a)
	}
	if b := ids(without); slices.Contains(b, "kingpins") || slices.Contains(b, "steering-centred") || !slices.Contains(b, "coupling") {
		t.Error(b)
	}
}
