import { ask, complain, follow, make, refuse, say } from "./common.js";

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

const place = document.getElementById("own-say"), jobs = document.getElementById("jobs");
for (const one of document.querySelectorAll(".ownfile")) {
  const put = async (body) => {
    try { await ask("PUT", `/api/own/${one.dataset.word}`, body); location.reload(); } catch (error) { refuse(place, error.message); }
  };
  one.querySelector("input").addEventListener("change", (event) => { const [file] = event.target.files; event.target.value = ""; if (file) put(file); });
  one.querySelector("[data-usual]")?.addEventListener("click", () => put(new Blob([])));
}

document.getElementById("restore").addEventListener("change", async (event) => {
  const [file] = event.target.files;
  event.target.value = "";
  if (!file) return;
  try {
    const found = await follow(await ask("POST", "/api/backup", file), jobs), note = make("div", "note good");
    note.append(make("p", "", `${found.cases.length} riders and ${found.other.length} other files came back.`));
    if (found.kept.length) note.append(make("p", "", `Here already, and left as they are: ${found.kept.join(", ")}.`));
    jobs.replaceChildren(note);
  } catch (error) { if (error.cancelled) complain(error); else refuse(jobs, error.message); }
});
