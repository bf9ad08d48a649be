package cli

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"wheelplane/pose/rig"
	"wheelplane/vision"

	"github.com/spf13/cobra"
)

type measureOptions struct {
	dir           string
	ignoreUnknown bool
	fresh         bool   // look at every photograph again
	problem       string // file
}

func newMeasureCommand(app *App) *cobra.Command {
	var o measureOptions
	c := &cobra.Command{
		Use:   "measure DIR",
		Short: "Measure a job: from its photographs to wheel angles with their uncertainty",
		Long: `measure reads the job in a folder, finds the boards in its photographs, solves
for the wheel axes and writes DIR/result.json.

A job is a folder:

  job.yaml      vehicle, boards, hangs, floor, stations and the camera file
  camera.yaml   made by 'wheelplane camera'
  photos/       one folder for each station, named as the station is
  spec.yaml     target values, if any: see 'wheelplane spec --help'

job.yaml, with every key it knows (lengths in mm, angles in degrees):

` + indent(jobExample) + `
Angles: camber is positive when the top of the wheel leans outward, toe is
positive for toe-in, headings, thrust and scrub are positive to the left.
Uncertainties are standard uncertainties (k = 1).

What is still weak is told after the table: angles known less well than to 0.015
degrees (caster to 0.06, kingpin inclination to 0.15), or with target values those
that are undecided, and the one or two photographs of the last station that would
help most, or what else would. So are photographs that are not good; see
'wheelplane inspect --help'.

What each photograph gave is kept in DIR/.wheelplane as soon as it is done, so that
none is looked at twice, and a run that was ended goes on where it stopped. It is
known by the photograph's content, the camera file, the boards and the version of
this program; --fresh looks at all of them again. The folder may
be deleted while nothing runs.`,
		Example: `  wheelplane measure bay-3
  wheelplane measure bay-3 --json | jq '.readings[] | select(.quantity == "toe")'`,
		Args:              exactly("DIR"),
		ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) error {
			o.dir = args[0]
			job, result, err := app.measure(c.Context(), o)
			if err != nil {
				return err
			}
			if app.JSON {
				return app.printJSON(result)
			}
			app.printf("%s", resultText(job, result))
			app.printf("%s", notGoodText(result.NotGood))
			app.printf("%s", weakText(result.Weak))
			spec, targets, err := specOf(o.dir, job)
			if err == nil && spec != nil {
				app.printf("\n%s", verdictText(job, spec, judgeAll(result.Readings, targets, spec.Rule)))
			}
			return err
		},
	}
	c.Flags().BoolVar(&o.ignoreUnknown, "ignore-unknown", false, "measure although a photo shows a board that job.yaml does not know")
	c.Flags().BoolVar(&o.fresh, "fresh", false, freshHelp)
	c.Flags().StringVar(&o.problem, "write-problem", "", "also write the least-squares problem to `FILE`, as text for another solver (see DEVELOPERS.md)")
	return c
}

