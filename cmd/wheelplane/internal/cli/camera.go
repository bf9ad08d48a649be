package cli

import (
	"context"
	"errors"
	"fmt"
	"image/png"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"wheelplane/calib"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"github.com/spf13/cobra"
)

type cameraOptions struct {
	inputs     []string
	out        string
	picture    string // "": none
	name       string
	squares    string
	squareMM   float64
	markerMM   float64 // 0: in proportion
	dictionary string
	firstID    int
	chessboard string // inner corners; "": a ChArUco board
	flatnessMM float64
	printError float64
	lens       string
}

func newCameraCommand(app *App) *cobra.Command {
	var o cameraOptions
	c := &cobra.Command{
		Use:   "camera PHOTO... | FOLDER | FILM",
		Short: "Calibrate a camera from photographs of a board",
		Long: `camera finds a camera's intrinsics (focal length, principal point, distortion of
the lens) from photographs of one flat board, with the standard uncertainty of
each, and writes the camera file that 'measure' needs. The file is laid out as
OpenCV's, which reads it too, and adds the covariance.

How to photograph. Lay or hold a board flat on something stiff. Take 10 to 20
photographs at full size with the lens, zoom and focus of the measurement
(autofocus locked, no digital zoom, no beauty or wide-angle mode):
  - tilted by 20 to 45 degrees to the left, right, up and down,
  - from near and from far, some so near that the board fills the frame,
  - in the middle of the frame, along its edges and in all four corners,
  - with the camera held level and turned upright.
Four photographs may be enough to go on with, with an uncertainty to match.
Photographs that cannot fix a camera are refused, and what to photograph in
addition is said. A photograph taken with another camera, zoom or picture size
is refused by name; one that is unreadable or shows no board is skipped.

A camera that films is another camera: its frames are cut and scaled. Film the board
in the mode of the measurement, stopping for a second in each of these places; of
the film the stillest frames are taken.

The board is one of 'wheelplane board', or any other ChArUco board (options), or
a plain chessboard (--chessboard, counted in inner corners). A board is never
quite as drawn: how far it bends and how unequally it is printed are found too,
from a standard uncertainty stated with --flatness-mm and --print-error. So is
what changes from photograph to photograph: autofocus and stabiliser move the
lens, and a board held in the hand bends.

A lens has five distortion coefficients (k1 k2 p1 p2 k3). Where the residuals say
that these do not do, more of OpenCV's are found: three of the rational model (k4
k5 k6), four of the thin prism (s1 ... s4), or all (--lens auto). --lens plain,
rational, prism or rich asks for one of these sets.

The picture (--picture) has four panels:
  - Corners over the frame with enlarged residuals. Good: the whole frame is
    strewn with corners, and colours (directions) are mixed like confetti. Bad:
    empty parts; or one colour rules in a place, as in a ring of arrows pointing
    outwards: the lens does not follow the model, and nothing measured there is
    better than those arrows.
  - Residuals about their origin. Good: one round cloud, densest in the middle.
    Bad: a drawn-out cloud (shaken photographs) or several clouds.
  - Residuals by photo. Good: level. Bad: one photo far above the others is
    blurred or shows a bent board: leave it out.
  - What stays uncertain of the lens over the frame. Good: below the residuals
    nearly everywhere. Bad: high along the edges, where no corners were.`,
		Example: `  wheelplane camera calibration/ --picture camera.png
  wheelplane camera calibration/*.jpg --out phone.yaml --name "yard phone"
  wheelplane camera photos/ --squares 5x7 --square-mm 40 --marker-mm 20 --dictionary 6x6_250
  wheelplane camera board.mp4 --out filming.yaml
  wheelplane camera photos/ --chessboard 9x6 --square-mm 25 --json`,
		Args:              atLeastOne("PHOTO, FOLDER or FILM"),
		ValidArgsFunction: completeFiles(append(filmExtensions, "jpg", "jpeg", "png", "JPG")...),
		RunE: func(c *cobra.Command, args []string) error {
			o.inputs = args
			if o.chessboard != "" {
				for _, f := range []string{"squares", "marker-mm", "dictionary", "first-id"} {
					if c.Flags().Changed(f) {
						return Usagef("--chessboard and --%s exclude each other: a chessboard has no markers, and its size is that of --chessboard and --square-mm", f)
					}
				}
				if !c.Flags().Changed("square-mm") {
					return Usagef("--chessboard needs --square-mm: measure the side of a square")
				}
			}
			return app.camera(c.Context(), o)
		},
	}
	f := c.Flags()
	f.StringVarP(&o.out, "out", "o", "camera.yaml", "camera file to write")
	f.StringVar(&o.picture, "picture", "", "PNG picture of coverage and residuals to write")
	f.StringVar(&o.name, "name", "", "name of the camera (default from the photographs)")
	f.StringVar(&o.squares, "squares", "7x5", "squares across and down")
	f.Float64Var(&o.squareMM, "square-mm", 55, "side of a square")
	f.Float64Var(&o.markerMM, "marker-mm", 0, "side of a marker (default three quarters of the square)")
	f.StringVar(&o.dictionary, "dictionary", "36h11", "family of markers")
	f.IntVar(&o.firstID, "first-id", 0, "id of the board's first marker")
	f.StringVar(&o.chessboard, "chessboard", "", "a plain chessboard instead: inner corners across and down, such as 9x6")
	f.Float64Var(&o.flatnessMM, "flatness-mm", 0, "how far the board's corner may be out of its plane, standard uncertainty (default 5 per metre from the centre)")
	f.Float64Var(&o.printError, "print-error", 0.003, "by how much the print may be stretched one way, relative standard uncertainty")
	c.RegisterFlagCompletionFunc("dictionary", completeWords(vision.DictionaryNames()...))
	f.StringVar(&o.lens, "lens", "auto", "distortion coefficients: auto, plain (5), rational (8), prism or rich (12)")
	c.RegisterFlagCompletionFunc("lens", completeWords(lensNames...))
	c.RegisterFlagCompletionFunc("out", completeFiles("yaml", "yml"))
	c.RegisterFlagCompletionFunc("picture", completeFiles("png"))
	return c
}

