// SPDX-License-Identifier: Apache-2.0
// The keys of a scene's objects. A new shape is one row of `lr_shape_variants` and its keys.
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "scene/scene_def.h"
#include "scene/scene_fields.h"

const lr_node *lr_scene_member(const lr_node *object, const char *key)
{
    const lr_node *member = lr_node_get(object, key);
    return member ? member : object;
}

const lr_node *lr_scene_entry(const lr_node *object, const char *key, int index)
{
    const lr_node *list = lr_node_get(object, key), *entry = list ? lr_node_first(list) : NULL;
    while (entry && index-- > 0)
        entry = lr_node_next(entry);
    return entry ? entry : object;
}

lr_status lr_scene_fault(const lr_json *json, const lr_node *node, const char *inner, lr_error *err)
{
    char key[64];
    const size_t length = strcspn(inner, "[:");
    const char *text = strstr(inner, ": ");
    if (text && length < sizeof key) {
        snprintf(key, sizeof key, "%.*s", (int)length, inner);
        const lr_node *member = lr_node_get(node, key);
        if (member && inner[length] == '[' && lr_node_kind(member) == LR_JSON_LIST)
            member = lr_scene_entry(node, key, atoi(inner + length + 1));
        if (member)
            return lr_json_fault(json, member, err, "%s", text + 2);
    }
    return lr_json_fault(json, node, err, "%s", inner);
}

// ---- Materials by name or in place: only noted here ----------------------------------------------------------------

static lr_status check_reference(const lr_json *json, const lr_node *node, lr_error *err)
{
    const lr_json_kind kind = lr_node_kind(node);
    if (kind != LR_JSON_TEXT && kind != LR_JSON_OBJECT)
        return lr_json_fault(json, node, err, "this is not the name of a material or a material");
    return LR_OK;
}

static lr_status read_material(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    ((lr_object_def *)record)->material = node;
    return check_reference(json, node, err);
}

static lr_status read_face(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    for (int i = 0; i < LR_FACES; ++i)
        if (strcmp(lr_node_key(node), lr_face_names[i]) == 0)
            ((const lr_node **)record)[i] = node;
    return check_reference(json, node, err);
}

static lr_status read_slots(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    ((lr_object_def *)record)->slots = node;
    if (lr_node_kind(node) != LR_JSON_OBJECT)
        return lr_json_fault(json, node, err, "this is not an object of materials");
    for (const lr_node *m = lr_node_first(node); m; m = lr_node_next(m))
        LR_TRY(check_reference(json, m, err));
    return LR_OK;
}

#define FACE(word) {.key = word, .kind = LR_FIELD_CUSTOM, .read = read_face, .schema = LR_MATERIAL_SCHEMA}
static const lr_field face_fields[] = {FACE("east"), FACE("west"), FACE("north"), FACE("south"), FACE("ceiling"), FACE("floor"), {.kind = LR_FIELD_END}};
static const lr_field_set face_set = {.name = "faces", .size = LR_FACES*sizeof(const lr_node *), .fields = face_fields};

// ---- Parts of objects ----------------------------------------------------------------------------------------------

#define KEY(member) offsetof(lr_motion_key, member)
static const lr_field key_fields[] = {
    {.key = "time_s", .kind = LR_FIELD_NUMBER, .offset = KEY(time_s), .lo = -1e6, .hi = 1e6, .flags = LR_FIELD_REQUIRED, .about = "Times rise from key to key."},
    {.key = "center_m", .kind = LR_FIELD_VECTOR, .offset = KEY(offset), .count = 3, .lo = -LR_FAR_M, .hi = LR_FAR_M, .about = "Added to the object's own."},
    {.key = "rotate_deg", .kind = LR_FIELD_VECTOR, .offset = KEY(rotate_rad), .count = 3, .scale = LR_DEG, .lo = -LR_TURN_DEG, .hi = LR_TURN_DEG,
     .about = "Turn on top of the object's own, about its centre."},
    {.kind = LR_FIELD_END},
};
static const lr_field_set key_set = {.name = "motion_key", .size = sizeof(lr_motion_key), .fields = key_fields};

