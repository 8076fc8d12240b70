#!/bin/sh
# Builds a Debian package from a binary: deb.sh BINARY ARCH VERSION OUT MANUAL
# The same input gives the same bytes.
set -eu
binary=$1 arch=$2 version=$3 out=$4 manual=$5
here=$(dirname "$0")
: "${SOURCE_DATE_EPOCH:=1764028800}"
export SOURCE_DATE_EPOCH
root=$(mktemp -d)
trap 'rm -rf "$root"' EXIT
install -D -m 755 "$binary" "$root/usr/bin/polard"
install -D -m 644 "$here/polard.service" "$root/usr/lib/systemd/system/polard.service"
install -D -m 644 "$here/sysusers.conf" "$root/usr/lib/sysusers.d/polard.conf"
install -D -m 644 "$here/polard.toml" "$root/etc/polard/polard.toml"
for page in "$manual"/man/*.1; do
	install -d "$root/usr/share/man/man1"
	gzip -9nc "$page" > "$root/usr/share/man/man1/$(basename "$page").gz"
done
install -D -m 644 "$manual/completions/polard.bash" "$root/usr/share/bash-completion/completions/polard"
install -D -m 644 "$manual/completions/_polard" "$root/usr/share/zsh/vendor-completions/_polard"
install -D -m 644 "$manual/completions/polard.fish" "$root/usr/share/fish/vendor_completions.d/polard.fish"
install -D -m 644 "$here/../../../LICENSE" "$root/usr/share/doc/polard/copyright"
install -D -m 644 "$here/../docs/polard.rules.yml" "$root/usr/share/doc/polard/examples/polard.rules.yml"
find "$root/usr/share" -type f -exec chmod 644 {} +
size=$(du -sk --apparent-size "$root" | cut -f1)
install -d "$root/DEBIAN"
sed "s/@VERSION@/$version/; s/@ARCH@/$arch/; s/@SIZE@/$size/" "$here/debian/control" > "$root/DEBIAN/control"
install -m 644 "$here/debian/conffiles" "$root/DEBIAN/conffiles"
for script in postinst prerm postrm; do
	install -m 755 "$here/debian/$script" "$root/DEBIAN/$script"
done
find "$root" -type d -exec chmod 755 {} +
find "$root" -exec touch -h -d "@$SOURCE_DATE_EPOCH" {} +
dpkg-deb --root-owner-group -Zxz -z1 --build "$root" "$out" >/dev/null