const jobExample = `name: yard truck no. 3
vehicle:
  name: yard truck
  reference_axle: 3          # scrub is read against it; default: the last that is not steered
  axles:                     # from the front
    - {name: front, position_mm: 0, track_mm: 2050, tyre_diameter_mm: 1010, steered: true}
    - {name: drive, position_mm: 4300, track_mm: 1850, tyre_diameter_mm: 1010, driven: true}
    - {name: tag, position_mm: 5650, track_mm: 1850, tyre_diameter_mm: 1010}
boards:
  dictionary: 36h11
  squares: [7, 5]
  square_mm: 55
  marker_mm: 41
  print_scale: {x: 1.0007, y: 0.9995, u: 0.0005}   # measured over designed; not measured: leave it out (1, within 0.002)
  print_spread: 0.0003       # of single boards around it (standard uncertainty); 0: all alike
  flatness_mm: 0.3           # how far a board is bowed (standard uncertainty); 0: flat
  list:
    - {name: A, first_id: 0}
    - {name: B, first_id: 17}
hangs:                       # a board clamped to a wheel
  - {board: A, axle: 1, side: left}
  - {board: B, axle: 1, side: right}
floor:                       # boards lying on the floor
  boards: [G, H]
  flatness_mm: 1             # standard uncertainty of the floor's height
  tilt_deg: 0.2              # of a floor board
  thickness_mm: 3            # printed face above the floor
mount:                       # how boards are clamped (standard uncertainties)
  tilt_deg: 1
  offset_mm: 20              # board's centre off the spin axis
  standoff_mm: 250           # board's face outboard of the wheel's centre plane
  standoff_u_mm: 0.5
stations:                    # places the vehicle stood still at
  - {name: "1"}              # photographs in photos/1; epoch "as found"
  - {name: "2", epoch: as found, photos: ["photos/second*.jpg"]}
camera: camera.yaml
camera_wander: {focal: 0.0005, centre_px: 2}   # from photo to photo, as a phone's do (standard uncertainties); 0: not
rolling_shutter: {turn_deg: 0.01, shift_mm: 0.3}   # how far the camera moves while a photo is read (likewise); not said: not

# Other vehicles and other ways of working:
hangs:                       # a board that was moved: a hang for each place
  - {board: C, axle: 2, side: left, stations: ["1", "2"]}
  - {board: C, axle: 3, side: left, stations: ["3", "4"]}
body:
  boards: [P]                # fixed to the chassis
vehicle:
  kingpin: {board: P, x_mm: 0, y_mm: 160, z_mm: -50, u_mm: 1}   # a semi-trailer's, in that board's frame
epochs:                      # the axes hold still within one; in the order of the stations
  - {name: as found}
  - {name: as left, moved: [{axle: 1}, {axle: 2, side: left}]}  # default: all may have moved; []: none has
stations:
  - {name: "3", lifted: [{axle: 1}]}           # off the ground, to be spun by hand
  - {name: "4", epoch: as left, steer_deg: 20} # steered left by about 20, brakes held
sweep:
  brake_slip_deg: 0.1        # how far a braked wheel may turn in a sweep (standard uncertainty)
`

func indent(s string) string {
	return "  " + strings.ReplaceAll(strings.TrimSuffix(s, "\n"), "\n", "\n  ") + "\n"
}

// measure is the whole measurement: load, detect, solve, derive, write.
func (a *App) measure(ctx context.Context, o measureOptions) (*rig.Job, *rig.Result, error) {
	folder, err := rig.Open(o.dir)
	if err != nil {
		return nil, nil, BadInput(err)
	}
	if _, _, err := specOf(o.dir, folder.Job); err != nil {
		return nil, nil, err // told before the work, not after it
	}
	options := rig.Options{}
	var problem bytes.Buffer
	if o.problem != "" {
		options.Problem = &problem
	}
	result, err := a.resultOf(ctx, folder, o, options)
	if err == nil && !stands(folder, result) {
		err = keepResult(o.dir, result)
	}
	if err == nil && o.problem != "" {
		err = writeFile(o.problem, func(w io.Writer) error {
			_, err := problem.WriteTo(w)
			return err
		})
	}
	return folder.Job, result, err
}

// resultOf is the measurement of a folder, without a file written.
func (a *App) resultOf(ctx context.Context, folder *rig.Folder, m measureOptions, o rig.Options) (*rig.Result, error) {
	camera, err := vision.LoadCamera(folder.Camera)
	if err != nil {
		return nil, BadInput(err)
	}
	found, err := a.recallBoards(ctx, folder, camera, m.fresh, m.ignoreUnknown)
	if err != nil {
		return nil, err
	}
	result, solution, err := a.solve(ctx, folder.Dir, folder.Job, camera, found, o)
	if err != nil {
		return nil, err
	}
	if result.Weak, err = weakOf(folder, camera, found.obs, solution, result.Readings); err != nil {
		return nil, err
	}
	result.Inputs = found.inputs
	if m.ignoreUnknown {
		result.Tool.Options = map[string]string{optionIgnoreUnknown: "true"}
	}
	return result, nil
}

