package history

import (
	"fmt"
	"math"
	"time"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/pose/align"
)

// Over is what a trend is drawn over.
type Over string

// The choices.
const (
	OverKM   Over = "km"
	OverDate Over = "date"
)

// MileageRises tells whether every visit tells its mileage and none goes
// backward, so that readings can be drawn over it.
func MileageRises(visits []*Visit) bool {
	last := 0.0
	for _, v := range visits {
		if v.Odometer <= 0 || v.Odometer < last {
			return false
		}
		last = v.Odometer
	}
	return len(visits) > 0
}

const (
	chartWide = 180.0 // mm
	chartHigh = 64.0
)

// TrendCharts draws series of a vehicle, those of one quantity and axle together,
// with their standard uncertainties.
func TrendCharts(vehicle string, series []Series, name func(align.Quantity) string, over Over) (out []*draw.Picture) {
	for len(series) > 0 {
		first := series[0]
		var c []Series
		for len(series) > 0 && series[0].Quantity == first.Quantity && series[0].Axle == first.Axle {
			c, series = append(c, series[0]), series[1:]
		}
		x := draw.Axis{Name: "1000 km"}
		if over == OverDate {
			x.Name = "year"
		}
		unit := first.Unit
		if unit != "mm" {
			unit = "degrees"
		}
		chart := draw.Chart{W: chartWide, H: chartHigh, Title: fmt.Sprintf("%s: axle %d, %s", vehicle, first.Axle, name(first.Quantity)),
			Desc: "every visit's readings in their order, as found and as left, with bars of one standard uncertainty", X: x, Y: draw.Axis{Name: unit}}
		for _, s := range c {
			line := draw.Series{Name: string(s.Side)}
			for _, p := range s.Points {
				at := p.OdometerKM / 1000
				if over == OverDate {
					at = year(p.Date)
				} else if at <= 0 {
					continue
				}
				line.Dots = append(line.Dots, draw.Dot{X: at, Y: p.Value, U: p.U})
			}
			chart.Lines = append(chart.Lines, line)
			if n := len(line.Dots); over == OverDate && n > 0 { // whole years
				first, last := math.Floor(line.Dots[0].X), math.Floor(line.Dots[n-1].X)+1
				if chart.X.Min == 0 || first < chart.X.Min {
					chart.X.Min = first
				}
				chart.X.Max = math.Max(chart.X.Max, last)
			}
		}
		out = append(out, chart.Picture())
	}
	return out
}

// year is a date as a number of years.
func year(date string) float64 {
	t, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return math.NaN()
	}
	begin := time.Date(t.Year(), 1, 1, 0, 0, 0, 0, time.UTC)
	return float64(t.Year()) + t.Sub(begin).Hours()/begin.AddDate(1, 0, 0).Sub(begin).Hours()
}

// Charts draws how the focal length that jobs found differs from the camera's
// file, and how the sums rise that tell whether the file still fits.
func (c *Camera) Charts() []*draw.Picture {
	const percent = 100
	var focal, sum draw.Series
	for i, j := range c.Jobs {
		x := float64(i + 1)
		focal.Dots = append(focal.Dots, draw.Dot{X: x, Y: j.Focal.Difference * percent, U: j.Focal.U * percent})
		sum.Dots = append(sum.Dots, draw.Dot{X: x, Y: j.Chart})
	}
	two := 0.0
	if len(c.Jobs) > 0 {
		two = 2 * c.Jobs[len(c.Jobs)-1].Focal.UFile * percent
	}
	jobs := draw.Axis{Name: "job", Whole: true, Min: 0, Max: math.Max(2, float64(len(c.Jobs)+1))}
	guides := []draw.Guide{{Name: "2 u of the file", At: two}, {At: -two}}
	sums := draw.Axis{Name: "cumulative sum"}
	if len(c.Jobs) > 0 {
		// Long after an alarm the sum says nothing more.
		const most = 4 * cusumAlarm
		if last := c.Jobs[len(c.Jobs)-1].Chart; last > most {
			sums = draw.Axis{Name: fmt.Sprintf("cumulative sum, cut off at %g", most), Max: most}
		}
	}
	limit := []draw.Guide{{Name: "alarm", At: cusumAlarm}}
	if !c.Fits() {
		for _, g := range []*[]draw.Guide{&guides, &limit} {
			*g = append(*g, draw.Guide{Name: "no longer fits", At: float64(c.Alarm + 1), Upright: true})
		}
	}
	return []*draw.Picture{
		draw.Chart{W: chartWide, H: chartHigh, Title: c.Title() + ": focal length", Desc: "what each job found less what the camera file says, with bars of one standard uncertainty",
			X: jobs, Y: draw.Axis{Name: "percent off the file"}, Lines: []draw.Series{focal}, Guides: guides}.Picture(),
		draw.Chart{W: chartWide, H: chartHigh - 14, Title: c.Title() + ": does the file fit?", Desc: "the largest of the cumulative sums of surprises after each job, with the limit of an alarm",
			X: jobs, Y: sums, Lines: []draw.Series{sum}, Guides: limit}.Picture(),
	}
}

// Title names a camera and its file.
func (c *Camera) Title() string {
	name := c.Name
	if name == "" {
		name = "unnamed camera"
	}
	if !c.Calibrated.IsZero() {
		name += ", calibrated " + dateOf(c.Calibrated)
	} else if len(c.SHA256) >= 8 {
		name += ", file " + c.SHA256[:8]
	}
	return name
}

// Stack puts pictures below one another, on as many pages of this height as they
// need; 0: on one strip. title is that of all.
func Stack(title string, pictures []*draw.Picture, page float64) (out []*draw.Picture) {
	const gap = 6.0
	for _, p := range pictures {
		last := len(out) - 1
		if last < 0 || page > 0 && out[last].H+gap+p.H > page {
			out = append(out, &draw.Picture{W: p.W, H: p.H, Title: title, Desc: "charts below one another"})
			out[last+1].Place(p, 0, 0)
			continue
		}
		out[last].Place(p, 0, out[last].H+gap)
		out[last].H += gap + p.H
	}
	return out
}
