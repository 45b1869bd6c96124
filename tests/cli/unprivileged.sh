# SPDX-License-Identifier: GPL-3.0-or-later
# unprivileged.sh - for cases about permissions, which do not bind root: a folder of its own that
# others may enter, and the programs run as nobody when we are root. Sourced; sets $as.
as=
here=$(mktemp -d "${TMPDIR:-/tmp}/plumb-nobody-XXXXXX") && cd "$here" || exit 9
trap 'cd /; chmod -R u+rwx "$here"; rm -rf "$here"' EXIT
chmod 755 .
cp "$BUILD/plumb-field" "$BUILD/plumb-donut" "$F/good.fits" .
if [ "$(id -u)" = 0 ]; then
    # shellcheck disable=SC2034 # read by the case that sources this file
    as='setpriv --reuid 65534 --regid 65534 --clear-groups'
    chown 65534:65534 "$here"
fi
