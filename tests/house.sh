#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# house.sh - no arrow back: a room includes only the rooms DEVELOPERS.md allows it; and that page names
# every file of a room (those of report/ by families).
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
    for file in lib/"$1"/*.[ch]; do
        bad=$(sed -n 's/^#include "\.\.\/\([^"]*\)".*/\1/p' "$file" | grep -vE "^(plumb\.h|($2)/.*)$")
        verdict ${#bad} "$file includes $bad"
    done
}

room base none
room frame base
room star 'base|frame'
room optics base
room align 'base|frame|star|optics'
room report 'base|frame|star|optics|align'
for file in tools/*.[ch]; do
    bad=$(sed -n 's/^#include "\([^"]*\)".*/\1/p' "$file" | grep -vE '^(plumb\.h|\.\./lib/plumb\.h|cli\.h)$')
    verdict ${#bad} "$file includes $bad"
done

for file in lib/base/*.c lib/frame/*.c lib/star/*.c lib/optics/*.c lib/align/*.c; do
    grep -q "\`${file##*/}\`" DEVELOPERS.md
    verdict $? "DEVELOPERS.md does not name $file"
done
echo "$passed passed, $failed failed"
[ "$failed" = 0 ]
