// A foot in three dimensions, drawn by WebGL: turn it with the pointer or the arrow keys.
// Places come from the server in mm, x to the toes, z up, as the foot really is: nothing is
// mirrored here.
import { make } from "./common.js";

const VERTEX = `attribute vec3 place; attribute vec3 normal; uniform mat4 view; uniform mat3 turn; varying vec3 n; varying float z;
void main() { n = turn * normal; z = place.z; gl_Position = view * vec4(place, 1.0); }`;
const FRAGMENT = `precision mediump float; varying vec3 n; varying float z; uniform vec3 skin;
void main() { vec3 m = normalize(n); float key = max(dot(m, normalize(vec3(0.4, 0.6, 0.75))), 0.0); float fill = max(dot(m, normalize(vec3(-0.6, -0.2, 0.5))), 0.0);
float line = smoothstep(0.42, 0.5, abs(fract(z / 10.0) - 0.5)) * 0.10; gl_FragColor = vec4(skin * (0.30 + 0.62 * key + 0.22 * fill - line), 1.0); }`;

const VIEWS = { Inside: [0, 0.08], Sole: [Math.PI / 2, -1.5], Above: [-Math.PI / 2, 1.4], Heel: [-Math.PI / 2, 0.15] };

export class Foot3D {
  constructor(place, side) {
    this.side = side;
    this.place = make("div", "solid");
    this.canvas = make("canvas");
    this.canvas.tabIndex = 0;
    this.canvas.setAttribute("role", "img");
    this.canvas.setAttribute("aria-label", `The ${side} foot, cleaned, in three dimensions; arrow keys turn it`);
    this.place.append(this.canvas);
    const views = make("div", "views");
    views.setAttribute("role", "group");
    views.setAttribute("aria-label", "Views");
    for (const name of Object.keys(VIEWS)) {
      const button = make("button", "quiet small", name);
      button.type = "button";
      button.addEventListener("click", () => this.look(name));
      views.append(button);
    }
    place.append(this.place, views);
    this.pins = [];
    this.zoom = 1;
    this.picked = null;
    this.look("Inside", false);
    this.#listen();
  }

  look(name, draw = true) {
    [this.yaw, this.tilt] = VIEWS[name];
    if (name === "Inside") this.yaw = this.side === "left" ? 0 : Math.PI; // each foot from its arch
    if (draw) this.draw();
  }

