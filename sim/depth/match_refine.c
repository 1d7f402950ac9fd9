// SPDX-License-Identifier: Apache-2.0
// Sub-pixel refinement. In a window of the reference a(u), the other view is b(j(u, q)) with q the inverse range, and
//   b = gain a + offset + noise.
// A step of q moves b by (da/du)/(dj/du) dj/dq gain. Least squares for gain, offset and step, with da/du taken from the
// reference: at whole pixels the noise of a and of its derivative are uncorrelated, so the answer is not drawn to any phase.
// Where there is little light that answer is worse than what smoothing knew already: the straight line through the winners of the
// window. So both are weighed by their information, the rule of Bayes for two independent Gaussians.
#include <math.h>

#include "depth/match_body.h"

#define MOST 32              // samples of a window, padded
#define PAD 8                // windows are filled up to a multiple, with samples of no weight: whole vectors
#define ROUNDS 2
#define SAME_SURFACE 3       // candidates a neighbour may differ and still belong
#define FEWEST 5             // samples; with fewer on the same surface all are taken
#define MOVE_MAX 2.0f        // candidates the refinement may go
#define GAIN_LEAST 0.05f     // with less the other view shows nothing of the reference
#define FIT_PLAIN 3.0f       // what is left beyond so many times the noise (glints, mirrors, bent surfaces) mostly repeats in the next line
#define GAIN_SPREAD 0.01f     // rms of gain from pixel to pixel where nobody tells (data sheets by EMVA 1288 say 0.3 to 1.5 %; common practice, no source)
#define FIXED_VARIANCE (0.25f*GAIN_SPREAD*GAIN_SPREAD)  // of a level 2 sqrt(e), by its square: a share s of e moves it by s sqrt(e)
#define FIT_REPEATS 0.5f     // share of its variance that averaging lines leaves; measured in the demo rooms

// Coefficients of the cubic B-spline through `in` (Unser, Splines: A Perfect Fit, IEEE SP Magazine 16(6), 1999), mirrored ends.
void lr_match_spline(const float *in, int count, float *c, float *slope)
{
    const float pole = -0.26794919243112271f;  // sqrt(3) - 2
    float sum = 0.0f, power = 1.0f;
    for (int i = 0; i < count && i < 24; i++, power *= pole)
        sum += in[i]*power;
    c[0] = 6.0f*sum;
    for (int i = 1; i < count; i++)
        c[i] = 6.0f*in[i] + pole*c[i - 1];
    c[count - 1] = count > 1 ? pole/(pole*pole - 1.0f)*(c[count - 1] + pole*c[count - 2]) : in[0];
    for (int i = count - 2; i >= 0; i--)
        c[i] = pole*(c[i + 1] - c[i]);
    for (int i = 0; i < count; i++)
        slope[i] = 0.5f*(c[i < count - 1 ? i + 1 : i] - c[i > 0 ? i - 1 : i]);
}

typedef struct window {
    int count, padded;               // samples; with those of no weight
    int pixel[MOST];
    float offset[MOST];              // from the pixel
    float weight[MOST];              // 1, or 0 of what only pads
    float a[MOST], place[MOST], per_q[MOST];  // reference; pixel in the other view and its change by q
    float lean;                      // change of q by pixel along the line
    float level;                     // q of the line through the neighbours' winners, less that of the pixel's own winner
    float drive[MOST];               // change of b by q over the gain, free of offset and gain
    float power;                     // sum of drive^2
    float a_mean, a_power;
} window;

