"use strict";
// Two negatives beside each other: one scale, one light, the same place in both.
(() => {
  const { reader, shape, element, two, stated } = globalThis.densiscan;
  const pair = document.querySelector(".beside");
  if (!pair) return;
  const find = (name, root = pair) => root.querySelector(name);
  const halves = [...pair.querySelectorAll(".half")];
  const STOP = Math.log10(2);
  const known = new Map();
  let shown = null;
  let link = null;
  let prints = false;

  function negative(id) {
    if (!known.has(id)) {
      const root = document.getElementById(id);
      const facts = JSON.parse(find(".pair-data", root).textContent);
      const read = find(".sheet-data", root) ? reader(root) : null;
      known.set(id, { id, root, ...facts, read, frame: facts.corners && axes(facts.corners) });
    }
    return known.get(id);
  }

  // The frame as its middle, its two directions and how long it is along them, in mm.
  function axes([a, b, c, d]) {
    const size = [Math.hypot(b[0] - a[0], b[1] - a[1]), Math.hypot(d[0] - a[0], d[1] - a[1])];
    return {
      size,
      middle: [(a[0] + c[0]) / 2, (a[1] + c[1]) / 2],
      along: [(b[0] - a[0]) / size[0], (b[1] - a[1]) / size[0]],
      down: [(d[0] - a[0]) / size[1], (d[1] - a[1]) / size[1]],
    };
  }

  const onScan = (frame, u, v) => [
    frame.middle[0] + u * frame.along[0] + v * frame.down[0],
    frame.middle[1] + u * frame.along[1] + v * frame.down[1],
  ];

  function inFrame(frame, x, y) {
    const [dx, dy] = [x - frame.middle[0], y - frame.middle[1]];
    return [dx * frame.along[0] + dy * frame.along[1], dx * frame.down[0] + dy * frame.down[1]];
  }

  // How a sheet may lie on the glass: upright or turned, either side up.
  const WAYS = [[1, 0, 0, 1], [-1, 0, 0, -1], [-1, 0, 0, 1], [1, 0, 0, -1],
    [0, 1, 1, 0], [0, -1, -1, 0], [0, 1, -1, 0], [0, -1, 1, 0]];
  const GRID = [36, 24];

  function ways(one, other) {
    const [a, b] = [one.size[0] / one.size[1], other.size[0] / other.size[1]];
    return WAYS.filter((way) => Math.abs(Math.log(way[0] ? a / b : a * b)) < 0.1);
  }

  function sampled(side, places) {
    const { data, readings } = side.read;
    return places.map(([u, v]) => {
      const [x, y] = onScan(side.frame, u, v);
      const column = Math.min(Math.max(Math.round((x - data.first[0]) / data.pitch[0]), 0), data.columns - 1);
      const row = Math.min(Math.max(Math.round((y - data.first[1]) / data.pitch[1]), 0), data.rows - 1);
      return readings[row * data.columns + column] / 1000;
    });
  }

  // What is left without the coarse distribution of light: two skies over two fields are not the same subject.
  function detail(values) {
    const [wide, high] = GRID;
    return values.map((value, index) => {
      const [column, row] = [index % wide, Math.floor(index / wide)];
      let sum = 0;
      let count = 0;
      for (let y = Math.max(row - 3, 0); y <= Math.min(row + 3, high - 1); y += 1) {
        for (let x = Math.max(column - 3, 0); x <= Math.min(column + 3, wide - 1); x += 1) {
          sum += values[y * wide + x];
          count += 1;
        }
      }
      return value - sum / count;
    });
  }

  function alike(one, other) {
    let [ab, aa, bb] = [0, 0, 0];
    one.forEach((a, index) => { ab += a * other[index]; aa += a * a; bb += other[index] ** 2; });
    return ab / (Math.sqrt(aa * bb) || 1);
  }

  const LEAST_ALIKE = 0.7;

  // How a place in one frame is found in the other, if both show the same subject; else nothing.
  function sameSubject(one, other) {
    if (!one.read || !other.read || !one.frame || !other.frame) return null;
    const [wide, high] = GRID;
    const places = [];
    for (let row = 0; row < high; row += 1) {
      for (let column = 0; column < wide; column += 1) {
        places.push([((column + 0.5) / wide - 0.5) * 0.86 * one.frame.size[0], ((row + 0.5) / high - 0.5) * 0.86 * one.frame.size[1]]);
      }
    }
    const mine = detail(sampled(one, places));
    let best = { r: 0 };
    const tried = (way, right, down) => {
      const there = places.map(([u, v]) => [way[0] * u + way[1] * v + right, way[2] * u + way[3] * v + down]);
      const r = alike(mine, detail(sampled(other, there)));
      if (r > best.r) best = { r, way, shift: [right, down] };
    };
    for (const way of ways(one.frame, other.frame)) {
      for (let right = -2; right <= 2; right += 1) for (let down = -2; down <= 2; down += 1) tried(way, right, down);
    }
    if (best.r < LEAST_ALIKE / 2) return null;
    const { way, shift } = best;
    for (let right = -0.75; right <= 0.75; right += 0.25) {
      for (let down = -0.75; down <= 0.75; down += 0.25) tried(way, shift[0] + right, shift[1] + down);
    }
    return best.r < LEAST_ALIKE ? null : best;
  }

  // The place in the other negative, from the left to the right one or back.
  function across(from, place) {
    const [one, other] = [shown[from], shown[1 - from]];
    if (!one.frame || !other.frame) return null;
    const [u, v] = inFrame(one.frame, place.x, place.y);
    const by = link || { way: WAYS[0], shift: [0, 0] };
    const [a, b, c, d] = by.way;
    const [right, down] = by.shift;
    const there = from === 0 ? [a * u + b * v + right, c * u + d * v + down]
      : [a * (u - right) + c * (v - down), b * (u - right) + d * (v - down)];
    return other.read.nearest(...onScan(other.frame, ...there));
  }

  const apart = (one, other) => ({
    value: other.value - one.value,
    uncertainty: one.uncertainty === null || other.uncertainty === null ? null : Math.hypot(one.uncertainty, other.uncertainty),
  });
  const signed = (quantity) => (Math.abs(quantity.value) < 0.005 ? "" : quantity.value > 0 ? "+" : "\u2212") + stated({ ...quantity, value: Math.abs(quantity.value) });
  const capital = (text) => text.slice(0, 1).toUpperCase() + text.slice(1);
  const figure = (side, name) => side.figures.find((one) => one.name === name);
  const limited = (one) => Boolean(one.limit || one.interval);

  function difference(one, other) {
    if (one.value === null || other.value === null || limited(one) || limited(other)) return null;
    return apart(one, other);
  }

  // Developments of the same film in the same developer are before and after, whichever was chosen first.
  function inOrder(one, other) {
    if (!one.run || !other.run || one.run.process !== other.run.process) return [one, other];
    const later = one.run.date > other.run.date || (one.run.date === other.run.date && one.run.number > other.run.number);
    return later ? [other, one] : [one, other];
  }

  function headline([one, other]) {
    const names = one.run && other.run && one.run.process === other.run.process && one.run.number !== other.run.number
      ? [`run ${one.run.number}`, `run ${other.run.number}`] : [one.name, other.name];
    const range = difference(figure(one, "density range"), figure(other, "density range"));
    const sentence = (name) => (name === one.name || name === other.name ? name : capital(name));
    const told = [];
    if (range === null) told.push("No range to compare");
    else if (Math.abs(range.value) <= (range.uncertainty || 0)) told.push(`${sentence(names[0])} and ${names[1]} have the same density range`);
    else {
      told.push(`${sentence(names[1])} has ${two(Math.abs(range.value))} ${range.value > 0 ? "more" : "less"} density range than ${names[0]}`);
    }
    if (one.grade && other.grade) {
      told.push(one.grade === other.grade ? `both print on ${graded(one.grade)}` : `${graded(other.grade)} instead of ${graded(one.grade)}`);
    }
    return `${told.join(": ")}.`;
  }

  const graded = (grade) => (/^\d/.test(grade) ? `grade ${grade}` : `a paper ${grade}`);

  function behind([one, other]) {
    const told = [];
    if (one.run && other.run && one.run.process === other.run.process && one.run.number !== other.run.number) {
      const changes = ["time", "temperature", "use"].filter((name) => one.run[name] !== other.run[name])
        .map((name) => `${one.run[name]} before, ${other.run[name]} after`);
      told.push(`${one.run.solution}: ${changes.join("; ") || "developed alike"}.`);
    }
    const shadows = difference(figure(one, "shadow, net"), figure(other, "shadow, net"));
    if (shadows !== null) {
      told.push(Math.abs(shadows.value) <= (shadows.uncertainty || 0) ? "The shadows are alike."
        : `The shadows are ${two(Math.abs(shadows.value))} ${shadows.value > 0 ? "denser" : "thinner"}.`);
    }
    if (link) told.push("Both show the same subject: point at one, and the same place is read in the other.");
    return told.join(" ");
  }

  function table(sides) {
    const head = element("tr");
    head.append(element("th"), ...sides.map((side) => element("th", side.name)), element("th", "difference"));
    for (const cell of head.cells) cell.scope = "col";
    find(".differences thead").replaceChildren(head);
    const rows = sides[0].figures.map((one, index) => {
      const other = sides[1].figures[index];
      const by = difference(one, other);
      return [one.name, one.words, other.words, by === null ? "" : signed(by)];
    });
    rows.push(["what to do", ...sides.map((side) => `${side.short}: ${side.why}`), ""]);
    if (sides.some((side) => side.run)) {
      rows.push(["development", ...sides.map((side) => (side.run
        ? `run ${side.run.number}: ${side.run.time} at ${side.run.temperature}, ${side.run.use}` : "")), ""]);
    }
    find(".differences tbody").replaceChildren(...rows.map((cells) => {
      const row = element("tr");
      const name = element("th", cells[0]);
      name.scope = "row";
      row.append(name, ...cells.slice(1).map((cell) => element("td", cell)));
      return row;
    }));
  }

  const BIN = 0.05;

  function spread(side) {
    const { data, readings } = side.read;
    const counts = new Map();
    let all = 0;
    for (let row = 0; row < data.rows; row += 1) {
      for (let column = 0; column < data.columns; column += 1) {
        const [u, v] = inFrame(side.frame, data.first[0] + column * data.pitch[0], data.first[1] + row * data.pitch[1]);
        if (Math.abs(u) > (side.frame.size[0] - data.aperture) / 2 || Math.abs(v) > (side.frame.size[1] - data.aperture) / 2) continue;
        const bin = Math.max(Math.floor(readings[row * data.columns + column] / 1000 / BIN), 0);
        counts.set(bin, (counts.get(bin) || 0) + 1);
        all += 1;
      }
    }
    return [...counts].map(([bin, count]) => [bin * BIN, count / Math.max(all, 1)]);
  }

  // One step wedge is the axis of both: the first stands on it, the second hangs below it.
  function tones(sides) {
    const whole = find(".tones");
    whole.hidden = sides.some((side) => !side.read || !side.frame);
    if (whole.hidden) return;
    const chart = find(".chart", whole);
    chart.replaceChildren();
    chart.setAttribute("aria-label", `Tones of ${sides[0].name} above, of ${sides[1].name} below one step wedge`);
    const spreads = sides.map(spread);
    const end = Math.max(Math.ceil(Math.max(...spreads.flat().map(([low]) => low + BIN)) * 2) / 2, 1);
    const tallest = Math.max(...spreads.flat().map(([, share]) => share), 0.01);
    const [left, wide, top, strip, tall] = [10, 380, 94, 10, 76];
    const at = (density) => left + (density / end) * wide;
    spreads.forEach((bins, side) => {
      for (const [low, share] of bins) {
        const height = (share / tallest) * tall;
        chart.append(shape("rect", {
          class: "bar", x: at(low).toFixed(2), width: (at(low + BIN) - at(low)).toFixed(2),
          y: (side ? top + strip : top - height).toFixed(2), height: height.toFixed(2),
        }));
      }
      chart.append(shape("text", { class: "word", x: left + wide, "text-anchor": "end", y: side ? 182 : 12 }, sides[side].name));
    });
    for (let step = 0; step < 25; step += 1) {
      const light = 10 ** -(((step + 0.5) / 25) * end);
      const coded = light <= 0.0031308 ? 12.92 * light : 1.055 * light ** (1 / 2.4) - 0.055;
      const gray = Math.round(255 * coded);
      chart.append(shape("rect", {
        fill: `rgb(${gray},${gray},${gray})`, x: (left + (step / 25) * wide).toFixed(2), width: (wide / 25 + 0.2).toFixed(2), y: top, height: strip,
      }));
    }
    for (let density = 0; density <= end + 1e-9; density += 0.5) {
      chart.append(shape("text", { class: "tick", x: at(density), y: 200, "text-anchor": density ? (density >= end ? "end" : "middle") : "start" },
        density ? density.toFixed(1) : "density 0"));
      chart.append(shape("line", { class: "dots", x1: at(density), x2: at(density), y1: 18, y2: 188 }));
    }
    find("figcaption", whole).textContent = `${sides[0].name} stands on the step wedge, ${sides[1].name} hangs below it.`;
  }

  // Both pictures at one scale, as large as both have room.
  function sized() {
    if (!shown) return;
    const sides = shown.filter((side) => side.read);
    const room = halves[0].clientWidth - 24;
    const stacked = halves[0].getBoundingClientRect().left === halves[1].getBoundingClientRect().left;
    const high = stacked ? Infinity : 0.6 * innerHeight;
    const perMm = Math.min(...sides.map(({ read: { data } }) => Math.min(room / data.region[2], high / data.region[3])));
    shown.forEach((side, which) => {
      if (!side.read) return;
      const [, , width, height] = side.read.data.region;
      find(".plate", halves[which]).style.width = `${width * perMm}px`;
      find(".negative", halves[which]).style.height = `${height * perMm}px`;
    });
  }

  function pictures() {
    const clearest = Math.min(...shown.map((side) => side.clearest ?? Infinity));
    shown.forEach((side, which) => {
      const half = halves[which];
      find(".glass", half).hidden = !side.read;
      if (!side.read) return;
      const printed = find(".printed", side.root);
      const picture = find(".negative", half);
      picture.src = (prints && printed ? printed : find(".negative", side.root)).src;
      picture.alt = prints ? "As a print" : "The negative";
      // The same light behind both: screens code light by about its 2.2nd root.
      picture.style.filter = prints ? "" : `brightness(${(10 ** ((clearest - side.clearest) / 2.2)).toFixed(3)})`;
      find(".marks", half).setAttribute("viewBox", side.read.data.region.join(" "));
      const frame = find(".frame", side.root);
      for (const kind of [".under", ".frame"]) find(kind, half).setAttribute("d", frame ? frame.getAttribute("d") : "");
    });
    find("[data-prints]").disabled = shown.some((side) => !side.root.querySelector(".printed"));
    find("[data-prints]").setAttribute("aria-pressed", String(prints));
    sized();
  }

  function cross(half, side, place) {
    const data = side.read.data;
    const around = { cx: place.x, cy: place.y, r: Math.max(data.aperture / 2, data.region[2] / 80) };
    find(".cross", half).replaceChildren(shape("circle", { ...around, class: "ring" }), shape("circle", around));
    const tag = find(".reading", half);
    const limit = side.read.limitOf(place);
    find(".density", tag).textContent = limit ? limit.split(":")[0] : stated(place.density);
    find(".net", tag).textContent = limit || !place.net ? "" : `net ${stated(place.net)}`;
    tag.hidden = false;
    const [left, top, width, height] = data.region;
    const plate = find(".plate", half).getBoundingClientRect();
    const glass = find(".glass", half).getBoundingClientRect();
    const x = plate.left - glass.left + ((place.x - left) / width) * plate.width;
    const y = plate.top - glass.top + ((place.y - top) / height) * plate.height;
    const beside = x + 18 + tag.offsetWidth > glass.width ? x - 18 - tag.offsetWidth : x + 18;
    tag.style.transform = `translate(${Math.round(Math.max(beside, 4))}px, ${Math.round(y > tag.offsetHeight + 18 ? y - tag.offsetHeight - 14 : y + 18)}px)`;
  }

  let here = [null, null];

  function show(from, place) {
    here = [null, null];
    here[from] = place;
    cross(halves[from], shown[from], place);
    const there = linked() ? across(from, place) : null;
    if (there) {
      here[1 - from] = there;
      cross(halves[1 - from], shown[1 - from], there);
      told(from === 0 ? [place, there] : [there, place]);
    } else {
      find(".reading", halves[1 - from]).hidden = true;
      find(".cross", halves[1 - from]).replaceChildren();
      find(".both").textContent = "";
    }
  }

  function told([one, other]) {
    const by = apart(one.net || one.density, other.net || other.density);
    const stops = Math.abs(by.value) / STOP;
    find(".both").textContent = `The same place: ${signed(by)}${one.net ? " net" : ""} from ${shown[0].name} to ${shown[1].name}, ${stops.toFixed(1)} stops of light in the print.`;
  }

  const linked = () => find("[data-linked]").getAttribute("aria-pressed") === "true";

  halves.forEach((half, which) => {
    const glass = find(".glass", half);
    const placed = (event) => {
      const plate = find(".plate", half).getBoundingClientRect();
      const [left, top, width, height] = shown[which].read.data.region;
      show(which, shown[which].read.nearest(
        left + ((event.clientX - plate.left) / plate.width) * width, top + ((event.clientY - plate.top) / plate.height) * height));
    };
    glass.addEventListener("pointermove", placed);
    glass.addEventListener("pointerdown", placed);
    glass.addEventListener("keydown", (event) => {
      const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (!by) return;
      event.preventDefault();
      const { data, nearest, readAt } = shown[which].read;
      const from = here[which] || nearest(...(shown[which].frame ? shown[which].frame.middle
        : [data.region[0] + data.region[2] / 2, data.region[1] + data.region[3] / 2]));
      const far = event.shiftKey ? Math.max(1, Math.round(5 / data.pitch[0])) : 1;
      show(which, readAt(Math.min(Math.max(from.column + by[0] * far, 0), data.columns - 1),
        Math.min(Math.max(from.row + by[1] * far, 0), data.rows - 1)));
    });
  });
  find("[data-prints]").addEventListener("click", () => { prints = !prints; pictures(); });
  find("[data-linked]").addEventListener("click", (event) => {
    event.currentTarget.setAttribute("aria-pressed", String(!linked()));
    const from = here.findIndex((place) => place !== null);
    if (from >= 0) show(from, here[from]);
  });
  find("[data-swap]").addEventListener("click", () => beside(shown[1].id, shown[0].id, true));
  addEventListener("resize", sized);

  function beside(left, right, asAsked) {
    const asked = [negative(left), negative(right)];
    shown = asAsked ? asked : inOrder(...asked);
    link = sameSubject(...shown);
    here = [null, null];
    shown.forEach((side, which) => {
      const half = halves[which];
      find(".name", half).textContent = side.name;
      find(".name", half).href = side.root.dataset.alone || `#${side.id}`;
      find(".run", half).textContent = side.run ? `run ${side.run.number}, ${side.run.date.slice(0, 10)}` : "";
      find(".say", half).textContent = side.short;
      half.classList.toggle("look", side.look);
      find(".glass", half).setAttribute("aria-label", `${side.name}, to read densities on`);
      find(".reading", half).hidden = true;
      find(".cross", half).replaceChildren();
    });
    find(".headline").textContent = headline(shown);
    find(".behind").textContent = behind(shown);
    find(".both").textContent = "";
    find("[data-linked]").disabled = shown.some((side) => !side.read || !side.frame);
    find("[data-linked]").setAttribute("aria-pressed", String(link !== null));
    table(shown);
    tones(shown);
    pictures();
  }

  function follow() {
    const address = location.hash.slice(1) || document.body.dataset.pair || "";
    const both = address.split("+").map((id) => document.getElementById(id));
    pair.hidden = both.length !== 2 || both.some((one) => !one || !one.classList.contains("sheet"));
    if (pair.hidden) return;
    beside(both[0].id, both[1].id, false);
    scrollTo(0, 0);
  }
  addEventListener("hashchange", follow);
  follow();

  // Two cards are chosen one after the other.
  const choose = document.querySelector("[data-choose]");
  const said = document.querySelector(".choosing");
  let first = null;

  function choosing(on) {
    first = null;
    choose.setAttribute("aria-pressed", String(on));
    said.textContent = on ? "Press the first of the two." : "";
    for (const card of document.querySelectorAll(".card.first")) card.classList.remove("first");
  }
  if (choose) {
    choose.addEventListener("click", () => choosing(choose.getAttribute("aria-pressed") !== "true"));
    document.querySelector(".cards").addEventListener("click", (event) => {
      const card = event.target.closest(".card");
      if (!card || choose.getAttribute("aria-pressed") !== "true") return;
      event.preventDefault();
      const id = card.getAttribute("href").slice(1);
      if (first === null) {
        first = id;
        card.classList.add("first");
        said.textContent = `${negative(id).name}: now the second.`;
      } else if (first !== id) {
        const address = `#${first}+${id}`;
        choosing(false);
        location.hash = address;
      }
    });
    for (const button of document.querySelectorAll("[data-with]")) {
      button.addEventListener("click", () => {
        location.hash = "#all";
        choosing(true);
        first = button.dataset.with;
        document.querySelector(`.card[href="#${first}"]`).classList.add("first");
        said.textContent = `${negative(first).name}: now the second.`;
      });
    }
  }
})();
