package plan_test

import (
	"image"
	"math"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose"
	"wheelplane/pose/plan"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// What is foreseen of a board in a clean picture is what the fit of one states,
// from the blur and the noise that the picture was given and the contrast it has.
func TestForeseenAsFitted(t *testing.T) {
	c := vision.Camera{Width: 1400, Height: 1050, FX: 2900, FY: 2905, CX: 710, CY: 520, K1: 0.08, K2: -0.15}
	optics := fixtures.Optics{BlurPx: 0.8, NoiseLevels: 2}
	floor := pose.SE3{R: pose.SO3{{0, 0, 1}, {-1, 0, 0}, {0, -1, 0}}, T: pose.Vec{0, 0, 1.5}}.Inverse()
	for i, x := range []struct {
		dist, tiltDeg, turnDeg float64
		b                      vision.Board
	}{{1.6, 0, 10, plain}, {1.6, 60, 80, plain}, {2.5, 45, 35, plain}, {3.6, 70, 0, plain}, {4.5, 30, 60, plain}, {2, 20, 20, wide}} {
		b := x.b
		facing := pose.RotX(math.Pi).Mul(pose.RotX(x.tiltDeg * degree)).Mul(pose.RotZ(x.turnDeg * degree))
		at := pose.SE3{R: facing, T: pose.Vec{0.05, -0.03, x.dist}}
		img := fixtures.Gray(fixtures.Render(fixtures.Shot{Camera: c, CameraFromFloor: floor, Boards: []fixtures.PlacedBoard{{Board: b, CameraFromBoard: at}}}, optics, uint64(i)))
		res, err := vision.Detect(img, []vision.Board{b}, vision.DetectOptions{Camera: &c})
		if err != nil || len(res.Views) != 1 || res.Views[0].Joint == nil {
			t.Fatalf("%v: %v", x, err)
		}
		v := res.Views[0]
		l := vision.Likeness{BlurPx: math.Hypot(optics.BlurPx, math.Sqrt(1.0/12)), Noise: math.Hypot(optics.NoiseLevels, math.Sqrt(1.0/12)) / contrast(img, &c, b, at), Lack: v.Joint.LackOfFit}
		ratio, ok := plan.Compared(&b, rig.Observation{Corners: v.Corners, Joint: v.Joint}, l)
		t.Logf("%.1f m, %2.0f deg, squares of %.0f px: stated over foreseen %.3f", x.dist, x.tiltDeg, v.SquarePx, ratio)
		if !ok || ratio < 0.87 || ratio > 1.13 {
			t.Errorf("%v: the fit states %.3f of what is foreseen", x, ratio)
		}
	}
}

var (
	plain = vision.Board{Name: "A", Dictionary: "36h11", Cols: 7, Rows: 5, SquareM: 0.055, MarkerM: 0.041, ScaleX: 1, ScaleY: 1}
	wide  = vision.Board{Name: "B", Dictionary: "36h11", Cols: 8, Rows: 6, SquareM: 0.050, MarkerM: 0.028, ScaleX: 1, ScaleY: 1} // markers far from the squares' edges
)

// contrast is how much lighter white is than black in a picture of a board, grey
// levels: in the border, and in the middle of black squares.
func contrast(img *image.Gray, c *vision.Camera, b vision.Board, at pose.SE3) float64 {
	w, h := b.Size()
	mean := func(places [][2]float64) (m float64) {
		for _, p := range places {
			px, _ := c.Project(at.Apply(pose.Vec{p[0]*b.SquareM - w/2, h/2 - p[1]*b.SquareM, 0}))
			m += float64(img.GrayAt(int(px[0]+0.5), int(px[1]+0.5)).Y) / float64(len(places))
		}
		return m
	}
	var white, black [][2]float64
	for col := range b.Cols {
		x := float64(col) + 0.5
		white = append(white, [2]float64{x, -0.2}, [2]float64{x, float64(b.Rows) + 0.2})
		for row := col % 2; row < b.Rows; row += 2 {
			black = append(black, [2]float64{x, float64(row) + 0.5})
		}
	}
	return mean(white) - mean(black)
}
