package bundle_test

import (
	"context"
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"wheelplane/pose/bundle"
)

// reference returns the path of a file of the shared reference data, which lie
// beside the repository, or skips the test.
func reference(t *testing.T, path ...string) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			break
		}
		if dir == filepath.Dir(dir) {
			t.Fatal("no go.mod above the test")
		}
		dir = filepath.Dir(dir)
	}
	file := filepath.Join(append([]string{dir, "..", "shared", "reference"}, path...)...)
	if _, err := os.Stat(file); err != nil {
		t.Skipf("the reference data are not here: %v", err)
	}
	return file
}

func readYAML(t *testing.T, file string, to any) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err == nil {
		err = yaml.Unmarshal(text, to)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// curve is all observations of a curve y = f(x; b), unweighted.
type curve struct {
	x, y  []float64
	model func(x float64, b, grad []float64) float64
}

func (c *curve) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	n := len(x[0])
	grad := make([]float64, n)
	for i := range c.x {
		r[i] = c.model(c.x[i], x[0], grad) - c.y[i]
		if jac[0] != nil {
			copy(jac[0][i*n:], grad)
		}
	}
	return true
}

// strdModels are the models of NIST's problems with their gradients, worked out
// by hand and checked by TestStRDJacobians.
var strdModels = map[string]func(x float64, b, g []float64) float64{
	"MGH09": func(x float64, b, g []float64) float64 {
		num, den := x*x+x*b[1], x*x+x*b[2]+b[3]
		g[0] = num / den
		g[1] = b[0] * x / den
		g[3] = -b[0] * num / (den * den)
		g[2] = g[3] * x
		return b[0] * num / den
	},
	"Thurber": cubicOverCubic,
	"Hahn1":   cubicOverCubic,
	"Bennett5": func(x float64, b, g []float64) float64 {
		g[0] = math.Pow(b[1]+x, -1/b[2])
		y := b[0] * g[0]
		g[1] = -y / (b[2] * (b[1] + x))
		g[2] = y * math.Log(b[1]+x) / (b[2] * b[2])
		return y
	},
	"Eckerle4": func(x float64, b, g []float64) float64 {
		z := (x - b[2]) / b[1]
		e := math.Exp(-z * z / 2)
		y := b[0] / b[1] * e
		g[0] = e / b[1]
		g[1] = y * (z*z - 1) / b[1]
		g[2] = y * z / b[1]
		return y
	},
	"Rat43": func(x float64, b, g []float64) float64 {
		e := math.Exp(b[1] - b[2]*x)
		g[0] = math.Pow(1+e, -1/b[3])
		y := b[0] * g[0]
		g[1] = -y * e / (b[3] * (1 + e))
		g[2] = -g[1] * x
		g[3] = y * math.Log1p(e) / (b[3] * b[3])
		return y
	},
	"Misra1a": saturation,
	"BoxBOD":  saturation,
	"MGH10": func(x float64, b, g []float64) float64 {
		g[0] = math.Exp(b[1] / (x + b[2]))
		y := b[0] * g[0]
		g[1] = y / (x + b[2])
		g[2] = -y * b[1] / ((x + b[2]) * (x + b[2]))
		return y
	},
	"MGH17": func(x float64, b, g []float64) float64 {
		g[0] = 1
		g[1], g[2] = math.Exp(-x*b[3]), math.Exp(-x*b[4])
		g[3], g[4] = -x*b[1]*g[1], -x*b[2]*g[2]
		return b[0] + b[1]*g[1] + b[2]*g[2]
	},
	"Kirby2": func(x float64, b, g []float64) float64 {
		num, den := b[0]+x*(b[1]+x*b[2]), 1+x*(b[3]+x*b[4])
		y := num / den
		g[0], g[1], g[2] = 1/den, x/den, x*x/den
		g[3], g[4] = -y*x/den, -y*x*x/den
		return y
	},
	"Lanczos3": func(x float64, b, g []float64) float64 {
		y := 0.0
		for i := 0; i < 6; i += 2 {
			g[i] = math.Exp(-b[i+1] * x)
			g[i+1] = -x * b[i] * g[i]
			y += b[i] * g[i]
		}
		return y
	},
}

func cubicOverCubic(x float64, b, g []float64) float64 {
	num, den := b[0]+x*(b[1]+x*(b[2]+x*b[3])), 1+x*(b[4]+x*(b[5]+x*b[6]))
	y := num / den
	g[0], g[1], g[2], g[3] = 1/den, x/den, x*x/den, x*x*x/den
	g[4], g[5], g[6] = -y*x/den, -y*x*x/den, -y*x*x*x/den
	return y
}

func saturation(x float64, b, g []float64) float64 {
	e := math.Exp(-b[1] * x)
	g[0] = 1 - e
	g[1] = b[0] * x * e
	return b[0] * (1 - e)
}

type strdProblem struct {
	Start1         map[string]float64 `yaml:"start1"`
	Start2         map[string]float64 `yaml:"start2"`
	Certified      map[string]float64 `yaml:"certified"`
	SD             map[string]float64 `yaml:"certified_sd"`
	RSS            float64            `yaml:"residual_sum_of_squares"`
	x, y           []float64
	start          [2][]float64
	certified, sds []float64
}

