package vision

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gocv.io/x/gocv"
)

// moduleDir is the folder of a module in the module cache.
func moduleDir(t testing.TB, module string) string {
	out, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", module).Output()
	dir := strings.TrimSpace(string(out))
	if err != nil || dir == "" {
		t.Skipf("module %s is not in the module cache: %v", module, err)
	}
	return dir
}

// texture is a picture with detail everywhere, so that its file is long.
func texture(w, h int) *image.Gray {
	img := image.NewGray(image.Rect(0, 0, w, h))
	seed := uint32(7)
	for i := range img.Pix {
		seed = seed*1664525 + 1013904223
		x, y := i%w, i/w
		img.Pix[i] = uint8(128 + 60*math.Sin(float64(x)/9) + 40*math.Cos(float64(y)/7) + float64(seed>>28))
	}
	return img
}

func encodeJPEG(t testing.TB, img image.Image) []byte {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: 92}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func encodePNG(t testing.TB, img image.Image) []byte {
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func write(t testing.TB, name string, data []byte) string {
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, data, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// The photographs that go-exif ships, with the values its own test data
// states for them (assets/main_test_exif.json).
func TestReadInfoOfACamerasFile(t *testing.T) {
	dir := filepath.Join(moduleDir(t, "github.com/dsoprea/go-exif/v3"), "assets")
	path := filepath.Join(dir, "NDM_8901.jpg")
	if _, err := os.Stat(path); err != nil {
		t.Skip(err)
	}
	i, err := ReadInfo(path)
	if err != nil {
		t.Fatal(err)
	}
	want := Info{Path: path, Width: 3840, Height: 2560, Orientation: 1, FocalMM: 16, Maker: "Canon", Model: "Canon EOS 5D Mark III",
		Taken: time.Date(2017, 12, 2, 8, 18, 50, 0, time.UTC)}
	if i != want {
		t.Errorf("got %+v\nwant %+v", i, want)
	}
	img, err := Load(path)
	if err != nil {
		t.Fatal(err)
	}
	if img.Info != want || img.Pix.Rect.Dx() != i.Width || img.Pix.Rect.Dy() != i.Height {
		t.Errorf("Load and ReadInfo disagree: %+v, %v", img.Info, img.Pix.Rect)
	}
}

func TestLoadIsOpenCVsGrey(t *testing.T) {
	img := texture(403, 301)
	for name, data := range map[string][]byte{"a.jpg": encodeJPEG(t, img), "a.png": encodePNG(t, img)} {
		path := write(t, name, data)
		got, err := Load(path)
		if err != nil {
			t.Fatal(err)
		}
		m := gocv.IMRead(path, gocv.IMReadGrayScale)
		defer m.Close()
		for y := 0; y < 301; y++ {
			for x := 0; x < 403; x++ {
				if g := got.Pix.GrayAt(x, y).Y; g != m.GetUCharAt(y, x) {
					t.Fatalf("%s (%d, %d): %d, OpenCV reads %d", name, x, y, g, m.GetUCharAt(y, x))
				}
				if name == "a.png" && got.Pix.GrayAt(x, y) != img.GrayAt(x, y) {
					t.Fatalf("png (%d, %d): %v, written %v", x, y, got.Pix.GrayAt(x, y), img.GrayAt(x, y))
				}
			}
		}
	}
}

// tiff is a little-endian EXIF block: IFD0 with orientation, maker and a
// pointer to the EXIF IFD, which holds both focal lengths, date and zone.
// Layout: CIPA DC-008.
func tiff(orientation byte) []byte {
	b := []byte("II*\x00\x08\x00\x00\x00")
	entry := func(tag uint16, kind, n, value uint32) {
		for _, v := range []struct{ v, n uint32 }{{uint32(tag), 2}, {kind, 2}, {n, 4}, {value, 4}} {
			for k := uint32(0); k < v.n; k++ {
				b = append(b, byte(v.v>>(8*k)))
			}
		}
	}
	b = append(b, 3, 0)
	entry(0x010f, 2, 4, 'A'|'b'<<8|'c'<<16)
	entry(0x0112, 3, 1, uint32(orientation))
	entry(0x8769, 4, 1, 50)
	b = append(b, 0, 0, 0, 0) // at 50:
	b = append(b, 5, 0)
	entry(0x9003, 2, 20, 116)
	entry(0x9011, 2, 7, 136)
	entry(0x920a, 5, 1, 143)
	entry(0xa404, 5, 1, 151)
	entry(0xa405, 3, 1, 26)
	b = append(b, 0, 0, 0, 0) // at 116:
	b = append(b, "2031:05:06 07:08:09\x00+02:00\x00"...)
	b = append(b, 0x44, 0x10, 0, 0, 0xe8, 3, 0, 0) // 4164/1000
	b = append(b, 3, 0, 0, 0, 2, 0, 0, 0)          // 3/2
	return b
}

// withEXIF puts an EXIF block in front of a JPEG's own segments.
func withEXIF(data, block []byte) []byte {
	n := len(block) + 8
	out := append([]byte{0xff, 0xd8, 0xff, 0xe1, byte(n >> 8), byte(n)}, "Exif\x00\x00"...)
	return append(append(out, block...), data[2:]...)
}

func TestEXIF(t *testing.T) {
	img := texture(40, 24)
	check := func(path string) {
		t.Helper()
		l, err := Load(path)
		if err != nil {
			t.Fatal(err)
		}
		i := l.Info
		if i.Orientation != 6 || i.Maker != "Abc" || i.FocalMM != 4.164 || i.Focal35MM != 26 || i.DigitalZoom != 1.5 ||
			!i.Taken.Equal(time.Date(2031, 5, 6, 5, 8, 9, 0, time.UTC)) {
			t.Errorf("%+v", i)
		}
		// Orientation 6 asks a viewer to turn the picture; we do not.
		if i.Width != 40 || i.Height != 24 || l.Pix.Rect != image.Rect(0, 0, 40, 24) {
			t.Errorf("turned: %d x %d, %v", i.Width, i.Height, l.Pix.Rect)
		}
	}
	check(write(t, "a.jpg", withEXIF(encodeJPEG(t, img), tiff(6))))

	// The same block in a PNG's eXIf chunk, after IHDR.

	p := encodePNG(t, img)
	var chunk bytes.Buffer
	e := tiff(6)
	chunk.Write([]byte{0, 0, 0, byte(len(e))})
	chunk.Write(pngChunkBody("eXIf", e))
	check(write(t, "a.png", append(append(append([]byte{}, p[:33]...), chunk.Bytes()...), p[33:]...)))
}

func TestBrokenEXIFIsNotFatal(t *testing.T) {
	data := encodeJPEG(t, texture(64, 48))
	whole := tiff(6)
	for n := 0; n < len(whole); n++ {
		if _, err := Load(write(t, "cut.jpg", withEXIF(data, whole[:n]))); err != nil {
			t.Fatalf("EXIF cut at %d: %v", n, err)
		}
		b := append([]byte{}, whole...)
		b[n] = 0xff
		if _, err := ReadInfo(write(t, "broken.jpg", withEXIF(data, b))); err != nil {
			t.Fatalf("EXIF broken at %d: %v", n, err)
		}
	}
}

// Every proper beginning of a picture is refused: OpenCV would fill up with
// grey and only print a warning. Bytes after the end (as phones add) are fine.
func TestCutShort(t *testing.T) {
	for name, data := range map[string][]byte{"a.jpg": withEXIF(encodeJPEG(t, texture(40, 24)), tiff(1)), "a.png": encodePNG(t, texture(40, 24))} {
		path := write(t, name, nil)
		for n := 1; n < len(data); n++ {
			if n > 40 && n < len(data)-10 && n%11 != 0 {
				continue
			}
			if err := os.WriteFile(path, data[:n], 0o644); err != nil {
				t.Fatal(err)
			}
			_, err := Load(path)
			if err == nil || !strings.Contains(err.Error(), path) {
				t.Fatalf("%s of %d bytes cut at %d: error %v", name, len(data), n, err)
			}
			if n > 700 && !errors.Is(err, errCutShort) {
				t.Errorf("%s cut at %d: %v, want %v", name, n, err, errCutShort)
			}
			// As a card that filled up leaves it: full length, zeros.
			zeros := append(append([]byte{}, data[:n]...), make([]byte, len(data)-n)...)
			if err := os.WriteFile(path, zeros, 0o644); err != nil {
				t.Fatal(err)
			}
			if _, err := Load(path); err == nil {
				t.Fatalf("%s with zeros from %d of %d: no error", name, n, len(data))
			}
		}
		if err := os.WriteFile(path, append(append([]byte{}, data...), "trailer\xff\xd8\xff"...), 0o644); err != nil {
			t.Fatal(err)
		}
		if _, err := Load(path); err != nil {
			t.Errorf("%s with a trailer: %v", name, err)
		}
	}
}

func TestNotAPhotograph(t *testing.T) {
	dir := t.TempDir()
	grey := encodePNG(t, image.NewGray(image.Rect(0, 0, 8, 8)))
	huge := append([]byte{}, grey...)
	copy(huge[16:24], []byte{0, 0, 0xff, 0xff, 0, 0, 0xff, 0xff})
	damaged := append([]byte{}, encodePNG(t, texture(64, 64))...)
	damaged[len(damaged)/2] ^= 0xff
	for _, c := range []struct {
		name string
		data []byte
		want string
	}{
		{"text.jpg", []byte("these are my notes\n"), "a text file, not a JPEG or PNG picture"},
		{"empty.jpg", nil, "empty"},
		{"heic.jpg", []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic"), "HEIC"},
		{"raw.dng", []byte("II*\x00\x08\x00\x00\x00\x01\x00"), "TIFF or raw"},
		{"film.mov", []byte("\x00\x00\x00\x18ftypqt  \x00\x00\x00\x00"), "film"},
		{"zeros.jpg", make([]byte, 5000), "zeros"},
		{"soi.jpg", []byte("\xff\xd8\xff"), "cut short"},
		{"huge.png", huge, "too many"},
		{"damaged.png", damaged, "damaged"},
	} {
		path := filepath.Join(dir, c.name)
		if err := os.WriteFile(path, c.data, 0o644); err != nil {
			t.Fatal(err)
		}
		_, err := Load(path)
		oneLine(t, err, path, c.want)
		if _, e := ReadInfo(path); c.want != "damaged" && (e == nil || e.Error() != err.Error()) {
			t.Errorf("%s: ReadInfo says %v, Load %v", c.name, e, err)
		}
	}
	for _, load := range []func(string) error{
		func(p string) error { _, err := Load(p); return err },
		func(p string) error { _, err := ReadInfo(p); return err },
	} {
		oneLine(t, load(dir), dir, "folder")
		missing := filepath.Join(dir, "missing.jpg")
		err := load(missing)
		oneLine(t, err, missing, "no such file")
		if !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%v is not fs.ErrNotExist", err)
		}
	}
}

// oneLine checks an error for a user: one line, names the file, says what.
func oneLine(t *testing.T, err error, path string, want ...string) {
	t.Helper()
	if err == nil {
		t.Errorf("%s: no error, want %q", path, want)
		return
	}
	s := err.Error()
	for _, w := range append(want, path, ": ") {
		if !strings.Contains(s, w) {
			t.Errorf("%q does not say %q", s, w)
		}
	}
	if strings.Contains(s, "\n") {
		t.Errorf("more than one line: %q", s)
	}
}

func TestColourBecomesLuma(t *testing.T) {
	img := image.NewRGBA(image.Rect(0, 0, 16, 16))
	for i := range 256 {
		img.Set(i%16, i/16, color.RGBA{200, 100, 50, 255})
	}
	got, err := Load(write(t, "a.jpg", encodeJPEG(t, img)))
	if err != nil {
		t.Fatal(err)
	}
	// ITU-R BT.601 luma, as JFIF defines Y.
	want := 0.299*200 + 0.587*100 + 0.114*50
	if v := float64(got.Pix.GrayAt(8, 8).Y); math.Abs(v-want) > 1.5 {
		t.Errorf("grey %v, luma %v", v, want)
	}
}

func TestFits(t *testing.T) {
	c := Camera{Name: "phone.yml", Width: 4000, Height: 3000, FocalMM: 4.2, Focal35MM: 26}
	ok := Info{Path: "p.jpg", Width: 4000, Height: 3000, FocalMM: 4.2, Focal35MM: 26}
	for _, i := range []Info{ok, {Path: "p.jpg", Width: 4000, Height: 3000}} {
		if err := c.Fits(i); err != nil {
			t.Error(err)
		}
	}
	for want, change := range map[string]func(*Info){
		"4032 x 3024":  func(i *Info) { i.Width, i.Height = 4032, 3024 },
		"turned by 90": func(i *Info) { i.Width, i.Height = 3000, 4000 },
		"of 2.1 mm":    func(i *Info) { i.FocalMM = 2.1 },
		"of 25 mm (in": func(i *Info) { i.Focal35MM = 25 },
		"zoom of 2":    func(i *Info) { i.DigitalZoom = 2 },
	} {
		i := ok
		change(&i)
		err := c.Fits(i)
		oneLine(t, err, "p.jpg", want)
		if want != "zoom of 2" {
			oneLine(t, err, "phone.yml")
		}
	}
}

// OpenCV's own reading of the same file, for comparison.
func BenchmarkLoad12MP(b *testing.B) {
	path := write(b, "a.jpg", encodeJPEG(b, texture(4000, 3000)))
	b.Run("Load", func(b *testing.B) {
		for range b.N {
			if _, err := Load(path); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("OpenCV imread", func(b *testing.B) {
		for range b.N {
			m := gocv.IMRead(path, gocv.IMReadGrayScale|gocv.IMReadIgnoreOrientation)
			m.Close()
		}
	})
	b.Run("ReadInfo", func(b *testing.B) {
		for range b.N {
			if _, err := ReadInfo(path); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// pngChunkBody is a PNG chunk's kind, data and checksum.
func pngChunkBody(kind string, data []byte) []byte {
	b := append([]byte(kind), data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b))
}
