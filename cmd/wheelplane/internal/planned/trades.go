package planned

import (
	"fmt"
	"math"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/pose/plan"
)

// Trades are what other ways would give, in plan.json: see [plan.Study].
type Trades struct {
	Photos       []TradePoint `json:"photos"`
	PhotosBody   []TradePoint `json:"photos_with_body_boards"`
	Turn         []TradePoint `json:"turn_deg"`
	Stations     []TradePoint `json:"stations"`
	StationsBody []TradePoint `json:"stations_with_body_boards"`
	Floor        []TradePoint `json:"floor_boards"`
}

// TradePoint is what one way would give. Uncertainties are the largest of their
// kind, degrees.
type TradePoint struct {
	X      float64 `json:"x"`
	RollMM float64 `json:"roll_mm,omitempty"`
	Photos int     `json:"photos"`
	Worst  float64 `json:"worst_u_deg"`
	Camber float64 `json:"camber_u_deg,omitempty"`
	Toe    float64 `json:"toe_u_deg,omitempty"`
	Course float64 `json:"thrust_and_scrub_u_deg,omitempty"`
}

// Weigh adds a study's trades to a plan's file.
func (f *File) Weigh(c *plan.Choice, s *plan.Study) {
	points := func(list []plan.Point) []TradePoint {
		out := []TradePoint{}
		for _, p := range list {
			out = append(out, TradePoint{X: p.X, Photos: p.Photos, Worst: p.Worst / degree, Camber: p.Camber / degree, Toe: p.Toe / degree, Course: p.Course / degree})
		}
		return out
	}
	f.Trades = &Trades{points(s.Photos), points(s.PhotosBody), points(s.Turn), points(s.Stations), points(s.StationsBody), points(s.Floor)}
	for i := range f.Trades.Turn {
		t := &f.Trades.Turn[i]
		rolled, _ := plan.Rolls(c.Job, t.X)
		for _, r := range rolled {
			if r > 0 {
				t.RollMM = mm(r)
				break
			}
		}
		t.X = round(t.X/degree, 4)
	}
}

// dots are points of a kind of uncertainty.
func dots(list []TradePoint, u func(TradePoint) float64) (out []draw.Dot) {
	for _, p := range list {
		if y := u(p); y > 0 && !math.IsInf(y, 0) {
			out = append(out, draw.Dot{X: p.X, Y: y})
		}
	}
	return out
}

func worstOf(p TradePoint) float64  { return p.Worst }
func camberOf(p TradePoint) float64 { return p.Camber }
func toeOf(p TradePoint) float64    { return p.Toe }
func courseOf(p TradePoint) float64 { return p.Course }

// trades is the page of what was weighed; nothing where nothing was.
func (b *booklet) trades() []*draw.Picture {
	t := b.f.Trades
	if t == nil {
		return nil
	}
	p, y := b.page("What else would do", "Each point is planned or foreseen by the same calculation; other things as in this plan. Standard uncertainties, degrees; the scales are logarithmic.")
	width := (right - left - 8) / 2
	const each = 100.0
	x := left
	put := func(c draw.Chart, below string) {
		c.W, c.H, c.Points = width, each-18, 8.5
		p.Place(c.Picture(), x, y+3)
		note := &cursor{p, x, y + 3 + c.H + 1, width}
		note.text(below, 9, false)
		if x > left {
			x, y = left, y+each+4
		} else {
			x = left + width + 8
		}
	}
	u := draw.Axis{Log: true, Name: "largest u, degrees"}
	wanted := []draw.Guide{{Name: "wanted", At: b.f.WantedU}}
	body := "with boards on the body"
	put(draw.Chart{Title: "Photographs", X: draw.Axis{Name: "photographs", Whole: true}, Y: u, Guides: wanted,
		Lines: []draw.Series{{Name: "all", Dots: dots(t.Photos, worstOf)}, {Name: "thrust, scrub", Dots: dots(t.Photos, courseOf)}, {Name: "thrust, scrub " + body, Dots: dots(t.PhotosBody, courseOf)}}},
		fmt.Sprintf("Added one by one, the most useful first, beginning with those that tie all boards together. The plan has %d.", len(b.f.Shots)))
	if len(t.Turn) > 1 {
		put(draw.Chart{Title: "Roll", X: draw.Axis{Name: "turn of the wheels between stations, degrees", Log: true}, Y: u,
			Lines: []draw.Series{{Name: "camber", Dots: dots(t.Turn, camberOf)}, {Name: "toe", Dots: dots(t.Turn, toeOf)}, {Name: "thrust, scrub", Dots: dots(t.Turn, courseOf)}}},
			fmt.Sprintf("The plan's photographs, had the vehicle rolled otherwise: 30 degrees are %.0f mm here.", rollOf(t.Turn, 30)))
	}
	if len(t.Stations) > 1 {
		put(draw.Chart{Title: "Stations", X: draw.Axis{Name: "stations rolled to", Whole: true, Min: 0.5, Max: 5.5}, Y: u, Guides: wanted,
			Lines: []draw.Series{{Name: "this job", Dots: dots(t.Stations, worstOf)}, {Name: body, Dots: dots(t.StationsBody, worstOf)}}},
			"Photographs: "+photosOf(t.Stations)+"; "+body+": "+photosOf(t.StationsBody)+".")
	}
	if len(t.Floor) > 1 {
		put(draw.Chart{Title: "Floor boards", X: draw.Axis{Name: "boards on the floor, along both sides", Whole: true}, Y: u, Guides: wanted,
			Lines: []draw.Series{{Name: "camber", Dots: dots(t.Floor, camberOf)}, {Name: "toe", Dots: dots(t.Floor, toeOf)}}},
			"Photographs: "+photosOf(t.Floor)+".")
	}
	return []*draw.Picture{p}
}

// rollOf is how far the vehicle rolls for a turn of so many degrees, mm.
func rollOf(list []TradePoint, deg float64) float64 {
	for _, p := range list {
		if p.X == deg {
			return p.RollMM
		}
	}
	return list[0].RollMM / list[0].X * deg
}

// photosOf tells the photographs of each point: 2: 11, 3: 17.
func photosOf(list []TradePoint) string {
	s := ""
	for i, p := range list {
		if i > 0 {
			s += ", "
		}
		s += fmt.Sprintf("%.0f: %d", p.X, p.Photos)
	}
	return s
}
