// One foot's sole map in plan view, and its section. The server gives page coordinates in mm:
// across to the right, up to the toes; which side is medial is never decided here.
import { make, svg } from "./common.js";

// Sequential maps that read the same with any colour vision and in grey; light is little.
const HEIGHT = ["#f1f7e8", "#d6ecd4", "#b1dccd", "#84c6cd", "#58abc8", "#388bbb", "#2a6aab", "#264a93", "#1f2f72", "#141a48"];
const GAP = ["#fff6dd", "#fddba6", "#f5a765", "#de7038", "#ab3d1d", "#6b1f12"];
const PRESS = ["#fff3f7", "#f6cfdf", "#e79bc0", "#c963a2", "#963b86", "#5c2268", "#2c123f"];
export const MAPS = {
  height: { words: "Height of the support", unit: "mm", steps: [2, 3, 4, 6], colours: HEIGHT },
  gap: { words: "Remaining gap under the foot", unit: "mm", steps: [2, 3, 4, 6, 10], colours: GAP },
  gap_before: { words: "Gap without a support", unit: "mm", steps: [2, 3, 4, 6, 10], colours: GAP },
  standing: { words: "Pressure standing, to compare only", unit: "kPa", steps: [10, 15, 20, 30, 50, 80, 150], colours: PRESS },
  pedalling: { words: "Pressure pedalling, to compare only", unit: "kPa", steps: [10, 15, 20, 30, 50, 80, 150], colours: PRESS },
};
/** Return how a map is coloured so that its bands cover what both feet show: one scale for both. */
export function scaled(map, feet) {
  let most = 0;
  for (const foot of feet) for (const g of grids(foot, map)) for (const v of g.z) if (v > most) most = v;
  const kind = MAPS[map], step = kind.steps.find((s) => s * kind.colours.length >= most) ?? kind.steps.at(-1);
  return { ...kind, step };
}

/** The gaps with and without a support share a scale, and so do pressures before and after. */
function grids(foot, map) {
  if (map === "height") return [foot.maps.height].filter(Boolean);
  if (map === "gap" || map === "gap_before") return [foot.maps.gap_before, foot.maps.gap].filter(Boolean);
  return foot.contact.filter((c) => c.case === map).flatMap((c) => [c.before?.map, c.after?.map]).filter(Boolean);
}
const PIXELS = 3; // of the colour map, per mm
const EDGE = 8;

const rgb = (text) => [1, 3, 5].map((k) => parseInt(text.slice(k, k + 2), 16));

/** Return the height of a grid at a page place, between its cells; NaN beside an empty one. */
export function at(grid, x, y) {
  const u = (x - grid.x0) / grid.step, v = (y - grid.y0) / grid.step, i = Math.floor(u), j = Math.floor(v);
  if (i < 0 || j < 0 || i >= grid.nx - 1 || j >= grid.ny - 1) return NaN;
  const z = grid.z, k = j * grid.nx + i, a = z[k], b = z[k + 1], c = z[k + grid.nx], d = z[k + grid.nx + 1];
  if (a === null || b === null || c === null || d === null) {
    const near = z[(v - j > 0.5 ? k + grid.nx : k) + (u - i > 0.5 ? 1 : 0)];
    return near === null ? NaN : near;
  }
  const fu = u - i, fv = v - j;
  return (a * (1 - fu) + b * fu) * (1 - fv) + (c * (1 - fu) + d * fu) * fv;
}

const path = (ring) => `M${ring.map((p) => `${p[0]} ${-p[1]}`).join("L")}Z`;

export class SoleMap {
  constructor(place, legend) {
    this.place = place;
    this.legend = legend;
    this.canvas = place.querySelector("canvas");
    this.svg = place.querySelector("svg");
    this.cut = 120;
    this.offset = [0, 0];
    addEventListener("themed", () => this.shown && this.paint());
  }

  /** Draw a planned foot with one of the maps, in the bands of `kind`. */
  show(foot, map, when, kind) {
    this.shown = { foot, map, when, kind };
    this.offset = [0, 0];
    const xs = foot.base.map((p) => p[0]), ys = foot.base.map((p) => p[1]);
    const box = [Math.min(...xs) - EDGE, Math.min(...ys) - EDGE, Math.max(...xs) + EDGE, Math.max(...ys) + EDGE];
    this.box = box;
    this.place.dataset.ready = "yes";
    this.place.style.aspectRatio = `${box[2] - box[0]} / ${box[3] - box[1]}`;
    this.place.parentElement.style.setProperty("--ratio", (box[2] - box[0]) / (box[3] - box[1]));
    this.svg.setAttribute("viewBox", `${box[0]} ${-box[3]} ${box[2] - box[0]} ${box[3] - box[1]}`);
    this.paint();
  }

