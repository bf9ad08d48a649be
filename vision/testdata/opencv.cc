// OpenCV's own answers, for the tests of package vision to compare with.
// Built by the tests; numbers in on standard input, numbers out, a line each.
#include <cstdio>
#include <iostream>
#include <string>
#include <vector>

#include <opencv2/calib3d.hpp>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#if CV_VERSION_MAJOR > 4 || (CV_VERSION_MAJOR == 4 && CV_VERSION_MINOR >= 7)
#include <opencv2/objdetect/aruco_detector.hpp>
#include <opencv2/objdetect/charuco_detector.hpp>
#define NEW_ARUCO 1
#else
#include <opencv2/aruco/charuco.hpp>
#define NEW_ARUCO 0
#endif

using namespace std;

static vector<double> numbers(int n) {
	vector<double> v(n);
	for (double &x : v)
		if (!(cin >> x)) throw runtime_error("too few numbers");
	return v;
}

static void tell(const cv::Mat &m) {
	cv::Mat d;
	m.convertTo(d, CV_64F);
	d = d.reshape(1, 1);
	for (int i = 0; i < d.cols; i++) printf("%.17g\n", d.at<double>(i));
}

// The number of intrinsics, then fx fy cx cy k1 k2 p1 p2 k3 ...
static void camera(cv::Mat &K, cv::Mat &D) {
	vector<double> k = numbers((int)numbers(1)[0]);
	K = (cv::Mat_<double>(3, 3) << k[0], 0, k[2], 0, k[1], k[3], 0, 0, 1);
	D = cv::Mat(vector<double>(k.begin() + 4, k.end()), true);
}

