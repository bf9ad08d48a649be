// Package lesson holds the lessons for instructors: each photographs an
// invented vehicle, measures the photographs in more ways than one, and sets
// what came of it as a handout with a table, a picture and an exercise. Every
// number in a handout comes from the run that wrote it.
package lesson

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// Lesson is one of the list: its name on the command line, what it is about, and
// how it is run.
type Lesson struct {
	Name  string
	Title string // as a sentence begins, without a full stop
	Run   func(ctx context.Context, b Bench, c Class) (*Sheet, error)
}

// List is all lessons, in the order of teaching.
var List = []Lesson{
	{"runout", "Why runout must be compensated", runout},
	{"roll", "What the roll distance does", roll},
	{"place", "Why two photographs from the same place are one", place},
	{"print", "What a wrong print scale does", printScale},
	{"camera", "What a wrong camera file does", cameraFile},
	{"bent", "What a bent board does", bent},
	{"undecided", "What undecided means", undecided},
}

// Find returns a lesson by its name, or nil.
func Find(name string) *Lesson {
	for i := range List {
		if List[i].Name == name {
			return &List[i]
		}
	}
	return nil
}

// Class is who takes a lesson: every seed has numbers of its own.
type Class struct {
	Seed    uint64
	Size    int  // width of the photographs, px
	Drawn   bool // corners are drawn instead of photographs
	Repeats int  // drawn repeats where a lesson counts; 0: 120
}

// CornerPx is the standard deviation of drawn corners: as good, all in all, as
// those of whole boards in a phone's photographs of the usual size.
const CornerPx = 0.01

// DrawnOblique is how obliquely a drawn board may be seen, rad: in photographs of
// this size near boards are found up to some 75 degrees.
const DrawnOblique = 75 * math.Pi / 180

// Bench is what a lesson works with: it keeps job folders, and measures them as
// the command does.
type Bench interface {
	// Photograph writes a scene's job folder, photographs and truth included.
	Photograph(ctx context.Context, folder string, s *fixtures.Scene) error
	// Retell writes another job folder over photographs of one that is there.
	Retell(folder, of string, job *rig.Job, camera *vision.Camera) error
	// Measure measures a folder. What the photographs refuse to answer is told in
	// Measured.Refused, and is no error.
	Measure(ctx context.Context, folder string) (*Measured, error)
	// Each does n pieces of work at once, as far as there are processors.
	Each(ctx context.Context, what string, n int, do func(i int) error) error
}

// Measured is what a job folder gave.
type Measured struct {
	Folder   string
	Job      *rig.Job
	Solution *rig.Solution
	Readings []rig.Reading
	Truth    []rig.Reading
	Refused  string // why there is no solution, or ""
}

// Sheet is a lesson that was held, for people. Paragraphs are plain text.
type Sheet struct {
	Name, Title string
	Seed        uint64
	Question    string
	Guess       string   // to be answered before reading on
	Done        []string // what is done
	Tables      []Table
	Numbers     []string // what the numbers say
	Picture     *draw.Picture
	Caption     string
	Bay         []string // what it means for the bay
	Exercise    []string
	Answer      []string // with its working
	Folders     []Folder
	Data        any // all numbers, for lesson.json
}

// Table is a table of a sheet.
type Table struct {
	Caption string
	Columns []Column
	Rows    [][]string
}

// Column is a heading, and whether numbers stand below it.
type Column struct {
	Name  string
	Right bool
}

func words(name string) Column   { return Column{Name: name} }
func numbers(name string) Column { return Column{name, true} }

// Folder is a job folder that a lesson leaves, to be looked at and measured again.
type Folder struct {
	Name  string `json:"name"`
	About string `json:"about"`
}

// find returns a reading and what it truly is.
func (m *Measured) find(q align.Quantity, axle int, side align.Side) (got, truth rig.Reading, err error) {
	like := rig.Reading{Epoch: rig.AsFound, Quantity: q, Axle: axle, Side: side}
	got, ok := rig.Find(m.Readings, like)
	truth, known := rig.Find(m.Truth, like)
	if !ok || !known {
		return got, truth, fmt.Errorf("%s: the photographs did not give %s of axle %d: choose another --seed, or a larger --size", m.Folder, strings.ReplaceAll(string(q), "_", " "), axle)
	}
	return got, truth, nil
}

// spread is the root mean square of the errors of all readings of a quantity, and
// that of their stated uncertainties.
func (m *Measured) spread(q align.Quantity) (off, u float64) {
	n := 0.0
	for _, r := range m.Readings {
		if t, ok := rig.Find(m.Truth, r); ok && r.Quantity == q {
			off, u, n = off+(r.Value-t.Value)*(r.Value-t.Value), u+r.U*r.U, n+1
		}
	}
	return math.Sqrt(off / n), math.Sqrt(u / n)
}

