// SPDX-License-Identifier: Apache-2.0
// A head file into the defs; no physics here. The keys of cameras and lasers are in camera_json.c and laser_json.c.
#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/file.h"
#include "head/head.h"
#include "head/part_fields.h"

#define OPEN LR_FIELD_ABOVE
#define FAR_MM (LR_PLACEMENT_MAX_M*1e3)
#define BEND_DEG (LR_ERROR_MAX_RAD/LR_DEG)

// ---- Spin -------------------------------------------------------------------------------------------------------

static const char *const directions[] = {"ccw", "cw", NULL};

static void spin_defaults(void *record) { *(lr_spin *)record = lr_spin_default(); }

static lr_status check_spin(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_error inner = {""};
    if (lr_spin_check(record, &inner) != LR_OK)
        return lr_part_fault(json, node, inner.text + strlen("spin."), err);
    return LR_OK;
}

#define SPIN(member) offsetof(lr_spin, member)

static const lr_field spin_fields[] = {
    {.key = "rev_per_s", .kind = LR_FIELD_NUMBER, .offset = SPIN(rev_per_s), .lo = 0, .hi = 1000, .flags = OPEN, .about = "Revolutions a second."},
    {.key = "lines_per_rev", .kind = LR_FIELD_INTEGER, .offset = SPIN(lines_per_rev), .lo = 1, .hi = 1e6, .about = "Lines a camera takes in one revolution."},
    {.key = "revolutions", .kind = LR_FIELD_NUMBER, .offset = SPIN(revolutions), .lo = 0, .hi = 1e6, .flags = OPEN, .about = "Length of a scan."},
    {.key = "direction", .kind = LR_FIELD_CHOICE, .offset = SPIN(clockwise), .choices = directions, .about = "Seen from above (+z)."},
    {.key = "encoder_counts_per_rev", .kind = LR_FIELD_INTEGER, .offset = SPIN(encoder_counts_per_rev), .lo = 0, .hi = 1e9,
     .about = "0: no encoder, angles are exact."},
    {.key = "encoder_jitter_deg", .kind = LR_FIELD_NUMBER, .offset = SPIN(encoder_jitter_rad), .scale = LR_DEG, .lo = 0, .hi = BEND_DEG,
     .about = "Standard deviation of the rotor's true angle about the even turn."},
    {.key = "axis_error_deg", .kind = LR_FIELD_VECTOR, .offset = SPIN(axis_error_rad), .count = 2, .scale = LR_DEG, .lo = -BEND_DEG, .hi = BEND_DEG,
     .about = "As built: tilt of the spin axis about the head's x and y."},
    {.kind = LR_FIELD_END},
};
static const lr_field_set spin_set = {.name = "spin", .size = sizeof(lr_spin), .defaults = spin_defaults, .fields = spin_fields, .check = check_spin};

// ---- Modules ----------------------------------------------------------------------------------------------------

static_assert(offsetof(lr_module_def, error_rotate_rad) == offsetof(lr_module_def, error_offset_m) + 3*sizeof(double),
              "the error record is six numbers in a row");

// Entry `index` of the list under `key`.
static const lr_node *entry_of(const lr_node *object, const char *key, int index)
{
    const lr_node *n = lr_node_first(lr_node_get(object, key));
    while (index-- > 0)
        n = lr_node_next(n);
    return n;
}

// Fills in "camera0" where no name was given, and looks for names given twice.
static lr_status finish_names(const lr_json *json, const lr_node *node, const char *key, char *name, size_t step, int count, lr_error *err)
{
    for (int i = 0; i < count; i++) {
        char *own = name + (size_t)i*step;
        if (!own[0])
            snprintf(own, 64, "%.*s%d", (int)strlen(key) - 1, key, i);
        for (int j = 0; j < i; j++)
            if (strcmp(own, name + (size_t)j*step) == 0)
                return lr_json_fault(json, entry_of(node, key, i), err, "the name \"%s\" is taken by %s[%d]", own, key, j);
    }
    return LR_OK;
}

static lr_status check_module(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_module_def *m = record;
    lr_error inner = {""};
    if (m->name[0] && lr_part_name_check(m->name, &inner) != LR_OK)
        return lr_json_fault(json, lr_node_get(node, "name"), err, "%s", inner.text);
    LR_TRY(finish_names(json, node, "cameras", m->camera->name, sizeof *m->camera, m->camera_count, err));
    return m->laser_count ? finish_names(json, node, "lasers", m->laser->name, sizeof *m->laser, m->laser_count, err) : LR_OK;
}

#define MODULE(member) offsetof(lr_module_def, member)

