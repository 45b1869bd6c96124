#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# bench.sh BUILD [quick] - speed and memory of plumb-field, as ratios measured in one run.
# tests/bench/README.md says how, and how to read the table. Limits that are broken: exit 1.
# KEEP=1 leaves the frames in BUILD/bench.
set -eu
export LC_ALL=C
build=${1:?usage: bench.sh BUILD [quick]}
quick=${2:-}
make=$build/tests/mkframe tool=$build/tests/timeit reader=$build/tests/readonly
sep=$build/tests/sepbench field=$build/plumb-field
dir=$build/bench
passed=0 failed=0
rounds=11
[ -z "$quick" ] || rounds=5
mkdir -p "$dir"
[ -n "${KEEP:-}" ] || trap 'rm -rf "$dir"' EXIT
trap 'exit 130' INT TERM

frame() { # NAME WIDTH HEIGHT STARS OPTION... - made once
    name=$1 w=$2 h=$3 stars=$4
    shift 4
    [ -s "$dir/$name.fits" ] && [ "$dir/$name.fits" -nt "$make" ] && return
    nice -n 5 "$make" --out "$dir/$name.fits" --width "$w" --height "$h" --stars "$stars" \
        --fwhm 2.2:4 --beta 3.5 --ecc 0:0.4 --snr 15:1000 --gradient 0.1 --seed 11 "$@"
}

drop() {
    [ -n "${KEEP:-}" ] || rm -f "$dir/$1.fits"
}

column() { # LINE FIELD of the last race
    sed -n "${1}p" "$dir/race" | cut -d' ' -f"$2"
}

race() { # ROUNDS COMMAND --- COMMAND...: a line per command in $dir/race
    "$tool" "$@" >"$dir/race"
    [ "$(column 1 6)" -le 1 ] || { echo "bench: plumb-field could not measure its frame" >&2; exit 2; }
}

calc() { # an awk expression, printed as %.FORMAT
    awk "BEGIN { printf \"$2\", $1 }"
}

verdict() { # VALUE OP LIMIT: words for the table, counted
    if awk "BEGIN { exit !($1 $2 $3) }"; then
        passed=$((passed + 1)) word="limit $2 $3: ok"
    else
        failed=$((failed + 1)) word="limit $2 $3: BROKEN"
    fi
}

against() { # LABEL LIMIT FRAME YARDSTICK...: plumb-field over the yardstick's time
    label=$1 limit=$2 file=$3
    shift 3
    race $rounds "$field" "$file" --- "$@"
    ratio=$(calc "$(column 1 1) / $(column 2 1)" %.2f)
    if [ "$limit" != - ] && awk "BEGIN { exit !($ratio > $limit) }"; then # noise? once more, longer
        race $((3 * rounds)) "$field" "$file" --- "$@"
        ratio=$(calc "$(column 1 1) / $(column 2 1)" %.2f)
    fi
    word=
    [ "$limit" = - ] || verdict "$ratio" '<=' "$limit"
    printf '%-34s %9.1f %9.1f %8.2f   %s\n' "$label" "$(column 1 1)" "$(column 2 1)" "$ratio" "$word"
}

memory() { # LABEL LIMIT_MIB: of the last race, above what --version takes
    mib=$(calc "($(column 1 5) - $own) / 1024" %.1f)
    word=
    [ "$2" = - ] || verdict "$mib" '<=' "$2"
    printf '%-34s %9.1f MiB   %s\n' "$1" "$mib" "$word"
}

"$tool" 3 "$field" --version >"$dir/race"
own=$(column 1 5)
own_ms=$(column 1 1)
frame plain 9576 6388 4000
frame mosaic 9576 6388 4000 --mosaic RGGB --sky-rgb 300,400,250
frame float 9576 6388 4000 --bitpix -32
frame rice 9576 6388 4000 --compress rice

echo "whole process, warm cache, medians of $rounds rounds in turn, $(getconf _NPROCESSORS_ONLN) processors, no PNG"
echo "9576 x 6388 px, 4000 stars:"
"$field" --json "$dir/plain.fits" | sed 's/.*"stars_found": *\([0-9]*\).*"stars_used": *\([0-9]*\).*/\1 stars found, \2 measured and used/'
echo
printf '%-34s %9s %9s %8s\n' "against fits_read_img" "plumb ms" "reader ms" ratio
against "16 bit, reader as 16 bit" 2 "$dir/plain.fits" "$reader" "$dir/plain.fits"
cp "$dir/race" "$dir/race.plain"
against "16 bit mosaic" - "$dir/mosaic.fits" "$reader" "$dir/mosaic.fits"
cp "$dir/race" "$dir/race.mosaic"
against "float, reader as float" - "$dir/float.fits" "$reader" "$dir/float.fits" float
cp "$dir/race" "$dir/race.float"
against "Rice-compressed 16 bit" - "$dir/rice.fits" "$reader" "$dir/rice.fits"
cp "$dir/race" "$dir/race.rice"
against "16 bit, one thread (-j 1)" - "$dir/plain.fits" "$reader" "$dir/plain.fits" # replaced below
