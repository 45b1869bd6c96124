/* SPDX-License-Identifier: GPL-3.0-or-later */
/* worth.c - what air and defocus leave of an exposure. */
#include "optics.h"

#include <math.h>

double pl_airmass(double altitude_deg)
{
    return 1 / sin((altitude_deg + 244 / (165 + 47 * pow(altitude_deg, 1.1))) * M_PI / 180);
}

double pl_focus_worth(double defocus_um, double zone_um, double growth)
{
    double zones = defocus_um / zone_um;
    return 1 / (1 + ((1 + growth) * (1 + growth) - 1) * zones * zones);
}
