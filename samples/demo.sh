#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# The invented evening, from the desk to the next day: what a person asks, the command, the answer, what
# they do then. Played in BUILD/demo, with the answers in the terminal and all of it in index.html there.
# Usage: sh samples/demo.sh [BUILD [FOLDER]]. Stops with status 2 where a step breaks.
#
# This file tells the steps, and nothing else does. `part ID TITLE`, then words: begins a part. `step TIME ID`:
# question, command and answer of one step, the picture ID.png. Its lines, several of a kind being joined:
#   ask   the question         play  the command to run, when it is not the one a person types
#   run   the command, a line for each                        alt   what the picture shows
#   next  what to do then
set -eu
export LC_ALL=C
samples=$(cd "$(dirname "$0")" && pwd)
build=$(cd "${1:-$samples/../build}" && pwd)
from=$PWD demo=${2:-$build/demo}
mkdir -p "$demo/sky"
cd "$demo"
PATH=$build:$PATH
# shellcheck disable=SC1091
. "$samples/page.sh"

# The evening's folder: the profile, which --save will write to, and exposures. What makes the others is in sky/.
cp "$samples/evening.ini" "$samples/laser-marks.txt" "$samples/night.jsonl" "$samples/donut-out.fits.fz" "$samples/donut-in.fits.fz" \
    "$samples"/sweep-000?.fits.fz "$samples"/sub-*.fits.fz .
page_begin

part desk "At the desk" <<END
The afternoon before a clear night, with the numbers of the telescope written into evening.ini.
END
step 17:00 zone <<'END'
ask   How exact must focus, collimation and tilt be for my telescope, and how many subs will fit?
run   plumb-zone -p evening.ini --red --png zone.png
alt   The telescope's tolerances: how far focus, the mirror's axis and the sensor may be off, and the time there is.
next  Copy the five lines to a card for the telescope. Everything that follows is measured against them.
END

part daylight "Daylight" <<END
The mirror stays covered. The laser is turned in its holder before squared paper, at two distances.
END
step 17:30 laser <<'END'
ask   Can I trust my laser, and what would its error do to the mirrors?
run   plumb-laser -p evening.ini --red --png laser.png laser-marks.txt
alt   The spots of a laser turned in its holder, on squared paper at two distances: they lie on circles around the
alt   holder's axis, outside the disc of what passes.
next  Adjust the laser by its own screws and mark the paper again. Only then align the mirrors with it; the star at dusk
next  has the last word.
END

part dusk "Dusk" <<END
The first bright star, racked out until it is a ring: a picture of the mirror. Collimation comes before all else.
END
step 19:38 donut <<'END'
ask   Which way is the collimation off, and how far?
run   plumb-donut -p evening.ini --red --png donut.png donut-out.fits.fz
alt   The ring of a star far out of focus, unrolled: its hole swings far out of the band where a collimated
alt   mirror would put it; an arrow on a plan of the frame shows the way the star must go.
next  Make sure before touching a screw: rack in to the other side of focus and expose again.
END
step 19:40 pair <<'END'
ask   Is it the mirror, or only the secondary, which is off centre by design?
run   plumb-donut -p evening.ini --red --png pair.png donut-out.fits.fz donut-in.fits.fz
alt   The rings from both sides of focus, unrolled, and the arrow they agree on.
next  Both sides say the same, and the secondary's offset is the one it was built with: it is the mirror. Go to its
next  screws.
END
step 19:43 turn <<'END'
ask   Which screw, which way, how far? Nobody knows yet how the camera shows the mirror.
run   plumb-donut -q -p evening.ini --json donut-out.fits.fz donut-in.fits.fz >donut.json
run   plumb-turn learn turns.log donut.json -p evening.ini --red --png turn.png
play  sh "$samples/turns.sh"
alt   The three screws behind the mirror, each with what to turn, and the axis inside the disc of what passes.
next  Turn what it says, bring the star back with the mount, expose, and ask again with what you turned, until it
next  says: leave it. (Here the cell and its star are simulated.)
END
step 19:50 helped <<'END'
ask   Did it help?
run   plumb-donut -p evening.ini --against donut-out.fits.fz --red --png helped.png donut-turned.fits
alt   Coma before and after as two arrows from one point: the later one ends inside the disc of what passes.
next  Lock the screws, look once more that nothing moved, and go on to focus.
END

