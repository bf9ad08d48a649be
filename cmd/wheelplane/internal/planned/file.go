// Package planned tells a plan of photographs: as plan.json, in words, and as
// drawings to take along under a vehicle.
package planned

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/pose/plan"
	"wheelplane/pose/rig"
)

const degree = math.Pi / 180

// File is plan.json. Places are in mm from the middle of axle 1 on the ground as
// the vehicle stands there: forward, to the left, up.
type File struct {
	Stations []Station     `json:"stations"`
	TurnDeg  float64       `json:"turn_deg"` // of the wheels between stations
	Shots    []Shot        `json:"shots"`
	Floor    []Board       `json:"floor_boards"`
	RolledMM []float64     `json:"rolled_mm"` // by station
	WantedU  float64       `json:"wanted_u_deg"`
	WorstU   float64       `json:"worst_u_deg"` // of camber, toe, thrust and scrub
	Met      bool          `json:"met"`
	Differs  []string      `json:"differs_from_job,omitempty"`
	Curve    []CurvePoint  `json:"photos_and_u"`
	Tried    []Trial       `json:"tried,omitempty"`
	Trades   *Trades       `json:"trades,omitempty"`
	Expected []rig.Reading `json:"expected"` // value: nominal
}

// Station is where the vehicle stands, and what is done to bring it there.
type Station struct {
	Name   string  `json:"name"`
	Do     string  `json:"do"`
	RollMM float64 `json:"roll_mm,omitempty"`
	Photos int     `json:"photos"`
}

// Shot is a photograph to be taken.
type Shot struct {
	Number  int        `json:"number"`
	Station string     `json:"station"`
	Where   string     `json:"where"`
	AtMM    [3]float64 `json:"at_mm"`
	AimMM   [3]float64 `json:"aim_mm"`
	Phone   string     `json:"phone"` // "flat" or "upright"
	Boards  []string   `json:"boards"`
}

// Board is one on the floor. One that no photograph shows need not be laid.
type Board struct {
	Board  string     `json:"board"`
	Where  string     `json:"where"`
	AtMM   [2]float64 `json:"at_mm"`
	Unused bool       `json:"unused,omitempty"`
}

// CurvePoint is the largest uncertainty with so many photographs.
type CurvePoint struct {
	Photos int     `json:"photos"`
	WorstU float64 `json:"worst_u_deg"`
}

// Trial is a way of going about the job that was tried.
type Trial struct {
	Stations int     `json:"stations"`
	TurnDeg  float64 `json:"turn_deg"`
	Floor    string  `json:"floor_boards"`
	Photos   int     `json:"photos"`
	WorstU   float64 `json:"worst_u_deg"`
}

func mm(v float64) float64 { return math.Round(v * 1e3) }

// toFirst takes the body's coordinates to those from axle 1.
func toFirst(j *rig.Job, v pose.Vec) pose.Vec {
	v[0] -= j.Vehicle.Axles[j.Vehicle.Reference-1].Position - j.Vehicle.Axles[0].Position
	return v
}

// NewFile tells a choice for a job; wanted in rad.
func NewFile(job *rig.Job, c *plan.Choice, wanted float64) *File {
	j := c.Job
	f := &File{TurnDeg: round(c.Turn/degree, 4), WantedU: round(wanted/degree, 6), WorstU: worstAngle(c.Readings) / degree, Met: c.Met, Expected: rig.ForFiles(c.Readings), Floor: []Board{}, Differs: differs(job, c)}
	f.Shots = Shots(j, c.Shots)
	shown := map[int]bool{}
	for _, s := range c.Shots {
		for _, b := range s.Boards {
			shown[b] = true
		}
	}
	for i, t := range c.State.FloorFromBoard {
		at := toFirst(j, t.T)
		f.Floor = append(f.Floor, Board{j.Boards[j.Floor[i].Board].Name, where(j, at), [2]float64{mm(at[0]), mm(at[1])}, !shown[j.Floor[i].Board]})
	}
	for st, r := range c.Rolled {
		f.RolledMM = append(f.RolledMM, mm(r))
		s := Station{Name: j.Stations[st].Name}
		if st > 0 {
			s.RollMM = mm(r) - f.RolledMM[st-1]
		}
		s.Do = do(j, st, s.RollMM, c.Turn)
		for _, x := range c.Shots {
			if x.Station == st {
				s.Photos++
			}
		}
		f.Stations = append(f.Stations, s)
	}
	for i, u := range c.Trade {
		if !math.IsInf(u, 0) {
			f.Curve = append(f.Curve, CurvePoint{i + 1, u / degree})
		}
	}
	for _, t := range c.Tried {
		f.Tried = append(f.Tried, Trial{t.Stations, round(t.Turn/degree, 4), t.Floor, t.Photos, t.Worst / degree})
	}
	return f
}

