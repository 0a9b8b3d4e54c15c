// Finish: lift one region, burn the edges, crop. Values go to the worksheet as `finish`; places are shares of the picture.

import { latest } from "./link.js";

const $ = (id) => document.getElementById(id);
const GRIP = 9; // screen pixels of a handle

const SLIDERS = {
  lift: [
    ["gamma", "Middle", 0.7, 1.6, 0.01, 1],
    ["white", "White", 0.5, 1, 0.01, 1],
    ["black", "Black", 0, 0.2, 0.005, 0],
    ["opacity", "Amount", 0, 1, 0.01, 1],
    ["soft", "Soft edge", 0, 0.4, 0.01, 0.1],
  ],
  burn: [
    ["opacity", "Amount", 0, 1, 0.01, 0.73],
    ["inset", "Width", 0, 0.4, 0.01, 0.1],
    ["soft", "Soft edge", 0.02, 0.6, 0.01, 0.3],
  ],
  crop: [["scale", "Size", 0.2, 1, 0.01, 1]],
};
const RATIOS = ["3:2", "4:3", "5:4", "1:1", "16:9", "2:1", "2:3", "3:4", "4:5", "9:16"];
const WHY = {
  lift: "A tone curve inside the ellipse: drag its middle and its edge in the picture.",
  burn: "Darkens the edges by up to two stops, in linear light.",
  crop: "As large as fits; drag it in the picture. composite.tif stays uncropped.",
};

export class Finish {
  constructor(app) {
    this.app = app;
    this.part = "lift";
    this.gesture = 0;
    this.spec = {};
    this.offer = latest((spec) => this.app.change({ do: "finish", finish: spec, gesture: `finish ${this.gesture} ${this.app.link.page}` }));
    for (const b of document.querySelectorAll("[data-part]")) b.onclick = () => this.turn(b.dataset.part);
    $("part-on").onchange = () => this.switch($("part-on").checked);
  }

  enter() {
    this.active = true;
    this.app.view = "result";
    this.app.viewer.tool = this;
    this.app.viewer.fit();
    this.take();
    this.fill();
  }

  leave() { this.active = false; }

  state() {
    if (this.offer.busy) return;
    const known = JSON.stringify(this.spec);
    this.take();
    if (this.active && known !== JSON.stringify(this.spec)) this.fill();
  }

  take() { this.spec = structuredClone(this.app.state.finish); }

  turn(part) {
    this.part = part;
    this.fill();
    this.app.viewer.draw();
  }

  get now() { return this.part === "lift" ? this.spec.lift?.[0] : this.spec[this.part]; }

  async switch(on) {
    this.gesture += 1;
    const { part } = this;
    if (part === "lift") {
      if (on) this.spec.lift = [(await (await fetch("offer")).json()).lift];
      else this.spec.lift = (this.spec.lift ?? []).slice(1);
      if (!this.spec.lift.length) delete this.spec.lift;
    } else if (!on) delete this.spec[part];
    else this.spec[part] = part === "burn" ? {} : (await (await fetch("offer")).json()).crop;
    await this.send();
    this.take();
    this.fill();
  }

  async send() {
    await this.offer(structuredClone(this.spec));
    this.state(); // what was refused is taken back
  }

  fill() {
    for (const b of document.querySelectorAll("[data-part]")) b.setAttribute("aria-pressed", b.dataset.part === this.part);
    $("part-on").checked = Boolean(this.now);
    $("part-on-name").textContent = this.part;
    $("part-why").textContent = WHY[this.part];
    const box = $("part-controls");
    box.replaceChildren();
    if (!this.now) return;
    if (this.part === "crop") box.append(this.ratios());
    for (const row of SLIDERS[this.part]) box.append(this.slider(row));
    if (this.part === "lift" && this.now.region.ellipse) box.append(...this.places());
    if (this.part === "crop") box.append(...this.focus());
  }

  slider([name, words, min, max, step, usual], get = () => this.now[name] ?? usual, set = (v) => { this.now[name] = v; }) {
    const label = document.createElement("label");
    const input = Object.assign(document.createElement("input"), { type: "range", min, max, step, value: get() });
    const out = Object.assign(document.createElement("output"), { value: get().toFixed(2) });
    input.dataset.name = name;
    input.onpointerdown = input.onfocus = () => { this.gesture += 1; };
    input.oninput = () => {
      out.value = Number(input.value).toFixed(2);
      set(Number(input.value));
      this.app.viewer.draw();
      this.send();
    };
    label.append(words, input, out);
    return label;
  }

  // The ellipse by sliders, for those who do not drag.
  places() {
    const words = ["Across", "Down", "Half width", "Half height"];
    return words.map((w, i) => this.slider([`place${i}`, w, i < 2 ? 0 : 0.02, i < 2 ? 1 : 0.8, 0.01, 0.3], () => this.now.region.ellipse[i], (v) => { this.now.region.ellipse[i] = v; }));
  }

