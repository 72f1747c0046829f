// The list of musical presets: heard before they are chosen, favourites, filters and neighbours.

import { postJson } from "./api.js";
import { recalled, remember } from "./keep.js";
import { tell } from "./messages.js";
import { words } from "./text.js";
import { check, h, labelled } from "./view.js";

const FAVOURITES = "sonify-favourites";
const HEAR = "sonify-hear";
const WAIT_MS = 500; // after the last change of the disc, before the presets are measured again

// The limits part the presets that ship into groups of about the same size on the discs that ship.
const FILTERS = [
  ["density", "Notes per second", [["few", "under 3", (m) => m.density < 3],
    ["some", "3 to 6", (m) => m.density >= 3 && m.density <= 6], ["many", "over 6", (m) => m.density > 6]]],
  ["mode", "Key", [["major", "major", (m) => m.key.endsWith("major")], ["minor", "minor", (m) => m.key.endsWith("minor")],
    ["clear", "clear", (m) => m.clarity >= 0.8], ["vague", "not clear", (m) => m.clarity < 0.8]]],
  ["letters", "Letters heard", [["most", "most", (m) => m.letters >= 0.75], ["some", "some", (m) => m.letters < 0.75]]],
  ["drums", "Drums", [["with", "with", (m) => m.drums], ["without", "without", (m) => !m.drums]]],
];

