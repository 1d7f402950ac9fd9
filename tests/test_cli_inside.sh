#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# A head inside something, or outside of the room: one line before all else on stderr, and a scan all the same; nothing with --quiet, and nothing where all is well.
set -eu
program=$1 work=$2 python=$3
. tests/cli.sh
rm -rf "$work"
mkdir -p "$work"
room=$work/room.json
cat >"$room" <<'END'
{"format": "lanternroom-scene/1", "objects": [{"shape": "room", "size_m": [4, 3, 2.5], "center_m": [0, 0, 1.25]},
 {"shape": "box", "name": "cupboard", "size_m": [1, 1, 1], "center_m": [1, 0, 0.5]}], "lights": [{"kind": "sky", "type": 1, "lux": 10000}],
 "head_pose": {"position_m": [1, 0, 0.5]}}
END
said="lanternroom: warning: $room: camera front.upper lies inside \"cupboard\": it sees its inside; 2 more of the head's cameras and lasers lie inside something as well"

# scan WORDS...: a line or two, without previews.
scan() {
    # shellcheck disable=SC2086
    "$program" scan "$room" scenes/heads/pocket.json -o "$work/out" $tiny --indirect-samples 0 --sector 0,10 --no-preview --force "$@" >"$work/stdout" 2>"$work/stderr" ||
        fail "exit $?: scan $*: $(cat "$work/stderr")"
}

scan
[ "$(head -n 1 "$work/stderr")" = "$said" ] || fail "says: $(cat "$work/stderr"); wanted: $said"
[ "$(wc -l <"$work/stderr")" = 2 ] || fail "more than the warning and the closing line: $(cat "$work/stderr")"
scan --json
[ "$(head -n 1 "$work/stderr")" = "$said" ] || fail "with --json: $(cat "$work/stderr")"
"$python" -m json.tool "$work/stdout" >/dev/null || fail "--json: $(cat "$work/stdout")"
scan --quiet
[ ! -s "$work/stderr" ] && [ ! -s "$work/stdout" ] || fail "--quiet says: $(cat "$work/stderr" "$work/stdout")"
scan --set scene.head_pose.position_m.2=-0.2   # below the floor
said="lanternroom: warning: $room: camera front.upper lies outside of \"room\": it sees its walls from behind, if at all; 2 more of the head's cameras and lasers lie outside as well"
[ "$(head -n 1 "$work/stderr")" = "$said" ] || fail "says: $(cat "$work/stderr"); wanted: $said"
scan --set scene.head_pose.position_m.0=-1
! grep warning "$work/stderr" || fail "warns of nothing"
echo fine
