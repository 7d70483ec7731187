// What the pages do beyond forms and links. Without it they work the same, only slower.
"use strict";
(() => {
  const live = () => document.getElementById("live");
  const token = () => document.querySelector("meta[name=form-token]")?.content || "";
  let audio = null, stream = null, timers = [], asking = null, swaps = 0, onTheirWay = 0;

  // A refusal is also heard: two low tones, and a higher one when all is well.
  function sound(kind) {
    if (!kind || !audio) return;
    const tones = kind === "refuse" ? [[196, 0], [147, 0.22]] : [[659, 0]];
    for (const [pitch, after] of tones) {
      const tone = audio.createOscillator(), volume = audio.createGain(), at = audio.currentTime + after;
      tone.type = kind === "refuse" ? "square" : "sine";
      tone.frequency.value = pitch;
      volume.gain.setValueAtTime(0.2, at);
      volume.gain.exponentialRampToValueAtTime(0.001, at + 0.2);
      tone.connect(volume).connect(audio.destination);
      tone.start(at);
      tone.stop(at + 0.22);
    }
  }
  function wake() {
    const Sound = window.AudioContext;
    if (!audio && Sound) audio = new Sound();
    if (audio && audio.state === "suspended") audio.resume();
  }
  addEventListener("pointerdown", wake, true);
  addEventListener("keydown", wake, true);

  // What a person has opened and typed survives somebody else's change.
  function opened() {
    const panels = [...live().querySelectorAll("details[open] > summary")].map((one) => one.textContent.trim());
    const typed = [...live().querySelectorAll("input[id]:not([type=checkbox]):not([type=radio]):not([type=hidden]):not([type=file]), textarea[id]")]
      .filter((one) => one.value !== one.defaultValue).map((one) => [one.id, one.value, one.selectionStart]);
    return { panels, typed };
  }
  function reopen(held) {
    for (const summary of live().querySelectorAll("details > summary")) {
      if (held.panels.includes(summary.textContent.trim())) summary.parentElement.open = true;
    }
    for (const [id, value, at] of held.typed) {
      const field = document.getElementById(id);
      if (!field) continue;
      field.value = value;
      try { field.setSelectionRange(at, at); } catch { /* a number has no caret */ }
    }
  }

  // What was answered to a person stays while the load is as it was: somebody else's change must not take a
  // refusal away before it is read, nor say again what is no longer so.
  const told = () => [...live().querySelectorAll(":scope > [data-sound]")];
  const asItStands = () => live().dataset.etag && `${live().dataset.step} ${live().dataset.etag}`;
  function tellAgain(answers) {
    for (const [place, answer] of answers) {
      if (!told().some((one) => one.isEqualNode(answer))) live().insertBefore(answer, live().children[place] || null);
    }
  }

  function swap(text, address, isAsked, isGet) {
    const page = new DOMParser().parseFromString(text, "text/html"), next = page.getElementById("live");
    if (!next) { location.assign(address); return; }
    const field = document.activeElement, kept = field && field.id && live().contains(field) ? field.id : "";
    const held = isAsked ? null : opened(), before = live().dataset.step;
    const answers = isAsked ? [] : told().map((one) => [[...live().children].indexOf(one), one]), stood = asItStands();
    const scrolled = [...live().querySelectorAll(".scroll")].map((one) => one.scrollLeft);
    swaps += 1;
    live().replaceWith(document.importNode(next, true));
    live().querySelectorAll(".scroll").forEach((one, n) => { one.scrollLeft = scrolled[n] || 0; });
    if (held) reopen(held);
    if (stood && stood === asItStands()) tellAgain(answers);
    if (isAsked && before !== live().dataset.step) scrollTo(0, 0); // a step opens at its top, warnings first
    document.title = page.title;
    for (const note of ["stale", "offline", "fault"]) document.getElementById(note).hidden = true;
    const meta = page.querySelector("meta[name=form-token]");
    if (meta) document.querySelector("meta[name=form-token]").content = meta.content;
    const to = new URL(address, location);
    if (isAsked && (to.pathname !== location.pathname || (isGet && to.search !== location.search))) history.pushState(null, "", address);
    const loud = live().querySelector("[data-sound]");
    if (isAsked && loud) {
      sound(loud.dataset.sound);
      loud.scrollIntoView({ block: "nearest" });
    }
    const target = (kept && document.getElementById(kept)) || (isAsked && live().querySelector("[autofocus], h1"));
    if (target) { if (!target.matches("input,select,textarea,button,a")) target.tabIndex = -1; target.focus({ preventScroll: true }); }
    begin();
  }

  // Whatever is scanned while an answer is on its way belongs to the page that comes: it is kept, and sent from
  // there. A refusal that came in between is still to be read.
  let kept = [], typed = "";
  function sendKept() {
    const field = document.getElementById("scan");
    if (!field) { kept = []; typed = ""; return; }
    if (kept.length) {
      field.value = kept.shift();
      const refused = told().filter((one) => one.dataset.sound === "refuse").map((one) => [0, one]);
      send(field.form).then(() => tellAgain(refused));
    } else if (typed) {
      field.focus();
      field.value = typed;
      typed = "";
    }
  }

  async function send(form, button) {
    const data = new FormData(form, button), address = (button && button.getAttribute("formaction")) || form.action;
    const isGet = form.method === "get";
    const url = isGet ? address.split("?")[0] + "?" + new URLSearchParams(data) : address;
    const body = isGet ? undefined : form.enctype === "multipart/form-data" ? data : new URLSearchParams(data);
    form.setAttribute("aria-busy", "true");
    onTheirWay += 1;
    let isAnswered = false;
    try {
      const answer = await fetch(url, { method: isGet ? "GET" : "POST", body, credentials: "same-origin" });
      if (answer.status >= 500 && !isGet) { // what was typed stays; nobody knows yet whether it was taken
        form.removeAttribute("aria-busy");
        document.getElementById("fault").hidden = false;
        sound("refuse");
        return;
      }
      swap(await answer.text(), answer.redirected || isGet ? answer.url : location.href, true, isGet);
      isAnswered = true;
    } catch {
      form.removeAttribute("aria-busy");
      const note = document.getElementById("offline");
      if (note) { note.hidden = false; sound("refuse"); }
    } finally {
      onTheirWay -= 1;
    }
    if (isAnswered && !onTheirWay) sendKept();
  }
  addEventListener("submit", (event) => {
    const form = event.target;
    if (event.defaultPrevented) return;
    if (form.hasAttribute("data-whole") || form.hasAttribute("data-proof")) {
      if (form.getAttribute("aria-busy") === "true") event.preventDefault(); // pressed twice
      else form.setAttribute("aria-busy", "true");
      return;
    }
    event.preventDefault();
    if (form.getAttribute("aria-busy") !== "true") send(form, event.submitter);
  });
  // A photo that was taken is sent at once.
  addEventListener("change", (event) => {
    const form = event.target.form;
    if (form && form.hasAttribute("data-send") && event.target.files.length) form.requestSubmit();
  });
  addEventListener("popstate", () => location.reload());
  // A page that the browser kept is as it was left: its forms may be sent again.
  addEventListener("pageshow", () => document.querySelectorAll("form[aria-busy]").forEach((one) => one.removeAttribute("aria-busy")));

  // Somebody else's change: the middle is drawn anew, unless something is being typed or asked there. That is
  // looked at again when the answer comes: what was scanned meanwhile must not be lost.
  function isTouched() {
    const field = document.activeElement;
    const isTyping = field && live().contains(field) && field.matches("input,textarea,select") && field.value
      && field.value !== field.defaultValue && !field.matches("[type=checkbox],[type=radio],[type=hidden]");
    const isChosen = live().querySelector("form[data-keep] :checked:not([data-usual])"), note = document.getElementById("stale");
    if ((isTyping || isChosen) && note) note.hidden = false;
    return isTyping || isChosen;
  }
  // `told` is what the stream said. A page that knows of more was made while more changed, and may not show it.
  async function refresh(told = live().dataset.seen) {
    const isAsking = () => live().querySelector("[aria-busy=true]"); // the answer on its way shows it as it is
    if (isAsking() || isTouched()) return;
    const mine = swaps;
    try {
      const answer = await fetch(location.href, { credentials: "same-origin" });
      const text = await answer.text();
      if (!answer.ok || mine !== swaps || isAsking() || isTouched()) return;
      swap(text, location.href, false);
      const seen = live().dataset.seen;
      if (seen !== told) setTimeout(() => { if (live().dataset.seen === seen) refresh(seen); }, 1000);
    } catch { /* no connection: the stream of changes tries again by itself, and then says what was missed */ }
  }
  addEventListener("click", (event) => { if (event.target.closest("[data-refresh]")) location.reload(); });

  function listen() {
    const about = live().dataset.watch;
    if (stream && stream.about === about) return;
    if (stream) stream.close();
    stream = null;
    if (!about) return;
    stream = new EventSource("/live?about=" + encodeURIComponent(about));
    stream.about = about;
    stream.addEventListener("changed", (event) => {
      if (event.data !== live().dataset.seen) refresh(event.data);
    });
  }

  // A scanner types: what comes while no field has the focus goes into the scan field.
  addEventListener("keydown", (event) => {
    const field = document.getElementById("scan"), on = document.activeElement;
    if (!field || event.ctrlKey || event.altKey || event.metaKey) return;
    if (on && on !== field && on.matches("input:not([type=checkbox]):not([type=radio]),select,textarea")) return;
    const isLetter = event.key.length === 1 && event.key !== " ";
    if ((onTheirWay || typed) && (isLetter || (typed && event.key === "Enter"))) {
      event.preventDefault();
      if (isLetter) { typed += event.key; return; }
      kept.push(typed);
      typed = "";
    } else if (isLetter && on !== field) field.focus();
  });

  // The desk's proof, drawn again as one types.
  async function prove(form) {
    if (asking) asking.abort(); // nobody waits for the older answer any more
    const mine = asking = new AbortController(), offline = document.getElementById("offline");
    const place = form.dataset.into || "proof", shown = () => document.getElementById(place);
    shown().setAttribute("aria-busy", "true");
    try {
      const answer = await fetch(form.dataset.proof, {
        method: "POST", body: new URLSearchParams(new FormData(form)), credentials: "same-origin", signal: mine.signal,
      });
      const page = new DOMParser().parseFromString(await answer.text(), "text/html"), found = page.getElementById(place);
      if (mine !== asking) return; // a newer one is on its way
      offline.hidden = true;
      if (!found) { location.reload(); return; } // signed out meanwhile
      shown().replaceWith(document.importNode(found, true));
    } catch {
      if (mine !== asking) return;
      shown().removeAttribute("aria-busy"); // what is shown is of other words
      offline.hidden = false;
    }
  }
  addEventListener("input", (event) => {
    const form = event.target.closest("form[data-proof]");
    if (!form) return;
    if (event.target.matches("[data-whole-form]")) { form.requestSubmit(); return; }
    clearTimeout(form.timer);
    form.timer = setTimeout(() => prove(form), 60);
  });

  function begin() {
    timers.forEach(clearInterval);
    timers = [];
    listen();
    // What shows the time itself is drawn anew as it passes.
    const every = Number(live().dataset.every);
    if (every) timers.push(setInterval(() => { if (document.visibilityState === "visible") refresh(); }, every * 1000));
    const bar = live().querySelector("progress[data-seconds]");
    if (bar) timers.push(setInterval(() => {
      bar.value = Math.min(Number(bar.max), Number(bar.value) + 1);
      const left = document.getElementById("left");
      const seconds = Math.max(0, Math.round(Number(bar.dataset.seconds) - Number(bar.value)));
      if (left) left.textContent = Math.floor(seconds / 60) + ":" + String(seconds % 60).padStart(2, "0");
    }, 1000));
    // An unstarted load stays with whoever has its page open.
    const kept = live().dataset.renew;
    if (kept) timers.push(setInterval(() => {
      if (document.visibilityState === "visible") fetch("/v1/loads/" + kept + "/renew", {
        method: "POST", credentials: "same-origin",
        headers: { "X-Form-Token": token(), "If-Match": live().dataset.etag },
      }).catch(() => { /* the next one, or the next thing that is pressed, says so */ });
    }, 120000));
  }
  begin();
})();
