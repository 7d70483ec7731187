// <ricasso-preview sku="..." key="rcs_storefront_...">: place, words and font, the picture of the product with the
// mark as it will be burned, and what would work instead. For a store's product page; service/guides/store.md says
// how it is put there, styled and listened to. It asks the service that it came from, and nobody else.

const TEXTS = {
  en: {
    place: "Place", words: "Your words", font: "Font",
    one: "One line of up to {most} characters.", lines: "Up to {lines} lines of {most} characters each.",
    empty: "Type your words to see them here.",
    picture: "{name}, engraved: {words}", plain: "{name}, without engraving",
    instead: "This would work instead", back: "Back to my own words",
    count: "{count} suggestions follow.", count1: "One suggestion follows.",
    busy: "Many people are trying words just now. We try yours again in a moment.",
    offline: "There is no connection. Your words are kept, and tried again as soon as it is back.",
    unreachable: "We can't get an answer at the moment. Your words are kept, and tried again by themselves.",
    unavailable: "The preview is not available at the moment. Please try again later.",
    none: "This product can't be engraved.",
    missing: "Please type the words to engrave.", checking: "Your words are still being checked.",
  },
  de: {
    place: "Stelle", words: "Ihr Text", font: "Schrift",
    one: "Eine Zeile mit bis zu {most} Zeichen.", lines: "Bis zu {lines} Zeilen mit je {most} Zeichen.",
    empty: "Geben Sie Ihren Text ein; hier sehen Sie ihn.",
    picture: "{name}, graviert: {words}", plain: "{name}, ohne Gravur",
    instead: "Das ginge stattdessen", back: "Zurück zu meinem Text",
    count: "{count} Vorschläge folgen.", count1: "Ein Vorschlag folgt.",
    busy: "Gerade probieren viele etwas aus. Ihren Text versuchen wir gleich noch einmal.",
    offline: "Keine Verbindung. Ihr Text bleibt stehen und wird geprüft, sobald sie wieder da ist.",
    unreachable: "Wir bekommen gerade keine Antwort. Ihr Text bleibt stehen und wird von selbst noch einmal geprüft.",
    unavailable: "Die Vorschau ist gerade nicht verfügbar. Bitte versuchen Sie es später noch einmal.",
    none: "Dieses Produkt kann nicht graviert werden.",
    missing: "Bitte geben Sie den Text für die Gravur ein.", checking: "Ihr Text wird noch geprüft.",
  },
};

const PAUSE_MS = 300; // after the last key
const RETRY_S = 2; // where the service does not say how long
const LONGEST_RETRY_S = 30; // where nobody answers: longer and longer, up to this
const LONGEST_TIMER_MS = 2 ** 31 - 1; // a browser takes what is longer for nothing

