// SPDX-License-Identifier: Apache-2.0
// Sub-pixel refinement. In a window of the reference a(u), the other view is b(j(u, q)) with q the inverse range, and
//   b = gain a + offset + noise.
// A step of q moves b by (da/du)/(dj/du) dj/dq gain. Least squares for gain, offset and step, with da/du taken from the
// reference: at whole pixels the noise of a and of its derivative are uncorrelated, so the answer is not drawn to any phase.
// Where there is little light that answer is worse than what smoothing knew already: the straight line through the winners of the
// window. So both are weighed by their information, the rule of Bayes for two independent Gaussians.
#include <math.h>
#include <string.h>

#include "core/wide.h"
#include "depth/match_body.h"

#define BESIDE LR_MATCH_BESIDE
#define REACH LR_MATCH_REACH
#define MOST (2*REACH + 1)   // samples of a window
#define WIDTH (BESIDE + 2*REACH)
#define ROUNDS 2
#define SAME_SURFACE 3       // candidates a neighbour may differ and still belong
#define FEWEST 5             // samples; with fewer on the same surface all are taken
#define MOVE_MAX 2.0f        // candidates the refinement may go
#define UNREFINED_PX 0.7f     // error of a winner that is not refined, as where the window leaves the other view: measured 0.2 to 0.8 rms in the demo rooms
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

// BESIDE pixels of a line and REACH on either side. Outside the line `on` is 0 and there are no winners.
typedef struct cut {
    float on[WIDTH], winner[WIDTH], signal[WIDTH], slope[WIDTH];
    float zero[WIDTH], turn[WIDTH];  // cell of the other view's table at no inverse range, and its change by q
} cut;

// The windows of BESIDE pixels, one lane each. A sample that a lane leaves out has no weight, and adds nothing.
typedef struct windows {
    int samples;
    float weight[MOST][BESIDE];      // 1 or 0
    float a[MOST][BESIDE], b[MOST][BESIDE];  // reference; other view
    float place[MOST][BESIDE], per_q[MOST][BESIDE];  // pixel in the other view and its change by q
    float tap[MOST][BESIDE][4];      // coefficients of the other view around it
    int cell[MOST][BESIDE];          // the second of them
    float drive[MOST][BESIDE];       // change of b by q over the gain, free of offset and gain
    float power[BESIDE];             // sum of drive^2
    float a_mean[BESIDE], a_power[BESIDE];
    float count[BESIDE];             // samples
    float lean[BESIDE];              // change of q by pixel along the line
    float level[BESIDE];             // q of the line through the neighbours' winners, less that of the pixel's own winner
    float end_offset[2][BESIDE], end_place[2][BESIDE], end_per_q[2][BESIDE];  // of the first and the last sample
    int good[BESIDE];                // so far
} windows;

typedef struct answers {     // of one round
    float step[BESIDE];          // of q; free of what the winners say
    float gain[BESIDE], rest[BESIDE];    // mean square that gain, offset and step leave
    float noise[BESIDE], fixed[BESIDE];  // variance expected: of light and reading, and of gain from pixel to pixel, which is the same in every line
    float likeness[BESIDE];
    float light[BESIDE];         // information on q [1/q^2] of the intensities
    double start[BESIDE], q[BESIDE];     // of the winner; found
    int good[BESIDE];                    // else the winner stays
    float place[BESIDE], per_q[BESIDE];  // in the other view
} answers;

static inline float larger(float a, float b) { return a > b ? a : b; }  // unlike fmaxf, in vectors too

static inline void cut_out(const match_side *side, const lr_match_work *w, int first, cut *c)
{
    memcpy(c->on, side->on + first, sizeof c->on);
    memcpy(c->zero, side->zero + first, sizeof c->zero);
    memcpy(c->turn, side->turn + first, sizeof c->turn);
    memcpy(c->winner, w->around[0] + first, sizeof c->winner);
    memcpy(c->signal, w->around[1] + first, sizeof c->signal);
    memcpy(c->slope, w->around[2] + first, sizeof c->slope);
}

