// SPDX-License-Identifier: Apache-2.0
// Sun, sky and lamps with their absolute spectra.
//   lamp of F lumens, spectrum S:  radiant flux P = F integral S / (683 integral S V),  radiance = P / (pi A) S / integral S
// so a source's spectrum is S / integral S and a lamp's strength is P / (pi A), in W/(m^2 sr): Lambert's law.
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "scene/scene_build.h"

// Places where smooth spectra of lamps are tabulated: every nanometre where silicon sees, coarser beyond.
#define LAMP_FIRST_NM 300
#define LAMP_FINE_NM 1100
#define LAMP_LAST_NM 2500
#define LAMP_STEP_NM 5
#define LAMP_PLACES (LAMP_FINE_NM - LAMP_FIRST_NM + 1 + (LAMP_LAST_NM - LAMP_FINE_NM)/LAMP_STEP_NM + 1)

static lr_vec3 v3(const double v[3]) { return lr_v3(v[0], v[1], v[2]); }

static lr_status add_source(lr_builder *b, lr_source_kind kind, int count, const double *x, const double *y, int *index)
{
    lr_scene *scene = b->scene;
    LR_TRY(lr_room_for_one(&scene->source, scene->source_count, sizeof *scene->source, b->err));
    lr_source *source = &scene->source[scene->source_count];
    *source = (lr_source){.kind = kind};
    LR_TRY(lr_table_create(count, x, y, &source->spectrum, b->err));
    source->spectrum.outside_zero = 1;
    *index = scene->source_count++;
    return LR_OK;
}

// A built-in spectrum times `factor`. Beyond the fine part one place more right behind its end lets spectra that stop
// there stop at once.
static lr_status add_built_in(lr_builder *b, lr_source_kind kind, lr_spectrum spectrum, double factor, int *index)
{
    double x[LAMP_PLACES], y[LAMP_PLACES];
    int count = 0;
    for (int nm = LAMP_FIRST_NM; nm <= LAMP_FINE_NM; ++nm)
        x[count++] = nm*LR_NM;
    x[count++] = (LAMP_FINE_NM + 1e-3)*LR_NM;
    for (int nm = LAMP_FINE_NM + LAMP_STEP_NM; nm <= LAMP_LAST_NM; nm += LAMP_STEP_NM)
        x[count++] = nm*LR_NM;
    for (int i = 0; i < count; ++i)
        y[i] = factor*lr_spectrum_value(spectrum, x[i]);
    return add_source(b, kind, count, x, y, index);
}

// ---- Sun -----------------------------------------------------------------------------------------------------------

static const lr_light_def *only_one(const lr_builder *b, int kind, int *extra)
{
    const lr_light_def *found = NULL;
    *extra = -1;
    for (int i = 0; i < b->file->def.light_count; ++i)
        if (b->file->def.light[i].kind == kind) {
            if (found && *extra < 0)
                *extra = i;
            found = found ? found : &b->file->def.light[i];
        }
    return found;
}

// Where the sun stands, and the air with the day filled in. The file's check has seen time and place already.
static lr_status sun_place(lr_builder *b, const lr_light_def *def, lr_air *air)
{
    lr_sun_light *sun = &b->scene->sun;
    double azimuth_rad = def->azimuth_rad, elevation_rad = def->elevation_rad;
    *air = def->air;
    if (def->has_time) {
        lr_utc utc;
        lr_sun at;
        lr_place place = lr_place_default();
        place.latitude_rad = def->latitude_rad;
        place.longitude_rad = def->longitude_rad;
        place.pressure_pa = def->air.pressure_pa;
        LR_TRY(lr_utc_parse(def->time_utc, &utc, b->err));
        LR_TRY(lr_sun_position(&utc, &place, &at, b->err));
        azimuth_rad = at.azimuth_rad;
        elevation_rad = at.elevation_rad;
        air->day_of_year = at.day_of_year;
    }
    double d[3];
    lr_sun_direction(azimuth_rad, elevation_rad, d);
    sun->direction = lr_unit(v3(d));
    sun->cos_radius = cos(LR_SUN_RADIUS_RAD);
    sun->azimuth_deg = azimuth_rad/LR_DEG;
    sun->elevation_deg = elevation_rad/LR_DEG;
    sun->source = -1;
    return LR_OK;
}

// Table of the clear-sky model at the sun's elevation: `diffuse` of a level surface, or direct light on a facing one.
static lr_status add_clear_sky(lr_builder *b, lr_source_kind kind, const lr_air *air, int diffuse, double factor, int *index)
{
    const double zenith_rad = (90.0 - b->scene->sun.elevation_deg)*LR_DEG;
    double x[LR_CLEAR_SKY_ROWS], y[LR_CLEAR_SKY_ROWS];
    for (int i = 0; i < LR_CLEAR_SKY_ROWS; ++i) {
        const lr_clear_sky row = lr_clear_sky_row(air, zenith_rad, i);
        x[i] = lr_clear_sky_lambda_m(i);
        y[i] = factor*(diffuse ? row.diffuse : row.direct);
    }
    return add_source(b, kind, LR_CLEAR_SKY_ROWS, x, y, index);
}

