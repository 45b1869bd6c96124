/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "frames.h"

#include <criterion/criterion.h>
#include <criterion/new/assert.h>
#include <stdlib.h>
#include <string.h>

TestSuite(digest, .init = frames_begin, .fini = frames_end);

/* The examples that go with FIPS 180-4: "abc", and a million times "a"; and nothing at all. */
Test(digest, published_examples)
{
    char got[65] = "";
    char *many = malloc(1000000);
    frames_put_bytes(frames_path("abc"), "abc", 3);
    frames_put_bytes(frames_path("nothing"), "", 0);
    frames_put_bytes(frames_path("many"), memset(many, 'a', 1000000), 1000000);
    free(many);
    cr_assert(eq(int, pl_file_digest(frames_path("abc"), got, NULL), PL_OK));
    cr_expect(eq(str, got, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"));
    cr_assert(eq(int, pl_file_digest(frames_path("nothing"), got, NULL), PL_OK));
    cr_expect(eq(str, got, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"));
    cr_assert(eq(int, pl_file_digest(frames_path("many"), got, NULL), PL_OK));
    cr_expect(eq(str, got, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"));
    pl_digest *beside = pl_digest_begin(frames_path("abc"));
    cr_assert(eq(int, pl_digest_end(beside, got, NULL), PL_OK));
    cr_expect(eq(str, got, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"));
}

Test(digest, refuses)
{
    char got[65] = "untouched";
    pl_err err = { PL_OK, "" };
    cr_expect(eq(int, pl_file_digest(frames_path("missing"), got, &err), PL_EIO));
    cr_expect(strstr(err.msg, "cannot be opened") != NULL, "%s", err.msg);
    cr_expect(eq(int, pl_file_digest(".", got, NULL), PL_EIO));
    cr_expect(eq(int, pl_digest_end(pl_digest_begin(frames_path("missing")), got, NULL), PL_EIO));
    cr_expect(eq(int, pl_digest_end(NULL, got, NULL), PL_ENOMEM));
    cr_expect(eq(str, got, "untouched"));
}
