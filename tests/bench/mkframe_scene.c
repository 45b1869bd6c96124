/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Which sources stand where, and how the field patterns shape them. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "mkframe.h"

static struct source *add(struct scene *s, enum kind kind)
{
    if (s->count == s->room) {
        s->room = s->room ? 2 * s->room : 1024;
        s->item = realloc(s->item, (size_t)s->room * sizeof *s->item);
        if (!s->item)
            die("not enough memory for %ld sources", s->room);
    }
    struct source *n = &s->item[s->count++];
    *n = (struct source){ .kind = kind,
                          .x = NAN,
                          .y = NAN,
                          .flux = NAN,
                          .snr = NAN,
                          .fwhm = NAN,
                          .major = NAN,
                          .minor = NAN,
                          .ecc = NAN,
                          .angle = NAN,
                          .beta = NAN,
                          .rg = NAN,
                          .bg = NAN };
    return n;
}

static double middle_fwhm(const struct cfg *c)
{
    return 0.5 * (c->fwhm.lo + c->fwhm.hi);
}

/* One sigma of sky and read noise per green pixel, ADU, at a place. */
static double noise_at(const struct cfg *c, double x, double y)
{
    return sqrt(sky_at(c, x, y, 1) * c->gain + c->read_noise * c->read_noise) / c->gain;
}

/* SNR of a star of unit flux: gain / sqrt(4 pi sigma_geo^2 B_e), B_e electrons^2 per pixel:
 * the matched-filter limit for a faint Gaussian on bright sky [int f^2 = 1/(4 pi sigma^2)]. */
static double unit_snr(const struct cfg *c, const struct source *s)
{
    return 1.0 / (sqrt(4.0 * M_PI) * s->fwhm / FWHM_SIGMA * noise_at(c, s->x, s->y));
}

/* Field patterns, in the space of M (eigenvalues major^2, minor^2; it is proportional to the
 * second moments at a given beta). z = position from the centre over the half-diagonal R.
 *   stretch  M += tr/2 chi (cos 2A, sin 2A)           [chi = (Mxx-Myy + 2i Mxy)/(Mxx+Myy)]
 *   outward  the same with chi z^2 (z as a complex number: its angle doubles by itself)
 *   turning  M += k t t^T, t = the tangent about (x0, y0) with length distance/R: a trail.
 *            chi at t = 1 of a round star w: k/(2w^2 + k), so k = 2 w^2 chi/(1 - chi).
 *   slope    FWHM x (1 + FRAC u), u = -1..1 along the direction from border to border. */
static double slope_factor(const struct cfg *c, double dx, double dy)
{
    double cs = cos(c->slope[1] * DEG), sn = sin(c->slope[1] * DEG);
    double half = 0.5 * ((double)c->width * fabs(cs) + (double)c->height * fabs(sn));

    return 1.0 + c->slope[0] * (dx * cs + dy * sn) / half;
}

static void shape_from_matrix(struct source *s, double mxx, double mxy, double myy)
{
    double mean = 0.5 * (mxx + myy), half = hypot(0.5 * (mxx - myy), mxy);

    if (!(half < 0.98 * mean))
        die("the patterns and --ecc make a star at (%.0f, %.0f) flatter than chi = 0.98", s->x,
            s->y);
    s->major = sqrt(mean + half);
    s->minor = sqrt(mean - half);
    s->fwhm = sqrt(s->major * s->minor);
    if (half < 1e-12 * mean) {
        s->major = s->minor = s->fwhm;
        s->ecc = s->angle = 0.0;
        return;
    }
    s->ecc = sqrt(1.0 - s->minor * s->minor / (s->major * s->major));
    s->angle = fmod(atan2(2.0 * mxy, mxx - myy) / (2.0 * DEG) + 180.0, 180.0);
}

