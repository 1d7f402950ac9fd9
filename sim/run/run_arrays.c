// SPDX-License-Identifier: Apache-2.0
#include <stdio.h>
#include <stdlib.h>

#include "run/run_state.h"

static int partner_of(const lr_module_def *module, int camera)
{
    return module->camera_count < 2 ? -1 : camera == 0 ? 1 : 0;
}

static lr_status list_camera(lr_run_state *r, int module, int camera, lr_error *err)
{
    const lr_module_def *m = &r->head->module[module];
    const lr_camera_def *c = &m->camera[camera];
    lr_camera_slot *slot = &r->camera[r->camera_count++];
    *slot = (lr_camera_slot){.module = module, .camera = camera, .partner = partner_of(m, camera), .raw = r->array_count};
    if (c->sensor.pixels > r->most_pixels)
        r->most_pixels = c->sensor.pixels;
    LR_TRY(lr_scan_raw_array(m->name, c->name, r->line_count, c->sensor.pixels, &r->array[r->array_count++], err));
    for (int layer = 0; layer < LR_TRUTH_LAYERS; layer++) {
        slot->layer[layer] = -1;
        if (!lr_truth_has(r->def->truth, (lr_truth_layer)layer))
            continue;
        lr_scan_array *array = &r->array[r->array_count];
        slot->layer[layer] = r->array_count++;
        *array = (lr_scan_array){.info = lr_truth_info((lr_truth_layer)layer, r->line_count, c->sensor.pixels)};
        snprintf(array->unit, sizeof array->unit, "%s", lr_truth_unit((lr_truth_layer)layer));
        snprintf(array->about, sizeof array->about, "%s", lr_truth_about((lr_truth_layer)layer));
        LR_TRY(lr_truth_path(m->name, c->name, (lr_truth_layer)layer, array->path, sizeof array->path, err));
    }
    lr_scan_array *error = &r->array[r->array_count];
    slot->error = r->array_count++;
    *error = (lr_scan_array){.info = lr_truth_error_info(r->line_count),
                             .about = "of lines rendered twice: pixels, those with an error of light below a quarter of the noise, sums of (error/noise)^2"};
    LR_TRY(lr_truth_error_path(m->name, c->name, error->path, sizeof error->path, err));
    LR_TRY(lr_image_create(r->head, module, camera, r->def->seed, &slot->image, err));
    return lr_sensor_create(&c->sensor, c->exposure_s, r->def->seed, module, camera, &slot->sensor, err);
}

static lr_status list_module(lr_run_state *r, int module, lr_error *err)
{
    const lr_module_def *m = &r->head->module[module];
    r->module[module] = (lr_module_slot){r->array_count, -1};
    LR_TRY(lr_scan_lines_array(m->name, r->line_count, &r->array[r->array_count++], err));
    if (r->def->truth != LR_TRUTH_NONE) {
        lr_scan_array *array = &r->array[r->array_count];
        r->module[module].truth_lines = r->array_count++;
        *array = (lr_scan_array){.info = lr_truth_lines_info(r->line_count), .about = "true time and pose of each line at mid-exposure"};
        LR_TRY(lr_truth_lines_path(m->name, array->path, sizeof array->path, err));
    }
    for (int c = 0; c < m->camera_count; c++)
        LR_TRY(list_camera(r, module, c, err));
    return LR_OK;
}

lr_status lr_run_list_arrays(lr_run_state *r, lr_error *err)
{
    int cameras = 0;
    for (int m = 0; m < r->head->module_count; m++)
        cameras += r->head->module[m].camera_count;
    r->camera = calloc((size_t)cameras + 1, sizeof *r->camera);
    r->array = calloc((size_t)(cameras*(2 + LR_TRUTH_LAYERS) + 2*r->head->module_count + 1), sizeof *r->array);
    if (!r->camera || !r->array)
        return lr_fail(err, LR_ERR_MEMORY, "scan: out of memory");
    for (int m = 0; m < r->head->module_count; m++)
        LR_TRY(list_module(r, m, err));
    return LR_OK;
}
