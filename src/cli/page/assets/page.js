"use strict";
// Lays out what the program says, and sends what is typed and dropped. It computes nothing.
const at = id => document.getElementById(id);
const form = at("form");
const SIZES = {
  elliptical: "Frontal x side radius in µm: 18 x 8. Also 0.7 x 0.3 mil. Empty if not known.",
  line: "Contact spacing x side radius in µm: 40 x 5. Empty if not known.",
  spherical: "Radius in µm: 18. Also 0.7 mil. Empty if not known.",
};
// What the browser may say when it is asked for sound.
const NO_SOUND = {
  NotAllowedError: "The browser was not allowed to listen. Allow the microphone for this page, at the sign beside its address, and press Listen again; or record with another program and add the file.",
  NotFoundError: "There is no sound input. Connect one (a phono stage at the line input), or record with another program and add the file.",
  NotReadableError: "The sound input cannot be used: another program may have it. Close that program, or choose another input.",
};
// Processing that changes the offset between the channels, and what people call it.
const PROCESSING = { echoCancellation: "echo cancellation", noiseSuppression: "noise suppression", autoGainControl: "gain control", voiceIsolation: "voice isolation" };
// Blocks of sound follow one another within this, in seconds: two of the 10 ms that browsers
// use (common practice, no source). What is further apart has been lost.
const GAP = 0.02;
let shown = "", typing = false, stated = false, busy = false, ended = false, ear = null;

function made(tag, words, kind) {
  const e = document.createElement(tag);
  if (words) e.textContent = words;
  if (kind) e.className = kind;
  return e;
}
function tell(id, words) {
  at(id).textContent = words || "";
  at(id).hidden = !words;
}
function fill(e, tag, list) {
  e.replaceChildren(...list.map(words => made(tag, words)));
  e.hidden = !list.length;
}

function show(view) {
  const text = JSON.stringify(view);
  if (text === shown) return;
  shown = text;
  if (view.live) return live(view.live);
  at("beside").hidden = false;
  at("now").classList.remove("listening");
  for (const id of ["live", "hold"]) at(id).hidden = true;
  tell("folder", "Folder: " + view.folder);
  tell("trouble", view.trouble);
  tell("in-doubt", view.in_doubt);
  answer(view.answer);
  at("answer").className = view.in_doubt ? "doubted" : "";
  order(view.order);
  change(view.change);
  asked(view.asked, view.answer || view.recordings.length);
  at("h-next").textContent = view.next_words;
  at("next").replaceChildren(...view.next.map(next));
  at("recordings").replaceChildren(...view.recordings.map(recording));
  at("recorded").hidden = !view.recordings.length;
  at("doubts").hidden = !view.doubts.length;
  at("doubts").querySelector("ul").replaceChildren(...view.doubts.map(d => {
    const li = made("li");
    li.append(made("b", d.level + ": "), d.message);
    return li;
  }));
  at("doubts").querySelector("details").open = view.doubts.some(d => d.level !== "note");
  at("anew").hidden = !view.asked || !view.recordings.length;
  at("evidence").hidden = !view.evidence;
  if (at("spoken").textContent !== view.spoken) at("spoken").textContent = view.spoken;
  document.title = (view.answer ? view.answer.figure + "° " + view.answer.way + " - " : "") + "groovelag";
}

function answer(a) {
  at("answer").hidden = !a;
  at("more").replaceChildren();
  if (!a) return;
  at("of").textContent = a.of;
  at("figure").textContent = a.figure;
  at("way").textContent = a.way;
  at("at-the-arm").textContent = a.at_the_arm;
  at("band").textContent = a.band;
  at("strip").hidden = !a.strip;
  if (a.strip) {
    at("band-bar").setAttribute("x", a.strip.from);
    at("band-bar").setAttribute("width", a.strip.width);
    at("mark").setAttribute("x", a.strip.at);
    at("strip-what").textContent = a.strip.description;
    document.querySelectorAll(".ends span").forEach((s, k) => { s.textContent = a.strip.words[k]; });
  }
  for (const [what, words] of a.more) at("more").append(made("dt", what), made("dd", words));
}

function order(o) {
  fill(at("before"), "p", o.before);
  at("what").textContent = o.what;
  tell("why", o.why);
  tell("caution", o.caution);
  fill(at("after"), "li", o.after);
  at("turn").hidden = !o.turn;
  if (!o.turn) return;
  at("turn").className = o.turn.way;
  at("turn-what").textContent = o.turn.description;
  fill(at("holes"), "li", o.turn.holes);
}