// lensNames are the values of --lens.
var lensNames = []string{"auto", string(calib.LensPlain), string(calib.LensRational), string(calib.LensPrism), string(calib.LensRich)}

// camera is the whole calibration: read, calibrate, write, tell.
func (a *App) camera(ctx context.Context, o cameraOptions) error {
	board, err := o.board()
	if err != nil {
		return withCode(ExitUsage, err)
	}
	inputs, done, err := a.stillsOfFilms(ctx, o.inputs)
	defer done()
	if err != nil {
		return err
	}
	photos, err := photosOf(inputs)
	if err != nil {
		return BadInput(err)
	}
	if err := o.mayReplace(photos); err != nil {
		return BadInput(err)
	}

	opts := calib.Options{PrintError: o.printError}
	if o.lens != "auto" {
		opts.Lens = calib.Lens(o.lens)
	}
	if o.flatnessMM > 0 {
		opts.Flatness = o.flatnessMM / 1e3 / calib.Reach(&board)
	}
	var bar *progress
	res, found, err := calib.FromPhotos(ctx, photos, board, calib.PhotoOptions{
		Start:    func(what string, n int) { bar = a.progress(what, n) },
		Progress: func() { bar.add(1) },
	}, opts)
	a.endProgress()
	if found != nil {
		for _, s := range found.Skipped {
			a.warn("skipped: %v", s)
		}
	}
	var weak *calib.TooWeak
	switch {
	case errors.As(err, &weak):
		return Unmeasurable(fmt.Errorf("%s: %w", o.inputs[0], err))
	case err != nil && ctx.Err() == nil:
		return BadInput(err)
	case err != nil:
		return err
	}
	for _, w := range res.Warnings {
		a.warn("%s", w)
	}
	res.Camera.Name = o.name
	if o.name == "" {
		res.Camera.Name = found.Camera
	}
	res.Camera.Calibrated = time.Now().UTC().Truncate(time.Second)

	var files outputs
	defer files.discard()
	if err := files.addPath(o.out, res.Camera.Save); err != nil {
		return err
	}
	if o.picture != "" {
		if err := files.add(o.picture, func(w io.Writer) error { return calib.Picture(w, res) }); err != nil {
			return err
		}
	}
	if err := files.commit(); err != nil {
		return err
	}
	told := newCalibrated(res, found, o)
	if a.JSON {
		return a.printJSON(told)
	}
	a.printf("%s", told.text())
	return nil
}

