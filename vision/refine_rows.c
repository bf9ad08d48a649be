/* sqrtf that may not set errno is one instruction, for several at once. */
#if defined(__GNUC__) && !defined(__clang__)
#pragma GCC optimize("no-math-errno", "no-trapping-math")
#endif

#include "refine_rows.h"

#include "pixels.h"

#include <math.h>
#include <string.h>

#define WP_INLINE static inline __attribute__((always_inline))

enum {
	LINES = 64, /* of the print about one window, each way */
	NEAR = 24,  /* lines near one point: marker cells of half a standard deviation */
	CHUNK = 32, /* points done at once */
	BLOCK = 512,
	RASTER = 128,
	TERMS = 10, /* most of the series */
	LAST = WP_COLS - 1 - 8 /* columns beyond the first eight, the residual's among them */
};

/* The part of a print about a window, in squares from the window's middle. */
typedef struct {
	int nx, ny;
	float xs[LINES], ys[LINES];
	float white[(LINES + 1) * (LINES + 1)];
	uint64_t across[LINES + 1]; /* by row: the lines in x with an edge there */
	uint64_t down[LINES + 1];   /* by column: the lines in y */
	float lo[2], fine[2];        /* of rasters of both coordinates: where they begin, cells a square */
} part;

static int cut(const double *at, int n, double mid, double lo, double hi, float *out, int *first) {
	int a = 0, b = n;
	while (a < n && at[a] - mid < lo) a++;
	while (b > a && at[b - 1] - mid > hi) b--;
	while (b - a > LINES) {
		if (mid - at[a] > at[b - 1] - mid) a++;
		else b--;
	}
	for (int i = a; i < b; i++) out[i - a] = (float)(at[i] - mid);
	*first = a;
	return b - a;
}

static void set_part(part *p, wp_print_size size, const double *xs, const double *ys, const double *white,
	const double *mid, const double *lo, const double *hi) {
	int i0, j0;
	p->nx = cut(xs, size.nx, mid[0], lo[0], hi[0], p->xs, &i0);
	p->ny = cut(ys, size.ny, mid[1], lo[1], hi[1], p->ys, &j0);
	const int stride = p->nx + 1;
	memset(p->down, 0, sizeof p->down);
	for (int j = 0; j <= p->ny; j++) {
		float *row = p->white + j * stride;
		const double *from = white + (long)(j0 + j) * (size.nx + 1) + i0;
		uint64_t edges = 0;
		for (int i = 0; i <= p->nx; i++) {
			row[i] = (float)from[i];
			if (i > 0 && row[i] != row[i - 1]) edges |= (uint64_t)1 << (i - 1);
			if (j > 0 && row[i] != row[i - stride]) p->down[i] |= (uint64_t)1 << (j - 1);
		}
		p->across[j] = edges;
	}
	for (int k = 0; k < 2; k++) {
		p->lo[k] = (float)lo[k];
		p->fine[k] = (float)(RASTER / (hi[k] - lo[k]));
	}
}

WP_INLINE uint64_t bits(int first, int last) {
	const uint64_t below = last >= 64 ? ~(uint64_t)0 : ((uint64_t)1 << last) - 1;
	return first >= 64 ? 0 : below >> first << first;
}

/* What is near a coordinate, cell by cell of its raster. */
typedef struct {
	uint64_t lines[RASTER]; /* near it */
	uint64_t edges[RASTER]; /* the other coordinate's lines that have an edge near it */
	uint8_t first[RASTER];  /* column or row of the print before all lines near it */
} nearness;

/* A line is near the cells from the one that its reach enters to the one before
   which it leaves. */
static void set_nearness(nearness *w, const float *at, int n, const uint64_t *edges, float lo, float fine, float r) {
	int enter[LINES + 1], leave[LINES + 1];
	for (int l = 0; l < n; l++) {
		enter[l] = (int)floorf((at[l] - lo - r) * fine);
		leave[l] = (int)ceilf((at[l] - lo + r) * fine);
	}
	enter[n] = leave[n] = RASTER;
	for (int c = 0, first = 0, last = 0; c < RASTER;) {
		while (first < n && leave[first] <= c) first++;
		while (last < n && enter[last] <= c) last++;
		const int end = enter[last] < leave[first] ? enter[last] : leave[first], to = end < RASTER ? end : RASTER;
		const uint64_t lines = bits(first, last);
		uint64_t some = 0;
		for (int i = first; i <= last; i++) some |= edges[i];
		for (; c < to; c++) {
			w->lines[c] = lines;
			w->edges[c] = some;
			w->first[c] = (uint8_t)first;
		}
	}
}

