/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What headers say, in the spellings they say it. */
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <criterion/parameterized.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

TestSuite(header, .init = frames_begin, .fini = frames_end);

static pl_frame *with_cards(const char *cards)
{
    frames_layout l = { 16, 3, 4, 0, cards, false, 0 };
    pl_frame *f = NULL;
    pl_err err = { PL_OK, "" };
    frames_put(frames_path("h.fits"), &l, NULL);
    cr_assert(eq(int, pl_frame_open(frames_path("h.fits"), 1, &f, &err), PL_OK), "%s", err.msg);
    return f;
}

static const pl_fact *row_of(const char *name)
{
    size_t n;
    const pl_fact *rows = pl_facts_table(&n);
    for (size_t i = 0; i < n; i++)
        if (strcmp(rows[i].name, name) == 0)
            return &rows[i];
    cr_fatal("no fact called %s", name);
    return rows;
}

struct number_row {
    char fact[16], cards[100];
    double want;
    char source[48];
};

ParameterizedTestParameters(header, numbers)
{
    static struct number_row rows[] = {
        { "exposure_s", "EXPTIME =                180.0", 180, "HEASARC dictionary" },
        { "exposure_s", "EXPOSURE=                180.0", 180, "HEASARC dictionary" },
        { "exposure_s", "EXPTIME = '180     '", 180, "a number kept as text" },
        { "exposure_s", "EXPTIME =              1.8D+02", 180,
          "FITS 4.0, 4.2.4: D is an exponent" },
        { "pixel_um", "XPIXSZ  =                 3.76", 3.76, "SBFITSEXT: um, after binning" },
        { "focal_mm", "FOCALLEN=                  870", 870, "SBFITSEXT: mm" },
        { "aperture_mm", "APTDIA  =                  280", 280, "SBFITSEXT: mm" },
        { "aperture_mm", "APTDIA  =                  0.0", NAN, "0 stands for unknown" },
        { "aperture_mm", "APTDIA  =                    1", NAN, "out of range: left out" },
        { "binning_x", "XBINNING=                    2", 2, "SBFITSEXT" },
        { "origin_x_px", "XORGSUBF=                 1024", 1024, "SBFITSEXT" },
        { "gain_e_adu", "EGAIN   =                 0.25", 0.25, "SBFITSEXT: e/ADU" },
        { "airmass", "AIRMASS =                1.234", 1.234, "HEASARC dictionary" },
        { "latitude_deg", "SITELAT = '+48 30 00'", 48.5, "SBFITSEXT: degrees, sexagesimal" },
        { "latitude_deg", "SITELAT = '-00 30 00.0'", -0.5, "minus zero degrees" },
        { "longitude_deg", "SITELONG= '-116:15:36'", -116.26, "with colons" },
        { "altitude_deg", "OBJCTALT= ' 67.2734'", 67.2734, "plain degrees as text" },
        { "temperature_c", "FOCTEMP =                 11.5", 11.5, "common practice" },
        { "temperature_c", "FOCUSTEM= '11 C'", 11, "with its unit" },
        { "temperature_c", "AMBTEMP =               284.65", 11.5, "kelvin: 284.65 - 273.15" },
        { "temperature_c", "CCD-TEMP=                -10.0", NAN, "the sensor's is not the air's" },
        { "position_steps", "FOCPOS  =                12345", 12345, "common practice" },
        { "position_steps", "FOCUSPOS=                   17\nFOCPOS  =                   18", 17,
          "first spelling wins" },
        { "exposure_s", "EXPTIME =", NAN, "undefined value, FITS 4.0 4.1.2.3" },
        { "exposure_s", "EXPTIME = 'soon'", NAN, "no number" },
    };
    return cr_make_param_array(struct number_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct number_row *r, header, numbers)
{
    pl_frame *f = with_cards(r->cards);
    const pl_num *got =
        (const pl_num *)(const void *)((const char *)pl_frame_facts(f) + row_of(r->fact)->offset);
    cr_expect(isnan(r->want) ? isnan(got->v) : fabs(got->v - r->want) < 1e-9, "%s: %g", r->source,
              got->v);
    cr_expect(eq(int, got->from, isnan(r->want) ? PL_FROM_NOWHERE : PL_FROM_HEADER), "%s",
              r->source);
    pl_frame_free(f);
}

struct text_row {
    char fact[12], cards[100], want[40], source[56];
};

ParameterizedTestParameters(header, texts)
{
    static struct text_row rows[] = {
        { "mosaic", "BAYERPAT= 'RGGB    '", "RGGB", "common practice" },
        { "mosaic", "BAYERPAT= 'rggb'", "RGGB", "any case" },
        { "mosaic", "BAYERPAT= 'RGGB'\nXBAYROFF=                    1", "GRBG",
          "x offset 1, by hand" },
        { "mosaic", "BAYERPAT= 'RGGB'\nYBAYROFF=                    1", "GBRG",
          "y offset 1, by hand" },
        { "mosaic", "BAYERPAT= 'RGGB'\nXBAYROFF= 1\nYBAYROFF= 1", "BGGR", "both, by hand" },
        { "mosaic", "BAYERPAT= 'RGGB'\nXBAYROFF= 2\nYBAYROFF= -2", "RGGB", "even offsets" },
        { "mosaic", "BAYERPAT= 'GBRG'\nXBAYROFF= -1", "BGGR", "negative odd, by hand" },
        { "mosaic", "BAYERPAT= 'RGGB'\nROWORDER= 'TOP-DOWN'", "RGGB", "as stored" },
        { "mosaic", "BAYERPAT= 'RGGB'\nROWORDER= 'BOTTOM-UP'", "GBRG",
          "RGGB of an even height from below, by hand" },
        { "mosaic", "BAYERPAT= 'RGGB'\nYBAYROFF= 1\nROWORDER= 'BOTTOM-UP'", "RGGB",
          "two rows on, by hand" },
        { "mosaic", "BAYERPAT= 'CYMG'", "", "no mosaic we know: left out" },
        { "row_order", "ROWORDER= 'TOP-DOWN'", "TOP-DOWN", "common practice" },
        { "object", "OBJECT  = 'it''s a field'", "it's a field", "FITS 4.0, 4.2.1: doubled quote" },
        { "object", "OBJECT  = '  x  '", "x", "blanks off" },
        { "object", "OBJECT  = 'caf\xe9\x01'", "caf??", "only ASCII comes through" },
        { "date_obs", "DATE-OBS= '2031-03-14T20:15:00'", "2031-03-14T20:15:00", "UTC as it is" },
        { "date_obs", "DATE-OBS= '2024-01-01T01:30:00.000+02:00'", "2023-12-31T23:30:00.000",
          "offset, over a new year, by hand" },
        { "date_obs", "DATE-OBS= '2024-02-28T20:00:00.500-0700'", "2024-02-29T03:00:00.500",
          "offset, into a leap day, by hand" },
        { "date_obs", "DATE-OBS= '2031-03-14'", "2031-03-14", "a date alone" },
        { "scope_name", "TELESCOP= 'a reflector'", "a reflector", "FITS 4.0, 4.4.2.2" },
        { "camera_name", "INSTRUME= 'a camera'", "a camera", "FITS 4.0, 4.4.2.2" },
        { "filter", "FILTER  = 'L'", "L", "HEASARC dictionary" },
    };
    return cr_make_param_array(struct text_row, rows, sizeof rows / sizeof *rows);
}

ParameterizedTest(struct text_row *r, header, texts)
{
    pl_frame *f = with_cards(r->cards);
    const pl_text *got =
        (const pl_text *)(const void *)((const char *)pl_frame_facts(f) + row_of(r->fact)->offset);
    cr_expect(eq(str, (char *)got->s, r->want), "%s", r->source);
    pl_frame_free(f);
}

/* A value left out is noted with its keyword; 0 for "unknown" is not worth a word; kelvin is said.
 */
Test(header, what_is_left_out_is_said)
{
    pl_frame *f = with_cards("APTDIA  =                    1\nXPIXSZ  =                    0\n"
                             "BAYERPAT= 'CYMG'\nAMBTEMP =               284.65");
    const pl_notes *notes = pl_frame_notes(f);
    char all[2000] = "";
    size_t used = 0;
    for (size_t i = 0; i < notes->n; i++)
        used += (size_t)snprintf(all + used, sizeof all - used, "%s\n", notes->item[i]);
    cr_expect(eq(sz, notes->n, 3), "%s", all);
    cr_expect(ne(ptr, strstr(all, "APTDIA"), NULL), "%s", all);
    cr_expect(ne(ptr, strstr(all, "BAYERPAT"), NULL), "%s", all);
    cr_expect(ne(ptr, strstr(all, "kelvin"), NULL), "%s", all);
    pl_frame_free(f);
}

/* Facts live where the image lives: an extension's own header. */
Test(header, of_an_extension)
{
    frames_layout l = { 16, 3, 3, 0, "EXPTIME =                 30.0", true, 0 };
    pl_frame *f = NULL;
    frames_put(frames_path("e.fits"), &l, NULL);
    cr_assert(eq(int, pl_frame_open(frames_path("e.fits"), 1, &f, NULL), PL_OK));
    cr_expect(eq(dbl, pl_frame_facts(f)->exposure_s.v, 30));
    pl_frame_free(f);
}
