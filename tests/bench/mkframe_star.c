/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Profiles, integrated over square pixels, drawn into the plane.
 *
 * A star's profile is a function of q = d^T S^-1 d alone, d the distance from its centre:
 *     Gaussian  f = exp(-q/2) / (2 pi sqrt|S|),                S = M / (8 ln 2)
 *     Moffat    f = (beta-1) (1+q)^-beta / (pi sqrt|S|),       S = M / (4 (2^(1/beta) - 1))
 * with M the matrix whose eigenvalues are major^2 and minor^2 (FWHM squared). Both integrate
 * to one over the plane: with u = S^-1/2 d the area element is sqrt|S| du, and
 * int 2 pi r exp(-r^2/2) dr = 2 pi, int 2 pi r (1+r^2)^-beta dr = pi/(beta-1). At q where f
 * is half its peak (q = 2 ln 2, or 2^(1/beta) - 1) the radius is half the FWHM: hence S.
 *
 * Pixel integrals. An upright Gaussian is a product of differences of erf: exact. All else is
 * Gauss-Legendre quadrature, n x n nodes; on an interval of length one its error is
 *     f^(2n)(xi) / c_n,    c_n = (2n+1) ((2n)!)^3 / (n!)^4       (textbook)
 * and n is the smallest one that keeps error/f below TOLERANCE, from bounds on f^(2n)/f:
 *   Gaussian: (q + 0.8 n + 0.3)^n / sigma_minor^2n. [f^(2n)/f is a Hermite polynomial; with all its
 *     signs made positive it is E (sqrt(q)+Z)^2n, Z normal: (2n-1)!! < (0.8 n + 0.3)^n at q = 0.]
 *   Moffat: (2 beta)_2n / D^2n, D = alpha_minor sqrt(1+q). [Along the narrow axis 1+q vanishes
 *     at a complex distance of modulus D exactly, f ~ D^-2beta, and (s)_k = s (s+1) .. (s+k-1)
 *     are the factors that differentiating D^-s brings down.] Both derived here.
 * check_mkframe.py compares with an adaptive quadrature from outside. */
#include "mkframe.h"

enum { MAX_ORDER = 20, MAX_REACH = 800 };
static const double TOLERANCE = 2e-6, TOLERANCE_ONE = 2e-4; /* one node: only in the far wings */
static double node[MAX_ORDER + 1][MAX_ORDER], weight[MAX_ORDER + 1][MAX_ORDER]; /* on [-1/2, 1/2] */
static double log_c[MAX_ORDER + 1];

/* Roots of the Legendre polynomial P_n by Newton from the usual cosine guess. */
static void legendre(int n)
{
    for (int i = 0; i < n; i++) {
        double x = cos(M_PI * (i + 0.75) / (n + 0.5)), slope = 1.0;

        for (int turn = 0; turn < 100; turn++) {
            double p0 = 1.0, p1 = x;
            for (int k = 2; k <= n; k++) {
                double p2 = ((2 * k - 1) * x * p1 - (k - 1) * p0) / k;
                p0 = p1;
                p1 = p2;
            }
            slope = n * (x * p1 - p0) / (x * x - 1.0);
            x -= p1 / slope;
            if (fabs(p1 / slope) < 1e-15)
                break;
        }
        node[n][i] = 0.5 * x;
        weight[n][i] = 1.0 / ((1.0 - x * x) * slope * slope);
    }
}

void star_init(void)
{
    node[1][0] = 0.0;
    weight[1][0] = 1.0;
    for (int n = 2; n <= MAX_ORDER; n++)
        legendre(n);
    for (int n = 1; n <= MAX_ORDER; n++)
        log_c[n] = log(2.0 * n + 1.0) + 3.0 * lgamma(2.0 * n + 1.0) - 4.0 * lgamma(n + 1.0);
}

/* A profile ready to draw. */
struct profile {
    double xx, xy, yy; /* q = xx dx^2 + 2 xy dx dy + yy dy^2 */
    double sxx, syy;   /* diagonal of S: half-width of the box that holds q <= 1, squared */
    double peak, beta; /* per px^2 at unit flux; infinite beta: Gaussian */
    double q_cut;      /* draw up to here */
    double limit[MAX_ORDER + 1]; /* order n serves q <= limit (Gaussian), q >= limit (Moffat) */
};

static double scale_of(double beta)
{
    return isinf(beta) ? 8.0 * log(2.0) : 4.0 * (pow(2.0, 1.0 / beta) - 1.0);
}