func readStRD(t *testing.T) map[string]*strdProblem {
	problems := map[string]*strdProblem{}
	readYAML(t, reference(t, "strd", "certified.yaml"), &problems)
	for name, p := range problems {
		f, err := os.Open(reference(t, "strd", name+".csv"))
		if err != nil {
			t.Fatal(err)
		}
		lines, err := csv.NewReader(f).ReadAll()
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		for _, line := range lines[1:] {
			x, errX := strconv.ParseFloat(line[0], 64)
			y, errY := strconv.ParseFloat(line[1], 64)
			if errX != nil || errY != nil {
				t.Fatalf("%s: %v", name, line)
			}
			p.x, p.y = append(p.x, x), append(p.y, y)
		}
		for i := range len(p.Certified) {
			key := "b" + strconv.Itoa(i+1)
			p.start[0] = append(p.start[0], p.Start1[key])
			p.start[1] = append(p.start[1], p.Start2[key])
			p.certified = append(p.certified, p.Certified[key])
			p.sds = append(p.sds, p.SD[key])
		}
	}
	return problems
}

// digits is the number of leading digits in which got and want agree, at most
// 11, which is what NIST gives (the log relative error of NIST's guide).
func digits(got, want []float64) float64 {
	least := 11.0
	for i := range want {
		if e := math.Abs(got[i]-want[i]) / math.Abs(want[i]); e > 0 || math.IsNaN(e) {
			least = math.Min(least, -math.Log10(e))
		}
		if math.IsNaN(got[i]) {
			return 0
		}
	}
	return least
}

// What to expect at least, in digits of the parameters and of their standard
// deviations. Forming JᵀJ costs twice the digits that the condition of J costs,
// which shows in two problems whose parameters nearly stand in for one another.
var strdDigits = map[string][2]float64{"Lanczos3": {6, 6}, "Bennett5": {7, 6}}

// Source: NIST/ITL Statistical Reference Datasets, nonlinear regression; twelve
// problems of all three levels of difficulty, from both starts, with one
// setting of the solver.
func TestStRD(t *testing.T) {
	for name, pr := range readStRD(t) {
		for start := range pr.start {
			t.Run(name+"/start"+strconv.Itoa(start+1), func(t *testing.T) {
				var p bundle.Problem
				b := p.AddBlock("b", pr.start[start], bundle.Euclidean(len(pr.certified)))
				p.AddResidual(name, &curve{pr.x, pr.y, strdModels[name]}, len(pr.x), 0, nil, b)
				// The starts are far off on purpose: take short steps first, and
				// many of them (MGH10 needs six thousand from its first start).
				sum, err := p.Solve(context.Background(), bundle.Options{
					InitialDamping: 1000, MaxIterations: 10_000,
					CostTolerance: 1e-16, GradientTolerance: 1e-14, StepTolerance: 1e-13,
				})
				if err != nil {
					t.Fatalf("%v (%v)", err, p.Value(b))
				}
				cov, err := p.Covariance()
				if err != nil {
					t.Fatal(err)
				}
				// NIST's file gives Rat43 nine degrees of freedom; its standard
				// deviations are those of the true eleven.
				dof := float64(len(pr.x) - len(pr.certified))
				rss, c := 2*sum.FinalCost, cov.Between(b, b)
				sd := make([]float64, len(pr.sds))
				for i := range sd {
					sd[i] = math.Sqrt(c.At(i, i) * rss / dof)
				}
				got := [3]float64{
					digits(p.Value(b), pr.certified), digits(sd, pr.sds), digits([]float64{rss}, []float64{pr.RSS}),
				}
				want := [2]float64{7, 7}
				if w, ok := strdDigits[name]; ok {
					want = w
				}
				t.Logf("digits: %.1f of b, %.1f of sd, %.1f of RSS; %d iterations, %d refused, %s",
					got[0], got[1], got[2], sum.Iterations, sum.Refused, sum.Reason)
				if got[0] < want[0] || got[1] < want[1] || got[2] < 10 {
					t.Errorf("b = %v, want %v\nsd = %v, want %v\nRSS = %v, want %v",
						p.Value(b), pr.certified, sd, pr.sds, rss, pr.RSS)
				}
			})
		}
	}
}

// From the first start of BoxBOD, long steps lead to a plain where the curve no
// longer depends on its rate. That must not pass for an answer.
func TestRunawayIsNoAnswer(t *testing.T) {
	pr := readStRD(t)["BoxBOD"]
	var p bundle.Problem
	b := p.AddBlock("amplitude and rate", pr.start[0], bundle.Euclidean(2))
	p.AddResidual("BoxBOD", &curve{pr.x, pr.y, saturation}, len(pr.x), 0, nil, b)
	sum, err := p.Solve(context.Background(), bundle.Options{})
	if err == nil || sum.Converged || sum.Reason != bundle.RanAway ||
		!strings.Contains(err.Error(), `component 1 of "amplitude and rate"`) {
		t.Errorf("%+v, %v", sum, err)
	}
}

func TestStRDJacobians(t *testing.T) {
	for name, pr := range readStRD(t) {
		// Away from the answer, where residuals are large, and where every
		// parameter is a number of ordinary size.
		scaled := &scaledCurve{curve{pr.x, pr.y, strdModels[name]}, pr.certified}
		x := make([]float64, len(pr.certified))
		for i := range x {
			x[i] = 1.01 + 0.013*float64(i)
		}
		if _, err := bundle.CheckJacobian(scaled, [][]float64{x}, []bundle.Manifold{bundle.Euclidean(len(x))}, len(pr.x)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// scaledCurve takes parameters as multiples of unit.
type scaledCurve struct {
	curve
	unit []float64
}

func (c *scaledCurve) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	b := make([]float64, len(c.unit))
	for i := range b {
		b[i] = x[0][i] * c.unit[i]
	}
	ok := c.curve.Eval([][]float64{b}, r, jac)
	if jac[0] != nil {
		for i := range jac[0] {
			jac[0][i] *= c.unit[i%len(b)]
		}
	}
	return ok
}
