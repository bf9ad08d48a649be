package calib_test

import (
	"context"
	"errors"
	"image"
	"image/color"
	"image/png"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"wheelplane/calib"
	"wheelplane/fixtures"
	"wheelplane/pose"
	"wheelplane/vision"
)

func camera(width int) vision.Camera {
	f := float64(width) / 4000
	return vision.Camera{Name: "phone", Width: width, Height: width * 3 / 4,
		FX: 2920 * f, FY: 2920 * f, CX: 2017 * f, CY: 1479 * f, K1: 0.09, K2: -0.21, P1: 0.0006, P2: -0.0005, K3: 0.12}
}

var board = vision.Board{Name: "A", Dictionary: "36h11", Cols: 7, Rows: 5, SquareM: 0.055, MarkerM: 0.041}

// photograph renders n photographs of the board into a folder: tilted all
// ways, near and far, all over the frame.
func photograph(t *testing.T, cam vision.Camera, n int, o fixtures.Optics, seed uint64) (paths []string) {
	t.Helper()
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(seed, 1))
	var pictures []fixtures.Picture
	for i := range n {
		azimuth := 2 * math.Pi * (float64(i)/float64(n) + 0.1*rng.Float64())
		tilt := (15 + 30*rng.Float64()) * math.Pi / 180
		z := 0.5 + 0.35*rng.Float64()
		r := pose.Exp(pose.Vec{tilt * math.Cos(azimuth), tilt * math.Sin(azimuth), 0}).
			Mul(pose.RotZ(math.Pi / 2 * float64(i%2))).Mul(pose.RotX(math.Pi))
		at := pose.Vec{(rng.Float64() - 0.5) * 0.9 * z, (rng.Float64() - 0.5) * 0.6 * z, z}
		paths = append(paths, filepath.Join(dir, string(rune('a'+i))+".jpg"))
		pictures = append(pictures, fixtures.Picture{
			Path: paths[i],
			Shot: fixtures.Shot{Camera: cam, Boards: []fixtures.PlacedBoard{{Board: board, CameraFromBoard: pose.SE3{R: r, T: at}}}},
			Seed: seed*100 + uint64(i),
			Exif: fixtures.PhoneExif(cam, time.Date(2024, 5, 1, 10, i, 0, 0, time.UTC)),
		})
	}
	if err := fixtures.RenderAll(context.Background(), pictures, o, nil); err != nil {
		t.Fatal(err)
	}
	return paths
}

// From rendered photographs, through detection, to the true camera within the
// stated uncertainty; a phone's tone curve and sharpening included.
func TestRenderedPhotographs(t *testing.T) {
	if testing.Short() {
		t.Skip("renders photographs")
	}
	const width = 800
	cam := camera(width)
	for name, o := range map[string]fixtures.Optics{"good camera": fixtures.DefaultOptics(width), "phone": fixtures.PhoneOptics(width)} {
		paths := photograph(t, cam, 9, o, 7)
		r, p, err := calib.FromPhotos(t.Context(), paths, board, calib.PhotoOptions{}, calib.Options{})
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if len(p.Skipped) > 0 || p.Camera != "Example Phone 1" || r.Camera.Focal35MM == 0 || r.Camera.FocalMM == 0 {
			t.Errorf("%s: skipped %v; camera %q, focal lengths %g and %g mm", name, p.Skipped, p.Camera, r.Camera.FocalMM, r.Camera.Focal35MM)
		}
		t.Logf("%s: %d corners, %d rejected, RMS %.4f px, lack of fit %.4f px, together %.2f, pattern %.2f", name, r.Corners, r.Rejected, r.RMSPx, r.LackOfFitPx, r.Together, r.Pattern)
		got, want := r.Camera.Intrinsics(), cam.Intrinsics()
		var sum float64
		for i := range vision.PlainIntrinsics {
			u := math.Sqrt(r.Camera.Cov[i][i])
			z := (got[i] - want[i]) / u
			sum += z * z / vision.PlainIntrinsics
			t.Logf("  %s %.5f, truth %.5f, u %.5f: %.2f", vision.IntrinsicNames[i], got[i], want[i], u, z)
			if math.Abs(z) > 3.5 {
				t.Errorf("%s: %s is off by %.1f of its uncertainty", name, vision.IntrinsicNames[i], z)
			}
		}
		if sum > 3 {
			t.Errorf("%s: mean square of error/u %.1f", name, sum)
		}
		if r.RMSPx > 0.1 || float64(r.Rejected) > 0.03*float64(r.Corners) {
			t.Errorf("%s: RMS %.3f px, %d of %d corners rejected", name, r.RMSPx, r.Rejected, r.Corners)
		}
	}
}

