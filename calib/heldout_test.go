package calib

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"wheelplane/pose"
	"wheelplane/pose/bundle"
	"wheelplane/vision"
)

// poseOnly places a board of a shape (nil: as drawn) in a view, all corners
// weighted alike, and returns the sum of squared residuals.
func poseOnly(t *testing.T, cam *vision.Camera, board []float64, v View, start pose.SE3) float64 {
	t.Helper()
	m := newModel([]View{v}, *cam, []pose.SE3{start}, Options{})
	f := &viewResidual{halfM: m.views[0].halfM}
	for _, o := range m.views[0].obs {
		f.obs = append(f.obs, o)
		f.w = append(f.w, [3]float64{1, 0, 1})
	}
	var p bundle.Problem
	k := cam.Intrinsics()
	c := p.AddBlock("camera", k[:], bundle.Euclidean(vision.NumIntrinsics))
	photo := p.AddBlock("photo", photoValue(start, Offset{}), photoManifold{})
	if board == nil {
		board = make([]float64, numShape)
	}
	shape := p.AddBlock("shape", board, bundle.Euclidean(numShape))
	p.SetConstant(c, true)
	p.SetConstant(shape, true)
	p.Hold(photo, 6, 7, 8, 9, 10, 11)
	p.AddResidual("view", f, f.dim(), 2, nil, c, photo, shape)
	s, err := p.Solve(t.Context(), bundle.Options{MaxIterations: 200})
	if err != nil {
		t.Fatalf("%s: %v", v.Name, err)
	}
	return 2 * s.FinalCost
}

