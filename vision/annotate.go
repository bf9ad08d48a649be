package vision

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"
	"sort"

	"golang.org/x/image/font"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// annotatedPx is about the longer side of an annotated picture, pixels.
const annotatedPx = 2000

// Colours that differ for colour-blind eyes too (after Okabe and Ito).
var (
	colourHalo     = color.RGBA{0, 0, 0, 255}
	colourBoard    = color.RGBA{240, 228, 66, 255}
	colourCorner   = color.RGBA{86, 200, 255, 255}
	colourRejected = color.RGBA{255, 110, 40, 255}
)

// Remarks is what is written on an annotated picture besides what was found.
type Remarks struct {
	Title  []string // lines at the top
	Boards []string // by view, after the board's name; nil: none
	// Trail is what a point is drawn out to, pixels right and down; drawn enlarged
	// where not zero.
	Trail [2]float64
}

// Annotate draws what Detect found on a grey copy of the photograph, reduced
// to about 2000 pixels and turned upright as its EXIF orientation (1 to 8, 0
// for none) says: boards outlined and named, an ellipse for each corner (its
// standard uncertainty, enlarged by the factor given in the legend), a cross
// for each rejected one, and the remarks.
func Annotate(img *image.Gray, orientation int, boards []Board, r Result, say Remarks) (*image.RGBA, error) {
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	factor := max(1, (max(w, h)+annotatedPx/2)/annotatedPx)
	small := img
	if factor > 1 {
		var err error
		if small, err = reduce(img, factor); err != nil {
			return nil, err
		}
	}
	c := newCanvas(small, orientation, float64(factor))

	zoom := ellipseZoom(r)
	outlines := c.layer()
	corners, dots, rejected := c.layer(), c.layer(), c.layer()
	thin, thick := 0.7*c.unit, 1.1*c.unit
	for _, v := range r.Views {
		var q [][2]float64
		for _, p := range v.Outline {
			q = append(q, c.at(p))
		}
		outlines.line(q, thick, true)
		for _, k := range v.Corners {
			var e [][2]float64
			p := c.at(k.Px)
			for i := 0; i < 32; i++ {
				a := 2 * math.Pi * float64(i) / 32
				dx, dy := k.onEllipse(a)
				e = append(e, c.at([2]float64{k.Px[0] + zoom*float64(factor)*dx, k.Px[1] + zoom*float64(factor)*dy}))
			}
			corners.line(e, thin, true)
			dots.disc(p, thin)
		}
		for _, k := range v.Rejected {
			p := c.at(k.Px)
			d := 4.5 * c.unit
			rejected.line([][2]float64{{p[0] - d, p[1] - d}, {p[0] + d, p[1] + d}}, thick, false)
			rejected.line([][2]float64{{p[0] - d, p[1] + d}, {p[0] + d, p[1] - d}}, thick, false)
		}
	}
	outlines.draw(colourBoard)
	corners.draw(colourCorner)
	dots.draw(colourCorner)
	rejected.draw(colourRejected)
	for i, v := range r.Views {
		name := boards[v.Board].Name
		if i < len(say.Boards) && say.Boards[i] != "" {
			name += ": " + say.Boards[i]
		}
		c.name(v, name)
	}
	c.title(say)
	c.legend(fmt.Sprintf("ellipses: standard uncertainty x %.0f   crosses: corners not used", zoom*float64(factor)))
	return c.img, nil
}

// onEllipse is the point at angle a of the corner's standard ellipse, relative
// to its centre, pixels.
func (k *Corner) onEllipse(a float64) (dx, dy float64) {
	// Cholesky: any square root of the covariance takes the circle to it.
	l := math.Sqrt(math.Max(k.Cov[0], 0))
	if l == 0 {
		return 0, math.Sqrt(math.Max(k.Cov[2], 0)) * math.Sin(a)
	}
	m := k.Cov[1] / l
	n := math.Sqrt(math.Max(k.Cov[2]-m*m, 0))
	return l * math.Cos(a), m*math.Cos(a) + n*math.Sin(a)
}

