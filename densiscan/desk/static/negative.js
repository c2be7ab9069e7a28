// One negative: drag its frame, see it with another paper, subject or light, and keep it.
import { busy, post, show } from "/static/desk.js";

const sheet = document.querySelector(".sheet");
const form = document.querySelector("[data-see]");
const find = (selector, root = document) => root.querySelector(selector);

const other = find("[data-beside]");
if (other) {
  other.addEventListener("change", () => { if (other.value) location.href = `/beside/${other.dataset.beside}/${other.value}`; });
}

if (sheet && form) {
  const number = sheet.dataset.number;
  let frame = sheet.dataset.frame ? sheet.dataset.frame.split(",").map(Number) : null;
  let dragged = false;
  let asking = false;
  let again = false;
  let zones = [];

  const seen = () => {
    const fields = Object.fromEntries(new FormData(form));
    if (dragged && frame) fields.frame = frame.map((one) => one.toFixed(2)).join(",");
    return { ...fields, zones, piece: Number(sheet.dataset.piece) };
  };

  // What is shown of a reading is replaced; picture, marked places and where one looks stay.
  function replaceWith(html) {
    const fresh = new DOMParser().parseFromString(html, "text/html");
    for (const part of [".verdict", ".todo", ".row", ".figures", ".findings", ".warnings"]) {
      const here = find(part, sheet);
      const there = fresh.querySelector(part);
      if (here && there) here.replaceWith(document.adoptNode(there));
      else if (here) here.replaceChildren();
    }
    const print = fresh.querySelector(".printed");
    if (print && find(".printed", sheet)) find(".printed", sheet).src = print.src;
    for (const kind of ["frame", "rebate"]) {
      const there = fresh.querySelector(`.marks .${kind}`);
      const here = find(`.marks .${kind}`, sheet);
      if (there && here) here.setAttribute("d", there.getAttribute("d"));
    }
    const frames = fresh.querySelectorAll(".marks .under");
    sheet.querySelectorAll(".marks > .under").forEach((under, index) => {
      if (frames[index]) under.setAttribute("d", frames[index].getAttribute("d") || "");
    });
  }

  async function read() {
    if (asking) { again = true; return; }
    asking = true;
    const answer = await post(`/negative/${number}/read`, JSON.stringify(seen()), "application/json");
    asking = false;
    if (answer.done) {
      replaceWith(answer.html);
      find(".command-now").textContent = answer.command;
      find(".outcome").hidden = true;
    } else {
      show(answer);
    }
    if (again) { again = false; read(); }
  }

  form.addEventListener("change", (event) => {
    if (event.target.name === "run") return;
    if (event.target.name === "frame") {
      dragged = false;
      const typed = event.target.value.split(/[\s,]+/).filter(Boolean).map(Number);
      if (typed.length === 4 && typed.every(Number.isFinite)) { frame = typed; grips(); }
    }
    read();
  });

  sheet.addEventListener("zones", (event) => {
    zones = event.detail.map((spot) => [spot.x.toFixed(2), spot.y.toFixed(2), spot.zone].map(Number));
    read();
  });

  find("[data-as-found]").addEventListener("click", () => {
    for (const field of form.elements) if (field.name && field.tagName === "INPUT") field.value = "";
    form.elements.process.value = "contact";
    frame = sheet.dataset.frame ? sheet.dataset.frame.split(",").map(Number) : null;
    dragged = false;
    grips();
    read();
  });

  const keep = find("[data-keep-reading]");
  keep.addEventListener("click", async () => {
    show(await busy(keep, () => post(`/negative/${number}/keep`, JSON.stringify(seen()), "application/json")));
  });

  // Corners and edges of the frame, each a grip; the picture's own units are millimetres on the scan.
  const marks = find(".marks", sheet);
  const GRIPS = [[0, 0], [0.5, 0], [1, 0], [1, 0.5], [1, 1], [0.5, 1], [0, 1], [0, 0.5]];
  const NAMES = ["top left corner", "top edge", "top right corner", "right edge", "bottom right corner", "bottom edge",
    "bottom left corner", "left edge"];

  function grips() {
    if (!marks) return;
    for (const old of marks.querySelectorAll(".grip")) old.remove();
    if (!frame) return;
    const box = marks.viewBox.baseVal;
    const size = Math.max(box.width, box.height) / 70;
    GRIPS.forEach(([across, down], index) => {
      const grip = document.createElementNS(marks.namespaceURI, "rect");
      const x = frame[0] + across * frame[2];
      const y = frame[1] + down * frame[3];
      for (const [key, value] of Object.entries({ x: x - size / 2, y: y - size / 2, width: size, height: size,
        class: "grip", tabindex: 0, role: "button", "aria-label": `${NAMES[index]} of the frame` })) grip.setAttribute(key, value);
      grip.addEventListener("pointerdown", (event) => begin(event, grip, across, down));
      grip.addEventListener("keydown", (event) => nudge(event, across, down, index));
      marks.append(grip);
    });
    marks.removeAttribute("aria-hidden");
  }

  function moved(from, across, down, right, below) {
    let [left, top, width, height] = from;
    if (across === 0) { left += right; width -= right; } else if (across === 1) width += right;
    if (down === 0) { top += below; height -= below; } else if (down === 1) height += below;
    return width > 2 && height > 2 ? [left, top, width, height] : from;
  }

  function shownFrame() {
    form.elements.frame.value = frame.map((one) => one.toFixed(1)).join(", ");
    const [left, top, width, height] = frame;
    const path = find(".marks .frame", sheet);
    if (path) path.setAttribute("d", `M${left} ${top}h${width}v${height}h${-width}Z`);
  }

  function begin(event, grip, across, down) {
    event.preventDefault();
    event.stopPropagation();
    grip.setPointerCapture(event.pointerId);
    const from = frame.slice();
    const at = [event.clientX, event.clientY];
    const box = marks.getBoundingClientRect();
    const perMm = [box.width / marks.viewBox.baseVal.width, box.height / marks.viewBox.baseVal.height];
    const follow = (now) => {
      now.stopPropagation();
      frame = moved(from, across, down, (now.clientX - at[0]) / perMm[0], (now.clientY - at[1]) / perMm[1]);
      dragged = true;
      shownFrame();
      read();
    };
    const end = () => {
      grip.removeEventListener("pointermove", follow);
      grips();
      read();
    };
    grip.addEventListener("pointermove", follow);
    grip.addEventListener("pointerup", end, { once: true });
    grip.addEventListener("pointercancel", end, { once: true });
  }

  function nudge(event, across, down, index) {
    const by = event.shiftKey ? 2 : 0.2;
    const step = { ArrowLeft: [-by, 0], ArrowRight: [by, 0], ArrowUp: [0, -by], ArrowDown: [0, by] }[event.key];
    if (!step) return;
    event.preventDefault();
    event.stopPropagation();
    frame = moved(frame, across, down, ...step);
    dragged = true;
    shownFrame();
    grips();
    marks.querySelectorAll(".grip")[index].focus();
    read();
  }

  grips();
}
