// SPDX-License-Identifier: Apache-2.0
// What reading, freeing and the schema share about tables of fields. For sim/core/fields*.c only.
#ifndef LR_CORE_FIELDS_WALK_H
#define LR_CORE_FIELDS_WALK_H

#include "core/fields.h"

#define LR_FIELD_LIST_MOST 1000000  // entries of a list where the table names no limit

typedef struct lr_interval { double lo, hi; int lo_open, hi_open; } lr_interval;  // infinite where there is no limit
lr_interval lr_field_interval(const lr_field *field);

int *lr_field_int(void *record, size_t offset);
void *lr_field_list(const lr_field *field, const void *record);
void lr_field_set_list(const lr_field *field, void *record, void *entries);
void lr_field_free_list(const lr_field *field, void *record);  // leaves it empty

// Fields of the variant chosen in `record`; NULL if none.
const lr_field *lr_variant_fields(const lr_field_set *set, const void *record);
// Frees what the variant chosen so far holds, and gives the objects inside the new one their defaults.
void lr_variant_choose(const lr_field_set *set, void *record, int chosen);
// Names of the variants, ending in NULL. Caller frees the array. NULL: no memory.
const char **lr_variant_names(const lr_field_set *set);

// Faults: a key of the object that is in no table, or a "comment" that is not a text.
lr_status lr_fields_check_keys(const lr_json *json, const lr_node *object, const lr_field_set *set, const void *record, lr_error *err);
// Fault if the member's key is not among `known`, which ends in NULL.
lr_status lr_field_known(const lr_json *json, const lr_node *member, const char *const *known, lr_error *err);

#endif
