// SPDX-License-Identifier: Apache-2.0
// Walks a table of fields over a JSON object. On the way down nothing is freed: the outermost call frees the whole
// record on a fault, so each reader keeps pointers and counts true at every moment.
#include "core/fields.h"

#include <assert.h>
#include <limits.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/fields_walk.h"

#define MAX_EXACT 9007199254740992.0  // 2^53: whole numbers up to here are exact in a double

typedef struct reader {
    const lr_json *json;
    void *context;
    lr_error *err;
} reader;

static lr_status read_record(reader *r, const lr_node *node, const lr_field_set *set, char *record);

// ---- Describing what stands there ----

enum { MOST_SHOWN = 40 };  // bytes of a text that messages repeat

typedef struct shown { char text[6*MOST_SHOWN + 8]; } shown;  // an escape takes six bytes

static void show_text(lr_text *out, const char *value)
{
    const size_t length = strlen(value);
    if (length <= MOST_SHOWN) {
        lr_text_quote(out, value);
        return;
    }
    char cut[MOST_SHOWN + 1];
    size_t kept = MOST_SHOWN;
    while (kept > 0 && ((unsigned char)value[kept] & 0xc0) == 0x80)
        kept--;  // not in the middle of a character
    memcpy(cut, value, kept);
    cut[kept] = '\0';
    lr_text_quote(out, cut);
    lr_text_add(out, "...");
}

// The value in short, for messages: `-2`, `"two"`, `a list`.
static shown show(const lr_node *node)
{
    shown s = {""};
    lr_text text = {0};
    switch (lr_node_kind(node)) {
    case LR_JSON_NULL: lr_text_add(&text, "null"); break;
    case LR_JSON_BOOL: lr_text_add(&text, lr_node_bool(node) ? "true" : "false"); break;
    case LR_JSON_NUMBER: lr_text_number(&text, lr_node_number(node)); break;
    case LR_JSON_TEXT: show_text(&text, lr_node_text(node)); break;
    case LR_JSON_LIST: lr_text_add(&text, "a list"); break;
    case LR_JSON_OBJECT: lr_text_add(&text, "an object"); break;
    }
    snprintf(s.text, sizeof s.text, "%s", text.data ? text.data : "this");
    lr_text_free(&text);
    return s;
}

static lr_status wrong_kind(reader *r, const lr_node *node, const char *wanted)
{
    return lr_json_fault(r->json, node, r->err, "%s is not %s", show(node).text, wanted);
}

// ---- Numbers ----

static lr_status check_interval(reader *r, const lr_node *node, double value, const lr_field *field)
{
    const lr_interval range = lr_field_interval(field);
    const int low = range.lo_open ? !(value > range.lo) : !(value >= range.lo);
    const int high = range.hi_open ? !(value < range.hi) : !(value <= range.hi);
    if (!low && !high)
        return LR_OK;
    const shown value_shown = show(node);
    const char *text = value_shown.text;
    if (isinf(range.hi))
        return lr_json_fault(r->json, node, r->err, "%s is not %s %.15g", text, range.lo_open ? "above" : "at least", range.lo);
    if (isinf(range.lo))
        return lr_json_fault(r->json, node, r->err, "%s is not %s %.15g", text, range.hi_open ? "below" : "at most", range.hi);
    return lr_json_fault(r->json, node, r->err, "%s is not in %c%.15g, %.15g%c", text, range.lo_open ? '(' : '[', range.lo,
                         range.hi, range.hi_open ? ')' : ']');
}

static lr_status read_number(reader *r, const lr_node *node, const lr_field *field, double scale, double *out)
{
    if (lr_node_kind(node) != LR_JSON_NUMBER)
        return wrong_kind(r, node, "a number");
    const double value = lr_node_number(node);
    LR_TRY(check_interval(r, node, value, field));
    const double scaled = scale != 0.0 ? value*scale : value;
    if (!isfinite(scaled))
        return lr_json_fault(r->json, node, r->err, "%s is too large", show(node).text);
    *out = scaled;
    return LR_OK;
}

static lr_status read_integer(reader *r, const lr_node *node, const lr_field *field, int *out)
{
    double value = 0.0;
    LR_TRY(read_number(r, node, field, 1.0, &value));
    if (value != floor(value))
        return lr_json_fault(r->json, node, r->err, "%s is not a whole number", show(node).text);
    if (!(value >= INT_MIN && value <= INT_MAX))
        return lr_json_fault(r->json, node, r->err, "%s is not in [%d, %d]", show(node).text, INT_MIN, INT_MAX);
    *out = (int)value;
    return LR_OK;
}

