"""Drives `groovelag page` in headless Chromium as somebody at the turntable would.

    page.py GROOVELAG SCRATCH AXE

Type a radius, give the first recording, then what the page asks for; the last document
must equal `solve --json` on the folder. In every state, at 320 to 1280 pixels, light
and dark and in forced colours: nothing in the console, nothing fetched from elsewhere, nothing wider than the
window, every target 44 pixels high, every control named, and no violation found by AXE, the
script of axe-core (Deque Systems, MPL 2.0). Screenshots stay in SCRATCH.
Recordings are simulated; all is invented.

Then it listens, to Chromium's own false device, which plays a file: what is saved is what
was played, sample by sample; and each way in which listening can fail is brought about.
"""

import array
import atexit
import base64
import cmath
import json
import math
import pathlib
import resource
import shutil
import signal
import struct
import subprocess
import sys
import time
import wave

from pages import Browser, RECIPE

# What is played: name, how it differs; the kind of line it is dropped on.
TAKES = [("found", "found", 2.5, 33), ("speed", "speed", 2.5, 45), ("on", "turned-on", 6.5, 33),
         ("back", "turned-back", -1.5, 33), ("after", "after", -0.3, 33)]


def recordings(program, scratch):
    for name, _, rotation, rpm in TAKES:
        keys = dict(radius="70", rate=48000, rotation=rotation, snr=40, clicks=0)
        recipe = RECIPE.format(**keys).replace("rpm = 33", f"rpm = {rpm}")
        (scratch / "recipe.toml").write_text(f'name = "{name}"\n' + recipe)
        subprocess.run([program, "simulate", "recipe.toml", "-o", ".", "--force"], cwd=scratch, check=True,
                       capture_output=True)


# Further practitioners' jobs, all invented: what is typed and chosen; then each recording: the
# kind of its line, and how it differs from one of a stylus 2 degrees askew at 70 mm.
ELLIPTICAL = 'profile = "elliptical"\nfrontal_radius_um = 18\nside_radius_um = 8'
BALL = 'profile = "spherical"\nfrontal_radius_um = 16'
JOBS = {
    "repairer": (dict(radius="70", rpm="33", shape="line", sizes="40 x 5", arm="pivoted", effective="229", pivot="211",
                      offset="24", aligned="eye", tolerance="5"),
                 [("found", {ELLIPTICAL: 'profile = "line"\nfrontal_radius_um = 40\ncontact_spacing_um = 40\nside_radius_um = 5'}),
                  ("ball", {ELLIPTICAL: BALL}), ("side", {"seed = 8": "seed = 9"})]),
    "archivist": (dict(radius="70", rpm="33", shape="spherical", sizes="16", arm="unknown", aligned="eye"),
                  [("found", {ELLIPTICAL: BALL}), ("speed", {ELLIPTICAL: BALL, "rpm = 33": "rpm = 45"})]),
    "beginner": (dict(radius="2.756in", rpm="33", shape="unknown", arm="null-radius", aligned="gauge"),
                 [("found", {}), ("swapped", {"rpm = 33": 'rpm = 33\nleads = "swapped"'}), ("again", {"seed = 8": "seed = 10"})]),
    "dealer": (dict(radius="d140", rpm="33", shape="elliptical", sizes="0.7 x 0.3 mil", arm="tangential", aligned="gauge"),
               [("found", {}), ("turned-on", {"rotation_deg = 2.0": "rotation_deg = 6.0"}),
                ("turned-back", {"rotation_deg = 2.0": "rotation_deg = -2.0"})]),
}


# The fields, filled.
FILLED = """for (const [name, value] of Object.entries(%s)) {
    document.getElementById('form').elements[name].value = value }
    document.getElementById('form').dispatchEvent(new Event('input')), 0"""