// Neighbours of the same surface, and the straight line through their candidates.
static inline void choose_samples(const lr_matcher *m, const float *winner, int pixels, int i, window *v)
{
    const int r = m->def.refine_window;
    int kept = 0;
    for (int u = -r; u <= r; u++)
        kept += i + u >= 0 && i + u < pixels && fabsf(winner[i + u] - winner[i]) <= SAME_SURFACE;
    const int all = kept < FEWEST;
    float n = 0.0f, u1 = 0.0f, k1 = 0.0f, uk = 0.0f, uu = 0.0f;
    v->count = 0;
    for (int u = -r; u <= r; u++) {
        const int at = i + u;
        if (at < 0 || at >= pixels)
            continue;
        const int near = fabsf(winner[at] - winner[i]) <= SAME_SURFACE;
        if (!near && !all)
            continue;
        const float x = (float)u, rise = winner[at] - winner[i];
        if (near)
            n += 1.0f, u1 += x, k1 += rise, uk += x*rise, uu += x*x;
        v->pixel[v->count] = at;
        v->offset[v->count++] = (float)u;
    }
    v->padded = (v->count + PAD - 1)/PAD*PAD;
    for (int k = 0; k < v->padded; k++) {
        v->weight[k] = k < v->count ? 1.0f : 0.0f;
        if (k >= v->count)
            v->pixel[k] = v->pixel[0], v->offset[k] = v->offset[0];
    }
    const float step = (float)m->inverse_step, spread = n*uu - u1*u1, slope = spread > 0.0f ? (n*uk - u1*k1)/spread : 0.0f;
    v->lean = uu > 0.0f ? uk/uu*step : 0.0f;
    v->level = (k1 - slope*u1)/n*step;  // n: the pixel itself at least
}

static inline int inside(const window *v, int other)
{
    const float a = v->place[0], b = v->place[v->count - 1], last = (float)(other - 1);
    return a >= 0.0f && b >= 0.0f && a <= last && b <= last;  // places run one way
}

// Places in the other view for q; 0 if the window leaves it.
static inline int project(const lr_matcher *m, int from, double q, window *v)
{
    const match_side *side = &m->side[from];
    const float scale = (float)(side->above*side->cells_per_tangent), start = (float)side->tangent_lo;
    float at[MOST];
    int cell[MOST];
    for (int n = 0; n < v->padded; n++) {
        const float secant = side->secant[v->pixel[n]];
        at[n] = (side->tangent[v->pixel[n]] - start)*(float)side->cells_per_tangent + scale*secant*((float)q + v->lean*v->offset[n]);
        v->per_q[n] = scale*secant;
    }
    for (int n = 0; n < v->padded; n++)
        if (!(at[n] >= 0.0f && at[n] < LR_MATCH_CELLS))
            return 0;
    for (int n = 0; n < v->padded; n++)
        cell[n] = (int)at[n];
    for (int n = 0; n < v->padded; n++) {
        const float a = side->place[cell[n]], step = side->place[cell[n] + 1] - a;
        v->place[n] = a + step*(at[n] - (float)cell[n]);
        v->per_q[n] *= step;
    }
    return inside(v, m->side[1 - from].pixels);
}

// Places after a step of q, by their slopes: over the candidate or two that a refinement moves they bend by under 0.002 pixels.
static inline int advance(float step, int other, window *v)
{
    for (int n = 0; n < v->padded; n++)
        v->place[n] += v->per_q[n]*step;
    return inside(v, other);
}

// Change of place from one pixel of the reference to the next, from the window's ends.
static inline float stretch_of(const window *v)
{
    const int end = v->count - 1;
    return (v->place[end] - v->place[0])/(v->offset[end] - v->offset[0]);
}

static inline int make_drive(const float *signal, const float *slope, window *v)
{
    const float stretch = stretch_of(v), n = (float)v->count;
    float a_sum = 0.0f, d_sum = 0.0f, aa = 0.0f, ad = 0.0f;
    if (!(fabsf(stretch) > 0.05f))
        return 0;
    for (int k = 0; k < v->padded; k++) {
        v->a[k] = signal[v->pixel[k]]*v->weight[k];
        v->drive[k] = slope[v->pixel[k]]*v->per_q[k]/stretch*v->weight[k];
    }
    for (int k = 0; k < v->count; k++)
        a_sum += v->a[k], d_sum += v->drive[k];
    for (int k = 0; k < v->padded; k++) {
        v->a[k] -= a_sum/n*v->weight[k];
        v->drive[k] -= d_sum/n*v->weight[k];
    }
    for (int k = 0; k < v->count; k++)
        aa += v->a[k]*v->a[k], ad += v->a[k]*v->drive[k];
    v->a_mean = a_sum/n;
    v->a_power = aa;
    v->power = 0.0f;
    for (int k = 0; k < v->padded; k++)
        v->drive[k] -= aa > 0.0f ? ad/aa*v->a[k] : 0.0f;
    for (int k = 0; k < v->count; k++)
        v->power += v->drive[k]*v->drive[k];
    return v->power > 0.0f && aa > 0.0f;
}

