// One trace of a drive: a heading with what is pointed at, a plot beneath it.
import { grounds, runs } from "./grounds.js";

const HEIGHT = 150;
// Where marks stand on a clock: 1, 2, 5 of a second's parts, then seconds, minutes and hours as a clock has them.
const MARKS_S = [
  ...[0.001, 0.01, 0.1].flatMap((s) => [s, 2 * s, 5 * s]),
  ...[1, 2, 5, 10, 20, 30],
  ...[1, 2, 5, 10, 20, 30].map((minutes) => 60 * minutes),
  ...[1, 2, 3, 6, 12, 24].map((hours) => 3600 * hours),
];
const WORDS = ["good", "within", "not trusted", "stale or absent"];
const SILENT = new Set(["", "state"]);

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

export function clock(seconds, digits = 1) {
  const unit = 10 ** digits;
  const whole = Math.round(Math.abs(seconds) * unit);
  const s = Math.floor(whole / unit);
  const rest = digits ? `.${String(whole % unit).padStart(digits, "0")}` : "";
  const two = (n) => String(n).padStart(2, "0");
  const sign = seconds < 0 && whole ? "-" : "";
  const hours = Math.floor(s / 3600);
  return sign + (hours ? `${hours}:${two(Math.floor(s / 60) % 60)}` : `${Math.floor(s / 60)}`) + `:${two(s % 60)}${rest}`;
}

// As many digits as tell two neighbouring marks apart.
export const digitsFor = (stepS) => Math.max(0, Math.min(4, Math.ceil(-Math.log10(stepS) - 1e-9)));

function written(value) {
  if (value === null || value === undefined) return "";
  return String(Number(value.toPrecision(4)));
}

export class Strip {
  // `hears` has: zoom(from, to), point(seconds), marks() -> [[seconds, number]].
  constructor(place, channel, hears) {
    this.channel = channel;
    this.hears = hears;
    this.element = document.createElement("article");
    this.element.className = "strip";
    this.element.innerHTML = '<h3><span class="words"></span><span class="unit"></span><output></output></h3><div role="img"></div>';
    this.element.querySelector(".words").textContent = channel.words;
    this.element.querySelector(".unit").textContent = channel.unit;
    this.box = this.element.querySelector("div");
    place.append(this.element);
    this.trust = [];
    this.plot = new uPlot(this.options(), [[], [], [], [], []], this.box);
    // The plot is a picture; what it shows is told in words.
    this.plot.root.setAttribute("aria-hidden", "true");
  }

  options() {
    const ink = () => colour("--ink");
    const axis = { stroke: ink, grid: { stroke: () => colour("--rule"), width: 1 }, ticks: { show: false } };
    const line = { stroke: () => colour("--trace"), width: 1.5, points: { show: false } };
    const edge = { stroke: "transparent", points: { show: false } };
    return {
      width: this.width(),
      height: HEIGHT,
      legend: { show: false },
      scales: { x: { time: false } },
      axes: [
        { ...axis, values: (_, marks) => marks.map((s) => clock(s, digitsFor(marks[1] - marks[0] || 1))), incrs: MARKS_S, space: 90, size: 30 },
        { ...axis, size: 62, space: 28 },
      ],
      series: [{}, edge, edge, { ...line, points: { show: false } }, line],
      bands: [
        { series: [1, 2], fill: () => colour("--trace-band") },
        { series: [3, 4], fill: () => colour("--trace") },
      ],
      cursor: { y: false, sync: { key: "drive" }, drag: { x: true, y: false, setScale: false }, points: { show: false } },
      hooks: {
        drawClear: [(plot) => this.ground(plot)],
        draw: [(plot) => this.marks(plot)],
        setSelect: [(plot) => this.chosen(plot)],
        setCursor: [(plot) => this.pointed(plot)],
      },
    };
  }

  width() {
    return Math.max(200, this.element.clientWidth);
  }

  resize() {
    this.plot.setSize({ width: this.width(), height: HEIGHT });
  }

  // What the server told of this channel, and the part that is to be seen.
  show(times, told, from, to) {
    const max = told.max;
    const min = told.min ?? max;
    const none = times.map(() => null);
    this.trust = told.trust ?? times.map(() => 0);
    this.plot.setData([times, told.high ?? none, told.low ?? none, max, min], false);
    this.move(from, to);
    this.describe(from, to);
  }

