package vision

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"go.yaml.in/yaml/v3"
)

// strong is a wide lens with barrel distortion that still covers its picture.
func strong() Camera {
	return Camera{Width: 1280, Height: 960, FX: 610, FY: 598, CX: 651, CY: 467, K1: -0.31, K2: 0.117, P1: 8e-4, P2: -1.3e-3, K3: -0.011}
}

// lenses are cameras of all kinds.
func lenses() []*Camera {
	return []*Camera{ptr(aCamera()), ptr(strong()), ptr(rational()), ptr(rich())}
}

// points in front of the camera, no two coordinates of one alike.
func somePoints() [][3]float64 {
	var out [][3]float64
	for i := range 40 {
		a, r := 0.7+2.4*float64(i), 0.02+0.017*float64(i)
		z := 0.8 + 0.13*float64(i)
		out = append(out, [3]float64{r * z * math.Cos(a), r * z * math.Sin(a), z})
	}
	return out
}

// cv::projectPoints on the same inputs.
func TestProjectIsOpenCVs(t *testing.T) {
	for _, c := range lenses() {
		k := c.Intrinsics()
		pts := somePoints()
		in := append([]float64{NumIntrinsics}, k[:]...)
		in = append(in, float64(len(pts)))
		for _, p := range pts {
			in = append(in, p[:]...)
		}
		want := openCVNumbers(t, in, "project")
		for i, p := range pts {
			px, ok := c.Project(p)
			if !ok || math.Abs(px[0]-want[2*i]) > 1e-9 || math.Abs(px[1]-want[2*i+1]) > 1e-9 {
				t.Errorf("%v: %v (%v), OpenCV %v", p, px, ok, want[2*i:2*i+2])
			}
		}
	}
}

// cv::undistortPoints, iterated to the end, on the same inputs.
func TestRayIsOpenCVs(t *testing.T) {
	for _, c := range []Camera{aCamera(), rational(), rich()} {
		k := c.Intrinsics()
		var px [][2]float64
		in := append([]float64{NumIntrinsics}, k[:]...)
		in = append(in, 0)
		for y := 11.0; y < 3000; y += 331 {
			for x := 5.0; x < 4000; x += 397 {
				px = append(px, [2]float64{x, y})
				in = append(in, x, y)
			}
		}
		in[1+NumIntrinsics] = float64(len(px))
		want := openCVNumbers(t, in, "undistort")
		for i, p := range px {
			xy, ok := c.Ray(p)
			if !ok || math.Hypot(xy[0]-want[2*i], xy[1]-want[2*i+1]) > 1e-9 {
				t.Errorf("%v: %v (%v), OpenCV %v", p, xy, ok, want[2*i:2*i+2])
			}
		}
	}
}

