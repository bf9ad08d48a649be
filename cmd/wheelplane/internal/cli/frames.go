package cli

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"io/fs"
	"math"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"

	"wheelplane/cmd/wheelplane/internal/hold"
	"wheelplane/pose/plan"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"
)

type framesOptions struct {
	dir     string
	station string
	film    string
	most    int
	movedPx float64 // 0: by the width
}

// usualFrames is how many frames are picked from a film, at most, unless told.
const usualFrames = 16

func newFramesCommand(app *App) *cobra.Command {
	var o framesOptions
	c := &cobra.Command{
		Use:   "frames DIR STATION FILM",
		Short: "Take photographs from a film: still frames, well spread around the vehicle",
		Long: `frames goes through a film of a station, picks the frames worth measuring and
writes them as pictures (PNG, lossless) into the station's folder, where 'measure'
takes them for photographs, with a list of them beside (FILM.json). A film that was
looked through is not looked through again, and nothing is overwritten.

Of every half second the stillest frame is looked at. Left are frames in which the
boards move too much until the next frame (a phone reads its sensor row by row, so
what moves leans), frames with fewer than two boards, and frames from a place that a
better one was taken from. Of the others those are picked that tell most of how
the boards lie to each other, the still and the sharp counting for more.

How to film. The camera file must be made in the same mode of filming, from a film of
a board ('wheelplane camera board.mp4'): phones cut and scale what they film. Lock
focus and exposure, switch the stabiliser for films off, film in full HD or 4K with
good light. Walk slowly around the vehicle and stop for a second, as still as you
can, where you would take a photograph.`,
		Example: `  wheelplane frames unit-12 s1 walk.mp4
  wheelplane frames unit-12 s1 walk.mp4 --most 20 --json`,
		Args: exactly("DIR", "STATION", "FILM"),
		ValidArgsFunction: func(c *cobra.Command, args []string, start string) ([]string, cobra.ShellCompDirective) {
			switch len(args) {
			case 0:
				return completeDirs(c, args, start)
			case 1:
				return stationNames(args[0]), cobra.ShellCompDirectiveNoFileComp
			}
			return filmExtensions, cobra.ShellCompDirectiveFilterFileExt
		},
		RunE: func(c *cobra.Command, args []string) error {
			o.dir, o.station, o.film = args[0], args[1], args[2]
			switch {
			case o.most < 2 || o.most > 200:
				return Usagef("--most %d: choose 2 to 200 frames", o.most)
			case c.Flags().Changed("moved-px") && !(o.movedPx > 0 && o.movedPx <= 100):
				return Usagef("--moved-px %g: choose more than 0, up to 100", o.movedPx)
			}
			list, again, err := app.frames(c.Context(), o)
			if err != nil {
				return err
			}
			if app.JSON {
				return app.printJSON(list)
			}
			app.printf("%s", list.text(o.dir, again))
			return nil
		},
	}
	f := c.Flags()
	f.IntVar(&o.most, "most", usualFrames, "the most frames to pick")
	f.Float64Var(&o.movedPx, "moved-px", 0, "leave frames whose boards move by more in 1/30 s, pixels (default 3 at a width of 1920)")
	return c
}

var filmExtensions = []string{"mp4", "mov", "m4v", "3gp", "mkv", "webm", "avi", "MP4", "MOV"}

// stationNames completes a station's name.
func stationNames(dir string) (names []string) {
	if folder, err := rig.Read(dir); err == nil {
		for _, s := range folder.Job.Stations {
			names = append(names, s.Name)
		}
	}
	return names
}

// frameList tells what was made of a film: the file beside its frames.
type frameList struct {
	Film     string        `json:"film"`
	SHA256   string        `json:"sha256"`
	Station  string        `json:"station"`
	Width    int           `json:"width"`
	Height   int           `json:"height"`
	Frames   int           `json:"frames"`
	Seconds  float64       `json:"seconds"`
	LookedAt int           `json:"looked_at"` // the stillest of every span
	SpanS    float64       `json:"span_s"`
	Left     framesLeft    `json:"left"`
	Picked   []pickedFrame `json:"picked"`
	Unseen   []string      `json:"boards_in_none,omitempty"`
	Rolling  rolling       `json:"rolling_shutter"`
	Tool     rig.Tool      `json:"tool"`
}

// framesLeft counts the frames looked at and left, by reason.
type framesLeft struct {
	Moving    int     `json:"moving"`
	LimitPx   float64 `json:"moving_limit_px"` // in 1/30 s
	TooFew    int     `json:"fewer_than_two_boards"`
	SamePlace int     `json:"same_place"`
	NotNeeded int     `json:"others_say_more"`
}

