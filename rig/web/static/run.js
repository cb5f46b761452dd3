// The run page: draws what the live feed says. A picture, never a result: nothing turns green or red before judging.
import { live, sendVerb } from "/static/panel.js";

const root = document.getElementById("run"), words = JSON.parse(root.dataset.words);
const at = (name) => root.querySelector(`[data-run="${name}"]`);
const limit = Number(root.dataset.limit) || 0, expected = Number(root.dataset.u) || 0;
const COILS = words.coils;
let points = fresh(0), runId = null, said = "", sound = null, drew = 0;

function fresh(epoch) { return { epoch, n: 0, place: [], way: [], error: [], sine: [], cosine: [], shift: 0, p: 1 }; }
const comma = document.documentElement.lang === "de" ? "," : ".";
const figure = (value, digits) => (digits === undefined ? String(value) : value.toFixed(digits)).replace(".", comma).replace("-", "−");
const text = (element, value) => { if (element && element.textContent !== value) element.textContent = value; };
const svg = (name, attributes, inner) => { const made = document.createElementNS("http://www.w3.org/2000/svg", name); for (const key in attributes) made.setAttribute(key, attributes[key]); if (inner) made.textContent = inner; return made; };

// ---- four sounds that differ in contour: end, trouble, drop-out, return ------------------------------------------
function play(contour) {
  try {
    sound = sound || new AudioContext();
    let when = sound.currentTime;
    for (const [hertz, seconds] of contour) {
      const tone = sound.createOscillator(), level = sound.createGain();
      tone.frequency.setValueAtTime(hertz, when);
      level.gain.setValueAtTime(0.15, when); level.gain.linearRampToValueAtTime(0, when + seconds);
      tone.connect(level).connect(sound.destination);
      tone.start(when); tone.stop(when + seconds); when += seconds * 0.9;
    }
  } catch { /* a browser without sound shows the same in words */ }
}
export const SOUNDS = { end: [[523, 0.18], [659, 0.18], [784, 0.4]], trouble: [[330, 0.25], [330, 0.25], [330, 0.25]], loss: [[660, 0.2], [440, 0.35]], back: [[440, 0.2], [660, 0.35]] };

// ---- the next action ------------------------------------------------------------------------------------------
function nextAction(m) {
  const line = m.line, phase = m.phase;
  if (line.state === "NO ANSWER") return [words.gone, words.gone_more];
  if (!m.running && !m.ended) return [words.idle, words.idle_more];
  if (m.ended) return m.ended.complete ? [words.ended, words.outcomes[m.ended.outcome] || m.ended.outcome || ""] : [words.stopped, (m.ended.fault && `${m.ended.fault.message} ${m.ended.fault.next}`) || m.ended.program_fault || ""];
  if (phase === "opening") return [words.opening, words.opening_more];
  if (phase === "waiting for the arming") {
    if (line.open) return [words.close, words.arm_more];
    if (line.pressed) return [words.pressed, words.arm_more];
    const share = m.arming && m.arming.share ? ` ${Math.round(100 * m.arming.share)} %` : "";
    return [words.reset + share, (m.arming && m.arming.why) || words.arm_more];
  }
  if (phase === "judging") return [words.judging, words.judging_more];
  const named = m.progress ? (m.run.steps || []).find(([name]) => name === m.progress.step) : null;
  const step = named ? words.titles[named[1]] || named[1] : m.progress ? m.progress.text : "";
  return [line.state === "OHMS" ? step : words.closed, line.state === "OHMS" ? line.guard : `${step}. ${words.nothing}`];
}

// ---- pictures -------------------------------------------------------------------------------------------------
function take(curve) {
  if (curve.epoch !== points.epoch || curve.n < points.n) points = fresh(curve.epoch);
  if (curve.since !== undefined && curve.since !== points.place.length) for (const key of ["place", "way", "error", "sine", "cosine"]) points[key].length = Math.min(points[key].length, curve.since);
  for (const key of ["place", "way", "error", "sine", "cosine"]) points[key].push(...curve[key]);
  points.n = curve.n; points.shift = curve.shift || 0; points.p = curve.pole_pairs || points.p;
  if (curve.elec !== undefined) { text(at("elec"), `${figure(curve.elec, 1)}°`); text(at("mech"), `${figure(curve.mech, 1)}°`); }
}

