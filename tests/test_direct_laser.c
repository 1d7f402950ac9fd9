// SPDX-License-Identifier: Apache-2.0
// Direct laser light and range on a wall against the closed form, and the laser's whole power on closed walls.
#include "stage.h"

#include <stdio.h>

#include "optics/spectrum.h"

// Wall x = d, head at the origin, laser at height 0, camera at height h, line 0: everything lies in the plane y = 0.
#define DISTANCE_M 3.0
#define CAMERA_M 0.08
#define POWER_W 0.15
#define FAN_DEG 120.0
#define RHO 0.6
#define PITCH_M 10e-6
#define WIDTH_M 20e-6
#define PIXELS 400

static stage *wall_stage(const char *projection, double focal_mm)
{
    char head[2048];
    snprintf(head, sizeof head,
        "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {\"rev_per_s\": 2, \"lines_per_rev\": 3600},"
        " \"modules\": [{\"name\": \"m\", \"radius_mm\": 0, \"cameras\": [{\"name\": \"c\", \"height_mm\": %g,"
        "  \"lens\": {\"projection\": \"%s\", \"focal_mm\": %g, \"f_number\": 2.5, \"transmission\": 0.8%s},"
        "  \"sensor\": {\"pixels\": %d, \"pitch_um\": %g, \"width_um\": %g, \"quantum_efficiency\": 0.35}, \"exposure_us\": 100}],"
        " \"lasers\": [{\"name\": \"l\", \"height_mm\": 0, \"mode\": \"sheet\", \"wavelength_nm\": 850, \"line_width_nm\": 0, \"power_mw\": %g, \"fan_deg\": %g,"
        "  \"thickness_mm\": 2, \"divergence_mrad\": 1.5, \"dots\": {\"count\": 0, \"zero_order\": 0, \"background\": 0}}]}]}",
        CAMERA_M*1e3, projection, focal_mm, strcmp(projection, "polynomial") ? "" : ", \"coefficients\": [-0.02, 0.005, -0.001, 0.0001]",
        PIXELS, PITCH_M*1e6, WIDTH_M*1e6, POWER_W*1e3, FAN_DEG);
    return stage_create(
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"wall\", \"objects\": [{\"name\": \"wall\", \"shape\": \"rectangle\", \"size_m\": [400, 400],"
        " \"center_m\": [3, 0, 0], \"rotate_deg\": [0, -90, 0], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.6}}], \"lights\": []}",
        head, 4);
}

static double gauss_mean(double sigma, double half) { return erf(half/(sqrt(2.0)*sigma))/(2.0*half); }

// Field angle and slope of each projection: the definitions, Lens projections of the reference tables.
typedef struct form { const char *name; double focal_mm; } form;

static double theta_of(const char *name, double x)  // x = r/f
{
    if (!strcmp(name, "rectilinear")) return atan(x);
    if (!strcmp(name, "equidistant")) return x;
    if (!strcmp(name, "equisolid")) return 2.0*asin(x/2.0);
    if (!strcmp(name, "stereographic")) return 2.0*atan(x/2.0);
    return asin(x);  // orthographic
}
static double slope_of(const char *name, double t)  // d(r/f)/dtheta
{
    if (!strcmp(name, "rectilinear")) return 1.0/(cos(t)*cos(t));
    if (!strcmp(name, "equidistant")) return 1.0;
    if (!strcmp(name, "equisolid")) return cos(t/2.0);
    if (!strcmp(name, "stereographic")) return 1.0/(cos(t/2.0)*cos(t/2.0));
    return cos(t);
}

// E = P/fan * g/r * cos(i), L = rho E/pi, N = L A Omega tau QE lambda/(h c) t; A = pi/4 (f/N)^2 cos(theta),
// Omega = p w dtheta/dr sin(theta)/r_image. The wall is perpendicular to x: cos(i) = d/r.
static double expected_electrons(const form *f, int pixel)
{
    const double focal = f->focal_mm*1e-3, r_image = (pixel - 0.5*(PIXELS - 1))*PITCH_M, theta = theta_of(f->name, r_image/focal);
    const double z = CAMERA_M - DISTANCE_M*tan(theta), r = hypot(DISTANCE_M, z);
    const double across = WIDTH_M*sin(fabs(theta))/fabs(r_image), half = 0.5*across*DISTANCE_M/cos(theta);
    const double grown = 1.5e-3*r, sigma = 0.25*sqrt(2e-3*2e-3 + grown*grown);
    const double e = POWER_W/(FAN_DEG*LR_PI/180.0)*gauss_mean(sigma, half)/r*DISTANCE_M/r;
    const double pupil = LR_PI/4.0*pow(focal/2.5, 2)*cos(theta), omega = PITCH_M*across/(focal*slope_of(f->name, theta));
    return RHO*e/LR_PI*pupil*omega*0.8*0.35*850e-9/(6.62607015e-34*299792458.0)*100e-6;
}

#define REL_LIGHT 0.01    // promised; the four parts of a pixel against its centre and g over the width leave 1e-4 here
#define REL_RANGE 1e-5    // promised

static void check_projection(const form *f)
{
    stage *s = wall_stage(f->name, f->focal_mm);
    stage_line(s, 0, 0);
    int seen = 0;
    for (int i = 0; i < PIXELS; i++) {
        const double r_image = (i - 0.5*(PIXELS - 1))*PITCH_M, theta = theta_of(f->name, r_image*1e3/f->focal_mm);
        assert_rel((double)s->range[i], DISTANCE_M/cos(theta), REL_RANGE);
        if (fabs(atan2(CAMERA_M - DISTANCE_M*tan(theta), DISTANCE_M)) > FAN_DEG/2.0*LR_PI/180.0 - 0.02)
            continue;  // outside the fan, or at its very end
        seen++;
        assert_rel((double)s->part[0][i], expected_electrons(f, i), REL_LIGHT);
        assert_true(s->flags[i] & LR_FLAG_LIT);
    }
    assert_true(seen > PIXELS/2);
    stage_destroy(s);
}

