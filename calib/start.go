package calib

import (
	"errors"
	"fmt"
	"image"
	"math"
	"slices"

	"gocv.io/x/gocv"

	"wheelplane/pose"
	"wheelplane/vision"
)

// Start returns rough intrinsics (without covariance) and one cameraFromBoard
// per view, by OpenCV's calibrateCamera with all corners weighted alike. Every
// view needs four corners that do not lie on one line.
func Start(views []View, width, height int) (vision.Camera, []pose.SE3, error) {
	return opencvCalibrate(views, width, height, fixK3)
}

// OpenCV's CALIB_FIX_K3. gocv's constant of that name holds the fisheye
// module's value, which here would fix k2.
const fixK3 = gocv.CalibFlag(128)

// opencvCalibrate runs cv::calibrateCamera. An exception in OpenCV would end
// the program, so what it cannot digest is refused before.
func opencvCalibrate(views []View, width, height int, flags gocv.CalibFlag) (vision.Camera, []pose.SE3, error) {
	cam := vision.Camera{Width: width, Height: height}
	if len(views) == 0 || width <= 0 || height <= 0 {
		return cam, nil, errors.New("no views to start a calibration from")
	}
	var board [][]gocv.Point3f
	var picture [][]gocv.Point2f
	for i := range views {
		v := &views[i]
		if _, ok := boardToPicture(v); !ok {
			return cam, nil, fmt.Errorf("photo %s: its %d corners do not span a plane", v.Name, len(v.Corners))
		}
		var b []gocv.Point3f
		var p []gocv.Point2f
		for _, c := range v.Corners {
			q := v.Board.Corner(c.Index)
			b = append(b, gocv.Point3f{X: float32(q[0]), Y: float32(q[1])})
			p = append(p, gocv.Point2f{X: float32(c.Px[0]), Y: float32(c.Px[1])})
		}
		board, picture = append(board, b), append(picture, p)
	}
	object := gocv.NewPoints3fVectorFromPoints(board)
	defer object.Close()
	corners := gocv.NewPoints2fVectorFromPoints(picture)
	defer corners.Close()
	k, d, rvecs, tvecs := gocv.NewMat(), gocv.NewMat(), gocv.NewMat(), gocv.NewMat()
	for _, m := range []*gocv.Mat{&k, &d, &rvecs, &tvecs} {
		defer m.Close()
	}
	gocv.CalibrateCamera(object, corners, image.Pt(width, height), &k, &d, &rvecs, &tvecs, flags)

	cam.FX, cam.FY = k.GetDoubleAt(0, 0), k.GetDoubleAt(1, 1)
	cam.CX, cam.CY = k.GetDoubleAt(0, 2), k.GetDoubleAt(1, 2)
	var dist [5]float64
	for i := range dist {
		if d.Rows() == 1 {
			dist[i] = d.GetDoubleAt(0, i)
		} else {
			dist[i] = d.GetDoubleAt(i, 0)
		}
	}
	cam.K1, cam.K2, cam.P1, cam.P2, cam.K3 = dist[0], dist[1], dist[2], dist[3], dist[4]
	rounded := cam.Intrinsics()
	for i, v := range rounded {
		if rounded[i] = single(v); math.IsNaN(rounded[i]) || math.IsInf(rounded[i], 0) {
			return cam, nil, errors.New("OpenCV found no finite camera")
		}
	}
	cam.SetIntrinsics(rounded)
	if cam.FX <= 0 || cam.FY <= 0 {
		return cam, nil, errors.New("OpenCV found no camera with a positive focal length")
	}
	cameraFromBoard := make([]pose.SE3, len(views))
	for i := range views {
		w, t := pose.Vec(rvecs.GetVecdAt(i, 0)), pose.Vec(tvecs.GetVecdAt(i, 0))
		for k := range w {
			w[k], t[k] = single(w[k]), single(t[k])
		}
		cameraFromBoard[i] = pose.SE3{R: pose.Exp(w), T: t}
	}
	return cam, cameraFromBoard, nil
}

