// SPDX-License-Identifier: Apache-2.0
// Records on their own, without a file: defaults, variants and freeing.
#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core/fields_walk.h"

lr_interval lr_field_interval(const lr_field *field)
{
    lr_interval range = {field->lo, field->hi, (field->flags & LR_FIELD_ABOVE) != 0, (field->flags & LR_FIELD_BELOW) != 0};
    if (field->lo == 0.0 && field->hi == 0.0) {
        if (!range.lo_open)
            range.lo = -HUGE_VAL;
        if (!range.hi_open)
            range.hi = HUGE_VAL;
    }
    assert(range.lo <= range.hi);  // INFINITY where only one side is meant
    return range;
}

int *lr_field_int(void *record, size_t offset) { return (int *)(void *)((char *)record + offset); }

// The pointer in the record has its own type, so its bytes are copied rather than seen as a void *.
void *lr_field_list(const lr_field *field, const void *record)
{
    void *entries;
    memcpy(&entries, (const char *)record + field->offset, sizeof entries);
    return entries;
}

void lr_field_set_list(const lr_field *field, void *record, void *entries)
{
    memcpy((char *)record + field->offset, &entries, sizeof entries);
}

void lr_field_free_list(const lr_field *field, void *record)
{
    char *entries = lr_field_list(field, record);
    int *count = lr_field_int(record, field->count_offset);
    for (int i = 0; entries && i < *count; i++)
        lr_fields_free(field->set, entries + (size_t)i*field->set->size);
    free(entries);
    lr_field_set_list(field, record, NULL);
    *count = 0;
}

static void defaults_inside(const lr_field *fields, void *record)
{
    for (const lr_field *field = fields; field->kind != LR_FIELD_END; field++)
        if (field->kind == LR_FIELD_OBJECT)
            lr_fields_defaults(field->set, (char *)record + field->offset);
}

static void free_inside(const lr_field *fields, void *record)
{
    for (const lr_field *field = fields; field->kind != LR_FIELD_END; field++) {
        void *value = (char *)record + field->offset;
        if (field->kind == LR_FIELD_OBJECT)
            lr_fields_free(field->set, value);
        else if (field->kind == LR_FIELD_TABLE)
            lr_table_free(value);
        else if (field->kind == LR_FIELD_LIST)
            lr_field_free_list(field, record);
    }
}

const lr_field *lr_variant_fields(const lr_field_set *set, const void *record)
{
    if (!set->variant_key)
        return NULL;
    int chosen;
    memcpy(&chosen, (const char *)record + set->variant_offset, sizeof chosen);
    return chosen >= 0 ? set->variants[chosen].fields : NULL;
}

void lr_variant_choose(const lr_field_set *set, void *record, int chosen)
{
    int *current = lr_field_int(record, set->variant_offset);
    if (*current == chosen)
        return;
    const lr_field *old = lr_variant_fields(set, record);
    if (old)
        free_inside(old, record);
    *current = chosen;
    const lr_field *fresh = lr_variant_fields(set, record);
    if (fresh)
        defaults_inside(fresh, record);
}

const char **lr_variant_names(const lr_field_set *set)
{
    size_t count = 0;
    while (set->variants[count].name)
        count++;
    const char **names = malloc((count + 1)*sizeof *names);
    if (!names)
        return NULL;
    for (size_t i = 0; i <= count; i++)
        names[i] = set->variants[i].name;
    return names;
}

void lr_fields_defaults(const lr_field_set *set, void *record)
{
    memset(record, 0, set->size);
    defaults_inside(set->fields, record);
    if (set->variant_key) {
        *lr_field_int(record, set->variant_offset) = set->variant_default;
        const lr_field *more = lr_variant_fields(set, record);
        if (more)
            defaults_inside(more, record);
    }
    if (set->defaults)
        set->defaults(record);
    if (set->variant_key)
        *lr_field_int(record, set->variant_offset) = set->variant_default;
}

void lr_fields_free(const lr_field_set *set, void *record)
{
    if (!record)
        return;
    free_inside(set->fields, record);
    const lr_field *more = lr_variant_fields(set, record);
    if (more)
        free_inside(more, record);
    if (set->destroy)
        set->destroy(record);
    memset(record, 0, set->size);
}
