#!/bin/sh
# Starts an INDI server with the simulators of a mount and a camera that come with it (Debian's
# indi-bin), gives the camera stars of the bundled catalogue, and points the mount at open sky at a
# place where it is midnight now. Ctrl-C ends it.
#
#   cmd/polard/internal/devices/gsc/simulators.sh [PORT]
set -eu
port=${1:-7624}
top=$(cd "$(dirname "$0")/../../../../.." && pwd)
work=$(mktemp -d)
trap 'kill $server 2>/dev/null || true; rm -rf "$work"' EXIT
trap 'exit 0' INT TERM
(cd "$top" && go build -o "$work/gsc" ./cmd/polard/internal/devices/gsc)
HOME=$work PATH=$work:$PATH indiserver -p "$port" -u "$work/local" indi_simulator_telescope indi_simulator_ccd >"$work/log" 2>&1 &
server=$!
set_property() { indi_setprop -p "$port" "$@"; }
wait_for() { until indi_getprop -p "$port" -t 1 "$1" >/dev/null 2>&1; do kill -0 "$server"; sleep 0.2; done; }
mount="Telescope Simulator"
camera="CCD Simulator"
wait_for "$mount.CONNECTION.CONNECT"
set_property "$mount.CONNECTION.CONNECT=On" "$camera.CONNECTION.CONNECT=On"
wait_for "$mount.GEOGRAPHIC_COORD.LAT"
wait_for "$camera.CCD_EXPOSURE.CCD_EXPOSURE_VALUE"
# The local mean time of a longitude is UTC + longitude/15 hours.
east=$(date -u +%H:%M:%S | awk -F: '{ x = 360 - ($1 + $2 / 60 + $3 / 3600) * 15; printf "%.3f", x % 360 }')
set_property "$mount.GEOGRAPHIC_COORD.LAT=46.3;LONG=$east;ELEV=640"
set_property "$mount.TELESCOPE_INFO.TELESCOPE_FOCAL_LENGTH=200;TELESCOPE_APERTURE=50"
set_property "$mount.TELESCOPE_TRACK_STATE.TRACK_ON=On"
sleep 1
# Right ascension of the meridian at midnight: that of the Sun and 12 hours, to some minutes; 50
# degrees east of it stands the tube.
ra=$(date -u +%j | awk '{ x = ($1 - 81) * 24 / 365.25 + 12 + 50 / 15 + 48; printf "%.4f", x % 24 }')
set_property "$mount.EQUATORIAL_EOD_COORD.RA=$ra;DEC=30"
while [ "$(indi_getprop -p "$port" -1 "$mount.EQUATORIAL_EOD_COORD._STATE")" = Busy ]; do sleep 1; done
echo "camera and mount are simulated at port $port: polard measure --indi localhost:$port"
wait $server