// A recording while it is made stands in the place of the result.
function live(l) {
  shown = "";
  at("beside").hidden = true;
  at("now").classList.add("listening");
  for (const id of ["in-doubt", "trouble", "change"]) at(id).hidden = true;
  for (const id of ["live", "hold"]) at(id).hidden = false;
  answer(l.answer);
  at("answer").className = "";
  order({ before: [], what: l.order, why: "", after: [], caution: null, turn: null });
  at("levels").replaceChildren(...l.levels.map(level => {
    const li = made("li", level.words);
    const bar = made("meter");
    bar.max = 100;
    bar.value = level.length;
    bar.setAttribute("aria-hidden", "true");
    li.append(bar);
    return li;
  }));
  at("source").textContent = l.what + ": " + l.heard + ", into " + l.file + ", from " + l.source;
  fill(at("health"), "li", l.health.map(d => d.message));
  at("hold-yes").className = l.enough || l.ended ? "first" : "";
  if (at("spoken").textContent !== l.order && (l.ended || l.enough || !/^Let it play/.test(l.order))) at("spoken").textContent = l.order;
  if (l.ended) hush();
  document.title = l.order + " - groovelag";
}

function change(c) {
  at("change").hidden = !c;
  if (!c) return;
  at("change").querySelector(".states").replaceChildren(...c.states.map(([name, angle, band]) => {
    const p = made("p", name);
    p.append(made("b", angle), made("small", band));
    return p;
  }));
  fill(at("change-words"), "p", c.words);
}

function asked(a, begun) {
  at("asked").hidden = !a;
  stated = !a || a.radius !== "";
  if (!a || typing) return;
  at("asked-details").open = !begun;
  const [effective, pivot, offset] = a.arm_numbers;
  const fields = { ...a, effective, pivot, offset };
  for (const e of form.elements) {
    if (e.type === "radio") e.checked = e.value === a.rpm;
    else if (e.name) e.value = fields[e.name];
  }
  fit();
}
function fit() {
  for (const name of ["shape", "arm"]) {
    const chosen = form.elements[name].value;
    form.querySelectorAll(`[data-${name}]`).forEach(e => {
      e.hidden = !e.dataset[name].split(" ").includes(chosen);
    });
  }
  at("sizes-h").textContent = SIZES[form.elements.shape.value] || "";
}

function next(n) {
  const li = made("li", "", n.best ? "best" : "");
  const what = made("div");
  what.append(made("b", n.what), made("small", n.how));
  li.append(what, made("span", n.band, "value"));
  if (!n.kind) return li;
  const row = made("div", "", "do");
  let turn = null;
  if (n.turn) {
    const label = made("label", "Degrees, as read", "short");
    turn = made("input");
    turn.value = n.turn;
    turn.inputMode = "decimal";
    label.append(turn);
    row.append(label);
  }
  const pick = made("label", "", "pick");
  const file = made("input");
  file.type = "file";
  file.setAttribute("aria-label", "Add a file: " + n.what);
  file.dataset.kind = n.kind;
  pick.append(file, made("span", "Add a file", "file"));
  const listening = made("button", "Listen");
  listening.setAttribute("aria-label", "Listen: " + n.what);
  listening.addEventListener("click", () => listen(n.kind, turn ? turn.value : ""));
  row.append(listening, pick);
  if (n.caution) row.append(made("small", "While you work at the cartridge: amplifier muted, stylus guard on. Guard off to play."));
  li.append(row);
  const send = f => f && upload(n.kind, turn ? turn.value : "", f);
  file.addEventListener("change", () => {
    const chosen = file.files[0];
    // so that the same file can be chosen once more
    file.value = "";
    send(chosen);
  });
  li.addEventListener("dragover", () => li.classList.add("over"));
  li.addEventListener("dragleave", () => li.classList.remove("over"));
  li.addEventListener("drop", e => {
    e.preventDefault();
    e.stopPropagation();
    li.classList.remove("over");
    if (e.dataTransfer.files.length === 1) send(e.dataTransfer.files[0]);
    else tell("upload-e", "One recording at a time, each on its own line.");
  });
  return li;
}

function recording(r) {
  const li = made("li");
  const what = made("div");
  what.append(made("b", r.what), made("small", r.file + ", " + r.detail + (r.missing ? ": not recorded yet" : "")));
  li.append(what);
  if (r.removable) {
    const button = made("button", "Leave out");
    button.setAttribute("aria-label", "Leave out " + r.file);
    button.addEventListener("click", () => post("/leave-out", { file: r.file }));
    li.append(button);
  }
  return li;
}

