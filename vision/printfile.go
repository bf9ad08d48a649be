package vision

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/draw"
	"image/png"
	"io"
	"math"
	"sync"

	"github.com/go-pdf/fpdf"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// capHeight is the height of a capital over the size of the Go fonts.
const capHeight = 0.723

// goFonts are the two fonts, embedded in what we write.
var goFonts = sync.OnceValues(func() (regular, bold *opentype.Font) {
	parse := func(data []byte) *opentype.Font {
		f, err := opentype.Parse(data)
		if err != nil {
			panic(err)
		}
		return f
	}
	return parse(goregular.TTF), parse(gobold.TTF)
})

// fontFace makes a face of that size in pixels.
func fontFace(size float64, bold bool) font.Face {
	f, b := goFonts()
	if bold {
		f = b
	}
	face, err := opentype.NewFace(f, &opentype.FaceOptions{Size: size, DPI: 72})
	if err != nil {
		panic(err)
	}
	return face
}

// textWidth measures a text in the unit of size.
func textWidth(s string, size float64, bold bool) float64 {
	face := fontFace(1000, bold)
	defer face.Close()
	return float64(font.MeasureString(face, s)) / 64 / 1000 * size
}

// WritePDF writes the sheets at true scale, one page each. The document asks
// viewers to print it unscaled.
func WritePDF(w io.Writer, sheets []Sheet) error {
	pdf := fpdf.New("P", "mm", "A4", "")
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetTitle("Boards", true)
	pdf.SetCreator("wheelplane", true)
	// fpdf has no call for viewer preferences, but writes the language as it
	// is given: the rest of the line is the catalog's, its end a comment.
	pdf.SetLang("en-GB) /ViewerPreferences << /PrintScaling /None /PickTrayByPDFSize true >> %")
	pdf.AddUTF8FontFromBytes("go", "", goregular.TTF)
	pdf.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	for i := range sheets {
		s := &sheets[i]
		orientation := "P"
		if s.WidthMM > s.HeightMM {
			orientation = "L"
		}
		pdf.AddPageFormat(orientation, fpdf.SizeType{Wd: min(s.WidthMM, s.HeightMM), Ht: max(s.WidthMM, s.HeightMM)})
		pdf.Bookmark(s.Title, 0, 0)

		var page bytes.Buffer
		page.WriteString("0 g\n")
		// One path for all of the pattern, with what joins its parts: drawn
		// apart, renderers would leave hairlines between cells.
		s.path(&page, s.ink)
		s.path(&page, joints(s.ink))
		if len(s.ink) > 0 {
			page.WriteString("f\n")
		}
		if len(s.boxes) > 0 {
			s.path(&page, s.boxes)
			page.WriteString("f\n")
		}
		for _, shape := range s.shapes {
			for i, p := range shape {
				x, y := s.points(p[0], p[1])
				fmt.Fprintf(&page, "%.4f %.4f %c\n", x, y, "ml"[min(i, 1)])
			}
			page.WriteString("h f\n")
		}
		pdf.RawWriteBuf(&page)
		for _, t := range s.texts {
			style := ""
			if t.bold {
				style = "B"
			}
			pdf.SetFont("go", style, 0)
			pdf.SetFontUnitSize(t.sizeMM)
			if t.up {
				pdf.TransformBegin()
				pdf.TransformRotate(90, t.x, t.y)
			}
			pdf.Text(t.x, t.y, t.s)
			if t.up {
				pdf.TransformEnd()
			}
		}
	}
	return pdf.Output(w)
}

// points takes millimetres from the page's top left to PDF's points from its
// bottom left.
func (s *Sheet) points(x, y float64) (float64, float64) {
	return x * 72 / 25.4, (s.HeightMM - y) * 72 / 25.4
}

func (s *Sheet) path(page *bytes.Buffer, boxes []box) {
	for _, b := range boxes {
		x0, y0 := s.points(b.x0, b.y1)
		x1, y1 := s.points(b.x1, b.y0)
		fmt.Fprintf(page, "%.4f %.4f m %.4f %.4f l %.4f %.4f l %.4f %.4f l h\n", x0, y0, x1, y0, x1, y1, x0, y1)
	}
}

// joints returns, for boxes that touch above one another, boxes that cover
// both along the width they share.
func joints(boxes []box) []box {
	const tiny = 1e-6
	var out []box
	for _, a := range boxes {
		for _, b := range boxes {
			x0, x1 := max(a.x0, b.x0), min(a.x1, b.x1)
			if math.Abs(a.y1-b.y0) < tiny && x1-x0 > tiny {
				out = append(out, box{x0, a.y0, x1, b.y1})
			}
		}
	}
	return out
}

// PNG writes the sheet as a grey picture that carries its scale. The
// resolution is the one nearest to dpi at which every edge of the board falls
// between two pixels, if there is one between half and twice of it.
func (s *Sheet) PNG(w io.Writer, dpi float64) error {
	if !(dpi >= 20 && dpi <= 2400) {
		return fmt.Errorf("%g dpi: take a resolution between 20 and 2400", dpi)
	}
	perMM := dpi / 25.4
	if s.board != nil {
		perMM = wholePixels(s.board, perMM)
	}
	if s.WidthMM*perMM*s.HeightMM*perMM > maxPixels {
		return fmt.Errorf("%.0f x %.0f pixels are too many: take a lower resolution than %.0f dpi", s.WidthMM*perMM, s.HeightMM*perMM, dpi)
	}
	img := s.draw(perMM)
	var buf bytes.Buffer
	e := png.Encoder{CompressionLevel: png.BestSpeed}
	if err := e.Encode(&buf, img); err != nil {
		return err
	}
	_, err := w.Write(withResolution(buf.Bytes(), perMM*1e3))
	return err
}

