// SPDX-License-Identifier: Apache-2.0
// A material's spectra taken at the bins, and the tables of its lobe's albedo.
// Albedo towards w: mean of (lobe value)/(density) over facets drawn by how much of them is seen, on a grid that
// crowds where facets are steep: of a fine surface those few decide what misses the hemisphere.
#include <assert.h>
#include <string.h>

#include "core/wide.h"
#include "optics/fresnel.h"
#include "scene/surface_lobe.h"

#define GRID_U 32  // turns of a drawn facet
#define GRID_V 80  // its tilt
#define STEEPEST 1e-4f  // cosine that stands for grazing

static float table_or(const lr_table *table, double lambda_m, double otherwise, double lo, double hi)
{
    const double y = table->count ? lr_table_at(table, lambda_m) : otherwise;
    return (float)fmin(hi, fmax(lo, y));
}

typedef struct lobe { lr_vec3f wo; float ax, ay, lambda_o, cosine[GRID_U], sine[GRID_U]; } lobe;   // towards wo; of the facets' turns

// One tilt v, all turns: weight times how much of what facets send is not hidden, G2/G1, 0 where it goes into the ground; cosines to the facet and
// of the way on.
LR_WIDE_WHOLE static void look_around(const lobe *l, float v, float weight, float *restrict seen, float *restrict cos_facet, float *restrict cos_in)
{
    const lr_vec3f wo = l->wo;
    const float ax = l->ax, ay = l->ay, lambda_o = l->lambda_o, all = weight*(1.0f + lambda_o);
    for (int i = 0; i < GRID_U; i++) {
        const lr_vec3f h = lr_ggx_facet(wo, ax, ay, l->cosine[i], l->sine[i], v), wi = lr_mirrorf(wo, h);
        const float share = all/(1.0f + lambda_o + lr_ggx_lambda(wi, ax, ay));
        seen[i] = wi.z > LR_GRAZING ? share : 0.0f;
        cos_facet[i] = lr_dotf(wo, h);
        cos_in[i] = wi.z;
    }
}

// Mean over facets of (G2/G1) times Fresnel (index above 0) or the retroreflector's fall with angle (index < 0).
static float lobe_albedo(const lr_surface *s, lr_vec3f wo, float ax, float ay, float index)
{
    if (!(ax > 0.0f))
        return lr_fresnel_dielectric_f(wo.z, index);  // smooth coat
    lobe l = {.wo = wo, .ax = ax, .ay = ay, .lambda_o = lr_ggx_lambda(wo, ax, ay)};
    double sum = 0.0;
    for (int i = 0; i < GRID_U; i++)
        lr_turnf(((float)i + 0.5f)/GRID_U, &l.cosine[i], &l.sine[i]);
    for (int j = 0; j < GRID_V; j++) {
        const float q = ((float)j + 0.5f)/GRID_V, v = 1.0f - q*q*q;
        float seen[GRID_U], cos_facet[GRID_U], cos_in[GRID_U];
        look_around(&l, v, 3.0f*q*q, seen, cos_facet, cos_in);
        for (int i = 0; i < GRID_U; i++) {
            float value = seen[i];
            if (s->kind == LR_MATERIAL_COATED)
                value *= lr_fresnel_dielectric_f(cos_facet[i], index);
            else if (s->kind == LR_MATERIAL_RETROREFLECTOR)
                value *= s->retro_share*lr_retro_left(wo.z)*lr_retro_left(cos_in[i]);
            sum += (double)value;
        }
    }
    return (float)fmin(1.0, sum/(GRID_U*GRID_V));
}

// `c`: square of the cosine of the azimuth.
static void fill_row(lr_surface *s, int row, float ax, float ay, float c, float index)
{
    for (int k = 0; k < LR_ALBEDO_NODES; k++) {
        const float t = (float)k/(LR_ALBEDO_NODES - 1), z = fmaxf(t*t, STEEPEST), r = sqrtf(1.0f - z*z);
        s->albedo[row][k] = lobe_albedo(s, lr_v3f(r*sqrtf(c), r*sqrtf(1.0f - c), z), ax, ay, index);
    }
}

