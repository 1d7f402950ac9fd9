// SPDX-License-Identifier: Apache-2.0
// Tables of the keys of a head file's parts. For sim/head/*_json.c only.
#ifndef LR_HEAD_PART_FIELDS_H
#define LR_HEAD_PART_FIELDS_H

#include "core/fields.h"

extern const lr_field_set lr_error_fields;   // record: double offset_m[3], rotate_rad[3]
extern const lr_field_set lr_camera_fields;  // record: lr_camera_def
extern const lr_field_set lr_laser_fields;   // record: lr_laser_def

// A fault found by a def's check, told at its place in the file: `text` is "key.key: what is wrong", keys below `node`.
lr_status lr_part_fault(const lr_json *json, const lr_node *node, const char *text, lr_error *err);

#endif
