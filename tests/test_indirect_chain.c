// SPDX-License-Identifier: Apache-2.0
// Laser light that comes or goes by way of mirrors, panes and glass against closed forms: the sheet of a mirrored laser.
//   L = share rho/pi  P/fan  mean g  cos(i)/r,   r: whole way from the laser, g: Gaussian over the pixel's width, both unfolded.
// The matte surface is nearly black, so that what it sends on does not matter.
#include "indirect_stage.h"

#include "optics/fresnel.h"

#define FAN_RAD (50.0*LR_PI/180.0)
#define RHO 0.01
#define FOCAL_M 4e-3
#define PITCH_M 8e-6
#define WIDTH_M 24e-6
#define PIXELS 200
#define THICKNESS_M 3e-3
#define DIVERGENCE 1e-3

#define LENS "\"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 4, \"f_number\": 2, \"transmission\": 1}," \
             " \"sensor\": {\"pixels\": 200, \"pitch_um\": 8, \"width_um\": 24, \"quantum_efficiency\": 0.5}"
#define FAN "\"fan_deg\": 50, \"thickness_mm\": 3, \"divergence_mrad\": 1, \"dots\": {\"count\": 0, \"zero_order\": 0, \"background\": 0}"
#define MIRROR "{\"kind\": \"mirror\", \"reflectance\": 0.9}"
#define PANE "{\"kind\": \"pane\", \"index\": 1.5, \"thickness_mm\": 4}"
#define BLACK "{\"kind\": \"diffuse\", \"reflectance\": 0.01}"

static double field_angle(int pixel) { return (pixel - 0.5*(PIXELS - 1))*PITCH_M/FOCAL_M; }  // downwards
static double pixel_width(double off) { return WIDTH_M*(fabs(off) > 1e-9 ? sin(fabs(off))/fabs(off) : 1.0)/FOCAL_M; }  // at unit distance

static double sheet_radiance(double share, double per_rad, double cosine, double r, double sigma, double half)
{
    const double g = half > 0.0 ? erf(half/(sqrt(2.0)*sigma))/(2.0*half) : 0.0;
    return share*RHO/LR_PI*per_rad*g*cosine/r;
}

// Floor z = -1 of `material`, matte ceiling z = 1.5; laser and camera pitched as told, at heights 0 and 0.1 on the axis.
static stage *two_levels(const char *floor, int laser_pitch, int camera_pitch)
{
    char scene[1024], camera[512], laser[512];
    snprintf(scene, sizeof scene,
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"levels\", \"objects\": ["
        " {\"shape\": \"rectangle\", \"size_m\": [200, 200], \"center_m\": [0, 0, -1], \"material\": %s},"
        " {\"shape\": \"rectangle\", \"size_m\": [200, 200], \"center_m\": [0, 0, 1.5], \"rotate_deg\": [180, 0, 0], \"material\": %s}], \"lights\": []}", floor, BLACK);
    snprintf(camera, sizeof camera, "\"height_mm\": 100, \"pitch_deg\": %d, %s", camera_pitch, LENS);
    snprintf(laser, sizeof laser, "\"height_mm\": 0, \"pitch_deg\": %d, %s", laser_pitch, FAN);
    return indirect_stage(scene, camera, laser);
}

typedef double (*share_at)(double cosine);
static double of_mirror(double cosine) { (void)cosine; return 0.9; }
static double of_pane(double cosine) { return lr_pane_at(cosine, 1.5, 0.0, 4e-3).reflectance; }

