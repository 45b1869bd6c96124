/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Fuzz target: any bytes as a FITS file. Whatever opens must give its pixels and be measured, or be
 * refused in words; nothing else may happen. */
#include "fuzz.h"

#include "../../lib/plumb.h"

#include <gsl/gsl_errno.h>
#include <string.h>

enum { STRIP = 1 << 14, MEASURED = 1 << 15, BEST = 8 }; /* pixels, stars: more only loses time */

/* CFITSIO 4.2 trusts what HCOMPRESS packed further than we look it through (lib/frame/packed.c). So
 * that this does not hide what else there is, the fuzzer goes around such images unless
 * FUZZ_HCOMPRESS=1 asks for them. */
static int beyond_us(const uint8_t *data, size_t size)
{
    static const char mark[] = "HCOMPRESS";
#ifdef FUZZ_NO_HCOMPRESS
    for (size_t i = 0; i + sizeof mark - 1 <= size; i++)
        if (memcmp(data + i, mark, sizeof mark - 1) == 0)
            return 1;
#endif
    (void)data, (void)size, (void)mark;
    return 0;
}

static void must(int good)
{
    if (!good)
        abort();
}

static void read_strips(const pl_frame *frame, int w, int h)
{
    static float out[STRIP];
    pl_err err = { PL_OK, "" };
    int n = w < STRIP ? w : STRIP, rows = STRIP / n < h ? STRIP / n : h;
    pl_frame_read(frame, 0, 0, n, rows, out, &err);
    pl_frame_read(frame, w - n, h - rows, n, rows, out, &err);
    pl_err bad = { PL_OK, "" };
    must(pl_frame_read(frame, w, 0, 1, 1, out, &bad) == PL_EARG && bad.msg[0]);
}

static void measure(const pl_frame *frame)
{
    pl_field field;
    pl_err err = { PL_OK, "" };
    pl_facts facts = pl_facts_unknown();
    pl_status st = pl_field_measure(frame, &facts, BEST, 1, &field, &err);
    if (st != PL_OK) {
        must(err.msg[0] || st == PL_ENOMEM);
        return;
    }
    char *text = pl_field_text(&field, "input"), *json = pl_field_json(&field, "input", true);
    char *table = pl_field_table(&field, "input");
    must(text && json && table);
    free(text);
    free(json);
    free(table);
    pl_field_clear(&field);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    pl_frame *frame = NULL;
    pl_err err = { PL_OK, "" };
    gsl_set_error_handler_off();
    if (beyond_us(data, size))
        return 0;
    pl_status st = pl_frame_open(fuzz_file(data, size), 1, &frame, &err);
    if (st != PL_OK) {
        must(!frame && (err.msg[0] || st == PL_ENOMEM));
        return 0;
    }
    int w = pl_frame_width(frame), h = pl_frame_height(frame);
    must(w > 0 && h > 0);
    read_strips(frame, w, h);
    if ((int64_t)w * h <= MEASURED)
        measure(frame);
    pl_frame_free(frame);
    return 0;
}