// The other view at the window's places.
static inline void sample(const float *c, int count, const window *v, float *b)
{
    int cell[MOST];
    for (int k = 0; k < v->padded; k++) {
        const int i = (int)v->place[k];
        cell[k] = i < 1 ? 1 : i > count - 3 ? count - 3 : i;
    }
    for (int k = 0; k < v->padded; k++) {
        const float t = v->place[k] - (float)cell[k], s = 1.0f - t;
        b[k] = (s*s*s*c[cell[k] - 1] + (3.0f*t*t*t - 6.0f*t*t + 4.0f)*c[cell[k]] + (3.0f*s*s*s - 6.0f*s*s + 4.0f)*c[cell[k] + 1] + t*t*t*c[cell[k] + 2])
               *(1.0f/6.0f)*v->weight[k];
    }
}

typedef struct answer {  // of one round
    float step;              // of q; free of what the winners say
    float gain, rest;        // mean square that gain, offset and step leave
    float noise, fixed;      // variance expected: of light and reading, and of gain from pixel to pixel, which is the same in every line
    float likeness;
} answer;

static inline answer solve(const float *spline, int count, const window *v)
{
    float b[MOST], b_sum = 0.0f, ab = 0.0f, db = 0.0f, bb = 0.0f;
    sample(spline, count, v, b);
    for (int k = 0; k < v->count; k++)
        b_sum += b[k];
    b_sum /= (float)v->count;
    for (int k = 0; k < v->count; k++) {
        b[k] -= b_sum;
        ab += v->a[k]*b[k];
        db += v->drive[k]*b[k];
        bb += b[k]*b[k];
    }
    const float gain = ab/v->a_power, rest = bb - ab*ab/v->a_power - db*db/v->power, g2 = gain*gain;
    return (answer){.step = gain > GAIN_LEAST ? -db/(gain*v->power) : 0.0f, .gain = gain, .rest = fmaxf(rest, 0.0f)/fmaxf((float)v->count - 3.0f, 1.0f),
                    .noise = LR_MATCH_NOISE*(1.0f + g2), .fixed = FIXED_VARIANCE*(g2*v->a_mean*v->a_mean + b_sum*b_sum),
                    .likeness = ab/sqrtf(fmaxf(v->a_power*bb, 1e-12f))};
}

// Information on q [1/q^2]: of the intensities, whose noise is at least what is expected and more where they do not fit (speckle and a
// bent surface leave more: what is left tells), and of the winners.
static inline float light_information(const window *v, const answer *a)
{
    return a->gain > GAIN_LEAST ? a->gain*a->gain*v->power/fmaxf(a->rest, a->noise + a->fixed) : 0.0f;
}

static inline float winners_information(const lr_matcher *m)
{
    const float error = (float)(m->def.winners_error*m->inverse_step);
    return 1.0f/(error*error);
}

// Share of the intensities' error variance that neighbouring lines have in common: all of what gain from pixel to pixel makes, and half
// of what does not fit at all.
static inline float repeating(const answer *a)
{
    const float plain = FIT_PLAIN*FIT_PLAIN*a->noise, odd = a->rest > plain ? FIT_REPEATS*(1.0f - plain/a->rest) : 0.0f;
    return fmaxf(a->fixed/fmaxf(a->rest, a->noise + a->fixed), odd);
}

