package cli

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"wheelplane/cmd/wheelplane/internal/spec"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"

	"github.com/spf13/cobra"
)

func newSpecCommand(app *App) *cobra.Command {
	c := &cobra.Command{
		Use:   "spec",
		Short: "Find target values and take them into a job",
		Long: `spec shows the specifications there are (target values with their limits), and
takes one into a job's folder as spec.yaml, where it stays with the record.

A fleet's own files lie in the folder that WHEELPLANE_SPECS names, or in
wheelplane/specs below the user's configuration folder. A specification is:

` + indent(specExample) + `
Units are deg, min, mm, in and mm/m; "0 deg 30 min" and "1/16 in" are read too.
A distance counts over the reference diameter for toe, and over a length of its
own (over: 72 in) for other angles. An axle is a number from the front, a name,
or one of all, steered, rear, driven and reference; a line that names one axle or
side goes before one that names many. The maker's values come before any others.`,
		Example: `  wheelplane spec list semi-trailer
  wheelplane spec show heavy-truck
  wheelplane spec use bay-3 heavy-truck
  wheelplane spec use bay-3 our-trucks.yaml --diameter-mm 1000`,
		Args: atMost(0),
		RunE: func(c *cobra.Command, args []string) error { return c.Help() },
	}
	c.AddCommand(newSpecListCommand(app), newSpecShowCommand(app), newSpecUseCommand(app))
	return c
}

const specExample = `name: yard truck, three axles
words: [rigid truck, 6x2]
source: the maker's manual, chapter 7     # every specification says where from
reference_diameter: 1000 mm               # at which toe is measured as a distance
targets:
  - {quantity: total_toe, axle: 1, target: 1.5 mm, tolerance: 1.5 mm}
  - {quantity: camber, axle: steered, target: 0 deg 15 min, low: 0 deg, high: 0 deg 30 min}
  - {quantity: caster, axle: 1, side: left, target: 3.5 deg, tolerance: 0.5 deg}
  - {quantity: thrust_angle, axle: reference, target: 0 deg, tolerance: 0.1 deg}
  - {quantity: scrub_angle, axle: rear, target: 0 mm, tolerance: 1/8 in, over: 72 in}
confidence: 0.95                          # of a verdict; this is the default
guard_band: 1                             # or: guard bands of so many times U = 2 u
`

// specList is the library, with a warning for each file that cannot be read.
func (a *App) specList() []spec.Entry {
	list, bad := spec.Library(spec.Folder())
	for _, err := range bad {
		a.warn("%s; it is left out", err)
	}
	return list
}

func newSpecListCommand(app *App) *cobra.Command {
	return &cobra.Command{
		Use:               "list [WORD ...]",
		Short:             "List the specifications in which all words are found",
		Example:           "  wheelplane spec list\n  wheelplane spec list trailer kingpin",
		ValidArgsFunction: cobra.NoFileCompletions,
		RunE:              func(c *cobra.Command, args []string) error { return app.specListing(args) },
	}
}

// specJSON is a specification as scripts see it in a list.
type specJSON struct {
	ID     string   `json:"id"`
	Name   string   `json:"name"`
	About  string   `json:"about,omitempty"`
	Source string   `json:"source"`
	Words  []string `json:"words"`
	Own    bool     `json:"own"`
}

func (a *App) specListing(query []string) error {
	found := spec.Search(a.specList(), query)
	out := []specJSON{}
	for _, e := range found {
		out = append(out, specJSON{e.ID, e.Name, e.About, e.Source, e.Words, e.Own})
	}
	if a.JSON {
		return a.printJSON(out)
	}
	if len(found) == 0 {
		return BadInputf("no specification has the words %s: 'wheelplane spec list' names all", strings.Join(query, ", "))
	}
	t := newTable(left("specification"), left("for"), left("source"))
	for _, e := range out {
		t.row(e.ID, e.Name, shorten(e.Source, 60))
	}
	a.printf("%s", t)
	return nil
}

// shorten cuts a text at a word, at most n characters long.
func shorten(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	cut := string(r[:n-3])
	if i := strings.LastIndexByte(cut, ' '); i > n/2 {
		cut = cut[:i]
	}
	return strings.TrimRight(cut, " ,;(") + "..."
}

