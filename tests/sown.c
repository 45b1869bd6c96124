/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sown race|unset|past - a fault sown on purpose: threads.sh demands that it is seen. (seeded.c has
 * those of the address sanitizer, under Criterion, which does not start under the thread's.) */
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int shared;

static void *add(void *unused)
{
    for (int i = 0; i < 1000; i++)
        shared++;
    return unused;
}

static int race(void)
{
    pthread_t other;
    if (pthread_create(&other, NULL, add, NULL) != 0)
        return 2;
    add(NULL);
    return pthread_join(other, NULL);
}

int main(int argc, char **argv)
{
    const char *fault = argc > 1 ? argv[1] : "";
    int *volatile p = malloc(4 * sizeof *p);
    if (strcmp(fault, "race") == 0 && race() != 0)
        return 2;
    if (p && strcmp(fault, "unset") == 0 && p[1] == 7)
        puts("seven");
    volatile int past = 4;
    if (p && strcmp(fault, "past") == 0)
        p[past] = 1;
    free(p);
    return shared < 0;
}
