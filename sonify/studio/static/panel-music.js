// The panel of the music: presets, root and scale with a keyboard, step, timing, metre, dice.

import { getJson, postJson } from "./api.js";
import { TONES } from "./marks.js";
import { presetList } from "./presets.js";
import { setting, settings } from "./settings.js";
import { put } from "./store.js";
import { words } from "./text.js";
import { area, chooser, h, memo, typed } from "./view.js";

const FLATS = { Db: 1, Eb: 3, Gb: 6, Ab: 8, Bb: 10, Cb: 11, Fb: 4, "E#": 5, "B#": 0 };
const STEPS = ["1/4", "1/8", "1/12", "1/16", "1/24", "1/32"];
const METRES = ["auto", "2/4", "3/4", "4/4", "5/4", "6/8", "7/8", "9/8", "12/8"];

const WHITE = [0, 2, 4, 5, 7, 9, 11];
const BLACK = [[1, 0.5], [3, 1.5], [6, 3.5], [8, 4.5], [10, 5.5]]; // tone, and where among the white keys
const OWN = "custom";
const OWN_SCALE = { kind: "toml", label: "Scale degrees", help: "For example { ratios = [\"1/1\", \"9/8\", \"5/4\", \"3/2\"] } or { divisions = 19 }." };

function split(root) {
  const found = /^([A-Ga-g](?:##?|bb?|x)?)(-?\d+)$/.exec(root ?? "D4");
  if (!found) return { tone: 2, octave: 4 };
  const name = found[1][0].toUpperCase() + found[1].slice(1);
  const tone = TONES.indexOf(name) >= 0 ? TONES.indexOf(name) : FLATS[name] ?? 0;
  return { tone, octave: Number(found[2]) };
}

/** Two octaves of keys with the scale lit; for scales outside twelve tones, marks on a line. */
const Keyboard = memo(({ scale, choose }) => {
  const tone = scale.root % 12;
  const inside = scale.semitones.every((s) => Number.isInteger(s)) && scale.period === 12;
  const names = scale.semitones.map((s) => (inside ? TONES[(tone + s) % 12] : `${Math.round(s * 100)} cents`));
  const lit = new Set(scale.semitones.map((s) => (tone + s) % 12));
  const key = (pc, x, w, tall, kind) => h("g", { class: `key ${kind}${lit.has(pc) ? " lit" : ""}${pc === tone ? " root" : ""}`, onclick: () => choose(pc) },
    h("rect", { x, y: 2, width: w, height: tall, rx: 2.5 }),
    lit.has(pc) && h("circle", { cx: x + w / 2, cy: tall - 7, r: pc === tone ? 4.5 : 3 }));
  const place = (s) => 12 + (s / scale.period) * 256;
  return h("svg", { viewBox: "0 0 280 78", class: "keyboard", role: "img" },
    h("title", {}, `${TONES[tone]} ${words(scale.name)}: ${names.join(", ")}`),
    inside ? [0, 1].map((o) => WHITE.map((pc, k) => key(pc, (o * 7 + k) * 20 + 1, 18, 74, "white"))) : [
      [...scale.semitones, scale.period].map((s) => [h("line", { x1: place(s), x2: place(s), y1: 16, y2: 56, class: "mark" }),
        h("circle", { cx: place(s), cy: 16, r: 4, class: "lit" })]),
      h("line", { x1: 12, x2: 268, y1: 56, y2: 56, class: "ruler" })],
    inside && [0, 1].map((o) => BLACK.map(([pc, k]) => key(pc, (o * 7 + k) * 20 + 5, 12, 44, "black"))));
});

function listed(id, { label, help }, rows, value, give) {
  return h("div.field", { "data-place": `music.${id}` }, h("label", { htmlFor: id }, label),
    h("input", { type: "text", id, list: `${id}-list`, spellcheck: false, autocomplete: "off", "aria-describedby": `${id}-help`,
      value: typed(id, value), onchange: (e) => give(e.target.value.trim() || undefined) }),
    h("datalist", { id: `${id}-list` }, rows.map((r) => h("option", { value: r }))),
    h("p.help", { id: `${id}-help` }, help));
}

export function musicPanel(room, store, tables, preview, tell) {
  const section = Object.fromEntries(tables.sections.music.map((f) => [f.key, f]));
  const special = new Set(["root", "scale", "step", "metre", "voice"]);
  const rest = tables.sections.music.filter((f) => !special.has(f.key));
  const wrong = (e) => store.dispatchEvent(new CustomEvent("wrong", { detail: e }));
  const scales = [...tables.scales, { name: OWN, about: "your own scale, in semitones, cents, ratios or divisions" }];
  const kept = new Set(); // the locked groups
  let seed = 1;

  async function lay(name) {
    try {
      const setup = await postJson("api/lay", { setup: store.setup, preset: name });
      const { kind, about } = tables.presets.find((p) => p.name === name);
      const same = (n) => tables.presets.find((p) => p.name === n)?.kind === kind;
      store.change(`preset ${name}`, (d) => {
        d.setup = setup;
        d.presets = [...d.presets.filter((n) => !same(n)), name];
        if (kind === "music") d.muted = [];
      });
      tell(`${words(name)}: ${about}`, true);
    } catch (e) { wrong(e); }
  }
  const list = presetList(store, tables, lay, preview, () => sync());
  room.addEventListener("open", list.settle);
  room.addEventListener("close", () => preview.stop());

  async function roll(fresh) {
    if (fresh) seed = 1 + Math.floor(Math.random() * 99999);
    try {
      const setup = await postJson("api/dice", { setup: store.setup, seed, locks: [...kept] });
      store.change("dice", (d) => {
        d.setup = setup;
        d.presets = d.presets.filter((n) => {
          const { kind: of } = tables.presets.find((p) => p.name === n) ?? {};
          return kept.has({ music: "voices", player: "player", look: "lamps" }[of]);
        });
        if (!kept.has("voices")) d.muted = [];
      });
      sync();
      tell(`Rolled seed ${seed}`);
    } catch (e) { wrong(e); }
  }

  const give = (key, v) => store.set(`setup.music.${key}`, v);
  const sync = area(room, () => {
    const { show, setup: { music = {} } } = store;
    const { tone, octave } = split(music.root);
    const scale = music.scale ?? "dorian";
    const mine = typeof scale === "object";
    return [
      list.view(),
      h("div.field", { "data-place": "music.root" }, h("label", { htmlFor: "root" }, section.root.label),
        h("div.twin", {},
          h("select", { id: "root", value: tone, onchange: (e) => give("root", `${TONES[e.target.value]}${octave}`) }, TONES.map((t, k) => h("option", { value: k }, t))),
          h("select", { id: "octave", value: octave, "aria-label": "Octave of the root", onchange: (e) => give("root", `${TONES[tone]}${e.target.value}`) },
            [0, 1, 2, 3, 4, 5, 6, 7].map((o) => h("option", { value: o }, o)))),
        h("p.help", {}, section.root.help)),
      h("div.field", { "data-place": "music.scale" }, h("label", { htmlFor: "scale" }, section.scale.label),
        chooser("scale", scales, mine ? OWN : scale, (v) => give("scale", v === OWN ? { name: "mine", semitones: show?.scale.semitones ?? [0, 2, 4, 7, 9] } : v)),
        h("div.tones", {}, show && h(Keyboard, { scale: show.scale, choose: (pc) => give("root", `${TONES[pc]}${octave}`) }))),
      setting(OWN_SCALE, "music.scale.own", mine ? scale : undefined, (v) => v && give("scale", v), { hidden: !mine }),
      listed("step", section.step, STEPS, music.step ?? "1/16", (v) => store.change("setup.music.step", (d) => {
        put(d, "setup.music.step", v);
        delete d.setup.music.tempo; // would choose another step
      })),
      listed("metre", section.metre, METRES, music.metre ?? "auto", (v) => give("metre", v)),
      h("p.fact", {}, show && `${show.metre} at ${show.tempo.toFixed(1)} quarter notes per minute; ${
        show.rowIsBars ? "each row is a whole number of bars." : "bar lines fall within rows."}`),
      settings(rest, "music", music, give),
      h("fieldset.dice", {}, h("legend", {}, "Dice"),
        h("p.help", {}, "Chooses settings at random. The same seed gives the same settings. Locked groups keep theirs."),
        h("div.row", {},
          h("button.main", { type: "button", id: "roll", onclick: () => roll(true) }, "Roll"),
          h("label", { htmlFor: "seed" }, "Seed"),
          h("input", { type: "number", id: "seed", value: seed, step: 1, min: 0, max: 999999999,
            oninput: (e) => { seed = Math.max(0, Math.round(Number(e.target.value)) || 0); } }),
          h("button", { type: "button", id: "roll-seed", onclick: () => roll(false) }, "Roll this seed")),
        h("div.pills", { role: "group", "aria-label": "Locked" }, Object.entries(tables.locks).map(([name, about]) =>
          h("label.pill.lock", { title: `Keep the ${about}` }, h("input", { type: "checkbox", value: name,
            onchange: (e) => (e.target.checked ? kept.add(name) : kept.delete(name)) }), h("span", {}, about))))),
    ];
  });

  return {
    lay,
    sync() {
      list.sync();
      sync();
    },
    setShow: sync,
  };
}

export const discOf = (name) => getJson(`api/disc/${encodeURIComponent(name)}`);
