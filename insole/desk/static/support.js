// The support page: wishes per foot, planned live in the foot's own lane.
import { ask, base, complain, data, follow, make, rail, refuse, say, sentence } from "./common.js";
import { planPage } from "./planpage.js";
import { headline, wedgeWords, words } from "./said.js";
import { SoleMap, scaled, section } from "./solemap.js";

const QUIET = 1500; // ms without a change
const feet = {}, jobs = document.getElementById("jobs"), undo = document.getElementById("undo");
const kept = { ...data.draft.wishes.both };
let wishes = {}, past = [], map = "height", when = "after", looking = null, against = null;

for (const side of ["left", "right"]) wishes[side] = { ...kept, ...(data.draft.wishes[side] ?? {}) };

/** The wishes of a kept version for one foot: its own over the common ones. */
const ofOne = (version, side) => ({ ...(version.wishes.both ?? {}), ...(version.wishes[side] ?? {}) });

class Foot {
  constructor(root) {
    this.root = root;
    this.side = root.dataset.side;
    this.map = new SoleMap(root.querySelector(".map"), document.getElementById("legend"));
    this.cut = root.querySelector(".section input");
    this.level = root.querySelector(".level input");
    this.busy = this.again = false;
    this.#listen();
    this.controls();
    this.plan();
  }

  get wish() { return wishes[this.side]; }

  /** Change wishes: keep what was, show it, plan it. */
  change(given, quiet = false) {
    if (looking !== null) {
      this.controls();
      say(`Version ${looking.version} stays as it is: work on from it, or go back to the work.`);
      return;
    }
    if (!quiet) { past.push(structuredClone(wishes)); if (past.length > 100) past.shift(); undo.disabled = false; }
    for (const [name, value] of Object.entries(given)) if (value === null) delete this.wish[name]; else this.wish[name] = value;
    this.controls();
    this.plan();
    store();
  }

  /** Plan as wished; while one is planned, only the latest wish waits. */
  async plan() {
    if (this.busy) { this.again = true; return; }
    this.busy = true;
    do {
      this.again = false;
      const start = performance.now();
      try {
        const found = await ask("POST", `${base}/feet/${this.side}/preview`, { wishes: { [this.side]: this.wish } });
        if (looking === null && !this.again) this.show(found);
        this.root.querySelector(".refusal").replaceChildren();
      } catch (error) {
        if (!this.again && looking === null) {
          refuse(this.root.querySelector(".refusal"), error.message);
          if (!this.planned) this.root.querySelector(".words").replaceChildren();
          if (this.planned) this.map.drag(0, 0);
        }
      }
      this.root.dataset.took = Math.round(performance.now() - start);
    } while (this.again);
    this.busy = false;
    readAhead();
    this.root.dataset.planned = String(Number(this.root.dataset.planned ?? 0) + 1);
  }

  /** The wishes that what is shown was planned with: those of a version while one is looked at. */
  get shown() {
    return looking === null ? this.wish : ofOne(looking, this.side);
  }

  show(found) {
    this.planned = found;
    const wish = this.shown;
    this.root.querySelector(".map").setAttribute("aria-busy", "false");
    const old = against?.feet[this.side];
    this.map.ghost = old ? old.pad ?? old.bed ?? null : null;
    coloured(this);
    this.section();
    const level = (found.pad ?? found.bed)?.level;
    this.root.querySelector(".level output").textContent = level === undefined ? "" : `${Math.round(100 * level)} % of the gap${wish.support_level === undefined ? ", the model's" : ""}`;
    if (level !== undefined && wish.support_level === undefined) this.level.value = Math.round(100 * level);
    const shift = found.pad?.shift ?? [0, 0], moved = [];
    if (shift[0]) moved.push(`${Math.abs(shift[0]).toFixed(1)} mm to the ${shift[0] > 0 ? "toes" : "heel"}`);
    if (shift[1]) moved.push(`${Math.abs(shift[1]).toFixed(1)} mm to the ${shift[1] > 0 ? "big-toe" : "little-toe"} side`);
    if (found.pad?.turn && wish.turn) moved.push(`turned ${Math.abs(wish.turn)}°, front to the ${wish.turn > 0 ? "big-toe" : "little-toe"} side`);
    this.root.querySelector(".placed").textContent = found.pad ? (moved.length ? `By hand: ${moved.join(", ")}.` : "Drag the pad, use the arrow keys on the map, or these buttons.") : "";
    this.root.querySelector(".nudge").hidden = !found.pad;
    headline(this.root, found);
    this.#against(found);
    wedgeWords(this.root.querySelector(".wedgewords"), found, wish);
    words(this.root.querySelector(".words"), found);
  }

