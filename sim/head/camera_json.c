// SPDX-License-Identifier: Apache-2.0
// The keys of a camera in a head file.
#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "head/camera.h"
#include "head/part_fields.h"
#include "optics/spectrum.h"

#define OPEN LR_FIELD_ABOVE
#define FAR_MM (LR_PLACEMENT_MAX_M*1e3)
#define BEND_DEG (LR_ERROR_MAX_RAD/LR_DEG)
#define QE_MAX_POINTS 100000

// "sensor.offset_dn: 5000 is ..." below modules[0].cameras[0]: follow the keys as far as the file has them.
lr_status lr_part_fault(const lr_json *json, const lr_node *node, const char *text, lr_error *err)
{
    for (;;) {
        char key[64];
        const size_t length = strcspn(text, ".: ");
        if (length == 0 || length >= sizeof key || text[length] == ' ' || lr_node_kind(node) != LR_JSON_OBJECT)
            break;
        memcpy(key, text, length);
        key[length] = '\0';
        const lr_node *member = lr_node_get(node, key);
        if (!member)
            break;
        node = member;
        text += length + 1;
        text += strspn(text, " ");
    }
    return lr_json_fault(json, node, err, "%s", text);
}

// ---- As-built error ---------------------------------------------------------------------------------------------

static_assert(offsetof(lr_placement, error_rotate_rad) == offsetof(lr_placement, error_offset_m) + 3*sizeof(double),
              "the error record is six numbers in a row");

static const lr_field error_fields[] = {
    {.key = "offset_mm", .kind = LR_FIELD_VECTOR, .offset = 0, .count = 3, .scale = 1e-3, .lo = -FAR_MM, .hi = FAR_MM,
     .about = "As built: shift along the part's own nominal axes x (outwards), y, z (up)."},
    {.key = "rotate_deg", .kind = LR_FIELD_VECTOR, .offset = 3*sizeof(double), .count = 3, .scale = LR_DEG, .lo = -BEND_DEG,
     .hi = BEND_DEG, .about = "As built: small turn about the part's own x (roll), then y, then z."},
    {.kind = LR_FIELD_END},
};
const lr_field_set lr_error_fields = {.name = "error", .size = 6*sizeof(double), .fields = error_fields};

// ---- Lens: the lens and what stands behind it in lr_camera_def, blur_px and veiling_share ------------------------

#define LENS(member) (offsetof(lr_camera_def, member) - offsetof(lr_camera_def, lens))

static void lens_defaults(void *record)
{
    const lr_camera_def def = lr_camera_def_default();
    memcpy(record, &def.lens, offsetof(lr_camera_def, filter) - offsetof(lr_camera_def, lens));
}

