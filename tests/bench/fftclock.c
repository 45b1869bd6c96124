/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fftclock.c - linked into plumb-donut, between it and what is wrapped: how long the Fourier
 * transforms of its wavefront fits took or, as clocks cost time as well, in another run with
 * FFTCLOCK_FITS set, the fits themselves. At the end one line, "calls ms", in the file that
 * FFTCLOCK names; the clock's own time is taken off. */
#include "../../lib/align/donut/wavefit.h"

#include <fftw3.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

static atomic_llong calls, spent_ns;
static _Thread_local bool fitting;

static long long now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000000LL + t.tv_nsec;
}

static bool of_fits(void)
{
    static atomic_int known; /* 1: no, 2: yes */
    if (!known)
        known = getenv("FFTCLOCK_FITS") ? 2 : 1;
    return known == 2;
}

/* Nanoseconds since nothing happened. */
static double clock_ns(void)
{
    enum { N = 10000 };
    long long sum = 0;
    for (int i = 0; i < N; i++) {
        long long since_ns = now_ns();
        sum += now_ns() - since_ns;
    }
    return (double)sum / N;
}

static void count(long long since_ns)
{
    atomic_fetch_add(&spent_ns, now_ns() - since_ns);
    atomic_fetch_add(&calls, 1);
}

void __real_fftw_execute(fftw_plan p);
void __wrap_fftw_execute(fftw_plan p);
void __wrap_fftw_execute(fftw_plan p)
{
    long long since_ns = fitting && !of_fits() ? now_ns() : 0;
    __real_fftw_execute(p);
    if (since_ns)
        count(since_ns);
}

void __real_fftw_execute_dft(fftw_plan p, fftw_complex *in, fftw_complex *out);
void __wrap_fftw_execute_dft(fftw_plan p, fftw_complex *in, fftw_complex *out);
void __wrap_fftw_execute_dft(fftw_plan p, fftw_complex *in, fftw_complex *out)
{
    long long since_ns = fitting && !of_fits() ? now_ns() : 0;
    __real_fftw_execute_dft(p, in, out);
    if (since_ns)
        count(since_ns);
}

void __real_fftw_execute_dft_r2c(fftw_plan p, double *in, fftw_complex *out);
void __wrap_fftw_execute_dft_r2c(fftw_plan p, double *in, fftw_complex *out);
void __wrap_fftw_execute_dft_r2c(fftw_plan p, double *in, fftw_complex *out)
{
    long long since_ns = fitting && !of_fits() ? now_ns() : 0;
    __real_fftw_execute_dft_r2c(p, in, out);
    if (since_ns)
        count(since_ns);
}

pl_status __real_pl_wavefit_run(const pl_wavefit_scope *scope, const pl_wavefit_stamp *stamp,
                                const pl_wavefit_start *start, pl_wavefit *out, pl_err *err);
pl_status __wrap_pl_wavefit_run(const pl_wavefit_scope *scope, const pl_wavefit_stamp *stamp,
                                const pl_wavefit_start *start, pl_wavefit *out, pl_err *err);
pl_status __wrap_pl_wavefit_run(const pl_wavefit_scope *scope, const pl_wavefit_stamp *stamp,
                                const pl_wavefit_start *start, pl_wavefit *out, pl_err *err)
{
    long long since_ns = of_fits() ? now_ns() : 0;
    fitting = true;
    pl_status rc = __real_pl_wavefit_run(scope, stamp, start, out, err);
    fitting = false;
    if (since_ns)
        count(since_ns);
    return rc;
}

__attribute__((destructor)) static void tell(void)
{
    const char *name = getenv("FFTCLOCK");
    FILE *out = name ? fopen(name, "w") : NULL;
    if (out) {
        fprintf(out, "%lld %.3f\n", (long long)calls,
                ((double)spent_ns - (double)calls * clock_ns()) / 1e6);
        fclose(out);
    }
}
