package plan_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose"
	"wheelplane/pose/plan"
	"wheelplane/pose/rig"

	"gonum.org/v1/gonum/mat"
)

const degree = math.Pi / 180

// carriedOut has a scene photographed by a plan, as a person does it: floor boards
// laid by eye, standing off (sigma, m) and aiming off (sigma, rad).
func carriedOut(s *fixtures.Scene, p *plan.Plan, off, astray float64, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 0x706c616e))
	s.Job.Photos, s.Truth.Cameras = p.Job.Photos, nil
	layOut(s, p, r)
	for _, shot := range p.Shots {
		s.Truth.Cameras = append(s.Truth.Cameras, taken(shot, s.Truth.FloorFromBody[shot.Station], off, astray, r))
	}
}

// layOut lays a scene's floor boards where the plan has them, by eye; how high they
// lie, how level and how turned stays the scene's.
func layOut(s *fixtures.Scene, p *plan.Plan, r *rand.Rand) {
	for i, t := range p.State.FloorFromBoard {
		at := &s.Truth.FloorFromBoard[i].T
		at[0], at[1] = t.T[0]+0.05*r.NormFloat64(), t.T[1]+0.05*r.NormFloat64()
	}
}

// taken is the camera of a photograph taken as a shot says.
func taken(shot plan.Shot, floorFromBody pose.SE3, off, astray float64, r *rand.Rand) (cameraFromFloor pose.SE3) {
	at := floorFromBody.Apply(pose.Add(shot.At, pose.Vec{off * r.NormFloat64(), off * r.NormFloat64(), off / 2 * r.NormFloat64()}))
	aim := floorFromBody.Apply(shot.Aim)
	d := pose.Norm(pose.Sub(aim, at)) * astray
	aim = pose.Add(aim, pose.Vec{d * r.NormFloat64(), d * r.NormFloat64(), d * r.NormFloat64()})
	roll := 2 * degree * r.NormFloat64()
	if shot.Upright {
		roll += math.Pi / 2
	}
	return fixtures.LookAt(at, aim, roll)
}

// finds is what is found in photographs: more than a plan counts on.
var finds = plan.Detector{LeastSquarePx: 7, MostOblique: 80 * degree, Margin: 0.005}

// seen is what a scene's photographs would show: the corners that the true state
// has, as well known as a detector is foreseen to find them.
func seen(s *fixtures.Scene, d plan.Detector) []rig.Observation {
	var shots []plan.Shot
	for i, photo := range s.Job.Photos {
		shots = append(shots, plan.Through(s.Job, s.Truth, s.Truth.CameraOf(i), d, photo.Station, s.Truth.Cameras[i]))
	}
	_, _, obs := plan.WithShots(s.Job, s.Truth, shots)
	cast := s.Job.Cast()
	for v, o := range obs {
		camera := s.Truth.CameraOf(o.Photo)
		at, _, _ := cast.Placed(s.Truth, o.Board, s.Job.Photos[o.Photo].Station)
		for i, c := range o.Corners {
			px, ok := camera.Project(s.Truth.Cameras[o.Photo].Mul(at).Apply(s.Truth.Corner(s.Job.Boards[o.Board], o.Board, c.Index)))
			if !ok {
				panic("a corner is behind the camera")
			}
			obs[v].Corners[i].Px = px
		}
	}
	return obs
}

// shaken adds the errors that observations say they have: those of least length
// that their rows take to independent ones of unit variance.
func shaken(obs []rig.Observation, r *rand.Rand) []rig.Observation {
	out := make([]rig.Observation, len(obs))
	for v, o := range obs {
		rows := mat.NewDense(len(o.Joint.Rows), 2*len(o.Corners), nil)
		unit := mat.NewVecDense(len(o.Joint.Rows), nil)
		for i, row := range o.Joint.Rows {
			rows.SetRow(i, row)
			unit.SetVec(i, r.NormFloat64())
		}
		var e mat.VecDense
		if err := e.SolveVec(rows, unit); err != nil {
			panic(err)
		}
		out[v] = o
		out[v].Corners = slices.Clone(o.Corners)
		for i := range out[v].Corners {
			out[v].Corners[i].Px[0] += e.AtVec(2 * i)
			out[v].Corners[i].Px[1] += e.AtVec(2*i + 1)
		}
	}
	return out
}

// agreement is predicted over found, of the wanted readings by quantity.
func agreement(predicted, found []rig.EpochReadings) map[string][]float64 {
	ratios := map[string][]float64{}
	for e, set := range found {
		for i, r := range set.Readings {
			if k := predicted[e].FindLike(r); k >= 0 && plan.IsWanted(r) {
				ratios[string(r.Quantity)] = append(ratios[string(r.Quantity)], predicted[e].U(k)/set.U(i))
			}
		}
	}
	return ratios
}

// A plan knows the network: carried out a hand's breadth off, on a vehicle that is
// not nominal, it gives what was foretold.
func TestPlan(t *testing.T) {
	list := layouts[:2]
	if *whole {
		list = layouts
	}
	for _, l := range list {
		s, p := planned(t, l.name, l.turn, 0.02)
		carriedOut(s, p, 0.1, 1*degree, 21)
		found, err := rig.Predict(s.Job, s.Camera, seen(s, finds), s.Truth)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: %d photographs, u %.4f, met %v; in the scene %.4f", l.name, len(p.Shots), p.Worst/degree, p.Met, plan.Worst(found)/degree)
		for quantity, list := range agreement(p.Readings, found) {
			for _, r := range list {
				if r < 0.85 || r > 1.15 {
					t.Errorf("%s: %s: predicted over found %.3f", l.name, quantity, r)
				}
			}
		}
	}
}
