package vision

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

func TestFitKnownPapers(t *testing.T) {
	for name, want := range map[string][2]float64{ // square and marker of 7 × 5, mm
		"A3": {55, 41}, "a4": {38, 28}, "Letter": {36, 27}, "TABLOID": {51, 38},
	} {
		p, err := PaperNamed(name)
		if err != nil {
			t.Fatal(err)
		}
		s, m, err := p.Fit(7, 5)
		if err != nil || mm(s) != want[0] || mm(m) != want[1] {
			t.Errorf("%s: %g and %g mm (%v), want %v", name, mm(s), mm(m), err, want)
		}
		// Turned as the board is.
		if s2, _, err := p.Fit(5, 7); err != nil || mm(s2) < 0.9*mm(s) {
			t.Errorf("%s, 5 x 7: %g mm (%v), 7 x 5: %g mm", name, mm(s2), err, mm(s))
		}
	}
	if p, err := PaperNamed("700x500"); err != nil || p.WidthM != 0.5 || p.HeightM != 0.7 {
		t.Errorf("%+v, %v", p, err)
	}
	for _, bad := range []string{"", "A9", "10x10", "NaNx500", "500x", "1e9x500"} {
		if p, err := PaperNamed(bad); err == nil {
			t.Errorf("paper %q is %+v", bad, p)
		}
	}
	if _, _, err := Papers[0].Fit(60, 40); err == nil {
		t.Error("60 x 40 squares fit A4")
	}
}

func sheetsFor(t testing.TB, paper string, n int, template Board) []Sheet {
	p, err := PaperNamed(paper)
	if err != nil {
		t.Fatal(err)
	}
	if template.SquareM == 0 {
		if template.SquareM, template.MarkerM, err = p.Fit(template.Cols, template.Rows); err != nil {
			t.Fatal(err)
		}
	}
	if template.Dictionary == "" {
		template.Dictionary = "36h11"
	}
	s, err := Sheets(Set(n, template), p)
	if err != nil {
		t.Fatal(err)
	}
	if len(s) != n+1 {
		t.Fatalf("%d sheets for %d boards", len(s), n)
	}
	return s
}

// rendered writes the sheets as PDF and has poppler draw them, which knows
// nothing of ours.
func rendered(t *testing.T, sheets []Sheet, dpi int) []string {
	if _, err := exec.LookPath("pdftoppm"); err != nil {
		t.Skip("no pdftoppm (poppler-utils) here to draw the PDF")
	}
	var b bytes.Buffer
	if err := WritePDF(&b, sheets); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), "/PrintScaling /None") {
		t.Error("the PDF does not ask to be printed unscaled")
	}
	path := write(t, "boards.pdf", b.Bytes())
	if out, err := exec.Command("pdftoppm", "-r", fmt.Sprint(dpi), "-gray", "-png", path, strings.TrimSuffix(path, ".pdf")).CombinedOutput(); err != nil || len(out) > 0 {
		t.Fatalf("pdftoppm: %v %s", err, out)
	}
	pages, err := filepath.Glob(filepath.Join(filepath.Dir(path), "*.png"))
	if err != nil || len(pages) != len(sheets) {
		t.Fatalf("%d pages for %d sheets (%v)", len(pages), len(sheets), err)
	}
	return pages
}

// checkPrinted has OpenCV read a picture of a sheet: it must find every id,
// and every inner corner where the board says, in millimetres on the paper.
func checkPrinted(t *testing.T, path string, s *Sheet, pxPerMM, tolMM float64) {
	t.Helper()
	b := s.board
	found := map[int]bool{}
	v := openCVNumbers(t, []float64{float64(Dictionaries[b.Dictionary].opencv)}, "detect", path)
	for ; len(v) > 0; v = v[9:] {
		found[int(v[0])] = true
	}
	for k := range b.NumMarkers() {
		if !found[b.FirstID+k] {
			t.Errorf("%s: id %d is not found", b.Name, b.FirstID+k)
		}
	}
	if len(found) != b.NumMarkers() {
		t.Errorf("%s: %d ids found, want %d", b.Name, len(found), b.NumMarkers())
	}
	in := []float64{8, float64(b.NumCorners())}
	for i := range b.NumCorners() {
		p := s.At(b.Corner(i))
		in = append(in, p[0]*pxPerMM+1.5, p[1]*pxPerMM-2) // a poor start
	}
	px := openCVNumbers(t, in, "subpix", path)
	// OpenCV's first pixel has its centre at 0, on paper it lies half a pixel in.
	onPaper := func(i int) [2]float64 { return [2]float64{(px[2*i] + 0.5) / pxPerMM, (px[2*i+1] + 0.5) / pxPerMM} }
	worst := 0.0
	for i := range b.NumCorners() {
		got, want := onPaper(i), s.At(b.Corner(i))
		worst = max(worst, math.Hypot(got[0]-want[0], got[1]-want[1]))
		// And from corner to corner without the sheet's help.
		a, c0, ci := onPaper(0), b.Corner(0), b.Corner(i)
		dx, dy := got[0]-a[0], got[1]-a[1]
		if math.Hypot(dx-(ci[0]-c0[0])*1e3, dy+(ci[1]-c0[1])*1e3) > tolMM {
			t.Errorf("%s corner %d: (%.3f, %.3f) mm from the first, want (%.3f, %.3f)", b.Name, i, dx, dy, (ci[0]-c0[0])*1e3, -(ci[1]-c0[1])*1e3)
		}
	}
	if worst > tolMM {
		t.Errorf("%s: a corner is %.4f mm off on the paper", b.Name, worst)
	}
	t.Logf("%s on %g x %g mm: %d ids, worst corner %.4f mm off", b.Name, s.WidthMM, s.HeightMM, len(found), worst)
}

