// What every page of the desk does: send what is typed, show what came of it, follow the folder.

const token = document.querySelector("meta[name=desk-token]").content;
const find = (selector, root = document) => root.querySelector(selector);

export async function post(address, body, type) {
  const headers = { "x-desk-token": token, "content-type": type || "application/x-www-form-urlencoded" };
  let answer;
  try {
    answer = await fetch(address, { method: "POST", headers, body });
  } catch {
    return { done: false, said: "The desk does not answer. Is it still running in its terminal?", text: "", command: "" };
  }
  if (answer.status === 403) {
    return { done: false, said: "This page is of an earlier desk; open the address that the terminal shows.", text: "", command: "" };
  }
  try {
    return await answer.json();
  } catch {
    return { done: false, said: "The desk could not do this; see its terminal.", text: "", command: "" };
  }
}

export function show(outcome) {
  const place = find(".outcome");
  place.hidden = false;
  place.classList.toggle("wrong", !outcome.done);
  find(".said", place).textContent = outcome.said || (outcome.done ? "Done." : "That did not work.");
  const told = find(".told", place);
  told.hidden = !outcome.text;
  told.textContent = outcome.text || "";
  find(".as-command", place).hidden = !outcome.command;
  find(".command", place).textContent = outcome.command || "";
  find(".readings", place).replaceChildren(...(outcome.readings || []).map(standing));
  place.scrollIntoView({ block: "nearest" });
}

// A reading of the run that is shown, to be taken out or brought back.
function standing(reading) {
  const item = document.createElement("li");
  const name = document.createElement("bdi");
  name.textContent = reading.name;
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = reading.removed ? "bring back" : "take out";
  button.setAttribute("aria-label", `${button.textContent} the reading of ${reading.name}`);
  button.addEventListener("click", async () => {
    const outcome = await busy(button, () => post(`/readings/${reading.number}/${reading.removed ? "restore" : "remove"}`, ""));
    if (!outcome.done) { show(outcome); return; }
    keptForNextPage(outcome);
    location.reload();
  });
  item.append(name, " ", button);
  return item;
}

export async function busy(button, work) {
  if (button) button.disabled = true;
  try {
    return await work();
  } finally {
    if (button) button.disabled = false;
  }
}

export const fieldsOf = (form) => new URLSearchParams(new FormData(form));

export function keptForNextPage(outcome) {
  try { sessionStorage.setItem("outcome", JSON.stringify(outcome)); } catch { /* it is only not shown */ }
}

for (const form of document.querySelectorAll("form[data-act]")) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const outcome = await busy(form.querySelector(".do"), () => post(form.dataset.act, fieldsOf(form)));
    if (!outcome.done || "stay" in form.dataset) {
      show(outcome);
      return;
    }
    keptForNextPage(outcome);
    location.reload();
  });
}

for (const form of document.querySelectorAll("form:not([data-act])")) {
  form.addEventListener("submit", (event) => event.preventDefault());
}

for (const button of document.querySelectorAll("[data-post]")) {
  button.addEventListener("click", async () => {
    const outcome = await busy(button, () => post(button.dataset.post, ""));
    if (!outcome.done || "stay" in button.dataset) {
      show(outcome);
      return;
    }
    keptForNextPage(outcome);
    location.reload();
  });
}

find("[data-away]").addEventListener("click", () => { find(".outcome").hidden = true; });
const copied = find("[data-copy-command]");
if (copied) copied.addEventListener("click", () => navigator.clipboard.writeText(find(".outcome .command").textContent));

try {
  const before = sessionStorage.getItem("outcome");
  sessionStorage.removeItem("outcome");
  if (before) show(JSON.parse(before));
} catch { /* nothing was kept */ }

// The folder: cards that change as scans come; those that are chosen lie in a tray that stays.
const cards = find("#cards");
const tray = find("[data-tray]");
let filter = "all";
const chosen = new Map();

function dress() {
  for (const button of cards.querySelectorAll("[data-show]")) {
    button.setAttribute("aria-pressed", String(button.dataset.show === filter));
    button.addEventListener("click", () => { filter = button.dataset.show; dress(); });
  }
  for (const item of cards.querySelectorAll(".cards > li")) {
    item.hidden = filter === "look" && item.dataset.look !== "1";
    const box = find(".tick input", item);
    if (!box) continue;
    box.addEventListener("change", () => { if (box.checked) choose(box); else chosen.delete(box.value); lay(); });
    find(".card", item).addEventListener("dragstart", (event) => {
      event.dataTransfer.setData("text/plain", box.dataset.name);
      event.dataTransfer.setData(CARD, box.value);
      event.dataTransfer.effectAllowed = "copy";
    });
  }
  ticks();
}

