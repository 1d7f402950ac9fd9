#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# depth on a scan that is still growing: what is recorded is answered, and like the finished scan's wherever nothing near it is missing.
#   sh test_depth_growing.sh PROGRAM WORK PYTHON
set -eu
program=$1 work=$2 python=$3
rm -rf "$work"; mkdir -p "$work"
fail() { echo "test_depth_growing: $1" >&2; exit 1; }

# Six of seven parts done, so that of every seven blocks of 16 lines the last is not recorded yet
grow() {
    "$program" scan scenes/stairwell.json scenes/heads/wide120.json -o "$work/grow" --sector 20,31.2 --quality draft -q --no-preview --set 'head.modules.0.cameras.*.sensor.pixels=256' \
        --set 'head.modules.0.cameras.*.sensor.pitch_um=28' --shard "$1/7"; }
for part in 1 2 3 4 5 6; do grow $part; done
[ ! -e "$work/grow/scan.json" ] || fail "six parts of seven are a whole scan"
"$program" depth "$work/grow" > "$work/out" 2> /dev/null
grep -q "not recorded yet" "$work/out" || fail "depth does not say that lines are missing"
cp -r "$work/grow/depth" "$work/early"
grow 7
"$program" depth "$work/grow" -q
"$python" - "$work" <<'END'
import sys
import numpy as np
for camera in ('upper', 'lower'):
    early, whole = (np.load(f'{sys.argv[1]}/{d}/front/{camera}.npy') for d in ('early', 'grow/depth'))
    line = np.arange(len(whole))
    there = line//16 % 7 < 6
    assert there.sum() < len(whole) > 100 and not np.isfinite(early[~there]).any()
    assert np.isfinite(early[there]).mean() > 0.8                       # a block of depth that is recorded in part is answered in part
    settled = np.array([there[max(first - 4, 0):first + 44].all() for first in line//40*40])   # blocks of 40 lines and 4 on either side
    assert settled.sum() >= 80 and np.array_equal(early[settled], whole[settled], equal_nan=True)
    near = there & ~settled                                             # others differ by what stands beside them only
    both = np.isfinite(early) & np.isfinite(whole) & near[:, None]
    assert np.median(np.abs(early[both]/whole[both] - 1)) < 8e-3         # a tenth of a pixel at 2 m, f b being 24 m pixels
END
