"""Second, independent generator: recordings of mono cuts with everything drawn, and known truth.

    drawn.py PROGRAM FOLDER --count N --first SEED --json OUT [--off a,b] [--only a,b] [--keep] [--quiet]
    drawn.py --table OUT             tables of results written before
    drawn.py PROGRAM FOLDER --jobs N --first SEED --json OUT    jobs of six recordings

Nothing of the program nor of cartridge.py is used. Physics runs in the time domain at four times
44.1 or 48 kHz (digital biquads by the bilinear transform, scipy sosfilt), then is decimated by
cropping the spectrum of the whole recording.

    programme v -> wow -> walls l = v, r = v delayed (phase on the whole signal)
    + surface noise, rumble, clicks on the walls
    -> vertical response unlike lateral:  l,r +- (rho - 1)(l - r)/2,  rho = Hv/Hl a biquad and a shelf
    -> crosstalk  l + c1 r,  r + c2 l :  c = g + h B(s); B first-order high-pass, resonant high-pass
       or band-pass; |c| at 1 kHz and at 10 kHz are drawn, phase is what B makes
    -> tip resonance per channel (second-order low-pass), coil with loss resistor and winding
       resistance into load R, C (second order with a zero)
    -> equaliser part errors (ratio of actual to nominal, three time constants), gain, hiss -> converter

TRUTH = delay * (1 - Re(c1 + c2) at 1 kHz), c1 = M12/M11, c2 = M21/M22 of the whole 2 x 2 response M
(crosstalk and vertical response), first order, as cartridge.py defines it. `truth2` keeps the exact
small-delay scale Re[(1 - c1 c2) / ((1 + c1)(1 + c2))] at 1 kHz for comparison. Skew of record, cutter
and chain: zero.

A job plays one record with one cartridge of a grade and with a ball: at 33 1/3 and 45 rpm, with its leads swapped, turned by
4 degrees each way, and the ball once. Drawn: rotation, cut, sizes of the tips, lever and rotation of the ball, skews of cutter
and chain, and what is read of radius, speed and turn; from them the paths, by docs/method.md. Of a spherical tip the cut is
seen alone. TRUTH = the rotation.

Each effect draws from a stream of its own ([seed, crc of name]), so --off switches one off alone.
Grade and programme go round with the seed (programme = seed % 8, grade = seed // 8 % 3); all else drawn.
"""
import argparse, json, os, subprocess, sys, zlib
import numpy as np
from scipy import fft, signal

GRADES = ["good", "usual", "poor"]
PROGRAMMES = ["pink", "white", "plucked", "chords", "speech", "tones", "tone1k", "quiet"]
# beside these, --off xtalkdiff makes the crosstalk alike both ways (half the sum), xtalksum opposed (half the
# difference); xtalkfreq leaves the drawn size at 1 kHz, real
EFFECTS = ["coil", "tip", "vertical", "xtalk", "xtalkfreq", "riaa", "gain", "noise", "noisecorr",
           "rumble", "clicks", "wow", "quant", "hiss"]
BY = {  # good, usual, poor
    "sep": [(28, 35), (22, 28), (18, 22)], "coil": [.01, .02, .03], "tip": [.01, .025, .04],
    "gain": [.5, 1., 2.], "noise": [50, 40, 30], "vert": [.02, .04, .06], "riaa": [.005, .01, .015],
    "clicks": [.05, .3, 1.5], "rumble": [55, 48, 42],
}
PI2 = 2 * np.pi


def stream(seed, name):
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


def rms(x):
    return np.sqrt(np.mean(x * x)) + 1e-30


# ---------------------------------------------------------------- programmes, at the base rate
def plucked(g, n, fs, density=4.0):
    x = np.zeros(n)
    at = 0.02
    while at < n / fs - 0.2:
        i = int(at * fs)
        p = int(round(fs / (82 * 2 ** (g.uniform(0, 3.2)))))
        loss = g.uniform(.985, .998) if p > 150 else g.uniform(.993, .9992)
        length = min(n - i, int(g.uniform(.3, 1.5) * fs))
        s = g.uniform(.2, .5)  # of the two-point mean: brightness
        row = g.normal(size=p)
        row -= row.mean()
        k = length // p + 1
        out = np.empty((k, p))
        for j in range(k):
            out[j] = row
            row = loss * ((1 - s) * row + s * np.concatenate((row[-1:], row[:-1])))
        x[i:i + length] += g.uniform(.3, 1) * out.ravel()[:length]
        at += g.exponential(1 / density)
    return x