/* What is near a point. */
typedef struct {
	nearness x, y;
} near_by;

static void set_near(near_by *n, const part *p, float rx, float ry) {
	set_nearness(&n->x, p->xs, p->nx, p->down, p->lo[0], p->fine[0], rx);
	set_nearness(&n->y, p->ys, p->ny, p->across, p->lo[1], p->fine[1], ry);
}

WP_INLINE int raster(const part *p, int k, float v) {
	const int c = (int)((v - p->lo[k]) * p->fine[k]);
	return c < 0 ? 0 : c >= RASTER ? RASTER - 1 : c;
}

/* Eight points at once. */
typedef float vec __attribute__((vector_size(32)));
typedef int32_t ivec __attribute__((vector_size(32)));

WP_INLINE vec choose(ivec mask, vec yes, vec no) {
	return (vec)((mask & (ivec)yes) | (~mask & (ivec)no));
}

/* exp(y) for y up to 0: to 2e-7 of it, and no less than exp(-30). */
WP_INLINE vec exp_neg(vec y) {
	y = choose(y < -30.0f, y - y - 30.0f, y);
	const vec t = y * 1.44269504f, n = (t + 12582912.0f) - 12582912.0f, r = t - n;
	const vec v = 1.0f + r * (0.693147181f + r * (0.240226507f + r * (0.0555041087f +
		r * (0.00961812911f + r * (0.00133335581f + r * 0.000154035304f)))));
	return v * (vec)((__builtin_convertvector(n, ivec) + 127) << 23);
}

/* The standard normal distribution function, to 1e-7, of x with its density d.
   Source: Abramowitz and Stegun, 26.2.17. */
WP_INLINE vec cumulative(vec x, vec d) {
	const vec t = 1.0f / (1.0f + 0.2316419f * (vec)((ivec)x & 0x7fffffff));
	const vec q = d * t * (0.319381530f + t * (-0.356563782f + t * (1.781477937f + t * (-1.821255978f + t * 1.330274429f))));
	return choose(x < 0.0f, q, 1.0f - q);
}

WP_INLINE vec density(vec x) { return 0.398942280f * exp_neg(-0.5f * x * x); }

/* A chunk of points, each eight with up to kx and ky lines near. */
enum { WIDE = CHUNK / 8 };
typedef union {
	float of[CHUNK];
	vec v[WIDE];
} lanes;
typedef struct {
	lanes h[NEAR], k[NEAR]; /* distances, standard deviations */
	lanes a[NEAR], b[NEAR]; /* steps across the lines */
	lanes d[NEAR * NEAR];   /* and of both together */
	lanes f, fx, fy, fs;
	vec nh[NEAR], ph[NEAR];
	int kx[WIDE], ky[WIDE];
} chunk;

/* How far away lines are that a point does not have, standard deviations. */
#define NOWHERE 9.0f

/* Sets what point q of a chunk has near it. */
WP_INLINE void set_point(chunk *c, int q, const part *p, float x, float y, float sx, float sy, int first, int above,
	uint64_t across, uint64_t down, int kx, int ky) {
	int col[NEAR + 1], row[NEAR + 1];
	col[0] = first;
	row[0] = above;
	uint64_t m = across;
	for (int i = 0; i < kx; i++, m &= m - 1) {
		const int l = m ? __builtin_ctzll(m) : col[i] - 1;
		col[i + 1] = l + 1;
		c->h[i].of[q] = m ? (x - p->xs[l]) * sx : NOWHERE;
	}
	m = down;
	for (int j = 0; j < ky; j++, m &= m - 1) {
		const int l = m ? __builtin_ctzll(m) : row[j] - 1;
		row[j + 1] = l + 1;
		c->k[j].of[q] = m ? (y - p->ys[l]) * sy : NOWHERE;
	}
	/* The picture is a sum of steps. */
	const float *base = p->white + row[0] * (p->nx + 1);
	c->f.of[q] = base[col[0]];
	for (int i = 0; i < kx; i++) c->a[i].of[q] = base[col[i + 1]] - base[col[i]];
	for (int j = 0; j < ky; j++) {
		const float *here = p->white + row[j + 1] * (p->nx + 1), *before = p->white + row[j] * (p->nx + 1);
		float last = here[col[0]] - before[col[0]];
		c->b[j].of[q] = last;
		for (int i = 0; i < kx; i++) {
			const float v = here[col[i + 1]] - before[col[i + 1]];
			c->d[j * kx + i].of[q] = v - last;
			last = v;
		}
	}
}

