// SPDX-License-Identifier: Apache-2.0
// The fan's power per angle, tabulated once: at evenly spaced nodes the density and the exact cumulative (erf sums), and
// between them the cubic that has both. With 32 nodes over a dot's 1/e^2 width the cubic misses the sum of Gaussians by
// less than 1e-6 of a dot's power, far below what a pixel can tell, and density and cumulative agree exactly with each other.
//
// Where random dots sit: one dot in each of `count` equal cells, off its centre by up to jitter/2 cells to either side.
// Two neighbours are then never closer than (1 - jitter) cells (no dots that merge), and no stretch of the fan stays dark.
// A window is told apart from all others by its gaps and brightnesses: two windows of five dots have gaps alike to within
// a tenth of a cell in (0.2^4)/(3 jitter^4), 1 of 770, of all pairs, and to a twentieth in 1 of 12,000; each dot more
// divides that by about 5 or 10, and brightness helps. Evenly spaced dots (jitter 0) are all alike, hence the jitter.
#include "optics/dots.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>

#include "core/rng.h"
#include "core/vec.h"
#include "core/wide.h"

#define NODES_PER_DOT 32          // see above; the error falls with its fourth power
#define NODES_LEAST 1024          // envelopes without dots
#define NODES_MOST (1 << 22)      // 64 MB of table; a finer pattern is refused
#define NARROW 1e-3               // of a stretch: over it D bends by less than the difference of two C near 1 would lose
#define DOT_REACH 8.0             // sigmas tabulated; beyond lies 1e-15 of a dot

typedef struct node { double cumulative, density; } node;

struct lr_dots {
    double half_rad, step_rad, per_step;   // per_step: 1/step
    int nodes;                    // stretches + 1
    node *node;                   // (nodes)
    double *cumulative, *density; // (nodes) while it is made
    double *envelope;             // p [1/rad]: what m is relative to (nodes)
    int count;
    double *alpha_rad, *share;    // (count), rising
};

lr_dots_def lr_dots_def_default(void)
{
    return (lr_dots_def){.half_fan_rad = 30.0*LR_DEG, .count = 0, .seed = 1, .size_rad = 1.2e-3, .jitter = 0.8, .spread = 0.3};
}

// ---- Check ------------------------------------------------------------------------------------------------------

static int has_dots(const lr_dots_def *def) { return def->count > 0 || def->listed > 0 || def->zero_order > 0.0; }

static lr_status check_power_table(const char *name, const lr_table *table, double half_rad, lr_error *err)
{
    for (int i = 0; i < table->count; i++)
        if (!(table->y[i] >= 0.0) || !isfinite(table->y[i]))
            return lr_fail(err, LR_ERR_RANGE, "%s: %g is not 0 or more", name, table->y[i]);
    if (table->count > 0 && !(lr_table_integral(table, -half_rad, half_rad) > 0.0))
        return lr_fail(err, LR_ERR_RANGE, "%s: no power inside the fan", name);
    return LR_OK;
}

static lr_status check_list(const lr_dots_def *def, lr_error *err)
{
    double sum = 0.0;
    if (def->listed > 0 && (!def->alpha_rad || !def->weight))
        return lr_fail(err, LR_ERR_RANGE, "listed: %d dots without their places or weights", def->listed);
    for (int i = 0; i < def->listed; i++) {
        if (!(fabs(def->alpha_rad[i]) <= def->half_fan_rad))
            return lr_fail(err, LR_ERR_RANGE, "alpha_rad[%d]: %g is outside the fan of +-%g", i, def->alpha_rad[i], def->half_fan_rad);
        if (!(def->weight[i] >= 0.0) || !isfinite(def->weight[i]))
            return lr_fail(err, LR_ERR_RANGE, "weight[%d]: %g is not 0 or more", i, def->weight[i]);
        sum += def->weight[i];
    }
    if (def->listed > 0 && !(sum > 0.0))
        return lr_fail(err, LR_ERR_RANGE, "weight: all %d are 0", def->listed);
    return LR_OK;
}

