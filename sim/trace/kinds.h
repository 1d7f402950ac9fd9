// SPDX-License-Identifier: Apache-2.0
// Parts of a pixel that see alike: of each kind a few are rendered, the others are only counted, at the price of a camera ray each.
// Double sampling for stratification: which parts there are tells each kind's share, and as parts come in no order, the first ones of a kind
// stand for it without pulling the mean. On matte surfaces light goes with the texture's factor, known of every part: the estimate of a kind is its
// electrons over its factors where rendered, times the mean factor of all.
// Source: Cochran, Sampling Techniques, 3rd ed. (1977), ch. 12 (double sampling) and 6 (ratio estimates): from memory.
#ifndef LR_TRACE_KINDS_H
#define LR_TRACE_KINDS_H

#include "trace/work.h"

void lr_kinds_clear(const lr_line_job *job);
// Finds the kind of each part of the batch, which has been traced, and counts it there.
void lr_kinds_count(const lr_line_job *job);
// Leaves in the batch and in work->rays the parts that are to be rendered.
void lr_kinds_pick(const lr_line_job *job);
// Adds what was rendered, which is in work->sums and work->lit.
void lr_kinds_add(const lr_line_job *job);

// How pixel i stands after `pairs` pairs of parts.
typedef struct lr_kinds_error {
    float light;          // electrons
    float shares;         // variance for not knowing the kinds' shares and the mean factors better
    float within;         // variance for what differs within kinds
    float common;         // of parts of one kind, by the pixel and its neighbours: square of what one is off by
} lr_kinds_error;
lr_kinds_error lr_kinds_tell(const lr_line_job *job, int i);
// Whether each half sees one thing only, on which light has to be followed by paths: their halves tell how far off it is.
int lr_kinds_plain(const lr_line_job *job, int i);
// Whether both halves see one flat thing with a texture: then looks at its plane tell the mean factor without rays.
int lr_kinds_flat(const lr_line_job *job, int i, lr_texture_plane *plane);
void lr_kinds_look(const lr_line_job *job, int half, int i, float scale, int looks);   // adds the factors of so many; last of all
// Marks the kinds of pixel i that add more than `most_e2` to the variance, to be rendered whenever they come. Returns whether there are any.
// Where paths have to find the light, so are all: few parts that happen to be dark look sure of themselves, and stopping there would pull the mean down.
int lr_kinds_mark(const lr_line_job *job, int i, float common, float most_e2);

// Most variance of a pixel of so much light, by the aim [e^2]; trace/parts.c
float lr_parts_most_e2(const lr_line_job *job, float light);
void lr_look_closer(const lr_line_job *job);   // trace/looks.c: the mean factors of textures, before the means are taken

void lr_kinds_take_means(const lr_line_job *job);   // into work->sums and work->lit

#endif