// draw makes the picture at that many pixels a millimetre.
func (s *Sheet) draw(perMM float64) *image.Gray {
	wide, high := int(math.Round(s.WidthMM*perMM)), int(math.Round(s.HeightMM*perMM))
	// Shift everything by less than a pixel, the board onto whole pixels.
	var dx, dy float64
	if s.board != nil {
		dx = math.Round(s.layout.x*perMM) - s.layout.x*perMM
		dy = math.Round(s.layout.y*perMM) - s.layout.y*perMM
	}
	img := image.NewGray(image.Rect(0, 0, wide, high))
	for i := range img.Pix {
		img.Pix[i] = 255
	}
	for _, b := range append(append([]box{}, s.ink...), s.boxes...) {
		fillBox(img, b.x0*perMM+dx, b.y0*perMM+dy, b.x1*perMM+dx, b.y1*perMM+dy)
	}
	for _, shape := range s.shapes {
		r := vector.NewRasterizer(wide, high)
		for i, p := range shape {
			x, y := float32(p[0]*perMM+dx), float32(p[1]*perMM+dy)
			if i == 0 {
				r.MoveTo(x, y)
			} else {
				r.LineTo(x, y)
			}
		}
		r.ClosePath()
		r.Draw(img, img.Bounds(), image.Black, image.Point{})
	}
	for _, t := range s.texts {
		drawText(img, t, t.x*perMM+dx, t.y*perMM+dy, t.sizeMM*perMM)
	}
	return img
}

// wholePixels returns the resolution in pixels per millimetre nearest to the
// one wished at which squares and marker cells are whole numbers of pixels.
func wholePixels(b *Board, wish float64) float64 {
	um := func(m float64) int { return int(math.Round(m * 1e6)) }
	square, marker := um(b.SquareM), um(b.MarkerM)
	cells := Dictionaries[b.Dictionary].Bits + 2
	// Everything in units of 1/(2·cells) micrometre, where all are whole.
	g := gcd(2*cells*square, gcd(cells*(square-marker), 2*marker))
	size := float64(g) / float64(2*cells) / 1e3 // mm; a pixel is a whole fraction of it
	k := max(1, math.Round(size*wish))
	if per := k / size; per >= wish/2 && per <= 2*wish {
		return per
	}
	return wish
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// fillBox darkens the pixels by the share of each that the box covers; pixel i
// reaches from i to i+1 here. Boxes do not overlap.
func fillBox(img *image.Gray, x0, y0, x1, y1 float64) {
	snap := func(v float64) float64 { // rounding errors of whole numbers
		if r := math.Round(v); math.Abs(v-r) < 1e-6 {
			return r
		}
		return v
	}
	x0, y0, x1, y1 = snap(x0), snap(y0), snap(x1), snap(y1)
	r := image.Rect(int(math.Floor(x0)), int(math.Floor(y0)), int(math.Ceil(x1)), int(math.Ceil(y1))).Intersect(img.Rect)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		cy := min(y1, float64(y+1)) - max(y0, float64(y))
		for x := r.Min.X; x < r.Max.X; x++ {
			c := cy * (min(x1, float64(x+1)) - max(x0, float64(x)))
			p := &img.Pix[y*img.Stride+x]
			*p = uint8(max(0, math.Round(float64(*p)-255*c)))
		}
	}
}

// drawText draws a label whose baseline starts at (x, y), size in pixels.
func drawText(img *image.Gray, t label, x, y, size float64) {
	face := fontFace(size, t.bold)
	defer face.Close()
	width := font.MeasureString(face, t.s).Ceil() + 2
	up, down := int(1.1*size)+1, int(0.4*size)+1
	mask := image.NewAlpha(image.Rect(0, 0, width, up+down))
	d := font.Drawer{Dst: mask, Src: image.Opaque, Face: face, Dot: fixed.P(1, up)}
	d.DrawString(t.s)
	at := image.Pt(int(math.Round(x))-1, int(math.Round(y))-up)
	if t.up {
		turned := image.NewAlpha(image.Rect(0, 0, up+down, width))
		for v := range up + down {
			for u := range width {
				turned.Pix[(width-1-u)*turned.Stride+v] = mask.Pix[v*mask.Stride+u]
			}
		}
		mask, at = turned, image.Pt(int(math.Round(x))-up, int(math.Round(y))-width+1)
	}
	draw.DrawMask(img, mask.Rect.Add(at), image.Black, image.Point{}, mask, image.Point{}, draw.Over)
}

// withResolution adds a pHYs chunk, in pixels per metre, behind a PNG's IHDR.
// Source: W3C, Portable Network Graphics (third edition), 11.3.4.3.
func withResolution(data []byte, perM float64) []byte {
	n := uint32(math.Round(perM))
	chunk := []byte("pHYs")
	chunk = binary.BigEndian.AppendUint32(chunk, n)
	chunk = binary.BigEndian.AppendUint32(chunk, n)
	chunk = append(chunk, 1)
	const header = 8 + 25 // signature, IHDR
	out := append([]byte{}, data[:header]...)
	out = binary.BigEndian.AppendUint32(out, uint32(len(chunk)-4))
	out = append(out, chunk...)
	out = binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(chunk))
	return append(out, data[header:]...)
}
