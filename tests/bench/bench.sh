#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# bench.sh BUILD [quick] - speed and memory of plumb-field, as ratios measured in one run, and the time
# of what is computed by wave optics.
# tests/bench/README.md says how, and how to read the table. A broken limit: exit 1.
# KEEP=1 leaves the frames in BUILD/bench.
set -eu
export LC_ALL=C
build=${1:?usage: bench.sh BUILD [quick]}
quick=${2:-}
field=$build/plumb-field sweep=$build/plumb-sweep maker=$build/tests/mkframe
reader=$build/tests/readonly sep=$build/tests/sepbench tool=$build/tests/timeit
dir=$build/bench
rounds=11 turns=5 passed=0 failed=0
[ -z "$quick" ] || rounds=5
mkdir -p "$dir"
[ -n "${KEEP:-}" ] || trap 'rm -rf "$dir"' EXIT
trap 'exit 130' INT TERM

frame() { # NAME WIDTH HEIGHT STARS OPTION...
    file=$dir/$1.fits w=$2 h=$3 stars=$4
    shift 4
    [ -z "$(find "$file" -newer "$maker" 2>/dev/null)" ] || return 0
    "$maker" --out "$file" --width "$w" --height "$h" --stars "$stars" --fwhm 2.2:4 --beta 3.5 \
        --ecc 0:0.4 --snr 15:1000 --gradient 0.1 --seed 11 "$@"
}

drop() { # NAME - discs are small
    [ -n "${KEEP:-}" ] || rm -f "$dir/$1.fits"
}

race() { # ROUNDS COMMAND... --- COMMAND...; one line of figures per command, plumb's first
    "$tool" "$@" >"$dir/race"
    if [ "$(figure 1 6)" -gt 1 ]; then
        echo "bench: the program could not measure its frames" >&2
        exit 2
    fi
}

figure() { # COMMAND COLUMN of the last race; 1 median ms, 5 peak KiB, 6 exit status
    sed -n "${1}p" "$dir/race" | cut -d' ' -f"$2"
}

calc() { # EXPRESSION FORMAT
    awk "BEGIN { printf \"$2\", $1 }"
}

holds() { # an awk condition
    awk "BEGIN { exit !($1) }"
}

limit() { # VALUE OPERATOR LIMIT: sets $word, counts; a limit of - is none
    word=
    [ "$3" != - ] || return 0
    word="limit $2 $3: ok"
    if holds "$1 $2 $3"; then
        passed=$((passed + 1))
    else
        failed=$((failed + 1)) word="limit $2 $3: BROKEN"
    fi
}

against() { # LABEL LIMIT NAME "TYPE [THREADS]" OPTION...: plumb-field over the reader's time
    label=$1 most=$2 file=$dir/$3.fits type=$4
    shift 4
    for n in $rounds $((3 * rounds)); do # over the limit by noise? once more, longer
        # shellcheck disable=SC2086
        race "$n" "$field" "$@" "$file" --- "$reader" "$file" $type
        ratio=$(calc "$(figure 1 1) / $(figure 2 1)" %.2f)
        if [ "$most" = - ] || holds "$ratio <= $most"; then
            break
        fi
    done
    limit "$ratio" '<=' "$most"
    printf '%-26s %9.1f %9.1f %7.2f %9.1f  %s\n' "$label" "$(figure 1 1)" "$(figure 2 1)" "$ratio" \
        "$(calc "($(figure 1 5) - $own_kib) / 1024" %.1f)" "$word"
}

memory() { # LABEL LIMIT, of the last race, above what --version takes
    mib=$(calc "($(figure 1 5) - $own_kib) / 1024" %.1f)
    limit "$mib" '<=' "$2"
    printf '%-26s %9.1f MiB  %s\n' "$1" "$mib" "$word"
}

against_sep() { # LIMIT NAME
    race 3 "$field" "$dir/$2.fits" --- "$sep" "$dir/$2.fits"
    ratio=$(calc "$(figure 2 1) / $(figure 1 1)" %.1f)
    limit "$ratio" '>=' "$1"
    printf '%-26s %9.1f %9.1f %7.1f  %s\n' "libsep, same frame" "$(figure 1 1)" "$(figure 2 1)" \
        "$ratio" "$word"
}

