#!/usr/bin/env bash
# Builds the Windows program on Debian and runs its command line under Wine: paths, pipes,
# outputs, job files with CRLF. Some minutes of all cores, so it is no part of .ci/run: run it
# before a release and when something that touches files, paths, terminals or threads changes.
#
#     tests/cross-check/windows.sh            # as root, or with the packages installed
#     tests/cross-check/windows.sh --build    # the program alone; prints its path
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
target=x86_64-pc-windows-gnu
work=$PWD/target/windows
program=$work/$target/release/groovelag.exe
mkdir -p "$work"

need() {
    local missing=()
    for package in "$@"; do
        dpkg -s "$package" > /dev/null 2>&1 || missing+=("$package")
    done
    [ ${#missing[@]} = 0 ] || { apt-get update -q; apt-get install -y -q --no-install-recommends "${missing[@]}"; } >&2
}

# Where rustup cannot reach its server: the compiler that Debian packages for browsers, in a
# folder of its own, which builds the standard library from its source.
build_with_debian() {
    local root=$work/debian std needs
    std=$(apt-cache search --names-only '^libstd-rust-web-[0-9.]+$' | cut -d ' ' -f 1 | sort -V | tail -n 1)
    depends() { apt-cache depends --no-recommends --no-suggests "$@" | grep -oE 'Depends: lib.*' | cut -d ' ' -f 2; }
    # with the libraries that the two programs need, and those that these need for git
    needs=$(depends rustc-web cargo-web "$std")
    needs=$( (echo "$needs"; depends $(grep git2 <<< "$needs")) | grep -vE '^lib(c6|gcc-s1|stdc..6)$' | sort -u)
    rm -rf "$root"
    mkdir -p "$root/packages" "$root/usr/lib/rustlib/src/rust"
    # shellcheck disable=SC2086 # names of packages, one a word
    (cd "$root/packages" && apt-get download -q rustc-web cargo-web rust-web-src "$std" $needs) >&2
    for package in "$root"/packages/*.deb; do dpkg-deb -x "$package" "$root"; done
    ln -s "$(echo "$root"/usr/src/rustc-*/library)" "$root/usr/lib/rustlib/src/rust/library"
    (
        export LD_LIBRARY_PATH=$root/usr/lib/x86_64-linux-gnu RUSTC=$root/usr/bin/rustc
        export RUSTDOC=$root/usr/bin/rustdoc RUSTC_BOOTSTRAP=1 CARGO_TARGET_DIR=$work
        "$root/usr/bin/cargo" build --release --locked -Zbuild-std=std,panic_abort,panic_unwind --target "$target"
    ) >&2
}

build() {
    need gcc-mingw-w64-x86-64-win32
    if rustup target add "$target" >&2; then
        CARGO_TARGET_DIR=$work cargo build --release --locked --target "$target" >&2
    else
        build_with_debian
    fi
}

build
if [ "${1:-}" = --build ]; then
    echo "$program"
    exit
fi

need wine64 python3
scene=$work/scene
rm -rf "$scene"
mkdir -p "$scene/run"
cp "$program" "$scene/groovelag.exe"
# Wine 8 lacks this library of Windows, of which the standard library needs one function.
cat > "$work/prng.c" << 'C'
#include <windows.h>
#include <ntsecapi.h>
BOOL WINAPI ProcessPrng(PBYTE p, SIZE_T n) { return RtlGenRandom(p, (ULONG)n); }
C
x86_64-w64-mingw32-gcc -shared -o "$scene/bcryptprimitives.dll" "$work/prng.c" -ladvapi32
export WINEDEBUG=-all WINEPREFIX=$work/prefix
wine=$(dpkg -L wine64 | grep -E '/wine64$' | grep -v share | head -n 1)
g() { "$wine" "$scene/groovelag.exe" "$@"; }
g --version > /dev/null 2>&1 || true # the first run makes the prefix and says so

failed=0
# row STATUS WORDS COMMAND...: what a command ends with and says, on standard output or error.
# Nothing may steer a console, and no half-written file may stay.
row() {
    local status=$1 words=$2 got=0 wrong=""
    shift 2
    "$@" > "$work/said" 2>&1 || got=$?
    [ "$got" = "$status" ] || wrong+=" status $got;"
    [ -z "$words" ] || tr -s ' \r\n' ' ' < "$work/said" | grep -qF -- "$words" || wrong+=" does not say '$words';"
    ! grep -q $'\e' "$work/said" || wrong+=" escape sequence;"
    ! grep -q panicked "$work/said" || wrong+=" panics;"
    [ -z "$(find . -name '.groovelag-*')" ] || wrong+=" temporary file left;"
    if [ -n "$wrong" ]; then
        failed=$((failed + 1))
        printf 'FAILED %s:%s\n' "$*" "$wrong"
        head -c 800 "$work/said"
    else
        printf 'ok     %s\n' "$*"
    fi
}
same() { cmp "$1" "$2"; }
unchanged() { sha256sum -c --quiet "$work/sums"; }
piped() { cat "$1" | g "${@:2}"; }
from() { local input=$1; shift; g "$@" < "$input"; }
# The numbers of two programs: they may differ by a millionth, of themselves or of a degree,
# which no figure shows. Another library computes sines, and an end of a band is searched for
# (2e-8 was seen).
close() {
    python3 - "$@" << 'PYTHON'
import json, sys
def walk(a, b, at):
    if isinstance(a, float) or isinstance(b, float):
        assert abs(a - b) <= 1e-6 * max(abs(a), abs(b), 1), (at, a, b)
    elif isinstance(a, dict):
        assert a.keys() == b.keys(), (at, a.keys(), b.keys())
        for key in a: walk(a[key], b[key], f"{at}.{key}")
    elif isinstance(a, list):
        assert len(a) == len(b), at
        for k, (x, y) in enumerate(zip(a, b)): walk(x, y, f"{at}[{k}]")
    else:
        assert a == b, (at, a, b)
walk(*(json.load(open(name)) for name in sys.argv[1:3]), "")
PYTHON
}
json() { local to=$1; shift; g "$@" --json > "$to"; }
native() { local to=$1; shift; cargo run -q --manifest-path ../../../../Cargo.toml -- "$@" --json > "$to"; }

cd "$scene/run"
root=../../../..
cp "$root/test-signals/example.wav" in.wav
cp -r "$root/test-signals/workshop" workshop
mkdir -p jobs/deep "mit Leerzeichen und ü"
cp in.wav "mit Leerzeichen und ü/größe.wav"
printf 'format = 1\r\n[[capture]]\r\ndelay_us = { value = 1, u = 0.01 }\r\nradius_mm = 72\r\nrpm = 33\r\n' > jobs/crlf.toml
printf 'format = 1\r\n[[capture]]\r\nfile = "..\\\\..\\\\in.wav"\r\nradius_mm = 72\r\nrpm = 33\r\n' > jobs/deep/back.toml
printf 'format = 1\r\n[[capture]]\r\nradius = 72\r\n' > jobs-wrong.toml
printf '%s\r\n' 'format = 1' 'name = "made"' '[programme]' 'kind = "pink"' 'duration_s = 4' '[capture]' \
    'radius_mm = 72' 'rpm = 33' 'sample_rate_hz = 48000' '[delay]' 'us = 1' '[dirt]' 'snr_db = 40' > recipe.toml
drive="Z:$(pwd | tr / '\\')"
place=(--radius 72 --rpm 33)
sha256sum in.wav workshop/* jobs/*.toml jobs/deep/* > "$work/sums"

row 0 groovelag g --version
row 0 "measure" g --help
row 2 "nothing.wav" g measure nothing.wav "${place[@]}"
# paths
row 0 Rotation g measure in.wav "${place[@]}"
row 0 Rotation g measure '.\workshop\..\in.wav' "${place[@]}"
row 0 Rotation g measure "$drive\\in.wav" "${place[@]}"
row 0 größe.wav g measure 'mit Leerzeichen und ü\größe.wav' "${place[@]}"
row 0 "passed" g check 'jobs\crlf.toml'
row 0 "2 passed" g check jobs
row 0 "2 passed" g check 'jobs\**\*.toml'
row 0 "" g solve "$drive\\jobs\\deep\\back.toml"
row 2 "line 3" g solve jobs-wrong.toml
long=$drive
for _ in 1 2 3 4 5 6; do long+="\\$(printf 'l%.0s' {1..60})"; done
mkdir -p "$(printf '%s' "${long#Z:}" | tr '\\' /)"
cp in.wav "$(printf '%s' "${long#Z:}" | tr '\\' /)/in.wav"
row 0 Rotation g measure "$long\\in.wav" "${place[@]}"
row 0 Rotation g measure "$long\\in.wav" "${place[@]}" --report "$long\\page.html"
# pipes
row 0 Rotation piped in.wav measure - "${place[@]}"
row 0 Rotation from in.wav measure - "${place[@]}"
row 0 rotation_deg piped in.wav follow - "${place[@]}"
row 0 rotation_deg piped in.wav follow - "${place[@]}" --save 'kept.wav'
# outputs: whole or not at all, nothing lost
row 0 Rotation g measure in.wav "${place[@]}" --report 'a.html' --plot 'phase=a.svg' --plot 'phase=a.png'
row 0 "</html>" tail -c 20 a.html
cp a.html a-kept.html
row 2 "already exists" g measure in.wav "${place[@]}" --report a.html
row 0 "" same a.html a-kept.html
row 0 Rotation g measure in.wav "${place[@]}" --report '.\A.HTML' --force
row 2 "cannot be written" g measure in.wav "${place[@]}" --report 'no\a.html'
row 2 "Rotation" g measure in.wav "${place[@]}" --report 'no\a.html'
row 2 "" g measure in.wav "${place[@]}" --report in.wav --force
row 2 "is the input" g follow in.wav "${place[@]}" --save IN.WAV --force
row 2 "" g follow in.wav "${place[@]}" --save 'workshop\..\in.wav' --force
row 2 "" g measure in.wav "${place[@]}" --report NUL
row 0 "" g simulate recipe.toml -o 'made\deep'
row 2 "already exists" g simulate recipe.toml -o 'made\deep'
row 0 "" g simulate recipe.toml -o 'made\deep' --force
row 0 Rotation g measure 'made\deep\made.wav' "${place[@]}"
row 0 "" g check jobs --junit 'out.xml' --csv 'out.csv'
row 0 "crlf.toml,passed" cat out.csv
row 0 "" unchanged
# the same numbers
row 0 "" json windows.json solve workshop/job.toml
row 0 "" native linux.json solve workshop/job.toml
row 0 "" close windows.json linux.json
row 0 "" json windows.json measure in.wav "${place[@]}"
row 0 "" native linux.json measure in.wav "${place[@]}"
row 0 "" close windows.json linux.json

[ "$failed" = 0 ] || { echo "$failed rows failed"; exit 1; }
echo "all rows hold"
