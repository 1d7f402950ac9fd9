// SPDX-License-Identifier: Apache-2.0
#include "core/pages.h"

#include <stdint.h>
#include <stdlib.h>

#include "close.h"

static void is_zero_and_on_lines(void **state)
{
    (void)state;
    static const size_t sizes[] = {1, 64, 1000, (1u << 21) - 1, 1u << 21, (1u << 21) + 1, 5u << 20};
    for (size_t i = 0; i < sizeof sizes/sizeof *sizes; i++) {
        unsigned char *block = lr_pages_alloc(sizes[i]);
        assert_non_null(block);
        assert_true((uintptr_t)block % 64 == 0);
        for (size_t k = 0; k < sizes[i]; k++) {
            if (block[k] != 0)
                fail_msg("byte %zu of %zu is %d", k, sizes[i], block[k]);
            block[k] = 1;
        }
        free(block);
    }
}

static void nothing_is_still_a_block(void **state)
{
    (void)state;
    void *block = lr_pages_alloc(0);
    assert_non_null(block);
    free(block);
}

static void too_much_is_refused(void **state)
{
    (void)state;
    assert_null(lr_pages_alloc(SIZE_MAX));
    assert_null(lr_pages_alloc(SIZE_MAX/2));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(is_zero_and_on_lines),
        cmocka_unit_test(nothing_is_still_a_block),
        cmocka_unit_test(too_much_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
