#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# threads.sh BUILD - every program with several threads under the thread sanitizer, and with one
# under valgrind. The logs must be empty; faults sown on purpose (tests/sown.c) prove first that
# they are not always. What a program says and its status are the cases' of tests/cli; here it must
# be the same bytes with four threads and narrow vectors (the sanitizer's build has no others) as with
# one thread and wide ones.
set -u
export LC_ALL=C
main=${1:?usage: threads.sh BUILD}
mkdir -p "$main/tsan/logs" "$main/tsan/made" || exit 2
plain=$(cd "$main" && pwd) build=$(cd "$main/tsan" && pwd) || exit 2
logs=$build/logs made=$build/made
python=${PYTHON:-/usr/bin/python3}
[ -x "$python" ] || python=python3
failed=0
trap 'exit 130' INT TERM

programs=$(for f in tools/plumb-*.c; do basename "$build/$f" .c; done)
# shellcheck disable=SC2046,SC2086
make --no-print-directory BUILD="$build" OPT='-O1 -g' CFLAGS=-Wno-error SANITIZE=-fsanitize=thread \
    $(printf "$build/%s " $programs) "$build/tests/sown" || exit 2
# shellcheck disable=SC2046,SC2086
make --no-print-directory BUILD="$plain" $(printf "$plain/%s " $programs) "$plain/tests/sown" \
    "$plain/tests/mkframe" || exit 2
rm -rf "${made:?}" && mkdir "$made"
"$python" tests/faults.py "$plain" --keep "$made" >"$made/commands" || exit 2

seen() { # NAME LOG COMMAND...: a sown fault must leave a log
    name=$1 log=$2
    shift 2
    rm -f "$logs"/*
    "$@" >/dev/null 2>&1
    if [ -n "$(find "$logs" -name "$log*" -size +0)" ]; then
        echo "sown $name: seen"
    else
        echo "FAIL sown $name: not seen, so nothing below can be believed"
        failed=$((failed + 1))
    fi
    rm -f "$logs"/*
}

silent() { # NAME: nothing was written
    report=$(find "$logs" -type f -size +0 | head -n 1)
    if [ -n "$report" ]; then
        failed=$((failed + 1))
        echo "FAIL $1:"
        head -n 30 "$report"
        mkdir -p "$build/reports/$1" && mv "$logs"/* "$build/reports/$1"
    fi
    rm -f "$logs"/*
}

each() { # NAME COMMAND...: every program, before it the words of COMMAND
    how=$1
    shift
    while read -r name program rest; do
        rm -rf "$build/here" && cp -r "$made/$name" "$build/here"
        # shellcheck disable=SC2086
        (
            cd "$build/here" || exit
            limit=300
            [ "$program" != plumb-watch ] || limit=20 # has no end of its own
            timeout "$limit" "$@" "$at/$program" $rest >"$build/here/.out" 2>"$build/here/.err" </dev/null
            echo "$how $name: status $?"
        )
        cp "$build/here/.out" "$build/said/$how-$name"
        silent "$how-$name"
    done <"$build/commands"
}

alike() { # every program said the same both times; what plumb-watch came to say, its time limit tells
    while read -r name program rest; do
        [ "$program" != plumb-watch ] || continue
        cmp "$build/said/threads-$name" "$build/said/valgrind-$name" || {
            failed=$((failed + 1))
            echo "FAIL $name: not the same bytes"
        }
    done <"$build/commands"
}

rm -rf "$build/reports" "$build/said" && mkdir "$build/said"
export TSAN_OPTIONS="log_path=$logs/tsan:exitcode=0:halt_on_error=0"
seen race tsan "$build/tests/sown" race
at=$build
sed 's/ -j 1 / -j 4 /' "$made/commands" >"$build/commands"
each threads
# fontconfig keeps its configuration to the end, as in asan.sh; CFITSIO 4.2, when it ends a header,
# compares what stands behind it with what it would write there, also where nobody wrote yet.
cat >"$build/valgrind.supp" <<'END'
{
    fontconfig
    Memcheck:Leak
    ...
    obj:*/libfontconfig.so*
}
{
    cfitsio-header-end
    Memcheck:Cond
    fun:strncmp
    fun:ffwend
    obj:*/libcfitsio.so*
}
END
set -- valgrind -q --suppressions="$build/valgrind.supp" --log-file="$logs/valgrind.%p" --leak-check=full --show-leak-kinds=definite
seen unset valgrind "$@" "$plain/tests/sown" unset
seen past valgrind "$@" "$plain/tests/sown" past
at=$plain
cp "$made/commands" "$build/commands"
each valgrind "$@"
alike
[ "$failed" = 0 ] && echo "threads: nothing found" && exit 0
echo "threads: $failed failed; reports are in $build/reports/"
exit 1
