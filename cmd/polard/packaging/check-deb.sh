#!/bin/sh
# Installs the Debian package on this machine (as root), lets it work as its own user
# on a read-only folder, and takes it away again: check-deb.sh PACKAGE FRAME.fits ...
# Refuses to touch a machine where polard is installed already.
set -eu
deb=$1
shift
if dpkg -s polard >/dev/null 2>&1; then
	echo "polard is installed here already: not touched"
	exit 1
fi
say() { echo "== $*"; }
frames=$(mktemp -d)
pid=
trap '[ -z "$pid" ] || kill "$pid" 2>/dev/null || true; dpkg --purge polard >/dev/null 2>&1 || true; rm -rf "$frames"' EXIT

say "install"
dpkg -i "$deb"
polard version
getent passwd polard
[ "$(stat -c %U:%a /etc/polard/polard.toml)" = root:644 ]
man -w polard-serve >/dev/null 2>&1 || [ -f /usr/share/man/man1/polard-serve.1.gz ]

say "unit"
systemd-analyze verify /usr/lib/systemd/system/polard.service
systemd-analyze security --offline=true --threshold=25 /usr/lib/systemd/system/polard.service | tail -1

say "work as user polard on frames that it may only read"
cp "$@" "$frames"
chmod 755 "$frames" && chmod 644 "$frames"/* && touch "$frames"/*
install -d -o polard -g polard -m 750 /var/lib/polard /var/cache/polard
sed -i "s#^frames = .*#frames = \"$frames\"\nlat = 46.3\nlon = 13.1\naddr = \"127.0.0.1:18467\"\nwatch = true#" /etc/polard/polard.toml
run="setpriv --reuid=polard --regid=polard --clear-groups --no-new-privs --bounding-set=-all env STATE_DIRECTORY=/var/lib/polard CACHE_DIRECTORY=/var/cache/polard"
$run polard check --config /etc/polard/polard.toml || true
if $run touch "$frames/x" 2>/dev/null; then
	echo "the frames can be written"
	exit 1
fi
$run polard serve --config /etc/polard/polard.toml --log-format json 2>/var/tmp/polard-check.log &
pid=$!
for _ in $(seq 60); do
	sleep 1
	curl -sf http://127.0.0.1:18467/metrics | grep -q 'frames_total{result="solved"} [1-9]' && break
done
curl -sf http://127.0.0.1:18467/readyz
curl -sf http://127.0.0.1:18467/metrics | grep 'polard_frames_total'
[ -s /var/lib/polard/logbook.sqlite ] || ls -la /var/lib/polard
kill "$pid" && wait "$pid"
pid=
[ -n "$(ls /var/lib/polard)" ] && [ -n "$(ls /var/cache/polard)" ]

say "remove and purge"
dpkg -r polard
[ -f /etc/polard/polard.toml ] && [ -n "$(ls /var/lib/polard)" ]
[ ! -e /usr/bin/polard ]
dpkg --purge polard
[ ! -e /etc/polard/polard.toml ] && [ ! -e /var/lib/polard ] && [ ! -e /var/cache/polard ]
if getent passwd polard; then
	echo "the user stayed"
	exit 1
fi
rm -f /var/tmp/polard-check.log
say "passed"
