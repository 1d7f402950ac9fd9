// SPDX-License-Identifier: Apache-2.0
// The public header stands on its own: it comes first here, and one call of each stage links.
#include "lanternroom.h"

#include <string.h>

#include "close.h"

static void header_compiles_and_links(void **state)
{
    (void)state;
    lr_error err = {""};
    lr_scene *scene = NULL;
    lr_head *head = NULL;
    assert_int_equal(lr_scene_load("scenes/no_such_room.json", "", &scene, &err), LR_ERR_MISSING);
    assert_non_null(strstr(err.text, "no_such_room.json"));
    assert_int_equal(lr_head_load("scenes/heads/pocket.json", &head, &err), LR_OK);
    assert_true(head->module_count >= 1 && lr_head_line_count(head) > 0);
    lr_head_destroy(head);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(header_compiles_and_links)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
