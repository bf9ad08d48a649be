package vision_test

import (
	"math"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/vision"
)

// watching is a webcam beside the yard truck's front axle.
func watching(t testing.TB, seed uint64) *fixtures.Watching {
	s, err := fixtures.NewScene("yard-truck", seed, 4000)
	if err != nil {
		t.Fatal(err)
	}
	w, err := s.Watch(1, align.Left, seed)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// A wheel's board that is turned is followed, as well as boards that stand still.
func TestTrackerFollows(t *testing.T) {
	w := watching(t, 1)
	w.Turns = []fixtures.Turn{{From: 0.1, To: 0.3, Left: 0.03}}
	reel := w.NewReel(fixtures.WebcamOptics(), 1)
	tr, err := vision.NewTracker(w.Boards(), vision.DetectOptions{Camera: &w.Lens})
	if err != nil {
		t.Fatal(err)
	}
	for k := range 12 {
		got, err := tr.Track(reel.Frame(k))
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Views) != 3 {
			t.Fatalf("frame %d: %d boards", k, len(got.Views))
		}
		for _, v := range got.Views {
			if o := off(w, v, w.Time(k)); o > 0.01 || len(v.Corners) != 24 {
				t.Errorf("frame %d: %s is off by %.4f px, %d corners", k, w.Boards()[v.Board].Name, o, len(v.Corners))
			}
		}
	}
}

// off is how far a view's corners are from the truth, root mean square, px.
func off(w *fixtures.Watching, v vision.View, at float64) float64 {
	var sum float64
	for _, c := range v.Corners {
		px, _ := w.Corner(v.Board, c.Index, at)
		sum += (px[0]-c.Px[0])*(px[0]-c.Px[0]) + (px[1]-c.Px[1])*(px[1]-c.Px[1])
	}
	return math.Sqrt(sum / 2 / float64(len(v.Corners)))
}
