// SPDX-License-Identifier: Apache-2.0
// "Make it 50 klx at this point": a scene may say how bright it is to be at a point; its lights are scaled so that it is.
#ifndef LR_RUN_AMBIENT_H
#define LR_RUN_AMBIENT_H

#include "core/json.h"
#include "trace/illuminance.h"

typedef struct lr_ambient {
    int present;                        // the scene asks for it
    double found_lux[LR_LIGHT_KINDS];   // at the point before scaling: sun, sky, lamps
    double factor;                      // that the spectra of the chosen lights were multiplied by
    double lux, error_lux;              // at the point now, and its standard error: that of the light paths
} lr_ambient;

// Scales the lights of a scene that asks for it, once; others stay as they are. Bakes the scene to bins of its own: bake it again before
// use. The same for any seed and number of threads. Errors: RANGE, to be put behind the file's name (no light there, or too much of the lights that
// stay), MEMORY.
lr_status lr_ambient_settle(lr_scene *scene, int threads, lr_ambient *out, lr_error *err);
// {"lux": ..., "standard_error_lux": ..., "factor": ..., "found_lux": {"sun": ..., ...}}
void lr_ambient_json(const lr_ambient *ambient, lr_text *out);
// One line for people, without its end.
void lr_ambient_words(const lr_scene_ambient *asked, const lr_ambient *ambient, lr_text *out);

#endif