/* The mixed terms of a chunk for |rho| not near 1, by Mehler's series: with g(n)
   the n-th Hermite polynomial times the density, the distribution function is
   P(h)P(k) and the sum of rho^(n+1)/(n+1)! g(n, h) g(n, k), and each derivative
   by h turns a g(n, h) into -g(n + 1, h). terms of them are taken; as all are
   products, what lies along a line is summed first. */
WP_INLINE void see_series(chunk *c, int n, float rho, const int terms) {
	vec g[NEAR][TERMS + 2], nh[NEAR];
	float by[TERMS];
	by[0] = rho;
	for (int t = 1; t < terms; t++) by[t] = by[t - 1] * rho / (float)(t + 1);
	for (int q = 0; 8 * q < n; q++) {
		const int kx = c->kx[q], ky = c->ky[q];
		vec f = c->f.v[q], fx = f - f, fy = fx, fs = fx;
		for (int i = 0; i < kx; i++) {
			const vec h = c->h[i].v[q], a = c->a[i].v[q], p = density(h);
			nh[i] = cumulative(h, p);
			g[i][0] = p;
			g[i][1] = h * p;
			for (int t = 2; t < terms + 2; t++) g[i][t] = h * g[i][t - 1] - (float)(t - 1) * g[i][t - 2];
			f += a * nh[i];
			fx += a * p;
			fs -= a * g[i][1];
		}
		for (int j = 0; j < ky; j++) {
			const vec k = c->k[j].v[q], p = density(k), nk = cumulative(k, p);
			vec s = c->b[j].v[q], sg[TERMS + 2];
			for (int t = 0; t < terms + 2; t++) sg[t] = f - f;
			for (int i = 0; i < kx; i++) {
				const vec d = c->d[j * kx + i].v[q];
				s += d * nh[i];
				for (int t = 0; t < terms + 2; t++) sg[t] += d * g[i][t];
			}
			f += s * nk;
			fx += sg[0] * nk;
			fy += s * p;
			fs -= sg[1] * nk + s * (k * p) - 2 * rho * (sg[0] * p);
			vec last = p, here = k * p; /* g(t), g(t + 1) of k */
			for (int t = 0; t < terms; t++) {
				const vec next = k * here - (float)(t + 1) * last, w = by[t] * last;
				f += sg[t] * w;
				fx -= sg[t + 1] * w;
				fy -= by[t] * (sg[t] * here);
				/* Twice the derivative by the variance: the heat equation. */
				fs += sg[t + 2] * w + by[t] * (sg[t] * next + 2 * rho * (sg[t + 1] * here));
				last = here;
				here = next;
			}
		}
		c->f.v[q] = f;
		c->fx.v[q] = fx;
		c->fy.v[q] = fy;
		c->fs.v[q] = fs;
	}
}

/* Whether no point of eight is within reach of a line: then it is a step there. */
enum { BEYOND = 10 }; /* standard deviations, squared: Φ(-3.2) is 0.0007 */
WP_INLINE int beyond(vec h) {
	const ivec in = h * h < (float)BEYOND;
	int some = 0;
	for (int i = 0; i < 8; i++) some |= in[i];
	return !some;
}

