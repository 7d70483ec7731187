// Tracing a blade on a photo. The photo never leaves the browser: it is drawn under an SVG, and the places that
// a person points at are kept in its dots. What they mean in millimetres is worked out by the service.
"use strict";
(() => {
  const form = document.getElementById("trace"), chooser = document.getElementById("trace-photo");
  if (!form || !chooser) return;
  const NS = "http://www.w3.org/2000/svg", XLINK = "href";
  const texts = JSON.parse(form.dataset.texts);
  const sheet = form.querySelector(".trace-sheet"), view = form.querySelector(".trace-view");
  const loupe = form.querySelector(".trace-loupe");
  const by = (id) => document.getElementById(`trace-${id}`);
  // What the scale comes from: the four corners of a rectangle, or two points of a ruler.
  const SCALES = { corner: 4, ruler: 2 };
  const PARTS = ["corner", "ruler", "known", "outline", "handle", "hole", "bevel", "stamp", "zone", "baseline"];
  const OPEN = ["ruler", "known", "baseline"], MOST_DOTS = 2600;
  let size = [0, 0], zoom = 1, picture = "", part = "corner", chosen = null, dragged = null, asking = 0, waiting = 0;
  let state = { shapes: [] }, past = [], said = null;

  const make = (tag, attributes, inside) => {
    const one = document.createElementNS(NS, tag);
    for (const [name, value] of Object.entries(attributes)) one.setAttribute(name, value);
    if (inside) inside.append(one);
    return one;
  };
  const number = (id) => Number(by(id).value.replace(",", "."));
  // A place on the photo, and how many of its dots one of the screen covered when it was set.
  const within = ([x, y]) => [Math.min(Math.max(x, 0), size[0]), Math.min(Math.max(y, 0), size[1]), 1 / zoom];
  const bare = (points) => points.map(([x, y]) => [x, y]);
  const most = (kind) => SCALES[kind] || (kind === "known" ? 2 : 600);
  const scaling = () => form.elements.scale.value;
  const marks = () => state.shapes.find((shape) => shape.part === scaling());
  const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, name) => values[name]);
  const spoken = (value) => value.toLocaleString(document.documentElement.lang, { maximumFractionDigits: 2 });

  // --- the photo ---
  chooser.addEventListener("change", async () => {
    const file = chooser.files[0];
    if (!file) return;
    const image = new Image(), reader = new FileReader();
    by("bad").textContent = "";
    reader.onerror = () => { by("bad").textContent = texts.bad; };
    image.onerror = () => { by("bad").textContent = texts.bad; };
    reader.onload = () => { image.src = reader.result; };
    image.onload = () => {
      // Drawn anew: turned as its camera says, and small enough to be moved about.
      const scale = Math.min(1, MOST_DOTS / Math.max(image.naturalWidth, image.naturalHeight));
      const canvas = document.createElement("canvas");
      canvas.width = Math.round(image.naturalWidth * scale);
      canvas.height = Math.round(image.naturalHeight * scale);
      canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
      size = [canvas.width, canvas.height];
      picture = canvas.toDataURL("image/jpeg", 0.92);
      form.elements.source.value = file.name;
      state = { shapes: [] }; past = []; chosen = null; part = scaling();
      form.hidden = false;
      document.getElementById("trace-choose").hidden = true;
      fit();
      show();
    };
    reader.readAsDataURL(file);
  });
  function fit() {
    zoom = Math.min(1, (view.clientWidth - 4) / size[0]) || 0.25;
  }

  // --- what was traced ---
  function keep() {
    past.push(JSON.stringify({ shapes: state.shapes, part, chosen }));
    if (past.length > 200) past.shift();
  }
  function undo() {
    const before = past.pop();
    if (!before) return;
    ({ part, chosen, ...state } = JSON.parse(before));
    show();
    ask();
  }
  const current = () => {
    const last = state.shapes.findLastIndex((shape) => shape.part === part);
    const shape = state.shapes[last];
    const isFull = !shape || shape.points.length >= most(part) || shape.done;
    return isFull && !(shape && SCALES[part]) ? null : shape;
  };
  function begin() {
    const shape = { part, points: [], smooth: by("smooth").checked && !["zone", "baseline"].includes(part) };
    if (part === "known") shape.mm = number("mm") || 100;
    state.shapes.push(shape);
    return shape;
  }
  function add(place) {
    const shape = current();
    if (shape && shape.points.length >= most(part)) return; // corners, and the ruler's two points, can be moved
    keep();
    const into = shape || begin();
    into.points.push(within(place));
    chosen = [state.shapes.indexOf(into), into.points.length - 1];
    show();
    ask();
  }
  function between(index, after, place) {
    keep();
    state.shapes[index].points.splice(after + 1, 0, within(place));
    chosen = [index, after + 1];
    show();
    ask();
  }
  function remove() {
    const shape = chosen && state.shapes[chosen[0]];
    if (!shape) return;
    keep();
    shape.points.splice(chosen[1], 1);
    if (shape.points.length) chosen = [chosen[0], Math.max(0, chosen[1] - 1)];
    else { state.shapes.splice(chosen[0], 1); chosen = null; }
    show();
    ask();
  }
  function nudge(dx, dy) {
    const point = chosen && state.shapes[chosen[0]]?.points[chosen[1]];
    if (!point) return false;
    keep();
    state.shapes[chosen[0]].points[chosen[1]] = within([point[0] + dx, point[1] + dy]);
    show();
    ask();
    return true;
  }

  // --- how it is shown ---
  function show() {
    const r = 7 / zoom, line = 2 / zoom;
    sheet.replaceChildren();
    sheet.setAttribute("viewBox", `0 0 ${size[0]} ${size[1]}`);
    sheet.setAttribute("width", Math.round(size[0] * zoom));
    sheet.setAttribute("height", Math.round(size[1] * zoom));
    make("image", { [XLINK]: picture, width: size[0], height: size[1] }, sheet);
    if (said && said.grid) {
      for (const row of said.grid) make("polyline", { points: row.join(" "), class: "trace-grid", "stroke-width": line / 2 }, sheet);
    }
    state.shapes.forEach((shape, index) => {
      const isOpen = OPEN.includes(shape.part), isMine = chosen && chosen[0] === index;
      const points = bare(shape.points).join(" ");
      const style = { points, class: `trace-line ${shape.part}${isMine ? " mine" : ""}`, "stroke-width": line };
      make(isOpen || shape.points.length < 3 ? "polyline" : "polygon", style, sheet);
      if (isMine) {
        shape.points.forEach((p, at) => {
          const q = shape.points[at + 1] || (isOpen ? null : shape.points[0]);
          if (!q || SCALES[shape.part] || shape.part === "known") return;
          make("line", { x1: p[0], y1: p[1], x2: q[0], y2: q[1], class: "trace-hit", "stroke-width": 18 / zoom, "data-shape": index, "data-after": at }, sheet);
        });
      }
    });
    state.shapes.forEach((shape, index) => {
      shape.points.forEach((p, at) => {
        const isChosen = chosen && chosen[0] === index && chosen[1] === at;
        const group = make("g", { class: `trace-point ${shape.part}${isChosen ? " chosen" : ""}`, tabindex: 0, role: "button", "aria-label": `${texts[shape.part]} ${at + 1}, ${texts.point}`, "data-shape": index, "data-at": at }, sheet);
        make("circle", { cx: p[0], cy: p[1], r: (chosen && chosen[0] === index ? 16 : 9) / zoom, class: "trace-grip" }, group);
        make("circle", { cx: p[0], cy: p[1], r, class: "trace-dot", "stroke-width": line }, group);
        make("circle", { cx: p[0], cy: p[1], r: line / 2, class: "trace-middle" }, group);
        if (SCALES[shape.part]) make("text", { x: p[0] + 2 * r, y: p[1] - r, "font-size": 18 / zoom, class: "trace-word" }, group).textContent = at + 1;
      });
    });
    if (chosen && document.activeElement && sheet.contains(document.activeElement) === false && view.dataset.keys) focusChosen();
    tools();
    list();
    look();
  }
  function focusChosen() {
    sheet.querySelector(".trace-point.chosen")?.focus({ preventScroll: true });
  }
  function tools() {
    const row = by("tools");
    if (!row.childElementCount) {
      for (const kind of PARTS) {
        const button = document.createElement("button");
        button.type = "button";
        button.dataset.part = kind;
        button.textContent = texts[kind];
        row.append(button);
      }
    }
    for (const button of row.children) {
      button.hidden = Boolean(SCALES[button.dataset.part]) && button.dataset.part !== scaling();
      button.setAttribute("aria-pressed", String(button.dataset.part === part));
      button.classList.toggle("main", button.dataset.part === part);
    }
    by("distance").hidden = part !== "known";
    const given = marks();
    const outline = state.shapes.some((shape) => shape.part === "outline" && shape.points.length > 2);
    by("done").disabled = !(given && given.points.length === SCALES[scaling()] && outline && said && !said.refused);
  }
  function list() {
    const rows = state.shapes.map((shape, index) => {
      const row = document.createElement("li"), button = document.createElement("button");
      row.className = "row";
      button.type = "button";
      button.dataset.shape = index;
      const off = shape.part === "known" && said && said.off_mm ? said.off_mm[state.shapes.filter((s, n) => s.part === "known" && n < index && s.points.length === 2).length] : undefined;
      button.textContent = `${texts[shape.part]} · ${shape.points.length}`;
      if (chosen && chosen[0] === index) button.classList.add("main");
      row.append(button);
      if (shape.part === "known" && off !== undefined && shape.points.length === 2) {
        row.append(fill(texts.off, { got: spoken(shape.mm + off), mm: spoken(shape.mm), off: spoken(Math.abs(off)) }));
      }
      return row;
    });
    by("list").replaceChildren(...rows);
  }
  function look() {
    const point = chosen && state.shapes[chosen[0]]?.points[chosen[1]];
    loupe.toggleAttribute("hidden", !point || !dragged);
    if (!point || !dragged) return;
    const half = 40 / Math.max(zoom, 0.5);
    loupe.setAttribute("viewBox", `${point[0] - half} ${point[1] - half} ${2 * half} ${2 * half}`);
    loupe.replaceChildren();
    make("image", { [XLINK]: picture, width: size[0], height: size[1] }, loupe);
    const [x, y] = point, w = half / 40;
    make("path", { d: `M ${x - half} ${y} H ${x + half} M ${x} ${y - half} V ${y + half}`, class: "trace-cross", "stroke-width": w }, loupe);
  }

  // --- what the service says of it ---
  function trace() {
    const given = marks(), camera = number("camera"), points = given ? bare(given.points) : [];
    const scale = scaling() === "corner"
      ? { corners: points, width_mm: number("width"), height_mm: number("height") }
      : { ruler: { begin: points[0], end: points[1], mm: number("ruler") }, picture: size };
    const sent = {
      ...scale,
      above_mm: number("above") || 0, dot_px: Math.max(1, ...state.shapes.flatMap((s) => s.points.map((p) => p[2]))),
      known: state.shapes.filter((s) => s.part === "known" && s.points.length === 2).map((s) => ({ begin: bare(s.points)[0], end: bare(s.points)[1], mm: s.mm })),
      shapes: state.shapes.filter((s) => !["corner", "ruler", "known"].includes(s.part) && s.points.length > (OPEN.includes(s.part) ? 1 : 2))
        .map((s) => ({ part: s.part, smooth: s.smooth, points: bare(s.points) })),
    };
    if (camera > 0) sent.camera_mm = camera;
    return sent;
  }
  function ask() {
    clearTimeout(waiting);
    waiting = setTimeout(askNow, 250);
  }
  async function askNow() {
    const sent = trace(), mine = ++asking;
    if ((marks()?.points.length || 0) < SCALES[scaling()]) {
      said = null;
      tell(scaling() === "corner" ? texts.next : texts.next_ruler);
      show();
      return;
    }
    const body = new URLSearchParams({ token: form.elements.token.value, trace: JSON.stringify(sent) });
    try {
      const response = await fetch("/owner/drawings/photo/scale", { method: "POST", body, credentials: "same-origin" });
      if (mine !== asking) return; // a later one is on its way
      said = response.ok || response.status === 422 ? await response.json() : null;
    } catch { said = null; }
    if (mine !== asking) return;
    if (!said) { document.getElementById("offline").hidden = false; show(); return; }
    document.getElementById("offline").hidden = true;
    if (said.refused) tell(said.refused);
    else {
      const lines = [fill(texts.about, { mm: spoken(said.about_mm), dot: spoken(said.dot_mm) })];
      if (said.aslant.length && sent.shapes.length) {
        lines.splice(0, 1, fill(texts.click, { mm: spoken(said.click_mm), dot: spoken(said.dot_mm) }));
        lines.push(fill(texts.aslant, { list: said.aslant.map((one) => fill(texts.tilt, { deg: spoken(one.tilt_deg), mm: spoken(one.off_mm) })).join("; ") }));
        lines.push(fill(texts.by_hand, { mm: spoken(said.about_mm) }));
      }
      if (!said.off_mm.length) lines.push(said.aslant.length ? texts.unchecked_ruler : texts.unchecked);
      if (said.about_mm > 1) lines.push(texts.much);
      tell(...lines);
    }
    if (!dragged) show();
  }
  function tell(...lines) {
    by("said").replaceChildren(...lines.map((line) => Object.assign(document.createElement("p"), { textContent: line })));
  }

  // --- hands ---
  const place = (event) => {
    const box = sheet.getBoundingClientRect();
    return [(event.clientX - box.left) / box.width * size[0], (event.clientY - box.top) / box.height * size[1]].map((v) => Math.round(v * 10) / 10);
  };
  let pressed = null;
  sheet.addEventListener("pointerdown", (event) => {
    if (!event.isPrimary || event.button) return;
    delete view.dataset.keys;
    const point = event.target.closest(".trace-point");
    pressed = { x: event.clientX, y: event.clientY };
    if (!point) return;
    event.preventDefault();
    const at = [Number(point.dataset.shape), Number(point.dataset.at)], [x, y] = place(event);
    const [px, py] = state.shapes[at[0]].points[at[1]];
    dragged = { at, dx: px - x, dy: py - y, moved: false };
    sheet.setPointerCapture(event.pointerId);
  });
  sheet.addEventListener("pointermove", (event) => {
    if (!dragged) return;
    if (!dragged.moved) {
      if (Math.hypot(event.clientX - pressed.x, event.clientY - pressed.y) < 3) return;
      keep();
      dragged.moved = true;
      chosen = dragged.at;
      part = state.shapes[chosen[0]].part;
    }
    const [x, y] = place(event);
    state.shapes[chosen[0]].points[chosen[1]] = within([x + dragged.dx, y + dragged.dy]);
    show();
  });
  sheet.addEventListener("pointerup", (event) => {
    if (dragged) {
      const { at, moved } = dragged, isMine = state.shapes[at[0]].part === part;
      dragged = pressed = null;
      if (!moved && !isMine) { add(place(event)); return; } // a point of another shape lies there, too
      if (!moved) chosen = at;
      show();
      if (moved) ask();
      return;
    }
    if (!pressed || Math.hypot(event.clientX - pressed.x, event.clientY - pressed.y) > 8) { pressed = null; return; }
    pressed = null;
    const hit = event.target.closest(".trace-hit");
    if (hit) between(Number(hit.dataset.shape), Number(hit.dataset.after), place(event));
    else add(place(event));
  });
  sheet.addEventListener("pointercancel", () => { // the browser took the finger, to scroll
    const isMoved = dragged && dragged.moved;
    dragged = pressed = null;
    if (isMoved) undo();
  });
  sheet.addEventListener("focusin", (event) => {
    const point = event.target.closest(".trace-point");
    if (!point || dragged) return;
    const next = [Number(point.dataset.shape), Number(point.dataset.at)];
    if (chosen && chosen[0] === next[0] && chosen[1] === next[1]) return;
    chosen = next;
    part = state.shapes[chosen[0]].part;
    view.dataset.keys = "yes";
    show();
    focusChosen();
  });
  view.addEventListener("keydown", (event) => {
    const by_ = event.shiftKey ? 10 : 1;
    const moves = { ArrowLeft: [-by_, 0], ArrowRight: [by_, 0], ArrowUp: [0, -by_], ArrowDown: [0, by_] };
    view.dataset.keys = "yes";
    if (moves[event.key] && chosen) { event.preventDefault(); nudge(...moves[event.key]); focusChosen(); }
    else if (event.key === "Delete" || event.key === "Backspace") { event.preventDefault(); remove(); focusChosen(); }
    else if (event.key === "z" && (event.ctrlKey || event.metaKey)) { event.preventDefault(); undo(); }
  });
  form.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button || button.id === "trace-done") return;
    const what = button.dataset.do;
    if (button.dataset.part) {
      const shape = current();
      if (shape && shape.part === button.dataset.part && shape.part !== "corner") shape.done = true; // a second hole, zone ...
      part = button.dataset.part;
      const there = state.shapes.findIndex((s) => s.part === part && SCALES[part]);
      chosen = there >= 0 ? [there, 0] : null;
      show();
    } else if (button.dataset.shape !== undefined) {
      const index = Number(button.dataset.shape);
      chosen = [index, state.shapes[index].points.length - 1];
      part = state.shapes[index].part;
      state.shapes.forEach((s, n) => { if (s.part === part) s.done = n !== index; });
      state.shapes.push(...state.shapes.splice(index, 1)); // what is chosen goes on
      chosen[0] = state.shapes.length - 1;
      show();
    } else if (what === "closer" || what === "farther") {
      const middle = [(view.scrollLeft + view.clientWidth / 2) / zoom, (view.scrollTop + view.clientHeight / 2) / zoom];
      zoom = Math.min(Math.max(zoom * (what === "closer" ? 1.6 : 1 / 1.6), 0.05), 8);
      show();
      view.scrollLeft = middle[0] * zoom - view.clientWidth / 2;
      view.scrollTop = middle[1] * zoom - view.clientHeight / 2;
      ask();
    } else if (what === "undo") undo();
    else if (what === "remove") remove();
    else if (what === "add") {
      const last = chosen && state.shapes[chosen[0]]?.part === part ? state.shapes[chosen[0]].points[chosen[1]] : null;
      const middle = [(view.scrollLeft + view.clientWidth / 2) / zoom, (view.scrollTop + view.clientHeight / 2) / zoom];
      add(last ? [Math.min(last[0] + 30 / zoom, size[0]), last[1]] : middle);
      view.dataset.keys = "yes";
      focusChosen();
    }
  });
  by("smooth").addEventListener("change", () => {
    const shape = chosen && state.shapes[chosen[0]];
    if (shape) { keep(); shape.smooth = by("smooth").checked; show(); ask(); }
  });
  by("mm").addEventListener("input", () => {
    const shape = chosen && state.shapes[chosen[0]];
    if (shape && shape.part === "known" && number("mm") > 0) { shape.mm = number("mm"); ask(); }
  });
  for (const id of ["width", "height", "ruler", "above", "camera"]) by(id).addEventListener("input", ask);
  for (const choice of form.elements.scale) {
    choice.addEventListener("change", () => {
      for (const kind of Object.keys(SCALES)) form.querySelector(`[data-scale=${kind}]`).hidden = scaling() !== kind;
      keep();
      // Points of the other kind mean nothing any more.
      state.shapes = state.shapes.filter((shape) => !SCALES[shape.part] || shape.part === scaling());
      chosen = null;
      part = scaling();
      said = null;
      show();
      ask();
    });
  }
  form.addEventListener("submit", () => { form.elements.trace.value = JSON.stringify(trace()); });
  addEventListener("resize", () => { if (!form.hidden) show(); });
})();