// calibrationFrames is about how many frames are taken of a film to calibrate from.
const calibrationFrames = 24

// stillsOfFilms puts in the place of every film a folder with its stillest frames,
// which done removes.
func (a *App) stillsOfFilms(ctx context.Context, inputs []string) (out []string, done func(), err error) {
	var folders []string
	done = func() {
		for _, f := range folders {
			os.RemoveAll(f)
		}
	}
	for _, in := range inputs {
		if !slices.Contains(filmExtensions, strings.TrimPrefix(filepath.Ext(in), ".")) {
			out = append(out, in)
			continue
		}
		folder, err := os.MkdirTemp("", "wheelplane-frames-")
		if err != nil {
			return nil, done, withCode(ExitFailed, err)
		}
		folders, out = append(folders, folder), append(out, folder)
		if err := a.writeStills(ctx, in, folder); err != nil {
			return nil, done, err
		}
	}
	return out, done, nil
}

// writeStills writes the stillest frames of a film into a folder.
func (a *App) writeStills(ctx context.Context, film, folder string) error {
	video, err := vision.OpenVideo(film)
	if err != nil {
		return BadInput(err)
	}
	defer video.Close()
	span, total := 0.5, -1
	if video.Count > 0 && video.FPS > 0 {
		total = video.Count
		span = math.Max(span, float64(total)/video.FPS/calibrationFrames)
	}
	bar := a.progress("looking through the film", total)
	defer bar.done()
	each := func() error {
		bar.add(1)
		return ctx.Err()
	}
	name := strings.TrimSuffix(filepath.Base(film), filepath.Ext(film))
	_, err = video.Stills(span, each, func(s vision.Still) error {
		return writeFile(filepath.Join(folder, fmt.Sprintf("%s-%06d.png", name, s.Frame)), func(w io.Writer) error { return png.Encode(w, s.Grey) })
	})
	if err != nil && ctx.Err() == nil {
		return BadInput(err)
	}
	return err
}

// board is what the options describe.
func (o *cameraOptions) board() (vision.Board, error) {
	switch {
	case !(o.squareMM > 0) || math.IsInf(o.squareMM, 0):
		return vision.Board{}, fmt.Errorf("--square-mm %g: the side of a square must be above 0", o.squareMM)
	case !(o.flatnessMM >= 0) || math.IsInf(o.flatnessMM, 0):
		return vision.Board{}, fmt.Errorf("--flatness-mm %g: must be above 0", o.flatnessMM)
	case !(o.printError > 0 && o.printError < 0.1):
		return vision.Board{}, fmt.Errorf("--print-error %g: a relative uncertainty above 0 and below 0.1, such as 0.003", o.printError)
	case !slices.Contains(lensNames, o.lens):
		return vision.Board{}, fmt.Errorf("--lens %s: choose %s or %s", o.lens, strings.Join(lensNames[:4], ", "), lensNames[4])
	case !strings.EqualFold(filepath.Ext(o.out), ".yaml") && !strings.EqualFold(filepath.Ext(o.out), ".yml"):
		return vision.Board{}, fmt.Errorf("--out %s: a camera file's name ends in .yaml", o.out)
	case o.picture != "" && !strings.EqualFold(filepath.Ext(o.picture), ".png"):
		return vision.Board{}, fmt.Errorf("--picture %s: the picture's name must end in .png", o.picture)
	}
	if o.chessboard != "" {
		across, down, err := acrossAndDown("chessboard", o.chessboard)
		if err != nil {
			return vision.Board{}, err
		}
		return vision.Chessboard(across, down, o.squareMM/1e3)
	}
	across, down, err := acrossAndDown("squares", o.squares)
	if err != nil {
		return vision.Board{}, err
	}
	b := vision.Board{Name: "for calibration", Dictionary: o.dictionary, Cols: across, Rows: down,
		SquareM: o.squareMM / 1e3, MarkerM: o.markerMM / 1e3, FirstID: o.firstID}
	if o.markerMM == 0 {
		b.MarkerM = vision.MarkerFor(b.SquareM)
	}
	return b, b.Validate()
}

