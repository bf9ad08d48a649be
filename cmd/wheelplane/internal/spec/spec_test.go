package spec

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

const deg = math.Pi / 180

var truck = &rig.Vehicle{Reference: 3, Axles: []rig.Axle{{Name: "front", Steered: true}, {Name: "drive", Driven: true}, {Name: "tag"}}}

func file(targets ...string) []byte {
	return []byte("name: test\nsource: the test\nreference_diameter: 39 in\ntargets:\n  - " + strings.Join(targets, "\n  - ") + "\n")
}

func TestAmounts(t *testing.T) {
	for text, want := range map[string]float64{
		"0.08 deg":       0.08 * deg,
		"-0 deg 30 min":  -0.5 * deg,
		"1° 15'":         1.25 * deg,
		"-45 min":        -0.75 * deg,
		"1/16 in":        0.0015875, // an inch is 25.4 mm exactly
		"1 1/16 in":      0.0269875,
		"1.5mm":          0.0015,
		"−3 mm":          -0.003,
		"1.5 mm/m":       0.0015,
		".5 °":           0.5 * deg,
		"  +1.2   mm   ": 0.0012,
	} {
		a, err := parseAmount(text)
		if err != nil || math.Abs(a.value-want) > 1e-15 {
			t.Errorf("%q: %v, %v; want %v", text, a.value, err, want)
		}
	}
	for _, text := range []string{"", "3", "0", "deg", "1/0 in", "3 furlongs", "1e400 mm", "1 deg 60 min", "1..2 mm", "--1 mm", "NaN deg"} {
		if a, err := parseAmount(text); err == nil {
			t.Errorf("%q is read as %v", text, a.value)
		}
	}
}

// Toe as a distance against its angle. Sources: 1/16 in of total toe on a front
// tyre of 39 in is 0.0918 degrees: common practice, no source. TMC RP 642A, as
// reproduced in a truck tyre maker's service manual: +1/16 in, given as 0.08
// degrees and as 1.5 mm/m in one row; at second hand.
func TestToeAsADistance(t *testing.T) {
	for _, c := range []struct {
		target, over string
		want, tol    float64
	}{
		{"1/16 in", "", 0.0918, 5e-5},
		{"1/16 in", ", over: 1137 mm", 0.08, 5e-5}, // the diameter at which 1/16 in is 0.08 degrees
		{"1.5 mm/m", "", 0.0859, 5e-5},
		{"1.5 mm", ", over: 1000 mm", 0.0859, 5e-5},
	} {
		s, err := Parse(file("{quantity: total_toe, axle: 1, target: "+c.target+", tolerance: "+c.target+c.over+"}"), "f")
		if err != nil {
			t.Fatal(err)
		}
		list, err := s.Targets(truck)
		if err != nil || len(list) != 1 {
			t.Fatal(list, err)
		}
		if got := list[0].Wish / deg; math.Abs(got-c.want) > c.tol {
			t.Errorf("%s%s: %.4f degrees, want %.4f", c.target, c.over, got, c.want)
		}
		if list[0].Low != 0 {
			t.Errorf("%s: lower limit %g, want 0", c.target, list[0].Low)
		}
	}
}

