package cli

import (
	"context"
	"io"
	"math"
	"path/filepath"

	"wheelplane/fixtures"
	"wheelplane/pose/align"
)

// The files of the live demo, and the axle that is adjusted in it.
const (
	watchFilm   = "watch.avi"
	watchLens   = "webcam.yaml"
	watchTruth  = "watch.json"
	watchedAxle = 1
)

// trueFrame is a line of watch.json: what a frame's readings should be.
type trueFrame struct {
	Seconds  float64       `json:"seconds"`
	Readings []trueReading `json:"readings"`
}

type trueReading struct {
	Quantity align.Quantity `json:"quantity"`
	Side     align.Side     `json:"side"`
	Value    float64        `json:"value"`
	Unit     string         `json:"unit"`
}

// filmWatch films an axle while it is adjusted. Every frame of the film is by itself
// (Motion JPEG): codecs that carry errors from frame to frame are not what a webcam
// gives.
func (a *App) filmWatch(ctx context.Context, scene *fixtures.Scene, dir string) error {
	w, frames, err := scene.WatchDemo(watchedAxle, align.Left, scene.Seed)
	if err != nil {
		return Unmeasurable(err)
	}
	truth, err := w.Frames(frames)
	if err != nil {
		return err
	}
	var list []trueFrame
	for _, f := range truth {
		x := trueFrame{Seconds: f.Seconds}
		for _, r := range f.Readings {
			if r.Axle == watchedAxle && !r.Quantity.IsLength() {
				x.Readings = append(x.Readings, trueReading{r.Quantity, r.Side, r.Value * 180 / math.Pi, "deg"})
			}
		}
		list = append(list, x)
	}
	bar := a.progress("filming the adjustment", frames)
	defer bar.done()
	var out outputs
	defer out.discard()
	if err := out.addPath(filepath.Join(dir, watchFilm), func(path string) error {
		return w.NewReel(fixtures.WebcamOptics(), scene.Seed).Write(ctx, path, "MJPG", frames, func() { bar.add(1) })
	}); err != nil {
		return err
	}
	if err := out.addPath(filepath.Join(dir, watchLens), w.Lens.Save); err != nil {
		return err
	}
	if err := out.add(filepath.Join(dir, watchTruth), func(to io.Writer) error { return encodeJSON(to, list) }); err != nil {
		return err
	}
	return out.commit()
}
