package rig

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// TestPublishedTyres: the effective rolling radii of published tyre tables
// (light-truck size tables and a 22.5 in. size; revolutions per mile,
// ../shared/reference/tyre/revs_per_mile.csv, rows marked as read) are all
// usual, and with a margin on both sides; a board of a wrong print scale or a
// tyre of another size is not.
func TestPublishedTyres(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "shared", "reference", "tyre", "revs_per_mile.csv"))
	if err != nil {
		t.Skipf("the tables of ../shared/reference are not here: %v", err)
	}
	rows, err := csv.NewReader(strings.NewReader(string(text))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := map[string]int{}
	for i, name := range rows[0] {
		column[name] = i
	}
	n, least, most := 0, math.Inf(1), 0.0
	for _, row := range rows[1:] {
		inches, err1 := strconv.ParseFloat(row[column["overall_diameter_in"]], 64)
		revs, err2 := strconv.ParseFloat(row[column["revs_per_mile"]], 64)
		if err1 != nil || err2 != nil || row[column["read_or_memory"]] != "read" {
			continue
		}
		n++
		const inch = 0.0254
		diameter, radius := inches*inch, 63360/revs*inch/(2*math.Pi) // a mile is 63360 inches
		least, most = math.Min(least, radius/(diameter/2)), math.Max(most, radius/(diameter/2))
		if !usualRadius(radius, 0, diameter) {
			t.Errorf("%s: %.3f m of %.3f m is not usual", row[0], radius, diameter/2)
		}
		if usualRadius(1.05*radius, 0.001, diameter) || usualRadius(radius, 0.001, 1.06*diameter) {
			t.Errorf("%s: a radius or a diameter several hundredths too large is taken for usual", row[0])
		}
	}
	if n < 15 {
		t.Fatalf("%d tyres in the table", n)
	}
	if least-leastRolled < 0.03 || mostRolled-most < 0.02 {
		t.Errorf("ratios %.3f to %.3f of %d tyres; limits %.2f and %.2f leave too little for load, pressure and wear", least, most, n, leastRolled, mostRolled)
	}
	t.Logf("%d tyres roll with %.3f to %.3f of half their diameter", n, least, most)
}
