"""Real programme for the dossier: excerpts of freely licensed packages.

    material.py delayed PIECE FOLDER_OF_PACKAGES WORK_FOLDER SEEDS
    material.py mono PIECE FOLDER_OF_PACKAGES WORK_FOLDER

PIECE is a JSON object: "package", "files" (patterns below the package's folder,
joined in the order of their names), "row" (its name, by which its noise differs from others'), "start" and "length" in seconds, "rate" in
hertz, "shift" in samples at 64 times that rate.

delayed brings the mono excerpt to 64 times the output's rate and moves the right
channel by a whole number of samples there, so the delay is exact by construction
and made by nothing of this repository. Each of SEEDS files 1.wav, 2.wav, ... has white
noise of its own on either channel, 35 dB below the programme.
mono writes the excerpt as mono.wav, at the rate of its file.
"""

import json
import pathlib
import sys
import zlib

import numpy as np
import scipy.fft
import soundfile

OVERSAMPLING = 64
NOISE_DB = 35.0


def excerpt(piece, packages):
    """Samples of the mono excerpt and their rate."""
    folder = pathlib.Path(packages) / piece["package"]
    files = sorted(f for pattern in piece["files"] for f in folder.glob(pattern))
    if not files:
        sys.exit(f"{folder} holds no {piece['files']}")
    parts, rate = [], None
    for file in files:
        samples, own = soundfile.read(file, dtype="float64", always_2d=True)
        rate = rate or own
        if own == rate:
            parts.append(samples.mean(axis=1))
        if sum(map(len, parts)) >= (piece["start"] + piece["length"]) * rate:
            break
    start = int(piece["start"] * rate)
    samples = np.concatenate(parts)[start : start + int(piece["length"] * rate)]
    if len(samples) < piece["length"] * rate:
        sys.exit(f"{piece['package']} is shorter than {piece['length']} s")
    return samples, rate


def delayed(piece, packages):
    """Left and right without noise, largest value 1/2."""
    samples, own = excerpt(piece, packages)
    seconds, rate = piece["length"], piece["rate"]
    spectrum = scipy.fft.rfft(samples)
    fine = seconds * rate * OVERSAMPLING
    # Band-limited below half of either rate, so that the samples taken out of
    # the fine grid are those of the delayed signal without aliasing.
    top = min(len(spectrum), int(0.48 * min(rate, own) * seconds))
    padded = np.zeros(fine // 2 + 1, dtype=complex)
    padded[1:top] = spectrum[1:top]
    dense = scipy.fft.irfft(padded, fine, workers=2)
    left = dense[::OVERSAMPLING]
    right = np.roll(dense, piece["shift"])[::OVERSAMPLING]
    return np.array([left, right]) * (0.5 / np.max(np.abs(left)))


def main(arguments):
    mode, piece, packages, work = arguments[:4]
    piece, work = json.loads(piece), pathlib.Path(work)
    if mode == "mono":
        samples, rate = excerpt(piece, packages)
        samples = 0.9 * samples / np.max(np.abs(samples))
        soundfile.write(work / "mono.wav", samples, rate, subtype="PCM_24")
        return
    stereo = delayed(piece, packages)
    rms = np.sqrt(np.mean(stereo[0] ** 2)) * 10 ** (-NOISE_DB / 20)
    for seed in range(1, int(arguments[4]) + 1):
        chances = np.random.SeedSequence([seed, zlib.crc32(piece["row"].encode())])
        random = np.random.Generator(np.random.PCG64(chances))
        noisy = stereo + rms * random.standard_normal(stereo.shape)
        soundfile.write(work / f"{seed}.wav", noisy.T, piece["rate"], subtype="PCM_24")


if __name__ == "__main__":
    main(sys.argv[1:])
