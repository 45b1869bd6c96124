#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# deps.sh build|check|lint|fuzz|threads... - see to it that what plumb needs is there.
# Nothing missing: silent, exit 0. Root, or sudo without a password, on a system with apt-get:
# install it. Else: one line that says what to install here and elsewhere, exit 2.
set -u

# probe                 Debian, Ubuntu       Fedora                 Arch               Homebrew
# A leading ? marks what only widens the tests: fetched along with the others, never demanded.
table() {
    case $1 in
    build) cat <<'END' ;;
cmd:cc                  gcc                  gcc                    gcc                gcc
hdr:stdio.h             libc6-dev            glibc-devel            glibc              gcc
cmd:make                make                 make                   make               make
cmd:pkg-config          pkg-config           pkgconf-pkg-config     pkgconf            pkgconf
pkg:cfitsio             libcfitsio-dev       cfitsio-devel          cfitsio            cfitsio
pkg:fftw3               libfftw3-dev         fftw-devel             fftw               fftw
pkg:zlib                zlib1g-dev           zlib-devel             zlib               zlib
pkg:libpng              libpng-dev           libpng-devel           libpng             libpng
pkg:gsl                 libgsl-dev           gsl-devel              gsl                gsl
pkg:cairo               libcairo2-dev        cairo-devel            cairo              cairo
pkg:jansson             libjansson-dev       jansson-devel          jansson            jansson
pkg:glib-2.0            libglib2.0-dev       glib2-devel            glib2              glib
font:DejaVuSans.ttf     fonts-dejavu-core    dejavu-sans-fonts      ttf-dejavu         font-dejavu
END
    check) cat <<'END' ;;
pkg:criterion           libcriterion-dev     criterion-devel        criterion          criterion
hdr:sep.h               libsep-dev           sep                    sep                sep
py:astropy              python3-astropy      python3-astropy        python-astropy     astropy
py:photutils            python3-photutils    python3-photutils      python-photutils   photutils
py:scipy                python3-scipy        python3-scipy          python-scipy       scipy
cmd:mandoc              mandoc               mandoc                 mandoc             mandoc
?dir:/usr/share/doc/eso-midas-testdata  eso-midas-testdata  -       -                  -
END
    lint) cat <<'END' ;;
cmd:clang               clang                clang                  clang              llvm
cmd:clang-format        clang-format         clang-tools-extra      clang              clang-format
cmd:clang-tidy          clang-tidy           clang-tools-extra      clang              llvm
cmd:cppcheck            cppcheck             cppcheck               cppcheck           cppcheck
cmd:mandoc              mandoc               mandoc                 mandoc             mandoc
?cmd:shellcheck         shellcheck           ShellCheck             shellcheck         shellcheck
END
    fuzz) cat <<'END' ;;
cmd:clang               clang                clang                  clang              llvm
END
    threads) cat <<'END' ;;
cmd:valgrind            valgrind             valgrind               valgrind           valgrind
END
    *)
        echo "usage: deps.sh build|check|lint|fuzz|threads..." >&2
        exit 2
        ;;
    esac
}

python=/usr/bin/python3
[ -x "$python" ] || python=python3

have() { # the probe of one row
    what=${1#*:}
    case $1 in
    cmd:*) command -v "$what" >/dev/null ;;
    pkg:*) command -v pkg-config >/dev/null && pkg-config --exists "$what" ;;
    hdr:*) echo "#include <$what>" | ${CC:-cc} -E -x c - >/dev/null 2>&1 ;;
    py:*) "$python" -c "import importlib.util as u, sys; sys.exit(u.find_spec('$what') is None)" \
        2>/dev/null ;;
    font:*) find -L /usr/share/fonts /usr/local/share/fonts /opt/homebrew/share "$HOME/.fonts" \
        "$HOME/.local/share/fonts" /Library/Fonts "$HOME/Library/Fonts" -name "$what" \
        2>/dev/null | grep -q . ;;
    dir:*) [ -d "$what" ] ;;
    esac
}

add() { # $1: list, $2: name, once
    case " $1 " in *" $2 "*) echo "$1" ;; *) echo "$1 $2" ;; esac
}

look() { # sets needed (demanded), wanted (all that is absent) and the other systems' names
    needed='' wanted='' fedora='' arch='' brew=''
    rows=$(for set in "$@"; do table "$set" || exit 2; done) || exit 2
    while read -r probe deb fed arc hb; do
        have "${probe#\?}" && continue
        wanted=$(add "$wanted" "$deb")
        case $probe in \?*) continue ;; esac
        needed=$(add "$needed" "$deb") fedora=$(add "$fedora" "$fed")
        arch=$(add "$arch" "$arc") brew=$(add "$brew" "$hb")
    done <<END
$rows
END
}

fetch() { # $1: sudo or nothing; package names are words
    echo "deps: installing$wanted" >&2
    $1 apt-get -qq update || return
    # shellcheck disable=SC2086
    $1 env DEBIAN_FRONTEND=noninteractive apt-get -qq -y install --no-install-recommends \
        $wanted </dev/null >&2 && return
    [ "$wanted" = "$needed" ] && return 1
    # shellcheck disable=SC2086
    $1 env DEBIAN_FRONTEND=noninteractive apt-get -qq -y install \
        --no-install-recommends $needed </dev/null >&2
}

[ $# -gt 0 ] || table usage
look "$@"
[ -n "$needed" ] || exit 0
if command -v apt-get >/dev/null; then
    if [ "$(id -u)" = 0 ]; then
        fetch ''
    elif command -v sudo >/dev/null && sudo -n true 2>/dev/null; then
        fetch sudo
    fi
    look "$@"
fi
[ -n "$needed" ] || exit 0
echo "deps: missing; Debian, Ubuntu: apt install$needed; Fedora: dnf install$fedora;" \
    "Arch: pacman -S$arch; Homebrew:$brew (by library; names may differ outside Debian)" >&2
exit 2
