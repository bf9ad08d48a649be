package work

import (
	"regexp"
	"strings"
	"testing"

	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// madeUp is English in letters that no data of these jobs has.
func madeUp() map[string]string {
	texts := wording.English()
	for key, text := range texts {
		inside := false
		texts[key] = strings.Map(func(r rune) rune {
			inside = r == '{' || inside && r != '}'
			if !inside && (r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z') {
				return r - 'A' + 'Ａ'
			}
			return r
		}, text)
	}
	return texts
}

// In another language nothing of the order of work stays in English but what comes
// from the job itself: its names, folders, units.
func TestAnotherLanguage(t *testing.T) {
	defer wording.Use(wording.Default)
	if err := wording.Set("made up", madeUp()); err != nil {
		t.Fatal(err)
	}
	data := regexp.MustCompile(`\b(front|drive|tag|photos|as found|as left|deg|WORDS OF DATA)\b`)
	english := regexp.MustCompile(`[A-Za-z]+`)
	seen := map[string]bool{}
	look := func(f *Folder) {
		t.Helper()
		for _, s := range Steps(f) {
			kind, _, _ := strings.Cut(s.ID, "-")
			seen[kind] = true
			for _, text := range append([]string{s.Title, s.Do, s.Why}, s.Cares...) {
				if rest := data.ReplaceAllString(text, ""); english.MatchString(rest) {
					t.Errorf("%s has %q: %s", s.ID, english.FindAllString(rest, -1), text)
				}
				if text == "" {
					t.Errorf("%s tells nothing", s.ID)
				}
			}
			for _, tell := range s.Tell {
				if _, remark, _ := strings.Cut(tell, "#"); english.MatchString(remark) {
					t.Errorf("%s: %s", s.ID, tell)
				}
			}
		}
		for st := range f.Job.Job.Stations {
			if task := StationTask(f.Job, st); english.MatchString(data.ReplaceAllString(task.Do+task.Show, "")) {
				t.Errorf("station %d: %s; %s", st, task.Do, task.Show)
			}
		}
	}
	readings := []rig.Reading{
		reading(align.Toe, 1, align.Left, 1), reading(align.TotalToe, 1, align.NoSide, 0.099), reading(align.Caster, 1, align.Right, 1),
		reading(align.Camber, 1, align.Left, 2), reading(align.ScrubAngle, 4, align.NoSide, 0.099), reading(align.ThrustAngle, 3, align.NoSide, 1),
	}
	f := folder(t, readings...)
	look(f)
	f.Targets, f.Visit.Checks = nil, nil
	look(f)

	f = folder(t, readings...)
	f.Advice = &Advice{Epoch: rig.AsFound, Within: func(r rig.Reading) bool { return false }, Refer: func(rig.Reading) bool { return false },
		Steps: []Advised{{Part: "tie_rod", Axle: 1, Title: "1", Do: "2", Why: []string{"3"}}, {Part: "axle_slide", Axle: 2, Title: "1", Do: "2", Why: []string{"3"}}}}
	f.Result.Weak = &rig.Weak{Instead: "WORDS OF DATA"}
	look(f)
	f.Advice = nil
	f.Result.Weak = &rig.Weak{Unchecked: []string{"WORDS OF DATA", "WORDS OF DATA"}, Readings: []rig.WeakReading{{Epoch: rig.AsFound, Quantity: align.Toe, Side: align.Left, Axle: 1, U: 0.01, Unit: "deg"}},
		Photos: []rig.NextPhoto{{Station: "2"}}}
	planFor(f, "1/a", "2/a")
	f.Planned = nil
	look(f)
	planFor(f, "1/a")
	look(f)

	// Everything that may happen at a station, and boards that go from wheel to wheel.
	job := f.Job.Job
	job.Kingpin = &rig.Kingpin{}
	job.Boards = []vision.Board{{Name: "1"}, {Name: "2"}}
	left, right := rig.Wheel{Axle: 1, Side: align.Left}, rig.Wheel{Axle: 1, Side: align.Right}
	job.Stations = []rig.Station{
		{Name: "1", Epoch: rig.AsFound}, {Name: "2", Epoch: rig.AsFound}, {Name: "3", Epoch: rig.AsFound},
		{Name: "4", Epoch: rig.AsFound, Sweep: true, Steer: 0.3}, {Name: "5", Epoch: rig.AsFound, Sweep: true, Steer: -0.3},
		{Name: "6", Epoch: rig.AsFound}, {Name: "7", Epoch: rig.AsFound, Lifted: []rig.Wheel{left, right}}, {Name: "8", Epoch: rig.AsFound, Lifted: []rig.Wheel{left}},
		{Name: "9", Epoch: rig.AsFound}, {Name: "10", Epoch: "as left"},
	}
	job.Hangs = []rig.Hang{{Board: 0, Wheel: left, Stations: rig.Stations{0}}, {Board: 0, Wheel: right, Stations: rig.Stations{1, 2, 3, 4, 5, 6, 7, 8, 9}}, {Board: 1, Wheel: left, Stations: rig.Stations{0, 1}}}
	look(f)
	f.Result.Readings[0].Epoch = "as left"
	look(f)

	for _, kind := range []string{"targets", "tyre", "coupling", "boards", "station", "more", "measure", "adjust", "refer", "undecided", "steering", "torque", "road", "record"} {
		if !seen[kind] {
			t.Errorf("no step %q was looked at", kind)
		}
	}
}