def chords(g, n, fs):
    t = np.arange(n)
    x = np.zeros(n)
    size = 4096
    i = 0
    while i < n:
        m = min(n - i, int(fs * g.uniform(.6, 2)))
        root = 65 * 2 ** (g.integers(0, 24) / 12)
        bright = g.uniform(.7, 1.4)
        for semi in [0, 7, 12, 12 + g.integers(3, 5), 19 + g.integers(0, 5)]:
            f = root * 2 ** (semi / 12) * (1 + g.normal(0, 4e-4))
            h = np.arange(size // 2 + 1)
            keep = (h >= 1) & (h * f < 16000)
            z = np.where(keep, np.exp(1j * g.uniform(0, PI2, h.size)) / np.maximum(h, 1) ** bright, 0)
            table = np.append(np.fft.irfft(z, size), 0)
            table[-1] = table[0]
            ph = (t[:m] * (f / fs) + g.random()) % 1 * size
            j = ph.astype(int)
            w = table[j] + (ph - j) * (table[j + 1] - table[j])
            env = np.minimum(1, t[:m] / (.01 * fs)) * np.minimum(1, t[:m][::-1] / (.03 * fs))
            x[i:i + m] += w / rms(w) * env * g.uniform(.5, 1)
        i += m
    beat = 60 / g.uniform(80, 140) / 2
    hp = signal.butter(2, 6000, "high", fs=fs, output="sos")
    for k in range(int(n / fs / beat)):
        i = int(k * beat * fs)
        m = min(n - i, int(.25 * fs))
        s = t[:m] / fs
        if k % 4 == 0:
            x[i:i + m] += 7 * np.sin(PI2 * (50 * s + 4 * (1 - np.exp(-s * 30)))) * np.exp(-s * 14)
        if k % 4 == 2:
            x[i:i + m] += 3 * g.normal(size=m) * np.exp(-s * 22)
        x[i:i + m] += 1.5 * signal.sosfilt(hp, g.normal(size=m)) * np.exp(-s * 60)
    return x


def speech(g, n, fs):
    x = np.zeros(n)
    base = g.uniform(85, 220)
    i, phase = int(.1 * fs), 0.
    edge = int(.012 * fs)
    while i < n - fs // 10:
        u = g.random()
        if u < .17:
            i += int(g.uniform(.15, .8) * fs)
            continue
        m = min(n - i, int(g.uniform(.06, .22) * fs))
        s = np.linspace(0, 1, m)
        if u < .78:
            f = base * 2 ** (g.normal(0, .15) + g.normal(0, .1) * s)
            ph = phase + np.cumsum(f) / fs
            e = (np.diff(np.floor(ph), prepend=np.floor(phase)) > 0).astype(float)
            phase = ph[-1] % 1
            e = signal.lfilter([1], [1, -np.exp(-PI2 * 300 / fs)], e) + .01 * g.normal(size=m)
            form, size = [g.uniform(250, 850), g.uniform(850, 2300), g.uniform(2300, 3100), g.uniform(3200, 4500)], 1
        else:
            e = g.normal(size=m) * .25
            form, size = [g.uniform(2500, 5000), g.uniform(5000, 8500)], .3
        y = np.zeros(m)
        for k, f in enumerate(form):
            r = np.exp(-np.pi * (60 + .08 * f) / fs)
            y += signal.lfilter([1 - r], [1, -2 * r * np.cos(PI2 * f / fs), r * r], e) / (1 + .6 * k)
        w = np.minimum(1, np.minimum(np.arange(m), np.arange(m)[::-1]) / edge)
        x[i:i + m] += size * g.uniform(.4, 1) * y / rms(y) * w
        i += m
    return x + 1e-4 * g.normal(size=n)


def tones(g, n, fs):
    t = np.arange(n) / fs
    if g.random() < .5:
        lo, hi, per = 40., g.uniform(14e3, 18e3), n / fs / g.integers(1, 3)
        s = t % per / per
        return np.sin(PI2 * per * lo * ((hi / lo) ** s - 1) / np.log(hi / lo)) * (1000 / (lo * (hi / lo) ** s)) ** g.uniform(0, .4)
    step = g.uniform(1.5, 4)
    f = np.array([300, 1000, 3150])[(t // step).astype(int) % 3] * (1 + g.normal(0, .002))
    return np.sin(PI2 * np.cumsum(f) / fs)


def programme(kind, g, n, fs):
    if kind in ("pink", "white"):
        z = np.fft.rfft(g.normal(size=n))
        if kind == "pink":
            z /= np.sqrt(np.arange(z.size) + 20.)
        x = np.fft.irfft(z, n)
    elif kind == "quiet":
        x = plucked(g, n, fs, 6) if g.random() < .5 else chords(g, n, fs)
    elif kind == "tone1k":
        x = np.sin(PI2 * 1000 * (1 + g.normal(0, .003)) * np.arange(n) / fs)
    else:
        x = {"plucked": plucked, "chords": chords, "speech": speech, "tones": tones}[kind](g, n, fs)
    z = np.fft.rfft(x)
    f = np.fft.rfftfreq(n, 1 / fs)
    fc = g.uniform(13e3, 19e3)
    z *= 1 / np.sqrt(1 + (f / fc) ** 24) / (1 + (30 / np.maximum(f, 1)) ** 4)
    return z  # spectrum at the base rate


# ---------------------------------------------------------------- filters
def bi(b, a, fs):
    """Biquad (ascending powers of s) to one digital section."""
    b, a = signal.bilinear(b[::-1], a[::-1], fs)
    z = np.zeros(6)
    z[:b.size], z[3:3 + a.size] = b, a
    return z[None, :] / z[3]


def at(sos, f, fs):
    return signal.sosfreqz(sos, np.array([f]), fs=fs)[1][0]


def run(sos, x):
    return signal.sosfilt(sos, x)


def coil(l, r, c, rc, rp, fs):
    # Z = rc + s l rp / (rp + s l);  out/in = 1 / (1 + Z (1/r + s c))
    a0 = rp + rc * rp / r
    a1 = l + (rc * l + rp * l) / r + rc * rp * c
    a2 = (rc * l + rp * l) * c
    k = a0 / rp
    return bi(np.array([rp, l]) * k, np.array([a0, a1, a2]), fs)


def resonance(f0, q, fs):
    w = PI2 * f0
    return bi(np.array([1.]), np.array([1, 1 / (w * q), 1 / w**2]), fs)


class Cartridge:
    def __init__(self, seed, grade, fs, off, chain=None):
        """`chain`: the seed of the equaliser's parts, if another."""
        q = lambda name: stream(seed, name)
        by = lambda name: BY[name][grade]
        sign = lambda g: g.choice([-1, 1])
        self.drawn = d = {}
        # coil and load
        g = q("coil")
        l, r, c = g.uniform(.3, .7), 47e3, g.uniform(150, 320) * 1e-12
        rc, rp = g.uniform(400, 1500), g.uniform(60e3, 250e3)
        m = by("coil")
        u = np.array([m * g.uniform(.5, 1.5) * sign(g), m / 2 * g.uniform(-1, 1), m * g.uniform(-1, 1)])
        if "coil" in off: u *= 0
        d["coil"] = [l, c, *u]
        left = [coil(l * (1 + u[0] / 2), r * (1 + u[1] / 2), c * (1 + u[2] / 2), rc, rp, fs)]
        right = [coil(l * (1 - u[0] / 2), r * (1 - u[1] / 2), c * (1 - u[2] / 2), rc, rp, fs)]
        # tip and groove
        g = q("tip")
        f0, qq = g.uniform(17e3, 24e3), g.uniform(1.2, 3)
        u = np.array([by("tip") * g.uniform(.5, 1.5) * sign(g), 2 * by("tip") * g.normal()])
        if "tip" in off: u *= 0
        d["tip"] = [f0, qq, *u]
        left.append(resonance(f0 * (1 + u[0] / 2), qq * (1 + u[1] / 2), fs))
        right.append(resonance(f0 * (1 - u[0] / 2), qq * (1 - u[1] / 2), fs))
        # equaliser parts
        g = q("riaa") if chain is None else stream(chain, "riaa")
        u = by("riaa") * g.normal(size=(2, 3))
        if "riaa" in off: u *= 0
        d["riaa"] = list(100 * (u[0] - u[1]))
        self.chain = [], []
        for side, e in zip(self.chain, u):
            for k, (tau, pole) in enumerate(((3180e-6, 1), (318e-6, 0), (75e-6, 1))):
                ta, tn = tau * (1 + e[k]), tau
                side.append(bi(np.array([1, tn if pole else ta]), np.array([1, ta if pole else tn]), fs))
        self.left, self.right = np.concatenate(left), np.concatenate(right)
        self.chain = [np.concatenate(side) for side in self.chain]
        g = q("gain")
        db = by("gain") * g.uniform(-1, 1)
        if "gain" in off: db = 0
        d["gain_db"] = db
        self.gain = 10 ** (db / 40)
        # vertical response over lateral
        g = q("vertical")
        m = by("vert")
        fv, qv = f0 * (1 + m * g.normal()), qq * (1 + 2 * m * g.normal())
        v0, sh, fsh = 1 + m / 3 * g.normal(), 1 + m * g.normal(), g.uniform(3e3, 9e3)
        if "vertical" in off: fv, qv, v0, sh = f0, qq, 1, 1
        d["vertical"] = [fv / f0, qv / qq, v0, sh, fsh]
        w, wv, ws = PI2 * f0, PI2 * fv, PI2 * fsh
        self.rho = np.concatenate([
            bi(np.array([1, 1 / (w * qq), 1 / w**2]), np.array([1, 1 / (wv * qv), 1 / wv**2]), fs),
            bi(np.array([1, sh / ws]) * v0, np.array([1, 1 / ws]), fs)])
        # crosstalk
        self.c = []
        for name in ("xtalk1", "xtalk2"):
            g = q(name)
            s1 = g.uniform(*by("sep"))
            s10 = max(s1 - g.uniform(2, 9), 11)
            kind = g.integers(0, 3)
            fb, qb = g.uniform(6e3, 16e3), g.uniform(.7, 1.8)
            w = PI2 * fb
            B = [bi(np.array([0, 1 / w]), np.array([1, 1 / w]), fs),
                 bi(np.array([0, 0, 1 / w**2]), np.array([1, 1 / (w * qb), 1 / w**2]), fs),
                 bi(np.array([0, 1 / (w * qb)]), np.array([1, 1 / (w * qb), 1 / w**2]), fs)][kind]
            b1, b10 = at(B, 1000, fs), at(B, 10000, fs)
            A1, A10 = 10 ** (-s1 / 20), 10 ** (-s10 / 20)
            sg, sh_ = sign(g), sign(g)
            # g0 + h b: |.| = A1 at 1 kHz, A10 at 10 kHz, h by a search over its real values
            h = np.linspace(0, 3 * A10 / abs(b10), 4001) * sh_
            im = h * b1.imag
            ok = np.abs(im) < A1
            g0 = np.sqrt(np.maximum(A1**2 - im**2, 0)) - h * b1.real
            miss = np.where(ok, np.abs(np.abs(g0 + h * b10) - A10), 9)
            k = np.argmin(miss)
            g0, h = sg * g0[k], sg * h[k]
            if "xtalkfreq" in off: g0, h = sg * A1, 0.
            if "xtalk" in off: g0 = h = 0.
            d[name] = [s1, s10, int(kind), fb, qb, g0, h]
            self.c.append((g0, h, B))
        # what goes into left (right into left), into right: sums of the two drawn, half of sum and difference
        p, q_ = (0 if "xtalksum" in off else .5), (0 if "xtalkdiff" in off else .5)
        self.mix = [[p + q_, p - q_], [p - q_, p + q_]]
        self.fs = fs

    def matrix(self, f):
        rho = at(self.rho, f, self.fs)
        V = np.array([[1 + rho, 1 - rho], [1 - rho, 1 + rho]]) / 2
        c = [g0 + h * at(B, f, self.fs) for g0, h, B in self.c]
        c = np.array(self.mix) @ np.array(c)
        return np.array([[1, c[0]], [c[1], 1]]) @ V

    def cross(self, f):
        m = self.matrix(f)
        return m[0, 1] / m[0, 0], m[1, 0] / m[1, 1]

    def play(self, l, r, swapped=False):
        dv = (l - r) / 2
        dv = run(self.rho, dv) - dv
        l, r = l + dv, r - dv
        def into(row, x):
            return sum(m * (g0 * x + (h * run(B, x) if h else 0)) for m, (g0, h, B) in zip(row, self.c) if m)
        a, b = l + into(self.mix[0], r), r + into(self.mix[1], l)
        a, b = run(self.left, a) * self.gain, run(self.right, b) / self.gain
        return [run(side, x) for side, x in zip(self.chain, (b, a) if swapped else (a, b))]


def recording(seed, off, of=None):
    """`of` a job: what is not drawn for this recording by itself."""
    grade, kind = seed // 8 % 3, PROGRAMMES[seed % 8]
    if of: grade, kind = of["grade"], of["programme"]
    g = stream(seed, "frame")
    rate = int(g.choice([44100, 48000, 96000, 192000]))
    bits, seconds = int(g.choice([16, 24])), int(g.uniform(10, 25) * 5) / 5
    delay = g.uniform(-5e-6, 5e-6)
    if of: delay, rate = of["delay"], of["rate"]
    info = dict(seed=seed, grade=GRADES[grade], programme=kind, rate=rate, bits=bits, seconds=seconds, delay_us=delay * 1e6)
    base = 44100 if rate == 44100 else 48000
    fs, nb = 4 * base, int(round(seconds * base))
    nb -= nb % 2
    n = 4 * nb
    zb = programme(kind, stream(seed, "programme"), nb, base)
    # wow: time warp before the walls
    g = stream(seed, "wow")
    depth, flutter = g.uniform(2e-4, 2e-3), g.uniform(5e-5, 5e-4)
    ph, f2 = g.uniform(0, PI2, 2), g.uniform(5, 11)
    v = fft.irfft(zb, nb)
    t = np.arange(nb) / base
    if "wow" not in off:
        f1 = 100 / 3 / 60
        w = depth / (PI2 * f1) * np.sin(PI2 * f1 * t + ph[0]) + flutter / (PI2 * f2) * np.sin(PI2 * f2 * t + ph[1])
        v = np.interp(t + w, t, v)
        info["wow"] = depth
    W = PI2 * fft.rfftfreq(nb, 1 / base)
    late = np.exp(-1j * W * delay)
    v = fft.rfft(v / rms(v))
    # surface noise: white or rising velocity through the nominal playback equaliser
    g = stream(seed, "noise")
    level = 10 ** (-BY["noise"][grade] / 20)
    near = g.uniform(8, 16)
    if kind == "quiet": level = 10 ** (-near / 20)
    rise = g.uniform(0, 1)
    s = 1j * W
    shape = (1 - rise + rise * (1 + s / (PI2 * 800)) / (1 + s / (PI2 * 12000)) / 4) * s / (s + PI2 * 50)
    shape = shape * (1 + s * 318e-6) / ((1 + s * 3180e-6) * (1 + s * 75e-6))
    def unit(x):
        return x / (np.sqrt(2 * np.sum(np.abs(x) ** 2)) / nb)
    def grain():
        return unit(fft.rfft(g.normal(size=nb)) * shape)
    a, b = grain(), grain()
    gc = stream(seed, "noisecorr")
    what, share = gc.choice(["none", "none", "vertical", "lateral"]), gc.uniform(.05, .4)
    if "noisecorr" in off: what = "none"
    if "noise" in off: level = 10 ** (-75 / 20)
    info["noise"] = [20 * np.log10(level), rise, str(what), share if what != "none" else 0.]
    if what != "none":
        c = grain()
        k, m = np.sqrt(share), np.sqrt(1 - share)
        a = m * a + k * c
        b = m * b - k * c if what == "vertical" else m * b + k * c * late
    l, r = v + level * a, v * late + level * b
    # rumble: below 80 Hz, mostly vertical, and a hum of the motor
    g = stream(seed, "rumble")
    if "rumble" not in off:
        lv = 10 ** (-(BY["rumble"][grade] + g.normal(0, 4)) / 20)
        top = g.uniform(40, 80)
        lp = (s / (s + PI2 * 8)) ** 2 / (1 + s / (PI2 * top)) ** 4
        ver, lat = (lv * unit(fft.rfft(g.normal(size=nb)) * lp) for _ in range(2))
        lat = .6 * lat + fft.rfft(.2 * lv * np.sin(PI2 * 100 * t + g.uniform(0, PI2)))
        l += lat + ver
        r += lat - ver
    def up(x):
        z = np.zeros(n // 2 + 1, complex)
        z[:x.size - 1] = x[:-1] * (n / nb)
        return fft.irfft(z, n)
    l, r = up(l), up(r)
    # clicks
    g = stream(seed, "clicks")
    per = BY["clicks"][grade] * np.exp(g.normal(0, .6))
    if "clicks" not in off:
        count = g.poisson(per * seconds)
        info["clicks"] = int(count)
        for _ in range(count):
            i = g.integers(0, n - 2000)
            width = g.uniform(15e-6, 200e-6) * fs
            m = int(width * 6)
            s = np.arange(m) / width
            p = np.exp(-s) * np.sin(s * g.uniform(1, 3)) * g.choice([-1, 1]) * 10 ** g.uniform(-.5, 1)
            u = g.random()
            if u < .7:
                (l if g.random() < .5 else r)[i:i + m] += p
            else:
                j = max(0, i + int(g.uniform(-20e-6, 20e-6) * fs))
                l[i:i + m] += p
                r[j:j + m] += p * g.uniform(.3, 1) * g.choice([-1, 1])
    cart = Cartridge(of["cartridge"], grade, fs, off, of["chain"]) if of else Cartridge(seed, grade, fs, off)
    info["drawn"] = cart.drawn
    c1, c2 = cart.cross(1000)
    info["c1"], info["c2"] = [c1.real, c1.imag], [c2.real, c2.imag]
    info["truth"] = delay * 1e6 * (1 - (c1 + c2).real)
    info["truth2"] = delay * 1e6 * ((1 - c1 * c2) / ((1 + c1) * (1 + c2))).real
    l, r = cart.play(l, r, bool(of) and of["swapped"])
    if of: r = fft.irfft(fft.rfft(r) * np.exp(-1j * PI2 * fft.rfftfreq(n, 1 / fs) * of["skew"]), n)
    # to the rate asked for
    k = fs // rate
    if k > 1:
        m = n // k
        f = np.arange(m // 2 + 1) / (m / 2)
        taper = np.where(f < .94, 1, np.cos(np.pi / 2 * np.clip((f - .94) / .06, 0, 1)) ** 2)
        l, r = (fft.irfft(fft.rfft(x)[:m // 2 + 1] * taper, m) / k for x in (l, r))
    g = stream(seed, "level")
    db = -g.uniform(28, 40) if kind == "quiet" else -g.uniform(2, 12)
    top = max(np.partition(np.abs(x), -max(2, x.size // 50000))[-max(2, x.size // 50000)] for x in (l, r))
    l, r = (x * (10 ** (db / 20) / top) for x in (l, r))
    info["peak_db"] = db
    g = stream(seed, "hiss")
    hiss = 10 ** (-g.uniform(78, 92) / 20)
    if "hiss" not in off:
        l = l + hiss * g.normal(size=l.size)
        r = r + hiss * g.normal(size=r.size)
    g = stream(seed, "quant")
    dither = g.random() < .5
    if "quant" in off: bits, dither = 24, False
    full = 2.0 ** (bits - 1)
    out = np.stack([l, r], 1) * full
    if dither: out += g.random(out.shape) - g.random(out.shape)
    return info, rate, bits, np.clip(np.round(out), -full, full - 1).astype("<i4")


def wav(path, rate, bits, x):
    import wave
    with wave.open(path, "wb") as f:
        f.setnchannels(2)
        f.setsampwidth(bits // 8)
        f.setframerate(rate)
        b = np.ascontiguousarray(x)
        f.writeframes(b.astype("<i2").tobytes() if bits == 16 else b.view(np.uint8).reshape(-1, 4)[:, :3].tobytes())


def measure(program, path, extra=()):
    done = subprocess.run(["nice", "-n", "15", program, "measure", path, "--radius", "70", "--rpm", "33", "--threads", "1", "--json", *extra],
                          capture_output=True, text=True)
    try:
        return json.loads(done.stdout)
    except json.JSONDecodeError:
        return {"refused": done.stderr.strip()[:300]}


def one(program, folder, seed, off=(), keep=False, extra=()):
    info, rate, bits, x = recording(seed, off)
    path = os.path.join(folder, f"drawn-{seed}.wav")
    wav(path, rate, bits, x)
    found = measure(program, path, extra)
    if not keep: os.remove(path)
    if "refused" in found or not found.get("delay_us"):
        return info | {"refused": found.get("refused", "no delay"), "warnings": [[w["code"], w["level"]] for w in found.get("warnings", [])]}
    d = found["delay_us"]
    return info | dict(value=d["value"], u=d["standard_uncertainty"], lower=d["lower"], upper=d["upper"],
                       error=d["value"] - info["truth"], error2=d["value"] - info["truth2"],
                       rotation=found["rotation_deg"], in_doubt=found["in_doubt"],
                       warnings=[[w["code"], w["level"]] for w in found["warnings"]],
                       messages=[w["message"] for w in found["warnings"] if w["level"] != "note"])


def job(program, folder, seed, off):
    """One job: its truth, and what `solve` finds."""
    g = stream(seed, "job")
    grade, kind = seed % 3, ["pink", "white", "plucked", "chords", "speech"][seed // 3 % 5]
    deg = np.pi / 180
    rotation, cut = g.uniform(-6, 6) * deg, .5 * g.normal() * deg
    front, side = (18 + g.normal()) * 1e-6, (8 + g.normal()) * 1e-6
    ball, lever, mounted = (18 + .5 * g.normal()) * 1e-6, g.normal() * 1e-6, 3 * g.normal() * deg
    skew, cutter = .5e-6 * g.normal(), .1e-6 * g.normal()
    rate, half = int(g.choice([44100, 48000, 96000])), np.sqrt(.5)
    text = f"""format = 1
[cartridge.E]
profile = "elliptical"
frontal_radius_um = 18
side_radius_um = 8
[cartridge.S]
profile = "spherical"
frontal_radius_um = {{ value = 18, u = 0.5 }}
[setup.E]
cartridge = "E"
arm = "tangential"
[setup.S]
cartridge = "S"
arm = "tangential"
"""
    played = [("E", 100 / 3, 0, False), ("E", 45, 0, False), ("E", 100 / 3, 0, True),
              ("E", 100 / 3, 4, False), ("E", 100 / 3, -4, False), ("S", 100 / 3, 0, False)]
    for k, (tip, rpm, turn, swapped) in enumerate(played):
        z = rotation + turn * deg + (.2 * deg * g.normal() if turn else 0)
        if tip == "E":
            path = 2 * half * (front - side) * np.sin(z) * np.cos(z) / np.sqrt(half**2 * np.cos(z) ** 2 + half**2)
            path -= 2 * front * half * np.tan(cut)
        else:
            path = lever * np.sin(mounted) - 2 * ball * half * np.tan(cut)
        speed = PI2 * .070 * rpm * (1 + .0015 * g.normal()) / 60
        of = dict(grade=grade, programme=kind, rate=rate, delay=path / speed + cutter, cartridge=1000 * seed + (tip == "S"),
                  chain=seed, swapped=swapped, skew=skew)
        _, rate, bits, x = recording(1000 * seed + 10 + k, off, of)
        wav(os.path.join(folder, f"job-{k}.wav"), rate, bits, x)
        text += (f'[[capture]]\nfile = "job-{k}.wav"\nsetup = "{tip}"\nrpm = {33 if rpm < 40 else rpm}\nradius_mm = {70 + .5 * g.normal():.3f}\n'
                 + f'turn_deg = {turn}\n' * bool(turn) + 'leads = "swapped"\n' * swapped)
    path = os.path.join(folder, "job.toml")
    with open(path, "w") as f: f.write(text)
    done = subprocess.run(["nice", "-n", "15", program, "solve", path, "--json"], capture_output=True, text=True)
    info = dict(seed=seed, grade=GRADES[grade], programme=kind, truth=rotation / deg, truth2=rotation / deg)
    if done.returncode == 2:
        return info | {"refused": done.stderr.strip()[:300], "warnings": []}
    found = json.loads(done.stdout)
    q = next(s for s in found["setups"] if s["name"] == "E")["rotation_deg"]
    error = q["value"] - info["truth"]
    return info | dict(value=q["value"], u=q["standard_uncertainty"], error=error, error2=error, delay_us=0, rate=rate, bits=bits,
                       held=q["lower"] <= info["truth"] <= q["upper"], in_doubt=found["in_doubt"],
                       warnings=[[w["code"], w["level"]] for w in found["warnings"]])


def job_table(rows):
    for name in [*GRADES, "all"]:
        some = [r for r in rows if name in (r["grade"], "all")]
        sure = [r for r in some if not doubtful(r)]
        if not sure: continue
        e, u = (np.array([r[key] for r in sure]) for key in ("error", "u"))
        print(f"{name:6} jobs {len(some):4} in doubt {len(some) - len(sure):3} | 95 % bands hold {sum(r['held'] for r in sure):4} of {len(sure):4}"
              f"  rms e/u {np.sqrt(np.mean((e / u) ** 2)):.2f}  median |e| {np.median(abs(e)):.2f} deg  median u {np.median(u):.2f} deg")


def doubtful(r):
    return bool(r.get("in_doubt")) or any(l == "serious" for _, l in r["warnings"]) or "refused" in r


def line(name, rows, key="error"):
    ok = [r for r in rows if not doubtful(r)]
    if not ok: return f"{name:16} n {len(rows):4} serious {len(rows):4}"
    e, u = np.array([r[key] for r in ok]), np.array([r["u"] for r in ok])
    q = abs(e / u)
    return (f"{name:16} n {len(rows):4} serious {len(rows) - len(ok):4} | inside {100 * np.mean(q < 1.96):5.1f} %  rms e/u {np.sqrt(np.mean(q**2)):5.2f}"
            f"  median |e| {np.median(abs(e)):.3f}  median u {np.median(u):.3f}  worst |e/u| {q.max():5.2f}  >3u {np.sum(q > 3):3}")


def table(rows):
    for key, what in (("error", "truth 1 - Re(c1+c2) at 1 kHz"), ("error2", "exact small-delay scale at 1 kHz")):
        print("\n" + what)
        for field, names in (("grade", GRADES), ("programme", PROGRAMMES)):
            for n in names: print(line(n, [r for r in rows if r[field] == n], key))
        print(line("all", rows, key))
    print("\nper grade and programme (first truth): inside/number without doubt")
    for n in PROGRAMMES:
        print(f"{n:10}", *(lambda o: f"{g}: {sum(abs(r['error']) < 1.96 * r['u'] for r in o)}/{len(o)} of {sum(r['grade'] == g and r['programme'] == n for r in rows)}" for g in [])) if 0 else None
        cells = []
        for g in GRADES:
            a = [r for r in rows if r["grade"] == g and r["programme"] == n]
            o = [r for r in a if not doubtful(r)]
            cells.append(f"{g} {sum(abs(r['error']) < 1.96 * r['u'] for r in o)}/{len(o)} (of {len(a)})")
        print(f"{n:10}", "   ".join(cells))
    print("\nserious codes: grade, recordings, justified (|e| > 2 u), |e| > 0.5 us")
    seen = {}
    for r in rows:
        codes = [c for c, l in r["warnings"] if l == "serious"] + (["REFUSED"] if "refused" in r else [])
        for c in codes: seen.setdefault((c, r["grade"]), []).append(r)
    for (c, g), a in sorted(seen.items()):
        have = [r for r in a if "error" in r]
        print(f"{c:22} {g:6} {len(a):3}  justified {sum(abs(r['error']) > 2 * r['u'] for r in have):3}  |e|>0.5us {sum(abs(r['error']) > .5 for r in have):3}  programmes "
              + ", ".join(f"{p} {sum(r['programme'] == p for r in a)}" for p in PROGRAMMES if any(r["programme"] == p for r in a)))
    print("\nbeyond 3 u without a serious doubt")
    for r in sorted(rows, key=lambda r: -abs(r.get("error", 0) / r.get("u", 1))):
        if not doubtful(r) and abs(r["error"]) > 3 * r["u"]:
            print(f"{r['seed']:5} {r['grade']:6} {r['programme']:8} {r['rate']} {r['bits']} delay {r['delay_us']:6.3f} truth {r['truth']:6.3f} value {r['value']:6.3f} u {r['u']:.3f} e/u {r['error']/r['u']:6.2f} e2/u {r['error2']/r['u']:6.2f}  {[c for c, l in r['warnings'] if l == 'caution']}")


def main():
    p = argparse.ArgumentParser()
    p.add_argument("program", nargs="?")
    p.add_argument("folder", nargs="?", default=".")
    p.add_argument("--count", type=int, default=500)
    p.add_argument("--first", type=int, default=0)
    p.add_argument("--json")
    p.add_argument("--off", default="")
    p.add_argument("--only")
    p.add_argument("--keep", action="store_true")
    p.add_argument("--quiet", action="store_true")
    p.add_argument("--table")
    p.add_argument("--jobs", type=int)
    a = p.parse_args()
    if a.table:
        return table(json.load(open(a.table)))
    os.makedirs(a.folder, exist_ok=True)
    off = set(filter(None, a.off.split(",")))
    if a.only is not None: off = set(EFFECTS) - set(a.only.split(","))
    rows = []
    if a.jobs:
        for seed in range(a.first, a.first + a.jobs):
            rows.append(job(a.program, a.folder, seed, off))
            r = rows[-1]
            print(seed, r["grade"], r["programme"], r.get("refused") or f"truth {r['truth']:.2f} e {r['error']:.2f} u {r['u']:.2f} held {r['held']}",
                  [c for c, l in r["warnings"] if l != "note"], flush=True)
            if a.json:
                with open(a.json, "w") as f: json.dump(rows, f, default=float)
        return job_table(rows)
    for seed in range(a.first, a.first + a.count):
        r = one(a.program, a.folder, seed, off, a.keep)
        rows.append(r)
        if not a.quiet:
            print(seed, r["grade"], r["programme"], r["rate"], r.get("refused") or f"truth {r['truth']:.3f} e {r['error']:.3f} u {r['u']:.3f} e/u {r['error']/r['u']:.2f}",
                  [c for c, l in r["warnings"] if l == "serious"], [c for c, l in r["warnings"] if l == "caution"], flush=True)
        if a.json and (seed % 10 == 9 or seed == a.first + a.count - 1):
            with open(a.json, "w") as f: json.dump(rows, f)
    table(rows)


if __name__ == "__main__":
    main()
