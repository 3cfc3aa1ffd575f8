"""Cross-spectrum, coherence and delay of a recording by SciPy.

An outside opinion on src/spectrum and src/delay: SciPy's `csd` and
`coherence` with the same window and overlap, and a plain weighted
least-squares fit of the phase with the three equaliser terms. Nothing is
shared with the Rust code but the formulas of its documentation.

    spectrum.py WAV FROM TO OUT.json

FROM and TO are frames of the recording. tests/cross_check.rs holds the crate
against the committed results; compare.py holds these against new ones.
"""

import hashlib
import json
import pathlib
import platform
import sys

import numpy as np
import scipy
import scipy.optimize
import scipy.signal
import soundfile

BAND_HZ = (100.0, 15000.0)
# Time constants of the playback equaliser (IEC 60098), seconds; a pole delays
# the right channel, a zero advances it.
EQUALISER = [(3180e-6, 1.0), (318e-6, -1.0), (75e-6, 1.0)]
# Right minus left, two parts of one per cent in each channel.
PRIOR_U = 0.02
# Every so many bins are written down.
STEP = 8


def window(length):
    """Kaiser-Bessel-derived, alpha = 5, by SciPy."""
    return scipy.signal.windows.kaiser_bessel_derived(length, np.pi * 5)


def frame_length(rate):
    """The power of two nearest to 85.3 ms."""
    return 1 << round(np.log2(0.0853 * rate))


def analyse(path, first, last):
    samples, rate = soundfile.read(path, dtype="float64", always_2d=True)
    left, right = samples[first:last, 0], samples[first:last, 1]
    length = frame_length(rate)
    w = window(length)
    common = dict(
        fs=rate, window=w, nperseg=length, noverlap=length // 2, detrend=False
    )
    hertz, cross = scipy.signal.csd(right, left, scaling="spectrum", **common)
    _, power_left = scipy.signal.welch(left, scaling="spectrum", **common)
    _, power_right = scipy.signal.welch(right, scaling="spectrum", **common)
    _, coherence = scipy.signal.coherence(left, right, **common)
    frames = (len(left) - length) // (length // 2) + 1
    # SciPy divides by the square of the window's sum and doubles for the
    # negative frequencies; the crate keeps plain sums over frames.
    sums = frames * w.sum() ** 2 / 2

    used = np.flatnonzero((hertz >= BAND_HZ[0]) & (hertz <= BAND_HZ[1]))
    rho = np.dot(w[: length // 2], w[length // 2 :]) / np.dot(w, w)
    averages = frames / (1 + 2 * (1 - 1 / frames) * rho**2)
    c = np.clip((coherence[used] - 1 / averages) / (1 - 1 / averages), 0, 1 - 1e-9)
    information = frames * c / (1 - c)
    phase = np.angle(cross[used])
    omega = 2 * np.pi * hertz[used]
    shapes = [omega * 1e-6]
    for seconds, sign in EQUALISER:
        wt = omega * seconds
        shapes.append(sign * wt / (1 + wt**2))
    design = np.array(shapes).T

    def residuals(x):
        data = np.angle(np.exp(1j * (phase - design @ x))) * np.sqrt(information)
        return np.concatenate([data, x[1:] / PRIOR_U])

    def jacobian(_):
        return np.vstack(
            [-design * np.sqrt(information)[:, None], np.eye(4)[1:] / PRIOR_U]
        )

    fit = scipy.optimize.least_squares(residuals, np.zeros(4), jacobian, xtol=1e-15)
    covariance = np.linalg.inv(fit.jac.T @ fit.jac)
    shown = used[::STEP]
    return {
        "program": {
            "python": platform.python_version(),
            "numpy": np.__version__,
            "scipy": scipy.__version__,
        },
        "file": pathlib.Path(path).name,
        "sha256": hashlib.sha256(pathlib.Path(path).read_bytes()).hexdigest(),
        "first_frame": first,
        "last_frame": last,
        "sample_rate_hz": rate,
        "frame_length": length,
        "frames": frames,
        "overlap_correlation": float(f"{rho:.12g}"),
        "bin": [int(k) for k in shown],
        "left": rounded(power_left[shown] * sums),
        "right": rounded(power_right[shown] * sums),
        "re": rounded(cross[shown].real * sums),
        "im": rounded(cross[shown].imag * sums),
        "coherence": rounded(coherence[shown]),
        "delay_us": float(f"{fit.x[0]:.12g}"),
        "standard_uncertainty_us": float(f"{np.sqrt(covariance[0, 0]):.12g}"),
        "terms": rounded(fit.x[1:]),
    }


def rounded(values):
    return [float(f"{v:.12g}") for v in values]


def main(arguments):
    path, first, last, out = arguments
    result = analyse(path, int(first), int(last))
    print(
        f"{result['file']}: {result['frames']} frames,"
        f" delay {result['delay_us']:.6f} us,"
        f" u {result['standard_uncertainty_us']:.6f} us (SciPy {scipy.__version__})"
    )
    pathlib.Path(out).write_text(json.dumps(result) + "\n")


if __name__ == "__main__":
    main(sys.argv[1:])
