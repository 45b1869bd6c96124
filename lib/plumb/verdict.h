/* SPDX-License-Identifier: GPL-3.0-or-later */
/* verdict.h - inside, outside, or cannot tell; and why. Part of plumb.h. */
#ifndef PL_PUBLIC_VERDICT_H
#define PL_PUBLIC_VERDICT_H

typedef enum { PL_INSIDE = 0, PL_OUTSIDE, PL_UNSURE } pl_state;

typedef enum {
    PL_CAUSE_NONE = 0,
    PL_CAUSE_FOCUS,
    PL_CAUSE_AIR,
    PL_CAUSE_TRACKING,
    PL_CAUSE_CLOUD,
    PL_CAUSE_COLLIMATION,
    PL_CAUSE_TILT,
    PL_CAUSE_SPACING,
    PL_CAUSE_MIRROR,
    PL_CAUSE_DEW
} pl_cause;

typedef struct {
    pl_state state;
    pl_cause cause;
    char text[240];   /* one line: what is wrong and by how much */
    char action[320]; /* what to do about it */
} pl_verdict;

PL_API const char *pl_state_word(pl_state state); /* "inside", "outside", "unsure" */
PL_API const char *pl_cause_word(pl_cause cause); /* "focus", "air", ..., "none" */

/* The verdict before; start from { false }. */
typedef struct {
    bool told;
    pl_state state;
    pl_cause cause;
} pl_standing;

/* pl_verdict_news - whether this verdict is another one than that before; the first one is news
 * when there is something to do. Remembers it. */
PL_API bool pl_verdict_news(pl_standing *before, const pl_verdict *now);

#endif
