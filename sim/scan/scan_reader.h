// SPDX-License-Identifier: Apache-2.0
// Opens a scan folder: finished, or still growing (then only finished blocks count). Never writes.
#ifndef LR_SCAN_SCAN_READER_H
#define LR_SCAN_SCAN_READER_H

#include "scan/scan.h"

typedef struct lr_scan_reader lr_scan_reader;

// Reads scan.json (or progress/plan.json) and calibration.json, and holds the instrument's arrays against both: there,
// of the right type, shape and length. Truth arrays are looked at only when opened. Errors: MISSING (no scan, or a file of
// it is not there), PARSE (a file that is damaged, cut short or disagrees), MEMORY.
lr_status lr_scan_reader_open(const char *folder, lr_scan_reader **out, lr_error *err);
void lr_scan_reader_close(lr_scan_reader *reader);  // NULL is fine

const lr_scan *lr_scan_reader_scan(const lr_scan_reader *reader);
const lr_calibration *lr_scan_reader_calibration(const lr_scan_reader *reader);
const char *lr_scan_reader_folder(const lr_scan_reader *reader);
int lr_scan_reader_finished(const lr_scan_reader *reader);

// 1 if these lines are complete. Always, within the scan, once finished.
int lr_scan_reader_ready(const lr_scan_reader *reader, int64_t first_line, int64_t line_count);
// Looks again at a growing scan. MISSING if it has gone.
lr_status lr_scan_reader_refresh(lr_scan_reader *reader, lr_error *err);

// Index into scan->array, or -1.
int lr_scan_reader_find(const lr_scan_reader *reader, const char *path);
// Maps an array the scan lists; the caller closes it by lr_npy_close. MISSING (not listed, not there), PARSE (damaged, cut short, other shape).
lr_status lr_scan_reader_array(const lr_scan_reader *reader, const char *path, lr_npy_map *map, lr_error *err);

// Verifies a finished scan: arrays against scan.json and calibration.json, every checksum of sha256sums.txt.
// Each fault is handed over as one line, in a fixed order. OK if there is none, else PARSE with their number. MISSING: no scan.
typedef void (*lr_scan_fault)(void *context, const char *line);
lr_status lr_scan_check(const char *folder, int threads, lr_scan_fault fault, void *context, lr_error *err);

#endif
