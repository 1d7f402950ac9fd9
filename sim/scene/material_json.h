// SPDX-License-Identifier: Apache-2.0
// The keys of a material, in a file of its own or inside a scene. lr_material_load and lr_material_schema are in scene.h.
#ifndef LR_SCENE_MATERIAL_JSON_H
#define LR_SCENE_MATERIAL_JSON_H

#include "core/fields.h"
#include "scene/material.h"

// Records are lr_material_def, checked whole. Inside a scene: no "format" and "source" may be left out.
// `$defs` name: "material".
const lr_field_set *lr_material_fields(void);
// A file: begins with "format": "lanternroom-material/1", must name its source.
const lr_field_set *lr_material_file_fields(void);

// A material file that is parsed already; an empty name becomes the file's own ("a/oak.json": "oak").
lr_status lr_material_from_json(const lr_json *json, lr_material_def *out, lr_error *err);

#endif
