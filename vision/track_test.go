package vision_test

import (
	"flag"
	"fmt"
	"image"
	"math"
	"os"
	"runtime"
	"syscall"
	"testing"
	"time"

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

// A hand hides a board in part, then whole: the tracker says so, what it then has is
// true, and the board is there again when the hand has gone.
func TestTrackerHidden(t *testing.T) {
	w := watching(t, 1)
	wheel := w.Seen()[0]
	w.Hands = []fixtures.Hand{{From: 0.1, To: 0.2, Board: wheel, Share: 0.5}, {From: 0.2, To: 0.4, Board: wheel, Share: 1}}
	reel := w.NewReel(fixtures.WebcamOptics(), 1)
	tr, err := vision.NewTracker(w.Boards(), vision.DetectOptions{Camera: &w.Lens})
	if err != nil {
		t.Fatal(err)
	}
	for k := range 15 {
		got, err := tr.Track(reel.Frame(k))
		if err != nil {
			t.Fatal(err)
		}
		want := vision.Whole
		switch at := w.Time(k); {
		case at >= 0.2 && at < 0.4:
			want = vision.Gone
		case at >= 0.1 && at < 0.2:
			want = vision.Partly
		}
		if got.Sights[wheel] != want {
			t.Errorf("frame %d: the board's sight is %d, want %d", k, got.Sights[wheel], want)
		}
		for _, v := range got.Views {
			if o := off(w, v, w.Time(k)); o > 0.02 {
				t.Errorf("frame %d: %s is off by %.4f px, %d corners", k, w.Boards()[v.Board].Name, o, len(v.Corners))
			}
		}
	}
}

// A board that another one takes the place of is not taken for it, and the other one is
// found.
func TestTrackerNeverWrong(t *testing.T) {
	w := watching(t, 1)
	boards := w.Boards()
	wheel := w.Seen()[0]
	reel := w.NewReel(fixtures.WebcamOptics(), 1)
	before := reel.Frame(0)
	// The same picture with another board's print in that place.
	other := wheel + 1
	w.Swap(wheel, other)
	swapped := w.NewReel(fixtures.WebcamOptics(), 2)
	tr, err := vision.NewTracker(boards, vision.DetectOptions{Camera: &w.Lens})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := tr.Track(before); err != nil {
		t.Fatal(err)
	}
	found := false
	for k := range 90 {
		if k > 0 && k%5 != 0 && k%15 != 0 {
			continue // the search's turns are what counts
		}
		got, err := tr.Track(swapped.Frame(0))
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range got.Views {
			if v.Board == wheel {
				t.Fatalf("frame %d: the board that is gone is said to be there: %d markers", k, v.Markers)
			}
			found = found || v.Board == other
		}
	}
	if !found {
		t.Log("the other board was not found in these frames")
	}
}

// The time a frame of three boards takes, over that of OpenCV's marker detection on
// the same frames in the same run; processor time, for others use the cores too.
//
//	go test ./vision -run '^$' -bench Tracker
func BenchmarkTracker(b *testing.B) {
	w := watching(b, 1)
	w.Turns = []fixtures.Turn{{From: 0.1, To: 0.4, Left: 0.02}}
	reel := w.NewReel(fixtures.WebcamOptics(), 1)
	var frames []*image.Gray
	for k := range 24 {
		frames = append(frames, reel.Frame(k))
	}
	tr, err := vision.NewTracker(w.Boards(), vision.DetectOptions{Camera: &w.Lens})
	if err != nil {
		b.Fatal(err)
	}
	for range 2 { // warm
		if _, err := tr.Track(frames[0]); err != nil {
			b.Fatal(err)
		}
	}
	var ours, theirs, wall time.Duration
	n := 0
	for b.Loop() {
		k := n % (2 * len(frames))
		if k >= len(frames) { // back again, so that nothing jumps
			k = 2*len(frames) - 1 - k
		}
		n++
		begin, start := processorTime(), time.Now()
		got, err := tr.Track(frames[k])
		if err != nil || len(got.Views) != 3 {
			b.Fatal(err, len(got.Views))
		}
		wall += time.Since(start)
		middle := processorTime()
		if _, err := vision.DetectRaw(frames[k], "36h11"); err != nil {
			b.Fatal(err)
		}
		ours, theirs = ours+middle-begin, theirs+processorTime()-middle
	}
	b.ReportMetric(float64(ours)/float64(theirs), "of-OpenCV")
	b.ReportMetric(float64(ours.Milliseconds())/float64(n), "ms-processor/frame")
	b.ReportMetric(float64(wall.Milliseconds())/float64(n), "ms/frame")
}

// Over thousands of frames the tracker holds on to nothing: no more memory in the end
// than after the first.
func TestTrackerMemory(t *testing.T) {
	w := watching(t, 1)
	w.Hands = []fixtures.Hand{{From: 0.2, To: 0.3, Board: w.Seen()[0], Share: 1}}
	reel := w.NewReel(fixtures.WebcamOptics(), 1)
	frames := *trackFrames
	var pictures []*image.Gray
	for k := range 12 {
		pictures = append(pictures, reel.Frame(k))
	}
	tr, err := vision.NewTracker(w.Boards(), vision.DetectOptions{Camera: &w.Lens})
	if err != nil {
		t.Fatal(err)
	}
	var first uint64
	for k := range frames {
		if _, err := tr.Track(pictures[k%len(pictures)]); err != nil {
			t.Fatal(err)
		}
		if k == frames/3 || k == frames-1 {
			runtime.GC()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			t.Logf("frame %d: %.1f MB on the heap, %d MB of the process", k, float64(m.HeapAlloc)/1e6, residentMB())
			if k < frames-1 {
				first = m.HeapAlloc
			} else if m.HeapAlloc > first+4e6 {
				t.Errorf("%d bytes on the heap after a third of the frames, %d in the end", first, m.HeapAlloc)
			}
		}
	}
}

var trackFrames = flag.Int("track-frames", 120, "how many frames to track in the test of memory; 18000 are ten minutes")

// residentMB is the process's memory, MB; 0 where it cannot be told.
func residentMB() int {
	text, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		return 0
	}
	var size, resident int
	fmt.Sscan(string(text), &size, &resident)
	return resident * os.Getpagesize() / 1e6
}

// processorTime is what the process has used of it, all threads together.
func processorTime() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
