// SPDX-License-Identifier: Apache-2.0
// cJSON holds the tree; lr_node is its cJSON under another name. Its gaps are closed here: the text is scanned strictly
// first (json_scan), then the tree is searched for duplicate keys and infinities, and numbers are printed by us
// because cJSON's own printing loses the last bits.
#include "core/json.h"

#include <assert.h>
#include <cjson/cJSON.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/file.h"
#include "core/json_scan.h"

struct lr_json {
    char *name;
    cJSON *root;
};

static const cJSON *inside(const lr_node *node) { return (const cJSON *)(const void *)node; }
static lr_node *outside(const cJSON *item) { return (lr_node *)(void *)item; }

const char *lr_json_name(const lr_json *json) { return json->name; }
lr_node *lr_json_root(const lr_json *json) { return outside(json->root); }

// ---- Parsing ----

static int compare_texts(const void *a, const void *b) { return strcmp(*(const char *const *)a, *(const char *const *)b); }

// Sets `twice` to a key that stands twice in the object, else to NULL. Sorted, so that a hostile file costs n log n.
static lr_status find_twice(const cJSON *object, const char **twice, lr_error *err)
{
    *twice = NULL;
    size_t count = 0;
    for (const cJSON *m = object->child; m; m = m->next)
        count++;
    if (count < 2)
        return LR_OK;
    const char **keys = malloc(count*sizeof *keys);
    if (!keys)
        return lr_fail(err, LR_ERR_MEMORY, "JSON: out of memory");
    size_t i = 0;
    for (const cJSON *m = object->child; m; m = m->next)
        keys[i++] = m->string;
    qsort(keys, count, sizeof *keys, compare_texts);
    for (i = 1; i < count && !*twice; i++)
        if (strcmp(keys[i - 1], keys[i]) == 0)
            *twice = keys[i];
    free(keys);
    return LR_OK;
}

// What the grammar allows and we do not.
static lr_status check_tree(const lr_json *json, const cJSON *item, lr_error *err)
{
    if (cJSON_IsNumber(item) && !isfinite(item->valuedouble)) {
        lr_json_fault(json, outside(item), err, "a number too large for a double");
        return LR_ERR_PARSE;
    }
    if (cJSON_IsObject(item)) {
        const char *twice;
        LR_TRY(find_twice(item, &twice, err));
        if (twice) {
            lr_json_fault(json, outside(item), err, "key \"%.80s\" is given twice", twice);
            return LR_ERR_PARSE;
        }
    }
    if (cJSON_IsObject(item) || cJSON_IsArray(item))
        for (const cJSON *child = item->child; child; child = child->next)
            LR_TRY(check_tree(json, child, err));
    return LR_OK;
}

lr_status lr_json_parse(const char *name, const char *text, size_t length, lr_json **out, lr_error *err)
{
    assert(name && out && (text || length == 0));
    *out = NULL;
    if (length > LR_JSON_MAX_BYTES)
        return lr_fail(err, LR_ERR_PARSE, "%.300s: more than %u bytes of JSON", name, LR_JSON_MAX_BYTES);
    if (length >= 3 && memcmp(text, "\xef\xbb\xbf", 3) == 0) {  // the byte order mark some editors write
        text += 3;
        length -= 3;
    }
    LR_TRY(lr_json_scan(name, text, length, err));

    lr_json *json = calloc(1, sizeof *json);
    if (json) {
        json->name = strdup(name);
        json->root = cJSON_ParseWithLengthOpts(text, length, NULL, 0);
    }
    if (!json || !json->name || !json->root) {
        lr_json_free(json);
        return lr_fail(err, LR_ERR_MEMORY, "%.300s: out of memory", name);
    }
    const lr_status status = check_tree(json, json->root, err);
    if (status != LR_OK) {
        lr_json_free(json);
        return status;
    }
    *out = json;
    return LR_OK;
}

lr_status lr_json_load(const char *path, lr_json **out, lr_error *err)
{
    assert(path && out);
    *out = NULL;
    char *text;
    size_t length;
    LR_TRY(lr_file_read(path, LR_JSON_MAX_BYTES, &text, &length, err));
    const lr_status status = lr_json_parse(path, text, length, out, err);
    free(text);
    return status;
}

void lr_json_free(lr_json *json)
{
    if (!json)
        return;
    cJSON_Delete(json->root);
    free(json->name);
    free(json);
}

// ---- Reading nodes ----

