// SPDX-License-Identifier: Apache-2.0
#include "truth/truth.h"

#include <assert.h>
#include <stdio.h>
#include <string.h>

#include "core/fields.h"

static const struct { const char *descr; int parts; const char *unit, *about; } layers[LR_TRUTH_LAYERS] = {
    [LR_TRUTH_RANGE] = {"<f4", 1, "m", "distance along the pixel's central ray from the pupil; +Inf: nothing hit; NaN: no image here"},
    [LR_TRUTH_NORMAL] = {"<f4", 3, "1", "unit surface normal in the world, turned towards the camera; NaN: nothing hit"},
    [LR_TRUTH_OBJECT] = {"<i4", 1, "1", "label of the object hit, from 1; 0: nothing hit"},
    [LR_TRUTH_MATERIAL] = {"<u2", 1, "1", "number of the material hit, from 1; 0: nothing hit"},
    [LR_TRUTH_PARTNER] = {"<f4", 1, "px", "pixel coordinate of the surface point in the partner camera; NaN: outside its image or nothing hit"},
    [LR_TRUTH_FLAGS] = {"|u1", 1, "1", "bits: 1 lit, 2 seen by partner, 4 edge, 8 in motion, 16 behind pane"},
    [LR_TRUTH_DIRECT] = {"<f4", 1, "e", "expected electrons of laser light reflected once"},
    [LR_TRUTH_INDIRECT] = {"<f4", 1, "e", "expected electrons of laser light by any longer path"},
    [LR_TRUTH_SUN] = {"<f4", 1, "e", "expected electrons of sunlight"},
    [LR_TRUTH_SKY] = {"<f4", 1, "e", "expected electrons of skylight"},
    [LR_TRUTH_LAMP] = {"<f4", 1, "e", "expected electrons of lamplight"},
};

const char *const lr_truth_names[] = {"range", "normal", "object", "material", "partner", "flags",
                                      "direct", "indirect", "sun", "sky", "lamp", NULL};
_Static_assert(sizeof lr_truth_names/sizeof *lr_truth_names == LR_TRUTH_LAYERS + 1, "one name a layer");

const char *lr_truth_unit(lr_truth_layer layer) { return layers[layer].unit; }
const char *lr_truth_about(lr_truth_layer layer) { return layers[layer].about; }

size_t lr_truth_pixel_bytes(lr_truth_layer layer)
{
    return (size_t)(layers[layer].descr[2] - '0')*(size_t)layers[layer].parts;
}

static lr_status parse_name(const char *word, lr_truth_set *set, lr_error *err)
{
    static const struct { const char *name; lr_truth_set set; } groups[] = {
        {"all", LR_TRUTH_ALL}, {"none", LR_TRUTH_NONE}, {"light", LR_TRUTH_LIGHT}};
    enum { GROUPS = sizeof groups/sizeof *groups };
    const char *known[GROUPS + LR_TRUTH_LAYERS + 1] = {NULL};

    for (int i = 0; i < GROUPS; i++) {
        known[i] = groups[i].name;
        if (strcmp(word, groups[i].name) == 0) {
            *set |= groups[i].set;
            return LR_OK;
        }
    }
    for (int layer = 0; layer < LR_TRUTH_LAYERS; layer++) {
        known[GROUPS + layer] = lr_truth_names[layer];
        if (strcmp(word, lr_truth_names[layer]) == 0) {
            *set |= (lr_truth_set)1 << layer;
            return LR_OK;
        }
    }
    const char *near = lr_nearest_word(word, known);
    return near ? lr_fail(err, LR_ERR_RANGE, "truth: \"%s\" is not a truth array; did you mean \"%s\"?", word, near)
                : lr_fail(err, LR_ERR_RANGE, "truth: \"%s\" is not a truth array: all, none, light, or of "
                          "range normal object material partner flags direct indirect sun sky lamp", word);
}

