// SPDX-License-Identifier: Apache-2.0
// A scan being rendered: what the files of run/ share. Private to run/.
#ifndef LR_RUN_RUN_STATE_H
#define LR_RUN_RUN_STATE_H

#include <pthread.h>

#include "run/image.h"
#include "run/run.h"
#include "scan/scan_writer.h"
#include "sensor/sensor.h"
#include "trace/tracer.h"

#define LR_BLOCK_LINES 16  // of all modules: some megabytes a thread

typedef struct lr_camera_slot {   // one camera of the scan and where its arrays are
    int module, camera, partner;
    int raw;                          // index of the raw array
    int error;                        // index of the array of light errors
    int layer[LR_TRUTH_LAYERS];       // index of a truth array or -1
    lr_sensor *sensor;
    lr_image *image;
} lr_camera_slot;

typedef struct lr_module_slot { int lines, truth_lines; } lr_module_slot;

typedef struct lr_run_worker {
    lr_work *work;
    float *signal, *part[5];          // (LR_BLOCK_LINES x most pixels)
    float *again[5];                  // (most pixels) a line's second rendering
    lr_truth_error error[LR_BLOCK_LINES];
    float *range, *normal, *partner;
    int32_t *object;
    uint16_t *material, *raw;
    uint8_t *flags;
} lr_run_worker;

typedef struct lr_run_state {
    const lr_run_def *def;
    lr_scene *scene;
    lr_head *head;
    lr_bvh *bvh;
    lr_rig *rig;
    lr_tracer *tracer;
    lr_tracer again;                  // for the second rendering of a line
    lr_scan_writer *writer;
    int64_t first_line, line_count;
    int threads, camera_count, array_count, most_pixels;
    lr_camera_slot *camera;
    lr_module_slot module[LR_MAX_MODULES];
    lr_scan_array *array;
    lr_run_worker *worker;
    pthread_mutex_t lock;             // of progress
    lr_run_progress progress;
    void *context;
    int64_t done, total;
    int cancelled;
    lr_light_error *light_error;      // of the report
    const lr_ambient *ambient;
} lr_run_state;

// run/run_block.c: a worker's arrays, and the job of a thread: one block of lines of all cameras, from light to disk.
lr_status lr_run_worker_create(lr_run_state *run, lr_run_worker *worker, lr_error *err);
void lr_run_worker_free(lr_run_worker *worker);
lr_status lr_run_block(void *run, int64_t block, int worker, lr_error *err);

// run/run_arrays.c: which arrays the scan holds; makes the sensors and images of its cameras.
lr_status lr_run_list_arrays(lr_run_state *run, lr_error *err);

// run/run_folder.c: the folder with its side files.
lr_status lr_run_open(lr_run_state *run, const lr_run_input *scene, const lr_run_input *head, lr_error *err);

#endif