part focus "Focus" <<END
Seven short exposures through focus tell where it is, and whether the sensor stands square in the light.
END
step 20:12 sweep <<'END'
ask   Where is best focus, how sure is that, and is the sensor square?
run   plumb-sweep -p evening.ini --red --png sweep.png sweep-*.fits.fz
alt   Star width against the focuser's position, a curve with its lowest point in the allowed band; beside it best
alt   focus over the sensor as lines in micrometres, sloping from one corner to the other.
next  Collimation is done and the field is flat; what is left is the tilt. Ask what it takes.
END
step 20:16 tilt <<'END'
ask   Is the tilt worth touching, and which screw?
run   plumb-sweep -q -p evening.ini --json sweep-*.fits.fz >sweep.json
run   plumb-tilt -p evening.ini --red --png tilt.png sweep.json
alt   The tilt plate from behind the camera with its three screws, and a table of the turn each needs.
next  Support the camera, turn the three screws, and take the seven exposures again.
END
plumb-sim -q -p evening.ini -o sky/squared.fits "$samples/squared.ini" >/dev/null
mv sky/squared-*.fits .
step 20:28 squared <<'END'
ask   Is it square now? Keep it, so that single exposures can be read later.
run   plumb-sweep -p evening.ini --save --red --png squared.png squared-*.fits
alt   The same curve, and lines of best focus that now hardly slope: the whole sensor lies in the allowed band.
next  Move the focuser to best focus, from the side it always comes from. The focal surface is in evening.ini now.
END
step 20:30 knob <<'END'
ask   And with a focuser that has no numbers: which way to turn the knob?
run   plumb-sweep -p evening.ini --no-positions --first in --red --png knob.png squared-*.fits
alt   The curve through focus, its positions found from the stars alone.
next  Turn the knob as it says: the order of the exposures and the side of the first were enough.
END

part first "First frames" <<END
Before the long run, one look at the whole field. The two in the middle are what another evening would have shown.
END
step 20:41 even <<'END'
ask   Is the field even?
run   plumb-field -p evening.ini --red --png even.png sub-even.fits.fz
alt   The frame dimmed, with a short line on every star for its stretch: they are dots, and point nowhere together.
next  Start the night's exposures.
END
step "or else" comatic <<'END'
ask   Had the mirror moved since: how would I know?
run   plumb-field -p evening.ini --red --png comatic.png sub-comatic.fits.fz
alt   Every star in the frame is drawn out the same way, with its flare towards row 1.
next  Go back to the star out of focus. Nothing else helps while the mirror is off.
END
step "or else" tilted <<'END'
ask   Had the camera been put back askew?
run   plumb-field -p evening.ini --red --png tilted.png sub-tilted.fits.fz
alt   Contour lines of star width run across the frame: small in one corner, large in the opposite one.
next  Take the seven exposures through focus again, and ask plumb-tilt.
END
step 20:53 windy <<'END'
ask   A gust: is this focus, the air, or tracking?
run   plumb-field -p evening.ini --red --png windy.png sub-windy.fits.fz
alt   Every star in the frame is a short line, all of them parallel.
next  Leave focus alone. Close the shutters on the windy side, and look at the guiding.
END

part between "Between subs" <<END
The air cools, and the tube with it. Each exposure that arrives is a measurement of focus as well.
END
sh "$samples/subs.sh"
step 21:52 check <<'END'
ask   Shoot on or refocus? Is it focus or the air, which way, and is it worth the time?
run   plumb-check -p evening.ini --remaining 100 --refocus-cost 120 --red --png check.png sub-0014.fits
alt   Star widths of the parts of the field lie on one curve, whose lowest point is where the sensor stands, away
alt   from the focus of the field's centre; beside it a plan of the frame with the defocus of each part.
next  It is focus, and stopping pays: move the drawtube as it says, from the right side, and shoot on.
END
step 21:56 watch <<'END'
ask   Can it look by itself, and tell me only when something changes?
run   plumb-watch -p evening.ini --log watch.jsonl --red --png watch.png subs/
play  sh "$samples/watch.sh" plumb-watch -p evening.ini --log watch.jsonl --red --png watch.png subs/
alt   Focus, air and the stars' light of the exposures so far; the light falls at the third, when a cloud came.
next  Warm your hands. The cloud passes by itself; the last line is another gust, nothing to refocus for. (Here the
next  exposures come one upon the other, at night minutes apart.)
END

part nextday "Next day" <<END
At the desk again, with the log of the whole night.
END
step 11:00 night <<'END'
ask   How did focus drift, when should I refocus next time, and which subs are worth keeping?
run   plumb-night -p evening.ini --red --png night.png night.jsonl
alt   Defocus of forty exposures with its errors in the allowed band, against time: it drifts out of it, is brought
alt   back twice; below, the temperature falls.
next  Write on the card how many degrees lie between two refocusings, and stack what was kept.
END

page_end
here=$PWD/index.html
printf '\nThe whole answers and the pictures: %s\n' "${here#"$from/"}"
