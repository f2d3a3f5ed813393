// The support page: wishes per foot, planned live in the foot's own lane.
import { ask, base, complain, data, follow, make, refuse, say, sentence } from "./common.js";
import { SoleMap, section } from "./solemap.js";

const feet = {}, jobs = document.getElementById("jobs"), undo = document.getElementById("undo");
const kept = { ...data.draft.wishes.both };
let wishes = {}, past = [], map = "height", when = "after", looking = null, against = null;

for (const side of ["left", "right"]) wishes[side] = { ...kept, ...(data.draft.wishes[side] ?? {}) };

class Foot {
  constructor(root) {
    this.root = root;
    this.side = root.dataset.side;
    this.map = new SoleMap(root.querySelector(".map"), root.querySelector(".legend"));
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
    if (looking !== null) return;
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
    this.root.dataset.planned = String(Number(this.root.dataset.planned ?? 0) + 1);
  }

  show(found) {
    this.planned = found;
    const old = against?.feet[this.side];
    this.map.ghost = old ? old.pad ?? old.bed ?? null : null;
    this.map.show(found, map, when);
    this.section();
    const level = (found.pad ?? found.bed)?.level;
    this.root.querySelector(".level output").textContent = level === undefined ? "" : `${Math.round(100 * level)} %${this.wish.support_level === undefined ? ", eased by the model" : ""}`;
    if (level !== undefined && this.wish.support_level === undefined) this.level.value = Math.round(100 * level);
    const shift = found.pad?.shift ?? [0, 0], moved = [];
    if (shift[0]) moved.push(`${Math.abs(shift[0]).toFixed(1)} mm to the ${shift[0] > 0 ? "toes" : "heel"}`);
    if (shift[1]) moved.push(`${Math.abs(shift[1]).toFixed(1)} mm to the ${shift[1] > 0 ? "big-toe" : "little-toe"} side`);
    if (found.pad?.turn && this.wish.turn) moved.push(`turned ${Math.abs(this.wish.turn)}°, front to the ${this.wish.turn > 0 ? "big-toe" : "little-toe"} side`);
    this.root.querySelector(".placed").textContent = found.pad ? (moved.length ? `By hand: ${moved.join(", ")}.` : "Drag the pad, use the arrow keys on the map, or these buttons.") : "";
    this.root.querySelector(".nudge").hidden = !found.pad;
    this.#headline(found);
    this.#against(found);
    this.#wedges(found);
    this.#words(found);
  }