LR_MATCH_FAST static void refine_pixel(const lr_matcher *m, lr_match_work *w, int from, int line, int i)
{
    const int pixels = m->side[from].pixels, other = m->side[1 - from].pixels;
    const size_t row = (size_t)line*(size_t)pixels;
    const float *spline = w->spline[1 - from] + (size_t)line*(size_t)other;
    const float *winner = w->winner[from] + row;
    lr_match_clue *clue = &w->clue[from][row + (size_t)i];
    window v;
    choose_samples(m, winner, pixels, i, &v);
    const double start = (double)winner[i]*m->inverse_step, reach = (double)MOVE_MAX*m->inverse_step, line_q = start + (double)v.level;
    const float known = winners_information(m);
    double q = line_q;
    answer a = {.gain = 1.0f};
    float light = 0.0f;
    int good = v.count >= 3 && project(m, from, q, &v) && make_drive(w->mean[from] + row, w->slope[from] + row, &v);
    for (int round = 0; good && round < ROUNDS; round++) {
        a = solve(spline, other, &v);
        light = light_information(&v, &a);
        const float step = (light*a.step + known*(float)(line_q - q))/(light + known);
        q += (double)step;
        good = fabs(q - start) <= reach && advance(step, other, &v);
    }
    float per_q = 0.0f;
    const float place = lr_match_partner(&m->side[from], i, good ? q : start, &per_q);
    w->inverse[from][row + (size_t)i] = (float)(good ? q : start);
    clue->moved_px = good ? (float)fabs(q - start)*fabsf(per_q) : 2.0f*MOVE_MAX;
    clue->likeness = good ? a.likeness : 0.0f;
    clue->fit = good ? sqrtf(a.rest/a.noise) : 10.0f;
    clue->sigma_px = good ? fabsf(per_q)/sqrtf(light + known) : 10.0f;
    clue->common_px = good ? fabsf(per_q)*sqrtf(light*repeating(&a) + known)/(light + known) : 10.0f;
    if (!(place >= 0.0f))
        w->inverse[from][row + (size_t)i] = (float)NAN;
}

void lr_match_refine(const lr_matcher *m, lr_match_work *w, int from, int line)
{
    const int pixels = m->side[from].pixels;
    const size_t row = (size_t)line*(size_t)pixels;
    for (int i = 0; i < pixels; i++)
        if (isfinite(w->winner[from][row + (size_t)i]))
            refine_pixel(m, w, from, line, i);
        else
            w->inverse[from][row + (size_t)i] = (float)NAN;
}

// Distance in pixels from the straight line through the neighbours at two pixels on either side.
static float roughness(const float *inverse, int pixels, int i, float per_q)
{
    if (i < 2 || i > pixels - 3 || !isfinite(inverse[i - 2]) || !isfinite(inverse[i + 2]))
        return 4.0f;
    return fabsf(per_q*(inverse[i] - 0.5f*(inverse[i - 2] + inverse[i + 2])));
}

// Fills the clues that need both maps.
void lr_match_compare(const lr_matcher *m, lr_match_work *w, int from, int line)
{
    const int pixels = m->side[from].pixels, other = m->side[1 - from].pixels;
    const size_t row = (size_t)line*(size_t)pixels, there = (size_t)line*(size_t)other;
    for (int i = 0; i < pixels; i++) {
        const float q = w->inverse[from][row + (size_t)i];
        lr_match_clue *clue = &w->clue[from][row + (size_t)i];
        float per_q = 0.0f, unused;
        if (!isfinite(q))
            continue;
        const float place = lr_match_partner(&m->side[from], i, (double)q, &per_q);
        const int j = place >= 0.0f ? (int)(place + 0.5f) : -1;
        clue->rough_px = roughness(w->inverse[from] + row, pixels, i, per_q);
        clue->apart_px = 100.0f;
        // The other map at the nearest pixel, or a neighbour of it where that has no match.
        for (int d = -1; d <= 1; d++) {
            const int at = j + d;
            const float back = j >= 0 && at >= 0 && at < other ? w->inverse[1 - from][there + (size_t)at] : (float)NAN;
            const float apart = isfinite(back) ? fabsf(lr_match_partner(&m->side[1 - from], at, (double)back, &unused) - (float)i - ((float)at - place)) : 100.0f;
            if (apart < clue->apart_px)
                clue->apart_px = apart;
        }
        const int upper = from == 0 ? i : j < 0 ? 0 : j >= other ? other - 1 : j;
        const size_t at_upper = (size_t)line*(size_t)m->side[0].pixels + (size_t)upper;
        const int k = w->choice[at_upper];
        clue->margin = (float)w->margin[0][at_upper];
        clue->cost = (float)lr_match_row(w->cost + (size_t)line*(size_t)m->side[0].pixels*(size_t)m->stride, m, upper)[k < 0 ? 0 : k];
    }
}

