"""The same by SciPy's own functions, a piece at a time.

    scipy_csd.py RECORDING.wav
"""

import numpy as np
import scipy.signal
import shared

# Analysis frames at once: about ten seconds.
FRAMES = 256


def analyse(path):
    recording = shared.Recording(path, FRAMES)
    common = dict(
        fs=recording.rate,
        window=shared.window(recording.length),
        nperseg=recording.length,
        noverlap=recording.length // 2,
        detrend=False,
    )
    sums = [0, 0, 0]
    total = 0
    for frames, words in recording.blocks():
        samples = words.astype(np.float64)
        left, right = samples[:, 0].copy(), samples[:, 1].copy()
        hertz, cross = scipy.signal.csd(right, left, **common)
        _, power_left = scipy.signal.welch(left, **common)
        _, power_right = scipy.signal.welch(right, **common)
        for k, part in enumerate((cross, power_left, power_right)):
            sums[k] = sums[k] + frames * part
        total += frames
    return shared.delay_us(hertz, *sums, total)


if __name__ == "__main__":
    shared.main(analyse)
