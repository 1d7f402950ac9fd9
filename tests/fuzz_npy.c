// SPDX-License-Identifier: Apache-2.0
// Any bytes as an NPY header: what is accepted has a size that fits, and is written and read back the same.
// Build with -DLR_FUZZ=ON -DCMAKE_C_COMPILER=clang -DLR_SANITIZE=address,undefined; run fuzz_npy -max_total_time=60.
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "core/npy.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(int condition)
{
    if (!condition)
        abort();
}

static void check_again(const lr_npy_info *info)
{
    uint8_t header[1024];
    size_t length, offset;
    lr_npy_info back;
    if (lr_npy_header(info, header, sizeof header, &length, NULL) != LR_OK)
        return;  // a field's name that we do not write
    must(length >= LR_NPY_DATA && length % 64 == 0);
    must(lr_npy_parse("again", header, length, &back, &offset, NULL) == LR_OK && offset == length);
    must(back.dims == info->dims && back.field_count == info->field_count);
    must(memcmp(back.shape, info->shape, sizeof back.shape) == 0);
    must(lr_npy_item_bytes(&back) == lr_npy_item_bytes(info));
}

static void check(const uint8_t *data, size_t size)
{
    lr_npy_info info;
    size_t offset;
    lr_error err = {""};
    const lr_status status = lr_npy_parse("fuzz", data, size, &info, &offset, &err);
    if (status != LR_OK) {
        must(status == LR_ERR_PARSE && err.text[0]);
        return;
    }
    must(offset <= size && offset % 16 == 0);
    must(lr_npy_item_bytes(&info) > 0 && lr_npy_items(&info) >= 0);
    must(lr_npy_items(&info) <= INT64_MAX/(int64_t)lr_npy_item_bytes(&info));
    check_again(&info);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    check(data, size);
    // The same bytes behind a good beginning, so that the dictionary is reached without luck.
    uint8_t whole[1034];
    size_t length = size < 1000 ? size : 1000, header = (length + 10 + 63)/64*64 - 10;
    memset(whole, ' ', sizeof whole);
    memcpy(whole, "\x93NUMPY\x01\x00", 8);
    whole[8] = (uint8_t)(header & 255);
    whole[9] = (uint8_t)(header >> 8);
    if (length)
        memcpy(whole + 10, data, length);
    check(whole, 10 + header);
    return 0;
}
