// SPDX-License-Identifier: Apache-2.0
// Lens blur, veiling glare, speckle and the drift of the laser line: each by itself against its closed form.
#include "stage.h"

#include <stdio.h>

#include "run/image.h"

#define HEAD(camera_extra, lens_extra, laser_extra)                                                                                  \
    "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {\"rev_per_s\": 0.001, \"lines_per_rev\": 3600},"              \
    " \"modules\": [{\"name\": \"m\", \"radius_mm\": 0, \"cameras\": [{\"name\": \"c\", \"height_mm\": 50" camera_extra ","         \
    "  \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 4, \"f_number\": 4" lens_extra "},"                                \
    "  \"sensor\": {\"pixels\": 300, \"pitch_um\": 4, \"width_um\": 8, \"quantum_efficiency\": 0.4}, \"exposure_us\": 100}],"       \
    " \"lasers\": [{\"name\": \"l\", \"fan_deg\": 60, \"power_mw\": 100, \"dots\": {\"count\": 0}" laser_extra "}]}]}"

static lr_head *head_from(const char *text)
{
    lr_error err = {0};
    lr_head *head;
    lr_json *json = stage_json("head.json", text);
    stage_need(lr_head_from_json(json, ".", &head, &err), &err);
    lr_json_free(json);
    return head;
}

static lr_image *image_of(const lr_head *head)
{
    lr_error err = {0};
    lr_image *image;
    stage_need(lr_image_create(head, 0, 0, 5, &image, &err), &err);
    return image;
}

// A point of light becomes a Gaussian of the stated standard deviation, and no light is lost.
static void blur_is_a_gaussian(void **state)
{
    (void)state;
    lr_head *head = head_from(HEAD("", ", \"blur_px\": 1.7", ""));
    lr_image *image = image_of(head);
    float part[300] = {0}, scratch[300];
    double sum = 0.0, second = 0.0;
    part[140] = 1000.0f;
    lr_image_blur(image, part, scratch);
    for (int i = 0; i < 300; i++) {
        sum += (double)part[i];
        second += (double)part[i]*(i - 140)*(i - 140);
    }
    assert_rel(sum, 1000.0, 1e-5);
    // Weights are means over pixels, which adds 1/12 to the variance (Sheppard), and the tails beyond 4 sigma are cut.
    assert_rel(second/sum, 1.7*1.7 + 1.0/12.0, 2e-3);
    for (int i = 0; i < 300; i++)
        part[i] = 7.0f;
    lr_image_blur(image, part, scratch);
    for (int i = 0; i < 300; i++)
        assert_rel((double)part[i], 7.0, 1e-5);
    lr_image_destroy(image);
    lr_head_destroy(head);
}

// Glare moves a share of the light evenly over the line: the sum stays, a dark pixel gets v times the mean.
static void glare_spreads_the_mean(void **state)
{
    (void)state;
    lr_head *head = head_from(HEAD("", ", \"veiling_share\": 0.03", ""));
    lr_image *image = image_of(head);
    float part[300] = {0}, scratch[300];
    for (int i = 0; i < 100; i++)
        part[i] = 90.0f;
    lr_image_blur(image, part, scratch);
    assert_rel((double)part[200], 0.03*30.0, 1e-5);
    assert_rel((double)part[50], 0.97*90.0 + 0.03*30.0, 1e-5);
    lr_image_destroy(image);
    lr_head_destroy(head);
}

static void nothing_asked_nothing_done(void **state)
{
    (void)state;
    lr_head *head = head_from(HEAD("", "", ", \"speckle\": false"));
    lr_image *image = image_of(head);
    float part[300], scratch[300], factor[300];
    for (int i = 0; i < 300; i++)
        part[i] = (float)(i*i % 17);
    lr_image_blur(image, part, scratch);
    lr_image_speckle(image, 3, factor);
    for (int i = 0; i < 300; i++)
        assert_true(part[i] == (float)(i*i % 17) && factor[i] == 1.0f);
    assert_true(lr_image_speckle_contrast(image) == 0.0);
    lr_image_destroy(image);
    lr_head_destroy(head);
}