// Neighbours of the same surface, and the straight line through their candidates.
static inline void choose_samples(const lr_matcher *m, const cut *c, windows *v)
{
    const int r = m->def.refine_window;
    const float step = (float)m->inverse_step;
    float n[BESIDE] = {0}, u1[BESIDE] = {0}, k1[BESIDE] = {0}, uk[BESIDE] = {0}, uu[BESIDE] = {0};
    v->samples = 2*r + 1;
    for (int s = 0; s < v->samples; s++) {
        const float x = (float)(s - r);
        const float *around = c->winner + REACH - r + s;
        for (int p = 0; p < BESIDE; p++) {
            const float rise = around[p] - c->winner[REACH + p];
            const float near = fabsf(rise) <= SAME_SURFACE ? 1.0f : 0.0f, up = fabsf(rise) <= SAME_SURFACE ? rise : 0.0f;
            v->weight[s][p] = near;
            n[p] += near;
            u1[p] += x*near;
            k1[p] += up;
            uk[p] += x*up;
            uu[p] += x*x*near;
        }
    }
    for (int p = 0; p < BESIDE; p++) {
        const float spread = n[p]*uu[p] - u1[p]*u1[p], slope = spread > 0.0f ? (n[p]*uk[p] - u1[p]*k1[p])/spread : 0.0f;
        v->lean[p] = uu[p] > 0.0f ? uk[p]/uu[p]*step : 0.0f;
        v->level[p] = (k1[p] - slope*u1[p])/n[p]*step;  // n: the pixel itself at least, where it has a winner
        v->count[p] = 0.0f;
    }
    for (int s = 0; s < v->samples; s++)
        for (int p = 0; p < BESIDE; p++) {
            const float all = c->on[REACH - r + s + p], near = v->weight[s][p], weight = n[p] < FEWEST ? all : near;
            v->weight[s][p] = weight;
            v->count[p] += weight;
        }
}

// Whether the windows' ends lie in the other view. Places run one way.
static inline void keep_inside(int other, windows *v)
{
    const float last = (float)(other - 1);
    for (int p = 0; p < BESIDE; p++) {
        const float a = v->end_place[0][p], b = v->end_place[1][p];
        v->good[p] &= (a >= 0.0f) & (b >= 0.0f) & (a <= last) & (b <= last);
    }
}

// Sample `s`, `x` pixels off, as the windows' end `end` so far.
static inline void keep_end(windows *v, int s, int x, int end)
{
    const float *weight = v->weight[s], *place = v->place[s], *per_q = v->per_q[s];
    float *end_place = v->end_place[end], *end_per_q = v->end_per_q[end], *end_offset = v->end_offset[end];
    for (int p = 0; p < BESIDE; p++) {
        const int kept = weight[p] > 0.0f;
        const float a = end_place[p], b = end_per_q[p], o = end_offset[p], a1 = place[p], b1 = per_q[p];
        end_place[p] = kept ? a1 : a;
        end_per_q[p] = kept ? b1 : b;
        end_offset[p] = kept ? (float)x : o;
    }
}