static void copy_defaults(void *record) { ((lr_copy_def *)record)->scale = 1.0; }
#define COPY(member) offsetof(lr_copy_def, member)
static const lr_field copy_fields[] = {
    {.key = "center_m", .kind = LR_FIELD_VECTOR, .offset = COPY(center_m), .count = 3, .lo = -LR_FAR_M, .hi = LR_FAR_M},
    {.key = "rotate_deg", .kind = LR_FIELD_VECTOR, .offset = COPY(rotate_rad), .count = 3, .scale = LR_DEG, .lo = -LR_TURN_DEG, .hi = LR_TURN_DEG},
    {.key = "scale", .kind = LR_FIELD_NUMBER, .offset = COPY(scale), .lo = 1e-4, .hi = 1e4},
    {.kind = LR_FIELD_END},
};
static const lr_field_set copy_set = {.name = "copy", .size = sizeof(lr_copy_def), .defaults = copy_defaults, .fields = copy_fields};

#define OPENING(member) offsetof(lr_opening, member)
static const lr_field opening_fields[] = {
    {.key = "face", .kind = LR_FIELD_CHOICE, .offset = OPENING(face), .choices = lr_face_names, .flags = LR_FIELD_REQUIRED},
    {.key = "center_m", .kind = LR_FIELD_VECTOR, .offset = OPENING(center_m), .count = 2, .lo = -LR_FAR_M, .hi = LR_FAR_M, .flags = LR_FIELD_REQUIRED,
     .about = "Along the face from its middle, then height above the floor (floor and ceiling: x, y from the middle)."},
    {.key = "size_m", .kind = LR_FIELD_VECTOR, .offset = OPENING(size_m), .count = 2, .lo = 1e-3, .hi = LR_SIZE_MOST_M, .flags = LR_FIELD_REQUIRED},
    {.key = "pane", .kind = LR_FIELD_TEXT, .offset = OPENING(pane), .present_offset = OPENING(has_pane), .count = 64, .about = "Material of the pane in it."},
    {.kind = LR_FIELD_END},
};
static const lr_field_set opening_set = {.name = "opening", .size = sizeof(lr_opening), .fields = opening_fields};

// ---- Shapes --------------------------------------------------------------------------------------------------------

static const lr_field_set object_set;
static const char *const ups[] = {"z", "y", NULL};

#define OBJECT(member) offsetof(lr_object_def, member)
#define SIZE(count_, text) {.key = "size_m", .kind = LR_FIELD_VECTOR, .offset = OBJECT(size_m), .count = count_, .lo = LR_SIZE_LEAST_M, .hi = LR_SIZE_MOST_M, \
                            .flags = LR_FIELD_REQUIRED, .about = text}
#define LENGTH(word, member, flags_, text) {.key = word, .kind = LR_FIELD_NUMBER, .offset = OBJECT(member), .lo = LR_SIZE_LEAST_M, .hi = LR_SIZE_MOST_M, .flags = flags_, .about = text}
#define LENGTH_OR_0(word, member, text) {.key = word, .kind = LR_FIELD_NUMBER, .offset = OBJECT(member), .lo = 0, .hi = LR_SIZE_MOST_M, .about = text}
#define FACES {.key = "faces", .kind = LR_FIELD_OBJECT, .offset = OBJECT(face), .set = &face_set, .about = "Materials of single faces."}
#define SCALE {.key = "scale", .kind = LR_FIELD_NUMBER, .offset = OBJECT(scale), .lo = 1e-4, .hi = 1e4}
#define END {.kind = LR_FIELD_END}
#define MUST LR_FIELD_REQUIRED
#define ROD                                                                                                                                          \
    LENGTH("radius_m", radius_m, MUST, NULL),                                                                                                        \
    {.key = "height_m", .kind = LR_FIELD_NUMBER, .offset = OBJECT(height_m), .present_offset = OBJECT(has_height), .lo = LR_SIZE_LEAST_M, .hi = LR_SIZE_MOST_M}, \
    {.key = "from_m", .kind = LR_FIELD_VECTOR, .offset = OBJECT(from_m), .present_offset = OBJECT(has_from), .count = 3, .lo = -LR_FAR_M, .hi = LR_FAR_M,  \
     .about = "With to_m, instead of center_m, rotate_deg and height_m: the ends of the axis."},                                                     \
    {.key = "to_m", .kind = LR_FIELD_VECTOR, .offset = OBJECT(to_m), .present_offset = OBJECT(has_to), .count = 3, .lo = -LR_FAR_M, .hi = LR_FAR_M}