// Points of one pass in the order of their angle, parted where more than 12 degrees mechanical are still to come.
function pieces(points) {
  const found = [];
  for (const one of points) { const last = found.at(-1); if (last && one[0] - last.at(-1)[0] <= 12) last.push(one); else found.push([one]); }
  return found;
}

function drawError() {
  const board = at("error"), narrow = innerWidth < 700, left = narrow ? 44 : 52, right = narrow ? 400 : 800, top = 14, bottom = 210;
  board.setAttribute("viewBox", narrow ? "0 0 420 250" : "0 0 820 250");
  const largest = points.error.reduce((most, one) => Math.max(most, Math.abs(one - points.shift)), 0);
  const reach = Math.max(1.15 * largest, 1.2 * limit, 1) || 1;
  const x = (deg) => left + ((deg % 360 + 360) % 360) / 360 * (right - left), y = (value) => (top + bottom) / 2 - value / reach * (bottom - top) / 2;
  board.replaceChildren();
  for (let deg = 0; deg <= 360; deg += narrow ? 90 : 45) { board.append(svg("text", { x: left + deg / 360 * (right - left), y: bottom + 20, "text-anchor": "middle" }, String(deg))); }
  board.append(svg("text", { x: (left + right) / 2, y: bottom + 38, "text-anchor": "middle" }, words.axis));
  const step = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000].find((one) => reach / one <= 3) || reach;
  for (let value = -Math.floor(reach / step) * step; value <= reach; value += step) {
    board.append(svg("path", { class: value === 0 ? "axis" : "grid", d: `M${left} ${y(value)}H${right}` }), svg("text", { x: left - 8, y: y(value) + 4, "text-anchor": "end" }, String(value).replace("-", "−")));
  }
  if (limit) for (const sign of [1, -1]) board.append(svg("path", { class: "limit", d: `M${left} ${y(sign * limit)}H${right}` }));
  if (limit) board.append(svg("text", { x: right, y: y(limit) - 6, "text-anchor": "end", style: "fill:var(--ink)" }, `${words.limit} ± ${figure(limit)}′`));
  for (const way of [1, -1]) {
    const mine = []; for (let i = 0; i < points.place.length; i++) if (points.way[i] === way) mine.push([(points.place[i] % 360 + 360) % 360, points.error[i] - points.shift]);
    if (!mine.length) continue;
    mine.sort((a, b) => a[0] - b[0]);
    if (expected) for (const piece of pieces(mine)) {
      const upper = piece.map(([deg, e], i) => `${i ? "L" : "M"}${x(deg).toFixed(1)} ${y(e + expected).toFixed(1)}`).join("");
      const lower = piece.slice().reverse().map(([deg, e]) => `L${x(deg).toFixed(1)} ${y(e - expected).toFixed(1)}`).join("");
      board.append(svg("path", { class: way === 1 ? "band" : "band back", d: `${upper}${lower}Z` }));
    }
    const d = pieces(mine).map((piece) => piece.map(([deg, e], i) => `${i ? "L" : "M"}${x(deg).toFixed(1)} ${y(e).toFixed(1)}`).join("")).join("");
    board.append(svg("path", { class: way === 1 ? "ccw" : "cw", d }));
  }
  if (points.place.length) board.append(svg("path", { class: "here", d: `M${x(points.place.at(-1)).toFixed(1)} ${top}V${bottom}` }));
}

