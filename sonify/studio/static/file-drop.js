// Files dropped anywhere on the page.

/** `sheet` shows what `says()` tells while a file is dragged over the page; `give` gets the file. */
export function wireDrop(sheet, give, says) {
  let depth = 0;
  const files = (e) => e.dataTransfer?.types.includes("Files");
  addEventListener("dragenter", (e) => {
    if (!files(e)) return;
    e.preventDefault();
    depth++;
    sheet.firstElementChild.textContent = says();
    sheet.hidden = false;
  });
  addEventListener("dragover", (e) => { if (files(e)) e.preventDefault(); });
  addEventListener("dragleave", () => {
    depth = Math.max(0, depth - 1);
    if (!depth) sheet.hidden = true;
  });
  addEventListener("drop", (e) => {
    if (!files(e)) return;
    e.preventDefault();
    depth = 0;
    sheet.hidden = true;
    const file = e.dataTransfer.files[0];
    if (file) give(file);
  });
}