lr_status lr_dots_def_check(const lr_dots_def *def, lr_error *err)
{
    assert(def);
    if (!(def->half_fan_rad > 0.0 && def->half_fan_rad <= 0.5*LR_PI))
        return lr_fail(err, LR_ERR_RANGE, "half_fan_rad: %g is not in (0, pi/2]", def->half_fan_rad);
    if (!(def->count >= 0 && def->count <= 100000))
        return lr_fail(err, LR_ERR_RANGE, "count: %d is not in 0 .. 100000", def->count);
    if (!(def->listed >= 0 && def->listed <= 100000))
        return lr_fail(err, LR_ERR_RANGE, "listed: %d is not in 0 .. 100000", def->listed);
    if (has_dots(def) && !(def->size_rad > 0.0 && isfinite(def->size_rad)))
        return lr_fail(err, LR_ERR_RANGE, "size_rad: %g is not above 0", def->size_rad);
    if (has_dots(def) && !(2.0*def->half_fan_rad/def->size_rad*NODES_PER_DOT < NODES_MOST))
        return lr_fail(err, LR_ERR_RANGE, "size_rad: %g is not above %g, the finest for this fan", def->size_rad,
                       2.0*def->half_fan_rad*NODES_PER_DOT/NODES_MOST);
    if (!(def->jitter >= 0.0 && def->jitter <= 1.0))
        return lr_fail(err, LR_ERR_RANGE, "jitter: %g is not in [0, 1]", def->jitter);
    if (!(def->spread >= 0.0 && def->spread <= 1.0))
        return lr_fail(err, LR_ERR_RANGE, "spread: %g is not in [0, 1]", def->spread);
    if (!(def->zero_order >= 0.0 && def->zero_order < 1.0))
        return lr_fail(err, LR_ERR_RANGE, "zero_order: %g is not in [0, 1)", def->zero_order);
    if (!(def->background >= 0.0 && def->background <= 1.0))
        return lr_fail(err, LR_ERR_RANGE, "background: %g is not in [0, 1]", def->background);
    if (!(def->zero_order + def->background <= 1.0 + 1e-12))
        return lr_fail(err, LR_ERR_RANGE, "zero_order + background: %g is above 1", def->zero_order + def->background);
    LR_TRY(check_power_table("envelope", &def->envelope, def->half_fan_rad, err));
    LR_TRY(check_power_table("profile", &def->profile, def->half_fan_rad, err));
    return check_list(def, err);
}

// ---- Making the table -------------------------------------------------------------------------------------------

static double node_alpha(const lr_dots *dots, int i) { return -dots->half_rad + i*dots->step_rad; }

static double envelope_at(const lr_dots_def *def, double alpha_rad)
{
    return def->envelope.count > 0 ? lr_table_at(&def->envelope, alpha_rad) : 1.0;
}

// Share `power` of smooth light shaped like `table` (empty: even).
static void add_smooth(lr_dots *dots, const lr_table *table, double power, double *density, double *cumulative)
{
    const double h = dots->half_rad;
    const double whole = table->count > 0 ? lr_table_integral(table, -h, h) : 2.0*h;
    double sum = 0.0;
    for (int i = 0; i < dots->nodes; i++) {
        const double a = node_alpha(dots, i);
        if (i > 0)
            sum += table->count > 0 ? lr_table_integral(table, a - dots->step_rad, a) : dots->step_rad;
        density[i] += power*(table->count > 0 ? lr_table_at(table, a) : 1.0)/whole;
        if (cumulative)
            cumulative[i] += power*sum/whole;
    }
}

// One Gaussian dot. Nodes beyond its reach have all of it: `jump` holds that, to be summed up at the end.
static void add_dot(lr_dots *dots, double alpha_rad, double sigma_rad, double power, double *jump)
{
    const double place = (alpha_rad + dots->half_rad)/dots->step_rad, reach = DOT_REACH*sigma_rad/dots->step_rad;
    const int first = (int)fmax(0.0, floor(place - reach)), last = (int)fmin(dots->nodes - 1, ceil(place + reach));
    for (int i = first; i <= last; i++) {
        const double u = (node_alpha(dots, i) - alpha_rad)/sigma_rad;
        dots->density[i] += power/(sqrt(2.0*LR_PI)*sigma_rad)*exp(-0.5*u*u);
        dots->cumulative[i] += 0.5*power*erfc(-u*sqrt(0.5));
    }
    if (last + 1 < dots->nodes)
        jump[last + 1] += power;
}