// write puts a small picture, or any bytes, into a file and returns its path.
func write(t *testing.T, dir, name string, width, height int, e fixtures.Exif) string {
	t.Helper()
	m := image.NewYCbCr(image.Rect(0, 0, width, height), image.YCbCrSubsampleRatio420)
	path := filepath.Join(dir, name)
	if err := fixtures.WriteJPEG(path, m, e, 80); err != nil {
		t.Fatal(err)
	}
	return path
}

// A photograph that does not belong to the others is refused by name.
func TestForeignPhotos(t *testing.T) {
	phone := fixtures.Exif{Maker: "Example", Model: "Phone 1", FocalMM: 4.2, Focal35MM: 26}
	other := func(change func(e *fixtures.Exif)) fixtures.Exif {
		e := phone
		change(&e)
		return e
	}
	for _, c := range []struct {
		name          string
		width, height int
		exif          fixtures.Exif
		want          string
	}{
		{"size", 320, 240, phone, "320 x 240 pixels, but the others have 160 x 120 pixels"},
		{"turned", 120, 160, phone, "120 x 160 pixels, but the others have 160 x 120 pixels"},
		{"zoom", 160, 120, other(func(e *fixtures.Exif) { e.FocalMM = 6.9 }), "focal length of 6.9 mm, but the others have a focal length of 4.2 mm"},
		{"zoom in 35 mm film", 160, 120, other(func(e *fixtures.Exif) { e.Focal35MM = 52 }), "52 mm (in 35 mm film), but"},
		{"model", 160, 120, other(func(e *fixtures.Exif) { e.Model = "Phone 2" }), "Example Phone 2, but the others have Example Phone 1"},
	} {
		dir := t.TempDir()
		paths := []string{write(t, dir, "odd.jpg", c.width, c.height, c.exif)}
		for _, n := range []string{"a.jpg", "b.jpg", "c.jpg"} {
			paths = append(paths, write(t, dir, n, 160, 120, phone))
		}
		_, err := calib.ReadPhotos(t.Context(), paths, board, calib.PhotoOptions{})
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), paths[0]) || !strings.Contains(err.Error(), "leave it out") {
			t.Errorf("%s: got %v, want %q of %s", c.name, err, c.want, paths[0])
		}
	}
}

