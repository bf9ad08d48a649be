package lesson

import (
	"context"
	"fmt"
	"math"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/fixtures"
	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// runoutData is the runout lesson's part of lesson.json; degrees.
type runoutData struct {
	Cases        []Case      `json:"cases"`
	RMSOne       float64     `json:"rms_error_one_station"`
	RMSThree     float64     `json:"rms_error_three_stations"`
	Wheel        string      `json:"wheel"`
	Directions   []direction `json:"directions"`
	Toe          float64     `json:"toe"`
	U            float64     `json:"u"`
	TrueToe      float64     `json:"true_toe"`
	HalfTurn     float64     `json:"answer_half_turn"`
	TrueHalfTurn float64     `json:"true_half_turn"`
	Mean         float64     `json:"answer_mean"`
}

// direction is where a clamped board points, read as if it were the wheel.
type direction struct {
	TurnedDeg float64 `json:"turned_deg"`
	Toe       float64 `json:"toe"`
}

// toeOf is the toe (rad) of a wheel whose outboard axis is n in the body: the
// definition of README.md.
func toeOf(n pose.Vec) float64 { return math.Atan2(n[0], math.Abs(n[1])) }

// boardToe is the toe that a clamped board itself shows once its wheel has turned
// by an angle since the first station; all rad.
func boardToe(s *rig.State, axis, hang int, turned float64) float64 {
	normal := s.BodyFromHub[axis].R.Apply(pose.RotY(turned).Apply(s.HubFromBoard[hang].R.Column(2)))
	return toeOf(normal)
}

func runout(ctx context.Context, b Bench, c Class) (*Sheet, error) {
	const three, one = "three-stations", "one-station"
	scene, err := fixtures.NewScene("yard-truck", c.Seed, c.Size)
	if err != nil {
		return nil, err
	}
	if err := b.Photograph(ctx, three, scene); err != nil {
		return nil, err
	}
	first := choose(scene.Job, all, 0)
	if err := b.Retell(one, three, first, &scene.Camera); err != nil {
		return nil, err
	}
	rolled, err := measured(ctx, b, three)
	if err != nil {
		return nil, err
	}
	stood, err := measured(ctx, b, one)
	if err != nil {
		return nil, err
	}

	d := &runoutData{Cases: dataOf([]*Measured{stood, rolled})}
	d.RMSOne, _ = stood.spread(align.Toe)
	d.RMSThree, _ = rolled.spread(align.Toe)
	_, uOne := stood.spread(align.Toe)
	_, uThree := rolled.spread(align.Toe)

	t := Table{Caption: "Toe, degrees. " + uText, Columns: []Column{words("wheel"), numbers("board askew"), numbers("true toe"), numbers("one station"), numbers("error"), numbers("three stations"), numbers("error")}}
	worst, askew := 0, 0.0
	for h, hang := range scene.Job.Hangs {
		w := hang.Wheel
		a, truth, err := stood.find(align.Toe, w.Axle, w.Side)
		if err != nil {
			return nil, err
		}
		z, _, err := rolled.find(align.Toe, w.Axle, w.Side)
		if err != nil {
			return nil, err
		}
		r, _, err := rolled.find(align.Runout, w.Axle, w.Side)
		if err != nil {
			return nil, err
		}
		// The wheel to look at: the one whose board misleads most.
		if e := math.Abs(a.Value - truth.Value); e > askew {
			worst, askew = h, e
		}
		t.Rows = append(t.Rows, []string{w.String(), wording.Decimal(r.Value, 2), wording.Decimal(truth.Value, 3), pm(a.Value, a.U), signed(a.Value-truth.Value, 2), pm(z.Value, z.U), signed(z.Value-truth.Value, decimals(z.U))})
	}

	picture, err := d.look(rolled, scene, worst)
	if err != nil {
		return nil, err
	}
	wheel := scene.Job.Hangs[worst].Wheel
	d.Wheel = wheel.String()
	at := d.Directions
	s := &Sheet{
		Question: "A board is clamped to a wheel, never quite parallel to it. Why not simply read the board?",
		Guess:    "A clamp holds a board askew by a degree or so. How far off is the toe of a wheel that is read from its board in one station, without rolling? And after rolling to two more stations?",
		Done: []string{
			c.photographed(len(scene.Job.Photos), "three-axle yard truck"),
			fmt.Sprintf("It stood at three stations and was rolled between them, so that its wheels turned by %s and then by %s degrees. The same photographs are measured twice: those of station 1 alone, and all of them.", wording.Decimal(at[1].TurnedDeg, 1), wording.Decimal(at[2].TurnedDeg-at[1].TurnedDeg, 1)),
		},
		Tables: []Table{t},
		Numbers: []string{
			fmt.Sprintf("Read from one station, toe is off by %s degrees (root mean square of the %d wheels): as much as the boards are askew. The program knows that: it says ± %s.", figures(d.RMSOne), len(t.Rows), figures(uOne)),
			fmt.Sprintf("From three stations it is off by %s degrees, %s times less, with the same boards in the same crooked clamps, and the program says ± %s.", figures(d.RMSThree), figures(d.RMSOne/d.RMSThree), figures(uThree)),
			"The picture shows why. While the wheel turns, a board that is askew wobbles: its direction goes up and down around that of the spin axle, which stands still. The middle of the wobble is the toe. One station is one point on the curve, and nobody can tell where its middle is; a second and a third show it.",
		},
		Picture: picture,
		Caption: fmt.Sprintf("The board on %s: where it points by itself, while its wheel turns. Points: as measured at the three stations. Curve: the wobble they lie on. Line: its middle, the wheel's toe.", wheel),
		Bay: []string{
			"Always roll, and photograph again. Nobody needs to clamp a board straight for it; it must only sit tight. A board that slips in its clamp between stations spoils just what rolling is for.",
			"Two stations give an answer, a third makes it better and shows mistakes. If there is no room to roll, lift the wheel and spin it (see the README, other ways of working).",
		},
		Exercise: []string{
			fmt.Sprintf("At station 1 the board on %s pointed %s degrees, read as if it were the wheel; measured from all stations the wheel's toe is %s degrees.", wheel, wording.Decimal(at[0].Toe, 3), wording.Decimal(d.Toe, 3)),
			"a) Half a turn of the wheel later, where does the board point? Use that the wobble lies evenly on both sides of its middle.",
			"b) Before there were computers, people read a wheel twice, half a turn apart, and took the mean. What do they get here, and does it matter how crooked the clamp is?",
		},
		Answer: []string{
			fmt.Sprintf("a) At station 1 the board is %s − %s = %s degrees beside the middle. Half a turn later it is as far on the other side: %s − %s = %s degrees. (By the geometry of the invented truck it is %s.)",
				wording.Decimal(at[0].Toe, 3), bracket(d.Toe), wording.Decimal(at[0].Toe-d.Toe, 3), wording.Decimal(d.Toe, 3), bracket(at[0].Toe-d.Toe), wording.Decimal(d.HalfTurn, 3), wording.Decimal(d.TrueHalfTurn, 3)),
			fmt.Sprintf("b) (%s + %s) / 2 = %s degrees: the wheel's toe. (True is %s.) However crooked the clamp, both halves of the wobble cancel, as long as the board sits tight and the wheel turns by exactly half a turn. Rolling by any known angle does the same by calculation.",
				wording.Decimal(at[0].Toe, 3), bracket(d.HalfTurn), wording.Decimal(d.Mean, 3), wording.Decimal(d.TrueToe, 3)),
		},
		Folders: []Folder{{three, "all three stations"}, {one, "station 1 of the same photographs"}},
		Data:    d,
	}
	return s, nil
}

// bracket is a number to a thousandth, in brackets where it is below 0.
func bracket(v float64) string {
	if s := wording.Decimal(v, 3); s[0] != '-' {
		return s
	}
	return "(" + wording.Decimal(v, 3) + ")"
}

// look works out where a hang's board points while its wheel turns, and draws it.
func (d *runoutData) look(m *Measured, scene *fixtures.Scene, hang int) (*draw.Picture, error) {
	s, wheel := m.Solution.State, scene.Job.Hangs[hang].Wheel
	toe, truth, err := m.find(align.Toe, wheel.Axle, wheel.Side)
	if err != nil {
		return nil, err
	}
	axis := func(j *rig.Job) int {
		cast := j.Cast()
		for w, x := range cast.Wheels {
			if x == wheel {
				return cast.AxisAt[w][0]
			}
		}
		return -1
	}
	of := axis(m.Job)
	for _, spin := range s.Spin[hang] {
		d.Directions = append(d.Directions, direction{math.Abs(degrees(spin)), degrees(boardToe(s, of, hang, spin))})
	}
	way := wheel.Side.Outboard() // forward turns a wheel about the left
	d.Toe, d.U, d.TrueToe = toe.Value, toe.U, truth.Value
	d.HalfTurn = 2*d.Toe - d.Directions[0].Toe
	d.Mean = (d.Directions[0].Toe + d.HalfTurn) / 2
	d.TrueHalfTurn = degrees(boardToe(scene.Truth, axis(scene.Job), hang, math.Pi))

	var curve, points []draw.Dot
	for deg := 0; deg <= 360; deg += 5 {
		curve = append(curve, draw.Dot{X: float64(deg), Y: degrees(boardToe(s, of, hang, way*radians(float64(deg))))})
	}
	for _, p := range d.Directions {
		points = append(points, draw.Dot{X: p.TurnedDeg, Y: p.Toe})
	}
	return draw.Chart{
		W: 170, H: 75, Title: "The board's own direction while the wheel turns",
		Desc: fmt.Sprintf("A wave around %s degrees, through the points of three stations.", wording.Decimal(d.Toe, 3)),
		X:    draw.Axis{Name: "wheel turned since station 1, degrees", Max: 360}, Y: draw.Axis{Name: "direction as toe, degrees"},
		Lines:  []draw.Series{{Name: "board at the stations", Dots: points, Loose: true}, {Name: "board through a whole turn", Dots: curve, Band: true}},
		Guides: []draw.Guide{{Name: "toe of the wheel", At: d.Toe}},
	}.Picture(), nil
}
