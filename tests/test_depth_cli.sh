#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# depth, score and export as commands, on a small scan of a stairwell: the same bytes without truth/ and for every number of threads,
# each bad input with its exact line, exports read back by other libraries.
#   sh test_depth_cli.sh PROGRAM WORK PYTHON
set -eu
program=$1 work=$2 python=$3
rm -rf "$work"; mkdir -p "$work"
fail() { echo "test_depth_cli: $1" >&2; exit 1; }

room="scenes/stairwell.json scenes/heads/wide120.json"
small='head.modules.0.cameras.*.sensor.pixels=1024' pitch='head.modules.0.cameras.*.sensor.pitch_um=7'
# shellcheck disable=SC2086
"$program" scan $room -o "$work/scan" --sector 20,22.5 --quality draft -q --no-preview --set "$small" --set "$pitch"

# ---- The same bytes whatever the threads, and without truth/
sums() { (cd "$work/scan/depth" && find . -type f -exec sha256sum {} + | sort -k2); }
"$program" depth "$work/scan" -q --threads 1
sums > "$work/sums1"
[ "$(wc -l < "$work/sums1")" = 6 ] || fail "depth/ does not hold six arrays"
mv "$work/scan/truth" "$work/truth_aside"
for threads in 2 7; do
    rm -r "$work/scan/depth"
    "$program" depth "$work/scan" -q --threads $threads
    sums > "$work/sums"
    cmp -s "$work/sums1" "$work/sums" || fail "depth/ differs without truth/ or with $threads threads"
done

# ---- Bad input: one line, exit 2
expect() {  # WORDS... : what stderr must be is in $want
    set +e; "$program" "$@" > "$work/out" 2> "$work/err"; code=$?; set -e
    [ $code = 2 ] || fail "$*: exit $code, wanted 2"
    [ "$(cat "$work/err")" = "$want" ] || { cat "$work/err"; fail "$*: wanted: $want"; }
}
want="lanternroom: $work/none: no scan here: neither scan.json nor progress/plan.json"
expect depth "$work/none"
want="lanternroom: --near: \"close\" is not a number"
expect depth "$work/scan" --near close
want="lanternroom: $work/scan: match: near_m: 1e+30 is not below 1e6"
expect depth "$work/scan" --near 1e30
want="lanternroom: $work/scan: match: near_m: 0 is not above 0"
expect depth "$work/scan" --near 0
# shellcheck disable=SC2086
"$program" scan $room -o "$work/bare" --sector 20,20.2 --quality draft -q --no-preview --truth none --set "$small" --set "$pitch"
"$program" depth "$work/bare" -q
want="lanternroom: $work/bare: scoring needs truth/front/upper.range.npy, and the scan does not keep it"
expect score "$work/bare"
rm -r "$work/bare/depth"
want="lanternroom: $work/bare: no depth/MODULE/CAMERA.npy to score; 'lanternroom depth' makes them"
expect score "$work/bare"
want="lanternroom: $work/bare: no range of front/upper in depth/ or truth/; 'lanternroom depth' makes it"
expect export "$work/bare" --what ply
want="lanternroom: --what: \"plz\" is not one of all, png, pfm, rectified, ply, pcd, anaglyph, equirect; did you mean \"ply\"?"
expect export "$work/bare" --what plz
want="lanternroom: --confidence: \"2\" is not a number from 0 to 1"
expect export "$work/bare" --confidence 2
single=$("$python" -c "import json; print(json.dumps(json.load(open('scenes/heads/wide120.json'))['modules'][0]['cameras'][:1]))")
# shellcheck disable=SC2086
"$program" scan $room -o "$work/one" --sector 20,20.2 --quality draft -q --no-preview --truth none --set "head.modules.0.cameras=$single"
want="lanternroom: $work/one: front: 1 camera: stereo needs two"
expect depth "$work/one" --mode stereo
"$program" depth "$work/one" -q --mode pattern    # one camera against the dots: fine
# shellcheck disable=SC2086
"$program" scan $room -o "$work/dull" --sector 20,20.2 --quality draft -q --no-preview --truth none --set "head.modules.0.cameras=$single" --set 'head.modules.0.lasers=[]'
want="lanternroom: $work/dull: front: 1 camera and no laser whose dots are known: nothing to match"
expect depth "$work/dull"
truncate -s 1000 "$work/dull/front/upper.npy"
set +e; "$program" depth "$work/dull" 2> "$work/err"; code=$?; set -e
[ $code = 2 ] && [ "$(wc -l < "$work/err")" = 1 ] || fail "a truncated array is not one line and exit 2"

# ---- Arrays that are missing, cut short, or not those of the calibration
damaged() { rm -rf "$work/hurt"; cp -r "$work/bare" "$work/hurt"; }
damaged; rm "$work/hurt/front/lower.npy"
want="lanternroom: $work/hurt/front/lower.npy: cannot be opened: No such file or directory"
expect depth "$work/hurt"
damaged; truncate -s 1000 "$work/hurt/front/lower.npy"
want="lanternroom: $work/hurt/front/lower.npy: 872 bytes of data where the header says 4096"
expect depth "$work/hurt"
damaged; rm "$work/hurt/calibration.json"
want="lanternroom: $work/hurt/calibration.json: cannot be opened: No such file or directory"
expect depth "$work/hurt"
damaged; cp "$work/one/calibration.json" "$work/hurt/"    # of a head whose lines have 2048 pixels
want="lanternroom: $work/hurt/front/upper.npy: shape [2, 1024] where calibration.json has [2, 2048]"
expect depth "$work/hurt"
want="lanternroom: $work/no_laser: front: 2 cameras and no laser whose dots are known: nothing to match"
# shellcheck disable=SC2086
"$program" scan $room -o "$work/no_laser" --sector 20,20.2 --quality draft -q --no-preview --truth none --set "$small" --set "$pitch" --set 'head.modules.0.lasers=[]'
expect depth "$work/no_laser" --mode pattern
"$program" depth "$work/no_laser" -q    # two cameras need none

# ---- Score and export
mv "$work/truth_aside" "$work/scan/truth"
"$program" score "$work/scan" > "$work/table" 2> /dev/null
grep -q '^seen by both' "$work/table" || fail "no table"
[ -s "$work/scan/preview/front_upper_error.png" ] || fail "no error panorama"
"$python" -c '
import struct, sys
width, height = struct.unpack(">II", open(sys.argv[1], "rb").read()[16:24])
assert width >= 600, f"25 lines make {width} columns: the words under them are cut off"
' "$work/scan/preview/front_upper_error.png"
"$program" export "$work/scan" -q
"$program" export "$work/scan" -q --source truth --frame world --what ply,pcd,rectified,pfm -o "$work/true"
"$python" tests/check_exports.py "$work/scan" "$work/true"
