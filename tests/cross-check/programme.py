"""Real programme: freely licensed music, delayed exactly, through `measure`.

    programme.py GROOVELAG FOLDER_OF_PACKAGES WORK_FOLDER

Each piece is decoded, made mono and cut to an excerpt; in the frequency domain
it is brought to 64 times the output's sample rate, and there one channel is
shifted by a whole number of samples, so the delay is exact by construction. Both
channels get white noise of their own, 35 dB below the programme. The delay that
`groovelag measure --json` gives must lie within 50 ns of the truth, and the
truth inside its band.

The pieces come from Debian packages, fetched when the check is run and not
kept in the repository:

fretsonfire-songs-sectoid 1.dfsg-3.1, Expat (MIT) licence, (c) 2006-2007 Carlos
    Viola Iborra: rock, dense and wide-band.
hyperrogue-music 12.0q-1, CC BY-SA 3.0, (c) Will Savino (the two "savino" pieces)
    and Shawn Parrotte ("crossroads"): orchestral and quiet, few harmonics.
"""

import json
import pathlib
import subprocess
import sys

import numpy as np
import scipy.fft
import soundfile

# Samples at 64 times the rate: 1 is 0.326 us at 48 kHz, 0.163 us at 96 kHz.
OVERSAMPLING = 64
NOISE_DB = 35.0
LIMIT_US = 0.050
# The 95 % band is a statement of probability: of four pieces one in five runs
# would miss once. The seeds are fixed, so a miss is a finding, not chance.
PIECES = [
    # package, path, start s, length s, output rate Hz, shift, seed
    (
        "fretsonfire-songs-sectoid",
        "usr/share/games/fretsonfire/data/songs/sectoid/Metal madness/song.ogg",
        30, 30, 48000, 19, 1,
    ),
    (
        "fretsonfire-songs-sectoid",
        "usr/share/games/fretsonfire/data/songs/sectoid/Feelings/song.ogg",
        60, 30, 96000, -23, 2,
    ),
    (
        "hyperrogue-music",
        "usr/share/hyperrogue/music/hr-savino-palace.ogg",
        10, 30, 48000, -7, 3,
    ),
    (
        "hyperrogue-music",
        "usr/share/hyperrogue/music/hr3-crossroads.ogg",
        10, 30, 48000, 11, 4,
    ),
]


def channels(path, start, seconds, rate, shift, seed):
    """Left and right of the excerpt, full scale 1."""
    info = soundfile.info(path)
    excerpt, _ = soundfile.read(
        path,
        start=start * info.samplerate,
        frames=seconds * info.samplerate,
        dtype="float64",
        always_2d=True,
    )
    mono = excerpt.mean(axis=1)
    count = seconds * rate
    fine = count * OVERSAMPLING
    spectrum = scipy.fft.rfft(mono)
    # Band-limited below half of either rate, so that the samples taken out of
    # the fine grid are those of the delayed signal without aliasing.
    top = min(len(spectrum), int(0.48 * min(rate, info.samplerate) * seconds))
    padded = np.zeros(fine // 2 + 1, dtype=complex)
    padded[1:top] = spectrum[1:top]
    dense = scipy.fft.irfft(padded, fine, workers=2)
    del padded
    left = dense[::OVERSAMPLING].copy()
    right = np.roll(dense, shift)[::OVERSAMPLING].copy()
    del dense
    scale = 0.5 / np.max(np.abs(left))
    noise = np.sqrt(np.mean(left**2)) * 10 ** (-NOISE_DB / 20)
    random = np.random.Generator(np.random.PCG64(seed))
    return [scale * (c + noise * random.standard_normal(count)) for c in (left, right)]


def main(arguments):
    program, packages, work = arguments
    failures = 0
    for package, path, start, seconds, rate, shift, seed in PIECES:
        source = pathlib.Path(packages) / package / path
        wav = pathlib.Path(work) / f"{source.parent.name}-{source.stem}.wav".replace(" ", "-")
        stereo = np.array(channels(source, start, seconds, rate, shift, seed)).T
        soundfile.write(wav, stereo, rate, subtype="PCM_24")
        run = subprocess.run(
            [program, "measure", wav, "--radius", "72", "--rpm", "33", "--json"],
            capture_output=True,
            text=True,
            check=False,
        )
        if run.returncode not in (0, 1):
            print(f"{wav.name}: exit status {run.returncode}: {run.stderr.strip()}")
            failures += 1
            continue
        result = json.loads(run.stdout)
        delay = result["delay_us"]
        truth = shift / (OVERSAMPLING * rate) * 1e6
        error = delay["value"] - truth
        close = abs(error) <= LIMIT_US
        inside = delay["lower"] <= truth <= delay["upper"]
        failures += not (close and inside)
        print(
            f"{'ok    ' if close and inside else 'FAILED'} {package} {source.stem}:"
            f" true {truth:+.6f} us, measured {delay['value']:+.6f},"
            f" error {1e3 * error:+.2f} ns, u {1e3 * delay['standard_uncertainty']:.2f} ns,"
            f" warnings {[w['code'] for w in result['warnings']]}"
        )
        wav.unlink()
    print(f"{len(PIECES) - failures} pieces passed, {failures} failed", flush=True)
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
