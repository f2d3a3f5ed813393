import { ask, base, complain, data, follow, make, say } from "./common.js";

const fit = document.getElementById("fit"), shoes = document.getElementById("shoes");

shoes.addEventListener("change", async (event) => {
  try { await ask("PUT", `${base}/shoe`, { shoe: event.target.value }); say(event.target.value ? "Chosen." : "Planned on a flat bed."); } catch (error) { complain(error); }
});

/** A bar from far too tight to far too loose: the band that fits, and where this foot is. */
function gauge(s) {
  const bar = make("span", "gauge"), low = Math.min(-8, s.least - 6), high = Math.max(20, (s.most ?? s.least + 10) + 6);
  const at = (v) => `${100 * (Math.min(high, Math.max(low, v)) - low) / (high - low)}%`;
  const band = make("i"), mark = make("b");
  band.style.left = at(s.least);
  band.style.right = `calc(100% - ${at(s.most ?? high)})`;
  mark.style.left = at(s.room);
  bar.append(band, mark);
  bar.setAttribute("aria-hidden", "true");
  return bar;
}

function ranked(found) {
  fit.textContent = found.ranked.some((r) => r.fits) ? "Ranked for these feet, best first. The bar shows the room against the band that fits." : "None of these shoes is known to fit these feet; the nearest stands first.";
  for (const row of [...found.ranked].reverse()) {
    const card = [...shoes.querySelectorAll(".shoe")].find((c) => c.dataset.file === row.file);
    if (!card) continue;
    const verdict = card.querySelector(".verdict");
    verdict.textContent = row.verdict;
    verdict.className = `verdict ${row.fits ? (row.known ? "good" : "warn") : "stop"}`;
    const place = card.querySelector(".stations");
    place.replaceChildren();
    for (const foot of row.feet) {
      for (const s of foot.stations) {
        if (s.room === null) continue;
        const word = make("span", s.word === "tight" ? "verdict stop" : "", `${s.room.toFixed(1)}${s.sd === null ? "" : ` ± ${s.sd.toFixed(1)}`} mm, ${s.word}`);
        place.append(make("span", "", `${foot.side} ${s.name}`), gauge(s), word);
      }
    }
    const more = make("details"), list = make("ul");
    more.append(make("summary", "", "Why"), list);
    for (const reason of row.reasons) list.append(make("li", "", reason));
    place.after(more);
    shoes.prepend(card);
  }
}

if (Object.keys(data.draft.scans).length && shoes.querySelector("[data-file]")) {
  ask("POST", `${base}/fit`).then((job) => follow(job, null)).then(ranked).catch((error) => { fit.textContent = error.message; });
} else if (!shoes.querySelector("[data-file]")) fit.textContent = "";

const told = sessionStorage.getItem("told");
if (told) {
  sessionStorage.removeItem("told");
  say(told);
  shoes.querySelector("input:checked")?.closest(".shoe")?.scrollIntoView({ block: "center" });
}

/** Figures that were typed and not written are lost on another page: the first press only says so. */
let typed = false;
document.getElementById("new").addEventListener("input", () => { typed = true; });
document.addEventListener("click", (event) => {
  if (!typed || !event.target.closest?.("a[href]")) return;
  event.preventDefault();
  typed = false;
  say("The new shoe is not written yet: write it first, or press again to go on without it.", true);
});

document.getElementById("new").addEventListener("submit", async (event) => {
  event.preventDefault();
  const figures = {};
  for (const input of document.querySelectorAll("[data-key]")) if (input.value !== "") figures[input.dataset.key] = Number(input.value);
  try {
    const made = await ask("POST", "/api/shoes", { name: document.getElementById("shoe-name").value, figures, kept: document.getElementById("shoe-kept").checked });
    await ask("PUT", `${base}/shoe`, { shoe: made.file });
    sessionStorage.setItem("told", `${made.name} is written and chosen.`);
    typed = false;
    location.reload();
  } catch (error) { complain(error); }
});
