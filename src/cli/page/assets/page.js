"use strict";
// Lays out what the program says, and sends what is typed and dropped. It computes nothing.
const at = id => document.getElementById(id);
const form = at("form");
const SIZES = {
  elliptical: "Frontal x side radius in µm: 18 x 8. Also 0.7 x 0.3 mil. Empty if not known.",
  line: "Contact spacing x side radius in µm: 40 x 5. Empty if not known.",
  spherical: "Radius in µm: 18. Also 0.7 mil. Empty if not known.",
};
let shown = "", typing = false, stated = false, busy = false, ended = false;

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
  tell("folder", "Folder: " + view.folder);
  tell("trouble", view.trouble);
  tell("in-doubt", view.in_doubt);
  answer(view.answer);
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
  tell("caution", o.caution);
  fill(at("after"), "li", o.after);
  at("turn").hidden = !o.turn;
  if (!o.turn) return;
  at("turn").className = o.turn.way;
  at("turn-what").textContent = o.turn.description;
  fill(at("holes"), "li", o.turn.holes);
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
  const [length, pivot, offset] = a.arm_numbers;
  const fields = { ...a, length, pivot, offset };
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
  file.setAttribute("aria-label", "Add the recording: " + n.what);
  file.dataset.kind = n.kind;
  pick.append(file, made("span", "Add the recording", "file"));
  row.append(pick);
  if (n.caution) row.append(made("small", "Amplifier muted, stylus guard on."));
  li.append(row);
  const send = f => f && upload(n.kind, turn ? turn.value : "", f);
  file.addEventListener("change", () => send(file.files[0]));
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
  document.querySelectorAll("#next input[type=file]").forEach(e => { e.value = ""; });
  if (wrong(said, "upload-e")) return;
  show(said);
  at("now").focus();
}
async function look() {
  if (busy || ended || document.hidden) return;
  const said = await reply(fetch("/state"));
  if (busy || ended) return;
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
at("end").addEventListener("click", async () => {
  ended = true;
  await fetch("/end", { method: "POST", body: "{}" }).catch(() => {});
  document.querySelector("main").replaceChildren(made("p", "The page has ended; this window can be closed. Everything lies in the folder."));
  document.querySelector("footer").remove();
});
addEventListener("visibilitychange", look);
setInterval(look, 5000);
look();
