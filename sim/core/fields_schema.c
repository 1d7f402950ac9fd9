// SPDX-License-Identifier: Apache-2.0
// The tables of fields as a JSON Schema, draft 2020-12. The order of the output is that of the tables.
// The file's own top level stands at the root; every other set is one entry of $defs.
#include <limits.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core/fields_walk.h"

enum { MOST_SETS = 128 };

typedef struct writer {
    lr_text *out;
    const lr_field_set *set[MOST_SETS];  // those that fields refer to, in the order of meeting them
    int count;
} writer;

static void collect(writer *w, const lr_field_set *set);

static void collect_fields(writer *w, const lr_field *fields)
{
    for (const lr_field *field = fields; field && field->kind != LR_FIELD_END; field++) {
        if (!field->set)
            continue;
        int known = 0;
        for (int i = 0; i < w->count; i++)
            known |= w->set[i] == field->set;
        if (known || w->count == MOST_SETS)
            continue;
        w->set[w->count++] = field->set;
        collect(w, field->set);
    }
}

static void collect(writer *w, const lr_field_set *set)
{
    collect_fields(w, set->fields);
    for (int i = 0; set->variant_key && set->variants[i].name; i++)
        collect_fields(w, set->variants[i].fields);
}

// ---- One value ----

static void write_limits(lr_text *out, const lr_field *field)
{
    const lr_interval range = lr_field_interval(field);
    if (isfinite(range.lo)) {
        lr_text_add(out, range.lo_open ? ", \"exclusiveMinimum\": " : ", \"minimum\": ");
        lr_text_number(out, range.lo);
    }
    if (isfinite(range.hi)) {
        lr_text_add(out, range.hi_open ? ", \"exclusiveMaximum\": " : ", \"maximum\": ");
        lr_text_number(out, range.hi);
    }
}

static void write_number_type(lr_text *out, const char *type, const lr_field *field)
{
    lr_text_add(out, "\"type\": \"%s\"", type);
    write_limits(out, field);
}

static void write_integer_type(lr_text *out, const lr_field *field)
{
    const lr_interval range = lr_field_interval(field);
    write_number_type(out, "integer", field);
    if (isinf(range.lo))
        lr_text_add(out, ", \"minimum\": %d", INT_MIN);
    if (isinf(range.hi))
        lr_text_add(out, ", \"maximum\": %d", INT_MAX);
}

static void write_table_type(lr_text *out, const lr_field *field)
{
    lr_text_add(out, "\"anyOf\": [{");
    write_number_type(out, "number", field);
    lr_text_add(out, "}, {\"type\": \"object\", \"properties\": {");
    lr_text_quote(out, field->x_key);
    lr_text_add(out, ": {\"type\": \"array\", \"minItems\": 1, \"items\": {\"type\": \"number\"}}, ");
    lr_text_quote(out, field->y_key);
    lr_text_add(out, ": {\"type\": \"array\", \"minItems\": 1, \"items\": {");
    write_number_type(out, "number", field);
    lr_text_add(out, "}}, \"comment\": {\"type\": \"string\"}}, \"required\": [");
    lr_text_quote(out, field->x_key);
    lr_text_add(out, ", ");
    lr_text_quote(out, field->y_key);
    lr_text_add(out, "], \"additionalProperties\": false}]");
}

static void write_words(lr_text *out, const char *const *words)
{
    for (int i = 0; words[i]; i++) {
        lr_text_add(out, i ? ", " : "");
        lr_text_quote(out, words[i]);
    }
}

// What stands behind the brace of a CUSTOM fragment, without its braces.
static void write_fragment(lr_text *out, const char *fragment)
{
    const char *open = strchr(fragment, '{'), *close = strrchr(fragment, '}');
    if (open && close && close > open)
        lr_text_add(out, "%.*s", (int)(close - open - 1), open + 1);
}