const CARD = "application/x-card";
const boxOf = (key) => find(`.tick input[value="${CSS.escape(key)}"]`, cards);

function choose(box) {
  if (!chosen.has(box.value)) chosen.set(box.value, { name: box.dataset.name, stops: "" });
}

function ticks() {
  for (const box of cards.querySelectorAll(".tick input")) box.checked = chosen.has(box.value);
}

function made(name, attributes, text) {
  const one = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) one.setAttribute(key, value);
  if (text !== undefined) one.textContent = text;
  return one;
}

function lay() {
  ticks();
  find("[data-none]", tray).hidden = chosen.size > 0;
  find(".assign", tray).hidden = chosen.size === 0;
  find("[data-side-by-side]", tray).disabled = chosen.size !== 2;
  find(".chosen", tray).replaceChildren(...[...chosen].map(([key, one]) => {
    const item = made("li", {});
    const stops = made("input", { inputmode: "decimal", placeholder: "as the run's", value: one.stops, size: 9, "aria-label": `subject range of ${one.name} in stops` });
    stops.addEventListener("input", () => { one.stops = stops.value; });
    const gone = made("button", { type: "button", "aria-label": `leave ${one.name} out` }, "\u00d7");
    gone.addEventListener("click", () => { chosen.delete(key); lay(); });
    const label = made("label", {}, "subject, stops ");
    label.append(stops);
    item.append(made("bdi", {}, one.name), label, gone);
    return item;
  }));
}

if (tray) {
  // A card is dropped anywhere on the tray.
  const carried = (event) => event.dataTransfer.types.includes(CARD);
  tray.addEventListener("dragover", (event) => {
    if (!carried(event)) return;
    event.preventDefault();
    event.dataTransfer.dropEffect = "copy";
    tray.classList.add("over");
  });
  tray.addEventListener("dragleave", () => tray.classList.remove("over"));
  tray.addEventListener("drop", (event) => {
    tray.classList.remove("over");
    const box = carried(event) && boxOf(event.dataTransfer.getData(CARD));
    if (!box) return;
    event.preventDefault();
    choose(box);
    lay();
  });
  find("[data-clear]", tray).addEventListener("click", () => { chosen.clear(); lay(); });
  find("[data-side-by-side]", tray).addEventListener("click", () => { location.href = `/beside/${[...chosen.keys()].join("/")}`; });
  const keep = find("[data-keep-ticked]", tray);
  if (keep) {
    keep.addEventListener("click", async () => {
      const fields = new URLSearchParams([["run", find("[data-run]", tray).value]]);
      for (const [key, one] of chosen) {
        const number = key.split("-")[0];
        fields.append("number", number);
        if (one.stops.trim()) fields.append(`stops-${number}`, one.stops.trim());
      }
      const outcome = await busy(keep, () => post("/keep", fields));
      if (outcome.done) { chosen.clear(); lay(); }
      show(outcome);
    });
  }
}

if (cards) {
  let waiting = false;
  let again = false;
  const fresh = async () => {
    if (waiting) { again = true; return; }
    waiting = true;
    try {
      const answer = await fetch("/cards");
      if (answer.ok) {
        cards.innerHTML = await answer.text();
        for (const key of [...chosen.keys()]) if (!boxOf(key)) chosen.delete(key);
        dress();
        lay();
      }
    } catch { /* the desk has ended; what is shown stays */ }
    setTimeout(() => { waiting = false; if (again) { again = false; fresh(); } }, 300);
  };
  dress();
  lay();
  new EventSource("/news").addEventListener("message", fresh);
} else {
  // Every open page says that somebody is looking.
  new EventSource("/news");
}

// A scan dropped on the page, or chosen.
async function send(files) {
  for (const file of files) {
    const headers = { "x-desk-token": token, "x-name": JSON.stringify(file.name).replace(/[^\x20-\x7e]/g,
      (mark) => `\\u${mark.charCodeAt(0).toString(16).padStart(4, "0")}`) };
    try {
      const answer = await fetch("/scans", { method: "POST", headers, body: file });
      show(await answer.json());
    } catch {
      show({ done: false, said: `${file.name} could not be copied.`, text: "", command: "" });
    }
  }
}
const drop = find("[data-drop]");
if (drop) {
  const brought = (event) => event.dataTransfer.types.includes("Files");
  addEventListener("dragover", (event) => { if (brought(event)) { event.preventDefault(); drop.classList.add("over"); } });
  addEventListener("dragleave", () => drop.classList.remove("over"));
  addEventListener("drop", (event) => {
    if (!brought(event)) return;
    event.preventDefault();
    drop.classList.remove("over");
    send(event.dataTransfer.files);
  });
  find("[data-choose]").addEventListener("change", (event) => send(event.target.files));
}
