// SPDX-License-Identifier: Apache-2.0
// The materials that come with the program: every file loads, names its source, and is listed in materials/README.md with
// the reflectance its surface really has. `test_materials --table` prints the list's rows.
#include <dirent.h>

#include "core/file.h"
#include "material_cases.h"
#include "scene/material_json.h"
#include "scene/scene.h"

#define FOLDER "materials"
enum { MOST = 500 };

static int by_name(const void *a, const void *b) { return strcmp(*(char *const *)a, *(char *const *)b); }

// Names without ".json", sorted. Caller frees each.
static int list_materials(char *names[MOST])
{
    DIR *folder = opendir(FOLDER);
    int count = 0;
    for (struct dirent *entry = NULL; folder && (entry = readdir(folder)) != NULL;) {
        const size_t length = strlen(entry->d_name);
        if (length > 5 && strcmp(entry->d_name + length - 5, ".json") == 0 && count < MOST) {
            names[count] = strdup(entry->d_name);
            names[count++][length - 5] = '\0';
        }
    }
    if (folder)
        closedir(folder);
    qsort(names, (size_t)count, sizeof *names, by_name);
    return count;
}

static void free_names(char *names[], int count)
{
    for (int i = 0; i < count; i++)
        free(names[i]);
}

// All light sent back to the same side, square on: the integral of the value plus the mean of mirror-like draws.
static void reflectance_of(const lr_surface *s, double out[TEST_BINS])
{
    enum { STEPS = 240, DRAWS = 20000 };
    const lr_vec3f wo = lr_v3f(0, 0, 1);
    memset(out, 0, TEST_BINS*sizeof *out);
    for (int i = 0; i < STEPS; i++)
        for (int j = 0; j < STEPS; j++) {
            lr_vec3f wi;
            float f_cos[LR_MAX_BINS], pdf;
            const double area = test_direction_around(wo, (i + 0.5)/STEPS, (j + 0.5)/STEPS, &wi)/((double)STEPS*STEPS);
            lr_surface_eval(s, 1.0f, wo, wi, f_cos, &pdf);
            for (int b = 0; b < TEST_BINS; b++)
                out[b] += (double)f_cos[b]*area;
        }
    for (int k = 0; k < DRAWS; k++) {
        lr_surface_sample sample;
        if (lr_surface_draw(s, 1.0f, wo, 0.5f, 0.5f, ((float)k + 0.5f)/DRAWS, &sample) && sample.specular && sample.wi.z > 0.0f)
            for (int b = 0; b < TEST_BINS; b++)
                out[b] += (double)sample.weight[b]/DRAWS;
    }
}

static void load(const char *name, lr_material_def *def, lr_surface *surface)
{
    char path[512];
    lr_error err = {""};
    snprintf(path, sizeof path, FOLDER "/%s.json", name);
    if (lr_material_load(path, def, &err) != LR_OK)
        fail_msg("%s", err.text);
    const lr_bins bins = test_bins();
    lr_surface_bake(def, &bins, surface);
}

static void print_row(const char *name)
{
    lr_material_def def;
    lr_surface s;
    double r[TEST_BINS];
    load(name, &def, &s);
    reflectance_of(&s, r);
    printf("| `%s` | %s | %.2f | %.2f | %.2f | %s |\n", name, lr_material_kind_names[def.kind], r[0], r[1], r[2], def.source);
    lr_material_def_free(&def);
}

static void every_file_loads_and_names_its_source(void **state)
{
    (void)state;
    char *names[MOST];
    const int count = list_materials(names);
    assert_true(count >= 45);
    for (int i = 0; i < count; i++) {
        lr_material_def def;
        lr_surface s;
        load(names[i], &def, &s);
        assert_string_equal(def.name, names[i]);
        if (strncmp(def.source, "published: ", 11) != 0 && strncmp(def.source, "common value, no source", 23) != 0)
            fail_msg("%s: source is neither \"published: ...\" nor \"common value, no source\"", names[i]);
        assert_int_equal(lr_material_def_check(&def, NULL), LR_OK);
        lr_material_def_free(&def);
    }
    free_names(names, count);
}