// A sheet of its own and not a <style>: the store's Content-Security-Policy may forbid those.
const STYLE = new CSSStyleSheet();
STYLE.replaceSync(`
  :host { display: block; container-type: inline-size; text-align: start;
    --ink: var(--ricasso-ink, #20303a); --quiet: var(--ricasso-quiet, #4d5c65); --ground: var(--ricasso-ground, #fff);
    --edge: var(--ricasso-edge, #7b8489); --accent: var(--ricasso-accent, #0b6470); --radius: var(--ricasso-radius, 8px);
    --good: var(--ricasso-good, #2d5c27); --look: var(--ricasso-look, #6b4a00); --stop: var(--ricasso-stop, #96371d);
    color: var(--ink); background: var(--ground); line-height: 1.4 }
  :host([hidden]) { display: none }
  * { box-sizing: border-box }
  [hidden] { display: none !important }
  .all { display: grid; gap: 1rem; grid-template-columns: minmax(0, 1fr) }
  fieldset { border: 0; margin: 0; padding: 0; min-width: 0 }
  legend, .name { display: block; font-weight: 700; padding: 0; margin: 0 0 .35rem }
  p { margin: 0 } .hint, figcaption { color: var(--quiet); font-size: .9em; margin-top: .3rem }
  label.choice, button { display: flex; align-items: center; gap: .5rem; min-height: 44px; padding: .4rem .7rem;
    border: 2px solid var(--edge); border-radius: var(--radius); background: var(--ground); color: inherit; cursor: pointer }
  label.choice:has(:checked) { border-color: var(--accent); box-shadow: inset 0 0 0 1px var(--accent) }
  input[type=radio] { width: 20px; height: 20px; flex: none; margin: 0; accent-color: var(--accent) }
  textarea { width: 100%; font: inherit; font-size: 1.15em; padding: .5rem .7rem; border: 2px solid var(--edge);
    border-radius: var(--radius); background: var(--ground); color: inherit; resize: vertical; unicode-bidi: plaintext }
  .choices { display: contents }
  .places { display: flex; flex-wrap: wrap; gap: .5rem }
  .fonts { display: grid; grid-auto-flow: column; grid-template-rows: auto auto; grid-auto-columns: max-content;
    gap: .5rem; overflow-x: auto; padding: 5px }
  /* Pictures of letters are black on nothing. */
  .font { background: #fff; color: #15191c; forced-color-adjust: none } .font img { height: 1.5rem; max-width: 13rem; min-width: 0 }
  figure { margin: 0 } .empty { display: grid; place-items: center; min-height: 11rem; padding: 1rem; text-align: center;
    border: 2px dashed var(--edge); border-radius: var(--radius); color: var(--quiet) }
  figure img { display: block; width: 100%; height: auto; max-height: 75vh; object-fit: contain; border-radius: var(--radius); background: #fff }
  figure[aria-busy=true] img { opacity: .55 }
  .verdict { padding: .6rem .8rem; border: 2px solid; border-left-width: 10px; border-radius: var(--radius) }
  .verdict, .offered:not(:empty) { margin-bottom: .8rem }
  .verdict > :first-child { font-weight: 700 } .verdict ul { margin: .3rem 0 0; padding-inline-start: 1.2rem }
  .accept { color: var(--good) } .review { color: var(--look) } .refuse { color: var(--stop) } .wait { color: var(--quiet) }
  .verdict li, .verdict li::marker { color: var(--ink) }
  .suggestions { display: grid; gap: .5rem; grid-template-columns: repeat(auto-fill, minmax(min(100%, 13rem), 1fr)) }
  .instead { margin: .8rem 0 .35rem; font-weight: 700 }
  button { font: inherit; width: 100%; flex-direction: column; align-items: start; text-align: start }
  button img { width: 100%; max-height: 7rem; background: #fff } button:hover { border-color: var(--accent) }
  button .words { white-space: pre-line; font-weight: 700; overflow-wrap: anywhere }
  .back { justify-content: center; width: auto; color: var(--accent); border-color: var(--accent) }
  .suggestions:not(:empty) + .back { margin-top: .5rem }
  :focus-visible { outline: 3px solid var(--accent); outline-offset: 2px } .choice :focus-visible { outline: none }
  label.choice:focus-within:has(:focus-visible) { outline: 3px solid var(--accent); outline-offset: 2px }
  .unseen { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%) }
  @container (min-width: 44rem) {
    .all { grid-template-columns: minmax(0, 5fr) minmax(0, 6fr); column-gap: 2rem; grid-template-rows: auto auto 1fr }
    .result { grid-column: 2; grid-row: 1 / span 3 } .choices > * { grid-column: 1 }
    .fonts { grid-auto-flow: row; grid-template-rows: none; grid-template-columns: repeat(auto-fill, minmax(11rem, 1fr)) }
  }
`);

// Why there is no answer to work with: `state` is a name of TEXTS; where `seconds` are given, it is asked again.
class NoAnswer extends Error {
  constructor(state, seconds = null) {
    super(state);
    Object.assign(this, { state, seconds });
  }
}