  /** An earlier version beside the work, in figures; its outline lies over the map. */
  #against(found) {
    const place = this.root.querySelector(".against"), old = against?.feet[this.side];
    place.hidden = !old;
    if (!old) return;
    const table = make("table"), head = make("tr");
    for (const text of ["", `version ${against.version}`, looking === null ? "now" : `version ${looking.version}`]) { const th = make("th", "", text); th.scope = "col"; head.append(th); }
    table.append(head);
    const line = (name, was, now) => {
      const row = make("tr"), th = make("th", "", name);
      th.scope = "row";
      row.append(th, make("td", "", was), make("td", was === now ? "" : "verdict", now));
      table.append(row);
    };
    const part = (f) => f.pad ?? f.bed, kind = (f) => part(f)?.name ?? "none";
    line("Support", kind(old), kind(found));
    for (const [name, get] of [["Level", (p) => `${Math.round(100 * p.level)} %`], ["Crest", (p) => `${p.height.toFixed(1)} mm`], ["Remaining gap", (p) => p.free]]) line(name, part(old) ? get(part(old)) : "–", part(found) ? get(part(found)) : "–");
    line("Moved, forward and medial", old.pad ? `${old.pad.shift.join(", ")} mm` : "–", found.pad ? `${found.pad.shift.join(", ")} mm` : "–");
    const wedges = (f) => [...f.wedges.map((w) => `${w.place} ${w.words}`), ...f.posting].join("; ") || "none";
    line("Wedges", wedges(old), wedges(found));
    place.replaceChildren(table);
  }

  section() {
    this.map.setCut(Number(this.cut.value));
    this.root.querySelector(".section output").textContent = `${this.cut.value} mm`;
    if (this.planned) section(this.root.querySelector(".cut"), this.root.querySelector(".cutwords"), this.planned, Number(this.cut.value));
  }

  controls() {
    const kind = this.wish.pad === false ? "none" : this.wish.contoured ?? "pad";
    for (const box of this.root.querySelectorAll(".kind input")) { box.checked = box.value === kind; box.disabled = looking !== null; }
    if (this.wish.support_level !== undefined) {
      this.level.value = 100 * this.wish.support_level;
      this.root.querySelector(".level output").textContent = `${Math.round(100 * this.wish.support_level)} % of the gap`;
    }
    this.root.querySelector("[data-kit]").checked = this.wish.pad_source === "kit";
    const spots = this.wish.tender ?? [], row = this.root.querySelector(".tender");
    row.textContent = spots.map(([x, y]) => `${x.toFixed(0)} mm from the rear, ${Math.abs(y).toFixed(0)} mm ${y >= 0 ? "medial" : "lateral"}`).join("; ");
    if (spots.length) {
      const away = make("button", "quiet small", "Take them back");
      away.type = "button";
      away.addEventListener("click", () => this.change({ tender: null }));
      row.append(" ", away);
    }
    for (const box of this.root.querySelectorAll("[data-wish]")) if (document.activeElement !== box) box.value = this.wish[box.dataset.wish] ?? "";
    for (const box of this.root.querySelectorAll("[data-word]")) box.value = this.wish[box.dataset.word] ?? "";
  }

  #listen() {
    const q = (text) => this.root.querySelector(text), place = q(".map");
    q(".kind").addEventListener("change", (e) => this.change({ pad: e.target.value === "none" ? false : null, contoured: ["three-quarter", "full"].includes(e.target.value) ? e.target.value : null }));
    let started = false;
    this.level.addEventListener("input", () => { this.change({ support_level: Number(this.level.value) / 100 }, started); started = true; });
    this.level.addEventListener("change", () => { started = false; });
    q("[data-ease]").addEventListener("click", () => this.change({ support_level: null }));
    for (const box of this.root.querySelectorAll("[data-wish]")) box.addEventListener("change", () => this.change({ [box.dataset.wish]: box.value === "" ? null : Number(box.value) }));
    for (const box of this.root.querySelectorAll("[data-word]")) box.addEventListener("change", () => this.change({ [box.dataset.word]: box.value || null }));
    for (const button of this.root.querySelectorAll("[data-step]")) button.addEventListener("click", () => {
      const name = button.parentElement.querySelector("input").dataset.wish;
      this.change({ [name]: Math.max(-10, Math.min(10, (this.wish[name] ?? 0) + Number(button.dataset.step))) });
    });
    q("[data-kit]").addEventListener("change", (e) => this.change({ pad_source: e.target.checked ? "kit" : null }));
    q("[data-tender]").addEventListener("click", () => { this.spotting = true; say("Click on the sole map where it is tender."); });
    q("[data-copy]").addEventListener("click", () => {
      const other = feet[this.side === "left" ? "right" : "left"];
      if (!other) { say("Only one foot is scanned."); return; }
      // where it hurts is each foot's own: neither copied nor taken away
      const mine = structuredClone(this.wish), gone = Object.fromEntries(Object.keys(other.wish).filter((k) => k !== "tender").map((k) => [k, null]));
      delete mine.tender;
      other.change({ ...gone, ...mine });
      say(`The ${other.side} foot has the same wishes now; its own sole decides the shape.`);
    });
    for (const button of this.root.querySelectorAll("[data-move]")) button.addEventListener("click", () => this.move(...button.dataset.move.split(",").map(Number)));
    for (const button of this.root.querySelectorAll("[data-turn]")) button.addEventListener("click", () => this.turn(Number(button.dataset.turn)));
    q("[data-home]").addEventListener("click", () => this.change({ shift: null, turn: null }));
    place.addEventListener("keydown", (e) => {
      const by = e.shiftKey ? 5 : 1, step = { ArrowUp: [0, by], ArrowDown: [0, -by], ArrowLeft: [-by, 0], ArrowRight: [by, 0] }[e.key];
      if (step) { e.preventDefault(); this.move(...step); }
      if (e.key === "," || e.key === ".") this.turn(e.key === "," ? 1 : -1);
    });
    let from = null;
    place.addEventListener("pointerdown", async (e) => {
      if (this.spotting && this.planned) {
        this.spotting = false;
        const [across, up] = this.map.placeOf(e);
        try {
          const { shift } = await ask("POST", `${base}/feet/${this.side}/move`, { across, up });
          this.change({ tender: [...(this.wish.tender ?? []), shift] });
        } catch (error) { complain(error); }
        return;
      }
      if (!this.planned?.pad || looking !== null || !e.target.closest(".pad")) return;
      from = this.map.placeOf(e);
      place.setPointerCapture(e.pointerId);
    });
    place.addEventListener("pointermove", (e) => {
      if (!this.planned) return;
      const at = this.map.placeOf(e);
      if (from) this.map.drag(at[0] - from[0], at[1] - from[1]);
      else if (e.pointerType === "mouse") { this.cut.value = Math.round(at[1]); this.section(); }
    });
    const drop = (e) => {
      if (!from) return;
      const at = this.map.placeOf(e), by = [at[0] - from[0], at[1] - from[1]];
      from = null;
      if (Math.hypot(...by) >= 0.5) this.move(Math.round(2 * by[0]) / 2, Math.round(2 * by[1]) / 2); else this.map.drag(0, 0);
    };
    place.addEventListener("pointerup", drop);
    place.addEventListener("pointercancel", () => { from = null; this.map.drag(0, 0); });
    this.cut.addEventListener("input", () => this.section());
    for (const button of this.root.querySelectorAll("[data-at]")) button.addEventListener("click", () => {
      const at = (name) => this.planned?.marks.find((m) => m.name === name)?.at[1], ball = [at("mth1"), at("mth5")].filter((v) => v !== undefined);
      const y = button.dataset.at === "ball" ? ball.reduce((a, b) => a + b, 0) / ball.length : at(button.dataset.at);
      if (y === y && y !== undefined) { this.cut.value = Math.round(y); this.section(); }
    });
  }

  /** Move the pad on the page; what that is on this foot, the server says. */
  async move(across, up) {
    if (!this.planned?.pad || looking !== null) return;
    this.map.drag(this.map.offset[0] + across, this.map.offset[1] + up);
    this.moving = (this.moving ?? Promise.resolve()).then(async () => {
      try {
        const { shift } = await ask("POST", `${base}/feet/${this.side}/move`, { across, up, shift: this.wish.shift ?? null });
        this.change({ shift });
      } catch (error) { complain(error); }
    });
  }

  turn(by) {
    if (this.planned?.pad) this.change({ turn: Math.max(-30, Math.min(30, (this.wish.turn ?? 0) + by)) });
  }
}