def until(browser, expression, seconds=60):
    """Waits until an expression in the page is true."""
    end = time.monotonic() + seconds
    while not browser.value(expression):
        if time.monotonic() > end:
            sys.exit(f"not within {seconds} s: {expression}; {browser.value('document.body.innerText')}")
        time.sleep(0.1)


def give(browser, kind, file):
    """Chooses a file on the line of this kind."""
    found = browser.ask("Runtime.evaluate", expression=f"document.querySelector('[data-kind=\"{kind}\"]')")
    browser.ask("DOM.setFileInputFiles", files=[str(file)], objectId=found["result"]["objectId"])


def complaints(browser, width):
    found = []
    for event in browser.events:
        method, what = event.get("method"), event.get("params", {})
        if method in ("Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded"):
            found.append(f"console: {json.dumps(what)[:300]}")
        if method == "Network.requestWillBeSent" and not what["request"]["url"].startswith("http://127.0.0.1:"):
            found.append(f"request: {what['request']['url'][:200]}")
    browser.events = [e for e in browser.events if e.get("method") == "none"]
    wide = browser.value("document.documentElement.scrollWidth")
    if wide > width:
        found.append(f"{wide} pixels wide in a window of {width}")
    found += browser.value("""[...document.querySelectorAll('button,a.button,select,summary,.file,.choice span,input')]
        .filter(e => e.checkVisibility() && e.type !== 'file' && e.type !== 'radio')
        .filter(e => e.getBoundingClientRect().height < 44).map(e => 'low: ' + e.outerHTML.slice(0, 80))""")
    found += browser.value("""[...document.querySelectorAll('input,select,button')]
        .filter(e => !(e.labels && e.labels.length) && !e.textContent.trim() && !e.ariaLabel)
        .map(e => 'no name: ' + e.outerHTML.slice(0, 80))""")
    return found


def violations(browser):
    """What axe-core has against the page as it stands."""
    if not browser.value("!!window.axe"):
        browser.value(pathlib.Path(sys.argv[3]).read_text() + "; 0")
    found = browser.ask("Runtime.evaluate", awaitPromise=True, returnByValue=True, expression="""axe.run().then(r =>
        r.violations.flatMap(v => v.nodes.map(n => v.id + ': ' + n.html.slice(0, 120) + ' ' + n.failureSummary)))""")
    return found["result"].get("value", [f"axe did not run: {found}"])


def look(browser, scratch, state):
    failed = 0
    for width, forced in ((320, False), (390, False), (820, False), (1280, False), (1280, True)):
        for dark in (False, True):
            browser.ask("Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1,
                        mobile=width < 600)
            scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
            colours = {"name": "forced-colors", "value": "active" if forced else "none"}
            browser.ask("Emulation.setEmulatedMedia", media="", features=[scheme, colours])
            shade = ("dark" if dark else "light") + ("-forced" if forced else "")
            for complaint in complaints(browser, width) + violations(browser):
                failed += 1
                print(f"{state} at {width} {shade}: {complaint}")
            height = browser.value("document.documentElement.scrollHeight")
            clip = dict(x=0, y=0, width=width, height=height, scale=1)
            shot = browser.ask("Page.captureScreenshot", clip=clip, captureBeyondViewport=True)
            (scratch / f"{state}-{width}-{shade}.png").write_bytes(base64.b64decode(shot["data"]))
    return failed


