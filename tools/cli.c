/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli.h"

#include <errno.h>
#include <getopt.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>
#include <gsl/gsl_errno.h>

enum { MAX_OPTIONS = 128, FACT_BASE = 0x1000, OPT_JSON = 0x800, OPT_PNG, OPT_RED, OPT_OK };

static const cli_option common[] = {
    { "profile", 'p', "FILE", "telescope, camera and focuser, see plumb-profile(5)" },
    { "json", OPT_JSON, NULL, "answer as JSON Lines, see plumb-json(5)" },
    { "png", OPT_PNG, "FILE", "draw the answer" },
    { "red", OPT_RED, NULL, "deep red on black, for dark-adapted eyes" },
    { "measured-ok", OPT_OK, NULL, "exit 0 where it would be 1 (for scripts)" },
    { "jobs", 'j', "N", "threads (default: one per processor)" },
    { "quiet", 'q', NULL, "no progress, no remarks on stderr" },
    { "help", 'h', NULL, "this text" },
    { "version", 'V', NULL, "the version" },
    { NULL, 0, NULL, NULL },
};

const char *const cli_check_facts[] = {
    "aperture_mm", "focal_mm",       "mirror_focal_mm", "obstruction",  "pixel_um",    "mosaic",
    "gain_e_adu",  "saturation_adu", "step_um",         "outward",      "um_per_turn", "carries",
    "backlash_um", "approach",       "fwhm_growth",     "eccentricity", "row_order",   NULL,
};

static const char several_png[] = "draw the answer (several frames: a directory)";

/* Text from outside must not drive the terminal: control characters become question marks. */
static void put_harmless(const char *text)
{
    for (const unsigned char *s = (const unsigned char *)text; *s; s++)
        fputc(*s < 0x20 || *s == 0x7f ? '?' : *s, stderr);
}

void cli_complain(const cli *c, const char *subject, const char *sentence)
{
    fprintf(stderr, "%s: ", c->program->name);
    if (subject) {
        bool standard = c->program->piped && strcmp(subject, "-") == 0;
        put_harmless(!*subject ? "''" : standard ? "standard input" : subject);
        fputs(": ", stderr);
    }
    put_harmless(sentence);
    fputc('\n', stderr);
}

int cli_failed(const cli *c, const char *subject, const pl_err *err)
{
    cli_complain(c, subject, err->msg[0] ? err->msg : "out of memory");
    return EXIT_UNMEASURED;
}

bool cli_is_whole(const char *text)
{
    return text && pl_memory_shortages() == 0;
}

int cli_print(const cli *c, char *text)
{
    bool whole = cli_is_whole(text);
    if (whole)
        fputs(text, stdout);
    free(text);
    return whole ? EXIT_WITHIN : cli_failed(c, NULL, &(pl_err){ PL_ENOMEM, "" });
}

static void dashed(const char *name, char *out, size_t size)
{
    snprintf(out, size, "%s", name);
    for (char *s = out; *s; s++)
        *s = *s == '_' ? '-' : *s;
}

/* One option; the words it takes, if they are few, on a line of their own. */
static void print_option(const char *name, int letter, const char *arg, const char *help,
                         const char *words)
{
    char left[64], flag[8] = "    ";
    if (letter < 256)
        snprintf(flag, sizeof flag, "-%c, ", letter);
    snprintf(left, sizeof left, "  %s--%s%s%s", flag, name, arg ? " " : "", arg ? arg : "");
    if (strlen(left) > 29)
        printf("%s\n%30s%s\n", left, "", help);
    else
        printf("%-30s%s\n", left, help);
    if (words)
        printf("%30s(%s)\n", "", words);
}

static const pl_fact *fact_row(const char *name)
{
    size_t n;
    const pl_fact *rows = pl_facts_table(&n);
    for (size_t i = 0; i < n; i++)
        if (strcmp(rows[i].name, name) == 0)
            return &rows[i];
    return NULL;
}