lr_json_kind lr_node_kind(const lr_node *node)
{
    const cJSON *item = inside(node);
    return cJSON_IsNumber(item) ? LR_JSON_NUMBER
         : cJSON_IsString(item) ? LR_JSON_TEXT
         : cJSON_IsArray(item)  ? LR_JSON_LIST
         : cJSON_IsObject(item) ? LR_JSON_OBJECT
         : cJSON_IsBool(item)   ? LR_JSON_BOOL : LR_JSON_NULL;
}

double lr_node_number(const lr_node *node)
{
    assert(lr_node_kind(node) == LR_JSON_NUMBER);
    return inside(node)->valuedouble;
}

int lr_node_bool(const lr_node *node)
{
    assert(lr_node_kind(node) == LR_JSON_BOOL);
    return cJSON_IsTrue(inside(node)) ? 1 : 0;
}

const char *lr_node_text(const lr_node *node)
{
    assert(lr_node_kind(node) == LR_JSON_TEXT);
    return inside(node)->valuestring;
}

lr_node *lr_node_get(const lr_node *object, const char *key)
{
    return outside(cJSON_GetObjectItemCaseSensitive(inside(object), key));
}

static int has_children(const cJSON *item) { return cJSON_IsArray(item) || cJSON_IsObject(item); }

lr_node *lr_node_first(const lr_node *list_or_object)
{
    const cJSON *item = inside(list_or_object);
    return has_children(item) ? outside(item->child) : NULL;
}

lr_node *lr_node_next(const lr_node *node) { return outside(inside(node)->next); }
const char *lr_node_key(const lr_node *node) { return inside(node)->string; }

int lr_node_count(const lr_node *list_or_object)
{
    const cJSON *item = inside(list_or_object);
    return has_children(item) ? cJSON_GetArraySize(item) : 0;
}

// ---- Messages with a path ----

