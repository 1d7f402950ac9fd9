// SPDX-License-Identifier: Apache-2.0
// One table per kind of JSON object: it reads the object into a plain struct, checks every value, finds unknown keys
// (naming the nearest known one), and writes the JSON Schema that editors use. A key exists in one place only.
#ifndef LR_CORE_FIELDS_H
#define LR_CORE_FIELDS_H

#include <stddef.h>

#include "core/json.h"
#include "core/table.h"

typedef enum lr_field_kind {
    LR_FIELD_END = 0,
    LR_FIELD_NUMBER,   // double, file value times `scale`
    LR_FIELD_INTEGER,  // int
    LR_FIELD_SEED,     // uint64_t, a whole number up to 2^53 or a text of digits
    LR_FIELD_BOOL,     // int 0 or 1
    LR_FIELD_TEXT,     // char[count], cut is an error
    LR_FIELD_CHOICE,   // int: index into `choices`
    LR_FIELD_VECTOR,   // double[count], each times `scale`
    LR_FIELD_TABLE,    // lr_table: a number, or {x_key: [...], y_key: [...]}; y in [lo, hi], x times `scale`, y times `y_scale`
    LR_FIELD_OBJECT,   // struct of `set`, in place
    LR_FIELD_LIST,     // pointer to array of `set`'s structs at offset, int count at `count_offset`; the array is malloc'd
    LR_FIELD_CUSTOM,   // `read` does it; `schema` tells the schema
} lr_field_kind;

enum { LR_FIELD_REQUIRED = 1, LR_FIELD_ABOVE = 2 /* lo is excluded */, LR_FIELD_BELOW = 4 /* hi is excluded */ };

typedef struct lr_field lr_field;
typedef struct lr_field_set lr_field_set;
typedef lr_status (*lr_field_read)(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err);

struct lr_field {
    const char *key;
    lr_field_kind kind;
    size_t offset;              // of the value in the record
    size_t present_offset;      // of an int set to 1 when the key is given; 0 = not wanted
    size_t count_offset;        // LIST
    int flags;
    double scale, y_scale;      // 0 means 1
    double lo, hi;              // allowed interval as written in the file; both 0 means any finite number, or with ABOVE
                                // any above 0; INFINITY and -INFINITY for one side only
    int count;                  // VECTOR length, TEXT capacity, LIST longest allowed (0: 1,000,000)
    int count_min;              // LIST shortest allowed
    const char *const *choices; // CHOICE, ends in NULL
    const char *x_key, *y_key;  // TABLE
    const lr_field_set *set;    // OBJECT, LIST; CUSTOM: one that its schema refers to, or NULL
    lr_field_read read;         // CUSTOM
    const char *schema;         // CUSTOM: a JSON Schema fragment, may refer to "#/$defs/NAME"
    const char *about;          // one line for people: becomes the schema's description
};

// A variant adds its own fields, chosen by the text under `variant_key` ("shape": "box").
typedef struct lr_variant { const char *name; const lr_field *fields; const char *about; } lr_variant;

struct lr_field_set {
    const char *name;             // of the schema's $defs entry
    size_t size;                  // of the record
    void (*defaults)(void *record);   // NULL: all zero. Objects inside have their own defaults already and may be changed
                                      // here. Memory allocated here for a variant's field is freed by `destroy`.
    const lr_field *fields;       // common ones, ends with kind END
    const char *variant_key;      // NULL: no variants
    size_t variant_offset;        // int: index into variants
    const lr_variant *variants;   // ends with name NULL
    int variant_default;          // index used when the key is absent, -1: the key is required
    const char *format;           // "lanternroom-scene/1": key "format" is required to be this at the top level of a file;
                                  // where the same object stands inside another file it may be absent
    lr_status (*check)(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err);  // after reading; may be NULL
    void (*destroy)(void *record);    // frees what reading allocated beyond lists and tables; sees half-read records too; may be NULL
};

// Every object may also hold a text under "comment", and a file's top level one under "$schema".
// A record all zero, then with the defaults of objects inside, then its own.
void lr_fields_defaults(const lr_field_set *set, void *record);
// Fills `record` (defaults first). On failure everything allocated inside is freed. `context` goes to read and check.
// Errors: RANGE with the key path, MEMORY.
lr_status lr_fields_read(const lr_json *json, const lr_node *node, const lr_field_set *set, void *record, void *context, lr_error *err);
// Frees lists and tables inside, calls `destroy`, and leaves the record all zero, so that freeing twice is fine.
void lr_fields_free(const lr_field_set *set, void *record);

// The JSON Schema (draft 2020-12) of a file whose top level is `set`, with $defs of everything it reaches.
// `title` and `extra_defs` (more $defs members as JSON text, or NULL) go in as they are.
void lr_fields_schema(const lr_field_set *set, const char *title, const char *extra_defs, lr_text *out);

// The nearest of `known` to `word` by edit distance if close enough to suggest, else NULL. `known` ends in NULL.
const char *lr_nearest_word(const char *word, const char *const *known);

#endif
