// SPDX-License-Identifier: Apache-2.0
// How fast a scan is, and how near to what its ray tracer could do at most: one thread, a sector of a room.
//   bench_scan [--scene FILE] [--head FILE] [--quality WORD] [--sector FROM,TO] [--indirect-samples N] [--rounds N] [--least-share X] [--most-us X]
// In each round the sector is rendered twice: plainly, for the time of a pixel, and with every batch of rays traced once more by bare packet calls, which
// are timed: the very calls the batch needs, those that look for panes behind what is not blocked included. The share is the bare calls' CPU time over
// the rest of the same rendering's, so that a crowded machine slows both alike; the middle one of the rounds counts. It is told of the lines alone, and of a whole scan: the room's ambient light
// gathered once, and as many lines as the head's scan has. Loading the room is left out. Exit 1 if the whole scan's share is below --least-share, or a
// pixel's lines take more than --most-us.
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "run/run.h"

enum { ROUNDS_MOST = 99 };

typedef struct options {
    const char *scene, *head;
    double sector_deg[2], least_share, most_us;
    int quality, indirect_samples, rounds;
} options;

typedef struct input { lr_json *json; char *text; } input;

typedef struct watch { double first_s, last_s; int64_t first, last, total; } watch;   // CPU time when blocks were done

static double cpu_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9*(double)t.tv_nsec;
}

static int look(void *context, const char *stage, int64_t done, int64_t total)
{
    watch *w = context;
    if (strcmp(stage, "scan") != 0)
        return 0;
    w->last_s = cpu_s();
    w->last = done;
    w->total = total;
    if (!w->first) {
        w->first = done;
        w->first_s = w->last_s;
    }
    return 0;
}

static void fail(const char *text)
{
    fprintf(stderr, "%s\n", text);
    exit(2);
}

static input load(const char *path)
{
    lr_error err = {{0}};
    input in = {0};
    if (lr_json_load(path, &in.json, &err) != LR_OK)
        fail(err.text);
    in.text = lr_json_print(in.json);
    if (!in.text)
        fail("out of memory");
    return in;
}

static void unload(input *in)
{
    lr_json_free(in->json);
    free(in->text);
}

// Renders; returns CPU seconds of all its blocks, from the second on: the first one warms up and stands for itself.
static double render(const options *o, const char *folder, int measure, lr_run_report *report)
{
    input scene = load(o->scene), head = load(o->head);
    lr_run_def def = lr_run_def_default();
    lr_error err = {{0}};
    watch w = {0};
    def.folder = folder;
    def.threads = 1;
    def.quality = (lr_quality)o->quality;
    def.indirect_samples = o->indirect_samples;
    def.sector_deg[0] = o->sector_deg[0];
    def.sector_deg[1] = o->sector_deg[1];
    def.force = 1;
    def.measure = measure;
    const lr_run_input inputs[2] = {{o->scene, scene.text, scene.json}, {o->head, head.text, head.json}};
    if (lr_run(&inputs[0], &inputs[1], &def, look, &w, report, &err) != LR_OK)
        fail(err.text);
    if (w.last <= w.first)
        fail("the sector is too narrow: it holds one block of lines");
    unload(&scene);
    unload(&head);
    return (w.last_s - w.first_s)*(double)w.total/(double)(w.last - w.first);
}

static double bare_total(const lr_trace_count *c)
{
    double sum = 0.0;
    for (int k = 0; k < LR_RAY_KINDS; k++)
        sum += c->bare_s[k];
    return sum;
}

// How many times the lines of the sector a whole scan has.
static double sectors_of_scan(const options *o, int64_t lines)
{
    lr_error err = {{0}};
    lr_head *head;
    if (lr_head_load(o->head, &head, &err) != LR_OK)
        fail(err.text);
    const double all = (double)lr_head_line_count(head)*head->module_count;
    lr_head_destroy(head);
    return all/(double)lines;
}

static int rising(const void *a, const void *b) { return (*(const double *)a > *(const double *)b) - (*(const double *)a < *(const double *)b); }

static double middle(double *values, int count)
{
    qsort(values, (size_t)count, sizeof *values, rising);
    return values[count/2];
}

static void print_kinds(const lr_trace_count *c, const char *of, double pixels, double own_s)
{
    double rays = 0.0;
    printf("%-10s %12s %10s %12s %12s\n", of, "count", "per pixel", "bare Mray/s", "of the time");
    for (int k = 0; k < LR_RAY_KINDS; k++) {
        const double n = (double)c->rays[k], s = c->bare_s[k];
        if (n > 0.0)
            printf("%-10s %12.0f %10.3f %12.2f %10.1f %%\n", lr_ray_kind_names[k], n, n/pixels, 1e-6*n/s, 100.0*s/own_s);
        rays += n;
    }
    printf("%-10s %12.0f %10.3f %12.2f %10.1f %%\n", "all", rays, rays/pixels, 1e-6*rays/bare_total(c), 100.0*bare_total(c)/own_s);
}

