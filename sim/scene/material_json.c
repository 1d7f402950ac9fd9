// SPDX-License-Identifier: Apache-2.0
// A material's keys into its def; no optics here. Wavelengths in nm, lengths in mm, angles in degrees become SI.
#include "scene/material_json.h"

#include <assert.h>
#include <stddef.h>
#include <string.h>

#include "scene/scene.h"

#define AT(member) offsetof(lr_material_def, member)

// ---- Texture: a record inside the def -----------------------------------------------------------------------------

typedef struct texture_record { char file[256]; double size_m[2]; } texture_record;
static_assert(sizeof(((lr_material_def *)0)->texture_file) == sizeof(((texture_record *)0)->file)
              && AT(texture_size_m) - AT(texture_file) == offsetof(texture_record, size_m), "the def holds a texture_record");

static void texture_defaults(void *record) { *(texture_record *)record = (texture_record){"", {1.0, 1.0}}; }

static const lr_field texture_fields[] = {
    {.key = "file", .kind = LR_FIELD_TEXT, .offset = offsetof(texture_record, file), .count = 256, .flags = LR_FIELD_REQUIRED,
     .about = "Picture; its lightness scales reflectance. Beside the file that names it."},
    {.key = "size_m", .kind = LR_FIELD_VECTOR, .offset = offsetof(texture_record, size_m), .count = 2, .lo = 0, .hi = 1e6, .flags = LR_FIELD_ABOVE,
     .about = "Size of one repeat, across and up."},
    {.kind = LR_FIELD_END},
};
static const lr_field_set texture_set = {.name = "texture", .size = sizeof(texture_record), .defaults = texture_defaults, .fields = texture_fields};

// ---- Keys -----------------------------------------------------------------------------------------------------------

#define SPECTRUM(KEY, MEMBER, HI, FLAGS, ABOUT) \
    {.key = KEY, .kind = LR_FIELD_TABLE, .offset = AT(MEMBER), .scale = 1e-9, .lo = 0, .hi = HI, .flags = FLAGS, \
     .x_key = "nm", .y_key = "value", .about = ABOUT}
#define REFLECTANCE(ABOUT) SPECTRUM("reflectance", reflectance, 1, 0, ABOUT)
#define INDEX SPECTRUM("index", index_n, 5, 0, "Refractive index; 1.5 unless given.")
#define ABSORPTION SPECTRUM("absorption_per_m", absorption_per_m, 1e6, 0, "Light lost inside: exp(-this times the way).")
#define TEXTURE {.key = "texture", .kind = LR_FIELD_OBJECT, .offset = AT(texture_file), .set = &texture_set, .about = "Picture that scales reflectance."}
#define ROUGHNESS(ABOUT) {.key = "roughness", .kind = LR_FIELD_NUMBER, .offset = AT(roughness), .lo = 0, .hi = 1, .about = ABOUT}

static const lr_field diffuse_fields[] = {REFLECTANCE("Share of light sent back; 0.5 unless given."), TEXTURE, {.kind = LR_FIELD_END}};
static const lr_field rough_fields[] = {
    REFLECTANCE("Share of light sent back, at every angle; 0.5 unless given."),
    ROUGHNESS("Standard deviation of the slopes of small facets [rad]."), TEXTURE, {.kind = LR_FIELD_END},
};
static const lr_field metal_fields[] = {
    SPECTRUM("index", index_n, 100, LR_FIELD_REQUIRED, "Real part n of the refractive index n + ik."),
    SPECTRUM("index_k", index_k, 100, LR_FIELD_REQUIRED, "Imaginary part k."),
    ROUGHNESS("GGX alpha: 0 perfectly smooth, else 0.001 .. 1."),
    {.key = "anisotropy", .kind = LR_FIELD_NUMBER, .offset = AT(anisotropy), .lo = -0.95, .hi = 0.95,
     .about = "Brushed: alpha times 1 + this along the surface's own x, times 1 - this along y."},
    TEXTURE, {.kind = LR_FIELD_END},
};
static const lr_field coated_fields[] = {
    REFLECTANCE("Share of light sent back square on, gloss included: at least ((n-1)/(n+1))^2; 0.5 unless given."),
    SPECTRUM("index", index_n, 3, 0, "Refractive index of the coat, 1 .. 3; 1.5 unless given."),
    ROUGHNESS("GGX alpha of the coat: 0 perfectly smooth, else 0.001 .. 1."), TEXTURE, {.kind = LR_FIELD_END},
};
static const lr_field pane_fields[] = {
    INDEX, ABSORPTION,
    {.key = "thickness_mm", .kind = LR_FIELD_NUMBER, .offset = AT(thickness_m), .scale = 1e-3, .lo = 0, .hi = 1000, .about = "For absorption; 4 unless given."},
    {.kind = LR_FIELD_END},
};
static const lr_field glass_fields[] = {INDEX, ABSORPTION, {.kind = LR_FIELD_END}};
static const lr_field mirror_fields[] = {REFLECTANCE("Share of light sent back; 0.5 unless given."), TEXTURE, {.kind = LR_FIELD_END}};
static const lr_field retro_fields[] = {
    REFLECTANCE("Share of light sent back, lobe and base together; 0.5 unless given."),
    {.key = "retro_share", .kind = LR_FIELD_NUMBER, .offset = AT(retro_share), .lo = 0, .hi = 1, .about = "Share of that in the lobe, square on."},
    {.key = "retro_width_deg", .kind = LR_FIELD_NUMBER, .offset = AT(retro_width_rad), .scale = LR_DEG, .lo = 0.1, .hi = 45,
     .about = "Half width of the lobe at half maximum."},
    TEXTURE, {.kind = LR_FIELD_END},
};

