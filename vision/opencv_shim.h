#ifndef WHEELPLANE_OPENCV_SHIM_H
#define WHEELPLANE_OPENCV_SHIM_H
#ifdef __cplusplus
extern "C" {
#endif

/* The inner bits of a marker, row by row, 1 = white; returns bits per side or -1. */
int wp_marker_bits(int dictionary, int id, unsigned char *out, int cap);

#ifdef __cplusplus
}
#endif
#endif