/* The same for any rho, by Drezner's quadrature. */
WP_INLINE void see_quadrature(chunk *c, int n, const wp_correlation *r) {
	const float rho = r->rho, iq = r->iq;
	for (int q = 0; 8 * q < n; q++) {
		const int kx = c->kx[q], ky = c->ky[q];
		int step[NEAR];
		vec f = c->f.v[q], fx = f - f, fy = fx, fs = fx;
		for (int i = 0; i < kx; i++) {
			const vec h = c->h[i].v[q], a = c->a[i].v[q], p = density(h), v = cumulative(h, p);
			step[i] = beyond(h);
			c->nh[i] = v;
			c->ph[i] = p;
			f += a * v;
			fx += a * p;
			fs -= a * p * h;
		}
		for (int j = 0; j < ky; j++) {
			const vec k = c->k[j].v[q], b = c->b[j].v[q], pk = density(k), nk = cumulative(k, pk);
			f += b * nk;
			fy += b * pk;
			fs -= b * pk * k;
			const int straight = beyond(k);
			for (int i = 0; i < kx; i++) {
				const vec d = c->d[j * kx + i].v[q], h = c->h[i].v[q], nh = c->nh[i], ph = c->ph[i];
				if (straight | step[i]) {
					const vec dh = d * ph * nk, dk = d * pk * nh;
					f += d * nh * nk;
					fx += dh;
					fy += dk;
					fs -= dh * h + dk * k;
					continue;
				}
				const vec square = h * h + k * k, product = h * k, x = (k - rho * h) * iq, y = (h - rho * k) * iq;
				vec v = nh * nk;
				for (int m = 0; m < r->n; m++)
					v += r->weight[m] * exp_neg((2 * r->sin[m] * product - square) * r->half[m]);
				const vec dh = d * ph * cumulative(x, density(x)), dk = d * pk * cumulative(y, density(y));
				f += d * v;
				fx += dh;
				fy += dk;
				fs -= dh * h + dk * k;
			}
		}
		c->f.v[q] = f;
		c->fx.v[q] = fx;
		c->fy.v[q] = fy;
		c->fs.v[q] = fs;
	}
}

WP_INLINE void see_chunk(chunk *c, int n, const wp_correlation *r) {
	/* As many terms as leave an error below 2e-4. */
	const float size = fabsf(r->rho);
	if (size < 0.18f) see_series(c, n, r->rho, 2);
	else if (size < 0.34f) see_series(c, n, r->rho, 3);
	else if (size < 0.45f) see_series(c, n, r->rho, 4);
	else if (size < 0.6f) see_series(c, n, r->rho, 6);
	else if (size < 0.77f) see_series(c, n, r->rho, 10);
	else see_quadrature(c, n, r);
}

/* Where points lie, and the standard deviations of the blur there: 1/sx, 1/sy squares. */
typedef struct {
	uint8_t col[BLOCK], row[BLOCK]; /* of the rasters */
	float x[BLOCK], y[BLOCK], sx[BLOCK], sy[BLOCK];
} places;

/* The blurred print at points, and its derivatives. */
typedef struct {
	float f[BLOCK], fx[BLOCK], fy[BLOCK], fs[BLOCK];
} picture;

/* Takes a chunk of points over, each to its place; sharp is what the blur's
   standard deviations are divided by. */
WP_INLINE void put(const chunk *c, int m, const int16_t *order, const places *at, float sharp, picture *out) {
	for (int i = 0; i < m; i++) {
		const int o = order[i];
		out->f[o] = c->f.of[i];
		out->fx[o] = c->fx.of[i] * at->sx[o] * sharp;
		out->fy[o] = c->fy.of[i] * at->sy[o] * sharp;
		out->fs[o] = c->fs.of[i];
	}
}

/* The blurred print at up to BLOCK points; mask, where it is not 0, is the same
   through a blur that is wider, by 1/narrow. Points with about as many lines near
   are done together. */
