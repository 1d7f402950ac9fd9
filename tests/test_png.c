// SPDX-License-Identifier: Apache-2.0
// Written by us, read back by stb_image, which shares no code with libpng.
#include "core/png.h"

#include <string.h>
#include <unistd.h>

#include "close.h"

// stb_image declares two functions it leaves out with STBI_ONLY_PNG; the warning comes at the end of the file.
#pragma GCC diagnostic ignored "-Wunused-function"
#define STB_IMAGE_IMPLEMENTATION
#define STB_IMAGE_STATIC
#define STBI_ONLY_PNG
#include <stb/stb_image.h>

static char folder[] = "/tmp/lr_test_png_XXXXXX", path[64];

static int make_folder(void **state)
{
    (void)state;
    if (!mkdtemp(folder))
        return -1;
    snprintf(path, sizeof path, "%s/a.png", folder);
    return 0;
}

static int remove_folder(void **state)
{
    (void)state;
    unlink(path);
    return rmdir(folder);
}

static void eight_bits_come_back(void **state)
{
    (void)state;
    enum { W = 301, H = 200 };
    static uint8_t pixels[W*H*4];
    uint32_t x = 1;
    for (size_t i = 0; i < sizeof pixels; i++) {
        x = x*1664525u + 1013904223u;
        pixels[i] = (uint8_t)(x >> 24);
    }
    const int channels[] = {1, 3, 4};
    for (int i = 0; i < 3; i++) {
        lr_error err = {0};
        if (lr_png_write8(path, W, H, channels[i], pixels, &err) != LR_OK)
            fail_msg("%s", err.text);
        int width, height, found;
        uint8_t *back = stbi_load(path, &width, &height, &found, 0);
        assert_non_null(back);
        assert_int_equal(width, W);
        assert_int_equal(height, H);
        assert_int_equal(found, channels[i]);
        assert_memory_equal(back, pixels, (size_t)W*H*(size_t)channels[i]);
        free(back);
    }
}

static void sixteen_bits_come_back(void **state)
{
    (void)state;
    const uint16_t pixels[6] = {0, 1, 256, 0x1234, 65535, 40000};
    lr_error err = {0};
    if (lr_png_write16(path, 3, 2, pixels, &err) != LR_OK)
        fail_msg("%s", err.text);
    int width, height, found;
    uint16_t *back = stbi_load_16(path, &width, &height, &found, 0);
    assert_non_null(back);
    assert_int_equal(width, 3);
    assert_int_equal(height, 2);
    assert_int_equal(found, 1);
    assert_memory_equal(back, pixels, sizeof pixels);
    free(back);
}

static void faults_are_told(void **state)
{
    (void)state;
    const uint8_t pixel = 7;
    lr_error err;
    assert_int_equal(lr_png_write8("x.png", 0, 1, 1, &pixel, &err), LR_ERR_RANGE);
    assert_string_equal(err.text, "x.png: a picture of 0 x 1 pixels");
    assert_int_equal(lr_png_write8("/dev/full", 1, 1, 1, &pixel, &err), LR_ERR_IO);
    assert_string_equal(err.text, "/dev/full: cannot be written: No space left on device");
    assert_int_equal(lr_png_write8("/no/such/x.png", 1, 1, 1, &pixel, &err), LR_ERR_IO);
    assert_string_equal(err.text, "/no/such/x.png: cannot be written: No such file or directory");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(eight_bits_come_back),
        cmocka_unit_test(sixteen_bits_come_back),
        cmocka_unit_test(faults_are_told),
    };
    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