  async load(path) {
    const answer = await fetch(path);
    if (!answer.ok) throw new Error("The foot's surface could not be fetched.");
    const bytes = await answer.arrayBuffer();
    const [n, m] = new Uint32Array(bytes, 0, 2);
    this.places = new Float32Array(bytes, 8, 3 * n);
    const normals = new Int8Array(bytes, 8 + 12 * n, 4 * n);
    this.faces = new Uint32Array(bytes, 8 + 16 * n, 3 * m);
    const low = [1e9, 1e9, 1e9], high = [-1e9, -1e9, -1e9];
    for (let i = 0; i < 3 * n; i += 1) {
      const k = i % 3, v = this.places[i];
      if (v < low[k]) low[k] = v;
      if (v > high[k]) high[k] = v;
    }
    this.middle = low.map((v, k) => (v + high[k]) / 2);
    this.half = low.map((v, k) => (high[k] - v) / 2);
    this.reach = Math.max(...this.half) * 1.2;
    const gl = this.canvas.getContext("webgl", { antialias: true, preserveDrawingBuffer: true });
    if (!gl || !gl.getExtension("OES_element_index_uint")) { this.#without(); return; }
    this.gl = gl;
    const program = gl.createProgram();
    for (const [kind, text] of [[gl.VERTEX_SHADER, VERTEX], [gl.FRAGMENT_SHADER, FRAGMENT]]) {
      const shader = gl.createShader(kind);
      gl.shaderSource(shader, text);
      gl.compileShader(shader);
      gl.attachShader(program, shader);
    }
    gl.linkProgram(program);
    gl.useProgram(program);
    this.program = program;
    const buffer = (target, values) => { gl.bindBuffer(target, gl.createBuffer()); gl.bufferData(target, values, gl.STATIC_DRAW); };
    const attribute = (name, size, type, norm, stride) => {
      const at = gl.getAttribLocation(program, name);
      gl.enableVertexAttribArray(at);
      gl.vertexAttribPointer(at, size, type, norm, stride, 0);
    };
    buffer(gl.ARRAY_BUFFER, this.places); attribute("place", 3, gl.FLOAT, false, 12);
    buffer(gl.ARRAY_BUFFER, normals); attribute("normal", 3, gl.BYTE, true, 4);
    buffer(gl.ELEMENT_ARRAY_BUFFER, this.faces);
    gl.enable(gl.DEPTH_TEST);
    new ResizeObserver(() => this.draw()).observe(this.canvas);
    addEventListener("themed", () => this.draw());
    this.draw();
    this.place.dataset.ready = "yes";
  }

  /** Put numbered pins on the foot: [{at, text, kind}]. */
  pin(pins) {
    for (const old of this.pins) old.element.remove();
    this.pins = pins.filter((p) => p.at).map((p) => {
      const element = make("span", `pin ${p.kind || ""}`, p.text);
      element.setAttribute("aria-hidden", "true");
      this.place.append(element);
      return { ...p, element };
    });
    this.draw();
  }

  #axes() {
    const [cy, sy, ct, st] = [Math.cos(this.yaw), Math.sin(this.yaw), Math.cos(this.tilt), Math.sin(this.tilt)];
    const right = [cy, sy, 0], back = [sy * ct, -cy * ct, st]; // back: from the foot to the eye
    const up = [back[1] * right[2] - back[2] * right[1], back[2] * right[0] - back[0] * right[2], back[0] * right[1] - back[1] * right[0]];
    return [right, up, back];
  }

