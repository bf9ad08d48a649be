package vision_test

import (
	"image"
	"math"
	"strings"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/vision"
)

// only detects the one board of a picture.
func only(t *testing.T, img *image.Gray, b vision.Board, o vision.DetectOptions) vision.View {
	t.Helper()
	res, err := vision.Detect(img, []vision.Board{b}, o)
	if err != nil || len(res.Views) != 1 {
		t.Fatalf("%v, %d boards", err, len(res.Views))
	}
	return res.Views[0]
}

// bendU is the uncertainty of the perspective of a view, which the longest
// lever arms fix.
func bendU(t *testing.T, v vision.View, b vision.Board, c *vision.Camera) float64 {
	t.Helper()
	_, cov, ok := v.Homography(&b, c)
	if !ok {
		t.Fatal("no homography")
	}
	return math.Sqrt(cov[6][6])
}

// A hand along an outline hides its windows and no inner corner's own edges:
// the corners stay, what is known of the board gets less, and stays true.
func TestOutlineIsUsedAndLeftOutWhereCovered(t *testing.T) {
	c := half()
	p := at(&c, a3, [2]float64{1000, 750}, 1.3, 10, 20, 0)
	whole := render(c, fixtures.DefaultOptics(c.Width), 31, p)
	v := only(t, whole, a3, vision.DetectOptions{Camera: &c})
	img := image.NewGray(whole.Rect)
	copy(img.Pix, whole.Pix)
	// Left and right of half a square inside the outline.
	first, last := truth(&c, p, 0), truth(&c, p, a3.NumCorners()-1)
	square := int(v.SquarePx)
	cover(img, image.Rect(0, 0, int(first[0])-square*6/10, 1500), 120)
	cover(img, image.Rect(int(last[0])+square*6/10, 0, 2000, 1500), 120)
	part := only(t, img, a3, vision.DetectOptions{Camera: &c})
	if v.Joint == nil || part.Joint == nil {
		t.Fatalf("not fitted as a whole: %q, %q", v.Note, part.Note)
	}
	if len(part.Corners) != a3.NumCorners() {
		t.Errorf("%d corners, rejected %v", len(part.Corners), part.Rejected)
	}
	u, uPart := bendU(t, v, a3, &c), bendU(t, part, a3, &c)
	t.Logf("perspective to %.2g, without the outline's sides to %.2g per metre", u, uPart)
	if uPart < 1.2*u {
		t.Errorf("the outline's sides covered, the perspective is as certain as before: %.3g and %.3g", uPart, u)
	}
	for name, v := range map[string]vision.View{"whole": v, "covered": part} {
		if e, r := jointError(&c, p, v); e > 2*float64(r) {
			t.Errorf("%s: error squared over covariance %.1f of %d", name, e, r)
		}
	}
}

// A lens that is not quite as stated bends the board's picture by ten times
// what its corners are good to, as a bowed board does: no corner is rejected, and all stay true.
func TestBentPictureIsFollowed(t *testing.T) {
	c := half()
	stated := c
	stated.K1 += 0.01
	var sum float64
	rows := 0
	for seed := range uint64(3) {
		p := at(&c, a3, [2]float64{700 + 300*float64(seed), 500}, 1.2, 30, 60*float64(seed), 5)
		v := only(t, render(c, fixtures.DefaultOptics(c.Width), 40+seed, p), a3, vision.DetectOptions{Camera: &stated})
		if v.Joint == nil || len(v.Corners) != a3.NumCorners() {
			t.Fatalf("%d corners, %q", len(v.Corners), v.Note)
		}
		e, r := jointError(&c, p, v)
		sum += e
		rows += r
		// The stated lens alone does not explain the picture.
		worst := offPlane(t, v, a3, &stated)
		t.Logf("bent by %.3f px, %.2f", worst, e/float64(r))
		if worst < 0.02 {
			t.Errorf("seed %d: the picture is bent by %.3f px only: the test proves nothing", seed, worst)
		}
	}
	// The mean of 60 values: 1 ± 0.18.
	if m := sum / float64(rows); m < 0.5 || m > 1.6 {
		t.Errorf("error squared over covariance: mean %.2f of %d", m, rows)
	}
}

