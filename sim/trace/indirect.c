// SPDX-License-Identifier: Apache-2.0
// Camera paths for the indirect laser light. See indirect.h for the plan.
#include "trace/indirect.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "trace/surface_eval.h"

#define MAX_STEPS 256           // only a guard, see path.c
#define MOST_SURVIVAL 0.95f
#define GO_ON_LEAST 0.1f        // chance to go on from where hardly any light is expected: what follows may still be brighter
#define SHEET_SPREAD 0.1f       // a sheet met by way of a mirror from a matte surface is widened by this share of the way:
                                //   light there is smooth over the way's length, so what changes is of the square of it

enum { KIND_CAMERA,             // straight from the camera, panes at most: its own light is the direct part
       KIND_CAMERA_MIRRORED,    // from the camera by way of mirrors, flat ones alone
       KIND_CAMERA_BENT,        // or of curved ones or glass too
       KIND_NEXT,               // straight from the first surface that scattered, if it has no lobe: what lies there was connected already
       KIND_STRAIGHT,           // from another one
       KIND_MIRRORED };         // from a surface that scattered, by way of mirrors
static int is_straight(int32_t kind) { return kind == KIND_NEXT || kind == KIND_STRAIGHT; }

enum { DIM_PIXEL, DIM_PIECE, DIM_PLACE, DIM_SHEET, DIM_BOUNCE, DIM_LOBE, DIM_LIVE, DIMS };
#define DIM_START 0x7374        // beyond those of any step

// ---- scratch ------------------------------------------------------------------------------------------------------------

static lr_status make_fan(lr_fan_table *fan, const lr_rig_laser *laser, lr_error *err)
{
    fan->alpha_rad = malloc((LR_FAN_NODES + 1)*sizeof *fan->alpha_rad);
    if (!fan->alpha_rad)
        return lr_fail(err, LR_ERR_MEMORY, "indirect light: out of memory");
    for (int i = 0; i <= LR_FAN_NODES; i++)
        fan->alpha_rad[i] = (float)lr_dots_sample(laser->dots, (double)i/LR_FAN_NODES);
    return LR_OK;
}

static lr_status make_paths(lr_ipath_state *p)
{
    const size_t n = LR_CHUNK_RAYS;
    p->pixel = malloc(n*sizeof *p->pixel);
    p->seed = malloc(n*sizeof *p->seed);
    p->sample = malloc(n*sizeof *p->sample);
    p->kind = malloc(n*sizeof *p->kind);
    p->medium = malloc(n*sizeof *p->medium);
    p->length = malloc(n*sizeof *p->length);
    p->chance = malloc(n*sizeof *p->chance);
    p->across = malloc(n*sizeof *p->across);
    p->at_across = malloc(n*sizeof *p->at_across);
    p->throughput = malloc(n*LR_MAX_LASERS*sizeof *p->throughput);
    return p->pixel && p->seed && p->sample && p->kind && p->medium && p->length && p->chance && p->across && p->at_across && p->throughput
        ? LR_OK : LR_ERR_MEMORY;
}

static void free_paths(lr_ipath_state *p)
{
    free(p->pixel);
    free(p->seed);
    free(p->sample);
    free(p->kind);
    free(p->medium);
    free(p->length);
    free(p->chance);
    free(p->across);
    free(p->at_across);
    free(p->throughput);
}

static void glow_fields(lr_glow_table *t, float **field[LR_GLOW_FIELDS])
{
    float **const all[LR_GLOW_FIELDS] = {&t->mx, &t->my, &t->mz, &t->hx, &t->hy, &t->hz, &t->nx, &t->ny, &t->nz, &t->glow, &t->reach2,
                                         &t->ix, &t->iy, &t->iz, &t->lobe, &t->alpha2, &t->held};
    memcpy(field, all, sizeof all);
}

