"""Makes capture.wav, the invented recording that spectrum.py analyses.

    make_capture.py OUT.wav

Six seconds of pink noise, 48 kHz, 16 bits: the right channel 4.2 us late, its
equaliser's time constants off by +0.8, -1.2 and +0.5 per cent, white noise of
its own in each channel 35 dB below. Made in the frequency domain, seed fixed.
"""

import sys

import numpy as np
import soundfile

RATE = 48_000
FRAMES = 6 * RATE
DELAY = 4.2e-6
# time constant in seconds, sign of its phase, departure
EQUALISER = [(3180e-6, 1, 0.008), (318e-6, -1, -0.012), (75e-6, 1, 0.005)]
LEVEL = 0.15
NOISE_DB = 35


def main(out):
    random = np.random.Generator(np.random.PCG64(7))
    hertz = np.fft.rfftfreq(FRAMES, 1 / RATE)
    omega = 2 * np.pi * hertz
    pink = np.where((hertz >= 20) & (hertz <= 20_000), np.maximum(hertz, 1) ** -0.5, 0)
    spectrum = random.standard_normal(len(hertz)) + 1j * random.standard_normal(len(hertz))
    spectrum *= pink
    turn = -omega * DELAY
    for seconds, sign, departure in EQUALISER:
        wt = omega * seconds
        turn -= sign * departure * wt / (1 + wt**2)
    left = np.fft.irfft(spectrum, FRAMES)
    right = np.fft.irfft(spectrum * np.exp(1j * turn), FRAMES)
    scale = LEVEL / np.sqrt(np.mean(left**2))
    noise = LEVEL * 10 ** (-NOISE_DB / 20)
    channels = [scale * c + noise * random.standard_normal(FRAMES) for c in (left, right)]
    soundfile.write(out, np.array(channels).T, RATE, subtype="PCM_16")


if __name__ == "__main__":
    main(*sys.argv[1:])
