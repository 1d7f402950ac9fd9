// SPDX-License-Identifier: Apache-2.0
// Surfaces at a path's vertex: value, density and drawing, for every bin at once.
//
// Kinds with a lobe (metal, coated, retroreflector) share one plan. A lobe of directional albedo A(w), tabulated at
// bake, lets 1 - A through. What it lets through comes back evenly as
//     f_base = base (1 - A(wo)) (1 - A(wi)) / (pi (1 - mean A)),
// which is reciprocal and whose own albedo is base (1 - A(wo)): with base 1 all light is accounted for.
//   metal:  A as if the facets mirrored all; base = light that met several facets, Fm^2 Am/(1 - Fm (1 - Am))
//   coated: A with the coat's Fresnel factor; base = what diffuse ground and the coat's inner side do together
//   retroreflector: A = share of the lobe times its fall with angle; lobe and base both times reflectance
// Sources: Kelemen & Szirmay-Kalos, A Microfacet Based Coupled Specular-Matte BRDF Model, Eurographics 2001 (the form);
//          Kulla & Conty, Revisiting Physically Based Shading at Imageworks, SIGGRAPH course 2017 (light that met
//          several facets; Fm^2 for Fm as the light that met one facet is already counted);
//          Guo et al., Rendering Retroreflective Materials, SIGGRAPH Asia 2018 briefs: the lobe of a mirrored wo.
//
// Rough diffuse: Fujii's form of Oren-Nayar, f = a (1 + r s/t), made whole by the same f_base, times reflectance, so that
// the stated reflectance is what comes back at every angle. r = B/A of Oren & Nayar's model, SIGGRAPH 1994, eq. 30.
// Sources: Portsmouth, Kutz & Hill, EON: A Practical Energy-Preserving Rough Diffuse BRDF, JCGT 14(1), 2025.
//          Their version darkens with roughness; ours does not, since files state the measured reflectance.
#include <assert.h>
#include <string.h>

#include "core/anglef.h"
#include "optics/fresnel.h"
#include "scene/surface_lobe.h"
#include "scene/surface_smooth.h"

#define INV_PI_F 0.318309886f

static lr_vec3f draw_cosine(float u, float v)
{
    const float r = sqrtf(u);
    float c, s;
    lr_turnf(v, &c, &s);
    return lr_v3f(r*c, r*s, sqrtf(1.0f - u));
}

// --- rough diffuse ---

// Albedo of a (1 + r s/t) by integration; exactly 1 at grazing. (1 - sin^3)/cos is written without cancellation.
static float rough_albedo(const lr_surface *s, float c)
{
    const float sine = sqrtf(lr_maxf(0.0f, 1.0f - c*c)), angle = lr_acosf(c);
    const float g = sine*(angle - sine*c) + (2.0f/3.0f)*sine*(c*(1.0f + sine + sine*sine)/(1.0f + sine) - 1.0f);
    return lr_minf(1.0f, s->rough_a*(1.0f + s->rough_r*INV_PI_F*g));
}

static void eval_rough(const lr_surface *s, float scale, lr_vec3f wo, lr_vec3f wi, float f_cos[], float *pdf)
{
    const float across = wo.x*wi.x + wo.y*wi.y;  // s = wo.wi - cos cos
    const float ratio = across > 0.0f ? across/lr_maxf(wo.z, wi.z) : across;
    const float once = s->rough_a*(1.0f + s->rough_r*ratio);
    const float more = (1.0f - rough_albedo(s, wo.z))*(1.0f - rough_albedo(s, wi.z))*s->rough_left;
    *pdf = wi.z*INV_PI_F;
    const float value = scale*(once + more)**pdf;
    for (int b = 0; b < s->bin_count; b++)
        f_cos[b] = s->reflectance[b]*value;
}

// --- lobes ---

typedef struct facet {  // what one pair of directions meets
    float value;   // D G2/(4 wo.z): f cos of a lobe that mirrors all
    float density; // D G1/(4 wo.z): of lr_ggx_draw
    float cosine;  // of incidence on the facet
} facet;

static facet facet_between(lr_vec3f wo, lr_vec3f wi, float ax, float ay)
{
    const lr_vec3f h = lr_unitf(lr_addf(wo, wi));
    const float d = lr_ggx_d(h, ax, ay)/(4.0f*wo.z), lo = lr_ggx_lambda(wo, ax, ay), li = lr_ggx_lambda(wi, ax, ay);
    return (facet){d/(1.0f + lo + li), d/(1.0f + lo), lr_dotf(wo, h)};
}

static lr_vec3f turned(lr_vec3f w) { return lr_v3f(-w.x, -w.y, w.z); }  // half a turn about the normal

static float coat_albedo_mean(const lr_surface *s, lr_albedo_place place)
{
    float sum = 0.0f;
    for (int b = 0; b < s->bin_count; b++)
        sum += lr_albedo_row(s, b, place);
    return sum/(float)s->bin_count;
}

