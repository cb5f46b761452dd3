// Guided pins: the pair to touch wears a ring on both faces; a click on two pins chooses another pair. Nothing is driven.
import { ask, tell } from "/static/panel.js";

const root = document.getElementById("pins-page"), words = JSON.parse(root.dataset.words), form = document.getElementById("pins-form");
const at = (name) => root.querySelector(`[data-pins="${name}"]`), KEPT = "pins:rows";
const fill = (said, places) => said.replace(/\{(\w+)\}/g, (_, name) => places[name]);
let rows = JSON.parse(localStorage.getItem(KEPT) || "[]"), found = null, chosen = [], names = [];

const svg = (name, attributes, inner) => { const made = document.createElementNS("http://www.w3.org/2000/svg", name); for (const key in attributes) made.setAttribute(key, attributes[key]); if (inner !== undefined) made.textContent = inner; return made; };
const pair = () => chosen.length === 2 ? chosen : found && found.next ? [found.next.pin_a, found.next.pin_b] : [];
const table = () => ({ pins: form.pins.value.trim(), rows, lead_ohm: form.lead.value.trim() ? Number(form.lead.value.replace(",", ".")) : null });

// What each pin has been found to be: its look and the letter below it. Ends have no proven sign: 1 and 2.
function looks() {
  const by = {}, pins = found && found.found;
  if (!pins) return by;
  const give = (list, look, letter) => (list || []).forEach((pin, i) => { by[pin] = [look, `${letter}${i + 1}`]; });
  const outputs = pins.outputs || [];
  for (const coil of pins.coils || []) give(coil.pins, "pin-plain", "?");
  for (const one of pins.sensors || []) give(one.pins, "pin-plain", "T");
  give(pins.excitation, "pin-exc", "E"); give(outputs[0], "pin-sin", "A"); give(outputs[1], "pin-cos", "B");
  return by;
}

function drawFace(board, mirrored) {
  const half = Math.ceil(names.length / 2) || 1, step = 64, wide = step * half + 48, high = 196, by = looks(), now = pair();
  board.setAttribute("viewBox", `0 0 ${wide} ${high}`);
  board.replaceChildren(svg("rect", { x: 2, y: 12, width: wide - 4, height: high - 14, rx: 44, class: "face" }), svg("path", { d: `M${wide / 2 - 18} 12v-9h36v9`, class: "face" }));
  names.forEach((name, n) => {
    const row = n < half ? 0 : 1, place = n - row * half, x = 24 + step * ((mirrored ? half - 1 - place : place) + 0.5), y = 58 + 82 * row;
    const [look, letter] = by[name] || ["pin-plain", ""], spot = svg("g", { tabindex: 0, role: "button", "aria-label": fill(words.pin, { a: name }), class: "spot" });
    if (now.includes(name)) spot.append(svg("circle", { cx: x, cy: y, r: 28, class: "pin-ring" }));
    spot.append(svg("circle", { cx: x, cy: y, r: 22, class: look }), svg("text", { x, y: y + 6, class: `${look}-name` }, name), svg("text", { x, y: y + 40, class: "pin-below" }, letter));
    const choose = () => { chosen = chosen.length === 2 || chosen.includes(name) ? [name] : [...chosen, name]; draw(); form.ohm.focus(); };
    spot.addEventListener("click", choose);
    spot.addEventListener("keydown", (event) => { if (event.key === "Enter" || event.key === " ") { event.preventDefault(); choose(); } });
    board.append(spot);
  });
}

function draw() {
  for (const board of root.querySelectorAll("[data-face]")) drawFace(board, board.dataset.face === "wires");
  const now = pair();
  if (found) {
    at("touch").textContent = now.length ? fill(now[1] === "core" ? words.core : words.touch, { a: now[0], b: now[1] }) : words.done;
    at("why").textContent = now.length ? `${fill(words.pair, { n: found.taken + 1 })} ${chosen.length === 2 ? "" : `(${words.why[found.next.why] || found.next.why})`}` : "";
  }
  const pins = (found && found.found) || {}, same = (a, b) => a && b && [...a].sort().join() === [...b].sort().join();
  const circuits = [...(pins.coils || []), ...(pins.sensors || [])];
  at("count").textContent = circuits.length || "";
  at("circuits").replaceChildren(...circuits.map((one) => {
    const outputs = pins.outputs || [], what = (pins.sensors || []).includes(one) ? words.sensor : same(one.pins, pins.excitation) ? words.excitation : same(one.pins, outputs[0]) ? words.output : same(one.pins, outputs[1]) ? words.other : words.coil;
    const row = document.createElement("tr");
    [one.pins.join(" – "), one.ohm === null ? "" : Number(one.ohm).toPrecision(4), what].forEach((said, i) => { const cell = document.createElement("td"); cell.textContent = said; if (i === 1) cell.className = "n"; row.append(cell); });
    return row;
  }));
  at("because").textContent = pins.evidence || "";
  const open = (pins.undecided || []).map((one) => `${one.what}: ${one.why}`).concat((found && found.reasons || []).map((one) => one.text));
  if (open.length) at("open").replaceChildren(...open.map((said) => { const item = document.createElement("li"); item.textContent = said; return item; }));
  const draft = document.getElementById("draft");
  if (draft) draft.disabled = !(pins.excitation && pins.excitation.length);
}

async function look() {
  tell(null);
  try { found = await ask("/api/v1/pins", { method: "POST", json: table() }); names = found.pins; chosen = []; localStorage.setItem(KEPT, JSON.stringify(rows)); draw(); return true; } catch (fault) { tell(fault); return false; }
}

async function take(ohm) {
  const now = pair(), before = rows;
  if (!now.length || !ohm) return;
  rows = [...rows.filter((one) => !(now.includes(one.pin_a) && now.includes(one.pin_b))), { pin_a: now[0], pin_b: now[1], ohm }];
  if (await look()) form.ohm.value = ""; else rows = before; // what can't be read stays to be mended
  form.ohm.focus();
}

form.addEventListener("submit", (event) => { event.preventDefault(); event.stopImmediatePropagation(); take(form.ohm.value.trim()); }, true);
document.getElementById("pins-open").addEventListener("click", () => take("OL"));
document.getElementById("pins-back").addEventListener("click", () => { rows = rows.slice(0, -1); look(); });
form.pins.addEventListener("change", () => { rows = []; look(); });
form.lead.addEventListener("change", look);
const draftForm = document.getElementById("draft-form");
if (draftForm) draftForm.addEventListener("submit", async (event) => {
  event.preventDefault(); event.stopImmediatePropagation();
  try { const made = await ask("/api/v1/pins/drafts", { method: "POST", json: { ...table(), name: draftForm.name.value.trim() } }); at("written").textContent = `✓ parts/${made.part}.toml`; } catch (fault) { tell(fault); }
}, true);
look();