// The laser looks down into the floor, the camera up at the ceiling: the mirrored laser stands at z = -2.
static void lit_by_way_of_floor(const char *floor, share_at share, double rel)
{
    stage *s = two_levels(floor, -45, 45);
    mean_radiance *got = calloc(PIXELS, sizeof *got);
    indirect_line(s, 0, 16, 1, 16, got);
    int seen = 0;
    for (int i = 10; i < PIXELS; i += 20) {
        const double off = field_angle(i), up = LR_PI/4.0 - off, range = 1.4/sin(up), x = range*cos(up), r = hypot(3.5, x), cosine = 3.5/r;
        if (fabs(atan2(3.5, x) - LR_PI/4.0) > 0.49*FAN_RAD)
            continue;
        const double want = sheet_radiance(share(cosine), 1.0/FAN_RAD, cosine, r, 0.25*hypot(THICKNESS_M, DIVERGENCE*r), 0.5*pixel_width(off)*range);
        print_message("by way of the floor: pixel %d: %.5g +- %.1g, closed form %.5g (%+.2f %%)\n", i, got[i].mean, got[i].error, want, 100.0*(got[i].mean/want - 1.0));
        ASSERT_RADIANCE(got[i], want, rel);
        assert_true(got[i].error < 0.002*want);
        seen++;
    }
    assert_true(seen > 4);
    free(got);
    stage_destroy(s);
}

// The laser lights the ceiling, the camera sees it in the floor: everything is 2.5 m + 1.1 m away, unfolded.
static void seen_in_floor(const char *floor, share_at share, double rel)
{
    stage *s = two_levels(floor, 45, -45);
    mean_radiance *got = calloc(PIXELS, sizeof *got);
    indirect_line(s, 0, 64, 1, 32, got);
    int seen = 0;
    for (int i = 10; i < PIXELS; i += 20) {
        const double off = field_angle(i), down = LR_PI/4.0 + off, range = 3.6/sin(down), x = range*cos(down), r = hypot(1.5, x), cosine = 1.5/r;
        if (fabs(atan2(1.5, x) - LR_PI/4.0) > 0.49*FAN_RAD)
            continue;
        const double want = sheet_radiance(share(sin(down)), 1.0/FAN_RAD, cosine, r, 0.25*hypot(THICKNESS_M, DIVERGENCE*r), 0.5*pixel_width(off)*range);
        print_message("seen in the floor: pixel %d: %.5g +- %.1g, closed form %.5g (%+.2f %%)\n", i, got[i].mean, got[i].error, want, 100.0*(got[i].mean/want - 1.0));
        ASSERT_RADIANCE(got[i], want, rel);
        assert_true(got[i].error < 0.02*want);
        seen++;
    }
    assert_true(seen > 3);
    free(got);
    stage_destroy(s);
}

#define REL 0.004   // light that goes round again by the nearly black ceiling: below 0.003

static void mirror_lights(void **state) { (void)state; lit_by_way_of_floor(MIRROR, of_mirror, REL); }
static void pane_lights(void **state) { (void)state; lit_by_way_of_floor(PANE, of_pane, REL); }
static void mirror_shows(void **state) { (void)state; seen_in_floor(MIRROR, of_mirror, REL); }
static void pane_shows(void **state) { (void)state; seen_in_floor(PANE, of_pane, REL); }

// A mirrored ball in the sheet's plane, a matte ceiling above. Rays through (angle, offset across) land at (X, Y):
//   E = P/fan g(offset) |dangle/dX| |doffset/dY|, both slopes by differences of a ray tracer of three lines.
#define BALL_X 1.5
#define BALL_Z (-0.6)
#define BALL_R 0.25
static void ball_landing(double angle, double offset, double *x, double *y)
{
    const lr_vec3 d = {cos(angle), 0.0, sin(angle)}, o = {0.0, offset, 0.0}, c = {BALL_X, 0.0, BALL_Z};
    const lr_vec3 to = lr_sub(c, o);
    const double along = lr_dot(to, d), gap2 = lr_dot(to, to) - along*along, t = along - sqrt(BALL_R*BALL_R - gap2);
    const lr_vec3 hit = lr_mad(o, t, d), n = lr_mul(lr_sub(hit, c), 1.0/BALL_R), out = lr_mad(d, -2.0*lr_dot(d, n), n);
    const double up = (1.5 - hit.z)/out.z;
    *x = hit.x + up*out.x;
    *y = hit.y + up*out.y;
}

