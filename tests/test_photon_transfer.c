// SPDX-License-Identifier: Apache-2.0
// The photon transfer method of EMVA 1288 (release 4.0 Linear) applied to raw lines of whole scans gives back the head file's sensor:
// system gain, read noise, full well, PRNU and DSNU. A level floor under a uniform sky of rising brightness is the flat field.
#include "close.h"

#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core/npy.h"
#include "run/run.h"
#include "scan/scan_reader.h"

#define PIXELS 256
#define LINES 400
#define GAIN 0.2
#define READ_E 9.0
#define WELL_E 12000.0
#define PRNU 0.012
#define DSNU_E 5.0
#define OFFSET_DN 100.0

static const char scene_text[] =
    "{\"format\": \"lanternroom-scene/1\", \"name\": \"floor\", \"objects\": [{\"shape\": \"rectangle\", \"size_m\": [4000, 4000], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.5}}],"
    " \"lights\": [{\"kind\": \"sky\", \"type\": 5, \"lux\": 10000}], \"head_pose\": {\"position_m\": [0, 0, 1]}}";
static const char head_text[] =
    "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {\"rev_per_s\": 2, \"lines_per_rev\": 400},"
    " \"modules\": [{\"name\": \"m\", \"radius_mm\": 0, \"pitch_deg\": -90, \"cameras\": [{\"name\": \"c\","
    "  \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 60, \"f_number\": 2, \"transmission\": 0.8},"
    "  \"filter\": {\"center_nm\": 850, \"width_nm\": 30, \"peak\": 0.9, \"angle_factor\": 0},"
    "  \"sensor\": {\"pixels\": 256, \"pitch_um\": 5, \"width_um\": 10, \"quantum_efficiency\": 0.4, \"full_well_e\": 12000, \"read_noise_e\": 9,"
    "   \"dark_current_e_per_s\": 0, \"bits\": 12, \"gain_dn_per_e\": 0.2, \"offset_dn\": 100, \"prnu\": 0.012, \"dsnu_e\": 5}, \"exposure_us\": 200}]}]}";

typedef struct flat { double mean, temporal, spatial; double light_e; } flat;   // DN, DN^2, DN^2; electrons expected

static lr_json *parse(const char *name, const char *text)
{
    lr_error err = {0};
    lr_json *json = NULL;
    if (lr_json_parse(name, text, strlen(text), &json, &err) != LR_OK) {
        print_error("%s\n", err.text);
        fail();
    }
    return json;
}

static void measure(const uint16_t *dn, flat *f)
{
    double sum = 0.0, temporal = 0.0, means = 0.0, squares = 0.0;
    for (int p = 0; p < PIXELS; p++) {
        double mean = 0.0;
        for (int l = 0; l < LINES; l++)
            mean += dn[l*PIXELS + p];
        mean /= LINES;
        for (int l = 0; l < LINES; l++)
            temporal += (dn[l*PIXELS + p] - mean)*(dn[l*PIXELS + p] - mean)/(LINES - 1.0);
        sum += mean;
        means += mean;
        squares += mean*mean;
    }
    f->mean = sum/PIXELS;
    f->temporal = temporal/PIXELS;
    f->spatial = (squares - means*means/PIXELS)/(PIXELS - 1.0) - f->temporal/LINES;   // the mean over lines still holds some temporal noise
}

static flat scan_at(const char *folder, double lux)
{
    lr_error err = {0};
    char value[32];
    flat f = {0};
    lr_json *scene = parse("scene.json", scene_text), *head = parse("head.json", head_text);
    snprintf(value, sizeof value, "%g", lux);
    assert_int_equal(lr_json_override(scene, "lights.0.lux", value, &err), LR_OK);
    lr_run_def def = lr_run_def_default();
    def.folder = folder;
    def.force = 1;
    def.threads = 1;
    def.samples = 1;
    const lr_run_input inputs[2] = {{"scene.json", scene_text, scene}, {"head.json", head_text, head}};
    lr_run_report report;
    if (lr_run(&inputs[0], &inputs[1], &def, NULL, NULL, &report, &err) != LR_OK) {
        print_error("%s\n", err.text);
        fail();
    }
    lr_scan_reader *reader;
    lr_npy_map raw, sky;
    assert_int_equal(lr_scan_reader_open(folder, &reader, &err), LR_OK);
    assert_int_equal(lr_scan_reader_array(reader, "m/c.npy", &raw, &err), LR_OK);
    assert_int_equal(lr_scan_reader_array(reader, "truth/m/c.sky.npy", &sky, &err), LR_OK);
    measure(raw.data, &f);
    for (int i = 0; i < LINES*PIXELS; i++)
        f.light_e += (double)((const float *)sky.data)[i]/(LINES*PIXELS);
    lr_npy_close(&raw);
    lr_npy_close(&sky);
    lr_scan_reader_close(reader);
    lr_json_free(scene);
    lr_json_free(head);
    return f;
}

static void sensor_comes_back(void **state)
{
    (void)state;
    char folder[] = "/tmp/photon_transfer_XXXXXX", command[128];
    assert_non_null(mkdtemp(folder));
    const flat dark = scan_at(folder, 1e-6), half = scan_at(folder, 60000.0);
    const double want_half_e = half.light_e;
    assert_true(want_half_e > 2000.0 && want_half_e < 8000.0);
    // Variance of a variance over n = LINES x PIXELS nearly Gaussian values: 2 v^2/n; of a mean over pixels: s^2/PIXELS.
    const double n = (double)LINES*PIXELS;
    // Gain: slope of the photon transfer curve.
    const double gain = (half.temporal - dark.temporal)/(half.mean - dark.mean);
    assert_rel(gain, GAIN, 5.0*sqrt(2.0/n) + 5.0*sqrt(half.temporal/n)/(half.mean - dark.mean));
    // Read noise: sqrt(sigma_dark^2 - 1/12)/K.
    const double read_e = sqrt(dark.temporal - 1.0/12.0)/gain;
    assert_rel(read_e, READ_E, 5.0*(sqrt(0.5/n) + sqrt(2.0/n)));
    // Responsivity: mean signal over expected electrons is K; the PRNU of 256 pixels leaves an error of its own.
    assert_rel((half.mean - dark.mean)/want_half_e, GAIN, 5.0*(PRNU/sqrt(PIXELS) + sqrt(half.temporal/n)/(half.mean - dark.mean)));
    // DSNU and PRNU by spatial variance: s^2 has relative error sqrt(2/(PIXELS - 1)), a standard deviation half of that.
    assert_rel(sqrt(dark.spatial)/gain, DSNU_E, 5.0*sqrt(0.5/(PIXELS - 1)));
    assert_rel(sqrt(half.spatial - dark.spatial)/(half.mean - dark.mean), PRNU, 5.0*sqrt(0.5/(PIXELS - 1))*1.1);
    // Saturation: far too much light fills every well: the signal stops at the full well and the temporal noise falls to the read noise.
    const flat full = scan_at(folder, 900000.0);
    assert_rel((full.mean - dark.mean)/gain, WELL_E, 5.0*(sqrt(2.0/n) + DSNU_E/sqrt(PIXELS)/WELL_E) + 5.0*sqrt(half.temporal/n)/(half.mean - dark.mean));
    assert_true(full.temporal < 1.1*dark.temporal);
    assert_near(dark.mean, OFFSET_DN, 5.0*GAIN*DSNU_E/sqrt(PIXELS));
    snprintf(command, sizeof command, "rm -rf '%s'", folder);
    assert_int_equal(system(command), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(sensor_comes_back)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
