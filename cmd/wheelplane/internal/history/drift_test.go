package history_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"wheelplane/cmd/wheelplane/internal/history"
	"wheelplane/fixtures"
	"wheelplane/pose/align"
)

// Of a fleet whose truth is known: an axle that moved on the road is found, and
// of the ways on which nothing moved no more than the stated share is blamed.
// Series and changes are those of the visits, in their order.
func TestDrift(t *testing.T) {
	dir, fleet := written(t, fixtures.FleetOptions{Seed: 11, Vehicles: 40, Visits: 600})
	index(t, dir, history.IndexOptions{})
	truth := map[string]*fixtures.FleetVisit{}
	for _, v := range fleet.Visits {
		truth[v.Folder()] = v
	}
	d := open(t, dir)
	vehicles, err := d.Vehicles()
	if err != nil {
		t.Fatal(err)
	}
	const level = 0.05
	quiet, blamed, moved, found := 0, 0, 0, 0
	said := map[string]int{}
	for _, v := range vehicles {
		visits, err := d.Visits(history.Filter{Vehicle: v.ID}, true)
		if err != nil {
			t.Fatal(err)
		}
		for i := 1; i < len(visits); i++ {
			x := history.DriftBetween(visits[i-1], visits[i], level)
			if len(x.Changes) < 10 {
				t.Fatalf("%s: only %d changes", visits[i].Folder, len(x.Changes))
			}
			any, right := false, false
			for _, c := range x.Changes {
				any = any || c.Drifted
				right = right || c.Drifted && c.Axle == truth[visits[i].Folder].Drifted && c.Quantity == align.Toe
				if !history.Keeps(c.Quantity) || math.Abs(c.U-math.Hypot(c.ULeft, c.UFound)) > 1e-12 {
					t.Errorf("%+v", c)
				}
			}
			if truth[visits[i].Folder].Drifted == 0 {
				quiet++
				if any {
					blamed++
				}
			} else {
				moved++
				if right {
					found++
				}
			}
			for _, n := range x.Notes {
				for _, key := range []string{"does not tell the mileage", "goes backward", "tyres changed by", "adjusted at the visit"} {
					if strings.Contains(n, key) {
						said[key]++
					}
				}
			}
		}
	}
	t.Logf("blamed %d of %d quiet ways, found %d of %d that moved; notes %v", blamed, quiet, found, moved, said)
	if quiet < 300 || moved < 60 {
		t.Fatal("too few ways: the test proves nothing")
	}
	// Binomial, three standard deviations above the level.
	if most := level*float64(quiet) + 3*math.Sqrt(level*(1-level)*float64(quiet)); float64(blamed) > most {
		t.Errorf("%d of %d ways are blamed on which nothing moved, want at most %.0f", blamed, quiet, most)
	}
	if blamed == 0 {
		t.Error("nothing is ever blamed by chance: the test is not as sharp as it says")
	}
	if found < moved {
		t.Errorf("only %d of %d axles that moved are found", found, moved)
	}
	for _, key := range []string{"does not tell the mileage", "goes backward", "tyres changed by", "adjusted at the visit"} {
		if said[key] == 0 {
			t.Errorf("%q is never said", key)
		}
	}

	one, err := d.Vehicle("7")
	if err != nil {
		t.Fatal(err)
	}
	visits, err := d.Visits(history.Filter{Vehicle: one.ID}, true)
	if err != nil {
		t.Fatal(err)
	}
	series := history.Trend(visits, align.Toe, 1)
	if len(series) != 2 || series[0].Side != align.Left || len(series[0].Points) < len(visits) {
		t.Fatalf("%d series of %d visits: %+v", len(series), len(visits), series)
	}
	if !slices.IsSortedFunc(series[0].Points, func(a, b history.Point) int { return strings.Compare(a.Date, b.Date) }) {
		t.Error("the points are not in order")
	}
	if s := series[0]; s.DriftPer10000KM == nil || !(*s.UDriftPer10000KM > 0) {
		t.Error("no drift on the road")
	}
	for _, s := range history.Trend(visits, "", 0) {
		if s.Quantity == align.Runout {
			t.Error("how boards were clamped is not of the vehicle")
		}
	}
}

// The rate is what lies between as left and as found, over the way.
func TestDriftRate(t *testing.T) {
	at := func(folder, date string, km float64, found, left float64) *history.Visit {
		return history.NewVisit(folder, date, km, []string{"as found", "as left"}, []history.Reading{
			{Epoch: 0, Quantity: align.Toe, Axle: 1, Side: align.Left, Value: found, U: 0.03, Unit: "deg"},
			{Epoch: 1, Quantity: align.Toe, Axle: 1, Side: align.Left, Value: left, U: 0.04, Unit: "deg"},
		})
	}
	s := history.Trend([]*history.Visit{at("a", "2024-01-01", 10000, 0.5, 0.1), at("b", "2025-01-01", 30000, 0.2, 0.0), at("c", "2026-01-01", 0, 0.9, 0)}, align.Toe, 1)
	if len(s) != 1 || len(s[0].Points) != 6 {
		t.Fatalf("%+v", s)
	}
	// 0.1 in 20,000 km, √(0.03² + 0.04²) = 0.05 over the same.
	if math.Abs(*s[0].DriftPer10000KM-0.05) > 1e-12 || math.Abs(*s[0].UDriftPer10000KM-0.025) > 1e-12 {
		t.Errorf("%g ± %g", *s[0].DriftPer10000KM, *s[0].UDriftPer10000KM)
	}
}

// Holm's procedure on the worked example of Wikipedia, "Holm-Bonferroni method"
// (from memory): of p = 0.01, 0.04, 0.03, 0.005 at 0.05 the first and the last
// are rejected.
func TestHolm(t *testing.T) {
	changes := []history.Change{{P: 0.01}, {P: 0.04}, {P: 0.03}, {P: 0.005}}
	history.Holm(changes, 0.05)
	for i, want := range []bool{true, false, false, true} {
		if changes[i].Drifted != want {
			t.Errorf("p = %g: drifted %v, want %v", changes[i].P, changes[i].Drifted, want)
		}
	}
}