// offPlane is how far a view's corners are at most from those of the flat board
// that fits them best, pixels.
func offPlane(t *testing.T, v vision.View, b vision.Board, c *vision.Camera) (worst float64) {
	t.Helper()
	h, _, ok := v.Homography(&b, c)
	if !ok {
		t.Fatal("no homography")
	}
	for _, k := range v.Corners {
		p := b.Corner(k.Index)
		w := h[6]*p[0] + h[7]*p[1] + 1
		px, _ := c.Project([3]float64{(h[0]*p[0] + h[1]*p[1] + h[2]) / w, (h[3]*p[0] + h[4]*p[1] + h[5]) / w, 1})
		worst = math.Max(worst, math.Hypot(px[0]-k.Px[0], px[1]-k.Px[1]))
	}
	return worst
}

// Boards bowed by a millimetre, clean and from a phone: their corners are found
// where the bowed face has them, which no flat board explains, and as well as
// stated.
func TestBowedBoardsAreMeasuredAsTheyAre(t *testing.T) {
	c := half()
	for _, optics := range []struct {
		name  string
		o     fixtures.Optics
		rmsPx float64
	}{{"clean", fixtures.DefaultOptics(c.Width), 0.002}, {"phone", fixtures.PhoneOptics(c.Width), 0.006}} {
		var boards []fixtures.PlacedBoard
		for i, b := range vision.Set(4, a3) {
			p := at(&c, b, [2]float64{500 + 900*float64(i%2), 400 + 700*float64(i/2)}, 1.3+0.2*float64(i), 40+8*float64(i), 70*float64(i), 25*float64(i))
			p.Bow = [3]float64{0.0008, -0.0006 * float64(i%3), 0.0005 * float64(i-1)}
			boards = append(boards, p)
		}
		res, err := vision.Detect(render(c, optics.o, 61, boards...), boardsOf(boards), vision.DetectOptions{Camera: &c})
		if err != nil || len(res.Views) != len(boards) {
			t.Fatalf("%s: %v, %d boards", optics.name, err, len(res.Views))
		}
		var sum float64
		rows := 0
		for _, v := range res.Views {
			p := boards[v.Board]
			if v.Joint == nil || len(v.Corners) != a3.NumCorners() {
				t.Fatalf("%s: board %d: %d corners, %q", optics.name, v.Board, len(v.Corners), v.Note)
			}
			e, r := jointError(&c, p, v)
			sum += e
			rows += r
			px, _ := errorsOf(&c, p, v)
			off := offPlane(t, v, p.Board, &c)
			t.Logf("%s: board %d: rms %.4f px, %.2f; %.2f px off a plane", optics.name, v.Board, rms(px), e/float64(r), off)
			if rms(px) > optics.rmsPx || off < 0.1 {
				t.Errorf("%s: board %d: rms %.4f px, want %.3f; %.2f px off a plane, want 0.1 at least", optics.name, v.Board, rms(px), optics.rmsPx, off)
			}
		}
		// The mean of a hundred values: 1 ± 0.14.
		if m := sum / float64(rows); m < 0.5 || m > 1.6 {
			t.Errorf("%s: error squared over covariance: mean %.2f of %d", optics.name, m, rows)
		}
	}
}

// Six corners whose markers keep away from them are too few to fit as a whole:
// they are measured one by one, and the view says so.
func TestFewWindowsFallBackToCorners(t *testing.T) {
	c := half()
	b := vision.Board{Name: "small", Dictionary: "36h11", Cols: 4, Rows: 3, SquareM: 0.08, MarkerM: 0.044}
	p := at(&c, b, [2]float64{900, 800}, 1.2, 20, 40, 10)
	v := only(t, render(c, fixtures.DefaultOptics(c.Width), 51, p), b, vision.DetectOptions{Camera: &c})
	if v.Joint != nil || !strings.Contains(v.Note, "one by one") || len(v.Corners) != 6 {
		t.Errorf("joint %v, %d corners, note %q", v.Joint != nil, len(v.Corners), v.Note)
	}
	if px, _ := errorsOf(&c, p, v); rms(px) > 0.01 {
		t.Errorf("rms %.4f px", rms(px))
	}
	if _, _, ok := v.Homography(&b, &c); !ok {
		t.Error("no homography from corners one by one")
	}
}
