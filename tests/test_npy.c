// SPDX-License-Identifier: Apache-2.0
#include "core/npy.h"

#include <string.h>
#include <unistd.h>

#include "close.h"
#include "core/file.h"

static char folder[] = "/tmp/lr_test_npy_XXXXXX", path[64];

static int make_folder(void **state)
{
    (void)state;
    if (!mkdtemp(folder))
        return -1;
    snprintf(path, sizeof path, "%s/a.npy", folder);
    return 0;
}

static int remove_folder(void **state)
{
    (void)state;
    unlink(path);
    return rmdir(folder);
}

// Byte for byte what the format's text prescribes. Source: NumPy Enhancement Proposal 1.
static void header_bytes(void **state)
{
    (void)state;
    const lr_npy_info info = {.descr = "<u2", .dims = 2, .shape = {3600, 2048}};
    uint8_t header[LR_NPY_DATA];
    size_t size;
    assert_int_equal(lr_npy_header(&info, header, sizeof header, &size, NULL), LR_OK);
    assert_int_equal(size, LR_NPY_DATA);
    assert_memory_equal(header, "\x93NUMPY\x01\x00\x76\x00", 10);  // 118 = 128 - 10
    const char want[] = "{'descr': '<u2', 'fortran_order': False, 'shape': (3600, 2048), }";
    assert_memory_equal(header + 10, want, sizeof want - 1);
    for (size_t i = 10 + sizeof want - 1; i < 127; i++)
        assert_int_equal(header[i], ' ');
    assert_int_equal(header[127], '\n');
}

static void round_trip(const lr_npy_info *info, size_t want_size, size_t item_bytes)
{
    uint8_t header[1024];
    size_t size = 0, offset = 0;
    lr_error err = {0};
    lr_npy_info back;
    if (lr_npy_header(info, header, sizeof header, &size, &err) != LR_OK ||
        lr_npy_parse("a.npy", header, size, &back, &offset, &err) != LR_OK)
        fail_msg("%s", err.text);
    assert_int_equal(size, want_size);
    assert_int_equal(offset, size);
    assert_int_equal(lr_npy_item_bytes(&back), item_bytes);
    assert_int_equal(back.dims, info->dims);
    assert_int_equal(back.field_count, info->field_count);
    assert_string_equal(back.descr, info->descr);
    for (int i = 0; i < info->dims; i++)
        assert_true(back.shape[i] == info->shape[i]);
    for (int i = 0; i < info->field_count; i++) {
        assert_string_equal(back.field[i].name, info->field[i].name);
        assert_string_equal(back.field[i].descr, info->field[i].descr);
    }
    assert_true(lr_npy_items(&back) == lr_npy_items(info));
}

static void headers_come_back(void **state)
{
    (void)state;
    round_trip(&(lr_npy_info){.descr = "<f4", .dims = 3, .shape = {10, 20, 3}}, 128, 4);
    round_trip(&(lr_npy_info){.descr = "|u1", .dims = 1, .shape = {7}}, 128, 1);
    round_trip(&(lr_npy_info){.descr = "<f8", .dims = 0}, 128, 8);
    round_trip(&(lr_npy_info){.descr = "<f2", .dims = 4, .shape = {1000000, 100000, 1000000, 1}}, 128, 2);
    round_trip(&(lr_npy_info){.descr = "<c16", .dims = 4, .shape = {INT64_MAX, INT64_MAX, INT64_MAX, 0}}, 192, 16);
    round_trip(&(lr_npy_info){.field_count = 3, .dims = 1, .shape = {12345},
                              .field = {{"time_s", "<f8"}, {"encoder_count", "<u4"}, {"azimuth_deg", "<f8"}}}, 192, 20);
    lr_npy_info most = {.field_count = LR_NPY_MAX_FIELDS, .dims = 1, .shape = {1}};
    for (int i = 0; i < LR_NPY_MAX_FIELDS; i++)
        most.field[i] = (lr_npy_field){"abcdefghijklmnopqrstuvw", "<c16"};
    round_trip(&most, 512, 192);  // 484 characters, 10 before and 1 behind them
}

static void what_cannot_be_written_is_refused(void **state)
{
    (void)state;
    uint8_t header[1024];
    size_t size;
    const lr_npy_info bad[] = {
        {.descr = ">f4", .dims = 1, .shape = {1}}, {.descr = "<f4", .dims = 1, .shape = {-1}},
        {.descr = "<f4", .dims = 2, .shape = {INT64_MAX/2, 3}}, {.descr = "<f4", .dims = 5},
        {.field_count = 1, .field = {{"a'b", "<f4"}}, .dims = 1, .shape = {1}},
    };
    for (size_t i = 0; i < sizeof bad/sizeof *bad; i++)
        assert_int_equal(lr_npy_header(&bad[i], header, sizeof header, &size, NULL), LR_ERR_RANGE);
    const lr_npy_info fine = {.descr = "<f4", .dims = 1, .shape = {1}};
    assert_int_equal(lr_npy_header(&fine, header, 127, &size, NULL), LR_ERR_RANGE);
}