  paint() {
    const { foot, map, when, kind } = this.shown;
    const grid = foot.maps[map] ?? foot.contact.find((c) => c.case === map)?.[when]?.map;
    this.#colour(grid, kind, map === "height" ? (foot.pad ?? foot.bed)?.outline : foot.base);
    const root = svg("g");
    root.append(svg("path", { d: path(foot.base), class: "line-base" }), svg("path", { d: path(foot.foot), class: "line-foot" }));
    for (const wedge of foot.wedges) root.append(svg("path", { d: path(wedge.outline), class: "line-wedge" }), svg("path", { d: path(wedge.edge), class: "fill-edge" }));
    for (const mark of foot.marks) {
      root.append(svg("circle", { cx: mark.at[0], cy: -mark.at[1], r: 1.6, class: "spot" }));
      const right = mark.at[0] > (this.box[0] + this.box[2]) / 2;
      root.append(svg("text", { x: mark.at[0] + (right ? -3 : 3), y: -mark.at[1] + (mark.name === "arch_apex" ? 8.5 : 1.7), "text-anchor": right ? "end" : "start" }, mark.label));
    }
    this.pad = svg("g", { class: "pad" });
    const part = foot.pad ?? foot.bed;
    if (part) {
      this.pad.append(svg("path", { d: path(part.outline), class: "line-pad" }));
      const [x, y] = part.crest;
      for (const edge of part.window ?? []) root.append(svg("path", { d: `M${x - 9} ${-edge}h18`, class: "line-window" }));
      for (const kindOf of ["crest-halo", "crest"]) this.pad.append(svg("path", { d: `M${x - 5} ${-y}h10M${x} ${-y - 5}v10`, class: kindOf }));
    }
    if (this.ghost) root.append(svg("path", { d: path(this.ghost.outline), class: "line-ghost" }));
    this.line = svg("path", { class: "cutline" });
    root.append(this.line, this.pad);
    root.append(svg("text", { x: foot.medial > 0 ? this.box[2] - 1 : this.box[0] + 1, y: -this.box[3] + 7, "text-anchor": foot.medial > 0 ? "end" : "start" }, "big-toe side"));
    root.append(svg("text", { x: this.box[0] + 1, y: -this.box[1] - 1 }, "heel"), svg("path", { d: `M${this.box[2] - 22} ${-this.box[1] - 2}h20`, class: "crest" }), svg("text", { x: this.box[2] - 12, y: -this.box[1] - 3.5, "text-anchor": "middle" }, "20 mm"));
    this.svg.replaceChildren(root);
    this.setCut(this.cut);
    this.#key(kind, Boolean(grid));
  }

  /** Move the pad on the page at once, ahead of the plan that follows. */
  drag(across, up) {
    this.offset = [across, up];
    this.pad.setAttribute("transform", `translate(${across} ${-up})`);
  }

  setCut(y) {
    this.cut = y;
    if (this.line && this.box) this.line.setAttribute("d", `M${this.box[0]} ${-y}H${this.box[2]}`);
  }

  /** Return a pointer's place on the page in mm. */
  placeOf(event) {
    const box = this.place.getBoundingClientRect(), s = (this.box[2] - this.box[0]) / box.width;
    return [this.box[0] + (event.clientX - box.left) * s, this.box[3] - (event.clientY - box.top) * s];
  }

