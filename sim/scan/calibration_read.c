// SPDX-License-Identifier: Apache-2.0
// Reads calibration.json. Each key stands once, in the tables below. What is there for general vision libraries (model,
// K, D, transforms) follows from the rest: it is held against what it follows from, never used.
#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core/fields.h"
#include "scan/calibration.h"
#include "scan/calibration_derived.h"

#define AGREE 1e-9  // relative: derived numbers that differ more were edited, not rounded

// ---- Reading: derived keys against what they follow from ----

static int agree(double got, double want)
{
    return fabs(got - want) <= AGREE*(1.0 + fabs(want));
}

// A list of `count` numbers equal to `want` but for rounding.
static lr_status match_numbers(const lr_json *json, const lr_node *owner, const char *key, int count, const double *want, lr_error *err)
{
    const lr_node *list = lr_node_get(owner, key);
    if (!list || lr_node_kind(list) != LR_JSON_LIST || lr_node_count(list) != count)
        return lr_json_fault(json, list ? list : owner, err, "\"%s\" is not a list of %d numbers", key, count);
    for (const lr_node *entry = lr_node_first(list); entry; entry = lr_node_next(entry), want++)
        if (lr_node_kind(entry) != LR_JSON_NUMBER || !agree(lr_node_number(entry), *want))
            return lr_json_fault(json, entry, err, "contradicts the other keys, from which %.17g follows", *want);
    return LR_OK;
}

static lr_status match_text(const lr_json *json, const lr_node *owner, const char *key, const char *want, lr_error *err)
{
    const lr_node *text = lr_node_get(owner, key);
    if (!text || lr_node_kind(text) != LR_JSON_TEXT || strcmp(lr_node_text(text), want) != 0)
        return lr_json_fault(json, text ? text : owner, err, "\"%s\" is not \"%s\"", key, want);
    return LR_OK;
}

static lr_status match_number(const lr_json *json, const lr_node *owner, const char *key, double want, lr_error *err)
{
    const lr_node *number = lr_node_get(owner, key);
    if (isnan(want) && number && lr_node_kind(number) == LR_JSON_NULL)
        return LR_OK;
    if (!number || lr_node_kind(number) != LR_JSON_NUMBER || !agree(lr_node_number(number), want))
        return lr_json_fault(json, number ? number : owner, err, "\"%s\" contradicts the other keys, from which %.17g follows", key, want);
    return LR_OK;
}

static lr_status match_matrix(const lr_json *json, const lr_node *owner, const char *key, int known, int rows, int columns,
                              const double *want, lr_error *err)
{
    const lr_node *matrix = lr_node_get(owner, key);
    if (!known && !matrix)
        return LR_OK;
    if (!known)
        return lr_json_fault(json, matrix, err, "a matrix that does not fit the projection");
    if (!matrix || lr_node_kind(matrix) != LR_JSON_OBJECT)
        return lr_json_fault(json, matrix ? matrix : owner, err, "\"%s\" is not a matrix", key);
    LR_TRY(match_text(json, matrix, "type_id", "opencv-matrix", err));
    LR_TRY(match_text(json, matrix, "dt", "d", err));
    LR_TRY(match_number(json, matrix, "rows", rows, err));
    LR_TRY(match_number(json, matrix, "cols", columns, err));
    return match_numbers(json, matrix, "data", rows*columns, want, err);
}

static lr_status match_transform(const lr_json *json, const lr_node *node, const lr_frame *frame, const lr_transform *want, lr_error *err)
{
    if (lr_node_kind(node) != LR_JSON_OBJECT)
        return lr_json_fault(json, node, err, "not a transform");
    LR_TRY(match_text(json, node, "parent", frame->parent, err));
    LR_TRY(match_text(json, node, "child", frame->child, err));
    LR_TRY(match_numbers(json, node, "t_m", 3, (const double[]){want->origin_m.x, want->origin_m.y, want->origin_m.z}, err));
    const lr_quat q = want->rotation;
    const lr_quat n = {-q.x, -q.y, -q.z, -q.w};  // the same rotation
    if (match_numbers(json, node, "q_xyzw", 4, (const double[]){n.x, n.y, n.z, n.w}, NULL) == LR_OK)
        return LR_OK;
    return match_numbers(json, node, "q_xyzw", 4, (const double[]){q.x, q.y, q.z, q.w}, err);
}