WP_INLINE void see(const part *p, const near_by *by, const wp_correlation *r, int n, const places *at,
	picture *out, float narrow, picture *mask) {
	uint64_t across[BLOCK], down[BLOCK];
	int16_t kind[BLOCK], order[BLOCK], start[(NEAR + 1) * (NEAR + 1) + 1];
	memset(start, 0, sizeof start);
	int most = 0;
	for (int q = 0; q < n; q++) {
		const int i = at->col[q], j = at->row[q];
		across[q] = by->x.lines[i] & by->y.edges[j];
		down[q] = by->y.lines[j] & by->x.edges[i];
		int kx = __builtin_popcountll(across[q]), ky = __builtin_popcountll(down[q]);
		kx = kx < NEAR ? kx : NEAR;
		ky = ky < NEAR ? ky : NEAR;
		kind[q] = (int16_t)(kx * (NEAR + 1) + ky);
		most = kind[q] > most ? kind[q] : most;
		start[kind[q] + 1]++;
	}
	for (int k = 0; k < most; k++) start[k + 1] = (int16_t)(start[k + 1] + start[k]);
	for (int q = 0; q < n; q++) order[start[kind[q]]++] = (int16_t)q;
	/* What else it holds beyond the points of a chunk is of earlier ones: not used. */
	static _Thread_local chunk c;
	for (int q = 0; q < n;) {
		const int m = n - q < CHUNK ? n - q : CHUNK;
		for (int g = 0; g < m; g += 8) {
			const int end = m - g < 8 ? m : g + 8;
			int kx = 0, ky = 0;
			for (int i = g; i < end; i++) {
				const int k = kind[order[q + i]];
				kx = k / (NEAR + 1) > kx ? k / (NEAR + 1) : kx;
				ky = k % (NEAR + 1) > ky ? k % (NEAR + 1) : ky;
			}
			c.kx[g / 8] = kx;
			c.ky[g / 8] = ky;
			for (int i = g; i < end; i++) {
				const int o = order[q + i];
				set_point(&c, i, p, at->x[o], at->y[o], at->sx[o], at->sy[o], by->x.first[at->col[o]], by->y.first[at->row[o]],
					across[o], down[o], kx, ky);
			}
			/* Lanes without a point must not hold others up: see beyond. */
			for (int i = end; i < g + 8; i++) {
				for (int l = 0; l < kx; l++) c.h[l].of[i] = NOWHERE;
				for (int l = 0; l < ky; l++) c.k[l].of[i] = NOWHERE;
			}
		}
		lanes base;
		if (mask) base = c.f;
		see_chunk(&c, m, r);
		put(&c, m, order + q, at, 1, out);
		if (mask) {
			c.f = base;
			for (int g = 0; 8 * g < m; g++) {
				for (int i = 0; i < c.kx[g]; i++) c.h[i].v[g] *= narrow;
				for (int j = 0; j < c.ky[g]; j++) c.k[j].v[g] *= narrow;
			}
			see_chunk(&c, m, r);
			put(&c, m, order + q, at, narrow, mask);
		}
		q += m;
	}
}

WP_WIDE void wp_sample(wp_print_size size, const double *xs, const double *ys, const double *white, const wp_correlation *r,
	double reach, int n, const double *x, const double *y, const double *sx, const double *sy, float *f, float *fx, float *fy, float *fs) {
	part p;
	near_by by;
	places at;
	picture out;
	for (int q = 0; q < n; q++) {
		const double mid[2] = {x[q], y[q]}, hi[2] = {reach / sx[q], reach / sy[q]}, lo[2] = {-hi[0], -hi[1]};
		set_part(&p, size, xs, ys, white, mid, lo, hi);
		at.x[0] = at.y[0] = 0;
		at.sx[0] = (float)sx[q];
		at.sy[0] = (float)sy[q];
		at.col[0] = (uint8_t)raster(&p, 0, 0);
		at.row[0] = (uint8_t)raster(&p, 1, 0);
		set_near(&by, &p, (float)reach / at.sx[0], (float)reach / at.sy[0]);
		see(&p, &by, r, 1, &at, &out, 1, 0);
		f[q] = out.f[0];
		fx[q] = out.fx[0];
		fy[q] = out.fy[0];
		fs[q] = out.fs[0];
	}
}

/* A cubic along one row of pixels: its coefficients, and those of its
   derivative across. */
typedef struct {
	float v[4], d[3];
} cubic;

static cubic along(const double *t, double b) {
	const cubic c = {
		{(float)(t[0] + b * (t[2] + b * (t[5] + b * t[9]))), (float)(t[1] + b * (t[4] + b * t[8])), (float)(t[3] + b * t[7]), (float)t[6]},
		{(float)(t[2] + b * (2 * t[5] + 3 * b * t[9])), (float)(t[4] + 2 * b * t[8]), (float)t[7]},
	};
	return c;
}

WP_INLINE int below(int v, int m) {
	const int r = v % m;
	return r < 0 ? r + m : r;
}

