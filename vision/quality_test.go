package vision_test

import (
	"image"
	"image/color"
	"image/draw"
	"math"
	"slices"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/vision"
)

// trio is a photograph of three boards, small enough to be made often.
func trio() (vision.Camera, []vision.Board, []fixtures.PlacedBoard) {
	c := phone()
	c.Width, c.Height = 1200, 900
	c.FX, c.FY, c.CX, c.CY = c.FX*0.3, c.FY*0.3, c.CX*0.3, c.CY*0.3
	b := vision.Set(3, a3)
	return c, b, []fixtures.PlacedBoard{
		at(&c, b[0], [2]float64{300, 250}, 1.2, 30, 0, 10),
		at(&c, b[1], [2]float64{900, 300}, 1.4, 45, 60, 40),
		at(&c, b[2], [2]float64{600, 650}, 1.3, 20, 10, 70),
	}
}

// assessed renders the trio and assesses what is found.
func assessed(t *testing.T, o fixtures.Optics) (vision.Quality, vision.Result) {
	t.Helper()
	c, boards, placed := trio()
	img := render(c, o, 3, placed...)
	r, err := vision.Detect(img, boards, vision.DetectOptions{Camera: &c})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Views) == 0 {
		t.Fatalf("%+v: no board found", o)
	}
	return vision.Assess(img, boards, r), r
}

// apart is the difference of two directions, degrees, 0 to 90.
func apart(a, b float64) float64 {
	d := math.Mod(math.Abs(a-b), 180)
	return math.Min(d, 180-d)
}

// Point spreads that are known: round ones as the camera was told, with the
// pixel's own area; trails of known length and direction.
func TestPointSpreadIsFound(t *testing.T) {
	clean, retouched := fixtures.DefaultOptics(1200), fixtures.PhoneOptics(1200)
	retouched.MotionPx = 0
	for _, blur := range []float64{0.6, 1.4} {
		o := clean
		o.BlurPx = blur
		q, _ := assessed(t, o)
		long, short, _ := q.Spread.Axes()
		trail, _ := q.Spread.Motion()
		if want := math.Hypot(blur, 1/math.Sqrt(12)); math.Abs(short/want-1) > 0.04 || math.Abs(long/want-1) > 0.04 || trail > 0.3+0.5*blur {
			t.Errorf("point spread of %.3f px: found %.3f × %.3f, a trail of %.2f", want, long, short, trail)
		}
	}
	for i, trail := range [][2]float64{{1.5, 0}, {0, 3}, {2.5, -2.5}, {3, 5.2}} {
		o := clean
		if i%2 == 0 {
			o = retouched
		}
		o.Trail = trail
		q, _ := assessed(t, o)
		length, direction := q.Spread.Motion()
		want, way := math.Hypot(trail[0], trail[1]), math.Atan2(trail[1], trail[0])*180/math.Pi
		if math.Abs(length-want) > 0.1+0.08*want || apart(direction*180/math.Pi, way) > 5 {
			t.Errorf("retouched %v, trail of %.2f px at %.0f degrees: found %.2f at %.0f", o.SRGB, want, way, length, direction*180/math.Pi)
		}
	}
}

// drag smears a picture along a straight trail.
func drag(img *image.Gray, trail [2]float64) *image.Gray {
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	n := 2*int(math.Ceil(math.Hypot(trail[0], trail[1]))) + 1
	out := image.NewGray(img.Bounds())
	for y := range h {
		for x := range w {
			var sum float64
			for k := range n {
				f := (float64(k)+0.5)/float64(n) - 0.5
				px := math.Max(0, math.Min(float64(w-1), float64(x)+f*trail[0]))
				py := math.Max(0, math.Min(float64(h-1), float64(y)+f*trail[1]))
				sum += float64(img.Pix[int(py+0.5)*img.Stride+int(px+0.5)])
			}
			out.Pix[y*out.Stride+x] = uint8(sum/float64(n) + 0.5)
		}
	}
	return out
}

// Where no board is found, the picture's own edges tell.
func TestPointSpreadOfEdges(t *testing.T) {
	c, _, placed := trio()
	for _, k := range []struct {
		blur  float64
		trail [2]float64
	}{{0.5, [2]float64{}}, {4, [2]float64{}}, {0.5, [2]float64{-6, 8}}, {0.5, [2]float64{3, 20}}} {
		o := fixtures.DefaultOptics(c.Width)
		o.BlurPx = k.blur
		q := vision.Assess(drag(render(c, o, 3, placed...), k.trail), nil, vision.Result{})
		_, short, _ := q.Spread.Axes()
		length, direction := q.Spread.Motion()
		if want := math.Hypot(k.blur, 1/math.Sqrt(12)); math.Abs(short-want) > 0.35+0.25*want {
			t.Errorf("blur %.1f px, trail %v: point spread %.2f px across", want, k.trail, short)
		}
		want := math.Hypot(k.trail[0], k.trail[1])
		if math.Abs(length-want) > 1.5*k.blur+1+0.25*want {
			t.Errorf("blur %.1f, trail %v of %.1f px: found %.1f", k.blur, k.trail, want, length)
		}
		if way := math.Atan2(k.trail[1], k.trail[0]) * 180 / math.Pi; want > 0 && apart(direction*180/math.Pi, way) > 12 {
			t.Errorf("trail at %.0f degrees: found at %.0f", way, direction*180/math.Pi)
		}
	}
	if q := vision.Assess(image.NewGray(image.Rect(0, 0, 400, 300)), nil, vision.Result{}); q.Spread != (vision.PointSpread{}) || q.Light.Bright != 0 {
		t.Errorf("a black picture: %+v", q)
	}
}

