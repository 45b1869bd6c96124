#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# check.sh BUILD - every test that needs no more than minutes, each suite with its closing line. The
# last line counts them all: `N passed, N failed, N skipped`. Status 1 when any failed, or when a
# suite is missing, silent, or counts no test.
set -u
export LC_ALL=C
build=${1:?usage: check.sh BUILD}
python=${PYTHON:-/usr/bin/python3} # the system's own, which has the system's packages
[ -x "$python" ] || python=python3
logs=$build/check
passed=0 failed=0 skipped=0
rm -rf "$logs"
mkdir -p "$logs"
trap 'exit 130' INT TERM

number() { # the number before a word in $closing, or 0
    n=$(printf '%s\n' "$closing" | sed -n "s/.*\b\([0-9][0-9]*\) $1.*/\1/p")
    echo "${n:-0}"
}

close_suite() { # NAME STATUS PASSED FAILED SKIPPED: count and show
    status=$2 p=$3 f=$4 s=$5 log=$logs/$1.log
    if [ "$f" = 0 ] && { [ "$status" != 0 ] || [ $((p + s)) = 0 ]; }; then
        f=1
        closing="status $status after: ${closing:-no closing line}"
    fi
    passed=$((passed + p)) failed=$((failed + f)) skipped=$((skipped + s))
    took=$(($(date +%s) - start))
    if [ "$f" = 0 ]; then
        grep -iE '^ *(skip|\[SKIP\])' "$log"
    else
        grep -vE '^ *(ok\b|\[(PASS|RUN )\]|\[====\] Running)' "$log" | tail -n 60
    fi
    printf '%-10s %s (%d s)\n' "$1" "$closing" "$took"
}

begin() { # NAME FILE: false, and counted as failed, when the suite is not there
    start=$(date +%s) closing=''
    [ -e "$2" ] && return
    : >"$logs/$1.log"
    closing="$2 is missing"
    close_suite "$1" 1 0 1 0
    return 1
}

counted() { # NAME FILE COMMAND...: a suite that ends with `N passed, N failed[, N skipped]`
    suite=$1
    begin "$1" "$2" || return
    shift 2
    "$@" </dev/null >"$logs/$suite.log" 2>&1
    rc=$?
    closing=$(grep -E '^[0-9]+ passed, [0-9]+ failed' "$logs/$suite.log" | tail -n 1)
    close_suite "$suite" $rc "$(number passed)" "$(number failed)" "$(number skipped)"
}

unit() { # Criterion counts a crash as a failure too; what skipped itself it does not count
    begin unit "$build/tests/unit" || return
    "$build/tests/unit" --verbose --timeout 120 </dev/null >"$logs/unit.log" 2>&1
    rc=$?
    closing=$(grep -o 'Synthesis: .*' "$logs/unit.log" | tail -n 1)
    of() { printf '%s\n' "$closing" | sed -n "s/.*$1: *\([0-9][0-9]*\).*/\1/p"; }
    tested=$(of Tested) good=$(of Passing)
    close_suite unit $rc "${good:-0}" "$((${tested:-0} - ${good:-0}))" "$(grep -c '^\[SKIP\]' "$logs/unit.log")"
}

pages() {
    good=0 bad=0
    for page in man/*.[1-8]; do
        if mandoc -Tlint -Wwarning "$page"; then good=$((good + 1)); else bad=$((bad + 1)); fi
    done
    echo "$good passed, $bad failed"
    [ "$bad" = 0 ]
}

seeds() { # the fuzz targets over their seeds and every file that once broke them
    "$python" tests/fuzz/seeds.py "$build/tests/mkframe" "$logs/seeds" || return
    good=0
    for target in frame profile scene turnlog nightlog watchlog marks positions; do
        for seed in "$logs/seeds/$target"/* tests/fuzz/seeds/"$target"/*; do
            [ -f "$seed" ] || continue
            TMPDIR=$logs timeout 60 "$build/tests/replay-$target" "$seed" || {
                echo "FAIL $target: $seed"
                return 1
            }
            good=$((good + 1))
        done
    done
    echo "$good passed, 0 failed"
}

suite() { # NAME: one of $suites
    case $1 in
    unit) unit ;;
    cli) counted cli tests/cli/run.sh sh tests/cli/run.sh "$build" ;;
    install) counted install tests/install.sh sh tests/install.sh "$build" ;;
    manual) counted manual man pages ;;
    house) counted house tests/house.sh sh tests/house.sh ;;
    examples) counted examples tests/examples.py "$python" tests/examples.py "$build" ;;
    story) counted story tests/story.py "$python" tests/story.py "$build" ;;
    seeds) counted seeds "$build/tests/replay-frame" seeds ;;
    watch) counted watch tests/bench/watchsoak.py "$python" tests/bench/watchsoak.py "$build" --quick ;;
    faults) counted faults tests/faults.py "$python" tests/faults.py "$build" --quick ;;
    frames) counted frames tests/bench/check_mkframe.py "$python" tests/bench/check_mkframe.py "$build/tests/mkframe" ;;
    *) counted "$1" "tests/reference/$1.py" "$python" "tests/reference/$1.py" "$build" --quick ;;
    esac
}

# The longest first, so that both workers end together.
suites="unit cli donut check detect night watch psf waves frames against sweep accuracy examples story faults laser flare
    install properties seeds libraries mosaic loop sweepframes manual house"

worker() { # each suite nobody has begun; what it said in one piece, and the counts
    for name in $suites; do
        mkdir "$logs/$name.begun" 2>/dev/null || continue
        passed=0 failed=0 skipped=0
        suite "$name" >"$logs/$name.said" 2>&1
        cat "$logs/$name.said"
        echo "$passed $failed $skipped" >"$logs/$name.sum"
    done
}

# Two at once: most suites leave a processor idle part of the time.
worker &
worker
wait
passed=0 failed=0 skipped=0
for name in $suites; do
    read -r p f s <"$logs/$name.sum" || { p=0 f=1 s=0 && echo "$name did not end"; }
    passed=$((passed + p)) failed=$((failed + f)) skipped=$((skipped + s))
done
[ "$failed" = 0 ] || echo "what the suites said is in $logs/"
echo "$passed passed, $failed failed, $skipped skipped"
[ "$failed" = 0 ]
