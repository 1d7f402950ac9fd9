// SPDX-License-Identifier: Apache-2.0
// Any bytes as calibration.json, as scan.json: refused in one line, or read, checked and written back to the same text.
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "scan/calibration.h"
#include "scan/scan.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void try_calibration(const lr_json *json)
{
    lr_calibration calibration;
    lr_error err = {""};
    if (lr_calibration_from_json(json, &calibration, &err) != LR_OK) {
        if (!err.text[0] || strchr(err.text, '\n') || calibration.module)
            abort();
        return;
    }
    lr_text first = {0}, second = {0};
    lr_json *again = NULL;
    lr_calibration back;
    if (lr_calibration_write(&calibration, &first, NULL) != LR_OK || lr_json_parse("again", first.data, first.length, &again, NULL) != LR_OK ||
        lr_calibration_from_json(again, &back, NULL) != LR_OK || lr_calibration_write(&back, &second, NULL) != LR_OK ||
        strcmp(first.data, second.data) != 0)
        abort();
    lr_json_free(again);
    lr_text_free(&first);
    lr_text_free(&second);
    lr_calibration_free(&calibration);
    lr_calibration_free(&back);
}

static void try_scan(const lr_json *json)
{
    lr_scan scan, back;
    lr_error err = {""};
    if (lr_scan_from_json(json, &scan, &err) != LR_OK) {
        if (!err.text[0] || strchr(err.text, '\n') || scan.array)
            abort();
        return;
    }
    lr_text first = {0}, second = {0};
    lr_json *again = NULL;
    if (lr_scan_write(&scan, &first, NULL) != LR_OK || lr_json_parse("again", first.data, first.length, &again, NULL) != LR_OK ||
        lr_scan_from_json(again, &back, NULL) != LR_OK || lr_scan_write(&back, &second, NULL) != LR_OK || strcmp(first.data, second.data) != 0)
        abort();
    lr_json_free(again);
    lr_text_free(&first);
    lr_text_free(&second);
    lr_scan_free(&scan);
    lr_scan_free(&back);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    lr_json *json = NULL;
    if (lr_json_parse("fuzz", (const char *)data, size, &json, NULL) == LR_OK) {
        try_calibration(json);
        try_scan(json);
    }
    lr_json_free(json);
    return 0;
}
