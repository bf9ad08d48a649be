package rig

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"wheelplane/pose/align"
)

// leastSteer is how far the wheels must be steered at a station of a sweep,
// rad, to tell anything of the steering axis.
const leastSteer = 2 * math.Pi / 180

// mostLean is how far from the vertical a steering axis may lean, rad: no
// vehicle's does by half as much.
const mostLean = 45 * math.Pi / 180

// validateHalves makes sure that the wheels of each epoch can be joined,
// provided that every photograph shows every board.
func (j *Job) validateHalves() error {
	all := *j
	all.Photos = nil
	for st := range j.Stations {
		all.Photos = append(all.Photos, Photo{Station: st})
	}
	c := all.Cast()
	obs, used := all.everything(c)
	s := all.whatIsSeen(c, obs, used)
	for e := range j.Epochs {
		if err := c.joined(&all, s, e); err != nil {
			return fmt.Errorf("hangs: %w", err)
		}
	}
	return nil
}

// joined makes sure that all wheels read in an epoch belong to one body: that
// enough stayed in place while boards were moved.
func (c *Cast) joined(j *Job, s *seen, epoch int) error {
	stations := c.stationsOf(epoch)
	if stations == nil {
		return nil
	}
	// The stations that show a wheel on an axis.
	showing := func(axis int) (out []int) {
		for st := range j.Stations {
			for h := range j.Hangs {
				if s.hang[h][st] && c.AxisAt[c.wheelOf[h]][st] == axis && !slices.Contains(out, st) {
					out = append(out, st)
				}
			}
		}
		return
	}
	names := func(list []int) string {
		var out []string
		for _, st := range list {
			out = append(out, j.Stations[st].Name)
		}
		return strings.Join(out, ", ")
	}
	body := s.frame[stations[0]]
	for w := range c.Wheels {
		a := c.standing(j, w, epoch)
		if a < 0 || !s.axis[a] {
			continue
		}
		at := showing(a)
		if s.frame[at[0]] == body {
			continue
		}
		var others []int
		for st, f := range s.frame {
			if f == body {
				others = append(others, st)
			}
		}
		return fmt.Errorf("%s, photographed at station %s, has nothing in common with the wheels of station %s but the floor: leave at least one pair of boards on its axle while another is moved, or fix a board to the chassis", c.Wheels[w], names(at), names(others))
	}
	return nil
}

// checkTurns makes sure that what the job says was turned was turned: the
// wheels of a sweep steered, lifted wheels spun.
func (n *network) checkTurns(s *State) error {
	j, c := n.job, n.cast
	for a, axis := range c.Axes {
		if n.lines[a] < 0 {
			continue
		}
		// Rolled wheels look steered, about an axis that lies.
		if up := s.BodyFromLine[a].R[2][2]; up < math.Cos(mostLean) {
			var at []string
			for st, stop := range j.Stations {
				if c.AxisAt[axis.Wheel][st] == a && n.steers[axis.Wheel][st] >= 0 {
					at = append(at, stop.Name)
				}
			}
			return fmt.Errorf("station %s: the job says that %s is steered there, but it turned about an axis %.0f degrees off the vertical, as if rolled: take steer_deg out if the vehicle was rolled, or hold the brakes, steer and photograph again", strings.Join(at, ", "), c.Wheels[axis.Wheel], math.Acos(up)*180/math.Pi)
		}
	}
	for st, stop := range j.Stations {
		most, any := 0.0, false
		for w := range c.Wheels {
			if n.steers[w][st] >= 0 {
				any, most = true, math.Max(most, math.Abs(s.Steer[w][st]))
			}
		}
		if any && most < leastSteer {
			return fmt.Errorf("station %s: the job says the wheels are steered by %.0f degrees there, the photographs say by %.1f at most: steer further, to 10 degrees or more, and photograph again, or take steer_deg out if they stood straight ahead", stop.Name, stop.Steer*180/math.Pi, most*180/math.Pi)
		}
	}
	for h, hang := range j.Hangs {
		var up []string
		for st, stop := range j.Stations {
			if n.seen.hang[h][st] && slices.Contains(stop.Lifted, hang.Wheel) {
				up = append(up, stop.Name)
			}
		}
		if len(up) == 0 || n.spread(s, h) >= LeastTurn {
			continue
		}
		board := j.Boards[hang.Board].Name
		if len(up) == 1 {
			return fmt.Errorf("%s is lifted at one station only (%s) and its board %s turned nowhere else: spin the wheel by 60 degrees or more and photograph it lifted once more, as a station of its own", hang.Wheel, up[0], board)
		}
		return fmt.Errorf("%s, lifted at stations %s, was spun by only %.1f degrees between them: spin it further, by 60 degrees or more, and photograph it again as another station", hang.Wheel, strings.Join(up, ", "), n.spread(s, h)*180/math.Pi)
	}
	return nil
}

