// SPDX-License-Identifier: Apache-2.0
#include "study/study.h"

#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/fields.h"
#include "core/file.h"
#include "head/head.h"
#include "scene/scene.h"

static const char *const qualities[] = {"draft", "standard", "fine", NULL};

// Values may be anything JSON allows; each is kept as text and given to the override as it is.
static lr_status read_value(const lr_json *json, const lr_node *node, char out[128], lr_error *err)
{
    lr_text text = {0};
    switch (lr_node_kind(node)) {
    case LR_JSON_NUMBER: lr_text_number(&text, lr_node_number(node)); break;
    case LR_JSON_TEXT: lr_text_quote(&text, lr_node_text(node)); break;
    case LR_JSON_BOOL: lr_text_add(&text, lr_node_bool(node) ? "true" : "false"); break;
    default: return lr_json_fault(json, node, err, "not a number, a text, true or false");
    }
    const int fits = !text.failed && text.length < 128;
    if (fits)
        snprintf(out, 128, "%s", text.data);
    lr_text_free(&text);
    return fits ? LR_OK : lr_json_fault(json, node, err, "longer than 127 characters");
}

static lr_status read_values(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_study_vary *vary = record;
    if (lr_node_kind(node) != LR_JSON_LIST)
        return lr_json_fault(json, node, err, "not a list");
    const int count = lr_node_count(node);
    if (count < 1 || count > 10000)
        return lr_json_fault(json, node, err, "%d values where 1 to 10000 are wanted", count);
    vary->value = calloc((size_t)count, sizeof *vary->value);
    if (!vary->value)
        return lr_fail(err, LR_ERR_MEMORY, "study: out of memory");
    for (const lr_node *n = lr_node_first(node); n; n = lr_node_next(n))
        LR_TRY(read_value(json, n, vary->value[vary->value_count++], err));
    return LR_OK;
}

static void free_vary(void *record)
{
    lr_study_vary *vary = record;
    free(vary->value);
    vary->value = NULL;
    vary->value_count = 0;
}

static const lr_field vary_fields[] = {
    {.key = "name", .kind = LR_FIELD_TEXT, .offset = offsetof(lr_study_vary, name), .count = 64, .flags = LR_FIELD_REQUIRED, .about = "column of the table"},
    {.key = "set", .kind = LR_FIELD_TEXT, .offset = offsetof(lr_study_vary, path), .count = 256, .flags = LR_FIELD_REQUIRED,
     .about = "value to vary, as --set takes it; several with spaces between move together"},
    {.key = "values", .kind = LR_FIELD_CUSTOM, .read = read_values, .flags = LR_FIELD_REQUIRED, .about = "what it is set to, one after the other",
     .schema = "{\"type\": \"array\", \"minItems\": 1, \"maxItems\": 10000, \"items\": {\"type\": [\"number\", \"string\", \"boolean\"]}}"},
    {0},
};
static const lr_field_set vary_set = {.name = "vary", .size = sizeof(lr_study_vary), .fields = vary_fields, .destroy = free_vary};

static void study_defaults(void *record)
{
    lr_study *study = record;
    memset(study, 0, sizeof *study);
    study->quality = 1;
}

static lr_status check_sector(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    const lr_study *s = record;
    if (s->sector_deg[0] == 0.0 && s->sector_deg[1] == 0.0)
        return LR_OK;
    return s->sector_deg[0] >= 0.0 && s->sector_deg[0] < s->sector_deg[1] && s->sector_deg[1] <= 360.0 ? LR_OK
        : lr_json_fault(json, lr_node_get(node, "sector_deg"), err, "[%g, %g] is not [FROM, TO] with 0 <= FROM < TO <= 360", s->sector_deg[0], s->sector_deg[1]);
}

static const lr_field study_fields[] = {
    {.key = "name", .kind = LR_FIELD_TEXT, .offset = offsetof(lr_study, name), .count = 64, .about = "for people"},
    {.key = "scene", .kind = LR_FIELD_TEXT, .offset = offsetof(lr_study, scene), .count = 256, .flags = LR_FIELD_REQUIRED, .about = "scene file, from the study's folder"},
    {.key = "head", .kind = LR_FIELD_TEXT, .offset = offsetof(lr_study, head), .count = 256, .flags = LR_FIELD_REQUIRED, .about = "head file, from the study's folder"},
    {.key = "quality", .kind = LR_FIELD_CHOICE, .offset = offsetof(lr_study, quality), .choices = qualities, .about = "how many light paths"},
    {.key = "sector_deg", .kind = LR_FIELD_VECTOR, .offset = offsetof(lr_study, sector_deg), .count = 2, .lo = 0, .hi = 360, .about = "rotor angles to render, FROM and TO; both 0: all"},
    {.key = "vary", .kind = LR_FIELD_LIST, .offset = offsetof(lr_study, vary), .count_offset = offsetof(lr_study, vary_count), .count = 16, .count_min = 1,
     .set = &vary_set, .flags = LR_FIELD_REQUIRED, .about = "what changes from scan to scan: every combination is one scan"},
    {0},
};
static const lr_field_set study_set = {.name = "study", .size = sizeof(lr_study), .defaults = study_defaults, .fields = study_fields,
                                       .format = "lanternroom-study/1", .check = check_sector};