def job(program, scratch, folder, server):
    """A whole job through the page; how much there was to complain of."""
    address = server.stdout.readline().split()[-1]
    browser = Browser(scratch / "profile")
    browser.ask("DOM.enable")
    browser.open(address, 1280, False)
    until(browser, "!!document.querySelector('[data-kind=found]')")
    failed = look(browser, scratch, "begin")
    # step 2 and 3 of docs/page.md: the radius, the recording
    browser.value("document.getElementById('radius').focus(), 0")
    browser.ask("Input.insertText", text="70")
    # so that a turn is due
    browser.value("document.getElementById('form').elements.arm.value = 'tangential', form.elements.aligned.value = 'gauge', 0")
    give(browser, "found", scratch / "found.wav")
    until(browser, "!document.getElementById('answer').hidden")
    failed += look(browser, scratch, "found")
    for count, (name, kind, *_) in enumerate(TAKES[1:], 2):
        until(browser, f"!!document.querySelector('[data-kind=\"{kind}\"]')")
        if kind == "after" and browser.value("document.getElementById('turn').hidden"):
            failed += 1
            print("the turn is not drawn")
        give(browser, kind, scratch / f"{name}.wav")
        until(browser, f"document.querySelectorAll('#recordings li').length === {count}")
        failed += look(browser, scratch, name)
    if browser.value("document.getElementById('change').hidden"):
        failed += 1
        print("before and after are not shown")
    if not as_solve(program, folder):
        failed += 1
        print("the page's document is not what solve prints")
    browser.value("document.getElementById('end').click(), 0")
    if server.wait(timeout=20) != 0:
        failed += 1
        print("the page did not end well")
    browser.close()
    return failed



def simulated(program, scratch, name, differs):
    """A recording of the usual recipe with some words of it replaced."""
    recipe = RECIPE.format(radius="70", rate=48000, rotation=2.0, snr=40, clicks=0)
    for old, new in differs.items():
        assert old in recipe, old
        recipe = recipe.replace(old, new)
    (scratch / "recipe.toml").write_text(f'name = "{name}"\n' + recipe)
    subprocess.run([program, "simulate", "recipe.toml", "-o", ".", "--force"], cwd=scratch, check=True,
                   capture_output=True)


def others(program, scratch):
    """The other jobs: by dropping files, and one with a job written by hand; then by listening,
    where every recording takes a browser of its own, whose input plays one file."""
    failed = 0
    for name, (fields, takes) in JOBS.items():
        folder = scratch / f"folder-{name}"
        server = subprocess.Popen([program, "page", folder, "--no-browser"], stdout=subprocess.PIPE, text=True)
        browser = Browser(scratch / f"profile-{name}")
        for process in (server, browser.process):
            atexit.register(process.kill)
        browser.ask("DOM.enable")
        browser.open(server.stdout.readline().split()[-1], 1280, False)
        until(browser, "!!document.querySelector('[data-kind=found]')")
        browser.value(FILLED % json.dumps(fields))
        for count, (kind, differs) in enumerate(takes, 1):
            simulated(program, scratch, f"{name}-{kind}", differs)
            until(browser, f"!!document.querySelector('[data-kind=\"{kind}\"]')")
            give(browser, kind, scratch / f"{name}-{kind}.wav")
            until(browser, f"document.querySelectorAll('#recordings li').length === {count}")
        if not as_solve(program, folder):
            failed += 1
            print(f"{name}: the page's document is not what solve prints")
        if name == "dealer":
            # somebody else's job: named recordings, one of which is missing
            job = folder / "job.toml"
            job.write_text(job.read_text() + "\n# by hand\n" + '[[capture]]\nfile = "late.wav"\nsetup = "found"\nrecord = "mono"\nchain = "mine"\nradius_mm = 70\nrpm = 33\n')
            until(browser, "!!document.querySelector('[data-kind=\"named:late.wav\"]')")
            give(browser, "named:late.wav", scratch / "beginner-again.wav")
            until(browser, "!document.querySelector('#next [data-kind]')")
            if not as_solve(program, folder):
                failed += 1
                print("by hand: the page's document is not what solve prints")
        browser.close()
        server.terminate()
        server.wait(timeout=20)
        # Chromium's false device reads 16 bits
        for count, (kind, differs) in enumerate(takes, 1):
            simulated(program, scratch, f"{name}-{kind}", {**differs, "int24": "int16"})
            ear = Listener(program, scratch, f"heard-{name}", scratch / f"{name}-{kind}.wav")
            if count == 1:
                ear.browser.value(FILLED % json.dumps(fields))
            ear.listen(kind)
            ear.hear(5)
            ear.browser.value("document.getElementById('hold-yes').click(), 0")
            ear.until(f"document.querySelectorAll('#recordings li').length === {count}")
            ear.end()
        if not as_solve(program, ear.folder):
            failed += 1
            print(f"{name}, listened to: the page's document is not what solve prints")
    return failed


