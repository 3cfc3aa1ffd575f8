#!/usr/bin/env bash
# Do the tests notice when the mathematics is changed? Mutants of delay, groove,
# adjust, uncertainty and chain, one in ten (or SHARD=k/n), each against the fast
# tests of its module. Run by hand, in a clone of its own: the sources are changed
# in place. An hour or two on two cores.
#
#     cargo install cargo-mutants --version 27.1.0 --locked
#     tests/cross-check/mutants.sh FOLDER_FOR_RESULTS
set -euo pipefail
results=${1:?a folder for the results}
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
# quick to build, and quick enough to run
export CARGO_PROFILE_DEV_OPT_LEVEL=1

# Tests of seconds; what they alone would notice is tried with them afterwards.
slow=(scatter_is_at_the a_simulated_chain_is the_calibrated_bands_cover
    setups_that_share the_fast_path_finds everything_together a_large_rotation)

run() {
    local module=$1 leave=$2 arguments=()
    shift 2
    for target in "$@"; do arguments+=(-C "$target"); done
    local skips=()
    for name in "${slow[@]}" $leave; do skips+=(--skip "$name"); done
    cargo mutants --in-place --iterate --output "$results/$module" --baseline skip \
        --timeout 60 --build-timeout 300 --shard "${SHARD:-0/10}" --sharding round-robin \
        --file "src/$module/**" "${arguments[@]}" -- -- "${skips[@]}" || true
}

run uncertainty "coverage_tests simulate::" --lib --test=references_uncertainty --test=symmetries
run groove "coverage_tests adjust:: simulate::" --lib --test=symmetries
run delay "" --test=delay --test=references_spectrum --test=cross_check --test=symmetries
run adjust "simulate::" --lib
run chain "" --test=chain --test=chain_scipy

for outcome in caught missed timeout unviable; do
    printf '%s %s\n' "$(cat "$results"/*/mutants.out/$outcome.txt | sort -u | wc -l)" "$outcome"
done