// An element; what begins with "on" is listened to, other names are attributes, and null leaves one out.
function made(tag, about = {}, ...inside) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(about)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value !== null) element.setAttribute(name, value);
  }
  element.append(...inside);
  return element;
}

// A picture from the service. In an <img> nothing of it can run, and the names in it meet no others.
function pictured(svg, alt) {
  return made("img", { src: "data:image/svg+xml," + encodeURIComponent(svg), alt });
}

class RicassoPreview extends HTMLElement {
  static formAssociated = true;
  static observedAttributes = ["sku", "key", "lang", "service"];

  #internals = this.attachInternals();
  #life = new AbortController(); // of what was begun with these attributes
  #offer = null;
  #entries = new Map(); // what is asked for, by place: { text, font } and, from a suggestion, whatever else it says
  #place = null;
  #mine = null; // the entries before a suggestion was taken
  #told = null; // what the last event said
  #timer = 0;
  #notBefore = 0; // the service asked not to be asked earlier
  #misses = 0; // how often in a row nobody answered
  #isAsking = false;
  #isHere = false; // on the page; the attributes that it came with are told before that

  constructor() {
    super();
    this.attachShadow({ mode: "open", delegatesFocus: true }).adoptedStyleSheets = [STYLE];
  }

  connectedCallback() {
    window.addEventListener("online", this.#online);
    this.#isHere = true;
    this.#begin();
  }

  disconnectedCallback() {
    window.removeEventListener("online", this.#online);
    this.#isHere = false;
    this.#life.abort();
    clearTimeout(this.#timer);
  }

  attributeChangedCallback(_, before, after) {
    if (this.#isHere && before !== after) this.#begin();
  }

  formResetCallback() {
    this.#entries.clear();
    this.#mine = null;
    this.#draw();
    this.#changed();
  }

  formStateRestoreCallback(state) {
    this.#entries = new Map(JSON.parse(state));
    this.#draw();
    this.#changed();
  }

  // --- asking the service ---

  get #language() {
    const said = this.closest("[lang]")?.lang ?? document.documentElement.lang;
    return said.toLowerCase().startsWith("de") ? "de" : "en";
  }

  #say(name, about = {}) {
    return TEXTS[this.#language][name].replace(/\{(\w+)\}/g, (_, word) => about[word]);
  }

  // The answer to a request. Throws NoAnswer, and AbortError when what was asked for is wanted no longer.
  async #ask(path, body = null) {
    const service = (this.getAttribute("service") ?? new URL("..", import.meta.url).href).replace(/\/?$/, "/");
    let answer;
    try {
      answer = await fetch(new URL(path, service), {
        method: body ? "POST" : "GET",
        body: body && JSON.stringify(body),
        headers: { Authorization: `Bearer ${this.getAttribute("key")}`, ...(body && { "Content-Type": "application/json" }) },
        credentials: "omit",
        signal: this.#life.signal,
      });
    } catch (error) {
      if (error.name === "AbortError") throw error;
      throw new NoAnswer(navigator.onLine ? "unreachable" : "offline", this.#pause());
    }
    const said = await answer.json().catch(() => null); // a proxy's page is no answer
    if (answer.ok && said) {
      this.#misses = 0;
      return said;
    }
    if (answer.status === 429 || answer.status === 503) {
      throw new NoAnswer("busy", Number(answer.headers.get("Retry-After")) || RETRY_S);
    }
    if (!said || answer.status >= 500) throw new NoAnswer("unreachable", this.#pause());
    console.error(`ricasso-preview: ${said.code}: ${said.detail}`);
    throw new NoAnswer(said.code === "not_found" ? "none" : "unavailable");
  }

  // Seconds until it is tried again: longer each time.
  #pause() {
    this.#misses += 1;
    return Math.min(RETRY_S * 2 ** (this.#misses - 1), LONGEST_RETRY_S);
  }

  async #begin() {
    this.#life.abort();
    const life = (this.#life = new AbortController());
    clearTimeout(this.#timer);
    this.#withdraw("checking");
    try {
      const sku = encodeURIComponent(this.getAttribute("sku"));
      const offer = await this.#ask(`v1/previews/${sku}?language=${this.#language}`);
      offer.zones = offer.zones.filter((zone) => zone.kinds.includes("text") && zone.fonts.length);
      this.#offer = offer.zones.length ? offer : null;
      if (!this.#offer) throw new NoAnswer("none");
    } catch (error) {
      if (life.signal.aborted) return;
      this.#offer = null;
      this.#failed(error, () => this.#begin());
      return;
    }
    const places = this.#offer.zones.map((zone) => zone.zone);
    for (const place of this.#entries.keys()) if (!places.includes(place)) this.#entries.delete(place);
    this.#place = [this.#place, this.#offer.default_zone, places[0]].find((place) => places.includes(place));
    this.#draw();
    this.#changed();
  }

  // What would be posted: the places with words, in the order of the offer.
  #inscriptions() {
    return this.#offer.zones.flatMap(({ zone }) => {
      const entry = this.#entries.get(zone);
      const text = entry?.text.trim();
      return text ? [{ ...entry, zone, text }] : [];
    });
  }

  #isEmpty() {
    return [...this.#entries.values()].every(({ text }) => !text.trim());
  }

  // Something was typed or chosen: what was accepted is so no longer; ask when the fingers rest.
  #changed() {
    if (!this.#offer) return;
    clearTimeout(this.#timer);
    this.#withdraw("checking");
    if (this.#isEmpty()) {
      this.#show({ pictures: {}, sizes: [], findings: [], suggestions: [], verdict: "", message: "" });
      return;
    }
    this.#part("picture").setAttribute("aria-busy", "true");
    this.#timer = setTimeout(() => this.#preview(), Math.max(PAUSE_MS, this.#notBefore - Date.now()));
  }

  // One request at a time: an answer to words that have changed meanwhile is dropped, and the newest are asked for.
  async #preview() {
    if (this.#isAsking) return;
    this.#isAsking = true;
    const { signal } = this.#life;
    const inscriptions = this.#inscriptions();
    const isStale = () => signal.aborted || JSON.stringify(inscriptions) !== JSON.stringify(this.#inscriptions());
    try {
      const body = { sku: this.getAttribute("sku"), inscriptions, language: this.#language };
      const answer = await this.#ask("v1/previews", body);
      if (!isStale()) this.#answered(inscriptions, answer);
    } catch (error) {
      if (!signal.aborted) this.#failed(error, () => this.#changed());
    } finally {
      this.#isAsking = false;
      if (!signal.aborted && isStale()) this.#changed();
    }
  }

  #answered(inscriptions, answer) {
    this.#show(answer, inscriptions);
    if (answer.verdict === "refuse" || !answer.token) {
      this.#withdraw("refused", answer.message);
      return;
    }
    const { token, expires_at, verdict } = answer;
    this.#internals.setFormValue(JSON.stringify({ inscriptions, token }), this.#state());
    this.#internals.setValidity({});
    this.#tell({ inscriptions, token, expires_at, verdict });
    const left = Date.parse(expires_at) - Date.now();
    this.#timer = setTimeout(() => this.#changed(), Math.min(Math.max(left, 60_000), LONGEST_TIMER_MS));
  }

  // Nobody answered, or not now: say so, and try again where that may help.
  #failed(error, again) {
    if (!(error instanceof NoAnswer)) throw error;
    const { state, seconds } = error;
    const message = this.#say(state);
    this.#withdraw("unavailable", message);
    if (!this.#offer) this.#frame();
    this.#part("picture").setAttribute("aria-busy", "false");
    this.#verdict("wait", message);
    if (!seconds) return;
    this.#notBefore = Date.now() + seconds * 1000;
    clearTimeout(this.#timer);
    this.#timer = setTimeout(again, seconds * 1000);
  }

  #online = () => {
    if (!this.#misses) return;
    this.#notBefore = 0;
    if (this.#offer) this.#changed();
    else this.#begin();
  };

  // --- telling the store ---

  #state() {
    return JSON.stringify([...this.#entries]);
  }

  // Nothing stands there that could be ordered; `reason` says why, `message` is for the form.
  #withdraw(reason, message = this.#say("checking")) {
    const isEmpty = this.#isEmpty();
    this.#internals.setFormValue(null, this.#state());
    const why = { valueMissing: isEmpty, customError: !isEmpty };
    if (isEmpty && !this.hasAttribute("required")) this.#internals.setValidity({});
    else this.#internals.setValidity(why, isEmpty ? this.#say("missing") : message, this.#part("words") ?? undefined);
    this.#tell({ inscriptions: null, token: null, expires_at: null, verdict: null, reason: isEmpty ? "empty" : reason });
  }

  #tell(about) {
    const detail = { sku: this.getAttribute("sku"), ...about };
    const said = JSON.stringify(detail);
    if (said === this.#told) return;
    this.#told = said;
    this.dispatchEvent(new CustomEvent("ricasso-inscription", { detail, bubbles: true, composed: true }));
  }

  // --- the page ---

  #part(name) {
    return this.shadowRoot.querySelector(`[part~=${name}]`);
  }

  #zone() {
    return this.#offer.zones.find(({ zone }) => zone === this.#place);
  }

  #entry() {
    const { default_font, fonts } = this.#zone();
    return this.#entries.get(this.#place) ?? { text: "", font: default_font ?? fonts[0] };
  }

  // What a buyer types or chooses is a new wish: the size and breaks of a suggestion don't go with it.
  #edit(about) {
    const { text, font } = this.#entry();
    this.#entries.set(this.#place, { text, font, ...about });
    this.#mine = null;
    this.#changed();
  }

  // The choices; what comes of them is put in by #show and #verdict.
  #draw() {
    if (!this.#offer) return;
    const { zones, fonts } = this.#offer;
    const zone = this.#zone();
    const choice = (name, value, isChosen, onchange, inside, part) =>
      made("label", { class: `choice ${part}`, part },
        made("input", { type: "radio", name, value, checked: isChosen ? "" : null, onchange }), inside);
    const places = made("fieldset", { part: "places", hidden: zones.length > 1 ? null : "" },
      made("legend", {}, this.#say("place")),
      made("div", { class: "places" }, ...zones.map((one) =>
        choice("place", one.zone, one === zone, () => this.#move(one.zone), `${one.name}, ${one.face_name}`, "place"))));
    const words = made("textarea", { id: "words", part: "words", rows: zone.max_lines, dir: "auto", maxlength: 1000,
      autocomplete: "off", spellcheck: "false", "aria-describedby": "hint", required: this.hasAttribute("required") ? "" : null,
      oninput: (event) => event.isComposing || this.#edit({ text: words.value }),
      oncompositionend: () => this.#edit({ text: words.value }),
      onkeydown: (event) => this.#keyed(event, zone.max_lines) });
    words.value = this.#entry().text;
    const room = this.#say(zone.max_lines > 1 ? "lines" : "one", { lines: zone.max_lines, most: zone.max_characters });
    const letters = made("fieldset", { part: "fonts" },
      made("legend", {}, this.#say("font")),
      made("div", { class: "fonts" }, ...zone.fonts.map((name) => {
        const font = fonts.find((one) => one.font === name);
        const shown = font.picture ? pictured(font.picture, font.name) : font.name;
        return choice("font", name, name === this.#entry().font, () => this.#edit({ font: name }), shown, "font");
      })));
    if (!this.#part("choices")) this.#frame();
    this.#part("choices").parentElement.lang = this.#language;
    this.#part("choices").replaceChildren(
      places,
      made("div", {},
        made("label", { class: "name", for: "words" }, this.#say("words")), words,
        made("p", { id: "hint", class: "hint", part: "hint" }, room)),
      letters);
  }

  // What stays while choices are drawn anew, so that the verdict is heard and the picture does not blink.
  #frame() {
    this.shadowRoot.replaceChildren(made("div", { class: "all", lang: this.#language },
      made("div", { class: "choices", part: "choices" }),
      made("div", { class: "result", part: "result" },
        made("div", { role: "status", tabindex: "-1", part: "verdict", hidden: "" }),
        made("div", { class: "offered", part: "suggestions" }),
        made("figure", { part: "picture" }))));
  }

  #keyed(event, lines) {
    const isFull = event.target.value.split("\n").length >= lines;
    if (event.key === "Enter" && !event.isComposing && isFull) event.preventDefault();
  }

  #move(place) {
    this.#place = place;
    this.#draw();
    this.shadowRoot.querySelector(`[name=place][value="${CSS.escape(place)}"]`).focus();
  }

  #show({ pictures, sizes, findings, suggestions, verdict, message }, asked = []) {
    const { name, zones } = this.#offer;
    const pieces = Object.entries(pictures).map(([face, svg]) => {
      const words = sizes.filter((one) => one.face === face).map((one) => one.lines.join(" / ")).join(", ");
      return pictured(svg, this.#say(words ? "picture" : "plain", { name, words }));
    });
    if (!verdict) pieces.push(made("p", { class: "empty", part: "empty" }, this.#say("empty")));
    const captions = sizes.map((one) => made("figcaption", { part: "size" }, one.message));
    this.#part("picture").setAttribute("aria-busy", "false");
    this.#part("picture").replaceChildren(...pieces, ...captions);
    const place = (index) => zones.find((one) => one.zone === asked[index]?.zone)?.name;
    const told = findings.filter((one) => one.message !== message).map((one) =>
      asked.length > 1 && place(one.inscription) ? `${place(one.inscription)}: ${one.message}` : one.message);
    this.#verdict(verdict, message, [...new Set(told)], suggestions.length);
    const back = made("button", { type: "button", class: "back", part: "back", onclick: () => this.#take(this.#mine, null) }, this.#say("back"));
    this.#part("suggestions").replaceChildren(
      ...(suggestions.length ? [made("p", { class: "instead", id: "instead" }, this.#say("instead"))] : []),
      made("div", { class: "suggestions", role: "group", "aria-labelledby": suggestions.length ? "instead" : null },
        ...suggestions.map((one) => this.#suggested(one))),
      ...(this.#mine ? [back] : []));
  }

  #suggested({ inscriptions, changes, message, picture }) {
    const entries = new Map(inscriptions.map(({ zone: place, ...entry }) => [place, entry]));
    const { zone, text } = inscriptions[changes];
    const take = () => {
      this.#place = zone;
      this.#take(entries, this.#entries);
    };
    return made("button", { type: "button", part: "suggestion", onclick: take },
      ...(picture ? [pictured(picture, "")] : []),
      ...(message.includes(text) ? [] : [made("span", { class: "words", dir: "auto" }, text)]),
      made("span", {}, message));
  }

  // Other entries, from a suggestion or back from it. Focus goes to the verdict, for the button is gone.
  #take(entries, mine) {
    this.#entries = entries;
    this.#mine = mine;
    this.#draw();
    this.#part("suggestions").replaceChildren();
    this.#verdict("wait", this.#say("checking"));
    this.#part("verdict").focus();
    this.#changed();
  }

  #verdict(verdict, message, told = [], suggested = 0) {
    const place = this.#part("verdict");
    place.setAttribute("part", `verdict ${verdict}`);
    place.className = `verdict ${verdict}`;
    place.hidden = !verdict;
    const count = this.#say(suggested === 1 ? "count1" : "count", { count: suggested });
    place.replaceChildren(made("p", {}, message),
      ...(told.length ? [made("ul", {}, ...told.map((one) => made("li", {}, one)))] : []),
      ...(suggested ? [made("span", { class: "unseen" }, count)] : []));
  }
}

customElements.define("ricasso-preview", RicassoPreview);
