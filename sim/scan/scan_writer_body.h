// SPDX-License-Identifier: Apache-2.0
// The body of a scan writer, shared by scan_writer.c and scan_writer_open.c.
#ifndef LR_SCAN_SCAN_WRITER_BODY_H
#define LR_SCAN_SCAN_WRITER_BODY_H

#include <pthread.h>

#include "core/file.h"
#include "scan/scan_journal.h"
#include "scan/scan_writer.h"

typedef enum lr_block_stage { LR_BLOCK_OPEN, LR_BLOCK_WRITTEN, LR_BLOCK_MOVING, LR_BLOCK_MARKED } lr_block_stage;

typedef struct lr_scan_output { int fd; size_t data_offset; int64_t row_bytes; } lr_scan_output;
typedef struct lr_scan_sum { char path[LR_SCAN_PATH]; char sha256[65]; } lr_scan_sum;

struct lr_scan_writer {
    char folder[LR_PATH_MAX], progress[LR_PATH_MAX];
    lr_scan scan;              // what scan.json will say
    int shard, shard_count, threads;
    lr_status (*results)(void *context, const lr_scan_writer *writer, lr_text *out, lr_error *err);
    void *results_context;
    lr_scan_state state;
    lr_scan_output *out;       // (scan.array_count)
    lr_scan_sum *side;         // (side_count) files beside the arrays, calibration.json among them
    int side_count;
    lr_journal journal;
    int64_t blocks;            // 0 when finished
    uint8_t *found;            // (blocks) 1: was finished when the folder was opened
    uint8_t *stage;            // (blocks) of lr_block_stage, under `mutex`
    pthread_mutex_t mutex;
    pthread_cond_t idle;       // no flush at work
    int flushing;
    pthread_t flusher;         // waits for the disk, so that those who render need not
    int has_flusher;           // it was started, and has not been joined
    double flushed_s;          // when the last flush ended
    lr_status failed;          // the first failure of a flush: the disk can no longer be trusted
    lr_error failure;
};

double lr_scan_clock_s(void);  // monotonic; never shapes a result
// Writes all of it at `offset`. IO, naming the path.
lr_status lr_scan_put(int fd, const char *path, const void *data, int64_t length, int64_t offset, lr_error *err);
void lr_scan_writer_release(lr_scan_writer *writer);

#endif