// A header around `dictionary`, padded to a multiple of 64.
static lr_status parse_dictionary(int version, const char *dictionary, lr_npy_info *info, lr_error *err)
{
    uint8_t bytes[640];
    const size_t length = strlen(dictionary), prefix = version == 1 ? 10 : 12;
    const size_t total = (prefix + length + 63)/64*64, header = total - prefix;
    memset(bytes, ' ', sizeof bytes);
    memcpy(bytes, "\x93NUMPY", 6);
    bytes[6] = (uint8_t)version;
    bytes[7] = 0;
    bytes[8] = (uint8_t)(header & 255);
    bytes[9] = (uint8_t)(header >> 8);
    if (version == 2)
        bytes[10] = bytes[11] = 0;
    memcpy(bytes + prefix, dictionary, length);
    size_t offset;
    return lr_npy_parse("a.npy", bytes, total, info, &offset, err);
}

static void other_spellings_are_read(void **state)
{
    (void)state;
    lr_npy_info info;
    lr_error err;
    assert_int_equal(parse_dictionary(1, "{\"shape\":(3L,4L),\"fortran_order\":False,\"descr\":\"<i4\"}\n", &info, &err), LR_OK);
    assert_int_equal(info.dims, 2);
    assert_true(info.shape[0] == 3 && info.shape[1] == 4);
    assert_int_equal(parse_dictionary(2, "{'descr': [('a', '<f4'), ('b', '|u1')], 'fortran_order': False, 'shape': (5,), }\n", &info, &err), LR_OK);
    assert_int_equal(info.field_count, 2);
    assert_int_equal(parse_dictionary(1, "{'descr': '<f4', 'fortran_order': True, 'shape': (5,)}", &info, &err), LR_OK);  // 1-D: both orders
}

static void bad_headers_are_named(void **state)
{
    (void)state;
    static const struct { const char *text, *message; } cases[] = {
        {"x", "a.npy: NPY header: it is not a dictionary"},
        {"{'descr': '<f4', 'fortran_order': True, 'shape': (5, 2)}", "a.npy: NPY header: the array is in Fortran order; save it in C order"},
        {"{'descr': '<f4', 'fortran_order': Fals, 'shape': (5, 2)}", "a.npy: NPY header: fortran_order is neither True nor False"},
        {"{'descr': '<f4', 'shape': (5, 2)}", "a.npy: NPY header: descr, fortran_order or shape is missing"},
        {"{'descr': '<f4', 'descr': '<f4'}", "a.npy: NPY header: a key is given twice"},
        {"{'descr': '<f4', 'other': '<f4'}", "a.npy: NPY header: an unknown key"},
        {"{'descr': '<f4", "a.npy: NPY header: a text is not closed"},
        {"{'descr': '<f444444444'", "a.npy: NPY header: a text is too long"},
        {"{'descr': '\\x'", "a.npy: NPY header: a text with characters beyond plain ASCII"},
        {"{'descr': []", "a.npy: NPY header: a record without fields"},
        {"{'descr': [('a', '<f4', (3,))]", "a.npy: NPY header: a field of the record is not a plain number"},
        {"{'shape': (1, 2, 3, 4, 5)", "a.npy: NPY header: an array of too many dimensions"},
        {"{'shape': (-1,)", "a.npy: NPY header: a size is missing"},
        {"{'shape': (9223372036854775808,)", "a.npy: NPY header: a size too large"},
        {"{'shape': (1 2)", "a.npy: NPY header: a comma is missing in the shape"},
        {"{'descr': '>f4', 'fortran_order': False, 'shape': (5,)}", "a.npy: NPY array of a type we do not read, or too large"},
        {"{'descr': '|O', 'fortran_order': False, 'shape': (5,)}", "a.npy: NPY array of a type we do not read, or too large"},
        {"{'descr': '<f8', 'fortran_order': False, 'shape': (4294967296, 4294967296)}", "a.npy: NPY array of a type we do not read, or too large"},
        {"{'descr': '<f8', 'fortran_order': False, 'shape': (4,)} x", "a.npy: NPY header: something behind the dictionary"},
    };
    for (size_t i = 0; i < sizeof cases/sizeof *cases; i++) {
        lr_npy_info info;
        lr_error err = {0};
        assert_int_equal(parse_dictionary(1, cases[i].text, &info, &err), LR_ERR_PARSE);
        assert_string_equal(err.text, cases[i].message);
    }
    lr_npy_info info;
    lr_error err;
    size_t offset;
    assert_int_equal(lr_npy_parse("a.npy", (const uint8_t *)"\x93NUMPX\x01\x00\x00\x00\x00\x00", 12, &info, &offset, &err), LR_ERR_PARSE);
    assert_string_equal(err.text, "a.npy: not an NPY file");
    assert_int_equal(lr_npy_parse("a.npy", (const uint8_t *)"\x93NUMPY\x03\x00\x00\x00\x00\x00", 12, &info, &offset, &err), LR_ERR_PARSE);
    assert_string_equal(err.text, "a.npy: NPY version 3.0 is neither 1.0 nor 2.0");
    assert_int_equal(lr_npy_parse("a.npy", (const uint8_t *)"\x93NUMPY\x02\x00\xff\xff\xff\xff", 12, &info, &offset, &err), LR_ERR_PARSE);
    assert_string_equal(err.text, "a.npy: the NPY header is cut off");
    assert_int_equal(lr_npy_parse("a.npy", (const uint8_t *)"\x93NUMPY\x01\x00\x01\x00{}", 12, &info, &offset, &err), LR_ERR_PARSE);
    assert_string_equal(err.text, "a.npy: NPY data do not begin at a multiple of 16");
}