/** Whether a wedge wish of 0 is meant is asked where there is one. */
function zeroMeant() {
  const box = document.getElementById("zero"), none = ["left", "right"].some((side) => ["forefoot", "heel", "under"].some((name) => wishes[side][name] === 0));
  if (box) box.parentElement.hidden = !none && !box.checked;
}

let quiet = 0, read = "";
/** While what is planned is looked at, the desk draws the next version: to keep it then takes no time. */
function readAhead() {
  clearTimeout(quiet);
  if (!data.ahead) return;
  quiet = setTimeout(() => {
    const now = JSON.stringify(wishes), all = Object.values(feet);
    if (now === read || looking !== null || data.stop || all.some((foot) => foot.busy || !foot.planned) || document.querySelector(".refusal .note")) return;
    read = now;
    ask("POST", `${base}/ahead`).catch(() => {});
  }, QUIET);
}

let storing = 0;
function store() {
  wanted(null);
  zeroMeant();
  clearTimeout(storing);
  storing = setTimeout(() => ask("PUT", `${base}/wishes`, { wishes }).then(() => { document.body.dataset.stored = String(Date.now()); }, complain), 250);
}
const stored = () => { clearTimeout(storing); return ask("PUT", `${base}/wishes`, { wishes }); };
addEventListener("pagehide", () => { if (past.length) { clearTimeout(storing); fetch(`${base}/wishes`, { method: "PUT", keepalive: true, headers: { "content-type": "application/json" }, body: JSON.stringify({ wishes }) }); } });