// Random places and weights; the weight follows the envelope at the place.
static void random_dots(lr_dots *dots, const lr_dots_def *def)
{
    const uint32_t key[2] = {(uint32_t)def->seed, (uint32_t)(def->seed >> 32)};
    const double cell_rad = 2.0*def->half_fan_rad/def->count;
    for (int i = 0; i < def->count; i++) {
        const uint32_t counter[4] = {(uint32_t)i, 0, 0, 0x646f7473u};  // "dots": apart from other uses of the seed
        uint32_t random[4];
        lr_philox(key, counter, random);
        const double off = (random[0]*0x1p-32 - 0.5)*def->jitter, bright = 2.0*(random[1]*0x1p-32) - 1.0;
        dots->alpha_rad[i] = -def->half_fan_rad + (i + 0.5 + off)*cell_rad;
        dots->share[i] = (1.0 + def->spread*bright)*envelope_at(def, dots->alpha_rad[i]);
    }
}

static int compare_place(const void *a, const void *b)
{
    const double *x = a, *y = b;
    if (x[0] != y[0])
        return x[0] < y[0] ? -1 : 1;
    return (x[1] > y[1]) - (x[1] < y[1]);
}

static lr_status listed_dots(lr_dots *dots, const lr_dots_def *def, lr_error *err)
{
    double (*pair)[2] = malloc((size_t)def->listed*sizeof *pair);
    if (!pair)
        return lr_fail(err, LR_ERR_MEMORY, "dots: out of memory");
    for (int i = 0; i < def->listed; i++) {
        pair[i][0] = def->alpha_rad[i];
        pair[i][1] = def->weight[i]*envelope_at(def, def->alpha_rad[i]);
    }
    qsort(pair, (size_t)def->listed, sizeof *pair, compare_place);
    for (int i = 0; i < def->listed; i++) {
        dots->alpha_rad[i] = pair[i][0];
        dots->share[i] = pair[i][1];
    }
    free(pair);
    return LR_OK;
}

// Shares that sum to `power`; RANGE if the envelope leaves no dot any light.
static lr_status normalise(lr_dots *dots, double power, lr_error *err)
{
    double sum = 0.0;
    for (int i = 0; i < dots->count; i++)
        sum += dots->share[i];
    if (!(sum > 0.0))
        return lr_fail(err, LR_ERR_RANGE, "envelope: no dot has any light");
    for (int i = 0; i < dots->count; i++)
        dots->share[i] *= power/sum;
    return LR_OK;
}

// Cuts off what spills over the fan's edges: C from 0 to 1 exactly, and D with it.
static void clip_to_fan(lr_dots *dots)
{
    const int last = dots->nodes - 1;
    const double base = dots->cumulative[0], whole = dots->cumulative[last] - base;
    for (int i = 0; i <= last; i++) {
        dots->cumulative[i] = (dots->cumulative[i] - base)/whole;
        dots->density[i] /= whole;
    }
    dots->cumulative[last] = 1.0;
}

static lr_status fill(lr_dots *dots, const lr_dots_def *def, double *jump, lr_error *err)
{
    const double sigma_rad = 0.25*def->size_rad, dotted = fmax(0.0, 1.0 - def->zero_order - def->background);
    add_smooth(dots, &def->envelope, 1.0, dots->envelope, NULL);
    if (def->listed > 0)
        LR_TRY(listed_dots(dots, def, err));
    else if (def->count > 0)
        random_dots(dots, def);
    if (dots->count > 0)
        LR_TRY(normalise(dots, dotted, err));
    else  // a profile, or a plain line
        add_smooth(dots, def->profile.count > 0 ? &def->profile : &def->envelope, dotted, dots->density, dots->cumulative);
    add_smooth(dots, &def->envelope, def->background, dots->density, dots->cumulative);
    for (int i = 0; i < dots->count; i++)
        add_dot(dots, dots->alpha_rad[i], sigma_rad, dots->share[i], jump);
    if (def->zero_order > 0.0)
        add_dot(dots, 0.0, sigma_rad, def->zero_order, jump);
    double passed = 0.0;
    for (int i = 0; i < dots->nodes; i++) {
        passed += jump[i];
        dots->cumulative[i] += passed;
    }
    clip_to_fan(dots);
    for (int i = 0; i < dots->nodes; i++)
        dots->node[i] = (node){dots->cumulative[i], dots->density[i]};
    return LR_OK;
}

static int nodes_needed(const lr_dots_def *def)
{
    const double fan_rad = 2.0*def->half_fan_rad;
    const double stretches = has_dots(def) ? ceil(fan_rad/def->size_rad*NODES_PER_DOT) : 0.0;
    return 1 + (int)fmax(stretches, NODES_LEAST);
}

