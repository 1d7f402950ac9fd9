// SPDX-License-Identifier: Apache-2.0
// What scan.json says: how a scan was made and which arrays it holds. Format "lanternroom-scan/1".
// Nothing in it depends on the machine, the time, the number of threads or the history of the run.
#ifndef LR_SCAN_SCAN_H
#define LR_SCAN_SCAN_H

#include <stdint.h>

#include "core/json.h"
#include "core/npy.h"
#include "scan/calibration.h"

#define LR_SCAN_FORMAT "lanternroom-scan/1"
#define LR_SCAN_PATH 192         // capacity of a path inside the folder
#define LR_SCAN_MAX_ARRAYS 4096

typedef struct lr_scan_array {
    char path[LR_SCAN_PATH];     // inside the folder, with /: "front/upper.npy"
    lr_npy_info info;            // shape[0] is the number of lines
    char unit[32];               // "m", "e", "DN", "1"; of a record array: empty, units are in the names
    char about[256];             // one line for people
    char sha256[65];             // of the whole file; empty while the scan is unfinished
} lr_scan_array;

typedef struct lr_scan {
    char version[32];            // of the tool
    char fingerprint[65];        // SHA-256 over everything that shapes the result
    uint64_t seed;
    int64_t line_count;
    int64_t block_lines;         // above 0 only while unfinished
    int array_count;
    lr_scan_array *array;        // (array_count)
    char *settings;              // JSON object: every setting that shapes the result
    char *scene, *head;          // JSON as used, after overrides
    char *results;               // JSON object: what the finished scan says of itself; NULL: nothing
} lr_scan;

void lr_scan_free(lr_scan *scan);  // leaves it empty

// One record of MODULE/lines.npy, as the instrument delivers it.
typedef struct lr_scan_line {
    double time_s;               // mid-exposure
    int64_t encoder_count;       // counter-clockwise positive, not wrapped
    double azimuth_deg;          // rotor angle by the encoder, counter-clockwise positive, not wrapped; the module's own azimuth
                                 // is in its pose
} lr_scan_line;

// The two arrays of an instrument: raw lines "MODULE/CAMERA.npy" (<u2 [lines, pixels]) and "MODULE/lines.npy". RANGE: name too long.
lr_status lr_scan_raw_array(const char *module, const char *camera, int64_t lines, int pixels, lr_scan_array *out, lr_error *err);
lr_status lr_scan_lines_array(const char *module, int64_t lines, lr_scan_array *out, lr_error *err);

// RANGE: what is wrong with a path meant to lie inside a scan folder (absolute, "..", empty parts, too long).
lr_status lr_scan_path_check(const char *path, lr_error *err);

// Text of scan.json; sha256 keys only where an array has one, block_lines only above 0. RANGE (texts that are not JSON), MEMORY.
lr_status lr_scan_write(const lr_scan *scan, lr_text *out, lr_error *err);
// MISSING, PARSE, RANGE, MEMORY. On failure `out` is empty.
lr_status lr_scan_load(const char *path, lr_scan *out, lr_error *err);
lr_status lr_scan_from_json(const lr_json *json, lr_scan *out, lr_error *err);

#endif
