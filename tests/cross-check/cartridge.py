"""Recordings whose cartridge and chain do to the phase what real ones do, with known truth.

A generator that shares nothing with the program: frequency responses by numpy on the whole of a
recording, delays of 2 to 4 us between the walls. It runs the program on each recording and prints
by effect the error of the delay, the stated u, their ratio, and the warnings.

    cartridge.py PROGRAM FOLDER [--effects NAME,..] [--seeds N] [--first N] [--keep] [--json FILE]
    cartridge.py PROGRAM FOLDER --jobs N      (jobs of six captures, all effects of a grade at once)

What crosstalk does to every frequency alike is the scale, which the program's rotation allows for by a
prior of its own; the truth of the delay is therefore that times 1 - Re(c1 + c2) at 1 kHz.
"""

import argparse
import json
import math
import os
import struct
import subprocess
import sys

import numpy as np

RATE, SECONDS = 48_000, 20
N = RATE * SECONDS
HERTZ = np.fft.rfftfreq(N, 1 / RATE)
W = 2 * np.pi * HERTZ
RADIUS_MM, RPM = 70.0, 100.0 / 3.0


def spectrum(rng, slope_db=-3.0, low=25.0, high=19_000.0):
    """Noise whose power falls by so many dB an octave."""
    z = rng.normal(size=W.size) + 1j * rng.normal(size=W.size)
    f = np.maximum(HERTZ, 1.0)
    shape = 10 ** (slope_db * np.log2(f / 1000) / 20)
    return z * shape / ((1 + (low / f) ** 4) * np.sqrt(1 + (f / high) ** 16))


def normalised(x, level_db):
    return x * (10 ** (level_db / 20) / np.sqrt(np.mean(x**2)))


def pink(rng):
    return normalised(np.fft.irfft(spectrum(rng), N), -20)


def notes(rng):
    """Something sparse: plucked notes with harmonics up to 14 kHz, and strokes of noise."""
    x = np.zeros(N)
    t = np.arange(N) / RATE
    at = 0.05
    while at < SECONDS - 0.3:
        start = int(at * RATE)
        length = int(rng.uniform(0.3, 1.2) * RATE)
        span = t[: min(length, N - start)]
        pitch = 110 * 2 ** (rng.integers(0, 36) / 12)
        for h in range(1, int(14_000 / pitch)):
            decay = np.exp(-span * (2 + 0.3 * h))
            f = pitch * h * (1 + 2e-4 * h * h * rng.random())
            x[start : start + span.size] += h**-0.9 * decay * np.sin(2 * np.pi * f * span + rng.uniform(0, 6.28))
        if rng.random() < 0.4:
            x[start : start + span.size] += 0.5 * rng.normal(size=span.size) * np.exp(-span * 25)
        at += rng.exponential(0.18)
    return normalised(x, -20)


def tone(rng):
    t = np.arange(N) / RATE
    return normalised(np.sin(2 * np.pi * 1000.3 * t + rng.uniform(0, 6.28)), -12)


# --- effects: each a function of rng giving the responses -------------------------------------