/* Predicts up to BLOCK rows whose places are known. */
WP_INLINE void predict(const wp_window *w, const part *p, const near_by *by, wp_row *rows, int n) {
	places at;
	picture thin, broad;
	float xu[BLOCK], xv[BLOCK], yu[BLOCK], yv[BLOCK];
	const float iu = (float)(1 / w->unit), wide = (float)(1 / w->blur);
	for (int from = 0; from < n;) {
		/* One line of the picture. */
		int to = from + 1;
		while (to < n && rows[to].y == rows[from].y) to++;
		const double b = (rows[from].y - w->px[1]) / w->unit;
		const cubic ex = along(w->x, b), ey = along(w->y, b);
		for (int q = from; q < to; q++) {
			const float a = (float)(rows[q].x - w->px[0]) * iu;
			at.x[q] = rows[q].dx;
			at.y[q] = rows[q].dy;
			at.col[q] = rows[q].cell & 255;
			at.row[q] = (uint8_t)(rows[q].cell >> 8);
			xu[q] = (ex.v[1] + a * (2 * ex.v[2] + 3 * a * ex.v[3])) * iu;
			yu[q] = (ey.v[1] + a * (2 * ey.v[2] + 3 * a * ey.v[3])) * iu;
			xv[q] = (ex.d[0] + a * (ex.d[1] + a * ex.d[2])) * iu;
			yv[q] = (ey.d[0] + a * (ey.d[1] + a * ey.d[2])) * iu;
		}
		from = to;
	}
	for (int q = 0; q < n; q++) {
		at.sx[q] = wide / sqrtf(xu[q] * xu[q] + xv[q] * xv[q]);
		at.sy[q] = wide / sqrtf(yu[q] * yu[q] + yv[q] * yv[q]);
	}
	see(p, by, &w->corr, n, &at, &thin, (float)w->narrow, w->second ? &broad : 0);
	const float *f = thin.f, *fx = thin.fx, *fy = thin.fy, *fs = thin.fs, *x = at.x, *y = at.y;
	const float tone = (float)w->tone, curl = (float)w->curl, sharp = (float)w->sharp, dark = (float)w->dark, narrow = (float)w->narrow;
	float cols[WP_COLS - 2][BLOCK];
	for (int q = 0; q < n; q++) {
		/* Tone curve, then sharpening. The mask blurs the tone's bump at an
		   edge, f(1 - f), to about that of the blurred edge, with the same sum. */
		const float bump = f[q] * (1 - f[q]);
		float cCurl = bump * (1 - 2 * f[q]), slope = 1 + tone * (1 - 2 * f[q]) + curl * (1 - 6 * bump);
		float v = f[q] + tone * bump + curl * cCurl, cTone = bump, cSharp = 0, down = 0;
		float ux = 0, uy = 0, us = 0;
		if (w->second) {
			const float u = broad.f[q], bumpy = narrow * u * (1 - u);
			cSharp = v - u - tone * bumpy;
			v += sharp * cSharp;
			cTone += sharp * (bump - bumpy);
			cCurl *= 1 + sharp; /* the mask has blurred its own away */
			down = -sharp * (1 + tone * narrow * (1 - 2 * u));
			slope *= 1 + sharp;
			ux = broad.fx[q];
			uy = broad.fy[q];
			us = broad.fs[q];
		}
		const float vx = slope * fx[q] + down * ux, vy = slope * fy[q] + down * uy;
		cols[0][q] = -(vx * xu[q] + vy * yu[q]);
		cols[1][q] = -(vx * xv[q] + vy * yv[q]);
		cols[2][q] = 1;
		cols[3][q] = v;
		cols[4][q] = (v + dark) * x[q];
		cols[5][q] = (v + dark) * y[q];
		cols[6][q] = slope * fs[q] + down * us * narrow * narrow;
		cols[7][q] = cTone;
		cols[8][q] = cCurl;
		cols[9][q] = cSharp;
	}
	for (int q = 0; q < n; q++) {
		wp_row *r = &rows[q];
		for (int k = 0; k < WP_COLS - 2; k++) r->col[k] = cols[k][q];
		r->col[10] = r->col[11] = 0;
		r->weight = 1;
	}
}

