// The panel of the voices: add, mute, solo, reorder; source, instrument, scheme and rules of each.

import { equalLoudness } from "./equal.js";
import { settings } from "./settings.js";
import { put } from "./store.js";
import { words } from "./text.js";
import { area, chooser, fold, h, memo } from "./view.js";

const DEFAULT_PROGRAM = "acoustic grand piano";
const LEVEL = 100; // what a MIDI channel has until it is told otherwise (General MIDI)
const NEAR = new Set(["velocity", "octave"]);
const STRIP = new Set(["volume", "pan"]);
const asScheme = (p) => (typeof p === "string" ? { scheme: p } : p ?? { scheme: "row-ladder" });
const asRules = (r) => (typeof r === "string" ? [r] : r ?? []).map((one) => (typeof one === "string" ? { rule: one } : one));
const sideOf = (x) => (Math.abs(x) < 0.01 ? "middle" : `${Math.round(Math.abs(x) * 100)} % ${x < 0 ? "left" : "right"}`);
const button = (text, title, label, onclick, more = {}) =>
  h("button.icon", { type: "button", title, "aria-label": label, onclick, ...more }, text);

function move(list, from, to) {
  const [one] = list.splice(from, 1);
  list.splice(to, 0, one);
}

/** Move what has the focus when an arrow is pressed with Alt. */
const moving = (shift) => (e) => {
  if (!e.altKey || (e.key !== "ArrowUp" && e.key !== "ArrowDown")) return;
  e.preventDefault();
  e.stopPropagation();
  shift(e.key === "ArrowUp" ? -1 : 1);
};