undo?.addEventListener("click", () => {
  if (!past.length) return;
  wishes = past.pop();
  undo.disabled = !past.length;
  for (const foot of Object.values(feet)) { foot.controls(); foot.plan(); }
  store();
});

for (const box of document.querySelectorAll("input[name=map], input[name=when]")) box.addEventListener("change", () => {
  map = document.querySelector("input[name=map]:checked").value;
  when = document.querySelector("input[name=when]:checked").value;
  document.getElementById("when").hidden = !["standing", "pedalling"].includes(map);
  coloured();
});

let scale = null;
/** Colour one foot, or all: one scale for both, and where it changes both are drawn anew. */
function coloured(one = null) {
  const kind = scaled(map, Object.values(feet).concat(one ?? []).filter((f) => f.planned).map((f) => f.planned)), same = scale?.words === kind.words && scale.step === kind.step;
  scale = kind;
  for (const foot of one && same ? [one] : new Set([...Object.values(feet), ...(one ? [one] : [])])) if (foot.planned) foot.map.show(foot.planned, map, when, kind);
}

const keep = document.getElementById("keep"), on = document.getElementById("on");
/** One thing to press: keep what changed, or go on with what is kept. */
function wanted(kept) {
  keep.classList.toggle("quiet", kept !== null);
  for (const next of [on, ...document.querySelectorAll(".next")]) next.classList.toggle("quiet", kept === null);
  keep.textContent = kept === null ? "Keep this plan" : `Kept as version ${kept}`;
}
keep?.addEventListener("click", async () => {
  keep.disabled = true;
  keep.textContent = "Keeping …";
  let kept = null;
  try {
    await stored();
    const found = await follow(await ask("POST", `${base}/plans`), jobs), changed = JSON.stringify(wishes);
    kept = found.version;
    const note = make("div", "note good row"), paper = make("span");
    for (const link of [on, ...document.querySelectorAll(".next")]) link.href = `/case/${data.case}/parts?version=${found.version}`;
    note.append(make("span", "", found.new ? `Kept as version ${found.version}.` : `Nothing changed since version ${found.version}; it is kept already.`), paper);
    jobs.replaceChildren(note);
    planPage(paper, found.version);
    await Promise.all([rail(), listed()]);
    if (changed !== JSON.stringify(wishes)) kept = null;
    document.body.dataset.kept = found.version;
  } catch (error) { refuse(jobs, error.message); }
  keep.disabled = false;
  wanted(kept);
});

