// Ticks of what is done at the bench.
import { ask, complain } from "./common.js";

for (const box of document.querySelectorAll("[data-piece]")) box.addEventListener("change", async () => {
  const { case: rider, folder, piece } = box.dataset;
  try { await ask("PUT", "/api/bench", { case: rider, folder, piece, done: box.checked }); } catch (error) { box.checked = !box.checked; complain(error); return; }
  const group = box.closest(".queue"), left = group.querySelectorAll("input:not(:checked)").length;
  group.classList.toggle("all", !left);
  group.querySelector(".left").textContent = `${left || "nothing"} to do`;
  for (const cell of document.querySelectorAll("[data-left]")) if (cell.dataset.left === folder) {
    cell.textContent = [...document.querySelectorAll("[data-piece]")].filter((b) => b.dataset.folder === folder && !b.checked).length;
  }
});