func TestWhichAxles(t *testing.T) {
	s, err := Parse(file(
		"{quantity: camber, axle: all, target: 0 deg, tolerance: 1 deg}",
		"{quantity: camber, axle: 1, target: 1 deg, tolerance: 1 deg}",
		"{quantity: camber, axle: 1, side: left, target: 2 deg, tolerance: 1 deg}",
		"{quantity: scrub_angle, axle: rear, target: 0 deg, high: 1 deg}",
		"{quantity: thrust_angle, axle: all, low: -1 deg, high: 3 deg}",
		"{quantity: caster, axle: all, side: right, target: 4 deg, tolerance: 1 deg}",
		"{quantity: axle_offset, axle: TAG, target: 5 mm, tolerance: 1/8 in}",
	), "f")
	if err != nil {
		t.Fatal(err)
	}
	list, err := s.Targets(truck)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]float64{}
	for _, x := range list {
		got[string(x.Quantity)+" "+string(rune('0'+x.Axle))+" "+string(x.Side)] = x.Wish
	}
	want := map[string]float64{
		"camber 1 left": 2 * deg, "camber 1 right": 1 * deg, "camber 2 left": 0, "camber 2 right": 0, "camber 3 left": 0, "camber 3 right": 0,
		"scrub_angle 2 ": 0, "thrust_angle 3 ": 1 * deg, "caster 1 right": 4 * deg, "axle_offset 3 ": 0.005,
	}
	if len(got) != len(want) {
		t.Errorf("%d targets, want %d: %v", len(got), len(want), got)
	}
	for k, v := range want {
		if g, ok := got[k]; !ok || math.Abs(g-v) > 1e-15 {
			t.Errorf("%s: %v, want %v", k, g, v)
		}
	}
	for _, x := range list {
		if x.Quantity == align.ScrubAngle && !math.IsInf(x.Low, -1) {
			t.Errorf("a limit that was not given: %v", x.Low)
		}
	}
}

// A group's word means the group, even where an axle is called so.
func TestGroupsBeforeNames(t *testing.T) {
	v := &rig.Vehicle{Reference: 3, Axles: []rig.Axle{{Name: "steered", Steered: true}, {Name: "steered", Steered: true}, {Name: "driven", Driven: true}}}
	s, err := Parse(file("{quantity: total_toe, axle: steered, target: 0 deg, tolerance: 1 deg}"), "f")
	if err != nil {
		t.Fatal(err)
	}
	if list, err := s.Targets(v); err != nil || len(list) != 2 {
		t.Errorf("%v, %v: want both steered axles", list, err)
	}
}

