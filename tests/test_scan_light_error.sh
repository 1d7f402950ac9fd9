#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# What a scan says of the error of its light against what two whole scans of other seeds differ by; the same whatever the threads.
# Arguments: program, folder to work in, Python with NumPy.
set -eu
program=$1 work=$2 python=$3
. tests/cli.sh
rm -rf "$work" && mkdir -p "$work"
set -f
small="--samples 4 --quality draft --set head.modules.*.cameras.*.sensor.pixels=64 --set head.modules.*.cameras.*.sensor.pitch_um=56 --set head.modules.*.cameras.*.exposure_us=10 --set head.spin.lines_per_rev=360 --no-preview"
"$program" scan scenes/kitchen.json scenes/heads/pocket.json $small --seed 1 --threads 1 -o "$work/one" >"$work/words" 2>/dev/null
"$program" scan scenes/kitchen.json scenes/heads/pocket.json $small --seed 1 --threads 3 -o "$work/same" --json >"$work/json" 2>/dev/null
"$program" scan scenes/kitchen.json scenes/heads/pocket.json $small --seed 2 -o "$work/two" -q
grep -q "error of the light: below a quarter of the sensor's noise in [0-9.]* % of pixels" "$work/words" || fail "no figure: $(cat "$work/words")"
for ratio in 0.25 0.1; do
    "$program" scan scenes/kitchen.json scenes/heads/pocket.json $small --noise-ratio $ratio --seed 1 -o "$work/ratio_$ratio" -q
done
cmp "$work/one/scan.json" "$work/same/scan.json" || fail "the figure depends on threads"
"$python" -B - "$work" <<'PY'
import json, sys
import numpy as np
work = sys.argv[1]
parts = ["direct", "indirect", "sun", "sky", "lamp"]
said = json.load(open(f"{work}/one/scan.json"))["results"]["light_error"]
coarse, fine = (json.load(open(f"{work}/ratio_{r}/scan.json"))["results"]["light_error"] for r in ("0.25", "0.1"))
print("share at a ratio of 0.25", coarse["share"], "and 0.1", fine["share"])
assert fine["share"] > coarse["share"] + 0.1 and fine["rms"]["sun"] < coarse["rms"]["sun"] and fine["rms"]["sky"] < coarse["rms"]["sky"]
assert json.load(open(f"{work}/json"))["light_error"] == said
head = json.load(open(f"{work}/one/scan.json"))["inputs"]["head"]
measured, within_said, square_said, within_seen, square_seen = 0, [], [], [], []
for m in head["modules"]:
    for c in m["cameras"]:
        record = np.load(f"{work}/one/truth/{m['name']}/{c['name']}.error.npy")
        record = record[record["measured"] > 0]
        measured += record["measured"].sum()
        within_said += list(record["within"]/record["measured"])
        square_said += list(np.array([record[p + "2"]/record["measured"] for p in ["all"] + parts]).T)
        s = c["sensor"]
        one, two = ([np.load(f"{work}/{scan}/truth/{m['name']}/{c['name']}.{p}.npy").astype(float) for p in parts] for scan in ("one", "two"))
        variance = 0.5*(sum(one) + sum(two)) + s["dark_current_e_per_s"]*c["exposure_us"]*1e-6 + s["read_noise_e"]**2 + 1/s["gain_dn_per_e"]**2/12
        errors = [(a - b)/np.sqrt(2) for a, b in zip(one, two)]
        errors = [sum(errors)] + errors
        within_seen += list((16*errors[0]**2 < variance).mean(axis=1))
        square_seen += list(np.array([(e*e/variance).mean(axis=1) for e in errors]).T)
assert said["lines"] == len(within_said) >= 16 and said["pixels"] == measured
assert abs(said["share"] - np.mean(within_said)) < 1e-12
def mean_and_error(values, runs):   # neighbouring lines share gathered light: the spread of the means of runs of lines
    means = np.array([run.mean(axis=0) for run in np.array_split(np.array(values), runs)])
    return means.mean(axis=0), means.std(axis=0, ddof=1)/np.sqrt(runs)
a, da = mean_and_error(within_said, len(within_said)//2)
b, db = mean_and_error(within_seen, 24)
print("share", a, "+-", da, "said;", b, "+-", db, "seen")
assert abs(a - b) < 5*np.hypot(da, db) and 0.1 < a < 0.9
a, da = mean_and_error(square_said, len(square_said)//2)
b, db = mean_and_error(square_seen, 24)
print("rms", np.sqrt(a), "said;", np.sqrt(b), "seen; five standard errors of the squares", 5*np.hypot(da, db))
assert (np.abs(a - b) <= 5*np.hypot(da, db)).all() and b[0] > 0 and a[2] == 0 and b[2] == 0   # draft has no indirect light
PY
