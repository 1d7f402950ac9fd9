// SPDX-License-Identifier: Apache-2.0
// Any bytes as a mesh file (the first says of which kind) or a texture: refused with a message, or whole and finite.
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "scene/shape.h"
#include "scene/texture.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

// The importer itself loses memory on some broken files, and its frames cannot be told apart here; our own leaks are
// looked for by test_mesh under the same sanitizer.
const char *__asan_default_options(void);
const char *__asan_default_options(void) { return "detect_leaks=0"; }

static void use_mesh(const lr_mesh *m)
{
    if (!(lr_mesh_area(m) > 0) || m->slot_count < 1)
        abort();
    for (int t = 0; t < m->triangle_count; ++t) {
        if (m->slot[t] >= m->slot_count)
            abort();
        for (int k = 0; k < 3; ++k)
            if (m->triangle[t][k] >= (uint32_t)m->vertex_count)
                abort();
    }
    for (int i = 0; i < m->vertex_count; ++i)
        if (!isfinite(m->position[i][0] + m->position[i][1] + m->position[i][2]))
            abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const char *const endings[] = {"obj", "ply", "stl", "png"};
    if (size < 1)
        return 0;
    const int kind = data[0] & 3;
    char path[64];
    snprintf(path, sizeof path, "/tmp/lr_fuzz_%ld.%s", (long)getpid(), endings[kind]);
    FILE *file = fopen(path, "wb");
    if (!file || fwrite(data + 1, 1, size - 1, file) != size - 1 || fclose(file) != 0)
        abort();
    lr_error err = {""};
    lr_mesh *mesh = NULL;
    lr_texture *texture = NULL;
    char (*names)[64] = NULL;
    if (kind == 3 ? lr_texture_load(path, &texture, &err) != LR_OK : lr_mesh_load(path, 1.0, size & 1, &mesh, &names, &err) != LR_OK) {
        if (!err.text[0] || mesh || texture)
            abort();
    } else if (mesh) {
        use_mesh(mesh);
    } else if (!(lr_texture_at(texture, 0.3f, 0.7f) >= 0 && lr_texture_at(texture, 0.3f, 0.7f) <= 1)) {
        abort();
    }
    lr_mesh_destroy(mesh);
    lr_texture_destroy(texture);
    free(names);
    remove(path);
    return 0;
}