func TestBadFiles(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"", "f: the file is empty"},
		{"name: a\n  b: [", "f: "},
		{"- 1\n", "f:1: the specification must be keys"},
		{"source: s\ntargets: [{quantity: camber, axle: 1, target: 0 deg, tolerance: 1 deg}]\n", "f:1: the specification has no name"},
		{"name: a\ntargets: [{quantity: camber, axle: 1, target: 0 deg, tolerance: 1 deg}]\n", "f:1: the specification has no source"},
		{"name: a\nsource: s\n", "f:1: the specification has no targets"},
		{"name: a\nname: b\n", "f:2: the key \"name\" is there twice"},
		{"name: a\nsauce: b\n", "f:2: unknown key \"sauce\" in the specification; there are: about,"},
		{"name: a\nsource: s\nreference_diameter: 0 mm\n", "f:3: reference_diameter must be above 0"},
		{"name: a\nsource: s\nreference_diameter: 1000\n", "f:3: \"1000\" has no unit"},
		{"name: a\nsource: s\nreference_diameter: 3 deg\n", "f:3: \"3 deg\" must be a length"},
		{"name: a\n---\nname: b\n", "f: more than one document"},
		{"name: a\nconfidence: 2\n", "f:2: \"2\" is not a number above 0.5"},
		{string(file("{quantity: camber, axle: 1, low: 1 deg, high: -1 deg, target: 0 deg}")), "f:5: camber: the lowest value is above the highest"},
		{string(file("{quantity: camber, axle: 1, low: 1 deg, high: 2 deg, target: 0 deg}")), "f:5: camber: the target lies outside its own limits"},
		{string(file("{quantity: camber, axle: 1, target: 0.5, tolerance: 1 deg}")), "f:5: \"0.5\" has no unit: write deg, min, mm, in or mm/m behind it"},
		{string(file("{quantity: chamber, axle: 1, target: 0 deg, tolerance: 1 deg}")), "f:5: there is no quantity \"chamber\"; there are: camber,"},
		{string(file("{quantity: camber, target: 0 deg, tolerance: 1 deg}")), "f:5: camber: no axle named"},
		{string(file("{axle: 1, target: 0 deg, tolerance: 1 deg}")), "f:5: a target without a quantity"},
		{string(file("{quantity: camber, axle: 1, target: 0 deg}")), "f:5: camber: no tolerance"},
		{string(file("{quantity: camber, axle: 1, tolerance: 1 deg}")), "f:5: camber: a tolerance needs its target"},
		{string(file("{quantity: camber, axle: 1, low: 1 deg}")), "f:5: camber: no target"},
		{string(file("{quantity: camber, axle: 1, target: 0 deg, tolerance: -1 deg}")), "f:5: camber: a tolerance must not be below 0"},
		{string(file("{quantity: camber, axle: 1, target: 0 deg, tolerance: 1 deg, low: 0 deg}")), "f:5: camber: give either tolerance or low and high"},
		{string(file("{quantity: camber, axle: 1, target: 1 mm, tolerance: 1 mm}")), "f:5: camber is an angle and \"1 mm\" a length: say over which length"},
		{string(file("{quantity: axle_offset, axle: 1, target: 1 deg, tolerance: 1 mm}")), "f:5: axle_offset is a length: \"1 deg\" must be in mm or in"},
		{string(file("{quantity: total_toe, axle: 1, target: 1 mm, tolerance: 1 deg}")), "f:5: total_toe: lengths and angles are mixed"},
		{string(file("{quantity: total_toe, axle: 1, side: left, target: 1 mm, tolerance: 1 mm}")), "f:5: total_toe belongs to an axle"},
		{string(file("{quantity: camber, axle: 1, side: middle, target: 1 deg, tolerance: 1 deg}")), "f:5: camber: side \"middle\" is neither"},
		{string(file("{quantity: toe, axle: 1, over: 0 mm, target: 1 mm, tolerance: 1 mm}")), "f:5: toe: over must be above 0"},
		{string(file("{quantity: toe_out_on_turns, axle: 1, target: 2 deg, tolerance: 1 deg}")), "f:5: toe_out_on_turns: steer"},
		{string(file("{quantity: camber, axle: 1, target: 0 deg, tolerance: 1 deg, colour: red}")), "f:5: unknown key \"colour\" in a target"},
		{string(file("camber")), "f:5: a target must be keys and values"},
	} {
		if _, err := Parse([]byte(c.text), "f"); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q:\n got %v\nwant %s", c.text, err, c.want)
		} else if strings.Contains(err.Error(), "\n") {
			t.Errorf("more than one line: %q", err)
		}
	}
	for _, c := range []struct{ text, want string }{
		{string(file("{quantity: camber, axle: 4, target: 0 deg, tolerance: 1 deg}")), "f:5: camber: there is no axle 4; the vehicle has axles 1 to 3"},
		{string(file("{quantity: caster, axle: 2, target: 3 deg, tolerance: 1 deg}")), "f:5: caster: axle 2 of this vehicle never has such a reading"},
		{string(file("{quantity: camber, axle: rearmost, target: 0 deg, tolerance: 1 deg}")), "f:5: camber: no axle is called \"rearmost\"; give a number from 1 to 3, a name (front, drive, tag), or one of all"},
		{string(file("{quantity: camber, axle: 1, target: 0 deg, tolerance: 1 deg}", "{quantity: camber, axle: front, target: 0 deg, tolerance: 1 deg}")), "f:6: camber of axle 1 has a target in line 5 already"},
		{"name: a\nsource: s\ntargets:\n- {quantity: toe, axle: 1, target: 1 mm, tolerance: 1 mm}\n", "f:4: toe is given as a distance: add reference_diameter"},
		{string(file("{quantity: toe, axle: 1, target: 0 mm, tolerance: 2 m}")), "f:5: toe: \"2 m\" is not less than the length it counts over"},
	} {
		s, err := Parse([]byte(c.text), "f")
		if err == nil {
			_, err = s.Targets(truck)
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q:\n got %v\nwant %s", c.text, err, c.want)
		}
	}
}

