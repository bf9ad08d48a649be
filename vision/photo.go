package vision

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"io"
	"io/fs"
	"math"
	"os"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"github.com/dsoprea/go-exif/v3"
	exifcommon "github.com/dsoprea/go-exif/v3/common"
)

// Info is what a photograph's file says about it without its pixels.
type Info struct {
	Path          string
	Width, Height int // as stored: the sensor's orientation

	// From EXIF; zero where the file does not say.
	Orientation  int // 1 to 8 as in EXIF; 1 when not stated
	FocalMM      float64
	Focal35MM    float64 // focal length in 35 mm film
	DigitalZoom  float64
	Maker, Model string
	Taken        time.Time // the camera's clock; as UTC when it states no zone
}

// Image is a photograph in grey at full resolution, in the sensor's
// orientation: the rotation that EXIF asks a viewer for is not applied,
// because a camera file describes the sensor.
type Image struct {
	Info
	Pix *image.Gray
	Sum string // SHA-256 of the file as read, hexadecimal
}

const (
	// maxPixels is the largest picture taken on, above any phone's 200 megapixels:
	// the decoder of a progressive JPEG holds up to six bytes for each.
	maxPixels = 220_000_000
	// maxScanned is how many pixels a JPEG's scans may go over in all. Cameras write
	// one scan, or some ten where the picture is to appear bit by bit; thousands of
	// empty ones would keep the decoder busy for hours.
	maxScanned = 12 * maxPixels
)

// ReadInfo reads a photograph's size and EXIF without decoding it. JPEG and
// PNG are known. Broken EXIF is not an error: its fields stay zero. Errors
// name the file and the remedy.
func ReadInfo(path string) (Info, error) {
	f, err := os.Open(path)
	if err != nil {
		return Info{}, photoFileError(path, err)
	}
	defer f.Close()
	st, err := f.Stat()
	if err == nil && st.IsDir() {
		err = errFolder
	}
	if err != nil {
		return Info{}, photoFileError(path, err)
	}
	h, err := readHeader(f, st.Size())
	if err != nil {
		return Info{}, photoFileError(path, err)
	}
	return h.info(path), nil
}

// File is a photograph's file in memory, not decoded; a picture or not.
type File struct {
	Path string
	Sum  string // SHA-256, hexadecimal, as in [Image]

	data []byte
}

// Open reads a file. One that is missing, a folder or too large is an error that
// names it and the remedy.
func Open(path string) (*File, error) {
	data, err := ReadFile(path, mostPhoto)
	if err != nil {
		if st, e := os.Stat(path); e == nil && st.IsDir() {
			err = errFolder
		}
		return nil, photoFileError(path, err)
	}
	return &File{Path: path, Sum: sum(data), data: data}, nil
}

// Info is what [ReadInfo] reads.
func (f *File) Info() (Info, error) {
	h, err := readHeader(bytes.NewReader(f.data), int64(len(f.data)))
	if err != nil {
		return Info{}, photoFileError(f.Path, err)
	}
	return h.info(f.Path), nil
}

// Decode decodes a photograph; see [Load].
func (f *File) Decode() (*Image, error) {
	h, err := readHeader(bytes.NewReader(f.data), int64(len(f.data)))
	if err == nil {
		err = h.complete(f.data)
	}
	if err != nil {
		return nil, photoFileError(f.Path, err)
	}
	pix := pixelsFor(h.width * h.height)
	ok, err := decodeGrey(f.data, h.width, h.height, pix)
	if err == nil && !ok {
		err = errDamaged
	}
	if err != nil {
		return nil, photoFileError(f.Path, err)
	}
	grey := &image.Gray{Pix: pix, Stride: h.width, Rect: image.Rect(0, 0, h.width, h.height)}
	return &Image{Info: h.info(f.Path), Pix: grey, Sum: f.Sum}, nil
}

func sum(data []byte) string { return fmt.Sprintf("%x", sha256.Sum256(data)) }

