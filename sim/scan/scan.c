// SPDX-License-Identifier: Apache-2.0
// scan.json: written and read back. Inputs are printed anew from their values, so the text does not depend on how a
// person spaced the file they came from.
#include "scan/scan.h"

#include <assert.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/fields.h"

void lr_scan_free(lr_scan *scan)
{
    if (!scan)
        return;
    free(scan->array);
    free(scan->settings);
    free(scan->scene);
    free(scan->head);
    free(scan->results);
    *scan = (lr_scan){0};
}

lr_status lr_scan_raw_array(const char *module, const char *camera, int64_t lines, int pixels, lr_scan_array *out, lr_error *err)
{
    *out = (lr_scan_array){.info = {.descr = "<u2", .dims = 2, .shape = {lines, pixels}}, .unit = "DN",
                           .about = "raw lines, one row a line; pixel 0 sees the highest elevation"};
    if (snprintf(out->path, sizeof out->path, "%s/%s.npy", module, camera) >= (int)sizeof out->path)
        return lr_fail(err, LR_ERR_RANGE, "scan: names of module and camera are too long together");
    return LR_OK;
}

lr_status lr_scan_lines_array(const char *module, int64_t lines, lr_scan_array *out, lr_error *err)
{
    _Static_assert(sizeof(lr_scan_line) == 24, "packed");
    *out = (lr_scan_array){.info = {.field_count = 3, .field = {{"time_s", "<f8"}, {"encoder_count", "<i8"}, {"azimuth_deg", "<f8"}},
                                    .dims = 1, .shape = {lines}},
                           .about = "mid-exposure time, encoder count and rotor angle by the encoder, one record a line"};
    if (snprintf(out->path, sizeof out->path, "%s/lines.npy", module) >= (int)sizeof out->path)
        return lr_fail(err, LR_ERR_RANGE, "scan: the name of the module is too long");
    return LR_OK;
}

lr_status lr_scan_path_check(const char *path, lr_error *err)
{
    const size_t length = strlen(path);
    const char *fault = NULL;
    if (length == 0 || length >= LR_SCAN_PATH)
        fault = "is empty or too long";
    else if (path[0] == '/')
        fault = "does not lie inside the scan";
    for (const char *part = path; !fault && part; part = strchr(part, '/') ? strchr(part, '/') + 1 : NULL) {
        const size_t n = strcspn(part, "/");
        if (n == 0 || (n == 1 && part[0] == '.') || (n == 2 && part[0] == '.' && part[1] == '.'))
            fault = "has an empty part, . or ..";
    }
    for (size_t i = 0; !fault && i < length; i++)
        if ((unsigned char)path[i] < 0x20 || path[i] == '\\' || path[i] == 0x7f)
            fault = "has a character that checksum lists cannot hold";
    return fault ? lr_fail(err, LR_ERR_RANGE, "path \"%.200s\" %s", path, fault) : LR_OK;
}

// ---- Writing ----

static void write_node(lr_text *out, const lr_node *node, int indent);

static int is_plain(const lr_node *node)
{
    const lr_json_kind kind = lr_node_kind(node);
    return kind != LR_JSON_LIST && kind != LR_JSON_OBJECT;
}

static void write_members(lr_text *out, const lr_node *node, int indent)
{
    const int object = lr_node_kind(node) == LR_JSON_OBJECT;
    int broken = object;  // lists of plain values stay in one line
    for (const lr_node *entry = lr_node_first(node); entry; entry = lr_node_next(entry))
        broken |= !is_plain(entry);
    lr_text_add(out, object ? "{" : "[");
    for (const lr_node *entry = lr_node_first(node); entry; entry = lr_node_next(entry)) {
        if (entry != lr_node_first(node))
            lr_text_add(out, broken ? "," : ", ");
        if (broken)
            lr_text_add(out, "\n%*s", indent + 2, "");
        if (object) {
            lr_text_quote(out, lr_node_key(entry));
            lr_text_add(out, ": ");
        }
        write_node(out, entry, indent + 2);
    }
    if (broken && lr_node_count(node) > 0)
        lr_text_add(out, "\n%*s", indent, "");
    lr_text_add(out, object ? "}" : "]");
}

