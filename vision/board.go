package vision

import (
	"fmt"
	"strings"
)

// Board is one printed ChArUco board: a chessboard with a marker in each white
// square. The chessboard's inner corners are the measurement; the markers name
// them.
//
// Board coordinates: origin at the board's centre, x right, y up, z out of the
// printed face, metres. Seen from the front, the top-left square is black;
// markers count row by row from the top-left white square, and corners row by
// row from the top-left inner corner. (OpenCV counts the same way, but its
// board axes start at the top-left corner with y down and z into the board.)
type Board struct {
	Name       string
	Dictionary string // a name of [Dictionaries], "36h11" by default
	Cols, Rows int    // squares
	SquareM    float64
	MarkerM    float64
	FirstID    int // ids FirstID ... FirstID+NumMarkers()-1

	// ScaleX and ScaleY are the measured print scale: true length over
	// nominal length. Zero means 1.
	ScaleX, ScaleY float64
}

// Validate tells what is wrong with the board's numbers, if anything.
func (b *Board) Validate() error {
	d, ok := Dictionaries[b.Dictionary]
	switch {
	case !ok:
		return fmt.Errorf("board %s: unknown dictionary %q (known: %s)", b.Name, b.Dictionary, strings.Join(DictionaryNames(), ", "))
	case b.Cols < 2 || b.Rows < 2:
		return fmt.Errorf("board %s: %d x %d squares are too few; at least 2 x 2", b.Name, b.Cols, b.Rows)
	case !(b.SquareM > 0) || !(b.MarkerM > 0):
		return fmt.Errorf("board %s: square and marker size must be above 0", b.Name)
	case b.MarkerM >= b.SquareM:
		return fmt.Errorf("board %s: the marker (%g mm) must be smaller than the square (%g mm)", b.Name, b.MarkerM*1e3, b.SquareM*1e3)
	case b.FirstID < 0 || b.FirstID+b.NumMarkers() > d.Size:
		return fmt.Errorf("board %s: ids %d to %d do not fit the dictionary %s, which has ids 0 to %d",
			b.Name, b.FirstID, b.FirstID+b.NumMarkers()-1, b.Dictionary, d.Size-1)
	case b.ScaleX < 0 || b.ScaleY < 0 || b.ScaleX != b.ScaleX || b.ScaleY != b.ScaleY:
		return fmt.Errorf("board %s: print scale must be above 0", b.Name)
	}
	return nil
}

func (b *Board) scale() (sx, sy float64) {
	sx, sy = b.ScaleX, b.ScaleY
	if sx == 0 {
		sx = 1
	}
	if sy == 0 {
		sy = 1
	}
	return
}

// Size returns the width and height of the chessboard as printed, metres.
func (b *Board) Size() (w, h float64) {
	sx, sy := b.scale()
	return float64(b.Cols) * b.SquareM * sx, float64(b.Rows) * b.SquareM * sy
}

// NumCorners returns the number of inner corners.
func (b *Board) NumCorners() int { return (b.Cols - 1) * (b.Rows - 1) }

// NumMarkers returns the number of markers: one in each white square.
func (b *Board) NumMarkers() int { return b.Cols * b.Rows / 2 }

// at takes a point in squares, measured from the board's top-left corner
// rightwards and downwards, to board coordinates.
func (b *Board) at(col, row float64) [3]float64 {
	sx, sy := b.scale()
	return [3]float64{
		(col - float64(b.Cols)/2) * b.SquareM * sx,
		(float64(b.Rows)/2 - row) * b.SquareM * sy,
		0,
	}
}

// Corner returns inner corner i in board coordinates, metres.
func (b *Board) Corner(i int) [3]float64 {
	n := b.Cols - 1
	return b.at(float64(i%n+1), float64(i/n+1))
}

// Outline returns the four outer corners of the chessboard in board
// coordinates: top-left, top-right, bottom-right, bottom-left.
func (b *Board) Outline() [4][3]float64 {
	c, r := float64(b.Cols), float64(b.Rows)
	return [4][3]float64{b.at(0, 0), b.at(c, 0), b.at(c, r), b.at(0, r)}
}

// MarkerSquare returns column and row of the square that holds marker k
// (0 ≤ k < NumMarkers), from the top left.
func (b *Board) MarkerSquare(k int) (col, row int) {
	// White squares are those with col + row odd.
	for row = 0; row < b.Rows; row++ {
		n := b.Cols / 2
		if row%2 == 1 {
			n = (b.Cols + 1) / 2
		}
		if k < n {
			return 2*k + 1 - row%2, row
		}
		k -= n
	}
	panic("vision: marker number out of range")
}

// MarkerCorners returns the corners of marker k as printed, in board
// coordinates: top-left, top-right, bottom-right, bottom-left, the order in
// which OpenCV's detector lists them.
func (b *Board) MarkerCorners(k int) [4][3]float64 {
	col, row := b.MarkerSquare(k)
	m := (1 - b.MarkerM/b.SquareM) / 2
	x0, y0 := float64(col)+m, float64(row)+m
	x1, y1 := float64(col+1)-m, float64(row+1)-m
	return [4][3]float64{b.at(x0, y0), b.at(x1, y0), b.at(x1, y1), b.at(x0, y1)}
}

// A Rect is a black rectangle of a board in board coordinates, metres:
// X0 < X1 and Y0 < Y1, y up.
type Rect struct{ X0, Y0, X1, Y1 float64 }

// BlackRects returns the printed pattern as rectangles that do not overlap:
// the black squares, and for each marker its black border and bits, joined
// along rows.
func (b *Board) BlackRects() []Rect {
	var out []Rect
	add := func(x0, y0, x1, y1 float64) { // in squares from the top left
		p, q := b.at(x0, y1), b.at(x1, y0)
		out = append(out, Rect{p[0], p[1], q[0], q[1]})
	}
	for row := 0; row < b.Rows; row++ {
		for col := row % 2; col < b.Cols; col += 2 {
			add(float64(col), float64(row), float64(col+1), float64(row+1))
		}
	}
	for k := 0; k < b.NumMarkers(); k++ {
		col, row := b.MarkerSquare(k)
		cells := MarkerCells(b.Dictionary, b.FirstID+k)
		n := float64(len(cells))
		side := b.MarkerM / b.SquareM
		x0, y0 := float64(col)+(1-side)/2, float64(row)+(1-side)/2
		for r, line := range cells {
			for c := 0; c < len(line); {
				if !line[c] {
					c++
					continue
				}
				e := c
				for e < len(line) && line[e] {
					e++
				}
				add(x0+side*float64(c)/n, y0+side*float64(r)/n, x0+side*float64(e)/n, y0+side*float64(r+1)/n)
				c = e
			}
		}
	}
	return out
}
