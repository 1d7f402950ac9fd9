#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# The command budget: words, JSON, plots, a scene, no gnuplot, bad input.
set -eu
program=$1 work=$2 python=$3
rm -rf "$work"
mkdir -p "$work"
fail() { echo "$*" >&2; exit 1; }

for head in scenes/heads/wide120.json scenes/heads/trio.json scenes/heads/pocket.json; do
    "$program" budget -q --json "$head" >"$work/b.json" 2>"$work/talk"
    [ ! -s "$work/talk" ] || fail "$head: talks though quiet"
    "$python" - "$work/b.json" <<'PY'
import json, math, sys
def refuse(word): raise ValueError(word)
d = json.load(open(sys.argv[1]), parse_constant=refuse)
assert d["format"] == "lanternroom-budget/1" and "competent person" in d["caution"] and "competent person" in d["eye_safety"]["caution"]
for key in ("requirements", "coverage", "modules", "link", "eye_safety", "advice", "assumed"):
    assert d[key], key
assert 0 < d["coverage"]["stereo_and_lit_share"] <= d["coverage"]["seen_share"] <= 1
for m in d["modules"]:
    assert len(m["rays"]) == 61 and len(m["curve"]["range_m"]) == len(m["curve"]["sheet_e"]) == 41
    sheet, flood = m["curve"]["sheet_e"], m["curve"]["flood_e"]
    assert all(s > f for s, f in zip(sheet, flood) if f)          # a sheet beats a flood of its power
    assert m["curve"]["light"]["sun"]["electrons"] > m["curve"]["light"]["overcast"]["electrons"] > m["curve"]["light"]["office"]["electrons"]
    for r in m["rays"]:
        if r["usable"]["far_m"]:
            assert r["usable"]["near_m"] < r["usable"]["far_m"] <= r["usable_in_the_dark"]["far_m"] * 1.000001
for f in d["eye_safety"]["fans"]:
    ratios = [r["emission_uj"] / r["limit_uj"] for r in f["rules"]]
    assert math.isclose(max(ratios), f["ratio_to_class1"], rel_tol=1e-9)
    assert math.isclose(f["power_mw"] / f["ratio_to_class1"], f["power_class1_mw"], rel_tol=1e-9)
for v in d["requirements"]:
    assert v["met"] == (v["margin"] is not None and v["margin"] >= 0), v
PY
done

"$program" budget scenes/heads/wide120.json >"$work/words" 2>/dev/null
for word in Requirements Coverage Resolution Link "Range at" Photons "Eye safety" "competent person" "rotor stalls" "4.3 f)" "What buys most"; do
    grep -q "$word" "$work/words" || fail "words lack: $word"
done
"$program" budget scenes/heads/wide120.json scenes/bare.json --light scene 2>/dev/null | grep -q "reach into the room" || fail "no word of the room"
"$program" budget -q --json scenes/heads/wide120.json --set head.spin.rev_per_s=1 --set head.spin.lines_per_rev=1800 | grep -Eq '"raw_mbyte_per_s": 14.80(32|319999)' || fail "--set does not reach the head"

# Plots: everything there, pictures are pictures.
"$program" budget -q scenes/heads/trio.json -o "$work/plots" >/dev/null
for name in section map photons elevation trade; do
    for ending in csv gp svg png; do
        [ -s "$work/plots/$name.$ending" ] || fail "no $name.$ending"
    done
    head -c 4 "$work/plots/$name.png" | grep -q PNG || fail "$name.png is no PNG"
    grep -q "</svg>" "$work/plots/$name.svg" || fail "$name.svg is no SVG"
done

# Without gnuplot numbers and scripts stay, one line says so, and all is well otherwise.
PATH="$work/nothing" "$program" budget scenes/heads/pocket.json -q -o "$work/bare" >/dev/null 2>"$work/talk"
[ -s "$work/bare/photons.csv" ] && [ -s "$work/bare/photons.gp" ] && [ -s "$work/bare/budget.json" ] || fail "numbers missing without gnuplot"
[ ! -e "$work/bare/photons.png" ] || fail "a picture without gnuplot?"
[ "$(wc -l <"$work/talk")" = 1 ] && grep -q "gnuplot is not installed" "$work/talk" || fail "says: $(cat "$work/talk")"

# Wrong input: one line, exit 2.
wrong() {
    code=0
    "$program" budget "$@" >/dev/null 2>"$work/talk" || code=$?
    [ "$code" = 2 ] || fail "exit $code for: $*"
    [ "$(wc -l <"$work/talk")" = 1 ] || fail "not one line for: $*: $(cat "$work/talk")"
}
wrong scenes/heads/none.json
wrong scenes/heads/pocket.json scenes/none.json
wrong scenes/heads/pocket.json --reflectance 2
wrong scenes/heads/pocket.json --reflectance bright
wrong scenes/heads/pocket.json --range -1
wrong scenes/heads/pocket.json --light scene
wrong scenes/heads/pocket.json --set head.link.slip_ring.rated_turns=-5
code=0
"$program" budget scenes/heads/pocket.json --light moon >/dev/null 2>&1 || code=$?
[ "$code" = 2 ] || fail "exit $code for an unknown light"
echo fine
