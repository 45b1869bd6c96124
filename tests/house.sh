#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# house.sh - no arrow back: a room includes only the rooms DEVELOPERS.md allows it, a subject of align or report
# none of the others but where it builds on one; and that page names every file of a room.
# plumb(7) says what to do for every cause, and quotes the verdicts as the programs say them.
set -u
passed=0 failed=0

verdict() { # STATUS WHAT
    if [ "$1" = 0 ]; then
        passed=$((passed + 1))
    else
        failed=$((failed + 1))
        echo "FAIL $2"
    fi
}

room() { # ROOM ALLOWED: a pattern of rooms it may include beside itself and the public header
    for file in lib/"$1"/*.[ch] lib/"$1"/*/*.[ch]; do
        [ -e "$file" ] || continue
        # Of a file in a folder one step up is still its own room.
        up='s/^#include "\.\.\/\([^"]*\)".*/\1/p'
        [ "${file#lib/"$1"/*/}" = "$file" ] || up='s/^#include "\.\.\/\.\.\/\([^"]*\)".*/\1/p'
        bad=$(sed -n "$up" "$file" | grep -vE "^(plumb\.h|($2)/.*)$")
        verdict ${#bad} "$file includes $bad"
    done
}

told() { # ROOM FOLDER: the lines of DEVELOPERS.md on a folder of a room
    awk -v room="**$1.**" -v head="- \`$2/\`" 'index($0, "**") == 1 { here = index($0, room) == 1 }
        index($0, "- ") == 1 || /^$/ { on = here && index($0, head) == 1 } on' DEVELOPERS.md
}

subject() { # ROOM FOLDER ALLOWED: the room's folders it may include beside itself
    room=$1
    shift
    for file in lib/"$room"/"$1"/*.[ch]; do
        bad=$(sed -n 's/^#include "\.\.\/\([a-z][^"]*\/[^"]*\)".*/\1/p' "$file" | grep -vE "^($2)/")
        verdict ${#bad} "$file includes $bad"
    done
}

room base none
room frame base
room star 'base|frame'
room optics base
room align 'base|frame|star|optics'
room report 'base|frame|star|optics|align'
for folder in lib/align/*/ lib/report/*/; do
    of=${folder#lib/} name=$(basename "$folder")
    case $of in
    align/check/) subject align check sweep ;;
    align/night/) subject align night check ;;
    report/change/) subject report change 'donut|field' ;;
    report/laser/) subject report laser zone ;;
    *) subject "${of%%/*}" "$name" none ;;
    esac
done
for file in tools/*.[ch]; do
    bad=$(sed -n 's/^#include "\([^"]*\)".*/\1/p' "$file" | grep -vE '^(plumb\.h|\.\./lib/plumb\.h|(cli|watch)\.h)$')
    verdict ${#bad} "$file includes $bad"
done

for file in lib/base/*.c lib/frame/*.c lib/star/*.c lib/optics/*.c lib/align/*.c lib/report/*.c; do
    grep -q "\`${file##*/}\`" DEVELOPERS.md
    verdict $? "DEVELOPERS.md does not name $file"
done
for file in lib/align/*/*.c lib/report/*/*.c; do
    of=${file#lib/}
    told "${of%%/*}" "$(basename "${file%/*}")" | grep -q "\`${file##*/}\`"
    verdict $? "DEVELOPERS.md does not name $file in its folder's lines"
done

while read -r cause; do
    grep -qE "^\.Ss (.*, )?$cause(,|\$)" man/plumb.7
    verdict $? "man/plumb.7 does not tell of $cause"
done <<END
$(sed -n '/^const char \*pl_cause_word/,/^}/s/.*return "\([a-z]*\)".*/\1/p' lib/report/words.c)
END
while read -r quoted; do
    eval "set -- $quoted"
    for words; do
        [ "$words" = , ] || grep -rqF -- "$words" lib/align lib/report
        verdict $? "man/plumb.7 quotes what no program says: $words"
    done
done <<END
$(awk '/^\.Ss / { on = !/Whatever/ } on' man/plumb.7 | sed -n -e 's/\\&//g' -e 's/^\.It Li //p')
END
echo "$passed passed, $failed failed"
[ "$failed" = 0 ]
