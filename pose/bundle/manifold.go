package bundle

import "wheelplane/pose"

// Manifold says how the value of a block moves by a small step.
type Manifold interface {
	// Dim is the number of components of a step (of the tangent space).
	Dim() int
	// Plus writes to out the value x moved by the step delta, of length Dim.
	// A zero step leaves x as it is. out has the length of x and is not x.
	Plus(x, delta, out []float64)
}

// Euclidean is the manifold of vectors of length n, which move by addition.
func Euclidean(n int) Manifold {
	if n < 1 {
		panic("bundle: a vector needs at least one component")
	}
	return euclidean(n)
}

type euclidean int

func (e euclidean) Dim() int { return int(e) }

func (e euclidean) Plus(x, delta, out []float64) {
	for i := range out {
		out[i] = x[i] + delta[i]
	}
}

// PoseManifold is the manifold of rigid transforms. The value has twelve
// numbers, R row by row and then T (see [PutPose]); the step has six, the
// (ω, τ) of [pose.SE3.Plus]: radians, then metres.
var PoseManifold Manifold = poseManifold{0}

// PoseSize is the length of the value of a block on [PoseManifold].
const PoseSize = 12

// PoseWith is the manifold of rigid transforms with n numbers that belong to
// them: they follow the transform in the value, its step in the step, and move
// by addition.
func PoseWith(n int) Manifold {
	if n < 0 {
		panic("bundle: a transform cannot have fewer than no numbers beside it")
	}
	return poseManifold{n}
}

type poseManifold struct{ beside int }

func (p poseManifold) Dim() int { return 6 + p.beside }

func (p poseManifold) Plus(x, delta, out []float64) {
	PutPose(out, GetPose(x).Plus([6]float64(delta)))
	for i := range p.beside {
		out[PoseSize+i] = x[PoseSize+i] + delta[6+i]
	}
}

// PutPose writes t to the twelve numbers of x.
func PutPose(x []float64, t pose.SE3) {
	_ = x[PoseSize-1]
	for i := range 3 {
		copy(x[3*i:], t.R[i][:])
	}
	copy(x[9:], t.T[:])
}

// GetPose is the inverse of [PutPose].
func GetPose(x []float64) pose.SE3 {
	return pose.SE3{
		R: pose.SO3{[3]float64(x[0:3]), [3]float64(x[3:6]), [3]float64(x[6:9])},
		T: [3]float64(x[9:12]),
	}
}

// PoseValue returns t as a new value for [Problem.AddBlock].
func PoseValue(t pose.SE3) []float64 {
	x := make([]float64, PoseSize)
	PutPose(x, t)
	return x
}
