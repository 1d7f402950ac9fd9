// SPDX-License-Identifier: Apache-2.0
// calibration.json as text: numbers in SI, the shortest that read back to the same double.
#include <assert.h>

#include "scan/calibration.h"
#include "scan/calibration_derived.h"

static void write_numbers(lr_text *out, int count, const double *value)
{
    lr_text_add(out, "[");
    for (int i = 0; i < count; i++) {
        if (i)
            lr_text_add(out, ", ");
        lr_text_number(out, value[i]);
    }
    lr_text_add(out, "]");
}

static void write_member(lr_text *out, const char *key, double value)
{
    lr_text_add(out, ", \"%s\": ", key);
    lr_text_number(out, value);
}

static void write_transform(lr_text *out, const lr_frame *frame, const lr_transform *t)
{
    lr_text_add(out, "{\"parent\": \"%s\", \"child\": \"%s\", \"t_m\": ", frame->parent, frame->child);
    write_numbers(out, 3, (const double[]){t->origin_m.x, t->origin_m.y, t->origin_m.z});
    lr_text_add(out, ", \"q_xyzw\": ");
    write_numbers(out, 4, (const double[]){t->rotation.x, t->rotation.y, t->rotation.z, t->rotation.w});
    lr_text_add(out, "}");
}

static void write_table(lr_text *out, const char *key, const char *x_key, const char *y_key, const lr_table *table)
{
    if (table->count == 0)
        return;
    if (table->count == 1) {
        write_member(out, key, table->y[0]);
        return;
    }
    lr_text_add(out, ", \"%s\": {\"%s\": ", key, x_key);
    write_numbers(out, table->count, table->x);
    lr_text_add(out, ", \"%s\": ", y_key);
    write_numbers(out, table->count, table->y);
    lr_text_add(out, "}");
}

static void write_lens(lr_text *out, const lr_lens *lens)
{
    lr_text_add(out, "{\"projection\": \"%s\"", lr_projection_names[lens->projection]);
    write_member(out, "focal_m", lens->focal_m);
    write_member(out, "f_number", lens->f_number);
    write_member(out, "transmission", lens->transmission);
    write_member(out, "focus_m", lens->focus_m);
    write_member(out, "theta_max_rad", lens->theta_max_rad);
    lr_text_add(out, ", \"coefficients\": ");
    write_numbers(out, 4, lens->k);
    write_table(out, "table", "theta_rad", "r_m", &lens->table);
    write_table(out, "vignetting", "theta_rad", "value", &lens->vignetting);
    lr_text_add(out, "}");
}

static void write_matrix(lr_text *out, const char *key, int rows, int columns, const double *value)
{
    lr_text_add(out, ",\n          \"%s\": {\"type_id\": \"opencv-matrix\", \"rows\": %d, \"cols\": %d, \"dt\": \"d\", \"data\": ", key, rows, columns);
    write_numbers(out, rows*columns, value);
    lr_text_add(out, "}");
}

static void write_camera(lr_text *out, const char *module, const lr_cal_camera *camera)
{
    const lr_frame frame = lr_frame_of(module, camera->name, "");
    const lr_vision vision = lr_vision_of(camera);
    lr_text_add(out, "        {\"name\": \"%s\",\n          \"pose\": ", camera->name);
    write_transform(out, &frame, &camera->pose);
    lr_text_add(out, ",\n          \"lens\": ");
    write_lens(out, &camera->lens);
    lr_text_add(out, ",\n          \"pixels\": %d", camera->pixels);
    write_member(out, "pitch_m", camera->pitch_m);
    write_member(out, "width_m", camera->width_m);
    write_member(out, "exposure_s", camera->exposure_s);
    lr_text_add(out, ",\n          \"bits\": %d", camera->bits);
    write_member(out, "gain_dn_per_e", camera->gain_dn_per_e);
    write_member(out, "offset_dn", camera->offset_dn);
    write_member(out, "read_noise_e", camera->read_noise_e);
    write_member(out, "full_well_e", camera->full_well_e);
    lr_text_add(out, ",\n          \"model\": \"%s\", \"image_width\": 1, \"image_height\": %d", vision.model, camera->pixels);
    write_member(out, "fov_deg", vision.fov_deg);
    if (vision.known) {
        write_matrix(out, "K", 3, 3, vision.k);
        write_matrix(out, "D", 1, vision.d_count, vision.d);
    }
    lr_text_add(out, "}");
}

