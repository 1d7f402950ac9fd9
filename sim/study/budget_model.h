// SPDX-License-Identifier: Apache-2.0
// A head made ready for the formulas of a budget. For sim/study/budget*.c only.
// Everything lies in a module's plane: x outwards, z up. Angles are elevations in the module frame unless said otherwise.
#ifndef LR_STUDY_BUDGET_MODEL_H
#define LR_STUDY_BUDGET_MODEL_H

#include "optics/dots.h"
#include "study/budget.h"

#define LR_MODEL_NODES 33    // field angles at which ambient light is worked out, between them straight lines

typedef struct lr_model_lights {   // what shines on the target
    lr_table irradiance[LR_LIGHTS_COUNT];   // [W/m^2 per m]
    double lux[LR_LIGHTS_COUNT];
    double total_w_m2[LR_LIGHTS_COUNT];     // 300 .. 1100 nm
} lr_model_lights;
lr_status lr_model_lights_make(const lr_head *head, const lr_scene *scene, lr_model_lights *out, lr_error *err);
lr_box3 lr_model_room(const lr_scene *scene);   // bounds of the smallest thing around the head; of everything if there is none
void lr_model_lights_free(lr_model_lights *lights);

typedef struct lr_model_camera {
    const lr_camera_def *def;
    double x_m, z_m, pitch_rad;
    double theta_max_rad;          // of the pixels there are
    double saturation_e, floor_e2; // dark variance: read, quantisation, dark current
    int nodes;
    double light_e[LR_LIGHTS_COUNT][LR_MODEL_NODES];   // ambient electrons for a reflectance of 1
} lr_model_camera;

typedef struct lr_model_laser {
    const lr_laser_def *def;
    double x_m, z_m, pitch_rad;
    lr_dots *pattern;
    int borrowed;                  // of another model
    int dots;
    double mean_per_rad;           // zero order left out [1/rad]
    double dot_share, dot_rad;     // share of the power and standard deviation of one dot
    double background_per_rad, spacing_rad;
} lr_model_laser;

typedef struct lr_model_module {
    const lr_module_def *def;
    int partner;                   // of camera 0; -1: none
    lr_model_camera camera[LR_MAX_CAMERAS];
    lr_model_laser laser[LR_MAX_LASERS];
    double speckle2[LR_MAX_CAMERAS][LR_MAX_LASERS];   // contrast squared
} lr_model_module;

typedef struct lr_model {
    const lr_head *head;
    const lr_budget_def *def;
    const lr_model_lights *lights;
    int module_count;
    lr_model_module module[LR_MAX_MODULES];
} lr_model;

// `like`: a model whose patterns may be borrowed where nothing about them differs, or NULL; it must outlive this one.
// nodes: 2 .. LR_MODEL_NODES. light: only this one is worked out; -1: all.
lr_status lr_model_create(const lr_head *head, const lr_budget_def *def, const lr_model_lights *lights, const lr_model *like, int nodes, int light,
                          lr_model **out, lr_error *err);
void lr_model_destroy(lr_model *model);

// ---- Geometry -----------------------------------------------------------------------------------------------------

typedef struct lr_seen { int inside; double pixel, angle_rad, theta_rad, range_m; } lr_seen;   // a point from a camera or laser
lr_seen lr_model_see(const lr_model_camera *camera, double x_m, double z_m);
// angle_rad: elevation from the laser to the point; theta_rad: from its axis, signed; inside: within the fan.
lr_seen lr_model_lit(const lr_model_laser *laser, double x_m, double z_m);
double lr_model_angle(const lr_model_camera *camera, double pixel);    // elevation of a pixel's ray, module frame
void lr_model_point(const lr_model_camera *camera, double angle_rad, double range_m, double *x_m, double *z_m);
double lr_model_along(const lr_model_camera *camera, double theta_rad);    // of a pixel [rad]
double lr_model_across(const lr_model_camera *camera, double theta_rad);

// ---- Light --------------------------------------------------------------------------------------------------------

typedef struct lr_target { double x_m, z_m, normal_rad, reflectance; } lr_target;   // a point in the plane
// Electrons per pixel for a fan density of 1/rad of this laser on the target.
double lr_model_sheet_e(const lr_model_camera *camera, const lr_model_laser *laser, const lr_target *target);
double lr_model_flood_e(const lr_model_camera *camera, const lr_model_laser *laser, const lr_target *target);
double lr_model_light_e(const lr_model_camera *camera, int light, double theta_rad, double reflectance);

// Everything at one point of one ray of camera 0, facing it.
typedef struct lr_model_at {
    int seen, lit;                 // by the partner; by a laser
    int laser;                     // the strongest there, -1
    double laser_e, dot_e, flood_e;     // mean of its sheet, peak pixel of a dot; 0 unlit
    double light_e, noise_e, snr;       // of the peak of a dot
    int saturated;                 // either camera, at the peak of a dot
    double step_m, match_px, noise_m;   // +inf where there is nothing to match
    double baseline_m;             // as seen along the ray
} lr_model_at;
lr_model_at lr_model_look(const lr_model *model, int module, double pixel, double range_m, int light);
double lr_model_snr(const lr_model_camera *camera, double signal_e, double light_e);

// ---- Parts of the budget ------------------------------------------------------------------------------------------

lr_budget_reach lr_model_reach(const lr_model *model, int module, double pixel, int light);
// From where on ambient light gives more than the laser; +inf: nowhere in reach. NaN: the laser does not reach this ray.
double lr_model_wins_m(const lr_model *model, int module, double pixel, int light, int flood);
int lr_model_middle_pixel(const lr_model *model, int module, double *pixel);   // of its lit stereo field at def.range_m; 0: there is none

void lr_budget_fill_rays(const lr_model *model, int module, lr_budget_module *out);
void lr_budget_fill_curve(const lr_model *model, int module, lr_budget_module *out);
void lr_budget_fill_coverage(const lr_model *model, lr_budget_coverage *out);
void lr_budget_fill_link(const lr_model *model, const lr_budget *budget, lr_budget_link *out);
lr_status lr_budget_fill_safety(const lr_model *model, lr_budget *out, lr_error *err);
lr_status lr_budget_fill_advice(const lr_model *model, lr_budget *out, lr_error *err);
void lr_budget_fill_verdicts(const lr_model *model, lr_budget *out);
// Quick figures for the advice.
double lr_link_raw_byte_per_s(const lr_head *head);
double lr_coverage_useful_share(const lr_model *model);
// Worst emission over limit, fans that meet in a pupil added up; NaN where a wavelength has no limit here.
void lr_safety_worst(const lr_model *model, const lr_budget_fan *fan, int count, double *turning, double *stalled);
void lr_safety_fill_fan(const lr_model *model, int module, int laser, int distances, lr_budget_fan *out);
double lr_safety_fan_share(const lr_model_laser *laser, double distance_m, double aperture_m, double *where_rad);
double lr_fan_exposure_s(const lr_module_def *module);   // longest exposure: a laser's pulse

#endif
