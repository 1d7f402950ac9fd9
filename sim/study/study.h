// SPDX-License-Identifier: Apache-2.0
// A study: one scene and head scanned again and again with some values varied. File: "lanternroom-study/1".
#ifndef LR_STUDY_STUDY_H
#define LR_STUDY_STUDY_H

#include "core/json.h"
#include "core/status.h"

typedef struct lr_study_vary {
    char name[64];          // column of the table
    char path[256];         // as --set takes it: "head.modules.*.cameras.*.exposure_us"; several, separated by spaces, move together
    int value_count;
    char (*value)[128];     // each as JSON text (value_count)
} lr_study_vary;

typedef struct lr_study {   // every combination of the varied values is one scan
    char name[64];
    char scene[256], head[256];   // paths, relative to the study's folder
    int quality;                  // 0 draft, 1 standard, 2 fine
    double sector_deg[2];         // both 0: whole turn
    int vary_count;
    lr_study_vary *vary;
} lr_study;

#define LR_STUDY_MAX_SCANS 100000

// Reads and checks a study, its scene and head files, and that every varied path exists there and takes every value.
// Errors: MISSING, PARSE, RANGE, MEMORY.
lr_status lr_study_from_json(const lr_json *json, const char *folder, lr_study *out, lr_error *err);
void lr_study_free(lr_study *study);
void lr_study_schema(lr_text *out);

#endif
