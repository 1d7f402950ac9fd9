// SPDX-License-Identifier: Apache-2.0
// Journal of finished blocks: records of fixed length in progress/shard-K-of-N, one file a process that writes the scan.
// A record names a block and carries a check over scan and block, so that a torn or foreign record never counts.
// Private to the reader and writer of scans.
#ifndef LR_SCAN_SCAN_JOURNAL_H
#define LR_SCAN_SCAN_JOURNAL_H

#include <stdint.h>

#include "core/file.h"
#include "scan/scan.h"

typedef struct lr_journal {
    int fd;                   // -1: closed
    int64_t used;             // bytes of good records
    uint32_t key;             // of the scan and its blocks
    char path[LR_PATH_MAX];
} lr_journal;

int64_t lr_journal_blocks(const lr_scan *scan);  // of a scan whose block_lines is set

// Opens, or makes, the file of one shard and holds it: RANGE if another process does. Room for `room` more records is
// taken at once. A torn tail is cut off. IO
lr_status lr_journal_open(const char *progress, int shard, int shard_count, const lr_scan *scan, int64_t room, lr_journal *out, lr_error *err);
void lr_journal_close(lr_journal *journal);
// On disk when it returns. After a failure nothing of it counts. IO, MEMORY
lr_status lr_journal_append(lr_journal *journal, int64_t count, const int64_t *block, lr_error *err);

// Sets done[block] = 1 for every block recorded by any shard (done: lr_journal_blocks bytes). IO, MEMORY
lr_status lr_journal_collect(const char *progress, const lr_scan *scan, uint8_t *done, lr_error *err);
// RANGE if a process holds any of the journals.
lr_status lr_journal_idle(const char *progress, lr_error *err);

#endif