/* --measured-ok is for programs that may exit 1. */
static bool offers(const cli_program *p, const cli_option *o)
{
    return o->letter != OPT_OK || p->frames;
}

/* In --help; what is refused with a better word than "unknown" is left out. */
static bool shows(const cli_program *p, const cli_option *o)
{
    return offers(p, o) && !(p->undrawn && (o->letter == OPT_PNG || o->letter == OPT_RED));
}

/* Facts come from the header of frames, where the usage names them. */
static bool reads_frames(const cli_program *p)
{
    return strstr(p->usage, "FRAME") != NULL;
}

static void help(const cli_program *p)
{
    printf("usage: %s %s\n\n%s\n", p->name, p->usage, p->about);
    for (const cli_option *o = p->options; o->name; o++)
        print_option(o->name, o->letter, o->arg, o->help, NULL);
    puts("");
    for (const cli_option *o = common; o->name; o++)
        if (shows(p, o))
            print_option(o->name, o->letter, o->arg,
                         p->frames && !p->together && o->letter == OPT_PNG ? several_png : o->help,
                         NULL);
    if (p->facts[0])
        printf("\nWhat it may be told; the command line outranks the profile%s:\n",
               reads_frames(p) ? ", the profile the header" : "");
    for (int i = 0; p->facts[i]; i++) {
        char name[48];
        dashed(p->facts[i], name, sizeof name);
        const pl_fact *row = fact_row(p->facts[i]);
        print_option(name, FACT_BASE, row && row->lo > row->hi ? "WORD" : "X", row ? row->help : "",
                     row ? row->words : NULL);
    }
    printf("\nExit status:\n%s", p->status);
}

static size_t add_options(const cli_program *p, struct option *list, size_t n,
                          const cli_option *own)
{
    for (; own->name && n < MAX_OPTIONS - 1; own++)
        if (offers(p, own))
            list[n++] = (struct option){ own->name, own->arg ? required_argument : no_argument,
                                         NULL, own->letter };
    return n;
}

static char names[MAX_OPTIONS][48]; /* option spellings of the facts, filled once by build */

static void build(const cli_program *p, struct option *list, char *letters)
{
    size_t n = add_options(p, list, add_options(p, list, 0, common), p->options);
    char *s = letters;
    *s++ = ':'; /* a missing value is told apart from an unknown option */
    for (size_t i = 0; i < n; i++)
        if (list[i].val < 256) {
            *s++ = (char)list[i].val;
            if (list[i].has_arg)
                *s++ = ':';
        }
    *s = '\0';
    for (int i = 0; p->facts[i] && n < MAX_OPTIONS - 1; i++, n++) {
        dashed(p->facts[i], names[i], sizeof names[i]);
        list[n] = (struct option){ names[i], required_argument, NULL, FACT_BASE + i };
    }
    list[n] = (struct option){ NULL, 0, NULL, 0 };
}

int cli_misuse(const cli *c, const char *sentence)
{
    cli_complain(c, NULL, sentence);
    fprintf(stderr, "usage: %s %s\nTry '%s --help'.\n", c->program->name, c->program->usage,
            c->program->name);
    return EXIT_UNMEASURED;
}

/* Whether the text is the start of an option's name, dashes and a value apart. */
static bool known_start(const struct option *list, const char *arg)
{
    size_t len;
    arg += strspn(arg, "-");
    len = strcspn(arg, "=");
    for (; list->name; list++)
        if (strncmp(list->name, arg, len) == 0)
            return true;
    return false;
}

static int misused_option(const cli *c, const struct option *list, int kind, char **argv)
{
    char text[160];
    const char *arg = argv[optind - 1];
    if (kind == ':')
        snprintf(text, sizeof text, "option %.80s needs a value", arg);
    else if (optopt && optopt < 256 && arg[0] == '-' && arg[1] != '-')
        snprintf(text, sizeof text, "there is no option -%c", optopt);
    else
        snprintf(text, sizeof text, "option %.80s %s", arg,
                 optopt                   ? "takes no value"
                 : known_start(list, arg) ? "could be several; spell it out"
                                          : "is unknown");
    return cli_misuse(c, text);
}

