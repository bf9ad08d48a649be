package rig

import (
	"context"
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
func planarPoses(ctx context.Context, camera *vision.Camera, board *vision.Board, corners []vision.Corner) []planarPose {
	if len(corners) < 4 {
		return nil
	}
	start, ok := fromHomography(camera, board, corners)
	if !ok {
		return nil
	}
	first, ok := refinePlanar(ctx, camera, board, corners, start)
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
	second, ok := refinePlanar(ctx, camera, board, corners, mirrored)
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

func refinePlanar(ctx context.Context, camera *vision.Camera, board *vision.Board, corners []vision.Corner, start pose.SE3) (planarPose, bool) {
	t, cost, ok := locate(ctx, camera, []placedView{{board, corners, pose.Identity()}}, start)
	return planarPose{t, cost}, ok
}

// placedView is a board that is known to be somewhere, as one photo sees it.
type placedView struct {
	board          *vision.Board
	corners        []vision.Corner
	sceneFromBoard pose.SE3
}

// locate finds cameraFromScene from boards in known places, robustly, and
// returns the mean whitened square per corner.
func locate(ctx context.Context, camera *vision.Camera, views []placedView, start pose.SE3) (cameraFromScene pose.SE3, cost float64, ok bool) {
	var p bundle.Problem
	photo := p.AddBlock("photo", bundle.PoseValue(start), bundle.PoseManifold)
	intr := camera.Intrinsics()
	cam := p.AddBlock("camera", intr[:], bundle.Euclidean(vision.NumIntrinsics))
	scale := p.AddBlock("print scale", []float64{1, 1}, bundle.Euclidean(2))
	p.SetConstant(cam, true)
	p.SetConstant(scale, true)
	rows := 0
	for _, v := range views {
		b := p.AddBlock("board", bundle.PoseValue(v.sceneFromBoard), bundle.PoseManifold)
		p.SetConstant(b, true)
		r := newBoardView(v.board, Observation{Corners: v.corners}, false, poseLink, poseLink)
		p.AddResidual("view", r, r.dim(), 2, bundle.Huber(30), photo, b, cam, scale)
		rows += r.dim()
	}
	sum, err := p.Solve(ctx, bundle.Options{MaxIterations: 30, Workers: 1, AcceptLimit: true})
	if err != nil {
		return start, math.Inf(1), false
	}
	return bundle.GetPose(p.Value(photo)), 4 * sum.FinalCost / float64(rows), true
}
