package plan

import (
	"fmt"
	"math"
	"slices"
	"sync/atomic"

	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"golang.org/x/sync/errgroup"
)

// Point is what one way of going about a job gives: X of what is traded, against
// the largest uncertainties of kinds of readings, rad.
type Point struct {
	X                          float64
	Photos                     int
	Worst, Camber, Toe, Course float64 // Course: thrust and scrub
}

// Study is what a choice was weighed against. Each list is in the order of X.
type Study struct {
	// By number of photographs, as the plan's engine adds them: of the job without
	// boards on the body and with two (or as many as it has).
	Photos, PhotosBody []Point
	// By how far the wheels turn between stations, rad: the same photographs, as
	// the vehicle stands then.
	Turn []Point
	// By number of stations that the vehicle is rolled to, each planned anew:
	// without boards on the body and with them.
	Stations, StationsBody []Point
	// By number of floor boards, along both sides, each planned anew.
	Floor []Point
}

// The ways that a study looks at.
var (
	studiedTurns    = []float64{10, 15, 20, 30, 45, 60, 90}
	studiedStations = []int{1, 2, 3, 4, 5}
)

// NewStudy works out the trades around a choice. tell, if not nil, is called after
// each of the parts of the work, from any goroutine.
func NewStudy(job *rig.Job, camera vision.Camera, c *Choice, o Options, tell func(done, of int)) (*Study, error) {
	o = o.withDefaults(job)
	o.FloorFromBoard, o.BodyFromBoard = nil, nil
	s := &Study{}
	bare, with := withoutBody(job), withBody(job)
	var work []func() error
	curve := func(list *[]Point, j *rig.Job) {
		work = append(work, func() (err error) {
			*list, err = c.Way.curve(j, camera, o, 2*len(c.Shots))
			return err
		})
	}
	curve(&s.Photos, bare)
	curve(&s.PhotosBody, with)
	// What a way does not give at all is no point.
	planned := func(list *[]Point, at int, x float64, w Way, j *rig.Job) {
		work = append(work, func() error {
			if got, err := w.plan(j, camera, o); err == nil {
				(*list)[at] = pointOf(x, len(got.Shots), got.Readings)
			}
			return nil
		})
	}
	if len(Runs(job)) < len(job.Stations) || len(job.Stations) == 1 {
		s.Stations, s.StationsBody = make([]Point, len(studiedStations)), make([]Point, len(studiedStations))
		for i, n := range studiedStations {
			w := c.Way
			w.Stations = n
			planned(&s.Stations, i, float64(n), w, bare)
			planned(&s.StationsBody, i, float64(n), w, with)
		}
		s.Turn = make([]Point, len(studiedTurns))
		work = append(work, func() error { return s.turns(c, camera, o) })
	}
	for n := 2 - len(job.Floor)%2; n <= len(job.Floor); n += 2 {
		s.Floor = append(s.Floor, Point{})
		w, j := c.Way, job.Clone()
		w.Floor, j.Floor = FloorBeside, job.Floor[:n]
		planned(&s.Floor, len(s.Floor)-1, float64(n), w, j)
	}
	var g errgroup.Group
	g.SetLimit(2)
	var done atomic.Int32
	for _, f := range work {
		g.Go(func() error {
			err := f()
			if n := int(done.Add(1)); tell != nil {
				tell(n, len(work))
			}
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	for _, list := range []*[]Point{&s.Photos, &s.PhotosBody, &s.Turn, &s.Stations, &s.StationsBody, &s.Floor} {
		*list = slices.DeleteFunc(*list, func(p Point) bool { return p.Photos == 0 })
	}
	return s, nil
}

// turns fills in what the choice's photographs give if the wheels turn otherwise.
func (s *Study) turns(c *Choice, camera vision.Camera, o Options) error {
	for i, deg := range studiedTurns {
		rolled, spun := Rolls(c.Job, deg*math.Pi/180)
		state := c.Job.Nominal(camera, rolled, spun, c.State.FloorFromBoard, c.State.BodyFromBoard)
		var shots []Shot
		for _, shot := range c.Shots {
			if again, ok := Retake(c.Job, state, camera, o.Detector, shot, pose.Vec{}); ok {
				shots = append(shots, again)
			}
		}
		if r, err := Expect(c.Job, camera, state, shots); err == nil {
			s.Turn[i] = pointOf(deg*math.Pi/180, len(shots), r)
		}
	}
	return nil
}

// curve grows a plan of a way photograph by photograph.
func (w Way) curve(job *rig.Job, camera vision.Camera, o Options, most int) ([]Point, error) {
	j := WithStations(job, w.Stations)
	o.Turn, o.FloorFromBoard = w.Turn, w.floorPlaces(j)
	o = o.withDefaults(j)
	rolled, spun := Rolls(j, o.Turn)
	e, err := newEngine(j, camera, j.Nominal(camera, rolled, spun, o.FloorFromBoard, o.BodyFromBoard), nil, nil, o)
	if err != nil {
		return nil, err
	}
	var out []Point
	e.grow(most, false, func(n int, worst float64) {
		p := Point{X: float64(n), Photos: n, Worst: worst}
		for r, l := range e.wanted {
			u := math.Sqrt(math.Max(0, e.variance(r))) * Share(l.Quantity)
			p.add(l.Quantity, u)
		}
		out = append(out, p)
	})
	return out, nil
}

// pointOf is the largest uncertainties of readings.
func pointOf(x float64, photos int, list []rig.EpochReadings) Point {
	p := Point{X: x, Photos: photos, Worst: Worst(list)}
	for _, set := range list {
		for i, r := range set.Readings {
			p.add(r.Quantity, set.U(i))
		}
	}
	return p
}

// add counts a reading's uncertainty.
func (p *Point) add(q align.Quantity, u float64) {
	switch q {
	case align.Camber:
		p.Camber = math.Max(p.Camber, u)
	case align.Toe:
		p.Toe = math.Max(p.Toe, u)
	case align.ThrustAngle, align.ScrubAngle:
		p.Course = math.Max(p.Course, u)
	}
}

// withoutBody is a job without boards on the chassis, but for a kingpin's.
func withoutBody(job *rig.Job) *rig.Job {
	j := job.Clone()
	j.Body = slices.DeleteFunc(slices.Clone(job.Body), func(b int) bool { return job.Kingpin == nil || job.Kingpin.Board != b })
	return j
}

// withBody is a job with a board on either side of the chassis, or as many as it
// has.
func withBody(job *rig.Job) *rig.Job {
	if len(withoutBody(job).Body) < len(job.Body) {
		return job
	}
	j := job.Clone()
	j.Boards, j.Body = slices.Clone(job.Boards), slices.Clone(job.Body)
	for k := range 2 {
		b := job.Boards[0]
		b.Name = fmt.Sprintf("body %d", k+1)
		b.FirstID += len(j.Boards) * b.NumMarkers()
		j.Boards = append(j.Boards, b)
		j.Body = append(j.Body, len(j.Boards)-1)
	}
	return j
}
