// Package rig is the job: a vehicle, the boards hung on its wheels and laid on
// the floor, the stations it was rolled to and the photographs taken there. It
// builds the one bundle of the measurement and solves it.
package rig

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"

	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/vision"
)

// Axle of a vehicle as its maker or the tape measure tells it. The numbers are
// nominal: they start the solution and name its axles, and do not bind it.
type Axle struct {
	Name         string
	Position     float64 // behind axle 1, m
	Track        float64 // between wheel centres, m
	TyreDiameter float64 // m
	Steered      bool
	Driven       bool
}

// Vehicle is a list of axles from the front; no special case per vehicle.
type Vehicle struct {
	Name      string
	Axles     []Axle
	Reference int // number of the reference axle; axles count from 1
}

// Wheel names a wheel (or a wheel end: dual tyres are one).
type Wheel struct {
	Axle int // from 1
	Side align.Side
}

func (w Wheel) String() string { return fmt.Sprintf("axle %d %s", w.Axle, w.Side) }

// Hang is a board clamped to a wheel and not touched since.
type Hang struct {
	Board    int // index into Job.Boards
	Wheel    Wheel
	Stations Stations
}

// Lay is a board lying on the floor and not touched since.
type Lay struct {
	Board    int // index into Job.Boards
	Stations Stations
}

// PhotosAt lists the photographs of a station, by their paths.
func (j *Job) PhotosAt(station int) (out []string) {
	for _, p := range j.Photos {
		if p.Station == station {
			out = append(out, p.Path)
		}
	}
	return out
}

// Stations are indices into Job.Stations; nil stands for all of them.
type Stations []int

// Has tells whether a station is among them.
func (s Stations) Has(station int) bool { return s == nil || slices.Contains(s, station) }

// Cut splits them into those before a station and the others; count is how many
// stations the job has.
func (s Stations) Cut(at, count int) (before, after Stations) {
	for st := range count {
		switch {
		case !s.Has(st):
		case st < at:
			before = append(before, st)
		default:
			after = append(after, st)
		}
	}
	return before, after
}

// overlap tells whether two lists share a station.
func (s Stations) overlap(other Stations) bool {
	return s == nil || other == nil || slices.ContainsFunc(s, other.Has)
}

// Kingpin is the point a semi-trailer is pulled by: its centreline runs through
// it instead of through the midpoint of axle 1.
type Kingpin struct {
	Board int      // a body board
	Point pose.Vec // in the board's frame, m
	U     float64  // standard uncertainty of the point, each direction, m
}

// Station is a moment at which nothing moves.
type Station struct {
	Name  string
	Epoch string

	// Lifted wheels are off the ground, free to be spun by hand. Both wheels of
	// their axle have an axis of their own while one is up.
	Lifted []Wheel

	// Sweep says that the steered wheels are turned from straight ahead here,
	// brakes held; Steer is about how far (rad, positive to the left).
	Sweep bool
	Steer float64
}

// Epoch is a span in which the wheel axes hold still in the body.
type Epoch struct {
	Name string
	// Moved are the wheels whose axes changed since the epoch before; nil: all
	// may have.
	Moved []Wheel
}

// Photo belongs to one station.
type Photo struct {
	Path    string // as the job names it, relative to its folder
	Station int    // index into Job.Stations
	Film    bool   // it is a frame of a film
}

// Priors are what is known before a photograph is taken, as standard
// uncertainties. They keep the chain solvable when little was photographed and
// enter every stated uncertainty.
type Priors struct {
	MountTilt   float64 // board against wheel plane, each of two directions, rad
	MountOffset float64 // board's centre off the spin axis, each direction, m
	Standoff    float64 // board face outboard of the wheel's centre, m: a known length; at 0 the board's face stands for the wheel
	StandoffU   float64 // and how well it is known, m

	FloorFlatness  float64 // height of a floor board, of the ground under the vehicle at a new station, m
	FloorTilt      float64 // of a floor board, rad
	FloorThickness float64 // printed face above the ground, m: a known length

	PrintScale    float64 // of all boards together, relative, x and y each
	PrintSpread   float64 // of single boards around it, likewise; 0: all alike
	BoardFlatness float64 // each component of a board's bow (see Shape), m; 0: flat

	WanderFocal  float64 // see vision.Wander: relative; 0: none
	WanderCentre float64 // px, x and y each; 0: none

	RollTurn  float64 // of the camera from a photo's first row to its last, see Drift: each direction, rad; 0: none
	RollShift float64 // and its shift, each direction, m; 0: none

	BrakeSlip   float64 // spin of a braked wheel between stations of a sweep, rad
	SteerTilt   float64 // steering axis off upright, each direction, rad
	SteerOffset float64 // steering axis off the wheel's centre, each direction, m
	LiftTilt    float64 // body's roll and pitch while a wheel is lifted, rad
	LiftHeight  float64 // and its height, m
}

