import { ask, complain, follow } from "./common.js";

document.getElementById("new").addEventListener("submit", async (event) => {
  event.preventDefault();
  try {
    const found = await ask("POST", "/api/cases", { name: document.getElementById("name").value });
    location.href = `/case/${found.case}/questions`;
  } catch (error) { complain(error); }
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
if (sample) follow({ id: sample.dataset.job, what: "", words: "", state: "running" }, null).then(() => location.reload(), complain);
