package jig

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

const goodJig = `name: beam jig
certificate: {number: K-1, by: us, date: 2026-05-11, valid_until: 2027-05-11, temperature: 20 ± 1 °C}
k: 2
expansion_per_k: 11.5e-6
claim: {angle: 3 arcmin, length: 0.3 in}
wheels:
  - {axle: 1, side: left, camber: 0.500 ± 0.004 deg, toe: 0.1 +/- 0.006 deg, x: 2000 ± 1 mm, y: 750 ± 1 mm, z: 300 ± 1 mm}
  - {axle: 1, side: right, camber: -0.2 +- 0.004 deg, toe: 6 ± 0.36 arcmin, x: 2000 ± 1 mm, y: -750 ± 1 mm, z: 300 ± 1 mm}
  - {axle: 2, side: left, camber: 0.0 ± 0.004 deg, toe: 0 ± 0.006 deg, x: 0 ± 1 mm, y: 0.75 ± 0.001 m, z: 300 ± 1 mm}
  - {axle: 2, side: right, camber: 0.0 ± 0.004 deg, toe: 0 ± 0.006 deg, x: 0 ± 1 mm, y: -750 ± 1 mm, z: 300 ± 1 mm}
`

// near is a value that is equal but for rounding.
func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if !(math.Abs(got-want) <= 1e-9*math.Max(1, math.Abs(want))) {
		t.Errorf("%s = %.12g, want %.12g", what, got, want)
	}
}

func find(t *testing.T, list []rig.Reading, q align.Quantity, axle int, side align.Side) rig.Reading {
	t.Helper()
	r, ok := rig.Find(list, rig.Reading{Epoch: rig.AsFound, Quantity: q, Axle: axle, Side: side})
	if !ok {
		t.Fatalf("no %s of axle %d %s", q, axle, side)
	}
	return r
}

// Readings follow from the planes by hand: the centreline lies along x, for both
// middles have y = 0.
func TestJigReadings(t *testing.T) {
	j, _, err := parse([]byte(goodJig))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "claim, 3 minutes", j.Claim.Angle.Value, 0.05)
	near(t, "claim, 0.3 in", j.Claim.Length.Value, 7.62)
	list, err := j.Readings(2, math.NaN())
	if err != nil {
		t.Fatal(err)
	}
	camber := find(t, list, align.Camber, 1, align.Left)
	near(t, "camber", camber.Value, 0.5)
	near(t, "its u", camber.U, 0.002)
	cross := find(t, list, align.CrossCamber, 1, align.NoSide)
	near(t, "cross camber", cross.Value, 0.7)
	near(t, "its u", cross.U, 0.002*math.Sqrt2)
	toe := find(t, list, align.TotalToe, 1, align.NoSide)
	near(t, "total toe", toe.Value, 0.2)
	near(t, "its u", toe.U, 0.003*math.Sqrt2)
	// Single toe is against the centreline, which two pairs of places tell: each
	// middle to 0.5 mm / √2 sideways, over 2 m.
	single := find(t, list, align.Toe, 1, align.Left)
	line := math.Sqrt2 * 0.5 / math.Sqrt2 / 2000 * 180 / math.Pi
	near(t, "single toe's u", single.U, math.Hypot(0.003, line))
	near(t, "track", find(t, list, align.Track, 1, align.NoSide).Value, 1500)
	near(t, "wheelbase", find(t, list, align.Wheelbase, 2, align.NoSide).Value, 2000)

	// Ten kelvin warmer: steel of 2 m grows by 0.23 mm, angles stay.
	warm, err := j.Readings(2, 30)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "warm wheelbase", find(t, warm, align.Wheelbase, 2, align.NoSide).Value, 2000*(1+11.5e-5))
	near(t, "warm camber", find(t, warm, align.Camber, 1, align.Left).Value, 0.5)
}

// A jig that is written is the one that is read.
func TestJigText(t *testing.T) {
	j, _, err := parse([]byte(goodJig))
	if err != nil {
		t.Fatal(err)
	}
	text, err := j.Text()
	if err != nil {
		t.Fatal(err)
	}
	back, line, err := parse(text)
	if err != nil {
		t.Fatalf("line %d: %v\n%s", line, err, text)
	}
	for i := range j.Wheels {
		a, b := j.Wheels[i], back.Wheels[i]
		for k, q := range [][2]Quantity{{a.Camber, b.Camber}, {a.Toe, b.Toe}, {a.X, b.X}, {a.Y, b.Y}, {a.Z, b.Z}} {
			near(t, fmt.Sprintf("wheel %d, %d", i, k), q[1].Value, q[0].Value)
			near(t, fmt.Sprintf("wheel %d, U %d", i, k), q[1].U, q[0].U)
		}
	}
	if back.Certificate.Number != "K-1" || back.K != 2 || back.Expansion != 11.5e-6 || back.Claim.Angle.Value != j.Claim.Angle.Value {
		t.Errorf("read back %+v", back)
	}
}

