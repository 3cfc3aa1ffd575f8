"""The response from one channel to the other by SciPy, for tests/chain_scipy.rs.

Usage: python response.py [RESULT.json]     (needs numpy and scipy from PyPI)

The signal is defined by integer arithmetic alone, so that both programs make
the same samples: a linear congruential generator (multiplier and increment of
Knuth's MMIX) whose top 13 bits drive the left channel, a filter of three taps
to the right one, and noise from a second generator on each. The window is the
Kaiser-Bessel-derived one with alpha = 5, by SciPy.

Random errors follow J. S. Bendat and A. G. Piersol, Random Data, 4th ed., 2010,
chapter 9; the number of independent averages follows P. D. Welch, IEEE T-AU 15,
1967, with the window's own overlap correlation.
"""

import json
import sys

import numpy as np
import scipy
from scipy import signal

FRAMES = 65_536
RATE = 48_000
LENGTH = 4096
BINS = [5, 20, 85, 200, 341, 700, 1000, 1500]
MASK = (1 << 64) - 1


def generator(state):
    while True:
        state = (state * 6364136223846793005 + 1442695040888963407) & MASK
        yield (state >> 51) - 4096


def samples():
    drive, noise_left, noise_right = generator(1), generator(2), generator(3)
    left, right = [], []
    past = [0, 0]
    for _ in range(FRAMES):
        x = next(drive)
        left.append(x + next(noise_left) // 16)
        right.append((5 * x + 2 * past[0] - past[1]) // 8 + next(noise_right) // 8)
        past = [x, past[0]]
    return np.array(left) / 32768.0, np.array(right) / 32768.0


def main():
    left, right = samples()
    window = signal.windows.kaiser_bessel_derived(LENGTH, np.pi * 5)
    options = dict(
        fs=RATE, window=window, nperseg=LENGTH, noverlap=LENGTH // 2, detrend=False
    )
    frequency, driving = signal.welch(left, **options)
    _, driven = signal.welch(right, **options)
    _, cross = signal.csd(left, right, **options)  # conj(L) R
    _, coherence = signal.coherence(left, right, **options)
    transfer = cross / driving
    rho = np.sum(window[: LENGTH // 2] * window[LENGTH // 2 :]) / np.sum(window**2)
    frames = 2 * FRAMES // LENGTH - 1
    averages = frames / (1 + 2 * (1 - 1 / frames) * rho**2)
    rows = []
    for k in BINS:
        c = coherence[k]
        rows.append(
            {
                "bin": k,
                "hertz": frequency[k],
                "gain": abs(transfer[k]),
                "phase_rad": float(np.angle(transfer[k])),
                "symmetric_gain": float(np.sqrt(driven[k] / driving[k])),
                "coherence": c,
                "relative_error": float(np.sqrt((1 - c) / (2 * averages * c))),
                "coherence_error": float(np.sqrt(2 * c / averages) * (1 - c)),
            }
        )
    document = {
        "made_by": "tests/cross-check/response.py",
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "averages": averages,
        "sum_left": int(round(32768 * left.sum())),
        "sum_right": int(round(32768 * right.sum())),
        "rows": rows,
    }
    text = json.dumps(document, indent=1) + "\n"
    if len(sys.argv) > 1:
        with open(sys.argv[1], "w", encoding="ascii") as file:
            file.write(text)
    else:
        sys.stdout.write(text)


main()