// Load reads and decodes a photograph: JPEG or PNG. A file that is missing,
// not a picture, or cut short is an error that names the file and the remedy;
// a picture decoded in part is never returned.
func Load(path string) (*Image, error) {
	f, err := Open(path)
	if err != nil {
		return nil, err
	}
	return f.Decode()
}

// Sum is the SHA-256 of a file, hexadecimal, as in [Image]; a picture or not.
func Sum(path string) (string, error) {
	f, err := Open(path)
	if err != nil {
		return "", err
	}
	return f.Sum, nil
}

// spare holds the pixels of photographs released: fresh ones cost a tenth of
// decoding.
var spare sync.Pool

func pixelsFor(n int) []uint8 {
	if p, ok := spare.Get().(*[]uint8); ok && cap(*p) >= n {
		return (*p)[:n]
	}
	return make([]uint8, n)
}

// Release leaves the photograph's pixels to the next one that [Load] reads.
// Nothing may use them after it; it need not be called.
func (i *Image) Release() {
	if i.Pix != nil {
		pix := i.Pix.Pix
		i.Pix = nil
		spare.Put(&pix)
	}
}

// Fits tells whether a photograph can have been taken with the camera, by its
// size and by the focal lengths of its EXIF. What either does not state is not
// compared. The error names the photograph and the camera.
func (c *Camera) Fits(i Info) error {
	name := c.describe()
	const remedy = "use photographs straight from the camera, or the camera file that belongs to them"
	switch {
	case i.Width == c.Width && i.Height == c.Height:
	case i.Width == c.Height && i.Height == c.Width:
		return fmt.Errorf("photo %s: %d x %d pixels are %s turned by 90 degrees (%d x %d): an app has turned the picture; %s",
			i.Path, i.Width, i.Height, name, c.Width, c.Height, remedy)
	default:
		return fmt.Errorf("photo %s: %d x %d pixels, but %s is for %d x %d: %s",
			i.Path, i.Width, i.Height, name, c.Width, c.Height, remedy)
	}
	if differ(i.FocalMM, c.FocalMM) {
		return fmt.Errorf("photo %s: taken at a focal length of %g mm, but %s is for %g mm: photograph with the same lens and zoom, or calibrate this one",
			i.Path, round4(i.FocalMM), name, round4(c.FocalMM))
	}
	if differ(i.Focal35MM, c.Focal35MM) {
		return fmt.Errorf("photo %s: taken at a focal length of %g mm (in 35 mm film), but %s is for %g mm: photograph with the same lens and zoom, or calibrate this one",
			i.Path, round4(i.Focal35MM), name, round4(c.Focal35MM))
	}
	if i.DigitalZoom > 1.001 {
		return fmt.Errorf("photo %s: taken with a digital zoom of %g: photograph without digital zoom", i.Path, round4(i.DigitalZoom))
	}
	return nil
}

// differ compares two EXIF focal lengths. Two per cent is below the step from
// one whole millimetre to the next up to 50 mm, and above rounding.
func differ(a, b float64) bool {
	return a > 0 && b > 0 && math.Abs(a-b) > 0.02*math.Min(a, b)
}

func round4(v float64) float64 { return math.Round(v*1e4) / 1e4 }

var (
	errFolder    = errors.New("is a folder, not a photograph: give a JPEG or PNG file")
	errEmptyFile = errors.New("the file is empty: copy it from the camera again")
	errCutShort  = errors.New("the picture is cut short (its end is missing): copy it from the camera again")
	errDamaged   = errors.New("the picture is damaged or of a kind that OpenCV cannot decode: copy it from the camera again, as JPEG or PNG")
)

func photoFileError(path string, err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("photo %s: no such file: check the name and the folder (%w)", path, fs.ErrNotExist)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("photo %s: may not be read: change its permissions (%w)", path, fs.ErrPermission)
	}
	return fmt.Errorf("photo %s: %w", path, err)
}

// photoHeader is a picture's file up to its pixels.
type photoHeader struct {
	png           bool
	width, height int
	exif          []byte // TIFF structure, nil if absent
	pixels        int64  // where a JPEG's first scan begins
}