/** `lay` chooses a preset, `preview` plays one, and `redraw` draws the list again. */
export function presetList(store, tables, lay, preview, redraw) {
  const presets = tables.presets.filter((p) => p.kind === "music");
  const favourites = new Set(recalled(FAVOURITES, []));
  const measures = new Map();
  const picked = {}; // what is chosen in each filter
  let hear = recalled(HEAR, true);
  let only = false;
  let find = "";
  let open = false;
  let said = null; // what is told in place of the number of presets
  let measured = null; // the disc and player that the measures are of
  let near = null; // the preset whose neighbours come first
  let chosen = null; // the preset that the list was scrolled to
  let timer = 0;

  let heard = null; // what the status line says while a preset is heard
  let before = ""; // and what it said before
  const list = () => document.querySelector(".presets");
  preview.addEventListener("change", () => {
    arrange();
    const state = document.getElementById("state");
    if (state.textContent !== heard) before = state.textContent;
    if (preview.name) tell(heard = `Hearing ${words(preview.name)}`, true);
    else if (state.textContent === heard) tell(before, true);
  });

  function favour(name) {
    if (favourites.has(name)) favourites.delete(name);
    else favourites.add(name);
    remember(FAVOURITES, [...favourites]);
    tell(`${words(name)} ${favourites.has(name) ? "is a favourite" : "is no favourite any more"}`, true);
    arrange();
  }

  async function neighbours(name) {
    near = name;
    await measure();
    arrange();
    list().scrollTop = 0;
  }

  /** Measure the presets on the disc at hand, unless that is done. */
  async function measure() {
    const { disc, fit, setup: { player } } = store.document;
    const now = JSON.stringify([disc, fit, player]);
    if (now === measured) return;
    said = "Measuring the presets on your disc…";
    arrange();
    try {
      const found = await postJson("api/measures", store.document);
      measures.clear();
      for (const m of found) measures.set(m.name, m);
      measured = now;
      said = null;
    } catch (e) { said = e.message; }
    arrange();
  }

  /** Draw the list again; what has the focus keeps it where it is moved. */
  function arrange() {
    const focus = document.activeElement;
    redraw();
    if (focus !== document.activeElement && list()?.contains(focus)) focus.focus();
  }

  /** The presets that fit the filters, in order. */
  function fitting() {
    const text = find.trim().toLowerCase();
    const tests = FILTERS.flatMap(([key, , choices]) => choices.filter(([value]) => value === picked[key]).map(([, , test]) => test));
    const away = new Map(near ? [[near, 0], ...measures.get(near)?.like ?? []] : []);
    const order = away.size > 1 ? [...presets].sort((a, b) => (away.get(a.name) ?? 1) - (away.get(b.name) ?? 1)) : presets;
    return order.filter((p) => (!only || favourites.has(p.name)) && `${words(p.name)} ${p.about}`.toLowerCase().includes(text)
      && tests.every((test) => measures.has(p.name) && test(measures.get(p.name))));
  }

  // one Tab stop: up and down lead through the presets, left and right to the marks of one
  function stops() {
    const buttons = [...list().querySelectorAll("button")];
    const stop = buttons.find((b) => b === document.activeElement) ?? list().querySelector(".preset[aria-pressed=true]") ?? buttons[0];
    for (const b of buttons) b.tabIndex = b === stop ? 0 : -1;
  }

  function step(e) {
    if (e.altKey || e.ctrlKey || e.metaKey) return;
    if (e.key === "Escape") preview.stop();
    const rows = [...list().children];
    const buttons = (card) => [...card?.querySelectorAll("button") ?? []];
    const card = e.target.closest(".card");
    const row = rows.indexOf(card);
    const column = buttons(card).indexOf(e.target);
    const to = { ArrowDown: [row + 1, column], ArrowUp: [row - 1, column], Home: [0, 0], End: [rows.length - 1, 0],
      ArrowRight: [row, column + 1], ArrowLeft: [row, column - 1] }[e.key];
    if (row < 0 || !to) return;
    e.preventDefault();
    const next = buttons(rows[(to[0] + rows.length) % rows.length]);
    next[(to[1] + next.length) % next.length].focus();
  }

  function card({ name, about }) {
    const m = measures.get(name);
    return h("div.card", { key: name, class: name === preview.name ? "is-heard" : "" },
      h("button.preset", {
        type: "button", "data-preset": name, "aria-pressed": store.document.presets.includes(name),
        onclick: () => { preview.stop(); lay(name); },
        onpointerenter: (e) => { if (e.pointerType !== "touch" && hear) preview.hear(name); },
        onpointerleave: () => preview.stop(),
        onfocus: (e) => { if (hear && e.target.matches(":focus-visible")) preview.hear(name); },
        onblur: () => preview.stop(),
      }, h("strong", {}, words(name)), h("span", {}, about),
      h("small", {}, m && `${m.density.toFixed(1)} notes/s · ${m.key || "drums only"} · letters ${Math.round(m.letters * 100)} %`)),
      h("div.marks", {},
        h("button.icon.favourite", { type: "button", "aria-pressed": favourites.has(name), "aria-label": `Favourite: ${words(name)}`,
          title: "Favourite", onclick: () => favour(name) }, favourites.has(name) ? "★" : "☆"),
        h("button.icon.like", { type: "button", "aria-label": `More like ${words(name)}`, title: "More like this", onclick: () => neighbours(name) }, "≈")));
  }

  function clear() {
    near = null;
    find = "";
    only = false;
    for (const key of Object.keys(picked)) delete picked[key];
    arrange();
    list().querySelector("[tabindex='0']")?.focus();
  }

  function view() {
    const shown = fitting();
    const filter = ([key, label, choices]) => labelled(`filter-${key}`, label,
      h("select", { id: `filter-${key}`, "data-filter": key, value: picked[key] ?? "", onchange: (e) => { picked[key] = e.target.value; arrange(); } },
        h("option", { value: "" }, "any"), choices.map(([value, text]) => h("option", { value }, text))));
    return h("div.wide.choosing", {},
      h("div.row", {},
        h("div.by-pointer", {}, check("hear", "Hear a preset by pointing at it", { checked: hear, onchange: (e) => {
          remember(HEAR, hear = e.target.checked);
          preview.stop();
        } })),
        check("only", "Only favourites ★", { checked: only, onchange: (e) => { only = e.target.checked; arrange(); } })),
      h("details.more", { ontoggle: (e) => { open = e.target.open; if (open) measure(); } }, h("summary", {}, "Filter the presets"),
        h("div.inside", {}, h("div.sub", {},
          labelled("find-preset", "Words", h("input", { type: "text", id: "find-preset", autocomplete: "off", spellcheck: false, value: find,
            oninput: (e) => { find = e.target.value; arrange(); } })),
          FILTERS.map(filter)),
        h("p.help", {}, "Measured on your own disc. Letters heard: how far the notes tell the letters of the message apart."))),
      h("div.row", {},
        h("p.fact", { role: "status" }, said ?? [shown.length < presets.length && `${shown.length} of ${presets.length} presets`,
          near && `Nearest to ${words(near)} first`].filter(Boolean).join(" · ")),
        (shown.length < presets.length || near) && h("button", { type: "button", onclick: clear }, "Show all")),
      h("div.presets", { role: "group", "aria-label": "Presets", onfocusin: stops, onkeydown: step, ref: () => settle() }, shown.map(card)));
  }

  /** After the list was drawn: keep one Tab stop, and show the preset in use. */
  function settle() {
    if (!list()) return;
    stops();
    const used = list().querySelector(".preset[aria-pressed=true]");
    if (!used?.offsetParent || used.dataset.preset === chosen) return;
    chosen = used.dataset.preset;
    list().scrollTop = used.parentElement.offsetTop - list().offsetTop - 40;
  }

  return {
    view,
    settle,
    sync() {
      clearTimeout(timer);
      if (open || near) timer = setTimeout(measure, WAIT_MS);
    },
  };
}
