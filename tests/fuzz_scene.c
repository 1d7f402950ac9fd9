// SPDX-License-Identifier: Apache-2.0
// Any bytes as a scene file: refused with one line, or a scene whose objects can be asked everything without harm.
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "scene/scene.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void use(lr_scene *scene)
{
    static const lr_bins bins = {.ambient_count = 1, .line_count = 1, .edge_m = {800e-9, 900e-9}, .center_m = {850e-9, 905e-9}};
    if (lr_scene_bake(scene, &bins, NULL) != LR_OK)
        return;
    for (int i = 0; i < scene->object_count && i < 100; ++i) {
        const lr_object *o = &scene->object[i];
        const lr_pose pose = lr_object_pose_at(o, 0.37);
        const lr_box3 box = lr_object_bounds(o, pose);
        lr_curved_hit hit;
        float scale;
        int material;
        if (!(box.lo.x <= box.hi.x) || o->label < 1 || o->label > scene->label_count)
            abort();
        if (!o->mesh && lr_curved_intersect(&o->curved, lr_v3(3, 2, 1), lr_v3(-3, -2, -1.01), 0, 1e30, &hit) && !(hit.t > 0))
            abort();
        lr_scene_surface(scene, i, 0, 0.3f, 0.3f, &scale, &material);
        if (material < 0 || material >= scene->material_count)
            abort();
    }
    for (int i = 0; i < scene->lamp_count; ++i) {
        lr_vec3 point, normal;
        lr_lamp_sample(scene, &scene->lamp[i], 0.3f, 0.6f, 0.9f, &point, &normal);
        if (!(fabs(lr_length(normal) - 1) < 1e-6) || !(scene->lamp[i].strength > 0))
            abort();
    }
    if (scene->sky.present && !(lr_sky_radiance(&scene->sky, lr_v3(0.6, 0, 0.8)) >= 0))
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    lr_json *json = NULL;
    lr_scene *scene = NULL;
    lr_error err = {""};
    lr_status status = lr_json_parse("scenes/fuzz.json", (const char *)data, size, &json, &err);
    if (status == LR_OK)
        status = lr_scene_from_json(json, "scenes", "", &scene, &err);
    if (status == LR_OK)
        use(scene);
    else if (!err.text[0] || strchr(err.text, '\n') || scene)
        abort();
    lr_scene_destroy(scene);
    lr_json_free(json);
    return 0;
}
