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
	if now.ID != "boards-moved-2" || !strings.Contains(now.Do, "Move board B from axle 2 left to axle 3 left; leave every other board") {
		t.Errorf("%+v", now)
	}
	if !slices.Contains(CheckIDs(job), "boards-moved-2") {
		t.Errorf("a step that cannot be told: %v", CheckIDs(job))
	}
}

// Whoever only asks for a station's task is told which boards are moved, that the
// vehicle stays, and to keep it from rolling meanwhile.
func TestTaskMovesBoards(t *testing.T) {
	f := folder(t)
	job := f.Job.Job
	w := func(axle int) rig.Wheel { return rig.Wheel{Axle: axle, Side: align.Left} }
	for _, name := range []string{"A", "B", "C", "D"} {
		job.Boards = append(job.Boards, vision.Board{Name: name})
	}
	if got := StationTask(f.Job, 1).Do; got != "roll" {
		t.Errorf("no board moves: %q", got)
	}
	job.Hangs = []rig.Hang{
		{Board: 0, Wheel: w(1)},
		{Board: 1, Wheel: w(2), Stations: rig.Stations{0}}, {Board: 1, Wheel: w(3), Stations: rig.Stations{1}},
		{Board: 2, Wheel: w(4), Stations: rig.Stations{0}}, {Board: 3, Wheel: w(2), Stations: rig.Stations{1}},
	}
	got := StationTask(f.Job, 1).Do
	want := "brakes on and wheels chocked before anyone reaches for a wheel, take board C off axle 4 left, move board B from axle 2 left to axle 3 left, clamp board D on axle 2 left, leave every other board where it is; do not roll"
	if got != want {
		t.Errorf("\n got %q\nwant %q", got, want)
	}
	if got := StationTask(f.Job, 0).Do; strings.Contains(got, "board") {
		t.Errorf("boards of the start have a step of their own: %q", got)
	}
	// The steps ask for it once, in its own step.
	f.Result, f.Job.Missing = nil, []int{1}
	for _, s := range Steps(f) {
		if moves := strings.Contains(s.Do, "board B from axle 2 left"); moves != (s.ID == "boards-moved-2") {
			t.Errorf("%s: %s", s.ID, s.Do)
		}
	}
}

// planFor gives a folder boards, photographs and a plan of three shots at station 1
// and two at station 2.
func planFor(f *Folder, photos ...string) {
	job := f.Job.Job
	for _, name := range []string{"A", "B", "F1"} {
		job.Boards = append(job.Boards, vision.Board{Name: name})
	}
	there := map[string]bool{}
	for _, p := range photos {
		st := int(p[0] - '1')
		there[job.Stations[st].Name] = true
		job.Photos = append(job.Photos, rig.Photo{Path: p, Station: st})
	}
	f.Job.Missing = nil
	for st, s := range job.Stations {
		if !there[s.Name] {
			f.Job.Missing = append(f.Job.Missing, st)
		}
	}
	shot := func(station string, boards ...string) rig.NextPhoto {
		return rig.NextPhoto{Station: station, Where: "level with axle 1", Phone: "flat", Boards: boards}
	}
	f.Planned = []rig.NextPhoto{shot("1", "A", "B"), shot("1", "A", "F1"), shot("1", "A", "B"), shot("2", "A", "B"), shot("2", "B", "F1"), shot("2", "gone", "A")}
}

// A station is photographed when the plan's photographs are there: those of the
// boards that they show, where that is known.
func TestPlannedShots(t *testing.T) {
	now := func(shows map[string][]string, change func(*Folder), photos ...string) *Step {
		f := folder(t)
		f.Result = nil
		planFor(f, photos...)
		if shows != nil {
			f.Shows = func(p string) []string { return shows[p] }
		}
		if change != nil {
			change(f)
		}
		f.Visit.Checks = append(f.Visit.Checks, visit.Check{What: "boards-hung", Result: visit.OK, By: "R. Vell", At: noon})
		return Present(Steps(f))
	}
	boards := func(s *Step) (out []string) {
		for _, x := range s.Shots {
			out = append(out, x.Station+" "+strings.Join(x.Boards, "+"))
		}
		return
	}
	for _, c := range []struct {
		what   string
		shows  map[string][]string
		photos []string
		change func(*Folder)
		id     string
		want   []string
		say    string
	}{
		{"none", nil, nil, nil, "station-1", []string{"1 A+B", "1 A+F1", "1 A+B"}, "Then take the 3 photographs planned"},
		{"one, unknown", nil, []string{"1/a"}, nil, "station-1", []string{"1 A+F1", "1 A+B"}, "1 of 3 planned photographs are there; these are left if"},
		{"two, unknown", nil, []string{"1/a", "1/b"}, nil, "station-1", []string{"1 A+B"}, "2 of 3"},
		{"all", nil, []string{"1/a", "1/b", "1/c"}, nil, "station-2", []string{"2 A+B", "2 B+F1"}, "Roll. Then take the 2"},
		{"one that shows the second", map[string][]string{"1/a": {"F1", "A"}}, []string{"1/a"}, nil, "station-1", []string{"1 A+B", "1 A+B"}, "1 of 3 planned photographs are there; these are left."},
		{"one shot's boards twice", map[string][]string{"1/a": {"A", "B"}, "1/b": {"A", "B"}, "1/c": {"A", "B"}}, []string{"1/a", "1/b", "1/c"}, nil, "station-1", []string{"1 A+F1"}, "2 of 3"},
		// The one that shows all serves the shot that no other does.
		{"as many as can be", map[string][]string{"1/a": {"A", "B", "F1"}, "1/b": {"A", "B"}, "1/c": {"A", "B"}}, []string{"1/a", "1/b", "1/c"}, nil, "station-2", []string{"2 A+B", "2 B+F1"}, ""},
		{"the vehicle has left", nil, []string{"1/a", "2/a"}, nil, "station-2", []string{"2 B+F1"}, ""},
		{"said to be enough", nil, []string{"1/a"}, func(f *Folder) {
			f.Visit.Checks = append(f.Visit.Checks, visit.Check{What: "station-1", Result: visit.OK, By: "R. Vell", At: noon})
		}, "station-2", []string{"2 A+B", "2 B+F1"}, ""},
		{"measured", nil, []string{"1/a", "2/a"}, func(f *Folder) {
			f.Result = &rig.Result{Network: &rig.Network{Stations: []rig.Stop{{Name: "1"}, {Name: "2"}}}}
		}, "measure-as-found", nil, ""},
		{"no plan", nil, []string{"1/a"}, func(f *Folder) { f.Planned = nil }, "station-2", nil, "every board on a wheel"},
	} {
		s := now(c.shows, c.change, c.photos...)
		if s.ID != c.id || !slices.Equal(boards(s), c.want) || !strings.Contains(s.Do, c.say) {
			t.Errorf("%s: %s %v: %s", c.what, s.ID, boards(s), s.Do)
		}
	}
}

