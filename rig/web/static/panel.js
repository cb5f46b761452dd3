// What every page does by itself: forms and buttons over the interface, entries that survive, scanner, keys, bench line.
// Nothing here arms or resumes a bench; there is no route that could.

const body = document.body, words = JSON.parse(body.dataset.words);
const SCAN_GAP_MS = 35, SCAN_LEAST = 4, SCAN_MOST = 64, ENTRY_HOURS = 24, HOLD_MS = 800;

// ---- asking the panel ------------------------------------------------------------------------------------------

export async function ask(path, { method = "GET", json, form } = {}) {
  const headers = { Accept: "application/json" };
  if (method !== "GET") headers["X-Csrf"] = body.dataset.csrf;
  if (json !== undefined) headers["Content-Type"] = "application/json";
  let answer;
  try {
    answer = await fetch(path, { method, headers, body: json !== undefined ? JSON.stringify(json) : form, credentials: "same-origin" });
  } catch {
    throw { detail: words.silent, next_action: words.silent_more };
  }
  const data = (answer.headers.get("content-type") || "").includes("json") ? await answer.json() : null;
  if (answer.status === 401) {
    if (await signInAgain()) return ask(path, { method, json, form });
    throw { detail: words.out, next_action: words.kept };
  }
  if (!answer.ok) throw data || { detail: `${words.answer} ${answer.status}.`, next_action: "" };
  return data;
}

export function tell(fault) {
  const place = document.getElementById("trouble");
  place.replaceChildren();
  if (!fault) return;
  const box = document.createElement("p"), strong = document.createElement("b");
  box.className = "trouble";
  strong.textContent = fault.detail || String(fault);
  box.append(strong, " ", fault.next_action || "");
  if (fault.faults) for (const one of fault.faults) { box.append(document.createElement("br"), one); }
  place.append(box);
  box.scrollIntoView({ block: "nearest" });
}

function signInAgain() {
  const dialog = document.getElementById("sign-in-again");
  return new Promise((done) => {
    const name = dialog.querySelector("#again-name"), password = dialog.querySelector("#again-password");
    const trouble = dialog.querySelector("#again-trouble"), form = dialog.querySelector("form");
    trouble.textContent = "";
    password.value = "";
    const finish = (good) => { form.onsubmit = null; dialog.close(); done(good); };
    dialog.querySelector("[value=cancel]").onclick = () => finish(false);
    dialog.oncancel = () => finish(false);
    form.onsubmit = async (event) => {
      event.preventDefault();
      const headers = { "Content-Type": "application/json" };
      const answer = await fetch("/api/v1/sessions", { method: "POST", headers, body: JSON.stringify({ name: name.value, password: password.value }) });
      if (!answer.ok) { const said = await answer.json(); trouble.textContent = `${said.detail} ${said.next_action}`; return; }
      body.dataset.csrf = (await (await fetch("/api/v1/me")).json()).csrf || "";
      finish(true);
    };
    dialog.showModal();
    (name.value ? password : name).focus();
  });
}

// ---- forms and buttons -----------------------------------------------------------------------------------------

const kept = (form) => `entry:${form.dataset.form}`;

function keepEntry(form) {
  const fields = {};
  for (const field of form.elements) if (field.name && field.type !== "file" && field.type !== "password") fields[field.name] = field.type === "checkbox" ? field.checked : field.value;
  localStorage.setItem(kept(form), JSON.stringify({ at: Date.now(), fields }));
}

function restoreEntry(form) {
  const found = JSON.parse(localStorage.getItem(kept(form)) || "null");
  if (!found || Date.now() - found.at > ENTRY_HOURS * 3.6e6) return;
  for (const field of form.elements) {
    if (!field.name || !(field.name in found.fields) || field.dataset.fixed !== undefined) continue;
    if (field.type === "checkbox") field.checked = found.fields[field.name]; else field.value = found.fields[field.name];
  }
}