// optionIgnoreUnknown is the name of an option in a result's tool.
const optionIgnoreUnknown = "ignore_unknown"

// solve is the measurement once the boards are found.
func (a *App) solve(ctx context.Context, dir string, job *rig.Job, camera *vision.Camera, found *found, o rig.Options) (*rig.Result, *rig.Solution, error) {
	bar := a.progress("solving", -1)
	o.Progress, o.Unusable = bar.say, found.unusable
	solution, err := rig.Solve(ctx, job, *camera, found.obs, o)
	bar.done()
	if err != nil {
		return nil, nil, Unmeasurable(fmt.Errorf("%s: %w%s", dir, err, found.hint(dir)))
	}
	found.warn(solution)
	result := a.result(job, solution)
	result.NotGood = found.notGood
	return result, solution, nil
}

// keepResult writes a job's result.json.
func keepResult(dir string, result *rig.Result) error {
	return writeFile(filepath.Join(dir, rig.ResultFile), func(w io.Writer) error { return encodeJSON(w, result) })
}

func (a *App) result(job *rig.Job, s *rig.Solution) *rig.Result {
	for _, w := range s.Warnings {
		a.warn("%s", w)
	}
	return &rig.Result{Job: job.Name, Readings: rig.ForFiles(s.Readings), Stances: rig.StancesForFiles(&job.Vehicle, s.Readings), Network: &s.Network, Warnings: s.Warnings, Tool: thisTool()}
}

// sighting is what one photograph gave.
type sighting struct {
	views   []vision.View
	unknown []int
	sum     string // SHA-256 of the file
	taken   time.Time
	verdict photoVerdict
	err     error
}

// found is what the photographs of a job gave.
type found struct {
	obs      []rig.Observation
	unusable map[int]string // why, by photograph
	notGood  []rig.PhotoVerdict
	inputs   *rig.Inputs
	doubt    string // a warning, if not empty
}

// warn adds what is to be doubted of the photographs to a solution's warnings.
func (f *found) warn(s *rig.Solution) {
	if f.doubt != "" {
		s.Warnings = append(s.Warnings, f.doubt)
	}
}

// hint points at photographs that are not good, where there are any.
func (f *found) hint(dir string) string {
	switch n := len(f.notGood); n {
	case 0:
		return ""
	case 1:
		return fmt.Sprintf("; %s is not good: %s", f.notGood[0].Photo, f.notGood[0].Verdict)
	default:
		return fmt.Sprintf("; %d photographs are not good, the first %s (%s): 'wheelplane inspect --job %s' tells of each", n, f.notGood[0].Photo, f.notGood[0].Verdict, dir)
	}
}

// looker finds the boards of one photograph; see look.
type looker func(file *vision.File, boards []vision.Board, camera *vision.Camera) sighting

