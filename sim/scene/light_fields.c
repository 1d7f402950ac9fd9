// SPDX-License-Identifier: Apache-2.0
// The keys of a scene's lights: sun, sky, lamps.
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "scene/scene_def.h"
#include "scene/scene_fields.h"

#define LIGHT(member) offsetof(lr_light_def, member)
#define END {.kind = LR_FIELD_END}
#define SPECTRUM_MOST 100000  // places in a spectrum of a file

const char *const lr_lamp_shape_names[] = {"rectangle", "disc", "sphere", "cylinder", "capsule", "box", NULL};

// ---- Lamp: size and spectrum ---------------------------------------------------------------------------------------

static lr_status read_size(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_light_def *def = record;
    const int count = lr_node_kind(node) == LR_JSON_LIST ? lr_node_count(node) : 0;
    if (count != 2 && count != 3)
        return lr_json_fault(json, node, err, "this is not a list of 2 numbers (rectangle) or 3 (box)");
    def->size_count = 0;
    for (const lr_node *entry = lr_node_first(node); entry; entry = lr_node_next(entry)) {
        if (lr_node_kind(entry) != LR_JSON_NUMBER)
            return lr_json_fault(json, entry, err, "this is not a number");
        const double value = lr_node_number(entry);
        if (!(value >= LR_SIZE_LEAST_M && value <= LR_SIZE_MOST_M))
            return lr_json_fault(json, entry, err, "%.15g is not in [%.15g, %.15g]", value, LR_SIZE_LEAST_M, LR_SIZE_MOST_M);
        def->size_m[def->size_count++] = value;
    }
    return LR_OK;
}

static lr_status read_lamp_material(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    ((lr_light_def *)record)->material = node;
    if (lr_node_kind(node) != LR_JSON_TEXT && lr_node_kind(node) != LR_JSON_OBJECT)
        return lr_json_fault(json, node, err, "this is not the name of a material or a material");
    return LR_OK;
}

static lr_status find_spectrum(const lr_json *json, const lr_node *node, int *spectrum, lr_error *err)
{
    const char *name = lr_node_text(node);
    for (int i = 0; i < LR_SPECTRUM_COUNT; ++i)
        if (strcmp(name, lr_spectrum_names[i]) == 0) {
            *spectrum = i;
            return LR_OK;
        }
    const char *nearest = lr_nearest_word(name, lr_spectrum_names);
    if (nearest)
        return lr_json_fault(json, node, err, "unknown spectrum \"%.60s\"; did you mean \"%s\"?", name, nearest);
    lr_text list = {0};
    for (int i = 0; i < LR_SPECTRUM_COUNT; ++i)
        lr_text_add(&list, i ? ", %s" : "%s", lr_spectrum_names[i]);
    const lr_status status = lr_json_fault(json, node, err, "unknown spectrum \"%.60s\"; known are %s", name, list.data ? list.data : "");
    lr_text_free(&list);
    return status;
}

static lr_status read_numbers(const lr_json *json, const lr_node *list, double scale, double least, double *out, lr_error *err)
{
    for (const lr_node *entry = lr_node_first(list); entry; entry = lr_node_next(entry)) {
        if (lr_node_kind(entry) != LR_JSON_NUMBER)
            return lr_json_fault(json, entry, err, "this is not a number");
        const double value = lr_node_number(entry);
        if (!(value >= least && value <= 1e9))
            return lr_json_fault(json, entry, err, "%.15g is not in [%.15g, 1000000000]", value, least);
        *out++ = value*scale;
    }
    return LR_OK;
}

