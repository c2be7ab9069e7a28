// In the dark: the baths by the clock, so that nothing is lost while the page sleeps; sounds that can be heard on black.

const find = (selector, root = document) => root.querySelector(selector);
const form = find(".times");
const BATHS = ["developer", "stop", "fixer", "wash"];

new EventSource("/news");

function seconds(text) {
  const parts = String(text).trim().split(":").map(Number);
  if (parts.some((one) => !Number.isFinite(one) || one < 0)) return 0;
  return parts.length > 1 ? parts[0] * 60 + parts[1] : parts[0] || 0;
}

const clockText = (left) => {
  const whole = Math.max(Math.ceil(left - 1e-6), 0);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
};

// Sound.
let audio = null;
function sound(pitch, lasts, at = 0, loud = 0.25) {
  if (!audio) return;
  const begin = Math.max(audio.currentTime, at || audio.currentTime);
  const tone = audio.createOscillator();
  const level = audio.createGain();
  tone.frequency.value = pitch;
  level.gain.setValueAtTime(loud, begin);
  level.gain.exponentialRampToValueAtTime(0.001, begin + lasts);
  tone.connect(level).connect(audio.destination);
  tone.start(begin);
  tone.stop(begin + lasts);
}
function awake() {
  if (!audio) audio = new AudioContext();
  audio.resume();
  lock();
}

let held = null;
async function lock() {
  try {
    held = await navigator.wakeLock.request("screen");
  } catch { held = null; }
}
document.addEventListener("visibilitychange", () => { if (!document.hidden && running) lock(); });

// The baths. `ends` is a moment of the clock; what is left is always worked out from it.
let bath = 0;
let ends = 0;
let running = false;
let over = false;
let cued = -1;
const saved = () => {
  try { sessionStorage.setItem("dark", JSON.stringify({ bath, ends, running })); } catch { /* only not after a reload */ }
};

const lastsOf = (name) => seconds(form.elements[name].value);

function agitating(name, gone) {
  const every = seconds(form.elements.every.value);
  const lasts = seconds(form.elements.for.value);
  if (name === "wash" || !lasts) return false;
  // The first interval is agitated from its beginning, as after every pour.
  if (!every) return gone < lasts;
  return gone % every < lasts;
}

function draw() {
  const name = BATHS[bath];
  const left = running ? (ends - Date.now()) / 1000 : over ? 0 : lastsOf(name);
  const gone = lastsOf(name) - left;
  find(".bath").textContent = name;
  find(".clock").textContent = clockText(left);
  if (!running) {
    if (!over) setCue("ready");
    return;
  }
  if (left <= 0) {
    running = false;
    over = true;
    saved();
    setCue(bath + 1 < BATHS.length ? `pour out; next is ${BATHS[bath + 1]}` : "done");
    for (let beat = 0; beat < 4; beat += 1) sound(880, 0.35, audio ? audio.currentTime + beat * 0.45 : 0, 0.5);
    return;
  }
  setCue(agitating(name, gone) ? "agitate" : left <= 10 ? "get ready to pour" : "still");
  if (left <= 5 && Math.ceil(left) !== cued) {
    cued = Math.ceil(left);
    sound(660, 0.08);
  }
}

function setCue(words) {
  const cue = find(".cue");
  if (cue.textContent === words) return;
  if (words === "agitate") { sound(520, 0.15); sound(780, 0.15, audio ? audio.currentTime + 0.18 : 0); }
  if (words === "still") sound(390, 0.15);
  cue.textContent = words;
}

find("[data-start]").addEventListener("click", () => {
  awake();
  ends = Date.now() + lastsOf(BATHS[bath]) * 1000;
  running = true;
  over = false;
  cued = -1;
  saved();
  draw();
});
find("[data-next]").addEventListener("click", () => {
  awake();
  bath = (bath + 1) % BATHS.length;
  running = false;
  find("[data-start]").click();
});
find("[data-again]").addEventListener("click", () => { bath = 0; running = false; over = false; saved(); draw(); });
form.addEventListener("input", draw);
form.addEventListener("submit", (event) => event.preventDefault());

// Begun before a reload: goes on as the clock says.
try {
  const before = JSON.parse(sessionStorage.getItem("dark") || "null");
  if (before && before.running) ({ bath, ends, running } = before);
} catch { /* begins anew */ }

// The metronome: beats are laid out ahead on the sound's own clock.
let beat = 0;
let began = 0;
let laid = 0;
function layBeats() {
  if (!beat || !audio) return;
  while (began + laid * beat < audio.currentTime + 1.2) {
    const at = began + laid * beat;
    const whole = Math.abs(laid * beat - Math.round(laid * beat)) < 1e-6;
    const count = Math.round(laid * beat);
    const bell = seconds(find("[name=bell]").value);
    if (bell && whole && count === Math.round(bell)) sound(1320, 0.6, at, 0.5);
    else if (whole && count % 5 === 0) sound(990, 0.12, at, 0.4);
    else sound(whole ? 740 : 560, 0.05, at, whole ? 0.3 : 0.15);
    laid += 1;
  }
  const gone = audio.currentTime - began;
  find(".beats").textContent = String(beat < 1 ? Math.floor(gone * 2) / 2 : Math.floor(gone));
}
for (const button of document.querySelectorAll("[data-beat]")) {
  button.addEventListener("click", () => {
    awake();
    beat = Number(button.dataset.beat);
    began = audio.currentTime + 0.15;
    laid = 0;
    if (beat) find(".beats").textContent = "0";
    layBeats();
  });
}

const black = find(".blackness");
find("[data-black]").addEventListener("click", () => { black.hidden = false; black.focus(); });
for (const kind of ["click", "keydown"]) black.addEventListener(kind, () => { black.hidden = true; });

setInterval(() => { draw(); layBeats(); }, 100);
draw();
