// OpenCV's marker dictionaries and detector, behind a C interface. gocv's
// contrib package, which would wrap them, does not build on Debian.
#include "opencv_shim.h"

#include <algorithm>
#include <cstdio>
#include <exception>
#include <vector>

#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#if CV_VERSION_MAJOR > 4 || (CV_VERSION_MAJOR == 4 && CV_VERSION_MINOR >= 7)
#include <opencv2/objdetect/aruco_detector.hpp>
#include <opencv2/objdetect/charuco_detector.hpp>
#define WP_NEW_ARUCO 1
#else
#include <opencv2/aruco.hpp>
#include <opencv2/aruco/charuco.hpp>
#define WP_NEW_ARUCO 0
#endif

static cv::aruco::Dictionary wp_dictionary(int number) {
#if WP_NEW_ARUCO
	return cv::aruco::getPredefinedDictionary(number);
#else
	return *cv::aruco::getPredefinedDictionary(number);
#endif
}

// A view of the caller's bytes. OpenCV only reads it.
static cv::Mat wp_mat(const wp_picture &p) {
	return cv::Mat(p.height, p.width, CV_8UC1, const_cast<unsigned char *>(p.pix), p.stride);
}

static int wp_fail(char *err, int cap, const char *what) {
	std::snprintf(err, cap, "%s", what);
	return -1;
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

extern "C" int wp_find_markers(wp_picture p, int dictionary, const wp_search *s,
	int *ids, float *corners, int cap,
	float *rejected, int rejected_cap, int *num_rejected,
	char *err, int err_cap) {
	try {
		cv::Mat img = wp_mat(p);
		float scale = 1;
		if (s->enlarge > 1) {
			cv::Mat big;
			cv::resize(img, big, cv::Size(), s->enlarge, s->enlarge, cv::INTER_CUBIC);
			img = big;
			scale = 1.0f / s->enlarge;
		}
#if WP_NEW_ARUCO
		cv::aruco::DetectorParameters params;
		cv::aruco::DetectorParameters *q = &params;
#else
		cv::Ptr<cv::aruco::DetectorParameters> q = cv::aruco::DetectorParameters::create();
#endif
		if (s->min_side_px > 0)
			q->minMarkerPerimeterRate = 4 * s->min_side_px / (scale * std::max(img.cols, img.rows));
		if (s->win_min > 0) q->adaptiveThreshWinSizeMin = s->win_min;
		if (s->win_max > 0) q->adaptiveThreshWinSizeMax = s->win_max;
		if (s->win_step > 0) q->adaptiveThreshWinSizeStep = s->win_step;

		std::vector<std::vector<cv::Point2f> > quads, others;
		std::vector<int> found;
#if WP_NEW_ARUCO
		cv::aruco::ArucoDetector(wp_dictionary(dictionary), params).detectMarkers(img, quads, found, others);
#else
		cv::Ptr<cv::aruco::Dictionary> d = cv::aruco::getPredefinedDictionary(dictionary);
		cv::aruco::detectMarkers(img, d, quads, found, q, others);
#endif
		// Pixel centres: enlarged pixel i lies at (i + 1/2)·scale - 1/2.
		const float shift = 0.5f * scale - 0.5f;
		int n = std::min<int>(found.size(), cap);
		for (int i = 0; i < n; i++) {
			ids[i] = found[i];
			for (int k = 0; k < 4; k++) {
				corners[8 * i + 2 * k] = quads[i][k].x * scale + shift;
				corners[8 * i + 2 * k + 1] = quads[i][k].y * scale + shift;
			}
		}
		*num_rejected = std::min<int>(others.size(), rejected_cap);
		for (int i = 0; i < *num_rejected; i++)
			for (int k = 0; k < 4; k++) {
				rejected[8 * i + 2 * k] = others[i][k].x * scale + shift;
				rejected[8 * i + 2 * k + 1] = others[i][k].y * scale + shift;
			}
		return n;
	} catch (const std::exception &e) {
		return wp_fail(err, err_cap, e.what());
	} catch (...) {
		return wp_fail(err, err_cap, "unknown error");
	}
}

extern "C" int wp_charuco_corners(wp_picture p, int dictionary, int cols, int rows, float marker_share, int first_id,
	int *ids, float *corners, int cap, char *err, int err_cap) {
	try {
		cv::Mat img = wp_mat(p);
		std::vector<int> marker_ids(cols * rows / 2);
		for (size_t i = 0; i < marker_ids.size(); i++) marker_ids[i] = first_id + (int)i;
		std::vector<cv::Point2f> found;
		std::vector<int> numbers;
#if WP_NEW_ARUCO
		cv::aruco::CharucoBoard board(cv::Size(cols, rows), 1.0f, marker_share, wp_dictionary(dictionary), marker_ids);
		cv::aruco::CharucoDetector(board).detectBoard(img, found, numbers);
#else
		cv::Ptr<cv::aruco::Dictionary> d = cv::aruco::getPredefinedDictionary(dictionary);
		cv::Ptr<cv::aruco::CharucoBoard> board = cv::aruco::CharucoBoard::create(cols, rows, 1.0f, marker_share, d);
		board->ids = marker_ids;
		std::vector<std::vector<cv::Point2f> > quads;
		std::vector<int> seen;
		cv::aruco::detectMarkers(img, d, quads, seen);
		if (seen.empty()) return 0;
		cv::aruco::interpolateCornersCharuco(quads, seen, img, board, found, numbers);
#endif
		int n = std::min<int>(found.size(), cap);
		for (int i = 0; i < n; i++) {
			ids[i] = numbers[i];
			corners[2 * i] = found[i].x;
			corners[2 * i + 1] = found[i].y;
		}
		return n;
	} catch (const std::exception &e) {
		return wp_fail(err, err_cap, e.what());
	} catch (...) {
		return wp_fail(err, err_cap, "unknown error");
	}
}

extern "C" int wp_decode_grey(const unsigned char *file, size_t size, int width, int height, unsigned char *dst, char *err, int err_cap) {
	try {
		const cv::Mat bytes(1, (int)size, CV_8UC1, const_cast<unsigned char *>(file));
		// OpenCV decodes into a Mat of the right size and kind as it is.
		cv::Mat out(height, width, CV_8UC1, dst);
		cv::imdecode(bytes, cv::IMREAD_GRAYSCALE | cv::IMREAD_IGNORE_ORIENTATION, &out);
		if (out.empty() || out.rows != height || out.cols != width || out.type() != CV_8UC1) return 1;
		if (out.data != dst) out.copyTo(cv::Mat(height, width, CV_8UC1, dst));
		return 0;
	} catch (const std::exception &e) {
		return wp_fail(err, err_cap, e.what());
	} catch (...) {
		return wp_fail(err, err_cap, "unknown error");
	}
}

extern "C" int wp_reduce(wp_picture p, int factor, unsigned char *dst, char *err, int err_cap) {
	try {
		const int w = p.width / factor, h = p.height / factor;
		cv::Mat src = wp_mat(p)(cv::Rect(0, 0, w * factor, h * factor));
		cv::Mat out(h, w, CV_8UC1, dst);
		cv::resize(src, out, cv::Size(w, h), 0, 0, cv::INTER_AREA);
		return 0;
	} catch (const std::exception &e) {
		return wp_fail(err, err_cap, e.what());
	} catch (...) {
		return wp_fail(err, err_cap, "unknown error");
	}
}

extern "C" int wp_threads(void) { return cv::getNumThreads(); }
extern "C" void wp_set_threads(int n) { cv::setNumThreads(n); }
