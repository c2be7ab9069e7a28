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

  const ROMAN = ["0", "I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X", "XI", "XII"];

  // A zone to the nearest half, where the line of zones over net density is known.
  function zoneOf(net, line) {
    if (!line) return "";
    const place = Math.round(2 * (line[0] + line[1] * net)) / 2;
    if (place < 0 || place > 12) return "";
    return `zone ${ROMAN[Math.floor(place)]}${place % 1 ? "\u00bd" : ""}`;
  }

  // What is read from the map of one negative, and how far that can be trusted.
  function reader(root) {
    const data = JSON.parse(root.querySelector(".sheet-data").textContent);
    const readings = decoded(root.querySelector(".sheet-map").textContent, data.rows, data.columns);

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
      const value = reading.density.value;
      if (value < data.calibrated[0]) return `at most ${two(data.calibrated[0])}: lighter than the calibration reaches`;
      if (value > data.calibrated[1]) return `at least ${two(data.calibrated[1])}: denser than the calibration reaches`;
      return "";
    }

    return { data, readings, doubtBetween, readAt, nearest, limitOf };
  }

  globalThis.densiscan = { reader, shape, element, two, stated };

  function sheetIn(root) {
    const { data, readings, doubtBetween, readAt, nearest, limitOf } = reader(root);
    const find = (name) => root.querySelector(name);
    const glass = find(".glass");
    const view = find(".window");
    const plate = find(".plate");
    const tag = find(".reading");
    const printed = find(".printed");
    const divider = find(".divider");
    const kept = data.spots.map((spot) => ({
      x: spot.x_mm, y: spot.y_mm, density: spot.density, net: spot.net, name: "",
    }));
    const look = { scale: 1, x: 0, y: 0, split: 1, apart: false };
    let here = null;
    let speaking = 0;

    const nameOf = (spot, index) => spot.name || `place ${index + 1}`;
    const sentence = (spot) => limitOf(spot)
      ? `${short(spot.x)}, ${short(spot.y)} mm  density ${limitOf(spot)}`
      : `${short(spot.x)}, ${short(spot.y)} mm  density ${stated(spot.density)}${spot.net ? `  net ${stated(spot.net)}` : ""}`;

    function relationOf(reading) {
      const told = [];
      if (reading.net) told.push(zoneOf(reading.net.value, data.zones));
      const last = kept.length - 1;
      if (last >= 0) {
        const stops = (reading.density.value - kept[last].density.value) / data.stop;
        const size = Math.abs(stops).toFixed(1);
        if (size === "0.0") told.push(`as ${nameOf(kept[last], last)}`);
        else told.push(`${size} stops ${stops < 0 ? "thinner" : "denser"} than ${nameOf(kept[last], last)}`);
      }
      return told.filter(Boolean).join(" \u00b7 ");
    }

    function show(reading, spoken) {
      here = reading;
      const limit = limitOf(reading);
      tag.querySelector(".place").textContent = `${short(reading.x)}, ${short(reading.y)} mm`;
      tag.querySelector(".density").textContent = limit ? limit.split(":")[0] : stated(reading.density);
      tag.querySelector(".net").textContent = reading.net && !limit ? `net ${stated(reading.net)}` : "";
      tag.querySelector(".relation").textContent = limit ? "" : relationOf(reading);
      tag.querySelector(".limit").textContent = limit ? limit.split(": ")[1] : "";
      tag.hidden = false;
      cross(find(".cross"), reading);
      profile(reading);
      place();
      if (spoken) {
        clearTimeout(speaking);
        speaking = setTimeout(() => { find(".spoken").textContent = sentence(reading); }, 200);
      }
    }

    // The reading stands beside the place, above a finger, and never outside the picture.
    function place(touch) {
      if (!here) return;
      const box = glass.getBoundingClientRect();
      const [x, y] = onGlass(here.x, here.y, box);
      const up = touch ? 76 : 14;
      const wide = tag.offsetWidth;
      const high = tag.offsetHeight;
      const left = x + 18 + wide > box.width && x - 18 - wide > 0 ? x - 18 - wide : Math.min(x + 18, box.width - wide - 4);
      const top = touch || y - high - up > 0 ? y - high - up : y + up;
      tag.style.transform = `translate(${Math.round(Math.max(left, 4))}px, ${Math.round(top)}px)`;
    }

    function onGlass(x, y, box) {
      const seen = plateBox();
      const [left, top, width, height] = data.region;
      return [
        seen.left + ((x - left) / width) * seen.width - box.left,
        seen.top + ((y - top) / height) * seen.height - box.top,
      ];
    }

    // The picture of the negative as it now lies on the screen, zoomed and moved.
    const plateBox = () => find(".negative").getBoundingClientRect();

    function circle(x, y, ring) {
      const at = { cx: x, cy: y, r: data.aperture / 2 };
      return shape("circle", ring ? { ...at, class: "ring" } : at);
    }

    function cross(group, reading) {
      const arm = data.region[2] / 40;
      group.replaceChildren();
      for (const thin of [false, true]) {
        const kind = thin ? { class: "thin" } : {};
        for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
          const from = data.aperture / 2;
          group.append(shape("line", {
            x1: reading.x + dx * from, y1: reading.y + dy * from,
            x2: reading.x + dx * (from + arm), y2: reading.y + dy * (from + arm), ...kind,
          }));
        }
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

    // Where somebody answers, a place can be put on a zone; what that takes is asked of them.
    const answers = "zones" in root.dataset && data.base && data.zones;

    function ask() {
      if (answers) root.dispatchEvent(new CustomEvent("zones", { detail: kept.filter((spot) => spot.zone !== undefined) }));
    }

    function wanted(spot, name) {
      const choice = element("select");
      choice.setAttribute("aria-label", `put ${name} on zone`);
      choice.append(element("option", "as it is"), ...ROMAN.slice(0, 11).map((zone) => element("option", zone)));
      choice.selectedIndex = spot.zone === undefined ? 0 : spot.zone + 1;
      choice.addEventListener("change", () => {
        spot.zone = choice.selectedIndex ? choice.selectedIndex - 1 : undefined;
        ask();
      });
      const label = element("label", "put on ");
      label.append(choice);
      return label;
    }

    function list() {
      const body = find(".spots tbody");
      body.replaceChildren();
      kept.forEach((spot, index) => {
        const row = element("tr");
        const head = element("th");
        head.scope = "row";
        const name = element("input");
        name.value = spot.name;
        name.placeholder = `${short(spot.x)}, ${short(spot.y)} mm`;
        name.setAttribute("aria-label", `name of place ${index + 1}, at ${short(spot.x)}, ${short(spot.y)} mm`);
        name.addEventListener("input", () => { spot.name = name.value.trim(); draw(); choices(); });
        head.append(name);
        const remove = element("button", "\u00d7");
        remove.type = "button";
        remove.setAttribute("aria-label", `remove place ${index + 1}`);
        remove.addEventListener("click", () => { kept.splice(index, 1); list(); ask(); glass.focus(); });
        const last = element("td");
        last.append(remove);
        const zone = spot.net ? zoneOf(spot.net.value, data.zones) : "";
        const net = element("td", spot.net ? `${stated(spot.net)}${zone ? `, ${zone}` : ""}` : "");
        if (answers) net.append(wanted(spot, nameOf(spot, index)));
        row.append(head, element("td", stated(spot.density)), net, last);
        body.append(row);
      });
      find(".marked").hidden = kept.length < 1;
      draw();
      choices();
    }

    function draw() {
      const group = find(".kept");
      const word = Number(group.dataset.word);
      group.replaceChildren();
      kept.forEach((spot, index) => {
        group.append(circle(spot.x, spot.y, true), circle(spot.x, spot.y, false), shape("text",
          { x: spot.x + data.aperture / 2 + word * 0.2, y: spot.y + word * 0.35, "font-size": word },
          spot.name || String(index + 1)));
      });
    }

    function choices() {
      const selects = [find(".from"), find(".to")];
      selects.forEach((select, which) => {
        select.replaceChildren(...kept.map((spot, index) => element("option", nameOf(spot, index))));
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
      kept.push(reading.name === undefined ? { ...reading, name: "" } : reading);
      list();
      find(".spoken").textContent = `place ${kept.length} marked: ${sentence(reading)}`;
    }

    function copyText() {
      const lines = [`${data.name}, calibration ${data.calibration}, ${data.aperture} mm aperture`];
      kept.forEach((spot, index) => lines.push(`${spot.name || index + 1}: ${sentence(spot)}`));
      if (kept.length > 1) {
        lines.push(`${nameOf(kept[find(".from").selectedIndex], find(".from").selectedIndex)} to `
          + `${nameOf(kept[find(".to").selectedIndex], find(".to").selectedIndex)}: ${difference()}`);
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

    function placeOf(event) {
      const box = plateBox();
      const [left, top, width, height] = data.region;
      // Side by side, the print to the right is read like the negative.
      const across = look.apart && event.clientX > box.right ? event.clientX - box.width : event.clientX;
      return nearest(left + ((across - box.left) / box.width) * width,
        top + ((event.clientY - box.top) / box.height) * height);
    }

    function move(right, down, far) {
      const from = here || nearest(data.region[0] + data.region[2] / 2, data.region[1] + data.region[3] / 2);
      const by = far ? Math.max(1, Math.round(5 / data.pitch[0])) : 1;
      const column = Math.min(Math.max(from.column + right * by, 0), data.columns - 1);
      const row = Math.min(Math.max(from.row + down * by, 0), data.rows - 1);
      show(readAt(column, row), true);
    }

    // Zoom and split.
    function applied() {
      const box = view.getBoundingClientRect();
      look.scale = Math.min(Math.max(look.scale, 1), 12);
      look.x = Math.min(Math.max(look.x, box.width * (1 - look.scale)), 0);
      look.y = Math.min(Math.max(look.y, box.height * (1 - look.scale)), 0);
      plate.style.transform = look.scale === 1 ? "" : `translate(${look.x}px, ${look.y}px) scale(${look.scale})`;
      splitAt(look.split);
      place();
    }

    function zoom(by, x, y) {
      const before = look.scale;
      look.scale = Math.min(Math.max(before * by, 1), 12);
      const change = look.scale / before;
      look.x = x - (x - look.x) * change;
      look.y = y - (y - look.y) * change;
      applied();
    }

    function middleOfView() {
      const box = view.getBoundingClientRect();
      return [box.width / 2, box.height / 2];
    }

    // Left of the line the negative, right of it the print; 0 to 1 over what is seen.
    function splitAt(share) {
      if (!printed) return;
      look.split = Math.min(Math.max(share, 0), 1);
      const wide = view.getBoundingClientRect().width;
      const inside = (look.split * wide - look.x) / look.scale / wide;
      printed.style.clipPath = look.apart ? "" : `inset(0 0 0 ${Math.min(Math.max(inside, 0), 1) * 100}%)`;
      divider.style.left = `${look.split * 100}%`;
      divider.hidden = look.apart;
      divider.setAttribute("aria-valuenow", String(Math.round(look.split * 100)));
    }

    if (printed) {
      look.split = 0.5;
      divider.addEventListener("pointerdown", (event) => {
        divider.setPointerCapture(event.pointerId);
        event.stopPropagation();
      });
      divider.addEventListener("pointermove", (event) => {
        if (!divider.hasPointerCapture(event.pointerId)) return;
        event.stopPropagation();
        const box = view.getBoundingClientRect();
        splitAt((event.clientX - box.left) / box.width);
      });
      divider.addEventListener("click", (event) => event.stopPropagation());
      divider.addEventListener("dblclick", (event) => event.stopPropagation());
      divider.addEventListener("keydown", (event) => {
        const by = { ArrowLeft: -0.05, ArrowRight: 0.05, Home: -1, End: 1 }[event.key];
        if (by === undefined) return;
        splitAt(look.split + by);
        event.preventDefault();
        event.stopPropagation();
      });
      const apart = find("[data-apart]");
      apart.addEventListener("click", () => {
        look.apart = !look.apart;
        apart.setAttribute("aria-pressed", String(look.apart));
        glass.classList.toggle("apart", look.apart);
        printed.style.position = look.apart ? "static" : "";
        look.scale = 1;
        find(".marks").style.width = look.apart ? "50%" : "";
        applied();
      });
    }

    const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const fingers = new Map();
    let drag = null;
    let pinch = null;
    glass.addEventListener("pointerdown", (event) => {
      fingers.set(event.pointerId, event);
      if (fingers.size === 2) pinch = spread();
      drag = look.scale > 1 && event.pointerType === "mouse" ? [event.clientX, event.clientY] : null;
      if (event.pointerType !== "mouse" && fingers.size === 1) { show(placeOf(event), false); place(true); }
    });
    function spread() {
      const [one, other] = [...fingers.values()];
      return {
        apart: Math.hypot(one.clientX - other.clientX, one.clientY - other.clientY),
        x: (one.clientX + other.clientX) / 2, y: (one.clientY + other.clientY) / 2,
      };
    }
    glass.addEventListener("pointermove", (event) => {
      if (fingers.has(event.pointerId)) fingers.set(event.pointerId, event);
      if (pinch && fingers.size === 2) {
        const now = spread();
        const box = view.getBoundingClientRect();
        look.x += now.x - pinch.x;
        look.y += now.y - pinch.y;
        zoom(now.apart / pinch.apart, now.x - box.left, now.y - box.top);
        pinch = now;
        return;
      }
      if (drag && event.buttons === 1) {
        look.x += event.clientX - drag[0];
        look.y += event.clientY - drag[1];
        drag = [event.clientX, event.clientY];
        applied();
        return;
      }
      if (event.pointerType !== "mouse" && !fingers.has(event.pointerId)) return;
      show(placeOf(event), false);
      if (event.pointerType !== "mouse") place(true);
    });
    const lifted = (event) => {
      fingers.delete(event.pointerId);
      if (fingers.size < 2) pinch = null;
      drag = null;
    };
    for (const kind of ["pointerup", "pointercancel", "pointerleave"]) glass.addEventListener(kind, lifted);
    glass.addEventListener("wheel", (event) => {
      if (document.activeElement !== glass && !event.ctrlKey) return;
      const box = view.getBoundingClientRect();
      zoom(Math.exp(-event.deltaY / 400), event.clientX - box.left, event.clientY - box.top);
      event.preventDefault();
    }, { passive: false });
    glass.addEventListener("dblclick", (event) => { const reading = placeOf(event); show(reading, false); keep(reading); });
    glass.addEventListener("keydown", (event) => {
      if (event.key in ARROWS) {
        move(...ARROWS[event.key], event.shiftKey);
      } else if (event.key === "Enter" || event.key === " ") {
        if (!here) move(0, 0, false);
        keep(here);
      } else if (event.key === "+" || event.key === "=") {
        zoom(1.5, ...middleOfView());
      } else if (event.key === "-") {
        zoom(1 / 1.5, ...middleOfView());
      } else {
        return;
      }
      event.preventDefault();
    });
    for (const button of root.querySelectorAll("[data-move]")) {
      button.addEventListener("click", (event) => move(...button.dataset.move.split(" ").map(Number), event.shiftKey));
    }
    for (const button of root.querySelectorAll("[data-zoom]")) {
      button.addEventListener("click", () => zoom(Number(button.dataset.zoom), ...middleOfView()));
    }
    find("[data-keep]").addEventListener("click", () => { if (!here) move(0, 0, false); keep(here); });
    find(".from").addEventListener("change", compare);
    find(".to").addEventListener("change", compare);
    find('[data-copy="text"]').addEventListener("click", () => copy(copyText()));
    find('[data-copy="options"]').addEventListener("click", () => copy(copyOptions()));

    // What was found: its place shows its sentence, its sentence its place.
    function choose(number) {
      const chosen = find(`.found[data-finding="${number}"]`).classList.contains("chosen") ? null : number;
      for (const one of root.querySelectorAll("[data-finding]")) {
        const is = one.dataset.finding === chosen;
        if (one.classList.contains("found")) one.classList.toggle("chosen", is);
        else one.setAttribute("aria-pressed", String(is));
      }
      return chosen;
    }
    for (const one of root.querySelectorAll("[data-finding]")) {
      one.addEventListener("click", () => {
        const chosen = choose(one.dataset.finding);
        if (chosen === null) return;
        const other = one.classList.contains("found")
          ? find(`button[data-finding="${chosen}"]`) : glass;
        other.scrollIntoView({ block: "nearest" });
      });
    }
    addEventListener("resize", applied);
    list();
    applied();
  }

  function open(root) {
    if (root.dataset.ready || !root.querySelector(".sheet-data")) return;
    root.dataset.ready = "yes";
    sheetIn(root);
  }

  // Of several negatives one is seen at a time, or all as cards; the address says which.
  const sheets = [...document.querySelectorAll(".sheet")];
  const overview = document.querySelector(".overview");
  document.documentElement.classList.add("live");
  document.body.classList.add("routed");

  function follow() {
    const address = location.hash.slice(1) || document.body.dataset.pair || "";
    const wanted = address && document.getElementById(address);
    const root = wanted && wanted.classList.contains("sheet") ? wanted : null;
    const pair = address.includes("+");
    if (!overview) {
      sheets.forEach(open);
      return;
    }
    overview.hidden = root !== null || pair;
    document.body.classList.toggle("paired", pair);
    for (const sheet of sheets) sheet.classList.toggle("shown", sheet === root);
    if (!root) return;
    open(root);
    scrollTo(0, 0);
  }
  addEventListener("hashchange", follow);
  follow();

  for (const group of document.querySelectorAll(".filters")) {
    const cards = [...document.querySelectorAll(".cards > li")];
    const list = document.querySelector(".cards");
    const buttons = [...group.querySelectorAll("[data-filter]")];
    const order = group.querySelector("[data-order]");
    const told = document.querySelector(".filtered");
    function filter(which) {
      let shown = 0;
      for (const button of buttons) button.setAttribute("aria-pressed", String(button.dataset.filter === which));
      for (const card of cards) {
        card.hidden = which === "look" && card.dataset.look !== "1";
        shown += card.hidden ? 0 : 1;
      }
      told.textContent = `${shown} shown.`;
    }
    for (const button of buttons) button.addEventListener("click", () => filter(button.dataset.filter));
    order.addEventListener("change", () => {
      const key = (card) => card.dataset[order.value];
      const sorted = cards.slice().sort((one, other) => (order.value === "name"
        ? key(one).localeCompare(key(other), undefined, { numeric: true }) : Number(key(one)) - Number(key(other))));
      list.append(...sorted);
    });
  }

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
        const told = table.closest("details").querySelector(".sorted");
        told.textContent = `Sorted by ${head.textContent}, ${falling ? "largest" : "smallest"} first.`;
      });
    });
  }
})();
