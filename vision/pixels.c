#include "pixels.h"

#include <math.h>
#include <string.h>

WP_WIDE void wp_edges(const uint8_t *pix, int w, int h, int stride, float *out) {
	const int bw = w / 8, bh = h / 8;
	for (int by = 0; by < bh; by++) {
		for (int bx = 0; bx < bw; bx++) {
			int xx = 0, xy = 0, yy = 0;
			/* The last block's right column has no neighbour in the picture. */
			const int n = 8 * bx + 8 < w ? 8 : 7;
			for (int y = 8 * by; y < 8 * by + 8 && y + 1 < h; y += 2) {
				const uint8_t *row = pix + (long)y * stride + 8 * bx, *below = row + stride;
				if (n == 8) {
					for (int x = 0; x < 8; x++) {
						/* Diagonal differences: the same pixels for both. */
						const int16_t a = (int16_t)(below[x + 1] - row[x]), b = (int16_t)(below[x] - row[x + 1]);
						xx += a * a;
						xy += a * b;
						yy += b * b;
					}
				} else {
					for (int x = 0; x < n; x++) {
						const int a = below[x + 1] - row[x], b = below[x] - row[x + 1];
						xx += a * a;
						xy += a * b;
						yy += b * b;
					}
				}
			}
			const float a = xx / 32.0f, b = xy / 32.0f, c = yy / 32.0f, d = (a - c) / 2;
			out[by * bw + bx] = (a + c) / 2 - sqrtf(d * d + b * b);
		}
	}
}

WP_WIDE int wp_saddles(const uint8_t *pix, int w, int h, int stride, float least, int16_t *restrict s, float *restrict v,
	int32_t *places, float *values, int cap) {
	for (int y = 1; y < h - 1; y++) {
		const uint8_t *row = pix + (long)y * stride, *up = row - stride, *down = row + stride;
		int16_t *restrict o = s + (long)y * w;
		for (int x = 1; x < w - 1; x++)
			o[x] = (int16_t)(up[x - 1] + 2 * up[x] + up[x + 1] + 2 * row[x - 1] + 4 * row[x] + 2 * row[x + 1] +
				down[x - 1] + 2 * down[x] + down[x + 1]);
	}
	int32_t most = 0; /* floats above 0 have the order of their bits as integers */
	for (int y = 2; y < h - 2; y++) {
		const int16_t *r = s + (long)y * w, *u = r - w, *d = r + w;
		float *restrict o = v + (long)y * w;
		for (int x = 2; x < w - 2; x++) {
			const float xx = (float)(r[x - 1] - 2 * r[x] + r[x + 1]), yy = (float)(u[x] - 2 * r[x] + d[x]);
			const float xy = (float)(u[x - 1] + d[x + 1] - u[x + 1] - d[x - 1]) / 4;
			o[x] = xy * xy - xx * yy;
		}
		for (int x = 2; x < w - 2; x++) {
			int32_t bits;
			memcpy(&bits, &o[x], 4);
			most = bits > most ? bits : most;
		}
	}
	float top;
	memcpy(&top, &most, 4);
	const float limit = 0.01f * top > least ? 0.01f * top : least;
	int n = 0;
	for (int y = 3; y < h - 3; y++) {
		const float *r = v + (long)y * w, *u = r - w, *d = r + w;
		for (int x = 3; x < w - 3; x++) {
			const float m = r[x];
			if (m < limit || m < r[x - 1] || m <= r[x + 1] || m < u[x] || m <= d[x] || m < u[x - 1] || m < u[x + 1] ||
				m <= d[x - 1] || m <= d[x + 1])
				continue;
			if (n == cap) return n;
			places[n] = y * w + x;
			values[n++] = m;
		}
	}
	return n;
}