// heldOut calibrates on all views but each of the folds, by Calibrate on ours and
// by OpenCV on theirs, and lets each camera predict both kinds of corners in the
// views left out, with no more than a pose of its own. It returns the root mean
// squares: by our camera and by OpenCV's (first index) of our corners and of
// OpenCV's (second).
func heldOut(t *testing.T, ours, theirs []View, width, height, folds int, again func(i int, cam *vision.Camera) View) (rms [2][2]float64) {
	t.Helper()
	n := [2]int{}
	for k := range folds {
		var keep [2][]View
		var left [2][]View
		for i := range ours {
			for s, views := range [2][]View{ours, theirs} {
				if i%folds == k {
					left[s] = append(left[s], views[i])
				} else {
					keep[s] = append(keep[s], views[i])
				}
			}
		}
		mine, err := Calibrate(t.Context(), keep[0], width, height, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if again != nil {
			look := func(in bool) (views []View) {
				for i := range ours {
					if (i%folds != k) == in {
						views = append(views, again(i, &mine.Camera))
					}
				}
				return views
			}
			if mine, err = Calibrate(t.Context(), look(true), width, height, Options{}); err != nil {
				t.Fatal(err)
			}
			left[0] = look(false)
		}
		cv, _, err := opencvCalibrate(keep[1], width, height, 0)
		if err != nil {
			t.Fatal(err)
		}
		shape := mine.Shapes[ours[0].Board]
		// A start for the poses, from all.
		for s := range left {
			_, start, err := opencvCalibrate(append(append([]View{}, left[s]...), keep[s]...), width, height, fixK3)
			if err != nil {
				t.Fatal(err)
			}
			for i, v := range left[s] {
				for c, cam := range []*vision.Camera{&mine.Camera, &cv} {
					rms[c][s] += poseOnly(t, cam, [][]float64{shape.vector(), nil}[c], v, start[i])
				}
				n[s] += len(v.Corners)
			}
		}
	}
	for c := range rms {
		for s := range rms[c] {
			rms[c][s] = math.Sqrt(rms[c][s] / float64(n[s]))
		}
	}
	return rms
}

func tellHeldOut(t *testing.T, what string, rms [2][2]float64) {
	t.Helper()
	t.Logf("%s: RMS in views left out, px: our corners by our camera %.4f, by OpenCV's %.4f; OpenCV's corners by our camera %.4f, by OpenCV's %.4f",
		what, rms[0][0], rms[1][0], rms[0][1], rms[1][1])
}

// sampleChessboards returns OpenCV's thirteen chessboard photographs (Debian's
// opencv-doc).
func sampleChessboards(t *testing.T) (paths []string, board vision.Board) {
	t.Helper()
	const dir = "/usr/share/doc/opencv-doc/examples/data"
	paths, err := filepath.Glob(filepath.Join(dir, "left[01][0-9].jpg"))
	if err != nil || len(paths) != 13 {
		t.Skipf("%d of 13 sample photographs of OpenCV in %s (Debian package opencv-doc)", len(paths), dir)
	}
	board, err = vision.Chessboard(9, 6, 0.025)
	if err != nil {
		t.Fatal(err)
	}
	return paths, board
}

// bestWindow finds OpenCV's corners with the half-window that suits them best:
// that of the least residuals.
func bestWindow(t *testing.T, paths []string, board vision.Board, width, height int) (best []View, rms float64, half int) {
	t.Helper()
	rms = math.Inf(1)
	for win := 3; win <= 11; win++ {
		var views []View
		for _, p := range paths {
			views = append(views, View{Name: p, Board: board, Corners: opencvCorners(t, p, board, win)})
		}
		cam, poses, err := opencvCalibrate(views, width, height, 0)
		if err != nil {
			t.Fatal(err)
		}
		if r := rmsOf(cam, poses, views); r < rms {
			best, rms, half = views, r, win
		}
	}
	return best, rms, half
}

// opencvModel is OpenCV's own: a perfect board, a lens that does not move, no
// priors, all corners.
var opencvModel = Options{PerfectBoard: true, NoLensPrior: true, Steady: true, KeepAll: true, Lens: LensPlain}

// On OpenCV's chessboard photographs our residuals are below those that OpenCV
// reaches on its corners at the best window, with the same unknowns; and views
// left out are predicted better, whoever's corners are to be predicted.
func TestChessboardHeldOut(t *testing.T) {
	paths, board := sampleChessboards(t)
	theirs, cvRMS, half := bestWindow(t, paths, board, 640, 480)
	p, err := ReadPhotos(t.Context(), paths, board, PhotoOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Views) != len(paths) {
		t.Fatalf("%d of %d photographs show the board: %v", len(p.Views), len(paths), p.Skipped)
	}
	same, err := Calibrate(t.Context(), p.Views, 640, 480, opencvModel)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Calibrate(t.Context(), p.Views, 640, 480, Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("RMS of %d corners: OpenCV %.4f px (half-window %d); ours with the same unknowns %.4f px, with all %.4f px", same.Corners, cvRMS, half, same.RMSPx, r.RMSPx)
	if same.RMSPx >= cvRMS {
		t.Errorf("RMS %.4f px, OpenCV reaches %.4f px", same.RMSPx, cvRMS)
	}
	folds := []int{4, 2}
	if !testing.Short() {
		folds = append(folds, len(paths))
	}
	for _, folds := range folds {
		rms := heldOut(t, p.Views, theirs, 640, 480, folds, nil)
		tellHeldOut(t, fmt.Sprintf("%d folds", folds), rms)
		for s, whose := range []string{"our", "OpenCV's"} {
			if rms[0][s] >= rms[1][s] {
				t.Errorf("%d folds: %s corners are predicted to %.4f px by our camera, to %.4f px by OpenCV's", folds, whose, rms[0][s], rms[1][s])
			}
		}
	}
}

// On the four ChArUco photographs likewise, against OpenCV's own
// interpolateCornersCharuco and calibrateCamera: each photograph is predicted from
// the three others.
func TestChArUcoHeldOut(t *testing.T) {
	var paths []string
	for i := range 4 {
		paths = append(paths, shared(t, "real", fmt.Sprintf("img_%02d.jpg", i)))
	}
	board := vision.Board{Name: "tutorial", Dictionary: "6x6_250", Cols: 5, Rows: 7, SquareM: 0.04, MarkerM: 0.02}
	theirs := opencvCharuco(t, paths, board)
	p, err := ReadPhotos(t.Context(), paths, board, PhotoOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Views) != 4 {
		t.Fatalf("%d of 4 photographs show the board: %v", len(p.Views), p.Skipped)
	}
	cam, poses, err := opencvCalibrate(theirs, 640, 480, 0)
	if err != nil {
		t.Fatal(err)
	}
	cvRMS := rmsOf(cam, poses, theirs)
	same, err := Calibrate(t.Context(), p.Views, 640, 480, opencvModel)
	if err != nil {
		t.Fatal(err)
	}
	r, _, err := FromPhotos(t.Context(), paths, board, PhotoOptions{}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("RMS: OpenCV %.4f px; ours with the same unknowns %.4f px, with all %.4f px", cvRMS, same.RMSPx, r.RMSPx)
	if same.RMSPx >= cvRMS {
		t.Errorf("RMS %.4f px, OpenCV reaches %.4f px", same.RMSPx, cvRMS)
	}
	rms := heldOut(t, p.Views, theirs, 640, 480, 4, func(i int, cam *vision.Camera) View {
		again, err := ReadPhotos(t.Context(), paths[i:i+1], board, PhotoOptions{Camera: cam})
		if err != nil {
			t.Fatal(err)
		}
		return again.Views[0]
	})
	tellHeldOut(t, "one of four", rms)
	if rms[0][0] >= rms[1][0] || rms[0][0] >= rms[1][1] {
		t.Errorf("our camera predicts our corners to %.4f px, OpenCV's to %.4f px, and its own to %.4f px", rms[0][0], rms[1][0], rms[1][1])
	}
	if rms[0][1] >= rms[1][1] {
		t.Errorf("OpenCV's corners are predicted to %.4f px by our camera, to %.4f px by its own", rms[0][1], rms[1][1])
	}
}

// opencvCharuco finds a board's corners by OpenCV's detectMarkers and
// interpolateCornersCharuco.
func opencvCharuco(t *testing.T, paths []string, board vision.Board) (views []View) {
	t.Helper()
	for _, tool := range []string{"g++", "pkg-config"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("no %s here to build OpenCV's side of the comparison", tool)
		}
	}
	flags, err := exec.Command("pkg-config", "--cflags", "--libs", "opencv4").Output()
	if err != nil {
		t.Skipf("pkg-config does not know opencv4: %v", err)
	}
	bin := filepath.Join(t.TempDir(), "charuco")
	args := append([]string{"-O0", "-o", bin, filepath.Join("testdata", "charuco.cc"), "-Wl,--as-needed"}, strings.Fields(string(flags))...)
	if out, err := exec.Command("g++", args...).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, path := range paths {
		cmd := exec.Command(bin, path, strconv.Itoa(board.Cols), strconv.Itoa(board.Rows), fmt.Sprint(board.SquareM), fmt.Sprint(board.MarkerM))
		cmd.Stderr = os.Stderr
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		v := View{Name: path, Board: board}
		for line := range strings.Lines(string(out)) {
			c := vision.Corner{Cov: [3]float64{0.01, 0, 0.01}}
			if _, err := fmt.Sscan(line, &c.Index, &c.Px[0], &c.Px[1]); err != nil {
				t.Fatalf("%s: %q: %v", path, line, err)
			}
			v.Corners = append(v.Corners, c)
		}
		views = append(views, v)
	}
	return views
}
