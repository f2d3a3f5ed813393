// A scanned sole in plan, seen from above as it lies before the fitter, with its landmarks.
// The server gives page coordinates in mm; which side is medial is never decided here.
import { make, svg } from "./common.js";
import { pinned } from "./movable.js";
import { MAPS, at } from "./solemap.js";

const EDGE = 9, PIXELS = 3, BAND = 2;

export class PlanFoot {
  constructor(place, side) {
    this.place = make("div", "map sole");
    this.canvas = make("canvas");
    this.svg = svg("svg");
    this.canvas.setAttribute("role", "img");
    this.canvas.setAttribute("aria-label", `Sole of the ${side} foot in plan, seen from above, coloured by its height above the ground`);
    this.place.append(this.canvas, this.svg);
    this.legend = make("div", "legend");
    place.append(this.place, this.legend);
    this.pins = [];
    new ResizeObserver(() => this.#put()).observe(this.place);
  }

  /** Draw the sole; the landmarks are put on it by `pin`. */
  show(foot) {
    const g = foot.sole, pages = foot.landmarks.filter((m) => m.in_plan).map((m) => m.page);
    const xs = [g.x0, g.x0 + (g.nx - 1) * g.step, ...pages.map((p) => p[0])], ys = [g.y0, g.y0 + (g.ny - 1) * g.step, ...pages.map((p) => p[1])];
    this.grid = g;
    this.box = [Math.min(...xs) - EDGE, Math.min(...ys) - EDGE, Math.max(...xs) + EDGE, Math.max(...ys) + EDGE];
    const [x0, y0, x1, y1] = this.box, w = Math.round((x1 - x0) * PIXELS), h = Math.round((y1 - y0) * PIXELS), colours = MAPS.height.colours;
    this.place.dataset.ready = "yes";
    this.place.style.aspectRatio = `${x1 - x0} / ${y1 - y0}`;
    this.canvas.width = w;
    this.canvas.height = h;
    const image = new ImageData(w, h), parts = colours.map((c) => [1, 3, 5].map((k) => parseInt(c.slice(k, k + 2), 16)));
    for (let row = 0; row < h; row += 1) for (let col = 0; col < w; col += 1) {
      const z = at(g, x0 + (col + 0.5) / PIXELS, y1 - (row + 0.5) / PIXELS);
      if (z !== z) continue;
      image.data.set([...parts[Math.max(0, Math.min(parts.length - 1, Math.floor(z / BAND)))], 255], 4 * (row * w + col));
    }
    this.canvas.getContext("2d").putImageData(image, 0, 0);
    this.svg.setAttribute("viewBox", `${x0} ${-y1} ${x1 - x0} ${y1 - y0}`);
    this.svg.replaceChildren(
      svg("text", { x: foot.medial_on_page > 0 ? x1 - 1 : x0 + 1, y: -y1 + 7, "text-anchor": foot.medial_on_page > 0 ? "end" : "start" }, "big-toe side"),
      svg("text", { x: x0 + 1, y: -y0 - 1 }, "heel"), svg("path", { d: `M${x1 - 22} ${-y0 - 2}h20`, class: "crest" }), svg("text", { x: x1 - 12, y: -y0 - 3.5, "text-anchor": "middle" }, "20 mm"),
    );
    const scale = make("div", "scale"), ticks = make("div", "ticks");
    colours.forEach((colour, k) => {
      const band = make("i");
      band.style.background = colour;
      scale.append(band);
      ticks.append(make("span", "", String(k * BAND)));
    });
    ticks.append(make("span", "", `${colours.length * BAND}+ mm`));
    this.legend.replaceChildren(make("div", "", "Height of the sole above the ground, seen from above"), scale, ticks);
  }

  /** Return the height of the sole at a page place; NaN beside it. */
  height(page) { return at(this.grid, page[0], page[1]); }

  pin(pins) {
    for (const old of this.pins) old.element.remove();
    this.pins = pins.map((p) => pinned(p, this.place, {
      at: "page", pixel: (page) => this.#pixel(page), to: (x, y) => this.#page(x, y),
      scale: () => this.place.clientWidth / (this.box[2] - this.box[0]), draw: () => this.#put(),
    }));
    this.#put();
  }

  #pixel(page) {
    const s = this.place.clientWidth / (this.box[2] - this.box[0]);
    return [(page[0] - this.box[0]) * s, (this.box[3] - page[1]) * s];
  }

  #page(x, y) {
    const s = this.place.clientWidth / (this.box[2] - this.box[0]), page = [this.box[0] + x / s, this.box[3] - y / s];
    return page[0] < this.box[0] || page[0] > this.box[2] || page[1] < this.box[1] || page[1] > this.box[3] ? null : page;
  }

  #put() {
    if (!this.box) return;
    for (const pin of this.pins) {
      const [x, y] = this.#pixel(pin.page);
      pin.element.style.left = `${x}px`;
      pin.element.style.top = `${y}px`;
    }
  }
}
