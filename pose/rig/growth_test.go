package rig_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"runtime"
	"strings"
	"testing"
	"time"

	"wheelplane/fixtures"
	"wheelplane/pose/rig"
)

// crowd is the yard truck photographed so many times: from the same places, a
// hand's breadth apart.
func crowd(t testing.TB, photos int) *fixtures.Scene {
	t.Helper()
	s := newScene(t, "yard-truck", 1)
	s.Shape(0.0003, 0.0003)
	r := rand.New(rand.NewPCG(1, uint64(photos)))
	own := len(s.Job.Photos)
	for p := own; p < photos; p++ {
		from := p % own
		photo := s.Job.Photos[from]
		photo.Path = fmt.Sprintf("photos/%s/%05d.jpg", s.Job.Stations[photo.Station].Name, p)
		s.Job.Photos = append(s.Job.Photos, photo)
		var d [6]float64
		for i := range d {
			d[i] = 0.05 * r.NormFloat64()
		}
		s.Truth.Cameras = append(s.Truth.Cameras, s.Truth.Cameras[from].Plus(d))
	}
	s.Wander(0.0005, 2)
	return s
}

// TestMovedAmongMany: a station with more photographs than moments are looked at
// at once is searched closer and closer.
func TestMovedAmongMany(t *testing.T) {
	if testing.Short() {
		t.Skip("solves a job of 180 photographs some sixty times")
	}
	s := crowd(t, 180) // 60 a station
	s.MoveVehicle(1, 23, [6]float64{0, 0, 0.0004, 0.008, 0, 0})
	var at []string
	for _, p := range s.Job.Photos {
		if p.Station == 1 {
			at = append(at, p.Path)
		}
	}
	sol := solve(t, s, s.DrawCorners(0.05, maxOblique, 1))
	want := "between " + at[22] + " and " + at[23]
	if f := sol.Network.Faults; len(f) != 1 || f[0].Kind != rig.VehicleMoved || !strings.Contains(f[0].Text, want) {
		t.Errorf("found %+v, want one %s", f, want)
	}
}

// BenchmarkGrowth solves jobs of up to 2,000 photographs. Time and memory for each
// photograph stay what they are: memory is all that was allocated on the way, and
// what the process held at once at most.
//
//	go test ./pose/rig -run '^$' -bench Growth -benchtime 1x
func BenchmarkGrowth(b *testing.B) {
	for _, photos := range []int{50, 200, 1000, 2000} {
		b.Run(fmt.Sprint(photos), func(b *testing.B) {
			s := crowd(b, photos)
			obs := together(s, 0.005, 1)
			var cpu, most float64
			iterations := 0
			for b.Loop() {
				runtime.GC()
				stop, peak := make(chan bool), make(chan uint64)
				go watchMemory(stop, peak)
				before := processorTime()
				sol, err := rig.Solve(context.Background(), s.Job, s.Camera, obs, rig.Options{})
				if err != nil {
					b.Fatal(err)
				}
				iterations = sol.Network.Iterations
				cpu += processorTime() - before
				close(stop)
				most = max(most, float64(<-peak))
			}
			n := float64(photos)
			b.ReportMetric(1e3*cpu/float64(b.N)/n, "cpu-ms/photo")
			b.ReportMetric(most/n/1e3, "peak-kB/photo")
			b.ReportMetric(float64(iterations), "iterations")
			b.ReportMetric(b.Elapsed().Seconds()*1e3/float64(b.N)/n, "ms/photo")
		})
	}
}

// watchMemory tells by how much the heap in use grew at most.
func watchMemory(stop <-chan bool, peak chan<- uint64) {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	before, most := m.HeapAlloc, uint64(0)
	for {
		select {
		case <-stop:
			peak <- most
			return
		case <-time.After(20 * time.Millisecond):
			runtime.ReadMemStats(&m)
			most = max(most, m.HeapAlloc-min(before, m.HeapAlloc))
		}
	}
}
