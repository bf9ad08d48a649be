package lesson

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// cameraData is the camera lesson's part of lesson.json.
type cameraData struct {
	Cases     []Case  `json:"cases"`
	FocalOff  float64 `json:"focal_off"`  // share
	LittleOff float64 `json:"little_off"` // share
	EdgePx    float64 `json:"edge_px"`    // how far the exercise's point is from the middle
	R         float64 `json:"edge_over_focal"`
	K1        float64 `json:"k1"`
	K2        float64 `json:"k2"`
	K3        float64 `json:"k3"`
	MovedPx   float64 `json:"answer_moved_px"`
	RMSPx     float64 `json:"rms_px"`
	Times     float64 `json:"answer_times"`
}

// movedPx is how far a lens moves a point whose undistorted place is r focal
// lengths from the middle: radial distortion as in camera.yaml (k1, k2, k3).
func movedPx(c *vision.Camera, r float64) float64 {
	return c.FX * r * (c.K1*r*r + c.K2*math.Pow(r, 4) + c.K3*math.Pow(r, 6))
}

func cameraFile(ctx context.Context, b Bench, c Class) (*Sheet, error) {
	const right, near, other, pinhole, bare = "right-camera", "a-little-off", "other-phone", "no-distortion", "no-distortion-held"
	d := &cameraData{}
	d.FocalOff = 0.02 + 0.001*math.Floor(16*rand.New(rand.NewPCG(c.Seed, 0x63616d657261)).Float64())
	scene, err := fixtures.NewScene("harbour-car", c.Seed, c.Size)
	if err != nil {
		return nil, err
	}
	if err := b.Photograph(ctx, right, scene); err != nil {
		return nil, err
	}
	longer := scene.Camera
	longer.FX *= 1 + d.FocalOff
	longer.FY *= 1 + d.FocalOff
	little := scene.Camera
	d.LittleOff = 2 * math.Sqrt(little.Cov[0][0]) / little.FX
	little.FX *= 1 + d.LittleOff
	little.FY *= 1 + d.LittleOff
	straight := scene.Camera
	in := straight.Intrinsics()
	for i := 4; i < len(in); i++ {
		in[i] = 0
	}
	straight.SetIntrinsics(in)
	held := straight
	held.Cov = nil
	for _, f := range []struct {
		folder string
		camera *vision.Camera
	}{{near, &little}, {other, &longer}, {pinhole, &straight}, {bare, &held}} {
		if err := b.Retell(f.folder, right, scene.Job, f.camera); err != nil {
			return nil, err
		}
	}

	t := Table{
		Caption: "Corners off: how far corners lie from where the solution has them, root mean square. Total toe: u and error of both axles, root mean square, degrees.",
		Columns: []Column{words("camera.yaml"), numbers("chi-square"), numbers("corners off px"), numbers("total toe, error"), numbers("u"), numbers("error over u"), words("told of the file")},
	}
	var list []*Measured
	for _, x := range []struct{ folder, what string }{
		{right, "the right one"}, {near, fmt.Sprintf("focal length %s %% too long", wording.Decimal(100*d.LittleOff, 2))}, {other, fmt.Sprintf("focal length %s %% too long", wording.Decimal(100*d.FocalOff, 1))}, {pinhole, "without distortion"}, {bare, "the same, stated to be exact"},
	} {
		m, err := b.Measure(ctx, x.folder)
		if err != nil {
			return nil, err
		}
		list = append(list, m)
		if m.Refused != "" {
			t.Rows = append(t.Rows, []string{x.what, "refused"})
			continue
		}
		n := m.Solution.Network
		toe, u := m.spread(align.TotalToe)
		t.Rows = append(t.Rows, []string{x.what, wording.Decimal(n.VarianceFactor, 1), wording.Decimal(n.RMSPx, 4), wording.Decimal(toe, 4), wording.Decimal(u, 4), wording.Decimal(toe/u, 1), toldOfFile(m)})
	}
	if list[0].Refused != "" {
		return nil, fmt.Errorf("%s: %s: choose another --seed, or a larger --size", right, list[0].Refused)
	}
	d.Cases = dataOf(list)
	cam := &scene.Camera
	d.K1, d.K2, d.K3 = cam.K1, cam.K2, cam.K3
	d.EdgePx = math.Floor(cam.CX/10) * 10 // near the left or right edge
	d.R = d.EdgePx / cam.FX
	d.MovedPx = movedPx(cam, d.R)
	d.RMSPx = list[0].Solution.Network.RMSPx
	d.Times = math.Abs(d.MovedPx) / d.RMSPx

	s := &Sheet{
		Question: "camera.yaml tells how this phone's lens draws. What happens with the file of another phone, or of a perfect lens?",
		Guess:    fmt.Sprintf("The focal length in the file is %s %% too long. Are the angles then wrong by %s %% too? And would you notice, without knowing the truth?", wording.Decimal(100*d.FocalOff, 1), wording.Decimal(100*d.FocalOff, 1)),
		Done: []string{
			c.photographed(len(scene.Job.Photos), "car with two axles"),
			"The same photographs are measured with different camera files: the phone's own, one whose focal length is off by twice its stated uncertainty, that of a phone with a longer focal length, and one that claims a lens without any distortion. All state the same small uncertainties, as a calibration does. The last once more as a file of another program: it states none, and so is taken to be exact.",
		},
		Tables:  []Table{t},
		Numbers: d.said(list),
		Picture: d.picture(cam),
		Caption: "How far this lens moves a point of the picture, by its distance from the middle. The scale is logarithmic. Dashed: how well corners fit with the right camera file.",
		Bay: []string{
			"Calibrate the phone that is used, with the lens, zoom, focus and picture size that are used, and do it again after a fall or an update. It takes ten minutes: 'wheelplane camera'.",
			"Read what the program warns of, and chi-square, before the angles. Chi-square is near 1 when everything is as stated, whatever the vehicle; well above 1, look for the wrong camera file, a bent board or a wrong print first, and only then at the readings.",
			"A file that states no uncertainties is believed to the letter: use those that 'wheelplane camera' wrote.",
		},
		Exercise: []string{
			fmt.Sprintf("camera.yaml of this phone says: focal length %s px, k1 = %s, k2 = %s, k3 = %s. A point that a perfect lens would draw r focal lengths from the picture's middle is moved by r × (k1 × r² + k2 × r⁴ + k3 × r⁶) focal lengths, outwards if that is positive.", wording.Decimal(cam.FX, 1), wording.Decimal(cam.K1, 4), wording.Decimal(cam.K2, 4), wording.Decimal(cam.K3, 4)),
			fmt.Sprintf("a) How many pixels is a point moved that belongs %s px from the middle, near the edge?", wording.Decimal(d.EdgePx, 0)),
			fmt.Sprintf("b) With the right file the corners fit to %s px. How many times larger is what a file without distortion gets wrong there?", wording.Decimal(d.RMSPx, 4)),
		},
		Answer: []string{
			fmt.Sprintf("a) r = %s / %s = %s. k1 × r² = %s, k2 × r⁴ = %s, k3 × r⁶ = %s; together %s. Times r and the focal length: %s × %s × %s = %s px.",
				wording.Decimal(d.EdgePx, 0), wording.Decimal(cam.FX, 1), wording.Decimal(d.R, 4), wording.Decimal(d.K1*d.R*d.R, 5), wording.Decimal(d.K2*math.Pow(d.R, 4), 5), wording.Decimal(d.K3*math.Pow(d.R, 6), 5), wording.Decimal(d.MovedPx/d.R/cam.FX, 5),
				wording.Decimal(d.MovedPx/d.R/cam.FX, 5), wording.Decimal(d.R, 4), wording.Decimal(cam.FX, 1), wording.Decimal(d.MovedPx, 2)),
			fmt.Sprintf("b) %s / %s = %s times. That is why it cannot stay hidden.", wording.Decimal(math.Abs(d.MovedPx), 2), wording.Decimal(d.RMSPx, 4), figures(d.Times)),
		},
		Folders: []Folder{{right, "with the right camera.yaml"}, {near, "the same photographs, a camera.yaml that is a little off"}, {other, "the same photographs, another phone's camera.yaml"}, {pinhole, "the same photographs, a camera.yaml without distortion"}, {bare, "the same, and without uncertainties"}},
		Data:    d,
	}
	return s, nil
}

