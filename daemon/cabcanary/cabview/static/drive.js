// One drive: which part of it is shown, fetched from the server in as many points as there are pixels, in every strip.
import { Strip, clock, digitsFor } from "./strip.js";

const LEAST_S = 0.005; // a few milliseconds: a fraction of the fastest tick
const EDGE = 0.5; // beside what is shown, so much of it is fetched as well: moved a little, it is there already
const STEP = 0.25;
const STRONGER = 2;
const PIXELS_A_POINT = 1.5; // as wide as the line
const LOST = "The server does not answer: what is shown may be only a part. Try again.";

const place = document.getElementById("plots");
const lengthS = Number(place.dataset.length);
const slider = document.getElementById("moment");
const strips = new Map();
let from = 0, to = lengthS;
let here = null;
let had = { from: 0, to: 0, points: 0, channels: "" };
let asked = null;
let due = false;

const boxes = [...place.querySelectorAll(".boxes input")];
const moments = [...document.querySelectorAll(".go")];
const hears = {
  zoom: (a, b) => go(a, b),
  point: (seconds) => tell(seconds),
  marks: () => moments.map((button) => [Number(button.dataset.at), button.dataset.mark]),
};

function chosen() {
  return boxes.filter((box) => box.checked).map((box) => ({ name: box.value, unit: box.dataset.unit, words: box.dataset.words }));
}

// Shows this part: at once what is there already, and as soon as it has come what is missing.
function go(a, b) {
  const span = Math.min(Math.max(b - a, LEAST_S), Math.max(lengthS, LEAST_S));
  const middle = (a + b) / 2;
  from = Math.min(Math.max(middle - span / 2, 0), Math.max(0, lengthS - span));
  to = from + span;
  for (const strip of strips.values()) strip.move(from, to);
  const digits = Math.max(1, digitsFor(span / 10));
  const shown = `Shown: ${clock(from, digits)} to ${clock(to, digits)} of ${clock(lengthS)}.`;
  document.getElementById("shown").textContent = shown;
  point(here !== null && here >= from && here <= to ? here : middle);
  if (!due) {
    due = true;
    requestAnimationFrame(() => {
      due = false;
      fetchPart();
    });
  }
}

function isThere(points, channels) {
  const near = to - from >= (had.to - had.from) / (1 + 2 * EDGE) / 1.05;
  return had.channels === channels && had.from <= Math.max(0, from) && had.to >= Math.min(lengthS, to) && near && had.points >= points;
}

async function fetchPart() {
  const channels = [...strips.keys()].join(",");
  const width = Math.max(...[...strips.values()].map((strip) => strip.width()), 200);
  const points = Math.ceil((width * (1 + 2 * EDGE)) / PIXELS_A_POINT);
  if (!channels || isThere(points, channels)) return;
  const wide = { from: from - EDGE * (to - from), to: to + EDGE * (to - from), points, channels };
  asked?.abort();
  asked = new AbortController();
  const query = new URLSearchParams({ channels, from: wide.from, to: wide.to, points });
  try {
    const answer = await fetch(`/drives/${place.dataset.drive}/view?${query}`, { signal: asked.signal });
    if (!answer.ok) throw new Error(answer.status);
    const told = await answer.json();
    had = wide;
    for (const [name, strip] of strips) if (told.channels[name]) strip.show(told.t, told.channels[name], from, to);
    place.dataset.ready = `${from} ${to}`;
    if (here !== null) point(here);
  } catch (error) {
    if (error.name !== "AbortError") document.getElementById("shown").textContent = LOST;
  }
}

// Points at a moment in every strip, and says what is there.
function point(seconds) {
  for (const strip of strips.values()) strip.point(seconds);
  tell(seconds);
}

function tell(seconds) {
  here = seconds;
  const digits = Math.max(1, digitsFor((to - from) / 500));
  document.getElementById("here").textContent = `At ${clock(seconds, digits)}:`;
  document.getElementById("at").value = seconds;
  slider.value = (1000 * (seconds - from)) / (to - from);
  slider.setAttribute("aria-valuetext", clock(seconds, digits));
  for (const strip of strips.values()) strip.tell(seconds);
}

function choose() {
  for (const strip of strips.values()) strip.close();
  strips.clear();
  for (const channel of chosen()) strips.set(channel.name, new Strip(document.getElementById("strips"), channel, hears));
  had = { from: 0, to: 0, points: 0, channels: "" };
  go(from, to);
}

function zoom(times, around = (from + to) / 2) {
  const span = (to - from) * times;
  const share = (around - from) / (to - from);
  go(around - share * span, around + (1 - share) * span);
}

const move = (share) => go(from + share * (to - from), to + share * (to - from));
const DO = {
  whole: () => go(0, lengthS),
  in: () => zoom(1 / STRONGER, here ?? undefined),
  out: () => zoom(STRONGER),
  back: () => move(-STEP),
  on: () => move(STEP),
};
const KEYS = { "+": "in", "-": "out", ArrowLeft: "back", ArrowRight: "on", Home: "whole" };

function wheel(event) {
  const first = strips.values().next().value;
  if (!first || !event.target.closest(".strip")) return;
  event.preventDefault();
  const box = first.plot.over.getBoundingClientRect();
  if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
    move(Math.sign(event.deltaX || event.deltaY) * 0.1);
    return;
  }
  const share = Math.min(1, Math.max(0, (event.clientX - box.left) / box.width));
  zoom(event.deltaY > 0 ? 1.3 : 1 / 1.3, from + share * (to - from));
}

for (const button of place.querySelectorAll("[data-do]")) button.addEventListener("click", () => DO[button.dataset.do]());
for (const box of boxes) box.addEventListener("change", choose);
for (const button of moments) {
  button.addEventListener("click", () => {
    const at = Number(button.dataset.at);
    here = at;
    go(at - 5, at + 5);
    place.scrollIntoView();
  });
}
slider.addEventListener("input", () => {
  point(from + (Number(slider.value) / 1000) * (to - from));
});
place.addEventListener("wheel", wheel, { passive: false });
place.addEventListener("keydown", (event) => {
  if (event.target.matches("input, textarea") || event.ctrlKey || event.altKey || event.metaKey) return;
  if (KEYS[event.key]) {
    event.preventDefault();
    DO[KEYS[event.key]]();
  }
});
window.addEventListener("resize", () => {
  for (const strip of strips.values()) strip.resize();
  go(from, to);
});
document.addEventListener("light", () => {
  for (const strip of strips.values()) strip.plot.redraw();
});
choose();