// The model against published data: Z. Zhang, A flexible new technique for
// camera calibration, MSR-TR-98-71 and IEEE TPAMI 22(11) 2000. His published
// intrinsics (with skew, two radial terms) and poses on his 1280 corners. The
// sums of squares were computed from these numbers by an independent program
// (SciPy); the minimum over all parameters is 144.8803 px².
func TestZhangsPublishedCamera(t *testing.T) {
	dir := "../../shared/reference/camera"
	data, err := os.ReadFile(filepath.Join(dir, "zhang_published.yaml"))
	if err != nil {
		t.Skip("reference data not on this machine: ", err)
	}
	var f struct {
		Published struct{ Alpha, Gamma, Beta, U0, V0, K1, K2 float64 } `yaml:"published_with_distortion"`
		Views     [][4][3]float64                                      `yaml:"views_R_rows_then_t"`
		Computed  struct {
			SumSq float64   `yaml:"sum_sq_px2"`
			Views []float64 `yaml:"rms_per_point_by_view"`
		} `yaml:"computed_here_from_published_parameters"`
	}
	if err := yaml.Unmarshal(data, &f); err != nil {
		t.Fatal(err)
	}
	p := f.Published
	// Our camera has no skew: it gives the distorted coordinates here, and the
	// skew is added outside.
	c := Camera{FX: 1, FY: 1, K1: p.K1, K2: p.K2}
	model := readNumbers(t, filepath.Join(dir, "zhang_Model.txt"))
	sum := 0.0
	for v, view := range f.Views {
		px := readNumbers(t, filepath.Join(dir, fmt.Sprintf("zhang_data%d.txt", v+1)))
		if len(px) != 512 || len(model) != 512 {
			t.Fatalf("%d and %d numbers, want 512", len(px), len(model))
		}
		s := 0.0
		for i := 0; i < len(px); i += 2 {
			var q [3]float64
			for k := range q {
				q[k] = view[k][0]*model[i] + view[k][1]*model[i+1] + view[3][k]
			}
			d, ok := c.Project(q)
			if !ok {
				t.Fatal("a corner is not in front of the camera")
			}
			eu := p.Alpha*d[0] + p.Gamma*d[1] + p.U0 - px[i]
			ev := p.Beta*d[1] + p.V0 - px[i+1]
			s += eu*eu + ev*ev
		}
		if rms := math.Sqrt(s / 256); math.Abs(rms-f.Computed.Views[v]) > 1e-7 {
			t.Errorf("view %d: RMS %.8f px, want %.8f", v+1, rms, f.Computed.Views[v])
		}
		sum += s
	}
	if math.Abs(sum-f.Computed.SumSq) > 1e-5 {
		t.Errorf("sum of squares %.6f px², want %.6f", sum, f.Computed.SumSq)
	}
}

func readNumbers(t *testing.T, path string) []float64 {
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var out []float64
	r := bufio.NewReader(f)
	for {
		var v float64
		if _, err := fmt.Fscan(r, &v); err != nil {
			return out
		}
		out = append(out, v)
	}
}

// The analytic derivatives against central differences, where no two values
// are equal.
func TestProjectJacobian(t *testing.T) {
	for _, c := range lenses() {
		for _, p := range somePoints() {
			px, dPoint, dIntrinsics, ok := c.ProjectJacobian(p)
			if want, ok2 := c.Project(p); math.Hypot(px[0]-want[0], px[1]-want[1]) > 1e-9 || ok != ok2 || !ok {
				t.Fatalf("%v: pixel %v (%v), Project %v (%v)", p, px, ok, want, ok2)
			}
			check := func(what string, got [2]float64, scale float64, move func(h float64) [2]float64) {
				t.Helper()
				const h = 1e-6
				u, v := move(h), move(-h)
				for k := range 2 {
					n := (u[k] - v[k]) / (2 * h)
					if math.Abs(n-got[k]) > 1e-6*scale {
						t.Errorf("%v: d%s/d%s = %.9g, by differences %.9g", p, "uv"[k:k+1], what, got[k], n)
					}
				}
			}
			for i := range 3 {
				check("xyz"[i:i+1], [2]float64{dPoint[0][i], dPoint[1][i]}, c.FX, func(h float64) [2]float64 {
					q := p
					q[i] += h
					px, _ := c.Project(q)
					return px
				})
			}
			for i, name := range IntrinsicNames {
				check(name, [2]float64{dIntrinsics[0][i], dIntrinsics[1][i]}, c.FX, func(h float64) [2]float64 {
					d := *c
					k := d.Intrinsics()
					k[i] += h
					d.SetIntrinsics(k)
					px, _ := d.Project(p)
					return px
				})
			}
			// The columns of a plain lens alone are the same.
			var px2 [2]float64
			var dPoint2 [2][3]float64
			var part [2][NumIntrinsics]float64
			ok2 := c.ProjectTo(&p, &px2, &dPoint2, &part, PlainIntrinsics)
			for r := range dIntrinsics {
				clear(dIntrinsics[r][PlainIntrinsics:])
			}
			if !ok2 || px2 != px || dPoint2 != dPoint || part != dIntrinsics {
				t.Errorf("%v: the first columns are %v, want %v", p, part, dIntrinsics)
			}
		}
	}
}

