package vision

import "gocv.io/x/gocv"

// OpenCVVersion returns the version of OpenCV this program was built with, such
// as "4.6.0".
func OpenCVVersion() string { return gocv.OpenCVVersion() }