static lr_status read_spectrum_lists(const lr_json *json, const lr_node *node, const lr_node *nm, const lr_node *value, lr_table *out, lr_error *err)
{
    const int count = lr_node_count(nm);
    double *x = malloc(2*(size_t)count*sizeof *x);
    if (!x)
        return lr_fail(err, LR_ERR_MEMORY, "%.300s: out of memory", lr_json_name(json));
    lr_status status = read_numbers(json, nm, LR_NM, 1.0, x, err);
    if (status == LR_OK)
        status = read_numbers(json, value, 1.0, 0.0, x + count, err);
    for (int i = 1; status == LR_OK && i < count; ++i)
        if (!(x[i] > x[i - 1]))
            status = lr_json_fault(json, lr_scene_entry(node, "nm", i), err, "%.15g does not rise above the entry before", x[i]/LR_NM);
    double sum = 0.0;
    for (int i = 0; i < count; ++i)
        sum += x[count + i];
    if (status == LR_OK && !(sum > 0.0))
        status = lr_json_fault(json, value, err, "no value is above 0");
    if (status == LR_OK)
        status = lr_table_create(count, x, x + count, out, err);
    free(x);
    return status;
}

static lr_status read_spectrum(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_light_def *def = record;
    def->has_spectrum = 1;
    if (lr_node_kind(node) == LR_JSON_TEXT)
        return find_spectrum(json, node, &def->spectrum, err);
    if (lr_node_kind(node) != LR_JSON_OBJECT)
        return lr_json_fault(json, node, err, "this is not the name of a spectrum or {\"nm\": [...], \"value\": [...]}");
    for (const lr_node *m = lr_node_first(node); m; m = lr_node_next(m))
        if (strcmp(lr_node_key(m), "nm") != 0 && strcmp(lr_node_key(m), "value") != 0 && strcmp(lr_node_key(m), "comment") != 0)
            return lr_json_fault(json, m, err, "unknown key \"%.60s\"", lr_node_key(m));
    const lr_node *list[2] = {lr_node_get(node, "nm"), lr_node_get(node, "value")};
    for (int i = 0; i < 2; ++i)
        if (!list[i] || lr_node_kind(list[i]) != LR_JSON_LIST || lr_node_count(list[i]) < 2 || lr_node_count(list[i]) > SPECTRUM_MOST)
            return lr_json_fault(json, list[i] ? list[i] : node, err, "\"%s\" is not a list of 2 to %d numbers", i ? "value" : "nm", SPECTRUM_MOST);
    if (lr_node_count(list[0]) != lr_node_count(list[1]))
        return lr_json_fault(json, node, err, "nm has %d entries, value has %d", lr_node_count(list[0]), lr_node_count(list[1]));
    lr_table_free(&def->table);
    LR_TRY(read_spectrum_lists(json, node, list[0], list[1], &def->table, err));
    def->table.outside_zero = 1;
    return LR_OK;
}

// Which keys of size a lamp's shape takes, and which of them it needs.
enum { TAKES_SIZE = 1, TAKES_RADIUS = 2, TAKES_HEIGHT = 4, TAKES_HOLE = 8 };
static const struct { int needs, takes, size_count; } lamp_sizes[] = {
    [LR_LAMP_RECTANGLE] = {TAKES_SIZE, TAKES_SIZE, 2},
    [LR_LAMP_DISC] = {TAKES_RADIUS, TAKES_RADIUS | TAKES_HOLE, 0},
    [LR_LAMP_SPHERE] = {TAKES_RADIUS, TAKES_RADIUS, 0},
    [LR_LAMP_CYLINDER] = {TAKES_RADIUS | TAKES_HEIGHT, TAKES_RADIUS | TAKES_HEIGHT, 0},
    [LR_LAMP_CAPSULE] = {TAKES_RADIUS | TAKES_HEIGHT, TAKES_RADIUS | TAKES_HEIGHT, 0},
    [LR_LAMP_BOX] = {TAKES_SIZE, TAKES_SIZE, 3},
};

