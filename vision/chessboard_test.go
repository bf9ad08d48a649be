package vision

import (
	"image"
	"math"
	"strings"
	"testing"
)

// chessMap takes squares from the board's top left to pixels.
type chessMap [3][3]float64

func (m chessMap) at(b [2]float64) [2]float64 {
	w := m[2][0]*b[0] + m[2][1]*b[1] + m[2][2]
	return [2]float64{(m[0][0]*b[0] + m[0][1]*b[1] + m[0][2]) / w, (m[1][0]*b[0] + m[1][1]*b[1] + m[1][2]) / w}
}

func (m chessMap) inverse() (r chessMap) {
	for i := range 3 {
		for j := range 3 {
			a, b, c, d := (j+1)%3, (j+2)%3, (i+1)%3, (i+2)%3
			r[i][j] = m[a][c]*m[b][d] - m[a][d]*m[b][c] // over the determinant, which cancels
		}
	}
	return r
}

// drawChessboard photographs a chessboard: 6 x 6 samples a pixel, then a small
// blur. The outer squares are cut to a third, as on boards that
// fill their plate.
func drawChessboard(width, height int, b *Board, h chessMap, black bool) *image.Gray {
	inv := h.inverse()
	at := func(x, y float64) float64 {
		q := inv.at([2]float64{x, y})
		c, r := q[0], q[1]
		if c < 0.67 || r < 0.67 || c > float64(b.Cols)-0.67 || r > float64(b.Rows)-0.67 {
			return 150
		}
		if (int(c)+int(r))%2 == 0 == black {
			return 30
		}
		return 220
	}
	const n = 6
	sharp := make([]float64, width*height)
	for y := range height {
		for x := range width {
			// All corners of a pixel alike: so is the pixel, nearly always.
			if v := at(float64(x)-0.5, float64(y)-0.5); v == at(float64(x)+0.5, float64(y)-0.5) && v == at(float64(x)-0.5, float64(y)+0.5) && v == at(float64(x)+0.5, float64(y)+0.5) {
				sharp[y*width+x] = v
				continue
			}
			for j := range n {
				for i := range n {
					sharp[y*width+x] += at(float64(x)+(float64(i)+0.5)/n-0.5, float64(y)+(float64(j)+0.5)/n-0.5) / (n * n)
				}
			}
		}
	}
	m := image.NewGray(image.Rect(0, 0, width, height))
	k := [3]float64{0.25, 0.5, 0.25}
	for y := 1; y < height-1; y++ {
		for x := 1; x < width-1; x++ {
			var v float64
			for j := range 3 {
				for i := range 3 {
					v += k[i] * k[j] * sharp[(y+j-1)*width+x+i-1]
				}
			}
			m.Pix[y*m.Stride+x] = uint8(math.Round(v))
		}
	}
	return m
}

// Corners against their true places, whichever colour comes first and however
// large the picture; the truth is the homography the picture was drawn with.
func TestDetectChessboard(t *testing.T) {
	for _, c := range []struct {
		name          string
		width, height int
		cols, rows    int
		m             chessMap // at 800 px width
		black         bool
	}{
		{"square on", 800, 600, 9, 6, chessMap{{62, 3, 75.3}, {-2, 61, 80.7}, {0, 0, 1}}, true},
		{"tilted", 800, 600, 9, 6, chessMap{{70, 12, 60.4}, {4, 66, 60.2}, {0.02, 0.03, 1}}, true},
		{"white first", 800, 600, 8, 5, chessMap{{70, 12, 60.4}, {4, 66, 90.2}, {0.02, 0.03, 1}}, false},
		{"even, black first", 800, 600, 7, 5, chessMap{{70, 12, 60.4}, {4, 66, 90.2}, {0.02, 0.03, 1}}, true},
		{"large picture", 2000, 1500, 9, 6, chessMap{{66, 12, 60.4}, {4, 62, 60.2}, {0.02, 0.03, 1}}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, err := Chessboard(c.cols, c.rows, 0.025)
			if err != nil {
				t.Fatal(err)
			}
			f := float64(c.width) / 800
			h := c.m
			for i := range 2 {
				for j := range 3 {
					h[i][j] = c.m[i][j]*f + c.m[2][j]*(f-1)/2
				}
			}
			v, ok, err := DetectChessboard(drawChessboard(c.width, c.height, &b, h, c.black), b, DetectOptions{})
			if err != nil || !ok {
				t.Fatalf("not found (%v)", err)
			}
			if len(v.Corners) != c.cols*c.rows {
				t.Fatalf("%d of %d corners: %v", len(v.Corners), c.cols*c.rows, v.Rejected)
			}
			// OpenCV may begin at the opposite end.
			worst := [2]float64{}
			for _, k := range v.Corners {
				for end, index := range []int{k.Index, len(v.Corners) - 1 - k.Index} {
					want := h.at(b.cornerSquares(index))
					worst[end] = math.Max(worst[end], math.Hypot(k.Px[0]-want[0], k.Px[1]-want[1]))
				}
			}
			t.Logf("worst corner off by %.4f px", math.Min(worst[0], worst[1]))
			if math.Min(worst[0], worst[1]) > 0.05 {
				t.Errorf("worst corner off by %.3f px", math.Min(worst[0], worst[1]))
			}
		})
	}
}

func TestNoChessboard(t *testing.T) {
	b, err := Chessboard(9, 6, 0.025)
	if err != nil {
		t.Fatal(err)
	}
	for _, size := range [][2]int{{640, 480}, {3000, 2000}, {10, 10}} {
		if v, ok, err := DetectChessboard(image.NewGray(image.Rect(0, 0, size[0], size[1])), b, DetectOptions{}); ok || err != nil {
			t.Errorf("%v: %+v, %v", size, v, err)
		}
	}
	if _, _, err := DetectChessboard(nil, b, DetectOptions{}); err == nil {
		t.Error("no picture: no error")
	}
	for _, c := range [][3]float64{{2, 6, 0.025}, {9, 2, 0.025}, {9, 6, 0}, {9, 6, math.NaN()}} {
		if _, err := Chessboard(int(c[0]), int(c[1]), c[2]); err == nil || !strings.Contains(err.Error(), "chessboard") {
			t.Errorf("%v: %v", c, err)
		}
	}
}
