// SPDX-License-Identifier: Apache-2.0
// A lens as a projection r = g(theta) from field angle to distance from the image centre, and what follows from it:
// solid angle of a pixel, area of the pupil, etendue. SI units; angles in radians; r has the sign of theta.
// Sources: the projections are the textbook ones;
// POLYNOMIAL is the odd polynomial used for fisheyes by general vision libraries; the etendue is the chain
// rule on the projection, which for r = f tan t is the cos^4 law (Horn, Robot Vision, MIT Press, 1986, ch. 10).
#ifndef LR_OPTICS_LENS_H
#define LR_OPTICS_LENS_H

#include "core/status.h"
#include "core/table.h"

typedef enum lr_projection {
    LR_PROJECTION_RECTILINEAR,    // f tan(t)
    LR_PROJECTION_EQUIDISTANT,    // f t
    LR_PROJECTION_EQUISOLID,      // 2 f sin(t/2)
    LR_PROJECTION_STEREOGRAPHIC,  // 2 f tan(t/2)
    LR_PROJECTION_ORTHOGRAPHIC,   // f sin(t)
    LR_PROJECTION_POLYNOMIAL,     // f (t + k1 t^3 + k2 t^5 + k3 t^7 + k4 t^9)
    LR_PROJECTION_TABLE,          // smooth monotone curve through `table`
} lr_projection;

// "rectilinear", ... in the order of the enum, then NULL: for reading and writing files.
extern const char *const lr_projection_names[];

typedef struct lr_lens {  // start from lr_lens_default()
    lr_projection projection;
    double focal_m;        // above 0
    double k[4];           // POLYNOMIAL only
    lr_table table;        // TABLE only: theta_rad -> r_m, from (0, 0), both rising, at least 2 places
    double f_number;       // focal length / pupil diameter on the axis, above 0
    double transmission;   // of the glass, (0, 1]
    lr_table vignetting;   // V(theta_rad) of the pupil as seen from the scene; empty: cos(theta)
    double focus_m;        // distance in focus, along each ray from the pupil, above focal_m; 0: a pinhole, all is in focus
    double theta_max_rad;  // edge of the image; 0: as far as the projection goes. Storing lr_lens_theta_max() here once
                           // spares POLYNOMIAL a search at every inversion.
} lr_lens;

lr_lens lr_lens_default(void);  // rectilinear, 8 mm, f/2, transmission 1, all in focus

// First fault: RANGE, naming the field, its value and the rule; also when r does not rise all the way to
// `theta_used_rad`, the largest angle the sensor needs (0 if not known yet).
lr_status lr_lens_check(const lr_lens *lens, double theta_used_rad, lr_error *err);

double lr_lens_radius(const lr_lens *lens, double theta_rad);  // r [m]; NaN beyond the projection's reach
double lr_lens_slope(const lr_lens *lens, double theta_rad);   // dr/dtheta [m/rad]
double lr_lens_theta(const lr_lens *lens, double r_m);         // inverse of radius, to 1e-14; NaN outside the image

// Largest angle with an image: where r stops rising, the table's end, or theta_max_rad if that is smaller.
// RECTILINEAR: pi/2, STEREOGRAPHIC: pi (r is infinite there).
double lr_lens_theta_max(const lr_lens *lens);

double lr_lens_vignetting(const lr_lens *lens, double theta_rad);  // V: the table, or cos(theta) down to 0
double lr_lens_pupil_m2(const lr_lens *lens, double theta_rad);    // pi/4 (f/N)^2 V(theta)

// Solid angle [sr] of a pixel `pitch_m` along the radius by `width_m` across it, centred at `theta_rad`.
//   Omega = p w |dtheta/dr| sin(theta)/r,   p w / (dr/dtheta)^2 on the axis
double lr_lens_solid_angle(const lr_lens *lens, double theta_rad, double pitch_m, double width_m);
double lr_lens_along(const lr_lens *lens, double theta_rad, double pitch_m);   // p dtheta/dr [rad]
double lr_lens_across(const lr_lens *lens, double theta_rad, double width_m);  // w sin(theta)/r [rad]
double lr_lens_etendue(const lr_lens *lens, double theta_rad, double pitch_m, double width_m);  // pupil x solid angle [m^2 sr]

#endif