function entryOf(form) {
  const json = {}, read = [...document.querySelectorAll("[data-caution]:not([hidden]), [data-caution-master]:not([hidden])")];
  if (read.length) json.cautions = read.map((one) => one.textContent.trim().slice(0, 64));
  for (const field of form.elements) {
    if (!field.name || field.type === "file" || field.type === "submit") continue;
    if (field.type === "checkbox") json[field.name] = field.checked;
    else if (field.type === "number") json[field.name] = field.value === "" ? null : Number(field.value);
    else if (field.dataset.lines !== undefined) json[field.name] = field.value.split("\n").map((one) => one.trim()).filter(Boolean);
    else json[field.name] = field.value;
  }
  return json;
}

async function send(form) {
  tell(null);
  try {
    const file = form.querySelector("input[type=file]");
    let data;
    if (form.dataset.upload) {
      const parcel = new FormData();
      parcel.append("file", file.files[0]);
      data = await ask(form.dataset.upload, { method: "POST", form: parcel });
    } else data = await ask(form.dataset.post, { method: form.dataset.method || "POST", json: entryOf(form) });
    localStorage.removeItem(kept(form));
    if (form.dataset.show) { document.getElementById(form.dataset.show).textContent = data.text || data.state || JSON.stringify(data); return; }
    if (form.dataset.then) location.assign(form.dataset.then.replace("{run}", data.run || "").replace("{id}", data.id || "")); else location.reload();
  } catch (fault) { tell(fault); }
}

for (const form of document.querySelectorAll("form[data-form]")) {
  restoreEntry(form);
  form.addEventListener("input", () => keepEntry(form));
  form.addEventListener("submit", (event) => { event.preventDefault(); send(form); });
}

async function press(button) {
  tell(null);
  button.disabled = true;
  try {
    const json = button.dataset.from ? { reason: document.getElementById(button.dataset.from).value } : JSON.parse(button.dataset.body || "{}");
    await ask(button.dataset.post, { method: button.dataset.method || "POST", json: button.dataset.method === "DELETE" ? undefined : json });
    if (button.dataset.then) location.assign(button.dataset.then); else location.reload();
  } catch (fault) { tell(fault); } finally { button.disabled = false; }
}

// A held button: a click held as long, or K held; key repeats, bursts and a foot switch do not count.
export function hold(button, act) {
  let timer = 0;
  const begin = () => { if (!timer && !button.disabled) { button.classList.add("held"); timer = setTimeout(() => { end(); act(); }, HOLD_MS); } };
  const end = () => { clearTimeout(timer); timer = 0; button.classList.remove("held"); };
  button.addEventListener("pointerdown", begin);
  for (const name of ["pointerup", "pointerleave", "pointercancel", "blur"]) button.addEventListener(name, end);
  addEventListener("keydown", (event) => { if (event.key.toLowerCase() === "k" && !event.repeat && !typing(event.target)) begin(); });
  addEventListener("keyup", (event) => { if (event.key.toLowerCase() === "k") end(); });
}

for (const button of document.querySelectorAll("button[data-post]")) {
  if (button.dataset.hold !== undefined) hold(button, () => { if (!button.form) press(button); else if (button.form.reportValidity()) send(button.form); });
  else button.addEventListener("click", () => press(button));
}
for (const button of document.querySelectorAll("button[data-acknowledge]")) {
  hold(button, () => { button.dataset.acknowledged = new Date().toISOString(); button.dispatchEvent(new CustomEvent("acknowledged", { bubbles: true })); });
}

for (const button of document.querySelectorAll("button[data-embed]")) button.addEventListener("click", () => {
  const view = document.createElement("iframe"); // shown when asked for: not every browser has a viewer of its own
  view.src = button.dataset.embed; view.title = button.textContent; view.style.cssText = "width:100%;height:78vh;border:0";
  button.closest(".sheet").append(view); button.remove();
});

// ---- keys and scanner ------------------------------------------------------------------------------------------

export const typing = (target) => target instanceof HTMLElement && (target.matches("input:not([type=checkbox]):not([type=radio]), textarea, select") || target.isContentEditable);
let burst = "", lastAt = 0, cameFrom = null, before = "";

function scanned(text) {
  const line = document.querySelector("[data-scan]");
  if (!line) return;
  if (cameFrom && typing(cameFrom) && cameFrom !== line) cameFrom.value = before; // a scan never lands in another field
  line.value = text;
  line.dispatchEvent(new Event("input", { bubbles: true }));
  line.dispatchEvent(new CustomEvent("scanned", { bubbles: true, detail: text }));
  if (line.form && line.form.matches("[role=search], .search")) line.form.requestSubmit();
}