static void free_making(lr_dots *dots)
{
    free(dots->cumulative);
    free(dots->density);
    dots->cumulative = dots->density = NULL;
}

lr_status lr_dots_create(const lr_dots_def *def, lr_dots **out, lr_error *err)
{
    assert(def && out);
    *out = NULL;
    LR_TRY(lr_dots_def_check(def, err));
    lr_dots *dots = calloc(1, sizeof *dots);
    if (!dots)
        return lr_fail(err, LR_ERR_MEMORY, "dots: out of memory");
    dots->half_rad = def->half_fan_rad;
    dots->nodes = nodes_needed(def);
    dots->step_rad = 2.0*def->half_fan_rad/(dots->nodes - 1);
    dots->count = def->profile.count > 0 ? 0 : def->listed > 0 ? def->listed : def->count;
    const size_t nodes = (size_t)dots->nodes, count = (size_t)dots->count + 1;  // never 0 bytes
    dots->per_step = 1.0/dots->step_rad;
    dots->node = calloc(nodes, sizeof *dots->node);
    dots->cumulative = calloc(nodes, sizeof(double));
    dots->density = calloc(nodes, sizeof(double));
    dots->envelope = calloc(nodes, sizeof(double));
    dots->alpha_rad = calloc(count, sizeof(double));
    dots->share = calloc(count, sizeof(double));
    double *jump = calloc(nodes, sizeof(double));
    lr_status status = LR_OK;
    if (!dots->node || !dots->cumulative || !dots->density || !dots->envelope || !dots->alpha_rad || !dots->share || !jump)
        status = lr_fail(err, LR_ERR_MEMORY, "dots: out of memory");
    else
        status = fill(dots, def, jump, err);
    free(jump);
    free_making(dots);
    if (status != LR_OK) {
        lr_dots_destroy(dots);
        return status;
    }
    *out = dots;
    return LR_OK;
}

void lr_dots_destroy(lr_dots *dots)
{
    if (!dots)
        return;
    free_making(dots);
    free(dots->node);
    free(dots->envelope);
    free(dots->alpha_rad);
    free(dots->share);
    free(dots);
}

// ---- Reading it -------------------------------------------------------------------------------------------------

// The library's are calls, for the sake of NaN.
static inline double smaller(double a, double b) { return a < b ? a : b; }
static inline double larger(double a, double b) { return a > b ? a : b; }

// Cubic through C and D at both ends of stretch i, u in [0, 1] along it.
static double stretch_cumulative(const lr_dots *dots, int i, double u)
{
    const node a = dots->node[i], b = dots->node[i + 1];
    const double h = dots->step_rad, c0 = a.cumulative, rise = b.cumulative - c0, d0 = h*a.density, d1 = h*b.density;
    return c0 + u*(d0 + u*(3.0*rise - 2.0*d0 - d1 + u*(d0 + d1 - 2.0*rise)));
}

static double stretch_density(const lr_dots *dots, int i, double u)
{
    const node n0 = dots->node[i], n1 = dots->node[i + 1];
    const double rise = (n1.cumulative - n0.cumulative)*dots->per_step, d0 = n0.density, d1 = n1.density;
    const double d = d0 + u*(2.0*(3.0*rise - 2.0*d0 - d1) + 3.0*u*(d0 + d1 - 2.0*rise));
    return larger(0.0, d);  // deep in a Gaussian's tail the cubic may dip below by 1e-15 of a dot
}

static int stretch_of(const lr_dots *dots, double alpha_rad, double *u)
{
    const double place = (alpha_rad + dots->half_rad)*dots->per_step;
    const int i = (int)smaller(larger(place, 0.0), dots->nodes - 2);
    *u = smaller(larger(place - i, 0.0), 1.0);
    return i;
}

double lr_dots_density(const lr_dots *dots, double alpha_rad)
{
    if (!(fabs(alpha_rad) <= dots->half_rad))
        return 0.0;
    double u;
    const int i = stretch_of(dots, alpha_rad, &u);
    return stretch_density(dots, i, u);
}

