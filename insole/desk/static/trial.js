import { ask, base, complain, make, rail, refuse, sentence } from "./common.js";

const form = document.getElementById("trial"), answer = document.getElementById("answer");
const WORDS = { support_level: "Level", shift: "Pad by hand", turn: "Pad turned", forefoot: "Wedge inside, forefoot", heel: "Wedge inside, heel", under: "Wedge under the shoe", cleat_offset: "Pedal axle ahead of the first head", cleat_yaw: "Cleat turned", pad: "Pad" };
const shown = (name, value) => {
  if (value === undefined || value === null) return "no wish";
  if (name === "support_level") return `${Math.round(100 * value)} %`;
  if (name === "shift") {
    const [forward, medial] = value, parts = [];
    if (forward) parts.push(`${Math.abs(forward)} mm to the ${forward > 0 ? "toes" : "heel"}`);
    if (medial) parts.push(`${Math.abs(medial)} mm to the ${medial > 0 ? "big-toe" : "little-toe"} side`);
    return parts.join(", ") || "not moved";
  }
  if (typeof value === "number") return `${value} ${name.startsWith("cleat_o") ? "mm" : "°"}`;
  return String(value);
};

const day = document.getElementById("date"), today = new Date();
if (form) {
  day.value = day.max = `${today.getFullYear()}-${String(today.getMonth() + 1).padStart(2, "0")}-${String(today.getDate()).padStart(2, "0")}`;
  document.getElementById("none").addEventListener("click", () => { for (const box of form.querySelectorAll("[data-flag][value=no]")) if (!form.querySelector(`[name=${box.name}][value=yes]:checked`)) box.checked = true; });
}

form?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const flags = {};
  for (const box of form.querySelectorAll("[data-flag]:checked")) if (box.value) flags[box.dataset.flag] = box.value;
  const given = {
    plan: Number(document.getElementById("plan").value), date: day.value, flags,
    felt: [...form.querySelectorAll("[name=felt]:checked")].map((b) => b.value),
    side: form.querySelector("[name=side]:checked").value, answer: form.querySelector("[name=answer]:checked")?.value ?? null,
    text: document.getElementById("said").value, clinician: document.getElementById("clinician").value,
    corrects: Number(document.getElementById("corrects")?.value) || null, because: document.getElementById("because")?.value ?? "",
  };
  // a clinician's word alone needs no ride
  const word = given.clinician && !given.answer && !given.felt.length && !Object.keys(flags).length;
  const missing = word ? null : !given.date ? [day, "Say the day of the ride."] : !given.answer ? [form.querySelector("[name=answer]"), "Say how it was against before this plan: better, same or worse."] : null;
  if (missing) {
    refuse(answer, missing[1]);
    missing[0].focus();
  } else try { await logged(await ask("POST", `${base}/trials`, given)); } catch (error) { refuse(answer, error.message); }
  answer.scrollIntoView({ block: "center" });
});

/** A trial is logged once: the form rests until another one is wanted. */
async function logged(found) {
  show(found);
  const again = make("button", "quiet", "Log another trial"), send = form.querySelector("button[type=submit]");
  send.disabled = true;
  again.type = "button";
  again.addEventListener("click", () => location.reload());
  const end = make("p", "row");
  end.append(again, make("span", "hint", `Logged as trial ${found.number}.`));
  answer.append(end);
  rail();
  const page = await fetch(location.pathname);
  if (page.ok) document.getElementById("log").replaceChildren(...new DOMParser().parseFromString(await page.text(), "text/html").getElementById("log").childNodes);
}

function show(found) {
  const box = make("section", `note ${found.stopped ? "stop" : found.step ? "good" : ""}`);
  box.append(make("h2", "", found.stopped ? "Stop" : found.step ? "One step" : "No step"));
  for (const text of found.words) box.append(make("p", "", text));
  if (found.step && !found.stopped) {
    const table = make("div", "old-new");
    table.append(make("b", "", ""), make("b", "", "as ridden"), make("b", "", "new"));
    for (const [side, wishes] of Object.entries(found.step.wishes)) {
      for (const [name, value] of Object.entries(wishes)) {
        table.append(make("span", "", `${sentence(side)}: ${WORDS[name] ?? name}`), make("span", "", shown(name, found.step.before[side]?.[name])), make("strong", "", shown(name, value)));
      }
    }
    const take = make("button", "", "Take this step");
    take.type = "button";
    take.id = "take-step";
    take.addEventListener("click", async () => {
      try {
        await ask("POST", `${base}/trials/${found.number}/step`);
        location.href = `${location.pathname.replace(/trial$/, "support")}?step=${found.number}`;
      } catch (error) { complain(error); }
    });
    box.append(table, take, make("p", "hint", "It goes into the work on the support page; look at it there and keep the plan."));
  }
  if (!found.step && !found.stopped) { // what comes next is the fitter's
    const hand = make("a", "button", "Place it by hand");
    hand.href = location.pathname.replace(/trial$/, "support");
    box.append(make("p", "hint", "No step of the rules fits. Change one thing on the support page, keep it, and try that; or log another trial."), hand);
  }
  answer.replaceChildren(box);
}
