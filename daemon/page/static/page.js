// Once a second the page asks for the part of itself that changes each second, and for the rest
// when the database has changed. It takes over what differs, node by node. Nothing that is equal is
// touched, so nothing flickers and selection, focus and scroll position stay. Every word is chosen
// in one place, the server, and the page is the same with and without script.
"use strict";

const PERIOD_MS = 1000;
const PATIENCE_MS = 4000;
const STALE_MS = 5000;
const WHOLE_EACH_MS = 30000;

let lastAnswer = performance.now();
let lastWhole = performance.now();
let stamp = document.body.dataset.stamp;
let asking = false;

function keyOf(node) {
  return node.dataset ? node.dataset.key : undefined;
}

function sameKind(a, b) {
  return a.nodeType === b.nodeType && a.nodeName === b.nodeName && keyOf(a) === keyOf(b);
}

function takeAttributes(now, next) {
  for (const { name } of [...now.attributes]) {
    if (!next.hasAttribute(name)) now.removeAttribute(name);
  }
  for (const { name, value } of next.attributes) {
    if (now.getAttribute(name) !== value) now.setAttribute(name, value);
  }
}

// A child with a key is found by it, so that a row keeps its focus when others come before it.
function takeChildren(now, next) {
  const keyed = new Map();
  for (const child of now.children) if (keyOf(child)) keyed.set(keyOf(child), child);
  let at = now.firstChild;
  for (const child of next.childNodes) {
    const old = keyOf(child) ? keyed.get(keyOf(child)) : at;
    if (old && sameKind(old, child)) {
      if (old === at) at = at.nextSibling;
      else now.insertBefore(old, at);
      takeOver(old, child);
    } else {
      now.insertBefore(document.importNode(child, true), at);
      if (at && !keyOf(at) && !keyOf(child)) {
        const gone = at;
        at = at.nextSibling;
        gone.remove();
      }
    }
  }
  while (at) {
    const gone = at;
    at = at.nextSibling;
    gone.remove();
  }
}

function takeOver(now, next) {
  if (now.nodeType !== Node.ELEMENT_NODE) {
    if (now.nodeValue !== next.nodeValue) now.nodeValue = next.nodeValue;
    return;
  }
  takeAttributes(now, next);
  takeChildren(now, next);
}

function show(next) {
  for (const part of next.querySelectorAll("[data-part]")) {
    const now = document.getElementById(part.id);
    if (now) takeOver(now, part);
    else return location.reload(); // the first snapshot brings parts that were not there
  }
  document.body.className = next.body.className;
  document.title = next.title;
  lastAnswer = performance.now();
}

async function fetched(address) {
  const answer = await fetch(location.origin + address, {
    cache: "no-store",
    signal: AbortSignal.timeout(PATIENCE_MS),
  });
  if (!answer.ok) throw new Error(`answered ${answer.status}`);
  return new DOMParser().parseFromString(await answer.text(), "text/html");
}

async function takeWhole() {
  const next = await fetched(location.pathname + location.search);
  show(next);
  stamp = next.body.dataset.stamp;
  lastWhole = performance.now();
}

async function ask() {
  if (asking || document.hidden) return;
  asking = true;
  try {
    const next = await fetched("/?part=1");
    show(next);
    const isOld = performance.now() - lastWhole > WHOLE_EACH_MS;
    if (isOld || next.body.dataset.stamp !== stamp) await takeWhole();
  } catch {
    // no answer: watchForSilence counts the seconds
  } finally {
    asking = false;
  }
}

// The server says so itself while it answers; this is for when it does not.
function watchForSilence() {
  const silence = performance.now() - lastAnswer;
  if (silence < STALE_MS) return;
  document.body.className = "silent";
  document.getElementById("banner").hidden = false;
  document.getElementById("banner-text").textContent =
    `No data for ${Math.round(silence / 1000)} s: this page gets no answer. ` +
    "The monitor, its computer or the network is down.";
  const title = document.getElementById("live-title");
  if (title) title.textContent = "Last values, old";
  document.title = "no data · Halfcycle";
}

// Filters, pages and windows of the timeline are plain links; here they do not make the page jump.
async function stay(href) {
  const before = location.href;
  history.pushState(null, "", href);
  try {
    await takeWhole();
  } catch {
    location.assign(before === location.href ? href : location.href);
  }
}

document.addEventListener("click", (event) => {
  const link = event.target.closest("a[data-stay]");
  if (!link || event.button || event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  stay(link.getAttribute("href"));
});
addEventListener("popstate", () => takeWhole().catch(() => location.reload()));

const MOVES = { "+": "in", "=": "in", "-": "out", ArrowLeft: "earlier", ArrowRight: "later" };

document.addEventListener("keydown", (event) => {
  const line = document.getElementById("timeline");
  if (!line || event.target !== line || event.ctrlKey || event.metaKey || event.altKey) return;
  const link = line.querySelector(`a[data-move="${MOVES[event.key] ?? "none"}"]`);
  if (!link) return;
  event.preventDefault();
  stay(link.getAttribute("href"));
});

function prepareMarking() {
  const section = document.getElementById("mark");
  if (!section) return;
  section.hidden = false;
  const form = document.getElementById("mark-form");
  const note = document.getElementById("mark-note");
  const said = document.getElementById("mark-said");
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    said.textContent = "…";
    try {
      const answer = await fetch(location.origin + "/api/mark", {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify({ note: note.value }),
        signal: AbortSignal.timeout(PATIENCE_MS),
      });
      const told = await answer.json();
      said.textContent = answer.ok
        ? `Marked at ${told.marked_utc.slice(11, 19)} UTC. It will be in the log in a moment.`
        : `Not marked: ${told.error}.`;
      if (answer.ok) note.value = "";
    } catch {
      said.textContent = "Not marked: no answer. Write down the time.";
    }
  });
}

prepareMarking();
setInterval(() => {
  ask();
  watchForSilence();
}, PERIOD_MS);
document.addEventListener("visibilitychange", ask);
