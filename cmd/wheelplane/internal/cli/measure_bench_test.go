package cli

import (
	"context"
	"io"
	"path/filepath"
	"runtime"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"golang.org/x/sync/errgroup"
)

// BenchmarkMeasure measures the demo's job at 12 MP, and beside it what its wall
// time is held against: OpenCV's own marker detector with its default
// parameters on the same photographs at full resolution, decoding included, on
// as many goroutines. Their ratio is what counts, not the times.
//
//	go test ./cmd/... -run '^$' -bench Measure -benchtime 3x
func BenchmarkMeasure(b *testing.B) {
	dir := filepath.Join(b.TempDir(), "job")
	quiet := &App{Stdout: io.Discard, Stderr: io.Discard, Quiet: true}
	err := quiet.demo(context.Background(), demoOptions{dir: dir, scene: fixtures.DefaultScene, seed: 1, size: 4000, photosOnly: true})
	if err != nil {
		b.Fatal(err)
	}
	b.Run("WholeJob", func(b *testing.B) {
		for b.Loop() {
			if _, _, err := quiet.measure(context.Background(), measureOptions{dir: dir}); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("OpenCVMarkers", func(b *testing.B) {
		folder, err := rig.Open(dir)
		if err != nil {
			b.Fatal(err)
		}
		for b.Loop() {
			var g errgroup.Group
			g.SetLimit(runtime.GOMAXPROCS(0))
			for _, p := range folder.Job.Photos {
				g.Go(func() error {
					photo, err := vision.Load(filepath.Join(dir, filepath.FromSlash(p.Path)))
					if err != nil {
						return err
					}
					_, err = vision.DetectRaw(photo.Pix, folder.Job.Boards[0].Dictionary)
					return err
				})
			}
			if err := g.Wait(); err != nil {
				b.Fatal(err)
			}
		}
	})
}