// Mean over the hemisphere, 2 A cos dcos, of one row's straight lines: exact by three points a piece (A t^3 is of degree 4).
static double row_mean(const lr_surface *s, int row)
{
    static const double x[3] = {0.1127016653792583, 0.5, 0.8872983346207417}, weight[3] = {5.0/18, 8.0/18, 5.0/18};
    const double step = 1.0/(LR_ALBEDO_NODES - 1);
    double sum = 0.0;
    for (int k = 0; k + 1 < LR_ALBEDO_NODES; k++)
        for (int q = 0; q < 3; q++) {
            const double t = (k + x[q])*step, a = (double)s->albedo[row][k], b = (double)s->albedo[row][k + 1];
            sum += weight[q]*step*4.0*t*t*t*(a + x[q]*(b - a));  // cos = t^2
        }
    return sum;
}

// Of all rows of an anisotropic metal: each azimuth takes its place between rows.
static double azimuth_mean(const lr_surface *s)
{
    enum { TURNS = 512 };
    double mean[LR_MAX_BINS], sum = 0.0;
    for (int row = 0; row < s->albedo_rows; row++)
        mean[row] = row_mean(s, row);
    for (int i = 0; i < TURNS; i++) {
        const double phi = 0.5*LR_PI*(i + 0.5)/TURNS;
        const double x = fmax(0.0, (double)lr_albedo_azimuth_row(s, lr_v3f((float)cos(phi), (float)sin(phi), 0.0f)));
        const int row = x < s->albedo_rows - 2 ? (int)x : s->albedo_rows - 2;
        sum += mean[row] + (x - row)*(mean[row + 1] - mean[row]);
    }
    return sum/TURNS;
}

static float base_scale(double mean) { return mean < 1.0 - 1e-7 ? (float)(1.0/(LR_PI*(1.0 - mean))) : 0.0f; }

// Mean of F over the hemisphere, 2 F cos dcos.
static double conductor_mean(float n, float k)
{
    enum { STEPS = 256 };
    double sum = 0.0;
    for (int i = 0; i < STEPS; i++) {
        const double c = (i + 0.5)/STEPS;
        sum += 2.0*c*lr_fresnel_mean(lr_fresnel_conductor(c, (double)n, (double)k))/STEPS;
    }
    return sum;
}

static void bake_metal(const lr_material_def *def, lr_surface *s)
{
    s->specular = !(def->roughness > 0.0);
    if (s->specular)
        return;
    s->alpha_x = (float)(def->roughness*(1.0 + def->anisotropy));
    s->alpha_y = (float)(def->roughness*(1.0 - def->anisotropy));
    const float ax2 = s->alpha_x*s->alpha_x, ay2 = s->alpha_y*s->alpha_y;
    s->albedo_rows = ax2 == ay2 ? 1 : LR_MAX_BINS;
    for (int row = 0; row < s->albedo_rows; row++) {
        const float met = s->alpha_x + (s->alpha_y - s->alpha_x)*(float)row/(LR_MAX_BINS - 1);
        fill_row(s, row, s->alpha_x, s->alpha_y, ax2 == ay2 ? 1.0f : fminf(1.0f, fmaxf(0.0f, (met*met - ay2)/(ax2 - ay2))), 0.0f);
    }
    const double mean = s->albedo_rows == 1 ? row_mean(s, 0) : azimuth_mean(s);
    s->base_scale[0] = base_scale(mean);
    for (int b = 0; b < s->bin_count; b++) {
        const double f = conductor_mean(s->index_n[b], s->index_k[b]);
        s->base[b] = (float)(f*f*mean/(1.0 - f*(1.0 - mean)));
        s->fresnel_mean += (float)f/(float)s->bin_count;
        s->base_mean += s->base[b]/(float)s->bin_count;
    }
}

static void bake_coated(const lr_material_def *def, lr_surface *s)
{
    s->alpha_x = s->alpha_y = (float)def->roughness;
    s->albedo_rows = s->bin_count;
    double diffuse = 0.0;
    for (int b = 0; b < s->bin_count; b++) {
        if (b > 0 && s->index_n[b] == s->index_n[b - 1])
            memcpy(s->albedo[b], s->albedo[b - 1], sizeof s->albedo[b]);
        else
            fill_row(s, b, s->alpha_x, s->alpha_y, 1.0f, s->index_n[b]);
        const double mean = row_mean(s, b), gloss = (double)s->albedo[b][LR_ALBEDO_NODES - 1];
        const double base = fmax(0.0, ((double)s->reflectance[b] - gloss)/(1.0 - gloss));  // the whole at normal incidence is as stated
        s->base_scale[b] = base_scale(mean);
        s->base[b] = (float)base;
        s->base_mean += s->base[b]/(float)s->bin_count;
        diffuse += base*(1.0 - mean)/s->bin_count;
    }
    s->diffuse_albedo = diffuse;
}