func TestIntrinsicsRoundTrip(t *testing.T) {
	c := rich()
	var d Camera
	d.SetIntrinsics(c.Intrinsics())
	c.Name, c.Width, c.Height, c.Cov, c.FocalMM, c.Focal35MM, c.RMSPx, c.Views, c.Calibrated = "", 0, 0, nil, 0, 0, 0, 0, time.Time{}
	if d.Intrinsics() != c.Intrinsics() || !reflect.DeepEqual(c, d) {
		t.Errorf("%+v", d)
	}
}

// Ray undoes Project over the whole picture and some way beyond its edge.
func TestRayUndoesProject(t *testing.T) {
	for _, c := range lenses() {
		worst, n := 0.0, 0
		for y := -20.0; y < float64(c.Height)+20; y += float64(c.Height) / 60 {
			for x := -20.0; x < float64(c.Width)+20; x += float64(c.Width) / 80 {
				xy, ok := c.Ray([2]float64{x, y})
				if !ok {
					t.Fatalf("pixel (%g, %g) has no ray", x, y)
				}
				px, ok := c.Project([3]float64{3 * xy[0], 3 * xy[1], 3})
				if !ok {
					t.Fatalf("pixel (%g, %g): its ray does not project", x, y)
				}
				worst = math.Max(worst, math.Hypot(px[0]-x, px[1]-y))
				n++
			}
		}
		if worst > 1e-9 || n < 4000 {
			t.Errorf("worst of %d pixels: %g px", n, worst)
		}
	}
}

func TestBehindTheCamera(t *testing.T) {
	c := aCamera()
	for _, p := range [][3]float64{{0.1, 0.2, 0}, {0.1, 0.2, -1}, {0.1, 0.2, math.NaN()}} {
		if _, ok := c.Project(p); ok {
			t.Errorf("%v projects", p)
		}
		if _, _, _, ok := c.ProjectJacobian(p); ok {
			t.Errorf("%v projects with a Jacobian", p)
		}
	}
}

// The distorted radius r(1 + k1 r² + k2 r⁴ + k3 r⁶) rises up to the first zero
// of its derivative; what lies farther out must not be taken for visible, even
// where the radius rises again.
func TestFoldOver(t *testing.T) {
	for _, k := range [][6]float64{
		{-0.3, 0, 0},
		{-0.5, 0.1, 0}, // folds between r² = 1 and 2, then rises again
		{0.3, -0.1, 0},
		{0.1, 0.1, -0.05},
		{-0.6, 0.3, -0.03},
		{-0.7, 0.3, 0.05}, // as above, dips and rises
		{0, -0.2, 0.02},
		{-0.4, 0.2, 0.01}, // never folds
		{0.1, 0.2, 0.3},   // never folds
		{0, 0, 0, 0.3},    // a denominator alone: the radius goes to 0 far out
		{0.2, 0, 0, 0, 0.1},
		{1.2, 0.3, 0, 1.4, 0.5},
		{0.4612, -2.4305, 1.3847, 0.3421, -2.2611, 1.3173}, // a pole of the denominator beyond the fold
		{0.1, 0.2, 0.1, 0.2, -0.1},                         // rises up to its pole
		{-0.7, 0.3, 0.05, 0.01, 0.02, 0.03},                // dips
		{0.1, 0.2, 0.3, 0.1, 0.1, 0.02},                    // never folds
	} {
		c := Camera{FX: 1000, FY: 1000, K1: k[0], K2: k[1], K3: k[2], K4: k[3], K5: k[4], K6: k[5]}
		// Found by walking: the radius where the distorted one stops rising, or
		// has a pole.
		fold, max := math.Inf(1), 0.0
		for r := 1e-4; r < 5; r += 1e-4 {
			s := r * r
			den := 1 + s*(k[3]+s*(k[4]+s*k[5]))
			d := r * (1 + s*(k[0]+s*(k[1]+s*k[2]))) / den
			if d <= max || den <= 0 {
				fold = r
				break
			}
			max = d
		}
		for r := 0.01; r < 5; r += 0.0137 {
			x, y := r*0.6, r*0.8
			px, ok := c.Project([3]float64{x, y, 1})
			_, _, _, ok2 := c.ProjectJacobian([3]float64{x, y, 1})
			if math.Abs(r-fold) < 2e-3 {
				continue
			}
			if ok != (r < fold) || ok2 != ok {
				t.Errorf("k %v: radius %.3f projects: %v, but the fold is at %.3f", k, r, ok, fold)
			}
			if ok {
				// A slope of nearly 0 just inside the fold costs digits.
				xy, back := c.Ray(px)
				if r < 0.98*fold && (!back || math.Hypot(xy[0]-x, xy[1]-y) > 1e-9*(1+r*r)) {
					t.Errorf("k %v: radius %.3f: ray %v (%v), want %v", k, r, xy, back, [2]float64{x, y})
				}
			}
		}
		if !math.IsInf(fold, 1) && max < 1e3 {
			for _, f := range []float64{1.01, 1.1, 1.5, 3} {
				if xy, ok := c.Ray([2]float64{600 * max * f, 800 * max * f}); ok {
					t.Errorf("k %v: a pixel beyond the fold has the ray %v", k, xy)
				}
			}
		}
	}
}

