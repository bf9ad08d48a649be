package lesson

import (
	"context"
	"fmt"
	"math"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// bentData is the bent lesson's part of lesson.json; mm and degrees.
type bentData struct {
	Cases     []Case     `json:"cases"`
	Bows      []boardBow `json:"bows"`
	Board     string     `json:"board"`
	WidthMM   float64    `json:"width_mm"`
	GapMM     float64    `json:"answer_gap_mm"`
	UGapMM    float64    `json:"u_gap_mm"`
	TrueGapMM float64    `json:"true_gap_mm"`
	SlopeDeg  float64    `json:"answer_slope_deg"`
	Times     float64    `json:"answer_times"`
	UToe      float64    `json:"u_toe"`
}

// boardBow is how far a board is bowed, one way, as found and in truth.
type boardBow struct {
	Board string  `json:"board"`
	Way   string  `json:"way"` // x, y or twist
	Found float64 `json:"found_mm"`
	U     float64 `json:"u_mm"`
	True  float64 `json:"true_mm"`
}

// bowSigma is the standard deviation of each component of a board's bow, m: what
// job.yaml expects of boards unless it is told otherwise.
const bowSigma = 0.0003

// edgeSlope is how steeply (deg) a board stands at its left and right edge whose
// middle lies so far behind them: a parabola over its width.
func edgeSlope(gapMM, widthMM float64) float64 { return degrees(math.Atan(4 * gapMM / widthMM)) }

func bent(ctx context.Context, b Bench, c Class) (*Sheet, error) {
	const allowed, flat = "bent-allowed", "bent-told-flat"
	scene, err := fixtures.NewScene("harbour-car", c.Seed, c.Size)
	if err != nil {
		return nil, err
	}
	scene.Shape(0, bowSigma)
	if err := b.Photograph(ctx, allowed, scene); err != nil {
		return nil, err
	}
	believes := told(scene.Job, func(j *rig.Job) { j.Priors.BoardFlatness = 0 })
	if err := b.Retell(flat, allowed, believes, &scene.Camera); err != nil {
		return nil, err
	}
	open, err := measured(ctx, b, allowed)
	if err != nil {
		return nil, err
	}
	shut, err := b.Measure(ctx, flat)
	if err != nil {
		return nil, err
	}

	d := &bentData{Cases: dataOf([]*Measured{shut, open})}
	t := Table{
		Caption: "Boards left out: of all that were seen in photographs. Total toe: u and error of both axles, root mean square, degrees.",
		Columns: []Column{words("job.yaml says"), numbers("chi-square"), numbers("corners off px"), numbers("boards left out"), numbers("total toe, error"), numbers("u")},
	}
	for _, x := range []struct {
		says string
		m    *Measured
	}{{"boards are flat", shut}, {fmt.Sprintf("flat to %s mm", figures(bowSigma*1e3)), open}} {
		if x.m.Refused != "" {
			t.Rows = append(t.Rows, []string{x.says, "refused"})
			continue
		}
		n := x.m.Solution.Network
		toe, u := x.m.spread(align.TotalToe)
		t.Rows = append(t.Rows, []string{x.says, wording.Decimal(n.VarianceFactor, 1), wording.Decimal(n.RMSPx, 4), fmt.Sprintf("%d of %d", len(n.RejectedViews), n.Views+len(n.RejectedViews)), wording.Decimal(toe, 4), wording.Decimal(u, 4)})
	}
	wheels := map[string]rig.Wheel{}
	for _, h := range scene.Job.Hangs {
		wheels[scene.Job.Boards[h.Board].Name] = h.Wheel
	}
	shapes := Table{Caption: "How far the boards on the wheels are bowed, mm: by how much the middles of left and right edge stand before the board's middle, those of top and bottom edge, and how much two opposite corners do. ± is the standard uncertainty.",
		Columns: []Column{words("board on"), numbers("left, right"), numbers("true"), numbers("top, bottom"), numbers("true"), numbers("twist"), numbers("true")}}
	for _, f := range open.Solution.Network.Boards {
		for i := range scene.Job.Boards {
			if scene.Job.Boards[i].Name != f.Board {
				continue
			}
			cells := []string{}
			for k, s := range f.BowMM {
				bow := boardBow{f.Board, s.Name, s.Value, s.U, scene.Truth.Shapes[i].Bow[k] * 1e3}
				d.Bows = append(d.Bows, bow)
				cells = append(cells, wording.Decimal(bow.Found, 3)+" ± "+wording.Decimal(bow.U, 3), wording.Decimal(bow.True, 3))
			}
			if w, ok := wheels[f.Board]; ok {
				shapes.Rows = append(shapes.Rows, append([]string{w.String()}, cells...))
			}
		}
	}
	// The exercise's board: that of a wheel that is bowed most from left to right.
	var pick boardBow
	for _, x := range d.Bows {
		if _, ok := wheels[x.Board]; ok && x.Way == "x" && math.Abs(x.Found) > math.Abs(pick.Found) {
			pick = x
		}
	}
	largest := 0.0
	for _, x := range d.Bows {
		largest = math.Max(largest, math.Abs(x.True))
	}
	board := scene.Job.Boards[0]
	d.Board, d.GapMM, d.UGapMM, d.TrueGapMM = wheels[pick.Board].String(), math.Abs(pick.Found), pick.U, math.Abs(pick.True)
	d.WidthMM = float64(board.Cols) * board.SquareM * 1e3
	d.SlopeDeg = edgeSlope(d.GapMM, d.WidthMM)
	_, d.UToe = open.spread(align.TotalToe)
	d.Times = d.SlopeDeg / d.UToe
	side := "hollow: its edges stand before its middle"
	where := "between the straight edge and the middle"
	if pick.Found < 0 {
		side = "humped: its middle stands before its edges"
		where = "under each end of the straight edge, while it rests on the middle"
	}

	toe, u := open.spread(align.TotalToe)
	said := []string{fmt.Sprintf("Allowed to bend, the boards are found bowed as they truly are, to ± %s mm. Total toe is off by %s degrees where the program says ± %s; chi-square is %s.", figures(typicalU(d.Bows)), wording.Decimal(toe, 4), wording.Decimal(u, 4), wording.Decimal(open.Solution.Network.VarianceFactor, 1))}
	if shut.Refused != "" {
		said = append(said, "Told that they are flat, the program refuses: "+shut.Refused+".")
	} else {
		off, uOff := shut.spread(align.TotalToe)
		n := shut.Solution.Network
		said = append(said, fmt.Sprintf("Told that they are flat, it finds that the corners do not fit: chi-square is %s, and %d boards are left out as wrong. It trusts what remains less, and says that total toe is known to ± %s only; it is off by %s.",
			figures(n.VarianceFactor), len(n.RejectedViews), wording.Decimal(uOff, 4), wording.Decimal(off, 4)))
	}
	said = append(said, "A board that is bent but stiff turns with its wheel like any other, and rolling takes out whatever direction its middle has. What is left is that it looks different from every side. A board that changes its bend, in the wind or with its own weight as the wheel turns, is worse: nothing takes that out.")
	return &Sheet{
		Question: "A printed board has been leaning against the wall and is no longer quite flat. Can it still be used?",
		Guess:    fmt.Sprintf("The boards are bowed by up to %s mm over %s mm of width. By how much is total toe off if nobody knows: a thousandth of a degree, a hundredth, or a tenth?", wording.Decimal(largest, 1), wording.Decimal(d.WidthMM, 0)),
		Done: []string{
			c.photographed(len(scene.Job.Photos), "car with two axles"),
			fmt.Sprintf("Every board is bowed along, across and twisted, each by %s mm as a standard deviation. The same photographs are measured by a job.yaml that insists on flat boards, and by one that allows for boards flat to %s mm only.", figures(bowSigma*1e3), figures(bowSigma*1e3)),
		},
		Tables:  []Table{t, shapes},
		Numbers: said,
		Picture: d.picture(),
		Caption: "Every board, three ways each: as found in the photographs against the truth. On the line both are the same.",
		Bay: []string{
			"Glue prints on stiff plates, keep them lying down or hanging, and hold a straight edge across them now and then.",
			"Leave boards: flatness_mm in job.yaml as it is: it costs nothing if the boards are flat. 'measure' names boards that are badly bowed; the clamp may be what bends them.",
		},
		Exercise: []string{
			fmt.Sprintf("The photographs found the board on %s bowed from left to right by %s ± %s mm. It is %s mm wide.", d.Board, wording.Decimal(math.Abs(pick.Found), 2), wording.Decimal(pick.U, decimals(pick.U)), wording.Decimal(d.WidthMM, 0)),
			"a) A straight edge is laid across it from left to right. Is there a gap, where, and how wide?",
			fmt.Sprintf("b) Its section is a parabola, which stands at its edges at 4 × gap / width. How many degrees is that, and how many times the ± %s degrees that total toe is known to? What does it tell about reading a small piece of a board?", wording.Decimal(d.UToe, 4)),
		},
		Answer: []string{
			fmt.Sprintf("a) The board is %s. The gap is %s mm, %s. True is %s mm.", side, wording.Decimal(d.GapMM, 2), where, wording.Decimal(d.TrueGapMM, 2)),
			fmt.Sprintf("b) 4 × %s / %s = %s, which is %s degrees: %s times as much. Two ends of one board differ in direction by twice that. A piece of a board does not tell its direction; the whole of it, seen from several sides, does.",
				wording.Decimal(d.GapMM, 2), wording.Decimal(d.WidthMM, 0), wording.Decimal(4*d.GapMM/d.WidthMM, 4), wording.Decimal(d.SlopeDeg, 2), figures(d.Times)),
		},
		Folders: []Folder{{allowed, "bent boards, job.yaml allows for it"}, {flat, "the same photographs, job.yaml says flat"}},
		Data:    d,
	}, nil
}

func typicalU(bows []boardBow) float64 {
	sum := 0.0
	for _, b := range bows {
		sum += b.U * b.U
	}
	return math.Sqrt(sum / float64(len(bows)))
}

func (d *bentData) picture() *draw.Picture {
	var dots []draw.Dot
	low, high := 0.0, 0.0
	for _, b := range d.Bows {
		dots = append(dots, draw.Dot{X: b.True, Y: b.Found, U: b.U})
		low, high = math.Min(low, b.True), math.Max(high, b.True)
	}
	return draw.Chart{
		W: 170, H: 66, Title: "Bow of every board", Desc: "Points along a rising line.",
		X: draw.Axis{Name: "true, mm"}, Y: draw.Axis{Name: "found, mm"},
		Lines: []draw.Series{{Name: "boards, with their uncertainties", Dots: dots, Loose: true}, {Name: "found as it is", Dots: []draw.Dot{{X: low, Y: low}, {X: high, Y: high}}, Band: true}},
	}.Picture()
}
