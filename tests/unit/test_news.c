/* SPDX-License-Identifier: GPL-3.0-or-later */
/* When a verdict is news: by the rule of plumb-watch(1), --on-change. */
#include "../../lib/align/align.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>

static bool news(pl_standing *before, pl_state state, pl_cause cause)
{
    pl_verdict v = { .state = state, .cause = cause };
    return pl_verdict_news(before, &v);
}

Test(news, the_first_only_when_it_asks_for_something)
{
    pl_standing calm = { false, PL_INSIDE, PL_CAUSE_NONE }, unsure = calm, trouble = calm;
    cr_expect(not(news(&calm, PL_INSIDE, PL_CAUSE_NONE)));
    cr_expect(not(news(&unsure, PL_UNSURE, PL_CAUSE_NONE)));
    cr_expect(news(&trouble, PL_OUTSIDE, PL_CAUSE_FOCUS));
}

Test(news, then_every_change_of_state_or_cause)
{
    pl_standing s = { false, PL_INSIDE, PL_CAUSE_NONE };
    news(&s, PL_INSIDE, PL_CAUSE_NONE);
    cr_expect(news(&s, PL_OUTSIDE, PL_CAUSE_FOCUS));
    cr_expect(not(news(&s, PL_OUTSIDE, PL_CAUSE_FOCUS)));
    cr_expect(news(&s, PL_OUTSIDE, PL_CAUSE_CLOUD));
    cr_expect(news(&s, PL_INSIDE, PL_CAUSE_NONE));
    cr_expect(not(news(&s, PL_INSIDE, PL_CAUSE_NONE)));
}

/* A watch that goes on knows what it said last. */
Test(news, of_a_history)
{
    pl_history h = { .n = 0 };
    pl_past past = { .state = PL_OUTSIDE, .cause = PL_CAUSE_FOCUS };
    pl_standing none = pl_history_standing(&h);
    cr_expect(not(none.told));
    pl_history_add(&h, &past);
    pl_standing s = pl_history_standing(&h);
    cr_expect(not(news(&s, PL_OUTSIDE, PL_CAUSE_FOCUS)));
    cr_expect(news(&s, PL_INSIDE, PL_CAUSE_NONE));
}
