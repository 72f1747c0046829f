// The list of musical presets: heard before they are chosen, favourites, filters and neighbours.

import { postJson } from "./api.js";
import { h, uid, words } from "./dom.js";
import { tell } from "./messages.js";

const FAVOURITES = "sonify-favourites";
const HEAR = "sonify-hear";
const WAIT_MS = 500; // after the last change of the disc, before the presets are measured again

const kept = (key, other) => {
  try { return JSON.parse(localStorage.getItem(key)) ?? other; } catch { return other; }
};
const keep = (key, value) => {
  try { localStorage.setItem(key, JSON.stringify(value)); } catch { /* then it lasts for this visit */ }
};

// The limits part the presets that ship into groups of about the same size on the discs that ship.
const FILTERS = [
  ["density", "Notes per second", [["few", "under 3", (m) => m.density < 3],
    ["some", "3 to 6", (m) => m.density >= 3 && m.density <= 6], ["many", "over 6", (m) => m.density > 6]]],
  ["mode", "Key", [["major", "major", (m) => m.key.endsWith("major")], ["minor", "minor", (m) => m.key.endsWith("minor")],
    ["clear", "clear", (m) => m.clarity >= 0.8], ["vague", "not clear", (m) => m.clarity < 0.8]]],
  ["letters", "Letters heard", [["most", "most", (m) => m.letters >= 0.75], ["some", "some", (m) => m.letters < 0.75]]],
  ["drums", "Drums", [["with", "with", (m) => m.drums], ["without", "without", (m) => !m.drums]]],
];

