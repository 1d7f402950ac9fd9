// SPDX-License-Identifier: Apache-2.0
// Requirements against figures: met, or missed by how much.
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "study/budget_model.h"

__attribute__((format(printf, 7, 8)))
static void add(lr_budget *b, const char *what, double wanted, double reached, const char *unit, int at_least, const char *note, ...)
{
    lr_budget_verdict *v = &b->verdict[b->verdict_count++];
    *v = (lr_budget_verdict){.wanted = wanted, .reached = reached};
    snprintf(v->what, sizeof v->what, "%s", what);
    snprintf(v->unit, sizeof v->unit, "%s", unit);
    va_list args;
    va_start(args, note);
    vsnprintf(v->note, sizeof v->note, note, args);
    va_end(args);
    v->met = at_least ? reached >= wanted : reached <= wanted;   // NaN: missed
    v->margin = (at_least ? reached - wanted : wanted - reached)/wanted;
}

static int compare(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return x < y ? -1 : x > y;
}

enum { NEAR, FAR, NOISE };
// Middle of what the lit stereo rays reach, all modules; share of them that does what is wanted.
static double median(const lr_model *model, const lr_budget *b, int what, double wanted, double at_m, double *share)
{
    double value[LR_MAX_MODULES*LR_BUDGET_RAYS];
    int count = 0, good = 0;
    for (int m = 0; m < b->module_count; m++)
        for (int i = 0; i < LR_BUDGET_RAYS; i++) {
            const lr_budget_ray *r = &b->module[m].ray[i];
            if (!r->stereo || !r->lit)
                continue;
            double v = what == NEAR ? r->reach.near_m : r->reach.far_m;
            if (what == NOISE)
                v = lr_model_look(model, m, r->pixel, at_m, model->def->light).noise_m;
            if (isnan(v))
                v = what == NEAR ? (double)INFINITY : 0.0;
            good += what == FAR ? v >= wanted : v <= wanted;
            value[count++] = v;
        }
    *share = count ? (double)good/count : 0.0;
    if (!count)
        return (double)NAN;
    qsort(value, (size_t)count, sizeof *value, compare);
    return value[count/2];
}

static int usable(const lr_model *model, int module, double pixel, double range_m)
{
    const lr_model_at at = lr_model_look(model, module, pixel, range_m, LR_LIGHT_REQUIRED);
    return at.seen && at.lit && !at.saturated && at.snr >= model->def->snr_min && at.noise_m <= model->def->noise_share_max*range_m;
}

// Most daylight in which the middle of the first module still works at a range: the ambient electrons are scaled.
static double most_lux(const lr_model *model, const lr_budget *b, double range_m)
{
    lr_model *copy = malloc(sizeof *copy);
    if (!copy)
        return (double)NAN;
    const double pixel = b->module[0].ray[b->module[0].middle].pixel, asked = b->lux[LR_LIGHT_REQUIRED];
    double low = 1.0, high = 1e6;
    for (int i = 0; i < 40 && asked > 0.0; i++) {
        const double lux = sqrt(low*high);
        memcpy(copy, model, sizeof *copy);
        for (int c = 0; c < model->module[0].def->camera_count; c++)
            for (int n = 0; n < LR_MODEL_NODES; n++)
                copy->module[0].camera[c].light_e[LR_LIGHT_REQUIRED][n] *= lux/asked;
        *(usable(copy, 0, pixel, range_m) ? &low : &high) = lux;
    }
    free(copy);
    return low > 1.0 ? low : 0.0;
}

static void asked_for(const lr_model *model, lr_budget *b)
{
    const lr_require *r = &b->require;
    const double lux_at_m = isfinite(r->range_m[1]) ? r->range_m[1] : model->def->range_m;
    double share, reached;
    if (isfinite(r->range_m[0])) {
        reached = median(model, b, NEAR, r->range_m[0], 0.0, &share);
        add(b, "nearest range", r->range_m[0], reached, "m", 0, "middle of the lit field; met on %.0f %% of it", 100.0*share);
    }
    if (isfinite(r->range_m[1])) {
        reached = median(model, b, FAR, r->range_m[1], 0.0, &share);
        add(b, "farthest range", r->range_m[1], reached, "m", 1, "middle of the lit field; met on %.0f %% of it", 100.0*share);
    }
    if (isfinite(r->range_noise_m)) {
        reached = median(model, b, NOISE, r->range_noise_m, r->range_noise_at_m, &share);
        add(b, "range noise", 1e3*r->range_noise_m, 1e3*reached, "mm", 0, "at %.3g m; a bound: no matcher reaches it; met on %.0f %%", r->range_noise_at_m, 100.0*share);
    }
    if (isfinite(r->lux) && r->lux > 0.0)
        add(b, "ambient light", r->lux, most_lux(model, b, lux_at_m), "lx", 1, "of daylight, at %.3g m, middle of the first module", lux_at_m);
    if (isfinite(r->rev_per_s))
        add(b, "revolutions a second", r->rev_per_s, model->head->spin.rev_per_s, "1/s", 1, "as the head is set");
}

void lr_budget_fill_verdicts(const lr_model *model, lr_budget *b)
{
    asked_for(model, b);
    if (model->head->link_byte_per_s > 0.0)
        add(b, "link", 1e-6*model->head->link_byte_per_s, 1e-6*b->link.load_byte_per_s[LR_FORM_RAW16], "MB/s", 0, "raw lines, 16 bit; packed needs %.4g MB/s",
            1e-6*b->link.load_byte_per_s[LR_FORM_PACKED]);
    if (model->head->slip_ring_byte_per_s > 0.0)
        add(b, "slip ring, data", 1e-6*model->head->slip_ring_byte_per_s, 1e-6*b->link.load_byte_per_s[LR_FORM_RAW16], "MB/s", 0, "raw lines, 16 bit");
    if (b->link.rated_turns > 0.0)
        add(b, "slip ring, turns of a year", b->link.rated_turns, b->link.turns_per_year, "turns", 0, "2000 hours a year; its rating lasts %.4g hours", b->link.slip_ring_hours);
    if (b->fan_count > 0) {
        add(b, "Class 1, turning", 1.0, b->safety_ratio, "AEL", 0, "emission over limit; an estimate for design only");
        add(b, "Class 1, rotor stalled", 1.0, b->safety_stalled_ratio, "AEL", 0, "single fault; shut the laser off when the rotor stalls");
    }
    if (model->def->scene && isfinite(b->room_m[1])) {
        double share;
        const double reached = median(model, b, FAR, b->room_m[1], 0.0, &share);
        add(b, "reach into the room", b->room_m[1], reached, "m", 1, "its farthest corner, in its light; met on %.0f %% of the field", 100.0*share);
    }
}
