package calib

import (
	"fmt"
	"image/color"
	"io"
	"math"
	"path/filepath"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/palette/moreland"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"

	"wheelplane/vision"
)

// Picture writes what speaks for and against a calibration as a PNG of four
// panels: where in the frame corners were seen, each with its residual
// enlarged; the residuals about their origin; the residuals photo by photo;
// and how uncertain the picture's geometry stays over the frame. Residuals
// have one colour per direction, so that a place where all point the same way
// stands out.
func Picture(w io.Writer, r *Result) error {
	const dpi = 100
	width, height := vg.Length(16)*vg.Inch, vg.Length(12)*vg.Inch
	img := vgimg.NewWith(vgimg.UseWH(width, height), vgimg.UseDPI(dpi))
	page := draw.New(img)
	page.SetColor(color.White)
	page.Fill(page.Rectangle.Path())

	cell := func(x0, y0, x1, y1 float64) draw.Canvas {
		return draw.Crop(page, vg.Length(x0)*width, vg.Length(x1-1)*width, vg.Length(y0)*height, vg.Length(y1-1)*height)
	}
	placesPlot(r).Draw(fitFrame(cell(0.01, 0.43, 0.62, 0.99), r))
	scatterPlot(r).Draw(square(cell(0.64, 0.43, 0.99, 0.99)))
	barsPlot(r).Draw(cell(0.01, 0.01, 0.53, 0.41))
	if err := drawLeftUncertain(r, cell(0.55, 0.01, 0.99, 0.41)); err != nil {
		return err
	}
	_, err := vgimg.PngCanvas{Canvas: img}.WriteTo(w)
	return err
}

const (
	titleSize = vg.Length(13)
	labelSize = vg.Length(11)
)

func newPlot(title, x, y string) *plot.Plot {
	p := plot.New()
	p.Title.Text, p.X.Label.Text, p.Y.Label.Text = title, x, y
	p.Title.Padding = vg.Points(6)
	for _, s := range []*text.Style{&p.Title.TextStyle, &p.X.Label.TextStyle, &p.Y.Label.TextStyle, &p.X.Tick.Label, &p.Y.Tick.Label} {
		s.Font.Variant = "Sans"
		s.Font.Size = labelSize
	}
	p.Title.TextStyle.Font.Size = titleSize
	p.X.Tick.Marker, p.Y.Tick.Marker = plot.TickerFunc(ticks), plot.TickerFunc(ticks)
	return p
}

// ticks are round numbers, about six of them; gonum's own are too few on an
// axis that points down.
func ticks(lo, hi float64) (t []plot.Tick) {
	if !(hi > lo) {
		return nil
	}
	step := roundFactor((hi - lo) / 6)
	for k := math.Ceil(lo/step - 1e-9); k*step <= hi+1e-9*step; k++ {
		v := k*step + 0 // no negative zero
		t = append(t, plot.Tick{Value: v, Label: strconv.FormatFloat(v, 'g', 6, 64)})
	}
	return t
}

// framePlot is an empty plot over the frame, y down.
func framePlot(title string, c *vision.Camera) *plot.Plot {
	p := newPlot(title, "x, px", "y, px (down)")
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = -0.5, float64(c.Width)-0.5, -0.5, float64(c.Height)-0.5
	p.Y.Scale = plot.InvertedScale{Normalizer: plot.LinearScale{}}
	p.X.Padding, p.Y.Padding = 0, 0
	return p
}

// outline draws the border of a plot's data area.
var outline = paint(func(c draw.Canvas, _ *plot.Plot) {
	r := c.Rectangle
	c.StrokeLines(draw.LineStyle{Color: color.Gray{120}, Width: vg.Points(0.7)}, []vg.Point{
		r.Min, {X: r.Max.X, Y: r.Min.Y}, r.Max, {X: r.Min.X, Y: r.Max.Y}, r.Min})
})

// Axes, title and labels take about this much of a panel.
const (
	marginX = vg.Length(60)
	marginY = vg.Length(70)
)

// fitFrame shrinks a canvas so that the frame is drawn in its proportions.
func fitFrame(c draw.Canvas, r *Result) draw.Canvas {
	return proportion(c, float64(r.Camera.Width)/float64(r.Camera.Height))
}

func square(c draw.Canvas) draw.Canvas { return proportion(c, 1) }

func proportion(c draw.Canvas, wOverH float64) draw.Canvas {
	size := c.Size()
	w, h := size.X-marginX, size.Y-marginY
	if float64(w) > wOverH*float64(h) {
		return draw.Crop(c, 0, vg.Length(wOverH)*h-w, 0, 0)
	}
	return draw.Crop(c, 0, 0, h-w/vg.Length(wOverH), 0)
}