// findBoards looks at all photographs of a job, as many at once as there are
// processors. A bad one is skipped with a warning, as long as its station has
// a good one.
func (a *App) findBoards(ctx context.Context, folder *rig.Folder, camera *vision.Camera, look looker, ignoreUnknown bool) (*found, error) {
	job := folder.Job
	seen := make([]sighting, len(job.Photos))
	path := func(p int) string { return filepath.Join(folder.Dir, filepath.FromSlash(job.Photos[p].Path)) }
	err := a.each(ctx, "reading photographs", len(job.Photos), func(p int) error {
		file, err := vision.Open(path(p))
		if err != nil {
			seen[p] = sighting{err: err}
			return nil
		}
		seen[p] = look(file, job.Boards, camera)
		return nil
	})
	if err != nil {
		return nil, err
	}

	out := &found{unusable: map[int]string{}, inputs: inputsOf(folder, camera, seen)}
	good, firstBad := make([]int, len(job.Stations)), make([]error, len(job.Stations))
	for p, s := range seen {
		station := job.Photos[p].Station
		if s.err != nil {
			out.unusable[p] = strings.TrimPrefix(s.err.Error(), "photo "+path(p)+": ")
			if firstBad[station] == nil {
				firstBad[station] = s.err
			}
			continue
		}
		good[station]++
		if len(s.unknown) >= 3 && !ignoreUnknown {
			return nil, BadInputf("%s shows a board with marker ids %s, which %s does not know: add it to boards and to hangs or floor, take it out of sight, or measure with --ignore-unknown",
				path(p), ranges(s.unknown), rig.JobFile)
		}
		if v := &s.verdict; !v.good() && v.Verdict != isFew { // the one that ties to nothing is told when solving
			out.notGood = append(out.notGood, rig.PhotoVerdict{Photo: job.Photos[p].Path, Verdict: string(v.Verdict), Why: v.Why, Do: v.Do})
		}
		for _, v := range s.views {
			out.obs = append(out.obs, rig.Observation{Photo: p, Board: v.Board, Corners: v.Corners, Joint: v.Joint})
		}
	}
	out.doubt = likeFrames(folder, camera)
	for st, n := range good {
		if n == 0 {
			return nil, BadInput(Hint(firstBad[st], fmt.Sprintf("station %s has no photo that can be used", job.Stations[st].Name)))
		}
	}
	return out, nil
}

// inputsOf names the files of a job by what was read of them.
func inputsOf(folder *rig.Folder, camera *vision.Camera, seen []sighting) *rig.Inputs {
	path := folder.Camera
	if rel, err := filepath.Rel(folder.Dir, path); err == nil && filepath.IsLocal(rel) {
		path = rel
	}
	in := &rig.Inputs{Job: rig.Input{Path: rig.JobFile, SHA256: folder.Sum}, Camera: rig.Input{Path: filepath.ToSlash(path), SHA256: camera.Sum()}}
	for p, s := range seen {
		in.Photos = append(in.Photos, rig.Input{Path: folder.Job.Photos[p].Path, SHA256: s.sum})
		if in.Photographed.IsZero() || !s.taken.IsZero() && s.taken.Before(in.Photographed) {
			in.Photographed = s.taken
		}
	}
	return in
}

// look decodes one photograph and finds its boards.
func look(file *vision.File, boards []vision.Board, camera *vision.Camera) sighting {
	info, err := file.Info()
	if err == nil {
		err = camera.Fits(info)
	}
	var photo *vision.Image
	if err == nil {
		photo, err = file.Decode()
	}
	if err != nil {
		return sighting{sum: file.Sum, err: err}
	}
	defer photo.Release()
	s := sighting{sum: photo.Sum, taken: photo.Taken}
	res, err := vision.Detect(photo.Pix, boards, vision.DetectOptions{Camera: camera})
	if err != nil {
		s.err = fmt.Errorf("%s: %w", file.Path, err)
		return s
	}
	s.views, s.unknown = res.Views, res.UnknownIDs
	s.verdict = judgePhoto(photo, boards, res, min(2, len(boards)), false)
	for i, v := range s.views { // a job of thousands of photographs holds all of them
		s.views[i] = v.Plain()
	}
	return s
}

// ranges writes a rising list of numbers as 3-5, 9.
func ranges(n []int) string {
	var out []string
	for i := 0; i < len(n); {
		k := i
		for k+1 < len(n) && n[k+1] == n[k]+1 {
			k++
		}
		if k > i {
			out = append(out, fmt.Sprintf("%d-%d", n[i], n[k]))
		} else {
			out = append(out, fmt.Sprint(n[i]))
		}
		i = k + 1
	}
	return strings.Join(out, ", ")
}
