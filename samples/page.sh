# SPDX-License-Identifier: GPL-3.0-or-later
# page.sh - read by demo.sh: plays a step, prints it, and adds it to the page. The page is whole or not there.
# Needs $samples; leaves ID.txt (the whole answer) and ID.png of each step, and index.html.

: "${samples:?where these files are}"
page=.page nav=.nav pending='' # a part is written when its first step comes

html() { # stdin, with what means something to HTML escaped
    sed -e 's/&/\&amp;/g' -e 's/</\&lt;/g' -e 's/>/\&gt;/g' -e 's/"/\&quot;/g'
}

say() { # WORDS: folded for a terminal
    printf '%s\n' "$1" | fold -s -w 76 | sed -e 's/ *$//' -e '2,$s/^/  /'
}

broken() { # WORDS
    rm -f "$page" "$nav"
    echo "the evening stopped: $1" >&2
    exit 2
}

page_begin() {
    rm -f index.html
    : >"$page"
    : >"$nav"
}

part() { # ID TITLE <INTRODUCTION
    pending=$1 title=$2 introduction=$(cat)
}

open_part() {
    [ -n "$pending" ] || return 0
    [ ! -s "$page" ] || echo '</section>' >>"$page"
    printf '<a href="#%s">%s</a>\n' "$pending" "$title" >>"$nav"
    printf '<section id="%s">\n<h2>%s</h2>\n<p class="introduction">%s</p>\n' \
        "$pending" "$title" "$(printf '%s' "$introduction" | html)" >>"$page"
    printf '\n%s\n' "$title" | tr '[:lower:]' '[:upper:]'
    printf '%s\n' "$introduction" | fold -s -w 78 | sed 's/ *$//'
    pending=''
}

step() { # TIME ID <LINES
    at=$1 id=$2 ask='' run='' play='' alt='' next=''
    while read -r key words; do
        case $key in
        run) run=${run:+$run
}$words ;;
        ask | play | alt | next) eval "$key=\${$key:+\$$key }\$words" ;;
        *) broken "$id: $key is no line of a step" ;;
        esac
    done
    for line in "$ask" "$run" "$alt" "$next"; do
        [ -n "$line" ] || broken "$id: something is not told"
    done
    open_part
    echo
    say "$at  $ask"

    rm -f "$id.png"
    status=0
    doing=$(printf '%s\n' "${play:-$run}" | sed '$!s/$/ || [ $? = 1 ] || exit 2/')
    samples=$samples sh -c "$doing" >"$id.txt" || status=$?
    # A step that is played says its commands itself, when there are several of them.
    commands=$(head -c 2 "$id.txt" | grep -q '^\$ ' || printf '%s\n' "$run" | sed 's/^/$ /')
    [ -z "$commands" ] || printf '%s\n' "$commands"
    # What a person reads at first; the rest is in ID.txt and on the page.
    awk '/^\$ / || NR == 1 { on = 1 } /^Laser: / { warned = 1 } on; /^$/ { on = warned; warned = 0 }' "$id.txt"
    [ "$status" -le 1 ] || broken "$id: exit status $status of: $run"
    [ -s "$id.txt" ] || broken "$id: no answer to: $run"
    [ -s "$id.png" ] || broken "$id: no picture from: $run"
    say "> $next"
    shown=$(printf '%s\n' "$commands" | cat - "$id.txt" | awk -v status="$status" -f "$samples/answer.awk") ||
        broken "$id: its answer could not be written for the page"
    write_step >>"$page"
}

write_step() {
    # Width and height stand in the picture's header, so that nothing jumps while it loads.
    size=$(od -An -tu1 -j16 -N8 "$id.png" | awk '{ printf "width=\"%d\" height=\"%d\"", ($3 * 256) + $4, ($7 * 256) + $8 }')
    cat <<END
<article class="step" id="$id">
<p class="time">$at</p>
<div class="talk">
<h3 class="question">$(printf '%s' "$ask" | html)</h3>
$shown
</div>
<figure><a href="$id.png"><img src="$id.png" $size loading="lazy" alt="$(printf '%s' "$alt" | html)">
<figcaption>Full size</figcaption></a></figure>
<p class="next"><span>Next</span> $(printf '%s' "$next" | html)</p>
</article>
END
}

page_end() {
    {
        cat <<END
<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="dark">
<meta name="theme-color" content="#000000">
<title>plumb: one evening</title>
<style>
END
        grep -v '^/\* SPDX' "$samples/page.css"
        cat <<END
</style>
</head>
<body>
<header>
<p class="name">plumb</p>
<h1>One evening</h1>
<p>Collimated, square and in focus, while the clear sky lasts: a 280 mm telescope at f/3.1 on 9 October 2031, from the
desk to the next day. Telescope, stars and air are invented; the answers are the programs' own. Times are UT.</p>
<nav>
END
        cat "$nav"
        cat <<END
</nav>
</header>
<main>
END
        cat "$page"
        cat <<END
</section>
</main>
<footer>
<p><b>The order, always:</b> collimate, then the corrector's spacing, then tilt, then focus.</p>
<p><b>Before you touch anything:</b> never point an open tube near the Sun or leave a mirror uncovered in daylight.
Never look into a laser's beam or its reflection; class 2 or weaker. Support mirror, tube and camera before a screw is
loosened. Mains and dew do not go together. The maker's instructions and local rules come first.</p>
<p>Pictures are drawn with --red, and nothing on this page shines in blue. The same as a checklist: man plumb.7</p>
</footer>
</body>
</html>
END
    } >index.tmp
    mv index.tmp index.html
    rm -f "$page" "$nav"
}