// rolling is how far the camera may have moved while a frame was read, standard
// deviations.
type rolling struct {
	TurnDeg float64 `json:"turn_deg"`
	ShiftMM float64 `json:"shift_mm"`
	Added   bool    `json:"added_to_job"`
}

type pickedFrame struct {
	Photo   string   `json:"photo"`
	Frame   int      `json:"frame"` // from 0
	Seconds float64  `json:"seconds"`
	Boards  []string `json:"boards"`
	MovedPx float64  `json:"moved_px"` // the fastest board's, in 1/30 s
	// Measured at the boards' edges: the standard deviations of the point spread, along
	// its long and its short axis, and the trail that would draw it out so.
	BlurPx  [2]float64 `json:"blur_px"`
	TrailPx float64    `json:"trail_px"`
}

// candidate is a frame that was looked at.
type candidate struct {
	frame   int
	seconds float64
	moving  bool
	views   []vision.View
	movedPx float64
	spread  vision.PointSpread
}

// readoutS is the longest that a sensor takes to read a frame, s: the time between
// two frames of an ordinary film.
const readoutS = 1.0 / 30

// rowSpread is the standard deviation of where in such a readout a corner is read,
// as a share of it: of rows evenly spread over a picture 0.29, of a readout of 20 ms.
const rowSpread = 0.29 * 0.020 / readoutS

// apartM is the least distance between two places, m: photographs of the same boards
// from nearer places say little more than one.
const apartM = 0.25

func (a *App) frames(ctx context.Context, o framesOptions) (list *frameList, again bool, err error) {
	folder, err := rig.Read(o.dir)
	if err != nil {
		return nil, false, BadInput(err)
	}
	job := folder.Job
	st := slices.IndexFunc(job.Stations, func(s rig.Station) bool { return s.Name == o.station })
	if st < 0 {
		return nil, false, BadInputf("%s: there is no station %s; stations are %s", filepath.Join(o.dir, rig.JobFile), o.station, strings.Join(stationNames(o.dir), ", "))
	}
	camera, err := vision.LoadCamera(folder.Camera)
	if err != nil {
		return nil, false, BadInput(err)
	}
	to := framesOf(folder, st, o.film)
	if err := to.wanted(folder, st); err != nil {
		return nil, false, err
	}
	video, err := vision.OpenVideo(o.film)
	if err != nil {
		return nil, false, BadInput(err)
	}
	defer video.Close()
	if err := camera.FitsVideo(video); err != nil {
		return nil, false, BadInput(err)
	}
	sum, err := fileSum(o.film)
	if err != nil {
		return nil, false, BadInput(err)
	}
	if list, err := to.before(sum); list != nil || err != nil {
		return list, true, err
	}

	list = &frameList{Film: filepath.Base(o.film), SHA256: sum, Station: o.station, Width: video.Width, Height: video.Height, Picked: []pickedFrame{}, Tool: thisTool()}
	list.Left.LimitPx = o.movedPx
	if o.movedPx == 0 {
		list.Left.LimitPx = 3 * float64(video.Width) / 1920
	}
	looked, err := a.lookThrough(ctx, video, job.Boards, camera, list)
	if err != nil {
		return nil, false, err
	}
	picked := list.pick(looked, camera, job.Boards, o.most)
	if len(picked) == 0 {
		return nil, false, Unmeasurable(fmt.Errorf("video %s: no frame is still and shows two boards (%s): film slowly, stopping for a second wherever you would take a photograph of two boards or more", o.film, list.leftText()))
	}
	seen := map[int]bool{}
	for _, c := range picked {
		f := pickedFrame{Photo: to.photo(c.frame), Frame: c.frame, Seconds: c.seconds, MovedPx: c.movedPx}
		f.BlurPx[0], f.BlurPx[1], _ = c.spread.Axes()
		f.TrailPx, _ = c.spread.Motion()
		for _, v := range c.views {
			seen[v.Board] = true
			f.Boards = append(f.Boards, job.Boards[v.Board].Name)
		}
		list.Picked = append(list.Picked, f)
	}
	list.Unseen = unseen(job, st, seen)
	turn, shift := list.roll(camera)
	list.Rolling = rolling{TurnDeg: turn * 180 / math.Pi, ShiftMM: shift * 1e3}
	held, err := hold.Take(ctx, o.dir) // job.yaml may be about to be written anew
	if err != nil {
		return nil, false, err
	}
	defer held.Release()
	text, err := rig.AllowRolling(o.dir, turn, shift)
	if err != nil {
		return nil, false, BadInput(err)
	}
	list.Rolling.Added = text != nil
	p := job.Priors
	if list.Rolling.Added {
		list.Rolling.TurnDeg, list.Rolling.ShiftMM = max(turn, p.RollTurn)*180/math.Pi, max(shift, p.RollShift)*1e3
	} else if p.RollTurn < turn/2 || p.RollShift < shift/2 {
		a.warn("%s allows for less motion while a frame is read than this film's frames show: raise rolling_shutter to turn_deg: %.2g, shift_mm: %.2g", filepath.Join(o.dir, rig.JobFile), list.Rolling.TurnDeg, list.Rolling.ShiftMM)
	}
	return list, false, a.writeFrames(ctx, o.film, to, list, text)
}