static void ball_lights(void **state)
{
    (void)state;
    stage *s = indirect_stage(
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"ball\", \"objects\": ["
        " {\"shape\": \"sphere\", \"radius_m\": 0.25, \"center_m\": [1.5, 0, -0.6], \"material\": " MIRROR "},"
        " {\"shape\": \"rectangle\", \"size_m\": [200, 200], \"center_m\": [0, 0, 1.5], \"rotate_deg\": [180, 0, 0], \"material\": " BLACK "}], \"lights\": []}",
        "\"height_mm\": 100, \"pitch_deg\": 60, " LENS,
        "\"height_mm\": 0, \"pitch_deg\": -22, \"fan_deg\": 50, \"thickness_mm\": 3, \"divergence_mrad\": 0, \"dots\": {\"count\": 0, \"zero_order\": 0, \"background\": 0}");
    mean_radiance *got = calloc(PIXELS, sizeof *got);
    indirect_line(s, 0, 64, 1, 32, got);
    int seen = 0;
    for (int i = 10; i < PIXELS; i += 20) {
        const double off = field_angle(i), up = LR_PI/3.0 - off, range = 1.4/sin(up), x = range*cos(up), half = 0.5*pixel_width(off)*range;
        double lo = -0.38, hi = -0.28, at, y, x1, y1, x2, y2;   // angles that meet the ball from above and go up
        ball_landing(lo, 0.0, &x1, &y);
        ball_landing(hi, 0.0, &x2, &y);
        if (!(x > fmin(x1, x2) && x < fmax(x1, x2)))
            continue;
        const int rising = x2 > x1;
        for (int k = 0; k < 60; k++) {
            const double mid = 0.5*(lo + hi);
            ball_landing(mid, 0.0, &at, &y);
            if ((at < x) == rising) lo = mid; else hi = mid;
        }
        ball_landing(lo + 1e-6, 0.0, &x1, &y1);
        ball_landing(lo - 1e-6, 0.0, &x2, &y2);
        const double slope = fabs(x1 - x2)/2e-6;
        ball_landing(lo, 1e-6, &x1, &y1);
        const double spread = y1/1e-6, sigma = 0.25*THICKNESS_M*spread;
        const double want = 0.9*RHO/LR_PI/FAN_RAD/slope*erf(half/(sqrt(2.0)*sigma))/(2.0*half);
        print_message("by way of the ball: pixel %d: sheet spread %.1f times: %.5g +- %.1g, closed form %.5g (%+.2f %%)\n", i, spread, got[i].mean, got[i].error, want, 100.0*(got[i].mean/want - 1.0));
        ASSERT_RADIANCE(got[i], want, 0.02);   // 256 rays of the fan, of which the ball takes 80
        assert_true(got[i].error < 0.01*want);
        seen++;
    }
    assert_true(seen > 3);
    free(got);
    stage_destroy(s);
}

// A flood by way of the floor: intensity P/(fan flood cos(elevation)) of the mirrored laser, E = I cos(i)/r^2.
static void flood_by_way_of_floor(void **state)
{
    (void)state;
    char camera[512];
    snprintf(camera, sizeof camera, "\"height_mm\": 100, \"pitch_deg\": 45, %s", LENS);
    stage *s = indirect_stage(
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"levels\", \"objects\": ["
        " {\"shape\": \"rectangle\", \"size_m\": [200, 200], \"center_m\": [0, 0, -1], \"material\": " MIRROR "},"
        " {\"shape\": \"rectangle\", \"size_m\": [200, 200], \"center_m\": [0, 0, 1.5], \"rotate_deg\": [180, 0, 0], \"material\": " BLACK "}], \"lights\": []}",
        camera, "\"mode\": \"flood\", \"flood_deg\": 60, \"height_mm\": 0, \"pitch_deg\": -45, " FAN);
    mean_radiance *got = calloc(PIXELS, sizeof *got);
    indirect_line(s, 0, 16, 1, 16, got);
    int seen = 0;
    for (int i = 10; i < PIXELS; i += 20) {
        const double off = field_angle(i), up = LR_PI/4.0 - off, range = 1.4/sin(up), x = range*cos(up), r = hypot(3.5, x), elevation = atan2(3.5, x) - LR_PI/4.0;
        if (fabs(elevation) > 0.45*FAN_RAD)
            continue;
        const double want = 0.9*RHO/LR_PI/(FAN_RAD*(60.0*LR_PI/180.0)*cos(elevation))*3.5/(r*r*r);
        print_message("flood by way of the floor: pixel %d: %.5g +- %.1g, closed form %.5g (%+.2f %%)\n", i, got[i].mean, got[i].error, want, 100.0*(got[i].mean/want - 1.0));
        ASSERT_RADIANCE(got[i], want, 0.012);   // the ceiling lights itself by way of the mirror: below 0.5 %; and patches are flat in light
        assert_true(got[i].error < 0.01*want);
        seen++;
    }
    assert_true(seen > 4);
    free(got);
    stage_destroy(s);
}

