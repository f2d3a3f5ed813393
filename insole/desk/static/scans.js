import { ask, base, complain, data, dropped, follow, make, rail, refuse, say, sentence } from "./common.js";
import { Foot3D } from "./foot3d.js";

const drop = document.getElementById("drop"), jobs = document.getElementById("jobs");
const LEVEL = { "fit for making": "good", "fit for measuring only": "warn", "scan again": "stop" };

for (const name of ["dragover", "dragenter"]) drop.addEventListener(name, (e) => { e.preventDefault(); drop.classList.add("over"); });
drop.addEventListener("dragleave", () => drop.classList.remove("over"));
drop.addEventListener("drop", (e) => { e.preventDefault(); drop.classList.remove("over"); dropped(e.dataTransfer).then(take, complain); });
document.getElementById("files").addEventListener("change", (e) => { take([...e.target.files]); e.target.value = ""; });

const MOST = 12;
function take(files) {
  if (files.length > MOST) { say(`That is ${files.length} files; a rider has one or two scans. Many scans at once: the page "Check scans".`, true); return; }
  for (const old of jobs.querySelectorAll(".past")) old.remove();
  const together = crypto.getRandomValues(new Uint32Array(2)).join("-");
  for (const file of files) send(file, "", together);
}

async function send(file, side = "", together = "") {
  const load = document.querySelector("input[name=load]:checked").value;
  const asked = new URLSearchParams({ name: file.name, load, scanner: document.getElementById("scanner")?.value ?? "", card: document.getElementById("card").checked ? "yes" : "", ...(side ? { side } : { drop: together }) });
  try {
    const job = await ask("POST", `${base}/scans?${asked}`, file);
    const found = await follow(job, jobs);
    for (const one of found.sides) show(one);
    for (const [one, old] of Object.entries(found.before ?? {})) replaced(one, old);
    for (const [one, both] of Object.entries(found.twice)) whichScan(one, both);
    if (found.sides.length) say(`${file.name}: the ${found.sides.join(" and the ")} foot`);
    rail();
  } catch (error) {
    if (error.result?.ask_side) whichFoot(file, error.message);
    else if (error.cancelled) say(error.message);
    else { const place = make("div", "past"); jobs.append(place); refuse(place, error.message); }
  }
}

/** Two files of one drop show the same foot: the fitter says which one it is; the other is kept beside it. */
function whichScan(side, { stands, other }) {
  const box = make("div", "note warn"), row = make("p", "row");
  box.setAttribute("role", "alert");
  box.append(make("p", "", `${stands} and ${other.file} both show the ${side} foot. Which one is it? Was the other foot scanned at all?`));
  for (const [name, use] of [[stands, null], [other.file, other]]) {
    const button = make("button", "quiet", name);
    button.type = "button";
    button.addEventListener("click", () => stand(side, use, box));
    row.append(button);
  }
  box.append(row);
  jobs.append(box);
  show(side);
}

/** Let a scan of the case stand for a foot; `use` is none where it stands already. */
async function stand(side, use, box = null) {
  try {
    if (use) { await ask("PUT", `${base}/feet/${side}/scan`, { use }); await show(side); }
    box?.remove();
    rail();
  } catch (error) { complain(error); }
}

/** Another scan stood for that foot: say what went with it, and offer it back. */
function replaced(side, old) {
  const box = make("div", "note warn"), back = make("button", "quiet", `Put ${old.file} back`);
  const set = Object.keys(old.use.landmarks).length + (old.use.foot_length === null ? 0 : 1);
  box.setAttribute("role", "status");
  box.append(make("p", "", `The ${side} foot had ${old.file}; it now has the scan that came in.${set ? ` With it went ${set} of what was set by hand on the earlier one.` : ""}`));
  back.type = "button";
  back.addEventListener("click", () => stand(side, old.use, box));
  box.append(back);
  jobs.append(box);
}

/** The scan does not tell its side: the fitter says it. */
function whichFoot(file, words) {
  const box = make("div", "note warn");
  box.append(make("p", "", `${file.name}: ${words}`));
  const row = make("p", "row");
  for (const side of ["left", "right"]) {
    const button = make("button", "quiet", `It is the ${side} foot`);
    button.type = "button";
    button.addEventListener("click", () => { box.remove(); send(file, side); });
    row.append(button);
  }
  box.append(row);
  jobs.append(box);
}