static const lr_field room_keys[] = {
    SIZE(3, "Inside, x y z."), FACES,
    {.key = "openings", .kind = LR_FIELD_LIST, .offset = OBJECT(opening), .count_offset = OBJECT(opening_count), .count = LR_OPENINGS_MAX, .set = &opening_set,
     .about = "Windows and doors: clear holes to the outside."}, END};
static const lr_field box_keys[] = {SIZE(3, "x y z."), FACES, END};
static const lr_field sphere_keys[] = {LENGTH("radius_m", radius_m, MUST, NULL), END};
#define OPEN_ENDS {.key = "open", .kind = LR_FIELD_BOOL, .offset = OBJECT(open), .about = "No flat ends."}
static const lr_field cylinder_keys[] = {ROD, OPEN_ENDS, END};
static const lr_field cone_keys[] = {LENGTH("radius_m", radius_m, MUST, "At the lower end."), LENGTH_OR_0("radius2_m", radius2_m, "At the upper end."),
                                     LENGTH("height_m", height_m, MUST, NULL), OPEN_ENDS, END};
static const lr_field capsule_keys[] = {ROD, END};
static const lr_field disc_keys[] = {LENGTH("radius_m", radius_m, MUST, NULL), LENGTH_OR_0("hole_m", radius2_m, "Radius of the hole."), END};
static const lr_field rectangle_keys[] = {SIZE(2, "x y."), END};
static const lr_field torus_keys[] = {LENGTH("radius_m", radius_m, MUST, "Of the ring."), LENGTH("tube_m", radius2_m, MUST, "Radius of the tube."), END};
static const lr_field mesh_keys[] = {
    {.key = "file", .kind = LR_FIELD_TEXT, .offset = OBJECT(file), .count = 256, .flags = MUST, .about = "OBJ, PLY, STL or glTF, beside this file."}, SCALE,
    {.key = "up", .kind = LR_FIELD_CHOICE, .offset = OBJECT(y_up), .choices = ups, .about = "Axis that points up in the mesh file."},
    {.key = "materials", .kind = LR_FIELD_CUSTOM, .read = read_slots, .schema = "{\"type\": \"object\", \"additionalProperties\": " LR_MATERIAL_SCHEMA "}",
     .about = "By the names of materials in the mesh file."}, END};
static const lr_field group_keys[] = {
    {.key = "materials", .kind = LR_FIELD_CUSTOM, .read = read_slots, .schema = "{\"type\": \"object\", \"additionalProperties\": " LR_MATERIAL_SCHEMA "}",
     .about = "With file: what to take for names of materials in it and in the files it uses."},
    {.key = "objects", .kind = LR_FIELD_LIST, .offset = OBJECT(object), .count_offset = OBJECT(object_count), .count = LR_OBJECTS_MOST, .set = &object_set},
    {.key = "file", .kind = LR_FIELD_TEXT, .offset = OBJECT(file), .count = 256, .about = "A scene file beside this one: its objects are used."},
    {.key = "copies", .kind = LR_FIELD_LIST, .offset = OBJECT(copy), .count_offset = OBJECT(copy_count), .set = &copy_set, .count_min = 1,
     .about = "Places of copies inside the group; without it, one."}, SCALE, END};

