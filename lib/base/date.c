/* SPDX-License-Identifier: GPL-3.0-or-later */
/* date.c - days and civil dates of the Gregorian calendar; arithmetic derived here from 400-year
 * eras, so that no time zone or clock of the system comes in. */
#include "base.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

long pl_days_from_civil(long y, long m, long d)
{
    y -= m <= 2;
    long era = (y >= 0 ? y : y - 399) / 400, yoe = y - era * 400;
    long doy = (153 * (m + (m > 2 ? -3 : 9)) + 2) / 5 + d - 1;
    return era * 146097 + yoe * 365 + yoe / 4 - yoe / 100 + doy - 719468;
}

void pl_civil_from_days(long z, long *y, long *m, long *d)
{
    z += 719468;
    long era = (z >= 0 ? z : z - 146096) / 146097, doe = z - era * 146097;
    long yoe = (doe - doe / 1460 + doe / 36524 - doe / 146096) / 365;
    long doy = doe - (365 * yoe + yoe / 4 - yoe / 100), mp = (5 * doy + 2) / 153;
    *d = doy - (153 * mp + 2) / 5 + 1;
    *m = mp + (mp < 10 ? 3 : -9);
    *y = yoe + era * 400 + (*m <= 2);
}

/* The day, and seconds since its beginning; `rest` is where the text after them starts. */
static bool parse(const char *date, long *day, double *seconds, const char **rest)
{
    int y, mo, d, h = 0, mi = 0, used = 0, more = 0;
    double s = 0;
    int n = sscanf(date, "%4d-%2d-%2d%nT%2d:%2d:%30lf%n", &y, &mo, &d, &used, &h, &mi, &s, &more);
    if ((n != 3 && n != 6) || y < 1800 || y > 2999 || mo < 1 || mo > 12 || d < 1 || d > 31 ||
        h < 0 || h > 23 || mi < 0 || mi > 59 || !(s >= 0 && s < 61))
        return false;
    *day = pl_days_from_civil(y, mo, d);
    *seconds = h * 3600.0 + mi * 60.0 + s;
    *rest = date + (n == 6 ? more : used);
    return true;
}

/* Seconds that an offset to UTC adds: "", "Z", "-0700", "+05:30"; NaN when it is none. */
static double offset_of(const char *text)
{
    int h = 0, m = 0;
    if (!*text || strcmp(text, "Z") == 0)
        return 0;
    if (sscanf(text + 1, "%2d%*1[:]%2d", &h, &m) < 2 && sscanf(text + 1, "%2d%2d", &h, &m) < 2)
        return NAN;
    return *text == '+' ? h * 3600 + m * 60 : *text == '-' ? -(h * 3600 + m * 60) : NAN;
}

bool pl_date_seconds(const char *date, double *seconds)
{
    long day = 0;
    double s = 0;
    const char *rest = NULL;
    if (!parse(date, &day, &s, &rest) || isnan(offset_of(rest)))
        return false;
    *seconds = (double)day * 86400 + s - offset_of(rest);
    return true;
}

bool pl_date_utc(double seconds, char out[32])
{
    return fabs(seconds) < 1e11 && pl_date_later("1970-01-01", seconds, out);
}

bool pl_date_later(const char *date, double seconds, char out[32])
{
    long first = 0;
    double s = 0;
    const char *rest = NULL;
    if (!parse(date, &first, &s, &rest) || !(fabs(seconds) < 1e11))
        return false;
    /* whole milliseconds, so that 59.9996 s never prints as 60.000 */
    long long ms = llround((s + seconds) * 1000), day_ms = 86400000;
    long day = (long)((ms >= 0 ? ms : ms - day_ms + 1) / day_ms), yy, mm, dd;
    ms -= day * day_ms;
    pl_civil_from_days(first + day, &yy, &mm, &dd);
    long sec = (long)(ms / 1000);
    char text[96]; /* room for any long, as the compiler sees it */
    snprintf(text, sizeof text, "%04ld-%02ld-%02ldT%02ld:%02ld:%02ld.%03ld", yy, mm, dd, sec / 3600,
             sec / 60 % 60, sec % 60, (long)(ms % 1000));
    snprintf(out, 32, "%.31s", text);
    return true;
}