def as_solve(program, folder):
    """Whether the page's last document is what solve prints."""
    solved = subprocess.run([program, "solve", folder / "job.toml", "--json"], capture_output=True, text=True)
    return json.loads(solved.stdout) == json.loads((folder / "solution.json").read_text())


def samples(path):
    """Sample rate, and the samples of a WAV file as frames of 16 bits."""
    data = path.read_bytes()
    form = data.index(b"fmt ") + 8
    tag, channels, rate = struct.unpack("<HHI", data[form:form + 8])
    body = data[data.index(b"data") + 8:]
    list_ = array.array("f" if tag == 3 else "h")
    size = channels * list_.itemsize
    list_.frombytes(body[:len(body) // size * size])
    return rate, [round(32768 * v) for v in list_] if tag == 3 else list(list_)


def delay_us(path):
    """The right channel's delay by the phases of single frequencies over Hann windows."""
    rate, both = samples(path)
    left, right = both[0::2], both[1::2]
    size, sums = 2048, {}
    window = [0.5 - 0.5 * math.cos(2 * math.pi * k / size) for k in range(size)]
    tones = range(20, 200, 6)
    turns = {t: [cmath.exp(-2j * math.pi * t * k / size) * window[k] for k in range(size)] for t in tones}
    for start in range(rate, min(len(left), 4 * rate) - size, size):
        for t in tones:
            turn = turns[t]
            one = sum(left[start + k] * turn[k] for k in range(size))
            two = sum(right[start + k] * turn[k] for k in range(size))
            sums[t] = sums.get(t, 0) + one * two.conjugate()
    omega = {t: 2 * math.pi * t * rate / size for t in tones}
    up = sum(abs(c) * omega[t] * cmath.phase(c) for t, c in sums.items())
    return 1e6 * up / sum(abs(c) * omega[t] ** 2 for t, c in sums.items())


# What a test puts between the page and the browser's sound.
FORCED = """{ const ask = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
navigator.mediaDevices.getUserMedia = async asked => { Object.assign(asked.audio, %s);
  return window.sound = await ask(asked); } }"""
# An input with one channel.
ONE_CHANNEL = """{ const ask = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
navigator.mediaDevices.getUserMedia = async asked => { const context = new AudioContext();
  const one = new MediaStreamAudioDestinationNode(context, { channelCount: 1 });
  context.createMediaStreamSource(await ask(asked)).connect(one);
  return one.stream; } }"""
# The browser's second way, at another rate than its device has.
SECOND_WAY = """delete self.MediaStreamTrackProcessor; { const Usual = AudioContext;
self.AudioContext = class extends Usual { constructor() { super({ sampleRate: 48000 }); } }; }"""

LISTEN = "document.querySelector('[data-kind=%s]').closest('li').querySelector('.do > button').click(), 0"


class Listener:
    """A server and a browser whose sound input plays a file, in a folder that may have a job."""

    def __init__(self, program, scratch, name, played, script="", allowed=True, room=None):
        def few_bytes():
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))

        self.folder = scratch / name
        self.server = subprocess.Popen([program, "page", self.folder, "--no-browser"], stdout=subprocess.PIPE,
                                       text=True, preexec_fn=few_bytes if room else None)
        flags = ["--use-fake-device-for-media-stream", f"--use-file-for-fake-audio-capture={played}"]
        flags += ["--use-fake-ui-for-media-stream"] if allowed else ["--deny-permission-prompts"]
        self.browser = Browser(scratch / f"profile-{name}", *flags)
        for process in (self.server, self.browser.process):
            atexit.register(process.kill)
        self.browser.open(self.server.stdout.readline().split()[-1], 1280, False)
        self.until("!!document.querySelector('[data-kind]')")
        self.browser.value(script)
        if not (self.folder / "job.toml").exists():
            self.browser.value("document.getElementById('radius').focus(), 0")
            self.browser.ask("Input.insertText", text="70")

    def until(self, expression, seconds=20):
        until(self.browser, expression, seconds)

    def listen(self, kind="found"):
        self.until(f"!!document.querySelector('[data-kind={kind}]')")
        self.browser.value(LISTEN % kind)

    def hear(self, seconds):
        """Until so many seconds of programme are heard."""
        self.until("!document.getElementById('live').hidden")
        self.until(f"(document.getElementById('source').textContent.match(/(\\d+) s of programme/) || [0, 0])[1] >= {seconds}")

    def says(self, words, seconds):
        """What is wrong is said within so many seconds, and nothing is recorded."""
        self.until(f"document.body.innerText.includes({json.dumps(words)})", seconds)

    def end(self, kill=False):
        self.browser.close()
        self.server.kill() if kill else self.server.terminate()
        self.server.wait(timeout=20)