static lr_status match_frames(const lr_json *json, const lr_node *node, const lr_frame *frame, lr_error *err)
{
    const lr_node *pose = lr_node_get(node, "pose");
    LR_TRY(match_text(json, pose, "parent", frame->parent, err));
    return match_text(json, pose, "child", frame->child, err);
}

static lr_status match_camera(const lr_json *json, const lr_node *node, const lr_cal_module *module, const lr_cal_camera *camera, lr_error *err)
{
    const lr_frame frame = lr_frame_of(module->name, camera->name, "");
    const lr_vision vision = lr_vision_of(camera);
    LR_TRY(match_frames(json, node, &frame, err));
    LR_TRY(match_text(json, node, "model", vision.model, err));
    LR_TRY(match_number(json, node, "image_width", 1, err));
    LR_TRY(match_number(json, node, "image_height", camera->pixels, err));
    LR_TRY(match_number(json, node, "fov_deg", vision.fov_deg, err));
    LR_TRY(match_matrix(json, node, "K", vision.known, 3, 3, vision.k, err));
    return match_matrix(json, node, "D", vision.known, 1, vision.d_count, vision.d, err);
}

static lr_status match_module(const lr_json *json, const lr_node *node, const lr_cal_module *module, lr_error *err)
{
    const lr_frame frame = lr_frame_of(module->name, NULL, "");
    LR_TRY(match_frames(json, node, &frame, err));
    const lr_node *part = lr_node_first(lr_node_get(node, "cameras"));
    for (int i = 0; i < module->camera_count; i++, part = lr_node_next(part))
        LR_TRY(match_camera(json, part, module, &module->camera[i], err));
    part = lr_node_first(lr_node_get(node, "lasers"));
    for (int i = 0; i < module->laser_count; i++, part = lr_node_next(part)) {
        const lr_frame laser = lr_frame_of(module->name, module->laser[i].name, "");
        LR_TRY(match_frames(json, part, &laser, err));
    }
    return LR_OK;
}

static lr_status match_transforms(const lr_json *json, const lr_node *node, const lr_calibration *calibration, lr_error *err)
{
    int count = 0;
    for (int m = 0; m < calibration->module_count; m++)
        count += 1 + calibration->module[m].camera_count;
    if (lr_node_kind(node) != LR_JSON_LIST || lr_node_count(node) != count)
        return lr_json_fault(json, node, err, "not a list of the %d transforms of modules and cameras", count);
    const lr_node *entry = lr_node_first(node);
    for (int m = 0; m < calibration->module_count; m++) {
        const lr_cal_module *module = &calibration->module[m];
        const lr_frame frame = lr_frame_of(module->name, NULL, "");
        LR_TRY(match_transform(json, entry, &frame, &module->pose, err));
        entry = lr_node_next(entry);
        for (int i = 0; i < module->camera_count; i++, entry = lr_node_next(entry)) {
            const lr_frame optical = lr_frame_of(module->name, module->camera[i].name, "/optical");
            const lr_transform want = lr_optical_in_module(&module->camera[i]);
            LR_TRY(match_transform(json, entry, &optical, &want, err));
        }
    }
    return LR_OK;
}

// ---- Reading: the keys ----