series() { # eleven frames of 26 Mpx, 20 um apart, a minute between them
    for k in 0 1 2 3 4 5 6 7 8 9 10; do
        wide=$(calc "sqrt(2.8 ^ 2 + (1.5 * ($k - 4.7)) ^ 2)" %.3f)
        "$maker" --out "$dir/focus-$k.fits" --width 6248 --height 4176 --stars 1700 --seed 21 \
            --flux 8000:400000 --fwhm "$wide" --beta 4 --header "FOCUSPOS=$((5000 + 5 * k))" \
            --date-obs "2026-01-15T21:$((30 + k)):10"
    done
    printf '[scope]\nobstruction = 0.35\n[focuser]\nstep_um = 4\noutward = 1\n' >"$dir/sweep.ini"
}

frames() { # LABEL LIMIT FRAMES PROGRAM OPTION...: a program over frames, over the reader's time
    label=$1 most=$2 list=$3
    shift 3
    for n in $turns $((4 * turns)); do
        # shellcheck disable=SC2086
        race "$n" "$@" $list --- "$reader" $list short
        ratio=$(calc "$(figure 1 1) / $(figure 2 1)" %.2f)
        if holds "$ratio <= $most"; then
            break
        fi
    done
    limit "$ratio" '<=' "$most"
    printf '%-26s %9.1f %9.1f %7.2f %9.1f  %s\n' "$label" "$(figure 1 1)" "$(figure 2 1)" "$ratio" \
        "$(calc "($(figure 1 5) - $own_kib) / 1024" %.1f)" "$word"
}

night() { # 300 exposures: the four sharpest frames again and again, under other names
    [ -z "$quick" ] || return 0
    k=0
    while [ "$k" -lt 300 ]; do
        ln -f "$dir/focus-$((3 + k % 4)).fits" "$dir/sub-$k.fits"
        k=$((k + 1))
    done
    turns=1
    frames "plumb-night, 300 x 26 Mpx" 1 "$(ls "$dir"/sub-*.fits)" "$build/plumb-night" -q -p "$dir/sweep.ini"
    turns=5
}

evening() { # a sweep, the exposure after it, and the night
    series
    all=$(ls "$dir"/focus-*.fits)
    frames "through focus, 11 x 26 Mpx" 3 "$all" "$sweep" -q -p "$dir/sweep.ini"
    # shellcheck disable=SC2086
    "$sweep" -q -p "$dir/sweep.ini" --save $all >/dev/null || [ $? = 1 ]
    frames "plumb-check, one of them" 1.5 "$dir/focus-3.fits" "$build/plumb-check" -q -p "$dir/sweep.ini"
    frames "plumb-night, all of them" 1.5 "$all" "$build/plumb-night" -q -p "$dir/sweep.ini"
    night
    rm -f "$dir"/focus-*.fits "$dir"/sub-*.fits
}

clocks() { # FILE VARIABLE...: plumb-donut, linked with fftclock.c, five times
    file=$1
    shift
    for _ in 1 2 3 4 5; do
        env FFTCLOCK="$dir/clock" "$@" -q -p samples/evening.ini >/dev/null || [ $? = 1 ]
        cat "$dir/clock"
    done >"$dir/$file"
}

middle() { # FILE COLUMN of the third in time
    sort -n -k 2,2 "$dir/$1" | sed -n 3p | cut -d' ' -f"$2"
}

over() { # LABEL MS MS LIMIT
    ratio=$(calc "$2 / $3" %.2f)
    limit "$ratio" '<=' "$4"
    printf '%-40s %9.2f  %s\n' "  $1" "$ratio" "$word"
}

transforms() { # OPTION...: plumb-donut, just raced with one thread, over the Fourier transforms of its fits
    clocks transforms "$build/clocked/plumb-donut" "$@"
    clocks fits FFTCLOCK_FITS=1 "$build/clocked/plumb-donut" "$@"
    over "over its $(middle transforms 1) transforms" "($(figure 1 1) - $own_ms)" "$(middle transforms 2)" 2
    over "its fits alone" "$(middle fits 2)" "$(middle transforms 2)" 1.5
}

size() { # WIDTH HEIGHT STARS: cost by size, 65 stars per megapixel
    frame size "$1" "$2" "$3"
    race "$rounds" "$field" "$dir/size.fits"
    mpx=$(calc "$1 * $2 / 1e6" %.1f)
    printf '%9.1f Mpx %9.1f %9.2f %9.1f\n' "$mpx" "$(figure 1 1)" \
        "$(calc "($(figure 1 1) - $own_ms) / $mpx" %.3f)" \
        "$(calc "($(figure 1 5) - $own_kib) / 1024" %.1f)"
    drop size
}

crowd() { # STARS on one frame of 15 Mpx
    frame crowd 4800 3200 "$1"
    race "$rounds" "$field" "$dir/crowd.fits"
    printf '%9d stars %9.1f\n' "$1" "$(figure 1 1)"
    drop crowd
}

