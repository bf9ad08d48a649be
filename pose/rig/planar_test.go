package rig

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"wheelplane/pose"
	"wheelplane/vision"
)

// views of one board: cameraFromBoard at several distances and obliquities,
// corners at their true pixels plus noise.
func oneView(r *rand.Rand, camera *vision.Camera, board *vision.Board, distance, oblique, sigma float64) (pose.SE3, []vision.Corner) {
	// The board faces the camera (its z towards −z), then leans.
	facing := pose.FromColumns(pose.Vec{1, 0, 0}, pose.Vec{0, -1, 0}, pose.Vec{0, 0, -1})
	axis := 2 * math.Pi * r.Float64()
	t := pose.SE3{
		R: pose.Exp(pose.Scale(oblique, pose.Vec{math.Cos(axis), math.Sin(axis), 0})).Mul(facing).Mul(pose.RotZ(0.3 * r.NormFloat64())),
		T: pose.Vec{0.2 * distance * r.NormFloat64(), 0.15 * distance * r.NormFloat64(), distance},
	}
	var corners []vision.Corner
	for i := range board.NumCorners() {
		px, ok := camera.Project(t.Apply(board.Corner(i)))
		if !ok {
			continue
		}
		px[0] += sigma * r.NormFloat64()
		px[1] += sigma * r.NormFloat64()
		corners = append(corners, vision.Corner{Index: i, Px: px, Cov: [3]float64{sigma * sigma, 0, sigma * sigma}})
	}
	return t, corners
}

// TestPlanarPosesAreOpenCVs compares both solutions with those of
// cv::solvePnPGeneric(SOLVEPNP_IPPE) and cv::solvePnPRefineLM on the same
// corners.
func TestPlanarPosesAreOpenCVs(t *testing.T) {
	bin := buildSolvePnP(t)
	r := rand.New(rand.NewPCG(11, 12))
	camera, board := cameraAt(testCamera()), testBoard()
	two := 0
	for i, c := range []struct{ distance, oblique, sigma float64 }{
		{1.5, 0.1, 0.1}, {2.5, 0.9, 0.1}, {2.5, 1.2, 0.05}, {4, 0.35, 0.2}, {6, 0.2, 0.3}, {8, 0.5, 0.5}, {6, 0.05, 0.5},
	} {
		truth, corners := oneView(r, &camera, board, c.distance, c.oblique, c.sigma)
		got := planarPoses(&camera, board, corners)
		if len(got) == 0 {
			t.Fatalf("case %d: no pose", i)
		}
		var in strings.Builder
		for _, v := range testCamera() {
			fmt.Fprintf(&in, "%.17g\n", v)
		}
		fmt.Fprintf(&in, "%d\n", len(corners))
		for _, k := range corners {
			p := board.Corner(k.Index)
			fmt.Fprintf(&in, "%.17g %.17g %.17g %.17g\n", p[0], p[1], k.Px[0], k.Px[1])
		}
		cmd := exec.Command(bin)
		cmd.Stdin = strings.NewReader(in.String())
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		var v []float64
		for _, line := range strings.Fields(string(out)) {
			var x float64
			fmt.Sscan(line, &x)
			v = append(v, x)
		}
		for s := 0; s+7 <= len(v); s += 7 {
			opencv := pose.SE3{R: pose.Exp(pose.Vec(v[s : s+3])), T: pose.Vec(v[s+3 : s+6])}
			best, at := math.Inf(1), 0
			for k, p := range got {
				d := p.cameraFromBoard.Minus(opencv)
				if n := pose.Norm(pose.Vec{d[0], d[1], d[2]}); n < best {
					best, at = n, k
				}
			}
			if s == 0 && at != 0 {
				t.Errorf("case %d: OpenCV's best pose is our second", i)
			}
			// Our loss is robust: where a solution fits badly, its minimum is not
			// quite that of the squares.
			limit := 1e-4
			if v[s+6] > 1 {
				limit = 0.01
			}
			if best > limit {
				t.Errorf("case %d: OpenCV's pose %d (RMS %.4f px) is %.2g rad from ours", i, s/7+1, v[s+6], best)
			}
		}
		if len(got) == 2 {
			two++
			if got[1].cost < got[0].cost {
				t.Errorf("case %d: the worse pose comes first", i)
			}
		}
		// The truth is one of the two, within what the noise allows.
		near := math.Inf(1)
		for _, p := range got {
			d := p.cameraFromBoard.Minus(truth)
			near = math.Min(near, pose.Norm(pose.Vec{d[0], d[1], d[2]}))
		}
		if near > 0.05 {
			t.Errorf("case %d: no pose within 3 degrees of the truth: %.3f rad", i, near)
		}
	}
	if two < 3 {
		t.Errorf("only %d of the cases had two solutions", two)
	}
}

// buildSolvePnP compiles OpenCV's side of the comparison; the test is skipped
// where there is no compiler.
func buildSolvePnP(t *testing.T) string {
	t.Helper()
	for _, tool := range []string{"g++", "pkg-config"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("no %s here to build OpenCV's side of the comparison", tool)
		}
	}
	flags, err := exec.Command("pkg-config", "--cflags", "--libs", "opencv4").Output()
	if err != nil {
		t.Skip("pkg-config does not know opencv4: ", err)
	}
	bin := filepath.Join(t.TempDir(), "solvepnp")
	args := append([]string{"-o", bin, filepath.Join("testdata", "solvepnp.cc"), "-Wl,--as-needed"}, strings.Fields(string(flags))...)
	if out, err := exec.Command("g++", args...).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return bin
}

// TestPlanarPosesRefuses: too few corners, or all in a line, fix no pose.
func TestPlanarPosesRefuses(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	camera, board := cameraAt(testCamera()), testBoard()
	_, corners := oneView(r, &camera, board, 2, 0.4, 0.05)
	if got := planarPoses(&camera, board, corners[:3]); len(got) != 0 {
		t.Error("three corners gave a pose")
	}
	if got := planarPoses(&camera, board, corners[:6]); len(got) != 0 {
		t.Error("six corners in a line gave a pose")
	}
}
