// What every page of the bay does: it shows what is new, sends presses without
// leaving the page, and answers keys.
"use strict";

const page = document.body.dataset.page;

// ---- what is new
async function refresh() {
  const part = document.getElementById("part");
  if (!part) return;
  const answer = await fetch("/part/" + page, { headers: { "X-Part": "1" } });
  if (answer.status === 401) { location.reload(); return; }
  if (!answer.ok) return;
  const open = new Set([...part.querySelectorAll("details[open]")].map((d) => d.className));
  Idiomorph.morph(part, await answer.text(), {
    morphStyle: "innerHTML",
    ignoreActiveValue: true,
    callbacks: { // what somebody is filling in stays
      beforeNodeMorphed: (old, its) => old.id !== "sending" && !(old instanceof HTMLElement && old.matches("input,select,textarea") && (old === document.activeElement || filled(old, its))),
      beforeAttributeUpdated: (name, node) => !(name === "open" && node.tagName === "DETAILS") && !(node.tagName === "BUTTON" && name === "disabled"),
    },
  });
  for (const d of part.querySelectorAll("details")) if (open.has(d.className)) d.open = true;
}

// filled tells whether somebody has put something into a field, and the new page has
// that field too.
function filled(field, its) {
  if (field.type === "hidden" || its.name !== field.name) return false;
  if (field.type === "radio" || field.type === "checkbox") return field.checked !== field.defaultChecked;
  if (field.options) return field.selectedIndex !== Math.max(0, [...field.options].findIndex((o) => o.defaultSelected));
  return field.value !== field.defaultValue;
}

let soon = 0;
function refreshSoon() {
  if (soon) return;
  soon = setTimeout(() => { soon = 0; refresh().catch(() => {}); }, 60);
}

function listen() {
  if (!document.getElementById("part")) return;
  const events = new EventSource("/events");
  events.addEventListener("view", refreshSoon);
  events.addEventListener("live", (e) => showLive(JSON.parse(e.data)));
  events.onopen = () => document.body.classList.remove("away");
  events.onerror = () => document.body.classList.add("away"); // the browser tries again by itself
}

// ---- live values: only texts change, at the camera's rate
function showLive(live) {
  const box = document.getElementById("live");
  if (!box) return;
  const values = box.querySelectorAll(".reading"), readings = live.readings || [];
  if (box.tagName !== "SECTION" || values.length !== readings.length || !box.classList.contains(live.state)) { refreshSoon(); return; }
  box.querySelector(".say").textContent = live.say;
  readings.forEach((r, i) => {
    values[i].querySelector("strong").textContent = r.value;
    values[i].querySelector(".u").textContent = "± " + r.u;
    const mark = values[i].querySelector(".value"), spread = values[i].querySelector(".spread");
    if (mark) {
      const on = (share) => Math.max(1, Math.min(119, 30 + 60 * share));
      mark.setAttribute("d", "M" + on(r.at) + " 0v16");
      spread.setAttribute("x1", on(r.at - r.width));
      spread.setAttribute("x2", on(r.at + r.width));
    }
  });
}

// ---- presses
document.addEventListener("submit", async (e) => {
  const form = e.target;
  if (form.getAttribute("action") !== "/do" || !window.Idiomorph) return;
  e.preventDefault();
  const button = form.querySelector("button");
  button.disabled = true;
  try {
    const answer = await fetch("/do", { method: "POST", headers: { "X-Part": "1" }, body: form.enctype === "multipart/form-data" ? new FormData(form) : new URLSearchParams(new FormData(form)) });
    if (!answer.ok) say(document.body.dataset.error + ": " + (await answer.text()));
    else {
      say("");
      form.reset(); // what was sent is not being filled in any more
    }
    await refresh();
  } catch {
    say(document.body.dataset.error);
  } finally {
    button.disabled = false;
  }
});

function say(text) {
  let box = document.getElementById("said");
  if (!box) {
    box = document.createElement("div");
    box.id = "said";
    box.setAttribute("role", "alert");
    document.body.append(box);
    box.addEventListener("click", () => say(""));
  }
  box.textContent = text;
  box.hidden = !text;
}

// ---- looks and keys
document.addEventListener("click", (e) => {
  const button = e.target.closest("button[data-look]");
  if (!button) return;
  const root = document.documentElement;
  const dark = root.dataset.look ? root.dataset.look === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
  root.dataset.look = dark ? "bright" : "dark";
  try { localStorage.setItem("look", root.dataset.look); } catch { /* for this page only */ }
});

document.addEventListener("keydown", (e) => {
  if (e.ctrlKey || e.metaKey || e.altKey || e.target.matches("input,select,textarea")) return;
  const place = { 1: "now", 2: "readings", 3: "stations" }[e.key];
  if (place) {
    const to = document.getElementById(place);
    if (to) { to.focus(); to.scrollIntoView({ block: "start" }); }
    return;
  }
  const button = document.querySelector('button[data-key="' + CSS.escape(e.key) + '"]');
  if (button) button.click();
});

// ---- a code that came with the address
const enter = document.getElementById("enter");
if (enter && "go" in enter.dataset) enter.requestSubmit();

listen();
