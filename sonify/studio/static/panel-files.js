// The files: one form that makes them, and the list of those that were made.

import { cancelJob, getJson, postJson } from "./api.js";
import { h, size, uid, words } from "./dom.js";
import { Draft } from "./draft.js";
import { fields } from "./fields.js";
import { tell } from "./messages.js";
import { versionsList } from "./versions.js";

const POLL_MS = 250;
const KEEP_MS = 5000; // the server keeps a file as long as the page asks for it

const VIDEO = new Set([".mp4", ".webm", ".mov"]);
const EVERYTHING = "everything";
const SLOW = new Set(["clip", "message", "explain"]); // not in the zip file unless they are chosen
const LEARNED = "sonify-costs";
const MEASURED = 1920 * 1080; // pixels of the clips whose costs were measured

const lasts = (s) => (s < 1.5 ? "a second" : s < 100 ? `${s < 10 ? Math.round(s) : 5 * Math.round(s / 5)} s` : `${Math.round(s / 60)} minutes`);

/** `solo` holds the voices that alone are heard; files then hold only these. `sound` knows the part
 * that repeats. */
export function filesPanel(panel, store, tables, solo, sound) {
  const rows = new Map(tables.downloads.map((row) => [row.what, row]));
  let what = tables.downloads[0].what;
  const group = uid("what");
  const kind = h("select", { id: uid("kind"), onchange: () => choose(what, kind.value) });
  const range = h("input", { type: "checkbox", id: uid("range"), onchange: command0 });
  const onlyPart = h("label.check", { htmlFor: range.id }, range, "only the part that repeats");
  const own = {}; // the options that are given
  let pixels = null; // of the picture at hand, as its draft tells
  const drawing = fields(tables.sections.drawn.filter((f) => f.key !== "from" && f.key !== "to"), "drawn", (key, v) => {
    if (v === undefined) delete own[key];
    else own[key] = v;
    command0();
  });
  drawing.sync(own);
  const drawn = h("div.sub", {}, drawing.elements);
  const zipped = tables.downloads.filter((row) => row.what !== EVERYTHING).map((row) => {
    const box = h("input", { type: "checkbox", id: uid("zip"), checked: !SLOW.has(row.what), onchange: estimate0 });
    const suffix = h("select", { "aria-label": `File type of ${row.label}`, onchange: estimate0 }, row.suffixes.map((x) => h("option", { value: x }, x)));
    return { row, box, suffix, element: h("li", {}, h("label.check", { htmlFor: box.id }, box, row.label), suffix) };
  });
  const zip = h("ul.zip", { "aria-label": "In the zip file" }, zipped.map((z) => z.element));
  const estimate = h("p.fact", {});
  const calm = h("input", { type: "checkbox", id: uid("calm"), onchange: command0 });
  const calmer = h("label.check", { htmlFor: calm.id }, calm, "reduce flashing");
  const about = h("p.about", {});
  const picks = tables.downloads.map((row) => {
    const input = h("input", { type: "radio", name: group, value: row.what, onchange: () => choose(row.what) });
    return h("label.kind", { "data-what": row.what }, input, h("span", {}, h("strong", {}, row.label)));
  });
  const make = h("button.main", { type: "button", id: "make", onclick: () => start(what, kind.value) }, "Make");
  const made = h("ol.made", { "aria-label": "Files" });
  const settings = tables.extra.map((name) => {
    const fit = fields(tables.sections[name].filter((f) => f.control !== "skip"), name,
      (key, v) => store.set(`setup.${name}.${key}`, v));
    return { name, fit, element: h("details.more", {}, h("summary", {}, `Settings of the ${words(name)}`),
      h("div.sub", {}, fit.elements)) };
  });
  const alone = h("p.note.care", { hidden: true }, "Only the voices on solo are in the files.");
  const command = h("code", { tabIndex: 0 });
  const note = h("p.help", {});
  const copy = h("button", { type: "button", id: "copy", onclick: async () => {
    try {
      await navigator.clipboard.writeText(command.textContent);
      tell("Command copied");
    } catch {
      getSelection().selectAllChildren(command);
      tell("Command selected; copy it with Ctrl+C");
    }
  } }, "Copy");
  const same = h("div.command", {}, h("h3", {}, "The same as a command"), h("div.row", {}, command, copy), note);
  let show = null;
  let asked = 0;
  let learned = {};
  try { learned = JSON.parse(localStorage.getItem(LEARNED)) ?? {}; } catch { /* begin anew */ }

  function choose(next, suffix = null) {
    what = next;
    const row = rows.get(what);
    kind.replaceChildren(...row.suffixes.map((s) => h("option", { value: s }, s)));
    if (suffix) kind.value = suffix;
    calmer.hidden = !row.calm;
    const every = what === EVERYTHING;
    const takes = (name) => every || row.options.includes(name);
    onlyPart.hidden = !takes("from");
    for (const e of drawing.elements) {
      const key = e.dataset.place.slice("drawn.".length);
      e.hidden = !takes(key) || (what === "draw" && (key === "paper" ? kind.value !== ".pdf" : key === "kerf" && kind.value === ".png"));
    }
    drawn.hidden = drawing.elements.every((e) => e.hidden);
    zip.hidden = !every;
    same.hidden = every;
    about.textContent = `${row.help[0].toUpperCase()}${row.help.slice(1)}.`;
    if (row.caution) about.append(h("span.note.care", {}, row.caution));
    for (const p of picks) p.firstChild.checked = p.dataset.what === what;
    for (const s of settings) s.element.hidden = !row.settings.includes(s.name);
    command0();
  }

  /** The options of the files, as the server takes them. */
  function options() {
    const out = { ...own };
    if (range.checked && Array.isArray(sound.loop)) [out.from, out.to] = sound.loop.map((x) => Math.round(x * 1000) / 1000);
    return out;
  }

  const chosen = () => (what === EVERYTHING ? zipped.filter((z) => z.box.checked).map((z) => [z.row.what, z.suffix.value]) : []);

  /** About how long files take and how large they get: `[s, bytes]`. */
  function costOf(list) {
    let [time, bytes] = [0, 0];
    for (const [of, suffix] of list) {
      const row = rows.get(of);
      const { from, to } = row.options.includes("from") ? options() : {};
      const once = from === undefined ? Math.max(show.durationS, show.soundS) : to - from;
      const length = once * (VIDEO.has(suffix) || of === "sound" ? Math.max(1, own.loop ?? 1) : 1);
      // a lamp picture that is enlarged costs as much as a clip
      const large = of === "clip" || (own.size && row.options.includes("size"));
      const [first, a, size, b] = (large ? rows.get("clip") : row).costs[suffix] ?? [0.5, 0, 5000, 0];
      const share = large && of === what && pixels ? (pixels[0] * pixels[1]) / MEASURED : 1;
      const [each, more] = [a * share, b * share];
      const [slower, larger] = learned[`${of}${suffix}`] ?? [1, 1];
      time += (first + each * length) * slower;
      bytes += (size + more * length) * larger;
    }
    return [time, bytes];
  }
  function estimate0() {
    if (!show) return;
    const list = what === EVERYTHING ? chosen() : [[what, kind.value]];
    const [time, bytes] = costOf(list);
    make.disabled = !list.length;
    estimate.textContent = list.length ? `About ${lasts(time)}, ${size(Math.max(1000, Number(bytes.toPrecision(2))))}` : "Choose at least one file.";
  }
  /** Learn from a file that was made how fast this machine is. */
  function learn(of, suffix, took, bytes) {
    const [time, guess] = costOf([[of, suffix]]);
    const [slower, larger] = learned[`${of}${suffix}`] ?? [1, 1];
    learned[`${of}${suffix}`] = [slower * took / Math.max(time, 0.05), larger * bytes / Math.max(guess, 1)];
    try { localStorage.setItem(LEARNED, JSON.stringify(learned)); } catch { /* then it lasts for this visit */ }
    estimate0();
  }

  const draft = new Draft(() => (show && what !== EVERYTHING && what !== "page"
    ? { document: heard(), what, suffix: kind.value, options: options(), at: Math.round(sound.place() * 10) / 10 } : null), (found) => {
    pixels = found;
    estimate0();
  });

  async function command0() {
    if (!show) return;
    draft.element.hidden = what === EVERYTHING || what === "page";
    draft.change();
    onlyPart.hidden ||= !Array.isArray(sound.loop);
    estimate0();
    if (what === EVERYTHING || panel.hidden) return;
    const turn = ++asked; // answers may come out of order
    try {
      const told = await postJson("api/command", { document: heard(), what, suffix: kind.value, calm: calm.checked, options: options() });
      if (turn !== asked) return;
      same.hidden = !told.command;
      command.textContent = told.command;
      note.textContent = told.needs.length
        ? `The command reads ${told.needs.join(" and ")}: make ${told.needs.length > 1 ? "these files" : "this file"} first.`
        : told.several ? "The command makes the same files, without the zip file." : "The command makes the same file.";
    } catch (e) { note.textContent = e.message; }
  }

  /** The document with the voices muted that a solo silences. */
  function heard() {
    if (!solo.size) return store.document;
    const voices = (store.setup.music?.voice ?? []).map((_, n) => n);
    return { ...store.document, muted: voices.filter((n) => !solo.has(n)) };
  }

  /** Make a file; several can be made at a time. */
  async function start(of, suffix) {
    const document = heard();
    const began = performance.now();
    const items = of === EVERYTHING ? chosen() : [];
    const bar = h("progress", { max: 1, "aria-label": "Progress" });
    const said = h("p.fact", { role: "status" }, "Making the file…");
    let id = null;
    let ended = false;
    const stop = h("button", { type: "button", onclick: () => {
      if (id) cancelJob(id);
      end("Cancelled");
    } }, "Cancel");
    const item = h("li.file", { "data-what": of }, h("strong", {}, rows.get(of).label), said, bar, stop);
    const end = (...text) => {
      ended = true;
      said.replaceChildren(...text);
      if (item.contains(window.document.activeElement)) make.focus();
      bar.remove();
      stop.remove();
    };
    made.prepend(item);
    try {
      let job = await postJson("api/jobs", { document, what: of, suffix, calm: calm.checked && rows.get(of).calm, options: options(), items });
      const { name } = job;
      id = job.id;
      if (ended) cancelJob(id);
      stop.setAttribute("aria-label", `Cancel ${name}`);
      bar.setAttribute("aria-label", `Progress of ${name}`);
      while (!ended && (job.state === "waiting" || job.state === "working")) {
        await new Promise((done) => setTimeout(done, POLL_MS));
        if (!ended) job = await getJson(`api/jobs/${id}`);
        if (job.progress !== null) bar.value = job.progress;
        if (!ended && job.state === "waiting") said.textContent = "Waiting for other files…";
      }
      if (ended) return;
      if (job.state === "failed") throw new Error(job.error);
      const link = h("a", { href: `api/jobs/${id}/file`, download: name }, name);
      const more = [...(job.notes ?? []), ...(job.cautions ?? [])].map((t) => h("span.note", {}, t));
      end(link, ` ${size(job.size)}`, ...more);
      link.click();
      tell(`Made ${name}`);
      if (of !== EVERYTHING) learn(of, suffix, (performance.now() - began) / 1000, job.size);
      hold(id, link);
    } catch (e) {
      if (!ended) end(e.message);
    }
  }

  /** Keep a file's link alive as long as it is on the page. */
  async function hold(id, link) {
    try {
      while (link.isConnected) {
        await new Promise((done) => setTimeout(done, KEEP_MS));
        await getJson(`api/jobs/${id}`);
      }
    } catch {
      link.removeAttribute("href");
    }
  }

  panel.append(
    h("div.kinds", { role: "radiogroup", "aria-label": "What to make" }, picks),
    h("div.making", {}, about,
      h("div.row", {}, h("label", { htmlFor: kind.id }, "File type"), kind, make, estimate), zip, calmer, onlyPart, alone, drawn, draft.element,
      ...settings.map((s) => s.element), made),
    same, versionsList(store));
  choose(what);
  sound.addEventListener("loop", () => choose(what, kind.value));
  panel.addEventListener("open", command0);

  return {
    make(next, suffix) {
      choose(next, suffix);
      start(next, suffix);
    },
    sync() {
      for (const s of settings) s.fit.sync(store.setup[s.name]);
      if (alone.hidden === solo.size > 0) command0();
      alone.hidden = !solo.size;
    },
    setShow(next) {
      show = next;
      command0();
    },
  };
}