class Chain:
    """Responses of one cartridge: own gain of each channel, crosstalk both ways."""

    def __init__(self):
        self.left = np.ones(W.size, complex)
        self.right = np.ones(W.size, complex)
        self.to_left = np.zeros(W.size, complex)
        self.to_right = np.zeros(W.size, complex)

    def coil(self, rng, unlike):
        def h(l, r, c):
            return 1 / (1 - W**2 * l * c + 1j * W * l / r)

        d = unlike * rng.choice([-1, 1], 3)
        self.left *= h(0.5, 47e3, 200e-12)
        self.right *= h(0.5 * (1 + d[0]), 47e3 * (1 + 0.3 * d[1]), 200e-12 * (1 + 0.3 * d[2]))

    def tip(self, rng, f0, unlike, q=2.0):
        def h(f):
            x = HERTZ / f
            return 1 / (1 - x**2 + 1j * x / q)

        self.left *= h(f0)
        self.right *= h(f0 * (1 + unlike * rng.choice([-1, 1])))

    def resonant_crosstalk(self, rng, db):
        def c():
            x = HERTZ / (8_000 * 2 ** rng.uniform(0, 1.2))
            q = rng.uniform(1, 2.5)
            size = 10 ** ((db + rng.normal(0, 2)) / 20)
            return rng.choice([-1, 1]) * size / (1 - x**2 + 1j * x / q)

        self.to_left += c()
        self.to_right += c()

    def poor_crosstalk(self, rng):
        o = np.clip(np.log10(np.maximum(HERTZ, 1) / 1000), 0, 1)
        c = 10 ** ((-24 + 6 * o) / 20) * np.exp(1j * np.pi / 2 * o) * rng.choice([-1, 1])
        self.to_left += c
        self.to_right -= c

    def scale(self):
        k = np.argmin(np.abs(HERTZ - 1000))
        return 1 - (self.to_left[k] + self.to_right[k]).real

    def play(self, left, right):
        left, right = np.fft.rfft(left), np.fft.rfft(right)
        return (
            np.fft.irfft(self.left * (left + self.to_left * right), N),
            np.fft.irfft(self.right * (right + self.to_right * left), N),
        )