static lr_status make_glow(lr_glow_table *t)
{
    float **field[LR_GLOW_FIELDS];
    glow_fields(t, field);
    for (int k = 0; k < LR_GLOW_FIELDS; k++) {
        *field[k] = calloc(LR_CURVE_PIECES + 16, sizeof **field[k]);
        if (!*field[k])
            return LR_ERR_MEMORY;
    }
    return LR_OK;
}

static void free_glow(lr_glow_table *t)
{
    float **field[LR_GLOW_FIELDS];
    glow_fields(t, field);
    for (int k = 0; k < LR_GLOW_FIELDS; k++)
        free(*field[k]);
}

static lr_status make_all(const lr_tracer *tracer, lr_indirect *in, lr_error *err)
{
    LR_TRY(make_glow(&in->curve.glow));
    LR_TRY(make_glow(&in->curve.group));
    LR_TRY(make_paths(&in->path));
    LR_TRY(make_paths(&in->path_next));
    LR_TRY(lr_rays_create(LR_FAN_RAYS, &in->rays, err));
    LR_TRY(lr_rays_create(LR_FAN_RAYS, &in->next, err));
    LR_TRY(lr_rays_create(LR_CHUNK_RAYS, &in->shadow, err));
    in->fan_ray = malloc(LR_FAN_RAYS*sizeof *in->fan_ray);
    in->fan_next = malloc(LR_FAN_RAYS*sizeof *in->fan_next);
    in->lit = malloc(LR_LIT_POINTS*sizeof *in->lit);
    in->shadow_pixel = malloc(LR_CHUNK_RAYS*sizeof *in->shadow_pixel);
    in->shadow_laser = malloc(LR_CHUNK_RAYS*sizeof *in->shadow_laser);
    in->shadow_value = malloc(LR_CHUNK_RAYS*sizeof *in->shadow_value);
    in->worths.worth = malloc((LR_CURVE_PIECES + 16)*sizeof *in->worths.worth);
    if (!in->fan_ray || !in->fan_next || !in->lit || !in->shadow_pixel || !in->shadow_laser || !in->shadow_value || !in->worths.worth)
        return LR_ERR_MEMORY;
    for (int m = 0; m < tracer->rig->module_count; m++)
        for (int l = 0; l < tracer->rig->module[m].laser_count; l++)
            if (tracer->rig->module[m].laser[l].def->mode == LR_LASER_SHEET)
                LR_TRY(make_fan(&in->fan[m][l], &tracer->rig->module[m].laser[l], err));
    return LR_OK;
}

lr_status lr_indirect_create(const lr_tracer *tracer, lr_indirect **out, lr_error *err)
{
    lr_indirect *in = calloc(1, sizeof *in);
    const lr_status status = in ? make_all(tracer, in, err) : LR_ERR_MEMORY;
    *out = in;
    if (status != LR_OK) {
        lr_indirect_destroy(in);
        *out = NULL;
        return lr_fail(err, status, "indirect light: out of memory");
    }
    in->module = -1;
    for (int k = 0; k < tracer->scene->material_count; k++) {
        const lr_surface *s = &tracer->scene->surface[k];
        in->has_smooth |= s->specular || lr_surface_is_smooth(s);
    }
    return LR_OK;
}

void lr_indirect_destroy(lr_indirect *in)
{
    if (!in)
        return;
    free_glow(&in->curve.glow);
    free_glow(&in->curve.group);
    for (int m = 0; m < LR_MAX_MODULES; m++)
        for (int l = 0; l < LR_MAX_LASERS; l++)
            free(in->fan[m][l].alpha_rad);
    free_paths(&in->path);
    free_paths(&in->path_next);
    lr_rays_destroy(&in->rays);
    lr_rays_destroy(&in->next);
    lr_rays_destroy(&in->shadow);
    free(in->fan_ray);
    free(in->fan_next);
    free(in->lit);
    free(in->shadow_pixel);
    free(in->shadow_laser);
    free(in->shadow_value);
    free(in->worths.worth);
    free(in);
}