static void set_limits(struct profile *p, double narrow2)
{
    for (int n = 1; n <= MAX_ORDER; n++) {
        double room = log(n == 1 ? TOLERANCE_ONE : TOLERANCE) + log_c[n];

        if (isinf(p->beta))
            p->limit[n] = exp(room / n) * narrow2 - 0.8 * n - 0.3;
        else
            p->limit[n] =
                exp((lgamma(2.0 * p->beta + 2.0 * n) - lgamma(2.0 * p->beta) - room) / n) /
                    narrow2 -
                1.0;
    }
}

static void set_profile(struct profile *p, const struct source *s)
{
    double k = scale_of(s->beta), a2 = s->major * s->major / k, b2 = s->minor * s->minor / k;
    double c = cos(s->angle * DEG), n = sin(s->angle * DEG);

    p->beta = s->beta;
    p->sxx = a2 * c * c + b2 * n * n;
    p->syy = a2 * n * n + b2 * c * c;
    p->xx = c * c / a2 + n * n / b2;
    p->yy = n * n / a2 + c * c / b2;
    p->xy = a2 == b2 ? 0.0 : c * n * (1.0 / a2 - 1.0 / b2);
    if (fabs(p->xy) < 1e-12 * p->xx) /* 90 degrees, to rounding */
        p->xy = 0.0;
    p->peak = (isinf(s->beta) ? 0.5 : s->beta - 1.0) / (M_PI * sqrt(a2 * b2));
    set_limits(p, b2);
}

double star_peak(const struct source *s)
{
    struct profile p;

    set_profile(&p, s);
    return p.peak;
}

double star_density(const struct source *s, double distance_px)
{
    double q = distance_px * distance_px * scale_of(s->beta) / (s->fwhm * s->fwhm);

    return star_peak(s) * (isinf(s->beta) ? exp(-0.5 * q) : pow(1.0 + q, -s->beta));
}

static int order_at(const struct profile *p, double q)
{
    int n = 1;

    if (isinf(p->beta))
        while (n < MAX_ORDER && q > p->limit[n])
            n++;
    else
        while (n < MAX_ORDER && q < p->limit[n])
            n++;
    return n;
}

/* Single precision inside the sum: 1e-7 of the value, and the plane holds no more. */
static double shape_value(const struct profile *p, double q)
{
    return isinf(p->beta) ? expf((float)(-0.5 * q)) : powf((float)(1.0 + q), (float)-p->beta);
}

/* Integral of f/peak over the pixel whose centre is (dx, dy) from the star. */
static double pixel_integral(const struct profile *p, double dx, double dy, int n)
{
    double sum = 0.0;

    for (int j = 0; j < n; j++) {
        double y = dy + node[n][j], row = 0.0;
        for (int i = 0; i < n; i++) {
            double x = dx + node[n][i];
            row +=
                weight[n][i] * shape_value(p, p->xx * x * x + 2.0 * p->xy * x * y + p->yy * y * y);
        }
        sum += weight[n][j] * row;
    }
    return sum;
}

struct box {
    long x1, x2, y1, y2; /* FITS pixels, inclusive, inside the frame; empty when x1 > x2 */
};

static struct box box_around(const struct plane *p, double x, double y, double hx, double hy)
{
    struct box b = { lround(fmax(1.0, ceil(x - hx - 0.5))),
                     lround(fmin((double)p->width, floor(x + hx + 0.5))),
                     lround(fmax(1.0, ceil(y - hy - 0.5))),
                     lround(fmin((double)p->height, floor(y + hy + 0.5))) };
    return b;
}

static float *pixel(const struct plane *p, long x, long y)
{
    return &p->adu[(size_t)(y - 1) * (size_t)p->width + (size_t)(x - 1)];
}

/* One image of the profile at (x, y); tint[colour] multiplies the flux on pixels of a colour. */
static void draw_image(struct plane *p, const struct profile *f, double x, double y, double flux,
                       const double tint[3])
{
    struct box b = box_around(p, x, y, fmin(sqrt(f->q_cut * f->sxx), MAX_REACH),
                              fmin(sqrt(f->q_cut * f->syy), MAX_REACH));
    bool by_erf = isinf(f->beta) && f->xy == 0.0;
    double ux = sqrt(0.5 * f->xx), uy = sqrt(0.5 * f->yy);

    for (long iy = b.y1; iy <= b.y2; iy++) {
        double dy = (double)iy - y, ey = erf((dy + 0.5) * uy) - erf((dy - 0.5) * uy);

        for (long ix = b.x1; ix <= b.x2; ix++) {
            double dx = (double)ix - x,
                   q = f->xx * dx * dx + 2.0 * f->xy * dx * dy + f->yy * dy * dy, v;
            double t = tint[p->colour[2 * ((iy - 1) & 1) + ((ix - 1) & 1)]];

            if (q > f->q_cut || t == 0.0)
                continue;
            if (by_erf)
                v = 0.25 * ey * (erf((dx + 0.5) * ux) - erf((dx - 0.5) * ux));
            else
                v = f->peak * pixel_integral(f, dx, dy, order_at(f, q));
            *pixel(p, ix, iy) += (float)(flux * t * v);
        }
    }
}