// Of how far boards moved in 1/30 s follows how far the camera may have moved while
// a frame was read: turned, or shifted, with boards some two metres away. Frames
// are picked for hardly moving until the next one, which what a tremor does within
// one is not as little as: hence at least leastTurn.
const (
	usualDistanceM = 2
	leastTurn      = 0.005 * math.Pi / 180
)

// roll is what job.yaml is to allow for: a turn, rad, and a shift, m.
func (l *frameList) roll(camera *vision.Camera) (turn, shift float64) {
	sum := 0.0
	for _, f := range l.Picked {
		sum += f.MovedPx * f.MovedPx / float64(len(l.Picked))
	}
	turn = math.Max(leastTurn, math.Sqrt(sum)/camera.FX)
	return turn, turn * usualDistanceM
}

// lookThrough finds the boards in the stillest frames of a film.
func (a *App) lookThrough(ctx context.Context, video *vision.Video, boards []vision.Board, camera *vision.Camera, list *frameList) (looked []candidate, err error) {
	total, seconds := -1, 0.0
	list.SpanS = 0.5
	if video.Count > 0 && video.FPS > 0 {
		total, seconds = video.Count, float64(video.Count)/video.FPS
		list.SpanS = math.Max(list.SpanS, seconds/200)
	}
	bar := a.progress("looking through the film", total)
	defer bar.done()
	var mu sync.Mutex
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	each := func() error {
		bar.add(1)
		return ctx.Err()
	}
	list.Frames, err = video.Stills(list.SpanS, each, func(s vision.Still) error {
		mu.Lock()
		k := len(looked)
		looked = append(looked, candidate{})
		mu.Unlock()
		g.Go(func() error {
			c, err := lookAtFrame(s, boards, camera, list.Left.LimitPx)
			mu.Lock()
			defer mu.Unlock()
			looked[k] = c
			return err
		})
		return nil
	})
	if e := g.Wait(); err == nil {
		err = e
	}
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if err != nil {
		return nil, BadInput(err)
	}
	if seconds == 0 && len(looked) > 0 {
		seconds = looked[len(looked)-1].seconds
	}
	list.Seconds, list.LookedAt = seconds, len(looked)
	return looked, nil
}

// lookAtFrame finds the boards in a frame and, from the frame after it, how fast
// they move.
func lookAtFrame(s vision.Still, boards []vision.Board, camera *vision.Camera, limitPx float64) (candidate, error) {
	c := candidate{frame: s.Frame, seconds: s.Seconds}
	perReadout := 1.0
	if s.Gap > 0 {
		perReadout = readoutS / s.Gap
	}
	// What the whole picture does is told too small where it is much.
	if c.movedPx = s.MovedPx * perReadout; c.movedPx > 2*limitPx {
		c.moving = true
		return c, nil
	}
	now, err := vision.Detect(s.Grey, boards, vision.DetectOptions{Camera: camera})
	if err != nil || len(now.Views) < 2 {
		c.views = now.Views
		return c, err
	}
	next, err := vision.Detect(s.Next, boards, vision.DetectOptions{Camera: camera})
	if err != nil {
		return c, err
	}
	after := map[int]vision.View{}
	for _, v := range next.Views {
		after[v.Board] = v
	}
	fastest := 0.0
	for _, v := range now.Views {
		dx, dy, ok := vision.Moved(v, after[v.Board])
		if !ok {
			dx, dy = s.MovedPx, s.MovedPx // not known: as the picture
		}
		dx, dy = dx*perReadout, dy*perReadout
		fastest = math.Max(fastest, math.Hypot(dx, dy))
		// Corners are as good as they are where they were when their row was read.
		for i := range v.Corners {
			cov := &v.Corners[i].Cov
			cov[0] += rowSpread * rowSpread * dx * dx
			cov[1] += rowSpread * rowSpread * dx * dy
			cov[2] += rowSpread * rowSpread * dy * dy
		}
	}
	c.views, c.movedPx = now.Views, fastest
	if c.moving = fastest > limitPx; !c.moving {
		c.spread = vision.Assess(s.Grey, boards, now).Spread
	}
	return c, nil
}