// ---- paths ---------------------------------------------------------------------------------------------------------------

typedef struct lr_ivertex {     // a surface that path i reached
    int i, step;
    int32_t kind;
    float length;               // of the way since the last scattering
    lr_vec3f shape_normal;
    float expected;             // electrons that the lit curve would send by way of it if nothing stood between
    lr_receiver x;
} lr_ivertex;

static inline __attribute__((always_inline)) void draw2(const lr_ipath_state *path, int i, int step, int dim, float *u, float *v)
{
    lr_sobol2(path->sample[i], lr_hash(path->seed[i], (uint32_t)(step*DIMS + dim)), u, v);
}

static lr_vec3f to_world(const lr_line_job *job, lr_vec3f v)
{
    const lr_mat3 *r = &job->moment.pose.rotation;
    return lr_madf(lr_madf(lr_mulf(lr_v3f_of(r->x), v.x), v.y, lr_v3f_of(r->y)), v.z, lr_v3f_of(r->z));
}

static void start_paths(const lr_line_job *job, int first_sample, int samples)
{
    lr_indirect *in = job->work->indirect;
    lr_ipath_state *path = &in->path;
    const uint32_t seed = lr_hash(job->seed, 0x696e6469u);
    const lr_job_pose pose = lr_job_pose_at(job, 0.0f);
    in->rays.count = 0;
    for (int s = 0; s < samples; s++)
        for (int k = 0; k < in->start_count; k++) {
            const int slot = in->rays.count, i = in->start[k], pixel = job->first + i;
            float along, across, start = 0.0f, u = 0.0f, v = 0.0f;
            path->pixel[slot] = i;
            path->seed[slot] = lr_hash(seed, (uint32_t)pixel);
            path->sample[slot] = (uint32_t)(first_sample + s);
            if (first_sample + s >= in->start_paths[k])
                continue;
            if (in->start_chance[k] < 1.0f)
                draw2(path, slot, 0, DIM_START, &start, &v);
            if (start >= in->start_chance[k])
                continue;
            in->rays.count++;
            path->chance[slot] = in->start_chance[k];
            path->kind[slot] = KIND_CAMERA;
            path->medium[slot] = -1;
            path->length[slot] = 0.0f;
            draw2(path, slot, 0, DIM_PIXEL, &along, &across);
            path->across[slot] = to_world(job, job->camera->across[pixel]);
            path->at_across[slot] = across - 0.5f;
            for (int l = 0; l < job->module->laser_count; l++)
                path->throughput[l*LR_CHUNK_RAYS + slot] = job->camera->laser_response[(size_t)l*job->camera->pixels + pixel]/
                                                           ((float)in->start_paths[k]*in->start_chance[k]);
            if (job->camera->pupil)
                draw2(path, slot, 0, LR_DIM_PUPIL, &u, &v);
            lr_job_pupil_ray(job, &in->rays, slot, lr_job_direction(job, pixel, along, across - 0.5f), lr_job_pupil(job, pixel, u, v), &pose);
        }
}

// The pixel's width on the plane of the surface, per pixel.
static lr_vec3f across_on_surface(const lr_ivertex *v, lr_vec3f across)
{
    const float lean = lr_dotf(v->x.normal, across)/lr_dotf(v->x.normal, v->x.wo);
    return lr_mulf(lr_madf(across, -fminf(fmaxf(lean, -20.0f*sqrtf(lr_dotf(across, across))), 20.0f*sqrtf(lr_dotf(across, across))), v->x.wo), v->length);
}

static void add(const lr_line_job *job, int i, float value)
{
    job->work->sums[LR_PART_INDIRECT*LR_CHUNK_PIXELS + job->work->indirect->path.pixel[i]] += value;
}

// ---- light at a surface ---------------------------------------------------------------------------------------------------

