// SPDX-License-Identifier: Apache-2.0
// The keys of a laser in a head file.
#include <stddef.h>

#include "head/laser.h"
#include "head/part_fields.h"

#define OPEN LR_FIELD_ABOVE
#define FAR_MM (LR_PLACEMENT_MAX_M*1e3)

static const char *const modes[] = {"sheet", "flood", "off", NULL};

static void dots_defaults(void *record) { *(lr_laser_dots *)record = lr_laser_def_default().dots; }

#define DOTS(member) offsetof(lr_laser_dots, member)

static const lr_field dots_fields[] = {
    {.key = "count", .kind = LR_FIELD_INTEGER, .offset = DOTS(count), .lo = 0, .hi = 100000,
     .about = "Random dots over the fan; 0: a plain sheet."},
    {.key = "seed", .kind = LR_FIELD_SEED, .offset = DOTS(seed), .about = "Another seed, another pattern."},
    {.key = "size_mrad", .kind = LR_FIELD_NUMBER, .offset = DOTS(size_rad), .scale = 1e-3, .lo = 0, .hi = 500, .flags = OPEN,
     .about = "Full 1/e^2 width of a dot along the fan."},
    {.key = "jitter", .kind = LR_FIELD_NUMBER, .offset = DOTS(jitter), .lo = 0, .hi = 1,
     .about = "0: evenly spaced dots; 1: anywhere in their cells."},
    {.key = "spread", .kind = LR_FIELD_NUMBER, .offset = DOTS(spread), .lo = 0, .hi = 1,
     .about = "A dot's power is 1 +- spread of the mean, evenly distributed."},
    {.key = "zero_order", .kind = LR_FIELD_NUMBER, .offset = DOTS(zero_order), .lo = 0, .hi = 1, .flags = LR_FIELD_BELOW,
     .about = "Share of the power that goes on undiffracted along the axis."},
    {.key = "background", .kind = LR_FIELD_NUMBER, .offset = DOTS(background), .lo = 0, .hi = 1,
     .about = "Share of the power spread evenly over the fan."},
    {.key = "file", .kind = LR_FIELD_TEXT, .offset = DOTS(file), .count = sizeof ((lr_laser_dots *)0)->file,
     .about = "Text file of dots instead of random ones: one dot a line, \"angle_deg weight\", # for comments; beside the head file."},
    {.kind = LR_FIELD_END},
};
static const lr_field_set dots_set = {.name = "dots", .size = sizeof(lr_laser_dots), .defaults = dots_defaults, .fields = dots_fields};

static void laser_defaults(void *record)
{
    lr_laser_def *def = record;
    *def = lr_laser_def_default();
    def->name[0] = '\0';  // numbered by the module unless given
}

static lr_status check_laser(const lr_json *json, const lr_node *node, void *record, void *context, lr_error *err)
{
    (void)context;
    lr_error inner = {""};
    if (lr_laser_def_check(record, &inner) != LR_OK)
        return lr_part_fault(json, node, inner.text, err);
    return LR_OK;
}

#define LASER(member) offsetof(lr_laser_def, member)

