#ifndef WHEELPLANE_OPENCV_SHIM_H
#define WHEELPLANE_OPENCV_SHIM_H
#include <stddef.h>

#ifdef __cplusplus
extern "C" {
#endif

/* The inner bits of a marker, row by row, 1 = white; returns bits per side or -1. */
int wp_marker_bits(int dictionary, int id, unsigned char *out, int cap);

/* A grey picture, one byte a pixel. */
typedef struct {
	const unsigned char *pix;
	int width, height, stride;
} wp_picture;

/* How to search. All zero: OpenCV's default parameters. */
typedef struct {
	int enlarge;         /* enlarge the picture by this factor first (0, 1: no) */
	double min_side_px;  /* smallest marker side sought, in the given picture; 0: OpenCV's default */
	int win_min, win_max, win_step; /* adaptive threshold windows; 0: OpenCV's default */
} wp_search;

/* OpenCV's marker detection. Writes up to cap ids and 8 floats of corners each
   (x y of top-left, top-right, bottom-right, bottom-left as printed), and up to
   rejected_cap quadrilaterals that could not be read. Returns the number of
   markers, or -1 with a message in err. */
int wp_find_markers(wp_picture p, int dictionary, const wp_search *s,
	int *ids, float *corners, int cap,
	float *rejected, int rejected_cap, int *num_rejected,
	char *err, int err_cap);

/* OpenCV's own ChArUco corners at full resolution with default parameters, to
   compare with. ids of the board's markers count from first_id. Writes up to cap
   corner numbers and 2 floats each. Returns the number of corners, or -1. */
int wp_charuco_corners(wp_picture p, int dictionary, int cols, int rows, float marker_share, int first_id,
	int *ids, float *corners, int cap, char *err, int err_cap);

/* Decodes a picture's file to grey, as stored (no orientation applied), into
   dst of width x height bytes. Returns 0; 1 where it cannot be decoded or has
   another size; -1 with a message in err. */
int wp_decode_grey(const unsigned char *file, size_t size, int width, int height, unsigned char *dst, char *err, int err_cap);

/* OpenCV's area-averaging reduction by a whole factor; dst has
   (width/factor) x (height/factor) bytes. Returns 0, or -1 with a message. */
int wp_reduce(wp_picture p, int factor, unsigned char *dst, char *err, int err_cap);

/* The number of threads OpenCV uses inside one call. */
int wp_threads(void);
void wp_set_threads(int n);

#ifdef __cplusplus
}
#endif
#endif