/** `lay` chooses a preset; `preview` plays one. */
export function presetList(store, tables, lay, preview) {
  const presets = tables.presets.filter((p) => p.kind === "music");
  const favourites = new Set(kept(FAVOURITES, []));
  const measures = new Map();
  let measured = null; // the disc and player that the measures are of
  let near = null; // the preset whose neighbours come first
  let timer = 0;

  const cards = presets.map((p) => {
    const name = words(p.name);
    const fact = h("small", {});
    const mark = h("button.icon.favourite", { type: "button", "aria-pressed": "false", "aria-label": `Favourite: ${name}`,
      title: "Favourite", onclick: () => favour(p.name) }, "★");
    const like = h("button.icon.like", { type: "button", "aria-label": `More like ${name}`, title: "More like this",
      onclick: () => neighbours(p.name) }, "≈");
    const choose = h("button.preset", { type: "button", "data-preset": p.name, "aria-pressed": "false", onclick: () => {
      preview.stop();
      lay(p.name);
    } }, h("strong", {}, name), h("span", {}, p.about), fact);
    choose.addEventListener("pointerenter", (e) => { if (e.pointerType !== "touch" && hear.checked) preview.hear(p.name); });
    choose.addEventListener("pointerleave", () => preview.stop());
    choose.addEventListener("focus", () => { if (hear.checked && choose.matches(":focus-visible")) preview.hear(p.name); });
    choose.addEventListener("blur", () => preview.stop());
    const card = h("div.card", {}, choose, h("div.marks", {}, mark, like));
    return { ...p, card, choose, mark, fact };
  });
  const list = h("div.presets", { role: "group", "aria-label": "Presets" }, cards.map((c) => c.card));
  const hear = h("input", { type: "checkbox", id: uid("hear"), checked: kept(HEAR, true), onchange: () => {
    keep(HEAR, hear.checked);
    preview.stop();
  } });
  const only = h("input", { type: "checkbox", id: uid("only"), onchange: arrange });
  const find = h("input", { type: "text", id: uid("find"), autocomplete: "off", spellcheck: false, oninput: arrange });
  const picks = FILTERS.map(([key, label, choices]) => {
    const select = h("select", { id: uid(key), "data-filter": key, onchange: arrange },
      h("option", { value: "" }, "any"), choices.map(([value, text]) => h("option", { value }, text)));
    return { select, choices: new Map(choices.map(([value, , test]) => [value, test])),
      element: h("div.field", {}, h("label", { htmlFor: select.id }, label), select) };
  });
  const said = h("p.fact", { role: "status" });
  const clear = h("button", { type: "button", hidden: true, onclick: () => {
    near = null;
    find.value = "";
    only.checked = false;
    for (const p of picks) p.select.value = "";
    arrange();
    stop()?.focus();
  } }, "Show all");
  const fold = h("details.more", { ontoggle: () => { if (fold.open) measure(); } }, h("summary", {}, "Filter the presets"),
    h("div.inside", {}, h("div.sub", {},
      h("div.field", {}, h("label", { htmlFor: find.id }, "Words"), find), picks.map((p) => p.element)),
    h("p.help", {}, "Measured on your own disc. Letters heard: how far the notes tell the letters of the message apart.")));
  const check = (box, text) => h("label.check", { htmlFor: box.id }, box, text);
  const element = h("div.wide.choosing", {},
    h("div.row", {}, h("div.by-pointer", {}, check(hear, "Hear a preset by pointing at it")), check(only, "Only favourites ★")),
    fold, h("div.row", {}, said, clear), list);
  const shown = () => [...list.children].map((card) => cards.find((c) => c.card === card)).filter((c) => !c.card.hidden);

  preview.addEventListener("change", () => {
    for (const c of cards) c.card.classList.toggle("is-heard", c.name === preview.name);
    if (preview.name) tell(`Hearing ${words(preview.name)}`, true);
  });

  function favour(name) {
    if (favourites.has(name)) favourites.delete(name);
    else favourites.add(name);
    keep(FAVOURITES, [...favourites]);
    tell(`${words(name)} ${favourites.has(name) ? "is a favourite" : "is no favourite any more"}`, true);
    arrange();
  }

  async function neighbours(name) {
    near = name;
    await measure();
    arrange();
    list.scrollTop = 0;
  }

  /** Measure the presets on the disc at hand, unless that is done. */
  async function measure() {
    const { disc, fit, setup: { player } } = store.document;
    const now = JSON.stringify([disc, fit, player]);
    if (now === measured) return;
    said.textContent = "Measuring the presets on your disc…";
    try {
      const found = await postJson("api/measures", store.document);
      measures.clear();
      for (const m of found) measures.set(m.name, m);
      measured = now;
    } catch (e) {
      said.textContent = e.message;
      return;
    }
    arrange();
  }

  /** Show what fits the filters, in order. */
  function arrange() {
    const text = find.value.trim().toLowerCase();
    const tests = picks.filter((p) => p.select.value).map((p) => p.choices.get(p.select.value));
    const away = new Map(near ? [[near, 0], ...measures.get(near)?.like ?? []] : []);
    const order = near && away.size > 1 ? [...cards].sort((a, b) => (away.get(a.name) ?? 1) - (away.get(b.name) ?? 1)) : cards;
    const focus = document.activeElement;
    if (order.some((c, k) => list.children[k] !== c.card)) list.replaceChildren(...order.map((c) => c.card));
    let count = 0;
    for (const c of cards) {
      const m = measures.get(c.name);
      const on = (!only.checked || favourites.has(c.name)) && `${words(c.name)} ${c.about}`.toLowerCase().includes(text)
        && tests.every((test) => m && test(m));
      c.card.hidden = !on;
      count += on;
      c.mark.setAttribute("aria-pressed", String(favourites.has(c.name)));
      c.fact.textContent = m ? `${m.density.toFixed(1)} notes/s · ${m.key || "drums only"}`
        + ` · letters ${Math.round(m.letters * 100)} %` : "";
    }
    const all = count === cards.length && !near;
    clear.hidden = all;
    said.textContent = [count < cards.length ? `${count} of ${cards.length} presets` : "",
      near ? `Nearest to ${words(near)} first` : ""].filter(Boolean).join(" · ");
    if (list.contains(focus)) focus.focus();
    stops();
  }

  // one Tab stop: up and down lead through the presets, left and right to the marks of one
  const stop = () => (shown().find((c) => c.choose.getAttribute("aria-pressed") === "true") ?? shown()[0])?.choose;
  function stops() {
    const one = list.contains(document.activeElement) ? document.activeElement : stop();
    for (const b of list.querySelectorAll("button")) b.tabIndex = b === one ? 0 : -1;
  }
  list.addEventListener("focusin", stops);
  list.addEventListener("keydown", (e) => {
    if (e.altKey || e.ctrlKey || e.metaKey) return;
    if (e.key === "Escape") preview.stop();
    const card = e.target.closest(".card");
    const rows = shown().map((c) => c.card);
    const inside = [...card?.querySelectorAll("button") ?? []];
    const row = rows.indexOf(card);
    const column = inside.indexOf(e.target);
    const to = { ArrowDown: [row + 1, column], ArrowUp: [row - 1, column], Home: [0, 0], End: [rows.length - 1, 0],
      ArrowRight: [row, column + 1], ArrowLeft: [row, column - 1] }[e.key];
    if (row < 0 || !to) return;
    e.preventDefault();
    const next = rows[(to[0] + rows.length) % rows.length].querySelectorAll("button");
    next[(to[1] + next.length) % next.length].focus();
  });
  arrange();

  return {
    element,
    sync() {
      for (const c of cards) {
        const on = store.document.presets.includes(c.name);
        if (on && c.choose.getAttribute("aria-pressed") !== "true") list.scrollTop = c.card.offsetTop - list.offsetTop - 40;
        c.choose.setAttribute("aria-pressed", String(on));
      }
      stops();
      clearTimeout(timer);
      if (fold.open || near) timer = setTimeout(measure, WAIT_MS);
    },
  };
}
