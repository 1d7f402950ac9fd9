// SPDX-License-Identifier: Apache-2.0
// What a head can do, in closed form and before a single ray: coverage, resolution, range noise, photons, eye safety, link.
// Nominal numbers of the head only; errors of building and offsets out of the line plane are left out. SI units, radians.
// A module's plane: x outwards, z up, as in head/head.h. "Range" is along a ray of the module's first camera, "noise" one
// standard deviation. Directions are those of the head: elevation above its equator.
#ifndef LR_STUDY_BUDGET_H
#define LR_STUDY_BUDGET_H

#include "head/head.h"
#include "scene/scene.h"

#define LR_BUDGET_RAYS 61        // directions looked at in each module, evenly spaced over its first camera's pixels
#define LR_BUDGET_RANGES 41      // of curves against range
#define LR_BUDGET_NEAREST_M 0.02
#define LR_BUDGET_FARTHEST_M 100.0
#define LR_BUDGET_SKY 720        // steps of elevation, -90 .. 90 degrees
#define LR_BUDGET_RATES 25       // of the trade between points and revolutions

typedef enum lr_budget_light {   // ambient light on a target that faces the head
    LR_LIGHT_DARK, LR_LIGHT_OFFICE, LR_LIGHT_HALOGEN, LR_LIGHT_OVERCAST, LR_LIGHT_SUN,
    LR_LIGHT_REQUIRED,           // require.lux of daylight; 0 lx if not asked
    LR_LIGHT_SCENE,              // of the scene: spread evenly over its room; without openings the sun is full on the target; 0 lx without a scene
    LR_LIGHTS_COUNT
} lr_budget_light;
extern const char *const lr_budget_light_names[];   // in the order of the enum, then NULL
extern const char *const lr_budget_light_about[];

typedef struct lr_budget_def {   // start from lr_budget_def_default()
    double reflectance;          // of the target, Lambert, facing the head: above 0, up to 1
    int light;                   // lr_budget_light to judge by; -1: the scene's, else the required one, else an office
    double range_m;              // where noise is quoted; 0: that of the requirement, else 3 m
    double snr_min;              // usable: the peak of a dot over its noise is at least this, and
    double noise_share_max;      // range noise at most this share of the range
    double window_px;            // length of line that a match is made on
    double narrow_rad[2];        // field of the narrow head that this one is compared with
    const lr_scene *scene;       // or NULL; need not be baked
} lr_budget_def;
lr_budget_def lr_budget_def_default(void);   // 0.5, -1, 0, 3, 0.01, 15 px, 60 x 40 degrees
lr_status lr_budget_def_check(const lr_budget_def *def, lr_error *err);   // RANGE, naming the field

// What ends the usable range.
typedef enum lr_budget_limit { LR_LIMIT_NONE, LR_LIMIT_FIELD, LR_LIMIT_LIT, LR_LIMIT_SATURATION, LR_LIMIT_SNR, LR_LIMIT_NOISE, LR_LIMITS_COUNT } lr_budget_limit;
extern const char *const lr_budget_limit_names[];

typedef struct lr_budget_reach { double near_m, far_m; lr_budget_limit near_limit, far_limit; } lr_budget_reach;  // NaN: not usable at all

typedef struct lr_budget_ray {   // one direction of a module
    double pixel, elevation_rad; // of the first camera; elevation may pass 90 degrees (over the top)
    double along_rad, across_rad;  // what a pixel sees along and across the line
    double filter_share;         // transmission at the laser's wavelength over the best of the line
    int stereo, lit;             // the partner sees it, a laser reaches it: at def.range_m
    double baseline_m;           // as seen from this direction
    double step_m;               // range for one pixel of disparity, at def.range_m
    double match_px, noise_m;    // bound of matching, at def.range_m in the light judged by
    double laser_e;              // mean electrons of the laser, at def.range_m
    lr_budget_reach reach, dark; // in the light judged by, and in the dark
    double wins_m;               // from where on that light gives more electrons than the laser; +inf: nowhere up to 100 m
} lr_budget_ray;

