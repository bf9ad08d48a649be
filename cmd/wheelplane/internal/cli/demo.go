package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"wheelplane/fixtures"
	"wheelplane/pose/rig"

	"github.com/spf13/cobra"
)

type demoOptions struct {
	dir        string
	scene      string
	seed       uint64
	repeat     uint64
	size       int
	plain      bool
	bowedMM    float64
	printOff   float64
	wander     bool
	photosOnly bool
	noPictures bool
	cornerPx   float64 // with noPictures
	list       bool
	whole      bool
	film       bool
	live       bool
}

func newDemoCommand(app *App) *cobra.Command {
	var o demoOptions
	c := &cobra.Command{
		Use:   "demo DIR",
		Short: "Try it without a camera: photographs of a vehicle whose angles are known",
		Long: `demo draws a vehicle of an invented ferry yard, photographs it (rendered
pictures, as real as a phone's), writes a job folder with them and measures it
as 'measure' would. It prints each reading with its uncertainty beside the
truth, which it also writes to DIR/truth.json.

With --no-pictures it draws the corners that detection would find, with noise,
straight from the scene's geometry: the same job, some hundred times faster, for
trying vehicles, plans and ways of working.

The boards are flat and printed to scale and the camera is steady, unless
--bowed-mm, --print-off and --wander say otherwise. The job then allows for it, as
far as one who has not measured it would; truth.json tells what it truly was.

With --film it films every station instead, as a hand and a rolling shutter do,
into DIR/films, and takes frames from the films as 'frames' would: some minutes.

With --live it films an axle that is adjusted, too, as a webcam on a tripod sees it:
DIR/watch.avi, with the webcam's camera file and, in watch.json, the truth of every
frame. 'watch' reads it.

With --whole it goes on to the end of the job: takes target values, asks for
advice, follows it in the simulator (with hands that miss a little), photographs
the vehicle as left, measures again and writes the record.`,
		Example: `  wheelplane demo /tmp/yard
  wheelplane demo /tmp/yard --seed 7 --size 2400
  wheelplane demo /tmp/sweep --scene sweep --no-pictures
  wheelplane demo /tmp/worn --bowed-mm 0.3 --print-off 0.002 --wander
  wheelplane demo /tmp/walk --film --scene harbour-car
  wheelplane demo /tmp/live --live --size 2000
  wheelplane demo /tmp/job --whole --no-pictures
  wheelplane demo --list`,
		Args:              atMost(1),
		ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) error {
			if o.list {
				return app.listScenes()
			}
			if err := exactly("DIR")(c, args); err != nil {
				return withCode(ExitUsage, err)
			}
			o.dir = args[0]
			switch {
			case o.noPictures && o.photosOnly:
				return Usagef("--no-pictures leaves --photos-only nothing to write: choose one")
			case o.noPictures && o.plain:
				return Usagef("--no-pictures draws corners, which no phone retouches: leave --plain out")
			case !o.noPictures && c.Flags().Changed("corner-px"):
				return Usagef("--corner-px is the noise of drawn corners: add --no-pictures")
			case !(o.bowedMM >= 0 && o.bowedMM <= 5):
				return Usagef("--bowed-mm %g: choose 0 to 5 mm", o.bowedMM)
			case !(math.Abs(o.printOff) <= 0.02):
				return Usagef("--print-off %g: choose -0.02 to 0.02, a share: 0.002 is 0.2 percent", o.printOff)
			case o.film && (o.whole || o.noPictures || o.wander):
				return Usagef("--film films one measurement with a steady lens: leave --whole, --no-pictures and --wander out")
			case o.film && c.Flags().Changed("size") && (o.size < 640 || o.size > 3840 || o.size%32 != 0):
				return Usagef("--size %d: choose a multiple of 32 from 640 to 3840 for a film", o.size)
			case o.live && (o.whole || o.noPictures || o.film):
				return Usagef("--live needs one job with photographs: leave --whole, --no-pictures and --film out")
			case o.whole && o.photosOnly:
				return Usagef("--photos-only ends where --whole goes on: choose one")
			case o.noPictures && !(o.cornerPx >= 0.001 && o.cornerPx <= 2):
				return Usagef("--corner-px %g: choose 0.001 to 2 pixels", o.cornerPx)
			}
			if o.film && !c.Flags().Changed("size") {
				o.size = fixtures.QuickFilm().Width
			}
			if o.whole {
				return app.demoWhole(c.Context(), o)
			}
			return app.demo(c.Context(), o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.scene, "scene", fixtures.DefaultScene, "which scene; --list names them")
	f.Uint64Var(&o.seed, "seed", 1, "everything random comes from it")
	f.Uint64Var(&o.repeat, "repeat", 0, "measure the seed's vehicle once more: another number, boards clamped anew and other photographs")
	f.IntVar(&o.size, "size", 4000, "width of the photographs, pixels (of films 1280)")
	f.BoolVar(&o.plain, "plain", false, "photographs by a good camera: even sharpness, no tone curve, no denoising or sharpening")
	f.Float64Var(&o.bowedMM, "bowed-mm", 0, "bow the boards, each its own way: so many mm along, across and twisted (standard deviations)")
	f.Float64Var(&o.printOff, "print-off", 0, "print all boards wider by this share, 0.002 for 0.2 percent")
	f.BoolVar(&o.wander, "wander", false, "let focal length and principal point wander from photo to photo, as autofocus and stabiliser make them")
	f.BoolVar(&o.photosOnly, "photos-only", false, "write the job and its photographs, and do not measure")
	f.BoolVar(&o.noPictures, "no-pictures", false, "draw corners instead of photographs, and measure those")
	f.Float64Var(&o.cornerPx, "corner-px", 0.03, "standard deviation of drawn corners, x and y each, pixels")
	f.BoolVar(&o.whole, "whole", false, "go on to the record: targets, advice followed in the simulator, readings as left")
	f.BoolVar(&o.film, "film", false, "film every station instead of photographing it, and pick frames from the films")
	f.BoolVar(&o.live, "live", false, "also film an axle while it is adjusted, for 'watch'")
	f.BoolVar(&o.list, "list", false, "name the scenes")
	var names []string
	for _, n := range fixtures.SceneNames() {
		names = append(names, n[0])
	}
	c.RegisterFlagCompletionFunc("scene", completeWords(names...))
	return c
}

func (a *App) listScenes() error {
	scenes := fixtures.SceneNames()
	if a.JSON {
		type scene struct {
			Name  string `json:"name"`
			About string `json:"about"`
		}
		out := []scene{}
		for _, s := range scenes {
			out = append(out, scene{s[0], s[1]})
		}
		return a.printJSON(out)
	}
	t := newTable(left("scene"), left("what it shows"))
	for _, s := range scenes {
		t.row(s[0], s[1])
	}
	a.printf("%s", t)
	return nil
}

// drawScene draws the scene asked for.
func (o demoOptions) drawScene() (*fixtures.Scene, error) {
	scene, err := fixtures.NewScene(o.scene, o.seed, o.size)
	if err != nil {
		return nil, Usagef("%v", err)
	}
	if o.repeat > 0 {
		scene.Again(o.repeat)
	}
	if o.film {
		scene.FilmCamera(o.size)
	}
	if o.bowedMM > 0 {
		scene.Shape(0, o.bowedMM/1e3)
	}
	if o.printOff != 0 {
		scene.Stretch(o.printOff)
	}
	if o.wander {
		p := rig.DefaultPriors()
		scene.Wander(p.WanderFocal, p.WanderCentre*float64(o.size)/4000)
	}
	return scene, nil
}

func (a *App) demo(ctx context.Context, o demoOptions) error {
	scene, err := o.drawScene()
	if err != nil {
		return err
	}
	if err := clearDemo(o.dir); err != nil {
		return err
	}
	truth, err := a.writeScene(ctx, scene, o, 0)
	if err != nil {
		return err
	}
	if o.live {
		if err := a.filmWatch(ctx, scene, o.dir); err != nil {
			return err
		}
	}
	if o.photosOnly {
		if a.JSON {
			return a.printJSON(truth)
		}
		a.printf("wrote %d photographs; measure them with: wheelplane measure %s\n", len(scene.Job.Photos), o.dir)
		return nil
	}
	result, err := a.measureScene(ctx, scene, o)
	if err != nil {
		return err
	}
	var pictures []string
	if !o.noPictures {
		if pictures, err = a.annotateSome(scene, o.dir); err != nil {
			return err
		}
	}
	if a.JSON {
		return a.printJSON(compare(result, truth))
	}
	a.printf("%s: %s\n\n%s", o.scene, scene.About, compareText(scene.Job, result, truth))
	a.printf("\njob folder: %s\n", o.dir)
	for _, p := range pictures {
		a.printf("picture:    %s\n", p)
	}
	if o.live {
		a.printf("film:       %s; watch it with: wheelplane watch %s --axle %d --film %s --lens %s\n", filepath.Join(o.dir, watchFilm), o.dir, watchedAxle, filepath.Join(o.dir, watchFilm), filepath.Join(o.dir, watchLens))
	}
	if path := filepath.Join(o.dir, demoJigFile); o.scene == "jig" {
		a.printf("jig file:   %s; compare with: wheelplane jig %s %s\n", path, path, o.dir)
	}
	return nil
}

// drawnOblique is how obliquely a drawn board may be seen, rad: detection finds
// boards up to some 70 degrees.
const drawnOblique = 70 * math.Pi / 180

// clearDemo makes room in a folder: it must be new, empty or an earlier demo.
func clearDemo(dir string) error {
	entries, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return BadInputf("%s: cannot be used as the demo's folder: %w", dir, err)
	case len(entries) == 0:
		return nil
	}
	if _, err := os.Stat(filepath.Join(dir, rig.TruthFile)); err != nil {
		return BadInputf("%s: the folder holds something that is not a demo: choose a new or empty folder", dir)
	}
	for _, name := range madeByDemo {
		if err := os.RemoveAll(filepath.Join(dir, name)); err != nil {
			return cannotWrite(dir, err)
		}
	}
	return nil
}

