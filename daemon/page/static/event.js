// Two cursors on each curve. The samples come once, at full rate, from /api/events/ID.
"use strict";

const STEPS = 2000;

function curveOf(event, part) {
  if (part < 0) {
    const at = event.trace.start_s.map((s) => s - event.start_s);
    return { at, volts: event.trace.urms_v };
  }
  const wave = event.waveforms[part];
  const first = wave.first_index / wave.sample_rate_hz - event.start_s;
  return { at: wave.volts.map((_, n) => first + n / wave.sample_rate_hz), volts: wave.volts };
}

function nearest(at, wanted) {
  let low = 0;
  let high = at.length - 1;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (at[middle] < wanted) low = middle + 1;
    else high = middle;
  }
  return low > 0 && wanted - at[low - 1] < at[low] - wanted ? low - 1 : low;
}

function timeWords(seconds) {
  const ms = seconds * 1000;
  if (Math.abs(ms) < 1000) return `${ms >= 0 ? "+" : "−"}${Math.abs(ms).toFixed(2)} ms`;
  return `${seconds >= 0 ? "+" : "−"}${Math.abs(seconds).toFixed(4)} s`;
}

function rms(volts) {
  return Math.sqrt(volts.reduce((sum, v) => sum + v * v, 0) / volts.length);
}

function prepare(section, event) {
  const part = Number(section.dataset.plot);
  const [low, high] = [Number(section.dataset.low), Number(section.dataset.high)];
  const curve = curveOf(event, part);
  const drawing = section.querySelector(".pane");
  const said = section.querySelector(".said");
  const sliders = ["a", "b"].map((name) => section.querySelector(`input.${name}`));
  const lines = ["a", "b"].map((name) => section.querySelector(`line.${name}`));

  function show() {
    const found = sliders.map((slider, index) => {
      const share = Number(slider.value) / STEPS;
      lines[index].setAttribute("x1", `${100 * share}%`);
      lines[index].setAttribute("x2", `${100 * share}%`);
      lines[index].setAttribute("visibility", "visible");
      const n = nearest(curve.at, low + (high - low) * share);
      const words = `${timeWords(curve.at[n])}, ${curve.volts[n].toFixed(1)} V`;
      slider.setAttribute("aria-valuetext", words);
      return { n, words };
    });
    const [first, last] = [Math.min(found[0].n, found[1].n), Math.max(found[0].n, found[1].n)];
    const apart = Math.abs(curve.at[last] - curve.at[first]);
    let text = `A ${found[0].words} · B ${found[1].words} · apart ${timeWords(apart).slice(1)}`;
    if (part >= 0 && last > first) {
      text += ` · rms between ${rms(curve.volts.slice(first, last)).toFixed(1)} V`;
    }
    said.textContent = text;
  }

  function take(pointer) {
    const box = drawing.getBoundingClientRect();
    const share = Math.min(Math.max((pointer.clientX - box.left) / box.width, 0), 1);
    const value = Math.round(share * STEPS);
    const far = sliders.map((slider) => Math.abs(Number(slider.value) - value));
    sliders[far[0] <= far[1] ? 0 : 1].value = String(value);
    show();
  }

  sliders.forEach((slider) => slider.addEventListener("input", show));
  drawing.addEventListener("pointerdown", take);
  drawing.addEventListener("pointermove", (pointer) => pointer.buttons && take(pointer));
  section.querySelector(".cursors").hidden = false;
  show();
}

async function start() {
  const answer = await fetch(`${location.origin}/api/events/${document.body.dataset.event}`);
  if (!answer.ok) return;
  const event = await answer.json();
  for (const section of document.querySelectorAll("section.plot")) prepare(section, event);
}

start();
