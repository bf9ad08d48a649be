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
	zhangWithSkew(t, dir, m)
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

// skewed is a view as Zhang's model has it, with a skew. Blocks: alpha, gamma,
// beta, u0, v0, k1, k2, and the pose.
type skewed struct{ obs []observation }

func (f *skewed) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	k := x[0]
	c := vision.Camera{FX: 1, FY: 1, K1: k[5], K2: k[6]}
	at := bundle.GetPose(x[1])
	for i := range f.obs {
		o := &f.obs[i]
		turned := at.R.Apply(o.board)
		d, dPoint, dK, ok := c.ProjectJacobian(pose.Add(turned, at.T))
		if !ok {
			return false
		}
		r[2*i] = k[0]*d[0] + k[1]*d[1] + k[3] - o.px[0]
		r[2*i+1] = k[2]*d[1] + k[4] - o.px[1]
		if jac != nil && jac[0] != nil {
			copy(jac[0][2*i*7:], []float64{d[0], d[1], 0, 1, 0, k[0]*dK[0][4] + k[1]*dK[1][4], k[0]*dK[0][5] + k[1]*dK[1][5],
				0, 0, d[1], 0, 1, k[2] * dK[1][4], k[2] * dK[1][5]})
		}
		if jac != nil && jac[1] != nil {
			var g [2]pose.Vec
			for n := range 3 {
				g[0][n], g[1][n] = k[0]*dPoint[0][n]+k[1]*dPoint[1][n], k[2]*dPoint[1][n]
			}
			for row := range g {
				turn := pose.Cross(turned, g[row])
				copy(jac[1][(2*i+row)*6:], []float64{turn[0], turn[1], turn[2], g[row][0], g[row][1], g[row][2]})
			}
		}
	}
	return true
}

// zhangWithSkew solves Zhang's own model from the same start with our bundle and
// lens: the minimum, the uncertainties and each view's residuals are those of the
// independent fit, and the published values are met to their printed digits'
// precision: the published standard deviations are from memory.
func zhangWithSkew(t *testing.T, dir string, m *model) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, "zhang_published.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	var ref struct {
		Published map[string]float64 `yaml:"published_with_distortion"`
		Memory    struct {
			SD map[string]float64 `yaml:"sd"`
		} `yaml:"published_accuracy_from_memory"`
		Computed struct {
			Views []float64 `yaml:"rms_per_point_by_view"`
		} `yaml:"computed_here_from_published_parameters"`
		Refined struct {
			Sum float64   `yaml:"sum_sq_px2"`
			RMS float64   `yaml:"rms_per_point_px"`
			A   []float64 `yaml:"alpha"`
			G   []float64 `yaml:"gamma"`
			B   []float64 `yaml:"beta"`
			U   []float64 `yaml:"u0"`
			V   []float64 `yaml:"v0"`
			K1  []float64 `yaml:"k1"`
			K2  []float64 `yaml:"k2"`
		} `yaml:"refined_here_least_squares"`
	}
	if err := yaml.Unmarshal(text, &ref); err != nil {
		t.Fatal(err)
	}
	var p bundle.Problem
	cam := p.AddBlock("camera", []float64{800, 0, 800, 320, 240, 0, 0}, bundle.Euclidean(7))
	var views []bundle.ResidualID
	for _, v := range m.views {
		photo := p.AddBlock(v.name, bundle.PoseValue(v.cameraFromBoard), bundle.PoseManifold)
		p.Eliminate(photo)
		f := &skewed{v.obs}
		if worst, err := bundle.CheckJacobian(f, [][]float64{{803, 1.7, 799, 321, 243, -0.21, 0.17}, bundle.PoseValue(v.cameraFromBoard)},
			[]bundle.Manifold{bundle.Euclidean(7), bundle.PoseManifold}, 2*len(v.obs)); err != nil {
			t.Fatalf("worst %g: %v", worst, err)
		}
		views = append(views, p.AddResidual(v.name, f, 2*len(v.obs), 0, nil, cam, photo))
	}
	s, err := p.Solve(t.Context(), bundle.Options{MaxIterations: 300})
	if err != nil {
		t.Fatal(err)
	}
	if got := 2 * s.FinalCost; math.Abs(got-ref.Refined.Sum) > 1e-7*ref.Refined.Sum {
		t.Errorf("with skew: sum of squares %.8f px², reference fit %.8f", got, ref.Refined.Sum)
	}
	if rms := math.Sqrt(2 * s.FinalCost / 1280); math.Abs(rms-ref.Refined.RMS) > 1e-7 {
		t.Errorf("with skew: RMS %.9f px, reference fit %.9f", rms, ref.Refined.RMS)
	}
	for i, id := range views {
		r, _ := p.EvalResidual(id)
		var sum float64
		for _, v := range r {
			sum += v * v
		}
		// Those in the folder are of the published values, rounded to six digits.
		if rms := math.Sqrt(sum / 256); math.Abs(rms-ref.Computed.Views[i]) > 2e-5 {
			t.Errorf("with skew, view %d: RMS %.7f px, of the published values %.7f", i+1, rms, ref.Computed.Views[i])
		} else {
			t.Logf("with skew, view %d: RMS %.7f px, of the published values %.7f", i+1, rms, ref.Computed.Views[i])
		}
	}
	cov, err := p.Covariance()
	if err != nil {
		t.Fatal(err)
	}
	c, k := cov.Between(cam, cam), p.Value(cam)
	variance := 2 * s.FinalCost / (2560 - 37)
	for i, want := range [][]float64{ref.Refined.A, ref.Refined.G, ref.Refined.B, ref.Refined.U, ref.Refined.V, ref.Refined.K1, ref.Refined.K2} {
		name := []string{"alpha", "gamma", "beta", "u0", "v0", "k1", "k2"}[i]
		u := math.Sqrt(c.At(i, i) * variance)
		published := ref.Published[name]
		t.Logf("with skew: %s %.7g u %.3g; reference fit %.7g u %.3g; published %.6g u %.2g", name, k[i], u, want[0], want[1], published, ref.Memory.SD[name])
		if math.Abs(k[i]-want[0]) > 1e-4*want[1] || math.Abs(u-want[1]) > 1e-3*want[1] {
			t.Errorf("with skew: %s is %.9g u %.5g, reference fit %.9g u %.5g", name, k[i], u, want[0], want[1])
		}
		if math.Abs(k[i]-published) > 0.01*ref.Memory.SD[name] {
			t.Errorf("with skew: %s is %.8g, published %.6g", name, k[i], published)
		}
	}
}
