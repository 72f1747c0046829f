// The panels of the player, the lamps and the downloads.

import { cancelJob, getJson, postJson } from "./api.js";
import { at } from "./store.js";
import { chooser, h, size, uid, words } from "./dom.js";
import { fields } from "./fields.js";

const POLL_MS = 250;

function presetPicker(kind, label, help, tables, music) {
  const rows = tables.presets.filter((p) => p.kind === kind);
  const pick = chooser([{ name: "", label: "custom" }, ...rows], "", (v) => (v ? music.lay(v) : again()));
  let now = "";
  // "custom" can't be chosen: the preset in use is shown again
  const again = () => pick.sync(now);
  return {
    element: h("div.field", {}, h("label", { htmlFor: pick.select.id }, label), pick.select, pick.about,
      h("p.help", {}, help)),
    sync(used) {
      now = used.find((n) => rows.some((r) => r.name === n)) ?? "";
      again();
    },
  };
}

export function playerPanel(panel, store, tables, music) {
  const pick = presetPicker("player", "Player", "A player preset to start from.", tables, music);
  const made = fields(tables.sections.player, "player", (key, v) => store.set(`setup.player.${key}`, v));
  const fact = h("p.fact", {});
  panel.append(pick.element, ...made.elements, fact);
  return {
    sync() {
      pick.sync(store.document.presets);
      made.sync(store.setup.player);
    },
    setShow(show) {
      const turn = show.positionS * show.positions;
      fact.textContent = `One turn takes ${turn.toFixed(2)} s, one position ${(show.positionS * 1000).toFixed(1)} ms. `
        + `Reading the disc takes ${show.readS.toFixed(1)} s.`;
    },
  };
}

export function lampsPanel(panel, store, tables, music) {
  const matrix = tables.sections["player.matrix"].filter((f) => f.control !== "skip" && f.key !== "fill");
  const fill = chooser(tables.fills, "rows", (v) => store.set("setup.player.matrix.fill", v));
  const words0 = tables.sections["player.matrix"].find((f) => f.key === "fill");
  const size0 = fields(matrix, "player.matrix", (key, v) => store.set(`setup.player.matrix.${key}`, v));
  const pick = presetPicker("look", "Look", "A look preset to start from.", tables, music);
  const first = new Set(["lamp", "unlit", "background", "shape", "glow"]);
  const rows = tables.sections.light.filter((f) => f.control !== "skip");
  const give = (key, v) => store.set(`setup.light.${key}`, v);
  const look = fields(rows.filter((f) => first.has(f.key)), "light", give);
  const more = fields(rows.filter((f) => !first.has(f.key)), "light", give);
  panel.append(
    h("div.field", { "data-place": "player.matrix.fill" }, h("label", { htmlFor: fill.select.id }, words0.label),
      fill.select, fill.about, h("p.help", {}, words0.help)),
    ...size0.elements, pick.element, ...look.elements,
    h("details.more", {}, h("summary", {}, "More of the look"), h("div.inside", {}, more.elements)));
  return {
    sync() {
      fill.sync(at(store.setup, "player.matrix.fill") ?? "rows");
      size0.sync(at(store.setup, "player.matrix"));
      pick.sync(store.document.presets);
      look.sync(store.setup.light);
      more.sync(store.setup.light);
    },
    setShow() {},
  };
}

export function downloadsPanel(panel, store, tables, tell) {
  const command = h("code", { tabIndex: 0 });
  const copied = h("button", { type: "button", id: "copy", onclick: async () => {
    try {
      await navigator.clipboard.writeText(command.textContent);
      tell("Command copied");
    } catch {
      getSelection().selectAllChildren(command);
      tell("Command selected; copy it with Ctrl+C");
    }
  } }, "Copy");
  const note = h("p.help", {});
  const cards = tables.downloads.map((row) => {
    const kind = h("select", { "aria-label": `File type of ${row.label}` },
      row.suffixes.map((s) => h("option", { value: s }, s)));
    const make = h("button.main", { type: "button", "data-download": row.what, "aria-label": `Make ${row.label}` }, "Make");
    const bar = h("progress", { max: 1, hidden: true, "aria-label": `Progress of ${row.label}` });
    const stop = h("button", { type: "button", hidden: true, "aria-label": `Cancel ${row.label}` }, "Cancel");
    const said = h("p.fact", { role: "status" });
    const calm = row.calm ? h("input", { type: "checkbox", id: uid("calm") }) : null;
    let running = null; // the run in progress; its `id` follows from the server
    // the server keeps a file as long as the page asks about it; after a minute the link is removed
    const keep = async (id, link) => {
      for (let k = 0; k < 12 && link.isConnected; k++) {
        await new Promise((done) => setTimeout(done, 5000));
        await getJson(`api/jobs/${id}`).catch(() => {});
      }
      link.removeAttribute("href");
      cancelJob(id);
    };
    const idle = () => {
      bar.hidden = true;
      stop.hidden = true;
      make.disabled = false;
    };
    make.addEventListener("click", async () => {
      make.disabled = true;
      stop.hidden = false;
      bar.hidden = false;
      bar.removeAttribute("value");
      said.replaceChildren("Making the file…");
      const mine = running = { id: null };
      try {
        let job = await postJson("api/jobs", { document: store.document, what: row.what, suffix: kind.value, calm: calm?.checked ?? false });
        const { name } = job;
        mine.id = job.id;
        if (running !== mine) cancelJob(job.id);
        while (running === mine && (job.state === "waiting" || job.state === "working")) {
          await new Promise((done) => setTimeout(done, POLL_MS));
          if (running === mine) job = await getJson(`api/jobs/${job.id}`);
          if (job.progress !== null) bar.value = job.progress;
          if (job.state === "waiting") said.textContent = "Waiting for other files…";
        }
        if (running !== mine) return;
        if (job.state === "failed") throw Object.assign(new Error(job.error), { place: job.place });
        const link = h("a", { href: `api/jobs/${job.id}/file`, download: name }, name);
        const more = [...(job.notes ?? []), ...(job.cautions ?? [])].map((t) => h("span.note", {}, t));
        said.replaceChildren(link, ` ${size(job.size)}`, ...more);
        link.click();
        keep(job.id, link);
      } catch (e) {
        if (running === mine) said.textContent = e.message;
      } finally {
        if (running === mine) {
          running = null;
          idle();
        }
      }
    });
    stop.addEventListener("click", () => {
      if (running?.id) cancelJob(running.id);
      running = null;
      said.textContent = "Cancelled";
      idle();
    });
    return h("div.download", { "data-what": row.what }, h("h3", {}, row.label), h("p.help", {}, row.help),
      h("div.row", {}, kind, make, stop),
      calm ? h("label.check", { htmlFor: calm.id }, calm, "reduce flashing") : null, bar, said);
  });
  const extra = tables.extra.map((name) => {
    const made = fields(tables.sections[name].filter((f) => f.control !== "skip"), name,
      (key, v) => store.set(`setup.${name}.${key}`, v));
    return { name, made, element: h("details.more", {}, h("summary", {}, `Settings of the ${words(name)}`),
      h("div.sub", {}, made.elements)) };
  });
  panel.append(
    h("div.downloads", {}, cards),
    ...extra.map((e) => e.element),
    h("div.command", {}, h("h3", {}, "Command"), h("div.row", {}, command, copied), note));
  return {
    sync() { for (const e of extra) e.made.sync(store.setup[e.name]); },
    setShow(show) {
      command.textContent = show.command;
      note.textContent = show.document.shipped
        ? "This command makes the same files."
        : "Download the disc file first: the command reads it.";
    },
  };
}
