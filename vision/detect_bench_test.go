package vision_test

import (
	"testing"

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