const lr_variant lr_shape_variants[] = {
    {"room", room_keys, "The inside of a box, with openings."}, {"box", box_keys, NULL}, {"sphere", sphere_keys, NULL},
    {"cylinder", cylinder_keys, "Axis along z."}, {"cone", cone_keys, "Narrows along +z."}, {"capsule", capsule_keys, "height_m between the centres of its round ends."},
    {"disc", disc_keys, "Normal +z."}, {"rectangle", rectangle_keys, "Normal +z."}, {"torus", torus_keys, "Axis along z."},
    {"mesh", mesh_keys, NULL}, {"group", group_keys, NULL}, {NULL, NULL, NULL}};

static const lr_field object_fields[] = {
    {.key = "name", .kind = LR_FIELD_TEXT, .offset = OBJECT(name), .count = 64, .about = "Default: the shape."},
    {.key = "material", .kind = LR_FIELD_CUSTOM, .read = read_material, .schema = LR_MATERIAL_SCHEMA,
     .about = "Name in this file's materials or of materials/NAME.json, or a material itself; default grey (diffuse 0.5)."},
    {.key = "center_m", .kind = LR_FIELD_VECTOR, .offset = OBJECT(center_m), .present_offset = OBJECT(has_center), .count = 3, .lo = -LR_FAR_M, .hi = LR_FAR_M},
    {.key = "rotate_deg", .kind = LR_FIELD_VECTOR, .offset = OBJECT(rotate_rad), .present_offset = OBJECT(has_rotate), .count = 3, .scale = LR_DEG,
     .lo = -LR_TURN_DEG, .hi = LR_TURN_DEG, .about = "About the fixed x axis first, then y, then z."},
    {.key = "motion", .kind = LR_FIELD_LIST, .offset = OBJECT(key), .count_offset = OBJECT(key_count), .count = 100000, .count_min = 1, .set = &key_set}, END};

// ---- Checks --------------------------------------------------------------------------------------------------------

lr_curved lr_object_def_curved(const lr_object_def *def)
{
    static const lr_curved_kind kinds[] = {[LR_SHAPE_SPHERE] = LR_CURVED_SPHERE, [LR_SHAPE_CYLINDER] = LR_CURVED_CYLINDER, [LR_SHAPE_CONE] = LR_CURVED_CONE,
                                           [LR_SHAPE_CAPSULE] = LR_CURVED_CAPSULE, [LR_SHAPE_DISC] = LR_CURVED_DISC, [LR_SHAPE_TORUS] = LR_CURVED_TORUS};
    return (lr_curved){kinds[def->shape], def->radius_m, def->radius2_m, def->height_m, def->open};
}

// A rod given by its ends gets centre, height and turn.
static lr_status place_rod(const lr_json *json, const lr_node *node, lr_object_def *def, lr_error *err)
{
    if (!def->has_from && !def->has_to)
        return def->has_height ? LR_OK : lr_json_fault(json, node, err, "missing key \"height_m\" (or \"from_m\" and \"to_m\")");
    if (!def->has_from || !def->has_to)
        return lr_json_fault(json, node, err, "missing key \"%s\"", def->has_from ? "to_m" : "from_m");
    const char *extra = def->has_center ? "center_m" : def->has_rotate ? "rotate_deg" : def->has_height ? "height_m" : NULL;
    if (extra)
        return lr_json_fault(json, lr_node_get(node, extra), err, "\"%s\" does not go with \"from_m\" and \"to_m\"", extra);
    const lr_vec3 from = lr_v3(def->from_m[0], def->from_m[1], def->from_m[2]), to = lr_v3(def->to_m[0], def->to_m[1], def->to_m[2]);
    const lr_vec3 along = lr_sub(to, from);
    def->height_m = lr_length(along);
    if (!(def->height_m >= LR_SIZE_LEAST_M && def->height_m <= LR_SIZE_MOST_M))
        return lr_json_fault(json, lr_node_get(node, "to_m"), err, "its distance from from_m is %g m, not in [%g, %g]", def->height_m, LR_SIZE_LEAST_M, LR_SIZE_MOST_M);
    for (int i = 0; i < 3; ++i)
        def->center_m[i] = 0.5*(def->from_m[i] + def->to_m[i]);
    def->rotate_rad[0] = 0.0;  // tilt z down to `along` about y, then turn about z
    def->rotate_rad[1] = atan2(hypot(along.x, along.y), along.z);
    def->rotate_rad[2] = atan2(along.y, along.x);
    return LR_OK;
}

