#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# asan.sh BUILD - the unit tests, the programs as a user runs them, and the fuzz seeds under the
# address, leak and undefined-behaviour sanitizers. Criterion 2.4 prints a leak and still exits 0, so
# the sanitizers write files, and any file means failure. Faults sown on purpose prove first that this
# turns red. ASAN_REFERENCE=1 adds the quick reference tests (slow).
set -u
export LC_ALL=C
main=${1:?usage: asan.sh BUILD}
mkdir -p "$main/asan/logs" || exit 2
build=$(cd "$main/asan" && pwd) || exit 2
logs=$build/logs
python=${PYTHON:-/usr/bin/python3}
[ -x "$python" ] || python=python3
sanitize='-fsanitize=address,undefined,float-cast-overflow -fno-sanitize-recover=all'
# gcc's two runtimes, when shared, do not share their options: reports of undefined behaviour would
# miss the files. clang has one runtime.
${CC:-cc} --version | grep -q clang || sanitize="$sanitize -static-libasan -static-libubsan"
failed=0
trap 'exit 130' INT TERM

programs=$(for f in tools/plumb-*.c; do basename "$build/$f" .c; done | sed "s|^|$build/|")
# shellcheck disable=SC2086
make --no-print-directory BUILD="$build" OPT='-O1 -g -fno-omit-frame-pointer' \
    CFLAGS=-Wno-error SANITIZE="$sanitize" $programs \
    "$build/tests/unit" "$build/tests/mkframe" "$build/tests/seeded" "$build/tests/replay-frame" \
    "$build/tests/replay-profile" "$build/tests/replay-scene" "$build/tests/replay-turnlog" \
    "$build/tests/replay-nightlog" "$build/tests/replay-watchlog" \
    "$build/tests/replay-marks" "$build/tests/replay-positions" || exit 2

# fontconfig keeps its configuration to the end of the process and has no owner to free it for us:
# cairo's text brings it in. glibc keeps the path on which it searched for a locale (LOCPATH).
# Nothing else is let off.
printf 'leak:libfontconfig\nleak:__argz_add_sep\n' >"$build/lsan.supp"
export ASAN_OPTIONS="log_path=$logs/asan:detect_leaks=1:exitcode=99:allocator_may_return_null=1:detect_stack_use_after_return=1"
export UBSAN_OPTIONS="log_path=$logs/ubsan:print_stacktrace=1:exitcode=99"
export LSAN_OPTIONS="suppressions=$build/lsan.supp:print_suppressions=0"

clean() {
    rm -f "$logs"/*
}

silent() { # NAME: nothing was written
    set -- "$1" "$logs"/*
    if [ -e "$2" ]; then
        failed=$((failed + 1))
        echo "FAIL $1: $(($# - 1)) sanitizer reports; the first:"
        head -n 25 "$2"
        mkdir -p "$build/reports/$1"
        mv "$logs"/* "$build/reports/$1"
    fi
}

run() { # NAME COMMAND...: must end with 0 and leave no report
    name=$1 start=$(date +%s)
    shift
    "$@" </dev/null >"$build/$name.log" 2>&1
    rc=$?
    if [ $rc != 0 ]; then
        failed=$((failed + 1))
        echo "FAIL $name: status $rc"
        grep -vE '^ *ok\b' "$build/$name.log" | tail -n 25
    fi
    silent "$name"
    printf '%-14s %s (%d s)\n' "$name" "$(tail -n 1 "$build/$name.log")" $(($(date +%s) - start))
}

rm -rf "$build/reports"
clean
for fault in leak overflow freed wrap cast; do
    "$build/tests/seeded" --jobs 1 --filter "seeded/$fault" >/dev/null 2>&1
    if [ -z "$(ls "$logs")" ]; then
        echo "FAIL seeded $fault: not seen, so nothing below can be believed"
        failed=$((failed + 1))
    else
        echo "seeded $fault: seen"
    fi
    clean
done

"$python" tests/fuzz/seeds.py "$build/tests/mkframe" "$build/seeds" || exit 2
for target in frame profile scene turnlog nightlog watchlog marks positions; do
    set -- "$build/seeds/$target"/*
    for seed in tests/fuzz/seeds/"$target"/*; do
        [ ! -f "$seed" ] || set -- "$@" "$seed"
    done
    run "seeds-$target" "$build/tests/replay-$target" "$@"
done
run unit "$build/tests/unit" --timeout 600
run cli sh tests/cli/run.sh "$build"
if [ -n "${ASAN_REFERENCE:-}" ]; then
    for suite in accuracy mosaic detect; do
        run $suite "$python" tests/reference/$suite.py "$build" --quick
    done
fi
[ "$failed" = 0 ] && echo "asan: nothing found" && exit 0
echo "asan: $failed failed; reports and logs are in $build/"
exit 1
