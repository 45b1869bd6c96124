/* SPDX-License-Identifier: GPL-3.0-or-later */
/* hand.c - what a hand over the tube's mouth tells, in words and as JSON. */
#include "donut.h"
#include "../../align/align.h"
#include "../json.h"
#include "../text.h"

#include <math.h>
#include <stdlib.h>

char *pl_hand_text(const pl_hand *h, const char *file)
{
    pl_string out = { 0 }, first = { 0 };
    char *name = pl_clean(file, PL_CLEAN_PLAIN, NULL);
    pl_string_add(&first, "%s: the hand covers %.0f deg of the ring %s (%.0f deg)",
                  name ? name : "?", h->width_deg, pl_toward(h->gap_deg), h->gap_deg);
    pl_string_wrap(&out, "", 2, PL_TEXT_WIDTH, first.s ? first.s : "");
    if (h->side != PL_SIDE_UNKNOWN)
        pl_string_add(&out, "The sensor stands too far %s.\n", pl_side_word(h->side));
    if (isfinite(h->focuser_deg))
        pl_string_add(&out,
                      "The focuser lies at %.0f deg in a donut outside focus: [scope] "
                      "focuser_deg.\n",
                      h->focuser_deg);
    else
        pl_string_add(&out, "Give --side in or out, and it tells where the focuser lies.\n");
    out.failed |= first.failed || !name;
    free(first.s);
    free(name);
    return pl_string_take(&out);
}

char *pl_hand_json(const pl_hand *h, const char *file)
{
    bool ok = true;
    const pl_notes none = { NULL, 0, 0 };
    pl_json t = pl_json_begin(&ok, "plumb-donut", &file, 1, &none);
    pl_json_position(t, "x_px", h->x_px, NAN);
    pl_json_position(t, "y_px", h->y_px, NAN);
    pl_json_number(t, "hand_deg", h->gap_deg);
    pl_json_number(t, "hand_width_deg", h->width_deg);
    pl_json_text(t, "side", pl_side_word(h->side), NULL);
    pl_json_number(t, "focuser_deg", h->focuser_deg);
    return pl_json_line(t);
}
