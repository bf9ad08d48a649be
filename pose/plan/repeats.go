package plan

import (
	"slices"

	"wheelplane/pose/rig"
)

// repeats is what photographs from one place have in common, counted as a solution
// does: each board's covariance is multiplied by 1 and what its photograph shares with
// each of the others. The zero value is of photographs that have nothing in common.
type repeats struct {
	out    *rig.Outlook
	boards [][]int // by photograph
	in     []int   // photographs that are there
	// counts is the factor of each board in them.
	counts map[int]map[int]float64
}

func newRepeats(out *rig.Outlook, obs []rig.Observation, photos int) repeats {
	r := repeats{out: out, boards: make([][]int, photos), counts: map[int]map[int]float64{}}
	for _, o := range obs {
		r.boards[o.Photo] = append(r.boards[o.Photo], o.Board)
	}
	return r
}

// worth is what photograph k adds where others are there, as a share of what it tells
// by itself, the mean over its boards: what it tells less what the others then tell
// less.
func (r *repeats) worth(k int) float64 {
	own := map[int]float64{}
	lost := 0.0
	for _, q := range r.in {
		share := r.out.Repeated(k, q)
		if share == 0 {
			continue
		}
		for _, b := range r.boards[k] {
			if f, both := r.counts[q][b]; both {
				own[b] += share
				lost += 1/f - 1/(f+share)
			}
		}
	}
	if len(own) == 0 {
		return 1
	}
	sum := -lost
	for _, b := range r.boards[k] {
		sum += 1 / (1 + own[b])
	}
	return max(0, sum) / float64(len(r.boards[k]))
}

// join adds photograph k (sign 1) or takes it out (sign −1) and lists the others that
// are there and tell less, or more, than before.
func (r *repeats) join(k int, sign float64) (changed []int) {
	if r.out == nil {
		return nil
	}
	if sign > 0 {
		r.counts[k] = map[int]float64{}
		for _, b := range r.boards[k] {
			r.counts[k][b] = 1
		}
	} else {
		r.in = slices.DeleteFunc(r.in, func(p int) bool { return p == k })
	}
	for _, q := range r.in {
		share := r.out.Repeated(k, q)
		if share == 0 {
			continue
		}
		common := false
		for _, b := range r.boards[k] {
			if _, both := r.counts[q][b]; both {
				r.counts[q][b] += sign * share
				r.counts[k][b] += sign * share
				common = true
			}
		}
		if common {
			changed = append(changed, q)
		}
	}
	if sign > 0 {
		r.in = append(r.in, k)
	} else {
		delete(r.counts, k)
	}
	return changed
}
