package plan

import (
	"slices"

	"wheelplane/pose/rig"
)

// rollsTo tells whether the vehicle can be rolled on its way to a station: nobody
// steers, lifts, adjusts or takes a board off there.
func rollsTo(job *rig.Job, st int) bool {
	if st == 0 {
		return false
	}
	s, before := job.Stations[st], job.Stations[st-1]
	taken := slices.ContainsFunc(job.Hangs, func(h rig.Hang) bool { return h.Stations.Has(st-1) && !h.Stations.Has(st) })
	return len(s.Lifted) == 0 && len(before.Lifted) == 0 && !s.Sweep && !taken && s.Epoch == before.Epoch
}

// Runs are the spans of stations that the vehicle is rolled through, first and
// last of each.
func Runs(job *rig.Job) (out [][2]int) {
	for st := range job.Stations {
		if rollsTo(job, st) {
			out[len(out)-1][1] = st
		} else {
			out = append(out, [2]int{st, st})
		}
	}
	return out
}

// WithStations returns a job without photos whose runs of two stations and more,
// or whose only station, are n stations long. Added ones come at the end of a run,
// and the last ones are left out.
func WithStations(job *rig.Job, n int) *rig.Job {
	out := job.Clone()
	out.Stations, out.Photos = nil, nil
	var from []int // stations of the job, by those of the new one
	taken := func(name string) bool {
		is := func(s rig.Station) bool { return s.Name == name }
		return slices.ContainsFunc(job.Stations, is) || slices.ContainsFunc(out.Stations, is)
	}
	for _, r := range Runs(job) {
		count := r[1] - r[0] + 1
		if count > 1 || len(job.Stations) == 1 {
			count = n
		}
		for k := range count {
			s := job.Stations[min(r[0]+k, r[1])]
			for i := 1; r[0]+k > r[1] && taken(s.Name); i++ {
				s.Name = job.StationName(len(job.Stations) + i)
			}
			from = append(from, min(r[0]+k, r[1]))
			out.Stations = append(out.Stations, s)
		}
	}
	moved := func(list rig.Stations) (now rig.Stations) {
		if list == nil {
			return nil
		}
		now = rig.Stations{} // none, where all of them were left out
		for st, f := range from {
			if list.Has(f) {
				now = append(now, st)
			}
		}
		return now
	}
	for i := range out.Hangs {
		out.Hangs[i].Stations = moved(out.Hangs[i].Stations)
	}
	for i := range out.Floor {
		out.Floor[i].Stations = moved(out.Floor[i].Stations)
	}
	return out
}