// ellipseZoom is a round factor that makes a typical ellipse some of the
// photograph's pixels large.
func ellipseZoom(r Result) float64 {
	var sd []float64
	for _, v := range r.Views {
		for _, k := range v.Corners {
			sd = append(sd, math.Sqrt((k.Cov[0]+k.Cov[2])/2))
		}
	}
	if len(sd) == 0 {
		return 1
	}
	sort.Float64s(sd)
	want := 7 / math.Max(sd[len(sd)/2], 1e-6)
	step := math.Pow(10, math.Floor(math.Log10(want)))
	for _, m := range []float64{5, 2, 1} {
		if m*step <= want {
			return m * step
		}
	}
	return step
}

// canvas is the picture being drawn on.
type canvas struct {
	img         *image.RGBA
	orientation int
	factor      float64 // photograph pixels per canvas pixel
	w, h        int     // before turning
	unit        float64 // line widths and letters grow with the picture
}

func newCanvas(grey *image.Gray, orientation int, factor float64) *canvas {
	c := &canvas{orientation: orientation, factor: factor, w: grey.Bounds().Dx(), h: grey.Bounds().Dy()}
	w, h := c.w, c.h
	if orientation >= 5 && orientation <= 8 {
		w, h = h, w
	}
	c.unit = math.Max(1, float64(max(w, h))/700)
	c.img = image.NewRGBA(image.Rect(0, 0, w, h))
	for y := 0; y < c.h; y++ {
		line := grey.Pix[y*grey.Stride:]
		for x := 0; x < c.w; x++ {
			p := c.turn([2]float64{float64(x), float64(y)})
			i := c.img.PixOffset(int(p[0]), int(p[1]))
			// A little darker, so that the drawing stands out.
			g := uint8(int(line[x]) * 13 / 16)
			c.img.Pix[i], c.img.Pix[i+1], c.img.Pix[i+2], c.img.Pix[i+3] = g, g, g, 255
		}
	}
	return c
}

// turn takes a pixel of the sensor to the upright picture. Source: EXIF
// (CIPA DC-008), tag Orientation.
func (c *canvas) turn(p [2]float64) [2]float64 {
	x, y := p[0], p[1]
	mx, my := float64(c.w-1)-x, float64(c.h-1)-y
	switch c.orientation {
	case 2:
		return [2]float64{mx, y}
	case 3:
		return [2]float64{mx, my}
	case 4:
		return [2]float64{x, my}
	case 5:
		return [2]float64{y, x}
	case 6:
		return [2]float64{my, x}
	case 7:
		return [2]float64{my, mx}
	case 8:
		return [2]float64{y, mx}
	}
	return p
}

// at takes a pixel of the photograph to the canvas.
func (c *canvas) at(px [2]float64) [2]float64 {
	f := c.factor
	return c.turn([2]float64{(px[0] - (f-1)/2) / f, (px[1] - (f-1)/2) / f})
}

// layer collects shapes of one colour, to be drawn over a dark halo.
type layer struct {
	c      *canvas
	shapes [][][2]float64
	halo   [][][2]float64
}

func (c *canvas) layer() *layer { return &layer{c: c} }

// line adds a line through points, so wide.
func (l *layer) line(p [][2]float64, width float64, closed bool) {
	n := len(p) - 1
	if closed {
		n++
	}
	for i := 0; i < n; i++ {
		a, b := p[i], p[(i+1)%len(p)]
		l.shapes = append(l.shapes, stroke(a, b, width))
		l.halo = append(l.halo, stroke(a, b, width+1.4*l.c.unit))
	}
}

func (l *layer) disc(p [2]float64, radius float64) {
	l.shapes = append(l.shapes, stroke([2]float64{p[0] - radius/2, p[1]}, [2]float64{p[0] + radius/2, p[1]}, 2*radius))
}

// stroke is the rectangle about a segment, with ends half a width beyond.
func stroke(a, b [2]float64, width float64) [][2]float64 {
	dx, dy := b[0]-a[0], b[1]-a[1]
	n := math.Hypot(dx, dy)
	if n == 0 {
		dx, dy, n = 1, 0, 1
	}
	dx, dy = dx/n*width/2, dy/n*width/2
	// Clockwise on the screen, all alike, so that overlaps add up.
	return [][2]float64{
		{a[0] - dx + dy, a[1] - dy - dx}, {b[0] + dx + dy, b[1] + dy - dx},
		{b[0] + dx - dy, b[1] + dy + dx}, {a[0] - dx - dy, a[1] - dy + dx},
	}
}

