// SPDX-License-Identifier: Apache-2.0
// Strict JSON: duplicate keys, non-finite numbers, trailing text and NUL inside strings are errors; every message
// names file and key path (`head.json: modules[0].cameras[1].lens.f_number: ...`). The parser stays hidden.
#ifndef LR_CORE_JSON_H
#define LR_CORE_JSON_H

#include <stddef.h>

#include "core/status.h"

typedef struct lr_json lr_json;  // one parsed file
typedef struct lr_node lr_node;  // a value inside it, borrowed; never defined

#define LR_JSON_MAX_BYTES (64u << 20)  // a larger file is refused: a person's scene is far below

// `name` is used in messages. `text` need not end in NUL. Errors: PARSE (with line and column), MEMORY.
lr_status lr_json_parse(const char *name, const char *text, size_t length, lr_json **out, lr_error *err);
lr_status lr_json_load(const char *path, lr_json **out, lr_error *err);  // also MISSING
void lr_json_free(lr_json *json);  // NULL is fine

const char *lr_json_name(const lr_json *json);
lr_node *lr_json_root(const lr_json *json);

// Replaces the value at `path` ("modules.0.cameras.*.exposure_us", or "modules[0].cameras[*].exposure_us" as messages
// print it): numbers index lists, * means all entries; objects that are missing on the way are made, entries of lists are not.
// `value` is JSON, or taken as text when it does not parse. On a fault nothing is changed. Errors: RANGE, MEMORY.
lr_status lr_json_override(lr_json *json, const char *path, const char *value, lr_error *err);

// Whole document as text, indented, shortest numbers that read back to the same double. Caller frees. NULL: no memory.
char *lr_json_print(const lr_json *json);

typedef enum lr_json_kind { LR_JSON_NULL, LR_JSON_BOOL, LR_JSON_NUMBER, LR_JSON_TEXT, LR_JSON_LIST, LR_JSON_OBJECT } lr_json_kind;
lr_json_kind lr_node_kind(const lr_node *node);
double lr_node_number(const lr_node *node);      // only of a number
int lr_node_bool(const lr_node *node);           // only of a bool
const char *lr_node_text(const lr_node *node);   // only of a text
lr_node *lr_node_get(const lr_node *object, const char *key);  // NULL if absent; case matters
lr_node *lr_node_first(const lr_node *list_or_object);
lr_node *lr_node_next(const lr_node *node);
const char *lr_node_key(const lr_node *node);    // of an object's member, else NULL
int lr_node_count(const lr_node *list_or_object);

// `file: key.path: message`. Returns LR_ERR_RANGE. `node` NULL means the file as a whole. Control characters that a
// hostile file smuggles into the message are replaced, so that it stays one line.
lr_status lr_json_fault(const lr_json *json, const lr_node *node, lr_error *err, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

// Building text: a growing buffer with JSON quoting; used for every JSON file we write.
typedef struct lr_text { char *data; size_t length, capacity; int failed; } lr_text;  // start from {0}
void lr_text_add(lr_text *text, const char *format, ...) __attribute__((format(printf, 2, 3)));
void lr_text_quote(lr_text *text, const char *value);    // with quotes and escapes
void lr_text_number(lr_text *text, double value);        // shortest that reads back; null if not finite
void lr_text_free(lr_text *text);

#endif