/* Where flux x f falls below cut; half a pixel more, so that a small star keeps its centre. */
static double cut_q(const struct profile *f, double flux, double cut_adu)
{
    double ratio = fmax(fabs(flux) * f->peak / cut_adu, 1.0), r;

    r = isinf(f->beta) ? sqrt(2.0 * log(ratio)) : sqrt(pow(ratio, 1.0 / f->beta) - 1.0);
    r += sqrt(fmax(f->xx, f->yy));
    return r * r;
}

/* The sub-images of a star: displacement and share of the light. Flare and corners are both
 * sums of points; together they are the convolution, so their third moments add. The flux
 * centroid stays at the star's position:
 *   flare    shares 1-F and F at -F d and (1-F) d: third moment along d = F (1-F) (1-2F) d^3
 *   corners  shares 1-F and thrice F/3 at d e^(i k 120): sum share z^3 = F d^3 e^(3i angle),
 *            sum share |z|^2 z = 0. */
struct point {
    double dx, dy, share;
};
enum { FLARE_POINTS = 2, CORNER_POINTS = 4 };

static int sub_images(const struct cfg *c, struct point out[FLARE_POINTS * CORNER_POINTS])
{
    double f = c->flare[0], g = c->corners[0];
    int n = 0;

    for (int i = 0; i < (f != 0.0 ? FLARE_POINTS : 1); i++) {
        double along = f == 0.0 ? 0.0 : c->flare[1] * (i == 0 ? -f : 1.0 - f);
        double share = f == 0.0 ? 1.0 : (i == 0 ? 1.0 - f : f);

        for (int k = 0; k < (g != 0.0 ? CORNER_POINTS : 1); k++) {
            double r = k == 0 ? 0.0 : c->corners[1], angle = (c->corners[2] + 120.0 * k) * DEG;
            out[n].dx = along * cos(c->flare[2] * DEG) + r * cos(angle);
            out[n].dy = along * sin(c->flare[2] * DEG) + r * sin(angle);
            out[n++].share = share * (g == 0.0 ? 1.0 : (k == 0 ? 1.0 - g : g / 3.0));
        }
    }
    return n;
}

/* Red and blue images may stand aside of the green one (the air's dispersion). */
static void draw_star(const struct cfg *c, struct plane *p, struct source *s, double cut_adu)
{
    struct profile f;
    struct point sub[FLARE_POINTS * CORNER_POINTS];
    int count = sub_images(c, sub);
    bool split = c->dispersion[0] != 0.0 || c->dispersion[1] != 0.0;
    double tint[3] = { s->rg, 1.0, s->bg }, shift[3] = { c->dispersion[0], 0.0, c->dispersion[1] };
    double most = fmax(1.0, fmax(s->rg, s->bg)), angle = c->dispersion[2] * DEG;

    set_profile(&f, s);
    f.q_cut = cut_q(&f, s->flux * most, cut_adu);
    s->reach = fmin(sqrt(f.q_cut * fmax(f.sxx, f.syy)), MAX_REACH);
    for (int k = 0; k < count; k++) {
        double x = s->x + sub[k].dx, y = s->y + sub[k].dy, flux = s->flux * sub[k].share;

        if (!split) {
            draw_image(p, &f, x, y, flux, tint);
            continue;
        }
        for (int colour = 0; colour < 3; colour++) {
            double only[3] = { 0.0, 0.0, 0.0 };
            only[colour] = tint[colour];
            draw_image(p, &f, x + shift[colour] * cos(angle), y + shift[colour] * sin(angle), flux,
                       only);
        }
    }
}

/* Exponential ellipse softened by the seeing: exp(-sqrt(r^2 + s^2)), r in scale lengths along
 * each axis (half the light inside 1.678), s = the star's sigma in scale lengths. Total
 * 2 pi a b (1 + s) e^-s [substitute u = sqrt(r^2 + s^2)]. The softening is rough on purpose:
 * galaxies are here to be rejected, not measured. s->beta holds s. */