static void write_type(lr_text *out, const lr_field *field)
{
    switch (field->kind) {
    case LR_FIELD_NUMBER: write_number_type(out, "number", field); break;
    case LR_FIELD_INTEGER: write_integer_type(out, field); break;
    case LR_FIELD_SEED:
        lr_text_add(out, "\"anyOf\": [{\"type\": \"integer\", \"minimum\": 0, \"maximum\": 9007199254740992}, "
                         "{\"type\": \"string\", \"pattern\": \"^[0-9]+$\"}]");
        break;
    case LR_FIELD_BOOL: lr_text_add(out, "\"type\": \"boolean\""); break;
    case LR_FIELD_TEXT: lr_text_add(out, "\"type\": \"string\", \"maxLength\": %d", field->count - 1); break;
    case LR_FIELD_CHOICE:
        lr_text_add(out, "\"enum\": [");
        write_words(out, field->choices);
        lr_text_add(out, "]");
        break;
    case LR_FIELD_VECTOR:
        lr_text_add(out, "\"type\": \"array\", \"minItems\": %d, \"maxItems\": %d, \"items\": {", field->count, field->count);
        write_number_type(out, "number", field);
        lr_text_add(out, "}");
        break;
    case LR_FIELD_TABLE: write_table_type(out, field); break;
    case LR_FIELD_OBJECT: lr_text_add(out, "\"$ref\": \"#/$defs/%s\"", field->set->name); break;
    case LR_FIELD_LIST:
        lr_text_add(out, "\"type\": \"array\", \"minItems\": %d, \"maxItems\": %d, \"items\": {\"$ref\": \"#/$defs/%s\"}",
                    field->count_min, field->count ? field->count : LR_FIELD_LIST_MOST, field->set->name);
        break;
    case LR_FIELD_CUSTOM: write_fragment(out, field->schema ? field->schema : "{}"); break;
    case LR_FIELD_END: break;
    }
}

// ---- Defaults ----

static int is_allowed(const lr_field *field, double value)
{
    const lr_interval range = lr_field_interval(field);
    return isfinite(value) && (range.lo_open ? value > range.lo : value >= range.lo) &&
           (range.hi_open ? value < range.hi : value <= range.hi);
}

// In the unit of the file: 0.045 m times 1000 is not quite 45, so twelve digits.
static void write_default_number(lr_text *out, const lr_field *field, double value)
{
    const double in_file = field->scale != 0.0 ? value/field->scale : value;
    if (is_allowed(field, in_file))
        lr_text_add(out, ", \"default\": %.12g", in_file);
}

// A field that must be given, or whose absence means something of its own, has no default to show.
static void write_default(lr_text *out, const lr_field *field, const char *record)
{
    if (!record || (field->flags & LR_FIELD_REQUIRED) || field->present_offset)
        return;
    const void *value = record + field->offset;
    double number;
    int whole;
    switch (field->kind) {
    case LR_FIELD_NUMBER:
        memcpy(&number, value, sizeof number);
        write_default_number(out, field, number);
        break;
    case LR_FIELD_INTEGER:
        memcpy(&whole, value, sizeof whole);
        if (is_allowed(field, whole))
            lr_text_add(out, ", \"default\": %d", whole);
        break;
    case LR_FIELD_BOOL:
        memcpy(&whole, value, sizeof whole);
        lr_text_add(out, ", \"default\": %s", whole ? "true" : "false");
        break;
    case LR_FIELD_CHOICE:
        memcpy(&whole, value, sizeof whole);
        for (int i = 0; field->choices[i]; i++)
            if (i == whole) {
                lr_text_add(out, ", \"default\": ");
                lr_text_quote(out, field->choices[i]);
            }
        break;
    default: break;
    }
}

// ---- Objects ----

static void write_properties(lr_text *out, const lr_field *fields, const char *record, const char *indent, int *first)
{
    for (const lr_field *field = fields; field->kind != LR_FIELD_END; field++) {
        lr_text_add(out, "%s\n%s", *first ? "" : ",", indent);
        *first = 0;
        lr_text_quote(out, field->key);
        lr_text_add(out, ": {");
        const size_t before = out->length;
        write_type(out, field);
        write_default(out, field, record);
        if (field->about) {
            lr_text_add(out, out->length > before ? ", \"description\": " : "\"description\": ");
            lr_text_quote(out, field->about);
        }
        lr_text_add(out, "}");
    }
}

static void write_required(lr_text *out, const lr_field *fields, const char *format, const char *variant_key)
{
    int count = 0;
    if (format) {
        lr_text_add(out, "\"format\"");
        count++;
    }
    if (variant_key) {
        lr_text_add(out, count++ ? ", " : "");
        lr_text_quote(out, variant_key);
    }
    for (const lr_field *field = fields; field->kind != LR_FIELD_END; field++)
        if (field->flags & LR_FIELD_REQUIRED) {
            lr_text_add(out, count++ ? ", " : "");
            lr_text_quote(out, field->key);
        }
}

