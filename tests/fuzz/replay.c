/* SPDX-License-Identifier: GPL-3.0-or-later */
/* replay FILE... - a fuzz target without the fuzzer: run it over each file, in order. */
#include "fuzz.h"

static uint8_t *slurp(const char *path, size_t *size)
{
    FILE *f = fopen(path, "rb");
    uint8_t *data = NULL;
    long end = -1;
    if (f && fseek(f, 0, SEEK_END) == 0 && (end = ftell(f)) >= 0 && fseek(f, 0, SEEK_SET) == 0)
        data = malloc((size_t)end + 1);
    if (!data || fread(data, 1, (size_t)end, f) != (size_t)end) {
        perror(path);
        exit(2);
    }
    fclose(f);
    *size = (size_t)end;
    return data;
}

int main(int argc, char **argv)
{
    for (int i = 1; i < argc; i++) {
        size_t size = 0;
        uint8_t *data = slurp(argv[i], &size);
        fprintf(stderr, "%s\n", argv[i]); /* names the culprit should the next line end us */
        LLVMFuzzerTestOneInput(data, size);
        free(data);
    }
    unlink(fuzz_file((const uint8_t *)"", 0));
    printf("%d inputs replayed\n", argc - 1);
    return 0;
}