#define AT(type, member) offsetof(type, member)
#define NUMBER(type, name, member) {.key = name, .kind = LR_FIELD_NUMBER, .offset = AT(type, member), .flags = LR_FIELD_REQUIRED}
#define WHOLE(type, name, member) {.key = name, .kind = LR_FIELD_INTEGER, .offset = AT(type, member), .flags = LR_FIELD_REQUIRED}
#define NAME(type) {.key = "name", .kind = LR_FIELD_TEXT, .offset = AT(type, name), .count = 64, .flags = LR_FIELD_REQUIRED}
#define POSE(type) {.key = "pose", .kind = LR_FIELD_OBJECT, .offset = AT(type, pose), .set = &transform_set, .flags = LR_FIELD_REQUIRED}
#define DERIVED(name) {.key = name, .kind = LR_FIELD_CUSTOM, .read = leave_for_later, .schema = "{}", .about = "follows from the other keys"}

// A key that is matched once everything it follows from has been read.
static lr_status leave_for_later(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)json, (void)node, (void)record, (void)context, (void)err;
    return LR_OK;
}

static const lr_field transform_fields[] = {
    DERIVED("parent"), DERIVED("child"),
    {.key = "t_m", .kind = LR_FIELD_VECTOR, .offset = AT(lr_transform, origin_m), .count = 3, .flags = LR_FIELD_REQUIRED},
    {.key = "q_xyzw", .kind = LR_FIELD_VECTOR, .offset = AT(lr_transform, rotation), .count = 4, .flags = LR_FIELD_REQUIRED},
    {.kind = LR_FIELD_END}};
static const lr_field_set transform_set = {.name = "transform", .size = sizeof(lr_transform), .fields = transform_fields};

static void lens_defaults(void *record) { *(lr_lens *)record = lr_lens_default(); }

static const lr_field lens_fields[] = {
    {.key = "projection", .kind = LR_FIELD_CHOICE, .offset = AT(lr_lens, projection), .choices = lr_projection_names, .flags = LR_FIELD_REQUIRED},
    NUMBER(lr_lens, "focal_m", focal_m), NUMBER(lr_lens, "f_number", f_number), NUMBER(lr_lens, "transmission", transmission),
    NUMBER(lr_lens, "focus_m", focus_m), NUMBER(lr_lens, "theta_max_rad", theta_max_rad),
    {.key = "coefficients", .kind = LR_FIELD_VECTOR, .offset = AT(lr_lens, k), .count = 4, .flags = LR_FIELD_REQUIRED},
    {.key = "table", .kind = LR_FIELD_TABLE, .offset = AT(lr_lens, table), .x_key = "theta_rad", .y_key = "r_m"},
    {.key = "vignetting", .kind = LR_FIELD_TABLE, .offset = AT(lr_lens, vignetting), .x_key = "theta_rad", .y_key = "value"},
    {.kind = LR_FIELD_END}};
static const lr_field_set lens_set = {.name = "lens", .size = sizeof(lr_lens), .defaults = lens_defaults, .fields = lens_fields};

static const lr_field camera_fields[] = {
    NAME(lr_cal_camera), POSE(lr_cal_camera),
    {.key = "lens", .kind = LR_FIELD_OBJECT, .offset = AT(lr_cal_camera, lens), .set = &lens_set, .flags = LR_FIELD_REQUIRED},
    WHOLE(lr_cal_camera, "pixels", pixels), NUMBER(lr_cal_camera, "pitch_m", pitch_m), NUMBER(lr_cal_camera, "width_m", width_m),
    NUMBER(lr_cal_camera, "exposure_s", exposure_s), WHOLE(lr_cal_camera, "bits", bits),
    NUMBER(lr_cal_camera, "gain_dn_per_e", gain_dn_per_e), NUMBER(lr_cal_camera, "offset_dn", offset_dn),
    NUMBER(lr_cal_camera, "read_noise_e", read_noise_e), NUMBER(lr_cal_camera, "full_well_e", full_well_e),
    DERIVED("model"), DERIVED("image_width"), DERIVED("image_height"), DERIVED("fov_deg"), DERIVED("K"), DERIVED("D"),
    {.kind = LR_FIELD_END}};
static const lr_field_set camera_set = {.name = "camera", .size = sizeof(lr_cal_camera), .fields = camera_fields};

