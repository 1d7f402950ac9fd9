// SPDX-License-Identifier: Apache-2.0
// What the tables of a scene's keys share. Private to sim/scene.
#ifndef LR_SCENE_SCENE_FIELDS_H
#define LR_SCENE_SCENE_FIELDS_H

#include "core/fields.h"
#include "core/vec.h"

#define LR_FAR_M 1e5            // places
#define LR_TURN_DEG 1e5         // turns: motion may wind on
#define LR_SIZE_LEAST_M 1e-6    // sizes
#define LR_SIZE_MOST_M 1e4

#define LR_MATERIAL_SCHEMA "{\"anyOf\": [{\"type\": \"string\"}, {\"$ref\": \"#/$defs/material\"}]}"

extern const lr_field_set lr_light_fields;

#endif
