// The panel of the music: presets, root and scale with a keyboard, step, timing, metre, dice.

import { getJson, postJson } from "./api.js";
import { at } from "./store.js";
import { chooser, h, svg, uid, words } from "./dom.js";
import { field, fields } from "./fields.js";
import { presetList } from "./presets.js";

const TONES = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"];
const FLATS = { Db: 1, Eb: 3, Gb: 6, Ab: 8, Bb: 10, Cb: 11, Fb: 4, "E#": 5, "B#": 0 };
const STEPS = ["1/4", "1/8", "1/12", "1/16", "1/24", "1/32"];
const METRES = ["auto", "2/4", "3/4", "4/4", "5/4", "6/8", "7/8", "9/8", "12/8"];

function split(root) {
  const found = /^([A-Ga-g](?:##?|bb?|x)?)(-?\d+)$/.exec(root ?? "D4");
  if (!found) return { tone: 2, octave: 4 };
  const name = found[1][0].toUpperCase() + found[1].slice(1);
  const tone = TONES.indexOf(name) >= 0 ? TONES.indexOf(name) : FLATS[name] ?? 0;
  return { tone, octave: Number(found[2]) };
}

/** Two octaves of keys with the scale lit; for scales outside twelve tones, marks on a line. */
function keyboard(scale, tone, choose) {
  const inside = scale.semitones.every((s) => Number.isInteger(s)) && scale.period === 12;
  const picture = svg("svg", { viewBox: "0 0 280 78", class: "keyboard", role: "img" });
  const names = scale.semitones.map((s) => (inside ? TONES[(tone + s) % 12] : `${Math.round(s * 100)} cents`));
  picture.append(svg("title", {}));
  picture.firstChild.textContent = `${TONES[tone]} ${words(scale.name)}: ${names.join(", ")}`;
  if (!inside) {
    for (const s of [...scale.semitones, scale.period]) {
      const x = 12 + (s / scale.period) * 256;
      picture.append(svg("line", { x1: x, x2: x, y1: 16, y2: 56, class: "mark" }));
      picture.append(svg("circle", { cx: x, cy: 16, r: 4, class: "lit" }));
    }
    picture.append(svg("line", { x1: 12, x2: 268, y1: 56, y2: 56, class: "ruler" }));
    return picture;
  }
  const lit = new Set(scale.semitones.map((s) => (tone + s) % 12));
  const white = [0, 2, 4, 5, 7, 9, 11];
  const black = { 1: 0.5, 3: 1.5, 6: 3.5, 8: 4.5, 10: 5.5 };
  const key = (pc, x, y, w, tall, kind) => {
    const g = svg("g", { class: `key ${kind}${lit.has(pc) ? " lit" : ""}${pc === tone ? " root" : ""}` });
    g.append(svg("rect", { x, y, width: w, height: tall, rx: 2.5 }));
    if (lit.has(pc)) g.append(svg("circle", { cx: x + w / 2, cy: y + tall - 9, r: pc === tone ? 4.5 : 3 }));
    g.addEventListener("click", () => choose(pc));
    return g;
  };
  for (let o = 0; o < 2; o++) {
    white.forEach((pc, k) => picture.append(key(pc, (o * 7 + k) * 20 + 1, 2, 18, 74, "white")));
  }
  for (let o = 0; o < 2; o++) {
    for (const [pc, k] of Object.entries(black)) {
      picture.append(key(Number(pc), (o * 7 + k) * 20 + 5, 2, 12, 44, "black"));
    }
  }
  return picture;
}

function listed(label, help, rows, give) {
  const id = uid("list");
  const about = h("p.help", { id: uid("help") }, help);
  const box = h("input", { type: "text", id, list: `${id}-list`, spellcheck: false, autocomplete: "off",
    "aria-describedby": about.id });
  box.addEventListener("change", () => give(box.value.trim() || undefined));
  return {
    element: h("div.field", {}, h("label", { htmlFor: id }, label), box,
      h("datalist", { id: `${id}-list` }, rows.map((r) => h("option", { value: r }))), about),
    sync: (v) => { if (document.activeElement !== box) box.value = v; },
  };
}

export function musicPanel(panel, store, tables, preview, tell) {
  const section = Object.fromEntries(tables.sections.music.map((f) => [f.key, f]));
  const scales = tables.scales;

  // presets
  const lay = async (name) => {
    try {
      const setup = await postJson("api/lay", { setup: store.setup, preset: name });
      const kind = tables.presets.find((p) => p.name === name).kind;
      const same = (n) => tables.presets.find((p) => p.name === n)?.kind === kind;
      store.change(`preset ${name}`, (d) => {
        d.setup = setup;
        d.presets = [...d.presets.filter((n) => !same(n)), name];
        if (kind === "music") d.muted = [];
      });
      tell(`${words(name)}: ${tables.presets.find((p) => p.name === name).about}`, true);
    } catch (e) { store.dispatchEvent(new CustomEvent("wrong", { detail: e })); }
  };
  const list = presetList(store, tables, lay, preview);

  // root and scale
  const tone = h("select", { id: uid("tone"), onchange: () => setRoot(Number(tone.value)) },
    TONES.map((t, k) => h("option", { value: k }, t)));
  const octave = h("select", { id: uid("octave"), "aria-label": "Octave of the root",
    onchange: () => setRoot(Number(tone.value)) },
  [0, 1, 2, 3, 4, 5, 6, 7].map((o) => h("option", { value: o }, o)));
  const setRoot = (t) => store.set("setup.music.root", `${TONES[t]}${octave.value}`);
  const picture = h("div.tones", {});
  const OWN = "custom";
  const scale = chooser(
    [...scales.map((s) => ({ name: s.name, about: s.about })),
      { name: OWN, about: "your own scale, in semitones, cents, ratios or divisions" }],
    "dorian", (v) => store.set("setup.music.scale", v === OWN
      ? { name: "mine", semitones: show?.scale.semitones ?? [0, 2, 4, 7, 9] } : v));
  const own = field({
    key: "own-scale", kind: "toml", label: "Scale degrees",
    help: "For example { ratios = [\"1/1\", \"9/8\", \"5/4\", \"3/2\"] } or { divisions = 19 }.",
  }, "music.scale", (v) => v && store.set("setup.music.scale", v));
  let show = null;
  const drawKeys = () => {
    if (show) picture.replaceChildren(keyboard(show.scale, show.scale.root % 12, setRoot));
  };

  const step = listed(section.step.label, section.step.help, STEPS, (v) => {
    store.change("setup.music.step", (d) => {
      d.setup.music.step = v;
      delete d.setup.music.tempo; // would choose another step
    });
  });
  const metre = listed(section.metre.label, section.metre.help, METRES, (v) => store.set("setup.music.metre", v));
  const shown = new Set(["root", "scale", "step", "metre", "voice"]);
  const rest = fields(tables.sections.music.filter((f) => !shown.has(f.key) && f.control !== "skip"),
    "music", (key, v) => store.set(`setup.music.${key}`, v));
  const metreNow = h("p.fact", {});

  // the dice
  const locks = Object.entries(tables.locks).map(([name, about]) => {
    const box = h("input", { type: "checkbox", value: name, id: uid("lock") });
    return h("label.pill.lock", { title: `Keep the ${about}` }, box, h("span", {}, about));
  });
  const seed = h("input", { type: "number", id: uid("seed"), value: 1, step: 1, min: 0, max: 999999999 });
  const roll = async (fresh) => {
    if (fresh) seed.value = String(1 + Math.floor(Math.random() * 99999));
    const kept = locks.map((l) => l.querySelector("input")).filter((b) => b.checked).map((b) => b.value);
    try {
      const setup = await postJson("api/dice", {
        setup: store.setup, seed: Math.max(0, Math.round(Number(seed.value)) || 0), locks: kept,
      });
      store.change("dice", (d) => {
        d.setup = setup;
        d.presets = d.presets.filter((n) => {
          const { kind: of } = tables.presets.find((p) => p.name === n) ?? {};
          return kept.includes({ music: "voices", player: "player", look: "lamps" }[of]);
        });
        if (!kept.includes("voices")) d.muted = [];
      });
      tell(`Rolled seed ${seed.value}`);
    } catch (e) { store.dispatchEvent(new CustomEvent("wrong", { detail: e })); }
  };

  panel.append(
    list.element,
    h("div.field", { "data-place": "music.root" },
      h("label", { htmlFor: tone.id }, section.root.label), h("div.twin", {}, tone, octave),
      h("p.help", {}, section.root.help)),
    h("div.field", { "data-place": "music.scale" },
      h("label", { htmlFor: scale.select.id }, section.scale.label), scale.select, scale.about, picture),
    own.element,
    step.element, metre.element, metreNow, ...rest.elements,
    h("fieldset.dice", {}, h("legend", {}, "Dice"),
      h("p.help", {}, "Chooses settings at random. The same seed gives the same settings. Locked groups keep theirs."),
      h("div.row", {},
        h("button.main", { type: "button", id: "roll", onclick: () => roll(true) }, "Roll"),
        h("label", { htmlFor: seed.id }, "Seed"), seed,
        h("button", { type: "button", id: "roll-seed", onclick: () => roll(false) }, "Roll this seed")),
      h("div.pills", { role: "group", "aria-label": "Locked" }, locks)),
  );

  return {
    lay,
    sync() {
      const { setup } = store.document;
      const { tone: t, octave: o } = split(at(setup, "music.root"));
      tone.value = String(t);
      octave.value = String(o);
      const now = at(setup, "music.scale") ?? "dorian";
      const mine = typeof now === "object";
      scale.sync(mine ? OWN : now);
      own.element.hidden = !mine;
      if (mine) own.sync(now);
      step.sync(at(setup, "music.step") ?? "1/16");
      metre.sync(at(setup, "music.metre") ?? "auto");
      rest.sync(setup.music);
      list.sync();
    },
    setShow(next) {
      show = next;
      drawKeys();
      metreNow.textContent = `${show.metre} at ${show.tempo.toFixed(1)} quarter notes per minute; `
        + (show.rowIsBars ? "each row is a whole number of bars." : "bar lines fall within rows.");
    },
  };
}

export const discOf = (name) => getJson(`api/disc/${encodeURIComponent(name)}`);
