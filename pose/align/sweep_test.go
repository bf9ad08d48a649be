package align_test

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"wheelplane/pose"
	"wheelplane/pose/align"

	"go.yaml.in/yaml/v3"
)

// shared is a file of the tables kept beside the project, or the test is
// skipped.
func shared(t *testing.T, name string) []byte {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "shared", "reference", filepath.FromSlash(name)))
	if err != nil {
		t.Skipf("the tables of ../shared/reference are not here: %v", err)
	}
	return text
}

// table reads a CSV file: a map by column for each row, empty cells left out.
func table(t *testing.T, name string) []map[string]float64 {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(string(shared(t, name)))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]float64
	for _, row := range rows[1:] {
		m := map[string]float64{}
		for i, cell := range row {
			if v, err := strconv.ParseFloat(cell, 64); err == nil {
				m[rows[0][i]] = v
			}
		}
		out = append(out, m)
	}
	return out
}

// front is a steered axle's pair of wheels, mirror images of each other, and
// their steering axes.
type front struct {
	wheel [2]align.Wheel
	pivot [2]align.Pivot
}

func newFront(caster, inclination, camber, toe float64) front {
	var f front
	for i, side := range []align.Side{align.Left, align.Right} {
		out := side.Outboard()
		f.wheel[i] = wheelAt(1, side, 4, 1, camber, toe)
		f.pivot[i] = align.Pivot{
			Up:    pose.Unit(pose.Vec{-math.Tan(caster), -out * math.Tan(inclination), 1}),
			Point: pose.Add(f.wheel[i].Centre, pose.Vec{0.01, -0.1 * out, -0.02}),
		}
	}
	return f
}

// turned returns camber and heading of wheel i after a turn about its steering
// axis.
func (f front) turned(t *testing.T, i int, angle float64) (camber, heading float64) {
	t.Helper()
	r := pose.Exp(pose.Scale(angle, f.pivot[i].Up))
	wheels := []align.Wheel{f.wheel[0], f.wheel[1], wheelAt(2, align.Left, 0, 1, 0, 0), wheelAt(2, align.Right, 0, 1, 0, 0)}
	w := &wheels[i]
	w.Axis = r.Apply(w.Axis)
	s, err := align.Derive(wheels, nil, zero(4), 2)
	if err != nil {
		t.Fatal(err)
	}
	return value(t, s, align.Camber, 1, w.Side), w.HeadingOf()
}

// TestTextbookSweep compares cambers and headings of a wheel turned about its
// steering axis, and what our steering axis reads, with the table of
// ../shared/reference/geometry/caster_sweep_computed.csv (computed apart from
// this project by exact rotation, after the published rules in
// caster_rules_published.yaml).
func TestTextbookSweep(t *testing.T) {
	for _, row := range table(t, "geometry/caster_sweep_computed.csv") {
		caster, inclination := row["caster_deg"]*degree, row["kpi_deg"]*degree
		f := newFront(caster, inclination, row["camber_deg"]*degree, row["toe_in_deg"]*degree)
		for i, sign := range []float64{1, -1} { // the right wheel is the mirror image
			if got := f.pivot[i].CasterOf(0); math.Abs(got-caster) > 1e-12 {
				t.Errorf("%v: caster %g", row, got/degree)
			}
			if got := f.pivot[i].InclinationOf(f.wheel[i].Side, 0); math.Abs(got-inclination) > 1e-12 {
				t.Errorf("%v: inclination %g", row, got/degree)
			}
			plus, psiPlus := f.turned(t, i, sign*row["axis_turn_plus_deg"]*degree)
			minus, psiMinus := f.turned(t, i, sign*row["axis_turn_minus_deg"]*degree)
			for _, c := range [][2]float64{
				{psiPlus, sign * row["steer_deg"]}, {psiMinus, -sign * row["steer_deg"]},
				{plus, row["camber_at_plus_deg"]}, {minus, row["camber_at_minus_deg"]},
			} {
				if math.Abs(c[0]/degree-c[1]) > 2e-9 { // printed to nine decimals
					t.Errorf("%v, %s: %.9f degrees, want %.9f", row, f.wheel[i].Side, c[0]/degree, c[1])
				}
			}
			// The textbook's rule on our cambers, as the table has it.
			rule := (plus - minus) / (2 * math.Sin(row["steer_deg"]*degree))
			if math.Abs(rule/degree-row["caster_est_sine_rule"]) > 1e-8 {
				t.Errorf("%v: the rule gives %.9f degrees", row, rule/degree)
			}
		}
	}
}

// TestCasterRule: the textbook's relation, caster = camber difference / (2 sin
// steer), whose factor at 20 degrees is 1.46, is the limit of our steering axis
// for small angles: what it is wrong by falls with their third power. Factors:
// ../shared/reference/geometry/caster_rules_published.yaml.
func TestCasterRule(t *testing.T) {
	var rules struct {
		Factors map[string]float64 `yaml:"factors_computed_here"`
	}
	if err := yaml.Unmarshal(shared(t, "geometry/caster_rules_published.yaml"), &rules); err != nil {
		t.Fatal(err)
	}
	for name, steer := range map[string]float64{"1/(2 sin 10)": 10, "1/(2 sin 15)": 15, "1/(2 sin 20)": 20, "1/(2 sin 25)": 25} {
		factor, ok := rules.Factors[name]
		if !ok {
			t.Fatalf("no factor %s in the file", name)
		}
		before := 0.0
		for _, scale := range []float64{1, 0.5, 0.25} {
			caster := 4 * scale * degree
			f := newFront(caster, 6*scale*degree, 0.5*scale*degree, 0)
			var cambers [2]float64
			for k, want := range []float64{steer * degree, -steer * degree} {
				// The turn about the axis that gives this heading.
				turn := want
				for range 50 {
					_, heading := f.turned(t, 0, turn)
					turn += want - heading
				}
				cambers[k], _ = f.turned(t, 0, turn)
			}
			off := factor*(cambers[0]-cambers[1]) - caster
			if math.Abs(off) > 0.004*caster {
				t.Errorf("%g degrees of steer, caster %g: the rule is off by %g degrees", steer, caster/degree, off/degree)
			}
			if before != 0 && (off/before < 0.1 || off/before > 0.15) { // (1/2)³ = 0.125
				t.Errorf("%g degrees of steer: halving the angles leaves %.3f of the rule's error, want an eighth", steer, off/before)
			}
			before = off
		}
	}
}

// TestTrail: where a steering axis meets the ground, by hand: 5 degrees of
// caster and 0.5 m from the ground up to the wheel's centre give 0.5 tan 5° of
// trail if the axis passes the centre.
func TestTrail(t *testing.T) {
	f := newFront(5*degree, 8*degree, 0, 0)
	for i := range f.wheel {
		f.wheel[i].Centre[2] = 0.5
		f.pivot[i].Point = f.wheel[i].Centre
		scrub, trail := align.ScrubRadiusAndTrail(f.wheel[i], f.pivot[i])
		if want := 0.5 * math.Tan(5*degree); math.Abs(trail-want) > 1e-12 {
			t.Errorf("%s: trail %g m, want %g", f.wheel[i].Side, trail, want)
		}
		if want := -0.5 * math.Tan(8*degree); math.Abs(scrub-want) > 1e-12 { // the axis lands outboard
			t.Errorf("%s: scrub radius %g m, want %g", f.wheel[i].Side, scrub, want)
		}
	}
}