// Contrast of the laser light of a flat wall: 1/sqrt(M) (Goodman, Speckle Phenomena in Optics, from memory). M is worked out from lens, pixel
// and wavelength; here held against the area of a speckle: for pixels far larger than it, M tends to A/A_s, A_s = (4/pi)(lambda N)^2 for a
// round pupil and polarised light; the small pixel's M lies above that.
static void contrast_on_a_rendered_wall(void **state)
{
    (void)state;
    stage *s = stage_create("{\"format\": \"lanternroom-scene/1\", \"name\": \"wall\", \"objects\": [{\"shape\": \"rectangle\", \"size_m\": [40, 40],"
                            " \"center_m\": [2, 0, 0], \"rotate_deg\": [0, -90, 0]}], \"lights\": []}",
                            HEAD("", "", ", \"polarisation\": 1"), 4);
    lr_image *image = image_of(s->head);
    const double contrast = lr_image_speckle_contrast(image), speckle_m2 = 4.0/LR_PI*pow(850e-9*4.0, 2);
    const double large = (4e-6*8e-6)/speckle_m2;
    assert_true(1.0/(contrast*contrast) > large && 1.0/(contrast*contrast) < 3.0*large);
    double mean = 0.0, square = 0.0;
    const int lines = 400;
    float factor[300];
    for (int line = 0; line < lines; line++) {
        stage_line(s, 0, 0);
        lr_image_speckle(image, line, factor);
        for (int i = 100; i < 200; i++) {
            const double light = (double)(factor[i]*s->part[0][i]), expected = (double)s->part[0][i];
            assert_true(expected > 10.0);
            mean += light/expected;
            square += light/expected*(light/expected);
        }
    }
    const double n = lines*100.0;
    mean /= n;
    const double deviation = sqrt(square/n - mean*mean);
    assert_near(mean, 1.0, 5.0*contrast/sqrt(n));
    // Relative error of a standard deviation of n gamma deviates: sqrt((kurtosis - 1)/4n), kurtosis 3 + 6 C^2.
    assert_rel(deviation/mean, contrast, 5.0*sqrt((2.0 + 6.0*contrast*contrast)/(4.0*n)));
    lr_image_destroy(image);
    stage_destroy(s);
}

// 30 K at 0.3 nm/K moves the line by 9 nm: through a filter whose edge is at 865 nm an 858 nm laser of no width goes dark.
static void warm_laser_leaves_the_filter(void **state)
{
    (void)state;
    const char *wall = "{\"format\": \"lanternroom-scene/1\", \"name\": \"wall\", \"objects\": [{\"shape\": \"rectangle\", \"size_m\": [40, 40],"
                       " \"center_m\": [2, 0, 0], \"rotate_deg\": [0, -90, 0]}], \"lights\": []}";
#define FILTERED ", \"filter\": {\"center_nm\": 850, \"width_nm\": 30, \"peak\": 1, \"order\": 3, \"angle_factor\": 0}"
    double light[2];
    for (int warm = 0; warm < 2; warm++) {
        stage *s = stage_create(wall, warm ? HEAD(FILTERED, "", ", \"wavelength_nm\": 858, \"line_width_nm\": 0, \"warm_k\": 30")
                                           : HEAD(FILTERED, "", ", \"wavelength_nm\": 858, \"line_width_nm\": 0"), 2);
        stage_line(s, 0, 0);
        light[warm] = (double)s->part[0][150];
        stage_destroy(s);
    }
    // Band exp(-ln2 (2 d/width)^6) at d = 8 and 17 nm; quantum efficiency is flat here, photons go with wavelength.
    const double want = exp(-log(2.0)*(pow(34.0/30.0, 6) - pow(16.0/30.0, 6)))*867.0/858.0;
    assert_rel(light[1]/light[0], want, 1e-4);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(blur_is_a_gaussian),
        cmocka_unit_test(glare_spreads_the_mean),
        cmocka_unit_test(nothing_asked_nothing_done),
        cmocka_unit_test(contrast_on_a_rendered_wall),
        cmocka_unit_test(warm_laser_leaves_the_filter),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
