// SPDX-License-Identifier: Apache-2.0
#include "run/image.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core/wide.h"
#include "sensor/speckle.h"

#define REACH_SIGMA 4.0   // the kernel ends where 6e-5 of its weight is left

struct lr_image {
    int pixels, reach;
    float *kernel;            // (2 reach + 1), sums to 1
    float veil;
    lr_speckle *speckle;      // or NULL
    double contrast;
};

// Lasers of a module seldom light the same pixel, so one pattern serves: that of the strongest that is on.
static int strongest(const lr_module_def *module)
{
    int best = -1;
    for (int l = 0; l < module->laser_count; l++)
        if (module->laser[l].mode != LR_LASER_OFF && module->laser[l].speckle && (best < 0 || module->laser[l].power_w > module->laser[best].power_w))
            best = l;
    return best;
}

static lr_status make_speckle(lr_image *image, const lr_head *head, int module, int camera, uint64_t seed, lr_error *err)
{
    const lr_module_def *m = &head->module[module];
    const lr_camera_def *c = &m->camera[camera];
    const int l = strongest(m);
    if (l < 0)
        return LR_OK;
    lr_speckle_def def = lr_speckle_def_default();
    def.f_number = c->lens.f_number;
    def.wavelength_m = lr_laser_line_m(&m->laser[l]);
    def.pitch_m = c->sensor.pitch_m;
    def.width_m = c->sensor.width_m;
    def.drag_m = c->lens.focal_m*2.0*LR_PI*head->spin.rev_per_s*c->exposure_s;
    def.polarisation = m->laser[l].polarisation;
    LR_TRY(lr_speckle_def_check(&def, err));
    const double count = lr_speckle_count(&def);
    image->contrast = lr_speckle_contrast(count);
    return lr_speckle_create(count, seed, module, camera, l, &image->speckle, err);
}

static lr_status make_kernel(lr_image *image, double sigma_px, lr_error *err)
{
    image->reach = sigma_px > 0.0 ? (int)ceil(REACH_SIGMA*sigma_px) : 0;
    image->kernel = malloc((2*(size_t)image->reach + 1)*sizeof *image->kernel);
    if (!image->kernel)
        return lr_fail(err, LR_ERR_MEMORY, "camera: out of memory");
    double sum = 0.0;
    for (int pass = 0; pass < 2; pass++)
        for (int k = -image->reach; k <= image->reach; k++) {
            // The Gaussian's weight within one pixel's width.
            const double s = sqrt(2.0)*sigma_px, weight = sigma_px > 0.0 ? 0.5*(erf((k + 0.5)/s) - erf((k - 0.5)/s)) : 1.0;
            if (pass == 0)
                sum += weight;
            else
                image->kernel[k + image->reach] = (float)(weight/sum);
        }
    return LR_OK;
}

lr_status lr_image_create(const lr_head *head, int module, int camera, uint64_t seed, lr_image **out, lr_error *err)
{
    *out = NULL;
    lr_image *image = calloc(1, sizeof *image);
    if (!image)
        return lr_fail(err, LR_ERR_MEMORY, "camera: out of memory");
    const lr_camera_def *c = &head->module[module].camera[camera];
    image->pixels = c->sensor.pixels;
    image->veil = (float)c->veiling_share;
    lr_status s = make_kernel(image, c->blur_px, err);
    if (s == LR_OK)
        s = make_speckle(image, head, module, camera, seed, err);
    if (s == LR_OK)
        *out = image;
    else
        lr_image_destroy(image);
    return s;
}

void lr_image_destroy(lr_image *image)
{
    if (!image)
        return;
    free(image->kernel);
    lr_speckle_destroy(image->speckle);
    free(image);
}

// Pixels first .. of at most `count`, whose whole reach is at hand: tap by tap.
LR_WIDE static void add_taps(const float *kernel, int taps, const float *restrict from, int count, float *restrict to)
{
    for (int i = 0; i < count; i++)
        to[i] = kernel[0]*from[i];
    for (int k = 1; k < taps; k++)
        for (int i = 0; i < count; i++)
            to[i] += kernel[k]*from[i + k];
}

static void convolve(const lr_image *image, float *part, float *scratch)
{
    const int n = image->pixels, reach = image->reach, inner = n > 2*reach ? n - 2*reach : 0;
    memcpy(scratch, part, (size_t)n*sizeof *part);
    add_taps(image->kernel, 2*reach + 1, scratch, inner, part + reach);
    for (int i = 0; i < n; i++) {
        if (i == reach && inner > 0)
            i = n - reach;   // the ends, which see their last pixel again
        float sum = 0.0f;
        for (int k = -reach; k <= reach; k++) {
            const int j = i + k < 0 ? 0 : i + k >= n ? n - 1 : i + k;
            sum += image->kernel[k + reach]*scratch[j];
        }
        part[i] = sum;
    }
}

// In four sums, so that none waits for the other.
static double mean_of(const float *part, int count)
{
    double sum[4] = {0.0, 0.0, 0.0, 0.0};
    for (int i = 0; i < count; i++)
        sum[i & 3] += (double)part[i];
    return (sum[0] + sum[1] + sum[2] + sum[3])/count;
}

LR_WIDE static void mix(float *part, int count, float keep, float veil)
{
    for (int i = 0; i < count; i++)
        part[i] = keep*part[i] + veil;
}

void lr_image_blur(const lr_image *image, float *part, float *scratch)
{
    if (image->reach > 0)
        convolve(image, part, scratch);
    if (image->veil > 0.0f)
        mix(part, image->pixels, 1.0f - image->veil, image->veil*(float)mean_of(part, image->pixels));
}

void lr_image_speckle(const lr_image *image, int64_t line, float *factor)
{
    if (image->speckle) {
        lr_speckle_line(image->speckle, line, image->pixels, factor);
        return;
    }
    for (int i = 0; i < image->pixels; i++)
        factor[i] = 1.0f;
}

double lr_image_speckle_contrast(const lr_image *image) { return image->contrast; }
