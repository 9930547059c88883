// Once a second the page asks for itself and takes over what differs, node by node. Nothing that
// is equal is touched, so nothing flickers and selection, focus and scroll position stay. Every
// word is chosen in one place, the server, and the page is the same with and without script.
"use strict";

const PERIOD_MS = 1000;
const PATIENCE_MS = 4000;
const STALE_MS = 5000;

let lastAnswer = performance.now();
let asking = false;

function sameKind(a, b) {
  return a.nodeType === b.nodeType && a.nodeName === b.nodeName;
}

function takeAttributes(now, next) {
  for (const { name } of [...now.attributes]) {
    if (!next.hasAttribute(name)) now.removeAttribute(name);
  }
  for (const { name, value } of next.attributes) {
    if (now.getAttribute(name) !== value) now.setAttribute(name, value);
  }
}

function takeOver(now, next) {
  if (now.nodeType !== Node.ELEMENT_NODE) {
    if (now.nodeValue !== next.nodeValue) now.nodeValue = next.nodeValue;
    return;
  }
  takeAttributes(now, next);
  const wanted = [...next.childNodes];
  const present = [...now.childNodes];
  wanted.forEach((child, position) => {
    const old = present[position];
    if (old === undefined) now.append(document.importNode(child, true));
    else if (sameKind(old, child)) takeOver(old, child);
    else old.replaceWith(document.importNode(child, true));
  });
  present.slice(wanted.length).forEach((old) => old.remove());
}

function seconds(ms) {
  return `${Math.round(ms / 1000)} s`;
}

// The server says so itself while it answers; this is for when it does not.
function watchForSilence() {
  const silence = performance.now() - lastAnswer;
  if (silence < STALE_MS) return;
  document.body.className = "silent";
  document.getElementById("banner").hidden = false;
  document.getElementById("banner-text").textContent =
    `No data for ${seconds(silence)}: this page gets no answer.`;
  const title = document.getElementById("live-title");
  if (title) title.textContent = "Last values, old";
  document.title = "no data · Halfcycle";
}

async function ask() {
  if (asking || document.hidden) return;
  asking = true;
  try {
    const answer = await fetch(location.pathname + location.search, {
      cache: "no-store",
      signal: AbortSignal.timeout(PATIENCE_MS),
    });
    if (answer.ok) {
      const next = new DOMParser().parseFromString(await answer.text(), "text/html");
      takeOver(document.body, next.body);
      document.title = next.title;
      lastAnswer = performance.now();
    }
  } catch {
    // no answer: watchForSilence counts the seconds
  } finally {
    asking = false;
  }
}

setInterval(() => {
  ask();
  watchForSilence();
}, PERIOD_MS);
document.addEventListener("visibilitychange", ask);
