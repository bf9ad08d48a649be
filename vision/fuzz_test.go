package vision

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func inOneLine(t *testing.T, err error) {
	t.Helper()
	if strings.ContainsAny(err.Error(), "\n\r") {
		t.Errorf("not one line: %q", err)
	}
}

// Whatever a camera file holds, it is a camera that projects or it is refused in one
// line; and what was read is written so that it reads the same.
func FuzzCameraFile(f *testing.F) {
	seeds, err := filepath.Glob("testdata/*.yaml")
	if err != nil || len(seeds) == 0 {
		f.Fatalf("no seeds: %v", err)
	}
	for _, path := range seeds {
		text, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Add([]byte("%YAML:1.0\n---\nimage_width: 100\nimage_height: 80\ncamera_matrix: !!opencv-matrix\n   rows: 3\n   cols: 3\n   dt: d\n   data: [ 90., 0., 50., 0., 90., 40., 0., 0., 1. ]\ndistortion_coefficients: {rows: 1, cols: 4, data: [0.1, 0, 0, 0]}\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		c, err := parseCamera(text)
		if err == nil {
			err = c.Validate()
		}
		if err != nil {
			inOneLine(t, err)
			return
		}
		for _, p := range [][3]float64{{0, 0, 1}, {0.3, -0.2, 1}, {5, 5, 0.1}, {0, 0, -1}} {
			if x, ok := c.Project(p); ok && (math.IsNaN(x[0]) || math.IsNaN(x[1])) {
				t.Errorf("projects %v to %v", p, x)
			}
		}
		again, err := parseCamera(c.encode())
		if err != nil {
			t.Fatalf("does not read what it wrote: %v", err)
		}
		if again.Intrinsics() != c.Intrinsics() || again.Width != c.Width || again.Height != c.Height {
			t.Errorf("wrote another camera: %v, %v", again.Intrinsics(), c.Intrinsics())
		}
	})
}

// smallPictures are files of every kind that is read, small.
func smallPictures(f *testing.F) (out [][]byte) {
	img := image.NewRGBA(image.Rect(0, 0, 24, 16))
	for y := range 16 {
		for x := range 24 {
			img.Set(x, y, color.RGBA{uint8(10 * x), uint8(15 * y), uint8(x * y), 255})
		}
	}
	for _, q := range []int{30, 95} {
		var b bytes.Buffer
		if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: q}); err != nil {
			f.Fatal(err)
		}
		out = append(out, b.Bytes())
		// With EXIF: focal length, orientation and when it was taken.
		exif := append([]byte("Exif\x00\x00MM\x00*\x00\x00\x00\x08\x00\x03"+
			"\x01\x12\x00\x03\x00\x00\x00\x01\x00\x06\x00\x00"+
			"\x87\x69\x00\x04\x00\x00\x00\x01\x00\x00\x00\x32"+
			"\x01\x32\x00\x02\x00\x00\x00\x14\x00\x00\x00\x4a\x00\x00\x00\x00"), make([]byte, 60)...)
		head := []byte{0xff, 0xd8, 0xff, 0xe1, byte((len(exif) + 2) >> 8), byte(len(exif) + 2)}
		out = append(out, append(append(head, exif...), b.Bytes()[2:]...))
	}
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		f.Fatal(err)
	}
	return append(out, b.Bytes())
}

// Whatever a picture's file holds, its head is read or refused, and it is decoded
// whole or refused, in one line.
func FuzzPicture(f *testing.F) {
	for _, p := range smallPictures(f) {
		f.Add(p)
	}
	for _, s := range []string{"", "\xff\xd8\xff", "\x89PNG\r\n\x1a\n", "II*\x00", "RIFF....WEBP", "....ftypheic", "hello"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		h, err := readHeader(bytes.NewReader(data), int64(len(data)))
		if err == nil {
			if i := h.info("x.jpg"); i.Orientation < 1 || i.Orientation > 8 || math.IsNaN(i.FocalMM) {
				t.Errorf("%+v", i)
			}
			err = h.complete(data)
		}
		if err != nil {
			inOneLine(t, err)
			return
		}
		if h.width*h.height > 1<<22 {
			return // right, but slow to try millions of times
		}
		pix := make([]uint8, h.width*h.height)
		if _, err := decodeGrey(data, h.width, h.height, pix); err != nil {
			inOneLine(t, err)
		}
	})
}

// Whatever EXIF holds, reading it ends.
func FuzzEXIF(f *testing.F) {
	for _, p := range smallPictures(f) {
		if h, err := readHeader(bytes.NewReader(p), int64(len(p))); err == nil && h.exif != nil {
			f.Add(h.exif)
		}
	}
	f.Fuzz(func(t *testing.T, block []byte) {
		i := Info{Orientation: 1}
		i.readEXIF(block)
		if i.Orientation < 1 || i.Orientation > 8 || math.IsNaN(i.FocalMM+i.Focal35MM+i.DigitalZoom) || math.IsInf(i.FocalMM, 0) {
			t.Errorf("%+v", i)
		}
	})
}

// Whatever a picture shows, looking for boards in it ends, and what is found has a
// covariance.
func FuzzDetect(f *testing.F) {
	board := Board{Name: "A", Dictionary: "36h11", Cols: 7, Rows: 5, SquareM: 0.055, MarkerM: 0.041}
	// A marker, a row of squares, noise.
	cells := MarkerCells("36h11", 0)
	marker := bytes.Repeat([]byte{220}, 64*64)
	for y, row := range cells {
		for x, white := range row {
			for k := range 25 {
				if !white {
					marker[(y*5+k/5+8)*64+x*5+k%5+8] = 20
				}
			}
		}
	}
	f.Add(uint8(64), marker)
	squares := make([]byte, 96*96)
	for i := range squares {
		squares[i] = uint8(30 + 190*((i%96/12+i/96/12)%2))
	}
	f.Add(uint8(96), squares)
	f.Fuzz(func(t *testing.T, w uint8, pix []byte) {
		width := int(w)
		if width < 1 || len(pix) < width || len(pix) > 1<<16 {
			return
		}
		height := len(pix) / width
		img := &image.Gray{Pix: pix[:width*height], Stride: width, Rect: image.Rect(0, 0, width, height)}
		r, err := Detect(img, []Board{board}, DetectOptions{})
		if err != nil {
			inOneLine(t, err)
			return
		}
		for _, v := range r.Views {
			for _, c := range v.Corners {
				if !(c.Cov[0] > 0) || !(c.Cov[2] > 0) || math.IsNaN(c.Px[0]+c.Px[1]) {
					t.Errorf("%+v", c)
				}
			}
		}
		_ = Assess(img, []Board{board}, r)
	})
}