/** The kept plans as they are now. */
async function listed() {
  const answer = await fetch(location.pathname);
  if (!answer.ok) return;
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("kept");
  if (fresh) keptPlans.replaceChildren(...fresh.childNodes);
}

const keptPlans = document.getElementById("kept");
keptPlans?.addEventListener("click", (event) => {
  if (event.target.dataset?.version !== undefined) look(event.target.dataset.version);
  if (event.target.id === "take") work();
  if (event.target.id === "pictures") pictures(event.target);
});
keptPlans?.addEventListener("change", async (event) => {
  if (event.target.id !== "against") return;
  try {
    against = event.target.value ? await ask("GET", `${base}/plans/${event.target.value}`) : null;
    for (const foot of Object.values(feet)) if (foot.planned) foot.show(foot.planned);
  } catch (error) { complain(error); }
});

/** Look at a kept version in place of the work; none: back to it. */
async function look(version) {
  const back = document.querySelector("[data-version='']"), take = document.getElementById("take");
  try {
    if (!version) {
      looking = null;
      for (const foot of Object.values(feet)) { foot.controls(); foot.plan(); }
    } else {
      const found = await ask("GET", `${base}/plans/${version}`);
      looking = found;
      for (const [side, one] of Object.entries(found.feet)) feet[side]?.show(one);
      say(`Looking at version ${version}.`);
    }
    back.hidden = take.hidden = !version;
    if (keep) keep.disabled = Boolean(version); // it keeps the work, which is not what is looked at
    for (const button of document.querySelectorAll("#versions [data-version]")) button.setAttribute("aria-pressed", String(button.dataset.version === version && version !== ""));
  } catch (error) { complain(error); }
}

/** Work on from the version that is looked at. */
function work() {
  const found = looking;
  past.push(structuredClone(wishes));
  undo.disabled = false;
  for (const side of ["left", "right"]) wishes[side] = ofOne(found, side);
  looking = null;
  look("");
  store();
}
const rider = (given) => ask("PUT", `${base}/wishes`, { wishes, ...given }).then(() => { for (const foot of Object.values(feet)) foot.plan(); });
const changedRider = (given) => { wanted(null); rider(given).catch(complain); };
document.getElementById("mass")?.addEventListener("change", (e) => changedRider({ body_mass: e.target.value === "" ? null : Number(e.target.value) }));
document.getElementById("zero")?.addEventListener("change", (e) => changedRider({ confirm_zero: e.target.checked }));
document.getElementById("dowels")?.addEventListener("change", (e) => changedRider({ dowels: e.target.checked }));
const passed = [...(data.draft.overrides ?? [])];
document.getElementById("pass")?.addEventListener("submit", (event) => {
  event.preventDefault();
  const one = Object.fromEntries(new FormData(event.target));
  rider({ overrides: [...passed, one] }).then(() => location.reload(), complain);
});
for (const button of document.querySelectorAll("[data-drop]")) button.addEventListener("click", () => rider({ overrides: passed.filter((_, k) => k !== Number(button.dataset.drop)) }).then(() => location.reload(), complain));
async function pictures(button) {
  const [older, newer] = ["older", "newer"].map((id) => document.getElementById(id).value), place = document.getElementById("compared");
  if (older === newer) { refuse(place, "Choose two versions."); return; }
  button.disabled = true;
  place.replaceChildren(make("p", "note", "Drawing both versions …"));
  try {
    const answer = await fetch(`${base}/plans/${older}/against/${newer}`);
    if (!answer.ok) throw new Error((await answer.json()).error);
    const picture = make("img"), figure = make("figure", "pictures");
    picture.src = URL.createObjectURL(await answer.blob());
    picture.alt = `Supports of version ${older} (dashed) and version ${newer} (solid), from above and in section`;
    figure.append(picture, make("figcaption", "hint", `Version ${older} dashed, version ${newer} solid.`));
    place.replaceChildren(figure);
  } catch (error) { refuse(place, error.message); }
  button.disabled = false;
}

for (const root of document.querySelectorAll(".planfoot")) feet[root.dataset.side] = new Foot(root);
zeroMeant();