func readHeader(r io.ReaderAt, size int64) (photoHeader, error) {
	if size == 0 {
		return photoHeader{}, errEmptyFile
	}
	head := make([]byte, min(size, 64))
	if _, err := r.ReadAt(head, 0); err != nil && err != io.EOF {
		return photoHeader{}, err
	}
	var h photoHeader
	var err error
	switch {
	case bytes.HasPrefix(head, []byte("\xff\xd8\xff")):
		h, err = readJPEGHeader(r, size)
	case bytes.HasPrefix(head, []byte("\x89PNG\r\n\x1a\n")):
		h, err = readPNGHeader(r, size)
	default:
		kind, remedy := guessKind(head)
		return h, fmt.Errorf("%s, not a JPEG or PNG picture: %s", kind, remedy)
	}
	switch {
	case err != nil:
		return h, err
	case h.width <= 0 || h.height <= 0:
		return h, errDamaged
	case h.width > 1<<16 || h.height > 1<<16 || h.width*h.height > maxPixels:
		return h, fmt.Errorf("%d x %d pixels are too many: give a photograph of at most %d megapixels", h.width, h.height, maxPixels/1_000_000)
	}
	return h, nil
}

// guessKind says what a file that is no JPEG or PNG seems to be, and what to do.
func guessKind(head []byte) (kind, remedy string) {
	const shootJPEG = "set the camera to write JPEG"
	if len(head) >= 12 && string(head[4:8]) == "ftyp" {
		switch string(head[8:12]) {
		case "heic", "heix", "hevc", "heim", "heis", "mif1", "msf1":
			return "a HEIC picture", shootJPEG + " ('most compatible'), or convert it at full size"
		case "avif":
			return "an AVIF picture", shootJPEG
		}
		return "a film", "take frames from it with 'wheelplane frames'"
	}
	switch {
	case bytes.HasPrefix(head, []byte("II*\x00")), bytes.HasPrefix(head, []byte("MM\x00*")):
		return "a TIFF or raw picture", shootJPEG
	case bytes.HasPrefix(head, []byte("RIFF")) && len(head) >= 12 && string(head[8:12]) == "WEBP":
		return "a WebP picture", shootJPEG
	case bytes.HasPrefix(head, []byte("GIF8")):
		return "a GIF picture", shootJPEG
	case bytes.HasPrefix(head, []byte("BM")) && !isText(head):
		return "a BMP picture", shootJPEG
	case bytes.HasPrefix(head, []byte("%PDF")):
		return "a PDF document", "give the photograph itself"
	case isText(head):
		return "a text file", "remove it from the photographs, or copy the photograph again"
	case len(bytes.Trim(head, "\x00")) == 0:
		return "a file of zeros", "copy it from the camera again"
	}
	return "an unknown kind of file", "remove it from the photographs, or copy the photograph again"
}

// isText tells whether the bytes look like text; a rune cut at the end is fine.
func isText(b []byte) bool {
	for len(b) > 0 {
		r, n := utf8.DecodeRune(b)
		if r == utf8.RuneError && n == 1 {
			return len(b) < utf8.UTFMax && !utf8.FullRune(b)
		}
		if r < ' ' && !strings.ContainsRune("\t\r\n\f", r) {
			return false
		}
		b = b[n:]
	}
	return true
}