static int quality_of(const char *word)
{
    for (int i = 0; lr_quality_names[i]; i++)
        if (strcmp(lr_quality_names[i], word) == 0)
            return i;
    fail("--quality: draft, standard or fine");
    return 0;
}

static options parse(int argc, char **argv)
{
    options o = {.scene = "scenes/workshop.json", .head = "scenes/heads/wide120.json", .sector_deg = {0.0, 20.0}, .quality = LR_QUALITY_DRAFT,
                 .indirect_samples = -1, .rounds = 3};
    for (int i = 1; i < argc; i += 2) {
        const char *name = argv[i], *value = i + 1 < argc ? argv[i + 1] : NULL;
        if (!value)
            fail("every option takes a value; they are listed at the top of tests/bench_scan.c");
        if (strcmp(name, "--scene") == 0) o.scene = value;
        else if (strcmp(name, "--head") == 0) o.head = value;
        else if (strcmp(name, "--quality") == 0) o.quality = quality_of(value);
        else if (strcmp(name, "--sector") == 0) { if (sscanf(value, "%lf,%lf", &o.sector_deg[0], &o.sector_deg[1]) != 2) fail("--sector: FROM,TO"); }
        else if (strcmp(name, "--indirect-samples") == 0) o.indirect_samples = atoi(value);
        else if (strcmp(name, "--rounds") == 0) o.rounds = atoi(value);
        else if (strcmp(name, "--least-share") == 0) o.least_share = atof(value);
        else if (strcmp(name, "--most-us") == 0) o.most_us = atof(value);
        else fail("unknown option; they are listed at the top of tests/bench_scan.c");
    }
    if (!(o.rounds >= 1 && o.rounds <= ROUNDS_MOST))
        fail("--rounds: 1 .. 99");
    return o;
}

int main(int argc, char **argv)
{
    const options o = parse(argc, argv);
    char folder[] = "/tmp/bench_scan_XXXXXX", command[64];
    if (!mkdtemp(folder))
        fail("no folder to write to");
    double own_s[ROUNDS_MOST], share[ROUNDS_MOST], whole[ROUNDS_MOST], gather_s[ROUNDS_MOST], sectors = 1.0, beside_s = 0.0, gather_beside_s = 0.0;
    lr_run_report plain, measured = {0};
    for (int i = 0; i < o.rounds; i++) {
        own_s[i] = render(&o, folder, 0, &plain);
        beside_s = render(&o, folder, 1, &measured) - measured.count.aside_s;
        gather_beside_s = measured.gather_cpu_s - measured.gathering.aside_s;
        const double bare_s = bare_total(&measured.count);
        sectors = sectors_of_scan(&o, plain.lines);
        gather_s[i] = plain.gather_cpu_s;
        share[i] = bare_s/beside_s;
        whole[i] = (bare_total(&measured.gathering) + sectors*bare_s)/(gather_beside_s + sectors*beside_s);
    }
    snprintf(command, sizeof command, "rm -rf %s", folder);
    if (system(command) != 0)
        fail("the folder of the benchmark stays behind");
    const double seconds = middle(own_s, o.rounds), gathered_s = middle(gather_s, o.rounds), got = middle(whole, o.rounds);
    const double pixels = (double)plain.pixels, us = 1e6*seconds/pixels;
    printf("%s, %s, %s, %lld lines, one thread, middle of %d rounds\n", o.scene, o.head, lr_quality_names[o.quality], (long long)plain.lines, o.rounds);
    print_kinds(&measured.count, "lines", pixels, beside_s);
    if (bare_total(&measured.gathering) > 0.0)
        print_kinds(&measured.gathering, "gathering", sectors*pixels, gather_beside_s);
    printf("%.2f s to load; %.2f s to gather, %.2f s for all lines of a scan\n", plain.load_s, gathered_s, sectors*seconds);
    printf("%.3f us a pixel (best %.3f), %.3f Mpixel/s; share of the ray tracer's limit: lines %.3f, whole scan %.3f\n", us, 1e6*own_s[0]/pixels, 1.0/us, middle(share, o.rounds), got);
    if (got < o.least_share)
        printf("the share is below %g\n", o.least_share);
    if (o.most_us > 0.0 && us > o.most_us)
        printf("a pixel takes more than %g us\n", o.most_us);
    return got < o.least_share || (o.most_us > 0.0 && us > o.most_us);
}
