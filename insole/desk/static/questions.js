import { ask, base, complain, inTurn, make, rail } from "./common.js";

const standing = document.getElementById("standing"), clinician = document.getElementById("clinician");

function show(stand) {
  standing.className = `note ${stand.stop ? "stop" : stand.open ? (stand.notes.length ? "" : "open") : "good"}`;
  const words = [stand.stop, ...stand.notes];
  if (!stand.stop) words.push(stand.open ? `${stand.open} not asked yet.` : "All asked. Nothing stops.");
  standing.replaceChildren(...words.filter(Boolean).map((text) => make("span", "", `${text} `)));
  clinician.hidden = !stand.stop && !document.getElementById("word").value;
  document.getElementById("all-no").parentElement.hidden = !stand.open;
  rail();
  document.getElementById("stopnote")?.remove();
}

// in turn: an answer that arrives late must not show an earlier state in a stop's place
function send(body) {
  inTurn(async () => show(await ask("PUT", `${base}/answers`, body))).catch(complain);
}

for (const box of document.querySelectorAll(".ask")) {
  box.addEventListener("change", (event) => send({ answers: { [box.dataset.id]: event.target.value || null } }));
  // what was tapped before this script was there counts too
  const early = box.querySelector("input:checked");
  if (early && !early.defaultChecked) send({ answers: { [box.dataset.id]: early.value || null } });
}
document.getElementById("all-no").addEventListener("click", () => {
  const answers = {};
  for (const box of document.querySelectorAll(".ask")) {
    if (box.querySelector("input:checked")?.value) continue;
    box.querySelector("input[value=no]").checked = true;
    answers[box.dataset.id] = "no";
  }
  send({ answers });
});
document.getElementById("record").addEventListener("click", () => send({ clinician: document.getElementById("word").value }));
send({ answers: {} });