func round(v float64, digits int) float64 {
	k := math.Pow(10, float64(digits))
	return math.Round(v*k) / k
}

// worstAngle is the largest uncertainty of what a plan works for first: camber,
// toe, thrust and scrub, rad.
func worstAngle(list []rig.EpochReadings) (u float64) {
	for _, set := range list {
		for i, r := range set.Readings {
			if plan.Share(r.Quantity) == 1 {
				u = math.Max(u, set.U(i))
			}
		}
	}
	return u
}

// Name is the file of a plan in a job's folder.
const Name = "plan.json"

// NextPhotos are the plan's shots as a step of the work has them.
func (f *File) NextPhotos() (out []rig.NextPhoto) {
	for _, s := range f.Shots {
		out = append(out, rig.NextPhoto{Station: s.Station, Where: s.Where, AtMM: s.AtMM, AimMM: s.AimMM, Phone: s.Phone, Boards: s.Boards})
	}
	return out
}

// Shots tells photographs of a job, numbered from 1.
func Shots(j *rig.Job, list []plan.Shot) (out []Shot) {
	for i, s := range list {
		at, aim := toFirst(j, s.At), toFirst(j, s.Aim)
		shot := Shot{Number: i + 1, Station: j.Stations[s.Station].Name, Where: where(j, at), Phone: "flat",
			AtMM: [3]float64{mm(at[0]), mm(at[1]), mm(at[2])}, AimMM: [3]float64{mm(aim[0]), mm(aim[1]), mm(aim[2])}}
		if s.Upright {
			shot.Phone = "upright"
		}
		for _, b := range s.Boards {
			shot.Boards = append(shot.Boards, j.Boards[b].Name)
		}
		out = append(out, shot)
	}
	return out
}

// nearest returns the axle nearest to a place along the vehicle, x from axle 1,
// and how far ahead of it that is.
func nearest(j *rig.Job, x float64) (axle int, off float64) {
	off = math.Inf(1)
	for i, a := range j.Vehicle.Axles {
		if d := x + a.Position; math.Abs(d) < math.Abs(off) {
			axle, off = i, d
		}
	}
	return axle, off
}

// where says a place, from the middle of axle 1, in words: from the nearest axle
// along, from the wheels outwards.
func where(j *rig.Job, at pose.Vec) string {
	axle, off := nearest(j, at[0])
	along := wording.Say("where.level", "axle", axle+1)
	if by := fmt.Sprintf("%.1f", math.Abs(off)); off > 0.15 {
		along = wording.Say("where.ahead", "by", by, "axle", axle+1)
	} else if off < -0.15 {
		along = wording.Say("where.behind", "by", by, "axle", axle+1)
	}
	half := j.Vehicle.Axles[axle].Track / 2
	left := at[1] >= 0
	switch out := math.Abs(at[1]) - half; {
	case math.Abs(at[1]) < 0.15:
		return wording.Say("where.middle", "along", along)
	case out > 0.15 && left:
		return wording.Say("where.out.left", "along", along, "by", fmt.Sprintf("%.1f", out))
	case out > 0.15:
		return wording.Say("where.out.right", "along", along, "by", fmt.Sprintf("%.1f", out))
	case left:
		return wording.Say("where.left", "along", along, "by", fmt.Sprintf("%.1f", math.Abs(at[1])))
	default:
		return wording.Say("where.right", "along", along, "by", fmt.Sprintf("%.1f", math.Abs(at[1])))
	}
}

