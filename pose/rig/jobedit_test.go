package rig

import (
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"wheelplane/pose/align"
)

const editable = `# our trailer shop's own
name: edit me
vehicle:
  axles:
    - {name: front, position_mm: 0, track_mm: 2000, steered: true}   # the new axle
    - {name: drive, position_mm: 4000, track_mm: 1850}
boards:
  square_mm: 55
  marker_mm: 41
  list: [{name: A, first_id: 0}, {name: B, first_id: 17}, {name: C, first_id: 34}, {name: D, first_id: 51}]
hangs:
  - {board: A, axle: 1, side: left}
  - {board: D, axle: 2, side: left}
  - {board: B, axle: 2, side: right, stations: [s1]}
  - {board: B, axle: 1, side: right, stations: [s2]}
floor: {boards: [C]}
stations:
  - {name: s1}
  - {name: s2}   # rolled
camera: camera.yaml
`

func TestAddStation(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, JobFile)
	if err := os.WriteFile(path, []byte(editable), 0o666); err != nil {
		t.Fatal(err)
	}
	add := func(s NewStation) *Job {
		t.Helper()
		text, err := AddStation(dir, s)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, text, 0o666); err != nil {
			t.Fatal(err)
		}
		f, err := Read(dir)
		if err != nil {
			t.Fatal(err)
		}
		return f.Job
	}
	left1 := Wheel{1, align.Left}
	j := add(NewStation{Sweep: true, Steer: -20 * math.Pi / 180})
	if s := j.Stations[2]; s.Name != "s3" || s.Epoch != AsFound || !s.Sweep || math.Abs(s.Steer+20*math.Pi/180) > 1e-12 {
		t.Errorf("steered: %+v", s)
	}
	if !j.Hangs[3].Stations.Has(2) || j.Hangs[2].Stations.Has(2) {
		t.Error("boards do not hang as they did at the station before")
	}
	j = add(NewStation{Name: "after", Epoch: "as left", Moved: []Wheel{left1, {2, align.Left}, {2, align.Right}}})
	want := []Epoch{{Name: AsFound}, {Name: "as left", Moved: []Wheel{left1, {2, align.Left}, {2, align.Right}}}}
	if !reflect.DeepEqual(j.Epochs, want) {
		t.Errorf("epochs %+v, want %+v", j.Epochs, want)
	}
	j = add(NewStation{Lifted: []Wheel{left1}})
	if s := j.Stations[4]; s.Name != "s5" || s.Epoch != "as left" || !reflect.DeepEqual(s.Lifted, []Wheel{left1}) {
		t.Errorf("lifted: %+v", s)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, comment := range []string{"# our trailer shop's own", "# the new axle", "# rolled"} {
		if !strings.Contains(string(text), comment) {
			t.Errorf("the comment %q is gone:\n%s", comment, text)
		}
	}

	for _, c := range []struct {
		s    NewStation
		want string
	}{
		{NewStation{Name: "s1"}, "there is a station s1 already"},
		{NewStation{Epoch: AsFound}, "ended before"},
		{NewStation{Epoch: "as left", Moved: []Wheel{left1}}, "is there already"},
		{NewStation{Epoch: "third", Moved: []Wheel{{7, align.Left}}}, "no axle 7"},
		{NewStation{Lifted: []Wheel{{7, align.Left}}}, "axle 7"},
	} {
		if _, err := AddStation(dir, c.s); err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%+v: %v", c.s, err)
		}
	}
	after, err := os.ReadFile(path)
	if err != nil || string(after) != string(text) {
		t.Errorf("a refused station changed the file: %v", err)
	}
}

