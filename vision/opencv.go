package vision

/*
#cgo !windows pkg-config: opencv4
#cgo CXXFLAGS: -std=c++11 -O2
#include "opencv_shim.h"
*/
import "C"

import "fmt"

// MarkerCells returns a marker's cells row by row from its top-left corner,
// true where black, with the black border: (Bits+2) × (Bits+2). It panics on
// an unknown dictionary or id: boards are validated first.
func MarkerCells(dictionary string, id int) [][]bool {
	d, ok := Dictionaries[dictionary]
	if !ok {
		panic("vision: unknown dictionary " + dictionary)
	}
	var bits [64]C.uchar
	n := int(C.wp_marker_bits(C.int(d.opencv), C.int(id), &bits[0], C.int(len(bits))))
	if n != d.Bits {
		panic(fmt.Sprintf("vision: dictionary %s has no id %d", dictionary, id))
	}
	cells := make([][]bool, n+2)
	for r := range cells {
		cells[r] = make([]bool, n+2)
		for c := range cells[r] {
			border := r == 0 || c == 0 || r == n+1 || c == n+1
			cells[r][c] = border || bits[(r-1)*n+c-1] == 0
		}
	}
	return cells
}
