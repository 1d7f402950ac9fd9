// SPDX-License-Identifier: Apache-2.0
#include "depth/triangulate.h"

#include <math.h>

#define APART_MIN_M 1e-4      // baselines below this give no depth at any range
#define PLANE_M 1e-3
#define PLANE_RAD (0.2*LR_DEG)

double lr_triangulate_rho(double baseline_m, double upper_rad, double lower_rad)
{
    const double shift = tan(lower_rad) - tan(upper_rad);
    return shift > 0.0 ? baseline_m/shift : (double)INFINITY;
}

double lr_triangulate_angle(double angle_rad, double above_m, double inverse_rho)
{
    return atan(tan(angle_rad) + above_m*inverse_rho);
}

// Direction in the module of a ray `angle_rad` off the axis.
static lr_vec3 ray(const lr_cal_camera *camera, double angle_rad)
{
    return lr_rotate(lr_transform_pose(&camera->pose).rotation, lr_v3(cos(angle_rad), 0.0, -sin(angle_rad)));
}

static lr_view make_view(const lr_cal_camera *camera, lr_vec3 along, lr_vec3 normal)
{
    const lr_vec3 axis = ray(camera, 0.0), below = ray(camera, 0.1);
    const double zero = atan2(lr_dot(axis, along), lr_dot(axis, normal));
    const double step = remainder(atan2(lr_dot(below, along), lr_dot(below, normal)) - zero, 2.0*LR_PI);
    return (lr_view){camera, zero, step < 0.0 ? -1.0 : 1.0};
}

static int in_plane(const lr_cal_camera *camera)
{
    return fabs(ray(camera, 0.0).y) <= sin(PLANE_RAD) && fabs(ray(camera, 0.5*LR_PI).y) <= sin(PLANE_RAD);
}

lr_status lr_pair_create(const char *module, const lr_cal_camera *upper, const lr_cal_camera *lower, lr_pair *out, lr_error *err)
{
    const lr_vec3 d = lr_sub(upper->pose.origin_m, lower->pose.origin_m);
    const double length = sqrt(d.x*d.x + d.z*d.z);
    if (!(length > APART_MIN_M))
        return lr_fail(err, LR_ERR_RANGE, "%s: %s and %s stand in one place: their baseline %g m is not above %g m", module, upper->name,
                       lower->name, length, APART_MIN_M);
    if (!(fabs(d.y) <= PLANE_M) || !in_plane(upper) || !in_plane(lower))
        return lr_fail(err, LR_ERR_RANGE, "%s: %s and %s do not look along one plane (within %g mm and %g deg)", module, upper->name,
                       lower->name, 1e3*PLANE_M, PLANE_RAD/LR_DEG);
    const lr_vec3 along = lr_v3(d.x/length, 0.0, d.z/length), normal = lr_v3(along.z, 0.0, -along.x);
    *out = (lr_pair){{make_view(upper, along, normal), make_view(lower, along, normal)}, length};
    return LR_OK;
}

double lr_view_angle(const lr_view *view, double pixel)
{
    return view->zero_rad + view->turn*lr_cal_camera_angle(view->camera, pixel);
}

double lr_view_pixel(const lr_view *view, double angle_rad)
{
    return lr_cal_camera_pixel(view->camera, view->turn*(angle_rad - view->zero_rad));
}

double lr_pair_partner(const lr_pair *pair, int from, double pixel, double inverse_rho)
{
    const double angle = lr_view_angle(&pair->view[from], pixel), above = from == 0 ? pair->baseline_m : -pair->baseline_m;
    return cos(angle) > 0.0 ? lr_view_pixel(&pair->view[1 - from], lr_triangulate_angle(angle, above, inverse_rho)) : (double)NAN;
}

double lr_pair_range(const lr_pair *pair, int from, double pixel, double inverse_rho)
{
    const double c = cos(lr_view_angle(&pair->view[from], pixel));
    return inverse_rho > 0.0 ? 1.0/(inverse_rho*c) : (double)INFINITY;
}

double lr_pair_inverse_rho(const lr_pair *pair, int from, double pixel, double range_m)
{
    return 1.0/(range_m*cos(lr_view_angle(&pair->view[from], pixel)));
}