int main(int argc, char **argv) {
	string what = argc > 1 ? argv[1] : "";
	cv::Mat K, D;
	if (what == "readcamera") {
		// The matrices and numbers of a camera file, as FileStorage reads them.
		cv::FileStorage f(argv[2], cv::FileStorage::READ);
		if (!f.isOpened()) return 1;
		cv::Mat cov, sd;
		f["camera_matrix"] >> K;
		f["distortion_coefficients"] >> D;
		f["intrinsics_covariance"] >> cov;
		f["intrinsics_standard_uncertainty"] >> sd;
		if (K.type() != CV_64F || K.rows != 3 || D.type() != CV_64F || D.cols != 1 || cov.rows != D.rows + 4 || sd.rows != cov.rows) return 1;
		printf("%d\n%d\n", (int)f["image_width"], (int)f["image_height"]);
		tell(K);
		tell(D);
		tell(cov);
		tell(sd);
		printf("%.17g\n%.17g\n%d\n", (double)f["avg_reprojection_error"], (double)f["focal_length_mm"], (int)f["nframes"]);
		printf("%s\n%s\n", ((string)f["camera_name"]).c_str(), ((string)f["intrinsics_order"]).c_str());
	} else if (what == "writecamera") {
		// A camera file as OpenCV's calibration sample writes it.
		camera(K, D);
		cv::FileStorage f(argv[2], cv::FileStorage::WRITE);
		f << "calibration_time" << "Tue May  6 07:08:09 2031";
		f << "image_width" << 4000 << "image_height" << 3000 << "nr_of_frames" << 12;
		// In JSON, OpenCV's comments are not JSON.
		if (f.getFormat() == cv::FileStorage::FORMAT_YAML) f.writeComment("flags: +fix_aspectRatio", false);
		f << "flags" << 2;
		f << "camera_matrix" << K << "distortion_coefficients" << D << "avg_reprojection_error" << 0.25;
		f << "per_view_reprojection_errors" << cv::Mat(vector<float>{0.1f, 0.2f, 0.3f});
		f << "grid" << "[" << 1 << 2 << "]" << "info" << "text: with \"quotes\" and # a hash";
	} else if (what == "project") {
		// Points in camera coordinates to pixels.
		camera(K, D);
		int n = (int)numbers(1)[0];
		vector<cv::Point3d> p(n);
		for (auto &q : p) {
			auto v = numbers(3);
			q = cv::Point3d(v[0], v[1], v[2]);
		}
		vector<cv::Point2d> px;
		cv::Mat zero = cv::Mat::zeros(3, 1, CV_64F);
		cv::projectPoints(p, zero, zero, K, D, px);
		tell(cv::Mat(px));
	} else if (what == "undistort") {
		// Pixels to normalised coordinates.
		camera(K, D);
		int n = (int)numbers(1)[0];
		vector<cv::Point2d> p(n), xy;
		for (auto &q : p) {
			auto v = numbers(2);
			q = cv::Point2d(v[0], v[1]);
		}
		cv::undistortPoints(p, xy, K, D, cv::noArray(), cv::noArray(),
				cv::TermCriteria(cv::TermCriteria::COUNT | cv::TermCriteria::EPS, 500, 1e-14));
		tell(cv::Mat(xy));
	} else if (what == "board") {
		// cols rows square marker dictionary: inner corners, then for each
		// marker its id and four corners, all in OpenCV's board axes.
		auto v = numbers(5);
#if NEW_ARUCO
		cv::aruco::CharucoBoard b(cv::Size((int)v[0], (int)v[1]), (float)v[2], (float)v[3], cv::aruco::getPredefinedDictionary((int)v[4]));
		auto corners = b.getChessboardCorners();
		auto ids = b.getIds();
		auto obj = b.getObjPoints();
#else
		auto b = cv::aruco::CharucoBoard::create((int)v[0], (int)v[1], (float)v[2], (float)v[3], cv::aruco::getPredefinedDictionary((int)v[4]));
		auto corners = b->chessboardCorners;
		auto ids = b->ids;
		auto obj = b->objPoints;
#endif
		for (auto &c : corners) printf("%.9g\n%.9g\n%.9g\n", c.x, c.y, c.z);
		for (size_t i = 0; i < ids.size(); i++) {
			printf("%d\n", ids[i]);
			for (auto &c : obj[i]) printf("%.9g\n%.9g\n%.9g\n", c.x, c.y, c.z);
		}
	} else if (what == "drawboard") {
		// cols rows square marker dictionary, pixels per square: a picture.
		auto v = numbers(6);
		cv::Size size((int)(v[0] * v[5]), (int)(v[1] * v[5]));
		cv::Mat img;
#if NEW_ARUCO
		cv::aruco::CharucoBoard b(cv::Size((int)v[0], (int)v[1]), (float)v[2], (float)v[3], cv::aruco::getPredefinedDictionary((int)v[4]));
		b.generateImage(size, img);
#else
		cv::aruco::CharucoBoard::create((int)v[0], (int)v[1], (float)v[2], (float)v[3], cv::aruco::getPredefinedDictionary((int)v[4]))->draw(size, img);
#endif
		cv::imwrite(argv[2], img);
	} else if (what == "detect") {
		// picture, dictionary: for each marker its id and four corners.
		cv::Mat img = cv::imread(argv[2], cv::IMREAD_GRAYSCALE);
		int number = (int)numbers(1)[0];
		vector<int> ids;
		vector<vector<cv::Point2f>> corners;
#if NEW_ARUCO
		cv::aruco::ArucoDetector(cv::aruco::getPredefinedDictionary(number)).detectMarkers(img, corners, ids);
#else
		cv::aruco::detectMarkers(img, cv::aruco::getPredefinedDictionary(number), corners, ids);
#endif
		for (size_t i = 0; i < ids.size(); i++) {
			printf("%d\n", ids[i]);
			for (auto &c : corners[i]) printf("%.9g\n%.9g\n", c.x, c.y);
		}
	} else if (what == "subpix") {
		// picture: half window, number, starting points: saddle points.
		cv::Mat img = cv::imread(argv[2], cv::IMREAD_GRAYSCALE);
		int half = (int)numbers(1)[0], n = (int)numbers(1)[0];
		vector<cv::Point2f> p(n);
		for (auto &q : p) {
			auto v = numbers(2);
			q = cv::Point2f((float)v[0], (float)v[1]);
		}
		cv::cornerSubPix(img, p, cv::Size(half, half), cv::Size(-1, -1),
				cv::TermCriteria(cv::TermCriteria::COUNT | cv::TermCriteria::EPS, 100, 1e-4));
		tell(cv::Mat(p));
	} else {
		return 2;
	}
	return 0;
}
