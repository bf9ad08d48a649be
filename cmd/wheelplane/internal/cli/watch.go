package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"wheelplane/cmd/wheelplane/internal/spec"
	"wheelplane/cmd/wheelplane/internal/watching"
	"wheelplane/pose/align"
	"wheelplane/pose/live"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"github.com/spf13/cobra"
)

type watchOptions struct {
	dir       string
	axle      int
	station   string
	devices   []int
	films     []string
	folders   []string
	lenses    []string
	fast      bool
	frames    int
	untouched bool
}

func newWatchCommand(app *App) *cobra.Command {
	var o watchOptions
	c := &cobra.Command{
		Use:   "watch DIR --axle N",
		Short: "Read an axle live while it is adjusted: a fixed camera watches its boards",
		Long: `watch looks through a camera that stands still at boards on an axle's wheels and
at one or more boards on the floor, and tells camber and toe frame by frame while
somebody turns a tie rod, with their uncertainty. The job must have been
photographed: its clamps, floor boards and other axles are what readings come from.
The vehicle stands as at the last station (or the one --station names); wheels of
the axle are straight ahead, on the ground.

Put the camera on a tripod beside the wheel, one to three metres away, so that the
wheel's board and two or more floor boards are large in the picture. Two cameras,
one on each side, read both wheels and so total toe. A camera that is knocked finds
its place again by the floor boards; a floor board that is kicked is left out.

Frames come from a camera of this machine (--device 0), a film or an address in the
network (--film), or a folder into which a tethered camera drops photographs
(--folder). Each needs the camera file of its lens (--lens, made by 'wheelplane
camera' from a film in the same mode); without it they are taken to be the job's
camera's.

A reading is settled when nothing moves: it is then of all frames since. Its
uncertainty has a part that more frames make smaller, and a part that they do not:
the job's. --untouched says that nobody touched the axle since the station was
photographed: what then counts is how far it has moved since, which is known much
better.

Work on steering and suspension can injure: chock the wheels, keep hands clear of
what moves, and tighten to the maker's torque before the vehicle rolls.`,
		Example: `  wheelplane watch unit-12 --axle 1 --device 0 --lens webcam.yaml
  wheelplane watch unit-12 --axle 1 --device 0 --device 2 --lens left.yaml --lens right.yaml
  wheelplane watch unit-12 --axle 3 --folder tethered/
  wheelplane watch /tmp/live --axle 1 --film /tmp/live/watch.mp4 --lens /tmp/live/webcam.yaml --json`,
		Args:              exactly("DIR"),
		ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) error {
			o.dir = args[0]
			n := len(o.devices) + len(o.films) + len(o.folders)
			switch {
			case n == 0:
				return Usagef("name what to watch through: --device 0, --film FILE or --folder DIR")
			case !c.Flags().Changed("axle"):
				return Usagef("name the axle to watch: --axle N, from 1 at the front")
			case len(o.lenses) > 1 && len(o.lenses) != n:
				return Usagef("%d lenses for %d cameras: give one --lens for all, or one for each in the order devices, films, folders", len(o.lenses), n)
			case o.frames < 0:
				return Usagef("--frames %d: give how many to end after", o.frames)
			}
			return app.watch(c.Context(), o)
		},
	}
	f := c.Flags()
	f.IntVar(&o.axle, "axle", 0, "the axle to watch, from 1 at the front")
	f.StringVar(&o.station, "station", "", "the vehicle stands as at this station (default: the last)")
	f.IntSliceVar(&o.devices, "device", nil, "a camera of this machine, by its number; may be given more than once")
	f.StringSliceVar(&o.films, "film", nil, "a film `FILE`, or the address of a camera in the network (rtsp://, http://)")
	f.StringSliceVar(&o.folders, "folder", nil, "a `DIR` into which a camera drops photographs")
	f.StringSliceVar(&o.lenses, "lens", nil, "camera `FILE` of what is watched through: one for all, or one each")
	f.BoolVar(&o.fast, "fast", false, "work films as fast as can be, every frame, instead of at their own rate")
	f.IntVar(&o.frames, "frames", 0, "end after so many frames")
	f.BoolVar(&o.untouched, "untouched", false, "nobody touched the axle since the station was photographed")
	return c
}

func (a *App) watch(ctx context.Context, o watchOptions) error {
	folder, err := rig.Open(o.dir)
	if err != nil {
		return BadInput(err)
	}
	each, done := a.tellFrames(folder.Job, o)
	defer done()
	if err := a.watchFrames(ctx, o, folder, each); err != nil && !errors.Is(err, errEnough) {
		return err
	}
	return ctx.Err()
}