static float chance_of(float lobe, float rest) { return lobe + rest > 0.0f ? lobe/(lobe + rest) : 0.0f; }

// How often the lobe is drawn: by its share of the light, so that weights stay near the surface's albedo.
static float lobe_chance(const lr_surface *s, float scale, lr_vec3f wo)
{
    float lobe, rest;
    if (s->lobe_only)
        return 1.0f;
    if (s->kind == LR_MATERIAL_RETROREFLECTOR)
        return lr_albedo_at(s, wo);
    if (s->kind == LR_MATERIAL_METAL) {
        const float a = lr_albedo_at(s, wo);
        lobe = a*s->fresnel_mean;
        rest = (1.0f - a)*s->base_mean;
    } else {
        lobe = coat_albedo_mean(s, lr_albedo_place_at(wo.z));
        rest = (1.0f - lobe)*s->base_mean*scale;
    }
    return chance_of(lobe, rest);
}

static void eval_metal(const lr_surface *s, float scale, lr_vec3f wo, lr_vec3f wi, float f_cos[], float *pdf)
{
    const facet m = facet_between(wo, wi, s->alpha_x, s->alpha_y);
    const float base = (1.0f - lr_albedo_at(s, wo))*(1.0f - lr_albedo_at(s, wi))*s->base_scale[0]*wi.z;
    const float chance = lobe_chance(s, scale, wo);
    *pdf = chance*m.density + (1.0f - chance)*wi.z*INV_PI_F;
    for (int b = 0; b < s->bin_count; b++)
        f_cos[b] = scale*(lr_fresnel_conductor_f(m.cosine, s->index_n[b], s->index_k[b])*m.value + s->base[b]*base);
}

// A smooth coat's own reflection is mirror-like and not in here.
static void eval_coated(const lr_surface *s, float scale, lr_vec3f wo, lr_vec3f wi, float f_cos[], float *pdf)
{
    const lr_albedo_place o = lr_albedo_place_at(wo.z), i = lr_albedo_place_at(wi.z);
    float chance = 1.0f, sum = 0.0f;   // chance as lobe_chance has it
    for (int b = 0; b < s->bin_count; b++) {
        f_cos[b] = 0.0f;
        if (s->lobe_only)
            continue;
        const float kept = lr_albedo_row(s, b, o);
        sum += kept;
        f_cos[b] = scale*wi.z*s->base[b]*s->base_scale[b]*(1.0f - kept)*(1.0f - lr_albedo_row(s, b, i));
    }
    if (!s->lobe_only) {
        const float lobe = sum/(float)s->bin_count;
        chance = chance_of(lobe, (1.0f - lobe)*s->base_mean*scale);
    }
    *pdf = (1.0f - chance)*wi.z*INV_PI_F;
    if (!(s->alpha_x > 0.0f))
        return;
    const facet m = facet_between(wo, wi, s->alpha_x, s->alpha_y);
    *pdf += chance*m.density;
    for (int b = 0; b < s->bin_count; b++)
        f_cos[b] += lr_fresnel_dielectric_f(m.cosine, s->index_n[b])*m.value;
}

static void eval_retro(const lr_surface *s, float scale, lr_vec3f wo, lr_vec3f wi, float f_cos[], float *pdf)
{
    const facet m = facet_between(turned(wo), wi, s->retro_alpha, s->retro_alpha);
    const float share = s->retro_share*lr_retro_left(wo.z)*lr_retro_left(wi.z), chance = lobe_chance(s, scale, wo);
    const float base = s->lobe_only ? 0.0f : (1.0f - chance)*(1.0f - lr_albedo_at(s, wi))*s->base_scale[0]*wi.z;
    *pdf = chance*m.density + (1.0f - chance)*wi.z*INV_PI_F;
    for (int b = 0; b < s->bin_count; b++)
        f_cos[b] = scale*s->reflectance[b]*(share*m.value + base);
}

// --- the even part apart ---

int lr_surface_has_base(const lr_surface *s) { return s->kind == LR_MATERIAL_COATED || s->kind == LR_MATERIAL_RETROREFLECTOR; }

void lr_surface_let_in(const lr_surface *s, float cos_in, float share[LR_MAX_BINS])
{
    const lr_albedo_place place = lr_albedo_place_at(cos_in);
    for (int b = 0; b < s->bin_count; b++)
        share[b] = s->kind == LR_MATERIAL_COATED ? 1.0f - lr_albedo_row(s, b, place) : s->kind == LR_MATERIAL_RETROREFLECTOR ? 1.0f - lr_albedo_row(s, 0, place) : 1.0f;
}

