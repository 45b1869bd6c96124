#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# lint.sh BUILD - what can be said about the sources without running them. Every complaint is an
# error; LINT="format tidy" chooses steps. Files are looked at two at a time.
set -u
export LC_ALL=C
build=${1:?usage: lint.sh BUILD}/lint
steps=${LINT:-format licence shell manual gcc clang cppcheck tidy}
jobs=${JOBS:-2}
failed=0
mkdir -p "$build"
trap 'exit 130' INT TERM

pkgs='cfitsio zlib fftw3 libpng gsl cairo jansson glib-2.0 criterion'
# shellcheck disable=SC2086
flags="-std=c11 -D_XOPEN_SOURCE=700 $(pkg-config --cflags $pkgs | sed 's/-I/-isystem /g')"

sources() { # NAME PATTERN...: tracked and new files; all files where there is no git
    git ls-files -co --exclude-standard -- "$@" 2>/dev/null | while read -r f; do
        [ ! -f "$f" ] || echo "$f"
    done | grep . || for pattern in "$@"; do
        find . -path './build*' -prune -o -name "${pattern##*/}" -type f -print | sed 's|^\./||'
    done
}

format() {
    sources '*.c' '*.h' | xargs clang-format --dry-run -Werror
}

licence() {
    lacking=$(sources '*.c' '*.h' '*.sh' '*.py' '*.in' '*.bash' '*.zsh' 'man/*.[1-8]' Makefile '.ci/*' \
        .clang-tidy tests/.clang-tidy | xargs grep -L 'SPDX-License-Identifier: GPL-3.0-or-later')
    [ -z "$lacking" ] || { echo "no SPDX line:" "$lacking"; return 1; }
}

shell() {
    bad=0
    for f in $(sources '*.sh' '.ci/*'); do
        sh -n "$f" || bad=1
        ! command -v dash >/dev/null || dash -n "$f" || bad=1
        ! command -v shellcheck >/dev/null || shellcheck -s sh "$f" || bad=1
    done
    for f in $(sources '*.bash'); do
        ! command -v bash >/dev/null || bash -n "$f" || bad=1
        ! command -v shellcheck >/dev/null || shellcheck -s bash "$f" || bad=1
    done
    for f in $(sources '*.zsh'); do
        ! command -v zsh >/dev/null || zsh -n "$f" || bad=1
    done
    for f in $(sources '*.py'); do
        python3 -c 'import ast, sys; ast.parse(open(sys.argv[1]).read(), sys.argv[1])' "$f" || bad=1
    done
    return $bad
}

manual() {
    sources 'man/*.[1-8]' | xargs mandoc -Tlint -Wwarning
}

gcc() { compile gcc; }
clang() { compile clang; }
compile() {
    command -v "$1" >/dev/null || { echo "no $1 here"; return 1; }
    nice -n 5 make -s --no-print-directory -j"$jobs" CC="$1" BUILD="$build/$1" all \
        "$build/$1/tests/unit" "$build/$1/tests/mkframe" "$build/$1/tests/replay-frame" \
        "$build/$1/tests/replay-profile" "$build/$1/tests/timeit" "$build/$1/tests/readonly" \
        "$build/$1/tests/sepbench" >"$build/$1.log" 2>&1 || { cat "$build/$1.log"; return 1; }
}

cppcheck() {
    command cppcheck -q -j "$jobs" --std=c11 --error-exitcode=1 --inline-suppr \
        --enable=warning,performance,portability --suppress=missingIncludeSystem \
        --suppress='*:/usr/*' --library=posix --check-library -D_XOPEN_SOURCE=700 \
        --suppress=checkLibraryFunction --suppress=checkLibraryNoReturn \
        --suppress=checkLibraryUseIgnore --template='{file}:{line}: {severity}: {message} [{id}]' \
        lib tools tests/bench tests/fuzz tests/reference
}

tidy() { # seeded.c and sown.c are wrong on purpose
    # shellcheck disable=SC2086
    sources '*.c' | grep -vE "^tests/(seeded|sown)\\.c\$" |
        xargs -P "$jobs" -I{} nice -n 5 clang-tidy --quiet {} -- $flags 2>"$build/tidy.err"
}

for step in $steps; do
    start=$(date +%s)
    if "$step" >"$build/$step.out" 2>&1; then word=ok; else word=FAILED failed=$((failed + 1)); fi
    [ $word = ok ] || cat "$build/$step.out"
    printf 'lint: %-9s %s (%d s)\n' "$step" "$word" $(($(date +%s) - start))
done
[ "$failed" = 0 ]