def listening(program, scratch):
    played = {}
    for rate, channels in ((44100, "both"), (48000, "both"), (44100, "equal")):
        name = f"{channels}-{rate}"
        us = 5 if channels == "both" else 0
        (scratch / "played.toml").write_text(
            f'format = 1\nname = "{name}"\nseed = 3\n[programme]\nkind = "pink"\nduration_s = 20\npeak_cm_s = 40\n[capture]\n'
            f'radius_mm = 70\nrpm = 33\nsample_rate_hz = {rate}\nword = "int16"\n[delay]\nus = {us}\n')
        subprocess.run([program, "simulate", "played.toml", "-o", ".", "--force"], cwd=scratch, check=True,
                       capture_output=True)
        played[name] = scratch / f"{name}.wav"
    failed = 0

    def fault(words):
        nonlocal failed
        failed += 1
        print(words)

    def begin(name, file="both-44100", **more):
        return Listener(program, scratch, name, played[file], **more)

    # what was played is what is saved, every sample
    ear = begin("listen-44100")
    ear.listen()
    ear.hear(4)
    failed += look(ear.browser, scratch, "listening")
    ear.browser.value("document.getElementById('hold-yes').click(), 0")
    ear.until("document.getElementById('live').hidden && document.querySelectorAll('#recordings li').length === 1")
    rate, saved = samples(ear.folder / "found.wav")
    _, whole = samples(played["both-44100"])
    probe = saved[20000:20064]
    places = [k for k in range(0, len(whole) - 64, 2) if whole[k] == probe[0] and whole[k:k + 64] == probe]
    shift = places[0] - 20000 if places else 0
    same = bool(places) and all(v == whole[k + shift] for k, v in enumerate(saved) if 0 <= k + shift < len(whole))
    if rate != 44100 or len(saved) < 6 * rate or not same:
        fault(f"{len(saved)} samples saved at {rate}, not those that were played")
    if abs(delay_us(ear.folder / "found.wav") - 5) > 0.002:
        fault(f"delay {delay_us(ear.folder / 'found.wav')} us")
    if not as_solve(program, ear.folder):
        fault("the page's document is not what solve prints")
    # a kill while recording leaves a file that opens, with all that was shown
    kinds = ear.browser.value("[...document.querySelectorAll('[data-kind]')].map(e => e.dataset.kind)")
    ear.listen("again")
    ear.hear(3)
    heard = ear.browser.value("+document.getElementById('source').textContent.match(/(\\d+) s of programme/)[1]")
    ear.end(kill=True)
    rate, saved = samples(ear.folder / "found-no2.wav") if (ear.folder / "found-no2.wav").exists() else (1, [])
    # seconds are shown rounded up, and saved before they are shown
    if len(saved) / 2 / rate <= heard - 1:
        fault(f"{kinds}: a kill after {heard} s left {len(saved) / 2 / rate} s")

    # the second way, resampled by the browser
    ear = begin("listen-48000", "both-48000", script=SECOND_WAY)
    ear.listen()
    ear.hear(4)
    ear.browser.value("document.getElementById('hold-yes').click(), 0")
    ear.until("document.querySelectorAll('#recordings li').length === 1")
    delay, rate = delay_us(ear.folder / "found.wav"), samples(ear.folder / "found.wav")[0]
    if rate != 48000 or abs(delay - 5) > 0.002:
        fault(f"the second way: {rate} Hz, {delay} us")
    ear.end()

    # what must not be listened to is refused, with its name
    for flag, words in (("echoCancellation", "echo cancellation"), ("noiseSuppression", "noise suppression"),
                        ("autoGainControl", "gain control")):
        ear = begin(flag, script=FORCED % f"{{ {flag}: true }}")
        ear.listen()
        ear.says(f"The browser processes the sound ({words})", 4)
        if (ear.folder / "found.wav").exists():
            fault(f"{flag}: a recording was begun")
        ear.end()
    ear = begin("one", script=ONE_CHANNEL)
    ear.listen()
    ear.says("This input has one channel", 4)
    ear.end()
    ear = begin("equal", "equal-44100")
    ear.listen()
    ear.says("Both channels are the same. The browser", 4)
    ear.end()
    ear = begin("denied", allowed=False)
    ear.listen()
    ear.says("The browser was not allowed to listen", 4)
    ear.end()

    # a lifted needle: one order, sooner than figures are looked at
    paused = scratch / "paused.wav"
    simulated(program, scratch, "stops", {"int24": "int16"})
    with wave.open(str(scratch / "stops.wav")) as whole, wave.open(str(paused), "wb") as file:
        file.setparams(whole.getparams())
        file.writeframes(whole.readframes(whole.getnframes()) + bytes(4 * 12 * 48000))
    played["paused"] = paused
    ear = begin("lifted", "paused")
    ear.listen()
    ear.hear(5)
    ear.says("The record has stopped: press Keep.", 7)
    ear.end()

    # what breaks off keeps what came
    ear = begin("lost", script=FORCED % "{}")
    ear.listen()
    ear.hear(2)
    ear.browser.value("window.sound.getAudioTracks()[0].stop(), 0")
    ear.says("The sound input has gone", 4)
    ear.browser.value("document.getElementById('hold-yes').click(), 0")
    ear.until("document.querySelectorAll('#recordings li').length === 1")
    ear.end()
    ear = begin("full", room=1 << 20)
    ear.listen()
    ear.says("make room on the disk", 10)
    ear.browser.value("document.getElementById('hold-no').click(), 0")
    ear.until("document.getElementById('live').hidden")
    if (ear.folder / "found.wav").exists():
        fault("a recording that was discarded is there")
    ear.end()
    return failed


def main():
    program, scratch = (pathlib.Path(a).resolve() for a in sys.argv[1:3])
    shutil.rmtree(scratch, ignore_errors=True)
    scratch.mkdir(parents=True)
    recordings(program, scratch)
    folder = scratch / "folder"
    server = subprocess.Popen([program, "page", folder, "--no-browser"], stdout=subprocess.PIPE, text=True)
    try:
        failed = job(program, scratch, folder, server)
    finally:
        server.kill()
    failed += others(program, scratch)
    failed += listening(program, scratch)
    if failed:
        sys.exit(f"{failed} complaints")
    print(f"{len(JOBS) + 2} jobs dropped, {len(JOBS) + 1} listened to, and what can go wrong: nothing to complain of")


if __name__ == "__main__":
    main()
