# SPDX-License-Identifier: GPL-3.0-or-later
# The sample series without positions in the headers, but in the names, with a counter beside them.
n=1
for p in 4968 4979 4990 5001 5012 5023 5034; do
    sed 's/FOCUSPOS=/NOTHING =/' "$TOP/samples/sweep-000$n.fits.fz" >p${p}_0$n.fits.fz
    n=$((n + 1))
done