static void shape_star(const struct cfg *c, struct source *s, double fwhm, double ecc, double angle)
{
    double dx = s->x - 0.5 * ((double)c->width + 1.0), dy = s->y - 0.5 * ((double)c->height + 1.0);
    double R = 0.5 * hypot((double)c->width, (double)c->height), zx = dx / R, zy = dy / R;
    double w = fwhm * slope_factor(c, dx, dy), ratio = sqrt(1.0 - ecc * ecc), w2 = w * w;

    if (!(w > 0.3))
        die("--slope makes a star at (%.0f, %.0f) %.2f px wide", s->x, s->y, w);
    double mean = 0.5 * w2 * (1.0 / ratio + ratio), half = 0.5 * w2 * (1.0 / ratio - ratio);
    double a = half * cos(2.0 * angle * DEG), b = half * sin(2.0 * angle * DEG);
    a += mean * (c->stretch[0] * cos(2.0 * c->stretch[1] * DEG) + c->outward * (zx * zx - zy * zy));
    b += mean * (c->stretch[0] * sin(2.0 * c->stretch[1] * DEG) + c->outward * 2.0 * zx * zy);
    double k = 2.0 * w2 * c->turning[0] / (1.0 - c->turning[0]);
    double tx = -(s->y - c->turning[2]) / R, ty = (s->x - c->turning[1]) / R;
    if (k == 0.0)
        tx = ty = 0.0;
    shape_from_matrix(s, mean + a + k * tx * tx, b + k * tx * ty, mean - a + k * ty * ty);
}

/* The draws of one star, always the same number in the same order. */
struct draws {
    double ux, uy, snr, flux, fwhm, ecc, angle;
};

static struct draws draw_star_values(const struct cfg *c, enum stream stream, long index,
                                     struct source *s)
{
    struct rng r;
    struct draws d;

    rng_seed(&r, (uint64_t)c->seed, stream, (uint64_t)index);
    d.ux = rng_uniform(&r);
    d.uy = rng_uniform(&r);
    double level = rng_uniform(&r);
    d.snr = c->snr.lo * pow(c->snr.hi / c->snr.lo, level);
    d.flux = c->flux.lo * pow(c->flux.hi / c->flux.lo, level);
    d.fwhm = rng_between(&r, c->fwhm);
    s->beta = rng_between(&r, c->beta);
    d.ecc = rng_between(&r, c->ecc);
    d.angle = 180.0 * rng_uniform(&r);
    s->rg = rng_between(&r, c->rg);
    s->bg = rng_between(&r, c->bg);
    if (!isnan(c->angle))
        d.angle = c->angle;
    s->x = 0.5 + c->border + d.ux * ((double)c->width - 2.0 * c->border);
    s->y = 0.5 + c->border + d.uy * ((double)c->height - 2.0 * c->border);
    return d;
}

/* Once the place is known: shape, then flux. Vignetting dims a star as a whole. */
static void finish_star(const struct cfg *c, struct source *s, const struct draws *d)
{
    shape_star(c, s, d->fwhm, d->ecc, d->angle);
    if (isnan(d->flux))
        s->flux = d->snr / unit_snr(c, s);
    else
        s->flux = d->flux * vignette_at(c, s->x, s->y);
    if (!(s->flux > 0.0) || !isfinite(s->flux))
        die("without sky and read noise an SNR has no meaning: give --flux");
    s->snr = s->flux * unit_snr(c, s);
}

/* Cell `index` of a grid of about square cells; jittered by a quarter of a cell, less when
 * that would bring stars closer than 9 FWHM, but always by half a pixel. */
static void place_on_grid(const struct cfg *c, struct source *s, const struct draws *d, long index)
{
    double w = (double)c->width - 2.0 * c->border, h = (double)c->height - 2.0 * c->border;
    double columns = ceil(sqrt((double)c->stars * w / h)), rows = ceil((double)c->stars / columns);
    double cell_x = w / columns, cell_y = h / rows, gap = 9.0 * c->fwhm.hi;
    double jx = fmax(0.5, fmin(0.25 * cell_x, 0.5 * (cell_x - gap))),
           jy = fmax(0.5, fmin(0.25 * cell_y, 0.5 * (cell_y - gap)));

    s->x =
        0.5 + c->border + (fmod((double)index, columns) + 0.5) * cell_x + (2.0 * d->ux - 1.0) * jx;
    s->y = 0.5 + c->border + (floor((double)index / columns) + 0.5) * cell_y +
           (2.0 * d->uy - 1.0) * jy;
}

static void add_stars(const struct cfg *c, struct scene *s)
{
    for (long i = 0; i < c->stars; i++) {
        struct source *n = add(s, STAR);
        struct draws d = draw_star_values(c, S_STAR, i, n);
        if (c->grid)
            place_on_grid(c, n, &d, i);
        finish_star(c, n, &d);
    }
}

