/* SPDX-License-Identifier: GPL-3.0-or-later */
/* words.c - the words that every report of a field uses for the same thing. */
#include "report.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const char *pl_pattern_title(pl_pattern_name name)
{
    static const char *const title[PL_PATTERNS] = {
        [PL_EVEN_STRETCH] = "even stretch",       [PL_TURNING] = "turning",
        [PL_OUTWARD_STRETCH] = "outward stretch", [PL_SIZE_SLOPE] = "size slope",
        [PL_FLARE] = "one-sided flare",           [PL_CORNERED] = "three-cornered",
    };
    return title[name];
}

bool pl_pattern_matters(const pl_pattern *p)
{
    return p->significance > 0 && isfinite(p->amplitude) && p->meaning[0] != '\0';
}

bool pl_patterns_known(const pl_field *field)
{
    for (int i = 0; i < PL_PATTERNS; i++)
        if (isfinite(field->pattern[i].amplitude))
            return true;
    return false;
}

const char *pl_state_word(pl_state state)
{
    return state == PL_INSIDE ? "inside" : state == PL_OUTSIDE ? "outside" : "unsure";
}

const char *pl_cause_word(pl_cause cause)
{
    switch (cause) {
    case PL_CAUSE_FOCUS:
        return "focus";
    case PL_CAUSE_AIR:
        return "air";
    case PL_CAUSE_TRACKING:
        return "tracking";
    case PL_CAUSE_CLOUD:
        return "cloud";
    case PL_CAUSE_COLLIMATION:
        return "collimation";
    case PL_CAUSE_TILT:
        return "tilt";
    case PL_CAUSE_SPACING:
        return "spacing";
    case PL_CAUSE_MIRROR:
        return "mirror";
    case PL_CAUSE_DEW:
        return "dew";
    case PL_CAUSE_NONE:
        break;
    }
    return "none";
}

const char *pl_kind_reason(pl_kind kind)
{
    static const char *const reason[PL_KINDS] = {
        [PL_STAR] = "",
        [PL_SATURATED] = "the core is clipped",
        [PL_BLENDED] = "a neighbour spoils the shape",
        [PL_EDGE] = "too near the edge or masked pixels",
        [PL_SHARP] = "narrower than light can be: hot pixel, cosmic ray",
        [PL_TRAIL] = "far more stretched than the field: satellite, aircraft",
        [PL_EXTENDED] = "far wider than the field: galaxy, nebula, ghost",
        [PL_FAINT] = "too faint to tell the shape",
        [PL_NOISE] = "nothing above the noise once measured",
    };
    return reason[kind];
}

/* What plumb-field's numbers and verdict depend on. */
static bool is_rested_on(const char *name)
{
    static const char *const used[PL_RESTS] = {
        "aperture_mm", "focal_mm",     "pixel_um",  "mosaic",    "saturation_adu", "gain_e_adu",
        "fwhm_growth", "eccentricity", "binning_x", "binning_y", "row_order",
    };
    for (size_t i = 0; i < PL_ARRAY_LEN(used); i++)
        if (strcmp(used[i], name) == 0)
            return true;
    return false;
}

size_t pl_field_rests(const pl_facts *facts, pl_known *out)
{
    size_t rows, n = 0;
    const pl_fact *table = pl_facts_table(&rows);
    for (size_t i = 0; i < rows; i++) {
        const void *at = (const char *)facts + table[i].offset;
        pl_known k = { .name = table[i].name, .number = NAN };
        if (!is_rested_on(k.name))
            continue;
        if (table[i].lo > table[i].hi) {
            const pl_text *t = at;
            snprintf(k.value, sizeof k.value, "%s", t->s);
            k.from = t->from;
        } else {
            const pl_num *v = at;
            snprintf(k.value, sizeof k.value, "%s", pl_signif(v->v, 6).s);
            k.number = v->v;
            k.from = v->from;
        }
        if (k.from != PL_FROM_NOWHERE && n < PL_RESTS)
            out[n++] = k;
    }
    return n;
}
