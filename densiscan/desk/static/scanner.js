// The wedge: its scan is shown with the steps that were found; a box dragged round it says where to look.
import { busy, fieldsOf, post, show } from "/static/desk.js";

const form = document.querySelector("[data-wedge]");
const find = (selector, root = document) => root.querySelector(selector);

if (form) {
  const svg = find("[data-steps]");
  const picture = find(".wedge-picture");
  const place = find(".found-steps");
  let region = [];

  function shape(name, attributes) {
    const made = document.createElementNS(svg.namespaceURI, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    svg.append(made);
    return made;
  }

  function draw(answer) {
    svg.replaceChildren();
    region = answer.region || [];
    if (!region.length) return;
    svg.setAttribute("viewBox", region.join(" "));
    const size = Math.min(region[2], region[3]) / 18;
    for (const step of answer.steps) {
      if (!step.box) continue;
      const [x, y, width, height] = step.box;
      shape("rect", { x, y, width, height, class: "under" });
      shape("rect", { x, y, width, height, class: "step" });
      shape("text", { x: x + width / 2, y: y + height / 2 + size / 3, "font-size": size, "text-anchor": "middle" }).textContent = step.step;
    }
  }

  const look = find("[data-look]");
  look.addEventListener("click", async () => {
    const answer = await busy(look, () => post("/scanner/look", fieldsOf(form)));
    place.hidden = !answer.picture;
    if (answer.picture) picture.src = answer.picture;
    draw(answer);
    find("[data-table]").textContent = answer.text;
    find("[data-keep-calibration]").disabled = !answer.done;
    find(".found-steps .say").textContent = answer.done ? "Is this right?" : "The steps were not found.";
    show({ ...answer, text: "", said: answer.done ? "Nothing is kept yet." : answer.said });
    if (answer.done) place.scrollIntoView({ block: "nearest" });
  });

  const keep = find("[data-keep-calibration]");
  keep.addEventListener("click", async () => {
    const answer = await busy(keep, () => post("/scanner/keep", fieldsOf(form)));
    show(answer);
  });

  find("[data-certificate]").addEventListener("change", async (event) => {
    const file = event.target.files[0];
    if (file) form.elements.wedge.value = (await file.text()).slice(0, 200000);
  });

  // A box dragged on the picture is where to look.
  const glass = find(".window", place);
  let from = null;
  let box = null;
  const at = (event) => {
    const seen = picture.getBoundingClientRect();
    return [region[0] + ((event.clientX - seen.left) / seen.width) * region[2],
      region[1] + ((event.clientY - seen.top) / seen.height) * region[3]];
  };
  glass.addEventListener("pointerdown", (event) => {
    if (!region.length) return;
    event.preventDefault();
    glass.setPointerCapture(event.pointerId);
    from = at(event);
    if (box) box.remove();
    box = shape("rect", { class: "region" });
  });
  glass.addEventListener("pointermove", (event) => {
    if (!from) return;
    const to = at(event);
    const spans = [Math.min(from[0], to[0]), Math.min(from[1], to[1]), Math.abs(to[0] - from[0]), Math.abs(to[1] - from[1])];
    for (const [index, name] of ["x", "y", "width", "height"].entries()) box.setAttribute(name, spans[index]);
    form.elements.region.value = spans.map((one) => one.toFixed(1)).join(",");
  });
  glass.addEventListener("pointerup", () => { from = null; });
}

const check = find("[data-check]");
if (check) {
  const now = find("[data-check-now]");
  now.addEventListener("click", async () => {
    const fields = fieldsOf(form);
    for (const [name, value] of fieldsOf(check)) fields.append(name, value);
    show(await busy(now, () => post("/scanner/check", fields)));
  });
}