// writeScene writes the job folder of a scene, the truth first: a folder with
// a truth in it may be taken for a demo later. Photographs before number first
// are there already.
func (a *App) writeScene(ctx context.Context, scene *fixtures.Scene, o demoOptions, first int) (*rig.Result, error) {
	if err := makeFolders(o.dir, scene, !o.noPictures); err != nil {
		return nil, err
	}
	exact, err := scene.World.Truth(scene.Truth)
	if err != nil {
		return nil, err
	}
	truth := &rig.Result{Job: scene.Job.Name, Readings: rig.ForFiles(exact), Stances: rig.StancesForFiles(&scene.World.Vehicle, exact), Network: trueNetwork(scene), Tool: thisTool()}
	truth.Tool.Options = map[string]string{"scene": o.scene, "seed": strconv.FormatUint(o.seed, 10), "size": strconv.Itoa(o.size)}
	if o.noPictures {
		truth.Tool.Options["corner_px"] = strconv.FormatFloat(o.cornerPx, 'g', -1, 64)
	}
	for name, v := range map[string]float64{"bowed_mm": o.bowedMM, "print_off": o.printOff} {
		if v != 0 {
			truth.Tool.Options[name] = strconv.FormatFloat(v, 'g', -1, 64)
		}
	}
	if o.repeat > 0 {
		truth.Tool.Options["repeat"] = strconv.FormatUint(o.repeat, 10)
	}
	if o.plain {
		truth.Tool.Options["plain"] = "true"
	}
	if o.wander {
		truth.Tool.Options["wander"] = "true"
	}
	if o.film {
		truth.Tool.Options["film"] = "true"
	}
	text, err := scene.Job.Text("camera.yaml")
	if err != nil {
		return nil, err
	}
	var out outputs
	defer out.discard()
	if err := out.add(filepath.Join(o.dir, rig.TruthFile), func(w io.Writer) error { return encodeJSON(w, truthFile{truth, wanders(scene)}) }); err != nil {
		return nil, err
	}
	if err := out.add(filepath.Join(o.dir, rig.JobFile), these(text)); err != nil {
		return nil, err
	}
	if err := addJig(&out, o.dir, scene); err != nil {
		return nil, err
	}
	if err := out.addPath(filepath.Join(o.dir, "camera.yaml"), scene.Camera.Save); err != nil {
		return nil, err
	}
	if err := out.commit(); err != nil {
		return nil, err
	}
	switch {
	case o.noPictures:
		return truth, nil
	case o.film:
		return truth, a.filmScene(ctx, scene, o)
	}
	optics := fixtures.PhoneOptics(o.size)
	if o.plain {
		optics = fixtures.DefaultOptics(o.size)
	}
	bar := a.progress("rendering photographs", len(scene.Job.Photos)-first)
	defer bar.done()
	return truth, scene.PhotographFrom(ctx, o.dir, first, optics, func() { bar.add(1) })
}