WP_WIDE int wp_rows(wp_window *w, wp_print_size size, const double *xs, const double *ys, const double *white,
	const uint8_t *pix, int width, int height, int stride, wp_row *rows, int cap) {
	/* Standard deviations in the middle of the window, squares. */
	const double sx = w->blur * hypot(w->x[1], w->x[2]) / w->unit, sy = w->blur * hypot(w->y[1], w->y[2]) / w->unit;
	const double far = w->second ? w->mask_reach / w->narrow : w->reach;
	const double lo[2] = {w->lo[0] - far * sx, w->lo[1] - far * sy}, hi[2] = {w->hi[0] + far * sx, w->hi[1] + far * sy};
	part p;
	near_by felt, edge;
	set_part(&p, size, xs, ys, white, w->board, lo, hi);
	set_near(&felt, &p, (float)(far * sx), (float)(far * sy));
	const float iu = (float)(1 / w->unit);
	const float lo0 = (float)w->lo[0], hi0 = (float)w->hi[0], lo1 = (float)w->lo[1], hi1 = (float)w->hi[1];
	/* The lattice of near places, of which those of the others are a part. */
	const int step = w->skip[2], sparse[2] = {w->skip[0] / step, w->skip[1] / step};
	const int same = sparse[0] <= 1 && sparse[1] <= 1;
	if (!same) set_near(&edge, &p, (float)(w->near * sx), (float)(w->near * sy));
	int n = 0;
	w->inside = w->outside = 0;
	for (int y = w->y0; y <= w->y1; y++) {
		const double b = (y - w->px[1]) / w->unit;
		const cubic ex = along(w->x, b), ey = along(w->y, b);
		const uint8_t *line = y >= 0 && y < height ? pix + (long)y * stride : 0;
		for (int from = w->x0 + below(w->slant * y - w->x0, step); from <= w->x1; from += BLOCK * step) {
			float dx[BLOCK], dy[BLOCK];
			int col[BLOCK], row[BLOCK];
			const int left = (w->x1 - from) / step + 1, m = left < BLOCK ? left : BLOCK;
			for (int i = 0; i < m; i++) {
				const float a = (float)(from + i * step - w->px[0]) * iu;
				dx[i] = ex.v[0] + a * (ex.v[1] + a * (ex.v[2] + a * ex.v[3]));
				dy[i] = ey.v[0] + a * (ey.v[1] + a * (ey.v[2] + a * ey.v[3]));
				col[i] = raster(&p, 0, dx[i]);
				row[i] = raster(&p, 1, dy[i]);
			}
			int i = 0, end = m;
			while (i < end && !(dx[i] <= hi0 && dx[i] >= lo0 && dy[i] <= hi1 && dy[i] >= lo1)) i++;
			while (end > i && !(dx[end - 1] <= hi0 && dx[end - 1] >= lo0 && dy[end - 1] <= hi1 && dy[end - 1] >= lo1)) end--;
			if (i == end) continue;
			/* What of it is in the picture. */
			const int all = end - i;
			if (!line) end = i;
			while (i < end && from + i * step < 0) i++;
			while (end > i && from + (end - 1) * step >= width) end--;
			w->inside += end - i;
			w->outside += all - (end - i);
			const int place = (from + i * step - w->slant * y) / step;
			int flat = below(place, sparse[0]), far = below(place, sparse[1]);
			for (; i < end && n < cap; i++) {
				const int c = col[i], r = row[i];
				int keep = 1;
				if (!same) {
					/* Without branches, for nobody can tell which way they go. */
					const int nearby = ((edge.x.lines[c] & edge.y.edges[r]) | (edge.y.lines[r] & edge.x.edges[c])) != 0;
					const int seen = ((felt.x.lines[c] & felt.y.edges[r]) | (felt.y.lines[r] & felt.x.edges[c])) != 0;
					keep = nearby | (seen & (far == 0)) | (!seen & (flat == 0));
					flat = flat + 1 == sparse[0] ? 0 : flat + 1;
					far = far + 1 == sparse[1] ? 0 : far + 1;
				}
				wp_row *to = &rows[n];
				to->grey = line[from + i * step];
				to->dx = dx[i];
				to->dy = dy[i];
				to->x = from + i * step;
				to->y = y;
				to->quad = (dx[i] > 0) | (dy[i] > 0) << 1;
				to->cell = c | r << 8;
				n += keep;
			}
		}
	}
	for (int q = 0; q < n; q += BLOCK) predict(w, &p, &felt, rows + q, n - q < BLOCK ? n - q : BLOCK);
	return n;
}

