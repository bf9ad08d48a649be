package rig

import (
	"math"

	"wheelplane/pose"
	"wheelplane/pose/bundle"
	"wheelplane/vision"
)

// planarPose is one solution of a board's pose in one photograph.
type planarPose struct {
	cameraFromBoard pose.SE3
	cost            float64 // mean whitened square per corner
}

// planarPoses returns the poses that explain one board's corners, the better
// first: a flat board seen from afar has two, mirrored about the line of
// sight. There is none where fewer than four corners, or only corners in a
// line, were found.
//
// The start is the homography's decomposition (Zhang 2000, 3.1); each solution
// is refined on the pixels.
func planarPoses(camera *vision.Camera, board *vision.Board, corners []vision.Corner) []planarPose {
	if len(corners) < 4 {
		return nil
	}
	start, ok := fromHomography(camera, board, corners)
	if !ok {
		return nil
	}
	first, ok := refinePlanar(camera, board, corners, start)
	if !ok {
		return nil
	}
	// Half a turn about the line of sight and half a turn in the board's own
	// plane leave the picture unchanged to first order.
	sight := pose.Unit(first.cameraFromBoard.T)
	mirrored := pose.SE3{
		R: pose.Exp(pose.Scale(math.Pi, sight)).Mul(first.cameraFromBoard.R).Mul(pose.RotZ(math.Pi)),
		T: first.cameraFromBoard.T,
	}
	second, ok := refinePlanar(camera, board, corners, mirrored)
	if !ok {
		return []planarPose{first}
	}
	d := second.cameraFromBoard.Minus(first.cameraFromBoard)
	if pose.Norm(pose.Vec{d[0], d[1], d[2]}) < 1e-3 {
		return []planarPose{first}
	}
	if second.cost < first.cost {
		first, second = second, first
	}
	return []planarPose{first, second}
}

// BoardPose returns a board's pose in one photograph, cameraFromBoard, the better of
// the two that may explain its corners.
func BoardPose(camera *vision.Camera, board *vision.Board, corners []vision.Corner) (cameraFromBoard pose.SE3, ok bool) {
	found := planarPoses(camera, board, corners)
	if len(found) == 0 {
		return pose.Identity(), false
	}
	return found[0].cameraFromBoard, true
}

// fromHomography starts the pose from the homography between the board and
// the normalised picture.
func fromHomography(camera *vision.Camera, board *vision.Board, corners []vision.Corner) (pose.SE3, bool) {
	n := len(corners)
	from, to := make([][2]float64, n), make([][2]float64, n)
	for i, c := range corners {
		p := board.Corner(c.Index)
		from[i] = [2]float64{p[0], p[1]}
		xy, ok := camera.Ray(c.Px)
		if !ok {
			return pose.SE3{}, false
		}
		to[i] = xy
	}
	h, ok := vision.Homography(from, to)
	if !ok {
		return pose.SE3{}, false
	}
	column := func(j int) pose.Vec { return pose.Vec{h[0][j], h[1][j], h[2][j]} }
	r1, r2, t := column(0), column(1), column(2)
	k := 2 / (pose.Norm(r1) + pose.Norm(r2))
	if t[2] < 0 {
		k = -k
	}
	if math.IsInf(k, 0) || math.IsNaN(k) {
		return pose.SE3{}, false
	}
	r1, r2, t = pose.Scale(k, r1), pose.Scale(k, r2), pose.Scale(k, t)
	return pose.SE3{R: pose.FromColumns(r1, r2, pose.Cross(r1, r2)).Orthonormal(), T: t}, true
}

func refinePlanar(camera *vision.Camera, board *vision.Board, corners []vision.Corner, start pose.SE3) (planarPose, bool) {
	t, cost, ok := locate(camera, []placedView{{board, corners, pose.Identity()}}, start)
	return planarPose{t, cost}, ok
}

// placedView is a board that is known to be somewhere, as one photo sees it.
type placedView struct {
	board          *vision.Board
	corners        []vision.Corner
	sceneFromBoard pose.SE3
}

// sighting is a point of the scene and where the photo shows it.
type sighting struct {
	at    pose.Vec
	px    [2]float64
	white [3]float64
}

// startWidth is the width of the loss while photos are placed.
const startWidth = 30

