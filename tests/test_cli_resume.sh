#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# Killed at several moments (kill -9) and started again by the same command, or cut into shards, or run by 1, 2 and 7 threads: a scan ends
# with the same bytes in every file. Then what is in the folder: checksums, arrays in NumPy, the point cloud; and that damage is found.
set -eu
program=$1 work=$2 python=$3
. tests/cli.sh
rm -rf "$work"
mkdir -p "$work"
set -f  # the stars in --set are not for the shell
small="--quality draft --samples 16 --set head.modules.*.cameras.*.sensor.pixels=48 --set head.modules.*.cameras.*.sensor.pitch_um=75
    --set head.spin.lines_per_rev=360 --set head.spin.revolutions=3 -q"
scan() { # shellcheck disable=SC2086
    "$program" scan scenes/bare.json scenes/heads/pocket.json $small "$@"; }
same() { # every file, its name and bytes
    diff -r "$work/whole" "$1" >"$work/difference" || fail "$1 is not the uninterrupted scan: $(head -3 "$work/difference")"; }

start=$(date +%s%N)
scan --threads 1 -o "$work/whole"
took_ms=$((($(date +%s%N) - start)/1000000))
for threads in 2 7; do
    scan --threads $threads -o "$work/by_$threads"
    same "$work/by_$threads"
done

# Indirect laser light keeps the lit curve of a line: which line was before must not show.
for threads in 1 2 7; do
    "$program" scan scenes/workshop.json scenes/heads/wide120.json --quality draft --indirect-samples 1 --sector 0,4 --no-preview -q --threads $threads -o "$work/lit_$threads"
    diff -r "$work/lit_1" "$work/lit_$threads" >"$work/difference" || fail "with $threads threads indirect light differs: $(head -3 "$work/difference")"
done

# Each round runs a little longer before it is killed, so that kills fall on loading, tracing and finishing.
killed=0 halfway=0
for threads in 1 2 7; do
    round=0 code=9
    while [ $code != 0 ]; do
        round=$((round + 1))
        [ $round -lt 60 ] || fail "no end to it: killed $killed times"
        # Not by scan(): the program itself has to be the one killed, not a shell around it.
        # shellcheck disable=SC2086
        "$program" scan scenes/bare.json scenes/heads/pocket.json $small --threads $threads -o "$work/killed_$threads" 2>"$work/stderr" &
        pid=$!
        sleep "$("$python" -c "print($took_ms*1e-3*(0.1 + 0.2*$round))")"
        kill -9 $pid 2>/dev/null || true
        code=0
        wait $pid 2>/dev/null || code=$?
        [ $code = 0 ] || [ $code = 137 ] || fail "resuming ends with $code: $(cat "$work/stderr")"
        if [ $code = 137 ]; then
            killed=$((killed + 1))
            [ ! -e "$work/killed_$threads/progress/plan.json" ] || halfway=$((halfway + 1))
            [ ! -e "$work/killed_$threads/scan.json" ] || [ ! -d "$work/killed_$threads/progress" ] || echo "killed between scan.json and tidying up"
        fi
    done
    same "$work/killed_$threads"
done
[ $killed -ge 3 ] && [ $halfway -ge 2 ] || fail "hardly ever killed halfway: $killed, $halfway"
# Running it once more has nothing to do.
"$program" scan scenes/bare.json scenes/heads/pocket.json $(echo "$small" | sed 's/-q$//') -o "$work/killed_2" 2>/dev/null | grep -q "complete already" || fail "a complete scan is rendered again"

# Cut short while drawing, or forced anew by other inputs: pictures and cloud are those of the scan in the folder.
rm -r "$work/killed_2/preview/front_upper_range.png" "$work/killed_2/cloud.ply"
echo half >"$work/killed_2/preview/front_upper_range.png.123.partial"
scan -o "$work/killed_2"
same "$work/killed_2"
scan --seed 5 --force -o "$work/killed_7"
! cmp -s "$work/whole/preview/front_upper.png" "$work/killed_7/preview/front_upper.png" || fail "pictures of another scan were left"
scan --force --no-preview -o "$work/killed_7"
scan -o "$work/killed_7"
same "$work/killed_7"

# Shards in any order, the last one completes it; an unfinished one is not taken for a scan.
scan --shard 3/3 -o "$work/shards"
code=0
"$program" check "$work/shards" >"$work/stdout" 2>"$work/stderr" || code=$?
[ $code = 2 ] && grep -q "unfinished" "$work/stderr" || fail "an unfinished scan passes: exit $code, $(cat "$work/stderr")"
scan --shard 1/3 -o "$work/shards"
[ ! -e "$work/shards/scan.json" ] || fail "scan.json before all shards are done"
scan --shard 2/3 -o "$work/shards"
same "$work/shards"

# Other inputs do not go on from here, and leave it alone unless told to.
wrong 2 "" scan scenes/bare.json scenes/heads/pocket.json -q --quality draft --seed 2 -o "$work/whole"
same "$work/whole"

