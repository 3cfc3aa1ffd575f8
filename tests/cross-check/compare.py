"""Holds results made again against the committed ones.

    compare.py COMMITTED.json NEW.json

Text, counts and versions must be the same; of the Python version only its
presence counts. Numbers may differ by 1e-9 of the largest of their list:
double precision over some thousand additions, on another processor.
"""

import json
import pathlib
import sys

TOLERANCE = 1e-9


def differences(committed, new, place=""):
    """Every place that differs, with what is found there."""
    if isinstance(committed, dict) and isinstance(new, dict):
        for key in sorted(committed.keys() | new.keys()):
            if key == "python":
                continue
            where = f"{place}.{key}"
            if key in committed and key in new:
                yield from differences(committed[key], new[key], where)
            else:
                yield f"{where}: only on one side"
    elif isinstance(committed, list) and isinstance(new, list):
        if len(committed) != len(new):
            yield f"{place}: {len(new)} entries, committed {len(committed)}"
        elif all(isinstance(v, float) for v in committed + new):
            scale = max(map(abs, committed), default=0.0)
            worst = max((abs(a - b) for a, b in zip(committed, new)), default=0.0)
            if not worst <= TOLERANCE * scale:
                yield f"{place}: differs by {worst:.3g}, largest value {scale:.3g}"
        else:
            for i, pair in enumerate(zip(committed, new)):
                yield from differences(*pair, f"{place}[{i}]")
    elif isinstance(committed, float) and isinstance(new, float):
        if not abs(committed - new) <= TOLERANCE * max(abs(committed), 1e-3):
            yield f"{place}: {new}, committed {committed}"
    elif committed != new:
        yield f"{place}: {new}, committed {committed}"


def main(arguments):
    committed, new = (json.loads(pathlib.Path(a).read_text()) for a in arguments)
    found = list(differences(committed, new))
    for line in found:
        print(line)
    print(f"{arguments[1]}: {len(found)} differences from {arguments[0]}")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
