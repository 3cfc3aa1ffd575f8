"""Opens pages of groovelag in headless Chromium, as a phone, a desk and paper see them.

    pages.py GROOVELAG SCRATCH

Pages of four jobs are made: a good one, a poor one, an undecided one and a rich
laboratory one (the workshop job under test-signals), beside one of each other
command. Each is opened at 375 and 1280 pixels, light and dark, and printed on A4.
It must log nothing to the console, ask for nothing but itself, be no wider than
the window, and give every picture a name and a description. Screenshots and PDF
files stay in SCRATCH for looking at.

Chromium is driven through its own pipe (--remote-debugging-pipe); nothing but the
standard library is needed.
"""

import base64
import json
import os
import pathlib
import shutil
import subprocess
import sys

ROOT = pathlib.Path(__file__).resolve().parents[2]

# Everything here is invented. A good recording, a poor one and one that leaves it
# open whether a tolerance is kept.
RECIPE = """format = 1
seed = 8
[programme]
kind = "pink"
duration_s = 8
peak_cm_s = 6
[capture]
radius_mm = {radius}
rpm = 33
lead_in_s = 0.6
run_out_s = 0.3
sample_rate_hz = {rate}
word = "int24"
[cartridge]
profile = "elliptical"
frontal_radius_um = 18
side_radius_um = 8
[setup]
rotation_deg = {rotation}
[dirt]
snr_db = {snr}
noise_spectrum = "surface"
clicks_per_s = {clicks}
"""
RECORDINGS = {
    "good": dict(radius="[110, 108.5]", rate=96000, rotation=-2.0, snr=45, clicks=0),
    "poor": dict(radius="[62, 61]", rate=44100, rotation=2.5, snr=18, clicks=4),
    "undecided": dict(radius="[72, 71]", rate=48000, rotation=4.4, snr=35, clicks=0.5),
}
JOB = """format = 1
title = "An invented job: {name}"
[cartridge.bench]
profile = "elliptical"
frontal_radius_um = 18
side_radius_um = 8
{extra}
[record.side-a]
[chain.rack]
[setup.now]
cartridge = "bench"
[limits]
tolerance_deg = 5
[[capture]]
file = "{name}.wav"
setup = "now"
record = "side-a"
chain = "rack"
radius_mm = {radius}
rpm = 33
"""
# Known crosstalk makes the good job's band narrow enough to conform.
EXTRA = {"good": "crosstalk_db = -35"}