typedef struct lr_budget_curve { // at the middle of the lit stereo field
    double range_m[LR_BUDGET_RANGES];
    double laser_e[LR_BUDGET_RANGES], dot_e[LR_BUDGET_RANGES], flood_e[LR_BUDGET_RANGES];   // mean of the sheet, peak of its dots, flood of equal power
    double light_e[LR_LIGHTS_COUNT];
    double snr[LR_LIGHTS_COUNT][LR_BUDGET_RANGES], flood_snr[LR_LIGHTS_COUNT][LR_BUDGET_RANGES];
    double step_m[LR_BUDGET_RANGES], noise_m[LR_LIGHTS_COUNT][LR_BUDGET_RANGES];  // +inf: no pattern to match
    double wins_m[LR_LIGHTS_COUNT], flood_wins_m[LR_LIGHTS_COUNT];
    double saturation_m;         // nearer, the peak of a dot fills the well or the converter, in the dark
} lr_budget_curve;

typedef struct lr_budget_module {
    char name[64], first[64], partner[64];  // partner empty: one camera, no stereo
    double field_rad[2];         // elevations its first camera sees, lowest first
    double stereo_rad[2], lit_rad[2];       // with both cameras; and with a laser (at the range judged)
    int middle;                  // index of the ray of `curve`
    lr_budget_ray ray[LR_BUDGET_RAYS];
    lr_budget_curve curve;
    double points_per_line;      // pixels of the first camera in stereo and lit
    double saturation_e, floor_e;   // brightest, and noise without light
    double dynamic_range;        // EMVA 1288: saturation over the weakest signal of SNR 1
    double speckle_contrast;     // of the first camera
    double light_band_w_m2[LR_LIGHTS_COUNT], light_share[LR_LIGHTS_COUNT];  // in the first camera's band at its middle; share of 300 .. 1100 nm
    double dot_px, dot_spacing_px;   // spread (standard deviation, blur and pixel included) and spacing, first camera, def.range_m
} lr_budget_module;

typedef struct lr_budget_coverage {  // seen from far away, over a whole turn
    unsigned char seen[LR_BUDGET_SKY], stereo[LR_BUDGET_SKY], lit[LR_BUDGET_SKY], useful[LR_BUDGET_SKY];  // modules that see that elevation; useful: stereo and lit
    double seen_share, stereo_share, lit_share, useful_share;   // of the sphere
    double blind_above_rad, blind_below_rad;   // half angle of the cone about the axis that no camera sees
    double overlap_rad;          // elevations that two modules or more see in stereo
    int looks_min, looks_max;    // modules that see a covered elevation in stereo
    double narrow_heads;         // number of narrow heads for the same solid angle
    double object_rad;           // smallest object: two pixels or two steps of azimuth, whichever is more, at the middle of the first module
    double patch_rad;            // stretch of line that a match needs
} lr_budget_coverage;

typedef enum lr_budget_form { LR_FORM_RAW16, LR_FORM_PACKED, LR_FORM_RANGE, LR_FORMS_COUNT } lr_budget_form;
extern const char *const lr_budget_form_names[];

typedef struct lr_budget_link {
    double line_s, exposure_s, spare_s;     // time of a line, its longest exposure, what is left
    double duty;                            // of the lasers, if they fire during the longest exposure only
    double optical_w, electrical_w, electrical_peak_w;
    double azimuth_step_rad, blur_rad;      // turn between lines; during the longest exposure
    double blur_px, step_px;                // both in pixel widths of the first module's first camera at its middle
    double detail_rad;                      // across the line: a pixel's width or the sheet's (1/e^2, at def.range_m), whichever is less
    double points_per_rev, points_per_s, looks_per_s;
    double load_byte_per_s[LR_FORMS_COUNT], line_bytes[LR_FORMS_COUNT];
    double limit_byte_per_s;                // lowest of those given; 0: none given
    char limit_name[32];
    char limiting[96];                      // what stops more points a second first
    double rev_per_s[LR_BUDGET_RATES], points_at_rate[LR_FORMS_COUNT][LR_BUDGET_RATES];  // points of a revolution that the link carries
    double points_by_exposure[LR_BUDGET_RATES];    // points that the exposure leaves time for
    double slip_ring_hours, rated_turns, turns_per_year;   // hours to its rating at this speed; 0: no rating. Year of 2000 hours
} lr_budget_link;

