// Ticks of what is done at the bench.
import { ask, complain } from "./common.js";

const boxes = [...document.querySelectorAll("[data-piece]")];
for (const box of boxes) box.addEventListener("change", async () => {
  const { case: rider, folder, piece } = box.dataset;
  try {
    const left = await ask("PUT", "/api/bench", { case: rider, folder, piece, done: box.checked });
    for (const group of document.querySelectorAll("[data-group]")) {
      const n = left.groups[group.dataset.group] ?? 0;
      group.classList.toggle("all", !n);
      group.querySelector(".left").textContent = `${n || "nothing"} to do`;
    }
    for (const cell of document.querySelectorAll("[data-left]")) cell.textContent = left.made[cell.dataset.left] ?? 0;
    for (const one of boxes) one.closest("li").classList.toggle("moot", left.moot[`${one.dataset.folder}/${one.dataset.piece}`] === true);
  } catch (error) { box.checked = !box.checked; complain(error); }
});
