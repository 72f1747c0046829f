// The files that are made, and those that were.

import { cancelJob, getJson, postJson } from "./api.js";
import { tell } from "./messages.js";
import { size } from "./text.js";
import { h } from "./view.js";

const POLL_MS = 250;
const KEEP_MS = 5000; // the server keeps a file as long as the page asks for it

/** Makes files, several at a time; `redraw` shows them. */
export class Making {
  constructor(redraw) {
    this.redraw = redraw;
    this.files = [];
  }

  /** Make a file; gives its size, or null. `spec` is what the server takes. */
  async start(spec, label) {
    const file = { key: this.files.length, what: spec.what, label, said: "Making the file…", name: "the file", progress: undefined, going: true };
    this.files.unshift(file);
    this.redraw();
    try {
      let job = await postJson("api/jobs", spec);
      Object.assign(file, { id: job.id, name: job.name });
      if (!file.going) cancelJob(job.id);
      while (file.going && (job.state === "waiting" || job.state === "working")) {
        this.redraw();
        await new Promise((done) => setTimeout(done, POLL_MS));
        if (file.going) job = await getJson(`api/jobs/${job.id}`);
        file.progress = job.progress ?? undefined;
        if (job.state === "waiting") file.said = "Waiting for other files…";
      }
      if (!file.going) return null;
      if (job.state === "failed") throw new Error(job.error);
      file.link = `api/jobs/${job.id}/file`;
      file.notes = [...(job.notes ?? []), ...(job.cautions ?? [])];
      this.end(file, ` ${size(job.size)}`);
      Object.assign(document.createElement("a"), { href: file.link, download: job.name }).click();
      tell(`Made ${job.name}`);
      this.hold(file);
      return job.size;
    } catch (e) {
      if (file.going) this.end(file, e.message);
      return null;
    }
  }

  end(file, said) {
    Object.assign(file, { said, going: false });
    const focused = document.activeElement?.closest(`#file-${file.key}`);
    this.redraw();
    if (focused) document.getElementById("make").focus();
  }

  /** Keep a file's link alive as long as it is on the page. */
  async hold(file) {
    try {
      for (;;) {
        await new Promise((done) => setTimeout(done, KEEP_MS));
        await getJson(`api/jobs/${file.id}`);
      }
    } catch {
      file.link = null;
      file.said = ": no longer kept; make it again";
      this.redraw();
    }
  }

  view() {
    return h("ol.made", { "aria-label": "Files" }, this.files.map((file) => h("li.file", { key: file.key, id: `file-${file.key}`, "data-what": file.what },
      h("strong", {}, file.label),
      h("p.fact", { role: "status" }, file.notes && h("a", { href: file.link, download: file.name }, file.name), file.said,
        file.notes?.map((text) => h("span.note", {}, text))),
      file.going && [h("progress", { max: 1, value: file.progress, "aria-label": `Progress of ${file.name}` }),
        h("button", { type: "button", "aria-label": `Cancel ${file.name}`, onclick: () => {
          if (file.id) cancelJob(file.id);
          this.end(file, "Cancelled");
        } }, "Cancel")])));
  }
}
