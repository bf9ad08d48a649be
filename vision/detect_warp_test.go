package vision

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A steep view: board squares to pixels.
func steep(b [2]float64) [2]float64 {
	x, y := b[0], b[1]
	w := 1 + 0.045*x - 0.02*y
	return [2]float64{(500 + 60*x - 9*y) / w, (400 + 12*x + 41*y) / w}
}

func TestHomographyIsRecovered(t *testing.T) {
	board := Board{Cols: 7, Rows: 5}
	var pts []match
	for i := range board.NumCorners() {
		b := board.cornerSquares(i)
		pts = append(pts, match{b, steep(b), 0.02})
	}
	rng := rand.New(rand.NewPCG(1, 1))
	for _, wrong := range []int{0, 3} {
		noisy := append([]match(nil), pts...)
		for i := range noisy {
			noisy[i].px[0] += 0.02 * rng.NormFloat64()
			noisy[i].px[1] += 0.02 * rng.NormFloat64()
		}
		for i := range wrong {
			noisy[7*i].px[0] += 9
		}
		h, cov, ok := fitHomography(noisy)
		if !ok {
			t.Fatal("no fit")
		}
		for _, m := range pts {
			q, _ := h.at(m.board)
			if d := math.Hypot(q[0]-m.px[0], q[1]-m.px[1]); d > 0.08 {
				t.Errorf("%d wrong points: %v is %.3f px off", wrong, m.board, d)
			}
			if sd := h.sd(m.board, &cov); sd > 0.03 || sd < 0.002 {
				t.Errorf("a stated deviation of %g px", sd)
			}
		}
	}
	if _, _, ok := fitHomography(pts[:3]); ok {
		t.Error("three points fix no homography")
	}
	line := pts[:6] // one row of corners
	if h, cov, ok := fitHomography(line); ok && h.sd([2]float64{3, 4}, &cov) < 1 {
		t.Error("a row of points tells nothing of the rows beside it")
	}
}

func TestChartInvertsTheWarp(t *testing.T) {
	cam := Camera{Width: 4000, Height: 3000, FX: 2900, FY: 2900, CX: 2000, CY: 1500, K1: 0.1, K2: -0.2}
	board := Board{Cols: 7, Rows: 5}
	var pts []match
	for i := range board.NumCorners() {
		b := board.cornerSquares(i)
		px, _ := lens{&cam}.real(steep(b))
		pts = append(pts, match{b, px, 0.02})
	}
	for _, l := range []lens{{&cam}, {}} {
		w, ok := fitWarp(pts, l, &board, true)
		if !ok {
			t.Fatal("no fit")
		}
		for i, m := range pts {
			c, ok := w.chartAt(m.board, 0.5, 2)
			if !ok {
				t.Fatalf("no chart of corner %d", i)
			}
			for _, d := range [][2]float64{{0, 0}, {0.3, 0.2}, {-0.5, 0.5}, {0.1, -0.45}} {
				at := [2]float64{m.board[0] + d[0], m.board[1] + d[1]}
				p, _ := w.at(at)
				a, b := ((p[0]-0.5)/2-c.px[0])/c.unit, ((p[1]-0.5)/2-c.px[1])/c.unit
				x, _, _ := poly(&c.x, a, b)
				y, _, _ := poly(&c.y, a, b)
				if e := math.Hypot(x-d[0], y-d[1]); e > 1e-5 {
					t.Errorf("corner %d, %v from it: off by %.2g squares", i, d, e)
				}
			}
		}
	}
}

// A row of the inverse times the matrix is a row of the unit matrix.
func TestMatrixInverse(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for n := 1; n <= 10; n++ {
		var rows [14][10]float64
		for i := range rows {
			for j := range n {
				rows[i][j] = rng.NormFloat64() * math.Pow(10, float64(j%4))
			}
		}
		var full, low matrix
		for i := range n {
			for j := range n {
				for k := range rows {
					full[i][j] += rows[k][i] * rows[k][j]
				}
				if j <= i {
					low[i][j] = full[i][j]
				}
			}
		}
		inv, ok := low.invert(n)
		if !ok {
			t.Fatalf("%d x %d: not inverted", n, n)
		}
		for i := range n {
			for j := range n {
				var v float64
				for k := range n {
					v += inv[i][k] * full[k][j]
				}
				want := 0.0
				if i == j {
					want = 1
				}
				if math.Abs(v-want) > 1e-7 {
					t.Errorf("%d x %d: element %d, %d of the product is %g", n, n, i, j, v)
				}
			}
		}
		low[n-1][n-1] = -1
		if _, ok := low.invert(n); ok {
			t.Errorf("%d x %d: an indefinite matrix was inverted", n, n)
		}
	}
}
