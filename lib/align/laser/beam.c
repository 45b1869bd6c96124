/* SPDX-License-Identifier: GPL-3.0-or-later */
/* beam.c - from the circles on the paper to the beam at the holder's face, and to the play of the
 * holder; lengths with their errors. */
#include "laser.h"

#include <math.h>

double pl_reach(double x, double y, double xx, double xy, double yy)
{
    double half = 0.5 * (xx + yy), apart = hypot(0.5 * (xx - yy), xy),
           turn = 0.5 * atan2(2 * xy, xx - yy), most = 0;
    double a = sqrt(half + apart), b = sqrt(fmax(0, half - apart));
    for (int i = 0; i < 64; i++) {
        double u = a * cos(i * M_PI / 32), v = b * sin(i * M_PI / 32);
        most =
            fmax(most, hypot(x + u * cos(turn) - v * sin(turn), y + u * sin(turn) + v * cos(turn)));
    }
    return fmax(0, most - hypot(x, y));
}

pl_laser_span pl_span_cover(pl_laser_span s, double value, double sigma)
{
    if (isnan(s.least))
        return (pl_laser_span){ value, value, sigma };
    return (pl_laser_span){ fmin(s.least, value), fmax(s.most, value), fmax(s.sigma, sigma) };
}

/* q = e + t L at two distances: e = ((L2 q1 - L1 q2) / (L2 - L1)), t = (q2 - q1) / (L2 - L1). */
static size_t two_circles(const pl_laser_circle *c, pl_laser_beam *out)
{
    double near = c[0].seen.at_mm, far = c[1].seen.at_mm, gap = far - near;
    const double e[2] = { far / gap, -near / gap }, t[2] = { -1 / gap, 1 / gap };
    *out = (pl_laser_beam){ .cov = { { 0 } } };
    for (int k = 0; k < 2; k++) {
        const double q[2] = { c[k].x_mm, c[k].y_mm };
        const double v[2][2] = { { c[k].xx, c[k].xy }, { c[k].xy, c[k].yy } };
        for (int i = 0; i < 2; i++) {
            out->at[PL_BEAM_X + i] += e[k] * q[i];
            out->at[PL_BEAM_TILT_X + i] += t[k] * q[i];
            for (int j = 0; j < 2; j++) {
                out->cov[PL_BEAM_X + i][PL_BEAM_X + j] += e[k] * e[k] * v[i][j];
                out->cov[PL_BEAM_TILT_X + i][PL_BEAM_TILT_X + j] += t[k] * t[k] * v[i][j];
                out->cov[PL_BEAM_X + i][PL_BEAM_TILT_X + j] += e[k] * t[k] * v[i][j];
                out->cov[PL_BEAM_TILT_X + i][PL_BEAM_X + j] += e[k] * t[k] * v[i][j];
            }
        }
    }
    return 1;
}

static size_t one_circle(const pl_laser_circle *c, pl_laser_beam out[2])
{
    for (int k = 0; k < 2; k++) {
        int at = k == 0 ? PL_BEAM_X : PL_BEAM_TILT_X;
        double part = k == 0 ? 1 : 1 / c->seen.at_mm;
        out[k] = (pl_laser_beam){ .cov = { { 0 } } };
        out[k].at[at] = part * c->x_mm;
        out[k].at[at + 1] = part * c->y_mm;
        out[k].cov[at][at] = part * part * c->xx;
        out[k].cov[at][at + 1] = out[k].cov[at + 1][at] = part * part * c->xy;
        out[k].cov[at + 1][at + 1] = part * part * c->yy;
    }
    return 2;
}

static pl_laser_span length(const pl_laser_beam *b, size_t beams, int at, double unit)
{
    pl_laser_span out = PL_SPAN_UNKNOWN;
    for (size_t k = 0; k < beams; k++)
        out = pl_span_cover(out, unit * hypot(b[k].at[at], b[k].at[at + 1]),
                            unit * pl_reach(b[k].at[at], b[k].at[at + 1], b[k].cov[at][at],
                                            b[k].cov[at][at + 1], b[k].cov[at + 1][at + 1]));
    return out;
}

static void tell_beam(pl_laser *l, const pl_laser_beam *b, size_t beams)
{
    l->tilt_mrad = length(b, beams, PL_BEAM_TILT_X, 1e3);
    l->decentre_mm = length(b, beams, PL_BEAM_X, 1);
    double *part[] = { &l->decentre_x_mm, &l->decentre_y_mm, &l->tilt_x_mrad, &l->tilt_y_mrad };
    double *sigma[] = { &l->decentre_x_sigma_mm, &l->decentre_y_sigma_mm, &l->tilt_x_sigma_mrad,
                        &l->tilt_y_sigma_mrad };
    for (int i = 0; i < PL_BEAM; i++) {
        double unit = i < PL_BEAM_TILT_X ? 1 : 1e3;
        *part[i] = beams == 1 ? unit * b->at[i] : NAN;
        *sigma[i] = beams == 1 ? unit * sqrt(b->cov[i][i]) : NAN;
    }
}

/* Play rocks the laser in its holder, so it grows with the distance: the farthest paper tells it
 * best. */
static void tell_play(pl_laser *l)
{
    const pl_laser_circle *far = &l->circle[l->circles - 1];
    l->play_mrad = 1e3 * far->play_mm / far->seen.at_mm;
    l->play_sigma_mrad = NAN;
    if (far->seen.marks == 0)
        return;
    double total = 1e3 * far->scatter_mm / far->seen.at_mm,
           error = total / sqrt(2 * (double)far->freedom);
    l->play_sigma_mrad = l->play_mrad > 0 ? error * total / l->play_mrad : error;
}

size_t pl_laser_beams(pl_laser *l, pl_laser_beam out[2])
{
    size_t beams = l->circles == 2 ? two_circles(l->circle, out) : one_circle(l->circle, out);
    tell_beam(l, out, beams);
    tell_play(l);
    return beams;
}