static const lr_field lens_fields[] = {
    {.key = "projection", .kind = LR_FIELD_CHOICE, .offset = LENS(lens.projection), .choices = lr_projection_names,
     .about = "How the field angle t becomes the distance r from the image centre: f tan t, f t, 2f sin(t/2), 2f tan(t/2), f sin t, "
              "f (t + k1 t^3 + k2 t^5 + k3 t^7 + k4 t^9), or a table."},
    {.key = "focal_mm", .kind = LR_FIELD_NUMBER, .offset = LENS(lens.focal_m), .scale = 1e-3, .lo = 0, .hi = 1000, .flags = OPEN,
     .about = "Focal length."},
    {.key = "f_number", .kind = LR_FIELD_NUMBER, .offset = LENS(lens.f_number), .lo = 0, .hi = 100, .flags = OPEN,
     .about = "Focal length over the diameter of the entrance pupil on the axis."},
    {.key = "transmission", .kind = LR_FIELD_NUMBER, .offset = LENS(lens.transmission), .lo = 0, .hi = 1, .flags = OPEN,
     .about = "Share of the light that the glass lets through, filter not counted."},
    {.key = "coefficients", .kind = LR_FIELD_VECTOR, .offset = LENS(lens.k), .count = 4, .lo = -100, .hi = 100,
     .about = "k1 to k4 of the polynomial projection."},
    {.key = "table", .kind = LR_FIELD_TABLE, .offset = LENS(lens.table), .x_key = "theta_deg", .y_key = "r_mm", .scale = LR_DEG,
     .y_scale = 1e-3, .lo = 0, .hi = 1000, .about = "Measured projection, from 0, 0, both columns rising."},
    {.key = "vignetting", .kind = LR_FIELD_TABLE, .offset = LENS(lens.vignetting), .x_key = "theta_deg", .y_key = "value", .scale = LR_DEG,
     .lo = 0, .hi = 10, .about = "Area of the pupil as seen from the scene, 1 on the axis; cos(theta) unless given."},
    {.key = "theta_max_deg", .kind = LR_FIELD_NUMBER, .offset = LENS(lens.theta_max_rad), .scale = LR_DEG, .lo = 0, .hi = 180,
     .about = "Field angle where the image ends; pixels beyond are dark. 0: as far as the projection goes."},
    {.key = "focus_m", .kind = LR_FIELD_NUMBER, .offset = LENS(lens.focus_m), .lo = 0, .hi = 1e6,
     .about = "Distance in focus, measured along each ray; what is nearer or farther is blurred by the width of the pupil, focal length over f-number. 0: all is in focus."},
    {.key = "blur_px", .kind = LR_FIELD_NUMBER, .offset = LENS(blur_px), .lo = 0, .hi = 100,
     .about = "Blur of the lens: standard deviation of a Gaussian in pixels."},
    {.key = "veiling_share", .kind = LR_FIELD_NUMBER, .offset = LENS(veiling_share), .lo = 0, .hi = 1,
     .about = "Stray light: share of the line's mean that is spread over the line."},
    {.kind = LR_FIELD_END},
};
static const lr_field_set lens_set = {.name = "lens", .size = offsetof(lr_camera_def, filter) - offsetof(lr_camera_def, lens),
                                      .defaults = lens_defaults, .fields = lens_fields};

// ---- Filter -----------------------------------------------------------------------------------------------------

static void filter_defaults(void *record) { *(lr_filter *)record = lr_filter_default(); }

static const lr_field filter_fields[] = {
    {.key = "center_nm", .kind = LR_FIELD_NUMBER, .offset = offsetof(lr_filter, center_m), .scale = 1e-9, .lo = 300, .hi = 1100,
     .about = "Middle of the pass band at normal incidence."},
    {.key = "width_nm", .kind = LR_FIELD_NUMBER, .offset = offsetof(lr_filter, width_m), .scale = 1e-9, .lo = 0, .hi = 1000, .flags = OPEN,
     .about = "Full width at half of the peak."},
    {.key = "peak", .kind = LR_FIELD_NUMBER, .offset = offsetof(lr_filter, peak), .lo = 0, .hi = 1, .flags = OPEN,
     .about = "Highest transmission."},
    {.key = "order", .kind = LR_FIELD_NUMBER, .offset = offsetof(lr_filter, order), .lo = 0.5, .hi = 20,
     .about = "Shape: 1 is Gaussian, 3 has a flat top."},
    {.key = "index", .kind = LR_FIELD_NUMBER, .offset = offsetof(lr_filter, index), .lo = 1, .hi = 5,
     .about = "Effective index: the larger, the less the band moves with the angle of incidence."},
    {.key = "angle_factor", .kind = LR_FIELD_NUMBER, .offset = offsetof(lr_filter, angle_factor), .lo = 0, .hi = 2,
     .about = "Angle at the filter over the field angle: 1 in front of the lens, less behind one that straightens the chief rays."},
    {.kind = LR_FIELD_END},
};
static const lr_field_set filter_set = {.name = "filter", .size = sizeof(lr_filter), .defaults = filter_defaults, .fields = filter_fields};

// ---- Sensor -----------------------------------------------------------------------------------------------------

static lr_status read_qe_list(const lr_json *json, const lr_node *list, double lo, double hi, double *out, lr_error *err)
{
    for (const lr_node *n = lr_node_first(list); n; n = lr_node_next(n)) {
        if (lr_node_kind(n) != LR_JSON_NUMBER)
            return lr_json_fault(json, n, err, "not a number");
        const double value = lr_node_number(n);
        if (!(value >= lo && value <= hi))
            return lr_json_fault(json, n, err, "%.15g is not in [%g, %g]", value, lo, hi);
        *out++ = value;
    }
    return LR_OK;
}

