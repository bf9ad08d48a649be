package vision

import (
	"errors"
	"fmt"
	"image"
	"math"
	"strings"
)

// DetectMarkers reads single markers anywhere in a grey photograph, whatever
// they are printed on, down to sides of about 10 pixels: OpenCV's search
// proposes quadrilaterals, on the picture as it is, halved where large and
// enlarged where small, and each is read here. Where OpenCV could not read, a
// marker is listed only if its border is black and so few of its cells are wrong
// that chance writes such a code once in ten thousand times: two in "36h11", none
// in "4x4_50". Corners are good to about a pixel. Errors: an empty picture, an unknown dictionary.
func DetectMarkers(img *image.Gray, dictionary string) ([]Marker, error) {
	if img == nil || img.Bounds().Empty() {
		return nil, errors.New("the picture is empty: load a photograph first")
	}
	if _, ok := Dictionaries[dictionary]; !ok {
		return nil, fmt.Errorf("unknown dictionary %q: use one of %s", dictionary, strings.Join(DictionaryNames(), ", "))
	}
	singleThreaded()
	return everyMarker(img, dictionary)
}

// everyMarker is the search of [DetectMarkers].
func everyMarker(img *image.Gray, dictionary string) ([]Marker, error) {
	img = brightened(img)
	var out []Marker
	look := func(img *image.Gray, level int, o markerSearch) error {
		ms, err := readMarkers(img, dictionary, o)
		for _, m := range ms {
			for k := range m.Corners {
				m.Corners[k] = offLevel(m.Corners[k], level)
			}
			out = addMarker(out, m)
		}
		return err
	}
	area := img.Bounds().Dx() * img.Bounds().Dy()
	for enlarge := 1; enlarge <= 4 && (enlarge == 1 || area*enlarge*enlarge <= mostEnlarged); enlarge++ {
		if err := look(img, 0, markerSearch{enlarge: enlarge, minSidePx: smallestAlone}); err != nil {
			return nil, err
		}
		if enlarge > 1 { // thresholds against a wider neighbourhood
			if err := look(img, 0, markerSearch{enlarge: enlarge, minSidePx: smallestAlone, winMin: 5, winMax: 21, winStep: 16}); err != nil {
				return nil, err
			}
		}
	}
	for level, part := 1, img; max(part.Bounds().Dx(), part.Bounds().Dy()) >= reducedFrom; level++ {
		var err error
		if part, err = reduce(part, 2); err != nil {
			return nil, err
		}
		if err := look(part, level, markerSearch{minSidePx: smallestSide}); err != nil {
			return nil, err
		}
	}
	return out, nil
}

const (
	mostEnlarged  = 9_000_000 // pixels of an enlarged picture
	smallestAlone = 5.0       // as smallestSide, for single markers
)

// readMarkers lists the markers of a picture with its first pixel at (0, 0).
// What OpenCV reads is read again, because it takes eight cells of the border
// and three of the code for good; what it could not read often can be.
func readMarkers(img *image.Gray, dictionary string, o markerSearch) (out []Marker, err error) {
	book := codesOf(dictionary)
	read, unread, err := findMarkers(img, Dictionaries[dictionary], o)
	if err != nil {
		return nil, err
	}
	for _, m := range read {
		if id, turns, _, _ := book.readCode(img, m.Corners, book.correct, wrongBorder+2); id == m.ID && turns == 0 {
			out = append(out, m)
		}
	}
	for _, q := range unread {
		id, turns, _, _ := book.readCode(img, q, book.alone, wrongBorder)
		if id < 0 {
			continue
		}
		m := Marker{ID: id}
		for k := range m.Corners {
			m.Corners[k] = q[(k+4-turns)%4]
		}
		out = addMarker(out, m)
	}
	return out, nil
}

// addMarker adds a marker to those seen unless it is there.
func addMarker(seen []Marker, m Marker) []Marker {
	mid := m.middle()
	for _, o := range seen {
		c := o.middle()
		if o.ID == m.ID && math.Hypot(c[0]-mid[0], c[1]-mid[1]) < 0.5*o.side() {
			return seen
		}
	}
	return append(seen, m)
}

func (m *Marker) middle() (c [2]float64) {
	for _, p := range m.Corners {
		c[0] += p[0] / 4
		c[1] += p[1] / 4
	}
	return
}

// brightened is the picture with its grey levels spread out where they lie close
// together: OpenCV's thresholds are for good light.
func brightened(img *image.Gray) *image.Gray {
	b := img.Bounds()
	var count [256]int
	for y := b.Min.Y; y < b.Max.Y; y++ {
		o := img.PixOffset(b.Min.X, y)
		for _, v := range img.Pix[o : o+b.Dx()] {
			count[v]++
		}
	}
	few := b.Dx() * b.Dy() / 200
	lo, hi := 0, 255
	for n := count[lo]; lo < 255 && n <= few; n += count[lo] {
		lo++
	}
	for n := count[hi]; hi > 0 && n <= few; n += count[hi] {
		hi--
	}
	if hi-lo >= goodContrast || hi <= lo {
		return img
	}
	var to [256]uint8
	for v := range to {
		to[v] = uint8(max(0, min(255, (v-lo)*255/(hi-lo))))
	}
	out := image.NewGray(image.Rect(0, 0, b.Dx(), b.Dy()))
	for y := range b.Dy() {
		o := img.PixOffset(b.Min.X, b.Min.Y+y)
		for x, v := range img.Pix[o : o+b.Dx()] {
			out.Pix[y*out.Stride+x] = to[v]
		}
	}
	return out
}

// goodContrast, in grey levels, is left as it is.
const goodContrast = 110
