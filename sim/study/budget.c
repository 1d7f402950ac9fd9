// SPDX-License-Identifier: Apache-2.0
#include "study/budget.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "study/budget_model.h"

#define OFFICE_RANGE_M 3.0

lr_budget_def lr_budget_def_default(void)
{
    return (lr_budget_def){.reflectance = 0.5, .light = -1, .snr_min = 3.0, .noise_share_max = 0.01, .window_px = 15.0,
                           .narrow_rad = {60.0*LR_DEG, 40.0*LR_DEG}};
}

lr_status lr_budget_def_check(const lr_budget_def *d, lr_error *err)
{
    if (!(d->reflectance > 0.0 && d->reflectance <= 1.0))
        return lr_fail(err, LR_ERR_RANGE, "reflectance: %.15g is not in (0, 1]", d->reflectance);
    if (!(d->light >= -1 && d->light < LR_LIGHTS_COUNT))
        return lr_fail(err, LR_ERR_RANGE, "light: %d is not one of the %d known", d->light, LR_LIGHTS_COUNT);
    if (d->light == LR_LIGHT_SCENE && !d->scene)
        return lr_fail(err, LR_ERR_RANGE, "light: \"scene\" asks for a scene");
    if (!(d->range_m == 0.0 || (d->range_m >= LR_BUDGET_NEAREST_M && d->range_m <= LR_BUDGET_FARTHEST_M)))
        return lr_fail(err, LR_ERR_RANGE, "range: %.15g is not in [%g, %g] m", d->range_m, LR_BUDGET_NEAREST_M, LR_BUDGET_FARTHEST_M);
    if (!(d->snr_min > 0.0 && d->snr_min <= 1e6))
        return lr_fail(err, LR_ERR_RANGE, "snr_min: %.15g is not in (0, 1e6]", d->snr_min);
    if (!(d->noise_share_max > 0.0 && d->noise_share_max <= 1.0))
        return lr_fail(err, LR_ERR_RANGE, "noise_share_max: %.15g is not in (0, 1]", d->noise_share_max);
    if (!(d->window_px >= 1.0 && d->window_px <= 1000.0))
        return lr_fail(err, LR_ERR_RANGE, "window_px: %.15g is not in [1, 1000]", d->window_px);
    for (int i = 0; i < 2; i++)
        if (!(d->narrow_rad[i] > 0.0 && d->narrow_rad[i] <= LR_PI))
            return lr_fail(err, LR_ERR_RANGE, "narrow_rad: %.15g is not in (0, pi]", d->narrow_rad[i]);
    return LR_OK;
}

// What was left open: judge by the scene's light, else the required one, else an office; noise where it is asked for.
static lr_budget_def settle(const lr_budget_def *def, const lr_head *head)
{
    lr_budget_def d = *def;
    if (d.light < 0)
        d.light = d.scene ? LR_LIGHT_SCENE : head->require.lux > 0.0 ? LR_LIGHT_REQUIRED : LR_LIGHT_OFFICE;
    if (!(d.range_m > 0.0)) {
        const double asked_m = head->require.range_noise_at_m;
        d.range_m = asked_m > 0.0 ? fmin(fmax(asked_m, LR_BUDGET_NEAREST_M), LR_BUDGET_FARTHEST_M) : OFFICE_RANGE_M;
    }
    return d;
}

static void fill_room(const lr_scene *scene, lr_budget *b)
{
    if (!scene)
        return;
    snprintf(b->scene, sizeof b->scene, "%s", scene->name);
    const lr_box3 room = lr_model_room(scene);
    const lr_vec3 p = scene->head_pose.origin, lo = room.lo, hi = room.hi;
    b->room_m[0] = fmax(0.0, fmin(fmin(fmin(p.x - lo.x, hi.x - p.x), fmin(p.y - lo.y, hi.y - p.y)), fmin(p.z - lo.z, hi.z - p.z)));
    b->room_m[1] = lr_length(lr_v3(fmax(p.x - lo.x, hi.x - p.x), fmax(p.y - lo.y, hi.y - p.y), fmax(p.z - lo.z, hi.z - p.z)));
}

static void fill_modules(const lr_model *model, lr_budget *b)
{
    for (int m = 0; m < b->module_count; m++) {
        const lr_module_def *def = &model->head->module[m];
        lr_budget_module *out = &b->module[m];
        snprintf(out->name, sizeof out->name, "%s", def->name);
        snprintf(out->first, sizeof out->first, "%s", def->camera[0].name);
        if (model->module[m].partner >= 0)
            snprintf(out->partner, sizeof out->partner, "%s", def->camera[model->module[m].partner].name);
        lr_budget_fill_rays(model, m, out);
        lr_budget_fill_curve(model, m, out);
        b->module_azimuth_rad[m] = def->azimuth_rad;
    }
}

static lr_status fill(const lr_model *model, lr_budget *b, lr_error *err)
{
    fill_modules(model, b);
    lr_budget_fill_coverage(model, &b->coverage);
    lr_budget_fill_link(model, b, &b->link);
    const lr_budget_ray *middle = &b->module[0].ray[b->module[0].middle];
    b->coverage.object_rad = 2.0*fmax(middle->along_rad, b->link.azimuth_step_rad*fabs(cos(middle->elevation_rad)));
    b->coverage.patch_rad = model->def->window_px*middle->along_rad;
    LR_TRY(lr_budget_fill_safety(model, b, err));
    lr_budget_fill_verdicts(model, b);
    return lr_budget_fill_advice(model, b, err);
}

lr_status lr_budget_create(const lr_head *head, const lr_budget_def *def, lr_budget **out, lr_error *err)
{
    assert(head && def && out);
    *out = NULL;
    LR_TRY(lr_budget_def_check(def, err));
    lr_budget *b = calloc(1, sizeof *b);
    if (!b)
        return lr_fail(err, LR_ERR_MEMORY, "budget: out of memory");
    b->def = settle(def, head);
    snprintf(b->head, sizeof b->head, "%s", head->name);
    b->require = head->require;
    b->revolutions = head->spin.revolutions;
    fill_room(def->scene, b);
    b->module_count = head->module_count;
    b->module = calloc((size_t)head->module_count, sizeof *b->module);
    lr_model_lights lights = {0};
    lr_model *model = NULL;
    lr_status s = b->module ? lr_model_lights_make(head, def->scene, &lights, err) : lr_fail(err, LR_ERR_MEMORY, "budget: out of memory");
    for (int i = 0; i < LR_LIGHTS_COUNT; i++)
        b->lux[i] = lights.lux[i];
    if (s == LR_OK) s = lr_model_create(head, &b->def, &lights, NULL, LR_MODEL_NODES, -1, &model, err);
    if (s == LR_OK) s = fill(model, b, err);
    lr_model_destroy(model);
    lr_model_lights_free(&lights);
    b->def.scene = NULL;
    if (s == LR_OK)
        *out = b;
    else
        lr_budget_destroy(b);
    return s;
}

void lr_budget_destroy(lr_budget *budget)
{
    if (!budget)
        return;
    free(budget->module);
    free(budget->fan);
    free(budget);
}