WP_WIDE void wp_residuals(wp_row *rows, int n, const float *sol) {
	for (int i = 0; i < n; i++) {
		wp_row *r = &rows[i];
		float v = 0;
		for (int k = 0; k < WP_COLS - 2; k++) v += sol[k] * r->col[k];
		r->col[10] = r->grey - v;
	}
}

typedef float four __attribute__((vector_size(16), aligned(4)));
typedef float eight __attribute__((vector_size(32), aligned(4)));

/* Sums of products of columns: the first eight with each of the first eight, and
   of the last with all. */
typedef struct {
	eight low[8], high[LAST];
	four last[LAST];
} products;

/* Adds rows of one quadrant. In two rounds, for the registers. */
WP_INLINE void add_run(const wp_row *rows, int n, products *acc) {
	products s = *acc;
	for (int q = 0; q < n; q++) {
		const float *c = rows[q].col;
		const eight w = rows[q].weight * *(const eight *)c;
		for (int i = 0; i < 8; i++) s.low[i] += c[i] * w;
	}
	for (int q = 0; q < n; q++) {
		const float *c = rows[q].col;
		const eight w = rows[q].weight * *(const eight *)c;
		const four v = rows[q].weight * *(const four *)(c + 8);
		for (int i = 0; i < LAST; i++) {
			s.high[i] += c[8 + i] * w;
			s.last[i] += c[8 + i] * v;
		}
	}
	*acc = s;
}

WP_WIDE void wp_sum(wp_row *rows, int n, double limit, double slack, wp_sums *s) {
	memset(s, 0, sizeof *s);
	if (limit > 0) {
		for (int q = 0; q < n; q++) {
			wp_row *r = &rows[q];
			const float *c = r->col;
			const float t = c[10] * c[10] / ((float)limit + (float)slack * (c[0] * c[0] + c[1] * c[1]));
			/* One, but for those that stand out. */
			float v = (1 - t) * (1 / 0.75f);
			v = v < 0 ? 0 : v;
			r->weight = t < 0.25f ? 1 : v * v;
		}
	}
	products acc[4];
	four at[4];
	int since = 0;
	memset(acc, 0, sizeof acc);
	memset(at, 0, sizeof at);
	for (int q = 0; q < n;) {
		const int quad = rows[q].quad & 3;
		int m = 1;
		while (q + m < n && rows[q + m].quad == quad) m++;
		float weight = 0, grey = 0, grey2 = 0;
		for (int i = q; i < q + m; i++) {
			const wp_row *r = &rows[i];
			const float w = r->weight, x = w * r->col[0] * r->col[0], y = w * r->col[1] * r->col[1];
			const four e = {x, x, y, y}, d = {r->dx, r->dy, r->dx, r->dy};
			at[quad] += e * d;
			weight += w;
			grey += r->grey;
			grey2 += r->grey * r->grey;
		}
		s->count[quad] += m;
		s->weight[quad] += weight;
		s->grey += grey;
		s->grey2 += grey2;
		add_run(rows + q, m, &acc[quad]);
		q += m;
		/* Floats for a while, then doubles. */
		if ((since += m) < 256 && q < n) continue;
		since = 0;
		for (int k = 0; k < 4; k++) {
			for (int i = 0; i < 8; i++)
				for (int j = 0; j <= i; j++) s->n[k][i][j] += acc[k].low[i][j];
			for (int i = 0; i < LAST; i++) {
				for (int j = 0; j < 8; j++) s->n[k][8 + i][j] += acc[k].high[i][j];
				for (int j = 0; j <= i; j++) s->n[k][8 + i][8 + j] += acc[k].last[i][j];
			}
			for (int i = 0; i < 4; i++) s->at[k][i / 2][i % 2] += at[k][i];
		}
		memset(acc, 0, sizeof acc);
		memset(at, 0, sizeof at);
	}
	for (int k = 0; k < 4; k++) s->square[k] = s->n[k][10][10];
}