// Compared is a reading beside the truth, for lesson.json.
type Compared struct {
	rig.Reading
	Truth float64 `json:"truth"`
	Error float64 `json:"error"`
}

// Case is one measurement of a lesson, for lesson.json.
type Case struct {
	Folder    string     `json:"folder"`
	Photos    int        `json:"photos"`
	ChiSquare float64    `json:"chi_square"` // per degree of freedom
	RMSPx     float64    `json:"rms_px"`
	Refused   string     `json:"refused,omitempty"`
	Warnings  []string   `json:"warnings,omitempty"`
	Readings  []Compared `json:"readings"`
}

func (m *Measured) data() Case {
	c := Case{Folder: m.Folder, Refused: m.Refused, Readings: []Compared{}}
	if m.Refused != "" {
		return c
	}
	n := m.Solution.Network
	c.Photos, c.ChiSquare, c.RMSPx, c.Warnings = n.Photos, n.VarianceFactor, n.RMSPx, m.Solution.Warnings
	for _, r := range m.Readings {
		if t, ok := rig.Find(m.Truth, r); ok {
			c.Readings = append(c.Readings, Compared{r, t.Value, r.Value - t.Value})
		}
	}
	return c
}

func dataOf(list []*Measured) (out []Case) {
	for _, m := range list {
		out = append(out, m.data())
	}
	return out
}

// measured is Measure where a refusal is of no use to the lesson.
func measured(ctx context.Context, b Bench, folder string) (*Measured, error) {
	m, err := b.Measure(ctx, folder)
	if err == nil && m.Refused != "" {
		return nil, fmt.Errorf("%s: %s: choose another --seed, or a larger --size", folder, m.Refused)
	}
	return m, err
}

// choose is a job with only some of its stations and of their photographs.
func choose(j *rig.Job, keep func(photo rig.Photo) bool, stations ...int) *rig.Job {
	c := j.Clone()
	c.Stations, c.Photos = nil, nil
	for _, st := range stations {
		c.Stations = append(c.Stations, j.Stations[st])
	}
	for _, p := range j.Photos {
		if at := slices.Index(stations, p.Station); at >= 0 && keep(p) {
			c.Photos = append(c.Photos, rig.Photo{Path: p.Path, Station: at})
		}
	}
	return c
}

func all(rig.Photo) bool { return true }

// told is a job with other print scales and priors than its own.
func told(j *rig.Job, change func(j *rig.Job)) *rig.Job {
	c := j.Clone()
	c.Boards = slices.Clone(j.Boards)
	change(c)
	return c
}

func radians(deg float64) float64 { return deg * math.Pi / 180 }
func degrees(rad float64) float64 { return rad * 180 / math.Pi }

// decimals is how many show two digits of an uncertainty.
func decimals(u float64) int {
	if !(u > 0) || math.IsInf(u, 0) {
		return 3
	}
	return max(0, min(4, 1-int(math.Floor(math.Log10(u)+1e-9))))
}

// signed is a decimal with a plus sign where it belongs.
func signed(v float64, digits int) string {
	s := wording.Decimal(v, digits)
	if v > 0 && strings.Trim(s, "0.") != "" {
		return "+" + s
	}
	return s
}

// figures writes a positive number to two significant figures, for sentences.
func figures(v float64) string {
	if !(v > 0) || math.IsInf(v, 0) {
		return wording.Decimal(v, 0)
	}
	return wording.Decimal(v, max(0, 1-int(math.Floor(math.Log10(v)+1e-9))))
}

// pm writes a value and its standard uncertainty.
func pm(v, u float64) string {
	return wording.Decimal(v, decimals(u)) + " ± " + wording.Decimal(u, decimals(u))
}

const uText = "± is one standard uncertainty u: the true value lies within 2 u in about 95 of 100 cases."

// photographed tells how the pictures of a lesson came about.
func (c Class) photographed(n int, vehicle string) string {
	if c.Drawn {
		return fmt.Sprintf("An invented %s is walked around with an invented phone. Of its %d photographs only the boards' corners are drawn, with noise of %g pixels, as if they had been found: there are no pictures to look at. The truth is known, because the vehicle is invented.", vehicle, n, CornerPx)
	}
	return fmt.Sprintf("An invented %s is photographed: %d photographs, %d pixels wide, rendered as a phone would take them. Then they are measured as any others, with the same commands. The truth is known, because the vehicle is invented.", vehicle, n, c.Size)
}