// do says what brings the vehicle to a station, as a sentence.
func do(j *rig.Job, st int, rollMM, turn float64) string {
	s := j.Stations[st]
	lifted := func(k int) bool { return k >= 0 && len(j.Stations[k].Lifted) > 0 }
	var parts []string
	add := func(format string, args ...any) { parts = append(parts, fmt.Sprintf(format, args...)) }
	if st == 0 {
		add("Leave the vehicle where it stands, brakes on, wheels chocked.")
	}
	if text := rehung(j, st); text != "" {
		add("%s.", text)
		if rollMM == 0 && len(s.Lifted) == 0 && !s.Sweep {
			add("Do not roll.")
		}
	}
	switch {
	case s.Sweep:
		side := "left"
		if s.Steer < 0 {
			side = "right"
		}
		add("Do not roll. Brakes held, steer about %.0f degrees to the %s.", math.Abs(s.Steer)/degree, side)
	case lifted(st) && lifted(st-1):
		add("Spin the lifted wheels by 75 degrees, each slowly by hand; do not roll.")
	case lifted(st):
		add("Chock the wheels that stay down, lift axle %s, set it on stands; do not roll.", axlesOf(s.Lifted))
	case lifted(st - 1):
		add("Lower the lifted wheels, let them settle.")
	}
	switch {
	case st > 0 && s.Epoch != j.Stations[st-1].Epoch:
		add("First do what makes it %q.", s.Epoch)
	case rollMM > 0:
		add("Roll forward by %.0f mm, %.0f degrees of the wheels. A few percent do not matter. Brakes on once it stands; chock.", rollMM, turn/degree)
	}
	if st > 0 && j.Stations[st-1].Sweep && !s.Sweep {
		parts = slices.Insert(parts, 0, "Steer straight ahead.")
	}
	return strings.Join(parts, " ")
}

// rehung says which boards are taken off and clamped on before a station.
func rehung(j *rig.Job, st int) string {
	if st == 0 {
		return ""
	}
	var parts []string
	for _, h := range j.Hangs {
		if !h.Stations.Has(st) || h.Stations.Has(st-1) {
			continue
		}
		from := slices.IndexFunc(j.Hangs, func(o rig.Hang) bool { return o.Board == h.Board && o.Stations.Has(st-1) })
		if from >= 0 {
			parts = append(parts, fmt.Sprintf("%s from %s to %s", j.Boards[h.Board].Name, j.Hangs[from].Wheel, h.Wheel))
		} else {
			parts = append(parts, fmt.Sprintf("%s on to %s", j.Boards[h.Board].Name, h.Wheel))
		}
	}
	if parts == nil {
		return ""
	}
	return "Clamp board " + strings.Join(parts, ", ")
}

// axlesOf names the axles of wheels: 1 and 2.
func axlesOf(list []rig.Wheel) string {
	var out []string
	for _, w := range list {
		if n := fmt.Sprint(w.Axle); !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	return strings.Join(out, " and ")
}

// differs says in what a plan is for another job than job.yaml tells, and what to
// do about it.
func differs(job *rig.Job, c *plan.Choice) (out []string) {
	if now, then := len(job.Stations), len(c.Job.Stations); now != then {
		var names []string
		for _, s := range c.Job.Stations {
			names = append(names, s.Name)
		}
		out = append(out, fmt.Sprintf("job.yaml has %s, this plan %d: %s. 'wheelplane plan DIR --apply' writes these into it; or plan with --stations for those that it has.", wording.Count(now, "station"), then, strings.Join(names, ", ")))
	}
	return out
}

// names of readings in the order they are told.
var told = []struct {
	quantity align.Quantity
	name     string
}{{align.Camber, "camber"}, {align.Toe, "toe"}, {align.ThrustAngle, "thrust"}, {align.ScrubAngle, "scrub"}, {align.Caster, "caster"}, {align.Kingpin, "kingpin incl."}}