// photosOf lists photographs: files as named, folders by their pictures.
func photosOf(inputs []string) ([]string, error) {
	var photos []string
	for _, in := range inputs {
		info, err := os.Stat(in)
		if errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("%s: no such file or folder: check the name", in)
		}
		if err != nil {
			return nil, fmt.Errorf("cannot read %s: %w", in, err)
		}
		if !info.IsDir() {
			photos = append(photos, in)
			continue
		}
		entries, err := os.ReadDir(in)
		if err != nil {
			return nil, fmt.Errorf("cannot read the folder %s: %w", in, err)
		}
		n := len(photos)
		for _, e := range entries {
			switch strings.ToLower(filepath.Ext(e.Name())) {
			// The last two are named so that a phone's own format is not silently
			// passed over.
			case ".jpg", ".jpeg", ".png", ".heic", ".heif":
				if !e.IsDir() && !strings.HasPrefix(e.Name(), ".") {
					photos = append(photos, filepath.Join(in, e.Name()))
				}
			}
		}
		if len(photos) == n {
			return nil, fmt.Errorf("the folder %s holds no photographs: copy JPEG or PNG files there", in)
		}
	}
	return photos, nil
}

// mayReplace refuses to overwrite a camera file that is for other photographs,
// or a file that is no camera file.
func (o *cameraOptions) mayReplace(photos []string) error {
	old, err := vision.LoadCamera(o.out)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("%s is there already and is not a camera file: choose another --out (%w)", o.out, err)
	}
	for _, p := range photos {
		info, err := vision.ReadInfo(p)
		if err != nil {
			continue // skipped or refused later, where all are read
		}
		if err := old.Fits(info); err != nil {
			return Hint(err, fmt.Sprintf("%s is there already, for another camera: choose another --out to keep both", o.out))
		}
	}
	return nil
}

// calibrated is what camera tells.
type calibrated struct {
	Camera     string            `json:"camera"`
	Width      int               `json:"width"`
	Height     int               `json:"height"`
	Photos     int               `json:"photos"`
	Skipped    []string          `json:"skipped,omitempty"`
	Corners    int               `json:"corners"`
	Rejected   int               `json:"corners_rejected"`
	RMSPx      float64           `json:"rms_px"`
	LackPx     float64           `json:"lack_of_fit_px"`
	Together   float64           `json:"variance_factor"`
	Intrinsics []intrinsic       `json:"intrinsics"`
	Covariance [][]float64       `json:"covariance"`
	LeftPx     [2]float64        `json:"lens_uncertainty_px_median_largest"`
	Lens       string            `json:"lens"`
	LensWhy    string            `json:"lens_why"`
	Wander     wander            `json:"wander"`
	Varied     bool              `json:"varied_enough"`
	Verdict    string            `json:"verdict"`
	Checks     []calib.Check     `json:"checks"`
	Board      *boardShape       `json:"board,omitempty"`
	Views      []calibratedPhoto `json:"views"`
	Warnings   []string          `json:"warnings,omitempty"`
	File       string            `json:"file"`
	Picture    string            `json:"picture,omitempty"`
	Tool       rig.Tool          `json:"tool"`
}

type intrinsic struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	U     float64 `json:"u"`
	Unit  string  `json:"unit"`
}

type boardShape struct {
	Stretch float64 `json:"stretch"` // x over y, less 1
	Skew    float64 `json:"skew_rad"`
	BowMM   float64 `json:"bow_mm"` // of the outermost corner, at most
}

// wander is by how much lens and board differ from photograph to photograph,
// standard deviations.
type wander struct {
	Focal    float64 `json:"focal"` // relative
	CentrePx float64 `json:"centre_px"`
	BendMM   float64 `json:"bend_mm"` // of the board's outermost corner
}

type calibratedPhoto struct {
	Photo    string  `json:"photo"`
	Corners  int     `json:"corners"`
	Rejected int     `json:"corners_rejected"`
	RMSPx    float64 `json:"rms_px"`
}

