package vision

import (
	"math"
	"math/rand/v2"
	"testing"
)

// cumulative is the two-dimensional normal distribution function and its
// derivatives, as the blur of a quadrant.
func cumulative(h, k, rho float64) (f, fx, fy float64) {
	s := spread{1, 1, &correlation{}}
	s.corr.set(rho)
	v, vx, vy, _ := quadrant.sample([][2]float64{{h, k}}, s)
	return float64(v[0]), float64(vx[0]), float64(vy[0])
}

func TestNormalAgainstErfc(t *testing.T) {
	edge := pattern{xs: []float64{0}, ys: []float64{9}, white: []float64{0, 1, 0, 1}}
	s := spread{1, 1, &correlation{}}
	for x := -7.0; x <= 7; x += 0.00731 {
		v, d, _, _ := edge.sample([][2]float64{{x, 0}}, s)
		tolerance := 1e-6
		if math.Abs(x) > reach {
			tolerance = 7e-4
		}
		if e := math.Abs(float64(v[0]) - 0.5*math.Erfc(-x/math.Sqrt2)); e > tolerance {
			t.Fatalf("Φ(%g) is off by %g", x, e)
		}
		if e := math.Abs(float64(d[0]) - math.Exp(-x*x/2)/math.Sqrt(2*math.Pi)); e > tolerance && math.Abs(x) < reach {
			t.Fatalf("φ(%g) is off by %g", x, e)
		}
	}
}

// Sheppard's theorem: P(u < 0, v < 0) = 1/4 + asin(ρ)/2π. Elsewhere against
// Φ₂(h, k; ρ) = ∫ φ(u) Φ((k-ρu)/√(1-ρ²)) du up to h, by Simpson's rule.
func TestQuadrantAgainstIntegral(t *testing.T) {
	for _, rho := range []float64{-0.95, -0.8, -0.5, -0.2, -0.05, 0.03, 0.1, 0.29, 0.6, 0.79, 0.9, 0.97} {
		got, _, _ := cumulative(0, 0, rho)
		if want := 0.25 + math.Asin(rho)/(2*math.Pi); math.Abs(got-want) > 1e-4 {
			t.Errorf("ρ %g: %g at the origin, Sheppard has %g", rho, got, want)
		}
		for _, h := range []float64{-2.5, -1, -0.3, 0.4, 1.7} {
			for _, k := range []float64{-2, -0.6, 0, 0.9, 2.4} {
				phi := func(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }
				f := func(u float64) float64 {
					return math.Exp(-u*u/2) / math.Sqrt(2*math.Pi) * phi((k-rho*u)/math.Sqrt(1-rho*rho))
				}
				const n = 4000
				lo := -8.0
				step := (h - lo) / n
				sum := f(lo) + f(h)
				for i := 1; i < n; i++ {
					sum += f(lo+float64(i)*step) * float64(2+2*(i%2))
				}
				want := sum * step / 3
				if got, _, _ := cumulative(h, k, rho); math.Abs(got-want) > 2e-4 {
					t.Errorf("Φ₂(%g, %g; %g) = %.6f, want %.6f", h, k, rho, got, want)
				}
			}
		}
	}
}

// The pattern's picture against the mean of points drawn from the point
// spread, on the board's own rectangles.
func TestSampleAgainstPointsOnTheBoard(t *testing.T) {
	b := Board{Name: "A", Dictionary: "36h11", Cols: 7, Rows: 5, SquareM: 0.055, MarkerM: 0.041, FirstID: 40}
	p := newPattern(&b, allCells)
	rects := b.BlackRects()
	white := func(x, y float64) float64 {
		q := b.at(x, y)
		for _, r := range rects {
			if q[0] >= r.X0 && q[0] < r.X1 && q[1] >= r.Y0 && q[1] < r.Y1 {
				return 0
			}
		}
		return 1
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for try := 0; try < 40; try++ {
		x, y := rng.Float64()*7, rng.Float64()*5
		sx, sy, rho := 0.02+0.08*rng.Float64(), 0.02+0.08*rng.Float64(), 1.8*rng.Float64()-0.9
		if try%4 == 0 {
			rho = 0.01
		}
		var c correlation
		c.set(rho)
		f, _, _, _ := p.sample([][2]float64{{x, y}}, spread{1 / sx, 1 / sy, &c})
		got := float64(f[0])
		const n = 40000
		var sum float64
		for i := 0; i < n; i++ {
			u, v := rng.NormFloat64(), rng.NormFloat64()
			sum += white(x+sx*u, y+sy*(rho*u+math.Sqrt(1-rho*rho)*v))
		}
		if want := sum / n; math.Abs(got-want) > 0.012 {
			t.Errorf("at (%.3f, %.3f), blur %.3f, %.3f, correlation %.2f: %.4f, points say %.4f", x, y, sx, sy, rho, got, want)
		}
	}
}

func TestSampleDerivatives(t *testing.T) {
	b := Board{Name: "A", Dictionary: "36h11", Cols: 7, Rows: 5, SquareM: 0.055, MarkerM: 0.041}
	p := newPattern(&b, allCells)
	rng := rand.New(rand.NewPCG(3, 4))
	for try := 0; try < 300; try++ {
		x, y := -0.2+rng.Float64()*7.4, -0.2+rng.Float64()*5.4
		s := spread{10 + 30*rng.Float64(), 10 + 30*rng.Float64(), &correlation{}}
		s.corr.set(1.6*rng.Float64() - 0.8)
		_, gx, gy, gs := p.sample([][2]float64{{x, y}}, s)
		fx, fy, fs := float64(gx[0]), float64(gy[0]), float64(gs[0])
		const d = 1e-3
		at := func(x, y float64, s spread) float64 {
			f, _, _, _ := p.sample([][2]float64{{x, y}}, s)
			return float64(f[0])
		}
		wide, tight := s, s
		wide.sx, wide.sy = s.sx*math.Exp(-d), s.sy*math.Exp(-d)
		tight.sx, tight.sy = s.sx*math.Exp(d), s.sy*math.Exp(d)
		for i, pair := range [][2]float64{
			{fx / s.sx, (at(x+d, y, s) - at(x-d, y, s)) / (2 * d) / s.sx},
			{fy / s.sy, (at(x, y+d, s) - at(x, y-d, s)) / (2 * d) / s.sy},
			{fs, (at(x, y, wide) - at(x, y, tight)) / (2 * d)},
		} {
			// Lines come and go at the end of their reach, with a step of 7e-4.
			if math.Abs(pair[0]-pair[1]) > 0.01+3*7e-4/(2*d) {
				t.Errorf("derivative %d at (%.3f, %.3f), blur 1/%.1f, 1/%.1f, correlation %.2f: %.4f, numerically %.4f",
					i, x, y, s.sx, s.sy, s.corr.c.rho, pair[0], pair[1])
			}
		}
	}
}
