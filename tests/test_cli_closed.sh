#!/bin/sh
# SPDX-License-Identifier: Apache-2.0
# Folders that forbid writing: each command that writes ends with 1 and one line with the path, and what was there stays. Root may write everywhere, so
# the commands run as user 65534 then; 77 where neither is possible.
#   sh test_cli_closed.sh PROGRAM WORK PYTHON
set -eu
program=$1 work=$2
. tests/cli.sh
umask 022
chmod -R u+w "$work" 2>/dev/null || true
rm -rf "$work"
mkdir -p "$work"
set -f
skip() { echo "skipped: $*"; exit 77; }

# As someone whom a closed folder keeps out.
if [ "$(id -u)" != 0 ]; then
    as_other() { "$@"; }
elif setpriv --reuid=65534 --regid=65534 --clear-groups true 2>/dev/null; then
    as_other() { setpriv --reuid=65534 --regid=65534 --clear-groups "$@"; }
elif su -s /bin/sh nobody -c true 2>/dev/null; then
    as_other() { su -s /bin/sh nobody -c '"$0" "$@"' -- "$@"; }
else
    skip "root may write everywhere, and there is neither setpriv nor su to become someone else"
fi
as_other "$program" --version >/dev/null 2>&1 || skip "another user than root cannot run $program"
as_other test -r scenes/bare.json || skip "another user than root cannot read $(pwd)"

room="scenes/bare.json scenes/heads/pocket.json"
state() { (cd "$1" && set +f && find . -type f -exec sha256sum {} + | sort && find . -type d | sort); }
# refused WHERE WORDS...: exit 1, one line that names a place in WHERE, nothing on stdout, and all that is in WHERE as it was.
refused() {
    where=$1
    shift
    state "$where" >"$work/before"
    code=0
    as_other "$program" "$@" >"$work/stdout" 2>"$work/stderr" || code=$?
    [ $code = 1 ] || fail "exit $code, wanted 1: lanternroom $*: $(cat "$work/stderr")"
    [ ! -s "$work/stdout" ] || fail "talks on stdout: lanternroom $*"
    [ "$(wc -l <"$work/stderr")" = 1 ] && grep -qF "$where" "$work/stderr" && grep -qF "Permission denied" "$work/stderr" || fail "lanternroom $*: says: $(cat "$work/stderr")"
    state "$where" | cmp -s - "$work/before" || fail "lanternroom $*: changed what was in $where"
    echo "fine: $1: $(cat "$work/stderr")"
}
closed() { chmod -R a-w "$1"; }

# A new folder in a closed one.
mkdir "$work/closed"
closed "$work/closed"
# shellcheck disable=SC2086
refused "$work/closed" scan $room $tiny -q -o "$work/closed/scan"
refused "$work/closed" budget scenes/heads/pocket.json -q -o "$work/closed/budget"

# A whole scan that is closed, with and without what depth and score find. --force must not take away what it cannot replace.
# shellcheck disable=SC2086
"$program" scan $room $tiny -q -o "$work/raw"
"$program" scan $room -q --quality draft --sector 0,6 --no-preview -o "$work/done"
"$program" depth "$work/done" -q
cp -r "$work/done" "$work/scored"
"$program" score "$work/scored" -q >/dev/null
"$program" export "$work/scored" -q --what ply
"$program" budget scenes/heads/pocket.json -q -o "$work/plots" >/dev/null
for folder in raw done scored plots; do closed "$work/$folder"; done
# shellcheck disable=SC2086
refused "$work/raw" scan $room $tiny -q --force -o "$work/raw"
# shellcheck disable=SC2086
refused "$work/raw" scan $room $tiny -q --force --seed 2 -o "$work/raw"
refused "$work/raw" depth "$work/raw" -q
refused "$work/raw" export "$work/raw" -q --source truth
refused "$work/done" depth "$work/done" -q
refused "$work/done" export "$work/done" -q
refused "$work/done" score "$work/done" -q
refused "$work/scored" score "$work/scored" -q
refused "$work/scored" export "$work/scored" -q
refused "$work/closed" export "$work/scored" -q -o "$work/closed/export"
refused "$work/plots" budget scenes/heads/pocket.json -q -o "$work/plots"

# Closed in part only: what comes there is told all the same.
for part in depth preview export; do
    chmod -R a+w "$work/scored"
    closed "$work/scored/$part"
    case $part in
        depth) refused "$work/scored/depth" depth "$work/scored" -q ;;
        preview) refused "$work/scored/preview" score "$work/scored" -q ;;
        export) refused "$work/scored/export" export "$work/scored" -q ;;
    esac
done
chmod -R u+w "$work"
