/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plan.c - the one lock around FFTW's planner. */
#include "optics.h"

#include <pthread.h>

static pthread_mutex_t planning = PTHREAD_MUTEX_INITIALIZER;

void pl_plan_lock(void)
{
    pthread_mutex_lock(&planning);
}

void pl_plan_unlock(void)
{
    pthread_mutex_unlock(&planning);
}
