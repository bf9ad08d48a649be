package vision

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"
)

var someBoards = []Board{
	{Name: "A", Dictionary: "36h11", Cols: 7, Rows: 5, SquareM: 0.055, MarkerM: 0.041},
	{Name: "B", Dictionary: "6x6_250", Cols: 5, Rows: 7, SquareM: 0.040, MarkerM: 0.020},
	{Name: "C", Dictionary: "5x5_100", Cols: 6, Rows: 4, SquareM: 0.050, MarkerM: 0.035},
	{Name: "D", Dictionary: "4x4_50", Cols: 4, Rows: 6, SquareM: 0.030, MarkerM: 0.024},
	{Name: "E", Dictionary: "36h11", Cols: 2, Rows: 2, SquareM: 0.080, MarkerM: 0.064},
}

// OpenCV's CharucoBoard: the same corners and the same ids in the same
// squares, in its axes (origin at the top left, y down).
func TestBoardIsOpenCVs(t *testing.T) {
	for _, b := range someBoards {
		if err := b.Validate(); err != nil {
			t.Fatal(err)
		}
		v := openCVNumbers(t, []float64{float64(b.Cols), float64(b.Rows), b.SquareM, b.MarkerM, float64(Dictionaries[b.Dictionary].opencv)}, "board")
		next := func() (p [3]float64) {
			copy(p[:], v[:3])
			v = v[3:]
			return
		}
		w, h := b.Size()
		// From OpenCV's axes to the board's. OpenCV's z points into the board.
		ours := func(p [3]float64) [3]float64 { return [3]float64{p[0] - w/2, h/2 - p[1], -p[2]} }
		near := func(what string, got, want [3]float64) {
			t.Helper()
			if math.Hypot(got[0]-want[0], got[1]-want[1]) > 1e-7 || got[2] != 0 || want[2] != 0 { // OpenCV holds float32
				t.Errorf("board %s %s: %v, OpenCV %v", b.Name, what, got, want)
			}
		}
		for i := range b.NumCorners() {
			near(fmt.Sprintf("corner %d", i), b.Corner(i), ours(next()))
		}
		for k := range b.NumMarkers() {
			if v[0] != float64(k) {
				t.Fatalf("board %s: marker %d has OpenCV's id %g", b.Name, k, v[0])
			}
			v = v[1:]
			for c, p := range b.MarkerCorners(k) {
				near(fmt.Sprintf("marker %d corner %d", k, c), p, ours(next()))
			}
		}
		if len(v) != 0 {
			t.Errorf("board %s: OpenCV has %d numbers more", b.Name, len(v))
		}
	}
}

// The printed pattern against OpenCV's own drawing of the board, pixel by
// pixel: squares of whole pixels, markers of whole pixels a cell.
func TestBlackRectsAreOpenCVsPicture(t *testing.T) {
	for _, b := range []Board{
		{Name: "A", Dictionary: "36h11", Cols: 7, Rows: 5, SquareM: 0.100, MarkerM: 0.080},
		{Name: "B", Dictionary: "5x5_100", Cols: 4, Rows: 6, SquareM: 0.100, MarkerM: 0.070},
		{Name: "C", Dictionary: "4x4_50", Cols: 5, Rows: 4, SquareM: 0.100, MarkerM: 0.060},
	} {
		path := filepath.Join(t.TempDir(), "b.png")
		askOpenCV(t, []float64{float64(b.Cols), float64(b.Rows), b.SquareM, b.MarkerM, float64(Dictionaries[b.Dictionary].opencv), 100}, "drawboard", path)
		img, err := Load(path)
		if err != nil {
			t.Fatal(err)
		}
		w, h := b.Cols*100, b.Rows*100
		if img.Width != w || img.Height != h {
			t.Fatalf("OpenCV draws %d x %d pixels, want %d x %d", img.Width, img.Height, w, h)
		}
		ours := make([]int, w*h)
		for _, r := range b.BlackRects() {
			px := func(v float64) int { return int(math.Round(v * 1000)) }
			for y := h/2 - px(r.Y1); y < h/2-px(r.Y0); y++ {
				for x := w/2 + px(r.X0); x < w/2+px(r.X1); x++ {
					ours[y*w+x]++
				}
			}
		}
		wrong := 0
		for i, n := range ours {
			if n > 1 {
				t.Fatalf("board %s: rectangles overlap", b.Name)
			}
			if (n == 1) != (img.Pix.Pix[i] < 128) {
				wrong++
			}
		}
		if wrong > 0 {
			t.Errorf("board %s: %d of %d pixels differ from OpenCV's drawing", b.Name, wrong, w*h)
		}
	}
}

