package plan

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"wheelplane/pose"
	"wheelplane/pose/rig"
)

// Shot is a photograph to be taken.
type Shot struct {
	Station int
	At, Aim pose.Vec // where the camera is and looks, in the body's frame there: x forward, y left, z up from the ground, m
	Upright bool     // the phone, else flat
	Boards  []int    // in the picture

	CameraFromFloor pose.SE3
	views           []rig.Observation // by Boards
}

// lookAt returns the cameraFromFloor of a camera at a place, aimed at another,
// held level or upright.
func lookAt(at, aim pose.Vec, upright bool) pose.SE3 {
	z := pose.Unit(pose.Sub(aim, at))
	x := pose.Unit(pose.Cross(z, pose.Vec{0, 0, 1}))
	r := pose.FromColumns(x, pose.Cross(z, x), z)
	if upright {
		r = r.Mul(pose.RotZ(math.Pi / 2))
	}
	return pose.SE3{R: r, T: at}.Inverse()
}

// The places of a ring around the vehicle that a person photographs from: so far
// from its outline, so high, so far apart (m). What common sense says of a person
// with a phone in a bay; no source.
var (
	ringDistances = []float64{1.8, 2.6, 3.6}
	ringHeights   = []float64{1.0, 1.7}
)

const ringStep = 1.0

// mostSame is how many photographs of the same boards are thought of.
const mostSame = 5

// shotsAt lists the photographs worth thinking of at a station: of each place of
// the ring, flat and upright, those that show most boards together. See [Options.Steady].
func (sc *scene) shotsAt(station int, floorFromBody pose.SE3, steady bool) []Shot {
	var out []Shot
	for _, at := range sc.ring() {
		out = append(out, sc.shotsFrom(station, floorFromBody, at)...)
	}
	out = spread(out)
	kept := out[:0]
	for _, s := range out {
		if steady {
			s.Boards = sc.steady(&s, floorFromBody)
		}
		if sc.expect(&s); len(s.Boards) >= 2 {
			kept = append(kept, s)
		}
	}
	return kept
}

// ring is the places, in the body.
func (sc *scene) ring() []pose.Vec {
	x0, x1, y := sc.body[0][0], sc.body[1][0], sc.body[1][1]
	for _, t := range sc.at { // the boards before and behind the vehicle belong to it, and a kingpin's
		if p := sc.from.Apply(t.T); math.Abs(p[1]) < y {
			x0, x1 = math.Min(x0, p[0]), math.Max(x1, p[0])
		}
	}
	var out []pose.Vec
	for _, d := range ringDistances {
		// Straight along each side, in quarter circles round the corners.
		quarter := d * math.Pi / 2
		sides := []struct {
			length       float64
			from         [2]float64
			along, round float64 // heading; turned by per metre
		}{
			{x1 - x0, [2]float64{x1, y + d}, math.Pi, 0}, {quarter, [2]float64{x0, y + d}, math.Pi, 1 / d},
			{2 * y, [2]float64{x0 - d, y}, -math.Pi / 2, 0}, {quarter, [2]float64{x0 - d, -y}, -math.Pi / 2, 1 / d},
			{x1 - x0, [2]float64{x0, -y - d}, 0, 0}, {quarter, [2]float64{x1, -y - d}, 0, 1 / d},
			{2 * y, [2]float64{x1 + d, -y}, math.Pi / 2, 0}, {quarter, [2]float64{x1 + d, y}, math.Pi / 2, 1 / d},
		}
		for _, s := range sides {
			n := max(1, int(math.Round(s.length/ringStep)))
			for k := range n {
				way := s.length * (float64(k) + 0.5) / float64(n)
				p := [2]float64{s.from[0] + way*math.Cos(s.along), s.from[1] + way*math.Sin(s.along)}
				if s.round > 0 {
					h := s.along + way*s.round
					p = [2]float64{s.from[0] + (math.Sin(h)-math.Sin(s.along))/s.round, s.from[1] - (math.Cos(h)-math.Cos(s.along))/s.round}
				}
				for _, z := range ringHeights {
					out = append(out, pose.Vec{p[0], p[1], z})
				}
			}
		}
	}
	return out
}

// shotsFrom lists the photographs from one place: aimed between boards that can
// be seen from there, those of which no other shows all that they show.
func (sc *scene) shotsFrom(station int, floorFromBody pose.SE3, at pose.Vec) []Shot {
	eye := floorFromBody.Apply(at)
	// Boards that a camera aimed straight at them would see.
	type near struct {
		i    int
		side float64 // heading from the eye
	}
	var list []near
	for i, t := range sc.at {
		d := pose.Sub(t.T, eye)
		if pose.Norm(d) > 9 || !sc.seen(lookAt(eye, t.T, false), eye, i) {
			continue
		}
		list = append(list, near{i, math.Atan2(d[1], d[0])})
	}
	if len(list) < 2 {
		return nil
	}
	// In the order of their headings, from the middle of all of them.
	mid := math.Atan2(sc.from.Inverse().T[1]-eye[1], sc.from.Inverse().T[0]-eye[0])
	for i := range list {
		list[i].side = math.Remainder(list[i].side-mid, 2*math.Pi)
	}
	slices.SortFunc(list, func(a, b near) int { return cmp.Compare(a.side, b.side) })
	var out []Shot
	for a := range list {
		for b := a + 1; b < len(list) && b < a+4; b++ {
			var aim pose.Vec
			for _, l := range list[a : b+1] {
				// Directions, not places: near and far boards count alike.
				aim = pose.Add(aim, pose.Unit(pose.Sub(sc.at[l.i].T, eye)))
			}
			aim = pose.Add(eye, pose.Scale(3/pose.Norm(aim), aim))
			for _, upright := range []bool{false, true} {
				s := Shot{Station: station, At: at, Aim: sc.from.Apply(aim), Upright: upright, CameraFromFloor: lookAt(eye, aim, upright)}
				sc.look(&s, eye)
				if len(s.Boards) >= 2 {
					out = append(out, s)
				}
			}
		}
	}
	var best []Shot
	slices.SortStableFunc(out, func(a, b Shot) int { return cmp.Compare(len(b.Boards), len(a.Boards)) })
	for _, s := range out {
		if !slices.ContainsFunc(best, func(o Shot) bool {
			return !slices.ContainsFunc(s.Boards, func(b int) bool { return !slices.Contains(o.Boards, b) })
		}) {
			best = append(best, s)
		}
	}
	return best
}

