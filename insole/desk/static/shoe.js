import { ask, base, complain, data, follow, inTurn, make, rail, refuse, say } from "./common.js";

const fit = document.getElementById("fit"), shoes = document.getElementById("shoes");

shoes.addEventListener("change", async (event) => {
  try { await inTurn(() => ask("PUT", `${base}/shoe`, { shoe: event.target.value })); say(event.target.value ? "Chosen." : "Planned on a flat bed."); rail(); } catch (error) { complain(error); }
});

const written = sessionStorage.getItem("told");
if (written) { // it stands first until the shoes are ranked, and is said to be chosen
  sessionStorage.removeItem("told");
  const note = make("p", "note good", written), card = shoes.querySelector("input:checked")?.closest(".shoe");
  note.setAttribute("role", "status");
  fit.before(note);
  if (card) shoes.prepend(card);
}

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
  fit.textContent = found.ranked.some((r) => r.fits) ? "Best first, below the chosen one. Bar: the green fits, the mark is this foot; below 0 shoe and foot give a little." : "No shoe here is known to fit in all; the nearest first, below the chosen one. Bar: the green fits, the mark is this foot.";
  for (const row of [...found.ranked].reverse()) {
    const card = [...shoes.querySelectorAll(".shoe")].find((c) => c.dataset.file === row.file);
    if (!card) continue;
    const verdict = card.querySelector(".verdict");
    verdict.textContent = row.verdict;
    verdict.className = `verdict ${row.fits ? (row.known ? "good" : "warn") : "stop"}`;
    const place = card.querySelector(".stations"), names = [...new Set(row.feet.flatMap((f) => f.stations.filter((s) => s.room !== null).map((s) => s.name)))];
    place.replaceChildren(make("small", "", "room, mm"), ...row.feet.map((foot) => make("b", "", foot.side)));
    place.classList.toggle("both", row.feet.length > 1);
    for (const name of names) {
      place.append(make("span", "", name));
      for (const foot of row.feet) {
        const s = foot.stations.find((one) => one.name === name), cell = make("span", "cell");
        if (s?.room === null || !s) cell.append(make("span", "", "not known"));
        else cell.append(gauge(s), make("span", s.word === "tight" ? "verdict stop" : s.word === "loose" ? "verdict warn" : "", `${s.room.toFixed(1)}${s.sd === null ? "" : ` ± ${s.sd.toFixed(1)}`}, ${s.said}`));
        place.append(cell);
      }
    }
    const missing = [...new Set(row.feet.flatMap((f) => f.stations.filter((s) => s.room === null).map((s) => s.name)))];
    if (missing.length) place.append(make("span", "wide hint", `Not known: ${missing.join(", ")}`));
    const more = make("details"), list = make("ul");
    more.append(make("summary", "", "Why"), list);
    for (const reason of row.reasons) list.append(make("li", "", reason));
    place.after(more);
    shoes.prepend(card);
  }
  const chosen = shoes.querySelector("[data-file] input:checked")?.closest(".shoe");
  if (chosen) shoes.prepend(chosen);
}

if (Object.keys(data.draft.scans).length && shoes.querySelector("[data-file]")) {
  ask("POST", `${base}/fit`).then((job) => follow(job, null)).then(ranked).catch((error) => { fit.textContent = error.message; });
} else if (!shoes.querySelector("[data-file]")) fit.textContent = "";

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
  const figures = {}, wrong = document.getElementById("shoe-wrong");
  wrong.replaceChildren();
  for (const input of event.target.querySelectorAll("[aria-invalid]")) { input.removeAttribute("aria-invalid"); input.removeAttribute("aria-describedby"); }
  for (const input of document.querySelectorAll("[data-key]")) if (input.value !== "") figures[input.dataset.key] = Number(input.value);
  try {
    const made = await ask("POST", "/api/shoes", { name: document.getElementById("shoe-name").value, figures, kept: document.getElementById("shoe-kept").checked });
    await ask("PUT", `${base}/shoe`, { shoe: made.file });
    sessionStorage.setItem("told", `${made.name} is written and chosen.`);
    typed = false;
    location.reload();
  } catch (error) {
    refuse(wrong, error.message);
    const field = error.field && document.querySelector(`[data-key="${error.field}"]`);
    if (!field) return;
    if (field.closest("details")) field.closest("details").open = true;
    field.setAttribute("aria-invalid", "true");
    field.setAttribute("aria-describedby", "shoe-wrong");
    field.focus();
    field.select();
  }
});
