package cli

import (
	"image"
	"image/color"
	"image/draw"
	"math"
	"strings"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose"
	"wheelplane/vision"
)

// pair is a photograph of two boards side by side, as a phone takes it.
func pair(distance, tiltDeg float64) (vision.Camera, []vision.Board, fixtures.Shot) {
	c := vision.Camera{Name: "test", Width: 1200, Height: 900, FX: 870, FY: 870, CX: 600, CY: 450}
	boards := vision.Set(2, vision.Board{Dictionary: "36h11", Cols: 7, Rows: 5, SquareM: 0.055, MarkerM: 0.041, ScaleX: 1, ScaleY: 1})
	s := fixtures.Shot{Camera: c}
	for i, b := range boards {
		side := float64(2*i - 1)
		r := pose.RotY(-side * tiltDeg * math.Pi / 180).Mul(pose.RotX(math.Pi)).Mul(pose.RotZ(0.3 * side))
		s.Boards = append(s.Boards, fixtures.PlacedBoard{Board: b, CameraFromBoard: pose.SE3{R: r, T: pose.Vec{0.3 * side * distance / 1.3, 0.05 * side, distance}}})
	}
	return c, boards, s
}

// Every verdict occurs where it is due, and a good photograph has none of them.
func TestPhotoVerdicts(t *testing.T) {
	plain := fixtures.PhoneOptics(1200)
	plain.MotionPx = 0
	with := func(change func(o *fixtures.Optics)) fixtures.Optics {
		o := plain
		change(&o)
		return o
	}
	paint := func(img *image.Gray, box image.Rectangle, grey uint8) {
		draw.Draw(img, box, image.NewUniform(color.Gray{grey}), image.Point{}, draw.Src)
	}
	for _, k := range []struct {
		want    kind
		says    string
		optics  fixtures.Optics
		m, tilt float64
		spoil   func(img *image.Gray)
	}{
		{isGood, "", plain, 1.3, 20, nil},
		{isGood, "", with(func(o *fixtures.Optics) { o.MotionPx = 0.6 * 0.3 }), 1.6, 50, nil},
		{isMoved, "drawn out by 4.1 px up and down", with(func(o *fixtures.Optics) { o.Trail = [2]float64{0, 4} }), 1.3, 20, nil},
		{isMoved, "slantwise", with(func(o *fixtures.Optics) { o.Trail = [2]float64{2.6, 2.6} }), 1.3, 20, nil},
		{isBlurred, "point spread of 2.", with(func(o *fixtures.Optics) { o.BlurPx = 1.8 }), 1.3, 20, nil},
		{isDark, "grey levels above black", with(func(o *fixtures.Optics) { o.Exposure = -3.5 }), 1.3, 20, nil},
		{isBright, "at the top of the scale", with(func(o *fixtures.Optics) { o.Exposure = 1.7 }), 1.3, 20, nil},
		{isOblique, "seen at 79 degrees", plain, 0.8, 66, nil},
		{isSmall, "squares of", plain, 6.5, 0, nil},
		{isCovered, "corners are hidden", plain, 1.3, 20, func(img *image.Gray) { paint(img, image.Rect(760, 0, 1200, 900), 90) }},
		{isCut, "outside the picture", plain, 1.3, 20, nil},
		{isFew, "", plain, 1.3, 20, func(img *image.Gray) { paint(img, image.Rect(610, 0, 1200, 900), 90) }},
		{isNone, "no board is in sight", plain, 1.3, 20, func(img *image.Gray) { paint(img, img.Rect, 120) }},
		{isNone, "dark", with(func(o *fixtures.Optics) { o.Exposure = -8 }), 1.3, 20, nil},
		{isNone, "blurred", with(func(o *fixtures.Optics) { o.BlurPx = 7 }), 2, 20, nil},
	} {
		c, boards, shot := pair(k.m, k.tilt)
		img := fixtures.Gray(fixtures.Render(shot, k.optics, 5))
		if k.spoil != nil {
			k.spoil(img)
		}
		if k.want == isCut {
			// The same photograph, ended in the middle of the right board.
			img = &image.Gray{Pix: img.Pix, Stride: img.Stride, Rect: image.Rect(0, 0, 760, 900)}
			c.Width = 760
		}
		r, err := vision.Detect(img, boards, vision.DetectOptions{Camera: &c})
		if err != nil {
			t.Fatal(err)
		}
		photo := &vision.Image{Info: vision.Info{Width: c.Width, Height: c.Height}, Pix: img}
		v := judgePhoto(photo, boards, r, 2, true)
		if v.Verdict != k.want || !strings.Contains(v.Why, k.says) {
			t.Errorf("%d boards: %s, want %s (%s)", len(r.Views), v.line(), k.want, k.says)
		}
		if quick := judgePhoto(photo, boards, r, 2, false); quick.Verdict != v.Verdict {
			t.Errorf("%s at a glance, %s looked at closely", quick.Verdict, v.Verdict)
		}
		t.Log(v.line())
	}
}