// Places in the other view for q; a window that leaves it is not good.
static inline void project(const lr_matcher *m, int from, const cut *c, const double *q, windows *v)
{
    const float *table = m->side[from].place;
    const int r = m->def.refine_window;
    float q0[BESIDE];
    for (int p = 0; p < BESIDE; p++)
        q0[p] = (float)q[p];
    for (int s = 0; s < v->samples; s++) {
        const float x = (float)(s - r), *zero = c->zero + REACH - r + s, *turn = c->turn + REACH - r + s;
        const float *weight = v->weight[s];
        float at[BESIDE];
        for (int p = 0; p < BESIDE; p++) {
            const float wanted = zero[p] + turn[p]*(q0[p] + v->lean[p]*x);
            const int in = (wanted >= 0.0f) & (wanted < LR_MATCH_CELLS), kept = weight[p] > 0.0f;
            v->good[p] &= in | !kept;
            at[p] = in & kept ? wanted : 0.0f;
        }
        float pair[BESIDE][2];
        for (int p = 0; p < BESIDE; p++)
            memcpy(pair[p], table + (int)at[p], sizeof pair[p]);
        for (int p = 0; p < BESIDE; p++) {
            const float a = pair[p][0], step = pair[p][1] - a;
            v->place[s][p] = a + step*(at[p] - (float)(int)at[p]);
            v->per_q[s][p] = turn[p]*step;
        }
    }
    for (int s = 0; s < v->samples; s++)
        keep_end(v, s, s - r, 1);
    for (int s = v->samples - 1; s >= 0; s--)
        keep_end(v, s, s - r, 0);
    keep_inside(m->side[1 - from].pixels, v);
}

static inline void make_drive(const lr_matcher *m, const cut *c, windows *v)
{
    const int r = m->def.refine_window;
    float stretch[BESIDE], a_sum[BESIDE] = {0}, d_sum[BESIDE] = {0}, aa[BESIDE] = {0}, ad[BESIDE] = {0}, power[BESIDE] = {0};
    for (int p = 0; p < BESIDE; p++) {  // change of place from one pixel of the reference to the next, from the window's ends
        stretch[p] = (v->end_place[1][p] - v->end_place[0][p])/(v->end_offset[1][p] - v->end_offset[0][p]);
        v->good[p] &= fabsf(stretch[p]) > 0.05f;
    }
    for (int s = 0; s < v->samples; s++) {
        const float *signal = c->signal + REACH - r + s, *slope = c->slope + REACH - r + s;
        for (int p = 0; p < BESIDE; p++) {
            v->a[s][p] = signal[p]*v->weight[s][p];
            v->drive[s][p] = slope[p]*v->per_q[s][p]/stretch[p]*v->weight[s][p];
            a_sum[p] += v->a[s][p];
            d_sum[p] += v->drive[s][p];
        }
    }
    for (int p = 0; p < BESIDE; p++)
        v->a_mean[p] = a_sum[p]/v->count[p], d_sum[p] /= v->count[p];
    for (int s = 0; s < v->samples; s++)
        for (int p = 0; p < BESIDE; p++) {
            v->a[s][p] -= v->a_mean[p]*v->weight[s][p];
            v->drive[s][p] -= d_sum[p]*v->weight[s][p];
            aa[p] += v->a[s][p]*v->a[s][p];
            ad[p] += v->a[s][p]*v->drive[s][p];
        }
    for (int p = 0; p < BESIDE; p++)
        ad[p] = aa[p] > 0.0f ? ad[p]/aa[p] : 0.0f;
    for (int s = 0; s < v->samples; s++)
        for (int p = 0; p < BESIDE; p++) {
            v->drive[s][p] -= ad[p]*v->a[s][p];
            power[p] += v->drive[s][p]*v->drive[s][p];
        }
    for (int p = 0; p < BESIDE; p++) {
        v->a_power[p] = aa[p];
        v->power[p] = power[p];
        v->good[p] &= (power[p] > 0.0f) & (aa[p] > 0.0f);
    }
}

// The other view at the windows' places, moved by a step of q by their slopes: over the candidate or two that a refinement moves they bend
// by under 0.002 pixels. Lanes that are not good may ask for any place.
static inline void sample(const float *spline, int count, const float *step, windows *v)
{
    const float least = 1.0f, most = (float)(count - 3);
    for (int s = 0; s < v->samples; s++)
        for (int p = 0; p < BESIDE; p++) {
            const float place = v->place[s][p] + v->per_q[s][p]*step[p], low = place > least ? place : least;
            v->place[s][p] = place;
            v->cell[s][p] = (int)(low < most ? low : most);
        }
    for (int s = 0; s < v->samples; s++)
        for (int p = 0; p < BESIDE; p++)
            memcpy(v->tap[s][p], spline + v->cell[s][p] - 1, sizeof v->tap[s][p]);
    for (int s = 0; s < v->samples; s++)
        for (int p = 0; p < BESIDE; p++) {
            const float *c = v->tap[s][p], t = v->place[s][p] - (float)v->cell[s][p], o = 1.0f - t;
            v->b[s][p] = (o*o*o*c[0] + (3.0f*t*t*t - 6.0f*t*t + 4.0f)*c[1] + (3.0f*o*o*o - 6.0f*o*o + 4.0f)*c[2] + t*t*t*c[3])*(1.0f/6.0f)*v->weight[s][p];
        }
}

