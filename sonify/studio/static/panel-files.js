// The files: one form that makes them, and the list of those that were made.

import { postJson } from "./api.js";
import { Draft } from "./draft.js";
import { Estimates, lasts } from "./estimates.js";
import { Making } from "./making.js";
import { tell } from "./messages.js";
import { settings } from "./settings.js";
import { put } from "./store.js";
import { size, words } from "./text.js";
import { lower } from "./timeline.js";
import { versionsList } from "./versions.js";
import { area, check, h, mount } from "./view.js";

const EVERYTHING = "everything";
const SLOW = new Set(["clip", "message", "explain"]); // not in the zip file unless they are chosen

/** `solo` holds the voices that alone are heard; files then hold only these. `sound` knows the part
 * that repeats. */
export function filesPanel(room, store, tables, solo, sound) {
  const rows = new Map(tables.downloads.map((row) => [row.what, row]));
  const estimates = new Estimates(rows);
  const making = new Making(() => sync());
  const versions = versionsList(store, () => sync());
  const zipped = tables.downloads.filter((row) => row.what !== EVERYTHING)
    .map((row) => ({ row, on: !SLOW.has(row.what), suffix: row.suffixes[0] }));
  const own = {}; // the options that are given
  let { what, suffixes: [suffix] } = tables.downloads[0];
  let range = false; // whether only the part that repeats is wanted
  let calm = false;
  let pixels = null; // of the picture at hand, as its draft tells
  let told = { command: "", needs: [] };
  let asked = null; // what the command was asked for

  function choose(next, kind = rows.get(next).suffixes[0]) {
    what = next;
    suffix = kind;
    change();
  }

  const part = () => range && Array.isArray(sound.loop);

  /** The options of the files, as the server takes them. */
  function options() {
    if (!part()) return { ...own };
    const [from, to] = sound.loop.map((x) => Math.round(x * 1000) / 1000);
    const [first, last] = [from + 0.002, to - 0.002].map((t) => Math.max(1, lower(store.show.row_s, t)));
    return { ...own, from, to, rows: `${first}-${last}` };
  }

  const chosen = () => zipped.filter((z) => z.on).map((z) => [z.row.what, z.suffix]);

  function costOf(list) {
    const { durationS, soundS } = store.show ?? { durationS: 0, soundS: 0 };
    return estimates.of(list, Math.max(durationS, soundS), options(), what, pixels);
  }

  /** The document with the voices muted that a solo silences. */
  function heard() {
    if (!solo.size) return store.document;
    const voices = (store.setup.music?.voice ?? []).map((_, n) => n);
    return { ...store.document, muted: voices.filter((n) => !solo.has(n)) };
  }

  const shows = () => what !== EVERYTHING && what !== "page"; // has a draft
  const draft = new Draft(() => (store.show && shows()
    ? { document: heard(), what, suffix, options: options(), at: Math.round(sound.place() * 10) / 10 } : null), (found) => {
    pixels = found;
    sync();
  });

  /** Draw the form, and ask for the command and the draft of what is now wanted. */
  async function change() {
    sync();
    draft.change();
    if (!store.show || room.hidden || what === EVERYTHING) return;
    const spec = JSON.stringify({ document: heard(), what, suffix, calm, options: options() });
    if (spec === asked) return;
    asked = spec;
    let got = { command: "" };
    try {
      got = await postJson("api/command", JSON.parse(spec));
    } catch (e) { got.wrong = e.message; }
    if (spec !== asked) return; // answers may come out of order
    told = got;
    sync();
  }

  async function copy() {
    try {
      await navigator.clipboard.writeText(told.command);
      tell("Command copied");
    } catch {
      getSelection().selectAllChildren(room.querySelector(".command code"));
      tell("Command selected; copy it with Ctrl+C");
    }
  }

  async function start() {
    const [of, kind, began] = [what, suffix, performance.now()];
    const every = of === EVERYTHING;
    const guess = costOf(every ? [] : [[of, kind]]);
    const bytes = await making.start({ document: heard(), what: of, suffix: kind, calm: calm && rows.get(of).calm, options: options(),
      items: every ? chosen() : [] }, rows.get(of).label);
    if (bytes === null || every) return;
    estimates.learn(of, kind, guess, (performance.now() - began) / 1000, bytes);
    sync();
  }

  /** Whether an option makes a difference for the file that is chosen. */
  function takes(key) {
    if (what === EVERYTHING) return true;
    if (!rows.get(what).options.includes(key)) return false;
    if (key === "paper" && what !== "explain") return suffix === ".pdf";
    if (key === "stems-as") return Boolean(own.stems);
    return key !== "kerf" || suffix !== ".png";
  }

  function note() {
    if (told.wrong) return told.wrong;
    const { needs = [] } = told;
    if (needs.length) return `The command reads ${needs.join(" and ")}: make ${needs.length > 1 ? "these files" : "this file"} first.`;
    return told.several ? "The command makes the same files, without the zip file." : "The command makes the same file.";
  }

  const select = (options0, value, more, give) => h("select", { value, ...more, onchange: (e) => { give(e.target.value); change(); } },
    options0.map((s) => h("option", { value: s }, s)));

  const sync = area(room, () => {
    const row = rows.get(what);
    const every = what === EVERYTHING;
    const list = every ? chosen() : [[what, suffix]];
    const [time, bytes] = store.show ? costOf(list) : [0, 0];
    const drawn = tables.sections.drawn.filter((f) => f.key !== "from" && f.key !== "to" && takes(f.key) && !(part() && f.key === "rows"));
    const [few, more] = [drawn.filter((f) => !row.more.includes(f.key)), drawn.filter((f) => row.more.includes(f.key))];
    const ofMusic = tables.sections.music.filter((f) => row.music.includes(f.key));
    const given = (key, v) => {
      put(own, key, v);
      change();
    };
    return [
      h("div.kinds", { role: "radiogroup", "aria-label": "What to make" }, tables.downloads.map((one) => h("label.kind", { "data-what": one.what },
        h("input", { type: "radio", name: "what", value: one.what, checked: one === row, onchange: () => choose(one.what) }), h("span", {}, h("strong", {}, one.label))))),
      h("div.making", {},
        h("p.about", {}, `${row.help[0].toUpperCase()}${row.help.slice(1)}.`, row.caution && h("span.note.care", {}, row.caution)),
        h("div.row", {}, h("label", { htmlFor: "suffix" }, "File type"), select(row.suffixes, suffix, { id: "suffix" }, (v) => { suffix = v; }),
          h("button.main", { type: "button", id: "make", disabled: !list.length, onclick: start }, "Make"),
          h("p.fact", {}, !list.length ? "Choose at least one file." : store.show && `About ${lasts(time)}, ${size(Math.max(1000, Number(bytes.toPrecision(2))))}`)),
        every && h("ul.zip", { "aria-label": "In the zip file" }, zipped.map((z) => h("li", {},
          check(`zip-${z.row.what}`, z.row.label, { checked: z.on, onchange: (e) => { z.on = e.target.checked; change(); } }),
          select(z.row.suffixes, z.suffix, { "aria-label": `File type of ${z.row.label}` }, (v) => { z.suffix = v; })))),
        row.calm && check("calm", "Reduce flashing", { checked: calm, onchange: (e) => { calm = e.target.checked; change(); } }),
        (takes("from") || takes("rows")) && Array.isArray(sound.loop) && check("range", "Only the part that repeats",
          { checked: range, onchange: (e) => { range = e.target.checked; change(); } }),
        solo.size > 0 && h("p.note.care", {}, "Only the voices on solo are in the files."),
        few.length > 0 && h("div.sub", {}, settings(few, "drawn", own, given)),
        more.length + ofMusic.length > 0 && h("details.more", { key: "more" }, h("summary", {}, "More"), h("div.sub", {},
          settings(ofMusic, "file", store.setup.music, (key, v) => store.set(`setup.music.${key}`, v)), settings(more, "drawn", own, given))),
        h("div", { hidden: !shows(), ref: mount(draft.element) }),
        row.settings.map((name) => h("details.more", { key: name }, h("summary", {}, `Settings of the ${words(name)}`),
          h("div.sub", {}, settings(tables.sections[name], name, store.setup[name], (key, v) => store.set(`setup.${name}.${key}`, v))))),
        making.view()),
      !every && told.command && h("div.command", {}, h("h3", {}, "The same as a command"),
        h("div.row", {}, h("code", { tabIndex: 0 }, told.command), h("button", { type: "button", id: "copy", onclick: copy }, "Copy")),
        h("p.help", {}, note())),
      versions(),
    ];
  });
  sound.addEventListener("loop", change);
  room.addEventListener("open", change);

  return {
    make(next, kind) {
      choose(next, kind);
      start();
    },
    sync: change,
    setShow: change,
  };
}