static const lr_field module_fields[] = {
    {.key = "name", .kind = LR_FIELD_TEXT, .offset = MODULE(name), .count = 64,
     .about = "Becomes a folder name: letters, digits, _ and -. \"module0\", \"module1\", ... unless given."},
    {.key = "azimuth_deg", .kind = LR_FIELD_NUMBER, .offset = MODULE(azimuth_rad), .scale = LR_DEG, .lo = -360, .hi = 360,
     .about = "Where it looks when line 0 is taken, counter-clockwise from the head's +x."},
    {.key = "radius_mm", .kind = LR_FIELD_NUMBER, .offset = MODULE(radius_m), .scale = 1e-3, .lo = -FAR_MM, .hi = FAR_MM,
     .about = "Distance of the module's origin from the spin axis, outwards."},
    {.key = "height_mm", .kind = LR_FIELD_NUMBER, .offset = MODULE(height_m), .scale = 1e-3, .lo = -FAR_MM, .hi = FAR_MM,
     .about = "Of the module's origin, along the spin axis."},
    {.key = "pitch_deg", .kind = LR_FIELD_NUMBER, .offset = MODULE(pitch_rad), .scale = LR_DEG, .lo = -180, .hi = 180,
     .about = "Turn within the plane that holds the spin axis; positive looks up."},
    {.key = "error", .kind = LR_FIELD_OBJECT, .offset = MODULE(error_offset_m), .set = &lr_error_fields,
     .about = "How the module was really built in."},
    {.key = "cameras", .kind = LR_FIELD_LIST, .offset = MODULE(camera), .count_offset = MODULE(camera_count), .set = &lr_camera_fields,
     .count = LR_MAX_CAMERAS, .count_min = 1, .flags = LR_FIELD_REQUIRED, .about = "Line cameras in the module's line plane."},
    {.key = "lasers", .kind = LR_FIELD_LIST, .offset = MODULE(laser), .count_offset = MODULE(laser_count), .set = &lr_laser_fields,
     .count = LR_MAX_LASERS, .about = "Laser projectors in the module's line plane."},
    {.kind = LR_FIELD_END},
};
static const lr_field_set module_set = {.name = "module", .size = sizeof(lr_module_def), .fields = module_fields, .check = check_module};

// ---- Head -------------------------------------------------------------------------------------------------------

typedef struct ring_record { double turns, byte_per_s; } ring_record;
typedef struct link_record { double byte_per_s; ring_record ring; } link_record;   // lies in lr_head from link_byte_per_s on
static_assert(offsetof(lr_head, slip_ring_turns) == offsetof(lr_head, link_byte_per_s) + offsetof(link_record, ring.turns) &&
              offsetof(lr_head, slip_ring_byte_per_s) == offsetof(lr_head, link_byte_per_s) + offsetof(link_record, ring.byte_per_s),
              "the link record is three numbers in a row");

static const lr_field slip_ring_fields[] = {
    {.key = "rated_turns", .kind = LR_FIELD_NUMBER, .offset = offsetof(ring_record, turns), .lo = 0, .hi = 1e12,
     .about = "Turns that the maker promises; 0: not known."},
    {.key = "mbyte_per_s", .kind = LR_FIELD_NUMBER, .offset = offsetof(ring_record, byte_per_s), .scale = 1e6, .lo = 0, .hi = 1e6,
     .about = "What the slip ring carries; 0: no limit."},
    {.kind = LR_FIELD_END},
};
static const lr_field_set slip_ring_set = {.name = "slip_ring", .size = sizeof(ring_record), .fields = slip_ring_fields};

static const lr_field link_fields[] = {
    {.key = "mbyte_per_s", .kind = LR_FIELD_NUMBER, .offset = offsetof(link_record, byte_per_s), .scale = 1e6, .lo = 0, .hi = 1e6,
     .about = "What the data link from the rotor carries; 0: no limit."},
    {.key = "slip_ring", .kind = LR_FIELD_OBJECT, .offset = offsetof(link_record, ring), .set = &slip_ring_set, .about = "How data and power pass to the rotor."},
    {.kind = LR_FIELD_END},
};
static const lr_field_set link_set = {.name = "link", .size = sizeof(link_record), .fields = link_fields};

#define REQUIRE(member) offsetof(lr_require, member)
static_assert(REQUIRE(range_noise_at_m) == REQUIRE(range_noise_m) + sizeof(double), "range_noise_mm_at_m is two numbers in a row");

static void require_defaults(void *record)
{
    const double none = (double)NAN;
    *(lr_require *)record = (lr_require){{none, none}, none, none, none, none};
}

static lr_status check_require(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_require *r = record;
    if (r->range_m[0] >= r->range_m[1])
        return lr_json_fault(json, lr_node_get(node, "range_m"), err, "%.15g to %.15g does not rise", r->range_m[0], r->range_m[1]);
    r->range_noise_m *= 1e-3;  // the one key that holds two units, so the table cannot scale it
    return LR_OK;
}

