// SPDX-License-Identifier: Apache-2.0
// Mirrors, smooth metal, panes and solid glass. All directions are exact, so values are shares, not densities.
#include "scene/surface_smooth.h"

#include <assert.h>

#include "optics/fresnel.h"

// Shares of a pane, both polarisations, all inner reflections (formulas: optics/fresnel.h). Written with the
// transmittance of a face, as 1 - R would lose its digits at grazing.
static void pane_shares(float n, float a_normal, float cosine, float *reflected, float *through)
{
    const float c = fmaxf(fabsf(cosine), 1e-6f), ct = sqrtf(1.0f - (1.0f - fminf(1.0f, c*c))/(n*n));
    const float a = a_normal < 1.0f ? powf(a_normal, 1.0f/ct) : 1.0f;
    const float face[2] = {4.0f*n*ct*c/((c + n*ct)*(c + n*ct)), 4.0f*n*ct*c/((n*c + ct)*(n*c + ct))};
    *reflected = *through = 0.0f;
    for (int polarisation = 0; polarisation < 2; polarisation++) {
        const float t = fminf(1.0f, face[polarisation]), r = 1.0f - t;
        const float pass = t*t*a/((t + r*(1.0f - a))*(1.0f + r*a));  // 1 - R a = t + R (1 - a)
        *through += 0.5f*pass;
        *reflected += 0.5f*r*(1.0f + a*pass);
    }
}

void lr_surface_pane_transmittance(const lr_surface *surface, float cosine, float transmittance[LR_MAX_BINS])
{
    float reflected;
    for (int b = 0; b < surface->bin_count; b++)
        pane_shares(surface->index_n[b], surface->transmittance_normal[b], cosine, &reflected, &transmittance[b]);
}

// Picks one of two ways by its share of the light over all bins; weight holds the shares of the first.
// Returns 1 for the first, 0 for the second, -1 if nothing is left.
static int choose(int bins, float first[], const float second[], float w)
{
    float sum_first = 0.0f, sum_second = 0.0f;
    for (int b = 0; b < bins; b++) {
        sum_first += first[b];
        sum_second += second[b];
    }
    if (!(sum_first + sum_second > 0.0f))
        return -1;
    const float chance = sum_first/(sum_first + sum_second);
    const int one = w < chance;
    for (int b = 0; b < bins; b++)
        first[b] = one ? first[b]/chance : second[b]/(1.0f - chance);
    return one;
}

static int draw_pane(const lr_surface *s, lr_vec3f wo, float w, lr_surface_sample *sample)
{
    float through[LR_MAX_BINS];
    for (int b = 0; b < s->bin_count; b++)
        pane_shares(s->index_n[b], s->transmittance_normal[b], wo.z, &sample->weight[b], &through[b]);
    const int mirrored = choose(s->bin_count, sample->weight, through, w);
    sample->wi = mirrored == 1 ? lr_v3f(-wo.x, -wo.y, wo.z) : lr_mulf(wo, -1.0f);
    return mirrored >= 0;
}

// One direction for all bins, bent by the mean index; each bin has its own Fresnel share. Radiance over n^2 is what
// the way through keeps, so radiance seen from air is that inside over n^2.
static int draw_glass(const lr_surface *s, lr_vec3f wo, float w, lr_surface_sample *sample)
{
    const int inside = wo.z < 0.0f;
    const float c = fminf(1.0f, fabsf(wo.z)), eta = inside ? 1.0f/s->index_mean : s->index_mean;
    const float sin2 = (1.0f - c*c)/(eta*eta);  // beyond
    float through[LR_MAX_BINS];
    for (int b = 0; b < s->bin_count; b++) {
        const float f = lr_fresnel_dielectric_f(c, inside ? 1.0f/s->index_n[b] : s->index_n[b]);
        sample->weight[b] = sin2 < 1.0f ? f : 1.0f;
        through[b] = 1.0f - sample->weight[b];
    }
    if (choose(s->bin_count, sample->weight, through, w) == 1) {
        sample->wi = lr_v3f(-wo.x, -wo.y, wo.z);
        return 1;
    }
    const float cos_t = sqrtf(fmaxf(0.0f, 1.0f - sin2));
    sample->wi = lr_v3f(-wo.x/eta, -wo.y/eta, inside ? cos_t : -cos_t);
    sample->radiance_scale = 1.0f/(eta*eta);
    for (int b = 0; b < s->bin_count; b++)
        sample->weight[b] *= sample->radiance_scale;
    return 1;
}

void lr_surface_mirrored(const lr_surface *s, float scale, float cosine, float share[LR_MAX_BINS])
{
    const float c = fminf(1.0f, fabsf(cosine));
    float through;
    assert(s->specular);
    for (int b = 0; b < s->bin_count; b++)
        switch (s->kind) {
        case LR_MATERIAL_PANE: pane_shares(s->index_n[b], s->transmittance_normal[b], c, &share[b], &through); break;
        case LR_MATERIAL_GLASS: share[b] = lr_fresnel_dielectric_f(c, s->index_n[b]); break;
        case LR_MATERIAL_MIRROR: share[b] = scale*s->reflectance[b]; break;
        default: share[b] = scale*lr_fresnel_conductor_f(c, s->index_n[b], s->index_k[b]); break;
        }
}

int lr_surface_draw_smooth(const lr_surface *surface, float scale, lr_vec3f wo, float w, lr_surface_sample *sample)
{
    sample->specular = 1;
    if (surface->kind == LR_MATERIAL_PANE)
        return draw_pane(surface, wo, w, sample);
    if (surface->kind == LR_MATERIAL_GLASS)
        return draw_glass(surface, wo, w, sample);
    float sum = 0.0f;
    lr_surface_mirrored(surface, scale, wo.z, sample->weight);
    sample->wi = lr_v3f(-wo.x, -wo.y, wo.z);
    for (int b = 0; b < surface->bin_count; b++)
        sum += sample->weight[b];
    return sum > 0.0f;
}
