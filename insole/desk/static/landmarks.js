import { ask, base, complain, data, follow, make, refuse, say, sentence } from "./common.js";
import { Foot3D } from "./foot3d.js";

const jobs = document.getElementById("jobs");

async function show(side, chosen = "arch_apex") {
  const body = document.querySelector(`.foot[data-side=${side}] .body`);
  let foot;
  try { foot = await ask("GET", `${base}/feet/${side}`); } catch (error) { refuse(body, error.message); return; }
  const solid = make("div"), row = make("p", "row"), words = make("p", "hint");
  const pick = make("select");
  pick.id = `pick-${side}`;
  const label = make("label", "", "Landmark");
  label.htmlFor = pick.id;
  for (const mark of foot.landmarks) {
    const option = make("option", "", sentence(mark.label) + (mark.by_hand ? " (by hand)" : ""));
    option.value = mark.name;
    pick.append(option);
  }
  if (foot.landmarks.some((m) => m.name === chosen)) pick.value = chosen;
  const place = make("button", "", "Place it"), back = make("button", "quiet", "Back to automatic");
  place.type = back.type = "button";
  place.setAttribute("aria-pressed", "false");
  row.append(label, pick, place, back);
  const table = make("table"), head = make("tr");
  for (const text of ["Landmark", "From heel, mm", "Across, mm", "High, mm", "±, mm"]) { const th = make("th", "", text); th.scope = "col"; head.append(th); }
  table.append(head);
  for (const mark of foot.landmarks) {
    const line = make("tr"), name = make("th", "", `${short(mark.name)}  ${sentence(mark.label)}` + (mark.by_hand ? ", by hand" : ""));
    name.scope = "row";
    line.append(name, make("td", "num", mark.along), make("td", "num", mark.across), make("td", "num", mark.high), make("td", "num", String(mark.sd)));
    table.append(line);
  }
  const scroll = make("div", "scroll");
  scroll.tabIndex = 0;
  scroll.setAttribute("role", "region");
  scroll.setAttribute("aria-label", `Landmarks of the ${side} foot`);
  scroll.append(table);
  body.replaceChildren(solid, row, words, scroll);
  const view = new Foot3D(solid, side);
  const pins = () => foot.landmarks.map((m) => ({ at: m.at, text: short(m.name), kind: m.name === pick.value ? "chosen" : "mark" }));
  const said = () => {
    const mark = foot.landmarks.find((m) => m.name === pick.value);
    words.textContent = `${mark.along} mm from the heel, ${mark.across} of the axis, ${mark.high} mm high; ± ${mark.sd} mm; ${mark.method}`;
    back.disabled = !mark.by_hand;
    view.pin(pins());
  };
  pick.addEventListener("change", said);
  const send = async (body) => {
    place.disabled = back.disabled = true;
    try {
      await follow(await ask("PUT", `${base}/feet/${side}/landmarks`, body), jobs);
      say("Measured anew.");
      show(side, pick.value);
    } catch (error) { complain(error); place.disabled = false; }
  };
  place.addEventListener("click", () => {
    const on = view.picked === null;
    view.picked = on ? (at) => { view.picked = null; send({ name: pick.value, at }); } : null;
    place.textContent = on ? "Click on the foot …" : "Place it";
    place.setAttribute("aria-pressed", String(on));
    view.place.classList.toggle("placing", on);
  });
  back.addEventListener("click", () => send({ name: pick.value, at: null }));
  try { await view.load(`${base}/feet/${side}/mesh`); } catch (error) { complain(error); }
  view.look("Sole");
  said();
}

const SHORT = { arch_apex: "A", mth1: "1", mth2: "2", mth3: "3", mth4: "4", mth5: "5", heel_centre: "H", pternion: "P", acropodion: "T", navicular: "N", instep: "I", metatarsale_tibiale: "b", metatarsale_fibulare: "s" };
const short = (name) => SHORT[name] ?? "·";

for (const side of Object.keys(data.draft.scans)) show(side);
