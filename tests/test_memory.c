// SPDX-License-Identifier: Apache-2.0
// Every allocation of the core made to fail once: the status says so, nothing leaks, nothing crashes. The linker sends
// the core's malloc, calloc, realloc, strdup and free through the functions below; those inside libcjson and libpng it cannot.
#include <string.h>

#include "close.h"
#include "core/fields.h"
#include "core/file.h"
#include "core/png.h"
#include "core/thread.h"

void *__real_malloc(size_t size);
void *__real_calloc(size_t count, size_t size);
void *__real_realloc(void *old, size_t size);
char *__real_strdup(const char *text);
void __real_free(void *memory);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t count, size_t size);
void *__wrap_realloc(void *old, size_t size);
char *__wrap_strdup(const char *text);
void __wrap_free(void *memory);

static long countdown;  // fails the allocation that brings it to 0; negative: never
static long live;       // allocated and not yet freed

static int fails(void) { return countdown > 0 && --countdown == 0; }

static void *count(void *memory)
{
    live += memory != NULL;
    return memory;
}

void *__wrap_malloc(size_t size) { return fails() ? NULL : count(__real_malloc(size)); }
void *__wrap_calloc(size_t n, size_t size) { return fails() ? NULL : count(__real_calloc(n, size)); }
char *__wrap_strdup(const char *text) { return fails() ? NULL : count(__real_strdup(text)); }
void *__wrap_realloc(void *old, size_t size)
{
    if (fails())
        return NULL;
    void *memory = __real_realloc(old, size);
    live += !old && memory;
    return memory;
}
void __wrap_free(void *memory)
{
    live -= memory != NULL;
    __real_free(memory);
}

// Runs `scenario` with its first allocation failing, then its second, and so on until none is left to fail.
// `foreign` allocations more are freed inside libcjson when all goes well. `may_survive`: a failure need not be told.
static void sweep(lr_status (*scenario)(void), long foreign, int may_survive, int at_least)
{
    for (long n = 1; n < 10000; n++) {
        countdown = n;
        live = 0;
        const lr_status status = scenario();
        const int failed = countdown == 0;
        countdown = -1;
        if (!failed) {
            assert_int_equal(status, LR_OK);
            assert_int_equal(live, foreign);
            assert_true(n > at_least);  // the sweep did meet the allocations it is about
            return;
        }
        if (!may_survive)
            assert_int_equal(status, LR_ERR_MEMORY);
        assert_true(live >= 0 && live <= foreign);
    }
    fail();
}

static lr_status tables(void)
{
    lr_table a = {0}, b = {0};
    lr_status status = lr_table_create(2, (double[]){1, 2}, (double[]){3, 4}, &a, NULL);
    if (status == LR_OK)
        status = lr_table_copy(&a, &b, NULL);
    lr_table_free(&a);
    lr_table_free(&b);
    return status;
}

static const char document[] = "{\"t\": {\"x\": [1, 2], \"y\": [3, 4]}, \"list\": [{\"t\": 1, \"v\": \"two\"}, {\"t\": 2, \"v\": \"one\"}], \"v\": \"one\"}";

static lr_status parse_and_print(void)
{
    lr_json *json = NULL;
    lr_status status = lr_json_parse("a.json", document, sizeof document - 1, &json, NULL);
    char *text = status == LR_OK ? lr_json_print(json) : NULL;
    if (status == LR_OK && !text)
        status = LR_ERR_MEMORY;
    free(text);
    lr_json_free(json);
    return status;
}

static lr_status fault_message(void)
{
    lr_json *json = NULL;
    lr_error err = {""};
    lr_status status = lr_json_parse("a.json", document, sizeof document - 1, &json, NULL);
    if (status == LR_OK && lr_json_fault(json, lr_node_get(lr_json_root(json), "list"), &err, "x") != LR_ERR_RANGE)
        status = LR_ERR_IO;
    lr_json_free(json);
    return status;
}

static lr_status overriding(void)
{
    lr_json *json = NULL;
    lr_status status = lr_json_parse("a.json", document, sizeof document - 1, &json, NULL);
    if (status == LR_OK)
        status = lr_json_override(json, "list.*.t", "{\"x\": [1], \"y\": [2]}", NULL);
    lr_json_free(json);
    return status;
}