// A slab of glass 0.2 m thick between the laser and a floor 1.5 m below it; the camera looks at the floor from under the slab.
// A ray at t from the vertical lands at x = (1.5 - 0.2) tan t + 0.2 tan t', sin t = n sin t'; power per length P/fan dt/dx times
// what two faces let through with all reflections inside, (1 - F)/(1 + F) for each polarisation.
static double slab_place(double t, double *slope)
{
    const double n = 1.5, st = sin(t)/n, ct = sqrt(1.0 - st*st);
    *slope = 1.3/(cos(t)*cos(t)) + 0.2*cos(t)/(n*ct*ct*ct);
    return 1.3*tan(t) + 0.2*st/ct;
}

static void slab_lets_through(void **state)
{
    (void)state;
    char camera[512];
    snprintf(camera, sizeof camera, "\"height_mm\": -500, \"pitch_deg\": -90, %s", LENS);
    stage *s = indirect_stage(
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"slab\", \"objects\": ["
        " {\"shape\": \"rectangle\", \"size_m\": [200, 200], \"center_m\": [0, 0, -1.5], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.01}},"
        " {\"shape\": \"box\", \"size_m\": [20, 20, 0.2], \"center_m\": [0, 0, -0.3], \"material\": {\"kind\": \"glass\", \"index\": 1.5}}], \"lights\": []}",
        camera, "\"height_mm\": 0, \"pitch_deg\": -90, \"fan_deg\": 50, \"thickness_mm\": 3, \"divergence_mrad\": 0, \"dots\": {\"count\": 0, \"zero_order\": 0, \"background\": 0}");
    mean_radiance *got = calloc(PIXELS, sizeof *got);
    indirect_line(s, 0, 16, 1, 16, got);
    for (int i = 5; i < PIXELS; i += 19) {
        const double off = field_angle(i), x = tan(fabs(off));     // 1 m below the camera
        double lo = 0.0, hi = 0.5*FAN_RAD, slope;
        for (int k = 0; k < 60; k++) {
            const double mid = 0.5*(lo + hi);
            if (slab_place(mid, &slope) < x) lo = mid; else hi = mid;
        }
        slab_place(lo, &slope);
        const lr_fresnel f = lr_fresnel_dielectric(cos(lo), 1.5);
        const double through = 0.5*((1.0 - f.s)/(1.0 + f.s) + (1.0 - f.p)/(1.0 + f.p));
        const double want = sheet_radiance(through, 1.0/FAN_RAD, 1.0, slope, 0.25*THICKNESS_M, 0.5*pixel_width(off)/cos(off));
        print_message("through the slab: pixel %d: %.5g +- %.1g, closed form %.5g (%+.2f %%)\n", i, got[i].mean, got[i].error, want, 100.0*(got[i].mean/want - 1.0));
        // Our surfaces hand on the mean of both polarisations, face by face: 0.3 % at 20 degrees; and reflections inside land elsewhere.
        ASSERT_RADIANCE(got[i], want, 0.004);
        assert_true(got[i].error < 0.003*want);
    }
    free(got);
    stage_destroy(s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(mirror_lights), cmocka_unit_test(pane_lights), cmocka_unit_test(mirror_shows),
                                       cmocka_unit_test(pane_shows), cmocka_unit_test(flood_by_way_of_floor), cmocka_unit_test(ball_lights),
                                       cmocka_unit_test(slab_lets_through)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