void lr_surface_base(const lr_surface *s, float scale, float cos_out, float base[LR_MAX_BINS])
{
    float share[LR_MAX_BINS];
    lr_surface_let_in(s, cos_out, share);
    for (int b = 0; b < s->bin_count; b++)
        base[b] = scale*(s->kind == LR_MATERIAL_COATED         ? s->base[b]*s->base_scale[b]*share[b]
                         : s->kind == LR_MATERIAL_RETROREFLECTOR ? s->reflectance[b]*s->base_scale[0]*share[b]
                                                               : s->reflectance[b]*INV_PI_F);
}

// --- all kinds, wo.z and wi.z above 0 ---

static void eval_up(const lr_surface *s, float scale, lr_vec3f wo, lr_vec3f wi, float f_cos[], float *pdf)
{
    switch (s->kind) {
    case LR_MATERIAL_ROUGH_DIFFUSE: eval_rough(s, scale, wo, wi, f_cos, pdf); break;
    case LR_MATERIAL_METAL: eval_metal(s, scale, wo, wi, f_cos, pdf); break;
    case LR_MATERIAL_COATED: eval_coated(s, scale, wo, wi, f_cos, pdf); break;
    case LR_MATERIAL_RETROREFLECTOR: eval_retro(s, scale, wo, wi, f_cos, pdf); break;
    default: assert(0 && "a kind without lobes"); break;
    }
}

void lr_surface_eval(const lr_surface *surface, float scale, lr_vec3f wo, lr_vec3f wi, float f_cos[LR_MAX_BINS], float *pdf)
{
    const float across = wo.z*wi.z;
    if (surface->kind == LR_MATERIAL_DIFFUSE && across > 0.0f) {
        *pdf = fabsf(wi.z)*INV_PI_F;
        for (int b = 0; b < surface->bin_count; b++)
            f_cos[b] = surface->reflectance[b]*scale**pdf;
        return;
    }
    *pdf = 0.0f;
    memset(f_cos, 0, (size_t)surface->bin_count*sizeof *f_cos);
    wo.z = fabsf(wo.z);
    wi.z = fabsf(wi.z);
    if (surface->specular || !(across > 0.0f && wo.z > LR_GRAZING && wi.z > LR_GRAZING))
        return;
    eval_up(surface, scale, wo, wi, f_cos, pdf);
}

static int draw_smooth_coat(const lr_surface *s, lr_vec3f wo, float chance, lr_surface_sample *sample)
{
    sample->wi = turned(wo);
    sample->specular = 1;
    for (int b = 0; b < s->bin_count; b++)
        sample->weight[b] = lr_fresnel_dielectric_f(wo.z, s->index_n[b])/chance;
    return 1;
}

static int draw_up(const lr_surface *s, float scale, lr_vec3f wo, float u, float v, float w, lr_surface_sample *sample)
{
    const int cosine_only = s->kind == LR_MATERIAL_ROUGH_DIFFUSE;
    const float chance = cosine_only ? 0.0f : lobe_chance(s, scale, wo);
    if (!(w < chance)) {
        sample->wi = draw_cosine(u, v);
    } else if (s->kind == LR_MATERIAL_RETROREFLECTOR) {
        const lr_vec3f back = turned(wo);
        sample->wi = lr_mirrorf(back, lr_ggx_draw(back, s->retro_alpha, s->retro_alpha, u, v));
    } else if (s->alpha_x > 0.0f) {
        sample->wi = lr_mirrorf(wo, lr_ggx_draw(wo, s->alpha_x, s->alpha_y, u, v));
    } else {
        return draw_smooth_coat(s, wo, chance, sample);
    }
    if (!(sample->wi.z > LR_GRAZING))
        return 0;  // met a second facet: that light is in the base
    eval_up(s, scale, wo, sample->wi, sample->weight, &sample->pdf);
    if (!(sample->pdf > 0.0f))
        return 0;
    for (int b = 0; b < s->bin_count; b++)
        sample->weight[b] /= sample->pdf;
    return 1;
}

int lr_surface_draw(const lr_surface *surface, float scale, lr_vec3f wo, float u, float v, float w, lr_surface_sample *sample)
{
    const int below = wo.z < 0.0f;
    sample->pdf = 0.0f;
    sample->specular = 0;
    sample->radiance_scale = 1.0f;
    if (surface->kind == LR_MATERIAL_DIFFUSE) {
        sample->wi = draw_cosine(u, v);
        sample->pdf = sample->wi.z*INV_PI_F;
        for (int b = 0; b < surface->bin_count; b++)
            sample->weight[b] = surface->reflectance[b]*scale;
        if (below)
            sample->wi.z = -sample->wi.z;
        return surface->diffuse_albedo*(double)scale > 0.0;
    }
    if (!(fabsf(wo.z) > LR_GRAZING))
        return 0;
    if (surface->specular)
        return lr_surface_draw_smooth(surface, scale, wo, w, sample);
    wo.z = fabsf(wo.z);
    const int go_on = draw_up(surface, scale, wo, u, v, w, sample);
    if (below)
        sample->wi.z = -sample->wi.z;
    return go_on;
}
