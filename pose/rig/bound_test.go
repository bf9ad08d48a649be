package rig_test

import (
	"context"
	"flag"
	"fmt"
	"math"
	"os"
	"slices"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

var allJobs = flag.Bool("accuracy", false, "hold 300 drawn jobs against the bound of their network and print the table; see 'make accuracy'")

// A tally gathers the errors of one kind of reading. Those of one job hang
// together, so its scatter is that between jobs.
type tally struct {
	n, covered     int
	bound, stated  float64   // errors squared over the bound's variance, over the stated one
	least, most    float64   // stated uncertainty over the bound's
	jobs           []float64 // mean of errors squared over the bound's variance, by job
	ofJob, inOfJob float64
}

func (a *tally) add(err, bound, stated float64) {
	if a.n == 0 {
		a.least = math.Inf(1)
	}
	a.n++
	e := err * err / (bound * bound)
	a.bound += e
	a.stated += err * err / (stated * stated)
	a.least, a.most = math.Min(a.least, stated/bound), math.Max(a.most, stated/bound)
	if math.Abs(err) < 1.96*stated {
		a.covered++
	}
	a.ofJob, a.inOfJob = a.ofJob+e, a.inOfJob+1
}

func (a *tally) endJob() {
	if a.inOfJob > 0 {
		a.jobs = append(a.jobs, a.ofJob/a.inOfJob)
	}
	a.ofJob, a.inOfJob = 0, 0
}

// ratio is the root mean square error over the bound, with its standard error
// from the scatter between jobs.
func (a *tally) ratio() (r, se float64) {
	r = math.Sqrt(a.bound / float64(a.n))
	var sum, sq float64
	for _, v := range a.jobs {
		sum, sq = sum+v, sq+v*v
	}
	k := float64(len(a.jobs))
	spread := math.Sqrt(math.Max(0, sq/k-sum*sum/(k*k)) / math.Max(1, k-1))
	return r, spread / (2 * r)
}

func (a *tally) coverage() float64 { return 100 * float64(a.covered) / float64(a.n) }

// TestNetworkReachesItsBound solves jobs of all scenes with drawn corners, and
// holds the error of every reading against its Cramer-Rao bound: the
// covariance at the true state, which no fit has touched ([rig.Bound]; that it
// is the right one for a network TestAgainstCeres tells).
func TestNetworkReachesItsBound(t *testing.T) {
	jobs := 24
	if *allJobs {
		jobs = 300
	} else if testing.Short() {
		jobs = 12
	}
	scenes, noise := fixtures.SceneNames(), []float64{0.01, 0.03, 0.05, 0.1}
	scenes = slices.DeleteFunc(scenes, func(s [2]string) bool { return s[0] == "jig" }) // the harbour car's geometry once more
	var order []string
	by := map[string]*tally{}
	for k := range jobs {
		name, sigma, seed := scenes[k%len(scenes)][0], noise[k/len(scenes)%len(noise)], uint64(1000+k)
		s := newScene(t, name, seed)
		obs := s.DrawCorners(sigma, maxOblique, seed)
		bound, err := rig.Bound(s.Job, s.Camera, obs, s.Truth)
		if err != nil {
			t.Fatalf("scene %s seed %d: %v", name, seed, err)
		}
		truth, err := s.World.Truth(s.Truth)
		if err != nil {
			t.Fatal(err)
		}
		sol, err := rig.Solve(context.Background(), s.Job, s.Camera, obs, rig.Options{})
		if err != nil {
			t.Fatalf("scene %s seed %d: %v", name, seed, err)
		}
		if len(sol.Network.Faults) > 0 {
			t.Errorf("scene %s seed %d: nothing went wrong, but found %v", name, seed, sol.Network.Faults)
		}
		for e, set := range sol.Readings {
			for i, r := range set.Readings {
				real, b := truth[e].FindLike(r), bound[e].FindLike(r)
				if real < 0 || b < 0 {
					t.Fatalf("scene %s seed %d: no truth or bound of %v", name, seed, r)
				}
				if r.Quantity == align.Runout && truth[e].Readings[real].Value < 5*bound[e].U(b) {
					continue // a length near zero: its error is not Gaussian
				}
				for _, key := range []string{string(r.Quantity), "all", fmt.Sprintf("corners drawn at %g px", sigma)} {
					if by[key] == nil {
						by[key] = &tally{}
						order = append(order, key)
					}
					by[key].add(r.Value-truth[e].Readings[real].Value, bound[e].U(b), set.U(i))
				}
			}
		}
		for _, a := range by {
			a.endJob()
		}
	}
	slices.Sort(order)
	say := t.Logf
	if *allJobs {
		say = func(format string, v ...any) { fmt.Fprintf(os.Stdout, format+"\n", v...) }
	}
	say("| reading, of %d jobs | number | RMSE over bound | normalised | 95 %% intervals cover | stated u over bound |", jobs)
	say("| --- | --- | --- | --- | --- | --- |")
	for _, key := range order {
		a := by[key]
		r, se := a.ratio()
		say("| %s | %d | %.3f ± %.3f | %.3f | %.1f %% | %.3f to %.3f |", key, a.n, r, se, a.stated/float64(a.n), a.coverage(), a.least, a.most)
		if r > 1.1+3*se {
			t.Errorf("%s: root mean square error %.3f ± %.3f times the bound, want at most 1.1", key, r, se)
		}
	}
	most, least, cover := 1.15, 91.0, 98.0
	if *allJobs {
		most, least, cover = 1.1, 93, 97
	}
	a := by["all"]
	if r, _ := a.ratio(); r > most {
		t.Errorf("root mean square error %.3f times the bound, want at most %.2f", r, most)
	}
	if c := a.coverage(); c < least || c > cover {
		t.Errorf("95 %% intervals cover %.1f %%, want %.0f to %.0f", c, least, cover)
	}
}
