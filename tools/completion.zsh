#compdef -P plumb-*
# SPDX-License-Identifier: GPL-3.0-or-later
# zsh completion for the plumb programs. The options are read from `PROGRAM --help`, so they are
# those of the program at hand.

local -a specs
local line short long value text action
local row='^  (-(.), |    )(--[a-z-]+)( ([A-Za-z0-9|]+))?  +(.*)$'
local bare='^  (-(.), |    )(--[a-z-]+)( ([A-Za-z0-9|]+))?$'

while IFS= read -r line; do
    [[ $line =~ $row || $line =~ $bare ]] || continue
    short=$match[2] long=$match[3] value=$match[5] text=$match[6]
    text=${${text//\[/\(}//\]/\)}
    action=
    if [[ $value == FILE ]]; then
        action=:file:_files
    elif [[ $value == *'|'* ]]; then
        action=":word:(${value//|/ })"
    elif [[ -n $value ]]; then
        action=":$value: "
    fi
    if [[ -n $short ]]; then
        specs+=("(-$short $long)-${short}[$text]$action" "(-$short $long)${long}[$text]$action")
    else
        specs+=("${long}[$text]$action")
    fi
done < <(_call_program options ${(q)words[1]} --help 2>/dev/null)

_arguments -s -S : $specs '*:frame:_files'