static const lr_field require_fields[] = {
    {.key = "range_m", .kind = LR_FIELD_VECTOR, .offset = REQUIRE(range_m), .count = 2, .lo = 0, .hi = 1e4, .flags = OPEN,
     .about = "Nearest and furthest range."},
    {.key = "range_noise_mm_at_m", .kind = LR_FIELD_VECTOR, .offset = REQUIRE(range_noise_m), .count = 2, .lo = 0, .hi = 1e4, .flags = OPEN,
     .about = "Range noise (one standard deviation) in mm, and the range in m where it is asked for."},
    {.key = "lux", .kind = LR_FIELD_NUMBER, .offset = REQUIRE(lux), .lo = 0, .hi = 2e5, .about = "Ambient light it must work in."},
    {.key = "rev_per_s", .kind = LR_FIELD_NUMBER, .offset = REQUIRE(rev_per_s), .lo = 0, .hi = 1000, .flags = OPEN,
     .about = "Revolutions a second, at least."},
    {.kind = LR_FIELD_END},
};
static const lr_field_set require_set = {.name = "require", .size = sizeof(lr_require), .defaults = require_defaults,
                                         .fields = require_fields, .check = check_require};

// Rules between parts: exposure against the line period, the number of wavelengths.
static lr_status check_head(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_head *head = record;
    lr_error inner = {""};
    LR_TRY(finish_names(json, node, "modules", head->module->name, sizeof *head->module, head->module_count, err));
    for (int m = 0; m < head->module_count; m++)
        for (int c = 0; c < head->module[m].camera_count; c++) {
            const lr_node *camera = entry_of(entry_of(node, "modules", m), "cameras", c), *key = lr_node_get(camera, "exposure_us");
            if (lr_exposure_check(&head->spin, head->module[m].camera[c].exposure_s, &inner) != LR_OK)
                return lr_json_fault(json, key ? key : camera, err, "%s%s", key ? "" : "exposure_us: ", inner.text);
        }
    if (lr_head_check(head, &inner) != LR_OK)
        return lr_json_fault(json, node, err, "%s", inner.text);
    return LR_OK;
}

static void head_defaults(void *record)
{
    lr_head *head = record;
    strcpy(head->name, "head");
}

#define HEAD(member) offsetof(lr_head, member)

static const lr_field head_fields[] = {
    {.key = "name", .kind = LR_FIELD_TEXT, .offset = HEAD(name), .count = 64, .about = "For people."},
    {.key = "spin", .kind = LR_FIELD_OBJECT, .offset = HEAD(spin), .set = &spin_set, .about = "How the head turns."},
    {.key = "modules", .kind = LR_FIELD_LIST, .offset = HEAD(module), .count_offset = HEAD(module_count), .set = &module_set,
     .count = LR_MAX_MODULES, .count_min = 1, .flags = LR_FIELD_REQUIRED, .about = "Groups of cameras and lasers that share a line plane."},
    {.key = "link", .kind = LR_FIELD_OBJECT, .offset = HEAD(link_byte_per_s), .set = &link_set, .about = "The data link."},
    {.key = "require", .kind = LR_FIELD_OBJECT, .offset = HEAD(require), .set = &require_set, .about = "What the design must reach; budgets are held against it."},
    {.kind = LR_FIELD_END},
};
static const lr_field_set head_set = {.name = "head", .size = sizeof(lr_head), .defaults = head_defaults, .fields = head_fields,
                                      .format = "lanternroom-head/1", .check = check_head};

lr_status lr_head_from_json(const lr_json *json, const char *folder, lr_head **out, lr_error *err)
{
    assert(json && folder && out);
    *out = NULL;
    lr_head *head = calloc(1, sizeof *head);
    if (!head)
        return lr_fail(err, LR_ERR_MEMORY, "%.200s: out of memory", lr_json_name(json));
    lr_status s = lr_fields_read(json, lr_json_root(json), &head_set, head, NULL, err);
    if (s == LR_OK && strlen(folder) >= sizeof head->folder) {
        s = lr_json_fault(json, NULL, err, "the path of its folder is longer than %d bytes", (int)sizeof head->folder - 1);
        lr_fields_free(&head_set, head);
    }
    if (s != LR_OK) {
        free(head);
        return s;
    }
    strcpy(head->folder, folder);
    *out = head;
    return LR_OK;
}

lr_status lr_head_load(const char *path, lr_head **out, lr_error *err)
{
    assert(path && out);
    *out = NULL;
    lr_json *json = NULL;
    LR_TRY(lr_json_load(path, &json, err));
    char folder[LR_PATH_MAX];
    lr_path_folder(folder, path);
    const lr_status s = lr_head_from_json(json, folder, out, err);
    lr_json_free(json);
    return s;
}

void lr_head_destroy(lr_head *head)
{
    if (!head)
        return;
    lr_fields_free(&head_set, head);
    free(head);
}

void lr_head_schema(lr_text *out)
{
    lr_fields_schema(&head_set, "lanternroom head", NULL, out);
}
