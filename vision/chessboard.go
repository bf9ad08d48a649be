package vision

import (
	"errors"
	"fmt"
	"image"
	"runtime"

	"gocv.io/x/gocv"
)

// Chessboard is a plain chessboard of cols × rows inner corners, as a board
// without markers: it has corners, and no more.
func Chessboard(cols, rows int, squareM float64) (Board, error) {
	switch {
	case cols < 3 || rows < 3:
		return Board{}, fmt.Errorf("a chessboard of %d x %d inner corners is too small: at least 3 x 3", cols, rows)
	case !(squareM > 0):
		return Board{}, errors.New("a chessboard's square must be above 0")
	}
	return Board{Name: "chessboard", Cols: cols + 1, Rows: rows + 1, SquareM: squareM, MarkerM: squareM / 2}, nil
}

// DetectChessboard finds one plain chessboard in a grey photograph and
// measures its inner corners as [Detect] does. All corners must be visible.
// OpenCV finds them; which end is the top left is its choice, and may differ
// from photograph to photograph where the board looks the same turned by half
// a turn. ok is false when no such board is seen. It is safe to call from
// several goroutines.
func DetectChessboard(img *image.Gray, board Board, opts DetectOptions) (v View, ok bool, err error) {
	if img == nil || img.Bounds().Empty() {
		return v, false, errors.New("the picture is empty: load a photograph first")
	}
	if board.Cols < 4 || board.Rows < 4 {
		return v, false, errors.New("the chessboard is too small: at least 3 x 3 inner corners")
	}
	singleThreaded()
	defer runtime.KeepAlive(img)
	s, err := newScene(img, []Board{board}, opts)
	if err != nil {
		return v, false, err
	}
	// OpenCV looks best at pictures of about this size; a board too small there
	// is sought at full resolution.
	const sought = 1200
	start := 0
	for start+1 < len(s.levels) && s.levels[start].Bounds().Dx() > sought {
		start++
	}
	for level := start; level >= 0; level -= max(1, start) {
		px, found, err := findChessboard(s.levels[level], board.Cols-1, board.Rows-1)
		if err != nil {
			return v, false, err
		}
		if !found {
			continue
		}
		f := float64(int(1) << level)
		for i := range px {
			for k := range px[i] {
				px[i][k] = f*px[i][k] + (f-1)/2
			}
		}
		v, ok = s.chessView(px, f)
		return v, ok, nil
	}
	return v, false, nil
}

// findChessboard runs OpenCV's search. Corners come row by row.
func findChessboard(img *image.Gray, cols, rows int) (px [][2]float64, found bool, err error) {
	b := img.Bounds()
	if b.Dx() < 16 || b.Dy() < 16 {
		return nil, false, nil
	}
	pix := img.Pix
	if img.Stride != b.Dx() || b.Min != (image.Point{}) {
		pix = make([]byte, 0, b.Dx()*b.Dy())
		for y := b.Min.Y; y < b.Max.Y; y++ {
			o := img.PixOffset(b.Min.X, y)
			pix = append(pix, img.Pix[o:o+b.Dx()]...)
		}
	}
	m, err := gocv.NewMatFromBytes(b.Dy(), b.Dx(), gocv.MatTypeCV8U, pix[:b.Dx()*b.Dy()])
	if err != nil {
		return nil, false, err
	}
	defer m.Close()
	corners := gocv.NewMat()
	defer corners.Close()
	size := image.Pt(cols, rows)
	if !gocv.FindChessboardCorners(m, size, &corners, gocv.CalibCBAdaptiveThresh|gocv.CalibCBNormalizeImage|gocv.CalibCBFastCheck) &&
		!gocv.FindChessboardCornersSB(m, size, &corners, gocv.CalibCBNormalizeImage) {
		return nil, false, nil
	}
	if corners.Total() != cols*rows {
		return nil, false, nil
	}
	for i := range cols * rows {
		p := corners.GetVecfAt(i, 0)
		px = append(px, [2]float64{float64(p[0]), float64(p[1])})
	}
	// Seen from the front, rows go down where columns go right.
	at := func(c, r int) [2]float64 { return px[r*cols+c] }
	o, e, d := at(0, 0), at(cols-1, 0), at(0, rows-1)
	if (e[0]-o[0])*(d[1]-o[1])-(e[1]-o[1])*(d[0]-o[0]) < 0 {
		for r := range rows {
			for c := range cols / 2 {
				i, j := r*cols+c, r*cols+cols-1-c
				px[i], px[j] = px[j], px[i]
			}
		}
	}
	return px, true, nil
}

// chessView measures a chessboard from rough corners, good to sd pixels.
func (s *scene) chessView(px [][2]float64, sd float64) (View, bool) {
	b := &s.boards[0]
	cs := make([]found, len(px))
	for i := range cs {
		cs[i] = found{px: px[i], sd: sd, ok: true}
	}
	// A fit of the opposite print has no gain: whichever of the two explains the
	// picture.
	var best View
	for _, black := range []bool{true, false} {
		m, ok := s.measure(0, 0, chessPattern(b, black), append([]found(nil), cs...))
		if ok && len(m.view.Corners) > len(best.Corners) {
			s.straighten([]*measured{m})
			best = m.view
		}
	}
	return best, len(best.Corners) > 0
}

// chessWindow is the widest window about a chessboard's corner, squares: the
// outer squares of many are cut.
const chessWindow = 0.3

// chessPattern is a chessboard's pattern with its top-left square black or
// white. Paper reaches beyond it.
func chessPattern(b *Board, black bool) *pattern {
	p := &pattern{cols: b.Cols, rows: b.Rows, margin: 0.5, cell: 1, half: chessWindow}
	line := func(n int) (at []float64) {
		for i := range n {
			at = append(at, float64(i), float64(i)+p.margin)
		}
		return append(at, float64(n))
	}
	p.xs, p.ys = line(b.Cols), line(b.Rows)
	nx := len(p.xs) + 1
	p.white = make([]float64, nx*(len(p.ys)+1))
	for j := range len(p.ys) + 1 {
		for i := range nx {
			white := 1.0
			if i > 0 && j > 0 && i < nx-1 && j < len(p.ys) && ((i-1)/2+(j-1)/2)%2 == 0 == black {
				white = 0
			}
			p.white[j*nx+i] = white
		}
	}
	return p
}
