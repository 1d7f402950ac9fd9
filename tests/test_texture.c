// SPDX-License-Identifier: Apache-2.0
// Textures: values against the sRGB curve, places against bilinear interpolation by hand, broken files refused.
#include "close.h"

#include "core/png.h"
#include "scene/texture.h"
#include "scene_folder.h"

// IEC 61966-2-1, written the other way round than the code: from linear to coded.
static double coded(double linear) { return linear <= 0.0031308 ? 12.92*linear : 1.055*pow(linear, 1/2.4) - 0.055; }

static lr_texture *load(const char *path)
{
    lr_texture *t = NULL;
    lr_error err = {""};
    if (lr_texture_load(path, &t, &err) != LR_OK)
        fail_msg("%s", err.text);
    return t;
}

static void grey_values_undo_the_curve(void **state)
{
    (void)state;
    uint8_t pixels[256];
    for (int i = 0; i < 256; ++i)
        pixels[i] = (uint8_t)i;
    const char *path = folder_path("ramp.png");
    assert_int_equal(lr_png_write8(path, 16, 16, 1, pixels, NULL), LR_OK);
    lr_texture *t = load(path);
    assert_int_equal(t->width, 16);
    for (int i = 0; i < 256; ++i)
        assert_near(coded((double)t->value[i]), i/255.0, 1e-6);  // float, and a slope of up to 13
    const double half = (double)t->value[128];
    assert_near(half, 0.2158605, 1e-6);  // ((128/255 + 0.055)/1.055)^2.4 [C]
    lr_texture_destroy(t);
}

static void deep_pictures_keep_their_depth(void **state)
{
    (void)state;
    uint16_t pixels[4] = {0, 1000, 1001, 65535};
    const char *path = folder_path("deep.png");
    assert_int_equal(lr_png_write16(path, 4, 1, pixels, NULL), LR_OK);
    lr_texture *t = load(path);
    for (int i = 0; i < 4; ++i)
        assert_near(coded((double)t->value[i]), pixels[i]/65535.0, 1e-6);
    assert_true(t->value[2] > t->value[1]);
    lr_texture_destroy(t);
}

static void colours_become_luminance(void **state)
{
    (void)state;
    const uint8_t pixels[12] = {255, 0, 0, 0, 255, 0, 0, 0, 255, 255, 255, 255};
    const double want[4] = {0.2126, 0.7152, 0.0722, 1.0};  // IEC 61966-2-1
    const char *path = folder_path("rgb.png");
    assert_int_equal(lr_png_write8(path, 4, 1, 3, pixels, NULL), LR_OK);
    lr_texture *t = load(path);
    for (int i = 0; i < 4; ++i)
        assert_near((double)t->value[i], want[i], 1e-6);
    lr_texture_destroy(t);
}

// Two blocks of 8 x 8, levels 128 and 188, put together by hand from ITU-T T.81: quantisation all 1, so the only
// coefficients are the mean levels, 0 and 8*60 = 480 (category 9, bits 111100000); codes 0 and 10, end of block 0.
static void jpeg_files(void **state)
{
    (void)state;
    uint8_t bytes[256] = {0xff, 0xd8, 0xff, 0xdb, 0, 67, 0};
    size_t n = 7;
    for (int i = 0; i < 64; ++i)
        bytes[n++] = 1;
    const uint8_t rest[] = {0xff, 0xc0, 0, 11, 8, 0, 8, 0, 16, 1, 1, 0x11, 0,
                            0xff, 0xc4, 0, 21, 0x00, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 9,
                            0xff, 0xc4, 0, 20, 0x10, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
                            0xff, 0xda, 0, 8, 1, 1, 0, 0, 63, 0, 0x2f, 0x03, 0xff, 0xd9};
    memcpy(bytes + n, rest, sizeof rest);
    lr_texture *t = load(folder_write_bytes("two.jpg", bytes, n + sizeof rest));
    assert_int_equal(t->width, 16);
    assert_int_equal(t->height, 8);
    assert_near(coded((double)t->value[3]), 128/255.0, 1e-6);
    assert_near(coded((double)t->value[12]), 188/255.0, 1e-6);
    lr_texture_destroy(t);
}

