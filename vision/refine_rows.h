#ifndef WHEELPLANE_REFINE_ROWS_H
#define WHEELPLANE_REFINE_ROWS_H

#include <stdint.h>

/* The pixels of a window about a crossing of a board's lines as rows of its
   least-squares problem. In C because its compilers do several pixels at once. */

enum { WP_COLS = 12, WP_NODES = 12 };

/* A pixel. col are the derivatives of its grey value, of which the first ten
   count, then its residual, then nothing. */
typedef struct {
	float col[WP_COLS];
	float grey, weight, dx, dy; /* dx, dy: squares from the crossing */
	int32_t x, y, quad, cell; /* cell: of the rasters of what is near */
} wp_row;

/* The two-dimensional normal distribution with correlation rho: iq is
   1/sqrt(1 - rho^2), the rest the n nodes of Drezner's quadrature, which is for
   correlations near 1. */
typedef struct {
	float rho, iq, sin[WP_NODES], half[WP_NODES], weight[WP_NODES];
	int n;
} wp_correlation;

/* A print: lines in squares and the white between them, (ny + 1) x (nx + 1). */
typedef struct {
	int nx, ny;
} wp_print_size;

typedef struct {
	/* The chart: cubics of ((x, y) - px)/unit, squares from board. */
	double board[2], px[2], unit, x[10], y[10];
	double lo[2], hi[2];     /* the window, squares from board */
	int x0, x1, y0, y1;      /* its pixels, both ends in it */
	double blur, tone, curl, sharp, dark, narrow; /* narrow: the blur over that of the sharpening's mask */
	int second;              /* the mask is looked through */
	wp_correlation corr;
	int skip[3], slant;      /* of flat, far and near places: where (x - slant y) % skip is 0; multiples of the last */
	/* Where edges are felt, in standard deviations of the blur: beyond it they are
	   not reckoned with; the same of the mask's, which counts for both where it is
	   looked through; and where they are near. */
	double reach, mask_reach, near;

	/* Written: pixels of the window in the picture, and beyond it. */
	int inside, outside;
} wp_window;

/* Predicts the pixels of a window of a picture. Returns how many rows were
   written, at most cap. */
int wp_rows(wp_window *w, wp_print_size size, const double *xs, const double *ys, const double *white,
	const uint8_t *pix, int width, int height, int stride, wp_row *rows, int cap);

/* The blurred print at n points, squares: its whiteness f and its derivatives
   by x, y and the logarithm of the blur. The blur has standard deviations of
   1/sx, 1/sy squares. */
void wp_sample(wp_print_size size, const double *xs, const double *ys, const double *white, const wp_correlation *c,
	double reach, int n, const double *x, const double *y, const double *sx, const double *sy, float *f, float *fx, float *fy, float *fs);

/* Residuals: grey less the columns times sol, which has WP_COLS - 2 numbers. */
void wp_residuals(wp_row *rows, int n, const float *sol);

/* What a window's rows add up to, by quadrant. Of n the lower triangle is
   written. */
typedef struct {
	double n[4][WP_COLS][WP_COLS];
	double square[4], weight[4], count[4];
	double grey, grey2;
	double at[4][2][2]; /* squared slopes along x and y times dx and dy */
} wp_sums;

/* Adds the rows up. Where limit is above 0, each gets its weight first: by
   its residual squared over limit + slack times its slope squared. */
void wp_sum(wp_row *rows, int n, double limit, double slack, wp_sums *s);

#endif
