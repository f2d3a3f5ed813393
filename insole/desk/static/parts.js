import { ask, base, complain, follow, refuse } from "./common.js";
import { planPage } from "./planpage.js";

const make = document.getElementById("make"), edges = document.getElementById("edges"), jobs = document.getElementById("jobs");
edges?.addEventListener("change", () => { make.disabled = !edges.checked; });

/** What is asked of the parts beside the usual; an empty field is the usual. */
function asked() {
  const how = {};
  for (const field of document.querySelectorAll("[data-how]")) {
    if (field.type === "checkbox") { if (field.checked) how[field.dataset.how] = true; } else if (field.value !== "") how[field.dataset.how] = field.type === "number" ? Number(field.value) : field.value;
  }
  return how;
}

make?.addEventListener("click", async () => {
  make.disabled = true;
  make.textContent = "Making …";
  const version = document.getElementById("maker").dataset.version;
  jobs.replaceChildren();
  try {
    await follow(await ask("POST", `${base}/plans/${version}/make`, { edges_read: Boolean(edges?.checked), how: asked() }), jobs);
    location.reload();
  } catch (error) {
    make.disabled = false;
    make.textContent = "Make the parts";
    if (error.cancelled) complain(error); else refuse(jobs, error.message);
  }
});

const page = document.getElementById("plan-page");
if (page) planPage(page, document.getElementById("maker").dataset.version);