static lr_status build_sun(lr_builder *b, const lr_light_def *def, lr_air *air)
{
    lr_sun_light *sun = &b->scene->sun;
    LR_TRY(sun_place(b, def, air));
    if (!(sun->elevation_deg > 0.0 && def->scale > 0.0))
        return LR_OK;  // below the horizon, or turned off: its place still counts for the sky
    sun->present = 1;
    return add_clear_sky(b, LR_SOURCE_SUN, air, 0, def->scale, &sun->source);
}

// ---- Sky -----------------------------------------------------------------------------------------------------------

double lr_sky_radiance(const lr_sky_light *sky, lr_vec3 direction)
{
    if (!(direction.z > 0.0))
        return 0.0;
    return sky->zenith_per_sr*lr_sky_ratio(&sky->shape, direction.z, lr_dot(direction, sky->sun_direction));
}

static lr_status sky_shape(lr_builder *b, const lr_light_def *def, const lr_light_def *sun)
{
    lr_sky_light *sky = &b->scene->sky;
    sky->type = def->type;
    sky->sun_direction = lr_v3(0, 0, 1);
    double zenith_rad = 0.0;
    if (sun) {  // a sun below the horizon leaves its bright patch at the horizon
        const lr_vec3 d = b->scene->sun.direction;
        zenith_rad = fmin(0.5*LR_PI, (90.0 - b->scene->sun.elevation_deg)*LR_DEG);
        sky->sun_direction = d.z >= 0.0 ? d : lr_unit(lr_v3(d.x, d.y + (d.x == 0.0 && d.y == 0.0 ? 1.0 : 0.0), 0.0));
    }
    LR_TRY(lr_sky_create(def->type, zenith_rad, &sky->shape, b->err));
    if (!sun && (sky->shape.c != 0.0 || sky->shape.e != 0.0))
        return lr_json_fault(b->file->json, lr_scene_member(def->node, "type"), b->err,
                             "sky type %d is brighter around the sun: a light of kind \"sun\" is needed (its scale may be 0)", def->type);
    sky->zenith_per_sr = 1.0/lr_sky_horizontal(&sky->shape, zenith_rad);
    return LR_OK;
}

static lr_status build_sky(lr_builder *b, const lr_light_def *def, const lr_light_def *sun, const lr_air *air)
{
    lr_sky_light *sky = &b->scene->sky;
    LR_TRY(sky_shape(b, def, sun));
    if (!def->has_lux && !sun)
        return lr_json_fault(b->file->json, def->node, b->err, "missing key \"lux\", or a light of kind \"sun\" whose clear sky to take");
    const int shines = def->has_lux ? def->lux > 0.0 : b->scene->sun.elevation_deg > 0.0;
    sky->source = -1;
    if (!shines || !(def->scale > 0.0))
        return LR_OK;
    sky->present = 1;
    if (!def->has_lux)
        return add_clear_sky(b, LR_SOURCE_SKY, air, 1, def->scale, &sky->source);
    const double per_unit = lr_spectrum_total(LR_SPECTRUM_DAYLIGHT).lumens;
    return add_built_in(b, LR_SOURCE_SKY, LR_SPECTRUM_DAYLIGHT, def->scale*def->lux/per_unit, &sky->source);
}

// ---- Lamps ---------------------------------------------------------------------------------------------------------

static int same_spectrum(const lr_light_def *a, const lr_light_def *b)
{
    if (a->table.count != b->table.count)
        return 0;
    if (a->table.count == 0)
        return a->spectrum == b->spectrum;
    const size_t bytes = (size_t)a->table.count*sizeof(double);
    return memcmp(a->table.x, b->table.x, bytes) == 0 && memcmp(a->table.y, b->table.y, bytes) == 0;
}

static lr_spectrum_sum spectrum_sum(const lr_light_def *def)
{
    return def->table.count > 0 ? lr_spectrum_total_table(&def->table) : lr_spectrum_total((lr_spectrum)def->spectrum);
}

// The source of this spectrum: of an earlier lamp, or a new one.
static lr_status lamp_source(lr_builder *b, const lr_light_def *def, lr_spectrum_sum sum, int *index)
{
    for (int i = 0; i < b->file->def.light_count; ++i) {
        const lr_light_def *other = &b->file->def.light[i];
        if (other->source >= 0 && same_spectrum(other, def)) {
            *index = other->source;
            return LR_OK;
        }
    }
    if (def->table.count == 0)
        return add_built_in(b, LR_SOURCE_LAMP, (lr_spectrum)def->spectrum, 1.0/sum.watts, index);
    double *y = malloc((size_t)def->table.count*sizeof *y);
    if (!y)
        return lr_fail(b->err, LR_ERR_MEMORY, "scene: out of memory");
    for (int i = 0; i < def->table.count; ++i)
        y[i] = def->table.y[i]/sum.watts;
    const lr_status status = add_source(b, LR_SOURCE_LAMP, def->table.count, def->table.x, y, index);
    free(y);
    return status;
}