// demoJigFile is the certificate of a scene that is a jig.
const demoJigFile = "jig.yaml"

// addJig writes it, of today and for a year.
func addJig(out *outputs, dir string, scene *fixtures.Scene) error {
	known, err := scene.Jig()
	if err != nil || known == nil {
		return err
	}
	now := time.Now()
	known.Certificate.Date, known.Certificate.ValidUntil = now.Format(time.DateOnly), now.AddDate(1, 0, 0).Format(time.DateOnly)
	text, err := known.Text()
	if err != nil {
		return err
	}
	return out.add(filepath.Join(dir, demoJigFile), these(text))
}

// truthFile is truth.json: a result, and what only a truth knows.
type truthFile struct {
	*rig.Result
	Wander []wandered `json:"wander,omitempty"`
}

// wandered is how the camera of a photograph differed from its calibration.
type wandered struct {
	Photo    string     `json:"photo"`
	Focal    float64    `json:"focal"` // relative
	CentrePx [2]float64 `json:"centre_px"`
}

func wanders(scene *fixtures.Scene) (out []wandered) {
	for p, w := range scene.Truth.Wanders {
		out = append(out, wandered{scene.Job.Photos[p].Path, w.Focal, w.Centre})
	}
	return
}

// trueNetwork is what of a network is known without measuring: the boards.
func trueNetwork(scene *fixtures.Scene) *rig.Network {
	n := &rig.Network{}
	for i, name := range []string{"x", "y"} {
		n.PrintScale[i] = rig.Scalar{Name: name, Value: scene.Truth.PrintScale[i]}
	}
	for b, s := range scene.Truth.Shapes {
		found := rig.BoardFound{Board: scene.Job.Boards[b].Name}
		if s.Stretch != [2]float64{} {
			found.PrintScale = []rig.Scalar{{Name: "x", Value: 1 + s.Stretch[0]}, {Name: "y", Value: 1 + s.Stretch[1]}}
		}
		for i, name := range []string{"x", "y", "twist"} {
			found.BowMM = append(found.BowMM, rig.Scalar{Name: name, Value: s.Bow[i] * 1e3})
		}
		n.Boards = append(n.Boards, found)
	}
	return n
}

