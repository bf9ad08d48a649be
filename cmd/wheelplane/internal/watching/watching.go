// Package watching runs cameras that watch an axle: it takes frames from where they
// come from (a webcam, a film, a stream, a folder of photographs), finds the boards
// in them, and tells what [live.Watch] makes of each.
package watching

import (
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"slices"
	"sync"
	"time"

	"wheelplane/pose/live"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// Source is where frames come from. It is for one goroutine.
type Source interface {
	// Name is what people call it.
	Name() string
	// Next waits for a frame, in room if that is large enough. [io.EOF]: it is over.
	// An error that wraps [ErrSilent] may end: Next may be called again.
	Next(ctx context.Context, room []uint8) (Shot, error)
	// Live: frames do not wait; one that comes while another is worked replaces it.
	Live() bool
	Close()
}

// Shot is a frame. Seconds count from the source's first.
type Shot struct {
	Grey    *image.Gray
	Seconds float64
}

// ErrSilent is a camera that gives nothing at the moment, an unplugged one for
// example.
var ErrSilent = errors.New("no frames")

// Camera is a source with its lens.
type Camera struct {
	Source Source
	live.CameraSpec
}

// Setup is what is watched.
type Setup struct {
	Footing *rig.Footing
	Axle    int
	Cameras []Camera
	live.Options
}

// Frame is what is known after a frame.
type Frame struct {
	live.Moment
	Camera int     // that the frame is of
	Rate   float64 // frames a second of that camera, lately
	Lost   string  // a camera that gives nothing, in a sentence; "": all do
}

// hangs is how long the end waits for a camera to give up its last frame.
const hangs = 2 * time.Second

// silentPause is how long a camera that gives nothing is left alone.
const silentPause = time.Second

// taken is a frame on its way through [Run].
type taken struct {
	camera  int
	seconds float64
	views   []vision.View
	lost    string
	err     error
}

// Run watches until ctx is done, every source is over or each returns an error,
// which it passes on; the end of ctx or of the sources is none. each is called after
// every frame, and when a camera falls silent, by one goroutine.
func Run(ctx context.Context, s Setup, each func(Frame) error) error {
	specs := make([]live.CameraSpec, len(s.Cameras))
	for i, c := range s.Cameras {
		specs[i] = c.CameraSpec
	}
	watch, err := live.New(s.Footing, s.Axle, specs, s.Options)
	if err != nil {
		return err
	}
	trackers := make([]*vision.Tracker, len(s.Cameras))
	for i := range s.Cameras {
		if trackers[i], err = vision.NewTracker(s.Footing.Job.Boards, vision.DetectOptions{Camera: watch.Lens(i)}); err != nil {
			return err
		}
	}
	ctx, stop := context.WithCancel(ctx)
	var wg sync.WaitGroup
	defer func() {
		stop()
		// A camera that hangs is not waited for.
		done := make(chan struct{})
		go func() { wg.Wait(); close(done) }()
		select {
		case <-done:
		case <-time.After(hangs):
		}
	}()
	out := make(chan taken)
	for i, c := range s.Cameras {
		wg.Go(func() { follow(ctx, i, c.Source, trackers[i], out) })
	}
	lost := make([]string, len(s.Cameras))
	rates := make([]rate, len(s.Cameras))
	now := 0.0
	for over := 0; over < len(s.Cameras); {
		var t taken
		select {
		case <-ctx.Done():
			return nil
		case t = <-out:
		}
		var f Frame
		switch {
		case errors.Is(t.err, io.EOF):
			over++
			continue
		case t.err != nil:
			if ctx.Err() != nil {
				return nil
			}
			return t.err
		case t.lost != "":
			if lost[t.camera] == t.lost {
				continue
			}
			f = Frame{Moment: watch.Now()}
		default:
			now = max(now, t.seconds)
			f = Frame{Moment: watch.Step(t.camera, now, t.views), Rate: rates[t.camera].tick(t.seconds)}
		}
		lost[t.camera] = t.lost
		f.Camera = t.camera
		if i := slices.IndexFunc(lost, func(s string) bool { return s != "" }); i >= 0 {
			f.Lost = lost[i]
		}
		if err := each(f); err != nil {
			return err
		}
	}
	return nil
}

// follow takes a source's frames, one by one or the latest, and finds their boards.
func follow(ctx context.Context, camera int, src Source, tracker *vision.Tracker, out chan<- taken) {
	send := func(t taken) bool {
		t.camera = camera
		select {
		case out <- t:
			return true
		case <-ctx.Done():
			return false
		}
	}
	shots, rooms := make(chan grabbed, 1), make(chan []uint8, 4)
	var wg sync.WaitGroup
	wg.Go(func() { grab(ctx, src, shots, rooms) })
	defer wg.Wait()
	for s := range shots {
		switch {
		case errors.Is(s.err, ErrSilent):
			if !send(taken{lost: s.err.Error()}) {
				return
			}
		case s.err != nil:
			send(taken{err: s.err})
			return
		default:
			found, err := tracker.Track(s.Grey)
			if err != nil {
				send(taken{err: fmt.Errorf("%s: %w", src.Name(), err)})
				return
			}
			select {
			case rooms <- s.Grey.Pix:
			default:
			}
			if !send(taken{seconds: s.Seconds, views: found.Views}) {
				return
			}
		}
	}
}

type grabbed struct {
	Shot
	err error
}

// grab reads a source into shots and closes both at its end.
func grab(ctx context.Context, src Source, shots chan grabbed, rooms chan []uint8) {
	defer close(shots)
	defer src.Close()
	for ctx.Err() == nil {
		var room []uint8
		select {
		case room = <-rooms:
		default:
		}
		shot, err := src.Next(ctx, room)
		t := grabbed{shot, err}
		if src.Live() {
			// The latest replaces one that nobody has taken yet.
			select {
			case old := <-shots:
				if old.err == nil {
					select {
					case rooms <- old.Grey.Pix:
					default:
					}
				}
			default:
			}
		}
		select {
		case shots <- t:
		case <-ctx.Done():
			return
		}
		switch {
		case errors.Is(err, ErrSilent):
			select {
			case <-time.After(silentPause):
			case <-ctx.Done():
			}
		case err != nil:
			return
		}
	}
}

// rate counts frames a second over the last second.
type rate struct{ at []float64 }

func (r *rate) tick(seconds float64) float64 {
	r.at = append(r.at, seconds)
	for len(r.at) > 2 && seconds-r.at[0] > 1 {
		r.at = r.at[1:]
	}
	if span := seconds - r.at[0]; span > 0 {
		return float64(len(r.at)-1) / span
	}
	return 0
}
