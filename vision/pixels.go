package vision

/*
#cgo CFLAGS: -O3 -Wno-psabi
#cgo LDFLAGS: -lm
#include "pixels.h"
*/
import "C"

import (
	"image"
	"runtime"
	"unsafe"
)

// edges is the strength of edges in two directions of every block of 8 × 8
// pixels, row by row.
func edges(img *image.Gray, out []float32) {
	b := img.Bounds()
	if len(out) == 0 {
		return
	}
	C.wp_edges((*C.uint8_t)(&img.Pix[img.PixOffset(b.Min.X, b.Min.Y)]), C.int(b.Dx()), C.int(b.Dy()), C.int(img.Stride), (*C.float)(&out[0]))
	runtime.KeepAlive(img)
}

// room is what finding saddles needs.
type room struct {
	smooth   []int16
	strength []float32
	places   []int32
	values   []float32
}

// mostPlaces is the most saddles of one part that are told apart.
const mostPlaces = 20_000

// find lists the places of a picture's saddles, y·width + x, with their
// strengths; smooth is left holding the picture smoothed, times 16.
func (r *room) find(img *image.Gray, least float32) (places []int32, values []float32) {
	b := img.Bounds()
	n := b.Dx() * b.Dy()
	if cap(r.smooth) < n {
		r.smooth, r.strength = make([]int16, n), make([]float32, n)
	}
	if r.places == nil {
		r.places, r.values = make([]int32, mostPlaces), make([]float32, mostPlaces)
	}
	r.smooth, r.strength = r.smooth[:n], r.strength[:n]
	k := int(C.wp_saddles((*C.uint8_t)(&img.Pix[img.PixOffset(b.Min.X, b.Min.Y)]), C.int(b.Dx()), C.int(b.Dy()), C.int(img.Stride), C.float(least),
		(*C.int16_t)(unsafe.Pointer(&r.smooth[0])), (*C.float)(&r.strength[0]), (*C.int32_t)(unsafe.Pointer(&r.places[0])), (*C.float)(&r.values[0]), mostPlaces))
	runtime.KeepAlive(img)
	return r.places[:k], r.values[:k]
}