static lr_status read_qe_curve(const lr_json *json, const lr_node *node, lr_table *out, lr_error *err)
{
    static const char *const known[] = {"nm", "value", "comment", NULL};
    for (const lr_node *n = lr_node_first(node); n; n = lr_node_next(n))
        if (strcmp(lr_node_key(n), "nm") != 0 && strcmp(lr_node_key(n), "value") != 0 && strcmp(lr_node_key(n), "comment") != 0) {
            const char *near = lr_nearest_word(lr_node_key(n), known);
            return lr_json_fault(json, n, err, "unknown key%s%s%s", near ? "; did you mean \"" : "", near ? near : "", near ? "\"?" : "");
        }
    const lr_node *nm = lr_node_get(node, "nm"), *value = lr_node_get(node, "value");
    if (!nm || !value || lr_node_kind(nm) != LR_JSON_LIST || lr_node_kind(value) != LR_JSON_LIST)
        return lr_json_fault(json, node, err, "needs the lists \"nm\" and \"value\"");
    const int count = lr_node_count(nm);
    if (count != lr_node_count(value))
        return lr_json_fault(json, node, err, "nm has %d entries, value has %d", count, lr_node_count(value));
    if (count < 2 || count > QE_MAX_POINTS)
        return lr_json_fault(json, node, err, "list of %d numbers where 2 to %d are wanted", count, QE_MAX_POINTS);
    double *x = malloc(2*(size_t)count*sizeof *x);
    if (!x)
        return lr_fail(err, LR_ERR_MEMORY, "%.200s: out of memory", lr_json_name(json));
    double *y = x + count;
    lr_status s = read_qe_list(json, nm, 100, 3000, x, err);
    if (s == LR_OK)
        s = read_qe_list(json, value, 0, 1, y, err);
    for (int i = 0; s == LR_OK && i < count; i++) {
        if (i > 0 && !(x[i]*1e-9 > x[i - 1]))
            s = lr_json_fault(json, nm, err, "%.15g after %.15g: wavelengths must rise", x[i], x[i - 1]*1e9);
        x[i] *= 1e-9;
    }
    lr_error inner = {""};
    if (s == LR_OK && (s = lr_table_create(count, x, y, out, &inner)) != LR_OK)
        s = s == LR_ERR_RANGE ? lr_json_fault(json, node, err, "%s", inner.text) : lr_fail(err, s, "%s", inner.text);
    free(x);
    return s;
}

static lr_status read_qe(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_table fresh = {0};
    double value = 0.0;
    switch (lr_node_kind(node)) {
    case LR_JSON_NUMBER:
        value = lr_node_number(node);
        if (!(value > 0.0 && value <= 1.0))
            return lr_json_fault(json, node, err, "%.15g is not in (0, 1]", value);
        LR_TRY(lr_table_constant(value, &fresh, err));
        break;
    case LR_JSON_TEXT: {
        const lr_curve *curve = lr_qe_find(lr_node_text(node));
        if (!curve) {
            const char *near = lr_nearest_word(lr_node_text(node), lr_qe_names);
            return lr_json_fault(json, node, err, "\"%s\" is not a built-in curve; %s \"%s\"", lr_node_text(node),
                                 near ? "did you mean" : "there is, for example,", near ? near : lr_qe_names[0]);
        }
        LR_TRY(lr_curve_table(curve, &fresh, err));
        break;
    }
    case LR_JSON_OBJECT:
        LR_TRY(read_qe_curve(json, node, &fresh, err));
        fresh.outside_zero = 1;
        break;
    default:
        return lr_json_fault(json, node, err, "not a number, the name of a curve, or {\"nm\": [...], \"value\": [...]}");
    }
    lr_sensor_def *sensor = record;
    lr_table_free(&sensor->quantum_efficiency);
    sensor->quantum_efficiency = fresh;
    return LR_OK;
}

