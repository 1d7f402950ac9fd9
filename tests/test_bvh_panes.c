// SPDX-License-Identifier: Apache-2.0
// Panes: seen by rays, passed by shadow rays, and multiplying the light that goes through.
#include "brute.h"
#include "close.h"
#include "optics/bins.h"

// Clear slab without absorption, all inner reflections added: each polarisation passes (1-R)/(1+R), R of one face by Fresnel.
// Source: Born & Wolf, Principles of Optics, 7th ed., sections 1.5 and 7.6 (as powers).
static double slab(double cosine, double n)
{
    const double inside = sqrt(1 - (1 - cosine*cosine)/(n*n));
    const double s = (cosine - n*inside)/(cosine + n*inside), p = (n*cosine - inside)/(n*cosine + inside);
    return 0.5*((1 - s*s)/(1 + s*s) + (1 - p*p)/(1 + p*p));
}

static const lr_bins one_bin = {.ambient_count = 1, .edge_m = {840e-9, 860e-9}, .center_m = {850e-9}};

static room *pane_room(int *glass, int *grey)
{
    room *r = room_create();
    *grey = room_material(r, LR_MATERIAL_DIFFUSE, 0.5);
    *glass = room_material(r, LR_MATERIAL_PANE, 0.0);
    lr_material_def *def = &r->scene.material[*glass];
    lr_table_free(&def->index_n);
    assert_int_equal(lr_table_constant(1.5, &def->index_n, NULL), LR_OK);
    lr_table_free(&def->absorption_per_m);
    assert_int_equal(lr_table_constant(0.0, &def->absorption_per_m, NULL), LR_OK);
    def->thickness_m = 0.004;
    return r;
}

static double through(const lr_bvh *bvh, lr_vec3 o, lr_vec3 d, double t_near, double t_far)
{
    float t[LR_MAX_BINS];
    for (int b = 0; b < LR_MAX_BINS; b++)
        t[b] = 0.5f;  // what was there is multiplied, not replaced
    lr_bvh_pane_transmittance(bvh, lr_v3f_of(o), lr_v3f_of(d), (float)t_near, (float)t_far, 0.0f, t);
    return 2*(double)t[0];
}

static lr_rays one_ray(lr_vec3 o, lr_vec3 d, double t_far)
{
    lr_rays rays;
    assert_int_equal(lr_rays_create(1, &rays, NULL), LR_OK);
    rays.count = 1;
    brute_set(&rays, 0, o, d, 0, t_far, 0);
    return rays;
}

static void panes_pass_shadows_and_multiply(void **state)
{
    (void)state;
    int glass, grey;
    room *r = pane_room(&glass, &grey);
    for (int k = 1; k <= 3; k++)  // at x = 1, 2, 3
        room_add_mesh(r, room_mesh_rectangle(r, 20, 20, k), room_turned(k, 0, 0, 0, LR_PI/2, 0), 1.0, glass);
    room_add_mesh(r, room_mesh_rectangle(r, 20, 20, 1), room_turned(4, 0, 0, 0, LR_PI/2, 0), 1.0, grey);
    room_bake(r, &one_bin);
    lr_bvh *bvh = NULL;
    assert_int_equal(lr_bvh_create(&r->scene, 1, &bvh, NULL), LR_OK);
    assert_int_equal(lr_bvh_has_panes(bvh), 1);
    for (double angle = 0; angle < 1.1; angle += 0.1) {
        const double c = cos(angle);
        const lr_vec3 o = {0, 0.013, -0.021}, d = {c, sin(angle), 0};
        assert_rel(through(bvh, o, d, 0, 0.5/c), 1.0, 1e-7);
        assert_rel(through(bvh, o, d, 0, 1.5/c), slab(c, 1.5), 2e-6);
        assert_rel(through(bvh, o, d, 0, 3.5/c), pow(slab(c, 1.5), 3), 6e-6);
        assert_rel(through(bvh, o, d, 1.5/c, 2.5/c), slab(c, 1.5), 2e-6);
        lr_rays rays = one_ray(o, d, 3.9/c);
        lr_bvh_intersect(bvh, &rays, LR_RAYS_INCOHERENT);
        lr_bvh_occluded(bvh, &rays, LR_RAYS_INCOHERENT);
        assert_int_equal(rays.object[0], 0);
        assert_rel((double)rays.t[0], 1/c, 1e-6);
        assert_int_equal(rays.blocked[0], 0);
        rays.t_far[0] = (float)(4.1/c);
        lr_bvh_occluded(bvh, &rays, LR_RAYS_INCOHERENT);
        assert_int_equal(rays.blocked[0], 1);
        lr_rays_destroy(&rays);
    }
    lr_bvh_destroy(bvh);
    room_destroy(r);
}