static int is_plain_key(const char *key)
{
    return key[0] && key[strspn(key, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_$-")] == '\0';
}

// Adds the step from a parent to its child: `.key`, `["odd key"]` or `[3]`.
static void add_step(lr_text *path, const cJSON *child, int index)
{
    if (!child->string)
        lr_text_add(path, "[%d]", index);
    else if (is_plain_key(child->string))
        lr_text_add(path, path->length ? ".%s" : "%s", child->string);
    else {
        lr_text_add(path, "[");
        lr_text_quote(path, child->string);
        lr_text_add(path, "]");
    }
}

// Depth first from `item`; leaves the path of `wanted` in `path` and returns 1 when it is below.
static int find_path(const cJSON *item, const cJSON *wanted, lr_text *path)
{
    if (item == wanted)
        return 1;
    if (!has_children(item))
        return 0;
    const size_t length = path->length;
    int index = 0;
    for (const cJSON *child = item->child; child; child = child->next, index++) {
        if (child != wanted && !has_children(child))
            continue;
        add_step(path, child, index);
        if (find_path(child, wanted, path))
            return 1;
        path->length = length;
    }
    return 0;
}

// Control characters become '?', and a character cut in two at the end of the buffer is taken off.
static void make_one_line(char *text)
{
    for (char *c = text; *c; c++)
        if ((unsigned char)*c < 0x20 || *c == 0x7f)
            *c = '?';
    size_t at = 0;
    const size_t length = strlen(text);
    while (at < length) {
        const int step = lr_utf8_length((const unsigned char *)text + at, length - at);
        if (step == 0 && length - at < 4) {
            text[at] = '\0';
            return;
        }
        at += step ? (size_t)step : 1;
    }
}

lr_status lr_json_fault(const lr_json *json, const lr_node *node, lr_error *err, const char *format, ...)
{
    if (!err)
        return LR_ERR_RANGE;
    lr_text path = {0};
    if (node && !find_path(json->root, inside(node), &path))
        path.length = 0;
    const char *data = path.data && path.length ? path.data : "";
    const int cut = path.length > 200;  // a long path keeps its end: that is where the fault is
    const int used = snprintf(err->text, sizeof err->text, "%.180s: %s%.*s%s", json->name, cut ? "..." : "",
                              (int)(cut ? 200 : path.length), cut ? data + path.length - 200 : data, path.length ? ": " : "");
    lr_text_free(&path);
    va_list arguments;
    va_start(arguments, format);
    if (used > 0 && (size_t)used < sizeof err->text)
        vsnprintf(err->text + used, sizeof err->text - (size_t)used, format, arguments);
    va_end(arguments);
    make_one_line(err->text);
    return LR_ERR_RANGE;
}

// ---- Overriding ----

enum { MAX_STEPS = 32, MAX_STEP_LENGTH = 63 };

// A path of an override cut into steps. `node` in the functions below is where the steps before `step` led.
typedef struct override {
    const lr_json *json;
    const char *path;
    int count;
    char step[MAX_STEPS][MAX_STEP_LENGTH + 1];
    const cJSON *value;
    lr_error *err;
} override;

static lr_status override_fault(const override *o, const char *where, const char *message)
{
    lr_fail(o->err, LR_ERR_RANGE, "%.150s: cannot set %.150s: %s%s", o->json->name, o->path, where, message);
    if (o->err)
        make_one_line(o->err->text);
    return LR_ERR_RANGE;
}

static lr_status cut_path(override *o)
{
    const char *at = o->path;
    while (*at) {
        const size_t length = strcspn(at, ".[]");
        if (length == 0 || length > MAX_STEP_LENGTH)
            return override_fault(o, "", length ? "a key in it is too long" : "a key in it is empty");
        if (o->count == MAX_STEPS)
            return override_fault(o, "", "it has too many steps");
        memcpy(o->step[o->count], at, length);
        o->step[o->count++][length] = '\0';
        at += length;
        if (*at == ']')
            at++;
        if (*at == '.' || *at == '[') {
            at++;
            if (*at == '\0')
                return override_fault(o, "", "a key in it is empty");
        }
    }
    return o->count > 0 ? LR_OK : override_fault(o, "", "the path is empty");
}

// `modules[0]: ` of the node where the path leads no further, for messages.
static lr_status step_fault(const override *o, const cJSON *node, const char *message)
{
    lr_text path = {0};
    find_path(o->json->root, node, &path);
    char where[160] = "the file ";
    if (path.length > 0 && path.data)
        snprintf(where, sizeof where, "%.150s ", path.data);
    lr_text_free(&path);
    return override_fault(o, where, message);
}

// Puts a copy of the value in the place of `old`.
static lr_status replace(const override *o, cJSON *parent, cJSON *old)
{
    cJSON *fresh = cJSON_Duplicate(o->value, 1);
    char *key = old->string ? strdup(old->string) : NULL;
    if (!fresh || (old->string && !key) || !cJSON_ReplaceItemViaPointer(parent, old, fresh)) {
        cJSON_Delete(fresh);
        free(key);
        return lr_fail(o->err, LR_ERR_MEMORY, "%.150s: out of memory", o->json->name);
    }
    fresh->string = key;  // from malloc, as cJSON's own: it frees it
    return LR_OK;
}

// The steps from `step` on are keys, not places in a list: objects that are missing are made, as all that they can hold has a default.
static int names_follow(const override *o, int step)
{
    for (; step < o->count; step++)
        if (strcmp(o->step[step], "*") == 0 || o->step[step][strspn(o->step[step], "-0123456789")] == '\0')
            return 0;
    return 1;
}

static lr_status add_member(const override *o, cJSON *object, int step)
{
    cJSON *fresh = step + 1 == o->count ? cJSON_Duplicate(o->value, 1) : cJSON_CreateObject();
    if (!fresh || !cJSON_AddItemToObject(object, o->step[step], fresh)) {
        cJSON_Delete(fresh);
        return lr_fail(o->err, LR_ERR_MEMORY, "%.150s: out of memory", o->json->name);
    }
    return step + 1 < o->count ? add_member(o, fresh, step + 1) : LR_OK;
}

static lr_status walk(const override *o, cJSON *node, int step, int apply);

// The last step replaces the child (when applying); earlier ones go into it.
static lr_status enter(const override *o, cJSON *parent, cJSON *child, int step, int apply)
{
    if (step + 1 < o->count)
        return walk(o, child, step + 1, apply);
    return apply ? replace(o, parent, child) : LR_OK;
}

static lr_status walk_object(const override *o, cJSON *node, int step, int apply)
{
    const char *key = o->step[step];
    cJSON *child = cJSON_GetObjectItemCaseSensitive(node, key);
    if (child)
        return enter(o, node, child, step, apply);
    if (step + 1 == o->count || names_follow(o, step + 1))
        return apply ? add_member(o, node, step) : LR_OK;
    char message[96];
    snprintf(message, sizeof message, "has no \"%s\"", key);
    return step_fault(o, node, message);
}

static lr_status walk_list(const override *o, cJSON *node, int step, int apply)
{
    const char *text = o->step[step];
    const int count = cJSON_GetArraySize(node);
    char message[96];
    snprintf(message, sizeof message, "has %d entr%s", count, count == 1 ? "y" : "ies");
    if (strcmp(text, "*") == 0) {
        for (cJSON *child = node->child, *next; child; child = next) {
            next = child->next;
            LR_TRY(enter(o, node, child, step, apply));
        }
        return count > 0 ? LR_OK : step_fault(o, node, message);
    }
    if (text[strspn(text, "0123456789")] != '\0')
        return step_fault(o, node, "is a list: it wants a number or *");
    const long index = strtol(text, NULL, 10);  // saturates when too long
    if (index >= count)
        return step_fault(o, node, message);
    return enter(o, node, cJSON_GetArrayItem(node, (int)index), step, apply);
}

static lr_status walk(const override *o, cJSON *node, int step, int apply)
{
    if (cJSON_IsObject(node))
        return walk_object(o, node, step, apply);
    if (cJSON_IsArray(node))
        return walk_list(o, node, step, apply);
    return step_fault(o, node, "is neither an object nor a list");
}

static int depth_of(const cJSON *item)
{
    int depth = 0;
    if (!has_children(item))
        return 0;
    for (const cJSON *child = item->child; child; child = child->next) {
        const int below = depth_of(child);
        depth = below > depth ? below : depth;
    }
    return depth + 1;
}

lr_status lr_json_override(lr_json *json, const char *path, const char *value, lr_error *err)
{
    assert(json && path && value);
    override o = {.json = json, .path = path, .err = err};
    LR_TRY(cut_path(&o));
    LR_TRY(walk(&o, json->root, 0, 0));  // first without changing anything

    lr_json *parsed = NULL;
    const lr_status status = lr_json_parse("value", value, strlen(value), &parsed, NULL);
    if (status == LR_ERR_MEMORY)
        return lr_fail(err, status, "%.150s: out of memory", json->name);
    cJSON *text = parsed ? NULL : cJSON_CreateString(value);
    o.value = parsed ? parsed->root : text;
    lr_status done;
    if (!o.value)
        done = lr_fail(err, LR_ERR_MEMORY, "%.150s: out of memory", json->name);
    else if (o.count + depth_of(o.value) > LR_JSON_MAX_DEPTH)  // what we print must be readable again
        done = override_fault(&o, "", "the value nests too deep");
    else
        done = walk(&o, json->root, 0, 1);
    cJSON_Delete(text);
    lr_json_free(parsed);
    return done;
}

// ---- Printing ----

static int all_scalars(const cJSON *list)
{
    for (const cJSON *child = list->child; child; child = child->next)
        if (has_children(child))
            return 0;
    return 1;
}

static void print_item(lr_text *out, const cJSON *item, int indent);

// A list of scalars goes on one line, everything else one entry a line.
static void print_children(lr_text *out, const cJSON *item, int indent)
{
    const int object = cJSON_IsObject(item), flat = !object && all_scalars(item);
    lr_text_add(out, object ? "{" : "[");
    for (const cJSON *child = item->child; child; child = child->next) {
        if (!flat)
            lr_text_add(out, "\n%*s", 2*(indent + 1), "");
        if (object) {
            lr_text_quote(out, child->string);
            lr_text_add(out, ": ");
        }
        print_item(out, child, indent + 1);
        if (child->next)
            lr_text_add(out, flat ? ", " : ",");
    }
    if (!flat && item->child)
        lr_text_add(out, "\n%*s", 2*indent, "");
    lr_text_add(out, object ? "}" : "]");
}

static void print_item(lr_text *out, const cJSON *item, int indent)
{
    if (has_children(item))
        print_children(out, item, indent);
    else if (cJSON_IsNumber(item))
        lr_text_number(out, item->valuedouble);
    else if (cJSON_IsString(item))
        lr_text_quote(out, item->valuestring);
    else
        lr_text_add(out, cJSON_IsTrue(item) ? "true" : cJSON_IsFalse(item) ? "false" : "null");
}

char *lr_json_print(const lr_json *json)
{
    lr_text out = {0};
    print_item(&out, json->root, 0);
    lr_text_add(&out, "\n");
    if (out.failed)
        lr_text_free(&out);
    return out.data;
}