static lr_status check_group(const lr_json *json, const lr_node *node, const lr_object_def *def, lr_error *err)
{
    const int has_objects = lr_node_get(node, "objects") != NULL;
    if (has_objects && def->file[0])
        return lr_json_fault(json, lr_node_get(node, "file"), err, "\"file\" does not go with \"objects\"");
    if (!has_objects && !def->file[0])
        return lr_json_fault(json, node, err, "missing key \"objects\" (or \"file\")");
    if (def->material)
        return lr_json_fault(json, def->material, err, "\"material\" does not go with shape \"group\"");
    if (def->slots && !def->file[0])
        return lr_json_fault(json, def->slots, err, "\"materials\" does not go with \"objects\"");
    return LR_OK;
}

static lr_status check_openings(const lr_json *json, const lr_node *node, const lr_object_def *def, lr_error *err)
{
    lr_error inner = {""};
    int which = 0;
    if (lr_openings_check(def->size_m, def->opening, def->opening_count, &which, &inner) != LR_OK)
        return lr_scene_fault(json, lr_scene_entry(node, "openings", which), inner.text, err);
    return LR_OK;
}

static lr_status check_object(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_object_def *def = record;
    lr_error inner = {""};
    def->node = node;
    if (!def->name[0])
        snprintf(def->name, sizeof def->name, "%s", lr_shape_variants[def->shape].name);
    for (int i = 1; i < def->key_count; ++i)
        if (!(def->key[i].time_s > def->key[i - 1].time_s))
            return lr_json_fault(json, lr_scene_member(lr_scene_entry(node, "motion", i), "time_s"), err, "%g does not rise above the key before", def->key[i].time_s);
    switch (def->shape) {
    case LR_SHAPE_ROOM: return check_openings(json, node, def, err);
    case LR_SHAPE_GROUP: return check_group(json, node, def, err);
    case LR_SHAPE_CYLINDER: case LR_SHAPE_CAPSULE: LR_TRY(place_rod(json, node, def, err)); break;
    case LR_SHAPE_BOX: case LR_SHAPE_RECTANGLE: case LR_SHAPE_MESH: return LR_OK;
    default: break;
    }
    const lr_curved curved = lr_object_def_curved(def);
    return lr_curved_check(&curved, &inner) == LR_OK ? LR_OK : lr_scene_fault(json, node, inner.text, err);
}

static void object_defaults(void *record)
{
    lr_object_def *def = record;
    def->scale = 1.0;
    def->mesh = -1;
}

static void object_destroy(void *record)
{
    lr_object_def *def = record;
    free(def->slot_material);
    free(def->pane_material);
    def->slot_material = def->pane_material = NULL;
}

static const lr_field_set object_set = {.name = "object", .size = sizeof(lr_object_def), .defaults = object_defaults, .fields = object_fields, .variant_key = "shape",
                                        .variant_offset = OBJECT(shape), .variants = lr_shape_variants, .variant_default = -1, .check = check_object,
                                        .destroy = object_destroy};

// ---- The file ------------------------------------------------------------------------------------------------------

static lr_status read_materials(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    ((lr_scene_def *)record)->materials = node;
    return lr_node_kind(node) == LR_JSON_OBJECT ? LR_OK : lr_json_fault(json, node, err, "this is not an object of materials");
}

