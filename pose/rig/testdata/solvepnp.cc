// Both poses of a planar board by OpenCV's own solver, for the tests of package
// rig. In: the sixteen intrinsics in OpenCV's order
// (fx fy cx cy, then its twelve coefficients), n, then n times X Y u v (board
// coordinates in metres, pixels). Out: for each solution, best first, rotation
// vector, translation and RMS reprojection error, seven numbers, a line each.
#include <cstdio>
#include <iostream>
#include <vector>

#include <opencv2/calib3d.hpp>

int main() {
	double k[16];
	for (double &v : k)
		if (!(std::cin >> v)) return 1;
	int n;
	std::cin >> n;
	std::vector<cv::Point3d> board(n);
	std::vector<cv::Point2d> px(n);
	for (int i = 0; i < n; i++)
		if (!(std::cin >> board[i].x >> board[i].y >> px[i].x >> px[i].y)) return 1;
	cv::Mat K = (cv::Mat_<double>(3, 3) << k[0], 0, k[2], 0, k[1], k[3], 0, 0, 1);
	cv::Mat D(12, 1, CV_64F, k + 4);
	std::vector<cv::Mat> r, t;
	cv::solvePnPGeneric(board, px, K, D, r, t, false, cv::SOLVEPNP_IPPE);
	for (size_t s = 0; s < r.size(); s++) {
		cv::solvePnPRefineLM(board, px, K, D, r[s], t[s], cv::TermCriteria(cv::TermCriteria::COUNT | cv::TermCriteria::EPS, 200, 1e-12));
		std::vector<cv::Point2d> p;
		cv::projectPoints(board, r[s], t[s], K, D, p);
		double sum = 0;
		for (int i = 0; i < n; i++) sum += (p[i] - px[i]).dot(p[i] - px[i]);
		for (int i = 0; i < 3; i++) printf("%.17g\n", r[s].at<double>(i));
		for (int i = 0; i < 3; i++) printf("%.17g\n", t[s].at<double>(i));
		printf("%.17g\n", std::sqrt(sum / n));
	}
	return 0;
}