static void bake_retro(const lr_material_def *def, lr_surface *s, double reflectance_mean)
{
    // The angle between wo and wi is twice the facet's tilt; D falls to half where (1 + tan^2/alpha^2)^2 = 2.
    s->retro_share = (float)def->retro_share;
    s->retro_alpha = (float)(tan(0.5*def->retro_width_rad)/sqrt(sqrt(2.0) - 1.0));
    s->albedo_rows = 1;
    fill_row(s, 0, s->retro_alpha, s->retro_alpha, 1.0f, 0.0f);
    const double mean = row_mean(s, 0);
    s->base_scale[0] = base_scale(mean);
    s->diffuse_albedo = reflectance_mean*(1.0 - mean);
}

// Oren & Nayar's A and B without the term of light between facets: its place is taken by the base.
static void bake_rough(const lr_material_def *def, lr_surface *s)
{
    const double sigma2 = def->roughness*def->roughness;
    const double r = 0.45*sigma2/(sigma2 + 0.09)/(1.0 - 0.5*sigma2/(sigma2 + 0.33));
    const double a = 1.0/(1.0 + (0.5 - 2.0/(3.0*LR_PI))*r);            // albedo 1 at grazing
    const double mean = a*(1.0 + (2.0/3.0 - 28.0/(15.0*LR_PI))*r);
    s->sigma = (float)def->roughness;
    s->rough_r = (float)r;
    s->rough_a = (float)a;
    s->rough_left = mean < 1.0 - 1e-6 ? (float)(1.0/(1.0 - mean)) : 0.0f;
    if (!(s->rough_left > 0.0f))
        s->kind = LR_MATERIAL_DIFFUSE;
}

void lr_surface_bake(const lr_material_def *def, const lr_bins *bins, lr_surface *out)
{
    assert(def && bins && out);
    memset(out, 0, sizeof *out);
    out->kind = def->kind;
    out->texture = -1;
    out->bin_count = bins->ambient_count + bins->line_count;
    double reflectance = 0.0;
    for (int b = 0; b < out->bin_count; b++) {
        const double lambda_m = bins->center_m[b];
        out->reflectance[b] = table_or(&def->reflectance, lambda_m, 0.5, 0.0, 1.0);
        out->index_n[b] = table_or(&def->index_n, lambda_m, 1.5, 0.0, 100.0);
        out->index_k[b] = table_or(&def->index_k, lambda_m, 0.0, 0.0, 100.0);
        out->absorption_per_m[b] = table_or(&def->absorption_per_m, lambda_m, 0.0, 0.0, 1e6);
        out->transmittance_normal[b] = expf(-out->absorption_per_m[b]*(float)def->thickness_m);
        out->index_mean += out->index_n[b]/(float)out->bin_count;
        reflectance += (double)out->reflectance[b]/out->bin_count;
    }
    for (int i = 0; i < 2; i++)
        out->texture_scale[i] = (float)(1.0/def->texture_size_m[i]);
    switch (def->kind) {
    case LR_MATERIAL_DIFFUSE: out->diffuse_albedo = reflectance; break;
    case LR_MATERIAL_ROUGH_DIFFUSE: out->diffuse_albedo = reflectance; bake_rough(def, out); break;
    case LR_MATERIAL_METAL: bake_metal(def, out); break;
    case LR_MATERIAL_COATED: bake_coated(def, out); break;
    case LR_MATERIAL_RETROREFLECTOR: bake_retro(def, out, reflectance); break;
    case LR_MATERIAL_PANE: out->specular = out->clear = 1; break;
    case LR_MATERIAL_GLASS:
    case LR_MATERIAL_MIRROR: out->specular = 1; break;
    case LR_MATERIAL_KINDS: break;
    }
}