static const lr_field laser_fields[] = {
    {.key = "name", .kind = LR_FIELD_TEXT, .offset = LASER(name), .count = 64, .about = "\"laser0\", \"laser1\", ... unless given."},
    {.key = "height_mm", .kind = LR_FIELD_NUMBER, .offset = LASER(placement.height_m), .scale = 1e-3, .lo = -FAR_MM, .hi = FAR_MM,
     .about = "Of the aperture, along the module's z (up)."},
    {.key = "forward_mm", .kind = LR_FIELD_NUMBER, .offset = LASER(placement.forward_m), .scale = 1e-3, .lo = -FAR_MM, .hi = FAR_MM,
     .about = "Of the aperture, along the module's x (outwards)."},
    {.key = "side_mm", .kind = LR_FIELD_NUMBER, .offset = LASER(placement.side_m), .scale = 1e-3, .lo = -FAR_MM, .hi = FAR_MM,
     .about = "Of the aperture, along the module's y, out of the line plane."},
    {.key = "pitch_deg", .kind = LR_FIELD_NUMBER, .offset = LASER(placement.pitch_rad), .scale = LR_DEG, .lo = -180, .hi = 180,
     .about = "Turn of the fan within the line plane; positive looks up."},
    {.key = "error", .kind = LR_FIELD_OBJECT, .offset = LASER(placement.error_offset_m), .set = &lr_error_fields,
     .about = "How the laser was really built in."},
    {.key = "mode", .kind = LR_FIELD_CHOICE, .offset = LASER(mode), .choices = modes,
     .about = "sheet: a fan in the line plane; flood: the same power over the whole field, for comparison; off."},
    {.key = "wavelength_nm", .kind = LR_FIELD_NUMBER, .offset = LASER(wavelength_m), .scale = 1e-9, .lo = 300, .hi = 1100,
     .about = "Wavelength; at most four different ones in a head."},
    {.key = "line_width_nm", .kind = LR_FIELD_NUMBER, .offset = LASER(line_width_m), .scale = 1e-9, .lo = 0, .hi = 100,
     .about = "Full width at half maximum of the laser line."},
    {.key = "drift_nm_per_k", .kind = LR_FIELD_NUMBER, .offset = LASER(drift_m_per_k), .scale = 1e-9, .lo = -1, .hi = 1,
     .about = "Drift of the line with temperature; 0.3 nm/K is usual at 850 nm for edge emitters, a fifth of that for lasers with a grating (common practice, no source)."},
    {.key = "warm_k", .kind = LR_FIELD_NUMBER, .offset = LASER(warm_k), .lo = -200, .hi = 200,
     .about = "How much warmer the laser is than where wavelength_nm holds: the line leaves the filter."},
    {.key = "speckle", .kind = LR_FIELD_BOOL, .offset = LASER(speckle), .about = "false: light without speckle, to see what it does."},
    {.key = "polarisation", .kind = LR_FIELD_NUMBER, .offset = LASER(polarisation), .lo = 0, .hi = 1,
     .about = "Degree of polarisation of the light that comes back: 0 paint and paper, 1 metal; speckle is stronger with it."},
    {.key = "power_mw", .kind = LR_FIELD_NUMBER, .offset = LASER(power_w), .scale = 1e-3, .lo = 0, .hi = 1e6,
     .about = "Optical power that leaves the aperture while exposing."},
    {.key = "fan_deg", .kind = LR_FIELD_NUMBER, .offset = LASER(fan_rad), .scale = LR_DEG, .lo = 0, .hi = 180, .flags = OPEN,
     .about = "Full angle of the fan."},
    {.key = "flood_deg", .kind = LR_FIELD_NUMBER, .offset = LASER(flood_rad), .scale = LR_DEG, .lo = 0, .hi = 180, .flags = OPEN,
     .about = "Flood only: full angle across the fan, evenly lit in azimuth."},
    {.key = "thickness_mm", .kind = LR_FIELD_NUMBER, .offset = LASER(thickness_m), .scale = 1e-3, .lo = 0, .hi = 100, .flags = OPEN,
     .about = "Full 1/e^2 width of the sheet at the aperture."},
    {.key = "divergence_mrad", .kind = LR_FIELD_NUMBER, .offset = LASER(divergence_rad), .scale = 1e-3, .lo = 0, .hi = 500,
     .about = "Full 1/e^2 angle by which the sheet spreads."},
    {.key = "efficiency", .kind = LR_FIELD_NUMBER, .offset = LASER(efficiency), .lo = 0, .hi = 1, .flags = OPEN,
     .about = "Optical over electrical power, for the power budget."},
    {.key = "dots", .kind = LR_FIELD_OBJECT, .offset = LASER(dots), .set = &dots_set, .about = "The pattern along the fan."},
    {.kind = LR_FIELD_END},
};
const lr_field_set lr_laser_fields = {.name = "laser", .size = sizeof(lr_laser_def), .defaults = laser_defaults,
                                      .fields = laser_fields, .check = check_laser};
