// Package vision turns photographs into corners: what a camera is, what a
// printed board is, and where each inner corner of each board lies in a
// photograph, with its covariance.
//
// It takes and gives points and pixels, never transforms. Pixels follow
// OpenCV: the centre of the first pixel is (0, 0). OpenCV's own types do not
// leave the package. Nothing found is an empty list; a photograph that cannot
// be looked at is an error.
package vision
