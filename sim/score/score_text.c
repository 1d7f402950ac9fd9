// SPDX-License-Identifier: Apache-2.0
#include <inttypes.h>
#include <math.h>

#include "score/score.h"

static double share(int64_t part, int64_t whole) { return whole > 0 ? (double)part/(double)whole : (double)NAN; }

static void number(lr_text *t, const char *key, double value)
{
    lr_text_add(t, ", \"%s\": ", key);
    lr_text_number(t, value);
}

static void group_json(const lr_score_group *g, lr_text *t)
{
    lr_text_add(t, "        {\"name\": ");
    lr_text_quote(t, g->name);
    lr_text_add(t, ", \"pixels\": %" PRId64, g->pixels);
    number(t, "complete", share(g->found, g->pixels));
    static const char *const px_keys[LR_SCORE_PX] = {"bad_0p5_px", "bad_1_px", "bad_2_px", "bad_4_px"};
    for (int k = 0; k < LR_SCORE_PX; k++)
        number(t, px_keys[k], share(g->bad_px[k], g->placed));
    number(t, "bad_1_percent", share(g->bad_share[0], g->pixels));
    number(t, "bad_5_percent", share(g->bad_share[1], g->pixels));
    number(t, "median_m", lr_score_quantile(g, 0.5));
    number(t, "p95_m", lr_score_quantile(g, 0.95));
    number(t, "rms_m", lr_score_rms(g));
    number(t, "rms_95_m", lr_score_rms_95(g));
    number(t, "bias_m", g->found ? g->sum/(double)g->found : (double)NAN);
    number(t, "subpixel_rms_px", lr_score_px_rms(g));
    number(t, "expected_m", lr_score_expected(g));
    number(t, "achieved_m", lr_score_achieved(g));
    number(t, "expected_median_m", lr_score_expected_median(g));
    number(t, "achieved_median_m", lr_score_achieved_median(g));
    number(t, "noise_ratio", lr_score_noise_ratio(g));
    lr_text_add(t, "}");
}

static void camera_json(const lr_score_camera *c, lr_text *t)
{
    lr_text_add(t, "    {\"module\": ");
    lr_text_quote(t, c->module);
    lr_text_add(t, ", \"camera\": ");
    lr_text_quote(t, c->camera);
    lr_text_add(t, ", \"empty_pixels\": %" PRId64 ", \"invented\": ", c->empty);
    lr_text_number(t, share(c->invented, c->empty));
    number(t, "believed", c->has_confidence ? share(c->believed, c->empty) : (double)NAN);
    lr_text_add(t, ",\n      \"confidence\": [");
    for (int b = 0; c->has_confidence && b < LR_SCORE_BINS; b++) {
        lr_text_add(t, "%s\n        {\"from\": %.1f, \"pixels\": %" PRId64, b ? "," : "", 0.1*b, c->bin_count[b]);
        number(t, "said", c->bin_count[b] ? c->bin_sum[b]/(double)c->bin_count[b] : (double)NAN);
        number(t, "right", share(c->bin_right[b], c->bin_count[b]));
        lr_text_add(t, "}");
    }
    lr_text_add(t, "],\n      \"miscalibration\": ");
    lr_text_number(t, c->has_confidence ? lr_score_miscalibration(c) : (double)NAN);
    lr_text_add(t, ",\n      \"groups\": [\n");
    for (int g = 0; g < c->group_count; g++) {
        group_json(&c->group[g], t);
        lr_text_add(t, g + 1 < c->group_count ? ",\n" : "\n");
    }
    lr_text_add(t, "      ]}");
}

lr_status lr_score_write_json(const lr_score *score, lr_text *out, lr_error *err)
{
    lr_text_add(out, "{\n  \"format\": \"%s\",\n  \"cameras\": [\n", LR_SCORE_FORMAT);
    for (int c = 0; c < score->camera_count; c++) {
        camera_json(&score->camera[c], out);
        lr_text_add(out, c + 1 < score->camera_count ? ",\n" : "\n");
    }
    lr_text_add(out, "  ]\n}\n");
    return out->failed ? lr_fail(err, LR_ERR_MEMORY, "score: out of memory") : LR_OK;
}