func TestPrintedPDFMeasuresAsDesigned(t *testing.T) {
	for _, c := range []struct {
		paper string
		board Board
	}{
		{"A4", Board{Cols: 7, Rows: 5}},
		{"Letter", Board{Cols: 5, Rows: 6, SquareM: 0.0317, MarkerM: 0.0213, FirstID: 100, ScaleX: 1.01, ScaleY: 0.99}},
	} {
		sheets := sheetsFor(t, c.paper, 1, c.board)
		sheets = sheets[1:]
		pages := rendered(t, sheets, 300)
		for i := range sheets {
			checkPrinted(t, pages[i], &sheets[i], 300/25.4, 0.1)
		}
		// Between two black cells there must be no hairline.
		img, err := Load(pages[0])
		if err != nil {
			t.Fatal(err)
		}
		s := &sheets[0]
		joints := 0
		for k := range s.board.NumMarkers() {
			cells := MarkerCells(s.board.Dictionary, s.board.FirstID+k)
			q := s.board.MarkerCorners(k)
			at := func(col, row float64) uint8 {
				n := float64(len(cells))
				p := s.At([3]float64{q[0][0] + (q[1][0]-q[0][0])*col/n, q[0][1] + (q[3][1]-q[0][1])*row/n})
				return img.Pix.GrayAt(int(p[0]*300/25.4), int(p[1]*300/25.4)).Y
			}
			for r := range cells {
				for c := range cells {
					if r+1 < len(cells) && cells[r][c] && cells[r+1][c] {
						joints++
						if v := at(float64(c)+0.5, float64(r+1)); v != 0 {
							t.Fatalf("marker %d: grey %d between cells (%d, %d) and (%d, %d)", k, v, c, r, c, r+1)
						}
					}
					if c+1 < len(cells) && cells[r][c] && cells[r][c+1] && at(float64(c+1), float64(r)+0.5) != 0 {
						t.Fatalf("marker %d: not black between cells (%d, %d) and (%d, %d)", k, c, r, c+1, r)
					}
				}
			}
		}
		if joints < 300 {
			t.Errorf("only %d joints looked at", joints)
		}
	}
}

func TestPNGMeasuresAsDesigned(t *testing.T) {
	for _, c := range []struct {
		dpi   float64
		board Board
		exact bool
	}{
		{150, Board{Cols: 7, Rows: 5, SquareM: 0.038, MarkerM: 0.028}, true},
		{150, Board{Cols: 7, Rows: 5, SquareM: 0.038, MarkerM: 0.0283, FirstID: 17}, false}, // no common pixel
	} {
		s := sheetsFor(t, "A4", 1, c.board)[1]
		path := filepath.Join(t.TempDir(), "b.png")
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := s.PNG(f, c.dpi); err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
		data, _ := os.ReadFile(path)
		i := bytes.Index(data, []byte("pHYs"))
		if i < 0 || data[i+12] != 1 {
			t.Fatal("no resolution in the picture")
		}
		perMM := float64(binary.BigEndian.Uint32(data[i+4:])) / 1e3
		if dpi := perMM * 25.4; dpi < c.dpi/2 || dpi > c.dpi*2 {
			t.Errorf("%g dpi, asked for %g", dpi, c.dpi)
		}
		checkPrinted(t, path, &s, perMM, 0.06) // a pixel is 0.17 mm
		img, err := Load(path)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(float64(img.Width)/perMM-s.WidthMM) > 0.1 || math.Abs(float64(img.Height)/perMM-s.HeightMM) > 0.1 {
			t.Errorf("%d x %d pixels for %g x %g mm", img.Width, img.Height, s.WidthMM, s.HeightMM)
		}
		grey := 0
		p, q := s.At(s.board.Outline()[0]), s.At(s.board.Outline()[2])
		for y := int(p[1]*perMM) - 2; y < int(q[1]*perMM)+2; y++ {
			for x := int(p[0]*perMM) - 2; x < int(q[0]*perMM)+2; x++ {
				if v := img.Pix.GrayAt(x, y).Y; v != 0 && v != 255 {
					grey++
				}
			}
		}
		if c.exact != (grey == 0) {
			t.Errorf("%d grey pixels on the board, exact edges: %v", grey, c.exact)
		}
	}
}

