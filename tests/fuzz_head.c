// SPDX-License-Identifier: Apache-2.0
// Any text as a head file: it is refused with one line, or gives a head whose checks, poses and bins hold.
#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "head/head.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void use(const lr_head *head)
{
    lr_bins bins;
    if (lr_head_bins(head, &bins, NULL) != LR_OK || lr_head_line_count(head) < 1)
        abort();
    for (int m = 0; m < head->module_count; m++) {
        const lr_pose pose = lr_head_module_pose(head, m, 1.0, 1);
        if (!(fabs(lr_length(pose.rotation.x) - 1.0) < 1e-9))
            abort();
        for (int c = 0; c < head->module[m].camera_count; c++) {
            const lr_camera_def *camera = &head->module[m].camera[c];
            double pixel, across;
            const lr_vec3 d = lr_camera_direction(camera, 0.0, 0.0);
            if (d.x >= -1.0 && lr_camera_project(camera, d, &pixel, &across) && !(fabs(pixel) < 1.0))
                abort();
            if (!(lr_camera_response(camera, 0.0, 850e-9) >= 0.0))
                abort();
        }
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    lr_json *json = NULL;
    lr_head *head = NULL;
    lr_error err = {""};
    if (lr_json_parse("fuzz.json", (const char *)data, size, &json, &err) == LR_OK
        && lr_head_from_json(json, ".", &head, &err) == LR_OK)
        use(head);
    else if (!err.text[0] || strchr(err.text, '\n'))
        abort();
    lr_head_destroy(head);
    lr_json_free(json);
    return 0;
}