static int set_jobs(cli *c, const char *value, pl_err *err)
{
    char *end;
    long n = strtol(value, &end, 10);
    if (*end || end == value || n < 1 || n > 64) {
        err->code = PL_EARG;
        snprintf(err->msg, sizeof err->msg, "--jobs is \"%.40s\"; a number from 1 to 64 is wanted",
                 value);
        return -1;
    }
    c->jobs = (int)n;
    return 0;
}

/* One option; 0 when taken, 1 to leave with status 0, -1 with err set. */
static int take(cli *c, int letter, const char *value, void *ctx, pl_err *err)
{
    switch (letter) {
    case 'p':
        c->profile = value;
        return 0;
    case OPT_JSON:
        c->json = true;
        return 0;
    case OPT_PNG:
        c->png = value;
        return 0;
    case OPT_RED:
        c->red = true;
        return 0;
    case OPT_OK:
        c->measured_ok = true;
        return 0;
    case 'j':
        return set_jobs(c, value, err);
    case 'q':
        c->quiet = true;
        return 0;
    case 'h':
        help(c->program);
        return 1;
    case 'V':
        printf("%s %s\n", c->program->name, PL_VERSION);
        return 1;
    default:
        if (letter >= FACT_BASE)
            return pl_facts_set(&c->facts, c->program->facts[letter - FACT_BASE], value,
                                PL_FROM_OPTION, err) == PL_OK
                       ? 0
                       : -1;
        return c->program->own(ctx, letter, value, err);
    }
}

static int read_profile(cli *c, const char *path)
{
    pl_err err = { PL_OK, "" };
    pl_facts profile = pl_facts_unknown();
    if (pl_profile_read(path, &profile, &c->notes, &err) != PL_OK) {
        cli_complain(c, path, err.msg);
        return EXIT_UNMEASURED;
    }
    pl_facts_merge(&c->facts, &profile);
    for (size_t i = 0; i < c->notes.n && !c->quiet; i++)
        cli_complain(c, path, c->notes.item[i]);
    return -1;
}

/* Where memory fails it within a word jansson (2.14) goes on reading, past the word's end: so a
 * reserve is kept for it. That memory was short is counted all the same. */
static void *json_room(size_t size)
{
    static void *reserve;
    void *room = pl_malloc(size);
    if (!room) {
        free(reserve);
        reserve = NULL;
        room = malloc(size);
    } else if (!reserve) {
        reserve = malloc(1 << 16);
    }
    return room;
}

int cli_parse(const cli_program *program, int argc, char **argv, cli *out, void *ctx)
{
    struct option list[MAX_OPTIONS];
    char letters[2 * MAX_OPTIONS + 2];
    int letter;
    *out = (cli){ .program = program, .facts = pl_facts_unknown() };
    gsl_set_error_handler_off();
    json_set_alloc_funcs(json_room, free);
    build(program, list, letters);
    opterr = 0;
    while ((letter = getopt_long(argc, argv, letters, list, NULL)) != -1) {
        pl_err err = { PL_OK, "" };
        if (letter == '?' || letter == ':')
            return misused_option(out, list, letter, argv);
        int rc = take(out, letter, optarg, ctx, &err);
        if (rc)
            return rc > 0 ? EXIT_WITHIN : cli_misuse(out, err.msg);
    }
    out->file = argv + optind;
    out->files = argc - optind;
    return out->profile ? read_profile(out, out->profile) : -1;
}

void cli_progress(const cli *c, int done, int total)
{
    static time_t start;
    static bool shown;
    if (c->quiet || total < 2 || !isatty(STDERR_FILENO))
        return;
    if (!start)
        start = time(NULL);
    if (done >= total && shown)
        fprintf(stderr, "\r%*s\r", 60, "");
    else if (done < total && time(NULL) - start > 1) {
        int filled = 30 * done / total;
        fprintf(stderr, "\r  %.*s%*s  %d of %d frames", filled,
                "==============================", 30 - filled, "", done, total);
        shown = true;
    }
    fflush(stderr);
}

