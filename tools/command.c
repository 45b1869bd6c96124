/* SPDX-License-Identifier: GPL-3.0-or-later */
/* command.c - the user's own command, told by its environment alone: what a file is called never
 * becomes part of what the shell reads. */
#include "cli.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

extern char **environ;

static char *joined(const char *name, const char *value)
{
    size_t size = strlen(name) + strlen(value) + 2;
    char *s = malloc(size);
    if (s)
        snprintf(s, size, "%s=%s", name, value);
    return s;
}

static void free_first(char **list, size_t n)
{
    for (size_t i = 0; list && i < n; i++)
        free(list[i]);
    free(list);
}

static bool is_set(const char *line, const char *const *setting)
{
    size_t n = strcspn(line, "=");
    for (; *setting; setting += 2)
        if (strlen(*setting) == n && strncmp(*setting, line, n) == 0)
            return true;
    return false;
}

/* The environment with `own` settings in front; NULL when memory is short. */
static char **environment(const char *const *setting, size_t own)
{
    size_t n = 0, at = own;
    while (environ[n])
        n++;
    char **list = calloc(own + n + 1, sizeof *list);
    for (size_t i = 0; list && i < own; i++)
        if (!(list[i] = joined(setting[2 * i], setting[2 * i + 1]))) {
            free_first(list, own);
            return NULL;
        }
    for (size_t i = 0; list && i < n; i++)
        if (!is_set(environ[i], setting))
            list[at++] = environ[i];
    return list;
}

/* It reads nothing, prints to stderr, has a process group of its own (Ctrl-C is not for it), and
 * the signals a program expects. */
static int spawn(const char *command, char **list, pid_t *pid)
{
    char shell[] = "sh", dash_c[] = "-c", *text = strdup(command);
    char *argv[] = { shell, dash_c, text, NULL };
    posix_spawn_file_actions_t files;
    posix_spawnattr_t how;
    sigset_t plain, none;
    sigemptyset(&none);
    sigemptyset(&plain);
    sigaddset(&plain, SIGPIPE);
    posix_spawnattr_init(&how);
    posix_spawnattr_setsigdefault(&how, &plain);
    posix_spawnattr_setsigmask(&how, &none);
    posix_spawnattr_setpgroup(&how, 0);
    posix_spawnattr_setflags(&how, POSIX_SPAWN_SETSIGDEF | POSIX_SPAWN_SETSIGMASK |
                                       POSIX_SPAWN_SETPGROUP);
    posix_spawn_file_actions_init(&files);
    posix_spawn_file_actions_addopen(&files, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
    posix_spawn_file_actions_adddup2(&files, STDERR_FILENO, STDOUT_FILENO);
    int bad = text ? posix_spawn(pid, "/bin/sh", &files, &how, argv, list) : ENOMEM;
    posix_spawn_file_actions_destroy(&files);
    posix_spawnattr_destroy(&how);
    free(text);
    return bad;
}

int cli_command(cli_commands *running, const char *command, const char *const *setting)
{
    size_t own = 0, slot = 0;
    while (setting[2 * own])
        own++;
    while (slot < CLI_COMMANDS && running->pid[slot] > 0)
        slot++;
    if (slot == CLI_COMMANDS)
        return EAGAIN;
    char **list = environment(setting, own);
    int bad = list ? spawn(command, list, &running->pid[slot]) : ENOMEM;
    if (bad)
        running->pid[slot] = 0;
    free_first(list, own);
    return bad;
}

void cli_commands_reap(cli_commands *running)
{
    for (size_t i = 0; i < CLI_COMMANDS; i++)
        if (running->pid[i] > 0 && waitpid((pid_t)running->pid[i], NULL, WNOHANG) != 0)
            running->pid[i] = 0;
}