static inline void solve(const lr_matcher *m, windows *v, answers *out)
{
    float mean[BESIDE] = {0}, ab[BESIDE] = {0}, db[BESIDE] = {0}, bb[BESIDE] = {0};
    for (int s = 0; s < v->samples; s++)
        for (int p = 0; p < BESIDE; p++)
            mean[p] += v->b[s][p];
    for (int p = 0; p < BESIDE; p++)
        mean[p] /= v->count[p];
    for (int s = 0; s < v->samples; s++)
        for (int p = 0; p < BESIDE; p++) {
            const float b = v->b[s][p] - mean[p]*v->weight[s][p];
            ab[p] += v->a[s][p]*b;
            db[p] += v->drive[s][p]*b;
            bb[p] += b*b;
        }
    for (int p = 0; p < BESIDE; p++) {
        const float gain = ab[p]/v->a_power[p], g2 = gain*gain, rest = bb[p] - ab[p]*ab[p]/v->a_power[p] - db[p]*db[p]/v->power[p];
        out->step[p] = gain > GAIN_LEAST ? -db[p]/(gain*v->power[p]) : 0.0f;
        out->gain[p] = gain;
        out->rest[p] = larger(rest, 0.0f)/larger(v->count[p] - 3.0f, 1.0f);
        out->noise[p] = m->noise*(1.0f + g2);
        out->fixed[p] = FIXED_VARIANCE*(g2*v->a_mean[p]*v->a_mean[p] + mean[p]*mean[p]);
        out->likeness[p] = ab[p]/sqrtf(larger(v->a_power[p]*bb[p], 1e-12f));
        // Noise is at least what is expected and more where intensities do not fit: speckle and a bent surface leave more, and what is left tells.
        out->light[p] = gain > GAIN_LEAST ? g2*v->power[p]/larger(out->rest[p], out->noise[p] + out->fixed[p]) : 0.0f;
    }
}

static inline float winners_information(const lr_matcher *m)
{
    const float error = (float)(m->def.winners_error*m->inverse_step);
    return 1.0f/(error*error);
}

// Share of the intensities' error variance that neighbouring lines have in common: all of what gain from pixel to pixel makes, and half
// of what does not fit at all.
static inline float repeating(const answers *a, int p)
{
    const float plain = FIT_PLAIN*FIT_PLAIN*a->noise[p], odd = a->rest[p] > plain ? FIT_REPEATS*(1.0f - plain/a->rest[p]) : 0.0f;
    return larger(a->fixed[p]/larger(a->rest[p], a->noise[p] + a->fixed[p]), odd);
}