static void write_laser(lr_text *out, const char *module, const lr_cal_laser *laser)
{
    const lr_frame frame = lr_frame_of(module, laser->name, "");
    lr_text_add(out, "        {\"name\": \"%s\",\n          \"pose\": ", laser->name);
    write_transform(out, &frame, &laser->pose);
    lr_text_add(out, ",\n          \"mode\": \"%s\"", lr_cal_modes[laser->mode]);
    write_member(out, "wavelength_m", laser->wavelength_m);
    write_member(out, "power_w", laser->power_w);
    write_member(out, "fan_rad", laser->fan_rad);
    write_member(out, "flood_rad", laser->flood_rad);
    write_member(out, "thickness_m", laser->thickness_m);
    write_member(out, "divergence_rad", laser->divergence_rad);
    lr_text_add(out, ",\n          \"dots\": {\"size_rad\": ");
    lr_text_number(out, laser->dots.size_rad);
    write_member(out, "zero_order", laser->dots.zero_order);
    write_member(out, "background", laser->dots.background);
    write_table(out, "profile", "alpha_rad", "value", &laser->dots.profile);
    lr_text_add(out, ",\n            \"alpha_rad\": ");
    write_numbers(out, laser->dots.count, laser->dots.alpha_rad);
    lr_text_add(out, ",\n            \"weight\": ");
    write_numbers(out, laser->dots.count, laser->dots.weight);
    lr_text_add(out, "}}");
}

static void write_module(lr_text *out, const lr_cal_module *module)
{
    const lr_frame frame = lr_frame_of(module->name, NULL, "");
    lr_text_add(out, "    {\"name\": \"%s\",\n      \"pose\": ", module->name);
    write_transform(out, &frame, &module->pose);
    lr_text_add(out, ",\n      \"cameras\": [");
    for (int i = 0; i < module->camera_count; i++) {
        lr_text_add(out, i ? ",\n" : "\n");
        write_camera(out, module->name, &module->camera[i]);
    }
    lr_text_add(out, "],\n      \"lasers\": [");
    for (int i = 0; i < module->laser_count; i++) {
        lr_text_add(out, i ? ",\n" : "\n");
        write_laser(out, module->name, &module->laser[i]);
    }
    lr_text_add(out, "]}");
}

static void write_transforms(lr_text *out, const lr_calibration *calibration)
{
    for (int m = 0; m < calibration->module_count; m++) {
        const lr_cal_module *module = &calibration->module[m];
        const lr_frame frame = lr_frame_of(module->name, NULL, "");
        lr_text_add(out, m ? ",\n    " : "\n    ");
        write_transform(out, &frame, &module->pose);
        for (int i = 0; i < module->camera_count; i++) {
            const lr_frame optical = lr_frame_of(module->name, module->camera[i].name, "/optical");
            const lr_transform transform = lr_optical_in_module(&module->camera[i]);
            lr_text_add(out, ",\n    ");
            write_transform(out, &optical, &transform);
        }
    }
}

lr_status lr_calibration_write(const lr_calibration *calibration, lr_text *out, lr_error *err)
{
    assert(calibration && out);
    LR_TRY(lr_calibration_check(calibration, err));
    const lr_cal_spin *spin = &calibration->spin;
    lr_text_add(out, "{\"format\": \"%s\",\n  \"head\": ", LR_CALIBRATION_FORMAT);
    lr_text_quote(out, calibration->head);
    lr_text_add(out, ",\n  \"spin\": {\"rev_per_s\": ");
    lr_text_number(out, spin->rev_per_s);
    lr_text_add(out, ", \"lines_per_rev\": %d, \"direction\": \"%s\", \"encoder_counts_per_rev\": %d},\n  \"modules\": [",
                spin->lines_per_rev, lr_cal_directions[spin->clockwise != 0], spin->encoder_counts_per_rev);
    for (int m = 0; m < calibration->module_count; m++) {
        lr_text_add(out, m ? ",\n" : "\n");
        write_module(out, &calibration->module[m]);
    }
    lr_text_add(out, "],\n  \"transforms\": [");
    write_transforms(out, calibration);
    lr_text_add(out, "]}\n");
    if (out->failed) {
        lr_text_free(out);
        return lr_fail(err, LR_ERR_MEMORY, "calibration: out of memory");
    }
    return LR_OK;
}
