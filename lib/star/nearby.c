/* SPDX-License-Identifier: GPL-3.0-or-later */
/* nearby.c - who lies near a point: numbered items in lists, one for each square of the field. */
#include "star.h"

#include <stdlib.h>

pl_status pl_nearby_new(int width, int height, size_t items, pl_nearby *out, pl_err *err)
{
    pl_nearby nb = { .gx = width / PL_NEARBY_SIDE + 1, .gy = height / PL_NEARBY_SIDE + 1 };
    size_t squares = (size_t)nb.gx * (size_t)nb.gy;
    nb.head = malloc(sizeof *nb.head * squares);
    nb.next = malloc(sizeof *nb.next * (items + 1));
    if (!nb.head || !nb.next) {
        pl_nearby_clear(&nb);
        return pl_fail(err, PL_ENOMEM, "out of memory for %zu neighbours", items);
    }
    for (size_t i = 0; i < squares; i++)
        nb.head[i] = -1;
    *out = nb;
    return PL_OK;
}

void pl_nearby_clear(pl_nearby *nb)
{
    free(nb->head);
    free(nb->next);
    nb->head = nb->next = NULL;
}

static int square(double at, int n)
{
    int i = (int)(at / PL_NEARBY_SIDE);
    return i < 0 ? 0 : i >= n ? n - 1 : i;
}

void pl_nearby_add(pl_nearby *nb, size_t item, double x_px, double y_px)
{
    int64_t *head = &nb->head[square(y_px, nb->gy) * nb->gx + square(x_px, nb->gx)];
    nb->next[item] = *head;
    *head = (int64_t)item;
}

pl_nearby_walk pl_nearby_start(const pl_nearby *nb, double x_px, double y_px)
{
    return (pl_nearby_walk){ nb, square(x_px, nb->gx), square(y_px, nb->gy), -1, -1 };
}

int64_t pl_nearby_next(pl_nearby_walk *w)
{
    if (w->item >= 0)
        w->item = w->nb->next[w->item];
    while (w->item < 0 && ++w->step < 9) {
        int x = w->cx + w->step % 3 - 1, y = w->cy + w->step / 3 - 1;
        if (x >= 0 && y >= 0 && x < w->nb->gx && y < w->nb->gy)
            w->item = w->nb->head[y * w->nb->gx + x];
    }
    return w->item;
}
