#include "sweep.h"
#include <math.h>
void pl_sweep_colours(pl_sweep_work *w, const pl_sweep_model *m, const double *x)
{
    (void)m;
    (void)x;
    w->s.red_um = w->s.red_sigma_um = w->s.blue_um = w->s.blue_sigma_um = NAN;
}