// A list of numbers. alpha_rad comes first and sets the count.
static lr_status read_dot_list(const lr_json *json, const lr_node *node, lr_cal_dots *dots, double **list, lr_error *err)
{
    const int count = lr_node_kind(node) == LR_JSON_LIST ? lr_node_count(node) : -1;
    if (count < 0)
        return lr_json_fault(json, node, err, "not a list of numbers");
    if (list == &dots->alpha_rad)
        dots->count = count;
    if (count != dots->count)
        return lr_json_fault(json, node, err, "list of %d numbers where alpha_rad has %d", count, dots->count);
    *list = malloc(((size_t)count + 1)*sizeof **list);
    if (!*list)
        return lr_fail(err, LR_ERR_MEMORY, "%.300s: out of memory", lr_json_name(json));
    double *next = *list;
    for (const lr_node *entry = lr_node_first(node); entry; entry = lr_node_next(entry)) {
        if (lr_node_kind(entry) != LR_JSON_NUMBER)
            return lr_json_fault(json, entry, err, "not a number");
        *next++ = lr_node_number(entry);
    }
    return LR_OK;
}

static lr_status read_alpha(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_cal_dots *dots = record;
    return read_dot_list(json, node, dots, &dots->alpha_rad, err);
}

static lr_status read_weight(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_cal_dots *dots = record;
    return read_dot_list(json, node, dots, &dots->weight, err);
}

static void free_dots(void *record)
{
    lr_cal_dots *dots = record;
    free(dots->alpha_rad);
    free(dots->weight);
    dots->alpha_rad = dots->weight = NULL;
    dots->count = 0;
}

static const lr_field dots_fields[] = {
    {.key = "alpha_rad", .kind = LR_FIELD_CUSTOM, .read = read_alpha, .schema = "{\"type\": \"array\"}", .flags = LR_FIELD_REQUIRED},
    {.key = "weight", .kind = LR_FIELD_CUSTOM, .read = read_weight, .schema = "{\"type\": \"array\"}", .flags = LR_FIELD_REQUIRED},
    NUMBER(lr_cal_dots, "size_rad", size_rad), NUMBER(lr_cal_dots, "zero_order", zero_order), NUMBER(lr_cal_dots, "background", background),
    {.key = "profile", .kind = LR_FIELD_TABLE, .offset = AT(lr_cal_dots, profile), .x_key = "alpha_rad", .y_key = "value"},
    {.kind = LR_FIELD_END}};
static const lr_field_set dots_set = {.name = "dots", .size = sizeof(lr_cal_dots), .fields = dots_fields, .destroy = free_dots};

static const lr_field laser_fields[] = {
    NAME(lr_cal_laser), POSE(lr_cal_laser),
    {.key = "mode", .kind = LR_FIELD_CHOICE, .offset = AT(lr_cal_laser, mode), .choices = lr_cal_modes, .flags = LR_FIELD_REQUIRED},
    NUMBER(lr_cal_laser, "wavelength_m", wavelength_m), NUMBER(lr_cal_laser, "power_w", power_w),
    NUMBER(lr_cal_laser, "fan_rad", fan_rad), NUMBER(lr_cal_laser, "flood_rad", flood_rad),
    NUMBER(lr_cal_laser, "thickness_m", thickness_m), NUMBER(lr_cal_laser, "divergence_rad", divergence_rad),
    {.key = "dots", .kind = LR_FIELD_OBJECT, .offset = AT(lr_cal_laser, dots), .set = &dots_set, .flags = LR_FIELD_REQUIRED},
    {.kind = LR_FIELD_END}};
static const lr_field_set laser_set = {.name = "laser", .size = sizeof(lr_cal_laser), .fields = laser_fields};

