/* SPDX-License-Identifier: GPL-3.0-or-later */
/* timeit REPETITIONS COMMAND... [--- COMMAND...]... - whole processes against each other.
 * Each round runs every command once, in turn, so that what disturbs the machine disturbs all;
 * one round goes before and is not counted (warm cache). Per command one line on stdout:
 *     median_ms min_ms max_ms cpu_ms peak_kib exit_status
 * the median wall time, its extremes, median processor time, and the largest resident set the
 * kernel saw (wait4). The commands' output is thrown away; a command that dies of a signal or
 * cannot start ends the run with status 2. */
#include <errno.h>
#include <fcntl.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/time.h>
#include <sys/wait.h>
#include <time.h>

enum { MAX_COMMANDS = 16, MAX_ROUNDS = 999 };

extern char **environ;

struct command {
    char **argv;
    double wall[MAX_ROUNDS], cpu[MAX_ROUNDS];
    long peak_kib;
    int status;
};

pid_t wait4(pid_t pid, int *status, int options, struct rusage *usage);

static void die(const char *what, const char *why)
{
    fprintf(stderr, "timeit: %s: %s\n", what, why);
    exit(2);
}

static double now_ms(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return 1e3 * (double)t.tv_sec + 1e-6 * (double)t.tv_nsec;
}

static double tv_ms(struct timeval t)
{
    return 1e3 * (double)t.tv_sec + 1e-3 * (double)t.tv_usec;
}

static void run(struct command *c, posix_spawn_file_actions_t *quiet, int round)
{
    struct rusage use;
    pid_t pid;
    int status;
    double start = now_ms();
    int rc = posix_spawnp(&pid, c->argv[0], quiet, NULL, c->argv, environ);
    if (rc)
        die(c->argv[0], strerror(rc));
    if (wait4(pid, &status, 0, &use) != pid)
        die(c->argv[0], strerror(errno));
    double wall = now_ms() - start;
    if (!WIFEXITED(status) || WEXITSTATUS(status) == 127)
        die(c->argv[0], "did not end by itself");
    c->status = WEXITSTATUS(status);
    if (use.ru_maxrss > c->peak_kib)
        c->peak_kib = use.ru_maxrss;
    if (round < 0)
        return;
    c->wall[round] = wall;
    c->cpu[round] = tv_ms(use.ru_utime) + tv_ms(use.ru_stime);
}

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static int split(char **argv, struct command *list)
{
    int n = 0;
    for (char **word = argv; *word;) {
        if (n == MAX_COMMANDS)
            die("commands", "too many");
        list[n++].argv = word;
        while (*word && strcmp(*word, "---") != 0)
            word++;
        if (*word)
            *word++ = NULL;
        if (!list[n - 1].argv[0])
            die("commands", "one is empty");
    }
    return n;
}

int main(int argc, char **argv)
{
    static struct command list[MAX_COMMANDS];
    posix_spawn_file_actions_t quiet;
    int rounds = argc > 2 ? atoi(argv[1]) : 0;
    if (rounds < 1 || rounds > MAX_ROUNDS)
        die("usage", "timeit REPETITIONS COMMAND... [--- COMMAND...]...");
    int n = split(argv + 2, list);
    posix_spawn_file_actions_init(&quiet);
    posix_spawn_file_actions_addopen(&quiet, 0, "/dev/null", O_RDONLY, 0);
    posix_spawn_file_actions_addopen(&quiet, 1, "/dev/null", O_WRONLY, 0);
    for (int round = -1; round < rounds; round++)
        for (int i = 0; i < n; i++)
            run(&list[i], &quiet, round);
    for (int i = 0; i < n; i++) {
        struct command *c = &list[i];
        qsort(c->wall, (size_t)rounds, sizeof *c->wall, by_value);
        qsort(c->cpu, (size_t)rounds, sizeof *c->cpu, by_value);
        printf("%.2f %.2f %.2f %.2f %ld %d\n", c->wall[rounds / 2], c->wall[0], c->wall[rounds - 1],
               c->cpu[rounds / 2], c->peak_kib, c->status);
    }
    posix_spawn_file_actions_destroy(&quiet);
    return 0;
}
