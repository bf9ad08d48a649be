package lesson

import (
	"context"
	"fmt"
	"math"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/fixtures"
	"wheelplane/pose/align"
)

// rollData is the roll lesson's part of lesson.json; degrees and mm.
type rollData struct {
	Cases    []Case  `json:"cases"`
	Rolls    []aRoll `json:"rolls"` // pairs of stations, by how far the wheels turned
	Radius   float64 `json:"rolling_radius"`
	Foreseen float64 `json:"answer_u_foreseen"` // of the longest roll, from the shortest
	Wanted   float64 `json:"wanted_u"`
	TurnDeg  float64 `json:"answer_turn_deg"`
	WayMM    float64 `json:"answer_way_mm"`
}

// aRoll is what a roll gives: total toe of the front axle.
type aRoll struct {
	Station string  `json:"station"`
	WayMM   float64 `json:"way_mm"`
	TurnDeg float64 `json:"turn_deg"`
	U       float64 `json:"u"`
	Error   float64 `json:"error"`
}

// rollTurns are how far the wheels turn from station to station, degrees.
var rollTurns = []float64{6, 9, 20, 45}

// foreseen is the uncertainty of what a pair of stations compensates, from that
// of another pair: two points of a circle, turned about its middle by φ, lie
// 2 sin(φ/2) radii apart, and an error of either moves the middle by that much
// less or more.
func foreseen(u, turnDeg, otherDeg float64) float64 {
	return u * math.Sin(radians(turnDeg)/2) / math.Sin(radians(otherDeg)/2)
}

