#!/usr/bin/env bash
# The programs of a release, with checksums, in target/release-files: for Linux, linked to
# nothing, and for Windows. Some minutes of all cores for each.
#
#     tests/cross-check/release.sh
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
version=$(cargo pkgid | sed 's/.*[#@]//')
files=target/release-files
rm -rf "$files"
mkdir -p "$files"

linux=x86_64-unknown-linux-musl
rustup target add "$linux"
CARGO_TARGET_DIR=target/linux cargo build --release --locked --target "$linux"
cp "target/linux/$linux/release/groovelag" "$files/groovelag-$version-$linux"
windows=$(tests/cross-check/windows.sh --build)
cp "$windows" "$files/groovelag-$version-x86_64-pc-windows-gnu.exe"

cd "$files"
sha256sum groovelag-* > SHA256SUMS
sha256sum -c SHA256SUMS
"./groovelag-$version-$linux" --version
ls -l
