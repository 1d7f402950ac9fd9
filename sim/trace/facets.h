// SPDX-License-Identifier: Apache-2.0
// Triangles made ready for the ray tracer: corners in float, and beside each triangle what a hit needs to know.
#ifndef LR_TRACE_FACETS_H
#define LR_TRACE_FACETS_H

#include <stdint.h>

#include "core/status.h"
#include "scene/scene.h"

typedef enum lr_layer { LR_LAYER_OPAQUE, LR_LAYER_PANES, LR_LAYERS } lr_layer;

typedef struct lr_facet {
    float nx, ny, nz;            // unit normal by the winding, from the corners in double
    int32_t object, primitive;   // of the scene; triangle of the object's mesh
} lr_facet;

typedef struct lr_facets {
    int64_t count, corner_count, count_reserved, corner_reserved;
    float (*corner)[3];          // (corner_count x 3), with room behind the last for a 16-byte load
    uint32_t (*triangle)[3];     // (count x 3)
    lr_facet *facet;             // (count)
} lr_facets;

// Which layer a slot's material puts a surface in.
lr_layer lr_layer_of(const lr_scene *scene, const lr_object *object, int slot);
// Triangles (curved: 1 for the shape) that an object has in a layer.
int lr_layer_count(const lr_scene *scene, const lr_object *object, lr_layer layer);

// How the ray tracer holds what an object has in a layer.
typedef enum lr_holding { LR_HELD_NOT, LR_HELD_AS_TRIANGLES, LR_HELD_AS_INSTANCE, LR_HELD_AS_BODY } lr_holding;
lr_holding lr_holding_of(const lr_scene *scene, int object, lr_layer layer);

// Makes room for `corners` and `triangles` more. MEMORY
lr_status lr_facets_reserve(lr_facets *facets, int64_t corners, int64_t triangles, lr_error *err);
// Appends the object's triangles of one layer; `to_world` 1: at rest in the world, 0: as they are in the mesh. Needs the room.
void lr_facets_add(lr_facets *facets, const lr_scene *scene, int object, lr_layer layer, int to_world);
void lr_facets_free(lr_facets *facets);

#endif