typedef struct lr_budget_fan {   // one laser, eye safety
    char name[140];
    double wavelength_m, power_w, share;     // of the power into the pupil at its worst place
    double worst_rad;                        // where in the fan
    double pass_s, pulse_s, pulses_per_pass, passes_per_s;
    double rule_j[3], limit_j[3];            // turning: single pulse or pass, average, pulse train: what enters and what may, in their own terms [J]
    double ratio;                            // turning: worst of the rules; emission over limit. NaN outside 600 .. 1400 nm
    double stalled_ratio, stuck_on_ratio;    // rotor at rest, pulses go on; turning, laser on all the time
    double telescope_ratio;                  // condition 1, rotor at rest
    int governing;                           // index of the rule that governs when turning
    double power_class1_w, stalled_power_class1_w;   // that would just meet Class 1
    double hazard_m, stalled_hazard_m;       // from the aperture on the limit is met; 0.1 m or less: at the measuring distance
} lr_budget_fan;
extern const char *const lr_budget_caution;          // goes with every figure on eye safety
extern const char *const lr_budget_rule_names[];     // 3
extern const char *const lr_budget_safety_notes[];   // clauses applied and what was assumed, then NULL

typedef struct lr_budget_verdict {
    char what[64];
    double wanted, reached;      // in `unit`
    char unit[8];
    int met;                     // 1 met, 0 missed
    double margin;               // how much better than wanted, as a share; negative: missed by
    char note[128];
} lr_budget_verdict;
#define LR_BUDGET_VERDICTS 12

typedef enum lr_budget_metric { LR_METRIC_NOISE, LR_METRIC_FAR, LR_METRIC_COVERAGE, LR_METRIC_LINK, LR_METRIC_SAFETY, LR_METRICS_COUNT } lr_budget_metric;
extern const char *const lr_budget_metric_names[];
typedef struct lr_budget_advice {
    const char *parameter;       // as in head files
    double elasticity[LR_METRICS_COUNT];   // per cent of the metric for one per cent of the parameter; NaN: metric not there
} lr_budget_advice;
#define LR_BUDGET_ADVICE 24

typedef struct lr_budget {
    lr_budget_def def;           // as used: light and range filled in
    char head[64], scene[64];
    double lux[LR_LIGHTS_COUNT]; // of each light
    lr_require require;
    int module_count;
    lr_budget_module *module;    // (module_count)
    lr_budget_coverage coverage;
    lr_budget_link link;
    int fan_count;
    lr_budget_fan *fan;          // (fan_count) every laser that is not off
    double safety_ratio, safety_stalled_ratio;   // worst place, fans that meet in a pupil added
    int verdict_count;
    lr_budget_verdict verdict[LR_BUDGET_VERDICTS];
    int advice_count;
    lr_budget_advice advice[LR_BUDGET_ADVICE];
    double room_m[2];            // nearest wall and farthest corner, from the head, of the smallest thing around it; 0 without a scene
    double revolutions;          // of a scan
    double module_azimuth_rad[LR_MAX_MODULES];
} lr_budget;

// Errors: RANGE, MISSING, PARSE (files of dots), MEMORY. `head` and the scene are not kept.
lr_status lr_budget_create(const lr_head *head, const lr_budget_def *def, lr_budget **out, lr_error *err);
void lr_budget_destroy(lr_budget *budget);   // NULL is fine

// ---- Single figures, for checks against the renderer --------------------------------------------------------------

// Mean electrons of a laser, per pixel, on a Lambert target met by the ray of `pixel` at `range_m`, its normal in the module's plane at
// the angle `normal_rad` (of the normal, elevation in the module frame; NaN: it faces the camera). Dots averaged out.
double lr_budget_laser_e(const lr_head *head, int module, int camera, int laser, double pixel, double range_m, double normal_rad, double reflectance);
// Ambient electrons of a pixel that sees a Lambert target under an irradiance [W/m^2 per m of wavelength].
double lr_budget_ambient_e(const lr_camera_def *camera, double pixel, const lr_table *irradiance, double reflectance);
// Range for one pixel of disparity in the partner, along a ray of `camera` [m]; NaN where the partner does not see it.
double lr_budget_range_step_m(const lr_head *head, int module, int camera, int partner, double pixel, double range_m);
// Contrast of laser speckle in a pixel, depolarised light: 1/sqrt(M).
//   M = 2 (1 + (p/a)^k)^(1/k) (1 + (w/a)^k)^(1/k),  a^2 = (4/pi) (lambda N)^2 the correlation area of a round pupil, k = 1.65
// Source: Goodman, Speckle Phenomena in Optics (2007) (from memory); k is our join between small and large pixels, good to 8 %.
double lr_budget_speckle_contrast(const lr_camera_def *camera, double wavelength_m, double drag_m);

#endif
