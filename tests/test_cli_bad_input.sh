#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# Bad input files: `scan` and `check` say file, key path, value and rule in one line, end with 2, and write nothing.
set -eu
program=$1 work=$2 python=$3
. tests/cli.sh
rm -rf "$work"
mkdir -p "$work/scenes/heads"
cp -r materials "$work/"
out=$work/out

# bad NAME TEXT: $work/scenes/NAME is a bad room, or a bad head if it lies in heads/; the line names it and holds TEXT.
bad() {
    case $1 in
        heads/*) words="$work/scenes/room.json $work/scenes/$1" ;;
        *) words="$work/scenes/$1 $work/scenes/heads/head.json" ;;
    esac
    # shellcheck disable=SC2086
    wrong 2 "$2" scan $words -o "$out"
    grep -qF "$1" "$work/stderr" || [ -n "${3:-}" ] || fail "$1 is not named: $(cat "$work/stderr")"
    wrong 2 "$2" check "$work/scenes/$1"
    [ ! -e "$out" ] || fail "$1: $out was made"
    tried=$((tried + 1))
}
tried=0

room() { printf '{"format": "lanternroom-scene/1", "objects": [%s], "lights": [{"kind": "sky", "type": 1, "lux": 10000}]}\n' "$2" >"$work/scenes/$1"; }
head_with() { printf '{"format": "lanternroom-head/1", "spin": {"rev_per_s": 1, "lines_per_rev": 90%s}, "modules": [{"cameras": [{"name": "upper"%s}], "lasers": [{}]}]}\n' "$2" "$3" >"$work/scenes/heads/$1"; }
room room.json '{"shape": "sphere", "radius_m": 1, "center_m": [3, 0, 0]}'
head_with head.json "" ', "sensor": {"pixels": 16}'
"$program" check -q "$work/scenes/room.json" "$work/scenes/heads/head.json" || fail "the good ones are not good"

room unknown.json '{"shape": "sphere", "radius_m": 1, "colour": 3}'
bad unknown.json 'objects[0].colour: unknown key "colour"'
room misspelt.json '{"shape": "sphere", "radius_m": 1, "centre_m": [3, 0, 0]}'
bad misspelt.json 'objects[0].centre_m: unknown key "centre_m"; did you mean "center_m"?'
room type.json '{"shape": "sphere", "radius_m": "large"}'
bad type.json 'objects[0].radius_m: "large" is not a number'
room nan.json '{"shape": "sphere", "radius_m": NaN}'
bad nan.json 'nan.json:1:'
room huge.json '{"shape": "sphere", "radius_m": 1e999}'
bad huge.json 'huge.json'
room infinite.json '{"shape": "sphere", "radius_m": -Infinity}'
bad infinite.json 'JSON has no NaN and no Infinity'
room negative.json '{"shape": "box", "size_m": [1, -1, 1]}'
bad negative.json 'objects[0].size_m[1]: -1 is not in ['
room twice.json '{"shape": "sphere", "radius_m": 1, "radius_m": 2}'
bad twice.json 'radius_m'
printf '{"format": "lanternroom-scene/1", "objects": [{"shape": "sphere"' >"$work/scenes/cut.json"
bad cut.json 'cut.json:1:'
: >"$work/scenes/empty.json"
bad empty.json 'the file ends where a value is wanted'
head -c 4096 /dev/zero >"$work/scenes/zeros.json"
bad zeros.json 'zeros.json:1:1'
"$python" -c 'print("["*100000)' >"$work/scenes/deep.json"
bad deep.json 'deep.json:1:'
bad none.json 'cannot be opened'
mkdir "$work/scenes/folder.json"
wrong 2 'cannot be read: Is a directory' scan "$work/scenes/folder.json" "$work/scenes/heads/head.json" -o "$out"

room material.json '{"shape": "sphere", "radius_m": 1, "material": "white_pant"}'
bad material.json 'objects[0].material: unknown material "white_pant"'
own() { printf '{"format": "lanternroom-scene/1", "materials": {"mine": %s}, "objects": [{"shape": "sphere", "radius_m": 1}]}\n' "$2" >"$work/scenes/$1"; }
own unused.json '{"kind": "difuse"}'     # nothing is made of it: still a mistake
bad unused.json 'materials.mine.kind: "difuse" is not one of'
own unused_texture.json '{"kind": "diffuse", "reflectance": 0.5, "texture": {"file": "missing.png", "size_m": [1, 1]}}'
bad unused_texture.json 'materials.mine.texture: '
room reflectance.json '{"shape": "sphere", "radius_m": 1, "material": {"kind": "diffuse", "reflectance": 1.5}}'
bad reflectance.json 'objects[0].material.reflectance: 1.5 is not in [0, 1]'

ambient() { printf '{"format": "lanternroom-scene/1", "objects": [{"shape": "box", "size_m": [1, 1, 1], "center_m": [3, 0, 0]}], "lights": [{"kind": "sky", "type": 1, "lux": 10000}], "ambient": %s}\n' "$2" >"$work/scenes/$1"; }
ambient negative_lux.json '{"lux": -5, "at_m": [0, 0, 0]}'
bad negative_lux.json 'ambient.lux: -5 is not in (0, 10000000]'
ambient nowhere.json '{"lux": 5}'
bad nowhere.json 'ambient: missing key "at_m"'
ambient no_facing.json '{"lux": 5, "at_m": [0, 0, 0], "facing": [0, 0, 0]}'
bad no_facing.json 'ambient.facing: no direction'
ambient no_such.json '{"lux": 5, "at_m": [0, 0, 0], "lights": "lamp"}'
bad no_such.json 'ambient.lights: "lamp"'
ambient inside.json '{"lux": 5, "at_m": [3, 0, 0]}'
wrong 2 'inside.json: ambient.at_m: (3, 0, 0) is dark: none of the lights to scale (all) reaches the side that faces (0, 0, 1); is it inside something?' \
    scan "$work/scenes/inside.json" "$work/scenes/heads/head.json" -o "$out"
ambient no_lamp.json '{"lux": 5, "at_m": [0, 0, 0], "lights": "lamps"}'
wrong 2 'no_lamp.json: ambient.at_m: (0, 0, 0) is dark: none of the lights to scale (lamps)' scan "$work/scenes/no_lamp.json" "$work/scenes/heads/head.json" -o "$out"
[ ! -e "$out" ] || fail "a scan was begun in the dark"

room no_mesh.json '{"shape": "mesh", "file": "nothing.obj"}'
bad no_mesh.json 'objects[0].file: '
printf 'v 0 0 0\nv 1 0 0\nf 1 2 99\n' >"$work/scenes/broken.obj"
room broken_obj.json '{"shape": "mesh", "file": "broken.obj"}'
bad broken_obj.json 'objects[0].file: '
printf 'ply\nformat ascii 1.0\nelement vertex 1000000000\nproperty float x\nend_header\n0\n' >"$work/scenes/broken.ply"
room broken_ply.json '{"shape": "mesh", "file": "broken.ply"}'
bad broken_ply.json 'objects[0].file: '
head -c 200 /dev/zero >"$work/scenes/broken.stl"
room broken_stl.json '{"shape": "mesh", "file": "broken.stl"}'
bad broken_stl.json 'objects[0].file: '
printf 'v 0 0 0\nv nan 0 0\nv 0 1 0\nf 1 2 3\n' >"$work/scenes/nan.obj"
room nan_mesh.json '{"shape": "mesh", "file": "nan.obj"}'
bad nan_mesh.json 'objects[0].file: '

room self.json '{"shape": "group", "file": "self.json"}'
bad self.json 'objects[0].file: '
room ping.json '{"shape": "group", "file": "pong.json"}'
room pong.json '{"shape": "group", "file": "ping.json"}'
bad ping.json 'objects[0].file: ' named_by_the_other

printf 'not a picture at all' >"$work/scenes/fake.png"
room no_image.json '{"shape": "rectangle", "size_m": [1, 1], "material": {"kind": "diffuse", "reflectance": 0.5, "texture": {"file": "fake.png", "size_m": [1, 1]}}}'
bad no_image.json 'fake.png'

head_with pixels.json "" ', "sensor": {"pixels": 0}'
bad heads/pixels.json 'modules[0].cameras[0].sensor.pixels: 0 is not in [1, 65536]'
head_with half.json "" ', "sensor": {"pixels": 10.5}'
bad heads/half.json 'modules[0].cameras[0].sensor.pixels: 10.5 is not a whole number'
printf '{"format": "lanternroom-head/1", "spin": {"lines_per_rev": 1000000000}, "modules": [{"cameras": [{}]}]}' >"$work/scenes/heads/lines.json"
bad heads/lines.json 'spin.lines_per_rev: 1000000000 is not in [1, 1000000]'
head_with turns.json ', "revolutions": 1000000000' ''
bad heads/turns.json 'spin.revolutions: 1000000000 is not in (0, 1000000]'
head_with lens.json "" ', "lens": {"f_number": -2}'
bad heads/lens.json 'modules[0].cameras[0].lens.f_number: -2 is not in (0, 100]'
head_with lens_word.json "" ', "lens": {"projection": "equidistance"}'
bad heads/lens_word.json 'lens.projection: "equidistance" is not one of'
head_with slow.json "" ', "exposure_us": 1e6'
bad heads/slow.json 'modules[0].cameras[0].exposure_us: 1e+06 us is longer than the line period'
head_with dots.json "" '}], "lasers": [{"dots": {"file": "none.txt"}'
bad heads/dots.json 'dots'
wrong 2 'is wanted' scan "$work/scenes/heads/head.json" "$work/scenes/room.json" -o "$out"
[ ! -e "$out" ] || fail "$out was made"
[ "$tried" -ge 25 ] || fail "only $tried bad files tried"

# A bad file leaves a scan that is there as it is.
# shellcheck disable=SC2086
"$program" scan -q "$work/scenes/room.json" "$work/scenes/heads/head.json" --quality draft -o "$out"
(cd "$out" && find . -type f -exec sha256sum {} + | sort) >"$work/before"
wrong 2 'unknown key "colour"' scan "$work/scenes/unknown.json" "$work/scenes/heads/head.json" -o "$out" --force
(cd "$out" && find . -type f -exec sha256sum {} + | sort) | cmp -s - "$work/before" || fail "a bad file changed the scan that was there"
echo "fine: $tried bad files"