// tellFrames tells of every frame, as JSON or on the screen, and ends after as many as
// were asked for.
func (a *App) tellFrames(job *rig.Job, o watchOptions) (each func(watchedFrame) error, done func()) {
	screen := a.watchScreen(job, o.axle)
	frames := 0
	return func(w watchedFrame) error {
		if a.JSON {
			if err := json.NewEncoder(a.Stdout).Encode(w); err != nil {
				return err
			}
		} else {
			screen.show(w)
		}
		if frames++; o.frames > 0 && frames >= o.frames {
			return errEnough
		}
		return nil
	}, screen.close
}

// watchFrames measures a job and calls each with what its cameras then see.
func (a *App) watchFrames(ctx context.Context, o watchOptions, folder *rig.Folder, each func(watchedFrame) error) error {
	job := folder.Job
	if o.axle < 1 || o.axle > len(job.Vehicle.Axles) {
		return BadInputf("--axle %d: the vehicle in %s has axles 1 to %d", o.axle, o.dir, len(job.Vehicle.Axles))
	}
	station := len(job.Stations) - 1
	if o.station != "" {
		if station = slices.IndexFunc(job.Stations, func(s rig.Station) bool { return s.Name == o.station }); station < 0 {
			return BadInputf("%s: there is no station %q: name one of job.yaml's, or leave it out for the last", o.dir, o.station)
		}
	}
	targets, rule, err := a.targetsOf(o.dir, job)
	if err != nil {
		return err
	}
	camera, err := vision.LoadCamera(folder.Camera)
	if err != nil {
		return BadInput(err)
	}
	cameras, closeAll, err := a.openCameras(o, job, camera)
	if err != nil {
		return err
	}
	defer closeAll()
	found, err := a.recallBoards(ctx, folder, camera, false, false)
	if err != nil {
		return err
	}
	_, solution, err := a.solve(ctx, folder.Dir, job, camera, found, rig.Options{})
	if err != nil {
		return err
	}
	footing, err := solution.Footing(station)
	if err != nil {
		return Unmeasurable(fmt.Errorf("%s: %w", o.dir, err))
	}
	return watchFrom(ctx, footing, cameras, o, targets, rule, each)
}

// watchFrom watches from where a solved job leaves off.
func watchFrom(ctx context.Context, footing *rig.Footing, cameras []watching.Camera, o watchOptions, targets []spec.Target, rule align.Rule, each func(watchedFrame) error) error {
	setup := watching.Setup{Footing: footing, Axle: o.axle, Cameras: cameras}
	setup.Untouched = o.untouched
	if len(o.folders) > 0 {
		setup.SettleFrames = 2
	}
	err := watching.Run(ctx, setup, func(f watching.Frame) error {
		return each(watchedOf(footing.Job, footing.Station, f, targets, rule))
	})
	if err != nil && !errors.Is(err, errEnough) {
		return BadInput(err)
	}
	return err
}

// errEnough ends a watch after as many frames as were asked for.
var errEnough = errors.New("enough frames")

// targetsOf are the target values of a job's folder, if any, and the rule of verdicts.
func (a *App) targetsOf(dir string, job *rig.Job) ([]spec.Target, align.Rule, error) {
	s, targets, err := specOf(dir, job)
	if err != nil || s == nil {
		return nil, align.Rule{}, err
	}
	return targets, s.Rule, nil
}

// openCameras opens what is watched through, in the order devices, films, folders.
func (a *App) openCameras(o watchOptions, job *rig.Job, own *vision.Camera) (out []watching.Camera, closeAll func(), err error) {
	closeAll = func() {
		for _, c := range out {
			c.Source.Close()
		}
	}
	lens := func() (*vision.Camera, live.CameraSpec, error) {
		if len(o.lenses) == 0 {
			return own, live.CameraSpec{WanderFocal: job.Priors.WanderFocal, WanderCentre: job.Priors.WanderCentre}, nil
		}
		c, err := vision.LoadCamera(o.lenses[min(len(out), len(o.lenses)-1)])
		if err != nil {
			return nil, live.CameraSpec{}, BadInput(err)
		}
		return c, live.CameraSpec{Lens: c}, nil
	}
	add := func(open func(lens *vision.Camera) (watching.Source, error)) error {
		l, spec, err := lens()
		if err != nil {
			return err
		}
		src, err := open(l)
		if err != nil {
			return BadInput(err)
		}
		out = append(out, watching.Camera{Source: src, CameraSpec: spec})
		return nil
	}
	var opens []func(*vision.Camera) (watching.Source, error)
	for _, n := range o.devices {
		opens = append(opens, func(l *vision.Camera) (watching.Source, error) { return watching.Device(n, l) })
	}
	for _, name := range o.films {
		opens = append(opens, func(l *vision.Camera) (watching.Source, error) {
			if watching.IsStream(name) {
				return watching.Stream(name, l)
			}
			return watching.Film(name, l, o.fast)
		})
	}
	for _, dir := range o.folders {
		opens = append(opens, func(l *vision.Camera) (watching.Source, error) { return watching.Folder(dir, l, a.warn) })
	}
	for _, open := range opens {
		if err := add(open); err != nil {
			closeAll()
			return nil, nil, err
		}
	}
	return out, closeAll, nil
}