static void write_node(lr_text *out, const lr_node *node, int indent)
{
    switch (lr_node_kind(node)) {
    case LR_JSON_NULL: lr_text_add(out, "null"); break;
    case LR_JSON_BOOL: lr_text_add(out, lr_node_bool(node) ? "true" : "false"); break;
    case LR_JSON_NUMBER: lr_text_number(out, lr_node_number(node)); break;
    case LR_JSON_TEXT: lr_text_quote(out, lr_node_text(node)); break;
    case LR_JSON_LIST:
    case LR_JSON_OBJECT: write_members(out, node, indent); break;
    }
}

static lr_status write_json(lr_text *out, const char *name, const char *text, int indent, lr_error *err)
{
    lr_json *json = NULL;
    LR_TRY(lr_json_parse(name, text ? text : "null", strlen(text ? text : "null"), &json, err));
    write_node(out, lr_json_root(json), indent);
    lr_json_free(json);
    return LR_OK;
}

static void write_dtype(lr_text *out, const lr_npy_info *info)
{
    if (info->field_count == 0) {
        lr_text_quote(out, info->descr);
        return;
    }
    for (int i = 0; i < info->field_count; i++) {
        lr_text_add(out, i ? ", [" : "[[");
        lr_text_quote(out, info->field[i].name);
        lr_text_add(out, ", ");
        lr_text_quote(out, info->field[i].descr);
        lr_text_add(out, "]");
    }
    lr_text_add(out, "]");
}

static void write_array(lr_text *out, const lr_scan_array *array)
{
    lr_text_add(out, "    {\"path\": ");
    lr_text_quote(out, array->path);
    lr_text_add(out, ", \"shape\": [");
    for (int i = 0; i < array->info.dims; i++)
        lr_text_add(out, i ? ", %" PRId64 : "%" PRId64, array->info.shape[i]);
    lr_text_add(out, "], \"dtype\": ");
    write_dtype(out, &array->info);
    lr_text_add(out, ", \"unit\": ");
    lr_text_quote(out, array->unit);
    lr_text_add(out, ",\n     \"about\": ");
    lr_text_quote(out, array->about);
    if (array->sha256[0])
        lr_text_add(out, ",\n     \"sha256\": \"%s\"", array->sha256);
    lr_text_add(out, "}");
}

lr_status lr_scan_write(const lr_scan *scan, lr_text *out, lr_error *err)
{
    assert(scan && out);
    lr_text_add(out, "{\n  \"format\": \"%s\",\n  \"version\": ", LR_SCAN_FORMAT);
    lr_text_quote(out, scan->version);
    lr_text_add(out, ",\n  \"fingerprint\": \"%s\",\n  \"seed\": \"%" PRIu64 "\",\n  \"lines\": %" PRId64, scan->fingerprint, scan->seed,
                scan->line_count);
    if (scan->block_lines > 0)
        lr_text_add(out, ",\n  \"block_lines\": %" PRId64, scan->block_lines);
    lr_text_add(out, ",\n  \"arrays\": [");
    for (int i = 0; i < scan->array_count; i++) {
        lr_text_add(out, i ? ",\n" : "\n");
        write_array(out, &scan->array[i]);
    }
    lr_text_add(out, "\n  ],\n  \"settings\": ");
    lr_status status = write_json(out, "settings", scan->settings, 2, err);
    if (scan->results) {
        lr_text_add(out, ",\n  \"results\": ");
        if (status == LR_OK)
            status = write_json(out, "results", scan->results, 2, err);
    }
    lr_text_add(out, ",\n  \"inputs\": {\n    \"scene\": ");
    if (status == LR_OK)
        status = write_json(out, "scene", scan->scene, 4, err);
    lr_text_add(out, ",\n    \"head\": ");
    if (status == LR_OK)
        status = write_json(out, "head", scan->head, 4, err);
    lr_text_add(out, "\n  }\n}\n");
    if (status == LR_OK && out->failed)
        status = lr_fail(err, LR_ERR_MEMORY, "scan.json: out of memory");
    if (status != LR_OK)
        lr_text_free(out);
    return status;
}

// ---- Reading ----

static lr_status read_whole(const lr_json *json, const lr_node *node, int64_t lo, int64_t *out, lr_error *err)
{
    const double value = lr_node_kind(node) == LR_JSON_NUMBER ? lr_node_number(node) : -1.0;
    if (!(value >= (double)lo && value <= 0x1p53 && value == floor(value)))
        return lr_json_fault(json, node, err, "not a whole number from %" PRId64, lo);
    *out = (int64_t)value;
    return LR_OK;
}