static lr_status check_lamp_size(const lr_json *json, const lr_node *node, const lr_light_def *def, lr_error *err)
{
    const char *const key[] = {"size_m", "radius_m", "height_m", "hole_m"};
    const int given[] = {def->size_count > 0, def->has_radius, def->has_height, def->has_hole};
    const char *shape = lr_lamp_shape_names[def->shape];
    for (int i = 0; i < 4; ++i) {
        if (given[i] && !(lamp_sizes[def->shape].takes & (1 << i)))
            return lr_json_fault(json, lr_node_get(node, key[i]), err, "\"%s\" does not go with shape \"%s\"", key[i], shape);
        if (!given[i] && (lamp_sizes[def->shape].needs & (1 << i)))
            return lr_json_fault(json, node, err, "missing key \"%s\"", key[i]);
    }
    if (def->size_count > 0 && def->size_count != lamp_sizes[def->shape].size_count)
        return lr_json_fault(json, lr_node_get(node, "size_m"), err, "list of %d numbers where %d are wanted", def->size_count, lamp_sizes[def->shape].size_count);
    if (lr_lamp_is_curved(def->shape)) {
        lr_error inner = {""};
        const lr_curved curved = lr_light_def_curved(def);
        if (lr_curved_check(&curved, &inner) != LR_OK)
            return lr_scene_fault(json, node, inner.text, err);
    }
    if (def->two_sided && def->shape != LR_LAMP_RECTANGLE && def->shape != LR_LAMP_DISC)
        return lr_json_fault(json, lr_node_get(node, "two_sided"), err, "\"two_sided\" does not go with shape \"%s\"", shape);
    return LR_OK;
}

static lr_status check_lamp(const lr_json *json, const lr_node *node, lr_light_def *def, lr_error *err)
{
    if (!def->name[0])
        snprintf(def->name, sizeof def->name, "lamp");
    LR_TRY(check_lamp_size(json, node, def, err));
    const int strengths = def->has_lumens + def->has_watts + def->has_flat;
    if (strengths != 1)
        return lr_json_fault(json, node, err, "%d of \"lumens\", \"watts\", \"flat_w_per_nm\" are given, not one", strengths);
    if (def->has_flat && def->has_spectrum && (def->table.count > 0 || def->spectrum != LR_SPECTRUM_FLAT))
        return lr_json_fault(json, lr_node_get(node, "spectrum"), err, "this does not go with \"flat_w_per_nm\"");
    if (!def->has_flat && !def->has_spectrum)
        return lr_json_fault(json, node, err, "missing key \"spectrum\"");
    return LR_OK;
}

// ---- Sun and sky ---------------------------------------------------------------------------------------------------

static lr_status check_sun(const lr_json *json, const lr_node *node, lr_light_def *def, lr_error *err)
{
    const int angles = def->has_elevation + def->has_azimuth, place = def->has_latitude + def->has_longitude + def->has_time;
    if (angles > 0 && place > 0)
        return lr_json_fault(json, node, err, "both place and time and angles are given, not one of them");
    if (angles != 2 && place != 3)
        return lr_json_fault(json, node, err, "missing keys: \"elevation_deg\" and \"azimuth_deg\", or \"latitude_deg\", \"longitude_deg\" and \"time_utc\"");
    lr_error inner = {""};
    lr_utc utc;
    lr_sun sun;
    if (place == 3) {
        lr_status status = lr_utc_parse(def->time_utc, &utc, &inner);
        if (status == LR_OK) {
            lr_place at = lr_place_default();
            at.latitude_rad = def->latitude_rad;
            at.longitude_rad = def->longitude_rad;
            status = lr_sun_position(&utc, &at, &sun, &inner);
        }
        if (status != LR_OK)
            return lr_json_fault(json, lr_node_get(node, "time_utc"), err, "%s", inner.text);
    }
    return lr_air_check(&def->air, &inner) == LR_OK ? LR_OK : lr_json_fault(json, node, err, "%s", inner.text);
}

