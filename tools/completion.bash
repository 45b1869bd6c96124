# SPDX-License-Identifier: GPL-3.0-or-later
# bash completion for the plumb programs. The options are read from `PROGRAM --help`, so they are
# those of the program at hand.

_plumb()
{
    local cur=${COMP_WORDS[COMP_CWORD]} prev=${COMP_WORDS[COMP_CWORD - 1]} help value
    COMPREPLY=()
    help=$("$1" --help 2>/dev/null </dev/null) || return 0
    if [[ $cur == = ]]; then # --png=...
        cur=''
    elif [[ $prev == = ]]; then
        prev=${COMP_WORDS[COMP_CWORD - 2]}
    elif [[ $cur == -* ]]; then
        mapfile -t COMPREPLY < <(compgen -W "$(sed -n \
            -e 's/^  -\(.\), \(--[a-z-]*\).*/-\1 \2/p' \
            -e 's/^      \(--[a-z-]*\).*/\1/p' <<<"$help")" -- "$cur")
        return 0
    fi
    # An option that wants one of a few words offers these; other values than a file, nothing.
    value=$(sed -n -e "s/^  \(-., \|    \)$prev \([A-Za-z0-9|][A-Za-z0-9|]*\)\( .*\|\)$/\2/p" \
        -e "s/^  $prev, --[a-z-]* \([A-Z][A-Z]*\)\( .*\|\)$/\1/p" <<<"$help" 2>/dev/null | head -n 1)
    if [[ $prev == -* && $value == *'|'* ]]; then
        mapfile -t COMPREPLY < <(compgen -W "${value//|/ }" -- "$cur")
        return 0
    elif [[ $prev == -* && -n $value && $value != FILE ]]; then
        return 0
    fi
    compopt -o filenames 2>/dev/null
    mapfile -t COMPREPLY < <(compgen -f -- "$cur")
}

mapfile -t _plumb_programs < <(compgen -c plumb- | sort -u)
complete -F _plumb plumb-check plumb-donut plumb-field plumb-laser plumb-night plumb-sim plumb-sweep \
    plumb-tilt plumb-turn plumb-watch plumb-zone "${_plumb_programs[@]}"
unset _plumb_programs