  /** The numbers that a fitter watches while a slider moves. */
  #headline(found) {
    const part = found.pad ?? found.bed, place = this.root.querySelector(".headline"), figures = [];
    if (part) figures.push(["Crest", `${part.height.toFixed(1)} mm`], ["Left free", part.free]);
    const c = found.contact.find((one) => one.case === "standing" && one.before && one.after);
    if (c) {
      const all = found.wedges.length || found.posting.length ? ", with wedge" : "";
      figures.push([all ? `Midfoot${all}` : "Midfoot, standing", `${Math.round(100 * (c.before.share.midfoot ?? 0))} → ${Math.round(100 * (c.after.share.midfoot ?? 0))} % of the load`]);
      figures.push(["Contact", `${Math.round(c.before.area)} → ${Math.round(c.after.area)} cm²`]);
    }
    place.replaceChildren(...figures.map(([name, value]) => { const one = make("span"); one.append(make("small", "", name), make("b", "", value)); return one; }));
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
    for (const [name, get] of [["Level", (p) => `${Math.round(100 * p.level)} %`], ["Crest", (p) => `${p.height.toFixed(1)} mm`], ["Left free", (p) => p.free]]) line(name, part(old) ? get(part(old)) : "–", part(found) ? get(part(found)) : "–");
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
      this.root.querySelector(".level output").textContent = `${Math.round(100 * this.wish.support_level)} %`;
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
  }

  #wedges(found) {
    const place = this.root.querySelector(".wedgewords");
    place.replaceChildren();
    for (const w of found.wedges) place.append(make("p", "", `${sentence(w.place)}: ${w.words}, ${w.thick} at the thick edge${w.kept ? ` (wished ${w.wish}°, the shoe keeps ${w.kept}°)` : ""}.`));
    for (const text of found.posting) place.append(make("p", "", `Built in: ${text}.`));
    for (const [where, why] of Object.entries(found.no_wedge)) if (this.wish[where] !== undefined || this.wish[{ "inside forefoot": "forefoot", "inside heel": "heel", "under the shoe": "under" }[where]] !== undefined) place.append(make("p", "hint", `${sentence(where)}: none made; ${why}.`));
  }

  #words(found) {
    const place = this.root.querySelector(".words"), part = found.pad ?? found.bed, out = [];
    if (found.effect) {
      const note = make("div", `note ${found.effect.little ? "warn" : "good"}`);
      const alone = found.wedges.length || found.posting.length ? " by itself, without the wedge," : "";
      note.append(make("p", "", `The support${alone} ${found.effect.words.charAt(0).toLowerCase()}${found.effect.words.slice(1)}.`));
      if (found.effect.binds) note.append(make("p", "", `What binds most: ${found.effect.binds.charAt(0).toLowerCase()}${found.effect.binds.slice(1)}.`));
      out.push(note);
    }
    if (!part && found.none_because) out.push(make("p", "note", `No pad: ${found.none_because}.`));
    if (part) {
      const list = make("dl", "figures");
      for (const [name, value] of part.figures) list.append(make("dt", "", name), make("dd", "", value));
      out.push(list);
      if (found.pad?.binding.length) {
        out.push(make("h3", "", "What binds, where"));
        const rules = make("ul");
        for (const text of found.pad.binding) rules.append(make("li", "", text));
        out.push(rules);
      }
    }
    out.push(pressure(found));
    if (found.notes.length) {
      const box = make("details"), list = make("ul"), warn = found.notes.filter((n) => n.level !== "info").length;
      box.append(make("summary", "", `${found.notes.length} notes${warn ? `, ${warn} to mind` : ""}`), list);
      box.open = Boolean(this.open);
      box.addEventListener("toggle", () => { this.open = box.open; });
      for (const n of found.notes) {
        const row = make("li");
        row.append(make("span", `lvl ${n.level}`, n.level === "info" ? "Note: " : n.level === "warn" ? "Mind: " : "Refused: "), n.text);
        list.append(row);
      }
      out.push(box);
    }
    place.replaceChildren(...out);
  }

  #listen() {
    const q = (text) => this.root.querySelector(text), place = q(".map");
    q(".kind").addEventListener("change", (e) => this.change({ pad: e.target.value === "none" ? false : null, contoured: ["three-quarter", "full"].includes(e.target.value) ? e.target.value : null }));
    let started = false;
    this.level.addEventListener("input", () => { this.change({ support_level: Number(this.level.value) / 100 }, started); started = true; });
    this.level.addEventListener("change", () => { started = false; });
    q("[data-ease]").addEventListener("click", () => this.change({ support_level: null }));
    for (const box of this.root.querySelectorAll("[data-wish]")) box.addEventListener("change", () => this.change({ [box.dataset.wish]: box.value === "" ? null : Number(box.value) }));
    for (const button of this.root.querySelectorAll("[data-step]")) button.addEventListener("click", () => {
      const name = button.parentElement.querySelector("input").dataset.wish;
      this.change({ [name]: Math.max(-10, Math.min(10, (this.wish[name] ?? 0) + Number(button.dataset.step))) });
    });
    q("[data-kit]").addEventListener("change", (e) => this.change({ pad_source: e.target.checked ? "kit" : null }));
    q("[data-tender]").addEventListener("click", () => { this.spotting = true; say("Click on the sole map where it is tender."); });
    q("[data-copy]").addEventListener("click", () => {
      const other = feet[this.side === "left" ? "right" : "left"];
      if (!other) { say("Only one foot is scanned."); return; }
      const mine = structuredClone(this.wish), gone = Object.fromEntries(Object.keys(other.wish).map((k) => [k, null]));
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

/** The comparison of pressure in figures, before and after. */
function pressure(found) {
  const box = make("details"), table = make("table"), head = make("tr");
  box.append(make("summary", "", "Pressure, without and with the parts"));
  for (const text of ["In the contact model", "without", "with"]) { const th = make("th", "", text); th.scope = "col"; head.append(th); }
  table.append(head);
  for (const c of found.contact) {
    if (!c.before || !c.after) { table.append(make("tr", "", `${c.case}: ${c.reason}`)); continue; }
    const rows = [["contact", "area", null, " cm²"], ["midfoot's share", "share", "midfoot", " %"], ["peak at the heel", "peak", "heel", " kPa"], ["peak at the ball", "peak", "forefoot", " kPa"]];
    for (const [name, key, region, unit] of rows) {
      const value = (w) => { const v = region ? c[w][key][region] : c[w][key]; return v === undefined ? "none" : `${Math.round(key === "share" ? 100 * v : v)}${unit}`; };
      const row = make("tr"), th = make("th", "", `${sentence(c.case)}: ${name}`);
      th.scope = "row";
      row.append(th, make("td", "num", value("before")), make("td", "num", value("after")));
      table.append(row);
    }
  }
  box.append(table, make("p", "hint", "A comparison of two beds under one load, never a clinical figure."));
  return box;
}

let storing = 0;
function store() {
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
  for (const foot of Object.values(feet)) if (foot.planned) foot.map.show(foot.planned, map, when);
});

document.getElementById("keep")?.addEventListener("click", async (event) => {
  event.target.disabled = true;
  try {
    await stored();
    const found = await follow(await ask("POST", `${base}/plans`), jobs);
    const note = make("p", "note good", found.new ? `Kept as version ${found.version}. ` : `Nothing changed since version ${found.version}; it is kept already. `);
    const on = make("a", "", "Make its parts");
    on.href = `/case/${data.case}/parts?version=${found.version}`;
    note.append(on);
    jobs.replaceChildren(note);
    document.body.dataset.kept = found.version;
  } catch (error) { refuse(jobs, error.message); }
  event.target.disabled = false;
});

document.getElementById("versions")?.addEventListener("click", async (event) => {
  const version = event.target.dataset?.version;
  if (version === undefined) return;
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
    for (const button of document.querySelectorAll("#versions [data-version]")) button.setAttribute("aria-pressed", String(button.dataset.version === version && version !== ""));
  } catch (error) { complain(error); }
});
const rider = (given) => ask("PUT", `${base}/wishes`, { wishes, ...given }).then(() => { for (const foot of Object.values(feet)) foot.plan(); });
document.getElementById("mass")?.addEventListener("change", (e) => rider({ body_mass: e.target.value === "" ? null : Number(e.target.value) }).catch(complain));
document.getElementById("zero")?.addEventListener("change", (e) => rider({ confirm_zero: e.target.checked }).catch(complain));
const passed = [...(data.draft.overrides ?? [])];
document.getElementById("pass")?.addEventListener("submit", (event) => {
  event.preventDefault();
  const one = Object.fromEntries(new FormData(event.target));
  rider({ overrides: [...passed, one] }).then(() => location.reload(), complain);
});
for (const button of document.querySelectorAll("[data-drop]")) button.addEventListener("click", () => rider({ overrides: passed.filter((_, k) => k !== Number(button.dataset.drop)) }).then(() => location.reload(), complain));
document.getElementById("against")?.addEventListener("change", async (event) => {
  try {
    against = event.target.value ? await ask("GET", `${base}/plans/${event.target.value}`) : null;
    for (const foot of Object.values(feet)) if (foot.planned) foot.show(foot.planned);
  } catch (error) { complain(error); }
});
document.getElementById("take")?.addEventListener("click", () => {
  const found = looking;
  past.push(structuredClone(wishes));
  undo.disabled = false;
  for (const side of ["left", "right"]) wishes[side] = { ...(found.wishes.both ?? {}), ...(found.wishes[side] ?? {}) };
  looking = null;
  document.querySelector("[data-version='']").click();
  store();
});

document.getElementById("pictures")?.addEventListener("click", async (event) => {
  const [older, newer] = ["older", "newer"].map((id) => document.getElementById(id).value), place = document.getElementById("compared");
  if (older === newer) { refuse(place, "Choose two versions."); return; }
  event.target.disabled = true;
  place.replaceChildren(make("p", "note", "Drawing both versions …"));
  const path = `${base}/plans/${older}/against/${newer}`;
  try {
    const answer = await fetch(path);
    if (!answer.ok) throw new Error((await answer.json()).error);
    const picture = make("img"), figure = make("figure", "pictures");
    picture.src = URL.createObjectURL(await answer.blob());
    picture.alt = `Supports of version ${older} (dashed) and version ${newer} (solid), from above and in section`;
    figure.append(picture, make("figcaption", "hint", `Version ${older} dashed, version ${newer} solid.`));
    place.replaceChildren(figure);
  } catch (error) { refuse(place, error.message); }
  event.target.disabled = false;
});

for (const root of document.querySelectorAll(".planfoot")) feet[root.dataset.side] = new Foot(root);
