// SPDX-License-Identifier: Apache-2.0
// Sources of ambient light. Each carries one absolute spectrum; where it shines is geometry.
#ifndef LR_SCENE_LIGHT_H
#define LR_SCENE_LIGHT_H

#include "core/table.h"
#include "core/vec.h"
#include "optics/daylight.h"

typedef enum lr_source_kind { LR_SOURCE_SUN, LR_SOURCE_SKY, LR_SOURCE_LAMP } lr_source_kind;

// What all lamps of one kind of spectrum share; the spectrum of sun and sky is theirs alone.
//   sun:  irradiance on a surface that faces it      [W/m^2 per m of wavelength]
//   sky:  irradiance on a level surface, whole dome  [W/m^2 per m]
//   lamp: radiance of a lamp of strength 1           [W/m^2/sr per m]
typedef struct lr_source { lr_source_kind kind; lr_table spectrum; } lr_source;

typedef struct lr_sun_light {
    int present;
    lr_vec3 direction;       // world, unit, towards the sun
    double cos_radius;       // of the disc, 0.26656 deg
    int source;              // index into sources
    double azimuth_deg, elevation_deg;  // as almanacs: azimuth clockwise from north (world +y)
} lr_sun_light;

typedef struct lr_sky_light {
    int present;
    int type;                // CIE general sky 1..15
    lr_sky shape;            // brightness over that of the zenith
    lr_vec3 sun_direction;   // where its bright patch is
    double zenith_per_sr;    // radiance of the zenith over level irradiance [1/sr]
    int source;
} lr_sky_light;
// Radiance over level irradiance [1/sr] towards unit `direction`; 0 below the horizon. Times cos(zenith angle), its
// integral over the dome is 1.
double lr_sky_radiance(const lr_sky_light *sky, lr_vec3 direction);

typedef struct lr_lamp {
    char name[64];
    int object;              // the surface that shines
    int source;              // index into sources
    double strength;         // radiance = strength times the source's spectrum; flux = pi area_m2 radiance
    double area_m2;          // of the shining surface, both sides if two_sided
    int two_sided;           // rectangle and disc shine from the +z side only, unless set; closed shapes outwards
    double lumens;           // for people and for choosing lamps; 0 when unknown
} lr_lamp;

// How bright it is to be: illuminance of a small surface at `point` that faces `normal` (run/ambient.h scales the lights so).
typedef enum lr_ambient_lights { LR_AMBIENT_ALL, LR_AMBIENT_DAYLIGHT, LR_AMBIENT_LAMPS } lr_ambient_lights;
extern const char *const lr_ambient_lights_names[];  // "all", "sun_and_sky", "lamps", then NULL
typedef struct lr_scene_ambient {
    int present;
    double lux;
    lr_vec3 point, normal;
    lr_ambient_lights lights;  // that are scaled
} lr_scene_ambient;

// A clear opening to the outside, with or without a pane, where sky light comes in: corner + a u + b v, a and b 0..1.
// The unit normal points into the room.
typedef struct lr_portal { lr_vec3 corner, u, v; lr_vec3 normal; double area_m2; } lr_portal;

#endif
