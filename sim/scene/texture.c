// SPDX-License-Identifier: Apache-2.0
// Textures: PNG and JPEG by stb_image, which only this file sees.
// Source: IEC 61966-2-1 (sRGB): the curve below and the weights of red, green and blue in luminance.
#include "scene/texture.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>

#include "core/file.h"

#define SIDE_MOST 16384
#define TEXELS_MOST (1ll << 26)  // 256 MB of floats
#define FILE_MOST_BYTES ((size_t)256 << 20)

#define STB_IMAGE_IMPLEMENTATION
#define STB_IMAGE_STATIC
#define STBI_ONLY_JPEG
#define STBI_ONLY_PNG
#define STBI_MAX_DIMENSIONS SIDE_MOST
#define STBI_NO_STDIO
#if defined(__GNUC__)
#pragma GCC diagnostic ignored "-Wunused-function"  // told at the end of the file, so it cannot be restored
#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Wall"
#pragma GCC diagnostic ignored "-Wextra"
#pragma GCC diagnostic ignored "-Wconversion"
#endif
#if defined(__clang__)  // it adds 0 to null pointers, which is harmless; memory errors are still looked for
#pragma clang attribute push(__attribute__((no_sanitize("undefined"))), apply_to = function)
#endif
#include <stb/stb_image.h>
#if defined(__clang__)
#pragma clang attribute pop
#endif
#if defined(__GNUC__)
#pragma GCC diagnostic pop
#endif

static double linear(double coded)
{
    return coded <= 0.04045 ? coded/12.92 : pow((coded + 0.055)/1.055, 2.4);
}

static lr_status check_size(const char *path, const unsigned char *data, int length, int *deep, lr_error *err)
{
    int width, height, channels;
    if (!stbi_info_from_memory(data, length, &width, &height, &channels)) {
        // Asking tries every format and forgets why the right one refused; loading keeps it.
        stbi_image_free(stbi_load_from_memory(data, length, &width, &height, &channels, 3));
        const char *why = stbi_failure_reason();
        if (why && strcmp(why, "too large") == 0)
            return lr_fail(err, LR_ERR_RANGE, "%s: above %d pixels a side", path, SIDE_MOST);
        return lr_fail(err, LR_ERR_PARSE, "%s: not a PNG or JPEG picture", path);
    }
    if (width < 1 || height < 1 || width > SIDE_MOST || height > SIDE_MOST)
        return lr_fail(err, LR_ERR_RANGE, "%s: %d x %d pixels, not 1 to %d a side", path, width, height, SIDE_MOST);
    if ((long long)width*height > TEXELS_MOST)
        return lr_fail(err, LR_ERR_RANGE, "%s: %d x %d pixels are above %lld in all", path, width, height, TEXELS_MOST);
    *deep = stbi_is_16_bit_from_memory(data, length);
    return LR_OK;
}

// Luminance of texel i of a picture of three channels; `curve` holds linear() of every code.
static float luminance(const void *pixels, int deep, const float *curve, size_t i)
{
    unsigned rgb[3];
    for (int k = 0; k < 3; ++k)
        rgb[k] = deep ? ((const uint16_t *)pixels)[3*i + (size_t)k] : ((const uint8_t *)pixels)[3*i + (size_t)k];
    return 0.2126f*curve[rgb[0]] + 0.7152f*curve[rgb[1]] + 0.0722f*curve[rgb[2]];
}

static lr_status decode(const char *path, const unsigned char *data, int length, int deep, lr_texture *texture, lr_error *err)
{
    int channels;
    void *pixels = deep ? (void *)stbi_load_16_from_memory(data, length, &texture->width, &texture->height, &channels, 3)
                        : (void *)stbi_load_from_memory(data, length, &texture->width, &texture->height, &channels, 3);
    if (!pixels)
        return lr_fail(err, LR_ERR_PARSE, "%s: the picture is broken: %s", path, stbi_failure_reason());
    const size_t codes = deep ? 65536 : 256, count = (size_t)texture->width*(size_t)texture->height;
    float *curve = malloc(codes*sizeof *curve);
    texture->value = malloc(count*sizeof *texture->value);
    lr_status status = LR_OK;
    if (!curve || !texture->value) {
        status = lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", path);
    } else {
        for (size_t i = 0; i < codes; ++i)
            curve[i] = (float)linear((double)i/(double)(codes - 1));
        for (size_t i = 0; i < count; ++i)
            texture->value[i] = fminf(1.0f, luminance(pixels, deep, curve, i));
    }
    free(curve);
    stbi_image_free(pixels);
    return status;
}

lr_status lr_texture_load(const char *path, lr_texture **out, lr_error *err)
{
    assert(path && out);
    *out = NULL;
    char *data;
    size_t length;
    int deep = 0;
    LR_TRY(lr_file_read(path, FILE_MOST_BYTES, &data, &length, err));
    lr_texture *texture = calloc(1, sizeof *texture);
    lr_status status = texture ? check_size(path, (unsigned char *)data, (int)length, &deep, err)
                               : lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", path);
    if (status == LR_OK)
        status = decode(path, (unsigned char *)data, (int)length, deep, texture, err);
    free(data);
    if (status != LR_OK) {
        lr_texture_destroy(texture);
        return status;
    }
    *out = texture;
    return LR_OK;
}

void lr_texture_destroy(lr_texture *texture)
{
    if (!texture)
        return;
    free(texture->value);
    free(texture);
}

// floorf is a call where the machine is only known to have SSE2.
static inline float floor_of(float x)
{
    if (!(fabsf(x) < 1e6f))
        return floorf(x);
    const int i = (int)x;
    return (float)(i - (x < (float)i));
}

static inline int wrapped(int i, int count) { return i < 0 ? i + count : i >= count ? i - count : i; }   // from -1 .. count

static inline lr_texels find(const lr_texture *texture, float u, float v)
{
    // Texel centres lie at halves; the repeat is taken off first so that no int overflows.
    const float x = (u - floor_of(u))*(float)texture->width - 0.5f, y = (1.0f - (v - floor_of(v)))*(float)texture->height - 0.5f;
    if (!(isfinite(x) && isfinite(y)))
        return (lr_texels){{texture->value, texture->value}, {0, 0}, 0.0f, 0.0f};
    const int i = (int)floor_of(x), j = (int)floor_of(y);
    return (lr_texels){{texture->value + (size_t)wrapped(j, texture->height)*(size_t)texture->width,
                        texture->value + (size_t)wrapped(j + 1, texture->height)*(size_t)texture->width},
                       {wrapped(i, texture->width), wrapped(i + 1, texture->width)}, x - (float)i, y - (float)j};
}

lr_texels lr_texture_find(const lr_texture *texture, float u, float v)
{
    const lr_texels t = find(texture, u, v);
    __builtin_prefetch(t.row[0] + t.column[0]);
    __builtin_prefetch(t.row[1] + t.column[0]);
    return t;
}

float lr_texture_at(const lr_texture *texture, float u, float v)
{
    const lr_texels t = find(texture, u, v);
    return lr_texture_mix(&t);
}