static void five_projections(void **state)
{
    (void)state;
    const form forms[] = {{"rectilinear", 1.6}, {"equidistant", 1.8}, {"equisolid", 1.8}, {"stereographic", 1.9}, {"orthographic", 2.4}};
    for (size_t i = 0; i < sizeof forms/sizeof *forms; i++)
        check_projection(&forms[i]);
}

// A closed box room, wide pixels that take in the whole sheet: the sum over the line of E times the wall area each pixel covers is the
// laser's power (energy conservation). Area = Omega r^2 / cos(incidence), E = pi L / rho, L = N / response.
static void whole_power_lands(void **state)
{
    (void)state;
    stage *s = stage_create(
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"box\", \"objects\": [{\"shape\": \"room\", \"size_m\": [5, 4, 3], \"center_m\": [0.4, 0.3, 0.2],"
        " \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.5}}], \"lights\": []}",
        "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {\"rev_per_s\": 1, \"lines_per_rev\": 3600},"
        " \"modules\": [{\"name\": \"m\", \"radius_mm\": 0, \"cameras\": [{\"name\": \"c\", \"height_mm\": 30,"
        "  \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 2.2, \"f_number\": 2, \"transmission\": 1},"
        "  \"sensor\": {\"pixels\": 3000, \"pitch_um\": 2.2, \"width_um\": 40, \"quantum_efficiency\": 0.5}, \"exposure_us\": 100}],"
        " \"lasers\": [{\"name\": \"l\", \"height_mm\": -30, \"mode\": \"sheet\", \"wavelength_nm\": 850, \"line_width_nm\": 0, \"power_mw\": 150, \"fan_deg\": 100,"
        "  \"thickness_mm\": 1, \"divergence_mrad\": 1, \"dots\": {\"count\": 200, \"seed\": 3, \"size_mrad\": 1.5, \"zero_order\": 0.05, \"background\": 0.2}}]}]}",
        4);
    const lr_camera_def *camera = &s->head->module[0].camera[0];
    for (int line = 0; line < 3600; line += 307) {  // none of these runs along an upright corner, where one plane cannot stand for both walls
        double power_w = 0.0;
        stage_line(s, 0, line);
        const lr_pose pose = lr_rig_at(s->rig, 0, lr_spin_line_time(&s->head->spin, line)).pose;
        for (int i = 0; i < s->pixels; i++) {
            const double theta = lr_camera_angle(camera, i), response = lr_camera_response(camera, i, 850e-9);
            const lr_vec3 d = lr_rotate(pose.rotation, s->rig->module[0].camera[0].center[i]);
            const double cosine = -(d.x*(double)s->normal[3*i] + d.y*(double)s->normal[3*i + 1] + d.z*(double)s->normal[3*i + 2]);
            const double omega = lr_lens_solid_angle(&camera->lens, fabs(theta), camera->sensor.pitch_m, camera->sensor.width_m);
            const double range = (double)s->range[i], area = omega*range*range/cosine;
            power_w += LR_PI/0.5*(double)s->part[0][i]/response*area;
        }
        assert_rel(power_w, 0.150, 0.002);  // corners of the room and the fan's ends inside a pixel leave up to 3e-4
    }
    stage_destroy(s);
}

// What stands in the way of the laser but not of the camera leaves a shadow.
static void shadow_behind_a_post(void **state)
{
    (void)state;
    stage *s = stage_create(
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"post\", \"objects\": [{\"shape\": \"rectangle\", \"size_m\": [20, 20], \"center_m\": [3, 0, 0], \"rotate_deg\": [0, -90, 0]},"
        " {\"shape\": \"box\", \"size_m\": [0.02, 2, 0.1], \"center_m\": [1.5, 0, -0.05]}], \"lights\": []}",
        "{\"format\": \"lanternroom-head/1\", \"name\": \"t\", \"spin\": {\"rev_per_s\": 1, \"lines_per_rev\": 3600},"
        " \"modules\": [{\"name\": \"m\", \"radius_mm\": 0, \"cameras\": [{\"name\": \"c\", \"height_mm\": 100,"
        "  \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 5, \"f_number\": 2}, \"sensor\": {\"pixels\": 1000, \"pitch_um\": 5, \"width_um\": 10}, \"exposure_us\": 100}],"
        " \"lasers\": [{\"name\": \"l\", \"height_mm\": 0, \"fan_deg\": 60, \"power_mw\": 100, \"dots\": {\"count\": 0}}]}]}", 4);
    stage_line(s, 0, 0);
    int shadowed = 0;
    for (int i = 0; i < 1000; i++) {
        const double theta = lr_camera_angle(&s->head->module[0].camera[0], i), z = 0.1 - 3.0*tan(theta);  // where the ray meets the wall
        if (s->object[i] != 1 || fabs(atan(z/3.0)) > 29.0*LR_DEG)
            continue;
        const double at_post = z*1.49/3.0;  // height of the laser's ray where the box begins
        if (at_post < -0.002 && at_post > -0.098) {
            shadowed++;
            assert_true(s->part[0][i] == 0.0f && !(s->flags[i] & LR_FLAG_LIT));
        } else if (at_post > 0.002 || at_post < -0.103) {
            assert_true(s->part[0][i] > 0.0f && (s->flags[i] & LR_FLAG_LIT));
        }
    }
    assert_true(shadowed > 10);
    stage_destroy(s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(five_projections),
        cmocka_unit_test(whole_power_lands),
        cmocka_unit_test(shadow_behind_a_post),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