static lr_status read_lines(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    return read_whole(json, node, 1, &((lr_scan *)record)->line_count, err);
}

static lr_status read_block_lines(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    return read_whole(json, node, 1, &((lr_scan *)record)->block_lines, err);
}

static lr_status keep_text(const lr_node *node, char **out, lr_error *err)
{
    lr_text text = {0};
    write_node(&text, node, 0);
    if (text.failed || !text.data) {
        lr_text_free(&text);
        return lr_fail(err, LR_ERR_MEMORY, "scan.json: out of memory");
    }
    *out = text.data;
    return LR_OK;
}

static lr_status read_settings(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)json, (void)context;
    return keep_text(node, &((lr_scan *)record)->settings, err);
}

static lr_status read_results(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)json, (void)context;
    return keep_text(node, &((lr_scan *)record)->results, err);
}

static lr_status read_inputs(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_scan *scan = record;
    const int object = lr_node_kind(node) == LR_JSON_OBJECT;
    const lr_node *scene = object ? lr_node_get(node, "scene") : NULL, *head = object ? lr_node_get(node, "head") : NULL;
    if (!scene || !head)
        return lr_json_fault(json, node, err, "not an object with scene and head");
    LR_TRY(keep_text(scene, &scan->scene, err));
    return keep_text(head, &scan->head, err);
}

static lr_status read_shape(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_npy_info *info = &((lr_scan_array *)record)->info;
    info->dims = lr_node_kind(node) == LR_JSON_LIST ? lr_node_count(node) : 0;
    if (info->dims < 1 || info->dims > LR_NPY_MAX_DIMS)
        return lr_json_fault(json, node, err, "not a list of 1 to %d sizes", LR_NPY_MAX_DIMS);
    int64_t *size = info->shape;
    for (const lr_node *entry = lr_node_first(node); entry; entry = lr_node_next(entry), size++) {
        LR_TRY(read_whole(json, entry, 1, size, err));
        if (*size > INT64_C(1) << 40)
            return lr_json_fault(json, entry, err, "too large");
    }
    return LR_OK;
}

static lr_status read_word(const lr_json *json, const lr_node *node, char *out, size_t capacity, lr_error *err)
{
    const char *text = node && lr_node_kind(node) == LR_JSON_TEXT ? lr_node_text(node) : NULL;
    if (!text || !text[0] || strlen(text) >= capacity)
        return lr_json_fault(json, node, err, "not a text of 1 to %zu bytes", capacity - 1);
    memcpy(out, text, strlen(text) + 1);
    return LR_OK;
}

static lr_status read_dtype(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_npy_info *info = &((lr_scan_array *)record)->info;
    if (lr_node_kind(node) != LR_JSON_LIST)
        return read_word(json, node, info->descr, sizeof info->descr, err);
    const int most = (int)(sizeof info->field/sizeof *info->field), count = lr_node_count(node);
    if (count < 1 || count > most)
        return lr_json_fault(json, node, err, "not a list of 1 to %d fields", most);
    for (const lr_node *entry = lr_node_first(node); entry; entry = lr_node_next(entry)) {
        lr_npy_field *field = &info->field[info->field_count++];
        if (lr_node_kind(entry) != LR_JSON_LIST || lr_node_count(entry) != 2)
            return lr_json_fault(json, entry, err, "not a pair of name and type");
        const lr_node *name = lr_node_first(entry);
        LR_TRY(read_word(json, name, field->name, sizeof field->name, err));
        LR_TRY(read_word(json, lr_node_next(name), field->descr, sizeof field->descr, err));
    }
    return LR_OK;
}

static int is_sha256(const char *text)
{
    return strlen(text) == 64 && strspn(text, "0123456789abcdef") == 64;
}

static lr_status check_array(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    const lr_scan_array *array = record;
    lr_error inner = {""};
    if (lr_scan_path_check(array->path, &inner) != LR_OK)
        return lr_json_fault(json, node, err, "%s", inner.text);
    if (lr_npy_item_bytes(&array->info) == 0)
        return lr_json_fault(json, lr_node_get(node, "dtype"), err, "not a type we know");
    if (array->sha256[0] && !is_sha256(array->sha256))
        return lr_json_fault(json, lr_node_get(node, "sha256"), err, "not 64 hexadecimal digits");
    int64_t bytes = (int64_t)lr_npy_item_bytes(&array->info);
    for (int i = 0; i < array->info.dims; i++) {
        if (bytes > (INT64_C(1) << 60)/array->info.shape[i])
            return lr_json_fault(json, lr_node_get(node, "shape"), err, "too large");
        bytes *= array->info.shape[i];
    }
    return LR_OK;
}