// TestAllowRolling: a line is added once, comments stay, and none stays none.
func TestAllowRolling(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, JobFile)
	if err := os.WriteFile(path, []byte(editable), 0o666); err != nil {
		t.Fatal(err)
	}
	text, err := AllowRolling(dir, 0.000213, 0.000427)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(string(text), editable) || !strings.Contains(string(text), "rolling_shutter: {turn_deg: 0.012, shift_mm: 0.43}") {
		t.Errorf("written:\n%s", text)
	}
	_, job, err := parseJob(text)
	if err != nil || math.Abs(job.Priors.RollTurn-0.012*math.Pi/180) > 1e-9 || math.Abs(job.Priors.RollShift-0.00043) > 1e-9 {
		t.Errorf("read back: %v, %v", job.Priors, err)
	}
	if err := os.WriteFile(path, text, 0o666); err != nil {
		t.Fatal(err)
	}
	// A film a little wilder changes nothing, one much wilder raises what is said, and
	// comments stay.
	if again, err := AllowRolling(dir, 0.00022, 0.00045); again != nil || err != nil {
		t.Errorf("written twice: %s, %v", again, err)
	}
	if text, err = AllowRolling(dir, 0.0004, 0.0002); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(text), "rolling_shutter: {turn_deg: 0.023, shift_mm: 0.43}") || strings.Count(string(text), "#") != strings.Count(editable, "#")+1 {
		t.Errorf("raised:\n%s", text)
	}
	none := strings.ReplaceAll(string(text), "{turn_deg: 0.023, shift_mm: 0.43}", "{turn_deg: 0, shift_mm: 0}")
	if err := os.WriteFile(path, []byte(none), 0o666); err != nil {
		t.Fatal(err)
	}
	if again, err := AllowRolling(dir, 1, 1); again != nil || err != nil {
		t.Errorf("none was not left alone: %s, %v", again, err)
	}
}

// A plan's stations are written into a job: what the file says otherwise stays, a
// station with photographs does not go, and the same again changes nothing.
func TestSetStations(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, JobFile)
	write := func(text []byte) {
		t.Helper()
		if err := os.WriteFile(path, text, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	read := func() *Job {
		t.Helper()
		f, err := Read(dir)
		if err != nil {
			t.Fatal(err)
		}
		return f.Job
	}
	write([]byte(editable))
	// A third station, where B hangs as at the second.
	to := read().Clone()
	to.Stations = append(to.Stations, Station{Name: "s3", Epoch: AsFound, Lifted: []Wheel{{2, align.Left}}})
	to.Hangs[3].Stations = append(to.Hangs[3].Stations, 2)
	notes := []string{"", "roll 100 mm", "roll 200 mm"}
	text, changed, err := SetStations(dir, to, notes)
	if err != nil {
		t.Fatal(err)
	}
	if want := []string{"station s3 added", "noted beside station s3: roll 200 mm"}; !reflect.DeepEqual(changed, want) {
		t.Errorf("changed %q, want %q", changed, want)
	}
	for _, want := range []string{"# our trailer shop's own", "# the new axle", "- {name: s2} # rolled", "lifted: [{axle: 2, side: left}]} # plan: roll 200 mm", "stations: [s2, s3]", "stations: [s1]"} {
		if !strings.Contains(string(text), want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	write(text)
	if again, changed, err := SetStations(dir, to, notes); again != nil || changed != nil || err != nil {
		t.Errorf("the same again: %q, %v", changed, err)
	}
	if _, changed, err := SetStations(dir, to, []string{"", "", "roll 300 mm"}); err != nil || len(changed) != 1 || !strings.Contains(changed[0], "300") {
		t.Errorf("another note: %q, %v", changed, err)
	}
	// Taken out again, unless it has photographs.
	back := read().Clone()
	back.Stations, back.Hangs[3].Stations = back.Stations[:2], Stations{1}
	text, changed, err = SetStations(dir, back, []string{"", ""})
	if err != nil || !reflect.DeepEqual(changed, []string{"station s3 taken out"}) || strings.Contains(string(text), "s3") {
		t.Errorf("%q, %v\n%s", changed, err, text)
	}
	if err := os.MkdirAll(filepath.Join(dir, "photos", "s3"), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "photos", "s3", "x.jpg"), nil, 0o666); err != nil {
		t.Fatal(err)
	}
	if _, _, err := SetStations(dir, back, []string{"", ""}); err == nil || !strings.Contains(err.Error(), "station s3 has photographs, photos/s3/x.jpg among them") {
		t.Errorf("a station with photographs: %v", err)
	}
	// A board that would hang nowhere any more.
	none := read().Clone()
	none.Hangs[2].Stations = Stations{}
	none.Stations = append(none.Stations, Station{Name: "s4", Epoch: AsFound})
	if _, _, err := SetStations(dir, none, make([]string, 4)); err == nil || !strings.Contains(err.Error(), "at no station any more") {
		t.Errorf("a board that hangs nowhere: %v", err)
	}
	// Another epoch cannot be had by adding a station.
	other := read().Clone()
	other.Stations[1].Epoch = "as left"
	other.Stations = append(other.Stations, Station{Name: "s4", Epoch: AsFound})
	if _, _, err := SetStations(dir, other, make([]string, 4)); err == nil {
		t.Error("a station of another epoch was taken for the one that is written")
	}
}