// said puts into words what came of the three files.
func (d *cameraData) said(list []*Measured) []string {
	toe, u := list[0].spread(align.TotalToe)
	out := []string{fmt.Sprintf("With the right file chi-square is %s, total toe is off by %s degrees and the program says ± %s.", wording.Decimal(list[0].Solution.Network.VarianceFactor, 1), wording.Decimal(toe, 4), wording.Decimal(u, 4))}
	for i, what := range []string{fmt.Sprintf("a focal length %s %% too long", wording.Decimal(100*d.LittleOff, 2)), fmt.Sprintf("a focal length %s %% too long", wording.Decimal(100*d.FocalOff, 1)), "no distortion", "no distortion, stated to be exact,"} {
		m := list[i+1]
		if m.Refused != "" {
			out = append(out, fmt.Sprintf("With %s there is no result at all. The program says: %s.", what, m.Refused))
			continue
		}
		off, uOff := m.spread(align.TotalToe)
		text := fmt.Sprintf("With %s chi-square is %s and total toe is off by %s degrees, ± %s.", what, figures(m.Solution.Network.VarianceFactor), wording.Decimal(off, 4), wording.Decimal(uOff, 4))
		if k := mistaken(m); k >= 0 {
			first, _, _ := strings.Cut(m.Solution.Network.Faults[k].Text, ";")
			text += " The program says: " + first + "."
		} else {
			text += " The program says nothing against the file."
		}
		out = append(out, text)
	}
	return append(out, "Angles are not off by percents. All photographs together know much of the camera themselves, and the file's numbers are weighed against them by their stated uncertainties. A file that is off by little gives way, and costs nothing that shows. One that they contradict is named, without knowing the truth, and set aside: the camera is then found from the photographs alone. One that states no uncertainties cannot give way.")
}

// mistaken is which of a measurement's faults is the camera's file, or -1.
func mistaken(m *Measured) int {
	return slices.IndexFunc(m.Solution.Network.Faults, func(f rig.Fault) bool { return f.Kind == rig.CameraMistaken })
}

func toldOfFile(m *Measured) string {
	if mistaken(m) >= 0 {
		return "mistaken"
	}
	return "nothing"
}

func (d *cameraData) picture(cam *vision.Camera) *draw.Picture {
	var curve []draw.Dot
	corner := math.Hypot(float64(cam.Width), float64(cam.Height)) / 2
	for px := corner / 16; px <= corner; px += corner / 40 {
		curve = append(curve, draw.Dot{X: px, Y: math.Abs(movedPx(cam, px/cam.FX))})
	}
	return draw.Chart{
		W: 170, H: 56, Title: "What the lens does", Desc: "A curve that rises from a hundredth of a pixel to pixels.",
		X: draw.Axis{Name: "distance from the picture's middle, px"}, Y: draw.Axis{Name: "moved by, px", Log: true},
		Lines:  []draw.Series{{Name: "this lens, by camera.yaml", Dots: curve, Band: true}},
		Guides: []draw.Guide{{Name: "corners fit to this", At: d.RMSPx}},
	}.Picture()
}
