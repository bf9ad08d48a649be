package cli

import (
	"context"
	"fmt"
	"io"
	"math"
	"path/filepath"

	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"

	"github.com/spf13/cobra"
)

type againOptions struct {
	dir, out string
}

func newAgainCommand(app *App) *cobra.Command {
	var o againOptions
	c := &cobra.Command{
		Use:   "again DIR",
		Short: "Measure an old job again from its photographs, and compare with what was recorded",
		Long: `again solves the photographs in a job's folder with this version and with the
options that its result.json records, and compares reading by reading: then, now,
the difference, and whether it is more than it should be. result.json stays as it
is; --out writes today's result to a file of its own.

It also tells which photographs are missing, changed or new by their SHA-256, and
whether camera file and job.yaml are still the same. Results of versions that did
not record this are compared all the same.

` + againRule + `

Exit code 5 says that files have changed or a reading differs by more than it
should.`,
		Example: `  wheelplane again bay-3
  wheelplane again bay-3 --out bay-3/result.again.json
  wheelplane again bay-3 --json | jq '.readings[] | select(.more)'`,
		Args:              exactly("DIR"),
		ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) error {
			o.dir = args[0]
			return app.again(c.Context(), o)
		},
	}
	c.Flags().StringVarP(&o.out, "out", "o", "", "also write today's result to `FILE`")
	return c
}

// againRule is how much a reading may differ.
const againRule = `The same photographs should give the same readings: what two versions make of
them may differ by twice the root of the difference of their variances (of two
estimates from the same data, one of them the best), or by a third of u, which
would add 5 percent to it, whichever is more. Where files have changed, readings
may differ by twice both uncertainties together, as two measurements would.`

// repeated is a reading then and now.
type repeated struct {
	Epoch      string         `json:"epoch"`
	Quantity   align.Quantity `json:"quantity"`
	Axle       int            `json:"axle"`
	Side       align.Side     `json:"side"`
	Station    string         `json:"station,omitempty"`
	Unit       string         `json:"unit"`
	Then       *float64       `json:"then"` // nil: there was none
	UThen      *float64       `json:"u_then"`
	Now        *float64       `json:"now"`
	UNow       *float64       `json:"u_now"`
	Difference *float64       `json:"difference"`
	Allowed    *float64       `json:"allowed"`
	More       bool           `json:"more"` // it differs by more than it should
}

// repetition is what again finds.
type repetition struct {
	Readings []repeated   `json:"readings"`
	More     int          `json:"more"`    // readings that differ by more than they should, or have no counterpart
	Changes  *rig.Changes `json:"changes"` // null: the recorded result does not say what it was made from
	Then     rig.Tool     `json:"tool_then"`
	Now      rig.Tool     `json:"tool_now"`
}

func (a *App) again(ctx context.Context, o againOptions) error {
	then, err := loadResult(o.dir)
	if err != nil {
		return err
	}
	recorded := filepath.Join(o.dir, rig.ResultFile)
	if o.out != "" && filepath.Clean(o.out) == filepath.Clean(recorded) {
		return Usagef("--out %s: that is what was recorded, and stays; choose another name", o.out)
	}
	folder, err := rig.Open(o.dir)
	if err != nil {
		return BadInput(err)
	}
	now, err := a.resultOf(ctx, folder, measureOptions{ignoreUnknown: then.Tool.Options[optionIgnoreUnknown] == "true", fresh: true}, rig.Options{})
	if err != nil {
		return err
	}
	if o.out != "" {
		if err := writeFile(o.out, func(w io.Writer) error { return encodeJSON(w, now) }); err != nil {
			return err
		}
	}
	r := repeat(then, now)
	if r.Changes == nil {
		a.warn("%s does not say which files it was made from (an older version wrote it): whether they are the same cannot be told", recorded)
	}
	if a.JSON {
		err = a.printJSON(r)
	} else {
		a.printf("%s", r.text(folder.Job))
	}
	if err != nil {
		return err
	}
	return r.verdict(o.dir)
}

// repeat compares two results of a job.
func repeat(then, now *rig.Result) *repetition {
	r := &repetition{Readings: []repeated{}, Then: then.Tool, Now: now.Tool}
	if then.Inputs != nil {
		r.Changes = now.Inputs.Since(then.Inputs)
	}
	same := r.Changes == nil || r.Changes.None()
	for _, x := range now.Readings {
		c := repeated{Epoch: x.Epoch, Quantity: x.Quantity, Axle: x.Axle, Side: x.Side, Station: x.Station, Unit: x.Unit, Now: &x.Value, UNow: &x.U}
		if old, ok := rig.Find(then.Readings, x); ok {
			d, most := x.Value-old.Value, allowed(old.U, x.U, same)
			c.Then, c.UThen, c.Difference, c.Allowed = &old.Value, &old.U, &d, &most
			c.More = math.Abs(d) > most
		} else {
			c.More = true
		}
		r.Readings = append(r.Readings, c)
	}
	for _, x := range then.Readings {
		if _, ok := rig.Find(now.Readings, x); !ok {
			r.Readings = append(r.Readings, repeated{Epoch: x.Epoch, Quantity: x.Quantity, Axle: x.Axle, Side: x.Side, Station: x.Station, Unit: x.Unit, Then: &x.Value, UThen: &x.U, More: true})
		}
	}
	for _, c := range r.Readings {
		if c.More {
			r.More++
		}
	}
	return r
}