// locate finds cameraFromScene from boards in known places, robustly, and
// returns the mean whitened square per corner. It is a small
// Levenberg-Marquardt of its own: a job's start needs hundreds.
func locate(camera *vision.Camera, views []placedView, start pose.SE3) (cameraFromScene pose.SE3, cost float64, ok bool) {
	var seen []sighting
	for _, v := range views {
		for _, c := range v.corners {
			seen = append(seen, sighting{v.sceneFromBoard.Apply(v.board.Corner(c.Index)), c.Px, Whiten(c.Cov)})
		}
	}
	t := start
	cost, ok = linearise(camera, seen, &t, nil)
	if !ok || len(seen) == 0 {
		return start, math.Inf(1), false
	}
	var n normal
	lambda := 1e-4
	for iteration := 0; iteration < 30; iteration++ {
		linearise(camera, seen, &t, &n)
		for {
			step, ok := n.step(lambda)
			if !ok {
				return start, math.Inf(1), false
			}
			next := t.Plus(step)
			nextCost, fine := linearise(camera, seen, &next, nil)
			if fine && nextCost <= cost {
				settled := cost-nextCost <= 1e-10*cost
				t, cost = next, nextCost
				lambda = math.Max(lambda/10, 1e-12)
				if settled {
					return t, cost / float64(len(seen)), true
				}
				break
			}
			if lambda *= 10; lambda > 1e6 { // no step lowers the cost: as near as rounding lets
				return t, cost / float64(len(seen)), true
			}
		}
	}
	return t, cost / float64(len(seen)), true
}

// normal is JᵀJ (lower triangle) and Jᵀr of a step (ω, τ) of cameraFromScene.
type normal struct {
	a [6][6]float64
	b [6]float64
}

// linearise returns the sum of robust squares, and fills n unless it is nil.
func linearise(camera *vision.Camera, seen []sighting, t *pose.SE3, n *normal) (cost float64, ok bool) {
	loss := bundle.Huber(startWidth)
	if n != nil {
		*n = normal{}
	}
	var p pose.Vec
	var px [2]float64
	var d [2][3]float64
	for i := range seen {
		s := &seen[i]
		carry(t, &s.at, &p)
		if !camera.ProjectTo((*[3]float64)(&p), &px, &d, nil, 0) {
			return 0, false
		}
		ex, ey := px[0]-s.px[0], px[1]-s.px[1]
		w := &s.white
		r := [2]float64{w[0] * ex, w[1]*ex + w[2]*ey}
		rho, weight := loss.Rho(r[0]*r[0] + r[1]*r[1])
		cost += rho
		if n == nil {
			continue
		}
		turned := pose.Sub(p, t.T)
		for k := range 2 {
			var g pose.Vec
			for c := range g {
				if k == 0 {
					g[c] = w[0] * d[0][c]
				} else {
					g[c] = w[1]*d[0][c] + w[2]*d[1][c]
				}
			}
			m := pose.Cross(turned, g)
			row := [6]float64{m[0], m[1], m[2], g[0], g[1], g[2]}
			for x, v := range row {
				v *= weight
				n.b[x] += v * r[k]
				for y := 0; y <= x; y++ {
					n.a[x][y] += v * row[y]
				}
			}
		}
	}
	return cost, true
}

// step solves (JᵀJ + λ·its diagonal)·δ = −Jᵀr by Cholesky's method.
func (n *normal) step(lambda float64) (d [6]float64, ok bool) {
	l := n.a
	for i := range l {
		l[i][i] *= 1 + lambda
		for j := 0; j <= i; j++ {
			sum := l[i][j]
			for k := range j {
				sum -= l[i][k] * l[j][k]
			}
			if i != j {
				l[i][j] = sum / l[j][j]
			} else if !(sum > 0) {
				return d, false
			} else {
				l[i][i] = math.Sqrt(sum)
			}
		}
	}
	for i := range d {
		sum := -n.b[i]
		for k := range i {
			sum -= l[i][k] * d[k]
		}
		d[i] = sum / l[i][i]
	}
	for i := 5; i >= 0; i-- {
		for k := i + 1; k < 6; k++ {
			d[i] -= l[k][i] * d[k]
		}
		d[i] /= l[i][i]
	}
	return d, true
}
