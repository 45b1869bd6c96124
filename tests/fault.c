/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fault.c - linked into a program with -Wl,--wrap, so that one of its own allocations, or one of
 * its own calls to the system, goes wrong; the libraries beneath are left alone, but for what
 * CFITSIO reads, and what GSL and cairo allocate. The environment says what:
 *   FAULT=alloc:N   the N-th allocation (from 0), its own, jansson's or GSL's, fails
 *   FAULT=alloc+:N  that one and all after it
 *   FAULT=draw:N    the N-th allocation of cairo
 *   FAULT=eio:N     the N-th call fails with EIO
 *   FAULT=full:N    from the N-th call on the disc is full: a write takes half, the next none
 *   FAULT=short:0   every read and write takes half; eintr:0: every other one is interrupted
 *   FAULT=term:N    SIGTERM before the N-th call, of a write in its middle; kill:N: SIGKILL
 *   FAULT_COUNT=FILE  "ALLOCATIONS DRAWN CALLS" is written there in the end
 * faults.py tries each. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <link.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

void *__real_malloc(size_t size);
void *__real_calloc(size_t n, size_t size);
void *__real_realloc(void *old, size_t size);
char *__real_strdup(const char *text);
char *__real_strndup(const char *text, size_t n);
int __real_open(const char *path, int flags, ...);
ssize_t __real_read(int fd, void *to, size_t n);
ssize_t __real_pread(int fd, void *to, size_t n, off_t at);
ssize_t __real_write(int fd, const void *from, size_t n);
int __real_fsync(int fd);
int __real_fdatasync(int fd);
int __real_ftruncate(int fd, off_t size);
int __real_rename(const char *from, const char *to);
int __real_close(int fd);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t n, size_t size);
void *__wrap_realloc(void *old, size_t size);
char *__wrap_strdup(const char *text);
char *__wrap_strndup(const char *text, size_t n);
int __wrap_open(const char *path, int flags, ...);
ssize_t __wrap_read(int fd, void *to, size_t n);
ssize_t __wrap_pread(int fd, void *to, size_t n, off_t where);
ssize_t __wrap_write(int fd, const void *from, size_t n);
int __wrap_fsync(int fd);
int __wrap_fdatasync(int fd);
int __wrap_ftruncate(int fd, off_t size);
int __wrap_rename(const char *from, const char *to);
int __wrap_close(int fd);

enum kind { NONE, ALLOC, DRAW, EIO_, FULL, SHORT, EINTR_, TERM, KILL };

static enum kind kind;
static bool to_the_end;
static long at, allocations, drawn, calls;
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;

__attribute__((constructor)) static void learn(void)
{
    static const char *const name[] = { "none",  "alloc", "draw", "eio", "full",
                                        "short", "eintr", "term", "kill" };
    const char *said = getenv("FAULT");
    size_t n = said ? strcspn(said, "+:") : 0;
    for (size_t i = 0; said && i < sizeof name / sizeof *name; i++)
        if (strlen(name[i]) == n && memcmp(name[i], said, n) == 0)
            kind = (enum kind)i;
    if (said) {
        to_the_end = said[n] == '+' || kind == FULL || kind == SHORT || kind == EINTR_;
        at = atol(strchr(said, ':') + 1);
    }
}

__attribute__((destructor)) static void tell(void)
{
    const char *path = getenv("FAULT_COUNT");
    FILE *f = path ? fopen(path, "w") : NULL;
    if (f) {
        fprintf(f, "%ld %ld %ld\n", allocations, drawn, calls);
        fclose(f);
    }
}

/* Counts one more; gives whether it is the one, or one after it when all are meant. */
static bool is_due(long *count)
{
    pthread_mutex_lock(&lock);
    long n = (*count)++;
    pthread_mutex_unlock(&lock);
    return n == at || (to_the_end && n > at);
}

static bool hungry(void)
{
    bool due = is_due(&allocations) && kind == ALLOC;
    if (due)
        errno = ENOMEM;
    return due;
}

/* ---- what libraries allocate */

#if defined(__has_feature)
#define SANITIZED __has_feature(address_sanitizer) || __has_feature(thread_sanitizer)
#elif defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
#define SANITIZED 1
#else
#define SANITIZED 0
#endif
#if defined(__GLIBC__) && !(SANITIZED)

void *__libc_malloc(size_t size);
void *__libc_calloc(size_t n, size_t size);
void *__libc_realloc(void *old, size_t size);

/* The code of a library that can be told of a shortage, as GLib and fontconfig cannot. */
typedef struct {
    const char *name;
    uintptr_t from, to;
    long *count;
} library;

static library libraries[] = { { "libgsl.", 0, 0, &allocations }, { "libcairo.", 0, 0, &drawn } };

static int place(struct dl_phdr_info *info, size_t size, void *ctx)
{
    (void)size;
    (void)ctx;
    for (size_t i = 0; i < sizeof libraries / sizeof *libraries; i++)
        for (int j = 0; strstr(info->dlpi_name, libraries[i].name) && j < info->dlpi_phnum; j++)
            if (info->dlpi_phdr[j].p_type == PT_LOAD && info->dlpi_phdr[j].p_flags & PF_X) {
                libraries[i].from = info->dlpi_addr + info->dlpi_phdr[j].p_vaddr;
                libraries[i].to = libraries[i].from + info->dlpi_phdr[j].p_memsz;
            }
    return 0;
}