static lr_status check_scan(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    const lr_scan *scan = record;
    if (!is_sha256(scan->fingerprint))
        return lr_json_fault(json, lr_node_get(node, "fingerprint"), err, "not 64 hexadecimal digits");
    const lr_node *entry = lr_node_first(lr_node_get(node, "arrays"));
    for (int i = 0; i < scan->array_count; i++, entry = lr_node_next(entry))
        if (scan->array[i].info.shape[0] != scan->line_count)
            return lr_json_fault(json, lr_node_get(entry, "shape"), err, "begins with %" PRId64 " where the scan has %" PRId64 " lines",
                                 scan->array[i].info.shape[0], scan->line_count);
    return LR_OK;
}

#define AT(type, member) offsetof(type, member)
#define TEXT(type, name, member, need) \
    {.key = name, .kind = LR_FIELD_TEXT, .offset = AT(type, member), .count = (int)sizeof ((type *)0)->member, .flags = need}
#define CUSTOM(name, reader, need) {.key = name, .kind = LR_FIELD_CUSTOM, .read = reader, .schema = "{}", .flags = need}

static const lr_field array_fields[] = {
    TEXT(lr_scan_array, "path", path, LR_FIELD_REQUIRED), CUSTOM("shape", read_shape, LR_FIELD_REQUIRED),
    CUSTOM("dtype", read_dtype, LR_FIELD_REQUIRED), TEXT(lr_scan_array, "unit", unit, LR_FIELD_REQUIRED),
    TEXT(lr_scan_array, "about", about, 0), TEXT(lr_scan_array, "sha256", sha256, 0),
    {.kind = LR_FIELD_END}};
static const lr_field_set array_set = {.name = "array", .size = sizeof(lr_scan_array), .fields = array_fields, .check = check_array};

static void free_texts(void *record)
{
    lr_scan *scan = record;
    free(scan->settings);
    free(scan->scene);
    free(scan->head);
    free(scan->results);
    scan->settings = scan->scene = scan->head = scan->results = NULL;
}

static const lr_field scan_fields[] = {
    TEXT(lr_scan, "version", version, LR_FIELD_REQUIRED), TEXT(lr_scan, "fingerprint", fingerprint, LR_FIELD_REQUIRED),
    {.key = "seed", .kind = LR_FIELD_SEED, .offset = AT(lr_scan, seed), .flags = LR_FIELD_REQUIRED},
    CUSTOM("lines", read_lines, LR_FIELD_REQUIRED), CUSTOM("block_lines", read_block_lines, 0),
    {.key = "arrays", .kind = LR_FIELD_LIST, .offset = AT(lr_scan, array), .count_offset = AT(lr_scan, array_count),
     .count = LR_SCAN_MAX_ARRAYS, .set = &array_set, .flags = LR_FIELD_REQUIRED},
    CUSTOM("settings", read_settings, LR_FIELD_REQUIRED), CUSTOM("results", read_results, 0), CUSTOM("inputs", read_inputs, LR_FIELD_REQUIRED),
    {.kind = LR_FIELD_END}};
static const lr_field_set scan_set = {.name = "scan", .size = sizeof(lr_scan), .fields = scan_fields, .format = LR_SCAN_FORMAT,
                                      .check = check_scan, .destroy = free_texts};

lr_status lr_scan_from_json(const lr_json *json, lr_scan *out, lr_error *err)
{
    assert(json && out);
    const lr_status status = lr_fields_read(json, lr_json_root(json), &scan_set, out, NULL, err);
    if (status != LR_OK)
        *out = (lr_scan){0};
    return status;
}

lr_status lr_scan_load(const char *path, lr_scan *out, lr_error *err)
{
    assert(path && out);
    *out = (lr_scan){0};
    lr_json *json = NULL;
    LR_TRY(lr_json_load(path, &json, err));
    const lr_status status = lr_scan_from_json(json, out, err);
    lr_json_free(json);
    return status;
}
