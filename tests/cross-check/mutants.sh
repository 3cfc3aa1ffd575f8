#!/usr/bin/env bash
# Do the tests notice when the mathematics is changed? Mutants of delay, groove,
# adjust, uncertainty and chain, one in ten (or SHARD=k/n; MODULES names some of them; DIFF, a
# file of git diff, keeps to the lines that it changes), against the fast tests of the mathematics. Run by hand, in a clone of its own: the sources are changed
# in place. Two hours on two cores.
#
#     cargo install cargo-mutants --version 27.1.0 --locked
#     tests/cross-check/mutants.sh FOLDER_FOR_RESULTS
set -euo pipefail
results=$(realpath -m "${1:?a folder for the results}")
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
# quick to build, and quick enough to run
export CARGO_PROFILE_DEV_OPT_LEVEL=1 CARGO_PROFILE_DEV_DEBUG=0

# A crate of what the mathematics needs and no more builds in seconds; the tests
# that hold these modules from outside go into it.
modules=(check report simulate)
outside=(chain chain_scipy references_uncertainty)
trap 'git checkout -q -- src/lib.rs Cargo.toml; rm -f src/stub.rs' EXIT
for module in "${modules[@]}"; do sed -i "/^pub mod $module;/d" src/lib.rs; done
sed -i "/^\/\/\/ The developer's guide/,\$d" src/lib.rs
echo 'extern crate self as groovelag;' >> src/lib.rs
for test in "${outside[@]}"; do
    printf '#[cfg(test)]\n#[path = "../tests/%s.rs"]\nmod outside_%s;\n' "$test" "$test" >> src/lib.rs
done
python3 - <<'PYTHON'
import re
text = open("Cargo.toml").read()
text = re.sub(r'\[\[bench\]\]\n(\w+ = .*\n)+', "", text)
open("Cargo.toml", "w").write(text + '\n[[bin]]\nname = "groovelag"\npath = "src/stub.rs"\n')
PYTHON
echo 'fn main() {}' > src/stub.rs

# The tests that each module has to answer to; those of many seconds are left out.
declare -A tests=(
    [uncertainty]="uncertainty:: job:: outside_references_uncertainty::"
    [groove]="groove:: job::"
    [delay]="delay:: chain:: outside_chain"
    [adjust]="adjust:: job:: outside_references_uncertainty::"
    [chain]="chain:: delay:: outside_chain"
)
slow=(scatter_is_at_the a_simulated_chain_is the_calibrated_bands_cover
    setups_that_share everything_together a_large_rotation)
skips=()
for name in "${slow[@]}"; do skips+=(--skip "$name"); done
cargo test --lib --no-run
for module in ${MODULES:-uncertainty groove delay adjust chain}; do
    mkdir -p "$results/$module"
    # shellcheck disable=SC2086 # several filters
    cargo mutants --in-place --iterate --output "$results/$module" --baseline skip \
        --timeout 90 --build-timeout 300 --shard "${SHARD:-0/10}" --sharding round-robin \
        --file "src/$module/**" ${DIFF:+--in-diff "$DIFF"} -C --lib -- -- ${tests[$module]} "${skips[@]}" || true
done

# of a run that was taken up again, what it had noticed before counts as well
for outcome in {previously_,}caught missed timeout unviable; do
    printf '%s %s\n' "$(cat "$results"/*/mutants.out/$outcome.txt | sort -u | wc -l)" "$outcome"
done