static const lr_variant kinds[] = {
    {"diffuse", diffuse_fields, "Lambert's law: equally bright from everywhere."},
    {"rough_diffuse", rough_fields, "Rough and matt: flatter towards the rim, brighter where light comes from."},
    {"metal", metal_fields, "Metal of small facets, from its refractive index."},
    {"coated", coated_fields, "Clear coat over a diffuse ground: varnish, glaze, plastic."},
    {"pane", pane_fields, "Thin clear sheet; light goes straight through or is mirrored."},
    {"glass", glass_fields, "Solid, smooth and clear; bends light."},
    {"mirror", mirror_fields, "Perfectly smooth mirror."},
    {"retroreflector", retro_fields, "Sends a share of light back to where it came from."},
    {NULL, NULL, NULL},
};

#define NAME_FIELD {.key = "name", .kind = LR_FIELD_TEXT, .offset = AT(name), .count = 64, .about = "For people; the file's name unless given."}
#define SOURCE_FIELD(FLAGS) {.key = "source", .kind = LR_FIELD_TEXT, .offset = AT(source), .count = 256, .flags = FLAGS, \
    .about = "Where the values come from: \"published: ...\" or \"common value, no source\"."}

static const lr_field inline_fields[] = {NAME_FIELD, SOURCE_FIELD(0), {.kind = LR_FIELD_END}};
static const lr_field file_fields[] = {NAME_FIELD, SOURCE_FIELD(LR_FIELD_REQUIRED), {.kind = LR_FIELD_END}};

// ---- Sets -----------------------------------------------------------------------------------------------------------

static void material_defaults(void *record) { *(lr_material_def *)record = lr_material_def_default(); }

// Checks of more than one value. A fault "key: ..." is told at its key.
static lr_status check_material(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_error inner = {""};
    const lr_status s = lr_material_def_check(record, &inner);
    if (s == LR_OK)
        return LR_OK;
    char key[32] = "";
    const size_t length = strcspn(inner.text, ":");
    if (inner.text[length] && length < sizeof key)
        memcpy(key, inner.text, length);
    const lr_node *member = lr_node_get(node, key);
    if (member)
        return lr_json_fault(json, member, err, "%s", inner.text + length + 2);
    return lr_json_fault(json, node, err, "%s", inner.text);
}

static const lr_field_set inline_set = {
    .name = "material", .size = sizeof(lr_material_def), .defaults = material_defaults, .fields = inline_fields, .variant_key = "kind",
    .variant_offset = AT(kind), .variants = kinds, .variant_default = LR_MATERIAL_DIFFUSE, .check = check_material,
};
static const lr_field_set file_set = {
    .name = "material_file", .size = sizeof(lr_material_def), .defaults = material_defaults, .fields = file_fields, .variant_key = "kind",
    .variant_offset = AT(kind), .variants = kinds, .variant_default = -1, .format = "lanternroom-material/1", .check = check_material,
};

const lr_field_set *lr_material_fields(void) { return &inline_set; }
const lr_field_set *lr_material_file_fields(void) { return &file_set; }

void lr_material_schema(lr_text *out)
{
    lr_fields_schema(&file_set, "lanternroom material", NULL, out);
}

// "a/oak.json" -> "oak", as much as fits.
static void name_of_file(const char *path, char *name, size_t capacity)
{
    const char *slash = strrchr(path, '/'), *start = slash ? slash + 1 : path, *dot = strrchr(start, '.');
    size_t length = dot && dot > start ? (size_t)(dot - start) : strlen(start);
    if (length > capacity - 1)
        length = capacity - 1;
    memcpy(name, start, length);
    name[length] = '\0';
}

lr_status lr_material_from_json(const lr_json *json, lr_material_def *out, lr_error *err)
{
    assert(json && out);
    LR_TRY(lr_fields_read(json, lr_json_root(json), &file_set, out, NULL, err));
    if (!out->name[0])
        name_of_file(lr_json_name(json), out->name, sizeof out->name);
    return LR_OK;
}

lr_status lr_material_load(const char *path, lr_material_def *out, lr_error *err)
{
    assert(path && out);
    lr_json *json = NULL;
    LR_TRY(lr_json_load(path, &json, err));
    const lr_status s = lr_material_from_json(json, out, err);
    lr_json_free(json);
    return s;
}
