#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# fuzz.sh BUILD - every fuzz target under libFuzzer with the address and undefined-behaviour
# sanitizers, FUZZ_SECONDS each (default 60). A finding is left in BUILD/fuzz/found and ends the run
# with status 1; once it is mended its file belongs into tests/fuzz/seeds/TARGET/.
# 4096 MiB: an image that is all one tile takes 12 bytes a pixel in CFITSIO and here, and 30 KB of run
# lengths (PLIO) hold 60 megapixels: more than a gibibyte under the sanitizers.
# FUZZ_TARGETS="frame" chooses; FUZZ_HCOMPRESS=1 lets images packed by HCOMPRESS in (see frame.c).
set -eu
build=${1:?usage: fuzz.sh BUILD}
seconds=${FUZZ_SECONDS:-60}
targets=${FUZZ_TARGETS:-frame profile scene turnlog nightlog watchlog marks positions}
here=$(dirname "$0")
dir=$build/fuzz
failed=0
flags=-DFUZZ_NO_HCOMPRESS
[ -z "${FUZZ_HCOMPRESS:-}" ] || flags=

sh "$here/../deps.sh" build fuzz
objects=
for target in $targets; do
    objects="$objects $dir/obj/tests/fuzz/$target.o"
done
make -s "$build/tests/mkframe" BUILD="$build"
# shellcheck disable=SC2086
make -s CC=clang BUILD="$dir" CFLAGS="$flags" OPT='-O2 -g -fno-omit-frame-pointer' \
    SANITIZE='-fsanitize=fuzzer-no-link,address,undefined,float-cast-overflow -fno-sanitize-recover=all' \
    "$dir/libplumb.a" $objects
mkdir -p "$dir/found"
python3 "$here/seeds.py" "$build/tests/mkframe" "$dir/seeds"
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
trap 'exit 130' INT TERM
for target in $targets; do
    mkdir -p "$dir/corpus/$target" "$dir/found/$target" "$here/seeds/$target"
    # shellcheck disable=SC2046
    clang -fsanitize=fuzzer,address,undefined "$dir/obj/tests/fuzz/$target.o" "$dir/libplumb.a" \
        -o "$dir/fuzz-$target" $(pkg-config --libs cfitsio zlib fftw3 libpng gsl cairo jansson glib-2.0) \
        -lm -pthread
    echo "fuzz: $target for $seconds s"
    log=$dir/$target.log
    if ! TMPDIR=$scratch ASAN_OPTIONS=detect_leaks=1:allocator_may_return_null=1 \
        UBSAN_OPTIONS=print_stacktrace=1 "$dir/fuzz-$target" -max_total_time="$seconds" \
        -timeout=25 -rss_limit_mb=4096 -malloc_limit_mb=8192 -max_len=32768 -print_final_stats=1 \
        -artifact_prefix="$dir/found/$target/" -verbosity=1 \
        "$dir/corpus/$target" "$here/seeds/$target" "$dir/seeds/$target" >"$log" 2>&1; then
        failed=$((failed + 1))
        grep -E 'ERROR|runtime error|SUMMARY|Test unit written' "$log" || tail -n 5 "$log"
        echo "fuzz: $target: found something; the whole story is in $log"
    fi
    sed -n 's/^stat::number_of_executed_units: */  inputs tried: /p' "$log"
    sed -n 's/.* cov: \([0-9]*\) .*/\1/p' "$log" | tail -n 1 | sed 's/^/  edges covered: /'
done
[ "$failed" = 0 ]