// doubts are warnings about readings that stand on too little, or that cannot
// be.
func doubts(j *Job, s *Solution) []string {
	var out []string
	for _, e := range s.Readings {
		told := map[Wheel]bool{}
		out = append(out, radiusDoubts(j, e)...)
		out = append(out, sizeDoubts(j, e)...)
		if j.frontless(e.Stance.Wheels) {
			out = append(out, fmt.Sprintf("epoch %q: axle %d is not read on both sides, and the centreline is drawn through it: toe of single wheels, thrust angle, axle offsets and wheelbases are not told; photograph both its boards", e.Epoch, j.front()))
		}
		var far []string
		for _, r := range e.Readings {
			switch r.Quantity {
			case align.Track:
				if said := j.Vehicle.Axles[r.Axle-1].Track; math.Abs(r.Value-said) > farTrack {
					far = append(far, fmt.Sprintf("axle %d is %.0f mm wide where track_mm says %.0f", r.Axle, r.Value*1e3, said*1e3))
				}
			case align.Caster:
				// One line an axle, about its worse side.
				if told[Wheel{Axle: r.Axle}] {
					continue
				}
				told[Wheel{Axle: r.Axle}] = true
				u, steer := 0.0, math.Inf(1)
				for _, side := range []align.Side{align.Left, align.Right} {
					if k := e.Find(align.Caster, r.Axle, side); k >= 0 {
						u = math.Max(u, e.U(k))
					}
					if k := e.Find(align.MaxSteer, r.Axle, side); k >= 0 {
						steer = math.Min(steer, e.Readings[k].Value)
					}
				}
				if u > casterLimit && !math.IsInf(steer, 1) {
					out = append(out, fmt.Sprintf("epoch %q: the sweep of axle %d is too small: %.1f degrees of steer leave caster uncertain by %.2f degrees; %s", e.Epoch, r.Axle, steer*180/math.Pi, u*180/math.Pi, sweepFurther(u, steer)))
				}
			}
		}
		if len(far) > 0 {
			out = append(out, fmt.Sprintf("epoch %q: %s: check standoff_mm, square_mm and track_mm", e.Epoch, strings.Join(far, ", ")))
		}
	}
	return out
}

// unplaced names the boards that photographs show though the job says nowhere
// where they are.
func unplaced(j *Job, obs []Observation) []string {
	placed := make([]bool, len(j.Boards))
	for _, h := range j.Hangs {
		placed[h.Board] = true
	}
	for _, l := range j.Floor {
		placed[l.Board] = true
	}
	for _, b := range j.Body {
		placed[b] = true
	}
	count := make([]int, len(j.Boards))
	for _, o := range obs {
		if !placed[o.Board] {
			count[o.Board]++
		}
	}
	var names []string
	for b, n := range count {
		// One sighting may be a mistake of the marker's reading.
		if n > 1 {
			names = append(names, j.Boards[b].Name)
		}
	}
	if names == nil {
		return nil
	}
	return []string{fmt.Sprintf("boards seen but not used, since neither hangs, floor nor body says where they are: %s; add them there", strings.Join(names, ", "))}
}

// farTrack is how far a track may come out from what the job says, m: the job's
// is a start value, but a board's stand-off counts twice.
const farTrack = 0.15

// radiusDoubts compares the wheels' rolling radii with their tyres: one line a
// wheel, or one for all if none fits.
func radiusDoubts(j *Job, e EpochReadings) []string {
	var out []string
	compared := 0
	least, most := math.Inf(1), 0.0
	for i, r := range e.Readings {
		d := 0.0
		if r.Quantity == align.RollingRadius {
			d = j.Vehicle.Axles[r.Axle-1].TyreDiameter
		}
		if d <= 0 {
			continue
		}
		compared++
		if usualRadius(r.Value, e.U(i), d) {
			continue
		}
		share := r.Value / (d / 2)
		least, most = math.Min(least, share), math.Max(most, share)
		out = append(out, fmt.Sprintf("%s rolls with a radius of %.0f mm, %.2f of half its tyre diameter of %.0f mm, where %.2f to %.2f is usual: check tyre_diameter_mm and the tyre's pressure, and that neither the wheel slid nor its board slipped",
			Wheel{r.Axle, r.Side}, r.Value*1e3, share, d*1e3, leastRolled, mostRolled))
	}
	if len(out) == compared && compared > 2 {
		return []string{fmt.Sprintf("every wheel rolls with a radius of %.2f to %.2f of half its tyre diameter, where %.2f to %.2f is usual: check square_mm, print_scale and tyre_diameter_mm", least, most, leastRolled, mostRolled)}
	}
	return out
}

// casterLimit is the standard uncertainty of caster above which a sweep counts
// as too small, casterWanted what a larger one should reach, rad.
const (
	casterLimit  = 0.10 * math.Pi / 180
	casterWanted = 0.05 * math.Pi / 180
	furthest     = 35 * math.Pi / 180 // about as far as road wheels steer
)

// sweepFurther says how far to steer. What caster is uncertain by falls as the
// sine of the steer angle grows (DEVELOPERS.md has the numbers).
func sweepFurther(u, steer float64) string {
	if sin := math.Sin(steer) * u / casterWanted; sin < math.Sin(furthest) {
		return fmt.Sprintf("steer by about %.0f degrees to either side for %.2f", math.Ceil(math.Asin(sin)*180/math.Pi), casterWanted*180/math.Pi)
	}
	return fmt.Sprintf("steer as far as the wheels go, to either side, and photograph their boards from nearer and from more directions (at %.0f degrees it would still be %.2f)", furthest*180/math.Pi, u*math.Sin(steer)/math.Sin(furthest)*180/math.Pi)
}

// A tyre's rolled over its geometric circumference is 0.967 to 0.975 in
// published tyre tables (inflated diameter, load of the table). Less load or
// more pressure brings it towards 1, which it cannot pass; wear, load and too
// little pressure take a few hundredths off.
const leastRolled, mostRolled = 0.93, 1.00

// usualRadius tells whether a rolling radius, known to u, may be that of a tyre
// of this outer diameter, all m.
func usualRadius(radius, u, diameter float64) bool {
	return radius > leastRolled*diameter/2-3*u && radius < mostRolled*diameter/2+3*u
}
