/* SPDX-License-Identifier: GPL-3.0-or-later */
/* prior.c - what is believed of screws before any was turned, from their geometry.
 *
 * A plane z = a x + b y + c on the screws, least squares; three determine it, and one of three at
 * 120 degrees moved by h tilts it by h / (1.5 R) (REFERENCES 9.1, derived). A primary tilted by tau
 * moves the coma-free point by focal_mm tau at the sensor: pushed towards the sky on one side its
 * axis leans to the other, and a donut outside focus shows the mirror upside down, so that the
 * point moves to where such a donut shows the screw. A camera's plate pushed away from the person
 * takes that side of the sensor in, and best focus lies further out there. */
#include "turn.h"

#include <math.h>
#include <string.h>

#define RAD (M_PI / 180)

/* How far hands and drawings are trusted, one sigma; the sizes of common cells, no source. */
static const double SIZE_ALL = 0.20, SIZE_EACH = 0.20; /* of the effect of a turn */
static const double ANGLE_TOLD = 10, ANGLE_EACH = 15;  /* degrees */
static const double ANGLE_GRID = 0.5 * 360 / PL_TURN_ANGLES;

static bool invert3(const double m[3][3], double out[3][3])
{
    double det = 0;
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++) {
            int a = (j + 1) % 3, b = (j + 2) % 3, c = (i + 1) % 3, d = (i + 2) % 3;
            out[i][j] = m[a][c] * m[b][d] - m[a][d] * m[b][c];
        }
    for (int i = 0; i < 3; i++)
        det += m[0][i] * out[i][0];
    for (int i = 0; i < 9; i++)
        out[i / 3][i % 3] /= det;
    return fabs(det) > 1e-6;
}

pl_status pl_turn_slopes(const pl_screws *s, double slope[][2], pl_err *err)
{
    double m[3][3] = { { 0 } }, inv[3][3];
    for (size_t k = 0; k < s->screws; k++) {
        double a = s->angle_deg[k] * RAD, row[3] = { 1, cos(a), sin(a) };
        for (int i = 0; i < 9; i++)
            m[i / 3][i % 3] += row[i / 3] * row[i % 3];
    }
    if (s->screws < 3 || !(s->radius_mm > 0) || !invert3(m, inv))
        return pl_fail(err, PL_EARG,
                       "%zu screws at these angles hold no plane; three or more that "
                       "are not side by side are wanted",
                       s->screws);
    for (size_t k = 0; k < s->screws; k++) {
        double a = s->angle_deg[k] * RAD, row[3] = { 1, cos(a), sin(a) };
        for (int i = 0; i < 2; i++) {
            slope[k][i] = 0;
            for (int j = 0; j < 3; j++)
                slope[k][i] += inv[i + 1][j] * row[j] / s->radius_mm;
        }
    }
    return PL_OK;
}

static void spread(pl_turn_guess *g, size_t n, double size, double angle, bool each)
{
    for (size_t k = 0; k < n; k++)
        for (size_t l = 0; l < n; l++) {
            const double *a = &g->mean[2 + 2 * k], *b = &g->mean[2 + 2 * l];
            double turned_a[2] = { -a[1], a[0] }, turned_b[2] = { -b[1], b[0] };
            for (int i = 0; i < 4 && (!each || k == l); i++)
                g->cov[2 + 2 * k + (size_t)(i / 2)][2 + 2 * l + (size_t)(i % 2)] +=
                    size * size * a[i / 2] * b[i % 2] +
                    angle * angle * turned_a[i / 2] * turned_b[i % 2];
        }
}

/* The slopes as this view shows them. */
static void guess(pl_turn_guess *g, size_t n, double slope[][2], double turn, bool mirrored,
                  double reach, double common_deg)
{
    memset(g, 0, sizeof *g);
    for (size_t k = 0; k < n; k++) {
        double a = atan2(slope[k][1], slope[k][0]), r = reach * hypot(slope[k][0], slope[k][1]);
        double b = turn * RAD + (mirrored ? -a : a);
        g->mean[2 + 2 * k] = r * cos(b);
        g->mean[3 + 2 * k] = r * sin(b);
    }
    spread(g, n, SIZE_ALL, common_deg * RAD, false);
    spread(g, n, SIZE_EACH, ANGLE_EACH * RAD, true);
}

pl_status pl_turn_prior(const pl_screws *screws, double reach, const pl_turn_view *view,
                        size_t views, pl_turn_belief *out, pl_err *err)
{
    double slope[PL_SCREWS_MAX][2];
    pl_status rc = pl_turn_slopes(screws, slope, err);
    if (rc != PL_OK)
        return rc;
    *out = (pl_turn_belief){ .screws = screws->screws };
    for (size_t v = 0; v < views; v++)
        for (int hand = 1; hand >= -1; hand -= 2) {
            bool any = isnan(view[v].turn_deg);
            if (view[v].handed && view[v].handed != hand)
                continue;
            for (int i = 0; i < (any ? PL_TURN_ANGLES : 1) && out->guesses < PL_TURN_GUESSES; i++)
                guess(&out->guess[out->guesses++], screws->screws, slope,
                      any ? 360.0 * i / PL_TURN_ANGLES : view[v].turn_deg, hand < 0, reach,
                      any ? ANGLE_GRID : ANGLE_TOLD);
        }
    for (size_t i = 0; i < out->guesses; i++)
        out->guess[i].weight = 1.0 / (double)out->guesses;
    return PL_OK;
}

void pl_turn_prior_blank(size_t screws, double typical, pl_turn_belief *out)
{
    *out = (pl_turn_belief){ .screws = screws, .guesses = 1 };
    out->guess[0].weight = 1;
    for (size_t i = 2; i < 2 + 2 * screws; i++)
        out->guess[0].cov[i][i] = 9 * typical * typical;
}