static void percent(lr_text *t, double value, int decimals)
{
    if (isfinite(value))
        lr_text_add(t, " %7.*f", decimals, 100.0*value);
    else
        lr_text_add(t, "       -");
}

static void millimetres(lr_text *t, double metres)
{
    if (isfinite(metres))
        lr_text_add(t, metres < 0.9995 ? " %8.2f" : " %8.0f", 1e3*metres);
    else
        lr_text_add(t, "        -");
}

static void group_row(const lr_score_group *g, lr_text *t)
{
    lr_text_add(t, "%-26.26s %9" PRId64, g->name, g->pixels);
    percent(t, share(g->found, g->pixels), 1);
    for (int k = 0; k < LR_SCORE_PX; k++)
        percent(t, share(g->bad_px[k], g->placed), 2);
    for (int k = 0; k < LR_SCORE_SHARE; k++)
        percent(t, share(g->bad_share[k], g->pixels), 2);
    millimetres(t, lr_score_quantile(g, 0.5));
    millimetres(t, lr_score_rms(g));
    millimetres(t, lr_score_rms_95(g));
    millimetres(t, lr_score_quantile(g, 0.95));
    const double px = lr_score_px_rms(g);
    lr_text_add(t, isfinite(px) ? " %7.3f" : "       -", px);
    millimetres(t, lr_score_expected_median(g));
    millimetres(t, lr_score_achieved_median(g));
    const double ratio = lr_score_noise_ratio(g);
    lr_text_add(t, isfinite(ratio) ? " %5.2f" : "     -", ratio);
    lr_text_add(t, "\n");
}

static void confidence_rows(const lr_score_camera *c, lr_text *t)
{
    lr_text_add(t, "confidence said  right  pixels\n");
    for (int b = 0; b < LR_SCORE_BINS; b++)
        if (c->bin_count[b])
            lr_text_add(t, "          %5.3f  %5.3f  %" PRId64 "\n", c->bin_sum[b]/(double)c->bin_count[b], share(c->bin_right[b], c->bin_count[b]), c->bin_count[b]);
    lr_text_add(t, "mean distance between the two: %.3f\n", lr_score_miscalibration(c));
}

void lr_score_write_table(const lr_score *score, lr_text *out)
{
    for (int i = 0; i < score->camera_count; i++) {
        const lr_score_camera *c = &score->camera[i];
        lr_text_add(out, "%s%s/%s\n", i ? "\n" : "", c->module, c->camera);
        lr_text_add(out, "%-26s %9s %7s %31s %15s %35s %7s %23s\n", "", "", "found", "bad or missing %, beyond px", "beyond range", "range error mm", "under", "noise mm where right");
        lr_text_add(out, "%-26s %9s %7s %7s %7s %7s %7s %7s %7s %8s %8s %8s %8s %7s %8s %8s %5s\n", "pixels", "count", "%", "0.5", "1", "2", "4", "1 %", "5 %",
                    "median", "rms", "rms 95 %", "95 %", "1px rms", "expected", "achieved", "ratio");
        for (int g = 0; g < c->group_count; g++)
            group_row(&c->group[g], out);
        if (c->empty)
            lr_text_add(out, "%-26s %9" PRId64 "  with a range all the same: %.2f %%", "nothing there", c->empty, 100.0*share(c->invented, c->empty));
        if (c->empty && c->has_confidence)
            lr_text_add(out, ", believed (above 0.5): %.2f %%", 100.0*share(c->believed, c->empty));
        if (c->empty)
            lr_text_add(out, "\n");
        if (c->has_confidence)
            confidence_rows(c, out);
    }
}
