package bundle_test

import (
	"context"
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"

	"wheelplane/pose/bundle"
)

// fitLine fits y = a + b·(x − x0) to unweighted points and returns a, b, their
// covariance with the variance of the residuals put in, and the standard
// deviation of the residuals.
func fitLine(t *testing.T, x, y []float64, x0 float64) (a, b float64, cov *mat.Dense, s float64) {
	t.Helper()
	var p bundle.Problem
	line := p.AddBlock("line", []float64{0, 0}, bundle.Euclidean(2))
	for i := range x {
		p.AddResidual("point", reading{x[i] - x0, y[i], 1}, 1, 0, nil, line)
	}
	sum, err := p.Solve(context.Background(), bundle.Options{})
	if err != nil {
		t.Fatal(err)
	}
	c, err := p.Covariance()
	if err != nil {
		t.Fatal(err)
	}
	variance := 2 * sum.FinalCost / float64(sum.Rows-sum.Parameters)
	cov = c.Between(line, line)
	cov.Scale(variance, cov)
	v := p.Value(line)
	return v[0], v[1], cov, math.Sqrt(variance)
}

// near compares with a value printed to some digits: half a unit of the last.
func near(t *testing.T, what string, got, want, unit float64) {
	t.Helper()
	if math.Abs(got-want) > unit/2*1.0001 || math.IsNaN(got) {
		t.Errorf("%s is %.9g, published %.9g", what, got, want)
	}
}

// Source: JCGM 100:2008 (GUM), example H.3, calibration of a thermometer, Table
// H.6 and the results beside it.
func TestGUMThermometer(t *testing.T) {
	var d struct {
		X  []float64 `yaml:"t_degC"`
		Y  []float64 `yaml:"b_degC"`
		X0 float64   `yaml:"t0_degC"`
		P  struct {
			Intercept [2]float64 `yaml:"intercept"`
			Slope     [2]float64 `yaml:"slope"`
			R         float64    `yaml:"r"`
			S         float64    `yaml:"s"`
			At30      [2]float64 `yaml:"b_at_30"`
		} `yaml:"published"`
	}
	readYAML(t, reference(t, "gum", "gum_H3_line_fit.yaml"), &d)
	a, b, c, s := fitLine(t, d.X, d.Y, d.X0)
	near(t, "intercept", a, d.P.Intercept[0], 1e-4)
	near(t, "u of the intercept", math.Sqrt(c.At(0, 0)), d.P.Intercept[1], 1e-4)
	near(t, "slope", b, d.P.Slope[0], 1e-5)
	near(t, "u of the slope", math.Sqrt(c.At(1, 1)), d.P.Slope[1], 1e-5)
	near(t, "correlation", c.At(0, 1)/math.Sqrt(c.At(0, 0)*c.At(1, 1)), d.P.R, 1e-3)
	near(t, "s", s, d.P.S, 1e-4)
	near(t, "correction at 30 °C", a+10*b, d.P.At30[0], 1e-4)
	near(t, "u of the correction at 30 °C", math.Sqrt(c.At(0, 0)+20*c.At(0, 1)+100*c.At(1, 1)), d.P.At30[1], 1e-4)

	// gonum's closed form is a second witness of the line itself.
	shifted := make([]float64, len(d.X))
	for i := range shifted {
		shifted[i] = d.X[i] - d.X0
	}
	wantA, wantB := stat.LinearRegression(shifted, d.Y, nil, false)
	if math.Abs(a-wantA) > 1e-13 || math.Abs(b-wantB) > 1e-13 {
		t.Errorf("the line is %v + %v·x, gonum says %v + %v·x", a, b, wantA, wantB)
	}
}

// Source: Natrella, Experimental Statistics, NBS Handbook 91, 1963, section
// 5-4.1, Young's modulus against temperature.
func TestNatrellaLine(t *testing.T) {
	var d struct {
		X []float64 `yaml:"x"`
		Y []float64 `yaml:"y"`
		P struct {
			Slope        float64 `yaml:"slope"`
			Intercept    float64 `yaml:"intercept"`
			VarSlope     float64 `yaml:"var_slope"`
			VarIntercept float64 `yaml:"var_intercept"`
			S            float64 `yaml:"Syx"`
			VarMean1200  float64 `yaml:"var_of_mean_response_at_1200"`
			VarNew750    float64 `yaml:"var_of_prediction_at_750"`
		} `yaml:"published"`
	}
	readYAML(t, reference(t, "gum", "line_fit_natrella.yaml"), &d)
	a, b, c, s := fitLine(t, d.X, d.Y, 0)
	// The worksheet carries rounded figures along: up to two units of the last.
	near(t, "slope", b, d.P.Slope, 1e-8)
	near(t, "intercept", a, d.P.Intercept, 1e-4)
	near(t, "variance of the slope", c.At(1, 1), d.P.VarSlope, 4e-12)
	near(t, "variance of the intercept", c.At(0, 0), d.P.VarIntercept, 4e-6)
	near(t, "s", s, d.P.S, 2e-6)
	at := func(x float64) float64 { return c.At(0, 0) + 2*x*c.At(0, 1) + x*x*c.At(1, 1) }
	near(t, "variance of the mean at 1200", at(1200), d.P.VarMean1200, 0.01)
	near(t, "variance of a new observation at 750", at(750)+s*s, d.P.VarNew750, 0.01)
}
