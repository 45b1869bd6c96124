#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# run.sh BUILD [CASE...] - the programs as a user runs them. Each folder beside this file is a case:
#   cmd          the command, for sh, in an empty folder of its own; $F: the frames, $TOP: the project
#   stdout       what it must print, byte for byte        (neither file: nothing)
#   stdout.grep  patterns (grep -E) that must be there, a line each; "! PATTERN": must not
#   stderr, stderr.grep  the same for stderr
#   status       its exit status (no file: 0)
#   requires     a command; when it fails the case is skipped, and its stderr says why
# Names of temporary and build folders are replaced before comparing. Last line: N passed, N failed.
set -u
export LC_ALL=C
build=$(cd "${1:?usage: run.sh BUILD [CASE...]}" && pwd) || exit 2
TOP=$(cd "$(dirname "$0")/../.." && pwd)
cases=$TOP/tests/cli
shift
scratch=$(mktemp -d "${TMPDIR:-/tmp}/plumb-cli-XXXXXX") || exit 2
trap 'chmod -R u+rwx "$scratch"; rm -rf "$scratch"' EXIT
trap 'exit 130' INT TERM
F=$scratch/frames
PYTHON=${PYTHON:-/usr/bin/python3}
[ -x "$PYTHON" ] || PYTHON=python3
PATH=$build:$PATH
export PATH F TOP PYTHON BUILD="$build"
unset NO_COLOR COLUMNS
mkdir "$F"
sh "$cases/frames.sh" "$build/tests/mkframe" "$F" >"$scratch/made" 2>&1 || {
    cat "$scratch/made"
    echo "the frames could not be made"
    exit 2
}

clean() { # FILE: names that differ from run to run
    sed -e "s|$F|FRAMES|g" -e "s|$scratch|SCRATCH|g" -e "s|$build|BUILD|g" -e "s|$TOP|TOP|g" "$1" >"$1.clean"
}

# compare CASE STREAM: nothing when it is as expected, else what is wrong
compare() {
    clean "$got/$2"
    if [ -f "$1/$2" ]; then
        diff -u "$1/$2" "$got/$2.clean"
    elif [ ! -f "$1/$2.grep" ]; then
        [ ! -s "$got/$2" ] || { echo "unexpected $2:" && cat "$got/$2.clean"; }
    fi
    [ -f "$1/$2.grep" ] || return 0
    while IFS= read -r want; do
        case $want in
        '! '*) ! grep -aqE -e "${want#! }" "$got/$2.clean" || echo "$2 has: ${want#! }" ;;
        *) grep -aqE -e "$want" "$got/$2.clean" || { echo "$2 lacks: $want; it says:" && head -n 12 "$got/$2.clean"; } ;;
        esac
    done <"$1/$2.grep"
}

one() { # CASE: run it, say what is wrong, and a line of how it went to fd 3
    name=$(basename "$1")
    case=$cases/$name got=$scratch/got/$name
    mkdir -p "$got/here"
    if [ -f "$case/requires" ] && ! (cd "$got/here" && sh "$case/requires") >/dev/null 2>"$got/why"; then
        echo "skip $name: $(tail -n 1 "$got/why")"
        echo skipped >&3
        return
    fi
    (cd "$got/here" && timeout 180 sh "$case/cmd") >"$got/stdout" 2>"$got/stderr" </dev/null 3>&-
    status=$?
    want=$(cat "$case/status" 2>/dev/null || echo 0)
    {
        [ "$status" = "$want" ] || {
            echo "status $status, not $want"
            head -n 12 "$got/stderr"
        }
        compare "$case" stdout
        compare "$case" stderr
    } >"$got/wrong"
    if [ -s "$got/wrong" ]; then
        echo "FAIL $name"
        sed 's/^/    /' "$got/wrong"
        echo failed >&3
    else
        echo passed >&3
    fi
}

every_other() { # 0|1 CASE...
    turn=$1
    shift
    for case; do
        turn=$((1 - turn))
        [ $turn = 1 ] || one "$case"
    done
}

[ $# -gt 0 ] || set -- "$cases"/*/
every_other 0 "$@" >"$scratch/said" 3>"$scratch/went.0" & # two at a time: most only wait for a process
every_other 1 "$@" 3>"$scratch/went.1"
wait
cat "$scratch/said"
of() { cat "$scratch"/went.? | grep -c "$1"; }
failed=$(of failed)
echo "$(of passed) passed, $failed failed, $(of skipped) skipped"
[ "$failed" = 0 ]