// One bad photograph among many is skipped; nothing but bad ones is an error.
func TestBadPhotos(t *testing.T) {
	cam := camera(800)
	good := photograph(t, cam, 4, fixtures.DefaultOptics(800), 3)
	dir := t.TempDir()
	blank := write(t, dir, "blank.jpg", 800, 600, fixtures.Exif{})
	text := filepath.Join(dir, "text.jpg")
	short := filepath.Join(dir, "short.jpg")
	whole, err := os.ReadFile(good[0])
	if err != nil {
		t.Fatal(err)
	}
	for path, data := range map[string][]byte{text: []byte("not a picture\n"), short: whole[:len(whole)/2]} {
		if err := os.WriteFile(path, data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	missing := filepath.Join(dir, "missing.jpg")
	bad := []string{blank, text, short, missing}
	p, err := calib.ReadPhotos(t.Context(), append(append([]string{}, good...), bad...), board, calib.PhotoOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Views) != 4 || len(p.Skipped) != 4 {
		t.Errorf("%d views, skipped %v", len(p.Views), p.Skipped)
	}
	for _, path := range bad {
		named := 0
		for _, s := range p.Skipped {
			if strings.Contains(s.Error(), path+":") {
				named++
			}
		}
		if named != 1 {
			t.Errorf("%s is named %d times in %v", path, named, p.Skipped)
		}
		if _, err := calib.ReadPhotos(t.Context(), []string{path}, board, calib.PhotoOptions{}); err == nil || !strings.Contains(err.Error(), path) {
			t.Errorf("%s alone: %v", path, err)
		}
	}
	if _, err := calib.ReadPhotos(t.Context(), []string{missing}, board, calib.PhotoOptions{}); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a missing file: %v", err)
	}
	if _, err := calib.ReadPhotos(t.Context(), nil, board, calib.PhotoOptions{}); err == nil {
		t.Error("no photographs: no error")
	}
	// The wrong board.
	other := board
	other.FirstID = 40
	if _, err := calib.ReadPhotos(t.Context(), good, other, calib.PhotoOptions{}); err == nil || !strings.Contains(err.Error(), "markers of another board (ids 0 to 16)") {
		t.Errorf("another board: %v", err)
	}
	chess, err := vision.Chessboard(9, 6, 0.02)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := calib.ReadPhotos(t.Context(), good[:1], chess, calib.PhotoOptions{}); err == nil || !strings.Contains(err.Error(), "no chessboard of 9 x 6") {
		t.Errorf("a chessboard that is not there: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := calib.ReadPhotos(ctx, good, board, calib.PhotoOptions{}); !errors.Is(err, context.Canceled) {
		t.Errorf("interrupted: %v", err)
	}
}

// The picture is a PNG of the stated size with something in each panel.
func TestPicture(t *testing.T) {
	paths := photograph(t, camera(800), 6, fixtures.DefaultOptics(800), 5)
	r, _, err := calib.FromPhotos(t.Context(), paths, board, calib.PhotoOptions{}, calib.Options{})
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "p.png")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := calib.Picture(f, r); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Seek(0, 0); err != nil {
		t.Fatal(err)
	}
	m, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	f.Close()
	if m.Bounds().Dx() != 1600 || m.Bounds().Dy() != 1200 {
		t.Fatalf("%v", m.Bounds())
	}
	// Coloured pixels, neither grey nor black nor white, in each quarter.
	for name, q := range map[string]image.Rectangle{
		"places": image.Rect(100, 60, 850, 640), "scatter": image.Rect(1080, 60, 1570, 520),
		"bars": image.Rect(80, 740, 840, 1100), "map": image.Rect(950, 750, 1460, 1130),
	} {
		n := 0
		for y := q.Min.Y; y < q.Max.Y; y++ {
			for x := q.Min.X; x < q.Max.X; x++ {
				c := color.NRGBAModel.Convert(m.At(x, y)).(color.NRGBA)
				if max(c.R, c.G, c.B)-min(c.R, c.G, c.B) > 40 {
					n++
				}
			}
		}
		if n < 200 {
			t.Errorf("%s: %d coloured pixels", name, n)
		}
	}
}

// A principal point that is uncertain by 3 px is hardly seen in the picture, for
// a turn of the camera takes it up; a focal length is, in proportion to the
// distance from the middle.
func TestLeftUncertain(t *testing.T) {
	cam := camera(4000)
	cam.K1, cam.K2, cam.P1, cam.P2, cam.K3 = 0, 0, 0, 0, 0
	if calib.LeftUncertain(&cam) != nil {
		t.Error("a map without covariance")
	}
	cam.Cov = &[vision.NumIntrinsics][vision.NumIntrinsics]float64{}
	cam.Cov[2][2] = 9
	if m := calib.LeftUncertain(&cam); m.Median() > 1 || m.Largest() > 3 {
		t.Errorf("principal point: median %.2f px, largest %.2f px", m.Median(), m.Largest())
	}
	cam.Cov[2][2] = 0
	cam.Cov[0][0], cam.Cov[0][1], cam.Cov[1][0], cam.Cov[1][1] = 9, 9, 9, 9
	m := calib.LeftUncertain(&cam)
	for _, ij := range [][2]int{{2, 3}, {12, 15}, {23, 9}} {
		c := m.Centre(ij[0], ij[1])
		want := 3 * math.Hypot(c[0]-cam.CX, c[1]-cam.CY) / cam.FX / math.Sqrt2
		if got := m.At(ij[0], ij[1]); math.Abs(got-want) > 0.05*want {
			t.Errorf("focal length, at %.0f: %.3f px, want %.3f px", c, got, want)
		}
	}
}
