"""One pass of the test side, end to end, by hand:

    python3 tests/cross-check/side.py PROGRAM FOLDER

`master` writes the side; the simulator rolls a tip along it (lateral bands and marks, left-only bands,
right-only bands: three runs at one time, summed, since it moves both walls alike or one alone); `solve` reads
the sum with the job that `master` wrote. Needs numpy. Everything is invented; the truth is printed beside what
was found.
"""

import csv
import json
import math
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np

PROGRAM, FOLDER = sys.argv[1], Path(sys.argv[2])
RATE, SECONDS, CUT_RPM, RPM = 48_000, 579.8, 100 / 3, 33.4
ECCENTRICITY_MM, ROTATION_DEG, CUT_DEG, SKEW_US = 0.3, 4.0, 0.3, 0.35
# real and imaginary part at low frequency, and where it begins to rise
INTO_RIGHT, INTO_LEFT, CORNER_HZ = [0.05, -0.012], [0.04, 0.01], 12_000
SIDE_RADIUS_UM = 7.0


def run(*arguments):
    done = subprocess.run([PROGRAM, *map(str, arguments)], capture_output=True, text=True)
    if done.returncode == 2:
        sys.exit(done.stderr)
    return done.stdout


def read(path):
    """Samples of a 24-bit WAV file, full scale 1."""
    data = Path(path).read_bytes()
    at = 12
    while data[at : at + 4] != b"data":
        at += 8 + struct.unpack("<I", data[at + 4 : at + 8])[0]
    size = struct.unpack("<I", data[at + 4 : at + 8])[0]
    words = np.frombuffer(data, np.uint8, size, at + 8).reshape(-1, 3)
    samples = np.zeros((len(words), 4), np.uint8)
    samples[:, 1:] = words
    return samples.view("<i4").reshape(-1, 2) / 2.0**31


def write(path, samples):
    """Samples of full scale 1 as floats of 32 bits."""
    samples = np.atleast_2d(samples.astype("<f4").T).T
    channels, body = samples.shape[1], samples.tobytes()
    kind = struct.pack("<HHIIHH", 3, channels, RATE, RATE * 4 * channels, 4 * channels, 32)
    with open(path, "wb") as file:
        file.write(b"RIFF" + struct.pack("<I", 36 + len(body)) + b"WAVEfmt \x10\0\0\0" + kind)
        file.write(b"data" + struct.pack("<I", len(body)) + body)


def recipe(kind, peak, dirt):
    modulation = kind if kind != "both" else "lateral"
    return f"""format = 1
seed = 11
[programme]
kind = "wav"
file = "{kind}.wav"
duration_s = {SECONDS * CUT_RPM / RPM!r}
peak_cm_s = {peak}
low_hz = 30
high_hz = 18000
[record]
modulation = "{modulation}"
cut_rpm = "100/3"
cut_rotation_deg = {CUT_DEG}
eccentricity_mm = {ECCENTRICITY_MM}
[capture]
radius_mm = [144, 62]
rpm = {RPM}
sample_rate_hz = {RATE}
[cartridge]
profile = "elliptical"
frontal_radius_um = 18
side_radius_um = {SIDE_RADIUS_UM}
crosstalk_left_into_right = {INTO_RIGHT}
crosstalk_right_into_left = {INTO_LEFT}
crosstalk_corner_hz = {CORNER_HZ}
[setup]
rotation_deg = {ROTATION_DEG}
[chain]
skew_us = {SKEW_US}
{dirt}
"""


FOLDER.mkdir(parents=True, exist_ok=True)
run("master", "-o", FOLDER, "--rate", RATE, "--force")
side = read(FOLDER / "side.wav")
with open(FOLDER / "cue-sheet.csv", newline="") as file:
    cues = list(csv.DictReader(file))[:-1]
single = {name: np.zeros(len(side), bool) for name in ("left", "right")}
peaks = {"both": 0.0, "left": 0.0, "right": 0.0}
for cue in cues:
    walls = cue["walls"]
    if walls in single:
        single[walls][int((float(cue["start_s"]) - 0.5) * RATE) : int((float(cue["end_s"]) + 0.5) * RATE)] = True
    if cue["peak_velocity_cm_s"]:
        part = walls if walls in single else "both"
        peaks[part] = max(peaks[part], float(cue["peak_velocity_cm_s"]))
either = single["left"] | single["right"]
total = None
for kind, samples in (
    ("both", np.where(either, 0.0, side[:, 0])),
    ("left", np.where(single["left"], side[:, 0], 0.0)),
    ("right", np.where(single["right"], side[:, 1], 0.0)),
):
    write(FOLDER / f"{kind}.wav", samples)
    dirt = "[dirt]\nnoise_cm_s = 0.03\nclicks_per_s = 0.5" if kind == "both" else ""
    (FOLDER / f"{kind}-played.toml").write_text(recipe(kind, peaks[kind], dirt))
    run("simulate", FOLDER / f"{kind}-played.toml", "-o", FOLDER / "played", "--force")
    played = read(FOLDER / "played" / f"{kind}-played.wav")
    total = played if total is None else total + played
write(FOLDER / "side-played.wav", total)

job = (FOLDER / "job.toml").read_text().replace("rpm = 33", 'rpm = 33\nsetup = "s"\nrecord = "test-side"\nchain = "desk"')
job += """
[chain.desk]
[setup.s]
cartridge = "c"
arm = "tangential"
[cartridge.c]
profile = "elliptical"
frontal_radius_um = 18
side_radius_um = 8
"""
(FOLDER / "played.toml").write_text(job)
print(run("solve", FOLDER / "played.toml"))
found = json.loads(run("solve", FOLDER / "played.toml", "--json"))
pass_ = found["passes"][0]
measured = pass_["crosstalk"]["measured"]
for way, truth in (("left_into_right", INTO_RIGHT), ("right_into_left", INTO_LEFT)):
    # within the noise of the single-channel bands
    off = [
        abs(complex(re, im) - complex(*truth) * complex(1, hertz / CORNER_HZ))
        for hertz, re, im in zip(measured["hertz"], measured[way + "_re"], measured[way + "_im"])
        if 300 <= hertz <= 15_000
    ]
    print(way, "off by", math.sqrt(sum(o * o for o in off) / len(off)), "rms,", max(off), "at most")
setup = found["setups"][0]["rotation_deg"]
print("rotation", setup["value"], "u", setup["standard_uncertainty"], "true", ROTATION_DEG)
print("speed", pass_["speed_rpm"]["value"], [t["speed_rpm"] and t["speed_rpm"]["value"] for t in pass_["tones"]], "true", RPM)
print("eccentricity", [t["eccentricity_mm"] and t["eccentricity_mm"]["value"] for t in pass_["tones"]], "true", ECCENTRICITY_MM,
      "(of a groove that changes its speed by as much at 138 mm, as the simulator has it:", round(ECCENTRICITY_MM * 138.3 / 103, 3), ")")
