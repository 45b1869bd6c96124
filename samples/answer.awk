# SPDX-License-Identifier: GPL-3.0-or-later
# answer.awk - a program's text as HTML: the verdict large, what to do, the lines that stand with it; all that
# follows the first blank line, and the whole as printed, one tap away. A line that begins with "$ " is a
# command; -v status=N is its exit status. Lines that were wrapped are made whole again, so that a narrow screen
# may wrap them its own way.

function html(s) {
    gsub(/&/, "\\&amp;", s)
    gsub(/</, "\\&lt;", s)
    gsub(/>/, "\\&gt;", s)
    gsub(/"/, "\\&quot;", s)
    return s
}

function prose(s) { # an error stays with its number
    s = html(s)
    gsub(/[-0-9.]+ \+- [0-9.]+/, "<span class=\"error\">&</span>", s)
    return s
}

function command(s,    n, word, i, out) { # broken only between words
    n = split(s, word, / /)
    for (i = 1; i <= n; i++)
        out = out (i > 1 ? " " : "") "<span>" html(word[i]) "</span>"
    return out
}

# The next line's first word would have stood on this line, had the writer not begun anew.
function broken(line, after, word) {
    word = after
    sub(/^ +/, "", word)
    sub(/ .*/, "", word)
    return length(line) + 1 + length(word) <= 78
}

function end_text() {
    if (text == "")
        return
    what = warning ? "warning" : verdict ? "action" : "verdict"
    of = ""
    if (what == "verdict" && match(text, /^[^ ]*\.[^ :]*( and [0-9]+ more| against [^ ]+)?: /)) {
        of = "<span class=\"of\">" html(substr(text, 1, RLENGTH - 1)) "</span> "
        text = substr(text, RLENGTH + 1)
    }
    printf "<p class=\"%s\">%s%s</p>\n", what, of, prose(text)
    verdict = !warning
    text = ""
}

function end_row() {
    if (name == "")
        return
    if (!rows)
        print "<dl>"
    rows = 1
    printf "<div><dt>%s</dt><dd>%s</dd></div>\n", html(name), prose(value)
    name = ""
}

function end_answer() {
    end_text()
    end_row()
    if (rows)
        print "</dl>"
    if (lines)
        print "</div>"
    rows = lines = 0
}

function trimmed(s) {
    gsub(/^ +| +$/, "", s)
    return s
}

/^\$ / {
    end_answer()
    printf "<pre class=\"command\"><code>%s</code></pre>\n", command(substr($0, 3))
    verdict = 0
    shown = 1
    next
}

{ whole = whole html($0) "\n" }
/^ *$/ && shown { end_answer(); shown = warning; warning = 0; next }
!shown { more = 1; next }

# Some answers begin with what keeps eyes and hands whole; the verdict is the next paragraph.
/^Laser: / && !verdict { warning = 1 }
warning { text = (text == "" ? "" : text " ") trimmed($0); next }

# A table from its first line on: its lines as they are.
!verdict && text == "" && /[^ ]   +[^ ]/ && !lines {
    print "<div class=\"lines\">"
    lines = 1
}
lines {
    printf "<p%s>%s</p>\n", /^          / ? " class=\"units\"" : "", html($0)
    more = 1
    next
}

# NAME   VALUE, and what goes on below the value.
/^  [^ ].*[^ ]  +[^ ]/ {
    end_text()
    end_row()
    match($0, /[^ ]  +/)
    name = trimmed(substr($0, 1, RSTART))
    value = trimmed(substr($0, RSTART + 1))
    next
}
name != "" && /^      / { value = value " " trimmed($0); next }

{
    # A verdict goes on indented, what to do stands at the margin.
    if (text != "" && (verdict ? broken(before, $0) : !/^  /))
        end_text()
    text = (text == "" ? "" : text " ") trimmed($0)
    before = $0
}

END {
    end_answer()
    printf "<p class=\"status\">exit status %d%s</p>\n", status, status ? ": act" : ""
    if (more)
        printf "<details><summary>The whole answer</summary>\n<pre>%s</pre></details>\n", whole
}
