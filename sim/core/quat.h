// SPDX-License-Identifier: Apache-2.0
// Unit quaternions in the order x, y, z, w (Hamilton, active): the rotations of the files. All inline, nothing can fail.
// Source: Shepperd, Quaternion from Rotation Matrix, J. Guidance and Control 1(3), 1978, from memory.
#ifndef LR_CORE_QUAT_H
#define LR_CORE_QUAT_H

#include <math.h>

#include "core/vec.h"

typedef struct lr_quat { double x, y, z, w; } lr_quat;  // unit length

static inline lr_mat3 lr_mat3_from_quat(lr_quat q)
{
    const double xx = q.x*q.x, yy = q.y*q.y, zz = q.z*q.z, xy = q.x*q.y, xz = q.x*q.z, yz = q.y*q.z;
    const double wx = q.w*q.x, wy = q.w*q.y, wz = q.w*q.z;
    return (lr_mat3){{1.0 - 2.0*(yy + zz), 2.0*(xy + wz), 2.0*(xz - wy)},
                     {2.0*(xy - wz), 1.0 - 2.0*(xx + zz), 2.0*(yz + wx)},
                     {2.0*(xz + wy), 2.0*(yz - wx), 1.0 - 2.0*(xx + yy)}};
}

// Of a rotation, with w >= 0. The largest of the four is found first: no division by a small number.
static inline lr_quat lr_quat_from_mat3(lr_mat3 m)
{
    const double xx = m.x.x, yy = m.y.y, zz = m.z.z, trace = xx + yy + zz;
    lr_quat q;
    if (trace >= xx && trace >= yy && trace >= zz)
        q = (lr_quat){m.y.z - m.z.y, m.z.x - m.x.z, m.x.y - m.y.x, 1.0 + trace};
    else if (xx >= yy && xx >= zz)
        q = (lr_quat){1.0 + xx - yy - zz, m.x.y + m.y.x, m.z.x + m.x.z, m.y.z - m.z.y};
    else if (yy >= zz)
        q = (lr_quat){m.x.y + m.y.x, 1.0 + yy - zz - xx, m.y.z + m.z.y, m.z.x - m.x.z};
    else
        q = (lr_quat){m.z.x + m.x.z, m.y.z + m.z.y, 1.0 + zz - xx - yy, m.x.y - m.y.x};
    const double length = sqrt(q.x*q.x + q.y*q.y + q.z*q.z + q.w*q.w), s = (q.w < 0.0 ? -1.0 : 1.0)/length;
    return (lr_quat){s*q.x, s*q.y, s*q.z, s*q.w};
}

#endif