// hue is the colour of a direction in the picture, x right and y down.
func hue(dx, dy float64) color.Color {
	h := math.Mod(math.Atan2(-dy, dx)/(2*math.Pi)+1, 1) * 6
	x := 1 - math.Abs(math.Mod(h, 2)-1)
	var r, g, b float64
	switch int(h) {
	case 0:
		r, g = 1, x
	case 1:
		r, g = x, 1
	case 2:
		g, b = 1, x
	case 3:
		g, b = x, 1
	case 4:
		r, b = x, 1
	default:
		r, b = 1, x
	}
	// Darker where the eye sees brightness, so that yellow shows on white.
	k := 0.85 - 0.35*(0.3*r+0.6*g+0.1*b)
	return color.NRGBA{uint8(255 * k * r), uint8(255 * k * g), uint8(255 * k * b), 255}
}

var rejectedColour = color.NRGBA{200, 0, 0, 255}

// A paint is a plotter from a function.
type paint func(c draw.Canvas, p *plot.Plot)

func (f paint) Plot(c draw.Canvas, p *plot.Plot) { f(c, p) }

// placesPlot shows the corners over the frame with enlarged residuals.
func placesPlot(r *Result) *plot.Plot {
	enlarge := roundFactor(0.02 * float64(r.Camera.Width) / math.Max(r.RMSPx, 1e-9))
	rejected := ""
	if r.Rejected > 0 {
		rejected = fmt.Sprintf("; %d rejected: crosses", r.Rejected)
	}
	p := framePlot(fmt.Sprintf("%d corners of %s, residuals x %g (RMS %.2g px)%s", r.Corners, photographs(len(r.Views)), enlarge, r.RMSPx, rejected), &r.Camera)
	p.Add(plotter.NewGrid(), outline, paint(func(c draw.Canvas, p *plot.Plot) {
		tx, ty := p.Transforms(&c)
		at := func(q [2]float64) vg.Point { return vg.Point{X: tx(q[0]), Y: ty(q[1])} }
		for _, v := range r.Views {
			for _, res := range v.Residuals {
				a := at(res.Px)
				if res.Rejected {
					c.DrawGlyph(draw.GlyphStyle{Color: rejectedColour, Radius: vg.Points(4), Shape: draw.CrossGlyph{}}, a)
					continue
				}
				style := draw.LineStyle{Color: hue(res.OffPx[0], res.OffPx[1]), Width: vg.Points(1.1)}
				b := at([2]float64{res.Px[0] + enlarge*res.OffPx[0], res.Px[1] + enlarge*res.OffPx[1]})
				c.StrokeLine2(style, a.X, a.Y, b.X, b.Y)
				c.DrawGlyph(draw.GlyphStyle{Color: style.Color, Radius: vg.Points(1.5), Shape: draw.CircleGlyph{}}, a)
			}
		}
	}))
	return p
}

// roundFactor rounds to 1, 2 or 5 times a power of ten.
func roundFactor(v float64) float64 {
	e := math.Pow(10, math.Floor(math.Log10(v)))
	switch m := v / e; {
	case m < 1.5:
		return e
	case m < 3.5:
		return 2 * e
	case m < 7.5:
		return 5 * e
	}
	return 10 * e
}

// scatterPlot shows the residuals about their origin.
func scatterPlot(r *Result) *plot.Plot {
	p := newPlot("Residuals, seen minus predicted", "x, px", "y, px (down)")
	reach := 3.5 * r.RMSPx
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = -reach, reach, -reach, reach
	p.Y.Scale = plot.InvertedScale{Normalizer: plot.LinearScale{}}
	p.X.Padding, p.Y.Padding = 0, 0
	p.Add(plotter.NewGrid(), outline, paint(func(c draw.Canvas, p *plot.Plot) {
		tx, ty := p.Transforms(&c)
		for _, v := range r.Views {
			for _, res := range v.Residuals {
				if !res.Rejected && math.Abs(res.OffPx[0]) < reach && math.Abs(res.OffPx[1]) < reach {
					c.DrawGlyph(draw.GlyphStyle{Color: hue(res.OffPx[0], res.OffPx[1]), Radius: vg.Points(2), Shape: draw.CircleGlyph{}},
						vg.Point{X: tx(res.OffPx[0]), Y: ty(res.OffPx[1])})
				}
			}
		}
		// 95 of 100 normal residuals of this RMS lie within.
		var path vg.Path
		radius := math.Sqrt(-math.Log(0.05)) * r.RMSPx
		for i := range 121 {
			a := 2 * math.Pi * float64(i) / 120
			q := vg.Point{X: tx(radius * math.Cos(a)), Y: ty(radius * math.Sin(a))}
			if i == 0 {
				path.Move(q)
			} else {
				path.Line(q)
			}
		}
		c.SetLineStyle(draw.LineStyle{Color: color.Gray{90}, Width: vg.Points(1)})
		c.Stroke(path)
	}))
	return p
}

