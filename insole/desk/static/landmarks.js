// Landmarks: drag a mark on the foot or on its plan, or move it by arrow keys; the numbers follow at
// once, and when it stays the foot is measured anew. What was felt with a finger is ticked.
import { ask, base, complain, data, follow, make, rail, refuse, say, sentence } from "./common.js";
import { Foot3D } from "./foot3d.js";
import { PlanFoot } from "./planfoot.js";

const SHORT = { arch_apex: "A", mth1: "1", mth2: "2", mth3: "3", mth4: "4", mth5: "5", heel_centre: "H", pternion: "P", acropodion: "T", navicular: "N", instep: "I", metatarsale_tibiale: "b", metatarsale_fibulare: "s" };
const short = (name) => SHORT[name] ?? "·";
const placeWords = (along, across, high) => `${along} mm from the heel, ${across}${/[a-z]/.test(across) ? " of the axis" : " on the axis"}, ${high} mm high`;
const tenth = (v) => (Math.round(10 * v) / 10 + 0).toFixed(1);

class Side {
  constructor(side) {
    this.side = side;
    this.card = document.querySelector(`.foot[data-side=${side}]`);
    this.path = `${base}/feet/${side}`;
    this.chosen = "arch_apex";
    this.past = [];
    this.waiting = 0;
    this.begin();
  }

  q(css) { return this.card.querySelector(css); }

  async begin() {
    try { this.foot = await ask("GET", this.path); } catch (error) { refuse(this.q(".body"), error.message); return; }
    this.q(".body").remove();
    this.q(".bench").hidden = false;
    this.view = new Foot3D(this.q(".in3d"), this.side, { told: true });
    this.plan = new PlanFoot(this.q(".inplan"), this.side);
    for (const box of this.card.querySelectorAll(".how input")) box.addEventListener("change", () => {
      this.q(".in3d").hidden = box.value !== "3d";
      this.q(".inplan").hidden = box.value !== "plan";
      if (box.value === "plan") { this.plan.show(this.foot); this.pins(); } else this.view.draw();
    });
    this.q("select").addEventListener("change", (e) => { this.choose(e.target.value); });
    this.q(".felt").addEventListener("change", (e) => this.send({ name: this.chosen, felt: e.target.checked }));
    this.q("[data-auto]").addEventListener("click", () => this.send({ name: this.chosen }));
    this.q("[data-all]").addEventListener("click", () => this.send({}));
    this.q("[data-undo]").addEventListener("click", () => { const was = this.past.pop(); if (was) this.send(was, true); });
    this.show();
    try { await this.view.load(`${this.path}/mesh`); } catch (error) { complain(error); }
    this.view.look("Sole");
    this.pins();
  }

  get mark() { return this.foot.landmarks.find((m) => m.name === this.chosen) ?? this.foot.landmarks[0]; }

  choose(name) {
    this.chosen = name;
    this.q("select").value = name;
    this.said();
    for (const view of [this.view, this.plan]) for (const pin of view.pins) if (pin.moved) {
      pin.element.classList.toggle("chosen", pin.name === name);
      pin.element.tabIndex = pin.name === name ? 0 : -1;
    }
  }

  /** Everything that is read off the foot: picker, table, numbers. */
  show() {
    const pick = this.q("select"), rows = this.q("tbody");
    pick.replaceChildren(...this.foot.landmarks.map((mark) => {
      const option = make("option", "", sentence(mark.label) + (mark.by_hand ? " (by hand)" : ""));
      option.value = mark.name;
      return option;
    }));
    if (!this.foot.landmarks.some((m) => m.name === this.chosen)) this.chosen = this.foot.landmarks[0].name;
    pick.value = this.chosen;
    rows.replaceChildren(...this.foot.landmarks.map((mark) => {
      const line = make("tr"), name = make("th"), sign = make("span", "key", short(mark.name));
      name.scope = "row";
      name.append(sign, mark.label.replace("metatarsal ", "").replace(" point", ""));
      if (mark.by_hand) name.append(" ", make("span", "tag", mark.felt ? "felt" : "by hand"));
      line.append(name, make("td", "num", mark.along), make("td", "num", mark.across.replace(" medial", " med").replace(" lateral", " lat")), make("td", "num", mark.high), make("td", "num", mark.by_hand && !mark.felt ? "by eye" : String(mark.sd)));
      return line;
    }));
    this.q("[data-all]").disabled = !this.foot.landmarks.some((m) => m.by_hand);
    this.q("[data-undo]").disabled = !this.past.length;
    this.said();
  }

