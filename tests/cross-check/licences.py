"""Licences of everything that cargo resolves, held against what is allowed here,
and listed in docs/licences.md.

    licences.py            writes docs/licences.md
    licences.py --check    fails if it would change

It asks `cargo metadata`. A package passes when its SPDX expression can be met by
the licences that .ci/deny.toml allows; every package must come from crates.io.
cargo-deny, which `.ci/run` runs with the same list, is the judge; this needs
nothing built and writes the list.
"""

import json
import pathlib
import subprocess
import sys
import tomllib

CRATES_IO = "registry+https://github.com/rust-lang/crates.io-index"
ROOT = pathlib.Path(__file__).resolve().parents[2]
# One list for cargo-deny and for this.
ALLOWED = set(tomllib.loads((ROOT / ".ci/deny.toml").read_text())["licenses"]["allow"])


def permitted(expression):
    """Whether an SPDX expression can be met: AND binds closer than OR."""
    tokens = expression.replace("/", " OR ").replace("(", " ( ").replace(")", " ) ").split()

    def either():
        value = both()
        while tokens and tokens[0] == "OR":
            tokens.pop(0)
            other = both()
            value = value or other
        return value

    def both():
        value = one()
        while tokens and tokens[0] == "AND":
            tokens.pop(0)
            other = one()
            value = value and other
        return value

    def one():
        token = tokens.pop(0)
        if token == "(":
            value = either()
            assert tokens.pop(0) == ")", expression
            return value
        if tokens[:1] == ["WITH"]:
            tokens.pop(0)
            token += " WITH " + tokens.pop(0)
        return token in ALLOWED

    value = either()
    assert not tokens, expression
    return value


assert permitted("MIT OR GPL-3.0") and permitted("(MIT OR GPL-2.0) AND Unicode-3.0")
assert not permitted("GPL-3.0") and not permitted("MIT AND GPL-3.0")


def main():
    command = ["cargo", "metadata", "--format-version", "1", "--locked"]
    data = json.loads(subprocess.run(command, cwd=ROOT, check=True, capture_output=True).stdout)
    packages = {p["id"]: p for p in data["packages"]}
    nodes = {n["id"]: n for n in data["resolve"]["nodes"]}
    root = data["resolve"]["root"]

    # what is linked into the binary or run to build it, on any platform
    shipped, queue = set(), [root]
    while queue:
        here = queue.pop()
        if here in shipped:
            continue
        shipped.add(here)
        for dep in nodes[here]["deps"]:
            if any(kind["kind"] in (None, "build") for kind in dep["dep_kinds"]):
                queue.append(dep["pkg"])

    faults, rows = [], {True: [], False: []}
    for key, package in packages.items():
        if key == root:
            continue
        name, version, licence = package["name"], package["version"], package["license"]
        if package["source"] != CRATES_IO:
            faults.append(f"{name} {version} comes from {package['source']}")
        if not licence or not permitted(licence):
            faults.append(f"{name} {version} has the licence {licence}")
        rows[key in shipped].append((name, version, licence))
    assert not faults, "\n".join(faults)

    def table(of):
        lines = ["| package | version | licence |", "|---|---|---|"]
        return "\n".join(lines + [f"| {n} | {v} | {l} |" for n, v, l in sorted(of)])

    text = f"""# Licences of the dependencies

Groovelag itself is under MIT OR Apache-2.0 ([LICENSE](../LICENSE)). These are the packages that
`Cargo.lock` names, all from crates.io, with the licence that each states. Written by
`tests/cross-check/licences.py`, which refuses a licence that is not on its list of
permissive ones; `cargo test --test docs` fails when the list is not that of `Cargo.lock`.

## In the program, or used to build it ({len(rows[True])})

Some belong to other platforms and are not compiled everywhere.

{table(rows[True])}

## In tests and benches alone ({len(rows[False])})

{table(rows[False])}
"""
    file = ROOT / "docs/licences.md"
    if "--check" in sys.argv:
        assert file.read_text(encoding="utf-8") == text, f"{file} is stale: run licences.py"
    else:
        file.write_text(text, encoding="utf-8")
    print(f"{len(rows[True])} + {len(rows[False])} packages, all permitted")


if __name__ == "__main__":
    main()