  move(from, to) {
    this.plot.batch(() => this.plot.setScale("x", { min: from, max: to }));
  }

  describe(from, to) {
    const [times, , , max, min] = this.plot.data;
    let low = Infinity, high = -Infinity, bad = 0, all = 0;
    times.forEach((t, n) => {
      if (t < from || t > to) return;
      all += 1;
      if (this.trust[n] > 1) bad += 1;
      if (min[n] !== null) low = Math.min(low, min[n]);
      if (max[n] !== null) high = Math.max(high, max[n]);
    });
    const unit = SILENT.has(this.channel.unit) ? "" : ` ${this.channel.unit}`;
    const range = high >= low ? `${written(low)} to ${written(high)}${unit}` : "nothing to be seen";
    const unseen = bad ? `, cannot be relied on for ${Math.round((100 * bad) / all) || "under 1"} % of it` : "";
    this.box.setAttribute("aria-label", `${this.channel.words}, ${clock(from)} to ${clock(to)}: ${range}${unseen}`);
  }

  ground(plot) {
    const { ctx, bbox, data } = plot;
    const times = data[0];
    if (!times.length) return;
    const half = times.length > 1 ? (times[1] - times[0]) / 2 : 0;
    const patterns = grounds(colour("--faint"));
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    for (const [first, last, trust] of runs(this.trust)) {
      const left = plot.valToPos(times[first] - half, "x", true);
      const right = plot.valToPos(times[last] + half, "x", true);
      ctx.fillStyle = patterns[trust];
      // Two pixels at least: a single tick without sight must not be lost from far away.
      ctx.fillRect(left, bbox.top, Math.max(2 * devicePixelRatio, right - left), bbox.height);
    }
    ctx.restore();
  }

  marks(plot) {
    const { ctx, bbox } = plot;
    ctx.save();
    ctx.strokeStyle = ctx.fillStyle = colour("--mark");
    ctx.textAlign = "left";
    ctx.font = `${12 * devicePixelRatio}px sans-serif`;
    for (const [seconds, number] of this.hears.marks()) {
      const x = plot.valToPos(seconds, "x", true);
      if (x < bbox.left || x > bbox.left + bbox.width) continue;
      ctx.fillRect(Math.round(x), bbox.top, Math.max(1, devicePixelRatio), bbox.height);
      ctx.fillText(String(number), x + 3 * devicePixelRatio, bbox.top + 11 * devicePixelRatio);
    }
    ctx.restore();
  }

  chosen(plot) {
    const { left, width } = plot.select;
    // The library tells every strip of what is chosen in one.
    if (width < 3 || !this.box.matches(":hover")) return;
    const from = plot.posToVal(left, "x");
    const to = plot.posToVal(left + width, "x");
    plot.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
    this.hears.zoom(from, to);
  }

  pointed(plot) {
    const { left, idx } = plot.cursor;
    // The strip beneath the pointer speaks for all; the others only follow it.
    if (typeof idx !== "number" || left < 0 || !this.box.matches(":hover")) return;
    this.hears.point(plot.data[0][idx]);
  }

  // Says what is there at a moment: its value or what it lay between, its band, how far it can be trusted.
  tell(seconds) {
    const [times, highs, lows, max, min] = this.plot.data;
    const n = nearest(times, seconds);
    const out = this.element.querySelector("output");
    if (n < 0) {
      out.textContent = "";
      return;
    }
    const value = min[n] === max[n] ? written(max[n]) : `${written(min[n])} to ${written(max[n])}`;
    const wider = typeof lows[n] === "number" && (lows[n] !== min[n] || highs[n] !== max[n]);
    const reach = wider ? `, band ${written(lows[n])} to ${written(highs[n])}` : "";
    out.textContent = `${value || "no value"}${value ? reach : ""}, ${WORDS[this.trust[n]]}`;
  }

  point(seconds) {
    this.plot.setCursor({ left: this.plot.valToPos(seconds, "x"), top: 10 }, false, false);
  }

  close() {
    this.plot.destroy();
    this.element.remove();
  }
}

export function nearest(times, seconds) {
  if (!times.length) return -1;
  let low = 0, high = times.length - 1;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (times[middle] < seconds) low = middle + 1;
    else high = middle;
  }
  return low > 0 && seconds - times[low - 1] < times[low] - seconds ? low - 1 : low;
}