static void sensor_defaults(void *record) { *(lr_sensor_def *)record = lr_camera_def_default().sensor; }
static void sensor_destroy(void *record) { lr_table_free(&((lr_sensor_def *)record)->quantum_efficiency); }

#define SENSOR(member) offsetof(lr_sensor_def, member)

static const lr_field sensor_fields[] = {
    {.key = "pixels", .kind = LR_FIELD_INTEGER, .offset = SENSOR(pixels), .lo = 1, .hi = 65536, .about = "Pixels in the line."},
    {.key = "pitch_um", .kind = LR_FIELD_NUMBER, .offset = SENSOR(pitch_m), .scale = 1e-6, .lo = 0, .hi = 1000, .flags = OPEN,
     .about = "Size of a pixel along the line."},
    {.key = "width_um", .kind = LR_FIELD_NUMBER, .offset = SENSOR(width_m), .scale = 1e-6, .lo = 0, .hi = 10000, .flags = OPEN,
     .about = "Size of a pixel across the line."},
    {.key = "quantum_efficiency", .kind = LR_FIELD_CUSTOM, .read = read_qe,
     .schema = "{\"anyOf\": [{\"type\": \"number\", \"exclusiveMinimum\": 0, \"maximum\": 1}, "
               "{\"enum\": [\"bsi_cmos_6um5\", \"bsi_cmos_9um\", \"fsi_cmos\"]}, "
               "{\"type\": \"object\", \"properties\": {\"nm\": {\"type\": \"array\", \"minItems\": 2, \"items\": {\"type\": \"number\", "
               "\"minimum\": 100, \"maximum\": 3000}}, \"value\": {\"type\": \"array\", \"minItems\": 2, \"items\": {\"type\": \"number\", "
               "\"minimum\": 0, \"maximum\": 1}}, \"comment\": {\"type\": \"string\"}}, \"required\": [\"nm\", \"value\"], "
               "\"additionalProperties\": false}], \"default\": \"" LR_SENSOR_QE_DEFAULT "\"}",
     .about = "Electrons per photon: one number, a built-in curve, or a curve over wavelength (0 outside)."},
    {.key = "full_well_e", .kind = LR_FIELD_NUMBER, .offset = SENSOR(full_well_e), .lo = 0, .hi = 1e9, .flags = OPEN,
     .about = "Most electrons a pixel holds."},
    {.key = "read_noise_e", .kind = LR_FIELD_NUMBER, .offset = SENSOR(read_noise_e), .lo = 0, .hi = 1e6,
     .about = "Temporal dark noise at no exposure, standard deviation in electrons."},
    {.key = "dark_current_e_per_s", .kind = LR_FIELD_NUMBER, .offset = SENSOR(dark_current_e_per_s), .lo = 0, .hi = 1e9,
     .about = "Electrons a second without light."},
    {.key = "bits", .kind = LR_FIELD_INTEGER, .offset = SENSOR(bits), .lo = 8, .hi = 16, .about = "Bits of the converter."},
    {.key = "gain_dn_per_e", .kind = LR_FIELD_NUMBER, .offset = SENSOR(gain_dn_per_e), .lo = 0, .hi = 1e4, .flags = OPEN,
     .about = "System gain K: digital numbers per electron."},
    {.key = "offset_dn", .kind = LR_FIELD_NUMBER, .offset = SENSOR(offset_dn), .lo = 0, .hi = 65535,
     .about = "Digital number of no signal; below the highest value of the converter."},
    {.key = "prnu", .kind = LR_FIELD_NUMBER, .offset = SENSOR(prnu), .lo = 0, .hi = 0.5,
     .about = "Pixel-to-pixel spread of the response, standard deviation as a share of the signal."},
    {.key = "dsnu_e", .kind = LR_FIELD_NUMBER, .offset = SENSOR(dsnu_e), .lo = 0, .hi = 1e6,
     .about = "Pixel-to-pixel spread of the dark value, standard deviation in electrons."},
    {.key = "line_offset_e", .kind = LR_FIELD_NUMBER, .offset = SENSOR(line_offset_e), .lo = 0, .hi = 1e6,
     .about = "Noise common to a whole line, standard deviation in electrons."},
    {.key = "defect_share", .kind = LR_FIELD_NUMBER, .offset = SENSOR(defect_share), .lo = 0, .hi = 0.5,
     .about = "Share of pixels that are stuck, half of them dark, half bright."},
    {.kind = LR_FIELD_END},
};
static const lr_field_set sensor_set = {.name = "sensor", .size = sizeof(lr_sensor_def), .defaults = sensor_defaults,
                                        .fields = sensor_fields, .destroy = sensor_destroy};

