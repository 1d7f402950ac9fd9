// SPDX-License-Identifier: Apache-2.0
// A calibration and folders to play with, shared by the tests of scan folders.
#ifndef LR_TESTS_SCAN_FIXTURE_H
#define LR_TESTS_SCAN_FIXTURE_H

#include <dirent.h>
#include <ftw.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core/file.h"
#include "scan/calibration.h"
#include "scan/scan_writer.h"

// Two modules; equidistant, polynomial, rectilinear and table lenses; dots, a profile, a flood.
static inline lr_calibration fixture_calibration(int pixels)
{
    static const char *const camera_names[2] = {"upper", "lower"};
    lr_calibration c = {.head = "a \"test\" head", .spin = {2.0/3.0, 3600, 1, 14400}, .module_count = 2};
    c.module = calloc(2, sizeof *c.module);
    for (int m = 0; m < 2; m++) {
        lr_cal_module *module = &c.module[m];
        snprintf(module->name, sizeof module->name, m ? "back" : "front");
        const lr_pose pose = {lr_rotation_xyz(lr_v3(0.1, -0.2, m ? LR_PI : 0.3)), {0.03, 0.1/3.0, -0.002}};
        module->pose = lr_transform_from_pose(pose);
        module->camera_count = 2;
        module->camera = calloc(2, sizeof *module->camera);
        for (int i = 0; i < 2; i++) {
            lr_cal_camera *camera = &module->camera[i];
            const lr_pose at = {lr_rotation_y(i ? 0.15 : -0.25), {0.001, 0, i ? -0.045 : 0.045}};
            snprintf(camera->name, sizeof camera->name, "%s", camera_names[i]);
            camera->pose = lr_transform_from_pose(at);
            camera->lens = lr_lens_default();
            camera->lens.focal_m = 3.4e-3/(1.0 + 0.1*i);
            camera->lens.projection = m ? (i ? LR_PROJECTION_RECTILINEAR : LR_PROJECTION_POLYNOMIAL)
                                        : (i ? LR_PROJECTION_STEREOGRAPHIC : LR_PROJECTION_EQUIDISTANT);
            if (camera->lens.projection == LR_PROJECTION_POLYNOMIAL)
                camera->lens.k[0] = -0.01/3.0, camera->lens.k[3] = 1e-5;
            camera->pixels = pixels;
            camera->pitch_m = 3.5e-6;
            camera->width_m = 14e-6;
            camera->exposure_s = 120e-6;
            camera->bits = 12;
            camera->gain_dn_per_e = 0.2;
            camera->offset_dn = 64;
            camera->read_noise_e = 8;
            camera->full_well_e = 20000;
        }
        module->laser_count = 1;
        module->laser = calloc(1, sizeof *module->laser);
        lr_cal_laser *laser = module->laser;
        *laser = (lr_cal_laser){.name = "fan", .pose = lr_transform_identity(), .mode = m ? LR_CAL_FLOOD : LR_CAL_SHEET, .wavelength_m = 850e-9,
                                .power_w = 0.2, .fan_rad = LR_PI/3, .flood_rad = 1.0, .thickness_m = 1e-3, .divergence_rad = 1e-3,
                                .dots = {.size_rad = 1.2e-3, .zero_order = 0.02, .background = 0.1}};
        if (m == 0) {
            laser->dots.count = 3;
            laser->dots.alpha_rad = malloc(3*sizeof(double));
            laser->dots.weight = malloc(3*sizeof(double));
            for (int i = 0; i < 3; i++) {
                laser->dots.alpha_rad[i] = (i - 1)/3.0;
                laser->dots.weight[i] = 0.1/(i + 1.0);
            }
        }
    }
    return c;
}

// A new folder under the system's temporary one.
static inline void fixture_folder(char out[LR_PATH_MAX])
{
    const char *base = getenv("TMPDIR");
    snprintf(out, LR_PATH_MAX, "%s/lr_scan_XXXXXX", base && *base ? base : "/tmp");
    if (!mkdtemp(out)) {
        perror(out);
        abort();
    }
}

static inline int fixture_remove_one(const char *path, const struct stat *info, int kind, struct FTW *place)
{
    (void)info, (void)kind, (void)place;
    return remove(path);
}
static inline void fixture_remove(const char *folder) { nftw(folder, fixture_remove_one, 16, FTW_DEPTH | FTW_PHYS); }

static inline void fixture_list(const char *folder, const char *inside, lr_text *out)
{
    char path[LR_PATH_MAX];
    struct dirent **names = NULL;
    if (lr_path_join(path, folder, inside, NULL) != LR_OK)
        abort();
    const int count = scandir(path, &names, NULL, alphasort);
    for (int i = 0; i < count; i++) {
        const char *name = names[i]->d_name;
        char next[LR_PATH_MAX], whole[LR_PATH_MAX], hex[65] = "?";
        struct stat info;
        if (strcmp(name, ".") != 0 && strcmp(name, "..") != 0) {
            if (lr_path_join(next, inside, name, NULL) != LR_OK || lr_path_join(whole, folder, next, NULL) != LR_OK)
                abort();
            if (lstat(whole, &info) == 0 && S_ISDIR(info.st_mode)) {
                lr_text_add(out, "%s/\n", next);
                fixture_list(folder, next, out);
            } else {
                (void)lr_file_sha256(whole, hex, NULL);
                lr_text_add(out, "%s %s\n", next, hex);
            }
        }
        free(names[i]);
    }
    free(names);
}

// Every name in the folder, with the checksum of every file: what two runs must agree on. The caller frees it.
static inline char *fixture_digest(const char *folder)
{
    lr_text text = {0};
    lr_text_add(&text, "%s", "");
    fixture_list(folder, "", &text);
    return text.data;
}

#endif