async function reply(answer) {
  let said;
  try {
    said = await (await answer).json();
  } catch {
    said = { field: "", message: "The program does not answer. Start groovelag page again, and open the address that it prints." };
  }
  return said;
}
function wrong(said, place) {
  document.querySelectorAll(".error").forEach(e => { e.textContent = ""; });
  document.querySelectorAll("[aria-invalid]").forEach(e => e.removeAttribute("aria-invalid"));
  if (!said.message) return false;
  const field = said.field && form.elements[said.field];
  tell(field ? said.field + "-e" : place, said.message);
  at(field ? said.field + "-e" : place).scrollIntoView({ block: "center" });
  if (field) {
    at("asked-details").open = true;
    if (field.setAttribute) field.setAttribute("aria-invalid", "true");
    (field[0] && field[0].type === "radio" ? field[0] : field).focus();
  }
  return true;
}
async function post(path, fields) {
  const said = await reply(fetch(path, { method: "POST", body: JSON.stringify(fields) }));
  if (wrong(said, path === "/job" ? "form-e" : "upload-e")) return false;
  show(said);
  return true;
}
async function keep() {
  const fields = Object.fromEntries(new FormData(form));
  const seen = shown;
  typing = false;
  if (await post("/job", fields)) return true;
  typing = true;
  shown = seen;
  return false;
}
async function upload(kind, turn, file) {
  if (busy) return;
  // what is played goes first
  if ((typing || !stated) && !(await keep())) return;
  busy = true;
  at("busy").hidden = false;
  at("next").setAttribute("aria-busy", "true");
  const query = new URLSearchParams({ kind, turn, name: file.name }).toString().replaceAll("+", "%20");
  const said = await reply(fetch("/recording?" + query, { method: "POST", body: file }));
  busy = false;
  at("busy").hidden = true;
  at("next").removeAttribute("aria-busy");
  if (wrong(said, "upload-e")) return;
  show(said);
  at("now").focus();
}

// Sound, block by block: rate, planes of samples, seconds lost before it.
async function* blocks(track) {
  if (self.MediaStreamTrackProcessor) {
    const reader = new MediaStreamTrackProcessor({ track, maxBufferSize: 1000 }).readable.getReader();
    for (let end = null; ;) {
      const { value, done } = await reader.read();
      if (done) return;
      const { sampleRate: rate, numberOfFrames: frames, timestamp } = value;
      const planes = [...Array(value.numberOfChannels).keys()].map(planeIndex => {
        const plane = new Float32Array(frames);
        value.copyTo(plane, { planeIndex, format: "f32-planar" });
        return plane;
      });
      value.close();
      const gap = end === null ? 0 : timestamp / 1e6 - end;
      end = timestamp / 1e6 + frames / rate;
      yield { rate, planes, lost: gap > GAP ? gap : 0 };
    }
  }
  const rate = track.getSettings().sampleRate;
  const context = new AudioContext(rate ? { sampleRate: rate } : {});
  // nothing is played; where this is not known, silence is
  await Promise.resolve(context.setSinkId && context.setSinkId({ type: "none" })).catch(() => {});
  await context.audioWorklet.addModule("/ear.js");
  const node = new AudioWorkletNode(context, "ear", { numberOfOutputs: 0 });
  const came = [];
  let wake = () => {}, gone = false, next = null;
  node.port.onmessage = e => { came.push(e.data); wake(); };
  track.addEventListener("ended", () => { gone = true; wake(); });
  context.createMediaStreamSource(new MediaStream([track])).connect(node);
  await context.resume();
  try {
    for (;;) {
      if (!came.length && gone) return;
      if (!came.length) await new Promise(done => { wake = done; });
      for (const [frame, planes] of came.splice(0)) {
        const lost = next === null ? 0 : (frame - next) / context.sampleRate;
        next = frame + planes[0].length;
        yield { rate: context.sampleRate, planes, lost };
      }
    }
  } finally {
    context.close();
  }
}