// Light, and what is hidden.
func TestQualityOfABoard(t *testing.T) {
	o := fixtures.DefaultOptics(1200)
	usual, r := assessed(t, o)
	o.Exposure = -2
	dark, _ := assessed(t, o)
	o.Exposure = 1.2
	bright, _ := assessed(t, o)
	for i := range usual.Boards {
		u, d, b := &usual.Boards[i], &dark.Boards[i], &bright.Boards[i]
		// A linear picture: two stops are a factor of four.
		if k := u.Contrast / d.Contrast; math.Abs(k/4-1) > 0.03 {
			t.Errorf("board %d: two stops less light leave 1/%.2f of the contrast", i, k)
		}
		if u.Clipped > 0.02 || b.Clipped < 0.9 {
			t.Errorf("board %d: %.2f and %.2f clipped", i, u.Clipped, b.Clipped)
		}
		if math.Abs(u.Noise-2) > 0.3 || u.Missing != 1 || u.Covered != 0 || u.Outside != 0 {
			t.Errorf("board %d: %+v", i, u)
		}
		// Noise is what it was, so corners are as much worse as contrast is less.
		if k := d.SigmaPx / u.SigmaPx; k < 3 || k > 5 {
			t.Errorf("board %d: a quarter of the contrast makes corners %.1f times as uncertain", i, k)
		}
	}
	c, boards, placed := trio()
	for i, v := range r.Views {
		n := placed[v.Board].CameraFromBoard
		toEye, normal := n.T, n.R.Column(2)
		cos := math.Abs(toEye[0]*normal[0]+toEye[1]*normal[1]+toEye[2]*normal[2]) / math.Sqrt(toEye[0]*toEye[0]+toEye[1]*toEye[1]+toEye[2]*toEye[2])
		if got := usual.Boards[i].Obliquity; math.Abs(got-math.Acos(cos)) > 0.004 {
			t.Errorf("board %d: seen at %.4f rad, found %.4f", v.Board, math.Acos(cos), got)
		}
	}
	// Half of a board covered.
	o = fixtures.DefaultOptics(1200)
	img := render(c, o, 3, placed...)
	x, y := r.Views[0].Outline[0], r.Views[0].Outline[2]
	box := image.Rect(int(x[0]), int(x[1]), int(y[0]), int(y[1])).Canon()
	box.Min.X = (box.Min.X + box.Max.X) / 2
	box.Max.X += 60
	draw.Draw(img, box.Inset(-20), image.NewUniform(color.Gray{90}), image.Point{}, draw.Src)
	half, err := vision.Detect(img, boards, vision.DetectOptions{Camera: &c})
	if err != nil {
		t.Fatal(err)
	}
	k := slices.IndexFunc(half.Views, func(v vision.View) bool { return v.Board == r.Views[0].Board })
	if k < 0 {
		t.Fatal("the covered board is not found")
	}
	q := vision.Weigh(boards, half)[k]
	if q.Covered < 6 || q.Missing < 1.5 || q.SigmaPx < 1.3*usual.Boards[0].SigmaPx {
		t.Errorf("half a board: %+v", q)
	}
}

// Independent corners with no more known of them are worth what they say.
func TestWeighIndependentCorners(t *testing.T) {
	_, boards, _ := trio()
	v := vision.View{Board: 0}
	const sigma = 0.02
	for i := range boards[0].NumCorners() {
		p := boards[0].Corner(i)
		v.Corners = append(v.Corners, vision.Corner{Index: i, Px: [2]float64{500 + 900*p[0] + 100*p[1], 400 - 850*p[1] + 60*p[0]}, Cov: [3]float64{sigma * sigma, 0, sigma * sigma}})
	}
	q := vision.Weigh(boards, vision.Result{Views: []vision.View{v}})[0]
	if math.Abs(q.SigmaPx/sigma-1) > 1e-6 || q.Missing != 1 {
		t.Errorf("corners of %g px: %+v", sigma, q)
	}
	// Every other row: six of eight unknowns' information falls by less than half
	// would be; the geometric mean over all is what the determinants say.
	v.Corners = v.Corners[:12]
	few := vision.Weigh(boards, vision.Result{Views: []vision.View{v}})[0]
	if few.Missing < 1.4 || math.Abs(few.SigmaPx/(sigma*few.Missing)-1) > 1e-6 {
		t.Errorf("half of the corners: %+v", few)
	}
}