/* Rows `x y flux_adu [fwhm ecc angle beta rg bg]`; what is left out is drawn as for --stars. */
static void parse_row(const struct cfg *c, struct scene *s, char *line, long number)
{
    double v[9];
    int n = 0;
    char *rest = line;

    for (char *word; (word = strtok_r(rest, " \t\r\n", &rest)) != NULL; n++)
        if (n == 9 || (!parse_number(word, &v[n]) &&
                       !(n == 6 && strcmp(word, "gauss") == 0 && (v[n] = INFINITY) > 0.0)))
            die("%s, line %ld: '%s' does not belong in 'x y flux_adu [fwhm ecc angle beta rg bg]'",
                c->list, number, word);
    if (n == 0)
        return;
    if (n < 3)
        die("%s, line %ld: %d numbers, at least x y flux_adu are wanted", c->list, number, n);
    struct source *star = add(s, STAR);
    struct draws d = draw_star_values(c, S_LIST, number, star);
    star->x = v[0];
    star->y = v[1];
    d.flux = v[2];
    d.fwhm = n > 3 ? v[3] : d.fwhm;
    d.ecc = n > 4 ? v[4] : d.ecc;
    d.angle = n > 5 ? v[5] : d.angle;
    star->beta = n > 6 ? v[6] : star->beta;
    star->rg = n > 7 ? v[7] : star->rg;
    star->bg = n > 8 ? v[8] : star->bg;
    if (!(d.flux > 0.0) || !(d.fwhm >= 0.5) || !(d.ecc >= 0.0 && d.ecc < 0.97) ||
        !(star->beta > 1.05))
        die("%s, line %ld: flux > 0, fwhm >= 0.5, 0 <= ecc < 0.97 and beta > 1.05 are wanted",
            c->list, number);
    finish_star(c, star, &d);
}

static void add_list(const struct cfg *c, struct scene *s)
{
    char line[512];
    FILE *f;

    if (!c->list)
        return;
    f = fopen(c->list, "r");
    if (!f)
        die("%s: cannot be opened", c->list);
    for (long number = 1; fgets(line, sizeof line, f); number++) {
        line[strcspn(line, "#")] = '\0';
        parse_row(c, s, line, number);
    }
    fclose(f);
}

/* Pairs 0.8 to 2 FWHM apart, the second with 0.3 to 1 of the first one's flux. */
static void add_blends(const struct cfg *c, struct scene *s)
{
    for (long i = 0; i < c->blends; i++) {
        struct source first, *n = add(s, BLENDED);
        struct draws d = draw_star_values(c, S_BLEND, i, n);
        struct rng r;

        rng_seed(&r, (uint64_t)c->seed, S_BLEND, (uint64_t)(c->blends + i));
        double gap = rng_between(&r, (struct range){ 0.8, 2.0 }) * d.fwhm,
               way = 360.0 * rng_uniform(&r) * DEG;
        double share = rng_between(&r, (struct range){ 0.3, 1.0 });
        finish_star(c, n, &d);
        first = *n;
        n = add(s, BLENDED);
        *n = first;
        n->x += gap * cos(way);
        n->y += gap * sin(way);
        n->flux *= share;
        n->snr *= share;
    }
}

/* Stars whose peak would be 1.5 to 20 times the clipping level. */
static void add_saturated(const struct cfg *c, struct scene *s)
{
    for (long i = 0; i < c->saturated; i++) {
        struct source *n = add(s, SATURATED);
        struct draws d = draw_star_values(c, S_SATURATED, i, n);
        struct rng r;

        rng_seed(&r, (uint64_t)c->seed, S_SATURATED, (uint64_t)(c->saturated + i));
        finish_star(c, n, &d);
        n->flux = rng_log_between(&r, (struct range){ 1.5, 20.0 }) * c->saturation / star_peak(n);
        n->snr = n->flux * unit_snr(c, n);
    }
}

static struct rng begin(const struct cfg *c, struct scene *s, enum kind kind, enum stream stream,
                        long index, struct source **n)
{
    struct rng r;

    rng_seed(&r, (uint64_t)c->seed, stream, (uint64_t)index);
    *n = add(s, kind);
    (*n)->x = 0.5 + (double)c->width * rng_uniform(&r);
    (*n)->y = 0.5 + (double)c->height * rng_uniform(&r);
    return r;
}

static void add_spots(const struct cfg *c, struct scene *s)
{
    struct source *n;
    struct rng r;

    for (long i = 0; i < c->hot; i++) {
        r = begin(c, s, HOT, S_HOT, i, &n);
        n->flux = rng_log_between(&r, (struct range){ 200.0, fmax(c->saturation, 200.0) });
        n->x = rint(n->x);
        n->y = rint(n->y);
    }
    for (long i = 0; i < c->nan; i++) {
        begin(c, s, NAN_PIXEL, S_NAN, i, &n);
        n->x = rint(n->x);
        n->y = rint(n->y);
    }
    for (long i = 0; i < c->dead_columns; i++) {
        begin(c, s, DEAD_COLUMN, S_DEAD, i, &n);
        n->x = rint(n->x);
    }
}

