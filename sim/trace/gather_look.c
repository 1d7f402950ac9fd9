// SPDX-License-Identifier: Apache-2.0
#include "trace/gather_look.h"

#include "core/wide.h"

#include <string.h>

#define LEAST_WEIGHT 0.05f       // of the interpolation: below it there is no answer
#define MOST_SPACING 6.0f        // a point this many spacings away is not a neighbour

// Where things are in a record of `look`; after the values their errors.
enum { LOOK_POINT = 0, LOOK_NORMAL = 3, LOOK_COAT = 6, LOOK_COSINE = 7, LOOK_VALUES = 8 };

int lr_gather_stride(int values) { return (LOOK_VALUES + 2*values + LR_LOOK_LINE - 1)/LR_LOOK_LINE*LR_LOOK_LINE; }

void lr_gather_lay_out(lr_gather *g)
{
    for (int i = 0; i < g->record_count; i++) {
        float *look = g->look + (size_t)i*(size_t)g->stride;
        memset(look, 0, (size_t)g->stride*sizeof *look);
        memcpy(look + LOOK_POINT, &g->record[i].point, 3*sizeof *look);
        memcpy(look + LOOK_NORMAL, &g->record[i].normal, 3*sizeof *look);
        look[LOOK_COAT] = (float)g->record[i].coat;
        look[LOOK_COSINE] = g->record[i].look_cosine;
        memcpy(look + LOOK_VALUES, g->irradiance + (size_t)i*(size_t)g->values, (size_t)g->values*sizeof *look);
        memcpy(look + LOOK_VALUES + g->values, g->error + (size_t)i*(size_t)g->values, (size_t)g->values*sizeof *look);
    }
}

// Where a direction falls in the grid: rows of elevation, turns of azimuth; and how far a neighbour may be, squared.
typedef struct spot { float row[LR_GATHER_LOOKS], turn[LR_GATHER_LOOKS], most2[LR_GATHER_LOOKS]; } spot;

static inline void find_one(const lr_gather *g, float x, float y, float z, float *row, float *turn, float *most2)
{
    const float distance = sqrtf(x*x + y*y + z*z), most = MOST_SPACING*distance*(float)LR_PI/(float)g->rows;
    const float azimuth = lr_atan2f(y, x)*(0.5f/(float)LR_PI);
    *row = lr_acosf(z/(distance > 0.0f ? distance : 1.0f))*(float)g->rows*(1.0f/(float)LR_PI) - 0.5f;
    *turn = azimuth < 0.0f ? azimuth + 1.0f : azimuth;
    *most2 = most*most;
}

LR_WIDE_WHOLE static void find(const lr_gather *g, int count, const lr_gather_points *p, spot *s)
{
    const lr_vec3f c = g->center;
    for (int i = 0; i < count; i++)
        find_one(g, p->x[i] - c.x, p->y[i] - c.y, p->z[i] - c.z, &s->row[i], &s->turn[i], &s->most2[i]);
}

// The four cells around each, -1 where there is none, and their weights.
typedef struct around { int32_t cell[4][LR_GATHER_LOOKS]; float weight[4][LR_GATHER_LOOKS]; } around;

LR_WIDE_WHOLE static void find_cells(int rows, const int *restrict first_cell, int count, const spot *restrict s, around *restrict a)
{
    for (int k = 0; k < 2; k++)
        for (int i = 0; i < count; i++) {
            const int r = lr_floorf(s->row[i]) + k, inside = (r >= 0) & (r < rows), row = inside ? r : 0;
            const int first = first_cell[row], n = first_cell[row + 1] - first;
            const float column = s->turn[i]*(float)n - 0.5f, near_row = 1.0f - fabsf(s->row[i] - (float)r);
            const int c0 = lr_floorf(column), c1 = c0 + 1;
            a->cell[2*k][i] = inside ? first + (c0 < 0 ? c0 + n : c0 >= n ? c0 - n : c0) : -1;
            a->cell[2*k + 1][i] = inside ? first + (c1 >= n ? c1 - n : c1) : -1;
            a->weight[2*k][i] = near_row*(1.0f - fabsf(column - (float)c0)) + 1e-3f;
            a->weight[2*k + 1][i] = near_row*(1.0f - fabsf(column - (float)c1)) + 1e-3f;
        }
}

