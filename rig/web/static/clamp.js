// The clamp page: a scan fills the serial, the caution is read and held, then the run can be asked for.
import { typing } from "/static/panel.js";

const form = document.getElementById("clamp-form"), ask = document.getElementById("ask");
const button = document.querySelector("[data-acknowledge]"), said = document.getElementById("acknowledged");
const master = document.querySelector("[data-caution-master]");

function ready() { return Boolean(button.dataset.acknowledged) && form.serial.value.trim() !== ""; }
function renew() {
  if (ask) ask.disabled = !ready();
  master.hidden = form.rotor.value !== "shop master";
}

button.addEventListener("acknowledged", () => {
  said.textContent = "✓ " + new Date().toTimeString().slice(0, 8);
  document.getElementById("step-clamped").classList.add("done");
  renew();
});
form.addEventListener("input", renew);
form.rotor.addEventListener("change", () => { delete button.dataset.acknowledged; said.textContent = ""; renew(); });
form.part.addEventListener("change", () => { location.assign(`/clamp?part=${encodeURIComponent(form.part.value)}&serial=${encodeURIComponent(form.serial.value)}`); });
form.serial.addEventListener("scanned", () => form.serial.blur());
form.serial.addEventListener("keydown", (event) => { if (event.key === "Enter") { event.preventDefault(); form.serial.blur(); } }); // the next key acts on the page
addEventListener("keydown", (event) => {
  if (event.key === " " && !event.repeat && !typing(event.target) && !event.target.closest("button, a") && ready()) { event.preventDefault(); form.requestSubmit(); }
});
renew();
