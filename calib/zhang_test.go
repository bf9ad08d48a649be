package calib

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"wheelplane/pose"
	"wheelplane/pose/bundle"
	"wheelplane/vision"
)

// shared is a folder beside the project that holds published check values and
// photographs. Tests that want it skip where it is not.
func shared(t *testing.T, parts ...string) string {
	t.Helper()
	path := filepath.Join(append([]string{"..", "..", "shared"}, parts...)...)
	if _, err := os.Stat(path); err != nil {
		t.Skipf("published data are not here: %v", err)
	}
	return path
}

func readNumbers(t *testing.T, path string) (xy [][2]float64) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var v []float64
	for s := bufio.NewScanner(f); s.Scan(); {
		for _, w := range strings.Fields(s.Text()) {
			var x float64
			if _, err := fmt.Sscan(w, &x); err != nil {
				t.Fatal(err)
			}
			v = append(v, x)
		}
	}
	for i := 0; i+1 < len(v); i += 2 {
		xy = append(xy, [2]float64{v[i], v[i+1]})
	}
	return xy
}

// Zhang's own data: 256 corners of 64 squares in five photographs.
//
// Source: Z. Zhang, A flexible new technique for camera calibration,
// MSR-TR-98-71 and IEEE TPAMI 22(11) (2000) 1330-1334; data and results as
// published with the report. His model has a skew and only k1, k2; ours has no
// skew, and here p1, p2 and k3 are held at zero. The reference folder also
// holds a fit of exactly this model (by SciPy's least_squares, independent of
// this project), which must be met to rounding; the published values must be
// met within their uncertainty, for his skew is 0.2 px only.
func TestZhang(t *testing.T) {
	dir := shared(t, "reference", "camera")
	text, err := os.ReadFile(filepath.Join(dir, "zhang_published.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	var ref struct {
		Published map[string]float64 `yaml:"published_with_distortion"`
		Refined   struct {
			Sum   float64    `yaml:"sum_sq_px2"`
			Alpha [2]float64 `yaml:"alpha"`
			Beta  [2]float64 `yaml:"beta"`
			U0    [2]float64 `yaml:"u0"`
			V0    [2]float64 `yaml:"v0"`
			K1    [2]float64 `yaml:"k1"`
			K2    [2]float64 `yaml:"k2"`
		} `yaml:"refined_here_no_skew"`
		Views [][][]float64 `yaml:"views_R_rows_then_t"`
	}
	if err := yaml.Unmarshal(text, &ref); err != nil {
		t.Fatal(err)
	}

	board := readNumbers(t, filepath.Join(dir, "zhang_Model.txt"))
	m := &model{opts: Options{PerfectBoard: true, NoLensPrior: true, Steady: true}, boards: []vision.Board{{}}, shapes: [][]float64{make([]float64, numShape)},
		lens: LensPlain, noise: noise{1, 0}, alike: 1,
		cam: vision.Camera{Width: 640, Height: 480, FX: 800, FY: 800, CX: 320, CY: 240}}
	for i, rt := range ref.Views {
		seen := readNumbers(t, filepath.Join(dir, fmt.Sprintf("zhang_data%d.txt", i+1)))
		if len(seen) != 256 || len(board) != 256 {
			t.Fatalf("%d corners on the board, %d seen", len(board), len(seen))
		}
		v := &modelView{name: fmt.Sprint("view ", i+1), halfM: 1, rejected: make([]bool, 256), squared: make([]float64, 256)}
		for k := range seen {
			v.index = append(v.index, k)
			v.obs = append(v.obs, observation{board: pose.Vec{board[k][0], board[k][1], 0}, px: seen[k], cov: [3]float64{1, 0, 1}})
		}
		// The published poses, off by two degrees, are the start.
		r := pose.SO3{[3]float64(rt[0]), [3]float64(rt[1]), [3]float64(rt[2])}
		v.cameraFromBoard = pose.SE3{R: r, T: pose.Vec(rt[3])}.Plus([6]float64{0.02, -0.03, 0.01, 0.1, -0.1, 0.3})
		m.views = append(m.views, v)
	}
	p, cam, _, _ := m.problem(nil)
	p.Hold(cam, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15)
	s, err := p.Solve(t.Context(), bundle.Options{MaxIterations: 300})
	if err != nil {
		t.Fatal(err)
	}
	if got := 2 * s.FinalCost; math.Abs(got-ref.Refined.Sum) > 1e-6*ref.Refined.Sum {
		t.Errorf("sum of squares %.7f px², reference fit %.7f", got, ref.Refined.Sum)
	}
	cov, err := p.Covariance()
	if err != nil {
		t.Fatal(err)
	}
	variance := 2 * s.FinalCost / float64(2*5*256-6-5*6)
	c := cov.Between(cam, cam)
	k := p.Value(cam)
	for i, want := range [][2]float64{ref.Refined.Alpha, ref.Refined.Beta, ref.Refined.U0, ref.Refined.V0, ref.Refined.K1, ref.Refined.K2} {
		name := vision.IntrinsicNames[i]
		u := math.Sqrt(c.At(i, i) * variance)
		published := ref.Published[[]string{"alpha", "beta", "u0", "v0", "k1", "k2"}[i]]
		t.Logf("%s %.6g u %.3g; reference fit %.6g u %.3g; published %.6g", name, k[i], u, want[0], want[1], published)
		if math.Abs(k[i]-want[0]) > 2e-3*want[1] {
			t.Errorf("%s is %.8g, reference fit %.8g", name, k[i], want[0])
		}
		if math.Abs(u-want[1]) > 0.01*want[1] {
			t.Errorf("%s: standard uncertainty %.4g, reference fit %.4g", name, u, want[1])
		}
		if math.Abs(k[i]-published) > 2*u {
			t.Errorf("%s is %.6g, published %.6g, u %.2g", name, k[i], published, u)
		}
	}
}
