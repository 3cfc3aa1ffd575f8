"""What listening costs: `groovelag page` while it listens, pushed as fast as it takes the samples.

    listening.py PROGRAM FOLDER [--rate 96000] [--seconds 120]

White noise, delayed by 3 us, with 40 dB of noise of each channel's own, in pieces of a quarter of a
second as the browser sends them. Prints processor time over the sound's length, and memory as Linux
counts it. FOLDER must not exist.
"""
import argparse, http.client, json, os, re, subprocess
import numpy as np

p = argparse.ArgumentParser()
p.add_argument("program")
p.add_argument("folder")
p.add_argument("--rate", type=int, default=96000)
p.add_argument("--seconds", type=int, default=120)
a = p.parse_args()
os.mkdir(a.folder)
n = a.rate * a.seconds
g = np.random.default_rng(1)
late = np.exp(-2j * np.pi * np.fft.rfftfreq(n, 1 / a.rate) * 3e-6)
mono = g.normal(size=n)
both = [mono, np.fft.irfft(np.fft.rfft(mono) * late, n)]
frames = np.stack([0.1 * (x + 0.01 * g.normal(size=n)) for x in both], 1).astype("<f4").tobytes()

page = subprocess.Popen([a.program, "page", a.folder, "--no-browser"], stdout=subprocess.PIPE, text=True)
port, token = re.search(r":(\d+)/(\w+)", page.stdout.readline()).groups()
server = http.client.HTTPConnection("127.0.0.1", int(port))
head = {"Cookie": f"groovelag-{port}={token}", "Origin": f"http://127.0.0.1:{port}"}


def post(path, body):
    server.request("POST", path, body=body, headers=head)
    answer = server.getresponse()
    text = answer.read()
    assert answer.status == 200, (path, answer.status, text)
    return json.loads(text or "null")


def used():
    fields = open(f"/proc/{page.pid}/stat").read().rsplit(")", 1)[1].split()
    memory = dict(re.findall(r"(VmHWM|VmRSS):\s+(\d+)", open(f"/proc/{page.pid}/status").read()))
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK"), {k: int(v) // 1024 for k, v in memory.items()}


post("/job", json.dumps(dict(radius="70", rpm="33", shape="elliptical", sizes="18 x 8", arm="unknown", aligned="eye", tolerance="")))
post("/listen", json.dumps(dict(kind="found", turn="", rate=str(a.rate), channels="2", processing="", source="test", input="")))
before, piece = used()[0], a.rate // 4
for first in range(0, n, piece):
    live = post(f"/samples?first={first}&lost=0", frames[8 * first:8 * (first + piece)])
time, memory = used()
print(f"{a.seconds} s at {a.rate} Hz: {time - before:.2f} s of processor time, {100 * (time - before) / a.seconds:.2f} % of a core; "
      f"memory {memory['VmRSS']} MB, at most {memory['VmHWM']} MB")
print(live["order"])
assert live["enough"], live
post("/listened", json.dumps(dict(keep="yes")))
print(f"kept and solved: {used()[0] - time:.2f} s, at most {used()[1]['VmHWM']} MB")
page.terminate()