/** `sound` is what the meters follow. */
export function voicesPanel(room, store, tables, solo, sound, tell) {
  const equal = equalLoudness(store, sound, () => sync());
  const own = Object.fromEntries(tables.sections.voice.map((f) => [f.key, f]));
  const plain = tables.sections.voice.filter((f) => !f.control && f.key !== "name");
  const families = tables.families.map((group, k) => ({
    group, rows: tables.programs.slice(k * 8, k * 8 + 8).map((name) => ({ name, label: name })),
  }));
  const drums = tables.drums.map(({ name }) => ({ name, label: name }));
  const voices = () => store.setup.music?.voice ?? [];
  let ids = []; // one for each voice, which it keeps when voices are moved
  let next = 0;
  const part = []; // how loud the meters show each voice

  const list = () => room.querySelector(".voices");
  const nameBox = (n) => list().children[n]?.querySelector(".voice-name");

  function edit(n, why, mutate, join = null) {
    store.change(why, (d) => {
      d.setup.music ??= {};
      d.setup.music.voice ??= [];
      mutate(d.setup.music.voice[n], d);
    }, join);
  }

  function addVoice() {
    const n = voices().length;
    store.change("add voice", (d) => {
      d.setup.music ??= {};
      (d.setup.music.voice ??= []).push({ name: `voice ${n + 1}`, source: "ones", program: "celesta",
        pitch: { scheme: "place" }, rhythm: ["joined"], velocity: 80 });
    });
    nameBox(n)?.focus();
    tell("Voice added");
  }

  function remove(n) {
    const name = voices()[n].name || `voice ${n + 1}`;
    ids.splice(n, 1);
    solo.renumber((m) => (m === n ? null : m > n ? m - 1 : m));
    store.change("remove voice", (d) => {
      d.setup.music.voice.splice(n, 1);
      d.muted = d.muted.filter((m) => m !== n).map((m) => (m > n ? m - 1 : m));
    });
    (nameBox(Math.min(n, voices().length - 1)) ?? document.getElementById("add-voice")).focus();
    tell(`Removed ${name}`);
  }

  function shift(n, by) {
    const to = n + by;
    if (to < 0 || to >= voices().length) return;
    const order = voices().map((_, k) => k);
    move(order, n, to);
    move(ids, n, to);
    solo.renumber((m) => order.indexOf(m));
    store.change("reorder voices", (d) => {
      move(d.setup.music.voice, n, to);
      d.muted = d.muted.map((m) => order.indexOf(m)).sort((a, b) => a - b);
    });
    nameBox(to)?.focus();
    tell(`Moved to position ${to + 1}`);
  }

  const mute = (n) => store.change("mute", (d) => {
    d.muted = d.muted.includes(n) ? d.muted.filter((m) => m !== n) : [...d.muted, n].sort((a, b) => a - b);
  });

  function instrument(n, voice) {
    const isDrum = voice.drum !== undefined && voice.drum !== null;
    const key = isDrum ? "drum" : "program";
    const id = `voice-${n}-${key}`;
    // with several drums, the pitch scheme selects among them
    const drumName = (d) => (Array.isArray(d) ? d.map(drumName).join(", ")
      : typeof d === "number" ? tables.drums.find((x) => x.note === d)?.name ?? String(d) : d);
    const pick = isDrum
      ? chooser(id, drums, drumName(voice.drum), (v) => edit(n, key, (x) => { x.drum = v.includes(", ") ? v.split(", ") : v; }))
      : chooser(id, families, typeof voice.program === "number" ? tables.programs[voice.program - 1] : voice.program ?? DEFAULT_PROGRAM,
        (v) => edit(n, key, (x) => { x.program = v; }));
    const radio = (value, label) => h("label.pill", {}, h("input", { type: "radio", name: `voice-${n}-kind`, value, checked: (value === "drum") === isDrum,
      onchange: () => edit(n, "tones or drum", (x) => put(x, "drum", value === "drum" ? "side stick" : undefined)) }), h("span", {}, label));
    return h("div.field", { "data-place": `music.voice[${n}].${key}` },
      h("div.head", {}, h("label", { htmlFor: id }, own[key].label),
        h("div.pills.small", { role: "radiogroup", "aria-label": "Pitched or drum" }, radio("tones", "pitched"), radio("drum", "drum"))),
      pick, h("p.help", {}, own[key].help));
  }

  function scheme(n, voice) {
    const now = asScheme(voice.pitch);
    const place = `music.voice[${n}].pitch`;
    const fieldsOf = (name) => tables.schemes.find((s) => s.name === name)?.fields ?? [];
    const pick = chooser(`voice-${n}-scheme`, tables.schemes, now.scheme, (v) => edit(n, "scheme", (x) => {
      // keep the settings that the new scheme has too
      const old = asScheme(x.pitch);
      x.pitch = { scheme: v };
      for (const f of fieldsOf(v)) {
        if (f.key in old && f.kind !== "choice" && !(old[f.key] > f.max)) x.pitch[f.key] = old[f.key];
      }
    }));
    const give = (key, v) => edit(n, key, (x) => {
      x.pitch = { ...asScheme(x.pitch) };
      put(x.pitch, key, v);
    }, `voice.${n}.pitch.${key}`);
    const some = (shared) => settings(fieldsOf(now.scheme).filter((f) => tables.shared.includes(f.key) === shared), place, now, give);
    const range = some(true);
    return h("div.block", { "data-place": place },
      h("div.field", {}, h("label", { htmlFor: `voice-${n}-scheme` }, own.pitch.label), pick),
      h("div.sub", {}, some(false)),
      range.length > 0 && h("details.more", {}, h("summary", {}, "Range and voice leading"), h("div.sub", {}, range)));
  }

  function rules(n, voice) {
    const now = asRules(voice.rhythm);
    const change = (why, mutate, join = null) => edit(n, why, (x) => {
      const all = asRules(x.rhythm).map((r) => ({ ...r }));
      mutate(all);
      x.rhythm = all.map((r) => (Object.keys(r).length === 1 ? r.rule : r));
    }, join);
    const item = (rule, k) => {
      const place = `music.voice[${n}].rhythm[${k}]`;
      const [select, about] = chooser(`voice-${n}-rule-${k}`, tables.rules, rule.rule, (v) => change("rule", (r) => { r[k] = { rule: v }; }),
        { "aria-label": `Rule ${k + 1}` });
      const to = (by) => {
        if (k + by < 0 || k + by >= now.length) return;
        change("reorder rules", (r) => move(r, k, k + by));
        document.getElementById(`voice-${n}-rule-${k + by}`)?.focus();
        tell(`Rule moved to position ${k + by + 1}`);
      };
      return h("li.rule", { "data-place": place, onkeydown: moving(to) },
        h("div.head", {}, select,
          button("↑", "Earlier", `Rule ${k + 1} earlier`, () => to(-1), { disabled: k === 0 }),
          button("↓", "Later", `Rule ${k + 1} later`, () => to(1), { disabled: k === now.length - 1 }),
          button("×", "Remove", `Remove rule ${k + 1}`, () => change("remove rule", (r) => r.splice(k, 1)))),
        about,
        h("div.sub", {}, settings(tables.rules.find((r) => r.name === rule.rule)?.fields ?? [], place, rule,
          (key, v) => change(key, (r) => put(r[k], key, v), `voice.${n}.rhythm.${k}.${key}`))));
    };
    const id = `voice-${n}-add-rule`;
    return h("div.block", {},
      h("div.field", {}, h("label", { htmlFor: id }, own.rhythm.label), h("p.help", {}, own.rhythm.help)),
      h("ol.rules", {}, now.map(item)),
      h("select", { id, value: "", onchange: (e) => {
        const { value } = e.target;
        e.target.value = "";
        if (value) change("add rule", (r) => r.push({ rule: value }));
      } }, h("option", { value: "" }, "add a rule"), tables.rules.map((r) => h("option", { value: r.name }, words(r.name)))));
  }

  /** A slider of a voice's strip in the mixer; a double click sets it back. */
  const knob = (n, key, label, range, value, say, give) => h("label.knob", { "data-place": `music.voice[${n}].${key}` },
    h("span", {}, label),
    h("input", { type: "range", ...range, value, "data-strip": key, "aria-label": `${label} of voice ${n + 1}`, "aria-valuetext": say(value),
      title: "Double click: as without a setting", ondblclick: () => give(key, undefined), oninput: (e) => give(key, Number(e.target.value)) }),
    h("output", {}, say(value)));

  const Voice = memo(({ voice, n, count, open, fact, muted, alone, quiet }) => {
    const give = (key, v) => edit(n, key, (x) => put(x, key, v), `voice.${n}.${key}`);
    const some = (test) => settings(plain.filter((f) => !STRIP.has(f.key) && test(f)), `music.voice[${n}]`, voice, give);
    const name = { type: "text", value: voice.name ?? "", maxLength: 60, "aria-label": `Name of voice ${n + 1}`,
      placeholder: `voice ${n + 1}`, spellcheck: false, onchange: (e) => edit(n, "name", (x) => { x.name = e.target.value.trim(); }) };
    const isDrum = voice.drum !== undefined && voice.drum !== null && !Array.isArray(voice.drum);
    const more = some((f) => !NEAR.has(f.key));
    return h("li.voice", { "data-voice": n, class: quiet ? "is-muted" : "", style: { "--voice": `var(--voice-${n % 8})` },
      onkeydown: moving((by) => shift(n, by)) },
    h("div.voice-head", {}, h("span.dot", { "aria-hidden": "true" }), h("input.voice-name", name),
      button("×", "Remove", `Remove voice ${n + 1}`, () => remove(n))),
    h("div.voice-head", {},
      button("Mute", "Mute", `Mute voice ${n + 1}`, () => mute(n), { class: "mute", "aria-pressed": muted }),
      button("Solo", "Hear only this voice", `Solo voice ${n + 1}`, () => solo.toggle(n), { class: "solo", "aria-pressed": alone }),
      button("↑", "Up", `Voice ${n + 1} up`, () => shift(n, -1), { disabled: n === 0 }),
      button("↓", "Down", `Voice ${n + 1} down`, () => shift(n, 1), { disabled: n === count - 1 }),
      h("p.fact", {}, fact)),
    h("div.strip", {}, knob(n, "volume", "Level", { min: 0, max: 127, step: 1 }, voice.volume ?? LEVEL, String, give),
      knob(n, "pan", "Pan", { min: -1, max: 1, step: 0.05 }, voice.pan ?? 0, sideOf, give),
      h("span.meter", { "aria-hidden": "true" }, h("i", {}))),
    h("details", { open }, h("summary", {}, "Edit this voice"),
      h("div.inside", {},
        h("div.field", { "data-place": `music.voice[${n}].source` }, h("label", { htmlFor: `voice-${n}-source` }, own.source.label),
          chooser(`voice-${n}-source`, tables.sources, voice.source ?? "ones", (v) => edit(n, "source", (x) => { x.source = v; }))),
        instrument(n, voice), !isDrum && scheme(n, voice), rules(n, voice), h("div.sub", {}, some((f) => NEAR.has(f.key))),
        more.length > 0 && fold("More", h("div.sub", {}, more)))));
  });

  const sync = area(room, () => {
    const all = voices();
    while (ids.length < all.length) ids.push(next++);
    ids.length = all.length;
    return [
      h("p.help", {}, "Each voice plays some positions of the disc. Files leave out muted voices, and hold only those on solo."),
      equal.view(),
      h("ol.voices", {}, all.map((voice, n) => {
        const { notes, range } = store.show?.voices[n] ?? {};
        const muted = store.document.muted.includes(n);
        return h(Voice, { key: ids[n], voice, n, count: all.length, open: ids[n] === 0, muted, alone: solo.has(n),
          quiet: muted || (solo.size > 0 && !solo.has(n)),
          fact: notes ? `${notes.toLocaleString("en")} notes, ${range}` : notes === 0 ? "no notes" : "" });
      })),
      h("button.main", { type: "button", id: "add-voice", onclick: addVoice }, "Add a voice"),
    ];
  });

  return {
    /** Show how loud the voices are now. */
    meter() {
      if (room.hidden) return;
      room.querySelectorAll(".meter > i").forEach((bar, n) => {
        const loud = sound.playing ? sound.mixer.level(n) : 0;
        if (loud !== part[n]) bar.style.scale = `${loud} 1`;
        part[n] = loud;
      });
    },
    sync() {
      equal.sync();
      sync();
    },
    setShow: sync,
  };
}