// completeSpecs completes the library's ids.
func completeSpecs(position int) cobra.CompletionFunc {
	return func(_ *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
		if len(args) < position {
			return nil, cobra.ShellCompDirectiveFilterDirs
		}
		if len(args) > position {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		list, _ := spec.Library(spec.Folder())
		var ids []string
		for _, e := range list {
			ids = append(ids, e.ID+"\t"+e.Name)
		}
		return ids, cobra.ShellCompDirectiveDefault
	}
}

func newSpecShowCommand(app *App) *cobra.Command {
	return &cobra.Command{
		Use:               "show NAME|FILE.yaml",
		Short:             "Print a specification as it is written",
		Example:           "  wheelplane spec show heavy-truck > our-trucks.yaml",
		Args:              exactly("NAME"),
		ValidArgsFunction: completeSpecs(0),
		RunE:              func(c *cobra.Command, args []string) error { return app.specShow(args[0]) },
	}
}

func (a *App) specShow(name string) error {
	s, err := spec.Pick(a.specList(), name)
	if err != nil {
		return BadInput(err)
	}
	if a.JSON {
		return a.printJSON(specJSON{ID: name, Name: s.Name, About: s.About, Source: s.Source, Words: s.Words})
	}
	a.printf("%s", s.Text())
	return nil
}

type specUseOptions struct {
	dir, name  string
	diameterMM float64
	in         io.Reader // to ask on; nil: nobody is there
	held       bool      // the job is held already
}

func newSpecUseCommand(app *App) *cobra.Command {
	var o specUseOptions
	c := &cobra.Command{
		Use:   "use DIR NAME|FILE.yaml",
		Short: "Take a specification into a job",
		Long: `use checks a specification against the job's vehicle and copies it into the job's
folder as spec.yaml. Where toe is given as a distance without the diameter it is
measured at, it asks for that, or takes --diameter-mm. It prints the targets as
they will be applied, toe as an angle and as a distance.`,
		Example:           "  wheelplane spec use bay-3 heavy-truck\n  wheelplane spec use bay-3 our-trucks.yaml --diameter-mm 1000",
		Args:              exactly("DIR", "NAME"),
		ValidArgsFunction: completeSpecs(1),
		RunE: func(c *cobra.Command, args []string) error {
			o.dir, o.name = args[0], args[1]
			if c.Flags().Changed("diameter-mm") && !(o.diameterMM >= 100 && o.diameterMM <= 4000) {
				return Usagef("--diameter-mm %g is not a diameter to measure toe at: give it in mm, 100 to 4000", o.diameterMM)
			}
			if app.Terminal {
				o.in = c.InOrStdin()
			}
			return app.specUse(c.Context(), o)
		},
	}
	c.Flags().Float64Var(&o.diameterMM, "diameter-mm", 0, "diameter at which toe is measured as a distance, mm")
	return c
}

func (a *App) specUse(ctx context.Context, o specUseOptions) error {
	folder, err := rig.Read(o.dir)
	if err != nil {
		return BadInput(err)
	}
	s, err := spec.Pick(a.specList(), o.name)
	if err != nil {
		return BadInput(err)
	}
	if o.diameterMM > 0 {
		if s, err = s.WithDiameter(o.diameterMM / 1e3); err != nil {
			return BadInput(err)
		}
	}
	if s.NeedsDiameter() {
		d, err := a.askDiameter(o.in)
		if err != nil {
			return BadInput(fmt.Errorf("%s gives toe as a distance, but not the diameter it is measured at: %w", s.Path, err))
		}
		if s, err = s.WithDiameter(d); err != nil {
			return BadInput(err)
		}
	}
	targets, err := s.Targets(&folder.Job.Vehicle)
	if err != nil {
		return BadInput(err)
	}
	path := filepath.Join(o.dir, spec.File)
	write := func() error { return writeFile(path, these(s.Text())) }
	if o.held {
		err = write()
	} else {
		err = a.editing(ctx, o.dir, write)
	}
	if err != nil {
		return err
	}
	if a.JSON {
		return a.printJSON(targetsJSON(targets))
	}
	a.printf("%s\n%s\nwrote %s\n", s.Name, targetsText(folder.Job, s, targets), path)
	return nil
}

// askDiameter asks a person for the diameter, m.
func (a *App) askDiameter(in io.Reader) (float64, error) {
	if in == nil {
		return 0, errors.New("give it with --diameter-mm")
	}
	fmt.Fprint(a.Stderr, "Toe is given as a distance. At which diameter is it measured (mm; the tyre's outside, or the rim's)? ")
	text, err := bufio.NewReader(in).ReadString('\n')
	if err != nil && text == "" {
		return 0, errors.New("give it with --diameter-mm")
	}
	text = strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(text), "mm"))
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || !(v >= 100 && v <= 4000) {
		return 0, fmt.Errorf("%q is not a diameter in mm, 100 to 4000: run it again, or give it with --diameter-mm", text)
	}
	return v / 1e3, nil
}