// Error of a sum over lines whose noise went through the same 1:4:6:4:1 mean, and so is alike to these shares between lines.
static float averaged_sigma(const float share[2*LR_MATCH_SMOOTH + 1])
{
    static const float alike[2*LR_MATCH_SMOOTH + 1] = {1.0f, 56.0f/70.0f, 28.0f/70.0f, 8.0f/70.0f, 1.0f/70.0f, 0.0f, 0.0f};
    float square = 0.0f;
    for (int a = 0; a < 2*LR_MATCH_SMOOTH + 1; a++)
        for (int b = 0; b < 2*LR_MATCH_SMOOTH + 1; b++)
            square += share[a]*share[b]*alike[a > b ? a - b : b - a];
    return sqrtf(square);
}

// Averages each match with those of the neighbouring lines that agree with it within their errors, nearer lines counting more. On a
// surface the range hardly bends from line to line, while the noise does not repeat. out: (pixels) of inverse range; sigma: (pixels)
// its error in pixels of disparity.
void lr_match_smooth(const lr_matcher *m, lr_match_work *w, int from, int line, int first, int end, float *out, float *sigma)
{
    const int pixels = m->side[from].pixels;
    for (int i = 0; i < pixels; i++) {
        const size_t at = (size_t)line*(size_t)pixels + (size_t)i;
        const float q = w->inverse[from][at];
        lr_match_clue *clue = &w->clue[from][at];
        float per_q = 1.0f, sum = 0.0f, weight = 0.0f, others = 0.0f, other_sum = 0.0f, share[2*LR_MATCH_SMOOTH + 1] = {0}, repeated = 0.0f;
        out[i] = isfinite(q) && clue->apart_px <= LR_MATCH_APART_PX ? q : (float)NAN;
        clue->across_px = 4.0f;
        if (isnan(out[i]))
            continue;
        (void)lr_match_partner(&m->side[from], i, (double)q, &per_q);
        for (int l = line - LR_MATCH_SMOOTH; l <= line + LR_MATCH_SMOOTH; l++) {
            if (l < first || l >= end)
                continue;
            const size_t there = (size_t)l*(size_t)pixels + (size_t)i;
            const float r = w->inverse[from][there], s = w->clue[from][there].sigma_px, gap = fabsf((r - q)*per_q);
            if (!(w->clue[from][there].apart_px <= LR_MATCH_APART_PX) || !(gap < 4.0f))
                continue;
            const float t = (float)(LR_MATCH_SMOOTH + 1 - (l > line ? l - line : line - l))/(s*s + 1e-4f);
            if (l != line)
                others += t, other_sum += t*r;
            if (gap <= 3.0f*sqrtf(s*s + clue->sigma_px*clue->sigma_px) + 0.05f)
                sum += t*r, weight += t, share[l - line + LR_MATCH_SMOOTH] = t*s, repeated += t*w->clue[from][there].common_px*w->clue[from][there].common_px;
        }
        if (others > 0.0f)
            clue->across_px = fminf(fabsf((other_sum/others - q)*per_q), 4.0f);
        if (weight > 0.0f) {
            out[i] = sum/weight;
            sigma[i] = sqrtf(averaged_sigma(share)*averaged_sigma(share)/(weight*weight) + repeated/weight);
        }
    }
}
