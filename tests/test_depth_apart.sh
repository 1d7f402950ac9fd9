#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# Lines far apart, here 5 degrees, see other things: they are not averaged before they are matched.
#   sh test_depth_apart.sh PROGRAM WORK PYTHON
set -eu
program=$1 work=$2 python=$3
rm -rf "$work"; mkdir -p "$work"
"$program" scan scenes/kitchen.json scenes/heads/wide120.json -o "$work/kitchen" --quality draft -q --no-preview --set head.spin.lines_per_rev=72
"$program" depth "$work/kitchen" -q
"$program" score "$work/kitchen" --json > "$work/score.json"
"$python" - "$work/score.json" <<'END'
import json, sys
for camera in json.load(open(sys.argv[1]))['cameras']:
    group = next(g for g in camera['groups'] if g['name'] == 'seen by both')
    bad, believed = group['bad_1_px'], camera['believed']
    print(f"{camera['camera']}: {bad:.4f} of what both see bad beyond a pixel, {believed:.4f} of the sky believed")
    assert bad < 0.13 and believed < 0.25
END