  /** Return pixels per mm, so that the foot fills the picture from wherever it is seen. */
  #scale(right, up) {
    const across = right.reduce((sum, v, k) => sum + Math.abs(v) * this.half[k], 0), high = up.reduce((sum, v, k) => sum + Math.abs(v) * this.half[k], 0);
    return this.zoom * Math.min(this.canvas.clientWidth / (2.2 * across), this.canvas.clientHeight / (2.2 * high));
  }

  /** Return page place and depth of a place of the foot. */
  #project(p) {
    const [right, up, back] = this.#axes(), d = p.map((v, k) => v - this.middle[k]);
    const dot = (a) => a[0] * d[0] + a[1] * d[1] + a[2] * d[2];
    const w = this.canvas.clientWidth, h = this.canvas.clientHeight, s = this.#scale(right, up);
    return [w / 2 + s * dot(right), h / 2 - s * dot(up), dot(back)];
  }

  draw() {
    if (!this.places) return;
    const w = this.canvas.clientWidth, h = this.canvas.clientHeight;
    if (this.gl) {
      const gl = this.gl, ratio = Math.min(devicePixelRatio || 1, 2);
      if (this.canvas.width !== Math.round(w * ratio) || this.canvas.height !== Math.round(h * ratio)) {
        this.canvas.width = Math.round(w * ratio);
        this.canvas.height = Math.round(h * ratio);
      }
      gl.viewport(0, 0, this.canvas.width, this.canvas.height);
      gl.clearColor(0, 0, 0, 0);
      gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
      const [r, u, b] = this.#axes(), s = this.#scale(r, u);
      const sx = 2 * s / w, sy = 2 * s / h, sz = -1 / (4 * this.reach), c = this.middle;
      const dot = (a) => a[0] * c[0] + a[1] * c[1] + a[2] * c[2];
      const view = [r[0] * sx, u[0] * sy, b[0] * sz, 0, r[1] * sx, u[1] * sy, b[1] * sz, 0, r[2] * sx, u[2] * sy, b[2] * sz, 0, -dot(r) * sx, -dot(u) * sy, -dot(b) * sz, 1];
      gl.uniformMatrix4fv(gl.getUniformLocation(this.program, "view"), false, view);
      gl.uniformMatrix3fv(gl.getUniformLocation(this.program, "turn"), false, [r[0], u[0], b[0], r[1], u[1], b[1], r[2], u[2], b[2]]);
      const skin = getComputedStyle(this.place).getPropertyValue("--skin").trim();
      gl.uniform3fv(gl.getUniformLocation(this.program, "skin"), [1, 3, 5].map((k) => parseInt(skin.slice(k, k + 2), 16) / 255));
      gl.drawElements(gl.TRIANGLES, this.faces.length, gl.UNSIGNED_INT, 0);
    }
    for (const pin of this.pins) {
      const [x, y, depth] = this.#project(pin.at);
      pin.element.style.left = `${x}px`;
      pin.element.style.top = `${y}px`;
      pin.element.classList.toggle("behind", depth < -12);
    }
  }

  /** Return the place of the surface under a page point, or null. */
  under(x, y) {
    const [right, up, back] = this.#axes(), w = this.canvas.clientWidth, h = this.canvas.clientHeight;
    const s = this.#scale(right, up), want = [(x - w / 2) / s, (h / 2 - y) / s];
    let best = null, nearest = -1e9;
    for (let i = 0; i < this.places.length; i += 3) {
      const d0 = this.places[i] - this.middle[0], d1 = this.places[i + 1] - this.middle[1], d2 = this.places[i + 2] - this.middle[2];
      const a = right[0] * d0 + right[1] * d1 + right[2] * d2 - want[0], b = up[0] * d0 + up[1] * d1 + up[2] * d2 - want[1];
      if (a * a + b * b > 9) continue;
      const depth = back[0] * d0 + back[1] * d1 + back[2] * d2 - 2 * Math.sqrt(a * a + b * b);
      if (depth > nearest) { nearest = depth; best = [this.places[i], this.places[i + 1], this.places[i + 2]]; }
    }
    return best;
  }

  #without() {
    this.canvas.remove();
    this.place.prepend(make("p", "note", "This browser draws no three-dimensional pictures (WebGL is off). The numbers and findings are all here; the sole map on the support page works."));
    this.place.dataset.ready = "none";
  }

  #listen() {
    let from = null, moved = 0;
    this.canvas.addEventListener("pointerdown", (e) => { from = [e.clientX, e.clientY]; moved = 0; this.canvas.setPointerCapture(e.pointerId); });
    this.canvas.addEventListener("pointermove", (e) => {
      if (!from) return;
      const dx = e.clientX - from[0], dy = e.clientY - from[1];
      moved += Math.abs(dx) + Math.abs(dy);
      this.#turn(-dx / 120, dy / 120);
      from = [e.clientX, e.clientY];
    });
    this.canvas.addEventListener("pointerup", (e) => {
      if (from && moved < 5 && this.picked && this.places) {
        const box = this.canvas.getBoundingClientRect(), at = this.under(e.clientX - box.left, e.clientY - box.top);
        if (at) this.picked(at);
      }
      from = null;
    });
    this.canvas.addEventListener("wheel", (e) => { e.preventDefault(); this.zoom = Math.min(6, Math.max(0.6, this.zoom * Math.exp(-e.deltaY / 600))); this.draw(); }, { passive: false });
    this.canvas.addEventListener("keydown", (e) => {
      const step = { ArrowLeft: [0.15, 0], ArrowRight: [-0.15, 0], ArrowUp: [0, 0.15], ArrowDown: [0, -0.15] }[e.key];
      if (e.key === "+" || e.key === "-") { this.zoom *= e.key === "+" ? 1.15 : 1 / 1.15; this.draw(); }
      if (!step) return;
      e.preventDefault();
      this.#turn(...step);
    });
  }

  #turn(yaw, tilt) {
    this.yaw += yaw;
    this.tilt = Math.max(-1.55, Math.min(1.55, this.tilt + tilt));
    this.draw();
  }
}
