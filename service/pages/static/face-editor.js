// Zones, keep-outs and baselines dragged on a face. The numbers in the form are the truth: what is dragged is
// written there, and what is typed there is drawn. Without this script the form alone does the same.
"use strict";
(() => {
  const form = document.getElementById("face-form"), board = document.getElementById("handles");
  if (!form || !board) return;
  const SVG = "http://www.w3.org/2000/svg";
  const left = Number(board.dataset.left), top = Number(board.dataset.top);
  const stage = document.getElementById("stage"), undo = document.getElementById("undo");
  const step = () => Number(document.getElementById("step").value);
  const tidy = (value) => String(Math.round(value * 1000) / 1000);
  const number = (name) => Number(String(form.elements[name]?.value || "").replace(",", "."));
  let chosen = null, zoom = 1, isAsking = false, isChanged = false;
  const before = [];

  // --- shapes: read from the form, written into it ---

  // Path data of straight lines and curves with absolute coordinates; null for anything else.
  function parsed(data) {
    const found = [];
    for (const [, letter, rest] of data.matchAll(/([A-Za-z])([^A-Za-z]*)/g)) {
      const values = (rest.match(/[-+]?(?:\d+\.?\d*|\.\d+)(?:e[-+]?\d+)?/gi) || []).map(Number);
      const takes = { M: 2, L: 2, H: 1, V: 1, C: 6, Q: 4, Z: 0 }[letter];
      if (takes === undefined || (takes ? !values.length || values.length % takes : values.length)) return null;
      if (!takes) found.push(["Z", []]);
      for (let at = 0; at < values.length; at += takes || 1) {
        const last = found.length ? found.at(-1)[1].at(-1) : [0, 0], part = values.slice(at, at + takes);
        if (letter === "H") found.push(["L", [[part[0], last[1]]]]);
        else if (letter === "V") found.push(["L", [[last[0], part[0]]]]);
        else found.push([letter === "M" && at ? "L" : letter,
          Array.from({ length: takes / 2 }, (_, n) => [part[2 * n], part[2 * n + 1]])]);
      }
    }
    return found.length ? found : null;
  }
  const written = (parts) => parts.map(([letter, points]) =>
    [letter, ...points.map(([x, y]) => `${tidy(x)} ${tidy(y)}`)].join(" ")).join(" ");

  function rows(name) {
    const found = [];
    for (let row = 0; form.elements[`${name}[${row}][0]`]; row += 1) {
      if (form.elements[`${name}[${row}][0]`].value.trim()) found.push(row);
    }
    return found;
  }

  // The shape as its points; `put` writes them back. Null where it can't be dragged.
  function read(field) {
    const name = field.dataset.input;
    if (field.dataset.shape === "anchor") {
      if (!form.elements[`${name}[0]`].value.trim()) return null;
      return { way: "point", points: [[number(`${name}[0]`), number(`${name}[1]`)]] };
    }
    const way = form.elements[`${name}~way`]?.value;
    if (way === "rect") {
      const [a, b, c, d] = [0, 1, 2, 3].map((n) => number(`${name}.rect[${n}]`));
      return { way, points: [[a, b], [c, b], [c, d], [a, d]] };
    }
    if (way === "circle") {
      const [x, y, r] = [0, 1, 2].map((n) => number(`${name}.circle[${n}]`));
      return { way, points: [[x, y], [x + r, y]] };
    }
    if (way === "points") {
      const found = rows(`${name}.points`);
      return found.length < 2 ? null
        : { way, points: found.map((row) => [0, 1].map((n) => number(`${name}.points[${row}][${n}]`))) };
    }
    const parts = way === "path" ? parsed(form.elements[`${name}.path`].value) : null;
    return parts && { way, parts, points: parts.flatMap(([, points]) => points) };
  }
  function put(field, shape) {
    const name = field.dataset.input, set = (key, value) => { form.elements[key].value = tidy(value); };
    const { way, points } = shape;
    if (way === "point") points[0].forEach((value, n) => set(`${name}[${n}]`, value));
    if (way === "rect") [points[0][0], points[0][1], points[2][0], points[2][1]].forEach((v, n) => set(`${name}.rect[${n}]`, v));
    if (way === "circle") {
      const [[x, y], [x1, y1]] = points;
      [x, y, Math.max(0.1, Math.hypot(x1 - x, y1 - y))].forEach((value, n) => set(`${name}.circle[${n}]`, value));
    }
    if (way === "points") rows(`${name}.points`).forEach((row, at) => points[at].forEach((v, n) => set(`${name}.points[${row}][${n}]`, v)));
    if (way === "path") form.elements[`${name}.path`].value = written(shape.parts);
  }
  // One point moved; in a rectangle its neighbours go along, of a circle the middle takes the edge along.
  function moved(shape, at, dx, dy) {
    const { way, points } = shape, point = points[at];
    point[0] += dx;
    point[1] += dy;
    if (way === "rect") {
      points[[3, 2, 1, 0][at]][0] = point[0];
      points[[1, 0, 3, 2][at]][1] = point[1];
    }
    if (way === "circle" && at === 0) { points[1][0] += dx; points[1][1] += dy; }
  }
  const fields = [...form.querySelectorAll("[data-shape]")];
  // A zone takes its baseline and its anchor along.
  const together = (field) => field.dataset.shape === "polygon"
    ? fields.filter((one) => one.dataset.part === field.dataset.part) : [field];

  function move(field, at, dx, dy) {
    for (const one of at === null ? together(field) : [field]) {
      const shape = read(one);
      if (!shape) continue;
      if (at === null) shape.points.forEach((point) => { point[0] += dx; point[1] += dy; });
      else moved(shape, at, dx, dy);
      put(one, shape);
    }
    changed();
  }

  // --- how they are drawn ---

  const scale = () => board.viewBox.baseVal.width / (board.clientWidth || 1);
  const at = ([x, y]) => `${x - left} ${top - y}`;
  function outline(field, shape) {
    const { way, points } = shape, closed = field.dataset.shape === "baseline" ? "" : "Z";
    if (way === "path") return shape.parts.map(([letter, own]) => letter + own.map(at).join(" ")).join("");
    if (way === "rect" || way === "points") return `M${points.map(at).join("L")}${closed}`;
    const [[x, y], edge] = [points[0], points[1] || [points[0][0] + 6 * scale(), points[0][1]]];
    const r = Math.hypot(edge[0] - x, edge[1] - y);
    return `M${at([x - r, y])}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0Z`;
  }
  function made(kind, parent, about) {
    const node = parent.appendChild(document.createElementNS(SVG, kind));
    for (const [key, value] of Object.entries(about)) node.setAttribute(key, value);
    return node;
  }
  const filled = (text, ...values) => values.reduce((said, value) => said.replace("%s", value), text);

  function draw() {
    const focus = document.activeElement?.closest?.("#handles [data-key]")?.dataset.key;
    board.replaceChildren();
    const wide = scale();
    // What is small lies above what is large, and what is chosen above all.
    const order = fields.filter(read).sort((a, b) => (a === chosen) - (b === chosen)
      || (a.dataset.shape === "baseline") - (b.dataset.shape === "baseline"));
    for (const field of order) {
      const shape = read(field), name = field.dataset.name, key = field.dataset.input;
      const group = made("g", board, {
        class: `shape ${field.dataset.shape} of-${field.dataset.of}${field === chosen ? " chosen" : ""}`, tabindex: "0",
        role: "button", "data-key": key, "aria-label": filled(board.dataset.says, name), "aria-pressed": String(field === chosen),
      });
      const data = outline(field, shape);
      if (field.dataset.shape === "baseline") { // by its ends: its middle is where one takes hold of the zone
        for (const end of [shape.points[0], shape.points.at(-1)]) {
          const [x, y] = at(end).split(" ");
          made("circle", group, { class: "hit", cx: x, cy: y, r: 12 * wide });
          made("circle", group, { class: "grip", cx: x, cy: y, r: 5 * wide });
        }
      } else made("path", group, { class: "hit", d: data, "stroke-width": 12 * wide });
      made("path", group, { class: "edge", d: data, "stroke-width": 2 * wide });
      if (field !== chosen || shape.way === "point") continue;
      shape.points.forEach((point, n) => {
        const handle = made("g", board, {
          class: "handle", tabindex: "0", role: "button", "data-key": `${key}#${n}`,
          "aria-label": filled(board.dataset.corner, name, n + 1),
        });
        const [x, y] = at(point).split(" ");
        made("circle", handle, { class: "hit", cx: x, cy: y, r: 20 * wide });
        made("circle", handle, { class: "dot", cx: x, cy: y, r: 7 * wide, "stroke-width": 2 * wide });
      });
    }
    if (focus) [...board.children].find((one) => one.dataset.key === focus)?.focus({ preventScroll: true });
  }
  const meant = (node) => {
    const key = node.closest?.("[data-key]")?.dataset.key;
    if (!key) return null;
    const [name, point] = key.split("#");
    return { field: fields.find((one) => one.dataset.input === name), at: point === undefined ? null : Number(point) };
  };
  function choose(field) {
    if (chosen === field) return;
    chosen = field;
    const zone = form.elements.zone;
    if (field && field.dataset.zone && zone && [...zone.options].some((one) => one.value === field.dataset.zone)) {
      zone.value = field.dataset.zone;
      ask();
    }
    draw();
  }

  // --- undo: what all shapes were ---

  const held = () => fields.flatMap((field) => [...field.querySelectorAll("input:not([type=radio]), textarea")])
    .map((one) => [one, one.value]);
  function remember() {
    before.push(held());
    if (before.length > 200) before.shift();
    undo.disabled = false;
  }
  function takeBack() {
    const last = before.pop();
    if (!last) return;
    last.forEach(([one, value]) => { one.value = value; });
    undo.disabled = !before.length;
    changed();
  }

  // --- what the check says of it: one question at a time, the newest counts ---

  function changed() { draw(); ask(); }
  async function ask() {
    isChanged = true;
    if (isAsking) return;
    isAsking = true;
    stage.setAttribute("aria-busy", "true");
    while (isChanged) {
      isChanged = false;
      try {
        const answer = await fetch(form.dataset.try, {
          method: "POST", body: new URLSearchParams(new FormData(form)), credentials: "same-origin",
        });
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        const offline = document.getElementById("offline");
        if (!page.getElementById("said")) { if (answer.status < 500) { location.reload(); return; } throw new Error(); }
        offline.hidden = true;
        // A shape that crosses itself has no picture: the last one stays under what is being dragged.
        if (page.getElementById("fitted").children.length) document.getElementById("fitted").replaceWith(document.importNode(page.getElementById("fitted"), true));
        document.getElementById("said").replaceWith(document.importNode(page.getElementById("said"), true));
      } catch {
        document.getElementById("offline").hidden = false;
      }
    }
    isAsking = false;
    stage.removeAttribute("aria-busy");
  }

  // --- finger, mouse, pen, keyboard ---

  const place = (event) => {
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(board.getScreenCTM().inverse());
    return [point.x + left, top - point.y];
  };
  let drag = null;
  board.addEventListener("pointerdown", (event) => {
    const on = meant(event.target);
    if (!on || (event.pointerType === "mouse" && event.button)) { choose(null); return; }
    event.preventDefault();
    choose(on.field);
    drag = { ...on, from: place(event), done: [0, 0], isMoved: false };
    board.setPointerCapture(event.pointerId);
    [...board.children].find((one) => one.dataset.key === on.field.dataset.input + (on.at === null ? "" : `#${on.at}`))?.focus({ preventScroll: true });
  });
  board.addEventListener("pointermove", (event) => {
    if (!drag) return;
    const now = place(event), by = step();
    const whole = [0, 1].map((n) => Math.round((now[n] - drag.from[n]) / by) * by);
    if (whole[0] === drag.done[0] && whole[1] === drag.done[1]) return;
    if (!drag.isMoved) remember();
    drag.isMoved = true;
    move(drag.field, drag.at, whole[0] - drag.done[0], whole[1] - drag.done[1]);
    drag.done = whole;
  });
  for (const end of ["pointerup", "pointercancel", "lostpointercapture"]) board.addEventListener(end, () => { drag = null; });
  board.addEventListener("keydown", (event) => {
    const on = meant(event.target), by = event.shiftKey ? 1 : 0.1;
    const way = { ArrowLeft: [-by, 0], ArrowRight: [by, 0], ArrowUp: [0, by], ArrowDown: [0, -by] }[event.key];
    if (!on) return;
    if (event.key === "Enter" || event.key === " ") { event.preventDefault(); choose(on.field); }
    if (event.key === "Escape") choose(null);
    if (!way) return;
    event.preventDefault();
    choose(on.field);
    if (!event.repeat) remember();
    move(on.field, on.at, ...way);
  });
  form.addEventListener("keydown", (event) => {
    const isTyping = event.target.matches("input, textarea, select");
    if ((event.ctrlKey || event.metaKey) && event.key === "z" && !isTyping) { event.preventDefault(); takeBack(); }
  });
  form.addEventListener("input", changed);
  undo.addEventListener("click", takeBack);
  const zoomed = (by) => {
    zoom = Math.min(8, Math.max(1, zoom * by));
    stage.style.width = `${100 * zoom}%`;
    draw();
  };
  document.getElementById("nearer").addEventListener("click", () => zoomed(2));
  document.getElementById("farther").addEventListener("click", () => zoomed(0.5));
  addEventListener("resize", draw);
  board.removeAttribute("hidden");
  for (const id of ["tools", "how"]) document.getElementById(id).hidden = false;
  document.getElementById("show").hidden = true;
  draw();
})();