static void ask(const lr_line_job *job, int i, lr_vec3f from, lr_vec3f to, float value, int laser)
{
    lr_indirect *in = job->work->indirect;
    const lr_vec3f way = lr_subf(to, from);
    const float distance = sqrtf(lr_dotf(way, way));
    if (!(distance > 1e-7f) || in->shadow.count >= LR_CHUNK_RAYS)
        return;
    const int slot = in->shadow.count++;
    in->shadow_pixel[slot] = in->path.pixel[i];
    in->shadow_laser[slot] = laser;
    in->shadow_value[slot] = value;
    lr_rays_set(&in->shadow, slot, from, lr_mulf(way, 1.0f/distance), 0.0f, distance, in->rays.time_s[i]);
}

static void answer(const lr_line_job *job)
{
    lr_indirect *in = job->work->indirect;
    float *sum = job->work->sums + LR_PART_INDIRECT*LR_CHUNK_PIXELS;
    lr_work_occluded_panes(job, &in->shadow, LR_RAYS_INCOHERENT, LR_RAY_CONNECT);
    for (int k = 0; k < in->shadow.count; k++) {
        if (in->shadow.blocked[k])
            continue;
        float pass[LR_MAX_BINS];
        const int bin = job->module->laser[in->shadow_laser[k]].bin;
        for (int b = 0; b < LR_MAX_BINS; b++)
            pass[b] = 1.0f;
        if (in->shadow.panes[k])
            lr_bvh_pane_transmittance(job->tracer->bvh, lr_rays_origin(&in->shadow, k), lr_rays_direction(&in->shadow, k), 0.0f,
                                      in->shadow.t_far[k], in->shadow.time_s[k], pass);
        sum[in->shadow_pixel[k]] += in->shadow_value[k]*pass[bin];
    }
    in->shadow.count = 0;
}

// Returns about what all the curve would send if nothing stood in its way.
static float connect(const lr_line_job *job, const lr_ivertex *v)
{
    const lr_ipath_state *path = &job->work->indirect->path;
    float random[6];
    lr_connection c;
    draw2(path, v->i, v->step, DIM_PIECE, &random[0], &random[1]);
    draw2(path, v->i, v->step, DIM_PLACE, &random[2], &random[5]);
    draw2(path, v->i, v->step, DIM_SHEET, &random[3], &random[4]);
    const uint32_t key = lr_hash(lr_hash(path->seed[v->i], path->sample[v->i]), (uint32_t)v->step);
    if (lr_lit_curve_connect(job->work->indirect, job->module, &v->x, random, key, &c))
        ask(job, v->i, c.from, c.to, c.value, c.laser);
    return c.expected;
}

// The laser's own light at a surface: power per area across the beam [W/m^2]. As trace/lit_curve.c has it for direct light.
static double beam_at(const lr_rig_laser *laser, lr_vec3 at, double half_width_m, double spread_m)
{
    const double r = lr_length(at), half = 0.5*laser->def->fan_rad;
    if (laser->def->mode == LR_LASER_FLOOD) {
        const double elevation = asin(at.z/r);
        if (!(fabs(elevation) <= half && fabs(atan2(at.y, at.x)) <= 0.5*laser->def->flood_rad))
            return 0.0;
        return laser->def->power_w/(2.0*half*laser->def->flood_rad*cos(elevation)*r*r);
    }
    if (!(at.x > 0.0))
        return 0.0;
    const double sigma = hypot(lr_sheet_sigma_m(laser->sheet, r), spread_m);
    if (fabs(at.y) > 8.0*sigma + half_width_m)
        return 0.0;
    return laser->def->power_w*lr_dots_density(laser->dots, atan2(at.z, at.x))*lr_sheet_mean(sigma, at.y - half_width_m, at.y + half_width_m)/r;
}

