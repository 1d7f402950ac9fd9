#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# The schemas that editors use are those the program prints; they and `check` agree on every file of the tree, and on bad ones:
# small edits that break a file are refused by `check` in one line with file and key path, and by the schema where it can tell.
set -eu
program=$1 work=$2 python=$3
rm -rf "$work"
mkdir -p "$work"
fail() { echo "$*" >&2; exit 1; }

for word in scene head material study; do
    "$program" check --schema $word >"$work/$word.schema.json"
    cmp -s "$work/$word.schema.json" scenes/schema/$word.schema.json ||
        fail "scenes/schema/$word.schema.json is stale: lanternroom check --schema $word >scenes/schema/$word.schema.json"
done

"$program" check scenes/*.json scenes/parts/*.json scenes/heads/*.json scenes/studies/*.json materials/*.json >"$work/ok" || fail "check refuses a file of the tree"
[ "$(grep -c ': ok$' "$work/ok")" -gt 100 ] || fail "only $(wc -l <"$work/ok") files checked"

cp -r scenes materials "$work/"
cat >"$work/agree.py" <<'PY'
import copy, glob, json, os, re, subprocess, sys
import jsonschema

program, work = sys.argv[1], sys.argv[2]
validators = {}
for word in ("scene", "head", "material", "study"):
    schema = json.load(open(f"scenes/schema/{word}.schema.json"))
    jsonschema.Draft202012Validator.check_schema(schema)
    validators[word] = jsonschema.Draft202012Validator(schema)

def kind(data): return re.match(r"lanternroom-(\w+)/1$", data["format"])[1]

# Every file of the tree; and where one names its schema, the name leads there.
seen = 0
for pattern in ("scenes/*.json", "scenes/parts/*.json", "scenes/heads/*.json", "scenes/studies/*.json", "materials/*.json"):
    files = sorted(glob.glob(pattern))
    assert files, pattern
    for path in files:
        data = json.load(open(path))
        faults = list(validators[kind(data)].iter_errors(data))
        assert not faults, f"{path}: {faults[0].json_path}: {faults[0].message}"
        if "$schema" in data:
            named = os.path.normpath(os.path.join(os.path.dirname(path), data["$schema"]))
            assert named == f"scenes/schema/{kind(data)}.schema.json", f"{path}: $schema leads to {named}"
            seen += 1
assert seen > 10, seen

BASE = {
    "scenes/base.json": {"format": "lanternroom-scene/1", "name": "base",
        "materials": {"own": {"kind": "diffuse", "reflectance": 0.4}},
        "objects": [
            {"shape": "room", "size_m": [5, 4, 3], "center_m": [0, 0, 1.5], "material": "white_paint",
             "openings": [{"face": "south", "center_m": [0, 1.4], "size_m": [1, 1], "pane": "window_glass"}]},
            {"shape": "box", "size_m": [1, 1, 1], "center_m": [1, 1, 0.5], "material": "own"},
            {"shape": "sphere", "radius_m": 0.2, "center_m": [-1, 1, 1], "material": {"kind": "metal", "index": 2, "index_k": 3, "roughness": 0.2}}],
        "lights": [{"kind": "sun", "elevation_deg": 40, "azimuth_deg": 180}, {"kind": "sky", "type": 12},
            {"kind": "lamp", "shape": "rectangle", "size_m": [0.5, 0.5], "center_m": [0, 0, 2.9], "lumens": 1000, "spectrum": "led_4000k"}],
        "head_pose": {"position_m": [0, 0, 1.2]}},
    "scenes/heads/base.json": json.load(open("scenes/heads/wide120.json")),
    "materials/base.json": {"format": "lanternroom-material/1", "kind": "coated", "reflectance": {"nm": [400, 900], "value": [0.3, 0.5]}, "index": 1.5, "roughness": 0.1, "source": "common value, no source"},
    "scenes/studies/base.json": json.load(open("scenes/studies/sheet_or_flood.json")),
}
SCENE, HEAD, MATERIAL, STUDY = BASE
GONE = object()

# file, where in it, new value (GONE: taken out), key path that the line names, whether a schema can tell
BAD = [
    (SCENE, "nmae", "x", "nmae", True),
    (SCENE, "format", "lanternroom-scene/2", "format", True),
    (SCENE, "format", GONE, "format", True),
    (SCENE, "objects.1.size_m", [1, -1, 1], "objects[1].size_m", True),
    (SCENE, "objects.1.size_m", [1, 1], "objects[1].size_m", True),
    (SCENE, "objects.1.size_m", "big", "objects[1].size_m", True),
    (SCENE, "objects.1.radius_m", 1, "objects[1].radius_m", True),
    (SCENE, "objects.2.radius_m", 0, "objects[2].radius_m", True),
    (SCENE, "objects.2.radius_m", GONE, "objects[2]", True),
    (SCENE, "objects.1.shape", "bxo", "objects[1].shape", True),
    (SCENE, "objects.1.material", "no_such_paint", "objects[1].material", False),
    (SCENE, "objects.1.material", {"kind": "diffuse", "reflectance": 1.2}, "objects[1].material.reflectance", True),
    (SCENE, "objects.0.openings.0.face", "up", "objects[0].openings[0].face", True),
    (SCENE, "objects.0.openings.0.size_m", [9, 9], "objects[0].openings[0]", False),
    (SCENE, "lights.0.elevation_deg", 91, "lights[0].elevation_deg", True),
    (SCENE, "lights.1.type", 16, "lights[1].type", True),
    (SCENE, "lights.1.type", 1.5, "lights[1].type", True),
    (SCENE, "lights.2.lumens", -1, "lights[2].lumens", True),
    (SCENE, "lights.2.spectrum", "candle", "lights[2].spectrum", True),
    (SCENE, "head_pose.position_m", [0, 0, None], "head_pose.position_m", True),
    (SCENE, "objects", {}, "objects", True),
    (HEAD, "modules", [], "modules", True),
    (HEAD, "spin.rev_per_s", 0, "spin.rev_per_s", True),
    (HEAD, "spin.lines_per_rev", 1000000000, "spin.lines_per_rev", True),
    (HEAD, "spin.direction", "left", "spin.direction", True),
    (HEAD, "modules.0.cameras.0.sensor.pixels", 0, "modules[0].cameras[0].sensor.pixels", True),
    (HEAD, "modules.0.cameras.0.sensor.pixels", "many", "modules[0].cameras[0].sensor.pixels", True),
    (HEAD, "modules.0.cameras.1.lens.f_number", -2, "modules[0].cameras[1].lens.f_number", True),
    (HEAD, "modules.0.cameras.1.lens.projection", "fish", "modules[0].cameras[1].lens.projection", True),
    (HEAD, "modules.0.cameras.1.name", "upper", "modules[0].cameras[1]", False),
    (HEAD, "modules.0.cameras.0.exposure_us", 1e6, "modules[0].cameras[0].exposure_us", False),
    (HEAD, "modules.0.cameras.0.exposure_ms", 1, "modules[0].cameras[0].exposure_ms", True),
    (HEAD, "modules.0.lasers.0.mode", "blink", "modules[0].lasers[0].mode", True),
    (HEAD, "modules.0.lasers.0.power_mw", True, "modules[0].lasers[0].power_mw", True),
    (HEAD, "modules.0.lasers.0.dots.count", -3, "modules[0].lasers[0].dots.count", True),
    (MATERIAL, "kind", "velvet", "kind", True),
    (MATERIAL, "source", GONE, "source", True),
    (MATERIAL, "reflectance", {"nm": [400, 900], "value": [0.3, 1.5]}, "reflectance", True),
    (MATERIAL, "reflectance", {"nm": [900, 400], "value": [0.3, 0.5]}, "reflectance", False),
    (MATERIAL, "reflectance", {"nm": [400, 900], "value": [0.3]}, "reflectance", False),
    (MATERIAL, "roughness", "smooth", "roughness", True),
    (STUDY, "scene", GONE, "scene", True),
    (STUDY, "scene", "../nowhere.json", "scene: ", False),
    (STUDY, "vary", [], "vary", True),
    (STUDY, "vary.0.values", ["sheet", "food"], "vary[0].set", False),
    (STUDY, "vary.1.set", "scene.lights.9.scale", "vary[1].set", False),
    (STUDY, "quality", "best", "quality", True),
    (STUDY, "sector_deg", [100, 60], "sector_deg", False),
]

def changed(data, where, value):
    data = copy.deepcopy(data)
    *path, last = [int(w) if w.isdigit() else w for w in where.split(".")]
    at = data
    for step in path:
        at = at[step]
    if value is GONE:
        del at[last]
    else:
        at[last] = value
    return data

def check(path):
    run = subprocess.run([program, "check", path], capture_output=True, text=True)
    return run.returncode, run.stdout, run.stderr

faults = []
for name, data in BASE.items():   # the bases themselves are right, so each refusal below is due to its edit
    path = os.path.join(work, name)
    json.dump(data, open(path, "w"))
    code, out, talk = check(path)
    if code or talk or list(validators[kind(data)].iter_errors(data)):
        faults.append(f"{name}: should be right: {talk}")
for name, where, value, key, schema_can in BAD:
    data = changed(BASE[name], where, value)
    what = f"{name}: {where} = {'nothing' if value is GONE else json.dumps(value)}"
    path = os.path.join(work, name.replace("base", "bad"))
    json.dump(data, open(path, "w"))
    code, out, talk = check(path)
    if code != 2 or out or talk.count("\n") != 1 or not talk.startswith("lanternroom: ") or os.path.basename(path) not in talk or key not in talk:
        faults.append(f"{what}: exit {code}, says {talk!r}, should name {key}")
    refused = bool(list(validators[kind(BASE[name])].iter_errors(data)))
    if refused != schema_can:
        faults.append(f"{what}: the schema {'refuses' if refused else 'accepts'} it")
    if "-v" in sys.argv:
        print(talk, end="")
assert len(BAD) >= 25 and sum(b[4] for b in BAD) >= 25
print("\n".join(faults))
sys.exit(1 if faults else 0)
PY
"$python" -B "$work/agree.py" "$program" "$work" || fail "schema and check do not agree"
echo fine
