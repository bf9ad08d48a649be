package plan

import (
	"cmp"
	"math"
	"slices"

	"wheelplane/pose"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"golang.org/x/sync/errgroup"
)

// What is tried where nobody says otherwise: more stations than four, or wheels
// that turn much farther, are more work in a bay than they are worth.
var (
	stationsTried = []int{2, 3, 4}
	turnsTried    = []float64{30 * math.Pi / 180, 60 * math.Pi / 180}
)

// Way is how a job is gone about: what a plan may choose besides photographs.
type Way struct {
	Stations int // of each run that is rolled
	Turn     float64
	Floor    string // where the floor boards lie
}

// Trial is a way that was tried, and what came of it.
type Trial struct {
	Way
	Photos int
	Worst  float64
	Met    bool
}

// Choice is a plan with the way that was chosen for it.
type Choice struct {
	*Plan
	Way
	Tried []Trial // in the order of trying
}

// The places of floor boards that are tried.
const (
	FloorEnds   = "with ends" // one before, one behind, the others along both sides
	FloorBeside = "beside"    // all along both sides
	FloorAround = "around"    // FloorPlaces: the ends first, the sides nearer
)

// Choose plans with as few photographs as reach the wanted uncertainty, and
// chooses how many stations the vehicle is rolled to, how far it rolls between
// them and where floor boards lie. What is told is kept: stations of 0 and o.Turn
// of 0 are free, o.FloorFromBoard of nil too. Where nothing reaches what is wanted
// it comes as near as any, with as little work.
func Choose(job *rig.Job, camera vision.Camera, stations int, o Options) (*Choice, error) {
	c := chooser{job: job, camera: camera, o: o, wanted: o.withDefaults(job).Wanted}
	ways := c.ways(stations)
	// The shortest rolls first, of two numbers of stations.
	slices.SortStableFunc(ways, func(a, b Way) int { return cmp.Compare(a.Turn, b.Turn) })
	first := ways[:1]
	if len(ways) > 1 && ways[1].Turn == ways[0].Turn {
		first = ways[:2]
	}
	rest := ways[len(first):]
	c.try(first)
	slices.SortStableFunc(rest, func(a, b Way) int { return cmp.Compare(a.Stations, b.Stations) })
	for len(rest) > 0 {
		rest = slices.DeleteFunc(rest, func(w Way) bool { return !c.promising(w) })
		n := min(2, len(rest))
		c.try(rest[:n])
		rest = rest[n:]
	}
	if len(job.Floor) > 0 && o.FloorFromBoard == nil {
		base := ways[0]
		if len(c.all) > 0 {
			base = c.cheapest().Way
		}
		base.Floor = FloorBeside
		c.try([]Way{base})
		if len(c.all) == 0 {
			base.Floor = FloorAround
			c.try([]Way{base})
		}
	}
	if len(c.all) == 0 {
		return nil, c.failed
	}
	best := c.cheapest()
	for _, x := range c.all {
		best.Tried = append(best.Tried, Trial{x.Way, len(x.Shots), x.Worst, x.Met})
	}
	return best, nil
}

type chooser struct {
	job    *rig.Job
	camera vision.Camera
	o      Options
	wanted float64
	all    []*Choice
	failed error // the first way that gives no plan
}

// try plans ways, two at a time.
func (c *chooser) try(list []Way) {
	got, errs := make([]*Choice, len(list)), make([]error, len(list))
	var g errgroup.Group
	g.SetLimit(2)
	for i, w := range list {
		g.Go(func() error {
			got[i], errs[i] = w.plan(c.job, c.camera, c.o)
			return nil
		})
	}
	_ = g.Wait() // each has its own error
	for i := range list {
		switch {
		case errs[i] == nil:
			c.all = append(c.all, got[i])
		case c.failed == nil:
			c.failed = errs[i]
		}
	}
}

// promising tells whether a way may be less work than those that were tried, or
// reach what they do not: twice the roll halves an uncertainty at best.
func (c *chooser) promising(w Way) bool {
	for _, x := range c.all {
		if x.Met && x.Stations <= w.Stations {
			return false
		}
		if x.Stations == w.Stations && x.Turn < w.Turn && x.Worst*x.Turn/w.Turn > 1.1*c.wanted {
			return false
		}
	}
	return true
}

// ways lists what to try, the least work first.
func (c *chooser) ways(stations int) []Way {
	counts, turns, job := stationsTried, turnsTried, c.job
	longest := 1
	for _, r := range Runs(job) {
		longest = max(longest, r[1]-r[0]+1)
	}
	switch {
	case stations > 0:
		counts = []int{stations}
	case longest == 1 && len(job.Stations) > 1:
		counts = []int{1} // nothing is rolled in this job
	}
	if c.o.Turn > 0 {
		turns = []float64{c.o.Turn}
	}
	if counts[0] == 1 {
		turns = turns[:1]
	}
	var out []Way
	for _, n := range counts {
		for _, t := range turns {
			out = append(out, Way{Stations: n, Turn: t, Floor: FloorEnds})
		}
	}
	return out
}

// plan plans the photographs of a way.
func (w Way) plan(job *rig.Job, camera vision.Camera, o Options) (*Choice, error) {
	j := WithStations(job, w.Stations)
	o.Turn = w.Turn
	if o.FloorFromBoard == nil {
		o.FloorFromBoard = w.floorPlaces(j)
	}
	p, err := Make(j, camera, o)
	if err != nil {
		return nil, err
	}
	return &Choice{Plan: p, Way: w}, nil
}

func (w Way) floorPlaces(job *rig.Job) []pose.SE3 {
	switch w.Floor {
	case FloorBeside:
		return BesidePlaces(job, len(job.Floor), 0)
	case FloorEnds:
		return BesidePlaces(job, len(job.Floor), 2)
	}
	return FloorPlaces(job, len(job.Floor))
}

// nearBest is how near to the least uncertainty of all a plan is as good, where
// none reaches what is wanted.
const nearBest = 1.03

// cheapest is the plan with the least work among those that reach what is wanted,
// or, where none does, among those that come nearest. For one photograph more the
// least uncertain of them is taken.
func (c *chooser) cheapest() *Choice {
	least := math.Inf(1)
	for _, x := range c.all {
		least = math.Min(least, x.Worst)
	}
	met := slices.ContainsFunc(c.all, func(x *Choice) bool { return x.Met })
	var good []*Choice
	for _, x := range c.all {
		if met && x.Met || !met && x.Worst <= nearBest*least {
			good = append(good, x)
		}
	}
	// Rolling a third of a right angle is as much work as a photograph (no source).
	work := func(x *Choice) float64 {
		rolls := float64((x.Stations - 1) * len(Runs(x.Job)))
		return float64(len(x.Shots)) + rolls*x.Turn*180/math.Pi/30
	}
	fewest := math.Inf(1)
	for _, x := range good {
		fewest = math.Min(fewest, work(x))
	}
	good = slices.DeleteFunc(good, func(x *Choice) bool { return work(x) > fewest+1 })
	return slices.MinFunc(good, func(a, b *Choice) int {
		return cmp.Or(cmp.Compare(a.Worst, b.Worst), cmp.Compare(work(a), work(b)))
	})
}