// Digits only; 0 on overflow or anything else.
static int digits_to_u64(const char *text, uint64_t *out)
{
    uint64_t value = 0;
    if (!*text)
        return 0;
    for (; *text; text++) {
        const unsigned digit = (unsigned)(unsigned char)*text - '0';
        if (digit > 9 || value > (UINT64_MAX - digit)/10)
            return 0;
        value = value*10 + digit;
    }
    *out = value;
    return 1;
}

static lr_status read_seed(reader *r, const lr_node *node, uint64_t *out)
{
    const lr_json_kind kind = lr_node_kind(node);
    if (kind == LR_JSON_TEXT && digits_to_u64(lr_node_text(node), out))
        return LR_OK;
    if (kind == LR_JSON_NUMBER) {
        const double value = lr_node_number(node);
        if (value >= 0.0 && value <= MAX_EXACT && value == floor(value)) {
            *out = (uint64_t)value;
            return LR_OK;
        }
    }
    return wrong_kind(r, node, "a seed: a whole number up to 2^53, or up to 2^64 - 1 as digits in quotes");
}

// ---- Texts and lists of numbers ----

static lr_status read_text(reader *r, const lr_node *node, const lr_field *field, char *out)
{
    assert(field->count > 0);
    if (lr_node_kind(node) != LR_JSON_TEXT)
        return wrong_kind(r, node, "a text");
    const size_t length = strlen(lr_node_text(node));
    if (length >= (size_t)field->count)
        return lr_json_fault(r->json, node, r->err, "text of %zu bytes where %d fit", length, field->count - 1);
    memcpy(out, lr_node_text(node), length + 1);
    return LR_OK;
}

static lr_status not_a_choice(reader *r, const lr_node *node, const char *const *choices)
{
    lr_text list = {0};
    for (int i = 0; choices[i]; i++)
        lr_text_add(&list, i ? ", %s" : "%s", choices[i]);
    const lr_status status = lr_json_fault(r->json, node, r->err, "%s is not one of: %s", show(node).text, list.data ? list.data : "");
    lr_text_free(&list);
    return status;
}

static lr_status read_choice(reader *r, const lr_node *node, const lr_field *field, int *out)
{
    if (lr_node_kind(node) == LR_JSON_TEXT)
        for (int i = 0; field->choices[i]; i++)
            if (strcmp(lr_node_text(node), field->choices[i]) == 0) {
                *out = i;
                return LR_OK;
            }
    return not_a_choice(r, node, field->choices);
}

static lr_status read_vector(reader *r, const lr_node *node, const lr_field *field, double *out)
{
    if (lr_node_kind(node) != LR_JSON_LIST)
        return lr_json_fault(r->json, node, r->err, "%s is not a list of %d numbers", show(node).text, field->count);
    const int count = lr_node_count(node);
    if (count != field->count)
        return lr_json_fault(r->json, node, r->err, "list of %d number%s where %d are wanted", count, count == 1 ? "" : "s", field->count);
    for (const lr_node *entry = lr_node_first(node); entry; entry = lr_node_next(entry))
        LR_TRY(read_number(r, entry, field, field->scale, out++));
    return LR_OK;
}

// ---- Tables ----

static lr_status read_axis(reader *r, const lr_node *node, const lr_field *field, double scale, double *out)
{
    for (const lr_node *entry = lr_node_first(node); entry; entry = lr_node_next(entry))
        LR_TRY(read_number(r, entry, field, scale, out++));
    return LR_OK;
}

// The list under `key` of a table's object.
static lr_status find_axis(reader *r, const lr_node *node, const char *key, const lr_node **list)
{
    *list = lr_node_get(node, key);
    if (!*list)
        return lr_json_fault(r->json, node, r->err, "missing key \"%s\"", key);
    if (lr_node_kind(*list) != LR_JSON_LIST)
        return wrong_kind(r, *list, "a list of numbers");
    const int count = lr_node_count(*list);
    if (count < 1 || count > LR_FIELD_LIST_MOST)
        return lr_json_fault(r->json, *list, r->err, "list of %d numbers where 1 to %d are wanted", count, LR_FIELD_LIST_MOST);
    return LR_OK;
}

