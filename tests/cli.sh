# SPDX-License-Identifier: Apache-2.0
# What the tests of the command line share; to be sourced. Wants $program and $work.
fail() { echo "$*" >&2; exit 1; }

# wrong CODE TEXT WORDS...: the program ends with CODE, prints nothing on stdout and exactly one line on stderr that holds TEXT.
wrong() {
    wanted_code=$1 wanted_text=$2
    shift 2
    code=0
    "$program" "$@" >"$work/stdout" 2>"$work/stderr" || code=$?
    [ "$code" = "$wanted_code" ] || fail "exit $code, wanted $wanted_code: lanternroom $*: $(cat "$work/stderr")"
    [ ! -s "$work/stdout" ] || fail "talks on stdout: lanternroom $*"
    [ "$(wc -l <"$work/stderr")" = 1 ] || fail "not one line: lanternroom $*: $(cat "$work/stderr")"
    grep -qF -- "$wanted_text" "$work/stderr" || fail "lanternroom $*: says: $(cat "$work/stderr"); wanted: $wanted_text"
}

# A head so small that a scan is quick, unless the room is not.
tiny="--quality draft --set head.modules.*.cameras.*.sensor.pixels=64 --set head.modules.*.cameras.*.sensor.pitch_um=56 --set head.spin.lines_per_rev=90"
