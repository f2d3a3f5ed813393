// A foot in three dimensions, drawn by WebGL: turn it with the pointer or the arrow keys.
// Places come from the server in mm, x to the toes, z up, as the foot really is: nothing is
// mirrored here.
import { make } from "./common.js";
import { pinned } from "./movable.js";

const VERTEX = `attribute vec3 place; attribute vec4 normal; uniform mat4 view; uniform mat3 turn; uniform float dot; varying vec3 n; varying float z; varying float away;
void main() { n = turn * normal.xyz; z = place.z; away = normal.w; gl_Position = view * vec4(place, 1.0); gl_PointSize = dot; }`;
const FRAGMENT = `precision mediump float; varying vec3 n; varying float z; varying float away; uniform vec3 skin; uniform vec3 gone;
void main() { if (away > 0.5) { gl_FragColor = vec4(gone * (length(n) > 0.1 ? 0.75 + 0.25 * abs(normalize(n).z) : 1.0), 1.0); return; }
vec3 m = normalize(n); float key = max(dot(m, normalize(vec3(0.4, 0.6, 0.75))), 0.0); float fill = max(dot(m, normalize(vec3(-0.6, -0.2, 0.5))), 0.0);
float line = smoothstep(0.42, 0.5, abs(fract(z / 10.0) - 0.5)) * 0.10; gl_FragColor = vec4(skin * (0.30 + 0.62 * key + 0.22 * fill - line), 1.0); }`;

const VIEWS = { Inside: [0, 0.08], Sole: [Math.PI / 2, -1.5], Above: [-Math.PI / 2, 1.4], Heel: [-Math.PI / 2, 0.15] };

export class Foot3D {
  /** `beside`: another view, with which this one turns; `what`: what is shown, in words; `told`: whether it says from where it is seen. */
  constructor(place, side, { beside = null, what = "cleaned", told = false } = {}) {
    this.side = side;
    this.beside = beside;
    this.camera = beside ? beside.camera : { yaw: 0, tilt: 0, zoom: 1 };
    this.twins = beside ? beside.twins : [];
    this.twins.push(this);
    this.place = make("div", beside ? "solid raw" : "solid");
    this.canvas = make("canvas");
    this.canvas.tabIndex = 0;
    this.canvas.setAttribute("role", "img");
    this.canvas.setAttribute("aria-label", `The ${side} foot, ${what}, in three dimensions; arrow keys turn it, plus and minus bring it nearer`);
    this.place.append(this.canvas);
    if (told) this.place.append(this.from = make("span", "caption"));
    const views = make("div", "views");
    views.setAttribute("role", "group");
    views.setAttribute("aria-label", "Views");
    for (const name of Object.keys(VIEWS)) {
      const button = make("button", "quiet small", name);
      button.type = "button";
      button.addEventListener("click", () => this.look(name));
      views.append(button);
    }
    place.append(this.place);
    if (!beside) place.append(views);
    this.pins = [];
    if (!beside) this.look("Inside", false);
    this.#listen();
  }

  look(name, draw = true) {
    [this.camera.yaw, this.camera.tilt] = VIEWS[name];
    if (name === "Inside") this.camera.yaw = this.side === "left" ? 0 : Math.PI; // each foot from its arch
    if (draw) this.#together();
  }

  /** Turn the foot so that a place of its surface faces the eye. */
  face(at) {
    let best = "Sole", most = -2;
    const normal = this.#normalAt(at);
    for (const name of Object.keys(VIEWS)) {
      this.look(name, false);
      const back = this.#axes()[2], facing = back[0] * normal[0] + back[1] * normal[1] + back[2] * normal[2];
      if (facing > most) { most = facing; best = name; }
    }
    this.look(best);
  }