scene() { # NAME LINES: a scene on the demo's telescope
    printf '[camera]\nwidth_px = 1200\nheight_px = 900\nmosaic = none\n%b\n' "$2" >"$dir/$1.ini"
}

waves() { # WHAT LIMIT-MS COMMAND...: the programs that compute with waves
    what=$1 most=$2
    shift 2
    race 3 "$@"
    limit "$(figure 1 1)" '<=' "$most"
    printf '%-40s %9.0f  %s\n' "$what" "$(figure 1 1)" "$word"
}

race 3 "$field" --version
own_ms=$(figure 1 1) own_kib=$(figure 1 5)
echo "Whole processes without PNG, warm cache, in turn; medians of $rounds rounds;" \
    "$(getconf _NPROCESSORS_ONLN) processors."
echo "plumb-field --version alone: $own_ms ms, $(calc "$own_kib / 1024" %.1f) MiB"
echo
frame plain 9576 6388 4000
echo "9576 x 6388 px with 4000 stars: $("$field" "$dir/plain.fits" | sed -n 's/^ *stars  *//p' | head -n 1)"
printf '%-26s %9s %9s %7s %9s\n' "against fits_read_img" "plumb ms" "reader ms" ratio "peak MiB"
against "16 bit, read as 16 bit" 0.6 plain short
memory "peak memory, 16 bit" 64
against "16 bit, -j 1" - plain short -j 1
frame mosaic 9576 6388 4000 --mosaic RGGB --sky-rgb 300,400,250 --rg 0.5:1.2 --bg 0.4:1
against "16 bit colour mosaic" - mosaic short
drop mosaic
frame float 9576 6388 4000 --bitpix -32
against "float, read as float" 1 float float
drop float
frame rice 9576 6388 4000 --compress rice
threads=$(getconf _NPROCESSORS_ONLN)
against "16 bit Rice, same threads" 1.1 rice "short $threads" -j "$threads"
memory "peak memory, Rice" "$(calc "1.3 * 9576 * 6388 * 2 / 1048576" %.1f)"
against "16 bit Rice, one thread" - rice short -j 1
drop rice
evening
echo
printf '%-26s %9s %9s %7s\n' "against libsep" "plumb ms" "sep ms" ratio
against_sep 6 plain
"${PYTHON:-/usr/bin/python3}" "$(dirname "$0")/starfit.py" "$build"
drop plain
echo
printf '%13s %9s %9s %9s\n' size ms "ms / Mpx" "peak MiB"
size 1224 816 65
size 4800 3200 1000
size 9576 6388 4000
[ -n "$quick" ] || size 15000 10000 9800
echo
printf '%15s %9s\n' "on 15 Mpx" ms
for stars in 10 100 800 4000 20000; do
    crowd "$stars"
done
echo
printf '%-40s %9s\n' "by wave optics" ms
sim=$build/plumb-sim donut="$build/plumb-donut -q -p samples/evening.ini"
for x in 150.4 450.1 750.8 1050.6; do # twelve rings of 60 px, 300 px apart
    for y in 150.7 450.2 750.9; do
        echo "$x $y 6.4"
    done
done >"$dir/twelve.list"
scene twelve "[field]\nlist = twelve.list\n[focus]\ndefocus_um = 783\n[exposure]\nexposure_s = 10"
scene field "[field]\nstars = 500\n[focus]\ntilt_x_um_mm = 5\ncurvature_um = 20\n[exposure]\nexposure_s = 60"
"$sim" -q -p samples/evening.ini -o "$dir/twelve.fits" "$dir/twelve.ini" >/dev/null
# shellcheck disable=SC2086
waves "one donut of 58 px, one thread" 250 $donut -j 1 samples/donut-out.fits.fz
transforms -j 1 samples/donut-out.fits.fz
# shellcheck disable=SC2086
waves "twelve donuts of 60 px, two threads" 1500 $donut -j 2 "$dir/twelve.fits"
# shellcheck disable=SC2086
waves "the same, one thread" 2500 $donut -j 1 "$dir/twelve.fits"
transforms -j 1 "$dir/twelve.fits"
waves "1200 x 900 px, 500 stars rendered" 3000 "$sim" -q -p samples/evening.ini -j 2 -o "$dir/s.fits" "$dir/field.ini"
rm -f "$dir/s.fits" "$dir/s.truth.jsonl"
echo
echo "$passed passed, $failed failed"
[ "$failed" = 0 ]
