/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Faults sown on purpose, one a test: asan.sh runs each and demands that it is seen. Criterion runs
 * tests in processes of their own, prints what a sanitizer says there, and still exits 0. */
#include <criterion/criterion.h>
#include <limits.h>
#include <math.h>
#include <stdlib.h>

static volatile int sink;
static char *volatile lost;

Test(seeded, leak)
{
    lost = malloc(100);
    lost = NULL;
}

Test(seeded, overflow)
{
    char *volatile p = malloc(16);
    volatile int past = 16;
    sink = p[past];
    free(p);
}

Test(seeded, freed)
{
    char *volatile p = malloc(16);
    free(p);
    sink = p[3];
}

Test(seeded, wrap)
{
    volatile int most = INT_MAX;
    sink = most + 1;
}

Test(seeded, cast)
{
    volatile double none = NAN;
    sink = (int)none;
}