const char *cli_stem(const char *file, size_t *len)
{
    static const char *const suffix[] = { ".fz", ".gz", ".fits", ".fit", ".fts" };
    const char *base = pl_file_name(file);
    *len = strlen(base);
    for (size_t i = 0; i < sizeof suffix / sizeof *suffix; i++) {
        size_t n = strlen(suffix[i]);
        if (*len > n && strncasecmp(base + *len - n, suffix[i], n) == 0)
            *len -= n;
    }
    return base;
}

static bool stat_folder(const char *path, struct stat *out)
{
    size_t n = (size_t)(pl_file_name(path) - path);
    char *folder = n ? strndup(path, n) : strdup(".");
    bool good = folder && stat(folder, out) == 0;
    free(folder);
    return good;
}

bool cli_same_file(const char *a, const char *b)
{
    struct stat p, q;
    bool there = stat(a, &p) == 0;
    if (there != (stat(b, &q) == 0))
        return false;
    if (!there && (!stat_folder(a, &p) || !stat_folder(b, &q) ||
                   strcmp(pl_file_name(a), pl_file_name(b)) != 0))
        return false;
    return p.st_dev == q.st_dev && p.st_ino == q.st_ino;
}

bool cli_spares_file(const cli *c, const char *path, const char *file)
{
    bool spares = !path || !file || !cli_same_file(path, file);
    if (!spares)
        cli_complain(c, path, "is read here, and is never written to; give another name");
    return spares;
}

bool cli_spares_output(const cli *c, const char *where, const char *frame, const char *suffix,
                       const char *file)
{
    char *path = where ? cli_output_path(c, where, frame, suffix) : NULL;
    bool good = path ? cli_spares_inputs(c, path) && cli_spares_file(c, path, file) : !where;
    if (where && !path)
        cli_failed(c, where, &(pl_err){ PL_ENOMEM, "" });
    free(path);
    return good;
}

int cli_surface(const cli *c, pl_surface *out, bool *known)
{
    pl_err err = { PL_OK, "" };
    *known = false;
    if (!c->profile)
        return -1;
    pl_status st = pl_surface_read(c->profile, out, &err);
    *known = st == PL_OK;
    return st == PL_OK || st == PL_ENODATA ? -1 : cli_failed(c, c->profile, &err);
}

bool cli_spares_inputs(const cli *c, const char *path)
{
    bool spares = cli_spares_file(c, path, c->profile);
    for (int i = 0; i < c->files && spares; i++)
        spares = cli_spares_file(c, path, c->file[i]);
    return spares;
}

int cli_check_outputs(const cli *c)
{
    for (int i = 0; i < c->files; i++)
        for (int j = 0; j < i; j++) {
            size_t a, b;
            const char *p = cli_stem(c->file[i], &a), *q = cli_stem(c->file[j], &b);
            if (a == b && memcmp(p, q, a) == 0)
                return cli_misuse(c, "two frames have the same name, and one's output would "
                                     "overwrite the other's; take them one at a time");
        }
    return -1;
}

char *cli_output_path(const cli *c, const char *where, const char *file, const char *suffix)
{
    if (c->files < 2)
        return strdup(where);
    size_t stem;
    const char *base = cli_stem(file, &stem);
    size_t size = strlen(where) + stem + strlen(suffix) + 2;
    char *path = malloc(size);
    if (path)
        snprintf(path, size, "%s/%.*s%s", where, (int)stem, base, suffix);
    return path;
}

int cli_close(cli *c, int status)
{
    pl_notes_clear(&c->notes);
    if (ferror(stdout) | (fclose(stdout) != 0)) {
        fprintf(stderr, "%s: writing the result: %s\n", c->program->name, strerror(errno));
        return EXIT_UNMEASURED;
    }
    return status == EXIT_OUTSIDE && c->measured_ok ? EXIT_WITHIN : status;
}