func newCalibrated(res *calib.Result, found *calib.Photos, o cameraOptions) *calibrated {
	c := &res.Camera
	t := &calibrated{
		Camera: c.Name, Width: c.Width, Height: c.Height,
		Photos: len(res.Views), Corners: res.Corners, Rejected: res.Rejected,
		RMSPx: res.RMSPx, LackPx: res.LackOfFitPx, Together: res.Together,
		Lens: string(res.Lens), LensWhy: res.LensWhy,
		Wander: wander{Focal: res.Wander.Focal, CentrePx: res.Wander.CentrePx},
		Varied: res.Variety.Good(), Verdict: res.Variety.Verdict(), Checks: res.Variety.Checks,
		Warnings: res.Warnings, File: o.out, Picture: o.picture, Tool: thisTool(),
	}
	for _, s := range found.Skipped {
		t.Skipped = append(t.Skipped, oneLine(s.Error()))
	}
	intrinsics, used := c.Intrinsics(), c.Used()
	for i, v := range intrinsics[:used] {
		unit := "px"
		if i >= 4 {
			unit = "1"
		}
		t.Intrinsics = append(t.Intrinsics, intrinsic{vision.IntrinsicNames[i], v, math.Sqrt(c.Cov[i][i]), unit})
		t.Covariance = append(t.Covariance, append([]float64(nil), c.Cov[i][:used]...))
	}
	if left := calib.LeftUncertain(c); left != nil {
		t.LeftPx = [2]float64{left.Median(), left.Largest()}
	}
	for b, s := range res.Shapes {
		t.Board = &boardShape{Stretch: s.Stretch, Skew: s.Skew, BowMM: 1e3 * s.BowM(&b)}
		t.Wander.BendMM = 1e3 * res.Wander.Bend * calib.Reach(&b)
	}
	for _, v := range res.Views {
		p := calibratedPhoto{Photo: v.Name, RMSPx: v.RMSPx}
		for _, r := range v.Residuals {
			if r.Rejected {
				p.Rejected++
			} else {
				p.Corners++
			}
		}
		t.Views = append(t.Views, p)
	}
	return t
}

// text is what a person reads.
func (t *calibrated) text() string {
	var b strings.Builder
	name := t.Camera
	if name == "" {
		name = "camera"
	}
	fmt.Fprintf(&b, "%s, %d x %d px, from %d photographs", name, t.Width, t.Height, t.Photos)
	if n := len(t.Skipped); n > 0 {
		fmt.Fprintf(&b, " (%d skipped)", n)
	}
	fmt.Fprintf(&b, " with %d corners", t.Corners)
	if t.Rejected > 0 {
		fmt.Fprintf(&b, " (%d rejected)", t.Rejected)
	}
	b.WriteString("\n\n")
	table := newTable(left(""), right("value"), right("u (k = 1)"), left(""))
	for _, i := range t.Intrinsics {
		value, u := withUncertainty(i.Value, i.U)
		unit := i.Unit
		if unit == "1" {
			unit = ""
		}
		table.row(i.Name, value, u, unit)
	}
	b.WriteString(table.String())
	fmt.Fprintf(&b, "\nresiduals: RMS %.2g px; the lens stays uncertain by %.2g px in half the frame, %.2g px at worst\n",
		t.RMSPx, t.LeftPx[0], t.LeftPx[1])
	fmt.Fprintf(&b, "lens: %s, %s; from photo to photo the focal length differs by %.2g %%, the principal point by %.2g px\n",
		t.Lens, t.LensWhy, 100*t.Wander.Focal, t.Wander.CentrePx)
	if t.Board != nil {
		fmt.Fprintf(&b, "board: %.2f %% longer across than down, bent by %.1f mm, differently from photo to photo by %.2g mm\n",
			100*t.Board.Stretch, t.Board.BowMM, t.Wander.BendMM)
	}
	b.WriteString("\n")
	checks := newTable(left("variety"), left("found"), left("enough"))
	for _, c := range t.Checks {
		enough := "yes"
		if !c.OK {
			enough = "no: photograph it " + c.Advice
		}
		checks.row(c.Name, c.Found, enough)
	}
	b.WriteString(checks.String())
	fmt.Fprintf(&b, "%s\n\nwrote %s", t.Verdict, t.File)
	if t.Picture != "" {
		fmt.Fprintf(&b, " and %s", t.Picture)
	}
	b.WriteString("\n")
	return b.String()
}

// withUncertainty writes a value to the second digit of its standard
// uncertainty.
func withUncertainty(v, u float64) (value, uncertainty string) {
	digits := 0
	if u > 0 {
		digits = twoDigits(u)
	}
	return fmt.Sprintf("%.*f", digits, v), fmt.Sprintf("%.*f", digits, u)
}