// compared is a reading beside its truth.
type compared struct {
	rig.Reading
	Truth      float64 `json:"truth"`
	Error      float64 `json:"error"`
	Normalised float64 `json:"error_over_u"`
}

type comparison struct {
	Readings []compared   `json:"readings"`
	Network  *rig.Network `json:"network"`
	Tool     rig.Tool     `json:"tool"`
}

func compare(result, truth *rig.Result) *comparison {
	c := &comparison{Readings: []compared{}, Network: result.Network, Tool: result.Tool}
	for _, r := range result.Readings {
		if t, ok := rig.Find(truth.Readings, r); ok {
			e := r.Value - t.Value
			c.Readings = append(c.Readings, compared{r, t.Value, e, e / r.U})
		}
	}
	return c
}

// annotateSome draws what was found in two of the photographs: one from the
// front corner and one along the side.
func (a *App) annotateSome(scene *fixtures.Scene, dir string) ([]string, error) {
	folder := filepath.Join(dir, "annotated")
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return nil, cannotWrite(folder, err)
	}
	var out []string
	for _, p := range []int{0, 1} {
		path := filepath.Join(dir, filepath.FromSlash(scene.Job.Photos[p].Path))
		to := filepath.Join(folder, fmt.Sprintf("%s-%s", scene.Job.Stations[scene.Job.Photos[p].Station].Name, filepath.Base(path)))
		seen, err := inspectPhoto(path, scene.Job.Boards, &scene.Camera, 2, to)
		if err != nil {
			return nil, err
		}
		if seen.err != nil {
			return nil, seen.err
		}
		out = append(out, to)
	}
	return out, nil
}
