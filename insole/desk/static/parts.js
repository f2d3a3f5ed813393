import { ask, base, complain, follow, refuse } from "./common.js";

const make = document.getElementById("make"), edges = document.getElementById("edges"), jobs = document.getElementById("jobs");
edges?.addEventListener("change", () => { make.disabled = !edges.checked; });
make?.addEventListener("click", async () => {
  make.disabled = true;
  const version = document.getElementById("maker").dataset.version;
  try {
    await follow(await ask("POST", `${base}/plans/${version}/make`, { edges_read: Boolean(edges?.checked) }), jobs);
    location.reload();
  } catch (error) {
    make.disabled = false;
    if (error.cancelled) complain(error); else refuse(jobs, error.message);
  }
});