// DefaultPriors are used where job.yaml is silent.
func DefaultPriors() Priors {
	return Priors{
		MountTilt:   1 * math.Pi / 180,
		MountOffset: 0.020,
		Standoff:    0.100, StandoffU: 0.0005,
		FloorFlatness: 0.001, FloorTilt: 0.2 * math.Pi / 180, FloorThickness: 0.003,
		// Printers stretch by parts per thousand (common practice, no source); boards
		// of one printer and paper differ less. A plate of composite is flat to some
		// tenths of a millimetre over this size (likewise).
		PrintScale: 0.002, PrintSpread: 0.0003, BoardFlatness: 0.0003,
		// In phones "the principal distance and position of the principal point are
		// constantly changing" (Jasińska et al., Sensors 23(2) 728, 2023, of fourteen);
		// Android's compatibility test suite fails one whose stabiliser does not move
		// the principal point by a pixel (CameraITS, test_lens_intrinsic_calibration);
		// what a stabiliser takes out of a hand's tremor of 0.05 degrees is 2.5 px. If
		// the camera is steady after all, allowing for it costs little: with views good
		// to 0.005 px u(toe) goes from 0.0054 to 0.0057 degrees; if it is not, not
		// allowing for it makes what is stated too small by a factor of two and more.
		WanderFocal: 0.0005, WanderCentre: 2,
		BrakeSlip: 0.05 * math.Pi / 180,
		SteerTilt: 15 * math.Pi / 180, SteerOffset: 0.3,
		LiftTilt: 3 * math.Pi / 180, LiftHeight: 0.1,
	}
}

// Job is everything known of a measurement but the photographs' content.
type Job struct {
	Name     string
	Vehicle  Vehicle
	Boards   []vision.Board
	Hangs    []Hang
	Floor    []Lay
	Body     []int // boards fixed to the chassis
	Kingpin  *Kingpin
	Epochs   []Epoch // in the order of their stations
	Stations []Station
	Photos   []Photo
	Priors   Priors

	// Splits are changes of wheel axes within an epoch that nobody meant; the
	// solution finds them, job.yaml does not name them.
	Splits []Split
	// Misprinted are boards of a size of their own that nobody meant, likewise.
	Misprinted []int
}

// Clone returns a job that can be changed in place but for its vehicle: with
// lists of its own of hangs, floor boards, stations, photos, splits and misprinted
// boards.
func (j *Job) Clone() *Job {
	c := *j
	c.Hangs, c.Floor = slices.Clone(j.Hangs), slices.Clone(j.Floor)
	c.Misprinted = slices.Clone(j.Misprinted)
	c.Stations, c.Photos, c.Splits = slices.Clone(j.Stations), slices.Clone(j.Photos), slices.Clone(j.Splits)
	return &c
}

// Split says that the axes of some wheels changed before a station.
type Split struct {
	Station int
	Wheels  []Wheel
}

// splitsOf counts the splits of a wheel up to a station.
func (j *Job) splitsOf(w Wheel, station int) int {
	n := 0
	for _, s := range j.Splits {
		if s.Station <= station && slices.Contains(s.Wheels, w) {
			n++
		}
	}
	return n
}

// Wheels lists the wheels with boards, by axle, left first.
func (j *Job) Wheels() []Wheel {
	var out []Wheel
	for _, h := range j.Hangs {
		if !slices.Contains(out, h.Wheel) {
			out = append(out, h.Wheel)
		}
	}
	slices.SortFunc(out, func(a, b Wheel) int {
		return cmp.Or(cmp.Compare(a.Axle, b.Axle), -cmp.Compare(a.Side.Outboard(), b.Side.Outboard()))
	})
	return out
}

// Validate tells what is wrong with the job, naming board, axle or station.
func (j *Job) Validate() error {
	for _, check := range []func() error{
		j.Vehicle.validate, j.validateBoards, j.validatePlaces, j.validateStations, j.validateHalves, j.Priors.validate,
	} {
		if err := check(); err != nil {
			return err
		}
	}
	return nil
}