static lr_status check_axes_rise(reader *r, const lr_node *list, const double *x)
{
    int i = 0;
    for (const lr_node *entry = lr_node_first(list); entry; entry = lr_node_next(entry), i++)
        if (i > 0 && !(x[i] > x[i - 1]))
            return lr_json_fault(r->json, entry, r->err, "%s does not rise above the entry before", show(entry).text);
    return LR_OK;
}

static lr_status read_table_lists(reader *r, const lr_node *x_list, const lr_node *y_list, const lr_field *field, lr_table *out)
{
    const lr_field any = {0};
    const int count = lr_node_count(x_list);
    double *x = malloc(2*(size_t)count*sizeof *x);
    if (!x)
        return lr_fail(r->err, LR_ERR_MEMORY, "%.300s: out of memory", lr_json_name(r->json));
    double *y = x + count;
    lr_status status = read_axis(r, x_list, &any, field->scale, x);
    if (status == LR_OK)
        status = read_axis(r, y_list, field, field->y_scale, y);
    if (status == LR_OK)
        status = check_axes_rise(r, x_list, x);
    if (status == LR_OK)
        status = lr_table_create(count, x, y, out, r->err);
    free(x);
    return status;
}

static lr_status read_table_object(reader *r, const lr_node *node, const lr_field *field, lr_table *out)
{
    const char *const known[] = {field->x_key, field->y_key, "comment", NULL};
    for (const lr_node *member = lr_node_first(node); member; member = lr_node_next(member))
        LR_TRY(lr_field_known(r->json, member, known, r->err));
    const lr_node *x_list, *y_list;
    LR_TRY(find_axis(r, node, field->x_key, &x_list));
    LR_TRY(find_axis(r, node, field->y_key, &y_list));
    const int x_count = lr_node_count(x_list), y_count = lr_node_count(y_list);
    if (x_count != y_count)
        return lr_json_fault(r->json, node, r->err, "%s has %d entries, %s has %d", field->x_key, x_count, field->y_key, y_count);
    return read_table_lists(r, x_list, y_list, field, out);
}

static lr_status read_table(reader *r, const lr_node *node, const lr_field *field, lr_table *table)
{
    lr_table fresh = {0};
    const lr_json_kind kind = lr_node_kind(node);
    if (kind == LR_JSON_NUMBER) {
        double value = 0.0;
        LR_TRY(read_number(r, node, field, field->y_scale, &value));
        LR_TRY(lr_table_constant(value, &fresh, r->err));
    } else if (kind == LR_JSON_OBJECT) {
        LR_TRY(read_table_object(r, node, field, &fresh));
    } else {
        return lr_json_fault(r->json, node, r->err, "%s is not a number or a table of \"%s\" and \"%s\"", show(node).text,
                             field->x_key, field->y_key);
    }
    fresh.outside_zero = table->outside_zero;  // what the defaults said of the quantity holds for the new values too
    lr_table_free(table);
    *table = fresh;
    return LR_OK;
}

// ---- Lists of objects ----

static lr_status check_list_length(reader *r, const lr_node *node, const lr_field *field, int count)
{
    const int most = field->count ? field->count : LR_FIELD_LIST_MOST;
    if (count < field->count_min)
        return lr_json_fault(r->json, node, r->err, "list of %d where at least %d %s wanted", count, field->count_min,
                             field->count_min == 1 ? "is" : "are");
    if (count > most)
        return lr_json_fault(r->json, node, r->err, "list of %d where at most %d %s allowed", count, most, most == 1 ? "is" : "are");
    return LR_OK;
}

static lr_status read_list(reader *r, const lr_node *node, const lr_field *field, char *record)
{
    if (lr_node_kind(node) != LR_JSON_LIST)
        return wrong_kind(r, node, "a list");
    const int count = lr_node_count(node);
    LR_TRY(check_list_length(r, node, field, count));
    lr_field_free_list(field, record);
    if (count == 0)
        return LR_OK;

    char *entries = calloc((size_t)count, field->set->size);
    if (!entries)
        return lr_fail(r->err, LR_ERR_MEMORY, "%.300s: out of memory", lr_json_name(r->json));
    lr_field_set_list(field, record, entries);
    int *filled = lr_field_int(record, field->count_offset);
    for (const lr_node *entry = lr_node_first(node); entry; entry = lr_node_next(entry), entries += field->set->size) {
        lr_fields_defaults(field->set, entries);
        ++*filled;
        LR_TRY(read_record(r, entry, field->set, entries));
    }
    return LR_OK;
}

// ---- Objects ----