#define SCENE(member) offsetof(lr_scene_def, member)
static const lr_field pose_fields[] = {
    {.key = "position_m", .kind = LR_FIELD_VECTOR, .offset = 0, .count = 3, .lo = -LR_FAR_M, .hi = LR_FAR_M},
    {.key = "rotate_deg", .kind = LR_FIELD_VECTOR, .offset = SCENE(rotate_rad) - SCENE(position_m), .count = 3, .scale = LR_DEG, .lo = -LR_TURN_DEG, .hi = LR_TURN_DEG}, END};
static const lr_field_set pose_set = {.name = "head_pose", .size = 6*sizeof(double), .fields = pose_fields};

const char *const lr_ambient_lights_names[] = {"all", "sun_and_sky", "lamps", NULL};
#define AMBIENT(member) (SCENE(ambient.member) - SCENE(ambient))
static void ambient_defaults(void *record) { *(double *)((char *)record + AMBIENT(facing[2])) = 1.0; }

static lr_status check_ambient(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    const double *facing = (const double *)((const char *)record + AMBIENT(facing));
    return facing[0] != 0.0 || facing[1] != 0.0 || facing[2] != 0.0 ? LR_OK : lr_json_fault(json, lr_scene_member(node, "facing"), err, "no direction");
}

static const lr_field ambient_fields[] = {
    {.key = "lux", .kind = LR_FIELD_NUMBER, .offset = AMBIENT(lux), .lo = 0, .hi = 1e7, .flags = MUST | LR_FIELD_ABOVE, .about = "Illuminance at the point."},
    {.key = "at_m", .kind = LR_FIELD_VECTOR, .offset = AMBIENT(at_m), .count = 3, .lo = -LR_FAR_M, .hi = LR_FAR_M, .flags = MUST, .about = "The point."},
    {.key = "facing", .kind = LR_FIELD_VECTOR, .offset = AMBIENT(facing), .count = 3, .lo = -1e6, .hi = 1e6, .about = "Where a small surface there faces; up unless given."},
    {.key = "lights", .kind = LR_FIELD_CHOICE, .offset = AMBIENT(lights), .choices = lr_ambient_lights_names, .about = "Which lights are scaled."}, END};
static const lr_field_set ambient_set = {.name = "ambient", .size = sizeof ((lr_scene_def *)0)->ambient, .defaults = ambient_defaults, .fields = ambient_fields,
                                         .check = check_ambient};

static const lr_field scene_fields[] = {
    {.key = "name", .kind = LR_FIELD_TEXT, .offset = SCENE(name), .count = 64},
    {.key = "objects", .kind = LR_FIELD_LIST, .offset = SCENE(object), .count_offset = SCENE(object_count), .count = LR_OBJECTS_MOST, .set = &object_set, .flags = MUST},
    {.key = "lights", .kind = LR_FIELD_LIST, .offset = SCENE(light), .count_offset = SCENE(light_count), .count = 10000, .set = &lr_light_fields},
    {.key = "ambient", .kind = LR_FIELD_OBJECT, .offset = SCENE(ambient), .present_offset = SCENE(has_ambient), .set = &ambient_set,
     .about = "How bright it is to be at a point: the lights are scaled so."},
    {.key = "head_pose", .kind = LR_FIELD_OBJECT, .offset = SCENE(position_m), .set = &pose_set, .about = "Where a head stands in this room."},
    {.key = "materials", .kind = LR_FIELD_CUSTOM, .read = read_materials, .schema = "{\"type\": \"object\", \"additionalProperties\": {\"$ref\": \"#/$defs/material\"}}",
     .about = "Materials of this file only, by name."}, END};
const lr_field_set lr_scene_fields = {.name = "scene", .size = sizeof(lr_scene_def), .fields = scene_fields, .format = "lanternroom-scene/1"};
