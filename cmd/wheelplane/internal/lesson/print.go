package lesson

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// printData is the print lesson's part of lesson.json; mm and shares.
type printData struct {
	Cases     []Case  `json:"cases"`
	Shrunk    float64 `json:"true_scale_fit_to_page"`
	Stretched float64 `json:"true_stretch_one_way"`
	RulerMM   float64 `json:"ruler_mm"`    // what a steel rule reads over the board
	DesignMM  float64 `json:"designed_mm"` // and what it should
	Scale     float64 `json:"answer_scale"`
	Read      float64 `json:"wheelbase_read"`
	Wheelbase float64 `json:"answer_wheelbase"`
	True      float64 `json:"true_wheelbase"`
}

func printScale(ctx context.Context, b Bench, c Class) (*Sheet, error) {
	d := &printData{}
	r := rand.New(rand.NewPCG(c.Seed, 0x7072696e74))
	d.Shrunk = 0.955 + 0.001*math.Floor(26*r.Float64())
	d.Stretched = 0.004 + 0.001*math.Floor(4*r.Float64())

	const page, ruled, oneWay, asked = "fit-to-page", "fit-to-page-ruled", "one-way", "one-way-asked"
	small, err := fixtures.NewScene("harbour-car", c.Seed, c.Size)
	if err != nil {
		return nil, err
	}
	for i := range small.Truth.PrintScale {
		small.Truth.PrintScale[i] *= d.Shrunk
	}
	board := small.Job.Boards[0]
	d.DesignMM = float64(board.Cols) * board.SquareM * 1e3
	d.RulerMM = math.Round(2*d.DesignMM*small.Truth.PrintScale[0]) / 2 // a rule is read to half a millimetre
	d.Scale = d.RulerMM / d.DesignMM

	wide, err := fixtures.NewScene("harbour-car", c.Seed, c.Size)
	if err != nil {
		return nil, err
	}
	wide.Truth.PrintScale[0] += d.Stretched
	for _, f := range []struct {
		name  string
		scene *fixtures.Scene
	}{{page, small}, {oneWay, wide}} {
		// The job insists on what nobody measured: good to four thousandths of a
		// millimetre in a board's width.
		f.scene.Job.Priors.PrintScale = 0.00001
		if err := b.Photograph(ctx, f.name, f.scene); err != nil {
			return nil, err
		}
	}
	withRule := told(small.Job, func(j *rig.Job) {
		j.Priors.PrintScale = 0.0008 // half a millimetre in 385, a hand's rest
		for i := range j.Boards {
			j.Boards[i].ScaleX, j.Boards[i].ScaleY = d.Scale, d.Scale
		}
	})
	honest := told(wide.Job, func(j *rig.Job) { j.Priors.PrintScale = rig.DefaultPriors().PrintScale })
	if err := b.Retell(ruled, page, withRule, &small.Camera); err != nil {
		return nil, err
	}
	if err := b.Retell(asked, oneWay, honest, &wide.Camera); err != nil {
		return nil, err
	}

	t := Table{
		Caption: "Errors: measured less true. Total toe: u and error of both axles, root mean square, degrees. Chi-square is near 1 where everything fits as well as it should.",
		Columns: []Column{words("boards"), words("job.yaml says"), numbers("wheelbase, error mm"), numbers("u mm"), numbers("total toe, error deg"), numbers("u deg"), numbers("chi-square")},
	}
	var list []*Measured
	var lines []draw.Series
	for _, x := range []struct{ folder, boards, says string }{
		{page, fmt.Sprintf("%s %% both ways", wording.Decimal(100*d.Shrunk, 1)), "printed to scale"},
		{ruled, fmt.Sprintf("%s %% both ways", wording.Decimal(100*d.Shrunk, 1)), fmt.Sprintf("scale %s, by rule", wording.Decimal(d.Scale, 4))},
		{oneWay, fmt.Sprintf("%s %% one way", wording.Decimal(100*(1+d.Stretched), 1)), "printed to scale"},
		{asked, fmt.Sprintf("%s %% one way", wording.Decimal(100*(1+d.Stretched), 1)), "nobody measured it"},
	} {
		m, err := measured(ctx, b, x.folder)
		if err != nil {
			return nil, err
		}
		list = append(list, m)
		base, trueBase, err := m.find(align.Wheelbase, 2, align.NoSide)
		if err != nil {
			return nil, err
		}
		track, trueTrack, err := m.find(align.Track, 1, align.NoSide)
		if err != nil {
			return nil, err
		}
		radius, trueRadius, err := m.find(align.RollingRadius, 1, align.Left)
		if err != nil {
			return nil, err
		}
		toe, u := m.spread(align.TotalToe)
		t.Rows = append(t.Rows, []string{x.boards, x.says, signed(base.Value-trueBase.Value, 1), figures(base.U), wording.Decimal(toe, 4), wording.Decimal(u, 4), wording.Decimal(m.Solution.Network.VarianceFactor, 2)})
		if x.folder == page || x.folder == ruled {
			l := draw.Series{Name: "told that the print is to scale", Dots: []draw.Dot{{}}}
			if x.folder == ruled {
				l.Name = "told what the rule says"
			}
			// Track is what lies between two boards less the clamps on both sides.
			trueTrack.Value += 2e3 * small.Job.Priors.Standoff
			track.Value += 2e3 * small.Job.Priors.Standoff
			for _, p := range [][2]rig.Reading{{radius, trueRadius}, {track, trueTrack}, {base, trueBase}} {
				l.Dots = append(l.Dots, draw.Dot{X: p[1].Value, Y: p[0].Value - p[1].Value})
			}
			lines = append(lines, l)
		}
	}
	d.Cases = dataOf(list)
	base, trueBase, _ := list[0].find(align.Wheelbase, 2, align.NoSide)
	d.Read, d.Wheelbase, d.True = base.Value, base.Value*d.Scale, trueBase.Value
	toe0, _ := list[0].spread(align.TotalToe)
	toe1, u1 := list[1].spread(align.TotalToe)
	toe2, u2 := list[2].spread(align.TotalToe)
	toe3, u3 := list[3].spread(align.TotalToe)
	scale := list[3].Solution.Network.PrintScale
	baseAsked, _, _ := list[3].find(align.Wheelbase, 2, align.NoSide)

	return &Sheet{
		Question: "The boards are the only yardstick in the photographs. What if they are not as large as job.yaml says?",
		Guess:    fmt.Sprintf("A printer was left at 'fit to page' and made all boards %s %% small. Which readings are then wrong: camber, toe, track, wheelbase? Will the photographs show it?", wording.Decimal(100*(1-d.Shrunk), 1)),
		Done: []string{
			c.photographed(len(small.Job.Photos)+len(wide.Job.Photos), "car with two axles"),
			fmt.Sprintf("First with boards printed at %s %% in both directions. They are measured twice: by a job.yaml that believes them to be to scale, and by one that says what a steel rule showed.", wording.Decimal(100*d.Shrunk, 1)),
			fmt.Sprintf("Then with boards that the printer stretched by %s %% in one direction only, as paper feeds do. They are measured by a job.yaml that insists that they are to scale, and by one that says that nobody measured them, as job.yaml has it without print_scale.", wording.Decimal(100*d.Stretched, 1)),
		},
		Tables: []Table{t},
		Numbers: []string{
			fmt.Sprintf("Boards %s %% small make everything look as much too large: the wheelbase by %s mm. Total toe is off by %s degrees with the wrong scale and by %s with the right one (u is %s): angles have no size. Chi-square is %s: a small board near by and a large one farther away look the same, so the photographs can hardly show it.",
				wording.Decimal(100*(1-d.Shrunk), 1), wording.Decimal(base.Value-trueBase.Value, 0), wording.Decimal(toe0, 4), wording.Decimal(toe1, 4), wording.Decimal(u1, 4), wording.Decimal(list[0].Solution.Network.VarianceFactor, 2)),
			fmt.Sprintf("Stretched one way is another matter. A square that is an oblong looks tilted, and differently from every side: the photographs contradict each other and chi-square rises to %s. Total toe is off by %s degrees; with a job.yaml that leaves the print open, by %s (u is %s).",
				wording.Decimal(list[2].Solution.Network.VarianceFactor, 1), wording.Decimal(toe2, 4), wording.Decimal(toe3, 4), wording.Decimal(u3, 4)),
			fmt.Sprintf("Told that nobody measured the print, the program finds %s for width over height by itself (true: %s), and allows for it. It cannot find how large the boards are altogether, and says so: its wheelbase is known to ± %s mm only.",
				wording.Decimal(scale[0].Value/scale[1].Value, 5), wording.Decimal(wide.Truth.PrintScale[0]/wide.Truth.PrintScale[1], 5), figures(baseAsked.U)),
		},
		Picture: draw.Chart{
			W: 170, H: 70, Title: "Lengths, from boards printed small in both directions", Desc: "The error of a length grows in proportion to it.",
			X: draw.Axis{Name: "true length, mm: rolling radius, between the boards of axle 1, wheelbase"}, Y: draw.Axis{Name: "error, mm"}, Lines: lines,
		}.Picture(),
		Caption: "The longer the length, the larger its error, in proportion: that is what a wrong scale looks like. Track is what lies between the boards less two clamps, which are known.",
		Bay: []string{
			"Print at 100 %, never 'fit to page', and measure a printed board with a steel rule, along and across. Enter it as boards: print_scale in job.yaml.",
			"Not measured? Leave print_scale out. Angles do not suffer, and lengths get the uncertainty they deserve. The one thing not to do is to state what nobody measured.",
			fmt.Sprintf("A chi-square well above 1 is the photographs' way of saying that something in job.yaml is not so. The program then trusts the photographs less: u of total toe went from %s to %s degrees. Better is to put right what is wrong.", wording.Decimal(u3, 4), wording.Decimal(u2, 4)),
		},
		Exercise: []string{
			fmt.Sprintf("The %d squares of a board should measure %s mm. A steel rule laid on the small print shows %s mm.", board.Cols, wording.Decimal(d.DesignMM, 0), wording.Decimal(d.RulerMM, 1)),
			"a) Which number belongs into print_scale?",
			fmt.Sprintf("b) The job that believed the print read a wheelbase of %s mm. What is it really?", wording.Decimal(d.Read, 0)),
		},
		Answer: []string{
			fmt.Sprintf("a) Measured over designed: %s / %s = %s.", wording.Decimal(d.RulerMM, 1), wording.Decimal(d.DesignMM, 0), wording.Decimal(d.Scale, 4)),
			fmt.Sprintf("b) Every length was read too large by one over that: %s × %s = %s mm. True is %s mm; the rule, read to half a millimetre, leaves ± %s mm.", wording.Decimal(d.Read, 0), wording.Decimal(d.Scale, 4), wording.Decimal(d.Wheelbase, 0), wording.Decimal(d.True, 0), figures(0.25/math.Sqrt(3)/d.DesignMM*d.Read)),
		},
		Folders: []Folder{
			{page, "boards too small, job.yaml believes them"}, {ruled, "the same photographs, print_scale as measured"},
			{oneWay, "boards stretched one way, job.yaml believes them"}, {asked, "the same photographs, print not measured"},
		},
		Data: d,
	}, nil
}