static void files_come_back(void **state)
{
    (void)state;
    const float values[6] = {1, 2, 3, 4, 5, INFINITY};
    const lr_npy_info info = {.descr = "<f4", .dims = 2, .shape = {2, 3}};
    lr_npy_map map;
    lr_error err = {0};
    if (lr_npy_save(path, &info, values, &err) != LR_OK || lr_npy_open(path, &map, &err) != LR_OK)
        fail_msg("%s", err.text);
    assert_memory_equal(map.data, values, sizeof values);
    assert_int_equal((const char *)map.data - (const char *)map.base, 128);
    lr_npy_close(&map);
    lr_npy_close(&map);

    char message[160];
    for (int change = -1; change <= 1; change += 2) {  // a byte short, a byte long
        assert_int_equal(lr_npy_save(path, &info, values, &err), LR_OK);
        assert_int_equal(truncate(path, 128 + 24 + change), 0);
        assert_int_equal(lr_npy_open(path, &map, &err), LR_ERR_PARSE);
        snprintf(message, sizeof message, "%s: %d bytes of data where the header says 24", path, 24 + change);
        assert_string_equal(err.text, message);
        assert_null(map.base);
    }
    assert_int_equal(truncate(path, 0), 0);
    assert_int_equal(lr_npy_open(path, &map, &err), LR_ERR_PARSE);
    assert_int_equal(lr_npy_open(folder, &map, &err), LR_ERR_PARSE);
    assert_int_equal(lr_npy_open("no_such.npy", &map, &err), LR_ERR_MISSING);

    const lr_npy_info none = {.descr = "<f4", .dims = 2, .shape = {0, 3}};
    assert_int_equal(lr_npy_save(path, &none, values, &err), LR_OK);
    assert_int_equal(lr_npy_open(path, &map, &err), LR_OK);
    assert_true(lr_npy_items(&map.info) == 0);
    lr_npy_close(&map);
}

// NumPy itself is the judge of our files, and we of its. Skipped where Debian's NumPy is not installed.
static void numpy_agrees(void **state)
{
    (void)state;
    if (system("/usr/bin/python3 -c 'import numpy' >/dev/null 2>&1") != 0)
        skip();
    const struct { double time_s; uint32_t count; } rows_padded[2] = {{0.5, 7}, {0.75, 4000000000u}};
    uint8_t rows[2][12];
    for (int i = 0; i < 2; i++) {
        memcpy(rows[i], &rows_padded[i].time_s, 8);
        memcpy(rows[i] + 8, &rows_padded[i].count, 4);
    }
    const lr_npy_info info = {.field_count = 2, .field = {{"time_s", "<f8"}, {"count", "<u4"}}, .dims = 1, .shape = {2}};
    assert_int_equal(lr_npy_save(path, &info, rows, NULL), LR_OK);
    char command[1024];
    snprintf(command, sizeof command, "/usr/bin/python3 -c \"import numpy as n; a=n.load('%s'); assert a.shape==(2,), a; "
             "assert a['time_s'].tolist()==[0.5,0.75], a; assert a['count'].tolist()==[7,4000000000], a; "
             "n.save('%s', n.arange(24,dtype='<u2').reshape(2,3,4))\"", path, path);
    assert_int_equal(system(command), 0);
    lr_npy_map map;
    assert_int_equal(lr_npy_open(path, &map, NULL), LR_OK);
    assert_string_equal(map.info.descr, "<u2");
    assert_int_equal(map.info.dims, 3);
    for (int i = 0; i < 24; i++)
        assert_int_equal(((const uint16_t *)map.data)[i], i);
    lr_npy_close(&map);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(header_bytes),
        cmocka_unit_test(headers_come_back),
        cmocka_unit_test(what_cannot_be_written_is_refused),
        cmocka_unit_test(other_spellings_are_read),
        cmocka_unit_test(bad_headers_are_named),
        cmocka_unit_test(files_come_back),
        cmocka_unit_test(numpy_agrees),
    };
    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
