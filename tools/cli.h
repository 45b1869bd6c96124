/* SPDX-License-Identifier: GPL-3.0-or-later */
/* cli.h - what the programs share: options, help, complaints, progress, exit status. */
#ifndef PLUMB_CLI_H
#define PLUMB_CLI_H

#include "../lib/plumb.h"

enum { EXIT_WITHIN = 0, EXIT_OUTSIDE = 1, EXIT_UNMEASURED = 2 };

/* One option of a program's own. `arg` NULL: a switch. Letters below 256 are short options too. */
typedef struct {
    const char *name;
    int letter;
    const char *arg;
    const char *help;
} cli_option;

typedef struct {
    const char *name;          /* "plumb-field" */
    const char *usage;         /* "[OPTION]... FRAME..." */
    const char *about;         /* a paragraph for --help, lines wrapped by hand */
    const char *status;        /* what 0, 1 and 2 mean here, a line each */
    bool frames;               /* reads frames, and may find one outside its tolerance */
    bool together;             /* several frames give one answer, and one picture */
    bool piped;                /* reads standard input where a file is called "-" */
    bool undrawn;              /* draws nothing: --help names no --png */
    const cli_option *options; /* ends with a NULL name */
    const char *const *facts;  /* facts offered as options; ends with NULL */
    int (*own)(void *ctx, int letter, const char *value, pl_err *err); /* 0, or -1 with err set */
} cli_program;

/* What all programs are told the same way. */
typedef struct {
    const cli_program *program;
    pl_facts facts;            /* command line over profile; the header is merged per frame */
    pl_notes notes;            /* what the profile's reading had to say */
    const char *profile, *png; /* NULL: none */
    bool json, red, quiet, measured_ok;
    int jobs;    /* 0: one per processor */
    char **file; /* the operands, borrowed from argv */
    int files;
} cli;

/* What plumb-check and plumb-watch are told alike, for pl_check_set(): letters FIRST to FIRST + 3,
 * and the facts. */
#define CLI_CHECK_OPTIONS(FIRST)                                                                   \
    { "remaining", (FIRST), "MIN", "how long the night still lasts; then the costs are told" },    \
        { "refocus-cost", (FIRST) + 1, "S", "time that refocusing takes" },                        \
        { "drift", (FIRST) + 2, "UM_H",                                                            \
          "how focus drifts, um an hour at the sensor, + = outward" },                             \
    {                                                                                              \
        "wavelength", (FIRST) + 3, "UM", "wavelength, um (default: the surface's)"                 \
    }
extern const char *const cli_check_facts[];

/* cli_parse - read the command line and the profile.
 * Gives: -1 to go on, else the exit status (help and version: 0; misuse: 2, said on stderr). */
int cli_parse(const cli_program *program, int argc, char **argv, cli *out, void *ctx);

/* cli_complain - "program: subject: sentence" on stderr; the subject (a file) may be NULL. */
void cli_complain(const cli *c, const char *subject, const char *sentence);

/* cli_failed - the same of a failure of the library. Gives: the exit status 2. */
int cli_failed(const cli *c, const char *subject, const pl_err *err);

/* cli_is_whole - whether an answer may be told: it is there, and memory was never short since the
 * program began. */
bool cli_is_whole(const char *text);

/* cli_print - an answer on stdout, where it is whole; frees it. Gives: EXIT_WITHIN, or 2, said on
 * stderr. */
int cli_print(const cli *c, char *text);

/* cli_progress - a bar on stderr when that is a terminal and the work has taken over a second.
 * done == total wipes it. */
void cli_progress(const cli *c, int done, int total);

/* cli_output_path - where a file made from `file` goes: `where` itself for one frame, else
 * where/stem + suffix. Gives: malloc'd text, NULL when memory is short. */
char *cli_output_path(const cli *c, const char *where, const char *file, const char *suffix);

/* cli_stem - the name of a frame without folder and without what says FITS.
 *   len  out  its length
 * Gives: where it starts in `file`. */
const char *cli_stem(const char *file, size_t *len);

/* cli_check_outputs - refuse frames whose output files would have the same name.
 * Gives: -1 to go on, else the exit status 2, said on stderr. */
int cli_check_outputs(const cli *c);

/* cli_same_file - two names of one file, also of one that is not there yet. */
bool cli_same_file(const char *a, const char *b);

/* cli_surface - the focal surface of the profile. None is an answer, a broken one is not.
 *   known  out  whether there is one
 * Gives: -1 to go on, else the exit status. */
int cli_surface(const cli *c, pl_surface *out, bool *known);

/* cli_spares_inputs - whether writing to `path` (NULL: nothing) leaves the frames and the profile
 * alone; else it is said on stderr. */
bool cli_spares_inputs(const cli *c, const char *path);

/* cli_spares_file - the same for one more file that is read (NULL: none). */
bool cli_spares_file(const cli *c, const char *path, const char *file);

/* cli_spares_output - the same for what is made from a frame, see cli_output_path.
 *   where  in  NULL: nothing is made
 *   file   in  one more that is read; NULL: none */
bool cli_spares_output(const cli *c, const char *where, const char *frame, const char *suffix,
                       const char *file);

/* cli_misuse - the complaint, then the usage, on stderr. Gives: the exit status 2. */
int cli_misuse(const cli *c, const char *sentence);

/* Commands of the user's that still run; start from { 0 }. */
enum { CLI_COMMANDS = 4 };
typedef struct {
    int pid[CLI_COMMANDS];
} cli_commands;

/* cli_command - have the shell run a command, and do not wait for it.
 *   setting  in  name, value, name, value ..., NULL: its environment, besides ours
 * Gives: 0, EAGAIN while CLI_COMMANDS of them run, else what errno would be. */
int cli_command(cli_commands *running, const char *command, const char *const *setting);

/* cli_commands_reap - bury those that ended. */
void cli_commands_reap(cli_commands *running);

/* cli_close - flush stdout; a full disc or closed pipe turns the status into 2. Frees `c`. */
int cli_close(cli *c, int status);

#endif
