#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# The example of out/README.md that writes depth/ from another program, run as it stands and scored.
#   sh test_depth_contract.sh PROGRAM WORK PYTHON
set -eu
program=$(realpath "$1") python=$3
rm -rf "$2"; mkdir -p "$2/out"
work=$(realpath "$2")
"$program" scan scenes/stairwell.json scenes/heads/wide120.json -o "$work/out/NAME" --sector 20,21.5 --quality draft -q --no-preview
# The block that makes the folder depth/.
awk '/^```python/ { block = ""; inside = 1; next } /^```/ { if (inside && block ~ /os.makedirs/) printf "%s", block; inside = 0; next } inside { block = block $0 "\n" }' \
    out/README.md >"$work/example.py"
[ "$(grep -c '^np.save' "$work/example.py")" = 1 ] || { echo "out/README.md has no example that writes depth/" >&2; exit 1; }
[ "$(wc -l <"$work/example.py")" -le 10 ] || { echo "the example of out/README.md is longer than ten lines" >&2; exit 1; }
cd "$work"
"$python" example.py
"$program" score out/NAME --json >score.out 2>/dev/null
"$python" - <<'END'
import json
camera, = json.load(open('out/NAME/score.json'))['cameras']     # the example writes one camera, and no confidence
both = {g['name']: g for g in camera['groups']}['seen by both']
print('bad beyond a pixel', both['bad_1_px'], 'median error', both['median_m'], 'm')
assert camera['camera'] == 'upper' and both['complete'] == 1
assert 0.02 < both['bad_1_px'] < 1/3 and both['median_m'] < 0.02        # as told; better than nothing, worse than 'lanternroom depth'
END
