package rig

import (
	"io"
	"strings"

	"wheelplane/pose/bundle"
	"wheelplane/vision"
)

// WriteProblem writes the least-squares problem of a job as plain text, at the
// values of s: blocks with their manifolds, priors, and every corner seen, so
// that another solver can be given the very same problem. camera is the
// calibrated one; photos with used false take no part.
//
// The frame of the text is that of [bundle.Problem.Text]. Lengths are metres,
// angles radians, pixels those of [vision.Camera]. Manifolds besides its own:
//
//	hub    R row by row, then T; step (a, b, τ): R → R·exp((a, 0, b)), T → T + τ
//	line   R row by row, then T; step (a, b, u, v): T → T + R·(u, v, 0), R → R·exp((a, b, 0))
//
// Residuals, with the lines that describe each. n is the third column of R
// where a block is a pose (R, T).
//
//	board-view   a board in a photograph: two rows a corner
//	  links LINK ...              from the camera to the board, see below
//	  half U V                    half the board's width and height
//	  corner X Y PX PY A B C      a point on the board, its pixel, and its whitening: with
//	                              e = projection − (PX, PY), the rows are A·ex and B·ex + C·ey
//	  read S ...                  of a link roll, each corner's s
//	  row W ...                   where the whole board was fitted, in place of A B C: a row is
//	                              W·e, e all corners' ex and ey one after the other
//	mount        one pose: n.x / tilt, n.z / tilt, T.x / offset, (T.y − standoff) / standoff_u, T.z / offset
//	  tilt, offset, standoff, standoff_u
//	level        one pose: n.x / tilt, n.y / tilt, (T.z − height) / sigma
//	  height, sigma, tilt
//	same-level   two poses: the second's n.x less the first's, over tilt; likewise n.y; likewise T.z over sigma
//	  sigma, tilt
//	steer        one line: the first two of Rᵀ(0, 0, 1) over tilt, then of Rᵀ(at − T) over offset
//	  at X Y Z, tilt, offset
//	prior        one vector: W·(x − mean)
//	  mean M ...
//	  white W ...                 row by row
//	wander       one photo with its camera's offsets: f / focal, x / centre, y / centre, of
//	             these only those that are not 0
//	  focal, centre
//	drift        one photo with its drift: (a, b, c) / turn, (u, v, w) / shift, of these
//	             only those that are not 0
//	  turn, shift
//	same         two angles: (second − first) / sigma
//	  sigma
//	centreline   four hubs, front left and right, rear left and right:
//	             front T.y, rear T.x and rear T.y, each the mean of left and right, over sigma
//	  sigma
//
// The blocks of a board-view are those of its links in their order, then the
// sixteen intrinsics (fx fy cx cy k1 k2 p1 p2 k3 k4 k5 k6 s1 s2 s3 s4, OpenCV's
// model), the two print scales and, where there is one more, the board's shape
// (p, q, a, b, c). With u = X / U and v = Y / V, the corner is at (X·scale x·(1 + p),
// Y·scale y·(1 + q), a·(u² − ⅓) + b·(v² − ⅓) + c·u·v), p to c 0 without a shape. It
// goes through the links from the last to the first, and the camera projects it. A
// link is
//
//	pose, hub   one block: x → R·x + T
//	photo       the same; the three numbers (f, x, y) after T change this photo's
//	            camera: fx and fy by the factor 1 + f, cx by x, cy by y
//	roll        the same; after these three a turn (a, b, c) and a shift (u, v, w): in
//	            the camera, x → x + s·((a, b, c) × x + (u, v, w)), s of each corner's own
//	spin        one angle: a turn about y
//	steer       a line (R, T) and an angle: x → R·Rz(angle)·Rᵀ·(x − T) + T
func WriteProblem(w io.Writer, job *Job, camera *vision.Camera, obs []Observation, s *State, used []bool) error {
	return build(job, camera, obs, s, used, 0).write(w)
}

func (n *network) write(w io.Writer) error {
	text, err := n.p.Text()
	if err != nil {
		return err
	}
	_, err = io.WriteString(w, text)
	return err
}

func (hubManifold) Describe() (string, []string)  { return "hub", nil }
func (lineManifold) Describe() (string, []string) { return "line", nil }

func (k linkKind) String() string {
	return [...]string{poseLink: "pose", photoLink: "photo", rollLink: "roll", hubLink: "hub", spinLink: "spin", steerLink: "steer"}[k]
}

func (v *boardView) Describe() (string, []string) {
	links := []string{"links"}
	for _, k := range v.links {
		links = append(links, k.String())
	}
	lines := []string{strings.Join(links, " "), bundle.Line("half", v.half[:]...)}
	for i, c := range v.corners {
		p, w := v.points[i], []float64(nil)
		if v.rows == nil {
			w = v.white[i][:]
		}
		lines = append(lines, bundle.Line("corner", append([]float64{p[0], p[1], c.Px[0], c.Px[1]}, w...)...))
	}
	if v.read != nil {
		lines = append(lines, bundle.Line("read", v.read...))
	}
	for i := 0; i < len(v.rows); i += 2 * len(v.corners) {
		lines = append(lines, bundle.Line("row", v.rows[i:i+2*len(v.corners)]...))
	}
	return "board-view", lines
}

func (p mountPrior) Describe() (string, []string) {
	return "mount", []string{
		bundle.Line("tilt", p.tilt), bundle.Line("offset", p.offset),
		bundle.Line("standoff", p.standoff), bundle.Line("standoff_u", p.standoffU),
	}
}

func (p levelPrior) Describe() (string, []string) {
	return "level", []string{bundle.Line("height", p.height), bundle.Line("sigma", p.sigma), bundle.Line("tilt", p.tilt)}
}

func (p sameLevel) Describe() (string, []string) {
	return "same-level", []string{bundle.Line("sigma", p.sigma), bundle.Line("tilt", p.tilt)}
}

func (p steerPrior) Describe() (string, []string) {
	return "steer", []string{bundle.Line("at", p.at[:]...), bundle.Line("tilt", p.tilt), bundle.Line("offset", p.offset)}
}

func (p *prior) Describe() (string, []string) {
	return "prior", []string{bundle.Line("mean", p.mean...), bundle.Line("white", p.white...)}
}

func (p wanderPrior) Describe() (string, []string) {
	return "wander", []string{bundle.Line("focal", p.focal), bundle.Line("centre", p.centre)}
}

func (p driftPrior) Describe() (string, []string) {
	return "drift", []string{bundle.Line("turn", p.turn), bundle.Line("shift", p.shift)}
}

func (p same) Describe() (string, []string) {
	return "same", []string{bundle.Line("sigma", p.sigma)}
}

func (centrelineGauge) Describe() (string, []string) {
	return "centreline", []string{bundle.Line("sigma", gaugeSigma)}
}