// What a measurement calls weak is photographed while the vehicle stands there, and
// only then.
func TestMoreWhereWeak(t *testing.T) {
	weak := func() *Folder {
		f := folder(t, reading(align.ThrustAngle, 3, align.NoSide, 0.095), reading(align.Toe, 1, align.Left, 0.02))
		planFor(f, "1/a", "2/a")
		f.Planned = nil
		f.Result.Weak = &rig.Weak{
			Readings: []rig.WeakReading{{Epoch: rig.AsFound, Quantity: align.ThrustAngle, Axle: 3, U: 0.01, WantedU: 0.005, Unit: "deg"}},
			Photos:   []rig.NextPhoto{{Station: "2", Where: "behind axle 4", Phone: "upright", Boards: []string{"A", "B"}, ThenU: 0.006}},
		}
		return f
	}
	now := Present(Steps(weak()))
	if now.ID != "more-photographs" || len(now.Shots) != 1 || now.Shots[0].ThenU != 0.006 || now.Title != "Photograph more at station 2" || !strings.Contains(now.Why, "thrust angle of axle 3 is known to 0.010 deg only") {
		t.Fatalf("%+v", now)
	}
	for _, c := range []struct {
		what   string
		change func(*Folder)
		id     string
	}{
		{"left as it is", func(f *Folder) {
			f.Visit.Checks = append(f.Visit.Checks, visit.Check{What: "more-photographs", Result: visit.Skipped, By: "R. Vell", At: noon.Add(time.Second)})
		}, "undecided"},
		{"left as it is before this measurement", func(f *Folder) {
			f.Visit.Checks = append(f.Visit.Checks, visit.Check{What: "more-photographs", Result: visit.Skipped, By: "R. Vell", At: noon.Add(-time.Second)})
		}, "more-photographs"},
		{"photographed since", func(f *Folder) { f.Newest = noon.Add(time.Second) }, "measure-as-found"},
		{"not weak", func(f *Folder) { f.Result.Weak = nil }, "undecided"},
		{"of a station that was left", func(f *Folder) { f.Result.Weak.Photos[0].Station = "1" }, "undecided"},
		{"nothing to photograph", func(f *Folder) { f.Result.Weak.Photos, f.Result.Weak.Instead = nil, "a flatter floor" }, "undecided"},
		{"handed over", func(f *Folder) { f.Recorded = noon.Add(time.Minute) }, "undecided"},
		{"the next station comes first", func(f *Folder) {
			f.Job.Job.Stations = append(f.Job.Job.Stations, rig.Station{Name: "3", Epoch: rig.AsFound})
			f.Job.Missing = []int{2}
		}, "station-3"},
		{"a wheel that nothing checks is photographed before it", func(f *Folder) {
			f.Job.Job.Stations = append(f.Job.Job.Stations, rig.Station{Name: "3", Epoch: rig.AsFound})
			f.Job.Missing, f.Result.Weak.Unchecked = []int{2}, []string{"axle 2 left (board A) is in one photograph only at station 2, 2/a"}
		}, "more-photographs"},
		{"adjusted anyway", func(f *Folder) {
			f.Advice = &Advice{Epoch: rig.AsFound, Steps: []Advised{{Part: "axle_slide", Axle: 3, Do: "Move it"}},
				Within: func(r rig.Reading) bool { return r.Axle == 3 }, Refer: func(rig.Reading) bool { return false }}
		}, "adjust-axle-slide-3"},
		{"not adjusted by the advice", func(f *Folder) {
			f.Advice = &Advice{Epoch: rig.AsFound, Steps: []Advised{{Part: "axle_slide", Axle: 3, Do: "Move it"}},
				Within: func(r rig.Reading) bool { return false }, Refer: func(rig.Reading) bool { return false }}
		}, "more-photographs"},
	} {
		f := weak()
		c.change(f)
		s := Present(Steps(f))
		if s.ID != c.id {
			t.Errorf("%s: %s, want %s", c.what, s.ID, c.id)
		}
		if c.what == "nothing to photograph" && !strings.Contains(s.Do, "would not help much; what would: a flatter floor.") {
			t.Errorf("%s: %s", c.what, s.Do)
		}
	}
	if !slices.Contains(CheckIDs(weak().Job.Job), "more-photographs") {
		t.Error("a step that cannot be told")
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
			if strings.Contains(c.do, "Lift ") && !slices.Contains(c.cares, careStands()) {
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
