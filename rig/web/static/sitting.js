// A lot's sitting: the next label, the four acts of its unit, scans and single keys. A scan fills no answer and presses no key.
import { ask, hold, live, tell, typing } from "/static/panel.js";

const root = document.getElementById("sitting"), words = JSON.parse(root.dataset.words), lot = encodeURIComponent(root.dataset.lot);
const at = (name) => root.querySelector(`[data-sit="${name}"]`);
const place = `/api/v1/lots/${lot}/sitting`;
let state = null, label = "", asking = false;
const text = (element, value) => { if (element && element.textContent !== value) element.textContent = value; };
const fill = (said, places) => said.replace(/\{(\w+)\}/g, (_, name) => places[name]);

const begin = document.getElementById("begin");
if (begin) hold(begin, async () => {
  const read = [...root.querySelectorAll("[data-caution]")].map((one) => one.textContent.trim().slice(0, 64));
  try { await ask(place, { method: "POST", json: { standards: !begin.form.without.checked, cautions: read } }); location.reload(); } catch (fault) { tell(fault); }
});

async function enter(kind, said) {
  tell(null);
  try { show((await ask(`${place}/entries`, { method: "POST", json: { kind, text: said } }))); } catch (fault) { tell(fault); }
}

function keysOf(sitting) {
  const key = JSON.stringify(sitting.keys), board = at("keys");
  if (board.dataset.now === key) return;
  board.dataset.now = key;
  board.replaceChildren(...Object.entries(sitting.keys).map(([letter, said]) => {
    const button = document.createElement("button"), sign = document.createElement("kbd");
    button.type = "button"; button.dataset.key = letter; button.disabled = !root.dataset.may;
    sign.textContent = letter.toUpperCase(); button.append(words.keys[said] || said, " ", sign);
    button.onclick = () => enter("key", letter);
    return button;
  }));
}

function acts(sitting) {
  const now_live = live.last && live.last.running ? live.last : null, line = (now_live && now_live.line) || {}, phase = sitting.running && now_live ? now_live.phase : "";
  const begun = ["armed", "running", "judging"].includes(phase);
  let now = sitting.running ? "" : "scan";
  if (phase === "waiting for the arming") now = line.open ? "guard" : now_live.arming && now_live.arming.share ? "arm" : "reset";
  const order = ["scan", "guard", "reset", "arm"], here = order.indexOf(now);
  for (const item of root.querySelectorAll("[data-act]")) {
    const n = order.indexOf(item.dataset.act);
    if (item.dataset.act === now) item.setAttribute("aria-current", "step"); else item.removeAttribute("aria-current");
    item.classList.toggle("done", begun || n < here || (Boolean(sitting.running) && n === 0));
  }
}

function show(sitting) {
  state = sitting;
  if (!sitting.goes_on) { location.assign(`/lots/${lot}`); return; }
  const unit = sitting.unit;
  const next = unit ? unit.label : "";
  if (label && next && next !== label && !sitting.running) { location.reload(); return; } // the marks of the units are drawn anew
  if (next) label = next;
  text(at("label"), sitting.running === "check standards" ? "···" : next);
  if (unit) {
    text(at("serial"), (sitting.running && live.last && live.last.run && live.last.run.serial) || unit.listed); text(at("where"), unit.box ? fill(words.box, { n: unit.box }) : unit.listed ? "" : fill(words.delivery, { n: unit.position }));
    text(at("test"), words.tests[unit.test] || unit.test); text(at("place"), fill(words.place, { n: unit.place[0], m: unit.place[1] }));
  }
  at("running").hidden = !sitting.running;
  text(at("running"), sitting.running ? fill(words.wait, { what: sitting.running === "check standards" ? words.standards : `${sitting.running}${live.last && live.last.progress ? ": " + live.last.progress.text : ""}` }) : "");
  at("question").hidden = !sitting.question && !sitting.line;
  text(at("question-text"), sitting.line || sitting.question);
  if (sitting.line && !asking) document.getElementById("sit-line").focus();
  asking = Boolean(sitting.line);
  keysOf(sitting); acts(sitting);
  const said = [...sitting.told].reverse().slice(0, 4), key = JSON.stringify([said, unit && unit.last]);
  if (at("told").dataset.now !== key) {
    at("told").dataset.now = key;
    at("told").replaceChildren(...(said.length ? said : unit && unit.last ? [{ text: unit.last }] : []).map((one) => { const row = document.createElement("p"); row.textContent = `${one.trouble ? "▲ " : ""}${one.text}`; if (one.trouble) row.className = "tone-open"; return row; }));
  }
}

if (root.dataset.goesOn) {
  const line = document.getElementById("sit-line");
  line.addEventListener("scanned", (event) => { line.value = ""; line.blur(); enter("scan", event.detail); });
  line.addEventListener("keydown", (event) => { if (event.key !== "Enter" || !line.value.trim()) return; event.preventDefault(); const said = line.value.trim(); line.value = ""; line.blur(); enter("line", said); });
  const look = async () => { try { const found = (await ask(place)).sitting; if (found) show(found); else location.reload(); } catch { /* it is tried again */ } };
  live.listeners.add(() => { if (state) acts(state); });
  setInterval(look, 500);
  look();
}