  #normalAt(at) {
    let nearest = Infinity, k = 0;
    for (let i = 0; i < this.places.length; i += 3) {
      const d = (this.places[i] - at[0]) ** 2 + (this.places[i + 1] - at[1]) ** 2 + (this.places[i + 2] - at[2]) ** 2;
      if (d < nearest) { nearest = d; k = i / 3; }
    }
    return [0, 1, 2].map((j) => this.normals[4 * k + j] / 127);
  }

  #together() { for (const view of this.twins) view.draw(); }

  async load(path) {
    const answer = await fetch(path);
    if (!answer.ok) throw new Error("The foot's surface could not be fetched.");
    const bytes = await answer.arrayBuffer();
    const [n, m] = new Uint32Array(bytes, 0, 2);
    this.places = new Float32Array(bytes, 8, 3 * n);
    const normals = new Int8Array(bytes, 8 + 12 * n, 4 * n);
    this.normals = normals;
    this.gone = 0;
    for (let i = 3; i < 4 * n; i += 4) if (normals[i]) this.gone += 1;
    this.count = n;
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
    if (this.beside?.places) { // laid where the other lies, and as large
      this.reach = Math.max(this.reach, 2 * this.beside.reach);
      [this.middle, this.half] = [this.beside.middle, this.beside.half];
    }
    // Drawn beside the page and copied: a picture of WebGL itself is shown cut where a bar lies over it.
    this.drawn = document.createElement("canvas");
    const gl = this.drawn.getContext("webgl", { antialias: true, preserveDrawingBuffer: true });
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
    buffer(gl.ARRAY_BUFFER, normals); attribute("normal", 4, gl.BYTE, true, 4);
    buffer(gl.ELEMENT_ARRAY_BUFFER, this.faces);
    if (this.gone && m) { // loose points hang on no triangle: what was taken away is drawn as points too
      this.loose = gl.createBuffer();
      this.solid = gl.getParameter(gl.ELEMENT_ARRAY_BUFFER_BINDING);
      gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, this.loose);
      gl.bufferData(gl.ELEMENT_ARRAY_BUFFER, Uint32Array.from({ length: n }, (_, i) => i).filter((i) => normals[4 * i + 3]), gl.STATIC_DRAW);
      gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, this.solid);
    }
    gl.enable(gl.DEPTH_TEST);
    new ResizeObserver(() => this.draw()).observe(this.canvas);
    addEventListener("themed", () => this.draw());
    this.draw();
    this.place.dataset.ready = "yes";
  }

  /** Put numbered pins on the foot: [{at, text, kind}]. */
  pin(pins) {
    for (const old of this.pins) old.element.remove();
    this.pins = pins.filter((p) => p.at).map((p) => pinned(p, this.place, {
      at: "at", pixel: (at) => this.#project(at), to: (x, y) => this.under(x, y),
      scale: () => this.#scale(...this.#axes()), draw: () => this.draw(),
    }));
    this.draw();
  }

  #axes() {
    const [cy, sy, ct, st] = [Math.cos(this.camera.yaw), Math.sin(this.camera.yaw), Math.cos(this.camera.tilt), Math.sin(this.camera.tilt)];
    const right = [cy, sy, 0], back = [sy * ct, -cy * ct, st]; // back: from the foot to the eye
    const up = [back[1] * right[2] - back[2] * right[1], back[2] * right[0] - back[0] * right[2], back[0] * right[1] - back[1] * right[0]];
    return [right, up, back];
  }

  /** Return pixels per mm, so that the foot fills the picture from wherever it is seen. */
  #scale(right, up) {
    const across = right.reduce((sum, v, k) => sum + Math.abs(v) * this.half[k], 0), high = up.reduce((sum, v, k) => sum + Math.abs(v) * this.half[k], 0);
    return this.camera.zoom * Math.min(this.canvas.clientWidth / (2.2 * across), this.canvas.clientHeight / (2.2 * high));
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
      const wide = Math.round(w * ratio), high = Math.round(h * ratio);
      if (!wide || !high) return; // hidden
      for (const one of [this.drawn, this.canvas]) if (one.width !== wide || one.height !== high) { one.width = wide; one.height = high; }
      gl.viewport(0, 0, wide, high);
      gl.clearColor(0, 0, 0, 0);
      gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
      const [r, u, b] = this.#axes(), s = this.#scale(r, u);
      const sx = 2 * s / w, sy = 2 * s / h, sz = -1 / (4 * this.reach), c = this.middle;
      const dot = (a) => a[0] * c[0] + a[1] * c[1] + a[2] * c[2];
      const view = [r[0] * sx, u[0] * sy, b[0] * sz, 0, r[1] * sx, u[1] * sy, b[1] * sz, 0, r[2] * sx, u[2] * sy, b[2] * sz, 0, -dot(r) * sx, -dot(u) * sy, -dot(b) * sz, 1];
      gl.uniformMatrix4fv(gl.getUniformLocation(this.program, "view"), false, view);
      gl.uniformMatrix3fv(gl.getUniformLocation(this.program, "turn"), false, [r[0], u[0], b[0], r[1], u[1], b[1], r[2], u[2], b[2]]);
      const style = getComputedStyle(this.place);
      for (const name of ["skin", "gone"]) {
        const colour = style.getPropertyValue(`--${name}`).trim();
        gl.uniform3fv(gl.getUniformLocation(this.program, name), [1, 3, 5].map((k) => parseInt(colour.slice(k, k + 2), 16) / 255));
      }
      gl.uniform1f(gl.getUniformLocation(this.program, "dot"), 2 * ratio);
      if (this.faces.length) gl.drawElements(gl.TRIANGLES, this.faces.length, gl.UNSIGNED_INT, 0);
      else gl.drawArrays(gl.POINTS, 0, this.count);
      if (this.loose) {
        gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, this.loose);
        gl.drawElements(gl.POINTS, this.gone, gl.UNSIGNED_INT, 0);
        gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, this.solid);
      }
      const page = this.canvas.getContext("2d");
      page.clearRect(0, 0, wide, high);
      page.drawImage(this.drawn, 0, 0);
    }
    if (this.from) {
      const [across, , back] = this.#axes(), toe = across[1] * (this.side === "left" ? -1 : 1);
      this.from.textContent = Math.abs(back[2]) < 0.7 ? "" : `Seen from ${back[2] < 0 ? "below" : "above"}${Math.abs(toe) < 0.7 ? "" : `: big toe on the ${toe > 0 ? "right" : "left"}`}`;
    }
    const taken = [];
    for (const pin of this.pins) {
      let [x, y, depth] = this.#project(pin.at);
      if (!pin.moved && pin.text) { // numbers of one place stand side by side
        while (taken.some(([a, b]) => Math.hypot(a - x, b - y) < 20)) x += 24;
        taken.push([x, y]);
      }
      pin.element.style.left = `${x}px`;
      pin.element.style.top = `${y}px`;
      pin.element.classList.toggle("behind", depth < -12);
    }
  }

  /** Return the place of the surface under a page point, nearest to the eye; null beside the foot. */
  under(x, y) {
    const [right, up, back] = this.#axes(), w = this.canvas.clientWidth, h = this.canvas.clientHeight;
    const s = this.#scale(right, up), a = (x - w / 2) / s, b = (h / 2 - y) / s, c = this.middle, p = this.places;
    const n = p.length / 3, flat = new Float32Array(3 * n);
    for (let i = 0; i < n; i += 1) {
      const dx = p[3 * i] - c[0], dy = p[3 * i + 1] - c[1], dz = p[3 * i + 2] - c[2];
      flat[3 * i] = right[0] * dx + right[1] * dy + right[2] * dz - a;
      flat[3 * i + 1] = up[0] * dx + up[1] * dy + up[2] * dz - b;
      flat[3 * i + 2] = back[0] * dx + back[1] * dy + back[2] * dz;
    }
    let best = null, nearest = -Infinity;
    for (let f = 0; f < this.faces.length; f += 3) {
      const i = 3 * this.faces[f], j = 3 * this.faces[f + 1], k = 3 * this.faces[f + 2];
      const xi = flat[i], yi = flat[i + 1], xj = flat[j], yj = flat[j + 1], xk = flat[k], yk = flat[k + 1];
      const u = xj * yk - xk * yj, v = xk * yi - xi * yk, t = xi * yj - xj * yi, whole = u + v + t;
      if (whole === 0 || u * whole < 0 || v * whole < 0 || t * whole < 0) continue;
      const depth = (u * flat[i + 2] + v * flat[j + 2] + t * flat[k + 2]) / whole;
      if (depth > nearest) {
        nearest = depth;
        best = [0, 1, 2].map((q) => (u * p[i + q] + v * p[j + q] + t * p[k + q]) / whole);
      }
    }
    return best;
  }

  #without() {
    this.canvas.remove();
    this.place.prepend(make("p", "note", "This browser draws no three-dimensional pictures (WebGL is off). The numbers and findings are all here; the sole map on the support page works."));
    this.place.dataset.ready = "none";
  }

  #listen() {
    let from = null;
    this.canvas.addEventListener("pointerdown", (e) => { from = [e.clientX, e.clientY]; this.canvas.setPointerCapture(e.pointerId); });
    this.canvas.addEventListener("pointermove", (e) => {
      if (!from) return;
      this.#turn((from[0] - e.clientX) / 120, (e.clientY - from[1]) / 120);
      from = [e.clientX, e.clientY];
    });
    for (const end of ["pointerup", "pointercancel"]) this.canvas.addEventListener(end, () => { from = null; });
    this.canvas.addEventListener("wheel", (e) => { e.preventDefault(); this.#near(Math.exp(-e.deltaY / 600)); }, { passive: false });
    this.canvas.addEventListener("keydown", (e) => {
      const step = { ArrowLeft: [0.15, 0], ArrowRight: [-0.15, 0], ArrowUp: [0, 0.15], ArrowDown: [0, -0.15] }[e.key];
      if (e.key === "+" || e.key === "-") this.#near(e.key === "+" ? 1.15 : 1 / 1.15);
      if (!step) return;
      e.preventDefault();
      this.#turn(...step);
    });
  }

  #near(by) {
    this.camera.zoom = Math.min(6, Math.max(0.6, this.camera.zoom * by));
    this.#together();
  }

  #turn(yaw, tilt) {
    this.camera.yaw += yaw;
    this.camera.tilt = Math.max(-1.55, Math.min(1.55, this.camera.tilt + tilt));
    this.#together();
  }
}
