package vision

/*
#cgo !windows pkg-config: opencv4
#cgo CXXFLAGS: -std=c++11 -O2
#include "opencv_shim.h"
*/
import "C"

import (
	"fmt"
	"image"
	"runtime"
	"strings"
	"sync"
	"unsafe"
)

// MarkerCells returns a marker's cells row by row from its top-left corner,
// true where black, with the black border: (Bits+2) × (Bits+2). It panics on
// an unknown dictionary or id: boards are validated first.
func MarkerCells(dictionary string, id int) [][]bool {
	return codesOf(dictionary).cells(dictionary, id)
}

// markerWord is OpenCV's code of a marker as in [codebook].
func markerWord(d Dictionary, id int) (word uint64) {
	var bits [64]C.uchar
	if n := int(C.wp_marker_bits(C.int(d.opencv), C.int(id), &bits[0], C.int(len(bits)))); n != d.Bits {
		panic(fmt.Sprintf("vision: OpenCV's dictionary %d has no id %d", d.opencv, id))
	}
	for i := range d.Bits * d.Bits {
		if bits[i] != 0 {
			word |= 1 << i
		}
	}
	return word
}

// A Marker is one marker as OpenCV's detector reads it: its corners are good
// to about a pixel only.
type Marker struct {
	ID      int
	Corners [4][2]float64 // pixels: top-left, top-right, bottom-right, bottom-left as printed
}

// markerSearch says how to look for markers. The zero value is OpenCV's
// default.
type markerSearch struct {
	enlarge                 int     // enlarge the picture by this factor first
	minSidePx               float64 // smallest side sought, pixels of the given picture
	winMin, winMax, winStep int     // windows of the adaptive threshold
}

// picture is the C view of img, which must be kept alive while it is used.
func picture(img *image.Gray) C.wp_picture {
	b := img.Bounds()
	off := img.PixOffset(b.Min.X, b.Min.Y)
	return C.wp_picture{
		pix:   (*C.uchar)(unsafe.Pointer(&img.Pix[off])),
		width: C.int(b.Dx()), height: C.int(b.Dy()), stride: C.int(img.Stride),
	}
}

// findMarkers runs OpenCV's marker detection on img. Corners are in img's own
// coordinates with its top-left pixel at (0, 0), whatever its bounds. unread
// are the quadrilaterals that could not be read as a marker.
func findMarkers(img *image.Gray, d Dictionary, s markerSearch) (read []Marker, unread [][4][2]float64, err error) {
	if img.Bounds().Dx() < 16 || img.Bounds().Dy() < 16 {
		return nil, nil, nil // OpenCV's thresholds need some room
	}
	const maxRead, maxUnread = 2048, 4096
	ids := make([]C.int, maxRead)
	corners := make([]C.float, (maxRead+maxUnread)*8)
	var nUnread C.int
	var msg [256]C.char
	opt := C.wp_search{
		enlarge: C.int(s.enlarge), min_side_px: C.double(s.minSidePx),
		win_min: C.int(s.winMin), win_max: C.int(s.winMax), win_step: C.int(s.winStep),
	}
	n := C.wp_find_markers(picture(img), C.int(d.opencv), &opt,
		&ids[0], &corners[0], maxRead, &corners[maxRead*8], maxUnread, &nUnread, &msg[0], C.int(len(msg)))
	runtime.KeepAlive(img)
	if n < 0 {
		return nil, nil, fmt.Errorf("OpenCV's marker detection failed (%s): check the OpenCV installation", C.GoString(&msg[0]))
	}
	quad := func(i int) (q [4][2]float64) {
		for k := range q {
			q[k] = [2]float64{float64(corners[8*i+2*k]), float64(corners[8*i+2*k+1])}
		}
		return
	}
	for i := 0; i < int(n); i++ {
		read = append(read, Marker{ID: int(ids[i]), Corners: quad(i)})
	}
	for i := 0; i < int(nUnread); i++ {
		unread = append(unread, quad(maxRead+i))
	}
	return read, unread, nil
}