func (v *Vehicle) validate() error {
	if len(v.Axles) < 2 {
		return fmt.Errorf("vehicle: %d axles; list at least two", len(v.Axles))
	}
	if v.Reference < 1 || v.Reference > len(v.Axles) {
		return fmt.Errorf("vehicle: reference_axle %d does not exist; the vehicle has axles 1 to %d", v.Reference, len(v.Axles))
	}
	if v.Axles[v.Reference-1].Steered {
		for i, a := range v.Axles {
			if !a.Steered {
				return fmt.Errorf("vehicle: reference_axle %d is steered, so what is read against it moves with the steering wheel; choose one that is not, such as axle %d", v.Reference, i+1)
			}
		}
	}
	for i, a := range v.Axles {
		if !(a.Track > 0.3 && a.Track < 5) {
			return fmt.Errorf("vehicle: axle %d: track_mm %g is not a track width; give the distance between the wheel centres in mm", i+1, a.Track*1e3)
		}
		if i > 0 && !(a.Position > v.Axles[i-1].Position) {
			return fmt.Errorf("vehicle: axle %d: position_mm %g is not behind axle %d; positions count in mm from axle 1 rearwards", i+1, a.Position*1e3, i)
		}
	}
	return nil
}

// validateBoards makes sure that every board and every marker id is one only.
func (j *Job) validateBoards() error {
	if len(j.Boards) == 0 {
		return fmt.Errorf("boards: the list is empty; name the printed boards")
	}
	ids := map[string]map[int]string{}
	for i := range j.Boards {
		b := &j.Boards[i]
		if err := b.Validate(); err != nil {
			return err
		}
		for k := range i {
			if j.Boards[k].Name == b.Name {
				return fmt.Errorf("boards: the name %s is used twice; give every board its own", b.Name)
			}
		}
		if ids[b.Dictionary] == nil {
			ids[b.Dictionary] = map[int]string{}
		}
		for id := b.FirstID; id < b.FirstID+b.NumMarkers(); id++ {
			if other, taken := ids[b.Dictionary][id]; taken {
				return fmt.Errorf("boards: marker id %d is on board %s and on board %s; give board %s another first_id", id, other, b.Name, b.Name)
			}
			ids[b.Dictionary][id] = b.Name
		}
	}
	return nil
}

func (p *Priors) validate() error {
	for _, c := range []struct {
		name string
		v    float64
	}{
		{"mount: tilt_deg", p.MountTilt}, {"mount: offset_mm", p.MountOffset}, {"mount: standoff_u_mm", p.StandoffU},
		{"floor: flatness_mm", p.FloorFlatness}, {"floor: tilt_deg", p.FloorTilt}, {"boards: print_scale: u", p.PrintScale}, {"sweep: brake_slip_deg", p.BrakeSlip},
		{"steering tilt", p.SteerTilt}, {"steering offset", p.SteerOffset}, {"lift tilt", p.LiftTilt}, {"lift height", p.LiftHeight},
	} {
		if !(c.v > 0) || math.IsInf(c.v, 0) {
			return fmt.Errorf("%s must be above 0: it is a standard uncertainty; leave it out for the usual one", c.name)
		}
	}
	for _, c := range []struct {
		name string
		v    float64
	}{
		{"boards: print_spread", p.PrintSpread}, {"boards: flatness_mm", p.BoardFlatness},
		{"camera_wander: focal", p.WanderFocal}, {"camera_wander: centre_px", p.WanderCentre},
		{"rolling_shutter: turn_deg", p.RollTurn}, {"rolling_shutter: shift_mm", p.RollShift},
	} {
		if !(c.v >= 0) || math.IsInf(c.v, 0) {
			return fmt.Errorf("%s must not be below 0: it is a standard uncertainty; 0 switches it off", c.name)
		}
	}
	return nil
}