addEventListener("keydown", (event) => {
  if (event.isComposing || event.ctrlKey || event.metaKey || event.altKey) return;
  const now = event.timeStamp; // when the key came, not when a busy page looked at it
  if (event.key.length === 1) {
    if (now - lastAt > SCAN_GAP_MS) { burst = ""; cameFrom = event.target; before = typing(event.target) ? event.target.value : ""; }
    burst = (burst + event.key).slice(0, SCAN_MOST);
    lastAt = now;
  } else if (event.key === "Enter" && burst.length >= SCAN_LEAST && now - lastAt <= SCAN_GAP_MS) {
    event.preventDefault();
    const text = burst.replace(/[^\x20-\x7e\u00a0-\uffff]/g, "");
    burst = "";
    scanned(text);
    return;
  }
  if (event.key === "Escape" && live.stoppable && !document.querySelector("dialog[open]")) { event.preventDefault(); stopRun(); return; }
  if (typing(event.target) || event.repeat || document.querySelector("dialog[open]")) return;
  if (event.key === " " && event.target.closest("button, a, summary, [role=button]")) return;
  const wanted = event.key.toLowerCase(), at = now;
  const control = [...document.querySelectorAll("[data-key]")].find((one) => one.dataset.key === wanted && !one.disabled && one.offsetParent !== null);
  if (!control) return;
  event.preventDefault();
  // A scanner's first character must not press a button: wait until it is clear that no burst follows.
  setTimeout(() => { if (lastAt <= at) control.click(); }, SCAN_GAP_MS + 15);
});

// ---- the head --------------------------------------------------------------------------------------------------

const menu = document.querySelector(".menu");
if (menu) menu.addEventListener("click", () => menu.setAttribute("aria-expanded", String(menu.closest(".head").classList.toggle("unfolded"))));
const clock = document.querySelector("[data-clock]");
if (clock) setInterval(() => { clock.textContent = new Date().toTimeString().slice(0, 5); }, 5000);
for (const choice of document.querySelectorAll("[data-cookie]")) choice.addEventListener("change", () => { document.cookie = `${choice.dataset.cookie}=${choice.value};path=/;max-age=31536000;samesite=strict`; location.reload(); });

// ---- the bench line and the live feed --------------------------------------------------------------------------

export const live = { stoppable: false, socket: null, listeners: new Set(), last: null };

export function sendVerb(verb, more = {}) {
  if (live.socket && live.socket.readyState === WebSocket.OPEN) live.socket.send(JSON.stringify({ verb, ...more }));
}

export function stopRun() {
  sendVerb("stop");
  ask(`/api/v1/benches/${encodeURIComponent(body.dataset.bench)}/stop`, { method: "POST", json: {} }).catch(tell); // twice is once: the stop latches
}

function showLine(line) {
  const at = (name) => document.querySelector(`[data-live="${name}"]`);
  const state = at("state");
  if (!state) return;
  if (state.dataset.state !== line.state) { state.dataset.state = line.state; state.textContent = line.state_words || line.state; }
  for (const [name, text] of [["now", line.now], ["guard", line.guard]]) if (at(name).textContent !== text) at(name).textContent = text;
  live.stoppable = line.stoppable;
  for (const name of ["stop", "no-emergency"]) at(name).hidden = !line.stoppable;
}

function connect(wait = 250) {
  const socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/live`);
  live.socket = socket;
  socket.onopen = () => { wait = 250; socket.send(JSON.stringify({ verb: "hello", page: location.pathname })); };
  socket.onmessage = (event) => {
    const message = JSON.parse(event.data);
    if (message.line) showLine(message.line);
    live.last = message;
    for (const listener of live.listeners) listener(message);
  };
  socket.onclose = () => {
    showLine({ state: "NO ANSWER", state_words: words.no_answer, now: words.gone, guard: words.again, stoppable: live.stoppable });
    setTimeout(() => connect(Math.min(2 * wait, 2000)), wait);
  };
}

if (document.querySelector(".bench-line")) {
  connect();
  document.querySelector('[data-live="stop"]').addEventListener("click", stopRun);
}
