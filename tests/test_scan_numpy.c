// SPDX-License-Identifier: Apache-2.0
// Scan folders seen by a reader that is not ours: the Python blocks of out/README.md, run as they stand on a scan of known
// content, and NumPy against scan.json. Skipped where there is no NumPy.
#include <string.h>
#include <sys/wait.h>

#include "close.h"
#include "scan_job.h"

enum { LINE = 100 };  // the line whose points the page computes

static const char script[] =
    "import hashlib, json, re, sys\n"
    "import numpy as np\n"
    "folder = sys.argv[1]\n"
    "blocks = re.findall(r'```python\\n(.*?)```', open('out/README.md').read(), re.S)\n"
    "assert len(blocks) == 3, len(blocks)\n"
    "space = {}\n"
    "for block in blocks:\n"
    "    exec(block.replace('out/NAME', folder), space)\n"
    "scan = json.load(open(folder + '/scan.json'))\n"
    "assert scan['format'] == 'lanternroom-scan/1' and scan['seed'] == str(2**64 - 7)\n"
    "for entry in scan['arrays']:\n"
    "    path = folder + '/' + entry['path']\n"
    "    a = np.load(path, mmap_mode='r')\n"
    "    dtype = entry['dtype'] if isinstance(entry['dtype'], str) else [tuple(f) for f in entry['dtype']]\n"
    "    assert a.dtype == np.dtype(dtype) and list(a.shape) == entry['shape'], entry\n"
    "    assert hashlib.sha256(open(path, 'rb').read()).hexdigest() == entry['sha256'], path\n"
    "    assert a.dtype.fields is not None or a.offset == 128, path\n"
    "depth = np.load(folder + '/depth/front/upper.npy')\n"
    "assert depth.dtype == '<f4' and depth.shape == (157, 64) and (np.isnan(depth) | (depth > 0)).all()\n"
    "assert space['raw'].dtype == '<u2' and space['raw'].shape == (157, 64)\n"
    "for p in space['p_head']:\n"
    "    print(*(repr(float(v)) for v in p))\n";

static float range_of(int pixel) { return 1.0f + 0.125f*(float)pixel; }
static double azimuth_deg_of(int64_t line) { return -0.1*(double)line - 3.0; }

// As render, with ranges and encoder angles that mean something.
static void write_scan(job *j, const char *folder)
{
    lr_error err = {""};
    int finished = 0;
    j->def.folder = folder;
    if (lr_scan_writer_open(&j->def, &j->writer, &err) != LR_OK)
        fail_msg("%s", err.text);
    for (int64_t b = 0; b < lr_scan_writer_blocks(j->writer); b++) {
        int64_t first, count;
        float range[PIXELS];
        lr_scan_writer_block(j->writer, b, &first, &count);
        assert_int_equal(render(j, b, 0, &err), LR_OK);
        for (int64_t l = first; l < first + count; l++) {
            const lr_scan_line record = {0.25*(double)l, -l, azimuth_deg_of(l)};
            for (int i = 0; i < PIXELS; i++)
                range[i] = range_of(i);
            for (int a = 0; a < ARRAYS; a++)
                if (strcmp(j->array[a].path, "front/lines.npy") == 0)
                    assert_int_equal(lr_scan_writer_rows(j->writer, a, l, 1, &record, &err), LR_OK);
                else if (strcmp(j->array[a].path, "truth/front/upper.range.npy") == 0)
                    assert_int_equal(lr_scan_writer_rows(j->writer, a, l, 1, range, &err), LR_OK);
        }
    }
    assert_int_equal(lr_scan_writer_finish(j->writer, &finished, &err), LR_OK);
    assert_int_equal(finished, 1);
}

static void the_page_tells_how_to_read_a_scan(void **state)
{
    (void)state;
    char top[LR_PATH_MAX], folder[LR_PATH_MAX], command[3*LR_PATH_MAX], path[LR_PATH_MAX];
    if (system("/usr/bin/python3 -c 'import numpy' 2>/dev/null") != 0)
        skip();
    fixture_folder(top);
    inside(folder, top, "scan");
    inside(path, top, "read.py");
    assert_int_equal(lr_file_write(path, script, strlen(script), NULL), LR_OK);
    job *j = job_create(folder);
    write_scan(j, folder);

    snprintf(command, sizeof command, "/usr/bin/python3 '%s' '%s'", path, folder);
    FILE *answers = popen(command, "r");
    assert_non_null(answers);
    const lr_cal_module *module = &j->calibration.module[0];
    const lr_pose camera = lr_transform_pose(&module->camera[0].pose), body = lr_transform_pose(&module->pose);
    const lr_mat3 turn = lr_rotation_z(azimuth_deg_of(LINE)*LR_DEG);
    for (int i = 0; i < PIXELS; i++) {
        lr_vec3 got;
        assert_int_equal(fscanf(answers, "%lf %lf %lf", &got.x, &got.y, &got.z), 3);
        const lr_vec3 p = lr_mul(lr_cal_camera_direction(&module->camera[0], i), (double)range_of(i));
        const lr_vec3 want = lr_rotate(turn, lr_pose_point(body, lr_pose_point(camera, p)));
        // The page multiplies float32 ranges in double; up to 9 m, a dozen operations.
        assert_near(got.x, want.x, 1e-14*9*12);
        assert_near(got.y, want.y, 1e-14*9*12);
        assert_near(got.z, want.z, 1e-14*9*12);
    }
    assert_int_equal(pclose(answers), 0);
    job_destroy(j);
    fixture_remove(top);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(the_page_tells_how_to_read_a_scan)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
