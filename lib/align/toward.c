/* SPDX-License-Identifier: GPL-3.0-or-later */
/* toward.c - a direction on the frame in words that hold however the picture is turned. */
#include "align.h"

#include <math.h>

const char *pl_toward(double deg)
{
    static const char *const sector[8] = {
        "towards the last column", "towards the last column and the last row",
        "towards the last row",    "towards column 1 and the last row",
        "towards column 1",        "towards column 1 and row 1",
        "towards row 1",           "towards the last column and row 1",
    };
    if (!isfinite(deg))
        return "in no direction";
    int i = (int)floor(fmod(fmod(deg, 360) + 360 + 22.5, 360) / 45);
    return sector[i & 7];
}
