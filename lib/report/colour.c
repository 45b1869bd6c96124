/* SPDX-License-Identifier: GPL-3.0-or-later */
/* colour.c - the colours of every picture, in two looks.
 *
 * OkLab: Bjorn Ottosson 2020, "A perceptual color space for image processing", coefficients from
 * memory. The ramp is a helix in it at constant chroma: lightness and hue grow evenly, so every
 * step is equally long; hue passes from violet blue over rose to amber, so that lightness and the
 * blue-yellow axis, which the common colour blindnesses keep, both grow along it. Derived here. */
#include "canvas.h"

#include <math.h>

static double to_linear(double s)
{
    return s <= 0.04045 ? s / 12.92 : pow((s + 0.055) / 1.055, 2.4); /* IEC 61966-2-1 */
}

static double from_linear(double v)
{
    double s = v <= 0.0031308 ? 12.92 * v : 1.055 * pow(v, 1 / 2.4) - 0.055;
    return s < 0 ? 0 : s > 1 ? 1 : s;
}

void pl_to_oklab(pl_rgb rgb, double lab[3])
{
    double r = to_linear(rgb.r), g = to_linear(rgb.g), b = to_linear(rgb.b);
    double l = cbrt(0.4122214708 * r + 0.5363325363 * g + 0.0514459929 * b);
    double m = cbrt(0.2119034982 * r + 0.6806995451 * g + 0.1073969566 * b);
    double s = cbrt(0.0883024619 * r + 0.2817188376 * g + 0.6299787005 * b);
    lab[0] = 0.2104542553 * l + 0.7936177850 * m - 0.0040720468 * s;
    lab[1] = 1.9779984951 * l - 2.4285922050 * m + 0.4505937099 * s;
    lab[2] = 0.0259040371 * l + 0.7827717662 * m - 0.8086757660 * s;
}

pl_rgb pl_from_oklab(const double lab[3])
{
    double l = lab[0] + 0.3963377774 * lab[1] + 0.2158037573 * lab[2];
    double m = lab[0] - 0.1055613458 * lab[1] - 0.0638541728 * lab[2];
    double s = lab[0] - 0.0894841775 * lab[1] - 1.2914855480 * lab[2];
    l = l * l * l;
    m = m * m * m;
    s = s * s * s;
    return (pl_rgb){ from_linear(4.0767416621 * l - 3.3077115913 * m + 0.2309699292 * s),
                     from_linear(-1.2684380046 * l + 2.6097574011 * m - 0.3413193965 * s),
                     from_linear(-0.0041960863 * l - 0.7034186147 * m + 1.7076147010 * s) };
}

/* Pure red of an OkLab lightness: with green and blue dark, lightness is the cube root of the
 * linear red times that of full red, 0.628. */
static pl_rgb red_of(double lightness)
{
    double v = lightness / 0.628;
    return (pl_rgb){ from_linear(v * v * v), 0, 0 };
}

pl_rgb pl_tone_rgb(bool red, pl_tone tone)
{
    static const pl_rgb paper_look[PL_TONES] = {
        [PL_TONE_PAPER] = { 0.988, 0.984, 0.969 },  [PL_TONE_PANEL] = { 0.957, 0.949, 0.925 },
        [PL_TONE_INK] = { 0.110, 0.133, 0.169 },    [PL_TONE_FAINT] = { 0.365, 0.392, 0.427 },
        [PL_TONE_RULE] = { 0.820, 0.816, 0.796 },   [PL_TONE_SHADE] = { 0.878, 0.906, 0.902 },
        [PL_TONE_ACCENT] = { 0.000, 0.420, 0.490 },
    };
    static const double red_look[PL_TONES] = {
        [PL_TONE_PAPER] = 0,      [PL_TONE_PANEL] = 0.12, [PL_TONE_INK] = 0.56,
        [PL_TONE_FAINT] = 0.50,   [PL_TONE_RULE] = 0.225, [PL_TONE_SHADE] = 0.19,
        [PL_TONE_ACCENT] = 0.628,
    };
    return red ? red_of(red_look[tone]) : paper_look[tone];
}

pl_rgb pl_ramp(bool red, double t)
{
    t = !(t > 0) ? 0 : t > 1 ? 1 : t;
    if (red)
        return red_of(0.40 + 0.228 * t);
    const double chroma = 0.125, from = 4.75, to = 7.65; /* hue, radians: 272 to 438 degrees */
    double hue = from + (to - from) * t;
    return pl_from_oklab((double[]){ 0.34 + 0.36 * t, chroma * cos(hue), chroma * sin(hue) });
}

pl_rgb pl_ramp_both(bool red, double t)
{
    t = isnan(t) ? 0 : fmax(-1, fmin(1, t));
    if (red)
        return red_of(0.37 + 0.25 * t);
    const double chroma = 0.11, pale = 0.95, deep = 0.70;
    double hue = t < 0 ? 4.45 : 1.10, far = fabs(t); /* radians: 255 and 63 degrees */
    return pl_from_oklab(
        (double[]){ pale + (deep - pale) * far, chroma * far * cos(hue), chroma * far * sin(hue) });
}

pl_rgb pl_mix(pl_rgb a, pl_rgb b, double t)
{
    double p[3], q[3];
    if (a.g == 0 && a.b == 0 && b.g == 0 && b.b == 0) { /* keep the red look purely red */
        pl_to_oklab(a, p);
        pl_to_oklab(b, q);
        return red_of(p[0] + (q[0] - p[0]) * t);
    }
    pl_to_oklab(a, p);
    pl_to_oklab(b, q);
    for (int k = 0; k < 3; k++)
        p[k] += (q[k] - p[k]) * t;
    return pl_from_oklab(p);
}
