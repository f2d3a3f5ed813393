import { ask, complain, say } from "./common.js";

const number = (id) => Number(document.getElementById(id).value);
document.getElementById("owned").addEventListener("submit", async (event) => {
  event.preventDefault();
  try {
    await ask("PUT", "/api/workshop", {
      bed: [number("bed0"), number("bed1")], sheet: [number("sheet0"), number("sheet1")],
      kerf: number("kerf"), layers: document.getElementById("layers").checked,
      step: document.getElementById("step").checked,
    });
    say("Kept. Parts made from now on follow it.");
  } catch (error) { complain(error); }
});
