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
  place.scrollIntoView({ block: "nearest" });
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

function keptForNextPage(outcome) {
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

const copied = find("[data-copy-command]");
if (copied) copied.addEventListener("click", () => navigator.clipboard.writeText(find(".outcome .command").textContent));

try {
  const before = sessionStorage.getItem("outcome");
  sessionStorage.removeItem("outcome");
  if (before) show(JSON.parse(before));
} catch { /* nothing was kept */ }

// The folder: cards that change as scans come.
const cards = find("#cards");
let filter = "all";
const ticked = new Set();

function dress() {
  for (const button of cards.querySelectorAll("[data-show]")) {
    button.setAttribute("aria-pressed", String(button.dataset.show === filter));
    button.addEventListener("click", () => { filter = button.dataset.show; dress(); });
  }
  for (const card of cards.querySelectorAll(".cards > li")) {
    card.hidden = filter === "look" && card.dataset.look !== "1";
  }
  for (const box of cards.querySelectorAll(".tick input")) {
    box.checked = ticked.has(box.value);
    box.addEventListener("change", () => { if (box.checked) ticked.add(box.value); else ticked.delete(box.value); });
  }
  const keep = find("[data-keep-ticked]", cards);
  if (keep) {
    keep.addEventListener("click", async () => {
      const fields = new URLSearchParams([["run", find("[data-run]", cards).value]]);
      for (const number of ticked) fields.append("number", number);
      const outcome = await busy(keep, () => post("/keep", fields));
      if (outcome.done) { ticked.clear(); dress(); }
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
      const run = find("[data-run]", cards);
      const chosen = run && run.value;
      const answer = await fetch("/cards");
      if (answer.ok) {
        cards.innerHTML = await answer.text();
        if (chosen && find("[data-run]", cards)) find("[data-run]", cards).value = chosen;
        dress();
      }
    } catch { /* the desk has ended; what is shown stays */ }
    setTimeout(() => { waiting = false; if (again) { again = false; fresh(); } }, 300);
  };
  dress();
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
  addEventListener("dragover", (event) => { event.preventDefault(); drop.classList.add("over"); });
  addEventListener("dragleave", () => drop.classList.remove("over"));
  addEventListener("drop", (event) => {
    event.preventDefault();
    drop.classList.remove("over");
    send(event.dataTransfer.files);
  });
  find("[data-choose]").addEventListener("change", (event) => send(event.target.files));
}
