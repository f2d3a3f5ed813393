// What every page needs: asking the server, following a job, saying a sentence, the theme.

const holder = document.getElementById("data");
export const data = holder ? JSON.parse(holder.textContent) : {};
export const base = data.case ? `/api/cases/${data.case}` : "/api";

/** Ask the server; JSON comes back, and a refusal is thrown as its one sentence. */
export async function ask(method, path, body) {
  const given = { method, headers: {} };
  if (body !== undefined) {
    given.body = body instanceof Blob ? body : JSON.stringify(body);
    given.headers["content-type"] = body instanceof Blob ? "application/octet-stream" : "application/json";
  }
  let answer;
  try { answer = await fetch(path, given); } catch {
    throw new Error("The desk does not answer. Is it still running? Nothing that was kept is lost.");
  }
  const text = await answer.text();
  let found = {};
  try { found = text ? JSON.parse(text) : {}; } catch { found = { error: text.slice(0, 300) }; }
  if (!answer.ok) {
    const error = new Error(found.error || `The desk refused that (${answer.status}).`);
    error.status = answer.status;
    error.field = found.field;
    throw error;
  }
  return found;
}

/** Do one thing after the other on this page: what is asked first is answered and shown first. */
let before = Promise.resolve();
export function inTurn(work) {
  const done = before.then(work);
  before = done.catch(() => {});
  return done;
}

/** The steps at the side as they stand now; where this one is done, the next one is the thing to press. */
export async function rail() {
  if (!data.case) return;
  try {
    for (const row of await ask("GET", `${base}/rail`)) {
      const line = document.querySelector(`.rail [data-step=${row.word}]`);
      line.className = row.state;
      line.querySelector("small").textContent = row.says;
      const beside = document.querySelector(`.go .beside[href$="/${row.word}"]`);
      if (beside) beside.hidden = row.state !== "done";
      if (row.word === data.step && !["support", "parts"].includes(row.word)) for (const next of document.querySelectorAll(".next")) next.classList.toggle("quiet", row.state !== "done");
    }
  } catch { /* the steps stay as they were drawn */ }
}

/** Follow a job until it ends, with its words and a way to cancel it shown in `place`. */
export async function follow(job, place) {
  const row = make("div", "note job");
  row.setAttribute("role", "status");
  const words = make("span"), stop = make("button", "quiet small", "Cancel");
  stop.type = "button";
  row.append(make("i", "spin"), words, stop);
  stop.addEventListener("click", () => { stop.disabled = true; ask("DELETE", `/api/jobs/${job.id}`).catch(() => {}); });
  place?.append(row);
  const start = performance.now();
  try {
    while (job.state === "running") {
      const seconds = Math.floor((performance.now() - start) / 1000);
      words.textContent = `${sentence(job.what)}: ${job.words}${seconds > 2 ? `, ${seconds} s` : ""}`;
      await new Promise((done) => setTimeout(done, 250));
      job = await ask("GET", `/api/jobs/${job.id}`);
    }
  } finally { row.remove(); }
  if (job.state !== "done") {
    const error = new Error(job.words);
    error.cancelled = job.state === "cancelled";
    error.result = job.result;
    throw error;
  }
  return job.result;
}

export const sentence = (text) => text.charAt(0).toUpperCase() + text.slice(1);

/** Return an element with class and text; text is never read as markup. */
export function make(tag, kind = "", text = "") {
  const one = document.createElement(tag);
  if (kind) one.className = kind;
  if (text !== "") one.textContent = text;
  return one;
}

export function svg(tag, given = {}, text = "") {
  const one = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(given)) one.setAttribute(name, value);
  if (text) one.textContent = text;
  return one;
}

/** Return the files of a drop, those in folders as well. */
export async function dropped(transfer) {
  const entries = [...transfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean), files = [];
  if (!entries.length) return [...transfer.files];
  const read = async (entry) => {
    if (entry.isFile) { files.push(await new Promise((done, fail) => entry.file(done, fail))); return; }
    const reader = entry.createReader();
    for (;;) {
      const some = await new Promise((done, fail) => reader.readEntries(done, fail));
      if (!some.length) return;
      for (const one of some) await read(one);
    }
  };
  for (const entry of entries) await read(entry);
  return files.filter((file) => !file.name.startsWith("."));
}

let clearing = 0;
/** Say a sentence at the corner of the page, to eye and ear. */
export function say(text, bad = false) {
  const place = document.getElementById("say");
  place.replaceChildren(make("p", bad ? "bad" : "", text));
  clearTimeout(clearing);
  clearing = setTimeout(() => place.replaceChildren(), bad ? 15000 : 5000);
}
export const complain = (error) => say(error.message, true);

/** Show a refusal in the page itself. */
export function refuse(place, text) {
  const note = make("p", "note stop", text);
  note.setAttribute("role", "alert");
  place.replaceChildren(note);
}

const theme = document.getElementById("theme");
function named() { theme.textContent = document.documentElement.dataset.theme === "dark" ? "Light" : "Dark"; }
theme.addEventListener("click", () => {
  const next = document.documentElement.dataset.theme === "dark" ? "light" : "dark";
  document.documentElement.dataset.theme = next;
  try { localStorage.setItem("theme", next); } catch { /* only for this page, then */ }
  named();
  dispatchEvent(new Event("themed"));
});
named();
