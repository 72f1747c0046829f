// The versions of a project that are kept under a name.

import { tell } from "./messages.js";
import { h } from "./view.js";

const when = (time) => (time ? new Date(time).toLocaleString([], { dateStyle: "medium", timeStyle: "short" }) : "from a file");

/** The list of versions, as a view; `redraw` draws it again. */
export function versionsList(store, redraw) {
  const nameBox = () => document.getElementById("version-name");
  let sure = null; // the version that a second press removes

  function keep(e) {
    e.preventDefault();
    const box = nameBox();
    const name = box.value.trim();
    if (!name) {
      box.focus();
      return;
    }
    store.keep(name);
    box.value = "";
    tell(`Kept “${name}”`);
  }
  function remove(name) {
    if (sure !== name) {
      sure = name;
      redraw();
      return;
    }
    store.drop(name);
    nameBox().focus();
    tell(`Removed “${name}”`);
  }
  store.addEventListener("named", redraw);
  return () => {
    const { named } = store;
    return h("details.more.versions", {},
      h("summary", {}, `Versions with a name${named.length ? ` (${named.length})` : ""}`),
      h("div.inside", {},
        h("form.row", { onsubmit: keep },
          h("label", { htmlFor: "version-name" }, "Name"),
          h("input", { type: "text", id: "version-name", maxLength: 60, autocomplete: "off" }),
          h("button", { type: "submit" }, "Keep this version")),
        h("p.help", {}, "Keeps disc and settings as they are now. The browser keeps the versions, and so does the project file."),
        h("ul.made", { "aria-label": "Versions" }, named.map(({ name, time }) => h("li.file", { key: name },
          h("strong", {}, name), h("span.fact", {}, when(time)),
          h("button", { type: "button", "aria-label": `Open ${name}`, onclick: () => {
            store.recall(name);
            tell(`Opened “${name}”`);
          } }, "Open"),
          h("button", { type: "button", "aria-label": sure === name ? `Really remove ${name}` : `Remove ${name}`, onblur: () => {
            sure = null;
            redraw();
          }, onclick: () => remove(name) }, sure === name ? "Really remove" : "Remove"))))));
  };
}