// The lamp's body: the scene's last object when done.
static lr_status lamp_body(lr_builder *b, const lr_light_def *def, double *area_m2)
{
    lr_leaf leaf = {.name = def->name, .mesh = -1, .scale = 1.0, .pose = {lr_rotation_xyz(v3(def->rotate_rad)), v3(def->center_m)}};
    LR_TRY(lr_build_label(b, def->name, &leaf.label));
    if (lr_lamp_is_curved(def->shape)) {
        leaf.curved = lr_light_def_curved(def);
        *area_m2 = lr_curved_area(&leaf.curved);
    } else {
        lr_mesh *mesh;
        LR_TRY(def->shape == LR_LAMP_BOX ? lr_mesh_box(def->size_m, &mesh, b->err) : lr_mesh_rectangle(def->size_m, &mesh, b->err));
        *area_m2 = lr_mesh_area(mesh);
        LR_TRY(lr_build_mesh(b, mesh, &leaf.mesh));
    }
    int material, slots[LR_FACES];
    LR_TRY(lr_build_material(b, b->file, def->material, NULL, "black", def->name, &material));
    leaf.slot_count = leaf.mesh < 0 ? 1 : b->scene->mesh[leaf.mesh]->slot_count;
    for (int i = 0; i < leaf.slot_count; ++i)
        slots[i] = material;
    leaf.material = slots;
    if (def->two_sided)
        *area_m2 *= 2.0;
    return lr_build_leaf(b, &leaf);
}

static lr_status build_lamp(lr_builder *b, lr_light_def *def)
{
    lr_scene *scene = b->scene;
    lr_lamp lamp = {.two_sided = def->two_sided};
    LR_TRY(lamp_body(b, def, &lamp.area_m2));
    const lr_spectrum_sum sum = spectrum_sum(def);
    if (!(sum.watts > 0.0))
        return lr_json_fault(b->file->json, lr_scene_member(def->node, "spectrum"), b->err, "no light in it");
    if (def->has_lumens && !(sum.lumens > 0.0))
        return lr_json_fault(b->file->json, lr_scene_member(def->node, "lumens"), b->err, "nothing of this spectrum can be seen; give \"watts\"");
    const double flat_band_m = (LAMP_FINE_NM - LAMP_FIRST_NM)*LR_NM;
    const double watts = def->has_lumens ? def->lumens*sum.watts/sum.lumens : def->has_watts ? def->watts : def->flat_w_per_m*flat_band_m;
    if (!(watts > 0.0))
        return LR_OK;  // turned off: the body stays
    LR_TRY(lr_room_for_one(&scene->lamp, scene->lamp_count, sizeof *scene->lamp, b->err));
    LR_TRY(lamp_source(b, def, sum, &lamp.source));
    def->source = lamp.source;
    snprintf(lamp.name, sizeof lamp.name, "%s", def->name);
    lamp.object = scene->object_count - 1;
    lamp.strength = watts/(LR_PI*lamp.area_m2);
    lamp.lumens = watts*sum.lumens/sum.watts;
    scene->object[lamp.object].lamp = scene->lamp_count;
    scene->lamp[scene->lamp_count++] = lamp;
    return LR_OK;
}

lr_status lr_build_lights(lr_builder *b)
{
    static const char *const kinds[] = {"sun", "sky"};
    const lr_light_def *one[2];
    for (int kind = LR_LIGHT_SUN; kind <= LR_LIGHT_SKY; ++kind) {
        int extra;
        one[kind] = only_one(b, kind, &extra);
        if (extra >= 0)
            return lr_json_fault(b->file->json, b->file->def.light[extra].node, b->err, "a second light of kind \"%s\"", kinds[kind]);
    }
    lr_air air = lr_air_default();
    b->scene->sun.source = b->scene->sky.source = -1;
    if (one[LR_LIGHT_SUN])
        LR_TRY(build_sun(b, one[LR_LIGHT_SUN], &air));
    if (one[LR_LIGHT_SKY])
        LR_TRY(build_sky(b, one[LR_LIGHT_SKY], one[LR_LIGHT_SUN], &air));
    for (int i = 0; i < b->file->def.light_count; ++i)
        if (b->file->def.light[i].kind == LR_LIGHT_LAMP)
            LR_TRY(build_lamp(b, &b->file->def.light[i]));
    return LR_OK;
}
