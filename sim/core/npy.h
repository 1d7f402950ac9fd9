// SPDX-License-Identifier: Apache-2.0
// NPY 1.0 arrays: little endian, C order, header padded so that data start at byte 128.
// Source: NumPy Enhancement Proposal 1, "A Simple File Format for NumPy Arrays".
#ifndef LR_CORE_NPY_H
#define LR_CORE_NPY_H

#include <stddef.h>
#include <stdint.h>

#include "core/status.h"

#define LR_NPY_DATA 128       // where data start
#define LR_NPY_MAX_DIMS 4
#define LR_NPY_MAX_FIELDS 12

typedef struct lr_npy_field { char name[24]; char descr[8]; } lr_npy_field;  // of a record array

typedef struct lr_npy_info {
    char descr[8];                    // "<u2", "<f4", "|u1"...; empty for a record array
    int field_count;                  // 0: a plain array
    lr_npy_field field[LR_NPY_MAX_FIELDS];           // record array: packed, in order
    int dims;
    int64_t shape[LR_NPY_MAX_DIMS];   // slowest index first
} lr_npy_info;

size_t lr_npy_item_bytes(const lr_npy_info *info);       // 0 if a type is not known
int64_t lr_npy_items(const lr_npy_info *info);           // product of shape
// Exactly LR_NPY_DATA bytes for anything we write. (Record arrays need more: then a multiple of 64; returns the size.) RANGE if too long for 1024.
lr_status lr_npy_header(const lr_npy_info *info, uint8_t *out, size_t capacity, size_t *size, lr_error *err);
// Reads any NPY 1.0 or 2.0 header made by us or by NumPy in C order. `name` for messages. Errors: PARSE.
lr_status lr_npy_parse(const char *name, const uint8_t *bytes, size_t length, lr_npy_info *info, size_t *data_offset, lr_error *err);

typedef struct lr_npy_map { lr_npy_info info; void *base; size_t size; const void *data; } lr_npy_map;
// Maps a whole file for reading; PARSE if it is truncated or longer than its header says, MISSING if absent.
lr_status lr_npy_open(const char *path, lr_npy_map *map, lr_error *err);
void lr_npy_close(lr_npy_map *map);
// Gives the memory of rows [first, first + count) (slowest index), and of what came in around them, back to the system, so that what is
// held does not grow with the array. What is used again is read again. A map that was never opened (base NULL) is fine.
void lr_npy_let_go(const lr_npy_map *map, int64_t first, int64_t count);
// Writes a whole array at once, through a temporary name and rename. Errors: IO.
lr_status lr_npy_save(const char *path, const lr_npy_info *info, const void *data, lr_error *err);

#endif