// barsPlot shows each photograph's RMS.
func barsPlot(r *Result) *plot.Plot {
	p := newPlot("Residuals by photo; the line is the RMS of all", "", "RMS, px")
	values := make(plotter.Values, len(r.Views))
	names := make([]string, len(r.Views))
	for i, v := range r.Views {
		values[i] = v.RMSPx
		if step := 1 + (len(r.Views)-1)/40; i%step == 0 {
			names[i] = shorten(filepath.Base(v.Name), 14)
		}
	}
	bars, err := plotter.NewBarChart(values, vg.Points(math.Min(30, 420/float64(len(values)))))
	if err != nil { // only for no values or not a number
		return p
	}
	bars.Color = color.NRGBA{90, 130, 180, 255}
	bars.LineStyle.Width = 0
	mean := plotter.NewFunction(func(float64) float64 { return r.RMSPx })
	mean.Color = color.Gray{60}
	p.Add(bars, mean)
	p.NominalX(names...)
	p.X.Tick.Label.Rotation = math.Pi / 2.6
	p.X.Tick.Label.XAlign, p.X.Tick.Label.YAlign = draw.XRight, draw.YCenter
	p.X.Tick.Label.Font.Size = vg.Points(9)
	p.Y.Min = 0
	return p
}

func shorten(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return string(r[:n/2]) + "…" + string(r[len(r)-n/2+1:])
	}
	return s
}

func drawLeftUncertain(r *Result, c draw.Canvas) error {
	f := LeftUncertain(&r.Camera)
	if f == nil {
		return nil
	}
	// It may grow a hundredfold from the middle to an edge where nothing was
	// seen, so colours go by the logarithm, from a tenth to ten times the median.
	low, top := f.Median()/10, f.Median()*10
	if !(low > 0) {
		return nil
	}
	colours := moreland.Kindlmann()
	colours.SetMin(math.Log(low))
	colours.SetMax(math.Log(top))
	p := framePlot("What stays uncertain of the lens (k = 1, colours in px)", &r.Camera)
	p.Add(paint(func(c draw.Canvas, p *plot.Plot) {
		tx, ty := p.Transforms(&c)
		for j := range f.NY {
			for i := range f.NX {
				q := f.Centre(i, j)
				x0, x1 := tx(q[0]-f.CellPx[0]/2), tx(q[0]+f.CellPx[0]/2)
				y0, y1 := ty(q[1]-f.CellPx[1]/2), ty(q[1]+f.CellPx[1]/2)
				fill := color.Color(color.Gray{200}) // no inverse there
				if v := f.At(i, j); !math.IsNaN(v) {
					var err error
					if fill, err = colours.At(math.Log(math.Min(math.Max(v, low), top))); err != nil {
						continue
					}
				}
				// A hair wider, or the paper shines through between cells.
				c.FillPolygon(fill, []vg.Point{{X: x0, Y: y0 + 0.3}, {X: x1 + 0.3, Y: y0 + 0.3}, {X: x1 + 0.3, Y: y1}, {X: x0, Y: y1}})
			}
		}
	}), outline)

	size := c.Size()
	main := fitFrame(draw.Crop(c, 0, -size.X*0.17, 0, 0), r)
	p.Draw(main)
	bar := newPlot("", "", "")
	bar.Title.Text = " "
	bar.Add(&plotter.ColorBar{ColorMap: colours, Vertical: true})
	bar.HideX()
	bar.Y.Tick.Marker = plot.TickerFunc(func(lo, hi float64) (t []plot.Tick) {
		for e := math.Floor(lo / math.Ln10); e <= hi/math.Ln10; e++ {
			for _, m := range []float64{1, 2, 5} {
				if v := m * math.Pow(10, e); math.Log(v) >= lo && math.Log(v) <= hi {
					t = append(t, plot.Tick{Value: math.Log(v), Label: strconv.FormatFloat(v, 'g', 3, 64)})
				}
			}
		}
		return t
	})
	bar.Y.Padding = 0
	x := main.Max.X - c.Min.X + vg.Points(12)
	bar.Draw(draw.Crop(c, x, x+vg.Points(75)-size.X, main.Min.Y-c.Min.Y+vg.Points(16), 0))
	return nil
}