double lr_dots_cumulative(const lr_dots *dots, double alpha_rad)
{
    if (!(alpha_rad > -dots->half_rad))
        return 0.0;
    if (alpha_rad >= dots->half_rad)
        return 1.0;
    double u;
    const int i = stretch_of(dots, alpha_rad, &u);
    return stretch_cumulative(dots, i, u);
}

double lr_dots_mean(const lr_dots *dots, double a1_rad, double a2_rad)
{
    const double lo = smaller(a1_rad, a2_rad), hi = larger(a1_rad, a2_rad), width = hi - lo;
    if (width < NARROW*dots->step_rad)
        return lr_dots_density(dots, 0.5*(lo + hi));
    return larger(0.0, lr_dots_cumulative(dots, hi) - lr_dots_cumulative(dots, lo))/width;
}

enum { AT_ONCE = 64 };

// Stretches of angles and places in them, as stretch_of finds them; angles beyond the fan count as its ends.
LR_WIDE_WHOLE static void find_stretches(double half_rad, double per_step, int stretches, int count, const float *restrict alpha_rad, int32_t *restrict stretch, double *restrict u)
{
    for (int i = 0; i < count; i++) {
        const double place = smaller(larger(((double)alpha_rad[i] + half_rad)*per_step, 0.0), stretches);
        const int32_t whole = (int32_t)place, at = whole < stretches ? whole : stretches - 1;
        stretch[i] = at;
        u[i] = place - at;
    }
}

static void means_at_once(const lr_dots *dots, int count, const float *a1_rad, const float *a2_rad, float *mean)
{
    int32_t i1[AT_ONCE], i2[AT_ONCE];
    double u1[AT_ONCE], u2[AT_ONCE];
    find_stretches(dots->half_rad, dots->per_step, dots->nodes - 1, count, a1_rad, i1, u1);
    find_stretches(dots->half_rad, dots->per_step, dots->nodes - 1, count, a2_rad, i2, u2);
    for (int k = 0; k < count; k++) {
        __builtin_prefetch(&dots->node[i1[k]]);
        __builtin_prefetch(&dots->node[i2[k]]);
    }
    for (int k = 0; k < count; k++) {
        const double a1 = (double)a1_rad[k], a2 = (double)a2_rad[k], width = fabs(a2 - a1);
        if (width < NARROW*dots->step_rad)
            mean[k] = (float)lr_dots_mean(dots, a1, a2);
        else
            mean[k] = (float)(fabs(stretch_cumulative(dots, i2[k], u2[k]) - stretch_cumulative(dots, i1[k], u1[k]))/width);
    }
}

void lr_dots_means(const lr_dots *dots, int count, const float *a1_rad, const float *a2_rad, float *mean)
{
    for (int first = 0; first < count; first += AT_ONCE)
        means_at_once(dots, count - first < AT_ONCE ? count - first : AT_ONCE, a1_rad + first, a2_rad + first, mean + first);
}

double lr_dots_relative(const lr_dots *dots, double alpha_rad)
{
    if (!(fabs(alpha_rad) <= dots->half_rad))
        return 0.0;
    double u;
    const int i = stretch_of(dots, alpha_rad, &u);
    const double envelope = dots->envelope[i] + u*(dots->envelope[i + 1] - dots->envelope[i]);
    return envelope > 0.0 ? stretch_density(dots, i, u)/envelope : 0.0;
}

double lr_dots_sample(const lr_dots *dots, double u)
{
    const double want = fmin(fmax(u, 0.0), 1.0);
    int lo = 0, hi = dots->nodes - 1;
    while (hi - lo > 1) {
        const int mid = (lo + hi)/2;
        if (dots->node[mid].cumulative <= want)
            lo = mid;
        else
            hi = mid;
    }
    double a = 0.0, b = 1.0;
    for (int i = 0; i < 52; i++) {  // bisection: the cubic rises, and a stretch is short
        const double mid = 0.5*(a + b);
        if (stretch_cumulative(dots, lo, mid) <= want)
            a = mid;
        else
            b = mid;
    }
    return node_alpha(dots, lo) + 0.5*(a + b)*dots->step_rad;
}

double lr_dots_half_fan_rad(const lr_dots *dots) { return dots->half_rad; }
int lr_dots_count(const lr_dots *dots) { return dots->count; }

void lr_dots_get(const lr_dots *dots, int i, double *alpha_rad, double *share)
{
    assert(i >= 0 && i < dots->count);
    *alpha_rad = dots->alpha_rad[i];
    *share = dots->share[i];
}