static const lr_field module_fields[] = {
    NAME(lr_cal_module), POSE(lr_cal_module),
    {.key = "cameras", .kind = LR_FIELD_LIST, .offset = AT(lr_cal_module, camera), .count_offset = AT(lr_cal_module, camera_count),
     .count = LR_CAL_MAX_PARTS, .set = &camera_set, .flags = LR_FIELD_REQUIRED},
    {.key = "lasers", .kind = LR_FIELD_LIST, .offset = AT(lr_cal_module, laser), .count_offset = AT(lr_cal_module, laser_count),
     .count = LR_CAL_MAX_PARTS, .set = &laser_set, .flags = LR_FIELD_REQUIRED},
    {.kind = LR_FIELD_END}};
static const lr_field_set module_set = {.name = "module", .size = sizeof(lr_cal_module), .fields = module_fields};

static const lr_field spin_fields[] = {
    NUMBER(lr_cal_spin, "rev_per_s", rev_per_s), WHOLE(lr_cal_spin, "lines_per_rev", lines_per_rev),
    {.key = "direction", .kind = LR_FIELD_CHOICE, .offset = AT(lr_cal_spin, clockwise), .choices = lr_cal_directions, .flags = LR_FIELD_REQUIRED},
    WHOLE(lr_cal_spin, "encoder_counts_per_rev", encoder_counts_per_rev),
    {.kind = LR_FIELD_END}};
static const lr_field_set spin_set = {.name = "spin", .size = sizeof(lr_cal_spin), .fields = spin_fields};

// Everything has been read: first the rules of a calibration, then what was derived against them.
static lr_status check_all(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    const lr_calibration *calibration = record;
    const lr_status status = lr_calibration_check(calibration, err);
    if (status != LR_OK)
        return lr_fail_prefix(err, status, lr_json_name(json));
    const lr_node *module = lr_node_first(lr_node_get(node, "modules"));
    for (int m = 0; m < calibration->module_count; m++, module = lr_node_next(module))
        LR_TRY(match_module(json, module, &calibration->module[m], err));
    return match_transforms(json, lr_node_get(node, "transforms"), calibration, err);
}

static const lr_field calibration_fields[] = {
    {.key = "head", .kind = LR_FIELD_TEXT, .offset = AT(lr_calibration, head), .count = 64, .flags = LR_FIELD_REQUIRED},
    {.key = "spin", .kind = LR_FIELD_OBJECT, .offset = AT(lr_calibration, spin), .set = &spin_set, .flags = LR_FIELD_REQUIRED},
    {.key = "modules", .kind = LR_FIELD_LIST, .offset = AT(lr_calibration, module), .count_offset = AT(lr_calibration, module_count),
     .count = LR_CAL_MAX_MODULES, .set = &module_set, .flags = LR_FIELD_REQUIRED},
    {.key = "transforms", .kind = LR_FIELD_CUSTOM, .read = leave_for_later, .schema = "{\"type\": \"array\"}", .flags = LR_FIELD_REQUIRED},
    {.kind = LR_FIELD_END}};
static const lr_field_set calibration_set = {.name = "calibration", .size = sizeof(lr_calibration), .fields = calibration_fields,
                                             .format = LR_CALIBRATION_FORMAT, .check = check_all};

// ---- Public ----

void lr_calibration_free(lr_calibration *calibration)
{
    if (!calibration)
        return;
    lr_fields_free(&calibration_set, calibration);
    *calibration = (lr_calibration){0};
}

lr_status lr_calibration_from_json(const lr_json *json, lr_calibration *out, lr_error *err)
{
    assert(json && out);
    const lr_status status = lr_fields_read(json, lr_json_root(json), &calibration_set, out, NULL, err);
    if (status != LR_OK)
        *out = (lr_calibration){0};
    return status;
}

lr_status lr_calibration_load(const char *path, lr_calibration *out, lr_error *err)
{
    assert(path && out);
    *out = (lr_calibration){0};
    lr_json *json = NULL;
    LR_TRY(lr_json_load(path, &json, err));
    const lr_status status = lr_calibration_from_json(json, out, err);
    lr_json_free(json);
    return status;
}