func (l *layer) draw(col color.RGBA) {
	l.c.fill(l.halo, colourHalo)
	l.c.fill(l.shapes, col)
}

func (c *canvas) fill(shapes [][][2]float64, col color.RGBA) {
	for _, s := range shapes {
		lo, hi := s[0], s[0]
		for _, p := range s {
			for k := range p {
				lo[k], hi[k] = math.Min(lo[k], p[k]), math.Max(hi[k], p[k])
			}
		}
		box := image.Rect(int(lo[0])-1, int(lo[1])-1, int(hi[0])+3, int(hi[1])+3).Intersect(c.img.Rect)
		if box.Empty() {
			continue
		}
		var z vector.Rasterizer
		z.Reset(box.Dx(), box.Dy())
		// Pixel centres are whole numbers here, halves in vector.
		at := func(p [2]float64) (x, y float32) {
			return float32(p[0] + 0.5 - float64(box.Min.X)), float32(p[1] + 0.5 - float64(box.Min.Y))
		}
		z.MoveTo(at(s[0]))
		for _, p := range s[1:] {
			z.LineTo(at(p))
		}
		z.ClosePath()
		z.Draw(c.img, box, image.NewUniform(col), image.Point{})
	}
}

// text writes a line on a dark patch whose top left is at (x, y), moved into
// the picture where it would stick out.
func (c *canvas) text(s string, x, y, size float64, col color.RGBA) {
	face := fontFace(size, true)
	defer face.Close()
	pad := int(0.25 * size)
	w, h := font.MeasureString(face, s).Ceil()+2*pad, int(1.2*size)+pad
	left := max(0, min(int(x), c.img.Rect.Dx()-w))
	top := max(0, min(int(y), c.img.Rect.Dy()-h))
	draw.Draw(c.img, image.Rect(left, top, left+w, top+h), image.NewUniform(color.RGBA{0, 0, 0, 200}), image.Point{}, draw.Over)
	d := font.Drawer{Dst: c.img, Src: image.NewUniform(col), Face: face, Dot: fixed.P(left+pad, top+int(size)+pad/2)}
	d.DrawString(s)
}

// name writes a board's name above its outline.
func (c *canvas) name(v View, name string) {
	x, y := math.Inf(1), math.Inf(1)
	for _, p := range v.Outline {
		q := c.at(p)
		x, y = math.Min(x, q[0]), math.Min(y, q[1])
	}
	size := 17 * c.unit
	c.text(name, x, y-1.6*size, size, colourBoard)
}

// title writes the remarks' lines at the top, and the trail below them.
func (c *canvas) title(say Remarks) {
	size := 14 * c.unit
	y := 0.5 * size
	for _, line := range say.Title {
		c.text(line, 0.5*size, y, size, color.RGBA{255, 255, 255, 255})
		y += 1.6 * size
	}
	if say.Trail == [2]float64{} {
		return
	}
	// From the photograph's pixels to the canvas: turned, and enlarged.
	a, b := c.turn([2]float64{}), c.turn(say.Trail)
	long := math.Hypot(say.Trail[0], say.Trail[1])
	zoom := math.Max(1, math.Round(60*c.unit/long))
	dx, dy := zoom*(b[0]-a[0])/2, zoom*(b[1]-a[1])/2
	mid := [2]float64{3 * size, y + 2.6*size}
	trail := c.layer()
	trail.line([][2]float64{{mid[0] - dx, mid[1] - dy}, {mid[0] + dx, mid[1] + dy}}, 3*c.unit, false)
	trail.draw(colourRejected)
	c.text(fmt.Sprintf("trail x %.0f", zoom), mid[0]+2.8*size, mid[1]-0.6*size, 11*c.unit, color.RGBA{255, 255, 255, 255})
}

func (c *canvas) legend(s string) {
	size := 11 * c.unit
	c.text(s, size, float64(c.img.Rect.Dy())-2.2*size, size, color.RGBA{255, 255, 255, 255})
}