// By hand: a board of 7 × 5 squares of 55 mm.
func TestBoardByHand(t *testing.T) {
	b := someBoards[0]
	b.ScaleX, b.ScaleY = 1.01, 0.98
	if b.NumCorners() != 24 || b.NumMarkers() != 17 {
		t.Errorf("%d corners, %d markers", b.NumCorners(), b.NumMarkers())
	}
	near := func(what string, got [3]float64, x, y float64) {
		t.Helper()
		if math.Abs(got[0]-x*1.01) > 1e-12 || math.Abs(got[1]-y*0.98) > 1e-12 || got[2] != 0 {
			t.Errorf("%s: %v, want (%g, %g, 0) before scale", what, got, x, y)
		}
	}
	near("first corner", b.Corner(0), -0.1375, 0.0825)
	near("second corner", b.Corner(1), -0.0825, 0.0825)
	near("first of the second row", b.Corner(6), -0.1375, 0.0275)
	near("last corner", b.Corner(23), 0.1375, -0.0825)
	near("outline", b.Outline()[0], -0.1925, 0.1375)
	near("outline", b.Outline()[2], 0.1925, -0.1375)
	near("first marker", b.MarkerCorners(0)[0], -0.1925+0.055+0.007, 0.1375-0.007)
	if c, r := b.MarkerSquare(3); c != 0 || r != 1 {
		t.Errorf("marker 3 in square (%d, %d)", c, r)
	}
	if w, h := b.Size(); math.Abs(w-0.385*1.01) > 1e-12 || math.Abs(h-0.275*0.98) > 1e-12 {
		t.Errorf("size %g x %g", w, h)
	}
	if w, h := b.BlackSpans(); math.Abs(w-0.385) > 1e-12 || math.Abs(h-0.275) > 1e-12 {
		t.Errorf("black spans %g x %g", w, h)
	}
	even := Board{Cols: 6, Rows: 4, SquareM: 0.05}
	if w, h := even.BlackSpans(); math.Abs(w-0.25) > 1e-12 || math.Abs(h-0.15) > 1e-12 {
		t.Errorf("black spans of an even board %g x %g", w, h)
	}
}

func TestSetSharesNoID(t *testing.T) {
	template := someBoards[0]
	template.FirstID = 5
	seen := map[int]string{}
	boards := Set(34, template)
	for _, b := range boards {
		if err := b.Validate(); err != nil {
			t.Fatal(err)
		}
		for k := range b.NumMarkers() {
			if other, ok := seen[b.FirstID+k]; ok {
				t.Fatalf("boards %s and %s share id %d", other, b.Name, b.FirstID+k)
			}
			seen[b.FirstID+k] = b.Name
		}
	}
	if len(seen) != 34*17 {
		t.Errorf("%d ids", len(seen))
	}
	for i, want := range map[int]string{0: "A", 1: "B", 25: "Z", 26: "AA", 27: "AB", 33: "AH"} {
		if boards[i].Name != want {
			t.Errorf("board %d is called %s, want %s", i, boards[i].Name, want)
		}
	}
	for i, want := range map[int]string{51: "AZ", 52: "BA", 701: "ZZ", 702: "AAA"} {
		if got := setName(i); got != want {
			t.Errorf("name %d is %s, want %s", i, got, want)
		}
	}
	// 36h11 has 587 ids: the 35th board runs out.
	if last := Set(35, template)[34]; last.Validate() == nil {
		t.Error("ids beyond the dictionary are valid")
	}
}

func TestBoardValidate(t *testing.T) {
	for want, change := range map[string]func(*Board){
		"unknown dictionary":     func(b *Board) { b.Dictionary = "37h12" },
		"at least 2 x 2":         func(b *Board) { b.Rows = 1 },
		"above 0":                func(b *Board) { b.SquareM = math.NaN() },
		"smaller than the squa":  func(b *Board) { b.MarkerM = b.SquareM },
		"do not fit":             func(b *Board) { b.FirstID = 571 },
		"ids -1":                 func(b *Board) { b.FirstID = -1 },
		"print scale must be ab": func(b *Board) { b.ScaleY = -1 },
		"print scale must":       func(b *Board) { b.ScaleX = math.NaN() },
	} {
		b := someBoards[0]
		change(&b)
		if err := b.Validate(); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "board A") {
			t.Errorf("want %q: %v", want, err)
		}
	}
}
