// SPDX-License-Identifier: Apache-2.0
// What part of the sphere a turning head sees, in stereo and lit, from far away. The head turns all the way, so only elevation
// matters: the share of the sphere between two elevations is half the difference of their sines.
#include <math.h>

#include "study/budget_model.h"

#define FAR_M 1e7   // so far that every part of the head is in one place

typedef struct looks { int seen, stereo, lit, useful; } looks;

// A module looks at an elevation with its front, and past 90 degrees over its own top with its back.
static looks module_looks(const lr_model_module *m, double angle_rad)
{
    const double x_m = FAR_M*cos(angle_rad), z_m = FAR_M*sin(angle_rad);
    int cameras = 0, pair = 0, lit = 0;
    for (int c = 0; c < m->def->camera_count; c++) {
        const int inside = lr_model_see(&m->camera[c], x_m, z_m).inside;
        cameras += inside;
        pair += inside && (c == 0 || c == m->partner);
    }
    for (int l = 0; l < m->def->laser_count; l++)
        lit |= lr_model_lit(&m->laser[l], x_m, z_m).inside;
    return (looks){cameras > 0, pair == 2, lit, pair == 2 && lit};
}

static looks sky_looks(const lr_model *model, double elevation_rad)
{
    looks sum = {0, 0, 0, 0};
    for (int m = 0; m < model->module_count; m++) {
        const double pitch_rad = model->module[m].def->pitch_rad;
        const looks front = module_looks(&model->module[m], elevation_rad - pitch_rad);
        const looks back = module_looks(&model->module[m], LR_PI - elevation_rad - pitch_rad);
        sum.seen += front.seen + back.seen;
        sum.stereo += front.stereo + back.stereo;
        sum.lit += front.lit + back.lit;
        sum.useful += front.useful + back.useful;
    }
    return sum;
}

enum { SEEN, STEREO, LIT, USEFUL };
static int any(const lr_model *model, double elevation_rad, int what)
{
    const looks l = sky_looks(model, elevation_rad);
    return (what == SEEN ? l.seen : what == STEREO ? l.stereo : what == LIT ? l.lit : l.useful) > 0;
}

// Between a, where it is `at_a`, and b, where it is not.
static double edge_rad(const lr_model *model, int what, int at_a, double a_rad, double b_rad)
{
    for (int i = 0; i < 24; i++) {
        const double middle = 0.5*(a_rad + b_rad);
        *(any(model, middle, what) == at_a ? &a_rad : &b_rad) = middle;
    }
    return 0.5*(a_rad + b_rad);
}

// Share of the sphere: steps of half a degree, edges halved down. Also the lowest and highest elevation; NaN if none.
static double share(const lr_model *model, int what, double span_rad[2])
{
    const int steps = 360;
    double sum = 0.0, from = -0.5*LR_PI;
    int was = any(model, -0.5*LR_PI + 1e-9, what);
    span_rad[0] = was ? from : (double)NAN;
    span_rad[1] = (double)NAN;
    for (int i = 1; i <= steps; i++) {
        const double e = -0.5*LR_PI + LR_PI*i/steps - (i == steps ? 1e-9 : 0.0);
        const int now = any(model, e, what);
        if (now == was)
            continue;
        const double edge = edge_rad(model, what, was, e - LR_PI/steps, e);
        if (now) {
            from = edge;
            if (isnan(span_rad[0]))
                span_rad[0] = edge;
        } else {
            sum += 0.5*(sin(edge) - sin(from));
            span_rad[1] = edge;
        }
        was = now;
    }
    if (was) {
        sum += 0.5*(1.0 - sin(from));
        span_rad[1] = 0.5*LR_PI;
    }
    return sum;
}

double lr_coverage_useful_share(const lr_model *model)
{
    double span[2];
    return share(model, USEFUL, span);
}

// Solid angle of a rectangular field: 4 asin(sin(a/2) sin(b/2)).
static double field_sr(const double rad[2]) { return 4.0*asin(sin(0.5*rad[0])*sin(0.5*rad[1])); }

void lr_budget_fill_coverage(const lr_model *model, lr_budget_coverage *out)
{
    double span[2], unused[2];
    *out = (lr_budget_coverage){0};
    int fewest = 1000;
    for (int i = 0; i < LR_BUDGET_SKY; i++) {
        const looks l = sky_looks(model, -0.5*LR_PI + LR_PI*(i + 0.5)/LR_BUDGET_SKY);
        out->seen[i] = (unsigned char)l.seen;
        out->stereo[i] = (unsigned char)l.stereo;
        out->lit[i] = (unsigned char)l.lit;
        out->useful[i] = (unsigned char)l.useful;
        if (l.stereo > 1)
            out->overlap_rad += LR_PI/LR_BUDGET_SKY;
        if (l.stereo > 0 && l.stereo < fewest)
            fewest = l.stereo;
        if (l.stereo > out->looks_max)
            out->looks_max = l.stereo;
    }
    out->looks_min = out->looks_max ? fewest : 0;
    out->seen_share = share(model, SEEN, span);
    out->blind_below_rad = isnan(span[0]) ? LR_PI : 0.5*LR_PI + span[0];
    out->blind_above_rad = isnan(span[1]) ? LR_PI : 0.5*LR_PI - span[1];
    out->stereo_share = share(model, STEREO, unused);
    out->lit_share = share(model, LIT, unused);
    out->useful_share = share(model, USEFUL, unused);
    out->narrow_heads = 4.0*LR_PI*out->seen_share/field_sr(model->def->narrow_rad);
}
