#ifndef WHEELPLANE_PIXELS_H
#define WHEELPLANE_PIXELS_H

#include <stdint.h>

/* Loops over all pixels, in C because its compilers do several at once: twice as
   many where the processor has wider registers, with the same numbers. */
#if defined(__x86_64__) && defined(__GLIBC__) && defined(__GNUC__) && !defined(__clang__)
#define WP_WIDE __attribute__((target_clones("avx2", "default")))
#else
#define WP_WIDE
#endif

/* For every block of 8 x 8 pixels of a picture w x h, row by row, the smaller
   eigenvalue of the mean structure tensor: grey levels squared per pixel. out
   has (w/8) x (h/8) numbers. */
void wp_edges(const uint8_t *pix, int w, int h, int stride, float *out);

/* Saddles of the grey values of a picture w x h, both at least 7. smooth and
   strength are room for w x h numbers; smooth is left holding the picture
   smoothed with 1 2 1 both ways, times 16. Writes the places y*w + x of up to
   cap local maxima of minus the determinant of the second derivatives, those
   above a hundredth of the largest and above least, to places, their values to
   values, and returns how many. */
int wp_saddles(const uint8_t *pix, int w, int h, int stride, float least, int16_t *smooth, float *strength,
	int32_t *places, float *values, int cap);

#endif
