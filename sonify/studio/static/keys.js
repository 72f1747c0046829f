// The keyboard shortcuts of the page.

const WRITING = "input:not([type=range], [type=radio], [type=checkbox], [type=color]), textarea";
const OWN_SPACE = "select, summary, input[type=radio], input[type=checkbox]";

/** `acts` has a function for each shortcut; `area` gets a number counted from 0. */
export function wireKeys(acts) {
  let byPointer = false;
  document.addEventListener("pointerdown", () => { byPointer = true; }, { capture: true });
  const space = (e) => {
    // controls that only Space can change keep it if Tab led to them
    if (!byPointer && e.target.closest?.(OWN_SPACE)) return;
    e.preventDefault();
    if (!e.repeat) acts.toggle();
  };
  const plain = { l: acts.large, f: acts.fullScreen, h: acts.explain, t: acts.tap, a: () => acts.choose("a"), b: () => acts.choose("b"), "?": acts.help };
  const control = { y: acts.redo, s: acts.save, k: acts.palette };
  document.addEventListener("keydown", (e) => {
    if (e.key === "Tab") byPointer = false;
    if (document.querySelector("dialog[open]")) return;
    const writing = e.target.closest?.(WRITING);
    const key = e.key.toLowerCase();
    if (e.ctrlKey || e.metaKey) {
      const act = key === "z" ? (e.shiftKey ? acts.redo : acts.undo) : control[key];
      if (!act || e.altKey || (writing && key !== "s" && key !== "k")) return;
      e.preventDefault();
      act();
    } else if (writing || e.altKey) {
      return;
    } else if (key === " ") {
      space(e);
    } else if (/^[1-9]$/.test(key)) {
      acts.area(Number(key) - 1);
    } else if (plain[key] && !e.target.closest?.("select")) {
      plain[key]();
    }
  });
  // a button that Space would press as well
  document.addEventListener("keyup", (e) => {
    if (e.key === " " && e.target.closest?.("button, a")) e.preventDefault();
  });
}