// Rows read `| `name` | kind | R(650 nm) | R(850 nm) | R(940 nm) | source |`.
static void the_readme_tells_what_surfaces_do(void **state)
{
    (void)state;
    char *names[MOST], *readme = NULL;
    size_t length = 0;
    lr_error err = {""};
    const int count = list_materials(names);
    if (lr_file_read(FOLDER "/README.md", 1 << 20, &readme, &length, &err) != LR_OK)
        fail_msg("%s", err.text);
    int rows = 0;
    const char *table = strstr(readme, "## Reflectance square on");
    assert_non_null(table);
    for (const char *at = table; (at = strstr(at, "\n| `")) != NULL; at++)
        rows++;
    assert_int_equal(rows, count);
    for (int i = 0; i < count; i++) {
        lr_material_def def;
        lr_surface s;
        double r[TEST_BINS], told[TEST_BINS];
        char start[200], rest[400] = "", source[300];
        load(names[i], &def, &s);
        reflectance_of(&s, r);
        snprintf(start, sizeof start, "\n| `%s` | %s | ", names[i], lr_material_kind_names[def.kind]);
        const char *row = strstr(table, start);
        if (!row || sscanf(row + strlen(start), "%lf | %lf | %lf | %399[^\n]", &told[0], &told[1], &told[2], rest) != 4)
            fail_msg("README.md has no row for %s", names[i]);
        for (int b = 0; b < TEST_BINS; b++)
            assert_near(told[b], r[b], 0.005 + 2e-4);  // two decimals, and the integral's own grid
        snprintf(source, sizeof source, "%s |", def.source);
        assert_string_equal(rest, source);
        lr_material_def_free(&def);
    }
    free(readme);
    free_names(names, count);
}

// Figures from the publications, through file, loader, bins and surface.
static void published_figures_come_through(void **state)
{
    (void)state;
    static const struct { const char *name; double r650, r850, r940; } known[] = {
        {"asphalt", 0.158, 0.169, 0.169},            // Kotthaus et al. 2014, median of 10
        {"concrete", 0.306, 0.328, 0.325},           // the same, median of 7
        {"grass", 0.053, 0.497, 0.507},              // ECOSTRESS, green rye grass
        {"weathered_aluminium", 0.527, 0.538, 0.628},  // ECOSTRESS 0384UUUALM
        {"varnished_wood", 0.391, 0.562, 0.582},     // Ilehag et al. 2019; coated: the stated value holds square on
        {"polished_aluminium", 0.9056, 0.8699, 0.9176},  // Rakic 1995, ((n-1)^2+k^2)/((n+1)^2+k^2)
        {"gold", 0.9565, 0.9779, 0.9792},            // Johnson & Christy 1972
        {"chrome", 0.5556, 0.5709, 0.5745},          // Johnson & Christy 1974
        {"glass", 0.041869, 0.041264, 0.041075},     // N-BK7, one surface
    };
    for (size_t i = 0; i < sizeof known/sizeof known[0]; i++) {
        lr_material_def def;
        lr_surface s;
        double r[TEST_BINS];
        load(known[i].name, &def, &s);
        reflectance_of(&s, r);
        assert_near(r[0], known[i].r650, 5e-4);  // furnace bound of fine metal; grid
        assert_near(r[1], known[i].r850, 5e-4);
        assert_near(r[2], known[i].r940, 5e-4);
        lr_material_def_free(&def);
    }
}

// Coefficient of retroreflection R_A = f cos(entrance) cos(observation) [cd/(lx m^2), here per bin], seen 0.2 deg off the
// light, square on: the lobe's D/4 in closed form, and no less than is asked of such goods (from memory: 330 of the
// better class of tape by ISO 20471, 250 of white sheeting of type III by ASTM D4956).
static void retroreflectors_are_as_bright_as_asked(void **state)
{
    (void)state;
    static const struct { const char *name; double least, told; } known[] = {{"safety_vest", 330.0, 450.0}, {"road_sign", 250.0, 300.0}};
    for (int i = 0; i < 2; i++) {
        lr_material_def def;
        lr_surface s;
        float f_cos[LR_MAX_BINS], pdf;
        load(known[i].name, &def, &s);
        lr_surface_eval(&s, 1.0f, lr_v3f(0, 0, 1), test_direction(0.2, 0.0), f_cos, &pdf);
        const double alpha = tan(0.25*LR_DEG)/sqrt(sqrt(2.0) - 1.0), tilt = tan(0.1*LR_DEG)/alpha;
        const double d = 1.0/(LR_PI*alpha*alpha*pow(1.0 + tilt*tilt, 2.0));
        assert_rel((double)f_cos[1], lr_table_at(&def.reflectance, 850e-9)*def.retro_share*d/4.0, 1e-3);  // the base is 1e-3 of it
        assert_true((double)f_cos[1] > known[i].least);
        assert_rel((double)f_cos[1], known[i].told, 0.05);  // as the file's source line says
        lr_material_def_free(&def);
    }
}

int main(int argc, char **argv)
{
    if (argc == 2 && strcmp(argv[1], "--table") == 0) {
        char *names[MOST];
        const int count = list_materials(names);
        for (int i = 0; i < count; i++)
            print_row(names[i]);
        free_names(names, count);
        return 0;
    }
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_file_loads_and_names_its_source),
        cmocka_unit_test(the_readme_tells_what_surfaces_do),
        cmocka_unit_test(published_figures_come_through),
        cmocka_unit_test(retroreflectors_are_as_bright_as_asked),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