static lr_status check_light(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_light_def *def = record;
    def->node = node;
    switch (def->kind) {
    case LR_LIGHT_SUN: return check_sun(json, node, def, err);
    case LR_LIGHT_LAMP: return check_lamp(json, node, def, err);
    default: return LR_OK;
    }
}

static void light_defaults(void *record)
{
    lr_light_def *def = record;
    def->scale = 1.0;
    def->air = lr_air_default();
    def->type = 12;
    def->source = -1;
}

static void light_destroy(void *record) { lr_table_free(&((lr_light_def *)record)->table); }

// ---- Tables --------------------------------------------------------------------------------------------------------

#define STRENGTH {.key = "scale", .kind = LR_FIELD_NUMBER, .offset = LIGHT(scale), .lo = 0, .hi = 1e6, .about = "Times as strong; 0 turns it off."}
#define ANGLE(word, member, present, lo_, hi_, text) {.key = word, .kind = LR_FIELD_NUMBER, .offset = LIGHT(member), .present_offset = LIGHT(present), .scale = LR_DEG, \
                                                      .lo = lo_, .hi = hi_, .about = text}
#define AIR(word, member, scale_, lo_, hi_, text) {.key = word, .kind = LR_FIELD_NUMBER, .offset = LIGHT(air.member), .scale = scale_, .lo = lo_, .hi = hi_, .about = text}

static const lr_field sun_keys[] = {
    ANGLE("latitude_deg", latitude_rad, has_latitude, -90, 90, "North positive."),
    ANGLE("longitude_deg", longitude_rad, has_longitude, -180, 180, "East positive."),
    {.key = "time_utc", .kind = LR_FIELD_TEXT, .offset = LIGHT(time_utc), .present_offset = LIGHT(has_time), .count = 48, .about = "\"2026-06-21T10:00:00Z\""},
    ANGLE("elevation_deg", elevation_rad, has_elevation, -90, 90, "With azimuth_deg, instead of place and time."),
    ANGLE("azimuth_deg", azimuth_rad, has_azimuth, -360, 360, "Clockwise from north (+y)."),
    AIR("water_cm", water_cm, 0, 0, 20, "Precipitable water."), AIR("ozone_atm_cm", ozone_atm_cm, 0, 0, 2, NULL),
    AIR("aerosol", aerosol, 0, 0, 5, "Optical depth at 500 nm."), AIR("pressure_hpa", pressure_pa, 100, 100, 1100, NULL),
    AIR("albedo", albedo, 0, 0, 1, "Of the ground."), STRENGTH, END};
static const lr_field sky_keys[] = {
    {.key = "type", .kind = LR_FIELD_INTEGER, .offset = LIGHT(type), .lo = 1, .hi = LR_SKY_TYPES, .about = "CIE general sky: 1 overcast, 12 clear."},
    {.key = "lux", .kind = LR_FIELD_NUMBER, .offset = LIGHT(lux), .present_offset = LIGHT(has_lux), .lo = 0, .hi = 1e6,
     .about = "Illuminance of level ground, with the spectrum of daylight; default: the clear sky of the sun's place."}, STRENGTH, END};