async function show(side) {
  const body = document.querySelector(`.foot[data-side=${side}] .body`);
  let foot;
  try { foot = await ask("GET", `${base}/feet/${side}`); } catch (error) { refuse(body, error.message); return; }
  const solid = make("div", "twin"), list = make("ol", "findings"), pins = [];
  const head = make("p");
  const hand = make("p", "line byhand"), name = make("label", "", "Foot length by hand"), field = make("input"), keep = make("button", "quiet small", "Verify");
  field.id = `hand-${side}`;
  name.htmlFor = field.id;
  Object.assign(field, { type: "number", min: 100, max: 400, step: "any", placeholder: "–", value: foot.hand_length ?? "" });
  keep.type = "button";
  keep.addEventListener("click", async () => {
    try {
      await follow(await ask("PUT", `${base}/feet/${side}/stated`, { length: field.value === "" ? null : Number(field.value) }), jobs);
      show(side);
    } catch (error) { complain(error); }
  });
  hand.append(name, field, make("span", "", "mm"), keep);
  let view = null;
  head.append(make("span", `verdict ${LEVEL[foot.verdict]}`, sentence(foot.verdict)), ` · ${foot.file}`);
  foot.findings.forEach((f, k) => {
    const kind = f.level === "scan again" ? "stop" : f.level === "note" ? "mark" : "";
    const row = make("li"), words = make("div");
    words.append(make("p", "", f.text), f.code === "scale-unverified" ? hand : make("p", "hint", f.advice));
    const look = f.at ? `${kind} ${f.exact ? "" : "about"}` : kind, number = make(f.at ? "button" : "span", `pin ${look}`, String(k + 1));
    if (f.at) {
      number.type = "button";
      number.setAttribute("aria-label", `Turn the ${side} foot to finding ${k + 1}`);
      number.addEventListener("click", () => view.places && view.face(f.at));
      if (!f.exact) words.append(make("p", "hint", `No one place; region: ${f.region}.`));
    }
    row.append(number, words);
    list.append(row);
    pins.push({ at: f.at, text: String(k + 1), kind: look });
  });
  if (!foot.findings.length) list.append(make("li", "", "Nothing to mend was found."));
  const table = make("table");
  for (const m of foot.measures) {
    const row = make("tr"), th = make("th", "", sentence(m.label));
    th.scope = "row";
    row.append(th, make("td", "num", m.value ?? "cannot be had"));
    if (m.value === null) row.lastChild.title = m.reason;
    if (m.beside) th.append(make("small", "under", m.beside));
    table.append(row);
  }
  const rest = make("details"), out = make("button", "quiet small danger", "Take this scan out");
  rest.append(make("summary", "", "Evidence: unit, side, load"), make("p", "hint", `${sentence(foot.unit)}. ${sentence(foot.side_words)}. ${foot.points} points. ${foot.scale_verified ? "The scale is verified." : "The scale is not verified: no length by hand, no scanner check, no scale card."} ± is one standard deviation.`));
  out.type = "button";
  out.addEventListener("click", async () => { try { await ask("DELETE", `${base}/feet/${side}`); location.reload(); } catch (error) { complain(error); } });
  const weight = make("p", "line"), told = make("label", "", "Weight on it"), load = make("select");
  load.id = `load-${side}`;
  told.htmlFor = load.id;
  for (const box of document.querySelectorAll("input[name=load]")) { const one = make("option", "", box.nextElementSibling.textContent); one.value = box.value; load.append(one); }
  load.value = foot.load;
  load.addEventListener("change", async () => {
    try { await follow(await ask("PUT", `${base}/feet/${side}/stated`, { load: load.value }), jobs); show(side); } catch (error) { complain(error); }
  });
  weight.append(told, load);
  const beside = make("div");
  for (const use of foot.spare) {
    const line = make("p", "hint row", `${use.file} shows this foot too. `), other = make("button", "quiet small", "Use that one");
    other.type = "button";
    other.setAttribute("aria-label", `Use ${use.file} for the ${side} foot`);
    other.addEventListener("click", () => stand(side, use));
    line.append(other);
    beside.append(line);
  }
  body.replaceChildren(head, list, beside, solid, weight, ...(list.contains(hand) ? [] : [hand]), table, rest, out);
  view = new Foot3D(solid, side);
  view.place.append(make("span", "caption", "Cleaned and measured"));
  try {
    await view.load(`${base}/feet/${side}/mesh`);
    view.pin(pins);
    await asItCame(view, solid, side);
  } catch (error) { complain(error); }
}

/** The scan as it came, below the cleaned foot; both turn together. */
async function asItCame(view, solid, side) {
  if (!view.gl) return;
  const raw = new Foot3D(solid, side, { beside: view, what: "as it was scanned" }), caption = make("span", "caption", "As it was scanned …");
  raw.place.append(caption);
  await raw.load(`${base}/feet/${side}/raw`);
  const share = 100 * raw.gone / raw.count;
  caption.replaceChildren("As it was scanned; ");
  if (raw.gone) caption.append(make("i"), `${share < 1 ? share.toFixed(1) : Math.round(share)} % was taken away`);
  else caption.append("nothing was taken away");
}

for (const side of Object.keys(data.draft.scans)) show(side);