static lr_status read_field(reader *r, const lr_node *node, const lr_field *field, char *record)
{
    void *value = record + field->offset;
    switch (field->kind) {
    case LR_FIELD_NUMBER: return read_number(r, node, field, field->scale, value);
    case LR_FIELD_INTEGER: return read_integer(r, node, field, value);
    case LR_FIELD_SEED: return read_seed(r, node, value);
    case LR_FIELD_BOOL:
        if (lr_node_kind(node) != LR_JSON_BOOL)
            return wrong_kind(r, node, "true or false");
        *(int *)value = lr_node_bool(node);
        return LR_OK;
    case LR_FIELD_TEXT: return read_text(r, node, field, value);
    case LR_FIELD_CHOICE: return read_choice(r, node, field, value);
    case LR_FIELD_VECTOR: return read_vector(r, node, field, value);
    case LR_FIELD_TABLE: return read_table(r, node, field, value);
    case LR_FIELD_OBJECT: return read_record(r, node, field->set, value);
    case LR_FIELD_LIST: return read_list(r, node, field, record);
    case LR_FIELD_CUSTOM: return field->read(r->json, node, record, r->context, r->err);
    case LR_FIELD_END: break;
    }
    assert(0 && "unknown kind of field");
    return LR_ERR_RANGE;
}

static lr_status read_fields(reader *r, const lr_node *node, const lr_field *fields, char *record)
{
    for (const lr_field *field = fields; field->kind != LR_FIELD_END; field++) {
        const lr_node *member = lr_node_get(node, field->key);
        if (!member && (field->flags & LR_FIELD_REQUIRED))
            return lr_json_fault(r->json, node, r->err, "missing key \"%s\"", field->key);
        if (!member)
            continue;
        LR_TRY(read_field(r, member, field, record));
        if (field->present_offset)
            *lr_field_int(record, field->present_offset) = 1;
    }
    return LR_OK;
}

static lr_status check_format(reader *r, const lr_node *node, const lr_field_set *set)
{
    const lr_node *format = lr_node_get(node, "format");
    if (!format && node != lr_json_root(r->json))
        return LR_OK;  // the same kind of object written inside another file
    if (!format)
        return lr_json_fault(r->json, node, r->err, "missing key \"format\": \"%s\" is wanted", set->format);
    if (lr_node_kind(format) != LR_JSON_TEXT || strcmp(lr_node_text(format), set->format) != 0)
        return lr_json_fault(r->json, format, r->err, "%s where \"%s\" is wanted", show(format).text, set->format);
    return LR_OK;
}

static lr_status choose_variant(reader *r, const lr_node *node, const lr_field_set *set, char *record)
{
    const lr_node *key = lr_node_get(node, set->variant_key);
    if (!key && set->variant_default < 0)
        return lr_json_fault(r->json, node, r->err, "missing key \"%s\"", set->variant_key);
    if (!key)
        return LR_OK;  // the defaults have chosen
    const lr_field names = {.choices = lr_variant_names(set)};
    if (!names.choices)
        return lr_fail(r->err, LR_ERR_MEMORY, "%.300s: out of memory", lr_json_name(r->json));
    int chosen = -1;
    const lr_status status = read_choice(r, key, &names, &chosen);
    free((void *)names.choices);
    if (status == LR_OK)
        lr_variant_choose(set, record, chosen);
    return status;
}

static lr_status read_record(reader *r, const lr_node *node, const lr_field_set *set, char *record)
{
    if (lr_node_kind(node) != LR_JSON_OBJECT)
        return wrong_kind(r, node, "an object");
    if (set->format)
        LR_TRY(check_format(r, node, set));
    if (set->variant_key)
        LR_TRY(choose_variant(r, node, set, record));
    LR_TRY(lr_fields_check_keys(r->json, node, set, record, r->err));
    LR_TRY(read_fields(r, node, set->fields, record));
    const lr_field *more = lr_variant_fields(set, record);
    if (more)
        LR_TRY(read_fields(r, node, more, record));
    return set->check ? set->check(r->json, node, record, r->context, r->err) : LR_OK;
}

lr_status lr_fields_read(const lr_json *json, const lr_node *node, const lr_field_set *set, void *record, void *context, lr_error *err)
{
    assert(json && node && set && record);
    reader r = {.json = json, .context = context, .err = err};
    lr_fields_defaults(set, record);
    const lr_status status = read_record(&r, node, set, record);
    if (status != LR_OK)
        lr_fields_free(set, record);
    return status;
}
