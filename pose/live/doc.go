// Package live reads an axle while it is adjusted: a fixed camera watches boards
// on its wheels and some on the floor, and what a solved job knows of them
// ([rig.Footing]) turns every frame into readings with their uncertainty.
//
// It reads no files and prints nothing. In go a camera's views of boards, frame by
// frame; out comes a [Moment].
//
// # What is estimated
//
// Unknown are the camera's place, which stays, and the watched wheels' boards on
// the floor's frame, six numbers each, which may move at any time. All else comes
// from the job and is not improved: clamps, floor boards, other wheels, shapes,
// the lens. These are considered parameters: they have their joint covariance,
// which goes into weights and results, and no gain (S. F. Schmidt, Application of
// state-space methods to navigation problems, Advances in Control Systems 3,
// 1966; Tapley, Schutz and Born, Statistical Orbit Determination, 2004, chapter
// 6, "consider covariance analysis").
//
// Between two changes nothing moves, so that a filter's state is what the frames
// since the last change say together. That is kept as their weighted mean, board
// by board, and solved for anew with each frame by generalised least squares. To
// a filter that goes from frame to frame this is the same, or better: its gain is
// that of all frames at once.
//
// # What averages out
//
// The errors of a board's fit in two frames from one place are in part the same
// (pixels see the same print in the same way): a share of 0.1 to 0.17 was measured
// of rendered pictures. The part that differs is estimated from the frames
// themselves, and falls with their number; the rest of what the fit states, and
// never less than [commonShare] of it, stays. The job's own part stays, too.
//
// # What moved
//
// A board's run of frames is tested against the next frame, and its latest frames
// against those before, in the picture: what is considered cancels there. Where
// floor boards move in the picture, the camera was knocked if one motion of the
// camera explains what most boards did, and otherwise a board was kicked.
package live
