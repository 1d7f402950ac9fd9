// SPDX-License-Identifier: Apache-2.0
// Any bytes: parse, print, parse again, compare; then override with a path and a value from the same bytes.
// Build with -DLR_FUZZ=ON -DCMAKE_C_COMPILER=clang -DLR_SANITIZE=address,undefined; run fuzz_json -max_total_time=60.
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "core/json.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(int condition)
{
    if (!condition)
        abort();
}

static void compare(const lr_node *a, const lr_node *b)
{
    must(lr_node_kind(a) == lr_node_kind(b) && lr_node_count(a) == lr_node_count(b));
    must(!lr_node_key(a) == !lr_node_key(b) && (!lr_node_key(a) || strcmp(lr_node_key(a), lr_node_key(b)) == 0));
    switch (lr_node_kind(a)) {
    case LR_JSON_NUMBER: {
        const double x = lr_node_number(a), y = lr_node_number(b);
        must(memcmp(&x, &y, sizeof x) == 0);
        break;
    }
    case LR_JSON_TEXT: must(strcmp(lr_node_text(a), lr_node_text(b)) == 0); break;
    case LR_JSON_BOOL: must(lr_node_bool(a) == lr_node_bool(b)); break;
    default: break;
    }
    const lr_node *x = lr_node_first(a), *y = lr_node_first(b);
    for (; x && y; x = lr_node_next(x), y = lr_node_next(y))
        compare(x, y);
    must(!x && !y);
}

// The document printed and read again. `same` asks for equal trees: not after an override with bytes that are not UTF-8.
static void check_print(const lr_json *json, int same)
{
    char *text = lr_json_print(json);
    must(text != NULL);
    lr_json *again = NULL;
    must(lr_json_parse("again", text, strlen(text), &again, NULL) == LR_OK);
    if (same)
        compare(lr_json_root(json), lr_json_root(again));
    char *twice = lr_json_print(again);
    must(twice && strcmp(text, twice) == 0);
    free(twice);
    free(text);
    lr_json_free(again);
}

// Every node's message names one line.
static void check_faults(const lr_json *json, const lr_node *node, int *budget)
{
    lr_error err;
    must(lr_json_fault(json, node, &err, "%s", "message") == LR_ERR_RANGE);
    must(strlen(err.text) > 0 && !strchr(err.text, '\n') && strstr(err.text, "message"));
    for (const lr_node *child = lr_node_first(node); child && --*budget > 0; child = lr_node_next(child))
        check_faults(json, child, budget);
}

// The input is a document, then behind a byte 0 a path, then behind another a value.
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *copy = malloc(size + 2);
    must(copy != NULL);
    memcpy(copy, data, size);
    copy[size] = copy[size + 1] = '\0';
    const size_t length = strlen(copy);
    const char *path = length < size ? copy + length + 1 : "";
    const char *value = path[0] && path + strlen(path) < copy + size ? path + strlen(path) + 1 : "";

    lr_json *json = NULL;
    lr_error err = {""};
    const lr_status status = lr_json_parse("fuzz", copy, length, &json, &err);
    must((status == LR_OK) == (json != NULL));
    if (status != LR_OK) {
        must(status == LR_ERR_PARSE && err.text[0] && !strchr(err.text, '\n'));
    } else {
        int budget = 100;
        check_print(json, 1);
        check_faults(json, lr_json_root(json), &budget);
        const lr_status changed = lr_json_override(json, path, value, &err);
        must(changed == LR_OK || (changed == LR_ERR_RANGE && err.text[0] && !strchr(err.text, '\n')));
        check_print(json, 0);
        lr_json_free(json);
    }
    lr_json_parse("raw", (const char *)data, size, &json, NULL);  // NUL bytes inside
    lr_json_free(json);
    free(copy);
    return 0;
}