// Every fault of a jig's file is one line that says where and what to do.
func TestJigRefused(t *testing.T) {
	for name, c := range map[string]struct{ old, new, want string }{
		"no uncertainty":      {"0.500 ± 0.004 deg", "0.500 deg", ".yaml:7: camber of axle 1 left has no uncertainty: write it like 0.5 ± 0.01 deg, from its certificate"},
		"zero uncertainty":    {"0.500 ± 0.004 deg", "0.500 ± 0 deg", ".yaml:7: camber of axle 1 left has an uncertainty of 0"},
		"wrong unit":          {"0.500 ± 0.004 deg", "0.500 ± 0.004 mm", `.yaml:7: camber of axle 1 left has the unit "mm": write it like 0.512 ± 0.008 deg`},
		"no unit":             {"750 ± 1 mm", "750 ± 1", ".yaml:7: y of axle 1 left has no unit"},
		"no number":           {"0.500 ± 0.004 deg", "about half a degree", `line 7: "about half a degree" is no quantity`},
		"two points":          {"0.500 ± 0.004 deg", "0.5.0 ± 0.004 deg", "line 7: "},
		"no coverage factor":  {"k: 2\n", "", "k: the coverage factor of the uncertainties is missing"},
		"odd coverage factor": {"k: 2\n", "k: 95\n", "k: a coverage factor of 95"},
		"no certificate":      {"number: K-1, ", "", "certificate: number and by are missing"},
		"no date":             {"date: 2026-05-11, ", "", `certificate: date "": write it like 2026-05-11`},
		"date in words":       {"2026-05-11", "May", `certificate: date "May"`},
		"ends before":         {"2027-05-11", "2025-05-11", "before its date"},
		"no temperature":      {", temperature: 20 ± 1 °C", "", "certificate: temperature is missing"},
		"wrong temperature":   {"20 ± 1 °C", "68 ± 1 F", `temperature has the unit "F"`},
		"unknown key":         {"k: 2", "k: 2\nmaker: us", "unknown key maker"},
		"same wheel twice":    {"axle: 1, side: right", "axle: 1, side: left", "axle 1 left is there twice"},
		"one wheel":           {"axle: 1, side: right", "axle: 3, side: right", "has only its"},
		"no such side":        {"side: right", "side: both", `side "both"`},
		"no place":            {", z: 300 ± 1 mm}", "}", "axle 1 left has no z"},
		"a lean":              {"0.500 ± 0.004 deg", "50 ± 0.004 deg", "a wheel plane does not lean by more than 20"},
		"a claim of nothing":  {"angle: 3 arcmin", "angle: 0 arcmin", "claim: angle 0 is not above 0"},
		"expansion":           {"11.5e-6", "11.5", "expansion_per_k: 11.5"},
		"not YAML":            {"wheels:\n", "wheels: [\n", "see 'wheelplane jig --help'"},
		"empty":               {goodJig, "", "the file is empty"},
	} {
		text := strings.Replace(goodJig, c.old, c.new, 1)
		if text == goodJig {
			t.Fatalf("%s: nothing replaced", name)
		}
		path := filepath.Join(t.TempDir(), "jig.yaml")
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		_, err := Load(path)
		if err == nil || !strings.HasPrefix(err.Error(), path) || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := Load(filepath.Join(t.TempDir(), "nothing.yaml")); err == nil || !strings.Contains(err.Error(), "no such file") {
		t.Errorf("no file: %v", err)
	}
	if _, err := Load(t.TempDir()); err == nil || !strings.Contains(err.Error(), "a folder: give the jig's file") {
		t.Errorf("a folder: %v", err)
	}
	j, _, err := parse([]byte(goodJig))
	if err != nil {
		t.Fatal(err)
	}
	if err := j.ValidOn("2027-05-11"); err != nil {
		t.Errorf("on its last day: %v", err)
	}
	if err := j.ValidOn("2027-05-12"); err == nil || !strings.Contains(err.Error(), "certificate K-1 was valid until 2027-05-11") {
		t.Errorf("a day later: %v", err)
	}
	if err := j.Fits(&rig.Vehicle{Axles: make([]rig.Axle, 1)}); err == nil || !strings.Contains(err.Error(), "the jig has a wheel at axle 2 left, the job does not") {
		t.Errorf("one axle: %v", err)
	}
	if err := j.Fits(&rig.Vehicle{Axles: make([]rig.Axle, 3)}); err == nil || !strings.Contains(err.Error(), "the job has an axle 3, the jig does not") {
		t.Errorf("three axles: %v", err)
	}
}

// A published output: NIST Dataplot's reference manual, command ISO 13528 EN
// SCORE (itl.nist.gov/div898/software/dataplot/refman2/auxillar/enscore.htm). The
// gear diameters of batch 1, assigned value 1, both expanded uncertainties two
// standard deviations: of the batch, 0.0043461 as computed from its ten values, and
// of all batches, 0.0062789 (NIST/SEMATECH e-Handbook, gear data, from memory).
func TestPublishedEn(t *testing.T) {
	for value, want := range map[float64]string{1.006: "0.393", 0.996: "-0.262", 0.998: "-0.131", 1.000: "0.000"} {
		printed(t, fmt.Sprintf("En of %.3f", value), NormalisedError(value, 0.0043461, 1, 0.0062789), want)
	}
}

// measured is a jig's readings measured with an error of sigma, a bias, and a
// stated standard uncertainty.
func measured(r *rand.Rand, known []rig.Reading, bias, sigma, stated float64) Measured {
	m := Measured{Epoch: "e"}
	for _, x := range known {
		x.Epoch, x.Value, x.U = "e", x.Value+bias+sigma*r.NormFloat64(), stated
		m.Readings = append(m.Readings, x)
	}
	return m
}

// The intervals of bias and spread hold in 95 % of drawn repeats.
func TestBiasAndSpread(t *testing.T) {
	const n, bias, sigma = 2000, 0.03, 0.02
	r := rand.New(rand.NewPCG(2, 2))
	truth := rig.Reading{Epoch: rig.AsFound, Quantity: align.Camber, Axle: 1, Side: align.Left, Unit: "deg"}
	biases, spreads := 0, 0
	for range n {
		known := truth
		known.U = 1e-9
		var jobs []Measured
		for range 5 {
			jobs = append(jobs, measured(r, []rig.Reading{known}, bias, sigma, 2*sigma))
		}
		c := Compare([]rig.Reading{known}, jobs, CompareOptions{}).Readings[0]
		if math.Abs(c.Bias-bias) <= c.BiasU {
			biases++
		}
		if c.SpreadRange.Low <= sigma && sigma <= c.SpreadRange.High {
			spreads++
		}
		near(t, "spread over stated", *c.OverStated, *c.Spread/(2*sigma))
	}
	for what, held := range map[string]int{"bias": biases, "spread": spreads} {
		if share := float64(held) / n; math.Abs(share-0.95) > 0.015 { // three standard errors
			t.Errorf("%s: %.1f %% of the intervals hold", what, 100*share)
		}
	}
}

// The decision is by the jig's uncertainty alone: an error of 0.040 known to
// u = 0.005 is surely within 0.05 (2 u from it), one of 0.045 is not surely, one of
// 0.060 is surely beyond. A guard band of U moves the limit to 0.04.
func TestDecision(t *testing.T) {
	known := rig.Reading{Epoch: rig.AsFound, Quantity: align.Camber, Axle: 1, Side: align.Left, Unit: "deg", U: 0.005}
	for _, c := range []struct {
		error float64
		rule  align.Rule
		want  align.Verdict
	}{
		{0.040, align.Rule{}, align.Within}, {0.045, align.Rule{}, align.Undecided}, {-0.060, align.Rule{}, align.Outside},
		{0.0399, align.Rule{Guard: 1}, align.Within}, {0.0401, align.Rule{Guard: 1}, align.Undecided}, {0.0601, align.Rule{Guard: 1}, align.Outside},
	} {
		one := known
		one.Value, one.U = c.error, 1 // whatever the measurement believes
		out := Compare([]rig.Reading{known}, []Measured{{Epoch: rig.AsFound, Readings: []rig.Reading{one}}}, CompareOptions{AngleDeg: 0.05, Rule: c.rule})
		if out.Verdict != c.want {
			t.Errorf("an error of %g, rule %+v: %s, want %s", c.error, c.rule, out.Verdict, c.want)
		}
	}
	// The worst of the repeats decides; a length without a claim decides nothing.
	far := known
	far.Value = 0.1
	track := rig.Reading{Epoch: rig.AsFound, Quantity: align.Track, Axle: 1, Unit: "mm", U: 1, Value: 5}
	out := Compare([]rig.Reading{known, track}, []Measured{{"a", rig.AsFound, []rig.Reading{known, track}}, {"b", rig.AsFound, []rig.Reading{far, track}}}, CompareOptions{AngleDeg: 0.05})
	if out.Verdict != align.Outside || out.Readings[0].Errors[0].Verdict != align.Within || out.Readings[1].Verdict != "" {
		t.Errorf("%+v", out)
	}
}

// The budgets add up as GUM has it, and their first lines are as worked by hand:
// half a micrometre under a sine bar of 200 mm is 0.52 seconds of arc; 0.02 mm over
// 500 mm is 8.25 seconds.
func TestBudgets(t *testing.T) {
	list := Budgets()
	bar, beam := list[0], list[1]
	arcsec := func(i Input) float64 { return i.Limit * i.Sensitivity * 3600 }
	printed(t, "block error", arcsec(bar.Inputs[0]), "0.52")
	printed(t, "feeler gauge, one gap", arcsec(beam.Inputs[0])/math.Sqrt2, "8.25")
	for _, b := range list {
		sum := 0.0
		for _, i := range b.Inputs {
			u := i.Limit * i.Sensitivity
			switch i.Shape {
			case Rectangular:
				u /= math.Sqrt(3)
			case UShaped:
				u /= math.Sqrt(2)
			case Expanded:
				u /= 2
			}
			sum += u * u
		}
		near(t, b.Name, b.U(), 2*math.Sqrt(sum))
	}
	if !(bar.U() < 0.005 && beam.U() < 0.02 && beam.U() > bar.U()) {
		t.Errorf("sine bar %g deg, beam %g deg", bar.U(), beam.U())
	}
}