// Sets one path (without its first word) in the file it belongs to and lets the loader judge the result.
static lr_status try_value(const char *path, const char *value, const char *prefix, const char *file, lr_error *err)
{
    const size_t n = strlen(prefix);
    if (strncmp(path, prefix, n) || path[n] != '.')
        return LR_OK;
    char folder[LR_PATH_MAX];
    lr_json *json;
    LR_TRY(lr_json_load(file, &json, err));
    lr_path_folder(folder, file);
    lr_status s = lr_json_override(json, path + n + 1, value, err);
    if (s == LR_OK && !strcmp(prefix, "head")) {
        lr_head *head = NULL;
        s = lr_head_from_json(json, folder, &head, err);
        lr_head_destroy(head);
    } else if (s == LR_OK) {
        lr_scene *scene = NULL;
        s = lr_scene_from_json(json, folder, "", &scene, err);
        lr_scene_destroy(scene);
    }
    lr_json_free(json);
    return s;
}

static lr_status try_vary(const lr_study *study, const lr_study_vary *vary, const char *scene, const char *head, lr_error *err)
{
    (void)study;
    char paths[256], *rest = paths;
    snprintf(paths, sizeof paths, "%s", vary->path);
    for (char *path; (path = strtok_r(rest, " ", &rest));) {
        if (strncmp(path, "scene.", 6) && strncmp(path, "head.", 5))
            return lr_fail(err, LR_ERR_RANGE, "\"%s\" does not begin with scene. or head.", path);
        for (int v = 0; v < vary->value_count; v++) {
            LR_TRY(try_value(path, vary->value[v], "scene", scene, err));
            LR_TRY(try_value(path, vary->value[v], "head", head, err));
        }
    }
    return LR_OK;
}

static lr_status check_study(const lr_json *json, const lr_study *study, const char *folder, lr_error *err)
{
    char scene[LR_PATH_MAX], head[LR_PATH_MAX];
    double scans = 1.0;
    LR_TRY(lr_path_join(scene, folder, study->scene, err));
    LR_TRY(lr_path_join(head, folder, study->head, err));
    lr_scene *loaded_scene = NULL;
    lr_head *loaded_head = NULL;
    lr_error inner = {0};
    const char *key = "scene";
    lr_status s = lr_scene_load(scene, "", &loaded_scene, &inner);
    if (s == LR_OK) {
        key = "head";
        s = lr_head_load(head, &loaded_head, &inner);
    }
    lr_scene_destroy(loaded_scene);
    lr_head_destroy(loaded_head);
    if (s == LR_ERR_MEMORY)
        return lr_fail(err, s, "%s", inner.text);
    if (s != LR_OK)
        return lr_json_fault(json, lr_node_get(lr_json_root(json), key), err, "%s", inner.text);
    const lr_node *list = lr_node_get(lr_json_root(json), "vary"), *node = lr_node_first(list);
    for (int i = 0; i < study->vary_count; i++, node = lr_node_next(node)) {
        scans *= study->vary[i].value_count;
        inner = (lr_error){0};
        if (try_vary(study, &study->vary[i], scene, head, &inner) != LR_OK)
            return lr_json_fault(json, lr_node_get(node, "set"), err, "%s", inner.text);
    }
    return scans <= LR_STUDY_MAX_SCANS ? LR_OK : lr_json_fault(json, list, err, "%.0f scans are more than %d", scans, LR_STUDY_MAX_SCANS);
}

lr_status lr_study_from_json(const lr_json *json, const char *folder, lr_study *out, lr_error *err)
{
    LR_TRY(lr_fields_read(json, lr_json_root(json), &study_set, out, NULL, err));
    const lr_status s = check_study(json, out, folder, err);
    if (s != LR_OK)
        lr_study_free(out);
    return s;
}

void lr_study_free(lr_study *study) { lr_fields_free(&study_set, study); }

void lr_study_schema(lr_text *out) { lr_fields_schema(&study_set, "lanternroom study", NULL, out); }