// pick chooses among the frames looked at and counts the others by reason.
func (l *frameList) pick(looked []candidate, camera *vision.Camera, boards []vision.Board, most int) (picked []candidate) {
	var still []candidate
	var obs []rig.Observation
	for _, c := range looked {
		if c.moving {
			l.Left.Moving++
			continue
		}
		for _, v := range c.views {
			obs = append(obs, rig.Observation{Photo: len(still), Board: v.Board, Corners: v.Corners})
		}
		still = append(still, c)
	}
	for k, is := range plan.Pick(camera, boards, obs, len(still), plan.PickOptions{Most: most, Apart: apartM}) {
		switch is {
		case plan.Picked:
			picked = append(picked, still[k])
		case plan.TooFew:
			l.Left.TooFew++
		case plan.SamePlace:
			l.Left.SamePlace++
		case plan.NotNeeded:
			l.Left.NotNeeded++
		}
	}
	return picked
}

// unseen names the boards of a station that are in no frame.
func unseen(job *rig.Job, station int, seen map[int]bool) (names []string) {
	at := slices.Clone(job.Body)
	for _, h := range job.Hangs {
		if h.Stations.Has(station) {
			at = append(at, h.Board)
		}
	}
	for _, l := range job.Floor {
		if l.Stations.Has(station) {
			at = append(at, l.Board)
		}
	}
	slices.Sort(at)
	for _, b := range at {
		if !seen[b] {
			names = append(names, job.Boards[b].Name)
		}
	}
	return names
}

// framePlace is where the frames of a film go.
type framePlace struct {
	dir    string // the job's
	folder string // in it, with slashes
	name   string // of the film, without its ending
}

func framesOf(folder *rig.Folder, station int, film string) framePlace {
	base := filepath.Base(film)
	return framePlace{folder.Dir, folder.PhotosOf(station), strings.TrimSuffix(base, filepath.Ext(base))}
}

func (p framePlace) photo(frame int) string {
	return rig.FramePath(p.folder, p.name, frame)
}

func (p framePlace) onDisk(photo string) string {
	return filepath.Join(p.dir, filepath.FromSlash(photo))
}

func (p framePlace) list() string { return p.onDisk(p.folder + "/" + p.name + ".json") }

// wanted makes sure that the station looks for its photographs where frames go.
func (p framePlace) wanted(folder *rig.Folder, station int) error {
	if folder.Takes(station, p.photo(0)) {
		return nil
	}
	return BadInputf("%s: station %s would not look for %s: give its photos a pattern that does, such as %s, or none at all",
		filepath.Join(p.dir, rig.JobFile), folder.Job.Stations[station].Name, p.photo(0), path.Join("photos", folder.Job.Stations[station].Name, "*"))
}

// before is what was made of the same film earlier; nil if nothing was.
func (p framePlace) before(sum string) (*frameList, error) {
	text, err := vision.ReadFile(p.list(), vision.MostText)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	var l frameList
	if err == nil {
		err = json.Unmarshal(text, &l)
	}
	if err != nil {
		return nil, BadInputf("%s: cannot be read as a list of frames (%w): delete it to pick from the film again", p.list(), err)
	}
	if l.SHA256 != sum {
		return nil, BadInputf("%s: the list is of another film of that name: rename the film", p.list())
	}
	for _, f := range l.Picked {
		if _, err := os.Stat(p.onDisk(f.Photo)); err != nil {
			return nil, BadInputf("%s: the list names %s, which is not there: delete the list to pick from the film again", p.list(), f.Photo)
		}
	}
	return &l, nil
}

