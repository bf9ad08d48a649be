// A ChArUco board's corners as OpenCV finds them, for the tests to compare with:
//   charuco PHOTO COLS ROWS SQUARE MARKER     (dictionary 6x6_250)
// prints the number, x and y of each, a line a corner.
#include <cstdio>
#include <cstdlib>
#include <vector>

#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#if CV_VERSION_MAJOR > 4 || (CV_VERSION_MAJOR == 4 && CV_VERSION_MINOR >= 7)
#include <opencv2/objdetect/charuco_detector.hpp>
#define NEW_ARUCO 1
#else
#include <opencv2/aruco/charuco.hpp>
#define NEW_ARUCO 0
#endif

int main(int argc, char **argv) {
	if (argc != 6) return 2;
	cv::Mat img = cv::imread(argv[1], cv::IMREAD_GRAYSCALE);
	if (img.empty()) return 1;
	int cols = atoi(argv[2]), rows = atoi(argv[3]);
	float square = (float)atof(argv[4]), marker = (float)atof(argv[5]);
	std::vector<cv::Point2f> corners;
	std::vector<int> ids;
	auto dictionary = cv::aruco::getPredefinedDictionary(cv::aruco::DICT_6X6_250);
#if NEW_ARUCO
	cv::aruco::CharucoBoard board(cv::Size(cols, rows), square, marker, dictionary);
	board.setLegacyPattern(true);
	cv::aruco::CharucoDetector(board).detectBoard(img, corners, ids);
#else
	auto board = cv::aruco::CharucoBoard::create(cols, rows, square, marker, dictionary);
	std::vector<std::vector<cv::Point2f>> found;
	std::vector<int> names;
	cv::aruco::detectMarkers(img, dictionary, found, names);
	cv::aruco::interpolateCornersCharuco(found, names, img, board, corners, ids);
#endif
	for (size_t i = 0; i < ids.size(); i++) printf("%d %.9g %.9g\n", ids[i], corners[i].x, corners[i].y);
	return 0;
}
