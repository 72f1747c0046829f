// The panel of the voices: add, mute, solo, reorder; source, instrument, scheme and rules of each.

import { chooser, h, uid, words } from "./dom.js";
import { equalLoudness } from "./equal.js";
import { fields } from "./fields.js";

const DEFAULT_PROGRAM = "acoustic grand piano";
const asScheme = (p) => (typeof p === "string" ? { scheme: p } : p ?? { scheme: "row-ladder" });
const asRule = (r) => (typeof r === "string" ? { rule: r } : r);
const sideOf = (x) => (Math.abs(x) < 0.01 ? "middle" : `${Math.round(Math.abs(x) * 100)} % ${x < 0 ? "left" : "right"}`);
const asRules = (r) => (typeof r === "string" ? [r] : r ?? []).map(asRule);

function move(list, from, to) {
  const [one] = list.splice(from, 1);
  list.splice(to, 0, one);
}

/** `sound` is what the meters follow. */
export function voicesPanel(panel, store, tables, solo, sound, tell) {
  const list = h("ol.voices", {});
  const add = h("button.main", { type: "button", id: "add-voice", onclick: addVoice }, "Add a voice");
  const equal = equalLoudness(store, sound);
  panel.append(h("p.help", {}, "Each voice plays some positions of the disc. Files leave out muted voices, and hold only those on solo."),
    equal.element, list, add);
  let built = "";
  let cards = [];
  let order = null; // the previous index of each voice, after a move

  const voices = () => store.setup.music?.voice ?? [];
  const own = Object.fromEntries(tables.sections.voice.map((f) => [f.key, f]));
  const plain = tables.sections.voice.filter((f) => !f.control && f.key !== "name");
  const LEVEL = 100; // what a MIDI channel has until it is told otherwise (General MIDI)
  const near = new Set(["velocity", "octave"]);
  const strip = new Set(["volume", "pan"]);

  function edit(n, why, mutate, join = null) {
    store.change(why, (d) => {
      d.setup.music ??= {};
      d.setup.music.voice ??= [];
      mutate(d.setup.music.voice[n], d);
    }, join);
  }

  function addVoice() {
    store.change("add voice", (d) => {
      d.setup.music ??= {};
      d.setup.music.voice ??= [];
      d.setup.music.voice.push({
        name: `voice ${d.setup.music.voice.length + 1}`, source: "ones", program: "celesta",
        pitch: { scheme: "place" }, rhythm: ["joined"], velocity: 80,
      });
    });
    list.lastElementChild?.querySelector("input")?.focus();
    tell("Voice added");
  }

  function remove(n) {
    const name = voices()[n].name || `voice ${n + 1}`;
    order = voices().map((_, k) => k).filter((k) => k !== n);
    solo.renumber((m) => (m === n ? null : m > n ? m - 1 : m));
    store.change("remove voice", (d) => {
      d.setup.music.voice.splice(n, 1);
      d.muted = d.muted.filter((m) => m !== n).map((m) => (m > n ? m - 1 : m));
    });
    (list.children[Math.min(n, list.children.length - 1)]?.querySelector("input") ?? add).focus();
    tell(`Removed ${name}`);
  }

  function shift(n, by) {
    const to = n + by;
    if (to < 0 || to >= voices().length) return;
    order = voices().map((_, k) => k);
    move(order, n, to);
    solo.renumber((m) => order.indexOf(m));
    store.change("reorder voices", (d) => {
      const flags = d.setup.music.voice.map((_, k) => d.muted.includes(k));
      move(d.setup.music.voice, n, to);
      move(flags, n, to);
      d.muted = flags.flatMap((f, k) => (f ? [k] : []));
    });
    list.children[to]?.querySelector(".voice-name")?.focus();
    tell(`Moved to position ${to + 1}`);
  }

  function mute(n) {
    store.change("mute", (d) => {
      d.muted = d.muted.includes(n) ? d.muted.filter((m) => m !== n) : [...d.muted, n].sort((a, b) => a - b);
    });
  }

  function instrument(n, voice) {
    const families = tables.families.map((name, k) => ({
      group: name,
      rows: tables.programs.slice(k * 8, k * 8 + 8).map((p) => ({ name: p, label: p })),
    }));
    const name = typeof voice.program === "number" ? tables.programs[voice.program - 1] : voice.program;
    const program = chooser(families, name ?? DEFAULT_PROGRAM, (v) => edit(n, "program", (x) => { x.program = v; }));
    // with several drums, the pitch scheme selects among them
    const drums = tables.drums.map((d) => ({ name: d.name, label: d.name }));
    const drumName = (d) => (Array.isArray(d) ? d.map(drumName).join(", ")
      : typeof d === "number" ? tables.drums.find((x) => x.note === d)?.name ?? String(d) : d);
    const drum = chooser(drums, drumName(voice.drum) ?? "side stick", (v) => edit(n, "drum", (x) => {
      x.drum = v.includes(", ") ? v.split(", ") : v;
    }));
    const kind = uid("kind");
    const radio = (value, label, on) => {
      const input = h("input", { type: "radio", name: kind, value, checked: on, onchange: () => {
        edit(n, "tones or drum", (x) => {
          if (value === "drum") x.drum = "side stick";
          else delete x.drum;
        });
      } });
      return h("label.pill", {}, input, h("span", {}, label));
    };
    const isDrum = voice.drum !== undefined && voice.drum !== null;
    const which = isDrum ? drum : program;
    return {
      isDrum,
      element: h("div.field", { "data-place": `music.voice[${n}].${isDrum ? "drum" : "program"}` },
        h("div.head", {}, h("label", { htmlFor: which.select.id }, isDrum ? own.drum.label : own.program.label),
          h("div.pills.small", { role: "radiogroup", "aria-label": "Pitched or drum" },
            radio("tones", "pitched", !isDrum), radio("drum", "drum", isDrum))),
        which.select, which.about,
        h("p.help", {}, isDrum ? own.drum.help : own.program.help)),
      sync: (v) => {
        if (isDrum) drum.sync(drumName(v.drum));
        else program.sync(typeof v.program === "number" ? tables.programs[v.program - 1] : v.program ?? DEFAULT_PROGRAM);
      },
    };
  }

  function scheme(n, voice) {
    const now = asScheme(voice.pitch);
    const row = tables.schemes.find((s) => s.name === now.scheme);
    const pick = chooser(tables.schemes, now.scheme, (v) => edit(n, "scheme", (x) => {
      // keep the settings that the new scheme has too
      const old = asScheme(x.pitch);
      const fresh = tables.schemes.find((s) => s.name === v).fields;
      x.pitch = { scheme: v };
      for (const f of fresh) {
        if (!(f.key in old) || f.kind === "choice") continue;
        if (f.max !== undefined && old[f.key] > f.max) continue;
        x.pitch[f.key] = old[f.key];
      }
    }));
    const give = (key, v) => edit(n, key, (x) => {
      x.pitch = { ...asScheme(x.pitch) };
      if (v === undefined) delete x.pitch[key];
      else x.pitch[key] = v;
    }, `voice.${n}.pitch.${key}`);
    const own0 = (row?.fields ?? []).filter((f) => !tables.shared.includes(f.key));
    const all = (row?.fields ?? []).filter((f) => tables.shared.includes(f.key));
    const rest = fields(own0, `music.voice[${n}].pitch`, give);
    const range = fields(all, `music.voice[${n}].pitch`, give);
    return {
      element: h("div.block", { "data-place": `music.voice[${n}].pitch` },
        h("div.field", {}, h("label", { htmlFor: pick.select.id }, own.pitch.label), pick.select, pick.about),
        h("div.sub", {}, rest.elements),
        all.length ? h("details.more", {}, h("summary", {}, "Range and voice leading"), h("div.sub", {}, range.elements)) : null),
      sync: (v) => {
        rest.sync(asScheme(v.pitch));
        range.sync(asScheme(v.pitch));
      },
    };
  }

  function rules(n, voice) {
    const now = asRules(voice.rhythm);
    const change = (why, mutate, join = null) => edit(n, why, (x) => {
      const next = asRules(x.rhythm).map((r) => ({ ...r }));
      mutate(next);
      x.rhythm = next.map((r) => (Object.keys(r).length === 1 ? r.rule : r));
    }, join);
    const syncs = [];
    const items = now.map((rule, k) => {
      const row = tables.rules.find((r) => r.name === rule.rule);
      const pick = chooser(tables.rules, rule.rule, (v) => change("rule", (r) => { r[k] = { rule: v }; }),
        { "aria-label": `Rule ${k + 1}` });
      const rest = fields(row?.fields ?? [], `music.voice[${n}].rhythm[${k}]`, (key, v) => change(key, (r) => {
        if (v === undefined) delete r[k][key];
        else r[k][key] = v;
      }, `voice.${n}.rhythm.${k}.${key}`));
      syncs.push((v) => rest.sync(asRules(v.rhythm)[k]));
      const to = (by) => {
        if (k + by < 0 || k + by >= now.length) return;
        change("reorder rules", (r) => move(r, k, k + by));
        list.children[n]?.querySelectorAll(".rule select")[k + by]?.focus();
        tell(`Rule moved to position ${k + by + 1}`);
      };
      const item = h("li.rule", { "data-place": `music.voice[${n}].rhythm[${k}]` },
        h("div.head", {}, pick.select,
          h("button.icon", { type: "button", title: "Earlier", "aria-label": `Rule ${k + 1} earlier`, disabled: k === 0, onclick: () => to(-1) }, "↑"),
          h("button.icon", { type: "button", title: "Later", "aria-label": `Rule ${k + 1} later`, disabled: k === now.length - 1, onclick: () => to(1) }, "↓"),
          h("button.icon", { type: "button", title: "Remove", "aria-label": `Remove rule ${k + 1}`, onclick: () => change("remove rule", (r) => r.splice(k, 1)) }, "×")),
        pick.about, h("div.sub", {}, rest.elements));
      item.addEventListener("keydown", (e) => {
        if (e.altKey && (e.key === "ArrowUp" || e.key === "ArrowDown")) {
          e.preventDefault();
          e.stopPropagation();
          to(e.key === "ArrowUp" ? -1 : 1);
        }
      });
      return item;
    });
    const addId = uid("add-rule");
    const add = h("select", { id: addId, onchange: () => {
      if (add.value) change("add rule", (r) => r.push({ rule: add.value }));
    } }, h("option", { value: "" }, "add a rule"), tables.rules.map((r) => h("option", { value: r.name }, words(r.name))));
    return {
      element: h("div.block", {},
        h("div.field", {}, h("label", { htmlFor: addId }, own.rhythm.label), h("p.help", {}, own.rhythm.help)),
        h("ol.rules", {}, items), add),
      sync: (v) => syncs.forEach((s) => s(v)),
    };
  }

  /** A slider of a voice's strip in the mixer; a double click sets it back. */
  function slider(n, key, label, range, plain0, say, give) {
    const out = h("output", {});
    const input = h("input", { type: "range", ...range, "data-strip": key, "aria-label": `${label} of voice ${n + 1}`,
      title: "Double click: as without a setting", ondblclick: () => give(key, undefined) });
    const show = (v) => {
      out.textContent = say(v);
      input.setAttribute("aria-valuetext", say(v));
    };
    input.addEventListener("input", () => {
      show(Number(input.value));
      give(key, Number(input.value));
    });
    return {
      element: h("label.knob", { "data-place": `music.voice[${n}].${key}` }, h("span", {}, label), input, out),
      sync(v) {
        input.value = v ?? plain0;
        show(v ?? plain0);
      },
    };
  }

  /** The open sections of a voice, by their titles. */
  const opened = (c) => new Set([...c?.item.querySelectorAll("details[open] > summary") ?? []].map((s) => s.textContent));

  function card(voice, n, open) {
    const name = h("input.voice-name", { type: "text", value: voice.name ?? "", maxLength: 60,
      "aria-label": `Name of voice ${n + 1}`, placeholder: `voice ${n + 1}`, spellcheck: false,
      onchange: () => edit(n, "name", (x) => { x.name = name.value.trim(); }) });
    const muted = h("button.icon.mute", { type: "button", "aria-pressed": "false", title: "Mute", "aria-label": `Mute voice ${n + 1}`, onclick: () => mute(n) }, "Mute");
    const alone = h("button.icon.solo", { type: "button", "aria-pressed": "false", title: "Hear only this voice", "aria-label": `Solo voice ${n + 1}`, onclick: () => solo.toggle(n) }, "Solo");
    const fact = h("p.fact", {});
    const source = chooser(tables.sources, voice.source ?? "ones", (v) => edit(n, "source", (x) => { x.source = v; }));
    const inst = instrument(n, voice);
    const sch = inst.isDrum && !Array.isArray(voice.drum) ? null : scheme(n, voice);
    const rul = rules(n, voice);
    const give = (key, v) => edit(n, key, (x) => {
      if (v === undefined) delete x[key];
      else x[key] = v;
    }, `voice.${n}.${key}`);
    const level = slider(n, "volume", "Level", { min: 0, max: 127, step: 1 }, LEVEL, String, give);
    const side = slider(n, "pan", "Pan", { min: -1, max: 1, step: 0.05 }, 0, sideOf, give);
    const meter = h("span.meter", { "aria-hidden": "true" }, h("i", {}));
    const first = fields(plain.filter((f) => near.has(f.key)), `music.voice[${n}]`, give);
    const more = fields(plain.filter((f) => !near.has(f.key) && !strip.has(f.key)), `music.voice[${n}]`, give);
    const item = h("li.voice", { "data-voice": n },
      h("div.voice-head", {}, h("span.dot", { "aria-hidden": "true" }), name,
        h("button.icon", { type: "button", "aria-label": `Remove voice ${n + 1}`, title: "Remove", onclick: () => remove(n) }, "×")),
      h("div.voice-head", {}, muted, alone,
        h("button.icon", { type: "button", "aria-label": `Voice ${n + 1} up`, title: "Up", disabled: n === 0, onclick: () => shift(n, -1) }, "↑"),
        h("button.icon", { type: "button", "aria-label": `Voice ${n + 1} down`, title: "Down", disabled: n === voices().length - 1, onclick: () => shift(n, 1) }, "↓"),
        fact),
      h("div.strip", {}, level.element, side.element, meter),
      h("details", {},
        h("summary", {}, "Edit this voice"),
        h("div.inside", {},
          h("div.field", { "data-place": `music.voice[${n}].source` },
            h("label", { htmlFor: source.select.id }, own.source.label), source.select, source.about),
          inst.element, sch?.element, rul.element,
          h("div.sub", {}, first.elements),
          more.elements.length ? h("details.more", {}, h("summary", {}, "More"), h("div.sub", {}, more.elements)) : null)));
    for (const d of item.querySelectorAll("details")) d.open = open.has(d.firstElementChild.textContent);
    item.style.setProperty("--voice", `var(--voice-${n % 8})`);
    item.addEventListener("keydown", (e) => {
      if (e.altKey && (e.key === "ArrowUp" || e.key === "ArrowDown")) {
        e.preventDefault();
        shift(n, e.key === "ArrowUp" ? -1 : 1);
      }
    });
    return {
      item,
      fact,
      bar: meter.firstChild,
      sync(v) {
        if (document.activeElement !== name) name.value = v.name ?? "";
        source.sync(v.source ?? "ones");
        inst.sync(v);
        sch?.sync(v);
        rul.sync(v);
        level.sync(v.volume);
        side.sync(v.pan);
        first.sync(v);
        more.sync(v);
        const off = store.document.muted.includes(n);
        muted.setAttribute("aria-pressed", String(off));
        alone.setAttribute("aria-pressed", String(solo.has(n)));
        item.classList.toggle("is-muted", off || (solo.size > 0 && !solo.has(n)));
      },
    };
  }

  /** The settings that decide which controls are shown. */
  const structure = () => JSON.stringify(voices().map((v) => [
    asScheme(v.pitch).scheme, asRules(v.rhythm).map((r) => r.rule), Array.isArray(v.drum) ? "drums" : v.drum !== undefined && v.drum !== null,
  ]));

  return {
    /** Show how loud the voices are now. */
    meter() {
      if (panel.hidden) return;
      cards.forEach((c, n) => {
        const part = sound.playing ? sound.mixer.level(n) : 0;
        if (part !== c.part) c.bar.style.scale = `${part} 1`;
        c.part = part;
      });
    },
    sync() {
      equal.sync();
      const now = structure();
      if (now !== built) {
        built = now;
        const focus = document.activeElement?.closest?.("[data-place]")?.dataset.place;
        const open = (order ?? cards.map((_, k) => k)).map((k) => opened(cards[k]));
        if (!cards.length) open.push(new Set(["Edit this voice"]));
        cards = voices().map((v, n) => card(v, n, open[n] ?? new Set()));
        list.replaceChildren(...cards.map((c) => c.item));
        if (focus) {
          list.querySelector(`[data-place="${CSS.escape(focus)}"]`)?.querySelector("select, input, button")?.focus();
        }
      }
      order = null;
      cards.forEach((c, n) => c.sync(voices()[n]));
    },
    setShow(show) {
      cards.forEach((c, n) => {
        const v = show.voices[n];
        if (v) c.fact.textContent = v.notes ? `${v.notes.toLocaleString("en")} notes, ${v.range}` : "no notes";
      });
    },
  };
}
