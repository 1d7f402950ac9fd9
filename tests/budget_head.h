// SPDX-License-Identifier: Apache-2.0
// Heads from JSON text and their budgets, for tests of budgets.
#ifndef LR_TESTS_BUDGET_HEAD_H
#define LR_TESTS_BUDGET_HEAD_H

#include "close.h"

#include <stdarg.h>
#include <string.h>

#include "study/budget.h"

static inline lr_head *head_of(const char *text)
{
    lr_error err = {0};
    lr_json *json = NULL;
    lr_head *head = NULL;
    lr_status s = lr_json_parse("head.json", text, strlen(text), &json, &err);
    if (s == LR_OK) s = lr_head_from_json(json, ".", &head, &err);
    lr_json_free(json);
    if (s != LR_OK) {
        print_error("%s\n", err.text);
        fail();
    }
    return head;
}

static inline lr_head *head_file(const char *path)
{
    lr_error err = {0};
    lr_head *head = NULL;
    if (lr_head_load(path, &head, &err) != LR_OK) {
        print_error("%s\n", err.text);
        fail();
    }
    return head;
}

static inline lr_budget *budget_of(const lr_head *head, const lr_budget_def *def)
{
    lr_error err = {0};
    lr_budget *b = NULL;
    const lr_budget_def standard = lr_budget_def_default();
    if (lr_budget_create(head, def ? def : &standard, &b, &err) != LR_OK) {
        print_error("%s\n", err.text);
        fail();
    }
    return b;
}

// A pair of cameras, +-100 mm, that see +-60 degrees (equidistant), and one laser between them; what is left out is filled in by `more` texts.
#define CAMERA(name, height, lens, sensor) \
    "{\"name\": \"" name "\", \"height_mm\": " height ", \"lens\": {" lens "}, \"sensor\": {" sensor "}, \"exposure_us\": 100}"
#define HEAD(spin, cameras, lasers, rest) \
    "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {" spin "}, \"modules\": [{\"name\": \"m\", \"cameras\": [" cameras "], \"lasers\": [" lasers "]}]" rest "}"

#endif