// validatePlaces makes sure that at each station every board is in one place
// and every wheel carries one board at most.
func (j *Job) validatePlaces() error {
	v := &j.Vehicle
	type use struct {
		stations Stations
		what     string
	}
	used := map[int][]use{}
	take := func(board int, stations Stations, what string) error {
		if board < 0 || board >= len(j.Boards) {
			return fmt.Errorf("%s: no such board in the list of boards; add it there or correct the name", what)
		}
		for _, st := range stations {
			if st < 0 || st >= len(j.Stations) {
				return fmt.Errorf("board %s %s: no such station; name one of the list of stations", j.Boards[board].Name, what)
			}
		}
		for _, other := range used[board] {
			if other.stations.overlap(stations) {
				return fmt.Errorf("board %s is used twice: %s and %s; a board is in one place (if it was moved, name the stations of each hang)", j.Boards[board].Name, other.what, what)
			}
		}
		used[board] = append(used[board], use{stations, what})
		return nil
	}
	boards := map[Wheel][]Hang{}
	for _, h := range j.Hangs {
		if h.Wheel.Axle < 1 || h.Wheel.Axle > len(v.Axles) {
			return fmt.Errorf("hangs: axle %d does not exist; the vehicle has axles 1 to %d", h.Wheel.Axle, len(v.Axles))
		}
		if h.Wheel.Side != align.Left && h.Wheel.Side != align.Right {
			return fmt.Errorf("hangs: side %q; write left or right", h.Wheel.Side)
		}
		if err := take(h.Board, h.Stations, "on "+h.Wheel.String()); err != nil {
			return err
		}
		for _, other := range boards[h.Wheel] {
			if other.Stations.overlap(h.Stations) {
				return fmt.Errorf("hangs: boards %s and %s are both on %s; a wheel carries one board", j.Boards[other.Board].Name, j.Boards[h.Board].Name, h.Wheel)
			}
		}
		boards[h.Wheel] = append(boards[h.Wheel], h)
	}
	for axle := 1; axle <= len(v.Axles); axle++ {
		l, r := boards[Wheel{axle, align.Left}], boards[Wheel{axle, align.Right}]
		if (len(l) == 0) != (len(r) == 0) {
			missing, one := "left", r
			if len(r) == 0 {
				missing, one = "right", l
			}
			name := j.Boards[one[0].Board].Name
			return fmt.Errorf("hangs: axle %d has one board (%s); hang one on its %s wheel too, or take %s out of hangs", axle, name, missing, name)
		}
	}
	if need := 4 - 2*min(1, len(j.kingpins())); len(boards) < need {
		return fmt.Errorf("hangs: %d wheels carry boards; at least two axles need one on each wheel", len(boards))
	}
	if len(boards[Wheel{v.Reference, align.Left}]) == 0 {
		return fmt.Errorf("hangs: the reference axle %d carries no boards; hang a pair there or choose another reference_axle", v.Reference)
	}
	if len(j.Floor) == 0 {
		return fmt.Errorf("floor: no boards; lay at least one board on the floor (three or more serve better): it tells what is level and ties left to right")
	}
	for _, l := range j.Floor {
		if err := take(l.Board, l.Stations, "on the floor"); err != nil {
			return err
		}
	}
	for i, b := range j.Body {
		if slices.Contains(j.Body[:i], b) {
			return fmt.Errorf("body: board %s is listed twice; name every board once", j.Boards[b].Name)
		}
		if err := take(b, nil, "on the body"); err != nil {
			return err
		}
	}
	if k := j.Kingpin; k != nil {
		if !slices.Contains(j.Body, k.Board) {
			return fmt.Errorf("vehicle: kingpin: its board is not among the body's boards; list it under body: boards")
		}
		if !(k.U > 0) {
			return fmt.Errorf("vehicle: kingpin: u_mm must be above 0: it is a standard uncertainty")
		}
	}
	return nil
}

// kingpins is the kingpin as a list of one or none.
func (j *Job) kingpins() []*Kingpin {
	if j.Kingpin == nil {
		return nil
	}
	return []*Kingpin{j.Kingpin}
}

// folderName tells whether a name can be that of a folder, on any system, and leads
// nowhere else.
func folderName(s string) bool {
	return s != "" && len(s) <= 200 && s[0] != '.' && s == strings.TrimSpace(s) && !strings.HasSuffix(s, ".") &&
		!strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) || strings.ContainsRune(`/\:*?"<>|[]`, r) })
}

