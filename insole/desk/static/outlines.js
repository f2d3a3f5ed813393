// Photographed outlines of riders who never come: one card a photo, then shoes for them.
import { ask, complain, dropped, follow, make, refuse, sentence } from "./common.js";

const jobs = document.getElementById("jobs"), found = document.getElementById("found"), drop = document.getElementById("drop");
const set = [...crypto.getRandomValues(new Uint8Array(8))].map((v) => v.toString(16).padStart(2, "0")).join(""), at = `/api/outlines/${set}`;
const value = (id) => document.getElementById(id).value;

for (const name of ["dragover", "dragenter"]) drop.addEventListener(name, (e) => { e.preventDefault(); drop.classList.add("over"); });
drop.addEventListener("dragleave", () => drop.classList.remove("over"));
drop.addEventListener("drop", (e) => { e.preventDefault(); drop.classList.remove("over"); dropped(e.dataTransfer).then(take, complain); });
document.getElementById("files").addEventListener("change", (e) => { take([...e.target.files]); e.target.value = ""; });

async function take(files) {
  for (const old of jobs.querySelectorAll(".past")) old.remove();
  const hand = Object.fromEntries([...document.querySelectorAll("[data-by-hand]")].filter((f) => f.value !== "").map((f) => [f.id, f.value]));
  const of_foot = Object.keys(hand).filter((name) => !["pen", "age", "body_mass"].includes(name));
  if (files.length > 1 && of_foot.length) { wrong("What was measured by hand belongs to one foot: drop the photos one by one."); return; }
  for (const file of files) await one(file, hand);
}

function wrong(words) {
  const place = make("div", "past");
  jobs.append(place);
  refuse(place, words);
}

async function one(file, hand, side = value("side")) {
  try {
    if (file.name.endsWith(".json")) show(await ask("POST", `${at}/records/scans?${new URLSearchParams({ name: file.name })}`, file));
    else show(await follow(await ask("POST", `${at}/scans?${new URLSearchParams({ name: file.name, of: value("of"), side, sheet: value("sheet"), load: value("load"), ...hand })}`, file), jobs));
  } catch (error) { if (error.cancelled) complain(error); else wrong(error.message.startsWith(file.name) ? error.message : `${file.name}: ${error.message}`); }
}

function show(one) {
  const card = make("section", "card outline"), table = make("table"), row = make("p", "row");
  const verdict = one.insole ? "Stock insole" : one.verdict === "scan again" ? "Draw it again" : "Good for a shoe";
  card.append(make("h2", "", `${sentence(one.side)} ${one.insole ? "stock insole" : "foot"}`));
  const head = make("p");
  head.append(make("span", `verdict ${one.verdict === "scan again" ? "stop" : "good"}`, verdict), ` · ${one.file}, ${one.sheet}`);
  card.append(head);
  if (one.replaced?.length) card.append(make("p", "hint", `Taken instead of ${one.replaced.join(", ")}.`));
  const list = make("ul", "hint");
  for (const f of one.findings) {
    if (f.level !== "scan again") { list.append(make("li", "", `${sentence(f.text)}. ${sentence(f.advice)}.`)); continue; }
    const note = make("div", "note stop");
    note.append(make("p", "", sentence(f.text)), make("p", "", sentence(f.advice)));
    card.append(note);
  }
  if (one.picture) {
    const figure = make("figure", "pictures sheet"), whole = make("a"), picture = make("img");
    picture.src = `${at}/files/${one.picture}?look=1`;
    picture.alt = `What was found in ${one.file}: sheet, drawn line, the ${one.side} foot with its marks`;
    whole.href = picture.src;
    whole.target = "_blank";
    whole.rel = "noopener";
    whole.append(picture);
    figure.append(whole);
    card.append(figure);
  }
  for (const [name, words] of one.rows) { const line = make("tr"), th = make("th", "", sentence(name)); th.scope = "row"; line.append(th, make("td", "num", words)); table.append(line); }
  card.append(table, list);
  for (const [file, words] of [[one.record, one.insole ? "Outline for the shoe file" : "Record"], [one.picture, "Picture"]]) {
    if (!file) continue;
    const link = make("a", "button quiet small", words);
    link.href = `${at}/files/${file}`;
    link.download = file;
    row.append(link);
  }
  card.append(row, make("p", "hint", `± covers 95 %.${one.side_words ? ` ${sentence(one.side_words)}.` : ""}`));
  card.dataset.key = one.insole ? `insole ${one.record}` : one.side;
  for (const old of found.querySelectorAll(".outline")) if (old.dataset.key === card.dataset.key) old.remove();
  if (card.dataset.key === "left") found.prepend(card); else found.append(card);
  if (!one.insole) document.getElementById("next").hidden = false;
}

document.getElementById("rank").addEventListener("click", async (event) => {
  const place = document.getElementById("ranked");
  event.target.disabled = true;
  place.replaceChildren();
  try {
    const told = await follow(await ask("POST", `${at}/fit`), place), list = make("ol", "ranks"), link = make("a", "button", "Open the first trial's page");
    for (const shoe of told.ranked) {
      const item = make("li"), reasons = make("ul"), why = make("details");
      why.append(make("summary", "", "Why"), reasons);
      item.append(make("b", "", shoe.name), " ", make("span", `verdict ${shoe.fits ? (shoe.known ? "good" : "warn") : "stop"}`, shoe.verdict), why);
      for (const reason of shoe.reasons) reasons.append(make("li", "", reason));
      list.append(item);
    }
    link.href = `${at}/files/${told.page}?look=1`;
    link.target = "_blank";
    link.rel = "noopener";
    place.replaceChildren(make("p", "hint", "Best first."), list, link);
  } catch (error) { if (error.cancelled) complain(error); else refuse(place, error.message); }
  event.target.disabled = false;
});
