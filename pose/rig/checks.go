package rig

import (
	"fmt"
	"math"
	"strings"
)

// leastSteer is how far the wheels must be steered at a station of a sweep,
// rad, to tell anything of the steering axis.
const leastSteer = 2 * math.Pi / 180

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
				if s.hang[h][st] && c.AxisAt[c.wheelOf[h]][st] == axis && index(out, st) < 0 {
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
			if n.seen.hang[h][st] && index(stop.Lifted, hang.Wheel) >= 0 {
				up = append(up, stop.Name)
			}
		}
		if len(up) == 0 || n.spread(s, h) >= leastTurn {
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
