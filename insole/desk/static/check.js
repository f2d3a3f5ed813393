// A technician's table: many scans, each with its verdict and what to do. Nothing is kept.
import { ask, complain, dropped, follow, make, sentence } from "./common.js";
import { MAPS, at } from "./solemap.js";

const LEVEL = { "fit for making": "good", "fit for measuring only": "warn", "scan again": "stop" };
const drop = document.getElementById("drop"), body = document.querySelector("#rows tbody"), sum = document.getElementById("sum");
const count = { "fit for making": 0, "fit for measuring only": 0, "scan again": 0, unusable: 0 };
const halt = document.getElementById("halt"), under = new Set();
let waiting = [], running = 0, all = 0, done = 0;

halt.addEventListener("click", () => {
  for (const [, row] of waiting) row.children[3].textContent = "left out";
  all -= waiting.length;
  waiting = [];
  for (const id of under) ask("DELETE", `/api/jobs/${id}`).catch(() => {});
});

for (const name of ["dragover", "dragenter"]) drop.addEventListener(name, (e) => { e.preventDefault(); drop.classList.add("over"); });
drop.addEventListener("dragleave", () => drop.classList.remove("over"));
drop.addEventListener("drop", (e) => { e.preventDefault(); drop.classList.remove("over"); dropped(e.dataTransfer).then(take, complain); });
document.getElementById("files").addEventListener("change", (e) => { take([...e.target.files]); e.target.value = ""; });

function take(files) {
  body.querySelector(".first")?.remove();
  for (const file of files) {
    const row = make("tr"), name = make("th", "", file.name);
    name.scope = "row";
    row.append(make("td"), name, make("td"), make("td", "", "waiting"), make("td"));
    body.append(row);
    waiting.push([file, row]);
    all += 1;
  }
  told();
  next();
}

function next() {
  while (running < 2 && waiting.length) {
    running += 1;
    const [file, row] = waiting.shift();
    one(file, row).catch(complain).finally(() => { running -= 1; next(); });
  }
}

async function one(file, row) {
  const load = document.querySelector("input[name=load]:checked").value, cells = row.children;
  cells[3].textContent = "measuring …";
  try {
    const job = await ask("POST", `/api/check/scans?${new URLSearchParams({ name: file.name, load })}`, file);
    under.add(job.id);
    const found = await follow(job, null).finally(() => under.delete(job.id));
    found.feet.forEach((foot, k) => {
      const line = k ? row.cloneNode(true) : row, c = line.children;
      if (k) row.after(line);
      c[0].replaceChildren(thumb(foot));
      c[2].textContent = foot.side;
      c[3].replaceChildren(make("span", `verdict ${LEVEL[foot.verdict]}`, sentence(foot.verdict)));
      c[4].replaceChildren(...foot.findings.slice(0, 4).flatMap((f) => [make("div", "", f.text), make("small", "", f.advice)]));
      if (!foot.findings.length) c[4].textContent = "nothing to mend";
      count[foot.verdict] += 1;
    });
  } catch (error) {
    if (error.cancelled) { cells[3].textContent = "left out"; all -= 1; told(); return; }
    cells[3].replaceChildren(make("span", "verdict stop", "Cannot be used"));
    cells[4].textContent = error.message;
    count.unusable += 1;
  }
  done += 1;
  told();
}

/** How far it is, and what came of it so far. */
function told() {
  const left = all - done, place = document.getElementById("progress");
  sum.hidden = !done;
  sum.textContent = `${count["fit for making"]} fit for making, ${count["fit for measuring only"]} for measuring only, ${count["scan again"]} to scan again, ${count.unusable} that cannot be used${left ? `; ${left} to come` : ""}.`;
  place.hidden = !left;
  place.querySelector("progress").max = Math.max(all, 1);
  place.querySelector("progress").value = done;
  place.querySelector("span").textContent = `${done} of ${all} scans checked`;
}

/** The sole as it was seen, small: what is missing stays empty. */
function thumb(foot) {
  const grid = foot.sole, ink = make("canvas"), w = grid.nx * 2, h = grid.ny * 2, colours = MAPS.gap.colours;
  ink.width = w;
  ink.height = h;
  ink.className = "thumb";
  ink.setAttribute("role", "img");
  ink.setAttribute("aria-label", `Sole of the ${foot.side} foot as seen`);
  const page = ink.getContext("2d");
  for (let j = 0; j < h; j += 1) for (let i = 0; i < w; i += 1) {
    const v = at(grid, grid.x0 + i * grid.step / 2, grid.y0 + (h - 1 - j) * grid.step / 2);
    if (v !== v) continue;
    page.fillStyle = colours[Math.max(0, Math.min(colours.length - 1, Math.floor(v / 4)))];
    page.fillRect(i, j, 1, 1);
  }
  return ink;
}