static void write_variant_property(lr_text *out, const lr_field_set *set, const char *indent, int *first)
{
    lr_text_add(out, "%s\n%s", *first ? "" : ",", indent);
    *first = 0;
    lr_text_quote(out, set->variant_key);
    lr_text_add(out, ": {\"oneOf\": [");
    for (int i = 0; set->variants[i].name; i++) {
        lr_text_add(out, i ? ", {\"const\": " : "{\"const\": ");
        lr_text_quote(out, set->variants[i].name);
        if (set->variants[i].about) {
            lr_text_add(out, ", \"description\": ");
            lr_text_quote(out, set->variants[i].about);
        }
        lr_text_add(out, "}");
    }
    lr_text_add(out, "]");
    if (set->variant_default >= 0) {
        lr_text_add(out, ", \"default\": ");
        lr_text_quote(out, set->variants[set->variant_default].name);
    }
    lr_text_add(out, "}");
}

// If the key names this variant (or is absent and this is the default), then its fields.
static void write_variants(lr_text *out, const lr_field_set *set, const char *record, const char *indent)
{
    lr_text_add(out, ",\n%s\"allOf\": [", indent);
    for (int i = 0; set->variants[i].name; i++) {
        const lr_variant *variant = &set->variants[i];
        lr_text_add(out, "%s\n%s {\"if\": {\"properties\": {", i ? "," : "", indent);
        lr_text_quote(out, set->variant_key);
        lr_text_add(out, ": {\"const\": ");
        lr_text_quote(out, variant->name);
        lr_text_add(out, "}}");
        if (i != set->variant_default) {
            lr_text_add(out, ", \"required\": [");
            lr_text_quote(out, set->variant_key);
            lr_text_add(out, "]");
        }
        lr_text_add(out, "}, \"then\": {\"properties\": {");
        int first = 1;
        if (variant->fields)
            write_properties(out, variant->fields, record, indent, &first);
        lr_text_add(out, "}, \"required\": [");
        if (variant->fields)
            write_required(out, variant->fields, NULL, NULL);
        lr_text_add(out, "]}}");
    }
    lr_text_add(out, "]");
}

static void write_object(lr_text *out, const lr_field_set *set, int top, const char *indent)
{
    char *record = malloc(set->size ? set->size : 1);  // without memory the schema only lacks its defaults
    if (record)
        lr_fields_defaults(set, record);
    int first = 1;
    lr_text_add(out, "\"type\": \"object\", \"properties\": {");
    if (top)
        lr_text_add(out, "\n%s\"$schema\": {\"type\": \"string\"},", indent);
    if (set->format) {
        lr_text_add(out, "\n%s\"format\": {\"const\": ", indent);
        lr_text_quote(out, set->format);
        lr_text_add(out, "},");
    }
    if (set->variant_key)
        write_variant_property(out, set, indent, &first);
    write_properties(out, set->fields, record, indent, &first);
    lr_text_add(out, "%s\n%s\"comment\": {\"type\": \"string\"}},\n%s\"required\": [", first ? "" : ",", indent, indent);
    write_required(out, set->fields, top ? set->format : NULL, set->variant_default < 0 ? set->variant_key : NULL);
    lr_text_add(out, "]");
    if (set->variant_key)
        write_variants(out, set, record, indent);
    lr_text_add(out, ",\n%s\"%s\": false", indent, set->variant_key ? "unevaluatedProperties" : "additionalProperties");
    if (record)
        lr_fields_free(set, record);
    free(record);
}

void lr_fields_schema(const lr_field_set *set, const char *title, const char *extra_defs, lr_text *out)
{
    writer w = {.out = out};
    collect(&w, set);
    lr_text_add(out, "{\n  \"$schema\": \"https://json-schema.org/draft/2020-12/schema\",\n  \"title\": ");
    lr_text_quote(out, title);
    lr_text_add(out, ",\n  ");
    write_object(out, set, 1, "  ");
    lr_text_add(out, ",\n  \"$defs\": {");
    for (int i = 0; i < w.count; i++) {
        lr_text_add(out, "%s\n    ", i ? "," : "");
        lr_text_quote(out, w.set[i]->name);
        lr_text_add(out, ": {");
        write_object(out, w.set[i], 0, "      ");
        lr_text_add(out, "}");
    }
    if (extra_defs && *extra_defs)
        lr_text_add(out, "%s\n    %s", w.count ? "," : "", extra_defs);
    lr_text_add(out, "\n  }\n}\n");
}
