package rig

import (
	"math"

	"wheelplane/pose"
)

// Photographs of a board from one place err together in part: lens, focus and light
// make the same of the same picture. A board's errors in two such photographs,
// rendered as a phone takes them, correlate by 0.1 to 0.4 (DEVELOPERS.md, A job from
// phone pictures), and by less the further apart the places are.
const (
	repeatShare = 0.25
	repeatApart = 0.15 // m: where the rest of it is 1/√e
)

// repeated is the share of a board's variance that two photographs of it have in
// common whose places are so far apart, m.
func repeated(apart float64) float64 {
	d := apart / repeatApart
	share := repeatShare * math.Exp(-d*d/2)
	if share < 0.001 {
		return 0
	}
	return share
}

// repeats returns by how much the covariance of each view is to be multiplied so that
// the mean of all photographs from its place is as uncertain as it is: 1 and what it
// shares with each of the others. nil where no place was photographed from twice.
func (n *network) repeats(obs []Observation) []float64 {
	type of struct{ board, station int }
	at := map[of][]int{}
	place := make([]pose.Vec, len(obs))
	for v, part := range n.views {
		if part.id < 0 {
			continue
		}
		x := make([][]float64, len(part.blocks))
		for i, b := range part.blocks {
			x[i] = n.p.Value(b)
		}
		links, _ := part.f.chain(x)
		place[v] = links[len(part.f.links)-1].cameraFromInner.Inverse().T
		o := of{obs[v].Board, n.job.Photos[obs[v].Photo].Station}
		at[o] = append(at[o], v)
	}
	out := make([]float64, len(obs))
	for v := range out {
		out[v] = 1
	}
	found := false
	for _, views := range at {
		for i, v := range views {
			for _, w := range views[:i] {
				share := repeated(pose.Norm(pose.Sub(place[v], place[w])))
				if share == 0 {
					continue
				}
				out[v] += share
				out[w] += share
				found = true
			}
		}
	}
	if !found {
		return nil
	}
	return out
}
