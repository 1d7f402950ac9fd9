// SPDX-License-Identifier: Apache-2.0
#include "run/ambient.h"

#include <math.h>

static const char *const kind_names[LR_LIGHT_KINDS] = {"sun", "sky", "lamp"};

static int is_scaled(const lr_scene_ambient *asked, int kind)
{
    return asked->lights == LR_AMBIENT_ALL || (asked->lights == LR_AMBIENT_LAMPS) == (kind == LR_SOURCE_LAMP);
}

static void scale(lr_scene *scene, double factor)
{
    for (int k = 0; k < scene->source_count; k++) {
        lr_table *spectrum = &scene->source[k].spectrum;
        for (int i = 0; is_scaled(&scene->ambient, scene->source[k].kind) && i < spectrum->count; i++)
            spectrum->y[i] *= factor;
    }
    for (int i = 0; is_scaled(&scene->ambient, LR_SOURCE_LAMP) && i < scene->lamp_count; i++)
        scene->lamp[i].lumens *= factor;
}

lr_status lr_ambient_settle(lr_scene *scene, int threads, lr_ambient *out, lr_error *err)
{
    const lr_scene_ambient *asked = &scene->ambient;
    const lr_vec3 p = asked->point;
    lr_illuminance e;
    *out = (lr_ambient){.present = asked->present, .factor = 1.0};
    if (!asked->present)
        return LR_OK;
    LR_TRY(lr_illuminance_at(scene, p, asked->normal, threads, &e, err));
    double scaled_lux = 0.0, rest_lux = 0.0, weight[LR_LIGHT_KINDS];
    for (int kind = 0; kind < LR_LIGHT_KINDS; kind++) {
        double one[LR_LIGHT_KINDS] = {0.0};
        one[kind] = 1.0;
        out->found_lux[kind] = lr_illuminance_lux(&e, one, NULL);
        *(is_scaled(asked, kind) ? &scaled_lux : &rest_lux) += out->found_lux[kind];
    }
    if (!(scaled_lux > 0.0))
        return lr_fail(err, LR_ERR_RANGE, "ambient.at_m: (%g, %g, %g) is dark: none of the lights to scale (%s) reaches the side that faces (%.3g, %.3g, %.3g); is it inside something?",
                       p.x, p.y, p.z, lr_ambient_lights_names[asked->lights], asked->normal.x, asked->normal.y, asked->normal.z);
    if (!(asked->lux > rest_lux))
        return lr_fail(err, LR_ERR_RANGE, "ambient.lux: %g is not above the %.4g lux of the lights that are not to be scaled", asked->lux, rest_lux);
    out->factor = (asked->lux - rest_lux)/scaled_lux;
    for (int kind = 0; kind < LR_LIGHT_KINDS; kind++)
        weight[kind] = is_scaled(asked, kind) ? out->factor : 1.0;
    out->lux = lr_illuminance_lux(&e, weight, &out->error_lux);
    scale(scene, out->factor);
    return LR_OK;
}

void lr_ambient_json(const lr_ambient *a, lr_text *out)
{
    lr_text_add(out, "{\"lux\": ");
    lr_text_number(out, a->lux);
    lr_text_add(out, ", \"standard_error_lux\": ");
    lr_text_number(out, a->error_lux);
    lr_text_add(out, ", \"factor\": ");
    lr_text_number(out, a->factor);
    lr_text_add(out, ", \"found_lux\": {");
    for (int kind = 0; kind < LR_LIGHT_KINDS; kind++) {
        lr_text_add(out, "%s\"%s\": ", kind ? ", " : "", kind_names[kind]);
        lr_text_number(out, a->found_lux[kind]);
    }
    lr_text_add(out, "}}");
}

void lr_ambient_words(const lr_scene_ambient *asked, const lr_ambient *a, lr_text *out)
{
    static const char *const whose[] = {"all lights", "sun and sky", "lamps"};
    lr_text_add(out, "light: %s scaled by %.5g for %.5g +- %.2g lux at (%g, %g, %g); found there: sun %.4g, sky %.4g, lamps %.4g lux", whose[asked->lights], a->factor,
                a->lux, a->error_lux, asked->point.x, asked->point.y, asked->point.z, a->found_lux[0], a->found_lux[1], a->found_lux[2]);
}