// single rounds to single precision. The last digits of OpenCV's sums differ from
// run to run with where its memory lies, and a solver that stops within a hundred
// thousandth of an uncertainty passes that on; the same photographs are to give
// the same camera.
func single(v float64) float64 { return float64(float32(v)) }

// boardToPicture returns the homography from board x, y (m) to pixels; see
// [vision.Homography].
func boardToPicture(v *View) (h [3][3]float64, ok bool) {
	var from, to [][2]float64
	for _, c := range v.Corners {
		q := v.Board.Corner(c.Index)
		from, to = append(from, [2]float64{q[0], q[1]}), append(to, c.Px)
	}
	return vision.Homography(from, to)
}

// plausible tells whether a view's corners lie as a lens may show a plane seen
// from its front: near the homography, by a tenth of the picture's extent for
// three quarters of them, and not mirrored.
func plausible(v *View, h [3][3]float64) bool {
	var off []float64
	lo, hi := v.Corners[0].Px, v.Corners[0].Px
	for _, c := range v.Corners {
		q := v.Board.Corner(c.Index)
		w := h[2][0]*q[0] + h[2][1]*q[1] + h[2][2]
		x := (h[0][0]*q[0] + h[0][1]*q[1] + h[0][2]) / w
		y := (h[1][0]*q[0] + h[1][1]*q[1] + h[1][2]) / w
		// det H / w³ is the Jacobian's determinant: negative, for the board's y
		// goes up and the picture's down.
		det := h[0][0]*(h[1][1]*h[2][2]-h[1][2]*h[2][1]) - h[0][1]*(h[1][0]*h[2][2]-h[1][2]*h[2][0]) + h[0][2]*(h[1][0]*h[2][1]-h[1][1]*h[2][0])
		d := math.Hypot(x-c.Px[0], y-c.Px[1])
		if !(det/(w*w*w) < 0) {
			d = math.Inf(1)
		}
		off = append(off, d)
		for k := range lo {
			lo[k], hi[k] = math.Min(lo[k], c.Px[k]), math.Max(hi[k], c.Px[k])
		}
	}
	slices.Sort(off)
	return off[len(off)*3/4] <= 0.1*math.Hypot(hi[0]-lo[0], hi[1]-lo[1])
}

// focalVisible tells whether the views' perspective shows a focal length at
// all, with the principal point taken for the middle and no distortion: the
// closed form of Zhang (IEEE TPAMI 22 (2000) 1330-1334) for two unknowns. It
// guards OpenCV's start, which does the same and does not check; a focal
// length that is merely uncertain passes here and shows in the covariance.
func focalVisible(views []View, width, height int) bool {
	// In pixels about the middle, over s, the two constraints of a view are
	// linear in 1/f²: (a·1/f² = b), one unknown for a square pixel.
	s := float64(max(width, height))
	var aa, ab, bb float64
	for i := range views {
		h, ok := boardToPicture(&views[i])
		if !ok {
			continue
		}
		var col [2][3]float64
		for j := range col {
			col[j] = [3]float64{
				(h[0][j] - h[2][j]*float64(width-1)/2) / s,
				(h[1][j] - h[2][j]*float64(height-1)/2) / s,
				h[2][j],
			}
		}
		n := math.Hypot(math.Hypot(col[0][0], col[0][1]), math.Hypot(col[1][0], col[1][1]))
		n *= n
		dot := func(p, q [3]float64) float64 { return p[0]*q[0] + p[1]*q[1] }
		for _, c := range [][2]float64{
			{dot(col[0], col[1]) / n, -col[0][2] * col[1][2] / n},
			{(dot(col[0], col[0]) - dot(col[1], col[1])) / n, -(col[0][2]*col[0][2] - col[1][2]*col[1][2]) / n},
		} {
			aa, ab, bb = aa+c[0]*c[0], ab+c[0]*c[1], bb+c[1]*c[1]
		}
	}
	// The constraint's two coefficients vanish together where the board is
	// parallel to the picture.
	const least = 1e-12
	if !(aa > least) || !(bb > least*least) || !(ab > 0) {
		return false
	}
	f := math.Sqrt(aa / ab)
	return f > 0.1 && f < 100
}