// targetJSON is a target as scripts see it: degrees or mm, null where there is
// no limit.
type targetJSON struct {
	Quantity align.Quantity `json:"quantity"`
	Axle     int            `json:"axle"`
	Side     align.Side     `json:"side"`
	Target   float64        `json:"target"`
	Low      *float64       `json:"low"`
	High     *float64       `json:"high"`
	Unit     string         `json:"unit"`
	Source   string         `json:"source"`
}

func targetOf(t *spec.Target) targetJSON {
	k := t.Unit()
	limit := func(v float64) *float64 {
		if math.IsInf(v, 0) {
			return nil
		}
		v /= k
		return &v
	}
	return targetJSON{t.Quantity, t.Axle, t.Side, t.Wish / k, limit(t.Low), limit(t.High), unitOf(t.Quantity), t.Source}
}

// unitOf is a quantity's unit in files and tables.
func unitOf(q align.Quantity) string {
	if q.IsLength() {
		return "mm"
	}
	return "deg"
}

func targetsJSON(targets []spec.Target) []targetJSON {
	out := []targetJSON{}
	for i := range targets {
		out = append(out, targetOf(&targets[i]))
	}
	return out
}

// nameOf is a quantity's name for people.
func nameOf(q align.Quantity) string {
	if !slices.Contains(quantities, q) {
		return string(q)
	}
	return wording.Quantity(string(q))
}

func targetsText(job *rig.Job, s *spec.Spec, targets []spec.Target) string {
	columns := []column{left("axle"), left("quantity"), left("side"), right("target"), right("from"), right("to"), left("unit")}
	if s.ReferenceDiameter > 0 {
		columns = append(columns, left(fmt.Sprintf("toe at %g mm", s.ReferenceDiameter*1e3)))
	}
	t := newTable(columns...)
	for axle := 1; axle <= len(job.Vehicle.Axles); axle++ {
		for _, q := range quantities {
			for i := range targets {
				x := &targets[i]
				if x.Axle != axle || x.Quantity != q {
					continue
				}
				j := targetOf(x)
				cells := []string{axleTitle(job, axle), nameOf(q), string(x.Side), limitText(&j.Target, j.Unit), limitText(j.Low, j.Unit), limitText(j.High, j.Unit), j.Unit}
				if (x.Quantity == align.Toe || x.Quantity == align.TotalToe) && s.ReferenceDiameter > 0 {
					d := s.ReferenceDiameter * 1e3
					cells = append(cells, fmt.Sprintf("%s mm (%s to %s)", wording.Decimal(d*math.Sin(x.Wish), 1), wording.Decimal(d*math.Sin(x.Low), 1), wording.Decimal(d*math.Sin(x.High), 1)))
				}
				t.row(cells...)
			}
		}
	}
	return t.String()
}

// limitText writes a limit, and nothing where there is none.
func limitText(v *float64, unit string) string {
	if v == nil {
		return "-"
	}
	if unit == "mm" {
		return wording.Decimal(*v, 1)
	}
	return wording.Decimal(*v, 3)
}

// specOf is the specification of a job's folder with its targets, or nil where
// there is none.
func specOf(dir string, job *rig.Job) (*spec.Spec, []spec.Target, error) {
	path := filepath.Join(dir, spec.File)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, nil, nil
	}
	s, err := spec.Load(path)
	if err != nil {
		return nil, nil, BadInput(err)
	}
	targets, err := s.Targets(&job.Vehicle)
	if err != nil {
		return nil, nil, BadInput(err)
	}
	return s, targets, nil
}
