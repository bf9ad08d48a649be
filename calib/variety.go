package calib

import (
	"fmt"
	"math"
	"strings"

	"wheelplane/pose"
)

// Check is one thing that a set of photographs must vary.
type Check struct {
	Name   string `json:"name"`             // "sideways tilt", ...
	Found  string `json:"found"`            // in words, with numbers and units
	OK     bool   `json:"enough"`           // for a good calibration
	Advice string `json:"advice,omitempty"` // what to photograph in addition; empty when OK
}

// Variety says whether the views are varied enough to calibrate a camera, in
// figures and as checks. It describes the photographs, not the result: how
// certain the intrinsics are is in their covariance.
type Variety struct {
	Views   int
	Corners int

	// Tilt of the board against the picture's plane about the picture's
	// vertical (sideways) and horizontal (upDown) axis: least and greatest,
	// radians. Positive where the board faces the picture's right or lower side.
	TiltSideways, TiltUpDown [2]float64
	// Covered is the share of the frame's cells (8 along its longer side) in
	// which a corner was seen.
	Covered float64
	// FrameCorners counts the frame's corners that have a board corner within
	// 15 % of the frame's diagonal.
	FrameCorners int
	// DistanceRatio is the greatest over the least distance of the board.
	DistanceRatio float64
	// Turn is the greatest difference between two views in how the board is
	// turned about the optical axis, up to 90 degrees, radians.
	Turn float64

	Checks []Check
}

// Good tells whether all checks are passed.
func (v *Variety) Good() bool {
	for _, c := range v.Checks {
		if !c.OK {
			return false
		}
	}
	return true
}

// Verdict is one sentence on the variety.
func (v *Variety) Verdict() string {
	var weak []string
	for _, c := range v.Checks {
		if !c.OK {
			weak = append(weak, c.Name)
		}
	}
	switch {
	case len(weak) == 0:
		return "the photographs are varied enough"
	case len(weak) <= 2:
		return "the photographs could be more varied in " + strings.Join(weak, " and ")
	}
	return "the photographs vary too little in " + strings.Join(weak[:len(weak)-1], ", ") + " and " + weak[len(weak)-1]
}

// Advice says what to photograph in addition.
func (v *Variety) Advice() string {
	var a []string
	for _, c := range v.Checks {
		if !c.OK {
			a = append(a, c.Advice)
		}
	}
	if len(a) == 0 {
		return photographMore
	}
	return "photograph the board " + strings.Join(a, ", ")
}

// What is asked of a good set. The figures are common practice, no source; the
// covariance is what decides.
const (
	goodViews     = 10
	goodTilt      = 40 * math.Pi / 180 // from one side to the other
	goodCovered   = 0.6
	goodDistances = 1.4
	goodTurn      = 45 * math.Pi / 180

	cellsAlong       = 8
	nearFrameCorner  = 0.15 // of the frame's diagonal
	radiansPerDegree = math.Pi / 180
)