// fileSum is the SHA-256 of a file.
func fileSum(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// writeFrames goes through the film once more and writes the frames picked and the
// list of them; and job.yaml anew, unless its text is nil.
func (a *App) writeFrames(ctx context.Context, film string, to framePlace, list *frameList, job []byte) error {
	for _, f := range list.Picked {
		if _, err := os.Stat(to.onDisk(f.Photo)); err == nil {
			return BadInputf("%s: there is a file of that name already, and no %s to say what it is: move it away", to.onDisk(f.Photo), filepath.Base(to.list()))
		}
	}
	if err := os.MkdirAll(to.onDisk(to.folder), 0o777); err != nil {
		return cannotWrite(to.onDisk(to.folder), err)
	}
	var out outputs
	defer out.discard()
	bar := a.progress("writing the frames", list.Picked[len(list.Picked)-1].Frame)
	defer bar.done()
	k := 0
	err := eachFrame(film, func(frame int, grey func() (*image.Gray, error)) (more bool, err error) {
		if err := ctx.Err(); err != nil {
			return false, err
		}
		bar.add(1)
		if frame != list.Picked[k].Frame {
			return true, nil
		}
		m, err := grey()
		if err != nil {
			return false, err
		}
		if err := out.add(to.onDisk(list.Picked[k].Photo), func(w io.Writer) error { return quickly.Encode(w, m) }); err != nil {
			return false, err
		}
		k++
		return k < len(list.Picked), nil
	})
	if err == nil && k < len(list.Picked) {
		err = BadInputf("video %s: it has fewer frames than a moment ago: was it being written? Try again", film)
	}
	if err == nil && job != nil {
		err = out.add(filepath.Join(to.dir, rig.JobFile), these(job))
	}
	if err == nil {
		err = out.add(to.list(), func(w io.Writer) error { return encodeJSON(w, list) })
	}
	if err != nil {
		return err
	}
	return out.commit()
}

// quickly costs a fifth of what files an eighth smaller do.
var quickly = png.Encoder{CompressionLevel: png.BestSpeed}

// eachFrame calls do for every frame of a film until it wants no more.
func eachFrame(film string, do func(frame int, grey func() (*image.Gray, error)) (more bool, err error)) error {
	video, err := vision.OpenVideo(film)
	if err != nil {
		return BadInput(err)
	}
	defer video.Close()
	for frame := 0; ; frame++ {
		_, ok, err := video.Next()
		if err != nil {
			return BadInput(err)
		}
		if !ok {
			return nil
		}
		if more, err := do(frame, video.Grey); err != nil || !more {
			return err
		}
	}
}

// leftText says why frames were left, in one line.
func (l *frameList) leftText() string {
	return fmt.Sprintf("of %d frames %d were looked at: in %d the camera moved, %d show fewer than two boards", l.Frames, l.LookedAt, l.Left.Moving, l.Left.TooFew)
}

// text is what a person reads.
func (l *frameList) text(dir string, again bool) string {
	var b strings.Builder
	if again {
		fmt.Fprintf(&b, "%s was looked through before; delete its list and frames to pick again\n\n", l.Film)
	}
	fmt.Fprintf(&b, "%s: %d frames of %d x %d pixels in %.1f s; of every %.2g s the stillest was looked at\n\n", l.Film, l.Frames, l.Width, l.Height, l.Seconds, l.SpanS)
	counts := newTable(right("frames"), left(""))
	counts.row(fmt.Sprint(l.LookedAt), "looked at")
	for _, r := range []struct {
		n   int
		why string
	}{
		{l.Left.Moving, fmt.Sprintf("left: the camera moved, by more than %.2g px in 1/30 s", l.Left.LimitPx)},
		{l.Left.TooFew, "left: fewer than two boards in it"},
		{l.Left.SamePlace, "left: from the same place as a better one"},
		{l.Left.NotNeeded, "left: others say more"},
	} {
		if r.n > 0 {
			counts.row(fmt.Sprint(r.n), r.why)
		}
	}
	counts.row(fmt.Sprint(len(l.Picked)), "picked")
	fmt.Fprintf(&b, "%s\n", counts)
	t := newTable(left("photo"), right("at s"), right("moved px"), right("blur px"), right("trail px"), left("boards"))
	for _, f := range l.Picked {
		t.row(f.Photo, fmt.Sprintf("%.2f", f.Seconds), fmt.Sprintf("%.2f", f.MovedPx), fmt.Sprintf("%.2f", f.BlurPx[0]), fmt.Sprintf("%.1f", f.TrailPx), strings.Join(f.Boards, " "))
	}
	fmt.Fprintf(&b, "%smoved: the fastest board, in 1/30 s; blur: the point spread along its long axis, standard deviation; trail: the motion blur that draws it out so\n", t)
	if l.Rolling.Added {
		fmt.Fprintf(&b, "\n%s now has rolling_shutter: {turn_deg: %.2g, shift_mm: %.2g}, how far the camera may have moved while a frame was read\n", filepath.Join(dir, rig.JobFile), l.Rolling.TurnDeg, l.Rolling.ShiftMM)
	}
	if len(l.Unseen) > 0 {
		fmt.Fprintf(&b, "\nin no frame: %s; photograph or film them together with their neighbours\n", strings.Join(l.Unseen, ", "))
	}
	return b.String()
}