// reduce averages blocks of factor × factor pixels. Reduced pixel r lies at
// factor·r + (factor-1)/2 of the original.
func reduce(img *image.Gray, factor int) (*image.Gray, error) { return reduceInto(nil, img, factor) }

// reduceInto is reduce with room for the pixels, if that is large enough.
func reduceInto(room []uint8, img *image.Gray, factor int) (*image.Gray, error) {
	w, h := img.Bounds().Dx()/factor, img.Bounds().Dy()/factor
	if cap(room) < w*h {
		room = make([]uint8, w*h)
	}
	out := &image.Gray{Pix: room[:w*h], Stride: w, Rect: image.Rect(0, 0, w, h)}
	if len(out.Pix) == 0 {
		return out, nil
	}
	var msg [256]C.char
	failed := C.wp_reduce(picture(img), C.int(factor), (*C.uchar)(unsafe.Pointer(&out.Pix[0])), &msg[0], C.int(len(msg))) != 0
	runtime.KeepAlive(img)
	if failed {
		return nil, fmt.Errorf("OpenCV could not reduce the picture (%s): check the OpenCV installation", C.GoString(&msg[0]))
	}
	return out, nil
}

// decodeGrey decodes a picture's file of known size into pix. ok is false where
// OpenCV cannot.
func decodeGrey(file []byte, width, height int, pix []uint8) (ok bool, err error) {
	var msg [256]C.char
	switch C.wp_decode_grey((*C.uchar)(unsafe.Pointer(&file[0])), C.size_t(len(file)), C.int(width), C.int(height),
		(*C.uchar)(unsafe.Pointer(&pix[0])), &msg[0], C.int(len(msg))) {
	case 0:
		return true, nil
	case 1:
		return false, nil
	}
	return false, fmt.Errorf("OpenCV could not decode it (%s): copy it from the camera again", C.GoString(&msg[0]))
}

var oneThread sync.Once

// singleThreaded keeps OpenCV to one thread per call: photographs are worked
// side by side, one goroutine each, which is faster than threads inside one.
func singleThreaded() { oneThread.Do(func() { C.wp_set_threads(1) }) }

// SetOpenCVThreads sets the number of threads OpenCV uses inside one call, for
// the whole process, and returns the number set before.
func SetOpenCVThreads(n int) (before int) {
	oneThread.Do(func() {})
	before = int(C.wp_threads())
	C.wp_set_threads(C.int(n))
	return before
}

// DetectRaw is OpenCV's own marker detection at full resolution with its
// default parameters. It exists to compare with: [Detect] is what measures.
func DetectRaw(img *image.Gray, dictionary string) ([]Marker, error) {
	d, ok := Dictionaries[dictionary]
	if !ok {
		return nil, fmt.Errorf("unknown dictionary %q: use one of %s", dictionary, strings.Join(DictionaryNames(), ", "))
	}
	read, _, err := findMarkers(img, d, markerSearch{})
	return read, err
}

// CharucoRaw is OpenCV's own ChArUco corner interpolation, with the markers it
// finds at full resolution and default parameters: corner numbers to pixels.
// It exists to compare with: OpenCV 4.6 answers half a pixel too far in x and
// y.
func CharucoRaw(img *image.Gray, b Board) (map[int][2]float64, error) {
	if err := b.Validate(); err != nil {
		return nil, err
	}
	n := b.NumCorners()
	ids, corners := make([]C.int, n), make([]C.float, 2*n)
	var msg [256]C.char
	found := C.wp_charuco_corners(picture(img), C.int(Dictionaries[b.Dictionary].opencv), C.int(b.Cols), C.int(b.Rows),
		C.float(b.MarkerM/b.SquareM), C.int(b.FirstID), &ids[0], &corners[0], C.int(n), &msg[0], C.int(len(msg)))
	runtime.KeepAlive(img)
	if found < 0 {
		return nil, fmt.Errorf("OpenCV's corner interpolation failed (%s): check the OpenCV installation", C.GoString(&msg[0]))
	}
	out := make(map[int][2]float64, found)
	for i := range int(found) {
		out[int(ids[i])] = [2]float64{float64(corners[2*i]), float64(corners[2*i+1])}
	}
	return out, nil
}
