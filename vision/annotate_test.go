package vision_test

import (
	"image"
	"image/color"
	"math"
	"testing"

	"wheelplane/vision"
)

// near tells whether a colour like want is within r pixels of p.
func near(img *image.RGBA, p image.Point, r int, want color.RGBA) bool {
	for y := p.Y - r; y <= p.Y+r; y++ {
		for x := p.X - r; x <= p.X+r; x++ {
			c := img.RGBAAt(x, y)
			d := func(a, b uint8) float64 { return math.Abs(float64(a) - float64(b)) }
			if d(c.R, want.R) < 40 && d(c.G, want.G) < 40 && d(c.B, want.B) < 40 {
				return true
			}
		}
	}
	return false
}

func TestAnnotateDrawsWhereThingsAre(t *testing.T) {
	img := image.NewGray(image.Rect(0, 0, 4000, 3000))
	for i := range img.Pix {
		img.Pix[i] = 90
	}
	r := vision.Result{Views: []vision.View{{
		Outline:  [4][2]float64{{1000, 1000}, {2000, 1000}, {2000, 1800}, {1000, 1800}},
		Corners:  []vision.Corner{{Px: [2]float64{1400, 1400}, Cov: [3]float64{1e-4, 0, 1e-4}}},
		Rejected: []vision.RejectedCorner{{Px: [2]float64{1700, 1600}, Reason: "covered"}},
	}}}
	blue, orange, yellow := color.RGBA{86, 200, 255, 255}, color.RGBA{255, 110, 40, 255}, color.RGBA{240, 228, 66, 255}
	// EXIF orientation to where the photograph's pixel (x, y) of 4000 × 3000 is
	// seen (CIPA DC-008: 6 is turned clockwise to view, 8 the other way).
	turn := map[int]func(x, y int) image.Point{
		0: func(x, y int) image.Point { return image.Pt(x, y) },
		1: func(x, y int) image.Point { return image.Pt(x, y) },
		3: func(x, y int) image.Point { return image.Pt(3999-x, 2999-y) },
		6: func(x, y int) image.Point { return image.Pt(2999-y, x) },
		8: func(x, y int) image.Point { return image.Pt(y, 3999-x) },
	}
	for orientation, to := range turn {
		out, err := vision.Annotate(img, orientation, vision.Set(1, a3), r, vision.Remarks{})
		if err != nil {
			t.Fatal(err)
		}
		want := image.Pt(2000, 1500)
		if orientation >= 5 {
			want = image.Pt(1500, 2000)
		}
		if out.Rect.Size() != want {
			t.Fatalf("orientation %d: size %v, want %v", orientation, out.Rect.Size(), want)
		}
		at := func(x, y int) image.Point { return to(x, y).Div(2) }
		if !near(out, at(1400, 1400), 1, blue) {
			t.Errorf("orientation %d: no dot at the corner", orientation)
		}
		// 0.01 px enlarged 500 times is 5 px of the picture.
		if near(out, at(1400, 1400).Add(image.Pt(8, 0)), 1, blue) || !near(out, at(1400, 1400).Add(image.Pt(5, 0)), 1, blue) {
			t.Errorf("orientation %d: the ellipse is not where it should be", orientation)
		}
		if !near(out, at(1700, 1600).Add(image.Pt(6, 6)), 2, orange) || near(out, at(1700, 1600).Add(image.Pt(9, 0)), 1, orange) {
			t.Errorf("orientation %d: no cross at the rejected corner", orientation)
		}
		for _, p := range [][2]int{{1500, 1000}, {2000, 1400}, {1500, 1800}, {1000, 1400}} {
			if !near(out, at(p[0], p[1]), 2, yellow) {
				t.Errorf("orientation %d: no outline at %v", orientation, p)
			}
		}
		if !near(out, image.Pt(30, out.Rect.Dy()-40), 30, color.RGBA{255, 255, 255, 255}) {
			t.Errorf("orientation %d: no legend", orientation)
		}
	}
	// Small pictures are not enlarged, and nothing found is drawn too.
	out, err := vision.Annotate(image.NewGray(image.Rect(0, 0, 300, 200)), 1, nil, vision.Result{}, vision.Remarks{})
	if err != nil || out.Rect.Size() != image.Pt(300, 200) {
		t.Errorf("%v, %v", err, out.Rect)
	}
}

// A trail is drawn as it lies in the upright picture.
func TestAnnotateTrail(t *testing.T) {
	img := image.NewGray(image.Rect(0, 0, 900, 700))
	for _, orientation := range []int{1, 6} {
		out, err := vision.Annotate(img, orientation, nil, vision.Result{}, vision.Remarks{Title: []string{"moved"}, Trail: [2]float64{0, 4}})
		if err != nil {
			t.Fatal(err)
		}
		var box image.Rectangle
		for y := range out.Rect.Dy() {
			for x := range out.Rect.Dx() {
				if c := out.RGBAAt(x, y); c.R > 200 && c.B < 100 {
					box = box.Union(image.Rect(x, y, x+1, y+1))
				}
			}
		}
		// Down in the sensor's picture; turned by a quarter, level.
		long, wide := box.Dy(), box.Dx()
		if orientation == 6 {
			long, wide = wide, long
		}
		if long < 50 || wide > 8 {
			t.Errorf("orientation %d: the trail is drawn in %v", orientation, box)
		}
	}
}