static void meet_beam(const lr_line_job *job, const lr_ivertex *v, double spread_m)
{
    for (int l = 0; l < job->module->laser_count; l++) {
        const lr_rig_laser *laser = &job->module->laser[l];
        if (laser->def->mode == LR_LASER_OFF || !(v->x.factor[l] > 0.0f) || (laser->def->mode == LR_LASER_SHEET && is_straight(v->kind)))
            continue;
        const lr_pose pose = lr_pose_mul(job->moment.pose, laser->in_module);
        lr_vec3 point = lr_v3((double)v->x.point.x, (double)v->x.point.y, (double)v->x.point.z);
        double half_width_m = 0.0;
        if (v->kind == KIND_CAMERA_MIRRORED) {  // over the pixel's width at once: flat mirrors leave it as it is
            const lr_vec3f u = v->x.pixel_across, middle = lr_madf(v->x.point, -v->x.at_across, u);
            half_width_m = 0.5*fabs(lr_dot(pose.rotation.y, lr_v3((double)u.x, (double)u.y, (double)u.z)));
            point = lr_v3((double)middle.x, (double)middle.y, (double)middle.z);
        }
        const double e = beam_at(laser, lr_pose_point_back(pose, point), half_width_m, spread_m);
        const lr_vec3f source = lr_v3f_of(pose.origin), from = lr_madf(v->x.point, LR_OFFSET_M, v->x.normal), to = lr_subf(source, from);
        if (!(e > 0.0) || !(lr_dotf(to, v->x.normal) > 0.0f))
            continue;
        float f[LR_MAX_BINS];
        lr_surface_eval_world(v->x.surface, v->x.scale, v->x.normal, v->x.wo, lr_unitf(to), f);
        const float value = v->x.factor[l]*f[laser->bin]*(float)e;
        if (value > 0.0f)
            ask(job, v->i, from, source, value, l);
    }
}

static void light_at(const lr_line_job *job, lr_ivertex *v)
{
    lr_indirect *in = job->work->indirect;
    const float spread_m = v->kind == KIND_MIRRORED ? SHEET_SPREAD*v->length : 0.0f;
    v->expected = connect(job, v)*in->path.chance[v->i];
    if (v->kind == KIND_CAMERA)
        in->expected[in->path.pixel[v->i]] += v->expected;
    if (v->kind != KIND_CAMERA)
        meet_beam(job, v, (double)spread_m);
    if (!is_straight(v->kind))
        add(job, v->i, lr_lit_curve_at(in, job->module, &v->x, v->kind == KIND_CAMERA || v->kind == KIND_CAMERA_MIRRORED, spread_m));
}

// ---- going on -------------------------------------------------------------------------------------------------------------

// What comes after a scattering is weaker than what was connected at it: where that is little already, few paths will do. Not so under a lobe, which
// may look at what is bright.
static float worth_going_on(const lr_line_job *job, const lr_ivertex *v)
{
    const float enough_e = (float)job->tracer->def.faint_indirect_e/(float)job->tracer->def.indirect_samples;
    const float chance = v->expected >= enough_e || !lr_surface_is_matte(v->x.surface) ? 1.0f : fmaxf(v->expected/enough_e, GO_ON_LEAST);
    return fminf(chance/job->work->indirect->path.chance[v->i], 1.0f);
}

// Chance to live on, by the factor of the strongest laser; a camera's first rays through glass and mirrors live on.
static int survives(const lr_line_job *job, const lr_ivertex *v, int clear_way, float *factor)
{
    float most = 0.0f, u, unused;
    for (int l = 0; l < job->module->laser_count; l++)
        most = fmaxf(most, factor[l]);
    float chance = fminf(most, MOST_SURVIVAL);
    if (clear_way && v->step < 4)
        return most > 0.0f;
    if (v->kind < KIND_NEXT)  // leaves the first surface that scatters
        chance *= (float)job->tracer->def.bounce_share*worth_going_on(job, v);
    draw2(&job->work->indirect->path, v->i, v->step, DIM_LIVE, &u, &unused);
    if (!(u < chance))
        return 0;
    for (int l = 0; l < job->module->laser_count; l++)
        factor[l] /= chance;
    return 1;
}