// Round the chessboard 10 mm stay white, and nothing is printed within 6 mm
// of the paper's edge, where office printers do not reach (common practice,
// no source).
func TestWhiteBorders(t *testing.T) {
	for _, paper := range []string{"A4", "A3", "Letter", "Tabloid", "500x350"} {
		for _, b := range []Board{
			{Cols: 7, Rows: 5}, {Cols: 5, Rows: 7}, {Cols: 6, Rows: 6}, {Cols: 12, Rows: 3},
			{Cols: 4, Rows: 3, SquareM: 0.03, MarkerM: 0.022},
		} {
			sheets := sheetsFor(t, paper, 1, b)
			for i := range sheets {
				s := &sheets[i]
				const k = 4 // pixels a millimetre
				img := s.draw(k)
				dark := func(x0, y0, x1, y1 float64) int {
					n := 0
					r := image.Rect(int(math.Ceil(x0*k)), int(math.Ceil(y0*k)), int(x1*k), int(y1*k)).Intersect(img.Rect)
					for y := r.Min.Y; y < r.Max.Y; y++ {
						for x := r.Min.X; x < r.Max.X; x++ {
							if img.Pix[y*img.Stride+x] < 250 {
								n++
							}
						}
					}
					return n
				}
				const e = 0.25 // a pixel
				w, h := s.WidthMM, s.HeightMM
				all := dark(0, 0, w, h)
				if n := all - dark(printerMM-e, printerMM-e, w-printerMM+e, h-printerMM+e); n > 0 {
					t.Errorf("%s %v sheet %d: %d pixels printed at the paper's edge", paper, b, i, n)
				}
				if s.board == nil {
					if all < 1000 {
						t.Errorf("%s: the notes are nearly empty", paper)
					}
					continue
				}
				p, q := s.At(s.board.Outline()[0]), s.At(s.board.Outline()[2])
				ring := dark(p[0]-quietMM+e, p[1]-quietMM+e, q[0]+quietMM-e, q[1]+quietMM-e)
				if n := ring - dark(p[0]-e, p[1]-e, q[0]+e, q[1]+e); n > 0 {
					t.Errorf("%s %v: %d pixels printed in the white border", paper, b, n)
				}
				if all-ring < 100 {
					t.Errorf("%s %v: no name beside the board", paper, b)
				}
			}
		}
	}
}

// The rulers on the notes as poppler draws them: ticks of whole centimetres
// along the bottom and up the right side.
func TestRulersAreTrue(t *testing.T) {
	sheets := sheetsFor(t, "A4", 1, Board{Cols: 7, Rows: 5})[:1]
	const k = 10 // pixels a millimetre
	img, err := Load(rendered(t, sheets, 254)[0])
	if err != nil {
		t.Fatal(err)
	}
	s := &sheets[0]
	const edge = printerMM + 4
	check := func(what string, length int, at func(i int) uint8) {
		t.Helper()
		var ticks []float64 // middles, mm
		for i := 0; i < length; i++ {
			if at(i) < 128 {
				j := i
				for j < length && at(j) < 128 {
					j++
				}
				ticks = append(ticks, float64(i+j)/2/k)
				i = j
			}
		}
		if len(ticks) < 16 {
			t.Fatalf("%s: %d ticks", what, len(ticks))
		}
		for i, v := range ticks[:16] { // 0 to 150 mm
			if math.Abs(v-ticks[0]-10*float64(i)) > 0.11 {
				t.Errorf("%s: tick %d is %.3f mm from the first", what, i, v-ticks[0])
			}
		}
	}
	// A line 2 mm below the ruler's, which only ticks of centimetres reach.
	row := int((s.HeightMM - edge - 5 + 2.2 + 2) * k)
	check("along", img.Width*9/10, func(i int) uint8 { return img.Pix.GrayAt(i, row).Y })
	col := int((s.WidthMM - edge - 5 + 2.2 + 2) * k)
	top := int((edge + 1) * k)
	check("upright", img.Height-top, func(i int) uint8 { return img.Pix.GrayAt(col, img.Height-1-i).Y })
}

func TestSheetsRefuse(t *testing.T) {
	a3, _ := PaperNamed("A3")
	good := Set(3, someBoards[0])
	for want, change := range map[string]func(b []Board){
		"at most 55 mm":        func(b []Board) { b[1].SquareM, b[1].MarkerM = 0.060, 0.044 },
		"name is there twice":  func(b []Board) { b[1].Name = "A" },
		"A and B: both have":   func(b []Board) { b[1].FirstID = 16 },
		"rename it":            func(b []Board) { b[1].Name = "../B" },
		"less than half a cel": func(b []Board) { b[1].MarkerM = 0.052 },
		"unknown dictionary":   func(b []Board) { b[1].Dictionary = "x" },
	} {
		b := append([]Board{}, good...)
		change(b)
		if _, err := Sheets(b, a3); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q: %v", want, err)
		}
	}
	if _, err := Sheets(nil, a3); err == nil {
		t.Error("no boards: no error")
	}
	s := sheetsFor(t, "A4", 1, Board{Cols: 7, Rows: 5})[1]
	for _, dpi := range []float64{0, 5, math.NaN(), 1e6} {
		if err := s.PNG(&bytes.Buffer{}, dpi); err == nil {
			t.Errorf("%g dpi: no error", dpi)
		}
	}
}
