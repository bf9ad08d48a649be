package history_test

import (
	"strings"
	"testing"

	"wheelplane/cmd/wheelplane/internal/history"
	"wheelplane/fixtures"
	"wheelplane/pose/align"
)

// Charts are tidy, draw every point, and two cameras go on a page.
func TestCharts(t *testing.T) {
	name := func(q align.Quantity) string { return strings.ReplaceAll(string(q), "_", " ") }
	var visits []*history.Visit
	for i, date := range []string{"2022-03-01", "2023-05-01", "2024-02-11"} {
		visits = append(visits, history.NewVisit(date, date, float64(40000*i+1000), []string{"as found"}, []history.Reading{
			{Quantity: align.Toe, Axle: 1, Side: align.Left, Value: 0.1 * float64(i), U: 0.01, Unit: "deg"},
			{Quantity: align.Toe, Axle: 1, Side: align.Right, Value: -0.1, U: 0.01, Unit: "deg"},
			{Quantity: align.Track, Axle: 1, Value: 2050, U: 1, Unit: "mm"},
		}))
	}
	if !history.MileageRises(visits) {
		t.Error("the mileage rises")
	}
	visits[2].Odometer = 500
	if history.MileageRises(visits) {
		t.Error("the mileage goes backward")
	}
	camera := followed(t, fixtures.FleetOptions{Seed: 2, Vehicles: 1, Visits: 30, FocalDrift: 0.0005}, history.DefaultSteady)
	steady := followed(t, fixtures.FleetOptions{Seed: 2, Vehicles: 1, Visits: 1}, history.DefaultSteady)
	pictures := history.TrendCharts("12", history.Trend(visits, "", 0), name, history.OverDate)
	if len(pictures) != 2 {
		t.Fatalf("%d charts, want toe and track", len(pictures))
	}
	if svg := pictures[0].SVG("", ""); !strings.Contains(svg, "2023") {
		t.Error("the chart over the date shows no year")
	}
	pictures = append(pictures, history.TrendCharts("12", history.Trend(visits, "", 0), name, history.OverKM)...)
	cameras := append(camera.Charts(), steady.Charts()...)
	for _, p := range append(pictures, cameras...) {
		if bad := p.Untidy(); len(bad) > 0 {
			t.Errorf("%s: %s", p.Title, strings.Join(bad, "; "))
		}
	}
	if pages := history.Stack("", cameras, 255); len(pages) != 1 || pages[0].H > 255 {
		t.Errorf("two cameras take %d pages", len(pages))
	}
	if strip := history.Stack("", append(pictures, cameras...), 0); len(strip) != 1 || len(history.Stack("", append(pictures, cameras...), 255)) < 2 {
		t.Error("a strip is one, pages are many")
	}
}
