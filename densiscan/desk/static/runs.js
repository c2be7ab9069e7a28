// What to do next: the sliders ask, the advice and its curve answer.
import { busy, keptForNextPage, post, show } from "/static/desk.js";

const form = document.querySelector("[data-advice]");
const find = (selector, root = document) => root.querySelector(selector);

if (form) {
  let asking = false;
  let again = false;

  for (const slider of form.querySelectorAll("input[type=range]")) {
    const output = slider.parentElement.querySelector("output");
    const tell = () => { output.textContent = `${Number(slider.value)}${slider.dataset.unit}`; };
    slider.addEventListener("input", () => { tell(); ask(); });
    tell();
  }
  form.addEventListener("change", ask);

  async function ask() {
    if (asking) { again = true; return; }
    asking = true;
    const chosen = form.elements.process.selectedOptions[0];
    const asked = new URLSearchParams(new FormData(form));
    asked.delete("process");
    for (const name of ["film", "developer", "dilution"]) asked.set(name, chosen.dataset[name]);
    try {
      const answer = await (await fetch(`/runs/advice?${asked}`)).json();
      if (answer.done) tell(answer);
      else show(answer);
    } catch {
      show({ done: false, said: "The desk does not answer. Is it still running in its terminal?" });
    }
    asking = false;
    if (again) { again = false; ask(); }
  }

  function tell(answer) {
    find("[data-say]").textContent = answer.say;
    find("[data-why]").textContent = answer.why;
    find("[data-text]").textContent = answer.text;
    find("[data-command]").textContent = answer.command;
    draw(answer.curve);
  }

  const svg = find("[data-curve]");
  function shape(name, attributes, text) {
    const made = document.createElementNS(svg.namespaceURI, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (text !== undefined) made.textContent = text;
    svg.append(made);
    return made;
  }

  function draw({ curve, runs, aim, time }) {
    svg.replaceChildren();
    if (!curve.length) return;
    const [left, top, right, bottom] = [44, 10, 390, 190];
    const last = Math.max(...curve.map((point) => point[0]));
    const most = Math.max(...curve.map((point) => point[3]), ...runs.map((run) => run[2] + run[3]), aim) * 1.05;
    const x = (minutes) => left + (minutes / last) * (right - left);
    const y = (contrast) => bottom - (contrast / most) * (bottom - top);
    const line = (points) => points.map(([a, b]) => `${x(a).toFixed(1)},${y(b).toFixed(1)}`).join(" ");
    shape("polygon", { class: "band", points: `${line(curve.map((p) => [p[0], p[3]]))} ${line(curve.map((p) => [p[0], p[2]]).reverse())}` });
    shape("polyline", { class: "line", points: line(curve.map((p) => [p[0], p[1]])) });
    shape("line", { class: "level", x1: left, x2: right, y1: y(aim), y2: y(aim) });
    shape("line", { class: "mark", x1: x(time), x2: x(time), y1: top, y2: bottom });
    for (const [number, minutes, contrast] of runs) {
      const group = shape("g", { class: "dot" });
      const dot = shape("circle", { cx: x(minutes), cy: y(contrast), r: 3.2 });
      const word = shape("text", { x: x(minutes) + 5, y: y(contrast) - 4 }, number ? String(number) : "test");
      group.append(dot, word);
    }
    shape("path", { class: "corner", d: `M${left} ${top}V${bottom}H${right}` });
    const step = last > 16 ? 4 : last > 8 ? 2 : 1;
    for (let minute = step; minute < last; minute += step) shape("text", { class: "tick", x: x(minute), y: bottom + 15, "text-anchor": "middle" }, String(minute));
    for (let contrast = 0.2; contrast < most; contrast += 0.2) shape("text", { class: "tick", x: left - 6, y: y(contrast) + 4, "text-anchor": "end" }, contrast.toFixed(1));
    shape("text", { x: (left + right) / 2, y: bottom + 32, "text-anchor": "middle" }, "minutes");
    shape("text", { transform: `translate(11 ${(top + bottom) / 2}) rotate(-90)`, "text-anchor": "middle" }, "contrast");
  }

  ask();
}

// A run is changed in a form filled with what it is; only what became another is sent.
const editing = find("[data-editing]");
const edit = editing && find("form", editing);
let was = null;
let number = null;

for (const button of document.querySelectorAll("[data-edit]")) {
  button.addEventListener("click", () => {
    const row = button.closest("tr");
    number = row.dataset.run;
    was = JSON.parse(row.dataset.facts);
    for (const field of edit.elements) if (field.name) field.value = was[field.name];
    find("h2", editing).textContent = `Change run ${number}`;
    editing.hidden = false;
    edit.elements.time.focus();
    editing.scrollIntoView({ block: "start" });
  });
}

if (edit) {
  find("[data-leave]", edit).addEventListener("click", () => {
    editing.hidden = true;
    find(`tr[data-run="${number}"] [data-edit]`).focus();
  });
  edit.addEventListener("submit", async () => {
    const fields = new URLSearchParams();
    for (const field of edit.elements) {
      if (!field.name || field.value.trim() === was[field.name]) continue;
      fields.append(field.value.trim() ? field.name : "clear", field.value.trim() || field.name);
    }
    const outcome = await busy(find(".do", edit), () => post(`/runs/${number}/correct`, fields));
    if (!outcome.done) { show(outcome); return; }
    keptForNextPage(outcome);
    location.reload();
  });
}

const history = find("[data-history]");
if (history) history.addEventListener("click", async () => { show(await (await fetch("/runs/history")).json()); });