lr_status lr_truth_parse(const char *list, lr_truth_set *set, lr_error *err)
{
    assert(list && set);
    lr_truth_set found = LR_TRUTH_NONE;
    for (const char *at = list;; at++) {
        const size_t length = strcspn(at, ",");
        char word[64];
        if (length == 0)
            return lr_fail(err, LR_ERR_RANGE, "truth: \"%.100s\" has an empty name", list);
        snprintf(word, sizeof word, "%.*s", (int)(length < sizeof word ? length : sizeof word - 1), at);
        if (length < sizeof word && strcmp(word, "none") == 0 && strcmp(list, "none") != 0)
            return lr_fail(err, LR_ERR_RANGE, "truth: \"%.100s\": none stands alone", list);
        LR_TRY(parse_name(word, &found, err));
        at += length;
        if (*at == '\0')
            break;
    }
    *set = found;
    return LR_OK;
}

void lr_truth_print(lr_truth_set set, char out[128])
{
    set &= LR_TRUTH_ALL;
    if (set == LR_TRUTH_ALL || set == LR_TRUTH_NONE) {
        snprintf(out, 128, "%s", set ? "all" : "none");
        return;
    }
    size_t used = 0;
    out[0] = '\0';
    for (int layer = 0; layer < LR_TRUTH_LAYERS; layer++)
        if (lr_truth_has(set, (lr_truth_layer)layer))
            used += (size_t)snprintf(out + used, 128 - used, "%s%s", used ? "," : "", lr_truth_names[layer]);
    assert(used < 128);
}

lr_npy_info lr_truth_info(lr_truth_layer layer, int64_t lines, int pixels)
{
    lr_npy_info info = {.dims = layers[layer].parts > 1 ? 3 : 2, .shape = {lines, pixels, layers[layer].parts > 1 ? layers[layer].parts : 0}};
    snprintf(info.descr, sizeof info.descr, "%s", layers[layer].descr);
    return info;
}

static lr_status fit(int wanted, size_t capacity, lr_error *err)
{
    if (wanted < 0 || (size_t)wanted >= capacity)
        return lr_fail(err, LR_ERR_RANGE, "truth: names of module and camera are too long together");
    return LR_OK;
}

lr_status lr_truth_path(const char *module, const char *camera, lr_truth_layer layer, char *out, size_t capacity, lr_error *err)
{
    return fit(snprintf(out, capacity, "truth/%s/%s.%s.npy", module, camera, lr_truth_names[layer]), capacity, err);
}

lr_npy_info lr_truth_lines_info(int64_t lines)
{
    static const char *const names[] = {"time_s", "angle_rad", "x_m", "y_m", "z_m", "qx", "qy", "qz", "qw"};
    enum { FIELDS = sizeof names/sizeof *names };
    _Static_assert(sizeof(lr_truth_line) == FIELDS*sizeof(double), "packed");
    lr_npy_info info = {.field_count = FIELDS, .dims = 1, .shape = {lines}};
    for (int i = 0; i < FIELDS; i++) {
        snprintf(info.field[i].name, sizeof info.field[i].name, "%s", names[i]);
        snprintf(info.field[i].descr, sizeof info.field[i].descr, "<f8");
    }
    return info;
}

lr_npy_info lr_truth_error_info(int64_t lines)
{
    static const char *const names[] = {"measured", "within", "all2", "direct2", "indirect2", "sun2", "sky2", "lamp2"};
    enum { FIELDS = sizeof names/sizeof *names };
    _Static_assert(sizeof(lr_truth_error) == 2*sizeof(int32_t) + (FIELDS - 2)*sizeof(double), "packed");
    lr_npy_info info = {.field_count = FIELDS, .dims = 1, .shape = {lines}};
    for (int i = 0; i < FIELDS; i++) {
        snprintf(info.field[i].name, sizeof info.field[i].name, "%s", names[i]);
        snprintf(info.field[i].descr, sizeof info.field[i].descr, i < 2 ? "<i4" : "<f8");
    }
    return info;
}

lr_status lr_truth_error_path(const char *module, const char *camera, char *out, size_t capacity, lr_error *err)
{
    return fit(snprintf(out, capacity, "truth/%s/%s.error.npy", module, camera), capacity, err);
}

lr_status lr_truth_lines_path(const char *module, char *out, size_t capacity, lr_error *err)
{
    return fit(snprintf(out, capacity, "truth/%s/lines.npy", module), capacity, err);
}