func varietyOf(res *Result) Variety {
	v := Variety{Views: len(res.Views), Corners: res.Corners}
	w, h := float64(res.Camera.Width), float64(res.Camera.Height)
	cell := math.Max(w, h) / cellsAlong
	nx, ny := int(math.Ceil(w/cell-1e-9)), int(math.Ceil(h/cell-1e-9))
	seen := make([]bool, nx*ny)
	var reached [4]bool
	var turns []float64
	near, far := math.Inf(1), 0.0
	v.TiltSideways = [2]float64{math.Inf(1), math.Inf(-1)}
	v.TiltUpDown = v.TiltSideways
	for _, view := range res.Views {
		normal := view.CameraFromBoard.R.Column(2) // towards the camera: z < 0
		for k, t := range []*[2]float64{&v.TiltSideways, &v.TiltUpDown} {
			a := math.Atan2(normal[k], -normal[2])
			t[0], t[1] = math.Min(t[0], a), math.Max(t[1], a)
		}
		d := pose.Norm(view.CameraFromBoard.T)
		near, far = math.Min(near, d), math.Max(far, d)
		x := view.CameraFromBoard.R.Column(0)
		turns = append(turns, math.Atan2(x[1], x[0]))
		for _, r := range view.Residuals {
			if r.Rejected {
				continue
			}
			i, j := int((r.Px[0]+0.5)/cell), int((r.Px[1]+0.5)/cell)
			seen[min(max(j, 0), ny-1)*nx+min(max(i, 0), nx-1)] = true
			for k := range reached {
				x, y := float64(k%2)*(w-1), float64(k/2)*(h-1)
				if math.Hypot(r.Px[0]-x, r.Px[1]-y) <= nearFrameCorner*math.Hypot(w, h) {
					reached[k] = true
				}
			}
		}
	}
	for _, s := range seen {
		if s {
			v.Covered += 1 / float64(len(seen))
		}
	}
	for _, r := range reached {
		if r {
			v.FrameCorners++
		}
	}
	v.DistanceRatio = far / near
	for i, a := range turns {
		for _, b := range turns[:i] {
			// Directions of a line: the difference modulo 180 degrees.
			d := math.Abs(math.Mod(a-b, math.Pi))
			v.Turn = math.Max(v.Turn, math.Min(d, math.Pi-d))
		}
	}

	check := func(name string, ok bool, advice, format string, a ...any) {
		c := Check{Name: name, Found: fmt.Sprintf(format, a...), OK: ok}
		if !ok {
			c.Advice = advice
		}
		v.Checks = append(v.Checks, c)
	}
	deg := func(a float64) float64 { return a / radiansPerDegree }
	check("number", v.Views >= goodViews,
		fmt.Sprintf("%d times or more", goodViews),
		"%s, %d corners", photographs(v.Views), v.Corners)
	check("sideways tilt", v.TiltSideways[1]-v.TiltSideways[0] >= goodTilt,
		"tilted 20 to 45 degrees to the left and to the right",
		"%+.0f to %+.0f degrees", deg(v.TiltSideways[0]), deg(v.TiltSideways[1]))
	check("up-and-down tilt", v.TiltUpDown[1]-v.TiltUpDown[0] >= goodTilt,
		"tilted 20 to 45 degrees upwards and downwards",
		"%+.0f to %+.0f degrees", deg(v.TiltUpDown[0]), deg(v.TiltUpDown[1]))
	check("coverage", v.Covered >= goodCovered,
		"in the parts of the frame where it was not yet",
		"corners in %.0f %% of the frame", 100*v.Covered)
	check("frame corners", v.FrameCorners == 4,
		"in all four corners of the frame",
		"%d of 4 reached", v.FrameCorners)
	check("distance", v.DistanceRatio >= goodDistances,
		"from nearer and from farther away",
		"farthest %.1f times the nearest", v.DistanceRatio)
	check("turn", v.Turn >= goodTurn,
		"with the camera turned upright as well as level",
		"turned about the optical axis by up to %.0f degrees", deg(v.Turn))
	return v
}

// patternLimit is the value of [Result.Pattern] above which a warning is due.
const patternLimit = 3

// pattern compares the residuals' averages over cells of the frame, each
// residual over its own standard uncertainty, with what chance gives. Corners of
// one photograph may err alike without any fault of the lens, so the average of a
// photograph in a cell counts as one value, and chance is how much photographs
// differ there.
func (m *model) pattern() float64 {
	type mean struct{ x, y, n float64 }
	cells := map[[2]int]map[int]*mean{}
	cell := float64(max(m.cam.Width, m.cam.Height)) / cellsAlong
	for vi, v := range m.views {
		for i := range v.obs {
			if v.rejected[i] {
				continue
			}
			o := &v.obs[i]
			d, _ := m.off(v, i)
			s := math.Sqrt(m.noise.stated*(o.cov[0]+o.cov[2])/2 + m.noise.extra)
			k := [2]int{int(o.px[0] / cell), int(o.px[1] / cell)}
			if cells[k] == nil {
				cells[k] = map[int]*mean{}
			}
			if cells[k][vi] == nil {
				cells[k][vi] = &mean{}
			}
			c := cells[k][vi]
			c.x, c.y, c.n = c.x+d[0]/s, c.y+d[1]/s, c.n+1
		}
	}
	var got, want float64
	for _, photos := range cells {
		n := float64(len(photos))
		if n < 2 {
			continue
		}
		var x, y, sq float64
		for _, c := range photos {
			c.x, c.y = c.x/c.n, c.y/c.n
			x, y, sq = x+c.x, y+c.y, sq+c.x*c.x+c.y*c.y
		}
		// Independent values of mean zero: n times their mean squared is as large
		// as their scatter about the mean.
		all := (x*x + y*y) / n
		got += all
		want += (sq - all) / (n - 1)
	}
	if !(want > 0) {
		return 0
	}
	return got / want
}
