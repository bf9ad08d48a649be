// What the AprilTag library (Debian's libapriltag-dev) finds, for the tests of
// package vision to compare with. Standard input: a grey picture as binary PGM.
// For each tag of family 36h11 a line: the id, the wrong bits, and four corners,
// with the centre of the first pixel at (0, 0).
#include <cstdio>
#include <vector>

extern "C" {
#include <apriltag/apriltag.h>
#include <apriltag/tag36h11.h>
}

int main() {
	int w = 0, h = 0;
	if (scanf("P5 %d %d 255", &w, &h) != 2 || getchar() == EOF || w < 1 || h < 1) return 1;
	std::vector<uint8_t> pix((size_t)w * h);
	if (fread(pix.data(), 1, pix.size(), stdin) != pix.size()) return 1;
	image_u8_t img = {w, h, w, pix.data()};

	apriltag_family_t *family = tag36h11_create();
	apriltag_detector_t *detector = apriltag_detector_create();
	apriltag_detector_add_family(detector, family);
	detector->quad_decimate = 1; // all of the resolution
	detector->nthreads = 1;
	zarray_t *found = apriltag_detector_detect(detector, &img);
	for (int k = 0; k < zarray_size(found); k++) {
		apriltag_detection_t *d;
		zarray_get(found, k, &d);
		printf("%d %d", d->id, d->hamming);
		for (int c = 0; c < 4; c++) printf(" %.3f %.3f", d->p[c][0] - 0.5, d->p[c][1] - 0.5);
		printf("\n");
	}
	apriltag_detections_destroy(found);
	apriltag_detector_destroy(detector);
	tag36h11_destroy(family);
	return 0;
}
