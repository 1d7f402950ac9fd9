// SPDX-License-Identifier: Apache-2.0
// The lights a head is judged in, as spectral irradiance on a target that faces it.
// Sources: spectra as in optics/spectrum.h (CIE 015, CIE 018, Planck, ASTM G173-03). Levels: 500 lx is EN 12464-1's for
// writing and reading; overcast 10 klx and sun 100 klx are common practice, no source.
#include <math.h>
#include <stdlib.h>

#include "optics/spectrum.h"
#include "study/budget_model.h"

#define LO_M 300e-9
#define HI_M 1100e-9
enum { STEPS = 160, PLACES = STEPS + 1 };   // every 5 nm
#define ROOM_REFLECTANCE 0.5    // of a room's surfaces as a whole, where lamps shine into it

const char *const lr_budget_light_names[] = {"dark", "office", "halogen", "overcast", "sun", "required", "scene", NULL};
const char *const lr_budget_light_about[] = {"no light", "white LED", "halogen 3000 K", "overcast sky", "direct sun", "daylight as required", "of the scene", NULL};

static double place_m(int i) { return LO_M + (HI_M - LO_M)*i/STEPS; }

// Trapezoid over the places.
static void measure(const double *y, double *w_m2, double *lux)
{
    *w_m2 = *lux = 0.0;
    for (int i = 0; i < PLACES; i++) {
        const double part = y[i]*(HI_M - LO_M)/STEPS*(i == 0 || i == STEPS ? 0.5 : 1.0);
        *w_m2 += part;
        *lux += LR_KM_LM_W*part*lr_eye(place_m(i));
    }
}

static lr_status keep(lr_model_lights *out, int light, double *y, double lux, lr_error *err)
{
    double x[PLACES], w_m2, is_lux;
    measure(y, &w_m2, &is_lux);
    const double scale = lux >= 0.0 ? (is_lux > 0.0 ? lux/is_lux : 0.0) : 1.0;   // below 0: as it is
    for (int i = 0; i < PLACES; i++) {
        x[i] = place_m(i);
        y[i] *= scale;
    }
    out->lux[light] = is_lux*scale;
    out->total_w_m2[light] = w_m2*scale;
    LR_TRY(lr_table_create(PLACES, x, y, &out->irradiance[light], err));
    out->irradiance[light].outside_zero = 1;
    return LR_OK;
}

static lr_status keep_spectrum(lr_model_lights *out, int light, lr_spectrum spectrum, double lux, lr_error *err)
{
    double y[PLACES];
    for (int i = 0; i < PLACES; i++)
        y[i] = lr_spectrum_value(spectrum, place_m(i));
    return keep(out, light, y, lux, err);
}

static lr_status keep_curve(lr_model_lights *out, int light, const lr_curve *curve, double lux, lr_error *err)
{
    double y[PLACES];
    for (int i = 0; i < PLACES; i++)
        y[i] = lr_curve_at(curve, place_m(i));
    return keep(out, light, y, lux, err);
}

static int holds(lr_box3 b, lr_vec3 p) { return p.x > b.lo.x && p.x < b.hi.x && p.y > b.lo.y && p.y < b.hi.y && p.z > b.lo.z && p.z < b.hi.z; }
static double volume(lr_box3 b) { const lr_vec3 d = lr_sub(b.hi, b.lo); return d.x*d.y*d.z; }

lr_box3 lr_model_room(const lr_scene *scene)
{
    lr_box3 room = scene->bounds;
    for (int i = 0; i < scene->object_count; i++) {
        const lr_box3 box = lr_object_bounds(&scene->object[i], scene->object[i].pose);
        if (holds(box, scene->head_pose.origin) && volume(box) > 0.0 && volume(box) < volume(room))
            room = box;
    }
    return room;
}

// Light that enters a room and is spread by its walls evenly over them: flux over area, times 1/(1 - reflectance).
//   lamps: all their flux. In a room with openings sky and sun come through those, panes left out; elsewhere sky comes straight from
//   above and the sun full on the target. A patch in direct sun is brighter: for that there is the light "sun".
static lr_status keep_scene(lr_model_lights *out, const lr_scene *scene, lr_error *err)
{
    double y[PLACES] = {0};
    if (!scene)
        return keep(out, LR_LIGHT_SCENE, y, -1.0, err);
    const lr_box3 room = lr_model_room(scene);
    const lr_vec3 d = lr_sub(room.hi, room.lo);
    const double walls_m2 = 2.0*(d.x*d.y + d.y*d.z + d.z*d.x), spread = 1.0/((1.0 - ROOM_REFLECTANCE)*fmax(walls_m2, 1e-6));
    double open_m2 = 0.0, sunny_m2 = 0.0;
    for (int i = 0; i < scene->portal_count; i++) {
        open_m2 += scene->portal[i].area_m2;
        if (scene->sun.present)
            sunny_m2 += scene->portal[i].area_m2*fmax(0.0, -lr_dot(scene->portal[i].normal, scene->sun.direction));
    }
    for (int i = 0; i < PLACES; i++) {
        for (int l = 0; l < scene->lamp_count; l++) {
            const lr_lamp *lamp = &scene->lamp[l];
            y[i] += LR_PI*lamp->area_m2*lamp->strength*lr_table_at(&scene->source[lamp->source].spectrum, place_m(i))*spread;
        }
        if (scene->sky.present)
            y[i] += lr_table_at(&scene->source[scene->sky.source].spectrum, place_m(i))*(scene->portal_count ? 0.5*open_m2*spread : 1.0);
        if (scene->sun.present)
            y[i] += lr_table_at(&scene->source[scene->sun.source].spectrum, place_m(i))*(scene->portal_count ? sunny_m2*spread : 1.0);
    }
    return keep(out, LR_LIGHT_SCENE, y, -1.0, err);
}

lr_status lr_model_lights_make(const lr_head *head, const lr_scene *scene, lr_model_lights *out, lr_error *err)
{
    *out = (lr_model_lights){0};
    lr_status s = keep_spectrum(out, LR_LIGHT_DARK, LR_SPECTRUM_FLAT, 0.0, err);
    if (s == LR_OK) s = keep_spectrum(out, LR_LIGHT_OFFICE, LR_SPECTRUM_LED_4000K, 500.0, err);
    if (s == LR_OK) s = keep_spectrum(out, LR_LIGHT_HALOGEN, LR_SPECTRUM_HALOGEN, 500.0, err);
    if (s == LR_OK) s = keep_spectrum(out, LR_LIGHT_OVERCAST, LR_SPECTRUM_DAYLIGHT, 10e3, err);
    if (s == LR_OK) s = keep_curve(out, LR_LIGHT_SUN, &lr_curve_g173_direct, 100e3, err);
    if (s == LR_OK) s = keep_curve(out, LR_LIGHT_REQUIRED, &lr_curve_g173_global, head->require.lux > 0.0 ? head->require.lux : 0.0, err);
    if (s == LR_OK) s = keep_scene(out, scene, err);
    if (s != LR_OK)
        lr_model_lights_free(out);
    return s;
}

void lr_model_lights_free(lr_model_lights *lights)
{
    for (int i = 0; i < LR_LIGHTS_COUNT; i++)
        lr_table_free(&lights->irradiance[i]);
}
