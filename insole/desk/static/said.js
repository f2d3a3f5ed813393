// What a planned foot says beside its map, in figures and words.
import { make, sentence } from "./common.js";

/** The numbers that a fitter watches while a slider moves. */
export function headline(root, found) {
  const part = found.pad ?? found.bed, place = root.querySelector(".headline"), figures = [];
  if (part) figures.push(["Crest", `${part.height.toFixed(1)} mm`]);
  if (part?.highest) figures.push(["Highest", `${part.highest.toFixed(1)} mm`]);
  if (part) figures.push(["Remaining gap", part.free]);
  const c = found.contact.find((one) => one.case === "standing" && one.before && one.after);
  if (c) {
    figures.push(["Midfoot load", `${Math.round(100 * (c.before.share.midfoot ?? 0))} → ${Math.round(100 * (c.after.share.midfoot ?? 0))} %`]);
    figures.push(["Contact", `${Math.round(c.before.area)} → ${Math.round(c.after.area)} cm²`]);
  }
  place.replaceChildren(...figures.map(([name, value]) => { const one = make("span"); one.append(make("small", "", name), make("b", "", value)); return one; }));
  place.title = c ? `Standing, without → with the parts${found.wedges.length || found.posting.length ? ", wedges too" : ""}` : "";
  const off = found.notes.filter((n) => n.code === "crest-off-apex"), mind = root.querySelector(".mind");
  mind.replaceChildren(...off.map((n) => make("p", "note warn", n.text)));
  root.querySelector(".map").classList.toggle("off-apex", off.length > 0);
}

/** The wedges that are made, and why one that is wished is not. */
export function wedgeWords(place, found, wish) {
  place.replaceChildren();
  for (const w of found.wedges) place.append(make("p", "", `${sentence(w.place)}: ${w.words}, ${w.thick} at the thick edge${w.kept ? ` (wished ${w.wish}°, the shoe keeps ${w.kept}°)` : ""}.`));
  for (const text of found.posting) place.append(make("p", "", `Built in: ${text}.`));
  for (const [where, why] of Object.entries(found.no_wedge)) if (wish[where] !== undefined || wish[{ "inside forefoot": "forefoot", "inside heel": "heel", "under the shoe": "under" }[where]] !== undefined) place.append(make("p", "hint", `${sentence(where)}: none made; ${why}.`));
}

/** What the plan says of one foot: its effect, figures, rules that bind, what to mind. */
export function words(place, found) {
  const part = found.pad ?? found.bed, out = [];
  if (found.effect) {
    const note = make("div", `note ${found.effect.little ? "warn" : "good"}`);
    const alone = found.wedges.length || found.posting.length ? " by itself, without the wedge," : "";
    note.append(make("p", "", `The support${alone} ${found.effect.words.charAt(0).toLowerCase()}${found.effect.words.slice(1)}.`));
    if (found.effect.binds && !found.pad?.binding.length) note.append(make("p", "", `What binds most: ${found.effect.binds.charAt(0).toLowerCase()}${found.effect.binds.slice(1)}.`));
    out.push(note);
  }
  if (!part && found.none_because) out.push(make("p", "note", `No pad: ${found.none_because}.`));
  if (part) {
    const list = make("dl", "figures");
    for (const [name, value] of part.figures) list.append(make("dt", "", name), make("dd", "", value));
    out.push(list);
    if (found.pad?.binding.length) {
      out.push(make("h3", "", "What keeps the pad smaller than wished"));
      const rules = make("ul");
      for (const text of found.pad.binding) rules.append(make("li", "", text));
      out.push(rules, make("p", "hint", "Nothing has to be done about it: these places are kept free on purpose."));
    }
  }
  out.push(pressure(found));
  const row = (n) => {
    const line = make("li");
    line.append(make("span", `lvl ${n.level}`, n.level === "info" ? "Note: " : n.level === "warn" ? "Mind: " : "Refused: "), n.text);
    return line;
  };
  const mind = found.notes.filter((n) => n.level !== "info"), rest = found.notes.filter((n) => n.level === "info");
  if (mind.length) { const list = make("ul", "minded"); list.append(...mind.map(row)); out.push(list); }
  if (rest.length) {
    const box = make("details"), list = make("ul");
    box.append(make("summary", "", `${rest.length} ${rest.length > 1 ? "notes" : "note"} more`), list);
    box.open = place.dataset.open === "yes";
    box.addEventListener("toggle", () => { place.dataset.open = box.open ? "yes" : ""; });
    list.append(...rest.map(row));
    out.push(box);
  }
  place.replaceChildren(...out);
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