static int32_t kind_after(const lr_line_job *job, const lr_ivertex *v, const lr_surface_sample *sample, int through)
{
    if (!sample->specular)
        return v->kind < KIND_NEXT && lr_surface_is_matte(v->x.surface) ? KIND_NEXT : KIND_STRAIGHT;
    if (through && v->x.surface->clear)
        return v->kind;
    if (v->kind >= KIND_NEXT)
        return KIND_MIRRORED;
    return through || v->kind == KIND_CAMERA_BENT || !job->tracer->scene->object[v->x.object].mesh ? KIND_CAMERA_BENT : KIND_CAMERA_MIRRORED;
}

static void keep(const lr_line_job *job, const lr_ivertex *v, const float *factor, lr_vec3f wi, float length, int32_t kind, int32_t medium)
{
    lr_indirect *in = job->work->indirect;
    const lr_ipath_state *from = &in->path;
    lr_ipath_state *to = &in->path_next;
    const int slot = in->next.count++, i = v->i;
    to->pixel[slot] = from->pixel[i];
    to->seed[slot] = from->seed[i];
    to->sample[slot] = from->sample[i];
    to->kind[slot] = kind;
    to->medium[slot] = medium;
    to->chance[slot] = from->chance[i];
    to->length[slot] = length;
    to->at_across[slot] = from->at_across[i];
    to->across[slot] = from->across[i];
    if (lr_dotf(wi, v->shape_normal)*lr_dotf(v->x.wo, v->shape_normal) > 0.0f)
        to->across[slot] = lr_madf(from->across[i], -2.0f*lr_dotf(from->across[i], v->shape_normal), v->shape_normal);
    for (int l = 0; l < job->module->laser_count; l++)
        to->throughput[l*LR_CHUNK_RAYS + slot] = from->throughput[l*LR_CHUNK_RAYS + i]*factor[l];
    const float side = lr_dotf(v->shape_normal, wi) >= 0.0f ? LR_OFFSET_M : -LR_OFFSET_M;
    lr_rays_set(&in->next, slot, lr_madf(v->x.point, side, v->shape_normal), wi, 0.0f, INFINITY, in->rays.time_s[i]);
}

static void go_on(const lr_line_job *job, const lr_ivertex *v)
{
    const lr_ipath_state *path = &job->work->indirect->path;
    const lr_frame3f frame = lr_frame_aroundf(v->shape_normal);
    const lr_vec3f wo = lr_frame_fromf(frame, v->x.wo);
    lr_surface_sample sample;
    float a, b, lobe, unused, factor[LR_MAX_LASERS];
    draw2(path, v->i, v->step, DIM_BOUNCE, &a, &b);
    draw2(path, v->i, v->step, DIM_LOBE, &lobe, &unused);
    if (!lr_surface_draw(v->x.surface, v->x.scale, wo, a, b, lobe, &sample))
        return;
    for (int l = 0; l < job->module->laser_count; l++)
        factor[l] = sample.weight[job->module->laser[l].bin];
    const int through = wo.z*sample.wi.z < 0.0f;
    const int32_t kind = kind_after(job, v, &sample, through);
    if (!survives(job, v, kind < KIND_NEXT, factor))
        return;
    int32_t medium = path->medium[v->i];
    if (through && v->x.surface->kind == LR_MATERIAL_GLASS)
        medium = sample.wi.z < 0.0f ? v->x.object : -1;
    keep(job, v, factor, lr_unitf(lr_frame_tof(frame, sample.wi)), sample.specular ? v->length : 0.0f, kind, medium);
}