cd "$work/whole"
set +f
sha256sum --check --quiet sha256sums.txt || fail "sha256sum"
# All that was rendered is listed; pictures and cloud, which are made from it, are not.
find . -type f ! -name sha256sums.txt ! -path './preview/*' ! -name cloud.ply | sed 's/^..//' | sort >"$work/files"
sed 's/^[0-9a-f]*  //' sha256sums.txt | sort | diff - "$work/files" >&2 || fail "sha256sums.txt does not list the files that are there"
"$program" check "$work/whole" >/dev/null || fail "check refuses a good scan"
"$python" -B - <<'PY'
import json, os
import numpy as np
lines, pixels = 3*360, 48
scan = json.load(open("scan.json"))
assert scan["seed"] == "1" and scan["lines"] == lines and len(scan["arrays"]) == 2 + 2*13
for a in scan["arrays"]:
    x = np.load(a["path"], mmap_mode="r")
    assert list(x.shape) == a["shape"] and x.shape[0] == lines, a
    if x.dtype.names is None:
        assert x.dtype.str == a["dtype"] and x.offset == 128, (a["path"], x.dtype.str, x.offset)
want = {"range": ("<f4", 2), "normal": ("<f4", 3), "object": ("<i4", 2), "material": ("<u2", 2), "partner": ("<f4", 2), "flags": ("|u1", 2)}
want |= {k: ("<f4", 2) for k in ("direct", "indirect", "sun", "sky", "lamp")}
for camera in ("upper", "lower"):
    raw = np.load(f"front/{camera}.npy")
    assert raw.shape == (lines, pixels) and raw.dtype == np.uint16 and 0 < raw.mean() < 1023 and raw.max() <= 1023
    for name, (dtype, dims) in want.items():
        x = np.load(f"truth/front/{camera}.{name}.npy")
        assert x.dtype.str == dtype and x.shape == ((lines, pixels), (lines, pixels, 3))[dims - 2], name
    distance = np.load(f"truth/front/{camera}.range.npy")
    assert 0.5 < np.median(distance) < 4      # a room of 5 x 4 x 2.8 m, seen from about its middle
    # Same rotor angle, same room: geometry repeats from turn to turn, noise does not.
    assert np.allclose(distance[:360], distance[360:720], atol=1e-5, equal_nan=True) and (raw[:360] != raw[360:720]).any()
record = np.load("front/lines.npy")
assert record.shape == (lines,) and record.dtype.names == ("time_s", "encoder_count", "azimuth_deg")
assert np.allclose(np.diff(record["time_s"]), 1/360, rtol=1e-9)       # one turn a second
assert abs(record["azimuth_deg"][360] + 360) < 0.5                    # this head turns clockwise
true = np.load("truth/front/lines.npy")
assert true.dtype.names == ("time_s", "angle_rad", "x_m", "y_m", "z_m", "qx", "qy", "qz", "qw")

# cloud.ply: the header tells the size of the file.
data = open("cloud.ply", "rb").read()
end = data.index(b"end_header\n") + len(b"end_header\n")
header = data[:end].decode("ascii").split("\n")
assert header[0] == "ply" and header[1] == "format binary_little_endian 1.0", header
count = next(int(w.split()[2]) for w in header if w.startswith("element vertex"))
size = {"float": 4, "uchar": 1, "double": 8, "ushort": 2, "int": 4}
kinds = [w.split()[1] for w in header if w.startswith("property")]
assert count > 1000 and len(data) == end + count*sum(size[k] for k in kinds), (count, kinds, len(data) - end)
assert [w.split()[2] for w in header if w.startswith("property")][:3] == ["x", "y", "z"]
PY

# Damage is found: a flipped bit, a missing array, a cut one, a side file.
cd "$work"
damage() { rm -rf damaged; cp -r whole damaged; "$@"; wrong_check; }
wrong_check() {
    code=0
    "$program" check damaged >stdout 2>stderr || code=$?
    [ $code = 2 ] && [ ! -s stdout ] || fail "damage not found: exit $code: $(cat stdout)"
    grep -qF "$named" stderr || fail "does not name $named: $(cat stderr)"
}
flip() { "$python" -c "
import sys
with open(sys.argv[1], 'r+b') as f:
    f.seek(int(sys.argv[2])); b = f.read(1)[0]; f.seek(-1, 1); f.write(bytes([b ^ 4]))" "$1" "$2"; }
named=front/upper.npy
damage flip damaged/front/upper.npy 5000
damage rm damaged/front/upper.npy
damage truncate -s -1 damaged/front/upper.npy
named=truth/front/lower.range.npy
damage flip damaged/truth/front/lower.range.npy 128
damage truncate -s 100 damaged/truth/front/lower.range.npy
named=calibration.json
damage flip damaged/calibration.json 300
named=sha256sums.txt
damage rm damaged/sha256sums.txt
rm -rf damaged
"$program" check whole >/dev/null || fail "whole is no longer whole"
echo "fine: killed $killed times, $halfway of them halfway"