// Where a surface bends, light by a lobe changes with its normal: what is taken must be that of records around this one, not to one side of it.
static int bends_alike(const float *const look[4], const float weight[4], lr_vec3f normal, float most)
{
    lr_vec3f off = lr_mulf(normal, -1.0f);
    float allowed = 0.0f;
    for (int j = 0; j < 4; j++) {
        off = lr_madf(off, weight[j], lr_v3f(look[j][LOOK_NORMAL], look[j][LOOK_NORMAL + 1], look[j][LOOK_NORMAL + 2]));
        allowed += weight[j]*(1.0f - look[j][LOOK_COSINE]);
    }
    return lr_dotf(off, off) <= most*allowed;
}

// Interpolates between those records that lie on the same surface, within `most2`.
int lr_gather_look_aimed(const lr_gather *g, const lr_gather_aim *aim, lr_vec3f point, lr_vec3f normal, int coat, float errors, float *out)
{
    float weight[4], total = 0.0f, d2;
    const float *look[4];
    for (int j = 0; j < 4; j++) {
        look[j] = g->look + (ptrdiff_t)(aim->record[j] < 0 ? 0 : aim->record[j])*g->stride;
        const int same = aim->record[j] >= 0 && look[j][LOOK_COAT] == (float)coat &&
                         lr_gather_same_surface(point, normal, lr_v3f(look[j][LOOK_POINT], look[j][LOOK_POINT + 1], look[j][LOOK_POINT + 2]),
                                                             lr_v3f(look[j][LOOK_NORMAL], look[j][LOOK_NORMAL + 1], look[j][LOOK_NORMAL + 2]), look[j][LOOK_COSINE], &d2) &&
                         d2 <= aim->most2;
        weight[j] = same ? aim->weight[j] : 0.0f;
        total += weight[j];
    }
    if (!(total >= LEAST_WEIGHT))
        return 0;
    for (int j = 0; j < 4; j++)
        weight[j] /= total;
    if (g->mean_bend > 0.0f && !bends_alike(look, weight, normal, g->mean_bend))
        return 0;
    for (int k = 0; k < g->values; k++) {
        const int at = LOOK_VALUES + k;
        out[k] = weight[0]*look[0][at] + weight[1]*look[1][at] + weight[2]*look[2][at] + weight[3]*look[3][at];
    }
    for (int k = 0; errors != 0.0f && k < g->values; k++) {   // few renderings ask for them
        const int at = LOOK_VALUES + g->values + k;
        out[k] += errors*(weight[0]*look[0][at] + weight[1]*look[1][at] + weight[2]*look[2][at] + weight[3]*look[3][at]);
    }
    return 1;
}

int lr_gather_look(const lr_gather *g, lr_vec3f point, lr_vec3f normal, int coat, float errors, float *out)
{
    lr_gather_points one = {{point.x}, {point.y}, {point.z}};
    lr_gather_aim aim;
    lr_gather_aim_at(g, 1, &one, &aim);
    return lr_gather_look_aimed(g, &aim, point, normal, coat, errors, out);
}

void lr_gather_aim_at(const lr_gather *g, int count, const lr_gather_points *point, lr_gather_aim *aim)
{
    spot s;
    around a;
    find(g, count, point, &s);
    find_cells(g->rows, g->first_cell, count, &s, &a);
    for (int i = 0; i < count; i++) {
        __builtin_prefetch(&g->cell[a.cell[0][i] < 0 ? 0 : a.cell[0][i]]);
        __builtin_prefetch(&g->cell[a.cell[2][i] < 0 ? 0 : a.cell[2][i]]);
    }
    for (int i = 0; i < count; i++) {
        aim[i].most2 = s.most2[i];
        for (int j = 0; j < 4; j++) {
            aim[i].record[j] = a.cell[j][i] < 0 ? -1 : g->cell[a.cell[j][i]];
            aim[i].weight[j] = a.weight[j][i];
            __builtin_prefetch(g->look + (ptrdiff_t)(aim[i].record[j] < 0 ? 0 : aim[i].record[j])*g->stride);
        }
    }
}