/* Two of five hit one or two pixels, the others leave tracks of 3 to 25; 300 to 20000 ADU
 * per pixel of track. Invented figures. */
static void add_cosmics(const struct cfg *c, struct scene *s)
{
    struct source *n;

    for (long i = 0; i < c->cosmics; i++) {
        struct rng r = begin(c, s, COSMIC, S_COSMIC, i, &n);
        double pick = rng_uniform(&r), length = rng_between(&r, (struct range){ 3.0, 25.0 });
        n->major = pick < 0.25 ? 1.0 : pick < 0.4 ? 2.0 : length;
        n->angle = 180.0 * rng_uniform(&r);
        n->flux = n->major * rng_log_between(&r, (struct range){ 300.0, 20000.0 });
        if (n->major == 1.0) {
            n->x = rint(n->x);
            n->y = rint(n->y);
        }
    }
}

static void add_trails(const struct cfg *c, struct scene *s)
{
    struct source *n;

    for (long i = 0; i < c->trails; i++) {
        struct rng r = begin(c, s, TRAIL, S_TRAIL, i, &n);
        n->angle = 180.0 * rng_uniform(&r);
        n->snr = rng_log_between(&r, c->trail_snr);
        n->fwhm = n->minor = middle_fwhm(c);
        n->flux = n->snr * noise_at(c, n->x, n->y);
        if (!(n->flux > 0.0))
            n->flux = 100.0 * n->snr; /* a frame without noise: something to see */
    }
}

/* Half-light radius 1.5 to 4 FWHM of a star (1.678 scale lengths: root of (1+r) e^-r = 1/2),
 * axis ratio 0.3 to 0.9; FWHM of the softened profile: sqrt(r^2 + s^2) = s + ln 2. */
static void add_galaxies(const struct cfg *c, struct scene *s)
{
    struct source *n;

    for (long i = 0; i < c->galaxies; i++) {
        struct rng r = begin(c, s, GALAXY, S_GALAXY, i, &n);
        double scale = rng_between(&r, (struct range){ 1.5, 4.0 }) * middle_fwhm(c) / 1.6783;
        double ratio = rng_between(&r, (struct range){ 0.3, 0.9 }),
               soft = middle_fwhm(c) / FWHM_SIGMA / scale;

        n->beta = soft;
        n->fwhm = scale * 2.0 * sqrt(log(2.0) * (log(2.0) + 2.0 * soft));
        n->major = n->fwhm / sqrt(ratio);
        n->minor = n->fwhm * sqrt(ratio);
        n->ecc = sqrt(1.0 - ratio * ratio);
        n->angle = 180.0 * rng_uniform(&r);
        n->snr = rng_log_between(&r, c->galaxy_snr);
        n->flux = n->snr / unit_snr(c, n);
        if (!isfinite(n->flux))
            n->flux = 0.0;
    }
}

void build_scene(const struct cfg *c, struct scene *s)
{
    add_stars(c, s);
    add_list(c, s);
    add_blends(c, s);
    add_saturated(c, s);
    add_spots(c, s);
    add_cosmics(c, s);
    add_trails(c, s);
    add_galaxies(c, s);
}

/* Wings are drawn down to `--wing` times the noise of one pixel; on a frame without noise down
 * to 1e-8 of the flux. Dead columns come last: they hold no light at all. */
void draw_scene(const struct cfg *c, struct scene *s, struct plane *p)
{
    for (long i = 0; i < s->count; i++) {
        struct source *n = &s->item[i];
        double cut = c->wing * noise_at(c, n->x, n->y);
        if (c->no_noise || !(cut > 0.0))
            cut = fmax(1e-8 * fabs(n->flux), 1e-30);
        draw_source(c, p, n, cut);
    }
    for (long i = 0; i < s->count; i++)
        if (s->item[i].kind == DEAD_COLUMN && s->item[i].x >= 1.0 &&
            s->item[i].x <= (double)c->width)
            for (long y = 0; y < c->height; y++)
                p->adu[(size_t)y * (size_t)c->width + (size_t)(lround(s->item[i].x) - 1)] =
                    -INFINITY;
}
