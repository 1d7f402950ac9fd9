#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# Folders that cannot be written and disks that fill up: exit 1, one line with the path, and what was there stays.
set -eu
program=$1 work=$2
. tests/cli.sh
rm -rf "$work"
mkdir -p "$work"
set -f
scan() { # shellcheck disable=SC2086
    "$program" scan scenes/bare.json scenes/heads/pocket.json $tiny -q "$@"; }
refused() { # shellcheck disable=SC2086
    wrong 1 "$1" scan scenes/bare.json scenes/heads/pocket.json $tiny -q -o "$2"; }
state() { (cd "$1" && find . -type f -exec sha256sum {} + | sort); }

# Below a file, and where the system lets nobody make anything.
echo keep >"$work/file"
refused "$work/file" "$work/file"
refused "$work/file/scan" "$work/file/scan"
[ "$(cat "$work/file")" = keep ] || fail "a file was changed"
[ ! -d /proc/self ] || refused /proc/none /proc/none

# A limit on the size of files, as a full disk gives: no scan that looks complete, and the one beside it untouched.
scan -o "$work/good"
state "$work/good" >"$work/before"
code=0
(ulimit -f 8; trap '' XFSZ; scan -o "$work/limited" >"$work/stdout" 2>"$work/stderr") || code=$?
[ $code = 1 ] && [ "$(wc -l <"$work/stderr")" = 1 ] && grep -q "$work/limited" "$work/stderr" || fail "limited: exit $code: $(cat "$work/stderr")"
[ ! -e "$work/limited/scan.json" ] || fail "a scan that looks complete"
# With the limit gone the same command ends with the same bytes.
scan -o "$work/limited"
diff -r "$work/good" "$work/limited" >&2 || fail "after the limit: not the same"
state "$work/good" | cmp -s - "$work/before" || fail "the scan beside it changed"

# A disk of two megabytes, where root may mount one: full before the first line, full halfway (something else takes the room), full at the end.
mkdir "$work/disk"
if [ "$(id -u)" = 0 ] && mount -t tmpfs -o size=2m none "$work/disk" 2>/dev/null; then
    trap 'umount "$work/disk"' EXIT
    mkdir "$work/disk/mine"
    echo keep >"$work/disk/mine/file"
    filled=0
    for room_kb in 4 100 300 600 850 1500; do
        rm -rf "$work/disk/scan" "$work/disk/fill"
        free_kb=$(df -k --output=avail "$work/disk" | tail -1)
        head -c $(((free_kb - room_kb)*1024)) /dev/zero >"$work/disk/fill"
        code=0
        scan -o "$work/disk/scan" >"$work/stdout" 2>"$work/stderr" || code=$?
        if [ $code != 0 ]; then
            filled=$((filled + 1))
            [ $code = 1 ] && [ "$(wc -l <"$work/stderr")" = 1 ] && grep -q "$work/disk/scan" "$work/stderr" || fail "$room_kb kB: exit $code: $(cat "$work/stderr")"
            [ "$(cat "$work/disk/mine/file")" = keep ] || fail "another file was changed"
            rm "$work/disk/fill"
            scan -o "$work/disk/scan" || fail "$room_kb kB: does not go on once there is room"
        fi
        diff -r "$work/good" "$work/disk/scan" >&2 || fail "$room_kb kB: not the same"
    done
    [ $filled -ge 3 ] || fail "the disk was full $filled times only"
    echo "fine: full $filled times"
else
    echo "fine: no disk of our own to fill here (needs root and mount); the limit on files stood in"
fi