async function listen(kind, turn) {
  if (busy || ear) return;
  if ((typing || !stated) && !(await keep())) return;
  const input = at("input").value || "";
  if (input.startsWith("hw:")) {
    const said = await reply(fetch("/listen", { method: "POST", body: JSON.stringify({ kind, turn, input }) }));
    if (!wrong(said, "upload-e")) live(said);
    return;
  }
  const asked = { channelCount: { ideal: 2 }, sampleRate: { ideal: 96000 } };
  for (const name in PROCESSING) asked[name] = false;
  if (input) asked.deviceId = { exact: input };
  ear = { stop() {} };
  try {
    const stream = await navigator.mediaDevices.getUserMedia({ audio: asked });
    inputs();
    const track = stream.getAudioTracks()[0];
    // the processor says that a track has ended where this page stopped it as well
    ear = { stop() { track.stop(); track.dispatchEvent(new Event("ended")); } };
    await send(track, kind, turn);
  } catch (e) {
    if (ear) wrong({ message: NO_SOUND[e.name] || "The browser gives no sound (" + e.message + "). Record with another program and add the file." }, "upload-e");
  }
  hush();
}
function hush() {
  const was = ear;
  ear = null;
  if (was) was.stop();
}
// Sends a track's samples until somebody ends it; the first block tells what it is.
async function send(track, kind, turn) {
  const me = ear, settings = track.getSettings();
  const processing = Object.keys(PROCESSING).filter(name => settings[name] && settings[name] !== "none").map(name => PROCESSING[name]).join(", ");
  let begun = false, first = 0, lost = 0, held = [], frames = 0, rate = 0, sending = null;
  const flush = async () => {
    while (frames && ear === me) {
      const piece = new Float32Array(2 * Math.min(frames, rate));
      let at = 0;
      while (at < piece.length) {
        const [left, right] = held[0], n = Math.min(left.length, (piece.length - at) / 2);
        for (let k = 0; k < n; k++) { piece[at++] = left[k]; piece[at++] = right[k]; }
        if (n < left.length) held[0] = [left.subarray(n), right.subarray(n)]; else held.shift();
      }
      frames -= piece.length / 2;
      const said = await reply(fetch(`/samples?first=${first}&lost=${lost}`, { method: "POST", body: piece }));
      first += piece.length / 2;
      lost = 0;
      if (ear !== me) return;
      if (wrong(said, "upload-e")) { hush(); shown = ""; look(); return; }
      live(said);
    }
  };
  for await (const block of blocks(track)) {
    if (ear !== me) return;
    if (!begun) {
      begun = true;
      rate = block.rate;
      const said = await reply(fetch("/listen", { method: "POST", body: JSON.stringify({ kind, turn, rate: String(rate), channels: String(block.planes.length), processing, source: track.label, input: "" }) }));
      if (wrong(said, "upload-e")) return;
      live(said);
      at("now").focus();
    }
    lost += block.lost;
    held.push(block.planes);
    frames += block.planes[0].length;
    if (frames >= rate / 4 && !sending) sending = flush().finally(() => { sending = null; });
  }
  await sending;
  await flush();
  // nothing more comes, and nobody has asked for that
  if (ear === me && begun) live(await reply(fetch(`/samples?first=${first}`, { method: "POST", body: "" })));
}
async function hold(keep) {
  hush();
  busy = true;
  const said = await reply(fetch("/listened", { method: "POST", body: JSON.stringify({ keep }) }));
  busy = false;
  shown = "";
  if (wrong(said, "upload-e")) { await look(); return; }
  show(said);
  at("now").focus();
}
// The inputs that can be listened to: those of the browser, then those of the system.
async function inputs() {
  const direct = await reply(fetch("/inputs"));
  const devices = navigator.mediaDevices ? await navigator.mediaDevices.enumerateDevices() : [];
  const named = devices.filter(d => d.kind === "audioinput" && d.deviceId && d.label && d.deviceId !== "default");
  const list = [...named.map(d => [d.deviceId, d.label]), ...(Array.isArray(direct) ? direct.map(d => [d.id, d.name]) : [])];
  const chosen = at("input").value;
  at("input").replaceChildren(...[["", "The browser's usual one"], ...list].map(([id, name]) => {
    const option = made("option", name);
    option.value = id;
    option.selected = id === chosen;
    return option;
  }));
  at("input-field").hidden = !list.length;
}

async function look() {
  if (busy || ended || ear || document.hidden) return;
  const said = await reply(fetch("/state"));
  if (busy || ended || ear) return;
  if (said.message) tell("trouble", said.message);
  else show(said);
}

form.addEventListener("input", () => { typing = true; fit(); });
form.addEventListener("submit", e => { e.preventDefault(); keep(); });
for (const kind of ["dragover", "drop"]) addEventListener(kind, e => e.preventDefault());
addEventListener("drop", e => {
  const lines = document.querySelectorAll("#next input[data-kind]");
  const files = e.dataTransfer.files;
  if (lines.length === 1 && files.length === 1) upload(lines[0].dataset.kind, "", files[0]);
  else tell("upload-e", "Drop it on the line that says what was changed for it.");
});
at("hold-yes").addEventListener("click", () => hold("yes"));
at("hold-no").addEventListener("click", () => hold("no"));
at("put-away").addEventListener("click", async () => {
  if (!(await post("/put-away", {}))) return;
  at("anew").querySelector("details").open = false;
  at("radius").focus();
});
at("end").addEventListener("click", async () => {
  ended = true;
  hush();
  await fetch("/end", { method: "POST", body: "{}" }).catch(() => {});
  document.querySelector("main").replaceChildren(made("p", "The page has ended; this window can be closed. Everything lies in the folder."));
  document.querySelector("footer").remove();
});
addEventListener("visibilitychange", look);
// a recording that another window makes is looked at more often
setInterval(() => { if (!ended && !at("live").hidden) look(); }, 500);
setInterval(look, 5000);
inputs();
look();
