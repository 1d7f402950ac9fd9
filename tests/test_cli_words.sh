#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# Wrong words on the command line: one line, exit 2, the nearest right word where there is one, and no folder made.
set -eu
program=$1 work=$2
. tests/cli.sh
rm -rf "$work"
mkdir -p "$work"
room=scenes/bare.json head=scenes/heads/pocket.json out=$work/out

wrong 2 'unknown command "scna"; did you mean "scan"?' scna
wrong 2 'unknown command "chekc"; did you mean "check"?' chekc
wrong 2 "unknown command \"frobnicate\"; see 'lanternroom --help'" frobnicate
wrong 2 'unknown command "scna"; did you mean "scan"?' help scna
code=0
"$program" >"$work/stdout" 2>"$work/stderr" || code=$?
[ "$code" = 2 ] && [ ! -s "$work/stdout" ] && cmp -s "$work/stderr" tests/expected/help.txt || fail "without words: exit $code"

wrong 2 'unknown option --sedd; did you mean --seed?' scan --sedd 3 $room $head
wrong 2 'unknown option --qualty=draft; did you mean --quality?' scan --qualty=draft $room $head
wrong 2 'unknown option -x' scan -x $room $head
wrong 2 'unknown option --quiet=3; did you mean --quiet?' scan --quiet=3 $room $head
wrong 2 'unknown option --shcema; did you mean --schema?' check --shcema head
wrong 2 '--out needs a value' scan $room $head --out
wrong 2 'wanted: SCENE HEAD' scan
wrong 2 'wanted: SCENE HEAD' scan $room
wrong 2 '"more" is one word too many; wanted: SCENE HEAD' scan $room $head more
wrong 2 'wanted: FILE...' check
wrong 2 '--schema prints a schema and checks nothing: "x.json" is one word too many' check --schema head x.json
wrong 2 '--schema: "heads" is not one of scene, head, material, study; did you mean "head"?' check --schema heads
wrong 2 '--quality: "drfat" is not one of draft, standard, fine; did you mean "draft"?' scan -o "$out" --quality drfat $room $head
wrong 2 '--threads: -1 is not a whole number in [0, 4096]' scan -o "$out" --threads -1 $room $head
wrong 2 '--threads: 2x is not a whole number in [0, 4096]' scan -o "$out" --threads 2x $room $head
wrong 2 '--threads: 99999999999999999999 is not' scan -o "$out" --threads 99999999999999999999 $room $head
wrong 2 '--seed: -1 is not a whole number from 0 to 2^64-1' scan -o "$out" --seed -1 $room $head
wrong 2 '--seed: 18446744073709551616 is not' scan -o "$out" --seed 18446744073709551616 $room $head
wrong 2 '--sector: "1" is not two numbers with a comma' scan -o "$out" --sector 1 $room $head
wrong 2 '--sector: "nan,20" is not two numbers' scan -o "$out" --sector nan,20 $room $head
wrong 2 'sector: 50,20 is not FROM,TO with 0 <= FROM < TO <= 360' scan -o "$out" --sector 50,20 $room $head
wrong 2 'sector: 0,400 is not FROM,TO' scan -o "$out" --sector 0,400 $room $head
wrong 2 'truth: "rnage" is not a truth array' scan -o "$out" --truth rnage $room $head
wrong 2 '--shard: "3/2" is not K/N with 1 <= K <= N' scan -o "$out" --shard 3/2 $room $head
wrong 2 '--shard: "0/2" is not' scan -o "$out" --shard 0/2 $room $head
wrong 2 '--shard: "0/0" is not' scan -o "$out" --shard 0/0 $room $head
wrong 2 '--shard: "1/99999999999" is not K/N with 1 <= K <= N <= 1000000' scan -o "$out" --shard 1/99999999999 $room $head
wrong 2 '--shard: "1" is not' scan -o "$out" --shard 1 $room $head
wrong 2 'samples: 3 is not 1 or an even number' scan -o "$out" --samples 3 $room $head
wrong 2 '--shard: "1/2x" is not' scan -o "$out" --shard 1/2x $room $head
wrong 2 '--set: "x" is not PATH=VALUE' scan -o "$out" --set x $room $head
wrong 2 '--set haed.spin.rev_per_s=2: a path begins with scene. or head.' scan -o "$out" --set haed.spin.rev_per_s=2 $room $head
wrong 2 '--set head.modules.5.azimuth_deg: scenes/heads/pocket.json: cannot set modules.5.azimuth_deg: modules has 1 entry' \
    scan -o "$out" --set head.modules.5.azimuth_deg=3 $room $head
wrong 2 'spn: unknown key "spn"; did you mean "spin"?' scan -o "$out" --set head.spn=3 $room $head
wrong 2 'lens.fnumber: unknown key "fnumber"; did you mean "f_number"?' scan -o "$out" --set head.modules.0.cameras.0.lens.fnumber=3 $room $head
wrong 2 'spn: unknown key "spn"; did you mean "spin"?' scan -o "$out" --set head.spn.rev_per_s=3 $room $head
wrong 2 'cannot set modules.0.camera.0.name: modules[0] has no "camera"' scan -o "$out" --set head.modules.0.camera.0.name=x $room $head
for command in depth score export; do
    wrong 2 "--set head.spin.rev_per_s=4: the inputs of a scan are settled; give it to 'lanternroom scan'" $command "$work" --set head.spin.rev_per_s=4
done
wrong 2 'spin.rev_per_s: "nan" is not a number' scan -o "$out" --set head.spin.rev_per_s=nan $room $head
wrong 2 'not a usable name' scan -o "" $room $head
[ ! -e "$out" ] || fail "a folder was made"

# Overrides reach the kind of file they name.
"$program" check $head --set head.spin.rev_per_s=2 --set scene.nothing=1 >/dev/null || fail "check with --set"
echo '{"format": "lanternroom-head/1", "modules": [{"cameras": [{}]}]}' >"$work/short.json"   # what it leaves out has defaults, and can be set
"$program" check "$work/short.json" --set head.spin.rev_per_s=2 --set 'head.modules.*.cameras.*.lens.focus_m=3' >/dev/null || fail "check with --set of what is left out"
wrong 2 'modules[0].cameras[0].lens.focus_m: -3 is not in' check "$work/short.json" --set 'head.modules.*.cameras.*.lens.focus_m=-3'
wrong 2 'pocket.json: spin.rev_per_s: -2 is not in (0, 1000]' check $head --set head.spin.rev_per_s=-2
wrong 2 'a path begins with scene. or head. or material. or study.' check $head --set rev_per_s=2
code=0
"$program" check --json $head $room "$work/none.json" >"$work/stdout" 2>/dev/null || code=$?
[ "$code" = 2 ] || fail "check --json: exit $code"
"$3" - "$work/stdout" <<'PY'
import json, sys
files = json.load(open(sys.argv[1]))["files"]
assert [f["ok"] for f in files] == [True, True, False] and "none.json" in files[2]["fault"], files
PY
echo fine
