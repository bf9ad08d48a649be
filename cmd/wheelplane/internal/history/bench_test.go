package history_test

import (
	"flag"
	"os"
	"path/filepath"
	"testing"
	"time"

	"wheelplane/cmd/wheelplane/internal/history"
	"wheelplane/fixtures"
)

var visits = flag.Int("visits", 10000, "of the fleet that benchmarks are of")

// bigFleet writes a fleet of 20 visits a vehicle, once for all benchmarks.
func bigFleet(b *testing.B) string {
	b.Helper()
	if fleetDir == "" {
		dir, err := os.MkdirTemp("", "fleet-*")
		if err != nil {
			b.Fatal(err)
		}
		begun := time.Now()
		f := fixtures.NewFleet(fixtures.FleetOptions{Seed: 1, Vehicles: *visits / 20, Visits: *visits, Cameras: 5, FocalScatter: 0.0002, CentreScatter: 1})
		if err := f.Write(dir, func() {}); err != nil {
			b.Fatal(err)
		}
		b.Logf("%d visits written in %.0f s", *visits, time.Since(begun).Seconds())
		fleetDir = dir
	}
	return fleetDir
}

var fleetDir string

func TestMain(m *testing.M) {
	code := m.Run()
	if fleetDir != "" {
		os.RemoveAll(fleetDir)
	}
	os.Exit(code)
}

// BenchmarkRebuild makes the index of the whole fleet anew.
func BenchmarkRebuild(b *testing.B) {
	dir := bigFleet(b)
	for b.Loop() {
		if got := index(b, dir, history.IndexOptions{Rebuild: true}); got.Read != *visits {
			b.Fatalf("got %+v", got)
		}
	}
}

// BenchmarkNothingNew brings it up to date where nothing has changed.
func BenchmarkNothingNew(b *testing.B) {
	dir := bigFleet(b)
	index(b, dir, history.IndexOptions{})
	for b.Loop() {
		if got := index(b, dir, history.IndexOptions{}); got.Read != 0 {
			b.Fatalf("got %+v", got)
		}
	}
}

// opened opens the index of the whole fleet and asks it, again and again.
func opened(b *testing.B, ask func(d *history.DB)) {
	b.Helper()
	dir := bigFleet(b)
	index(b, dir, history.IndexOptions{})
	for b.Loop() {
		d, err := history.Open(filepath.Join(dir, history.File))
		if err != nil {
			b.Fatal(err)
		}
		ask(d)
		d.Close()
	}
}

// BenchmarkTrend opens the index and reads a vehicle's trend, all readings.
func BenchmarkTrend(b *testing.B) {
	opened(b, func(d *history.DB) {
		v, err := d.Vehicle("217")
		if err != nil {
			b.Fatal(err)
		}
		list, err := d.Visits(history.Filter{Vehicle: v.ID}, true)
		if err != nil {
			b.Fatal(err)
		}
		if s := history.Trend(list, "", 0); len(s) < 20 || len(s[0].Points) < 20 {
			b.Fatalf("%d series", len(s))
		}
	})
}

// BenchmarkCameras judges five cameras over all their jobs.
func BenchmarkCameras(b *testing.B) {
	opened(b, func(d *history.DB) {
		if c, err := d.Cameras(history.DefaultSteady); err != nil || len(c) != 5 {
			b.Fatalf("%d cameras, %v", len(c), err)
		}
	})
}

// BenchmarkSearch finds a technician's visits.
func BenchmarkSearch(b *testing.B) {
	opened(b, func(d *history.DB) {
		if found, err := d.Visits(history.Filter{Words: []string{"isl-217"}}, false); err != nil || len(found) == 0 {
			b.Fatalf("%d visits, %v", len(found), err)
		}
	})
}
