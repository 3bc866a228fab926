// The cab page: shows what the stream tells, and trusts nothing that is old. Three things keep a frozen page from looking
// alive: this script counts the time since it last heard (monotonic); a state that was long under way is not shown; and
// the styles light the values for two seconds at a time, which goes on where this script hangs.
import { Freshness } from "./fresh.js";

const HEARD_WITHIN_MS = 1500; // the promise is two seconds
const LOOK_EVERY_MS = 100;
const TRY_AGAIN_MS = 500;

const at = (id) => document.getElementById(id);
const cells = new Map([...document.querySelectorAll(".value")].map((cell) => [cell.dataset.channel, cell]));
const fresh = new Freshness();
const LOST = {
  look: "dead",
  kind: "Not live",
  do: "This page has lost its server",
  say: "Nothing here is live. Listen for the buzzer: the monitor may still watch.",
  figures: "",
};

let source = null;
let heardMs = -Infinity;
let lit = false;

function write(element, words) {
  // Unchanged text is left alone: a screen reader says what changes, and nothing else may change.
  if (element.textContent !== words) element.textContent = words;
}

function say(said) {
  at("say").dataset.look = said.look;
  write(at("kind"), said.kind);
  write(at("do"), said.do);
  write(at("what"), said.say);
  write(at("figures"), said.figures);
  write(at("announce"), said.look === "calm" ? "" : `${said.kind}. ${said.do}. ${said.say}`);
}

function list(element, items) {
  const told = JSON.stringify(items);
  if (element.dataset.told === told) return;
  element.dataset.told = told;
  element.replaceChildren(
    ...items.map((item) => {
      const line = document.createElement("li");
      line.className = item.kind;
      line.textContent = item.words;
      return line;
    }),
  );
}

function put(cell, value) {
  cell.dataset.trust = value.trust;
  write(cell.querySelector(".text"), value.text || "––");
  write(cell.querySelector(".unit"), value.text ? value.unit : "");
  write(cell.querySelector(".band"), value.band);
  write(cell.querySelector(".word"), value.word);
}

function blank(word) {
  for (const cell of cells.values()) put(cell, { trust: "stale", text: "", unit: "", band: "", word });
  at("take").disabled = true;
  write(at("vehicle"), "");
  list(at("also"), []);
  list(at("lines"), []);
}

// Lights the values anew: two animations that are the same but for their name, in turn.
function light() {
  const values = at("values");
  values.classList.toggle("lit-b", values.classList.contains("lit-a"));
  values.classList.toggle("lit-a", !values.classList.contains("lit-b"));
}

function dead() {
  if (!lit && at("say").dataset.look === "dead") return;
  lit = false;
  blank("not live");
  say(LOST);
}

function calm(state) {
  const blind = state.lines.some((line) => line.kind === "unseen");
  return { look: "calm", kind: "Watching", do: blind ? "No alert" : "No alert, all is seen", say: "", figures: "" };
}

function cab(told) {
  const more = told.others ? ` And ${told.others} more.` : "";
  return { ...told, say: told.say ? `${told.say}.${more}` : more.trim() };
}

function watching(state) {
  say(state.cab ? cab(state.cab) : calm(state));
  at("take").disabled = !state.cab;
  for (const value of state.values) put(cells.get(value.channel), value);
  write(at("vehicle"), state.vehicle);
  list(at("also"), state.also.map((words) => ({ kind: "also", words })));
  list(at("lines"), state.lines.filter((line) => line.words));
}

function take(state) {
  if (!fresh.isFresh(state.at, performance.now())) return;
  heardMs = performance.now();
  lit = true;
  light();
  if (state.state === "watching") {
    watching(state);
    return;
  }
  blank("nobody watches");
  say({ look: "dead", kind: "No monitor", do: state.headline, say: state.words, figures: "" });
}

function connect() {
  if (source) source.close();
  fresh.forget();
  source = new EventSource("/cab/stream");
  source.onmessage = (message) => take(JSON.parse(message.data));
  source.onerror = () => {
    // A refusal ends it for good; what is merely cut off tries again by itself.
    if (source.readyState === EventSource.CLOSED) setTimeout(connect, TRY_AGAIN_MS);
  };
}

function awake() {
  // What stood here while nobody looked, or the browser slept, is not of now.
  heardMs = -Infinity;
  dead();
  connect();
}

async function acknowledge() {
  at("take").disabled = true;
  try {
    const answer = await fetch("/cab/acknowledge", { method: "POST" });
    const told = await answer.json();
    write(at("took"), told.error ?? (told.acknowledged.length ? "Acknowledged. What stands still stands." : "Nothing asked."));
  } catch {
    write(at("took"), "Not acknowledged: the server does not answer. Use the button in the cab.");
  }
  setTimeout(() => write(at("took"), ""), 6000);
}

document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && awake());
document.addEventListener("resume", awake);
window.addEventListener("pageshow", (event) => event.persisted && awake());
at("take").addEventListener("click", acknowledge);
setInterval(() => performance.now() - heardMs > HEARD_WITHIN_MS && dead(), LOOK_EVERY_MS);
connect();