// Through the edge that the two triangles of one pane share, light must pay once, not twice and not never.
static void a_pane_counts_once_at_its_seam(void **state)
{
    (void)state;
    int glass, grey;
    room *r = pane_room(&glass, &grey);
    room_add_mesh(r, room_mesh_rectangle(r, 2, 2, 1), room_turned(5, 0, 0, 0, LR_PI/2, 0), 1.0, glass);
    room_bake(r, &one_bin);
    lr_bvh *bvh = NULL;
    assert_int_equal(lr_bvh_create(&r->scene, 1, &bvh, NULL), LR_OK);
    for (int k = -99; k < 100; k++) {
        const lr_vec3 d = lr_unit(lr_v3(5, k/100.0, k/100.0)), e = lr_unit(lr_v3(5, k/100.0, -k/100.0));
        assert_rel(through(bvh, lr_v3(0, 0, 0), d, 0, 10), slab(d.x, 1.5), 2e-6);
        assert_rel(through(bvh, lr_v3(0, 0, 0), e, 0, 10), slab(e.x, 1.5), 2e-6);
    }
    lr_bvh_destroy(bvh);
    room_destroy(r);
}

// A bubble of thin glass, crossed twice; and a mesh of which one face alone is glass.
static void curved_panes_and_panes_in_part_of_a_mesh(void **state)
{
    (void)state;
    int glass, grey;
    room *r = pane_room(&glass, &grey);
    room_add_curved(r, room_sphere(0.5), room_at(2, 0, 0), glass);
    lr_mesh *box = room_mesh_box(r, (double[3]){1, 1, 1}, 0, 1);
    box->slot = calloc((size_t)box->triangle_count, sizeof *box->slot);
    box->slot_count = 2;
    box->slot[0] = box->slot[1] = 1;  // the face at -x
    const int cabinet = room_add_mesh(r, box, room_at(4, 0, 0), 1.0, grey);
    r->scene.object[cabinet].material[1] = glass;
    room_bake(r, &one_bin);
    lr_bvh *bvh = NULL;
    assert_int_equal(lr_bvh_create(&r->scene, 1, &bvh, NULL), LR_OK);
    const double off = 0.2, c = sqrt(1 - off*off/0.25);
    assert_rel(through(bvh, lr_v3(0, off, 0.1e-3), lr_v3(1, 0, 0), 0, 3), pow(slab(c, 1.5), 2), 1e-5);
    assert_rel(through(bvh, lr_v3(0, off, 0.01), lr_v3(1, 0, 0), 3, 5), slab(1, 1.5), 2e-6);
    lr_rays rays = one_ray(lr_v3(3, off, 0.01), lr_v3(1, 0, 0), 1.4);
    lr_bvh_occluded(bvh, &rays, LR_RAYS_INCOHERENT);
    assert_int_equal(rays.blocked[0], 0);  // through the glass face into the cabinet
    rays.t_far[0] = 1.6f;
    lr_bvh_occluded(bvh, &rays, LR_RAYS_INCOHERENT);
    lr_bvh_intersect(bvh, &rays, LR_RAYS_INCOHERENT);
    assert_int_equal(rays.blocked[0], 1);  // its back
    assert_int_equal(rays.object[0], cabinet);
    assert_in_range(rays.primitive[0], 0, 1);
    lr_rays_destroy(&rays);
    lr_bvh_destroy(bvh);
    room_destroy(r);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(panes_pass_shadows_and_multiply),
        cmocka_unit_test(a_pane_counts_once_at_its_seam),
        cmocka_unit_test(curved_panes_and_panes_in_part_of_a_mesh),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
