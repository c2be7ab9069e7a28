"use strict";
(() => {
  const SVG = "createElementNS";
  const NS = document.querySelector("svg") ? document.querySelector("svg").namespaceURI : null;

  function shape(name, attributes, text) {
    const made = document[SVG](NS, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (text !== undefined) made.textContent = text;
    return made;
  }

  function element(name, text) {
    const made = document.createElement(name);
    if (text !== undefined) made.textContent = text;
    return made;
  }

  // Each byte is a step from the reading before plus 128; a zero byte says that two bytes follow, the reading itself.
  function decoded(text, rows, columns) {
    const coded = atob(text.trim());
    const readings = new Int16Array(rows * columns);
    let at = 0;
    for (let row = 0, place = 0; row < rows; row += 1) {
      let before = row ? readings[place - columns] : 0;
      for (let column = 0; column < columns; column += 1, place += 1) {
        const step = coded.charCodeAt(at);
        at += 1;
        if (step) {
          readings[place] = before + step - 128;
        } else {
          readings[place] = (coded.charCodeAt(at) << 8) | coded.charCodeAt(at + 1);
          at += 2;
        }
        before = readings[place];
      }
    }
    return readings;
  }

  const two = (value) => (value + 0).toFixed(2).replace("-0.00", "0.00");
  const short = (value) => String(Math.round(value * 100) / 100);
  const stated = (quantity) =>
    quantity.uncertainty === null ? two(quantity.value)
      : `${two(quantity.value)} \u00b1 ${two(Math.max(quantity.uncertainty, 0.01))}`;

  function sheetIn(root) {
    const data = JSON.parse(root.querySelector(".sheet-data").textContent);
    const readings = decoded(root.querySelector(".sheet-map").textContent, data.rows, data.columns);
    const glasses = [...root.querySelectorAll(".glass")];
    const find = (name) => root.querySelector(name);
    const kept = data.spots.map((spot) => ({ x: spot.x_mm, y: spot.y_mm, density: spot.density, net: spot.net }));
    let here = null;
    let speaking = 0;

    // Where between the levels a density lies: the level below it, and how far to the next.
    function between(density) {
      const levels = data.levels;
      const last = levels.length - 1;
      const place = Math.min(Math.max((density - levels[0]) / (levels[last] - levels[0]), 0), 1) * last;
      const low = Math.min(Math.floor(place), last - 1);
      return [low, place - low];
    }

    function doubtOf(density) {
      const [k, t] = between(density);
      return data.doubt[k] * (1 - t) + data.doubt[k + 1] * t;
    }

    function doubtBetween(one, other) {
      const [i, s] = between(one);
      const [j, t] = between(other);
      const table = data.between;
      return (table[i][j] * (1 - t) + table[i][j + 1] * t) * (1 - s)
        + (table[i + 1][j] * (1 - t) + table[i + 1][j + 1] * t) * s;
    }

    function readAt(column, row) {
      const value = readings[row * data.columns + column] / 1000;
      const net = data.base && { value: value - data.base.value, uncertainty: doubtBetween(value, data.base.value) };
      return {
        column, row, net,
        x: data.first[0] + column * data.pitch[0],
        y: data.first[1] + row * data.pitch[1],
        density: { value, uncertainty: doubtOf(value) },
      };
    }

    function nearest(x, y) {
      const column = Math.round((x - data.first[0]) / data.pitch[0]);
      const row = Math.round((y - data.first[1]) / data.pitch[1]);
      return readAt(Math.min(Math.max(column, 0), data.columns - 1), Math.min(Math.max(row, 0), data.rows - 1));
    }

    function limitOf(reading) {
      if (reading.density.value < data.calibrated[0]) return "thinner than what is calibrated: only a limit";
      if (reading.density.value > data.calibrated[1]) return "denser than what is calibrated: only a limit";
      return "";
    }

    const sentence = (spot) =>
      `${short(spot.x)}, ${short(spot.y)} mm  density ${stated(spot.density)}${spot.net ? `  net ${stated(spot.net)}` : ""}`;

    function show(reading, spoken) {
      here = reading;
      find(".place").textContent = `${short(reading.x)}, ${short(reading.y)} mm`;
      find(".density").textContent = `density ${stated(reading.density)}`;
      find(".net").textContent = reading.net ? `net ${stated(reading.net)}` : "";
      find(".limit").textContent = limitOf(reading);
      for (const glass of glasses) cross(glass.querySelector(".cross"), reading);
      profile(reading);
      if (spoken) {
        clearTimeout(speaking);
        speaking = setTimeout(() => { find(".spoken").textContent = `${sentence(reading)} ${limitOf(reading)}`; }, 200);
      }
    }

    function circle(x, y, ring) {
      const at = { cx: x, cy: y, r: data.aperture / 2 };
      return shape("circle", ring ? { ...at, class: "ring" } : at);
    }

    function cross(group, reading) {
      const [left, top, width, height] = data.region;
      group.replaceChildren();
      for (const thin of [false, true]) {
        const look = thin ? { class: "thin" } : {};
        group.append(
          shape("line", { x1: left, x2: left + width, y1: reading.y, y2: reading.y, ...look }),
          shape("line", { x1: reading.x, x2: reading.x, y1: top, y2: top + height, ...look }),
        );
      }
      group.append(circle(reading.x, reading.y, true), circle(reading.x, reading.y, false));
    }

    function profile(reading) {
      const chart = find("svg[data-scale]");
      const [from, perMm, bottom, perUnit] = chart.dataset.scale.split(" ").map(Number);
      const left = Number(chart.dataset.left);
      const top = Number(chart.dataset.top);
      const points = [];
      for (let column = 0; column < data.columns; column += Math.max(1, Math.floor(data.columns / 400))) {
        const value = readings[reading.row * data.columns + column] / 1000;
        const x = left + (data.first[0] + column * data.pitch[0] - from) * perMm;
        points.push(`${x.toFixed(2)},${Math.max(bottom + value * perUnit, top).toFixed(2)}`);
      }
      chart.querySelector(".line").setAttribute("points", points.join(" "));
      const at = left + (reading.x - from) * perMm;
      chart.querySelector(".here").setAttribute("x1", at);
      chart.querySelector(".here").setAttribute("x2", at);
      find(".height").textContent = `at y ${short(reading.y)} mm, through the place that is read`;
    }

    function list() {
      const body = find(".spots tbody");
      body.replaceChildren();
      kept.forEach((spot, index) => {
        const row = element("tr");
        const name = element("th", String(index + 1));
        name.scope = "row";
        const remove = element("button", "remove");
        remove.type = "button";
        remove.setAttribute("aria-label", `remove spot ${index + 1}`);
        remove.addEventListener("click", () => { kept.splice(index, 1); list(); glasses[0].focus(); });
        const last = element("td");
        last.append(remove);
        row.append(name, element("td", `${short(spot.x)}, ${short(spot.y)}`), element("td", stated(spot.density)),
          element("td", spot.net ? stated(spot.net) : ""), last);
        body.append(row);
      });
      const group = find(".kept");
      const word = Number(group.dataset.word);
      group.replaceChildren();
      kept.forEach((spot, index) => {
        group.append(circle(spot.x, spot.y, true), circle(spot.x, spot.y, false), shape("text",
          { x: spot.x + data.aperture / 2 + word * 0.2, y: spot.y + word * 0.35, "font-size": word }, String(index + 1)));
      });
      choices();
    }

    function choices() {
      const selects = [find(".from"), find(".to")];
      selects.forEach((select, which) => {
        select.replaceChildren(...kept.map((_, index) => element("option", String(index + 1))));
        select.selectedIndex = Math.max(kept.length - 2 + which, 0);
      });
      find(".pair").hidden = kept.length < 2;
      find(".copy").hidden = kept.length < 1;
      if (kept.length < 1) find(".copied").hidden = true;
      compare();
    }

    function difference() {
      const [one, other] = [kept[find(".from").selectedIndex], kept[find(".to").selectedIndex]];
      if (!one || !other) return "";
      const value = other.density.value - one.density.value;
      const uncertainty = one === other ? 0 : doubtBetween(one.density.value, other.density.value);
      return `difference ${stated({ value, uncertainty })}, ${(Math.abs(value) / data.stop).toFixed(1)} stops of light`;
    }

    function compare() { find(".difference").textContent = difference(); }

    function keep(reading) {
      kept.push(reading);
      list();
      find(".spoken").textContent = `spot ${kept.length} kept: ${sentence(reading)}`;
    }

    function copyText() {
      const lines = [`${data.name}, calibration ${data.calibration}, ${data.aperture} mm aperture`];
      kept.forEach((spot, index) => lines.push(`${index + 1}: ${sentence(spot)}`));
      if (kept.length > 1) {
        lines.push(`${find(".from").selectedIndex + 1} to ${find(".to").selectedIndex + 1}: ${difference()}`);
      }
      return lines.join("\n");
    }

    const copyOptions = () => kept.map((spot) => `--spot ${short(spot.x)},${short(spot.y)}`).join(" ");

    async function copy(text) {
      const area = find(".copied textarea");
      find(".copied").hidden = false;
      area.value = text;
      area.select();
      let done = false;
      try {
        await navigator.clipboard.writeText(text);
        done = true;
      } catch {
        done = document.execCommand("copy");
      }
      find(".done").textContent = done ? "Copied." : "Select the text and copy it.";
    }

    function placeOf(glass, event) {
      const box = glass.getBoundingClientRect();
      const [left, top, width, height] = data.region;
      return nearest(left + ((event.clientX - box.left) / box.width) * width,
        top + ((event.clientY - box.top) / box.height) * height);
    }

    function move(right, down, far) {
      const from = here || nearest(data.region[0] + data.region[2] / 2, data.region[1] + data.region[3] / 2);
      const by = far ? Math.max(1, Math.round(5 / data.pitch[0])) : 1;
      const column = Math.min(Math.max(from.column + right * by, 0), data.columns - 1);
      const row = Math.min(Math.max(from.row + down * by, 0), data.rows - 1);
      show(readAt(column, row), true);
    }

    const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    for (const glass of glasses) {
      glass.addEventListener("pointermove", (event) => show(placeOf(glass, event), false));
      glass.addEventListener("click", (event) => {
        const reading = placeOf(glass, event);
        show(reading, false);
        keep(reading);
      });
    }
    glasses[0].addEventListener("keydown", (event) => {
      if (event.key in ARROWS) {
        move(...ARROWS[event.key], event.shiftKey);
      } else if (event.key === "Enter" || event.key === " ") {
        if (!here) move(0, 0, false);
        keep(here);
      } else {
        return;
      }
      event.preventDefault();
    });
    for (const button of root.querySelectorAll("[data-move]")) {
      button.addEventListener("click", (event) => move(...button.dataset.move.split(" ").map(Number), event.shiftKey));
    }
    find("[data-keep]").addEventListener("click", () => { if (!here) move(0, 0, false); keep(here); });
    find(".from").addEventListener("change", compare);
    find(".to").addEventListener("change", compare);
    find('[data-copy="text"]').addEventListener("click", () => copy(copyText()));
    find('[data-copy="options"]').addEventListener("click", () => copy(copyOptions()));
    list();
  }

  function open(root) {
    if (root.dataset.ready || !root.querySelector(".sheet-data")) return;
    root.dataset.ready = "yes";
    sheetIn(root);
  }

  for (const root of document.querySelectorAll(".sheet")) {
    if (root.classList.contains("open")) open(root);
    else root.addEventListener("toggle", () => { if (root.open) open(root); });
  }

  // A name in the table, or an address with a sign of a negative, opens that negative.
  function follow() {
    const root = location.hash && document.getElementById(location.hash.slice(1));
    if (root && root.classList.contains("sheet")) {
      root.open = true;
      root.scrollIntoView();
    }
  }
  addEventListener("hashchange", follow);
  for (const link of document.querySelectorAll(".sortable a")) {
    link.addEventListener("click", () => { const root = document.getElementById(link.hash.slice(1)); root.open = true; });
  }
  follow();

  for (const table of document.querySelectorAll(".sortable")) {
    const heads = [...table.tHead.rows[0].cells];
    heads.forEach((head, column) => {
      head.firstElementChild.addEventListener("click", () => {
        const falling = head.getAttribute("aria-sort") !== "descending" && column === 1
          ? true : head.getAttribute("aria-sort") === "ascending";
        heads.forEach((other) => other.removeAttribute("aria-sort"));
        head.setAttribute("aria-sort", falling ? "descending" : "ascending");
        const key = (row) => row.cells[column].dataset.by;
        const numbers = [...table.tBodies[0].rows].every((row) => key(row) === undefined || !Number.isNaN(Number(key(row))));
        const order = (one, other) => (numbers ? Number(one) - Number(other) : one.localeCompare(other, undefined, { numeric: true }));
        const sorted = [...table.tBodies[0].rows].sort((one, other) => {
          const [a, b] = [key(one), key(other)];
          // What is not known comes last either way.
          if (a === undefined || b === undefined) return (a === undefined) - (b === undefined);
          return falling ? order(b, a) : order(a, b);
        });
        table.tBodies[0].append(...sorted);
        const told = table.closest("section").querySelector(".sorted");
        told.textContent = `Sorted by ${head.textContent}, ${falling ? "largest" : "smallest"} first.`;
      });
    });
  }
})();
