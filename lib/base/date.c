/* SPDX-License-Identifier: GPL-3.0-or-later */
/* date.c - days and civil dates of the Gregorian calendar; arithmetic derived here from 400-year
 * eras, so that no time zone or clock of the system comes in. */
#include "base.h"

#include <math.h>
#include <stdio.h>

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

/* Days since 1970 and the milliseconds of that day; whole ones, so that 59.9996 s never prints as
 * 60.000. */
static bool read_date(const char *date, double later, long *day, long long *ms)
{
    int y, mo, d, h = 0, mi = 0;
    double s = 0;
    int n = sscanf(date, "%4d-%2d-%2dT%2d:%2d:%30lf", &y, &mo, &d, &h, &mi, &s);
    if ((n != 3 && n != 6) || y < 1800 || y > 2999 || mo < 1 || mo > 12 || d < 1 || d > 31 ||
        h < 0 || h > 23 || mi < 0 || mi > 59 || !(s >= 0 && s < 61) || !(fabs(later) < 1e9))
        return false;
    *day = pl_days_from_civil(y, mo, d);
    *ms = llround((h * 3600.0 + mi * 60.0 + s + later) * 1000);
    return true;
}

bool pl_date_seconds(const char *date, double *out)
{
    long day;
    long long ms;
    if (!read_date(date, 0, &day, &ms))
        return false;
    *out = 86400.0 * (double)day + 1e-3 * (double)ms;
    return true;
}

bool pl_date_later(const char *date, double seconds, char out[32])
{
    long start, yy, mm, dd;
    long long ms, day_ms = 86400000;
    if (!read_date(date, seconds, &start, &ms))
        return false;
    long day = (long)((ms >= 0 ? ms : ms - day_ms + 1) / day_ms);
    ms -= day * day_ms;
    pl_civil_from_days(start + day, &yy, &mm, &dd);
    long sec = (long)(ms / 1000);
    char text[96]; /* room for any long, as the compiler sees it */
    snprintf(text, sizeof text, "%04ld-%02ld-%02ldT%02ld:%02ld:%02ld.%03ld", yy, mm, dd, sec / 3600,
             sec / 60 % 60, sec % 60, (long)(ms % 1000));
    snprintf(out, 32, "%.31s", text);
    return true;
}