__attribute__((constructor)) static void find(void)
{
    dl_iterate_phdr(place, NULL);
}

static bool starves(const void *caller)
{
    for (size_t i = 0; i < sizeof libraries / sizeof *libraries; i++)
        if ((uintptr_t)caller >= libraries[i].from && (uintptr_t)caller < libraries[i].to) {
            bool due = is_due(libraries[i].count);
            due = due && kind == (libraries[i].count == &drawn ? DRAW : ALLOC);
            if (due)
                errno = ENOMEM;
            return due;
        }
    return false;
}

// NOLINTBEGIN(readability-inconsistent-declaration-parameter-name)
__attribute__((visibility("default"))) void *malloc(size_t size)
{
    return starves(__builtin_return_address(0)) ? NULL : __libc_malloc(size);
}

__attribute__((visibility("default"))) void *calloc(size_t n, size_t size)
{
    return starves(__builtin_return_address(0)) ? NULL : __libc_calloc(n, size);
}

__attribute__((visibility("default"))) void *realloc(void *old, size_t size)
{
    return starves(__builtin_return_address(0)) ? NULL : __libc_realloc(old, size);
}
// NOLINTEND(readability-inconsistent-declaration-parameter-name)

#endif

/* ---- the program's own */

void *__wrap_malloc(size_t size)
{
    return hungry() ? NULL : __real_malloc(size);
}

void *__wrap_calloc(size_t n, size_t size)
{
    return hungry() ? NULL : __real_calloc(n, size);
}

void *__wrap_realloc(void *old, size_t size)
{
    return hungry() ? NULL : __real_realloc(old, size);
}

char *__wrap_strdup(const char *text)
{
    return hungry() ? NULL : __real_strdup(text);
}

char *__wrap_strndup(const char *text, size_t n)
{
    return hungry() ? NULL : __real_strndup(text, n);
}

/* A call that is no write: whether it is to fail. */
static bool fails(void)
{
    if (!is_due(&calls))
        return false;
    if (kind == TERM || kind == KILL)
        raise(kind == TERM ? SIGTERM : SIGKILL);
    errno = EIO;
    return kind == EIO_;
}

static bool is_interrupted(void)
{
    errno = EINTR;
    return kind == EINTR_ && calls % 2;
}

static size_t part_of(size_t n)
{
    return kind == SHORT ? (n + 1) / 2 : n;
}

int __wrap_open(const char *path, int flags, ...)
{
    va_list more;
    va_start(more, flags);
    int mode = flags & O_CREAT ? va_arg(more, int) : 0;
    va_end(more);
    return fails() ? -1 : __real_open(path, flags, mode);
}

ssize_t __wrap_read(int fd, void *to, size_t n)
{
    return fails() || is_interrupted() ? -1 : __real_read(fd, to, part_of(n));
}

ssize_t __wrap_pread(int fd, void *to, size_t n, off_t where)
{
    return fails() || is_interrupted() ? -1 : __real_pread(fd, to, part_of(n), where);
}

ssize_t __wrap_write(int fd, const void *from, size_t n)
{
    static bool full;
    bool due = is_due(&calls);
    if (is_interrupted())
        return -1;
    if (!due)
        return __real_write(fd, from, n);
    errno = kind == FULL ? ENOSPC : EIO;
    if (kind == EIO_ || (kind == FULL && full))
        return -1;
    full = true;
    if (kind != TERM && kind != KILL)
        return __real_write(fd, from, kind == FULL ? (n + 1) / 2 : part_of(n));
    ssize_t done = __real_write(fd, from, (n + 1) / 2);
    raise(kind == TERM ? SIGTERM : SIGKILL);
    return done;
}

int __wrap_fsync(int fd)
{
    return fails() ? -1 : __real_fsync(fd);
}

int __wrap_fdatasync(int fd)
{
    return fails() ? -1 : __real_fdatasync(fd);
}

int __wrap_ftruncate(int fd, off_t size)
{
    return fails() ? -1 : __real_ftruncate(fd, size);
}

int __wrap_rename(const char *from, const char *to)
{
    return fails() ? -1 : __real_rename(from, to);
}

int __wrap_close(int fd)
{
    bool bad = fails(); /* closed it is in any case, as on Linux */
    int rc = __real_close(fd);
    errno = EIO;
    return bad ? -1 : rc;
}

/* CFITSIO's: stands before libc's for all libraries. What it cannot read it gives up on. */
// NOLINTNEXTLINE(readability-inconsistent-declaration-parameter-name)
__attribute__((visibility("default"))) size_t fread(void *to, size_t size, size_t n, FILE *f)
{
    size_t (*real)(void *, size_t, size_t, FILE *);
    *(void **)&real = dlsym(RTLD_NEXT, "fread");
    return fails() ? 0 : real(to, size, n, f);
}
