#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# Drawing a scan's pictures and cloud takes no more memory than rendering it did: arrays are let go of as they are read.
#   sh test_preview_memory.sh PROGRAM WORK PYTHON
set -eu
program=$1 work=$2 python=$3
rm -rf "$work"; mkdir -p "$work"

# From the shell: the peak of a process counts what its parent held when it was made.
scan() { name=$1; shift
    "$program" scan scenes/bare.json scenes/heads/pocket.json -o "$work/$name" --quality draft --threads 1 --json "$@" \
        --set head.spin.lines_per_rev=3000 --set 'head.modules.*.cameras.*.exposure_us=300' >"$work/$name.json" 2>"$work/talk"; }
scan plain --no-preview
scan drawn
"$python" - "$work" <<'END'
import json, os, sys
work = sys.argv[1]
plain, drawn = (json.load(open(f'{work}/{name}.json'))['peak_memory_mb'] for name in ('plain', 'drawn'))
arrays = sum(os.path.getsize(os.path.join(folder, name)) for folder, _, names in os.walk(f'{work}/plain') for name in names if name.endswith('.npy'))/2**20
print(f'peak memory {plain:.1f} MB, with pictures and cloud {drawn:.1f} MB, of arrays of {arrays:.0f} MB')
assert arrays > 150 and drawn - plain < 16     # measured 0; 70 while all arrays stayed mapped
END
rm -r "$work"