// A prism that folds the picture is noticed: it moves all points one way, by
// more than they are apart.
func TestPrismFoldsOver(t *testing.T) {
	c := Camera{FX: 1000, FY: 1000, S1: -0.5}
	// x' = x − s/2 rises along x up to x = 1.
	for x, want := range map[float64]bool{0.3: true, 0.9: true, 1.1: false, 2: false} {
		if _, ok := c.Project([3]float64{x, 0, 1}); ok != want {
			t.Errorf("x = %g projects: %v", x, ok)
		}
	}
}

// The Bernstein test against the roots of polynomials made from them.
func TestPositive(t *testing.T) {
	// Π (1 − s/root).
	for _, c := range []struct {
		roots []float64
		end   float64
		want  bool
	}{
		{[]float64{2}, 1, true},
		{[]float64{0.9}, 1, false},
		{[]float64{-1, -2, 3}, 2.9, true},
		{[]float64{0.5, 0.5001}, 1, false}, // a short dip, ends positive
		{[]float64{0.5, 0.6, 2, 3, 4, 5}, 1, false},
		{[]float64{1.2, 1.3, 2, 3, 4, 5}, 1, true},
		{[]float64{1.001, 1.002, -2, -3, 4, 5}, 1, true},
	} {
		p := []float64{1}
		for _, r := range c.roots {
			q := make([]float64, len(p)+1)
			for i, v := range p {
				q[i] += v
				q[i+1] -= v / r
			}
			p = q
		}
		if got := positive(p, c.end); got != c.want {
			t.Errorf("roots %v on [0, %g]: %v", c.roots, c.end, got)
		}
	}
}

func BenchmarkProject(b *testing.B) {
	c := strong()
	p := somePoints()
	for i := range b.N {
		c.Project(p[i%len(p)])
	}
}

// The columns of a plain lens, all of one, and all of a rich one.
func BenchmarkProjectTo(b *testing.B) {
	p := somePoints()
	for _, v := range []struct {
		name    string
		c       Camera
		columns int
	}{
		{"plain", strong(), PlainIntrinsics},
		{"plain, all columns", strong(), NumIntrinsics},
		{"rich, all columns", rich(), NumIntrinsics},
	} {
		b.Run(v.name, func(b *testing.B) {
			var px [2]float64
			var dPoint [2][3]float64
			var dIntrinsics [2][NumIntrinsics]float64
			for i := range b.N {
				v.c.ProjectTo(&p[i%len(p)], &px, &dPoint, &dIntrinsics, v.columns)
			}
		})
	}
}