class Browser:
    """Chromium with one tab, spoken to through its pipe."""

    def __init__(self, profile, *flags):
        program = shutil.which("chromium") or shutil.which("chromium-browser")
        if program is None:
            sys.exit("chromium is missing; apt-get install chromium")
        command_read, self.command = os.pipe()
        self.answers, answer_write = os.pipe()

        # Chromium reads file descriptor 3 and writes 4; moved out of the way first.
        def take_pipes():
            read, write = os.dup(command_read), os.dup(answer_write)
            os.dup2(read, 3)
            os.dup2(write, 4)

        self.process = subprocess.Popen(
            [program, "--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
             "--remote-debugging-pipe", f"--user-data-dir={profile}", *flags, "about:blank"],
            preexec_fn=take_pipes, close_fds=False,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        os.close(command_read)
        os.close(answer_write)
        self.waiting, self.count, self.events, self.session = b"", 0, [], None
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.ask(f"{domain}.enable")

    def message(self):
        while b"\0" not in self.waiting:
            piece = os.read(self.answers, 1 << 16)
            if not piece:
                sys.exit("chromium has ended")
            self.waiting += piece
        first, self.waiting = self.waiting.split(b"\0", 1)
        return json.loads(first)

    def ask(self, method, **parameters):
        self.count += 1
        request = {"id": self.count, "method": method, "params": parameters}
        if self.session:
            request["sessionId"] = self.session
        data = json.dumps(request).encode() + b"\0"
        while data:
            data = data[os.write(self.command, data):]
        while True:
            answer = self.message()
            if answer.get("id") == self.count:
                if "error" in answer:
                    sys.exit(f"{method}: {answer['error']}")
                return answer["result"]
            self.events.append(answer)

    def wait(self, method):
        while not any(e.get("method") == method for e in self.events):
            self.events.append(self.message())

    def value(self, expression):
        return self.ask("Runtime.evaluate", expression=expression, returnByValue=True)["result"].get("value")

    def open(self, address, width, dark):
        self.events = []
        self.ask("Emulation.setDeviceMetricsOverride", width=width, height=900,
                 deviceScaleFactor=2 if width < 600 else 1, mobile=width < 600)
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.ask("Emulation.setEmulatedMedia", media="", features=[scheme])
        self.ask("Page.navigate", url=address)
        self.wait("Page.loadEventFired")

    def close(self):
        self.session = None
        self.ask("Browser.close")
        self.process.wait()


def complaints(browser, address, width):
    """What is wrong with the page that is open."""
    found = []
    for event in browser.events:
        method, what = event.get("method"), event.get("params", {})
        if method in ("Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded"):
            found.append(f"console: {json.dumps(what)[:300]}")
        if method == "Network.requestWillBeSent" and what["request"]["url"] != address:
            found.append(f"request: {what['request']['url'][:200]}")
    wide = browser.value("document.documentElement.scrollWidth")
    if wide > width:
        found.append(f"{wide} pixels wide in a window of {width}")
    nameless = browser.value("""[...document.querySelectorAll('svg')].filter(s =>
        s.getAttribute('role') !== 'img' ||
        !(s.getAttribute('aria-labelledby') || '').split(' ').every(id => {
            const e = document.getElementById(id); return e && e.textContent.length > 5 }) ||
        !/[0-9]/.test(s.querySelector('desc').textContent)).length""")
    if nameless:
        found.append(f"{nameless} pictures without a name or a description with figures")
    if browser.value("document.querySelectorAll('svg').length") == 0:
        found.append("no picture at all")
    spilt = browser.value("""[...document.querySelectorAll('svg')].flatMap(s => {
        const box = s.getBoundingClientRect();
        return [...s.querySelectorAll('text')].filter(t => {
            const b = t.getBoundingClientRect();
            return b.left < box.left - 1 || b.right > box.right + 1 || b.top < box.top - 1 || b.bottom > box.bottom + 1
        }).map(t => t.textContent.trim()) }).slice(0, 5)""")
    if spilt:
        found.append(f"words beyond their picture: {spilt}")
    return found


def make_pages(program, scratch):
    """Makes every page; returns their files."""
    def run(*arguments, good=(0, 1)):
        done = subprocess.run([program, *map(str, arguments)], cwd=scratch, capture_output=True, text=True)
        if done.returncode not in good:
            sys.exit(f"{' '.join(map(str, arguments))}: {done.stderr}")

    pages = []

    def page(name, *arguments):
        run(*arguments, "--report", f"{name}.html", "--force")
        pages.append(scratch / f"{name}.html")

    for name, keys in RECORDINGS.items():
        (scratch / f"{name}.recipe.toml").write_text(f'name = "{name}"\n' + RECIPE.format(**keys))
        run("simulate", f"{name}.recipe.toml", "-o", ".", "--force")
        job = JOB.format(name=name, radius=keys["radius"], extra=EXTRA.get(name, ""))
        (scratch / f"{name}.toml").write_text(job)
        page(name, "solve", f"{name}.toml")
    workshop = ROOT / "test-signals" / "workshop" / "job.toml"
    page("laboratory", "solve", workshop)
    page("comparison", "compare", workshop, "--before", "found", "--after", "corrected")
    page("measurement", "measure", "poor.wav", "--radius", "62..61", "--rpm", "33", "--tolerance", "5")
    page("ball", "measure", ROOT / "test-signals" / "workshop" / "workshop-ball.wav",
         "--radius", "70", "--rpm", "33", "--stylus", "spherical:18")
    page("check", "check", "good.toml", "poor.toml", "undecided.toml", workshop)
    # Not a cable, but a signal common to both inputs is all that is looked at.
    page("calibration", "calibrate", "--common", "good.wav", "-o", "chain.toml", "--date", "2026-01-31")
    return pages


def main():
    program = pathlib.Path(sys.argv[1]).resolve()
    scratch = pathlib.Path(sys.argv[2]).resolve()
    shutil.rmtree(scratch, ignore_errors=True)
    scratch.mkdir(parents=True)
    pages = make_pages(program, scratch)
    browser = Browser(scratch / "profile")
    failed = 0
    for page in pages:
        address = page.as_uri()
        for width, dark in [(375, False), (375, True), (1280, False), (1280, True)]:
            browser.open(address, width, dark)
            for complaint in complaints(browser, address, width):
                failed += 1
                print(f"{page.name} at {width} {'dark' if dark else 'light'}: {complaint}")
            height = browser.value("document.documentElement.scrollHeight")
            clip = dict(x=0, y=0, width=width, height=height, scale=1)
            shot = browser.ask("Page.captureScreenshot", clip=clip, captureBeyondViewport=True)
            name = f"{page.stem}-{width}{'-dark' if dark else ''}.png"
            (scratch / name).write_bytes(base64.b64decode(shot["data"]))
        # A4 within the margins of the page's own style, 182 mm, at 96 dots to the inch
        browser.open(address, 688, False)
        browser.ask("Emulation.setEmulatedMedia", media="print", features=[])
        for complaint in complaints(browser, address, 688):
            failed += 1
            print(f"{page.name} in print: {complaint}")
        pdf = browser.ask("Page.printToPDF", preferCSSPageSize=True, printBackground=False)
        (scratch / f"{page.stem}.pdf").write_bytes(base64.b64decode(pdf["data"]))
        size = page.stat().st_size
        print(f"{page.name}: {size / 1000:.0f} kB")
        if size > 1_000_000:
            failed += 1
            print(f"{page.name} is larger than 1 MB")
    browser.close()
    if failed:
        sys.exit(f"{failed} complaints")
    print(f"{len(pages)} pages opened at three sizes: nothing to complain of")


if __name__ == "__main__":
    main()