#define LAMP_LENGTH(word, member, present) {.key = word, .kind = LR_FIELD_NUMBER, .offset = LIGHT(member), .present_offset = LIGHT(present), .lo = LR_SIZE_LEAST_M, .hi = LR_SIZE_MOST_M}
#define POWER(word, member, present, scale_, text) {.key = word, .kind = LR_FIELD_NUMBER, .offset = LIGHT(member), .present_offset = LIGHT(present), .scale = scale_, .lo = 0, .hi = 1e9, .about = text}
static const lr_field lamp_keys[] = {
    {.key = "name", .kind = LR_FIELD_TEXT, .offset = LIGHT(name), .count = 64},
    {.key = "shape", .kind = LR_FIELD_CHOICE, .offset = LIGHT(shape), .choices = lr_lamp_shape_names, .flags = LR_FIELD_REQUIRED, .about = "Rectangle and disc shine to their +z, closed shapes all around."},
    {.key = "size_m", .kind = LR_FIELD_CUSTOM, .read = read_size, .schema = "{\"type\": \"array\", \"items\": {\"type\": \"number\", \"minimum\": 1e-6}, \"minItems\": 2, \"maxItems\": 3}"},
    LAMP_LENGTH("radius_m", radius_m, has_radius), LAMP_LENGTH("hole_m", hole_m, has_hole), LAMP_LENGTH("height_m", height_m, has_height),
    {.key = "center_m", .kind = LR_FIELD_VECTOR, .offset = LIGHT(center_m), .count = 3, .lo = -LR_FAR_M, .hi = LR_FAR_M},
    {.key = "rotate_deg", .kind = LR_FIELD_VECTOR, .offset = LIGHT(rotate_rad), .count = 3, .scale = LR_DEG, .lo = -LR_TURN_DEG, .hi = LR_TURN_DEG},
    POWER("lumens", lumens, has_lumens, 0, "Luminous flux of the whole lamp."), POWER("watts", watts, has_watts, 0, "Radiant flux of the whole lamp, all wavelengths."),
    POWER("flat_w_per_nm", flat_w_per_m, has_flat, 1e9, "Radiant flux per nanometre, the same from 300 to 1100 nm."),
    {.key = "spectrum", .kind = LR_FIELD_CUSTOM, .read = read_spectrum, .about = "Built-in name, or relative values over wavelength.",
     .schema = "{\"anyOf\": [{\"enum\": [\"flat\", \"incandescent\", \"halogen\", \"fluorescent\", \"fluorescent_broad\", \"led_2700k\", \"led_4000k\", \"daylight\"]}, "
               "{\"type\": \"object\", \"properties\": {\"nm\": {\"type\": \"array\", \"items\": {\"type\": \"number\"}, \"minItems\": 2}, "
               "\"value\": {\"type\": \"array\", \"items\": {\"type\": \"number\", \"minimum\": 0}, \"minItems\": 2}, \"comment\": {\"type\": \"string\"}}, "
               "\"required\": [\"nm\", \"value\"], \"additionalProperties\": false}]}"},
    {.key = "two_sided", .kind = LR_FIELD_BOOL, .offset = LIGHT(two_sided), .about = "Rectangle, disc: shines to both sides."},
    {.key = "material", .kind = LR_FIELD_CUSTOM, .read = read_lamp_material, .schema = LR_MATERIAL_SCHEMA, .about = "Of the lamp's body; default black."}, END};

static const lr_field light_fields[] = {END};
const lr_variant lr_light_variants[] = {{"sun", sun_keys, NULL}, {"sky", sky_keys, NULL}, {"lamp", lamp_keys, NULL}, {NULL, NULL, NULL}};
const lr_field_set lr_light_fields = {.name = "light", .size = sizeof(lr_light_def), .defaults = light_defaults, .fields = light_fields, .variant_key = "kind",
                                      .variant_offset = LIGHT(kind), .variants = lr_light_variants, .variant_default = -1, .check = check_light, .destroy = light_destroy};

int lr_lamp_is_curved(int lamp_shape) { return lamp_shape != LR_LAMP_RECTANGLE && lamp_shape != LR_LAMP_BOX; }

lr_curved lr_light_def_curved(const lr_light_def *def)
{
    static const lr_curved_kind kinds[] = {[LR_LAMP_DISC] = LR_CURVED_DISC, [LR_LAMP_SPHERE] = LR_CURVED_SPHERE,
                                           [LR_LAMP_CYLINDER] = LR_CURVED_CYLINDER, [LR_LAMP_CAPSULE] = LR_CURVED_CAPSULE};
    return (lr_curved){kinds[def->shape], def->radius_m, def->hole_m, def->height_m, 0};
}
