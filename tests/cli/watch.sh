# SPDX-License-Identifier: GPL-3.0-or-later
# watch.sh - plumb-watch in the background, for the cases that source it.

watch() { # OPTION...: begin to watch the folder d; what it prints goes to out and err
    mkdir -p d
    plumb-watch "$@" d >>out 2>>err &
    pid=$!
}

lines() { # N FILE: wait until FILE has N lines, or for half a minute
    for _ in $(seq 300); do
        n=$(grep -c '' "$2" 2>/dev/null)
        [ "${n:-0}" -ge "$1" ] && return
        sleep 0.1
    done
    echo "$2 has ${n:-0} lines, not $1"
}

end() { # [SIGNAL]: and say how it ended
    kill -"${1:-TERM}" "$pid"
    wait "$pid" 2>/dev/null
    echo "status $?"
}