def coder(left, right, below_db):
    """The difference set to zero where it is below a threshold of the sum, cell by cell."""
    size, hop = 2048, 1024
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size)
    mid, side = (left + right) / 2, (left - right) / 2
    out_m, out_s = np.zeros(N + size), np.zeros(N + size)
    edges = np.unique(np.round(np.geomspace(4, size // 2 + 1, 30)).astype(int))
    for start in range(0, N - size, hop):
        m = np.fft.rfft(window * mid[start : start + size])
        s = np.fft.rfft(window * side[start : start + size])
        for a, b in zip(edges[:-1], edges[1:]):
            pm, ps = np.sum(abs(m[a:b]) ** 2), np.sum(abs(s[a:b]) ** 2)
            if ps < pm * 10 ** (below_db / 10):
                s[a:b] = 0
        out_m[start : start + size] += window * np.fft.irfft(m, size)
        out_s[start : start + size] += window * np.fft.irfft(s, size)
    out_m[:hop], out_s[:hop] = 0, 0
    return (out_m + out_s)[:N], (out_m - out_s)[:N]


EFFECTS = {
    "clean": {},
    "coil-1": {"coil": 0.01},
    "coil-3": {"coil": 0.03},
    "tip-17": {"tip": 17e3},
    "tip-22": {"tip": 22e3},
    "crosstalk-good": {"resonant": -32},
    "crosstalk-usual": {"resonant": -27},
    "crosstalk-poor": {"poor": True},
    "coder-320": {"coder": -40},
    "coder-160": {"coder": -30},
    "coder-96": {"coder": -22},
    "blend-20": {"blend": -20},
    "blend-10": {"blend": -10},
    "tone-70": {"programme": tone, "noise": -70},
    "tone-40": {"programme": tone, "noise": -40},
    "stereo-10": {"stereo": -10},
    "stereo-20": {"stereo": -20},
    "good": {"coil": 0.01, "tip": 20e3, "resonant": -32},
    "usual": {"coil": 0.02, "tip": 18e3, "resonant": -27},
    "poor": {"coil": 0.03, "tip": 17e3, "resonant": -22},
}
PROGRAMMES = [pink, notes]


def cartridge(effect, rng):
    chain = Chain()
    if "coil" in effect:
        chain.coil(rng, effect["coil"])
    if "tip" in effect:
        chain.tip(rng, effect["tip"], 0.025)
    if "resonant" in effect:
        chain.resonant_crosstalk(rng, effect["resonant"])
    if effect.get("poor"):
        chain.poor_crosstalk(rng)
    return chain


def record(effect, chain, delay, programme, rng, swapped=False):
    """Left and right of a recording."""
    v = effect.get("programme", programme)(rng)
    late = np.fft.irfft(np.fft.rfft(v) * np.exp(-1j * W * delay), N)
    left, right = v, late
    if "stereo" in effect:
        part = normalised(np.fft.irfft(spectrum(rng), N), -20 + effect["stereo"])
        # it comes and goes, from one side
        gate = np.interp(np.arange(N) / RATE, np.arange(0, SECONDS + 1), rng.random(SECONDS + 1) > 0.4)
        left, right = left + gate * part, right + 0.2 * gate * part
    noise_db = effect.get("noise", -38)
    level = 20 * np.log10(np.sqrt(np.mean(v**2)))
    grain = lambda: normalised(np.fft.irfft(spectrum(rng, -2.0), N), level + noise_db)
    left, right = chain.play(left + grain(), right + grain())
    hiss = lambda: rng.normal(size=N) * 10 ** (-85 / 20)
    left, right = left + hiss(), right + hiss()
    if swapped:
        left, right = right, left
    if "blend" in effect:
        b = 10 ** (effect["blend"] / 20)
        left, right = left + b * right, right + b * left
    if "coder" in effect:
        left, right = coder(left, right, effect["coder"])
    return left, right


def write(path, left, right):
    data = np.stack([left, right], 1).astype("<f4").tobytes()
    with open(path, "wb") as f:
        f.write(b"RIFF" + struct.pack("<I", 50 + len(data)) + b"WAVEfmt ")
        f.write(struct.pack("<IHHIIHHH", 18, 3, 2, RATE, RATE * 8, 8, 32, 0))
        f.write(b"fact" + struct.pack("<II", 4, N) + b"data" + struct.pack("<I", len(data)) + data)


SPEED = 2 * np.pi * RADIUS_MM * 1e-3 * RPM / 60


def path_of(degrees):
    """Path of an 18 x 8 um elliptical turned so far, metres."""
    z = math.radians(degrees)
    return math.sqrt(2) * 10e-6 * math.sin(z) * math.cos(z) / math.sqrt((1 + math.cos(z) ** 2) / 2)


def rotation_of(delay):
    low, high = -20.0, 20.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if path_of(middle) < delay * SPEED else (low, middle)
    return low


def run(program, arguments):
    done = subprocess.run([program, *arguments], capture_output=True, text=True)
    try:
        return json.loads(done.stdout)
    except json.JSONDecodeError:
        return {"refused": done.stderr.strip()}


def one(program, folder, name, seed, keep):
    rng = np.random.default_rng([seed, list(EFFECTS).index(name)])
    effect = EFFECTS[name]
    delay = rng.uniform(2e-6, 4e-6) * rng.choice([-1, 1])
    programme = PROGRAMMES[seed % len(PROGRAMMES)]
    chain = cartridge(effect, rng)
    wav = os.path.join(folder, f"{name}-{seed}.wav")
    write(wav, *record(effect, chain, delay, programme, rng))
    found = run(program, ["measure", wav, "--radius", str(RADIUS_MM), "--rpm", "33", "--stylus", "elliptical:18x8", "--json"])
    truth = delay * chain.scale() * 1e6
    row = {"effect": name, "seed": seed, "programme": programme.__name__, "truth_us": truth, "delay_us": delay * 1e6}
    if "refused" in found:
        row["refused"] = found["refused"]
    else:
        d = found["delay_us"]
        r = found["rotation_deg"]
        band = [r["lower"], r["upper"]]
        row |= {
            "error": d["value"] - truth,
            "u": d["standard_uncertainty"],
            "rotation_held": band[0] <= rotation_of(delay) <= band[1],
            "rotation_u": r["standard_uncertainty"],
            "serious": [w["code"] for w in found["warnings"] if w["level"] == "serious"],
            "cautions": [w["code"] for w in found["warnings"] if w["level"] == "caution"],
        }
    with open(os.path.join(folder, f"{name}-{seed}.json"), "w") as f:
        json.dump(row, f)
    if not keep:
        os.remove(wav)
    return row


def job(program, folder, number):
    """Six captures of one cartridge with three turns and two speeds or leads swapped, priors drawn."""
    rng = np.random.default_rng([number, 99])
    grade = ["good", "usual", "poor"][number % 3]
    effect = EFFECTS[grade]
    chain = cartridge(effect, rng)
    rotation, cut = rng.normal(0, 3), rng.normal(0, 0.5)
    skew = rng.normal(0, 0.5e-6)
    frontal, side = rng.normal(18, 1), rng.normal(8, 1)
    captures = ""
    for k, (rpm, turn, leads) in enumerate(
        [(100 / 3, 0, "normal"), (45, 0, "normal"), (100 / 3, -4, "normal"), (100 / 3, 4, "normal"), (100 / 3, 0, "swapped"), (45, 4, "normal")]
    ):
        true_turn = turn + (rng.normal(0, 0.2) if turn else 0)
        z = math.radians(rotation + true_turn)
        lever = math.sqrt(2) * (frontal - side) * 1e-6 * math.sin(z) * math.cos(z) / math.sqrt((1 + math.cos(z) ** 2) / 2)
        path = lever - math.sqrt(2) * frontal * 1e-6 * math.tan(math.radians(cut))
        delay = path / (2 * np.pi * RADIUS_MM * 1e-3 * rpm / 60)
        left, right = record(effect, chain, delay, PROGRAMMES[k % 2], rng, leads == "swapped")
        right = np.fft.irfft(np.fft.rfft(right) * np.exp(-1j * W * skew), N)
        name = f"job-{number}-{k}.wav"
        write(os.path.join(folder, name), left, right)
        captures += f'''
[[capture]]
file = "{name}"
radius_mm = {RADIUS_MM}
rpm = {"33" if rpm < 40 else "45"}
turn_deg = {turn}
leads = "{leads}"
'''
    text = os.path.join(folder, f"job-{number}.toml")
    with open(text, "w") as f:
        f.write('''format = 1
[cartridge.C]
profile = "elliptical"
frontal_radius_um = 18
side_radius_um = 8
[record.R]
[chain.K]
[setup.A]
cartridge = "C"
arm = "tangential"
''' + captures)
    found = run(program, ["solve", text, "--json"])
    for k in range(6):
        os.remove(os.path.join(folder, f"job-{number}-{k}.wav"))
    return grade, rotation, found


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("program")
    parser.add_argument("folder")
    parser.add_argument("--effects", default=",".join(EFFECTS))
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--keep", action="store_true")
    parser.add_argument("--json")
    parser.add_argument("--jobs", type=int)
    given = parser.parse_args()
    os.makedirs(given.folder, exist_ok=True)
    if given.jobs:
        for number in range(given.first, given.first + given.jobs):
            grade, truth, found = job(given.program, given.folder, number)
            if "refused" in found:
                print(number, grade, found["refused"])
                continue
            r = found["setups"][0]["rotation_deg"]
            band = [r["lower"], r["upper"]]
            error, u = r["value"] - truth, r["standard_uncertainty"]
            codes = sorted({w["code"] for w in found["warnings"] if w["level"] != "note"})
            print(f"{number} {grade:6} error {error:7.3f} u {u:.3f} ratio {error / u:6.2f} {'held' if band[0] <= truth <= band[1] else 'OUT'} {codes}", flush=True)
        return
    rows = []
    for name in given.effects.split(","):
        own = [one(given.program, given.folder, name, s, given.keep) for s in range(given.first, given.first + given.seeds)]
        rows += own
        good = [r for r in own if "error" in r]
        if not good:
            print(f"{name:16} refused: {own[0]['refused'][:100]}", flush=True)
            continue
        e, u = (np.array([r[k] for r in good]) for k in ("error", "u"))
        codes = {c for r in good for c in r["serious"]}
        cautions = {c for r in good for c in r["cautions"]}
        serious = sum(bool(r["serious"]) for r in good)
        out = sum(not r["rotation_held"] for r in good)
        print(
            f"{name:16} error rms {np.sqrt(np.mean(e**2)):.3f} max {abs(e).max():.3f}  u {u.min():.3f}..{u.max():.3f}"
            f"  e/u {' '.join(f'{x:.1f}' for x in e / u)}  rotation out {out}/{len(good)}  serious {serious} {sorted(codes)} {sorted(cautions)}",
            flush=True,
        )
    if given.json:
        with open(given.json, "w") as f:
            json.dump(rows, f, indent=1)


if __name__ == "__main__":
    main()
