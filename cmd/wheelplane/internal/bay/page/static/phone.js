// Photographs on their way: kept until they have arrived, going on where they
// stopped, never twice.
"use strict";

const list = document.getElementById("queue");
const words = list.dataset;
const fill = (text, ...args) => { let i = 0; return text.replace(/%%|%[sd]/g, (m) => (m === "%%" ? "%" : args[i++])); };
const waiting = [];
let sending = false;

// What was chosen is kept in the browser's own database until it has arrived, so that
// a page that was closed goes on.
const store = new Promise((done) => {
  const open = indexedDB.open("bay", 1);
  open.onupgradeneeded = () => open.result.createObjectStore("files", { autoIncrement: true });
  open.onsuccess = () => done(open.result);
  open.onerror = () => done(null);
});

async function keep(item) {
  const db = await store;
  if (!db || item.file.size > 200e6) return; // a film that large is sent from the page alone
  await new Promise((done) => {
    const t = db.transaction("files", "readwrite");
    const r = t.objectStore("files").add({ file: item.file, kind: item.kind, station: item.station });
    r.onsuccess = () => { item.key = r.result; };
    t.oncomplete = t.onerror = t.onabort = done;
  });
}

async function drop(item) {
  const db = await store;
  if (db && item.key !== undefined) db.transaction("files", "readwrite").objectStore("files").delete(item.key);
}

async function sum(file) {
  if (!crypto.subtle || file.size > 200e6) return ""; // only where the page is secure
  const h = await crypto.subtle.digest("SHA-256", await file.arrayBuffer());
  return [...new Uint8Array(h)].map((b) => b.toString(16).padStart(2, "0")).join("");
}

function line(item) {
  item.line = document.createElement("li");
  const bar = document.createElement("progress");
  bar.max = 1; bar.value = 0;
  bar.setAttribute("aria-label", item.name);
  item.bar = bar;
  item.text = document.createElement("span");
  item.line.append(item.text, bar);
  list.prepend(item.line);
  document.querySelector(".queue").hidden = false;
  while (list.children.length > 12) list.lastChild.remove();
}

function tell(item, text, kind) {
  item.text.textContent = text;
  item.line.className = kind || "";
  item.bar.hidden = Boolean(kind) && kind !== "waits";
}

let count = 0;
async function add(file, kind) {
  // It belongs to where the vehicle stands now, however late it arrives.
  const here = document.querySelector("[data-station]");
  const item = { file, kind, station: here ? here.dataset.station : "", name: "#" + ++count };
  line(item);
  tell(item, fill(words.sending, item.name, 0));
  await keep(item);
  waiting.push(item);
  next();
}

async function next() {
  if (sending || waiting.length === 0) return;
  sending = true;
  const item = waiting[0];
  let hash = "";
  try { hash = await sum(item.file); } catch { /* sent without */ }
  const end = () => { waiting.shift(); sending = false; drop(item); next(); };
  const up = new tus.Upload(item.file, {
    endpoint: "/up/",
    chunkSize: 4 << 20,
    retryDelays: [0, 500, 1000, 2000, 4000, 8000, 15000],
    removeFingerprintOnSuccess: true,
    metadata: { kind: item.kind, ...(item.station && { station: item.station }), ...(hash && { sha256: hash }) },
    onShouldRetry: (e) => {
      const status = e.originalResponse ? e.originalResponse.getStatus() : 0;
      if (status === 0 || status >= 500 || status === 423 || status === 409 || status === 460) { tell(item, fill(words.waiting, item.name), "waits"); return true; }
      return false;
    },
    onProgress: (sent, all) => {
      item.bar.value = sent / all;
      tell(item, sent === all ? fill(words.looking, item.name) : fill(words.sending, item.name, Math.floor((100 * sent) / all)));
    },
    onError: (e) => {
      const r = e.originalResponse, status = r ? r.getStatus() : 0;
      if (status === 0 || status === 423 || status === 429 || status > 500) { // no connection for long: again when there is one
        tell(item, fill(words.waiting, item.name), "waits");
        sending = false;
        setTimeout(next, 5000);
        return;
      }
      if (status === 401) { location.reload(); return; } // kept: it goes on once inside
      tell(item, fill(words.refused, item.name, r.getBody().replace(/^REFUSED:\s*/, "").trim() || status), "refused");
      if (status !== 500) { end(); return; }
      // The server could not: the photograph is kept, to be sent again.
      waiting.shift();
      sending = false;
      const again = document.createElement("button");
      again.textContent = words.again;
      again.addEventListener("click", () => { again.remove(); tell(item, fill(words.sending, item.name, 0)); waiting.push(item); next(); });
      item.line.append(again);
      next();
    },
    onSuccess: (payload) => {
      let taken = {};
      try { taken = JSON.parse(payload.lastResponse.getBody()); } catch { /* it arrived; the page tells the rest */ }
      if (taken.refused) tell(item, fill(words.refused, item.name, taken.refused), "refused");
      else tell(item, fill(taken.before ? words.before : words.taken, item.name), "taken");
      end();
    },
  });
  // The same file goes on where it stopped, in this page or an earlier one.
  const before = await up.findPreviousUploads();
  if (before.length) up.resumeFromPreviousUpload(before[0]);
  up.start();
}

document.addEventListener("change", (e) => {
  const input = e.target;
  if (!input.dataset.kind) return;
  for (const file of input.files) add(file, input.dataset.kind);
  input.value = ""; // or the same photograph could not be chosen again
});
window.addEventListener("online", () => { if (!sending) next(); });

// What an earlier page has not sent.
store.then((db) => {
  if (!db) return;
  const walk = db.transaction("files").objectStore("files").openCursor();
  walk.onsuccess = () => {
    const c = walk.result;
    if (!c) { next(); return; }
    const item = { file: c.value.file, kind: c.value.kind, station: c.value.station, name: "#" + ++count, key: c.key };
    line(item);
    tell(item, fill(words.waiting, item.name), "waits");
    waiting.push(item);
    c.continue();
  };
});
