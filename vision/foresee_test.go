package vision

import (
	"math"
	"testing"
)

func BenchmarkForesee(b *testing.B) {
	board := Board{Name: "A", Dictionary: "36h11", Cols: 7, Rows: 5, SquareM: 0.055, MarkerM: 0.041, ScaleX: 1, ScaleY: 1}
	f := NewForesight(board)
	var px [][2]float64
	for i := range board.NumCorners() {
		c := board.cornerSquares(i)
		px = append(px, [2]float64{1000 + 30*c[0] + 3*c[1], 800 - 4*c[0] + 20*c[1]})
	}
	l := Likeness{BlurPx: 0.9, Noise: 0.0165, Lack: 1.4, Retouched: true}
	f.Foresee(px, l)
	for b.Loop() {
		_, j := f.Foresee(px, l)
		if j == nil || math.IsNaN(j.Rows[0][0]) {
			b.Fatal("nothing foreseen")
		}
	}
}

func BenchmarkForesight(b *testing.B) {
	board := Board{Name: "A", Dictionary: "36h11", Cols: 7, Rows: 5, SquareM: 0.055, MarkerM: 0.041, ScaleX: 1, ScaleY: 1}
	for b.Loop() {
		f := NewForesight(board)
		f.at([2]int{-13, -13})
	}
}