  said() {
    const mark = this.mark;
    this.q(".where").textContent = placeWords(mark.along, mark.across, mark.high);
    this.q(".how-sure").textContent = mark.by_hand && !mark.felt ? "set by eye: no surer than where it was found. Felt there? Tick it." : `± ${mark.sd} mm, ${mark.felt ? "felt with a finger, by hand" : mark.method}`;
    this.q(".felt").checked = mark.felt;
    this.q("[data-auto]").disabled = !mark.by_hand;
  }

  pins() {
    const of = (mark, key) => ({
      [key]: mark[key], name: mark.name, text: short(mark.name), kind: `mark${mark.by_hand ? " hand" : ""}${mark.name === this.chosen ? " chosen" : ""}`,
      chosen: mark.name === this.chosen, label: `${mark.label}, ${this.side} foot: arrow keys move it by 1 millimetre, with Shift by 5; Enter keeps it, Escape takes it back`,
      begin: () => this.choose(mark.name),
      moved: (at, done) => this.moved(mark, key, at, done),
    });
    const marks = this.foot.landmarks, ghosts = marks.filter((m) => m.automatic).map((m) => ({ at: m.automatic, text: "", kind: "ghost" }));
    this.view.pin([...ghosts, ...marks.map((m) => of(m, "at"))]);
    if (this.plan.box) this.plan.pin(marks.filter((m) => m.in_plan).map((m) => of(m, "page")));
  }

  /** The numbers follow the mark; when it stays, the foot is measured with it. */
  moved(mark, key, at, done) {
    if (!at) { this.pins(); this.said(); return; }
    const along = key === "at" ? at[0] : at[1], medial = key === "at" ? at[1] * this.foot.medial : at[0] * this.foot.medial_on_page;
    const high = key === "at" ? at[2] : this.plan.height(at), side = tenth(Math.abs(medial));
    this.q(".where").textContent = placeWords(tenth(along), side === "0.0" ? side : `${side} ${medial > 0 ? "medial" : "lateral"}`, high === high ? tenth(high) : mark.high);
    this.q(".how-sure").textContent = done ? "measuring with it …" : "let go, and the foot is measured with it";
    if (done) this.send({ name: mark.name, [key]: at });
  }

  async send(given, undoing = false) {
    const was = given.name ? this.foot.landmarks.find((m) => m.name === given.name) : null;
    if (was && !undoing) this.past.push({ name: was.name, ...(was.by_hand ? { at: was.at, felt: was.felt } : {}) });
    this.waiting += 1;
    const focused = document.activeElement?.getAttribute("aria-label");
    try {
      await follow(await ask("PUT", `${this.path}/landmarks`, given), this.q(".jobs"));
      const before = this.foot;
      const now = await ask("GET", this.path);
      this.foot = now;
      if (this.waiting === 1) { this.show(); this.pins(); }
      this.changes(before, now);
      rail();
      if (focused) this.card.querySelector(`[aria-label="${focused}"]`)?.focus();
    } catch (error) {
      if (!undoing && was) this.past.pop();
      say(error.message, !error.cancelled);
      this.show();
      this.pins();
    }
    this.waiting -= 1;
    this.card.dataset.sent = String(Number(this.card.dataset.sent ?? 0) + 1);
  }

  /** Which measures the moved mark changed, old against new. */
  changes(before, now) {
    const place = this.q(".changed"), old = new Map(before.measures.map((m) => [m.name, m.value])), rows = now.measures.filter((m) => old.get(m.name) !== m.value);
    place.replaceChildren(make("span", "", rows.length ? "Changed: " : "No other measure changed."));
    rows.forEach((m, k) => place.append(make("span", "", `${k ? "; " : ""}${m.label} ${old.get(m.name) ?? "none"} → `), make("b", "", m.value ?? "cannot be had")));
  }
}

for (const side of Object.keys(data.draft.scans)) new Side(side);