  focus() {
    return ["Across", "Down"].map((w, i) =>
      this.slider([`focus${i}`, w, 0, 1, 0.01, 0.5], () => this.now.focus?.[i] ?? 0.5, (v) => { this.now.focus = [...(this.now.focus ?? [0.5, 0.5])]; this.now.focus[i] = v; }));
  }

  ratios() {
    const label = document.createElement("label");
    const select = document.createElement("select");
    const own = this.now.ratio.join(":");
    for (const r of RATIOS.includes(own) ? RATIOS : [own, ...RATIOS]) select.add(new Option(r, r, false, r === own));
    select.onchange = () => {
      this.gesture += 1;
      this.now.ratio = select.value.split(":").map(Number);
      this.send();
    };
    label.append("Ratio", select);
    return label;
  }

  // --- on the picture ---

  // Handles in world units: [name, x, y].
  handles() {
    const { width, height } = this.app.viewer.world;
    if (this.part === "lift" && this.now?.region.ellipse) {
      const [x, y, rx, ry, turn = 0] = this.now.region.ellipse;
      const a = (turn * Math.PI) / 180;
      const spot = (u, v) => [x * width + u * Math.cos(a) - v * Math.sin(a), y * height + u * Math.sin(a) + v * Math.cos(a)];
      return [["middle", ...spot(0, 0)], ["width", ...spot(rx * width, 0)], ["height", ...spot(0, ry * height)]];
    }
    const box = this.app.state.crop_box;
    if (this.part === "crop" && this.now && box) return [["focus", (box[1] + box[3]) / 2, (box[0] + box[2]) / 2]];
    return [];
  }

  down(at) {
    const { viewer } = this.app;
    const reach = (GRIP + 6) * viewer.ratio / viewer.scale;
    const near = this.handles().find(([, x, y]) => Math.hypot(x - at.x, y - at.y) < reach);
    const box = this.app.state.crop_box;
    const inCrop = this.part === "crop" && this.now && box && at.x > box[1] && at.x < box[3] && at.y > box[0] && at.y < box[2];
    if (!near && !inCrop) return false;
    this.grip = near ? near[0] : "focus";
    this.gesture += 1;
    if (this.grip === "focus") this.from = { at, x: (box[1] + box[3]) / 2, y: (box[0] + box[2]) / 2 };
    return true;
  }

  move(all) {
    const at = all[all.length - 1];
    const { width, height } = this.app.viewer.world;
    const part = (v) => Math.round(Math.min(Math.max(v, 0), 1) * 1000) / 1000;
    if (this.grip === "focus") {
      this.now.focus = [part((this.from.x + at.x - this.from.at.x) / width), part((this.from.y + at.y - this.from.at.y) / height)];
    } else {
      const e = this.now.region.ellipse;
      const a = ((e[4] ?? 0) * Math.PI) / 180;
      const [dx, dy] = [at.x - e[0] * width, at.y - e[1] * height];
      if (this.grip === "middle") [e[0], e[1]] = [part(at.x / width), part(at.y / height)];
      else if (this.grip === "width") e[2] = Math.max(0.02, part(Math.abs(dx * Math.cos(a) + dy * Math.sin(a)) / width));
      else e[3] = Math.max(0.02, part(Math.abs(dy * Math.cos(a) - dx * Math.sin(a)) / height));
    }
    this.app.viewer.draw();
    this.send();
  }

  up() {
    this.gesture += 1;
    this.fill();
  }

  marks(c, viewer) {
    const place = (x, y) => [viewer.x + x * viewer.scale, viewer.y + y * viewer.scale];
    const { width, height } = viewer.world;
    if (this.part === "lift" && this.now?.region.ellipse) {
      const [x, y, rx, ry, turn = 0] = this.now.region.ellipse;
      twice(c, viewer.ratio, () => c.ellipse(...place(x * width, y * height), rx * width * viewer.scale, ry * height * viewer.scale, (turn * Math.PI) / 180, 0, 2 * Math.PI));
    }
    const box = this.app.state.crop_box;
    if (box && this.part === "crop") {
      const [x0, y0] = place(box[1], box[0]);
      const [x1, y1] = place(box[3], box[2]);
      twice(c, viewer.ratio, () => c.rect(x0, y0, x1 - x0, y1 - y0));
    }
    for (const [, x, y] of this.handles()) twice(c, viewer.ratio, () => c.arc(...place(x, y), GRIP * viewer.ratio * 0.6, 0, 2 * Math.PI));
  }
}

function twice(c, ratio, path) {
  for (const [colour, width] of [["#000000b0", 3.5], ["#ffffff", 1.5]]) {
    c.strokeStyle = colour;
    c.lineWidth = width * ratio;
    c.beginPath();
    path();
    c.stroke();
  }
}