// watchedFrame is a line of --json: what is known after a frame.
type watchedFrame struct {
	Seconds  float64          `json:"seconds"`
	Camera   int              `json:"camera"`
	State    live.State       `json:"state"`
	Since    float64          `json:"since"`
	Frames   int              `json:"frames"` // that the readings are of
	Say      string           `json:"say"`
	Lost     string           `json:"lost,omitempty"`
	Rate     float64          `json:"frames_per_s"`
	Knocks   int              `json:"knocks"`
	Readings []watchedReading `json:"readings"`
	Boards   []watchedBoard   `json:"boards"`
}

type watchedReading struct {
	Quantity    align.Quantity `json:"quantity"`
	Axle        int            `json:"axle"`
	Side        align.Side     `json:"side"`
	Value       float64        `json:"value"`
	U           float64        `json:"u"`
	UNoise      float64        `json:"u_noise"` // its part that more frames make smaller
	Unit        string         `json:"unit"`
	Held        bool           `json:"held,omitempty"` // of when its wheel was last seen
	Target      *targetJSON    `json:"target,omitempty"`
	Verdict     align.Verdict  `json:"verdict,omitempty"`
	Conformance *float64       `json:"conformance,omitempty"`
}

type watchedBoard struct {
	Board  string     `json:"board"`
	Camera int        `json:"camera"`
	Sight  live.Sight `json:"sight"`
	Since  float64    `json:"since"`
}

// watchedOf puts a frame into degrees and words.
func watchedOf(job *rig.Job, station int, f watching.Frame, targets []spec.Target, rule align.Rule) watchedFrame {
	w := watchedFrame{
		Seconds: f.Seconds, Camera: f.Camera, State: f.State, Since: f.Since, Frames: f.Frames, Say: f.Say, Lost: f.Lost,
		Rate: math.Round(10*f.Rate) / 10, Knocks: f.Knocks, Readings: []watchedReading{}, Boards: []watchedBoard{},
	}
	epoch := job.Stations[station].Epoch
	var list []rig.Reading
	for _, r := range f.Readings {
		list = append(list, rig.Reading{Epoch: epoch, Quantity: r.Quantity, Axle: r.Axle, Side: r.Side, Value: r.Value * 180 / math.Pi, U: r.U * 180 / math.Pi, Unit: "deg"})
	}
	for i, r := range f.Readings {
		x := watchedReading{Quantity: r.Quantity, Axle: r.Axle, Side: r.Side, Value: list[i].Value, U: list[i].U, UNoise: r.UNoise * 180 / math.Pi, Unit: "deg", Held: r.Held}
		if t := spec.Find(targets, list, list[i]); t != nil {
			j := t.Judge(list[i], rule)
			target := targetOf(t)
			x.Target, x.Verdict, x.Conformance = &target, j.Verdict, &j.Conformance
		}
		w.Readings = append(w.Readings, x)
	}
	slices.SortStableFunc(w.Readings, func(a, b watchedReading) int { return orderOf(a.Quantity) - orderOf(b.Quantity) })
	for _, b := range f.Boards {
		w.Boards = append(w.Boards, watchedBoard{job.Boards[b.Board].Name, b.Camera, b.Sight, b.Since})
	}
	return w
}

// orderOf is a quantity's place in tables.
func orderOf(q align.Quantity) int {
	if i := slices.Index(quantities, q); i >= 0 {
		return i
	}
	return len(quantities)
}

// trimLines cuts lines that are wider than the screen.
func trimLines(s string, width int) string {
	lines := strings.Split(s, "\n")
	for i, l := range lines {
		if r := []rune(l); len(r) > width {
			lines[i] = string(r[:width])
		}
	}
	return strings.Join(lines, "\n")
}
