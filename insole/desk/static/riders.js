import { ask, complain, follow, refuse } from "./common.js";

document.getElementById("new").addEventListener("submit", async (event) => {
  event.preventDefault();
  const name = document.getElementById("name"), wrong = document.getElementById("name-wrong"), typed = name.value.trim();
  const odd = typed.match(/[^A-Za-z0-9_ -]/u), first = typed.match(/^[^A-Za-z0-9]/u);
  const words = !typed ? "Type a pseudonym." : odd ? `“${odd[0]}” cannot stand in a pseudonym: letters a to z, digits, - and _ can.` : first ? "A pseudonym begins with a letter or a digit." : "";
  name.toggleAttribute("aria-invalid", Boolean(words));
  if (words) { refuse(wrong, words); name.focus(); return; }
  try {
    const found = await ask("POST", "/api/cases", { name: typed });
    location.href = `/case/${found.case}/questions`;
  } catch (error) { refuse(wrong, error.message); name.focus(); }
});

document.getElementById("archive").addEventListener("change", async (event) => {
  const [file] = event.target.files;
  event.target.value = "";
  if (!file) return;
  try { location.href = `/case/${(await ask("POST", "/api/import", file)).case}`; } catch (error) { complain(error); }
});

document.getElementById("find")?.addEventListener("input", (event) => {
  const wanted = event.target.value.toLowerCase();
  let shown = 0;
  for (const row of document.querySelectorAll("#list tbody tr")) {
    row.hidden = !row.dataset.name.toLowerCase().includes(wanted);
    shown += !row.hidden;
  }
  document.querySelector(".none").hidden = shown > 0;
});

const dialog = document.getElementById("erase"), confirm = document.getElementById("confirm");
for (const button of document.querySelectorAll("[data-erase]")) {
  button.addEventListener("click", () => {
    document.getElementById("erase-name").textContent = button.dataset.erase;
    confirm.value = "";
    dialog.returnValue = "no";
    dialog.showModal();
    confirm.focus();
    dialog.onclose = async () => {
      if (dialog.returnValue !== "yes") return;
      try {
        await ask("DELETE", `/api/cases/${button.dataset.erase}`, { confirm: confirm.value });
        location.reload();
      } catch (error) { complain(error); }
    };
  });
}

const sample = document.getElementById("sample");
if (sample) follow({ id: sample.dataset.job, what: "", words: "", state: "running" }, null).then(() => {
  if (document.getElementById("name").value) sample.remove(); else location.reload(); // what is being typed is not lost
}, complain);
