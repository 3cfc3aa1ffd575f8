"""General-purpose delay estimators, on the same recordings.

    alternatives.py FOLDER

Prints one JSON object: per file of the folder the delay of the right channel in
seconds, by

correlation  scipy.signal.correlate of the whole, the highest peak refined by a
             parabola through it and its neighbours;
phat         the generalised cross-correlation with the phase transform (Knapp and
             Carter 1976): scipy.signal.csd as below, divided by its magnitude, back
             on a grid of 16 times the rate, the highest peak refined likewise;
slope        scipy.signal.csd and .coherence, Hann, 8192 points: a straight line
             through the origin fitted to the unwrapped phase from 100 Hz to
             15 kHz, weighted by C / (1 - C).
"""

import json
import pathlib
import sys

import numpy as np
import scipy.fft
import scipy.signal
import soundfile

WELCH = {"nperseg": 8192, "window": "hann"}


def peak(values, lags):
    at = int(np.argmax(np.abs(values)))
    if not 0 < at < len(values) - 1:
        return float(lags[at])
    low, middle, high = values[at - 1 : at + 2]
    shift = 0.5 * (low - high) / (low - 2 * middle + high)
    return float(lags[at] + shift * (lags[1] - lags[0]))


def correlation(left, right, rate):
    values = scipy.signal.correlate(right, left, mode="full", method="fft")
    lags = scipy.signal.correlation_lags(len(right), len(left), mode="full")
    return peak(values, lags / rate)


def phat(left, right, rate, fine=16):
    _, cross = scipy.signal.csd(left, right, fs=rate, **WELCH)
    cross /= np.maximum(np.abs(cross), 1e-300)
    count = fine * WELCH["nperseg"]
    values = scipy.fft.fftshift(scipy.fft.irfft(cross, count))
    lags = (np.arange(count) - count // 2) / (fine * rate)
    near = np.abs(lags) < 2e-3
    return peak(values[near], lags[near])


def slope(left, right, rate):
    hertz, cross = scipy.signal.csd(right, left, fs=rate, **WELCH)
    _, coherence = scipy.signal.coherence(right, left, fs=rate, **WELCH)
    band = (hertz >= 100) & (hertz <= 15_000)
    hertz, cross, coherence = hertz[band], cross[band], coherence[band]
    weight = coherence / np.maximum(1 - coherence, 1e-9)
    phase = np.unwrap(np.angle(cross))
    w = 2 * np.pi * hertz
    return float(np.sum(weight * w * phase) / np.sum(weight * w * w))


found = {}
for path in sorted(pathlib.Path(sys.argv[1]).glob("*.wav")):
    samples, rate = soundfile.read(path, dtype="float64", always_2d=True)
    left, right = samples.T
    found[path.name] = {
        "correlation": correlation(left, right, rate),
        "phat": phat(left, right, rate),
        "slope": slope(left, right, rate),
    }
print(json.dumps(found))
