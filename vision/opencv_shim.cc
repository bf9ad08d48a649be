// OpenCV's marker dictionaries and detector, behind a C interface. gocv's
// contrib package, which would wrap them, does not build on Debian.
#include "opencv_shim.h"

#include <opencv2/core.hpp>
#if CV_VERSION_MAJOR > 4 || (CV_VERSION_MAJOR == 4 && CV_VERSION_MINOR >= 7)
#include <opencv2/objdetect/aruco_detector.hpp>
#define WP_NEW_ARUCO 1
#else
#include <opencv2/aruco.hpp>
#define WP_NEW_ARUCO 0
#endif

static cv::aruco::Dictionary wp_dictionary(int number) {
#if WP_NEW_ARUCO
	return cv::aruco::getPredefinedDictionary(number);
#else
	return *cv::aruco::getPredefinedDictionary(number);
#endif
}

extern "C" int wp_marker_bits(int dictionary, int id, unsigned char *out, int cap) {
	try {
		cv::aruco::Dictionary d = wp_dictionary(dictionary);
		if (id < 0 || id >= d.bytesList.rows) return -1;
		cv::Mat bits = cv::aruco::Dictionary::getBitsFromByteList(d.bytesList.rowRange(id, id + 1), d.markerSize);
		if (bits.rows * bits.cols > cap) return -1;
		for (int r = 0; r < bits.rows; r++)
			for (int c = 0; c < bits.cols; c++) out[r * bits.cols + c] = bits.at<unsigned char>(r, c);
		return d.markerSize;
	} catch (...) {
		return -1;
	}
}