function drawCircle() {
  const board = at("circle"), cx = 110, cy = 110, r = 78;
  board.replaceChildren(svg("path", { class: "grid", d: `M5 ${cy}H215M${cx} 5V215` }), svg("circle", { class: "circle", cx, cy, r }));
  board.append(svg("text", { x: 4, y: 16 }, `↑ ${words.coils.sin}`), svg("text", { x: 216, y: 214, "text-anchor": "end" }, `${words.coils.cos} →`));
  const shapes = [(px, py) => svg("circle", { cx: px, cy: py, r: 2.6, fill: "var(--petrol)" }), (px, py) => svg("rect", { x: px - 2.4, y: py - 2.4, width: 4.8, height: 4.8, fill: "var(--rust)" }), (px, py) => svg("path", { d: `M${px} ${py - 3.2}l3 5.4h-6z`, fill: "var(--plain)" }), (px, py) => svg("circle", { cx: px, cy: py, r: 2.6, fill: "none", stroke: "var(--pass)", "stroke-width": 1.4 })];
  const thin = Math.max(1, Math.ceil(points.sine.length / 240));
  for (let i = 0; i < points.sine.length; i += thin) {
    const angle = Math.atan2(points.sine[i], points.cosine[i]), size = Math.hypot(points.sine[i], points.cosine[i]);
    const out = r * Math.min(Math.max(1 + 20 * (size - 1), 0.1), 1.35), cycle = Math.floor(((points.place[i] % 360 + 360) % 360) / 360 * points.p) % shapes.length;
    board.append(shapes[cycle](cx + out * Math.cos(angle), cy - out * Math.sin(angle)));
  }
  if (points.sine.length) { const a = Math.atan2(points.sine.at(-1), points.cosine.at(-1)); board.append(svg("path", { class: "hand", d: `M${cx} ${cy}L${cx + r * Math.cos(a)} ${cy - r * Math.sin(a)}` })); }
}

function drawRecord(record, last) {
  if (record) record.channels.forEach((name, row) => {
    const path = root.querySelector(`[data-trace="${name}"]`), volts = record.volts[row];
    if (!path || !volts.length) return;
    const most = Math.max(1e-9, ...volts.map(Math.abs));
    path.setAttribute("d", volts.map((v, i) => `${i ? "L" : "M"}${(300 * i / (volts.length - 1)).toFixed(1)} ${(22 - 19 * v / most).toFixed(1)}`).join(""));
  });
  if (last) for (const name in last) text(root.querySelector(`[data-rms="${name}"]`), name === "exc_i" ? `${figure(1000 * last[name], 1)} mA` : last[name] < 0.1 ? `${figure(1000 * last[name], 2)} mV` : `${figure(last[name], 3)} V`);
}

const ohmText = (one) => one.overload ? words.over : one.ohm >= 1e6 ? `${figure(one.ohm / 1e6, 2)} MΩ` : one.ohm >= 1e3 ? `${figure(one.ohm / 1e3, 3)} kΩ` : `${figure(one.ohm, 3)} Ω`;

function drawOhms(ohms) {
  const rows = Object.entries(ohms).map(([coil, one]) => [COILS[coil] || coil, ohmText(one)]);
  const board = at("ohms");
  if (board.dataset.now === JSON.stringify(rows)) return;
  board.dataset.now = JSON.stringify(rows);
  board.replaceChildren(...rows.map(([name, value]) => { const row = document.createElement("tr"), a = document.createElement("td"), b = document.createElement("td"); a.textContent = name; b.textContent = value; b.className = "n"; row.append(a, b); return row; }));
}

function drawSteps(m) {
  const all = m.run.steps || [], done = new Set(m.done_steps), now = m.progress ? m.progress.step : "";
  text(at("count"), all.length ? `${all.filter(([name]) => done.has(name)).length} / ${all.length}` : "");
  const key = `${now}|${m.done_steps.length}`, board = at("steps");
  if (board.dataset.now === key) return;
  board.dataset.now = key;
  const here = all.findIndex(([name]) => name === now), first = Math.max(0, Math.min(here - 3, all.length - 12));
  board.replaceChildren(...all.slice(first, first + 12).map(([name, title]) => { const item = document.createElement("li"); item.textContent = `${done.has(name) ? "✓" : name === now ? "" : "○"} ${words.titles[title] || title}`; if (name === now) item.setAttribute("aria-current", "step"); return item; }));
}

