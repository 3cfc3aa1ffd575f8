"""Drives `groovelag page` in headless Chromium as somebody at the turntable would.

    page.py GROOVELAG SCRATCH

Type a radius, give the first recording, then what the page asks for; the last document
must equal `solve --json` on the folder. In every state, at 390, 820 and 1280 pixels, light
and dark: nothing in the console, nothing fetched from elsewhere, nothing wider than the
window, every target 44 pixels high, every control named. Screenshots stay in SCRATCH.
Recordings are simulated; all is invented.
"""

import base64
import json
import pathlib
import shutil
import subprocess
import sys
import time

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


def look(browser, scratch, state):
    failed = 0
    for width in (390, 820, 1280):
        for dark in (False, True):
            browser.ask("Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1,
                        mobile=width < 600)
            scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
            browser.ask("Emulation.setEmulatedMedia", media="", features=[scheme])
            for complaint in complaints(browser, width):
                failed += 1
                print(f"{state} at {width} {'dark' if dark else 'light'}: {complaint}")
            height = browser.value("document.documentElement.scrollHeight")
            clip = dict(x=0, y=0, width=width, height=height, scale=1)
            shot = browser.ask("Page.captureScreenshot", clip=clip, captureBeyondViewport=True)
            (scratch / f"{state}-{width}{'-dark' if dark else ''}.png").write_bytes(base64.b64decode(shot["data"]))
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
    solved = subprocess.run([program, "solve", folder / "job.toml", "--json"], capture_output=True, text=True)
    if json.loads(solved.stdout) != json.loads((folder / "solution.json").read_text()):
        failed += 1
        print("the page's document is not what solve prints")
    browser.value("document.getElementById('end').click(), 0")
    if server.wait(timeout=20) != 0:
        failed += 1
        print("the page did not end well")
    browser.close()
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
    if failed:
        sys.exit(f"{failed} complaints")
    print(f"{len(TAKES)} recordings through the page: nothing to complain of")


if __name__ == "__main__":
    main()
