#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# install.sh BUILD - install as a packager does and as a person does, then be the stranger who
# builds a program on libplumb with nothing but pkg-config, and uninstall. Prints one line per
# failure and `N passed, N failed`.
set -u
export LC_ALL=C
build=${1:?usage: install.sh BUILD}
passed=0 failed=0
top=$(mktemp -d)
trap 'rm -rf "$top"' EXIT
trap 'exit 130' INT TERM

check() { # WORDS COMMAND...
    words=$1
    shift
    if "$@" >"$top/log" 2>&1; then
        passed=$((passed + 1))
    else
        failed=$((failed + 1))
        echo "FAIL install: $words"
        sed 's/^/    /' "$top/log"
    fi
}

quiet_make() {
    make -s --no-print-directory BUILD="$build" "$@" >/dev/null
}

same() {
    [ "$1" = "$2" ] || { echo "is: $1"; echo "wanted: $2"; return 1; }
}

programs=$(cd tools && for f in plumb-*.c; do echo "${f%.c}"; done)
version=$(sed -n 's/^#define PL_VERSION "\(.*\)"/\1/p' lib/plumb.h)
soname=libplumb.so.0

# As a packager does: PREFIX is where it will live, DESTDIR where it is put now.
stage=$top/stage
check "make install with DESTDIR" quiet_make install PREFIX=/opt/plumb DESTDIR="$stage"
root=$stage/opt/plumb
for f in include/plumb.h lib/libplumb.a "lib/libplumb.so.$version" lib/pkgconfig/plumb.pc; do
    check "$f is there" test -s "$root/$f"
done
check "the version links" same "$(readlink "$root/lib/libplumb.so") $(readlink "$root/lib/$soname")" \
    "$soname libplumb.so.$version"
check "SONAME" sh -c "readelf -d '$root/lib/libplumb.so' | grep -q 'SONAME.*\[$soname\]'"
check "exported symbols begin with pl_" same \
    "$(nm -D --defined-only "$root/lib/libplumb.so" | awk '$3 !~ /^pl_/ { print $3 }')" ""
check "what plumb.h declares is exported" same "$(sed -n 's/^PL_API .*\b\(pl_[a-z0-9_]*\)(.*/\1/p' \
    lib/plumb/*.h | sort -u)" "$(nm -D --defined-only "$root/lib/libplumb.so" | sed 's/.* //' | sort -u)"
for p in $programs; do
    check "$p runs" "$root/bin/$p" --version
    check "$p has a man page" test -s "$root/share/man/man1/$p.1"
    check "$p has bash completion" test -s "$root/share/bash-completion/completions/$p"
done
for page in man/*.[1-8]; do
    check "$(basename "$page") is installed" \
        cmp "$page" "$root/share/man/man${page##*.}/$(basename "$page")"
done
check "zsh completion" test -s "$root/share/zsh/site-functions/_plumb"
check "no build directory in plumb.pc" sh -c "! grep -q '$top' '$root/lib/pkgconfig/plumb.pc'"
check "nothing but root's or the user's own files, none writable by others" \
    same "$(find "$stage" ! -type l -perm -o+w)" ""

# As a person does, in a place of their own.
home=$top/home
check "make install" quiet_make install PREFIX="$home"
export PKG_CONFIG_PATH="$home/lib/pkgconfig"
check "pkg-config knows the version" same "$(pkg-config --modversion plumb)" "$version"
check "pkg-config --libs names only libplumb" same "$(pkg-config --libs plumb | sed 's/ *$//')" \
    "-L$home/lib -lplumb"
cat >"$top/stranger.c" <<'END'
#include <plumb.h>
#include <stdio.h>

int main(int argc, char **argv)
{
    pl_err err = { PL_OK, "" };
    pl_frame *frame = NULL;
    if (argc != 2 || pl_frame_open(argv[1], 1, &frame, &err) != PL_OK) {
        fprintf(stderr, "%s\n", err.msg);
        return 2;
    }
    printf("%d\n", pl_frame_width(frame));
    pl_frame_free(frame);
    return 0;
}
END
cp "$top/stranger.c" "$top/stranger.cc"
check "a frame to open" "$build/tests/mkframe" --out "$top/frame.fits" --width 321 --height 45
# Against libplumb.a the shared libraries under it are needed too: Requires.private names them.
below() {
    # shellcheck disable=SC2046
    echo "$(pkg-config --libs $(pkg-config --print-requires-private plumb)) -lm -pthread"
}
stranger() { # COMPILER STANDARD FILE MORE_LIBRARIES
    libs="$(pkg-config --cflags --libs plumb) $4"
    # shellcheck disable=SC2086
    $1 -std=$2 -Wall -Wextra -Werror -pedantic "$top/$3" -o "$top/stranger" $libs &&
        same "$(LD_LIBRARY_PATH=$home/lib "$top/stranger" "$top/frame.fits")" 321
}
for cc in gcc clang; do
    command -v $cc >/dev/null || continue
    check "a stranger's program, $cc" stranger $cc c11 stranger.c ''
    mv "$home/lib/libplumb.so" "$home/lib/hidden.so"
    check "a stranger's program, static, $cc" stranger $cc c11 stranger.c "$(below)"
    mv "$home/lib/hidden.so" "$home/lib/libplumb.so"
done
if command -v g++ >/dev/null; then
    check "a stranger's program, C++" stranger g++ c++11 stranger.cc ''
fi

# Completion offers what --help lists.
offered() {
    bash -c '. "$1/share/bash-completion/completions/$2"
        COMP_WORDS=("$1/bin/$2" "$3") COMP_CWORD=1 && _plumb "$1/bin/$2" && printf "%s\n" "${COMPREPLY[@]}"' \
        - "$home" "$1" "$2" | sort -u
}
listed() {
    "$home/bin/$1" --help | grep -oE '^  (-., |    )--[a-z-]+' | grep -oE -- '--[a-z-]+' | sort -u
}
if command -v bash >/dev/null; then
    for p in $programs; do
        check "bash completes $p --" same "$(offered "$p" --)" "$(listed "$p")"
        check "bash completes $p --vers" same "$(offered "$p" --vers)" --version
    done
    check "bash completes plumb-donut --side" same "$(bash -c '. tools/completion.bash
        COMP_WORDS=("$1" --side "") COMP_CWORD=2 && _plumb "$1" && echo "${COMPREPLY[*]}"' \
        - "$home/bin/plumb-donut")" 'in out'
fi

check "make uninstall" quiet_make uninstall PREFIX="$home"
check "uninstall leaves no file" same "$(find "$home" ! -type d)" ""
check "make uninstall with DESTDIR" quiet_make uninstall PREFIX=/opt/plumb DESTDIR="$stage"
check "uninstall leaves no file in DESTDIR" same "$(find "$stage" ! -type d)" ""

echo "$passed passed, $failed failed"
[ "$failed" = 0 ]