// ---- Camera -----------------------------------------------------------------------------------------------------

static void camera_defaults(void *record)
{
    lr_camera_def *def = record;
    *def = lr_camera_def_default();
    def->name[0] = '\0';  // numbered by the module unless given
}

static lr_status check_camera(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_camera_def *def = record;
    lr_error inner = {""};
    lr_status s = lr_camera_def_check(def, &inner);
    if (s == LR_OK && def->name[0] && (s = lr_part_name_check(def->name, &inner)) != LR_OK)
        lr_fail_prefix(&inner, s, "name");
    if (s != LR_OK)
        return lr_part_fault(json, node, inner.text, err);
    def->lens.theta_max_rad = lr_lens_theta_max(&def->lens);  // spares the polynomial a search at every inversion
    return LR_OK;
}

#define CAMERA(member) offsetof(lr_camera_def, member)

static const lr_field camera_fields[] = {
    {.key = "name", .kind = LR_FIELD_TEXT, .offset = CAMERA(name), .count = 64,
     .about = "Becomes a file name: letters, digits, _ and -. \"camera0\", \"camera1\", ... unless given."},
    {.key = "height_mm", .kind = LR_FIELD_NUMBER, .offset = CAMERA(placement.height_m), .scale = 1e-3, .lo = -FAR_MM, .hi = FAR_MM,
     .about = "Of the entrance pupil, along the module's z (up)."},
    {.key = "forward_mm", .kind = LR_FIELD_NUMBER, .offset = CAMERA(placement.forward_m), .scale = 1e-3, .lo = -FAR_MM, .hi = FAR_MM,
     .about = "Of the entrance pupil, along the module's x (outwards)."},
    {.key = "side_mm", .kind = LR_FIELD_NUMBER, .offset = CAMERA(placement.side_m), .scale = 1e-3, .lo = -FAR_MM, .hi = FAR_MM,
     .about = "Of the entrance pupil, along the module's y, out of the line plane."},
    {.key = "pitch_deg", .kind = LR_FIELD_NUMBER, .offset = CAMERA(placement.pitch_rad), .scale = LR_DEG, .lo = -180, .hi = 180,
     .about = "Turn within the line plane; positive looks up."},
    {.key = "error", .kind = LR_FIELD_OBJECT, .offset = CAMERA(placement.error_offset_m), .set = &lr_error_fields,
     .about = "How the camera was really built in."},
    {.key = "lens", .kind = LR_FIELD_OBJECT, .offset = CAMERA(lens), .set = &lens_set, .about = "The lens."},
    {.key = "filter", .kind = LR_FIELD_OBJECT, .offset = CAMERA(filter), .present_offset = CAMERA(filter.present), .set = &filter_set,
     .about = "Band-pass filter; none unless given."},
    {.key = "sensor", .kind = LR_FIELD_OBJECT, .offset = CAMERA(sensor), .set = &sensor_set, .about = "The line of pixels."},
    {.key = "exposure_us", .kind = LR_FIELD_NUMBER, .offset = CAMERA(exposure_s), .scale = 1e-6, .lo = 0, .hi = 1e6, .flags = OPEN,
     .about = "Exposure of a line; at most the line period 1/(rev_per_s lines_per_rev)."},
    {.kind = LR_FIELD_END},
};
const lr_field_set lr_camera_fields = {.name = "camera", .size = sizeof(lr_camera_def), .defaults = camera_defaults,
                                       .fields = camera_fields, .check = check_camera};