// A record with lists inside lists' entries, tables and variants.
typedef struct part { lr_table t; int kind; } part;
typedef struct whole { lr_table t; part *list; int count, kind; } whole;

static const lr_variant kinds[] = {{"one", NULL, NULL}, {"two", NULL, NULL}, {NULL, NULL, NULL}};
static const lr_field part_fields[] = {
    {.key = "t", .kind = LR_FIELD_TABLE, .offset = offsetof(part, t), .x_key = "x", .y_key = "y"},
    {.kind = LR_FIELD_END},
};
static const lr_field_set part_set = {.name = "part", .size = sizeof(part), .fields = part_fields, .variant_key = "v",
                                      .variant_offset = offsetof(part, kind), .variants = kinds, .variant_default = -1};
static const lr_field whole_fields[] = {
    {.key = "t", .kind = LR_FIELD_TABLE, .offset = offsetof(whole, t), .x_key = "x", .y_key = "y"},
    {.key = "list", .kind = LR_FIELD_LIST, .offset = offsetof(whole, list), .count_offset = offsetof(whole, count), .set = &part_set},
    {.kind = LR_FIELD_END},
};
static const lr_field_set whole_set = {.name = "whole", .size = sizeof(whole), .fields = whole_fields, .variant_key = "v",
                                       .variant_offset = offsetof(whole, kind), .variants = kinds, .variant_default = 0};

static lr_status read_fields(void)
{
    lr_json *json = NULL;
    whole w;
    lr_status status = lr_json_parse("a.json", document, sizeof document - 1, &json, NULL);
    if (status == LR_OK) {
        status = lr_fields_read(json, lr_json_root(json), &whole_set, &w, NULL, NULL);
        if (status == LR_OK)
            lr_fields_free(&whole_set, &w);
    }
    lr_json_free(json);
    return status;
}

static lr_status unknown_key(void)
{
    lr_json *json = NULL;
    whole w;
    lr_status status = lr_json_parse("a.json", "{\"lits\": 1}", 11, &json, NULL);
    if (status == LR_OK)
        status = lr_fields_read(json, lr_json_root(json), &whole_set, &w, NULL, NULL) == LR_ERR_MEMORY ? LR_ERR_MEMORY : LR_OK;
    lr_json_free(json);
    return status;
}

static lr_status schema(void)
{
    lr_text text = {0};
    lr_fields_schema(&whole_set, "Whole", NULL, &text);
    const lr_status status = text.failed ? LR_ERR_MEMORY : LR_OK;
    lr_text_free(&text);
    return status;
}

static lr_status read_file(void)
{
    char *data;
    size_t length;
    const lr_status status = lr_file_read("CMakeLists.txt", 1 << 20, &data, &length, NULL);
    free(data);
    return status;
}

static lr_status write_picture(void)
{
    const uint8_t pixel = 1;
    return lr_png_write8("/dev/null", 1, 1, 1, &pixel, NULL);
}

static lr_status nothing(void *context, int64_t job, int worker, lr_error *err)
{
    (void)context;
    (void)job;
    (void)worker;
    (void)err;
    return LR_OK;
}

static lr_status threads(void) { return lr_threads_run(2, 3, nothing, NULL, NULL); }

static void each_allocation_fails_once(void **state)
{
    (void)state;
    sweep(tables, 0, 0, 4);
    sweep(parse_and_print, 0, 0, 5);
    sweep(fault_message, 0, 1, 5);    // a message without its path is better than none
    sweep(overriding, 2, 0, 5);       // the keys of the two new members are freed by libcjson
    sweep(read_fields, 0, 0, 15);
    sweep(unknown_key, 0, 0, 2);
    sweep(schema, 0, 1, 2);           // without its defaults it is still a schema
    sweep(read_file, 0, 0, 1);
    sweep(write_picture, 0, 0, 1);
    sweep(threads, 0, 0, 1);
}

int main(void)
{
    countdown = -1;
    const struct CMUnitTest tests[] = {cmocka_unit_test(each_allocation_fails_once)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