// look fills in what a shot shows.
func (sc *scene) look(s *Shot, eye pose.Vec) {
	s.Boards = nil
	for i, b := range sc.boards {
		if sc.seen(s.CameraFromFloor, eye, i) {
			s.Boards = append(s.Boards, b)
		}
	}
}

// expect fills in what the boards that a shot shows would tell.
func (sc *scene) expect(s *Shot) {
	s.views = nil
	kept := s.Boards[:0]
	for i, b := range sc.boards {
		if !slices.Contains(s.Boards, b) {
			continue
		}
		if v, ok := sc.view(s.CameraFromFloor, i); ok {
			kept, s.views = append(kept, b), append(s.views, v)
		}
	}
	s.Boards = kept
}

// spread keeps, of photographs of the same boards, a few far from each other.
func spread(list []Shot) []Shot {
	var order []string
	by := map[string][]Shot{}
	for _, s := range list {
		key := fmt.Sprint(s.Boards)
		if by[key] == nil {
			order = append(order, key)
		}
		by[key] = append(by[key], s)
	}
	var out []Shot
	for _, key := range order {
		same := by[key]
		kept := same[:1:1]
		for len(kept) < min(mostSame, len(same)) {
			far, at := 0.0, -1
			for i, s := range same {
				d := math.Inf(1)
				for _, k := range kept {
					d = math.Min(d, pose.Norm(pose.Sub(s.At, k.At)))
				}
				if d > far {
					far, at = d, i
				}
			}
			if at < 0 {
				break
			}
			kept = append(kept, same[at])
		}
		out = append(out, kept...)
	}
	return out
}

// FloorPlaces is where to lay n floor boards, in the body at the first station:
// before and behind the vehicle, which ties its sides together; then along gaps
// between axles that are too long to look across; then beside those and beside
// the first wheels.
func FloorPlaces(job *rig.Job, n int) []pose.SE3 {
	last := len(job.Vehicle.Axles) - 1
	front, rear := axleX(job, 0), axleX(job, last)
	ahead, behind := front+2.2*radius(job.Vehicle.Axles[0])+1.0, rear-1.9
	across := job.Vehicle.Axles[0].Track/2 - 0.17
	side := job.Vehicle.Axles[0].Track/2 + 0.75
	places := [][2]float64{{ahead, 0}, {behind, 0}}
	for a := 1; a <= last; a++ {
		from, to := axleX(job, a-1), axleX(job, a)
		if gaps := int((from - to) / 2.6); gaps > 0 {
			for k := 1; k <= gaps; k++ {
				x := to + (from-to)*float64(k)/float64(gaps+1) + 0.2
				places = append(places, [2]float64{x, side}, [2]float64{x, -side})
			}
		}
	}
	places = append(places, [2]float64{ahead, across}, [2]float64{ahead, -across}, [2]float64{behind, across}, [2]float64{behind, -across},
		[2]float64{front + 0.8, side}, [2]float64{front + 0.8, -side})
	for k := 0; len(places) < n; k++ { // more of them than are of use
		places = append(places, [2]float64{ahead + 0.6*float64(1+k/2), across * float64(1-2*(k%2))})
	}
	var out []pose.SE3
	for _, p := range places[:n] {
		out = append(out, pose.SE3{R: pose.IdentityRotation(), T: pose.Vec{p[0], p[1], job.Priors.FloorThickness}})
	}
	return out
}

// BodyPlaces is where boards on the chassis would be: the kingpin's at the front,
// looking ahead, the others by turns on the left and right, half way along.
func BodyPlaces(job *rig.Job) []pose.SE3 {
	left := pose.FromColumns(pose.Vec{-1, 0, 0}, pose.Vec{0, 0, 1}, pose.Vec{0, 1, 0})
	ahead := pose.FromColumns(pose.Vec{0, 1, 0}, pose.Vec{0, 0, 1}, pose.Vec{1, 0, 0})
	last := len(job.Vehicle.Axles) - 1
	y := job.Vehicle.Axles[0].Track/2 + 0.2
	var out []pose.SE3
	sides := 0
	for _, b := range job.Body {
		if job.Kingpin != nil && job.Kingpin.Board == b {
			// As far ahead of the first axle as on most semi-trailers (common
			// practice, no source).
			out = append(out, pose.SE3{R: ahead, T: pose.Vec{axleX(job, 0) + 5.4, 0, 1.05}})
			continue
		}
		x := (axleX(job, 0)+axleX(job, last))/2 + 0.6*float64(sides/2)
		t := pose.SE3{R: left, T: pose.Vec{x, y, 0.95}}
		if sides%2 == 1 {
			t = pose.SE3{R: pose.RotZ(math.Pi).Mul(left), T: pose.Vec{x, -y, 0.95}}
		}
		out = append(out, t)
		sides++
	}
	return out
}
