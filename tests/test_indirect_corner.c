// SPDX-License-Identifier: Apache-2.0
// Indirect laser light in a corner of two planes against numerical integration.
#include "indirect_stage.h"

// Wall x = WALL, floor z = -DROP, head at the origin; the plane of laser and camera is y = 0. The floor is nearly black, so that all but
// light that came once from the wall is below its reflectance.
#define WALL_M 2.0
#define DROP_M 1.0
#define RHO_WALL 0.8
#define RHO_FLOOR 0.002
#define POWER_W 1.0
#define FAN_RAD (100.0*LR_PI/180.0)
#define THICKNESS_M 2e-3
#define DIVERGENCE 1e-3
#define FOCAL_M 4e-3
#define PITCH_M 4e-6
#define WIDTH_M 16e-6
#define PIXELS 1600
#define CAMERA_M 0.05
#define CAMERA_DOWN (40.0*LR_PI/180.0)

// Irradiance at the floor, at `inward` from the corner, averaged over a width: power of the curve on the wall, E = sum of
//   dPhi rho/pi cos cos/d^2,   dPhi = P dalpha/fan,   heights z above the floor, so that cos cos/d^2 = inward z/(inward^2 + z^2 + y^2)^2.
// Across: y between the Gaussian sheet and the even pixel; the density of their difference is a difference of two erf.
static double across_density(double y, double sigma, double half) { return (erf((y + half)/(sqrt(2.0)*sigma)) - erf((y - half)/(sqrt(2.0)*sigma)))/(4.0*half); }

static double floor_irradiance(double inward, double half_width)
{
    const double top = DROP_M + WALL_M*tan(0.5*FAN_RAD);
    const int nz = 1500, ny = 300;
    double sum = 0.0;
    for (int i = 0; i < nz; i++) {   // even in log z: midpoints
        const double lo = 1e-6, step = log(top/lo)/nz, z = lo*exp((i + 0.5)*step), dz = z*step;
        const double up = z - DROP_M, r2 = WALL_M*WALL_M + up*up, sigma = 0.25*hypot(THICKNESS_M, DIVERGENCE*sqrt(r2));
        const double power = POWER_W/FAN_RAD*WALL_M/r2*dz, reach = half_width + 8.0*sigma, h2 = inward*inward + z*z;
        double mean = 0.0;
        for (int k = 0; k < ny; k++) {
            const double y = -reach + (k + 0.5)*2.0*reach/ny;
            mean += across_density(y, sigma, half_width)/((h2 + y*y)*(h2 + y*y))*2.0*reach/ny;
        }
        sum += power*RHO_WALL/LR_PI*inward*z*mean;
    }
    return sum;
}

// Mean over the pixel's height: the floor at angle `down` below level is at x = (DROP + CAMERA)/tan(down) from the axis.
static double expected_radiance(int pixel)
{
    static const double node[5] = {-0.9061798459386640, -0.5384693101056831, 0.0, 0.5384693101056831, 0.9061798459386640};
    static const double weight[5] = {0.2369268850561891, 0.4786286704993665, 0.5688888888888889, 0.4786286704993665, 0.2369268850561891};
    double sum = 0.0;   // Gauss-Legendre, five points
    for (int k = 0; k < 5; k++) {
        const double off = (pixel - 0.5*(PIXELS - 1) + 0.5*node[k])*PITCH_M/FOCAL_M, down = CAMERA_DOWN + off;  // equidistant, pixels grow downwards
        const double range = (DROP_M + CAMERA_M)/sin(down), inward = WALL_M - range*cos(down);
        const double across = WIDTH_M*(fabs(off) > 1e-9 ? sin(fabs(off))/(fabs(off)*FOCAL_M) : 1.0/FOCAL_M);
        sum += 0.5*weight[k]*floor_irradiance(inward, 0.5*across*range);
    }
    return RHO_FLOOR/LR_PI*sum;
}

static void two_planes(void **state)
{
    (void)state;
    stage *s = indirect_stage(
        "{\"format\": \"lanternroom-scene/1\", \"name\": \"corner\", \"objects\": ["
        " {\"name\": \"wall\", \"shape\": \"rectangle\", \"size_m\": [400, 400], \"center_m\": [2, 0, 199], \"rotate_deg\": [0, -90, 0], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.8}},"
        " {\"name\": \"floor\", \"shape\": \"rectangle\", \"size_m\": [400, 400], \"center_m\": [-198, 0, -1], \"material\": {\"kind\": \"diffuse\", \"reflectance\": 0.002}}], \"lights\": []}",
        "\"height_mm\": 50, \"pitch_deg\": -40, \"lens\": {\"projection\": \"equidistant\", \"focal_mm\": 4, \"f_number\": 2, \"transmission\": 1},"
        " \"sensor\": {\"pixels\": 1600, \"pitch_um\": 4, \"width_um\": 16, \"quantum_efficiency\": 0.5}",
        "\"height_mm\": 0, \"fan_deg\": 100, \"thickness_mm\": 2, \"divergence_mrad\": 1, \"dots\": {\"count\": 0, \"zero_order\": 0, \"background\": 0}");
    mean_radiance *got = calloc((size_t)s->pixels, sizeof *got);
    indirect_line(s, 0, 64, 1, 32, got);
    const double corner = atan2(DROP_M + CAMERA_M, WALL_M);   // angle of the corner below level
    const int at = (int)floor((corner - CAMERA_DOWN)*FOCAL_M/PITCH_M + 0.5*(PIXELS - 1) + 0.5);   // its pixel
    const int away[] = {1, 2, 3, 5, 10, 20, 50, 100, 200, 500, 1000};
    for (size_t k = 0; k < sizeof away/sizeof *away; k++) {
        const int i = at + away[k];
        const double want = expected_radiance(i);
        print_message("corner: %4d pixels away: %.6g +- %.2g, by integration %.6g (%+.2f %%)\n", away[k], got[i].mean, got[i].error, want, 100.0*(got[i].mean/want - 1.0));
        ASSERT_RADIANCE(got[i], want, 0.004);   // the floor's own second return, see RHO_FLOOR, and the pieces of the curve
        assert_true(got[i].error < 0.02*want); // so that 2 % is what is held
    }
    free(got);
    stage_destroy(s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(two_planes)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