// Every shipped specification is sound, says where it is from, and says that it
// is invented if it is.
func TestShippedLibrary(t *testing.T) {
	list, bad := Library("")
	for _, err := range bad {
		t.Error(err)
	}
	if len(list) < 8 {
		t.Fatalf("%d specifications", len(list))
	}
	for _, e := range list {
		if strings.HasPrefix(e.ID, "example-") != strings.Contains(e.Source, "invented") || strings.HasPrefix(e.ID, "example-") != strings.Contains(e.About, "Invented") {
			t.Errorf("%s: source %q, about %q: examples say that they are invented, others are not", e.ID, e.Source, e.About)
		}
		if e.About == "" || len(e.Words) == 0 {
			t.Errorf("%s: no text about it, or no words", e.ID)
		}
	}
}

func TestLibraryOfAFleet(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	write("heavy-truck.yaml", strings.Replace(string(file("{quantity: camber, axle: 1, target: 0 deg, tolerance: 1 deg}")), "test", "our own truck", 1))
	write("broken.yaml", "name: x\n")
	list, bad := Library(dir)
	if len(bad) != 1 || !strings.Contains(bad[0].Error(), "broken.yaml:1: ") {
		t.Errorf("bad files: %v", bad)
	}
	s, err := Pick(list, "heavy-truck")
	if err != nil || s.Name != "our own truck" {
		t.Errorf("%v, %v: a fleet's file goes before the shipped one", s, err)
	}
	if found := Search(list, []string{"TRAILER", "kingpin"}); len(found) == 0 || found[0].ID != "semi-trailer" {
		t.Errorf("found %v", found)
	}
	if _, err := Pick(list, "trailer"); err == nil || !strings.Contains(err.Error(), "near it: example-box-trailer, semi-trailer") {
		t.Error(err)
	}
	if _, missing := Library(filepath.Join(dir, "nowhere")); missing != nil {
		t.Errorf("a folder that is not there: %v", missing)
	}
}

// Toe-out on turns counts at the steer it is given for, which is the inner
// wheel's.
func TestToeOutAtItsSteer(t *testing.T) {
	s, err := Parse(file("{quantity: toe_out_on_turns, axle: 1, steer: 20 deg, target: 2 deg, tolerance: 0.5 deg}"), "f")
	if err != nil {
		t.Fatal(err)
	}
	targets, err := s.Targets(truck)
	if err != nil {
		t.Fatal(err)
	}
	var list []rig.Reading
	for _, st := range []struct {
		name        string
		left, right float64
	}{{"a", 20.4, 18.2}, {"b", -18.0, -19.7}, {"c", 10, 9.5}} {
		for side, v := range map[align.Side]float64{align.Left: st.left, align.Right: st.right} {
			list = append(list, rig.Reading{Quantity: align.SteerAngle, Axle: 1, Side: side, Station: st.name, Value: v})
		}
		list = append(list, rig.Reading{Quantity: align.ToeOutOnTurns, Axle: 1, Station: st.name, Value: 1.8, U: 0.02})
	}
	got := map[string]bool{}
	for _, r := range list {
		if Find(targets, list, r) != nil {
			got[r.Station] = true
		}
	}
	if !got["a"] || !got["b"] || got["c"] {
		t.Errorf("the target counts at stations %v, want a and b", got)
	}
}

func TestDiameterAdded(t *testing.T) {
	text := "name: a\nsource: s\ntargets:\n- {quantity: total_toe, axle: 1, target: 1/16 in, tolerance: 1/16 in}"
	s, err := Parse([]byte(text), "f")
	if err != nil || !s.NeedsDiameter() {
		t.Fatal(s, err)
	}
	s, err = s.WithDiameter(0.9906)
	if err != nil || s.NeedsDiameter() {
		t.Fatal(s, err)
	}
	again, err := Parse(s.Text(), "f")
	if err != nil || math.Abs(again.ReferenceDiameter-0.9906) > 1e-12 {
		t.Errorf("%v, %v", again, err)
	}
	if _, err := s.WithDiameter(1); err == nil {
		t.Error("a second diameter is taken silently")
	}
}