  #colour(grid, kind, border) {
    const w = Math.round((this.box[2] - this.box[0]) * PIXELS), h = Math.round((this.box[3] - this.box[1]) * PIXELS);
    this.canvas.width = w;
    this.canvas.height = h;
    if (!grid || !border) return;
    const ink = this.canvas.getContext("2d"), image = new ImageData(w, h), colours = kind.colours.map(rgb);
    const last = colours.length - 1;
    for (let row = 0; row < h; row += 1) {
      const y = this.box[3] - (row + 0.5) / PIXELS;
      for (let col = 0; col < w; col += 1) {
        const v = at(grid, this.box[0] + (col + 0.5) / PIXELS, y);
        if (v !== v) continue;
        const c = colours[Math.min(last, Math.max(0, Math.floor(v / kind.step)))], k = 4 * (row * w + col);
        image.data[k] = c[0]; image.data[k + 1] = c[1]; image.data[k + 2] = c[2]; image.data[k + 3] = 255;
      }
    }
    const whole = new OffscreenCanvas(w, h), page = (p) => [(p[0] - this.box[0]) * PIXELS, (this.box[3] - p[1]) * PIXELS];
    whole.getContext("2d").putImageData(image, 0, 0);
    ink.beginPath();
    border.forEach((p, k) => (k ? ink.lineTo(...page(p)) : ink.moveTo(...page(p))));
    ink.clip();
    ink.drawImage(whole, 0, 0);
  }

  #key(kind, there) {
    const scale = make("div", "scale"), ticks = make("div", "ticks");
    kind.colours.forEach((colour, k) => {
      const band = make("i");
      band.style.background = colour;
      scale.append(band);
      ticks.append(make("span", "", String(k * kind.step)));
    });
    ticks.append(make("span", "", `${kind.colours.length * kind.step}+ ${kind.unit}`));
    const words = make("div", there ? "off" : "", there ? kind.words : `${kind.words}: not to be had here`);
    this.legend.replaceChildren(words, scale, ticks);
  }
}

/** Draw the section across a planned foot at a station, to scale: base, shim, part and sole. */
export function section(place, words, foot, y) {
  const { sole, bed, shim, part } = foot.maps;
  place.replaceChildren();
  if (!sole) { words.textContent = "This plan keeps no sole, so it has no section."; return; }
  const xs = foot.base.map((p) => p[0]), x0 = Math.min(...xs) - 6, x1 = Math.max(...xs) + 6, edge = span(foot.base, y);
  const middle = at(bed, edge ? (edge[0] + edge[1]) / 2 : (x0 + x1) / 2, y), low = middle - foot.thickness - 7, high = middle + 36;
  place.setAttribute("viewBox", `${x0} ${-high} ${x1 - x0} ${high - low}`);
  let line = "";
  const layers = { base: [], shim: [], part: [] };
  const border = (foot.pad ?? foot.bed) ? span((foot.pad ?? foot.bed).outline, y) : null;
  for (let x = x0; x <= x1; x += 0.5) {
    const s = at(sole, x, y), z = at(bed, x, y);
    if (s === s && s < high && edge && x > edge[0] - 4 && x < edge[1] + 4) line += `${line ? "L" : "M"}${x} ${-s}`;
    if (!edge || x < edge[0] || x > edge[1] || z !== z) continue;
    const w = at(shim, x, y) || 0, t = border && x >= border[0] && x <= border[1] ? at(part, x, y) || 0 : 0;
    layers.base.push([x, z - foot.thickness, z]);
    if (w > 0.05) layers.shim.push([x, z, z + w]);
    if (border && x >= border[0] && x <= border[1]) layers.part.push([x, z + w, z + w + t]);
  }
  for (const [name, row] of Object.entries(layers)) {
    if (row.length < 2) continue;
    const up = row.map((p) => `${p[0]} ${-p[2]}`), down = row.map((p) => `${p[0]} ${-p[1]}`).reverse();
    place.append(svg("path", { d: `M${up.join("L")}L${down.join("L")}Z`, class: `cut-${name}` }));
  }
  place.append(svg("path", { d: line || "M0 0", class: "cut-sole" }));
  place.append(svg("text", { x: x0 + 1, y: -high + 5 }, "sole of the foot"), svg("path", { d: `M${x1 - 22} ${-low - 2}h20`, class: "crest" }), svg("text", { x: x1 - 12, y: -low - 3.5, "text-anchor": "middle" }, "20 mm"));
  const crest = (foot.pad ?? foot.bed)?.crest[0], free = at(foot.maps.gap, crest, y), tall = at(part, crest, y);
  words.textContent = !border || !(tall > 0) ? "No support at this station: the foot is over the base alone."
    : `Along the crest: ${tall.toFixed(1)} mm of support, ${Number.isFinite(free) ? `${free.toFixed(1)} mm of gap remain above it` : "the sole above it was not seen"}.`;
}

/** Return where a ring is crossed at a station: first and last place across. */
function span(ring, y) {
  const found = [];
  ring.forEach((p, k) => {
    const q = ring[(k + 1) % ring.length];
    if ((p[1] > y) !== (q[1] > y)) found.push(p[0] + (y - p[1]) * (q[0] - p[0]) / (q[1] - p[1]));
  });
  return found.length > 1 ? [Math.min(...found), Math.max(...found)] : null;
}
