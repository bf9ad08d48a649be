package cli

import (
	"context"
	"errors"
	"fmt"
	"image/jpeg"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"sort"
	"strings"

	"wheelplane/pose/rig"
	"wheelplane/vision"

	"github.com/spf13/cobra"
)

type inspectOptions struct {
	photos     []string
	job        string // folder, or ""
	dictionary string
	squares    string
	squareMM   float64
	markerMM   float64 // 0: in proportion
	out        string  // folder, or ""
}

func newInspectCommand(app *App) *cobra.Command {
	var o inspectOptions
	c := &cobra.Command{
		Use:   "inspect PHOTO...",
		Short: "Show what photographs hold: boards, corners, and how good they are",
		Long: `inspect looks for boards in photographs and prints, for each, how many of its
markers were read, how many corners were measured, how large a square is, how
obliquely the board is seen (estimated from its shape) and how well a typical
corner is known. With --out it also writes a picture of each photograph with
what was found drawn on it, the verdict above.

Each photograph gets a verdict: good, or what is wrong and what to do about it.
What counts is what it costs. "u over plan" is how uncertain the corners of the
board are together, over what 'wheelplane plan' foresees of that board there; sound
photographs have 0.5 to 1.6, up to 2 is good. Of what costs more the largest cause
is named: moved (a trail; one of 2 px doubles u), blurred (point spread), too dark,
too bright (clipped), covered, cut off, not as printed. Boards with squares below
8 px or seen at more than 77 degrees do not count, as in a plan. A photograph of a
job is good when two of its boards are, and most. Where no board is found, the
picture itself says the likely reason.

With --job the boards and the camera are those of a job. Otherwise boards are
as 'wheelplane board' prints them, all that the dictionary has ids for, named
A, B, C ... in the order of their ids; options describe others.`,
		Example: `  wheelplane inspect photos/1/*.jpg
  wheelplane inspect --job bay-3 --out looked-at bay-3/photos/1/*.jpg
  wheelplane inspect --dictionary 6x6_250 --squares 5x7 --square-mm 40 --marker-mm 20 board.jpg --json`,
		Args:              atLeastOne("PHOTO"),
		ValidArgsFunction: completeFiles("jpg", "jpeg", "png", "JPG"),
		RunE: func(c *cobra.Command, args []string) error {
			o.photos = args
			if o.job != "" {
				for _, f := range []string{"dictionary", "squares", "square-mm", "marker-mm"} {
					if c.Flags().Changed(f) {
						return Usagef("--job and --%s exclude each other: the job says what its boards are", f)
					}
				}
			}
			return app.inspect(c.Context(), o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.job, "job", "", "folder of a job, for its boards and camera")
	f.StringVarP(&o.out, "out", "o", "", "folder for annotated pictures")
	f.StringVar(&o.dictionary, "dictionary", "36h11", "family of markers")
	f.StringVar(&o.squares, "squares", "7x5", "squares across and down")
	f.Float64Var(&o.squareMM, "square-mm", 55, "side of a square")
	f.Float64Var(&o.markerMM, "marker-mm", 0, "side of a marker (default three quarters of the square)")
	c.RegisterFlagCompletionFunc("job", completeDirs)
	c.RegisterFlagCompletionFunc("out", completeDirs)
	c.RegisterFlagCompletionFunc("dictionary", completeWords(vision.DictionaryNames()...))
	return c
}

// inspected is what inspect tells of one photograph; its JSON is documented in
// the README.
type inspected struct {
	Photo      string           `json:"photo"`
	Verdict    photoVerdict     `json:"verdict"`
	Width      int              `json:"width"`
	Height     int              `json:"height"`
	Boards     []inspectedBoard `json:"boards"`
	UnknownIDs []int            `json:"unknown_ids,omitempty"`
	Picture    string           `json:"picture,omitempty"`

	err error
}

type inspectedBoard struct {
	Board        string            `json:"board"`
	Markers      int               `json:"markers"`
	Corners      int               `json:"corners"`
	Of           int               `json:"corners_of_board"`
	SquarePx     float64           `json:"square_px"`
	ObliquityDeg float64           `json:"obliquity_deg"`
	BlurPx       float64           `json:"blur_px"`
	CornerSDPx   float64           `json:"corner_u_px"`
	Spread       spread            `json:"point_spread"`
	Contrast     float64           `json:"contrast"`
	Noise        float64           `json:"noise"`
	Clipped      float64           `json:"white_clipped"`
	OverPlan     float64           `json:"u_over_plan"`
	Verdict      kind              `json:"verdict"`
	Note         string            `json:"note,omitempty"`
	List         []inspectedCorner `json:"corner_list"`
	Rejected     []inspectedReject `json:"rejected,omitempty"`
}

type inspectedCorner struct {
	Index int        `json:"index"`
	Px    [2]float64 `json:"px"`
	Cov   [3]float64 `json:"cov_xx_xy_yy_px2"`
}

type inspectedReject struct {
	Index  int        `json:"index"`
	Px     [2]float64 `json:"px"`
	Reason string     `json:"reason"`
}

func (a *App) inspect(ctx context.Context, o inspectOptions) error {
	boards, camera, err := o.boards()
	if err != nil {
		return err
	}
	least := 1 // a camera is calibrated from one board
	if o.job != "" {
		least = min(2, len(boards))
	}
	if o.out != "" {
		if err := os.MkdirAll(o.out, 0o777); err != nil {
			return cannotWrite(o.out, err)
		}
	}
	names, err := pictureNames(o.photos, o.out)
	if err != nil {
		return err
	}
	all := make([]inspected, len(o.photos))
	err = a.each(ctx, "looking at photographs", len(o.photos), func(i int) (err error) {
		all[i], err = inspectPhoto(o.photos[i], boards, camera, least, names[i])
		return err
	})
	if err != nil {
		return err
	}
	// One bad photo among many is skipped; nothing but bad ones is a failure.
	var good []inspected
	for _, p := range all {
		if p.err == nil {
			good = append(good, p)
		}
	}
	if len(good) == 0 {
		return BadInput(all[0].err)
	}
	for _, p := range all {
		if p.err != nil {
			a.warn("skipped: %v", p.err)
		}
	}
	if a.JSON {
		return a.printJSON(map[string]any{"photos": good, "tool": thisTool()})
	}
	a.printf("%s", inspectText(good))
	return nil
}

// boards are the job's, with its camera, or those the options describe.
func (o *inspectOptions) boards() ([]vision.Board, *vision.Camera, error) {
	if o.job != "" {
		folder, err := rig.Open(o.job)
		if err != nil {
			return nil, nil, BadInput(err)
		}
		camera, err := vision.LoadCamera(folder.Camera)
		if errors.Is(err, fs.ErrNotExist) {
			return folder.Job.Boards, nil, nil // inspecting needs none
		}
		if err != nil {
			return nil, nil, BadInput(err)
		}
		return folder.Job.Boards, camera, nil
	}
	template := vision.Board{Dictionary: o.dictionary, SquareM: o.squareMM / 1e3, MarkerM: o.markerMM / 1e3}
	if o.markerMM == 0 {
		template.MarkerM = vision.MarkerFor(template.SquareM)
	}
	var err error
	if template.Cols, template.Rows, err = acrossAndDown("squares", o.squares); err != nil {
		return nil, nil, withCode(ExitUsage, err)
	}
	template.Name = "A"
	if err := template.Validate(); err != nil {
		return nil, nil, withCode(ExitUsage, err)
	}
	n := vision.Dictionaries[o.dictionary].Size / template.NumMarkers()
	return vision.Set(n, template), nil, nil
}

// pictureNames gives each photograph the file its annotated picture goes to.
func pictureNames(photos []string, dir string) ([]string, error) {
	names := make([]string, len(photos))
	if dir == "" {
		return names, nil
	}
	owner := map[string]string{}
	for i, p := range photos {
		base := filepath.Base(p)
		base = strings.TrimSuffix(base, filepath.Ext(base)) + ".jpg"
		// Photographs of two stations may have one name.
		if _, twice := owner[base]; twice {
			base = filepath.Base(filepath.Dir(p)) + "-" + base
		}
		if other, twice := owner[base]; twice {
			return nil, Usagef("%s and %s would both become %s: inspect them one after the other, or into two folders", other, p, base)
		}
		owner[base] = p
		names[i] = filepath.Join(dir, base)
		if same(names[i], p) {
			return nil, Usagef("--out %s would overwrite %s: choose another folder", dir, p)
		}
	}
	return names, nil
}

// same tells whether two paths lead to one file.
func same(a, b string) bool {
	x, err := os.Stat(a)
	if err != nil {
		return false
	}
	y, err := os.Stat(b)
	return err == nil && os.SameFile(x, y)
}

// inspectPhoto looks at one photograph. What is wrong with the photograph is
// in the answer; the error is a picture that could not be written.
func inspectPhoto(path string, boards []vision.Board, camera *vision.Camera, least int, picture string) (inspected, error) {
	bad := func(err error) (inspected, error) { return inspected{Photo: path, err: err}, nil }
	photo, err := vision.Load(path)
	if err != nil {
		return bad(err)
	}
	if camera != nil {
		if err := camera.Fits(photo.Info); err != nil {
			return bad(err)
		}
	}
	res, err := vision.Detect(photo.Pix, boards, vision.DetectOptions{Camera: camera})
	if err != nil {
		return bad(fmt.Errorf("%s: %w", path, err))
	}
	out := inspected{Photo: path, Width: photo.Width, Height: photo.Height, Boards: []inspectedBoard{}, UnknownIDs: res.UnknownIDs}
	out.Verdict = judgePhoto(photo, boards, res, least, true)
	for i, v := range res.Views {
		b, judged := &boards[v.Board], &out.Verdict.boards[i]
		t := inspectedBoard{
			Board: b.Name, Markers: v.Markers, Corners: len(v.Corners), Of: b.NumCorners(),
			SquarePx: v.SquarePx, ObliquityDeg: judged.quality.Obliquity * 180 / math.Pi, BlurPx: v.BlurPx, Note: v.Note,
			Spread: spreadOf(judged.quality.Spread), Contrast: judged.quality.Contrast, Noise: judged.quality.Noise, Clipped: judged.quality.Clipped,
			OverPlan: judged.Cost, Verdict: judged.Verdict,
		}
		var sd []float64
		for _, c := range v.Corners {
			t.List = append(t.List, inspectedCorner(c))
			sd = append(sd, math.Sqrt((c.Cov[0]+c.Cov[2])/2))
		}
		sort.Float64s(sd)
		t.CornerSDPx = sd[len(sd)/2]
		for _, c := range v.Rejected {
			t.Rejected = append(t.Rejected, inspectedReject(c))
		}
		out.Boards = append(out.Boards, t)
	}
	if picture == "" {
		return out, nil
	}
	drawn, err := vision.Annotate(photo.Pix, photo.Orientation, boards, res, out.Verdict.remarks())
	if err != nil {
		return bad(fmt.Errorf("%s: %w", path, err))
	}
	out.Picture = picture
	return out, writeFile(picture, func(w io.Writer) error { return jpeg.Encode(w, drawn, &jpeg.Options{Quality: 88}) })
}

// inspectText is a table for each photograph.
func inspectText(photos []inspected) string {
	var b strings.Builder
	for i, p := range photos {
		if i > 0 {
			b.WriteString("\n")
		}
		fmt.Fprintf(&b, "%s (%d x %d)", p.Photo, p.Width, p.Height)
		if len(p.Boards) == 0 {
			b.WriteString(": no board\n")
		} else {
			b.WriteString("\n")
			t := newTable(left("board"), right("markers"), right("corners"), right("square px"), right("oblique deg"),
				right("blur px"), right("trail px"), right("corner u px"), right("u over plan"), left("verdict"), left("note"))
			for _, v := range p.Boards {
				note := v.Note
				if why := reasons(v.Rejected); why != "" {
					note = strings.TrimPrefix(note+"; "+why, "; ")
				}
				t.row(v.Board, fmt.Sprint(v.Markers), fmt.Sprintf("%d of %d", v.Corners, v.Of), fmt.Sprintf("%.1f", v.SquarePx),
					fmt.Sprintf("%.0f", v.ObliquityDeg), fmt.Sprintf("%.2f", v.Spread.ShortPx), fmt.Sprintf("%.1f", v.Spread.TrailPx),
					fmt.Sprintf("%.4f", v.CornerSDPx), fmt.Sprintf("%.1f", v.OverPlan), string(v.Verdict), note)
			}
			b.WriteString(t.String())
		}
		b.WriteString(fold("", "verdict: "+p.Verdict.line()))
		if len(p.UnknownIDs) > 0 {
			fmt.Fprintf(&b, "markers of no board known here: ids %s\n", ranges(p.UnknownIDs))
		}
		if p.Picture != "" {
			fmt.Fprintf(&b, "drawn in %s\n", p.Picture)
		}
	}
	return b.String()
}

// reasons counts why corners were rejected.
func reasons(rejected []inspectedReject) string {
	count := map[string]int{}
	var order []string
	for _, r := range rejected {
		if count[r.Reason] == 0 {
			order = append(order, r.Reason)
		}
		count[r.Reason]++
	}
	var out []string
	for _, r := range order {
		out = append(out, fmt.Sprintf("%d %s", count[r], r))
	}
	return strings.Join(out, ", ")
}
