#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# The memory of depth does not grow with the scan: 1000 lines, and 6000.
#   sh test_depth_memory.sh PROGRAM WORK PYTHON
set -eu
program=$1 work=$2 python=$3
rm -rf "$work"; mkdir -p "$work"

"$program" scan scenes/stairwell.json scenes/heads/wide120.json -o "$work/short" --sector 20,24 --quality draft -q --no-preview --truth none \
    --set 'head.modules.0.cameras.*.sensor.pixels=256' --set 'head.modules.0.cameras.*.sensor.pitch_um=28'
"$python" - "$work" <<'END'
import json, os, shutil, sys
import numpy as np
work = sys.argv[1]

def stretch(name, lines):
    """The short scan's lines over and over, as one scan."""
    shutil.copytree(f'{work}/short', f'{work}/{name}')
    scan = json.load(open(f'{work}/{name}/scan.json'))
    for array in scan['arrays']:
        path = f"{work}/{name}/{array['path']}"
        data = np.load(path)
        long = np.lib.format.open_memmap(path + '.new', 'w+', data.dtype, (lines,) + data.shape[1:])
        for first in range(0, lines, len(data)):
            long[first:first + len(data)] = data[:lines - first]
        del long
        os.replace(path + '.new', path)
        array['shape'][0] = lines
    scan['lines'] = lines
    json.dump(scan, open(f'{work}/{name}/scan.json', 'w'))
    return sum(os.path.getsize(f"{work}/{name}/{a['path']}") for a in scan['arrays'])/2**20

sizes = [stretch(name, lines) for name, lines in (("few", 1000), ("many", 6000))]
print('scans of %.1f and %.1f MB' % tuple(sizes))
END
# From the shell: the peak of a process counts what its parent held when it was made.
for name in few many; do
    "$program" depth "$work/$name" --threads 2 --near 2 --json >"$work/$name.json"
done
"$python" - "$work" <<'END'
import json, sys
import numpy as np
work = sys.argv[1]
few, many = (json.load(open(f'{work}/{name}.json'))['peak_memory_mb'] for name in ('few', 'many'))
print(f'peak memory {few:.1f} and {many:.1f} MB')
assert many - few < 1.5     # of 5 MB of raw lines that came on top; measured 0.1
few, many = (np.load(f'{work}/{name}/depth/front/upper.npy', mmap_mode='r') for name in ('few', 'many'))
assert many.shape == (6000, 256) and np.isfinite(many[-1000:]).mean() > 0.5 and np.array_equal(few[:960], many[:960], equal_nan=True)
END
rm -r "$work"