LR_WIDE_WHOLE static void refine_beside(const lr_matcher *m, const lr_match_work *w, const float *spline, int from, int first, answers *out)
{
    const int other = m->side[1 - from].pixels;
    const float known = winners_information(m);
    const double reach = (double)MOVE_MAX*m->inverse_step;
    double line_q[BESIDE];
    float step[BESIDE] = {0};
    cut c;
    windows v;
    answers a;
    cut_out(&m->side[from], w, first, &c);
    choose_samples(m, &c, &v);
    for (int p = 0; p < BESIDE; p++) {
        a.start[p] = (double)c.winner[REACH + p]*m->inverse_step;
        a.q[p] = line_q[p] = a.start[p] + (double)v.level[p];
        v.good[p] = v.count[p] >= 3.0f;
    }
    project(m, from, &c, a.q, &v);
    make_drive(m, &c, &v);
    for (int round = 0; round < ROUNDS; round++) {
        sample(spline, other, step, &v);
        solve(m, &v, &a);
        for (int p = 0; p < BESIDE; p++) {
            step[p] = (a.light[p]*a.step[p] + known*(float)(line_q[p] - a.q[p]))/(a.light[p] + known);
            a.q[p] += (double)step[p];
            v.good[p] &= fabs(a.q[p] - a.start[p]) <= reach;
            v.end_place[0][p] += v.end_per_q[0][p]*step[p];
            v.end_place[1][p] += v.end_per_q[1][p]*step[p];
        }
        keep_inside(other, &v);
    }
    for (int p = 0; p < BESIDE; p++) {
        a.good[p] = v.good[p];
        a.q[p] = v.good[p] ? a.q[p] : a.start[p];
    }
    lr_match_partners(&m->side[from], first, a.q, a.place, a.per_q);
    *out = a;
}

static void keep_answer(lr_match_work *w, int from, size_t at, const answers *a, int p, float known)
{
    const int good = a->good[p];
    const float light = a->light[p], per_q = fabsf(a->per_q[p]);
    lr_match_clue *clue = &w->clue[from][at];
    w->inverse[from][at] = a->place[p] >= 0.0f ? (float)a->q[p] : (float)NAN;
    clue->moved_px = good ? (float)fabs(a->q[p] - a->start[p])*per_q : 2.0f*MOVE_MAX;
    clue->likeness = good ? a->likeness[p] : 0.0f;
    clue->fit = good ? sqrtf(a->rest[p]/a->noise[p]) : 10.0f;
    w->sigma[from][at] = good ? per_q/sqrtf(light + known) : UNREFINED_PX;
    w->common[from][at] = good ? per_q*sqrtf(light*repeating(a, p) + known)/(light + known) : UNREFINED_PX;
    clue->sigma_px = good ? w->sigma[from][at] : 10.0f;
    clue->common_px = good ? w->common[from][at] : 10.0f;
}

// The line with REACH pixels before it and more behind, so that windows need not ask where it ends.
static void set_around(const lr_matcher *m, lr_match_work *w, int from, size_t row)
{
    const size_t pixels = (size_t)m->side[from].pixels, behind = REACH + BESIDE;
    const float *in[3] = {w->winner[from] + row, w->mean[from] + row, w->slope[from] + row};
    for (int k = 0; k < 3; k++) {
        float *out = w->around[k];
        memcpy(out + REACH, in[k], pixels*sizeof *out);
        for (size_t i = 0; i < REACH; i++)
            out[i] = k == 0 ? (float)NAN : 0.0f;
        for (size_t i = 0; i < behind; i++)
            out[REACH + pixels + i] = k == 0 ? (float)NAN : 0.0f;
    }
}

static int any_winner(const float *winner)
{
    int any = 0;
    for (int p = 0; p < BESIDE; p++)
        any |= isfinite(winner[p]);
    return any;
}

void lr_match_refine(const lr_matcher *m, lr_match_work *w, int from, int line)
{
    const int pixels = m->side[from].pixels;
    const size_t row = (size_t)line*(size_t)pixels;
    const float known = winners_information(m), *spline = w->spline[1 - from] + (size_t)line*(size_t)m->side[1 - from].pixels;
    set_around(m, w, from, row);
    for (int first = 0; first < pixels; first += BESIDE) {
        answers a;
        if (any_winner(w->around[0] + REACH + first))
            refine_beside(m, w, spline, from, first, &a);
        for (int p = 0; p < BESIDE && first + p < pixels; p++)
            if (isfinite(w->around[0][REACH + first + p]))
                keep_answer(w, from, row + (size_t)(first + p), &a, p, known);
            else
                w->inverse[from][row + (size_t)(first + p)] = (float)NAN;
    }
}