static void places_are_bilinear_and_repeat(void **state)
{
    (void)state;
    float value[6] = {0.0f, 0.3f, 0.6f, 0.1f, 0.5f, 0.9f};  // top row first
    const lr_texture t = {3, 2, value};
    const float x0 = 0.5f/3, x1 = 1.5f/3;
    assert_near((double)lr_texture_at(&t, x0, 0.75f), 0.0, 1e-6);  // middle of the top left texel: v is up
    assert_near((double)lr_texture_at(&t, x1, 0.75f), 0.3, 1e-6);
    assert_near((double)lr_texture_at(&t, x1, 0.25f), 0.5, 1e-6);
    assert_near((double)lr_texture_at(&t, 0.5f*(x0 + x1), 0.75f), 0.15, 1e-6);
    assert_near((double)lr_texture_at(&t, x1, 0.5f), 0.4, 1e-6);
    assert_near((double)lr_texture_at(&t, 0.0f, 0.75f), 0.3, 1e-6);  // half way from the last texel round to the first
    assert_near((double)lr_texture_at(&t, x1 + 7.0f, 0.25f - 3.0f), 0.5, 1e-5);
    assert_true(lr_texture_at(&t, 1e30f, -1e30f) >= 0.0f);
    assert_true(lr_texture_at(&t, NAN, INFINITY) >= 0.0f);
}

static void expect_refused(const char *path, lr_status status, const char *part)
{
    lr_texture *t = (lr_texture *)1;
    lr_error err = {""};
    assert_int_equal(lr_texture_load(path, &t, &err), status);
    assert_null(t);
    if (!strstr(err.text, part))
        fail_msg("\"%s\" does not tell of \"%s\"", err.text, part);
}

static void broken_files_are_refused(void **state)
{
    (void)state;
    expect_refused(folder_path("absent.png"), LR_ERR_MISSING, "absent.png");
    expect_refused(folder_write("text.png", "no picture"), LR_ERR_PARSE, "not a PNG or JPEG picture");
    expect_refused(folder_write("empty.png", ""), LR_ERR_PARSE, "not a PNG or JPEG picture");
    // The beginning of a PNG that says it is 20000 x 1 (signature and header from the PNG specification).
    const uint8_t wide[33] = {0x89, 'P', 'N', 'G', 13, 10, 26, 10, 0, 0, 0, 13, 'I', 'H', 'D', 'R', 0, 0, 0x4e, 0x20, 0, 0, 0, 1, 8, 0, 0, 0, 0};
    expect_refused(folder_write_bytes("wide.png", wide, sizeof wide), LR_ERR_RANGE, "16384");
    uint8_t big[33];  // 16384 x 16384: each side may be, not both
    memcpy(big, wide, sizeof big);
    big[18] = big[22] = 0x40, big[19] = big[23] = 0;
    expect_refused(folder_write_bytes("big.png", big, sizeof big), LR_ERR_RANGE, "67108864");
    uint8_t cut[33];
    memcpy(cut, wide, sizeof cut);
    cut[18] = 0, cut[19] = 4;
    expect_refused(folder_write_bytes("cut.png", cut, sizeof cut), LR_ERR_PARSE, "broken");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(grey_values_undo_the_curve), cmocka_unit_test(deep_pictures_keep_their_depth), cmocka_unit_test(colours_become_luminance),
        cmocka_unit_test(jpeg_files),                 cmocka_unit_test(places_are_bilinear_and_repeat), cmocka_unit_test(broken_files_are_refused),
    };
    return cmocka_run_group_tests(tests, folder_make, folder_remove);
}
