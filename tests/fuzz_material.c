// SPDX-License-Identifier: Apache-2.0
// Any bytes as a material file: refused with a message, or a surface whose values are finite and give no energy.
#include <math.h>
#include <stdint.h>
#include <stdlib.h>

#include "scene/material_json.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void use(const lr_material_def *def)
{
    static const lr_bins bins = {.ambient_count = 1, .line_count = 1, .edge_m = {800e-9, 900e-9}, .center_m = {850e-9, 905e-9}};
    static const lr_vec3f wo = {0.6f, 0.0f, 0.8f};
    lr_surface s;
    lr_surface_sample sample;
    lr_surface_bake(def, &bins, &s);
    for (int k = 0; k < 16; k++) {
        if (!lr_surface_draw(&s, 1.0f, wo, (float)k/16, (float)(k*7 % 16)/16, (float)(k*5 % 16)/16, &sample))
            continue;
        for (int b = 0; b < s.bin_count; b++)
            if (!(sample.weight[b] >= 0.0f && isfinite(sample.weight[b])))
                abort();
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    lr_json *json = NULL;
    lr_material_def def;
    lr_error err = {{0}};
    if (lr_json_parse("fuzz", (const char *)data, size, &json, &err) != LR_OK) {
        if (!err.text[0])
            abort();
        return 0;
    }
    if (lr_material_from_json(json, &def, &err) == LR_OK) {
        use(&def);
        lr_material_def_free(&def);
    } else if (!err.text[0]) {
        abort();
    }
    lr_json_free(json);
    return 0;
}