static void draw_galaxy(struct plane *p, struct source *s, double cut_adu)
{
    double soft = s->beta,
           unit = 2.0 * sqrt(log(2.0) * (log(2.0) + 2.0 * soft)); /* FWHM in scale lengths */
    double a = s->major / unit, b = s->minor / unit, c = cos(s->angle * DEG),
           n = sin(s->angle * DEG);
    double norm = s->flux / (2.0 * M_PI * a * b * (1.0 + soft) * exp(-soft));

    s->reach = fmin(a * fmax(1.0, log(fmax(norm / cut_adu, 1.0))), MAX_REACH);
    struct box box = box_around(p, s->x, s->y, s->reach, s->reach);
    for (long iy = box.y1; iy <= box.y2; iy++)
        for (long ix = box.x1; ix <= box.x2; ix++) {
            double sum = 0.0;
            for (int k = 0; k < 16; k++) {
                double dx = (double)ix - s->x + node[4][k % 4],
                       dy = (double)iy - s->y + node[4][k / 4];
                double u = (dx * c + dy * n) / a, v = (dy * c - dx * n) / b;
                sum +=
                    weight[4][k % 4] * weight[4][k / 4] * exp(-sqrt(u * u + v * v + soft * soft));
            }
            *pixel(p, ix, iy) += (float)(norm * sum);
        }
}

/* A straight line across the frame with a Gaussian cross-section; flux = peak, ADU per px. */
static void draw_trail(struct plane *p, struct source *s)
{
    double c = cos(s->angle * DEG), n = sin(s->angle * DEG), sigma = s->fwhm / FWHM_SIGMA,
           half = 6.0 * sigma + 1.0;

    s->reach = half;
    for (long iy = 1; iy <= p->height; iy++) {
        double dy = (double)iy - s->y,
               mid = s->x + dy * c / n; /* n = 0: infinite or NaN, then the whole row */
        bool flat = !(fabs(half / n) < 1e6);
        struct box b =
            flat ? box_around(p, 0.0, 1.0, 1e6, 1.0) : box_around(p, mid, 1.0, fabs(half / n), 1.0);

        for (long ix = b.x1; ix <= b.x2; ix++) {
            double off = dy * c - ((double)ix - s->x) * n, sum = 0.0;
            if (fabs(off) > half)
                continue;
            for (int k = 0; k < 25; k++) {
                double d = (off + node[5][k / 5] * c - node[5][k % 5] * n) / sigma;
                sum += weight[5][k % 5] * weight[5][k / 5] * exp(-0.5 * d * d);
            }
            *pixel(p, ix, iy) += (float)(s->flux * sum);
        }
    }
}

/* A track one pixel wide: step along its longer axis, share each step's charge between the
 * two pixels that straddle the line (as Wu 1991 draws lines). */
static void draw_cosmic(struct plane *p, struct source *s)
{
    double c = cos(s->angle * DEG), n = sin(s->angle * DEG);
    bool steep = fabs(n) > fabs(c);
    double slope = steep ? c / n : n / c;
    long steps = lround(fmax(1.0, s->major * fmax(fabs(c), fabs(n))));

    s->reach = 0.5 * s->major + 1.0;
    for (long k = 0; k < steps; k++) {
        double t = (double)k - 0.5 * (double)(steps - 1);
        long along = lround((steep ? s->y : s->x) + t);
        double across = (steep ? s->x : s->y) + slope * ((double)along - (steep ? s->y : s->x));
        long low = lround(floor(across));

        if (steps == 1) /* a hit on a single pixel */
            across = (double)(low = lround(across));
        for (int side = 0; side < 2; side++) {
            long x = steep ? low + side : along, y = steep ? along : low + side;
            double share = side == 0 ? 1.0 - (across - (double)low) : across - (double)low;
            if (share > 0.0 && x >= 1 && x <= p->width && y >= 1 && y <= p->height)
                *pixel(p, x, y) += (float)(s->flux * share / (double)steps);
        }
    }
}

static void set_pixel(struct plane *p, struct source *s, double value)
{
    long x = lround(s->x), y = lround(s->y);

    s->reach = 1.0;
    if (x >= 1 && x <= p->width && y >= 1 && y <= p->height)
        *pixel(p, x, y) += (float)value;
}

void draw_source(const struct cfg *c, struct plane *p, struct source *s, double cut_adu)
{
    switch (s->kind) {
    case HOT:
        set_pixel(p, s, s->flux);
        break;
    case NAN_PIXEL:
        set_pixel(p, s, NAN);
        break;
    case DEAD_COLUMN: /* emptied by draw_scene, after all light has been added */
        s->reach = 1.0;
        break;
    case COSMIC:
        draw_cosmic(p, s);
        break;
    case TRAIL:
        draw_trail(p, s);
        break;
    case GALAXY:
        draw_galaxy(p, s, cut_adu);
        break;
    default:
        draw_star(c, p, s, cut_adu);
    }
}
