package plan

import (
	"slices"

	"wheelplane/pose"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// halfMetre is how far beside a place a person may stand, m.
const halfMetre = 0.5

// steady lists the boards of a shot that are in the picture too from half a metre
// beside, nearer or farther, aimed at the middle of them: what a person with a list
// in hand gets for certain.
func (sc *scene) steady(s *Shot, floorFromBody pose.SE3) (boards []int) {
	eye := floorFromBody.Apply(s.At)
	ahead := pose.Unit(pose.Vec{s.Aim[0] - s.At[0], s.Aim[1] - s.At[1], 0})
	across := pose.Vec{-ahead[1], ahead[0], 0}
	var list []int // of the scene's boards
	for i, b := range sc.boards {
		if slices.Contains(s.Boards, b) {
			list = append(list, i)
		}
	}
	for _, way := range []pose.Vec{{}, across, pose.Scale(-1, across), ahead, pose.Scale(-1, ahead)} {
		e := pose.Add(eye, floorFromBody.R.Apply(pose.Scale(halfMetre, way)))
		for n := -1; n != len(list) && len(list) >= 2; { // aimed anew once a board is left out
			n = len(list)
			camera := lookAt(e, sc.middle(e, list), s.Upright)
			list = slices.DeleteFunc(list, func(i int) bool { return !sc.seen(camera, e, i) })
		}
	}
	for _, i := range list {
		boards = append(boards, sc.boards[i])
	}
	return boards
}

// middle is a place to aim at from the eye: amid the directions of boards.
func (sc *scene) middle(eye pose.Vec, list []int) (aim pose.Vec) {
	for _, i := range list {
		// Directions, not places: near and far boards count alike.
		aim = pose.Add(aim, pose.Unit(pose.Sub(sc.at[i].T, eye)))
	}
	return pose.Add(eye, pose.Scale(3/pose.Norm(aim), aim))
}

// Retake takes a shot again where the job's state is another, off beside its place
// (in the body, m), aimed at the middle of the boards that it names; ok is false
// where that shows fewer than two of them.
func Retake(job *rig.Job, s *rig.State, camera vision.Camera, d Detector, shot Shot, off pose.Vec) (Shot, bool) {
	sc := sceneAt(job, job.Cast(), s, &camera, d, shot.Station)
	t := s.FloorFromBody[shot.Station]
	eye := t.Apply(pose.Add(shot.At, off))
	var list []int
	for i, b := range sc.boards {
		if slices.Contains(shot.Boards, b) {
			list = append(list, i)
		}
	}
	aim := sc.middle(eye, list)
	out := Shot{Station: shot.Station, At: pose.Add(shot.At, off), Aim: t.Inverse().Apply(aim), Upright: shot.Upright, CameraFromFloor: lookAt(eye, aim, shot.Upright)}
	sc.look(&out, eye)
	sc.expect(&out)
	return out, len(out.Boards) >= 2
}

// inFull returns shots with all the boards that are in their pictures.
func inFull(job *rig.Job, camera vision.Camera, s *rig.State, shots []Shot, d Detector) []Shot {
	var out []Shot
	var sc *scene
	for i, shot := range shots {
		if i == 0 || shot.Station != shots[i-1].Station {
			sc = sceneAt(job, job.Cast(), s, &camera, d, shot.Station)
		}
		sc.look(&shot, shot.CameraFromFloor.Inverse().T)
		sc.expect(&shot)
		out = append(out, shot)
	}
	return out
}