// What the run's own gates have let pass: a step with a gate is passed once another one has begun. No verdict: the rest is judged.
function drawSound(m) {
  const done = new Set(m.done_steps), now = m.progress ? m.progress.step : "";
  const rows = (m.run.steps || []).filter(([name]) => words.gates[name]).map(([name]) => [words.gates[name], done.has(name), name === now]);
  const all = m.ended && m.ended.complete;
  rows.push([all ? words.judged : words.judging_rest, all, m.phase === "judging"]);
  text(at("sound-count"), `${rows.filter(([, passed]) => passed).length} / ${rows.length}`);
  const board = at("sound"), key = JSON.stringify(rows);
  if (board.dataset.now === key) return;
  board.dataset.now = key;
  board.replaceChildren(...rows.map(([said, passed, here]) => { const item = document.createElement("li"); item.textContent = `${passed ? "✓" : "○"} ${said}`; if (here) item.setAttribute("aria-current", "step"); return item; }));
}

function drawStrips(m) {
  const begun = points.place.length > 1 ? Math.min(1, (Math.max(...points.place.filter((_, i) => points.way[i] === 1), points.place[0]) - Math.min(...points.place)) / 360) : 0;
  at("ccw").style.cssText = `left:0;width:${100 * begun}%`;
  const back = points.place.filter((_, i) => points.way[i] === -1);
  const returned = back.length ? Math.min(1, (Math.max(...back) - Math.min(...back)) / 360) : 0;
  at("cw").style.cssText = `right:0;width:${100 * returned}%`;
  const left = m.progress ? m.progress.time_left_s : null;
  text(at("left"), left === null || left === undefined || m.ended || m.phase === "judging" ? "" : left >= 90 ? `${Math.round(left / 60)} min ${words.left}` : `${Math.round(left)} s ${words.left}`);
}

// ---- each message ---------------------------------------------------------------------------------------------
function show(m) {
  if (m.refused || !m.line) return;
  const id = m.run.id || "";
  if (id !== runId) { if (runId !== null && id && !limit) location.reload(); runId = id; points = fresh(0); said = ""; }
  take(m.curve);
  const [next, more] = nextAction(m);
  text(at("next"), next); text(at("more"), more);
  text(at("serial"), m.run.serial || (m.ask && m.running ? "" : "")); text(at("id"), id);
  text(at("about"), m.run.part ? `${m.run.part} · ${m.run.title || m.run.sequence}${m.run.job ? " · " + m.run.job : ""}${m.ask.by ? " · " + m.ask.by : ""}` : "");
  const active = m.running || Boolean(m.ended);
  const watching = (m.run.sequence || "").startsWith("watch");
  at("live").hidden = !id || watching; at("turn").hidden = !points.place.length || watching; at("watch").hidden = !watching || !active;
  const mark = document.getElementById("mark");
  if (mark) mark.hidden = !m.running || Boolean(m.ended);
  if (performance.now() - drew > 90) { drew = performance.now(); if (!at("live").hidden) { drawError(); drawCircle(); } drawRecord(m.record, m.last); }
  drawOhms(m.ohms); drawSteps(m); drawSound(m); if (!at("turn").hidden) drawStrips(m);
  if (watching) { const found = Object.values(m.ohms)[0]; if (found) { if (wasOpen !== null && wasOpen !== found.overload) play(found.overload ? SOUNDS.loss : SOUNDS.back); wasOpen = found.overload; text(at("watch-figure"), found.overload ? words.open : ohmText(found)); } text(at("watch-words"), m.progress ? m.progress.text : ""); }
  ask(m.question);
  at("ended").hidden = !(m.ended && m.ended.run);
  if (m.ended && m.ended.run) { at("open").href = `/units/${m.ended.run}`; }
  const now = m.ended ? (m.ended.complete ? "end" : "trouble") : "";
  if (now && said !== now && runId !== null) play(SOUNDS[now]);
  said = now || said;
}

let asked = null, wasOpen = null;
function ask(question) {
  const number = question ? question.question : null;
  if (number === asked) return;
  asked = number;
  at("question").hidden = !question;
  if (!question) return;
  play(SOUNDS.back);
  text(at("question-text"), question.text);
  at("answers").replaceChildren(...question.answers.map((answer, i) => { const button = document.createElement("button"); button.type = "button"; button.textContent = answer; if (!i) button.className = "first"; button.disabled = !root.dataset.may; button.onclick = () => sendVerb("advance", { question: number, answer }); return button; }));
}

const mark = document.getElementById("mark");
if (mark) mark.addEventListener("click", () => sendVerb("mark", { text: words.marked }));
live.listeners.add(show);
if (live.last) show(live.last);
