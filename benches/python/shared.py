"""What both programs share: blocks of a 24-bit stereo WAV file, the window, and
the delay from a cross-spectrum.

The files are those of benches/table, with a header of 44 bytes.
"""

import json
import struct
import sys
import time

import numpy as np
import scipy.signal

BAND_HZ = (100.0, 15000.0)


def frame_length(rate):
    """The power of two nearest to 85.3 ms."""
    return 1 << round(np.log2(0.0853 * rate))


def window(length):
    """Kaiser-Bessel-derived, alpha = 5, by SciPy."""
    return scipy.signal.windows.kaiser_bessel_derived(length, np.pi * 5)


class Recording:
    """Blocks of frames that overlap by what one analysis frame needs."""

    def __init__(self, path, frames_at_once):
        self.file = open(path, "rb", buffering=0)
        header = self.file.read(44)
        self.rate = struct.unpack_from("<I", header, 24)[0]
        self.left = struct.unpack_from("<I", header, 40)[0]
        self.length = frame_length(self.rate)
        self.count = frames_at_once
        self.bytes = bytearray(1)

    def blocks(self):
        """Integers scaled to 32 bits, as (samples, 2), for whole frames."""
        hop = self.length // 2
        want = 6 * hop * (self.count + 1)
        while True:
            more = min(want - (len(self.bytes) - 1), self.left)
            self.bytes += self.file.read(more)
            self.left -= more
            frames = (len(self.bytes) - 1) // (6 * hop) - 1
            if frames < 1:
                return
            samples = hop * (frames + 1)
            # each sample with the byte before it, which is masked out
            words = np.ndarray((samples, 2), "<i4", bytes(self.bytes), 0, (6, 3))
            yield frames, words & -256
            # the byte before the first sample is masked out too
            self.bytes = self.bytes[6 * hop * frames :]


def delay_us(hertz, cross, left, right, frames):
    """Weighted least squares of the phase; `cross` is left times the conjugate
    of right, so that a right channel that comes later is positive."""
    used = (hertz >= BAND_HZ[0]) & (hertz <= BAND_HZ[1])
    cross, left, right = cross[used], left[used], right[used]
    coherence = np.minimum(np.abs(cross) ** 2 / (left * right), 1 - 1e-9)
    weight = frames * coherence / (1 - coherence)
    omega = 2 * np.pi * hertz[used] * 1e-6
    # near enough that no phase of the remainder wraps
    best = max(np.linspace(-30, 30, 1201), key=lambda d: score(d, omega, cross))
    rest = np.angle(cross * np.exp(-1j * omega * best))
    return best + np.sum(weight * omega * rest) / np.sum(weight * omega**2)


def score(delay, omega, cross):
    return np.sum((cross * np.exp(-1j * omega * delay)).real)


def main(analyse):
    """Prints the delay, and the seconds spent without starting Python."""
    start = time.perf_counter()
    delay = analyse(sys.argv[1])
    seconds = time.perf_counter() - start
    print(json.dumps({"delay_us": float(delay), "seconds": seconds}))