// readJPEGHeader walks the segments up to the first scan.
// Source: ITU-T T.81 annex B; EXIF in APP1: CIPA DC-008.
func readJPEGHeader(r io.ReaderAt, size int64) (h photoHeader, err error) {
	var b [9]byte
	at := func(pos int64, n int) []byte {
		if pos+int64(n) > size {
			return nil
		}
		if _, e := r.ReadAt(b[:n], pos); e != nil && e != io.EOF {
			err = e
			return nil
		}
		return b[:n]
	}
	cut := func() (photoHeader, error) {
		if err == nil {
			err = errCutShort
		}
		return h, err
	}
	for pos := int64(2); ; {
		m := at(pos, 2)
		if m == nil {
			return cut()
		}
		if m[0] != 0xff {
			return h, errDamaged
		}
		marker := m[1]
		switch {
		case marker == 0xff: // fill byte
			pos++
			continue
		case marker == 0xd9: // end before any scan
			return cut()
		case marker == 0x01 || marker >= 0xd0 && marker <= 0xd8: // no segment follows
			pos += 2
			continue
		}
		l := at(pos+2, 2)
		if l == nil {
			return cut()
		}
		n := int64(l[0])<<8 | int64(l[1])
		switch {
		case n < 2:
			return h, errDamaged
		case pos+2+n > size:
			return cut()
		case marker == 0xda:
			h.pixels = pos
			if h.width == 0 {
				return h, errDamaged
			}
			return h, nil
		case marker >= 0xc0 && marker <= 0xcf && marker != 0xc4 && marker != 0xc8 && marker != 0xcc: // frame header
			s := at(pos+2, 7)
			if s == nil {
				return cut()
			}
			h.height, h.width = int(s[3])<<8|int(s[4]), int(s[5])<<8|int(s[6])
		case marker == 0xe1 && h.exif == nil && n > 8:
			body := make([]byte, n-2)
			if _, e := r.ReadAt(body, pos+4); e != nil && e != io.EOF {
				return h, e
			}
			if bytes.HasPrefix(body, []byte("Exif\x00")) {
				h.exif = body[6:]
			}
		}
		pos += 2 + n
	}
}

// readPNGHeader reads IHDR and looks for an eXIf chunk before the pixels.
// Source: W3C, Portable Network Graphics (third edition).
func readPNGHeader(r io.ReaderAt, size int64) (h photoHeader, err error) {
	h.png = true
	for pos := int64(8); ; {
		var b [16]byte
		if pos+12 > size {
			return h, errCutShort
		}
		if _, e := r.ReadAt(b[:], pos); e != nil && e != io.EOF {
			return h, e
		}
		n, kind := int64(binary.BigEndian.Uint32(b[:4])), string(b[4:8])
		if pos+12+n > size {
			return h, errCutShort
		}
		switch kind {
		case "IHDR":
			w, ht := binary.BigEndian.Uint32(b[8:12]), binary.BigEndian.Uint32(b[12:16])
			if n != 13 || w > 1<<30 || ht > 1<<30 {
				return h, errDamaged
			}
			h.width, h.height = int(w), int(ht)
		case "eXIf":
			h.exif = make([]byte, n)
			if _, e := r.ReadAt(h.exif, pos+8); e != nil && e != io.EOF {
				return h, e
			}
		case "IDAT", "IEND":
			if h.width == 0 {
				return h, errDamaged
			}
			return h, nil
		}
		pos += 12 + n
	}
}

// complete tells whether the picture is there to its end, and a PNG's chunks
// undamaged. OpenCV only warns about a JPEG that is cut short and fills the
// rest with grey.
func (h *photoHeader) complete(data []byte) error {
	if h.png {
		for pos := int64(8); ; {
			if pos+12 > int64(len(data)) {
				return errCutShort
			}
			end := pos + 8 + int64(binary.BigEndian.Uint32(data[pos:]))
			switch {
			case end+4 > int64(len(data)):
				return errCutShort
			case crc32.ChecksumIEEE(data[pos+4:end]) != binary.BigEndian.Uint32(data[end:]):
				return errDamaged
			case string(data[pos+4:pos+8]) == "IEND":
				return nil
			}
			pos = end + 4
		}
	}
	scans := 0
	for pos := h.pixels; ; {
		// A segment, and after a scan's header its entropy-coded bytes.
		if pos+4 > int64(len(data)) {
			return errCutShort
		}
		if data[pos+1] == 0xda {
			if scans++; scans*h.width*h.height > maxScanned {
				return errors.New("the picture is drawn in far too many scans: save it as an ordinary JPEG")
			}
		}
		pos += 2 + int64(binary.BigEndian.Uint16(data[pos+2:]))
		if pos > int64(len(data)) {
			return errCutShort
		}
		for {
			i := bytes.IndexByte(data[pos:], 0xff)
			if i < 0 || pos+int64(i)+1 >= int64(len(data)) {
				return errCutShort
			}
			pos += int64(i)
			m := data[pos+1]
			if m == 0xd9 {
				return nil
			}
			if m >= 0xc0 && (m < 0xd0 || m > 0xd7) { // neither a stuffed byte, a restart nor fill
				break
			}
			if m == 0xff {
				pos++
			} else {
				pos += 2
			}
		}
	}
}

