// The plan on paper: drawn while the fitter reads, then one press opens it for printing.
import { ask, base, follow, make, refuse } from "./common.js";

/** Put what opens a kept plan's page into `place`; until it is drawn, that is said there. */
export async function planPage(place, version) {
  const path = `${base}/plans/${version}/page`, link = make("a", "button", "Print the plan"), wait = make("span", "button quiet waiting");
  wait.append(make("i", "spin"), "Drawing the plan's page …");
  place.replaceChildren(wait);
  try {
    await follow(await ask("POST", path), null);
    Object.assign(link, { href: path, target: "_blank", rel: "noopener" });
    place.replaceChildren(link);
  } catch (error) { refuse(place, error.message); }
}
