package vision_test

import (
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"wheelplane/fixtures"
	"wheelplane/vision"
)

// One 12 MP photograph with six boards, one thread: what we do with it, from
// pixels to corners, against OpenCV's own search for markers at full
// resolution with default parameters.
func BenchmarkDetect12MP(b *testing.B) {
	g := phoneGallery()
	defer vision.SetOpenCVThreads(vision.SetOpenCVThreads(1))
	for _, o := range []struct {
		name string
		opts vision.DetectOptions
	}{{"camera", vision.DetectOptions{Camera: &g.c}}, {"no_camera", vision.DetectOptions{}}} {
		b.Run(o.name, func(b *testing.B) {
			for b.Loop() {
				res, err := vision.Detect(g.img, boardsOf(g.placed), o.opts)
				if err != nil || len(res.Views) != len(g.placed) {
					b.Fatalf("%v, %d boards", err, len(res.Views))
				}
			}
		})
	}
}

func BenchmarkOpenCVDetect12MP(b *testing.B) {
	g := phoneGallery()
	defer vision.SetOpenCVThreads(vision.SetOpenCVThreads(1))
	for b.Loop() {
		if _, err := vision.DetectRaw(g.img, "36h11"); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkFitOneBoard is the fit of a board's picture alone, the mean over the
// six boards of a 12 MP phone photograph, one thread; and its share of the time
// that it takes to read that photograph.
func BenchmarkFitOneBoard(b *testing.B) {
	g := phoneGallery()
	defer vision.SetOpenCVThreads(vision.SetOpenCVThreads(1))
	path := filepath.Join(b.TempDir(), "photo.jpg")
	if err := fixtures.WriteJPEG(path, g.img, fixtures.Exif{}, 92); err != nil {
		b.Fatal(err)
	}
	fits, err := vision.Refits(g.img, boardsOf(g.placed), vision.DetectOptions{Camera: &g.c})
	if err != nil || len(fits) != len(g.placed) {
		b.Fatalf("%v, %d boards", err, len(fits))
	}
	cpu := func() time.Duration { // of the processor: others may use it too
		var u syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
			b.Fatal(err)
		}
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	var reading, fitting time.Duration
	for b.Loop() {
		start := cpu()
		for _, fit := range fits {
			if !fit() {
				b.Fatal("a board that was found is not found again")
			}
		}
		fitting += cpu() - start
		start = cpu()
		if _, err := vision.Load(path); err != nil {
			b.Fatal(err)
		}
		reading += cpu() - start
	}
	b.ReportMetric(float64(fitting.Microseconds())/1e3/float64(b.N*len(fits)), "ms/fit")
	b.ReportMetric(float64(fitting)/float64(len(fits))/float64(reading), "fit/read")
	b.ReportMetric(0, "ns/op")
}