// validateStations checks stations and epochs against each other and the
// vehicle.
func (j *Job) validateStations() error {
	if len(j.Stations) == 0 {
		return fmt.Errorf("stations: the list is empty; name one at least: a place the vehicle stood still in while it was photographed")
	}
	for i, s := range j.Stations {
		if !folderName(s.Name) {
			return fmt.Errorf("stations: %q is no name for a station: its photographs lie in a folder of that name, so write letters, digits, spaces and - _ . + #, not beginning with a point", s.Name)
		}
		for k := range i {
			if j.Stations[k].Name == s.Name {
				return fmt.Errorf("stations: the name %s is used twice; give every station its own", s.Name)
			}
		}
	}
	hasBoard := func(w Wheel, st int) bool {
		for _, h := range j.Hangs {
			if h.Wheel == w && h.Stations.Has(st) {
				return true
			}
		}
		return false
	}
	exists := func(w Wheel) bool {
		return w.Axle >= 1 && w.Axle <= len(j.Vehicle.Axles) && (w.Side == align.Left || w.Side == align.Right)
	}
	for _, e := range j.Epochs {
		for _, w := range e.Moved {
			if !exists(w) {
				return fmt.Errorf("epoch %q: moved: there is no %s; the vehicle has axles 1 to %d, sides are left and right", e.Name, w, len(j.Vehicle.Axles))
			}
		}
	}
	c := j.Cast()
	// straight tells whether some station shows a wheel of a sweep unsteered.
	straight := func(w Wheel, at int) bool {
		list := c.AxisAt[slices.Index(c.Wheels, w)]
		for st, s := range j.Stations {
			if !s.Sweep && list[st] == list[at] && hasBoard(w, st) {
				return true
			}
		}
		return false
	}
	last := 0
	for st, s := range j.Stations {
		e := j.epoch(s.Epoch)
		if e < 0 {
			return fmt.Errorf("station %s: epoch %q is not in the list of epochs; add it there", s.Name, s.Epoch)
		}
		if e < last {
			return fmt.Errorf("station %s is of epoch %q, which ended before: epochs follow each other, so list the stations in the order they were photographed, or give the later state a name of its own", s.Name, s.Epoch)
		}
		last = e
		for _, w := range s.Lifted {
			if !exists(w) {
				return fmt.Errorf("station %s: lifted: there is no %s; the vehicle has axles 1 to %d, sides are left and right", s.Name, w, len(j.Vehicle.Axles))
			}
			if !hasBoard(w, st) {
				return fmt.Errorf("station %s: %s is lifted but carries no board there; hang one, or take it out of lifted", s.Name, w)
			}
		}
		if s.Sweep {
			var turned []Wheel
			for axle, a := range j.Vehicle.Axles {
				for _, side := range []align.Side{align.Left, align.Right} {
					if w := (Wheel{axle + 1, side}); a.Steered && hasBoard(w, st) {
						turned = append(turned, w)
					}
				}
			}
			if len(turned) == 0 {
				return fmt.Errorf("station %s: steer_deg is given, but no steered axle carries boards there; mark the axle as steered and hang boards on it", s.Name)
			}
			if s.Steer == 0 {
				return fmt.Errorf("station %s: steer_deg is 0: a sweep station needs the angle the wheels are turned by, about (positive to the left); leave steer_deg out for straight ahead", s.Name)
			}
			if math.Abs(s.Steer) > mostSteer {
				return fmt.Errorf("station %s: steer_deg %.0f is beyond what a wheel steers; give the angle in degrees from straight ahead", s.Name, s.Steer*180/math.Pi)
			}
			for _, w := range turned {
				if !straight(w, st) {
					return fmt.Errorf("station %s: %s is steered there, but no station of this epoch shows it straight ahead; add one without steer_deg", s.Name, w)
				}
			}
		}
	}
	return nil
}

// mostSteer is more than any road wheel steers, rad.
const mostSteer = 75 * math.Pi / 180

// nominalHub returns where the vehicle's data put a wheel: the body frame's
// origin is on the ground below the reference axle's midpoint.
func (j *Job) nominalHub(w Wheel) pose.SE3 {
	a := j.Vehicle.Axles[w.Axle-1]
	radius := a.TyreDiameter / 2
	if radius <= 0 {
		radius = 0.5
	}
	hub := pose.SE3{R: pose.IdentityRotation()}
	hub.T = pose.Vec{j.Vehicle.Axles[j.Vehicle.Reference-1].Position - a.Position, a.Track / 2, radius}
	if w.Side == align.Right {
		hub.R = pose.RotZ(math.Pi)
		hub.T[1] = -hub.T[1]
	}
	return hub
}

// squareHang is a board clamped without any runout, upright: x right and y up
// as seen from outside the vehicle, its face standoff outboard of the wheel's
// centre.
func squareHang(standoff float64) pose.SE3 {
	return pose.SE3{
		R: pose.FromColumns(pose.Vec{-1, 0, 0}, pose.Vec{0, 0, 1}, pose.Vec{0, 1, 0}),
		T: pose.Vec{0, standoff, 0},
	}
}
