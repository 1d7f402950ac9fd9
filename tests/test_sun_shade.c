// SPDX-License-Identifier: Apache-2.0
// Shade that is known without a ray: never where a ray to the sun's disc finds its way, and for most of a room.
#include "brute.h"
#include "close.h"
#include "trace/sun_shade.h"

#define SINE 0.00465f   // of the sun's radius

// A room with a hole in its roof, on a wide ground, with a table in it.
static room *roofed(void)
{
    room *r = room_create();
    const int grey = room_material(r, LR_MATERIAL_DIFFUSE, 0.5);
    lr_mesh *box = room_mesh_box(r, (double[3]){6, 5, 3}, 1, 6);
    for (int k = 0; k < box->triangle_count; k++) {   // the hole: triangles that shrink to a point
        uint32_t *t = box->triangle[k];
        double x = 0, y = 0, z = 0;
        for (int c = 0; c < 3; c++) {
            x += (double)box->position[t[c]][0]/3;
            y += (double)box->position[t[c]][1]/3;
            z += (double)box->position[t[c]][2]/3;
        }
        if (z > 1.49 && fabs(x) < 1.0 && fabs(y) < 0.9)
            t[1] = t[2] = t[0];
    }
    room_add_mesh(r, box, room_at(0, 0, 1.5), 1.0, grey);
    room_add_mesh(r, room_mesh_rectangle(r, 400, 400, 1), room_at(0, 0, -0.01), 1.0, grey);
    room_add_mesh(r, room_mesh_box(r, (double[3]){1.2, 0.8, 0.05}, 0, 1), room_turned(0.4, -0.3, 0.8, 0.0, 0.0, 0.5), 1.0, grey);
    return r;
}

static void shade_is_dark_and_mostly_known(void **state)
{
    (void)state;
    enum { COUNT = 4096, BATCHES = 32, SUNS = 6 };
    room *r = roofed();
    lr_bvh *bvh = NULL;
    lr_rays rays;
    uint32_t seed = 6;
    assert_int_equal(lr_bvh_create(&r->scene, 1, &bvh, NULL), LR_OK);
    assert_int_equal(lr_rays_create(COUNT, &rays, NULL), LR_OK);
    for (int s = 0; s < SUNS; s++) {
        const double up = 0.25 + 0.7*s/(SUNS - 1), flat = sqrt(1 - up*up), turn = 1.1*s;
        const lr_frame3f frame = lr_frame_aroundf(lr_v3f_of(lr_v3(flat*cos(turn), flat*sin(turn), up)));
        lr_sun_shade shade;
        int known = 0, dark = 0;
        assert_int_equal(lr_sun_shade_create(lr_bvh_facets(bvh, LR_LAYER_OPAQUE), frame, SINE, lr_v3(0, 0, 1.2), &shade, NULL), LR_OK);
        for (int b = 0; b < BATCHES; b++) {
            brute_random(&rays, COUNT, lr_v3(-3.5, -3.0, 0.001), lr_v3(3.5, 3.0, 3.5), &seed);   // some are outside, some on the roof
            for (int i = 0; i < COUNT; i++) {   // up to the very edge of the disc
                const double a = 2*LR_PI*room_uniform(&seed), q = (double)SINE*sqrt(i%2 ? 1.0 : room_uniform(&seed));
                const lr_vec3f d = lr_unitf(lr_frame_tof(frame, lr_v3f((float)(q*cos(a)), (float)(q*sin(a)), 1.0f)));
                rays.dx[i] = d.x, rays.dy[i] = d.y, rays.dz[i] = d.z;
            }
            lr_bvh_occluded(bvh, &rays, LR_RAYS_INCOHERENT);
            for (int i = 0; i < COUNT; i++) {
                const int covered = lr_sun_shade_covers(&shade, lr_v3f(rays.ox[i], rays.oy[i], rays.oz[i]));
                assert_true(rays.blocked[i] || !covered);
                known += covered;
                dark += rays.blocked[i];
            }
        }
        printf("sun at %.0f degrees: %d of %d points in the dark are known to be\n", asin(up)/LR_DEG, known, dark);
        assert_in_range(known, dark/3, dark);
        lr_sun_shade_destroy(&shade);
    }
    lr_rays_destroy(&rays);
    lr_bvh_destroy(bvh);
    room_destroy(r);
}

static void nothing_is_known_of_an_empty_room(void **state)
{
    (void)state;
    const lr_facets none = {0};
    lr_sun_shade shade;
    assert_int_equal(lr_sun_shade_create(&none, lr_frame_aroundf(lr_v3f(0, 0, 1)), SINE, lr_v3(0, 0, 0), &shade, NULL), LR_OK);
    assert_int_equal(lr_sun_shade_covers(&shade, lr_v3f(0, 0, 0)), 0);
    lr_sun_shade_destroy(&shade);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(shade_is_dark_and_mostly_known),
        cmocka_unit_test(nothing_is_known_of_an_empty_room),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