func (h *photoHeader) info(path string) Info {
	i := Info{Path: path, Width: h.width, Height: h.height, Orientation: 1}
	i.readEXIF(h.exif)
	return i
}

// exifTags holds go-exif's tables, which are slow to build and only read after.
var exifTags = sync.OnceValues(func() (*exifcommon.IfdMapping, *exif.TagIndex) {
	mapping, err := exifcommon.NewIfdMappingWithStandard()
	if err != nil {
		panic(err)
	}
	tags := exif.NewTagIndex()
	if err := exif.LoadStandardTags(tags); err != nil {
		panic(err)
	}
	return mapping, tags
})

// errThumbnail ends the walk through EXIF before the thumbnail's own tags.
var errThumbnail = errors.New("thumbnail reached")

// readEXIF fills what the EXIF block states. What is unreadable is left out:
// a photograph is no worse for it.
func (i *Info) readEXIF(block []byte) {
	if len(block) < 8 {
		return
	}
	defer func() { _ = recover() }() // the library panics on some broken blocks
	var taken, zone, modified string
	mapping, tags := exifTags()
	visit := func(t *exif.IfdTagEntry) error {
		id := t.TagId()
		switch t.IfdIdentity().String() {
		case "IFD", "IFD/Exif":
		case "IFD1":
			return errThumbnail
		default:
			return nil
		}
		switch id {
		case 0x010f, 0x0110, 0x0112, 0x0132, 0x9003, 0x9011, 0x920a, 0xa404, 0xa405:
		default:
			return nil
		}
		if t.UnitCount() > 1<<10 { // broken; the library would allocate it
			return nil
		}
		v, err := t.Value()
		if err != nil {
			return nil
		}
		switch id {
		case 0x010f:
			i.Maker = exifText(v)
		case 0x0110:
			i.Model = exifText(v)
		case 0x0112:
			if n := int(exifNumber(v)); n >= 1 && n <= 8 {
				i.Orientation = n
			}
		case 0x0132:
			modified = exifText(v)
		case 0x9003:
			taken = exifText(v)
		case 0x9011:
			zone = exifText(v)
		case 0x920a:
			i.FocalMM = exifNumber(v)
		case 0xa404:
			i.DigitalZoom = exifNumber(v)
		case 0xa405:
			i.Focal35MM = exifNumber(v)
		}
		return nil
	}
	// An error here means the thumbnail or a broken tail: what came before is kept.
	_, _, _ = exif.Visit(exifcommon.IfdStandardIfdIdentity, mapping, tags, block, visit, nil)
	if taken == "" {
		taken = modified
	}
	if t, err := time.Parse("2006:01:02 15:04:05-07:00", taken+zone); err == nil {
		i.Taken = t
	} else if t, err := time.Parse("2006:01:02 15:04:05", taken); err == nil {
		i.Taken = t
	}
}

func exifText(v any) string {
	s, _ := v.(string)
	return strings.TrimSpace(strings.TrimRight(s, "\x00"))
}

// exifNumber returns a tag's first number, 0 when it holds none or nonsense.
func exifNumber(v any) float64 {
	var f float64
	switch v := v.(type) {
	case []uint16:
		if len(v) > 0 {
			f = float64(v[0])
		}
	case []uint32:
		if len(v) > 0 {
			f = float64(v[0])
		}
	case []exifcommon.Rational:
		if len(v) > 0 && v[0].Denominator > 0 {
			f = float64(v[0].Numerator) / float64(v[0].Denominator)
		}
	}
	return f
}
