// SPDX-License-Identifier: Apache-2.0
// Writes a scan folder from many threads, block of lines by block, so that it can be killed at any moment and resumed.
//
//   open   side files, arrays at their full size, progress/ with a journal of finished blocks
//   rows   any rows of any array, from any thread
//   done   marks a block; its record is written only after the block's data are on disk (about once a second)
//   finish checksums, sha256sums.txt, then scan.json by rename, then progress/ goes
//
// The bytes of every file are the same for any number of threads, blocks, shards, kills and resumptions.
// A block is `block_lines` lines (the last may have fewer) of all arrays.
#ifndef LR_SCAN_SCAN_WRITER_H
#define LR_SCAN_SCAN_WRITER_H

#include "scan/scan.h"

typedef struct lr_scan_writer lr_scan_writer;

typedef struct lr_scan_file { const char *path; const void *data; size_t length; } lr_scan_file;  // path inside the folder

typedef struct lr_scan_writer_def {  // start from lr_scan_writer_def_default(); everything is copied
    const char *folder;          // made if absent
    const char *version;         // of the tool
    uint64_t seed;
    const char *settings;        // JSON object: every setting that shapes the result, and nothing else
    const char *scene, *head;    // JSON texts as used, after overrides
    const lr_calibration *calibration;
    int file_count;
    const lr_scan_file *file;    // truth/as_built.json, truth/inputs/NAME (verbatim), truth/labels.json
    int64_t line_count;          // above 0
    int64_t block_lines;         // above 0; an unfinished scan keeps the one it began with
    int array_count;
    const lr_scan_array *array;  // path, info, unit, about; all with shape[0] = line_count
    int force;                   // 1: replace a scan that is there, finished or not
    int shard, shard_count;      // 1 of 1 unless several processes share the folder: block b belongs to shard 1 + b % shard_count
    int threads;                 // for checksums in finish; 0: lr_thread_default()
    // What goes into scan.json as "results", a JSON object, worked out from the rows of the complete scan; NULL: nothing. Called by finish.
    lr_status (*results)(void *context, const lr_scan_writer *writer, lr_text *out, lr_error *err);
    void *results_context;
} lr_scan_writer_def;

typedef enum lr_scan_state {
    LR_SCAN_NEW,
    LR_SCAN_RESUMED,             // an unfinished scan of the same inputs goes on
    LR_SCAN_FINISHED,            // the scan is complete already: nothing is left to do, nothing is rewritten
} lr_scan_state;

lr_scan_writer_def lr_scan_writer_def_default(void);

// Errors: RANGE (bad definition; the folder holds something else, or a scan of other inputs; another process is at it),
// IO (cannot be written; not enough room: path and bytes needed; what this call had made is taken away again), MEMORY.
lr_status lr_scan_writer_open(const lr_scan_writer_def *def, lr_scan_writer **out, lr_error *err);
void lr_scan_writer_close(lr_scan_writer *writer);  // marks what is done, keeps the unfinished scan; NULL is fine

lr_scan_state lr_scan_writer_state(const lr_scan_writer *writer);
int64_t lr_scan_writer_blocks(const lr_scan_writer *writer);
void lr_scan_writer_block(const lr_scan_writer *writer, int64_t block, int64_t *first_line, int64_t *line_count);
// 1 if this process has to compute the block: of its shard, and not found finished when the folder was opened. Any thread.
int lr_scan_writer_wants(const lr_scan_writer *writer, int64_t block);

// Rows first_line .. first_line + line_count - 1 of array `array` (index into the definition). Any thread. IO
lr_status lr_scan_writer_rows(lr_scan_writer *writer, int array, int64_t first_line, int64_t line_count, const void *data, lr_error *err);
// Reads rows back, as written by whichever process. Any thread. IO
lr_status lr_scan_writer_read(const lr_scan_writer *writer, int array, int64_t first_line, int64_t line_count, void *data, lr_error *err);
// All rows of `block` have been written. Any thread. IO
lr_status lr_scan_writer_done(lr_scan_writer *writer, int64_t block, lr_error *err);
// Puts all that is done on disk and marks it, now. Any thread. IO
lr_status lr_scan_writer_flush(lr_scan_writer *writer, lr_error *err);

// `*finished` is 0 when blocks are still missing (cancelled, or other shards at work): the folder stays resumable. IO, MEMORY.
lr_status lr_scan_writer_finish(lr_scan_writer *writer, int *finished, lr_error *err);

const char *lr_scan_writer_fingerprint(const lr_scan_writer *writer);

#endif