func roll(ctx context.Context, b Bench, c Class) (*Sheet, error) {
	var turns []float64
	for _, t := range rollTurns {
		turns = append(turns, radians(t))
	}
	scene, err := fixtures.NewRolled("harbour-car", c.Seed, c.Size, turns...)
	if err != nil {
		return nil, err
	}
	const whole = "all-stations"
	if err := b.Photograph(ctx, whole, scene); err != nil {
		return nil, err
	}
	d := &rollData{}
	var list []*Measured
	folders := []Folder{{whole, "all stations together"}}
	t := Table{
		Caption: "Total toe of the front axle, degrees. " + uText,
		Columns: []Column{words("stations"), numbers("rolled mm"), numbers("wheels turned deg"), numbers("true"), numbers("measured"), numbers("error")},
	}
	row := func(what string, m *Measured) (aRoll, error) {
		got, truth, err := m.find(align.TotalToe, 1, align.NoSide)
		if err != nil {
			return aRoll{}, err
		}
		stop := m.Solution.Network.Stations[len(m.Solution.Network.Stations)-1]
		t.Rows = append(t.Rows, []string{what, wording.Decimal(stop.RolledMM, 0), wording.Decimal(stop.TurnDeg, 1), wording.Decimal(truth.Value, 4), pm(got.Value, got.U), signed(got.Value-truth.Value, 4)})
		return aRoll{stop.Name, stop.RolledMM, stop.TurnDeg, got.U, got.Value - truth.Value}, nil
	}
	for st := 1; st < len(scene.Job.Stations); st++ {
		name := scene.Job.Stations[st].Name
		folder := "stations-1-and-" + name
		if err := b.Retell(folder, whole, choose(scene.Job, all, 0, st), &scene.Camera); err != nil {
			return nil, err
		}
		m, err := measured(ctx, b, folder)
		if err != nil {
			return nil, err
		}
		r, err := row("1 and "+name, m)
		if err != nil {
			return nil, err
		}
		d.Rolls = append(d.Rolls, r)
		list = append(list, m)
		folders = append(folders, Folder{folder, fmt.Sprintf("two of them, %s mm apart", wording.Decimal(r.WayMM, 0))})
	}
	m, err := measured(ctx, b, whole)
	if err != nil {
		return nil, err
	}
	if _, err := row(fmt.Sprintf("all %d", len(scene.Job.Stations)), m); err != nil {
		return nil, err
	}
	d.Cases = dataOf(append(list, m))
	r, _, err := m.find(align.RollingRadius, 1, align.Left)
	if err != nil {
		return nil, err
	}
	d.Radius = r.Value
	first, last := d.Rolls[0], d.Rolls[len(d.Rolls)-1]
	d.Foreseen = foreseen(first.U, first.TurnDeg, last.TurnDeg)
	// Asked for: a round number between the second and the third roll.
	d.Wanted = rounded(math.Sqrt(d.Rolls[1].U * d.Rolls[2].U))
	d.TurnDeg = degrees(2 * math.Asin(first.U*math.Sin(radians(first.TurnDeg)/2)/d.Wanted))
	d.WayMM = d.Radius * radians(d.TurnDeg)

	uDigits := decimals(last.U)
	sin := func(deg float64) string { return wording.Decimal(math.Sin(radians(deg)/2), 3) }
	return &Sheet{
		Question: "Rolling shows where the spin axle points, however the board is clamped. How far should one roll?",
		Guess:    fmt.Sprintf("The wheels turn by %s degrees between two stations, or by %s. How many times better is toe known after the longer roll: a tenth better, twice, or more?", wording.Decimal(first.TurnDeg, 0), wording.Decimal(last.TurnDeg, 0)),
		Done: []string{
			c.photographed(len(scene.Job.Photos), "car with two axles"),
			fmt.Sprintf("It was rolled on and on to %d stations. Then pairs of stations are measured, always the first and a later one, as if there had been no others. Each pair has the same number of photographs, from about the same places.", len(scene.Job.Stations)),
		},
		Tables: []Table{t},
		Numbers: []string{
			fmt.Sprintf("A roll of %s mm turns these wheels by %s degrees and leaves u = %s degrees. A roll of %s mm, %s degrees, leaves %s: %s times less, from as many photographs.",
				wording.Decimal(first.WayMM, 0), wording.Decimal(first.TurnDeg, 1), wording.Decimal(first.U, decimals(first.U)), wording.Decimal(last.WayMM, 0), wording.Decimal(last.TurnDeg, 1), wording.Decimal(last.U, uDigits), figures(first.U/last.U)),
			"The reason is the circle that the board's direction runs on while the wheel turns. Two points of it show its middle. If they lie close together, a small error of either throws the middle far; if they lie far apart, it hardly moves. The distance of two points of a circle goes as the sine of half the turn, and the uncertainty as one over it: the curve in the picture.",
			"Small turns: half the roll, twice the uncertainty. Near half a turn there is little left to win.",
		},
		Picture: d.picture(),
		Caption: "Uncertainty of the front axle's total toe against the turn of the wheels between two stations. Points: measured. Curve: the rule one over sine of half the turn, drawn through the first point alone. Both scales are logarithmic: equal steps are equal factors.",
		Bay: []string{
			"Roll as far as the room allows: 30 degrees of wheel turn are a good habit, more is better. 'wheelplane roll DIR' says how far that is for a vehicle.",
			"If there is room for one short roll only, more photographs help little: each must be four times as many to halve the uncertainty, and a roll twice as long does the same.",
			"A third station between or beyond costs some minutes and helps the direction of whole axles most of all.",
		},
		Exercise: []string{
			fmt.Sprintf("a) From the first line of the table (%s degrees, u = %s) foretell u for a turn of %s degrees, by the rule that u times the sine of half the turn stays the same. Compare with the table.", wording.Decimal(first.TurnDeg, 1), wording.Decimal(first.U, 4), wording.Decimal(last.TurnDeg, 1)),
			fmt.Sprintf("b) A customer wants u = %s degrees from two stations. By how many degrees must the wheels turn, and how far is that on the ground? The wheels roll with a radius of %s mm.", figures(d.Wanted), wording.Decimal(d.Radius, 0)),
		},
		Answer: []string{
			fmt.Sprintf("a) %s × sin(%s°) / sin(%s°) = %s × %s / %s = %s degrees. Measured: %s.", wording.Decimal(first.U, 4), wording.Decimal(first.TurnDeg/2, 2), wording.Decimal(last.TurnDeg/2, 2), wording.Decimal(first.U, 4), sin(first.TurnDeg), sin(last.TurnDeg), wording.Decimal(d.Foreseen, 4), wording.Decimal(last.U, 4)),
			fmt.Sprintf("b) sin(turn / 2) = %s × %s / %s = %s, so the turn is 2 × %s = %s degrees. On the ground: radius times turn in radians, %s × %s × π / 180 = %s mm.",
				wording.Decimal(first.U, 4), sin(first.TurnDeg), figures(d.Wanted), wording.Decimal(math.Sin(radians(d.TurnDeg)/2), 3), wording.Decimal(d.TurnDeg/2, 1), wording.Decimal(d.TurnDeg, 1), wording.Decimal(d.Radius, 0), wording.Decimal(d.TurnDeg, 1), wording.Decimal(d.WayMM, 0)),
		},
		Folders: folders,
		Data:    d,
	}, nil
}

// rounded is a number to one significant figure.
func rounded(v float64) float64 {
	ten := math.Pow(10, math.Floor(math.Log10(v)))
	return math.Round(v/ten) * ten
}

func (d *rollData) picture() *draw.Picture {
	first := d.Rolls[0]
	var points, curve []draw.Dot
	for _, r := range d.Rolls {
		points = append(points, draw.Dot{X: r.TurnDeg, Y: r.U})
	}
	for deg := 5.0; deg <= 100; deg *= 1.05 {
		curve = append(curve, draw.Dot{X: deg, Y: foreseen(first.U, first.TurnDeg, deg)})
	}
	return draw.Chart{
		W: 170, H: 75, Title: "How far to roll", Desc: "Points that fall along a curve, from upper left to lower right.",
		X: draw.Axis{Name: "wheels turned between the stations, degrees", Log: true}, Y: draw.Axis{Name: "u of total toe, degrees", Log: true},
		Lines:  []draw.Series{{Name: "measured", Dots: points, Loose: true}, {Name: "one over sine of half the turn", Dots: curve, Band: true}},
		Guides: []draw.Guide{{Name: "wanted in the exercise", At: d.Wanted}},
	}.Picture()
}
