// SPDX-License-Identifier: Apache-2.0
// Renders a scan: the one place where room, head, light, sensor, files and truth meet.
#ifndef LR_RUN_RUN_H
#define LR_RUN_RUN_H

#include <stdint.h>

#include "core/json.h"
#include "run/ambient.h"
#include "run/light_error.h"
#include "trace/tracer.h"
#include "truth/truth.h"

typedef enum lr_quality { LR_QUALITY_DRAFT, LR_QUALITY_STANDARD, LR_QUALITY_FINE } lr_quality;
extern const char *const lr_quality_names[];  // then NULL

// An input file: its text as the user wrote it, and as used after overrides.
typedef struct lr_run_input { const char *path; const char *verbatim; const lr_json *json; } lr_run_input;

typedef struct lr_run_def {     // start from lr_run_def_default()
    const char *version;        // of the tool, goes into scan.json
    const char *folder;         // to write; an unfinished scan of the same inputs there is resumed
    uint64_t seed;
    int threads;                // 0: lr_thread_default()
    lr_quality quality;
    int samples;                         // parts of a pixel: 1 or even; 0: as the quality says
    double noise_ratio;                  // more parts, and more paths of gathered light, for an error below this share of the sensor's noise; 0: no; below 0: as the
                                         // quality says, or 0 where samples are given
    int indirect_samples;       // light paths a pixel for indirect laser light; 0: none, -1: as the quality says
    double sector_deg[2];       // rotor angles rendered, of the first revolution; both 0: everything
    lr_truth_set truth;
    int force;                  // replace a scan that is there
    int shard, shard_count;     // 1 of 1
    int measure;                // also time bare ray calls, see lr_trace_count
    void (*warn)(void *context, const char *line);   // told what looks like a slip of the inputs, before rendering; `context` as of progress. NULL: nobody
} lr_run_def;
lr_run_def lr_run_def_default(void);
// Samples that a quality stands for.
lr_trace_def lr_run_trace_def(const lr_run_def *def);

typedef struct lr_run_report {
    int finished;               // 0: other shards still have blocks to do
    int was_complete;           // nothing had to be done
    int resumed;
    int64_t lines, pixels;      // rendered now: lines of all modules, pixels of all cameras
    double load_s, gather_s, trace_s, finish_s;   // wall time: acceleration structure and tables; ambient light of the room; lines; checksums and files
    lr_trace_count count;       // of the lines
    lr_trace_count gathering;   // of the room's ambient light
    double gather_cpu_s;        // CPU time it took, of all threads
    lr_ambient ambient;         // how the lights were scaled
    lr_scene_ambient ambient_asked;
    lr_light_error light_error; // of the whole scan, once it is finished; of a scan complete before: no pixels
} lr_run_report;

// `stage` is "light" (the room's ambient light, in parts) or "scan" (in blocks of lines), `done` of `total`; non-zero stops the run with
// LR_ERR_CANCELLED after the blocks in hand, leaving a scan that resumes.
// Called from one thread at a time.
typedef int (*lr_run_progress)(void *context, const char *stage, int64_t done, int64_t total);

// Loads scene and head from the inputs and renders. Errors: all kinds.
lr_status lr_run(const lr_run_input *scene, const lr_run_input *head, const lr_run_def *def, lr_run_progress progress, void *context,
                 lr_run_report *report, lr_error *err);

#endif