// allowed is how much two measurements of one thing may differ.
//
// Of the same data: an estimate and the best one differ by the root of the
// difference of their variances (Hausman, "Specification tests in econometrics",
// Econometrica 46, 1978, lemma 2.1). A third of u, as a component of its own,
// would raise the combined uncertainty to √(1 + 1/9) = 1.054 times (GUM, JCGM
// 100:2008, 5.1.2). Of different data: twice the root of the sum of both
// variances (same place, uncorrelated), which is too much where they share some.
func allowed(uThen, uNow float64, same bool) float64 {
	if !same {
		return 2 * math.Hypot(uThen, uNow)
	}
	return max(min(uThen, uNow)/3, 2*math.Sqrt(math.Abs(uThen*uThen-uNow*uNow)))
}

func (r *repetition) verdict(dir string) error {
	var what string
	switch changed := r.Changes != nil && !r.Changes.None(); {
	case r.More > 0 && changed:
		what = fmt.Sprintf("files have changed, and %s", moreText(r.More))
	case r.More > 0:
		what = moreText(r.More)
	case changed:
		what = "files have changed; the readings agree as two measurements should"
	default:
		return nil
	}
	return withCode(ExitDiffers, fmt.Errorf("%s: %s", dir, what))
}

func moreText(n int) string {
	if n == 1 {
		return "1 reading differs by more than it should"
	}
	return fmt.Sprintf("%d readings differ by more than they should", n)
}

// text is a table for each epoch, and what else is to be told.
func (r *repetition) text(job *rig.Job) string {
	var list []rig.Reading // for the order of the lines
	for _, c := range r.Readings {
		list = append(list, rig.Reading{Epoch: c.Epoch, Quantity: c.Quantity, Axle: c.Axle, Side: c.Side, Station: c.Station, Unit: c.Unit})
	}
	text := ""
	for _, epoch := range epochsOf(list) {
		columns := []column{left("side"), right("then"), right("u"), right("now"), right("u"), right("difference"), right("allowed"), left("unit"), left("")}
		t := byAxle(job, rowsOf(list, epoch), columns, func(row row) (lines [][]string) {
			for _, side := range []align.Side{align.Left, align.Right, align.NoSide} {
				for _, c := range r.Readings {
					if c.Epoch == epoch && c.Axle == row.axle && c.Quantity == row.quantity && c.Station == row.station && c.Side == side {
						lines = append(lines, c.cells(row.unit))
					}
				}
			}
			return lines
		})
		text += fmt.Sprintf("%s (u: standard uncertainty, k = 1)\n\n%s\n", epoch, t)
	}
	text += fmt.Sprintf("then: %s\nnow:  %s\n", toolText(r.Then), toolText(r.Now))
	if r.Changes != nil {
		if r.Changes.None() {
			text += "photographs, camera file and job.yaml are the same\n"
		}
		for _, line := range r.Changes.Lines() {
			text += fold("", line)
		}
	}
	return text
}

// cells are a line of the table behind its name.
func (c *repeated) cells(unit string) []string {
	u := math.Inf(1)
	for _, x := range []*float64{c.UThen, c.UNow} {
		if x != nil {
			u = min(u, *x)
		}
	}
	d := digits(u, c.Unit)
	cell := func(x *float64, digits int) string {
		if x == nil {
			return "none"
		}
		return wording.Decimal(*x, digits)
	}
	out := []string{string(c.Side), cell(c.Then, d), cell(c.UThen, d), cell(c.Now, d), cell(c.UNow, d), "", "", unit, ""}
	if c.Difference != nil {
		out[5], out[6] = cell(c.Difference, d+1), cell(c.Allowed, d+1)
	}
	if c.More {
		out[8] = "more than it should"
	}
	return out
}

// toolText names a version.
func toolText(t rig.Tool) string {
	text := t.Version
	if text == "" {
		text = "unknown version"
	}
	if t.OpenCV != "" {
		text += ", OpenCV " + t.OpenCV
	}
	if t.Go != "" {
		text += ", " + t.Go
	}
	return text
}
