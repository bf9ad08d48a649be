package rig_test

import (
	"context"
	"testing"

	"wheelplane/pose/rig"
)

// BenchmarkMeasured solves the yard truck's 42 photographs as 'measure' does, with
// boards that are bowed and a camera that wanders: all but finding the boards.
//
//	go test ./pose/rig -run '^$' -bench Measured -cpuprofile cpu.prof
func BenchmarkMeasured(b *testing.B) {
	s := newScene(b, "yard-truck", 1)
	s.Shape(0.0003, 0.0003)
	s.Wander(0.0005, 2)
	for name, obs := range map[string][]rig.Observation{
		"corners": s.DrawCorners(0.02, maxOblique, 1), "boards": together(s, 0.005, 1),
	} {
		b.Run(name, func(b *testing.B) {
			before := processorTime()
			iterations := 0
			for b.Loop() {
				sol, err := rig.Solve(context.Background(), s.Job, s.Camera, obs, rig.Options{})
				if err != nil {
					b.Fatal(err)
				}
				iterations = sol.Network.Iterations
			}
			b.ReportMetric(1e3*(processorTime()-before)/float64(b.N), "cpu-ms/op")
			b.ReportMetric(float64(iterations), "iterations")
		})
	}
}
