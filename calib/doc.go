// Package calib calibrates a camera from photographs of one flat board: a
// printed ChArUco board or a plain chessboard.
//
// Corners go in, a [vision.Camera] with the covariance of its intrinsics comes
// out. OpenCV gives the start; the answer is one least-squares bundle over the
// intrinsics, one pose per photograph and, with a prior, the board's own
// errors: how unequally it was printed and how far from flat it is.
//
// The uncertainty is meant to be true for real photographs, where the corners
// of one photograph err together and the lens is not exactly the model. See
// [Calibrate] for how it is estimated.
package calib