static void visit(const lr_line_job *job, int i, int step)
{
    lr_indirect *in = job->work->indirect;
    const lr_rays *rays = &in->rays;
    const lr_scene *scene = job->tracer->scene;
    if (rays->object[i] < 0)
        return;
    int material;
    lr_ivertex v = {.i = i, .step = step, .kind = in->path.kind[i], .length = in->path.length[i] + rays->t[i], .shape_normal = lr_rays_normal(rays, i)};
    v.x.point = lr_rays_point(rays, i);
    v.x.wo = lr_mulf(lr_rays_direction(rays, i), -1.0f);
    v.x.normal = lr_dotf(v.shape_normal, v.x.wo) >= 0.0f ? v.shape_normal : lr_mulf(v.shape_normal, -1.0f);
    v.x.object = rays->object[i];
    v.x.surface = lr_scene_surface(scene, v.x.object, rays->primitive[i], rays->u[i], rays->v[i], &v.x.scale, &material);
    v.x.before_m = is_straight(v.kind) ? v.length : 0.0f;
    v.x.place = v.kind < KIND_NEXT ? LR_FIRST : v.kind == KIND_NEXT ? LR_NEXT : LR_LATER;
    v.x.at_across = in->path.at_across[i];
    v.x.pixel_across = lr_v3f(0.0f, 0.0f, 0.0f);
    if (v.kind == KIND_CAMERA || v.kind == KIND_CAMERA_MIRRORED)
        v.x.pixel_across = across_on_surface(&v, in->path.across[i]);
    const int32_t medium = in->path.medium[i];
    for (int l = 0; l < job->module->laser_count; l++) {
        float *throughput = &in->path.throughput[l*LR_CHUNK_RAYS + i];
        if (medium >= 0)
            *throughput *= expf(-scene->surface[scene->object[medium].material[0]].absorption_per_m[job->module->laser[l].bin]*rays->t[i]);
        v.x.factor[l] = *throughput;
    }
    if (!v.x.surface->specular)
        light_at(job, &v);
    go_on(job, &v);
}

static void run_paths(const lr_line_job *job)
{
    lr_indirect *in = job->work->indirect;
    for (int step = 0; step < MAX_STEPS && in->rays.count > 0; step++) {
        lr_work_intersect(job, &in->rays, step == 0 ? LR_RAYS_COHERENT : LR_RAYS_INCOHERENT, step == 0 ? LR_RAY_CAMERA : LR_RAY_BOUNCE);
        in->next.count = in->shadow.count = 0;
        for (int i = 0; i < in->rays.count; i++) {
            if (in->shadow.count + 1 + job->module->laser_count > LR_CHUNK_RAYS)
                answer(job);
            visit(job, i, step);
        }
        answer(job);
        const lr_rays rays = in->rays;
        const lr_ipath_state path = in->path;
        in->rays = in->next;
        in->next = rays;
        in->path = in->path_next;
        in->path_next = path;
    }
}

// All samples of the pixels chosen.
static void follow(const lr_line_job *job)
{
    const lr_indirect *in = job->work->indirect;
    const int at_once = LR_CHUNK_RAYS/LR_CHUNK_PIXELS;
    int samples = 0;
    for (int k = 0; k < in->start_count; k++)
        samples = in->start_paths[k] > samples ? in->start_paths[k] : samples;
    for (int s = 0; s < samples; s += at_once) {
        start_paths(job, s, samples - s < at_once ? samples - s : at_once);
        run_paths(job);
    }
}

void lr_indirect_laser(const lr_line_job *job)
{
    int active = 0;
    for (int l = 0; l < job->module->laser_count; l++)
        active += job->module->laser[l].def->mode != LR_LASER_OFF && job->module->laser[l].def->power_w > 0.0;
    if (!active || job->tracer->def.indirect_samples == 0)
        return;
    lr_lit_curve_make(job);
    job->work->indirect->worths.slack_m = 0.0f;  // no choice is carried over from other chunks: the order of work must not show
    lr_indirect_probes(job);
    follow(job);
    lr_indirect_others(job);
    follow(job);
}
