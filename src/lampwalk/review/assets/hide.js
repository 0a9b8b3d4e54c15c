// Hide: the brush on the mask of the chosen frame, and the regions that lampwalk has hidden, one by one.

import { pixelsOf } from "./palette.js";

const $ = (id) => document.getElementById(id);
const TINT = "#eb7814"; // as the masks are outlined on the contact sheet

export class Hide {
  constructor(app) {
    this.app = app;
    this.hides = true;
    this.shownMask = true;
    this.lines = false;
    this.points = null;
    this.cursor = null;
    this.last = null;
    this.current = -1;
    $("brush-hide").onclick = () => this.turn(true);
    $("brush-show").onclick = () => this.turn(false);
    $("brush-line").onclick = () => {
      this.lines = !this.lines;
      $("brush-line").setAttribute("aria-pressed", this.lines);
    };
    $("mask-on").onclick = () => this.toggleMask();
    $("brush-size").oninput = () => this.sized();
    $("brush-soft").oninput = () => this.sized();
    $("region-back").onclick = () => this.region(-1);
    $("region-next").onclick = () => this.region(1);
    for (const verdict of ["keep", "show", "more"]) $(`region-${verdict}`).onclick = () => this.judge(verdict);
    this.sized();
  }

  get radius() { return Number($("brush-size").value); }
  get soft() { return Number($("brush-soft").value) / 100; }

  enter() {
    this.active = true;
    this.app.viewer.tool = this;
    if (this.app.view !== "frame") this.app.view = "frame";
    if (this.current < 0 && this.regions().some((r) => r.unsure && !r.seen)) this.region(1);
    else this.tell();
  }

  leave() {
    this.active = false;
    $("peek").hidden = true;
  }

  chosen() {
    this.last = null;
    this.forget();
    const r = this.regions()[this.current];
    if (r && r.frame !== this.app.chosen) this.current = -1;
    this.tell();
  }

  state() { this.tell(); }

  // --- the mask on the picture ---

  forget() { this.fresh = false; }

  overlay(context) {
    if (!this.fresh) this.fetchMask();
    if (!this.shownMask || !this.mask || this.maskOf !== this.app.chosen) return;
    context.globalAlpha = 0.5;
    context.drawImage(this.mask, 0, 0);
    context.globalAlpha = 1;
  }

  async fetchMask() {
    this.fresh = true;
    const file = this.app.chosen;
    try {
      const pixels = pixelsOf(await this.app.get(`mask?frame=${encodeURIComponent(file)}`));
      if (file !== this.app.chosen || this.points) return;
      const d = pixels.data;
      for (let i = 0; i < d.length; i += 4) {
        d[i + 3] = d[i];
        d[i] = 235;
        d[i + 1] = 120;
        d[i + 2] = 20;
      }
      const canvas = new OffscreenCanvas(pixels.width, pixels.height);
      canvas.getContext("2d").putImageData(pixels, 0, 0);
      this.mask = canvas;
      this.maskOf = file;
      this.app.viewer.draw();
    } catch (error) {
      this.app.complain(error);
    }
  }

  toggleMask() {
    this.shownMask = !this.shownMask;
    $("mask-on").setAttribute("aria-pressed", this.shownMask);
    $("mask-on").textContent = this.shownMask ? "Mask shown" : "Mask not shown";
    this.app.viewer.draw();
  }

  // --- the brush ---

  turn(hides = !this.hides) {
    this.hides = hides;
    $("brush-hide").setAttribute("aria-pressed", hides);
    $("brush-show").setAttribute("aria-pressed", !hides);
    this.app.viewer.draw();
  }

  resize(factor) {
    const next = Math.round(this.radius * factor);
    $("brush-size").value = next === this.radius ? this.radius + Math.sign(factor - 1) : next;
    this.sized();
  }

  sized() {
    $("brush-size-out").value = `${this.radius} px`;
    $("brush-soft-out").value = `${Math.round(this.soft * 100)} %`;
    this.app.viewer?.draw();
  }

  hover(at) {
    this.cursor = at;
    this.app.viewer.draw();
    this.peek();
  }

  down(at, e) {
    this.erasing = !this.hides || Boolean(e.buttons & 32); // the other end of a pen erases
    this.straight = e.shiftKey || this.lines;
    this.fromLast = e.shiftKey;
    this.points = [[at.x, at.y]];
    this.cursor = at;
    this.wet();
    return true;
  }

  move(all) {
    for (const at of all) {
      const [x, y] = this.points[this.points.length - 1];
      if (this.straight) this.points[1] = [at.x, at.y];
      else if (Math.hypot(at.x - x, at.y - y) > Math.max(0.5, this.radius / 8)) this.points.push([at.x, at.y]);
      this.cursor = at;
    }
    this.wet();
    this.peek();
  }

  up() {
    const points = this.points;
    this.points = null;
    if (this.fromLast && this.last && points.length === 1) points.unshift(this.last);
    this.send(points);
  }

  cancel() {
    this.points = null;
    this.wetOne = null;
    this.app.viewer.draw();
  }

  async send(points) {
    this.last = points[points.length - 1];
    this.wetOne = { points, erasing: this.erasing, radius: this.radius };
    const round = points.map(([x, y]) => [Math.round(x * 16) / 16, Math.round(y * 16) / 16]);
    await this.app.change({ do: "paint", frame: this.app.chosen, points: round, radius: this.radius, soft: this.soft, hide: !this.erasing });
    this.wetOne = null;
  }

  // What is being painted is shown at once, before the server answers.
  wet() {
    this.wetOne = { points: this.points, erasing: this.erasing, radius: this.radius };
    this.app.viewer.draw();
  }

  key(e) {
    const step = e.shiftKey ? 10 : 2;
    const ways = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    const { viewer } = this.app;
    if (e.altKey) return false;
    if (Object.hasOwn(ways, e.key)) {
      const v = viewer.visible();
      const from = this.cursor ?? { x: (v.x0 + v.x1) / 2, y: (v.y0 + v.y1) / 2 };
      this.cursor = { x: from.x + ways[e.key][0], y: from.y + ways[e.key][1] };
      viewer.draw();
      this.peek();
      return true;
    }
    if (e.key !== "Enter" || !this.cursor) return false;
    const here = [this.cursor.x, this.cursor.y];
    this.erasing = !this.hides;
    this.send(e.shiftKey && this.last ? [this.last, here] : [here]);
    return true;
  }

  marks(c, viewer) {
    const s = viewer.scale;
    const place = ([x, y]) => [viewer.x + x * s, viewer.y + y * s];
    if (this.wetOne) {
      c.strokeStyle = c.fillStyle = this.wetOne.erasing ? "#ffffff90" : `${TINT}90`;
      c.lineWidth = 2 * this.wetOne.radius * s;
      c.lineCap = c.lineJoin = "round";
      c.beginPath();
      for (const [i, p] of this.wetOne.points.entries()) c[i ? "lineTo" : "moveTo"](...place(p));
      if (this.wetOne.points.length === 1) c.lineTo(...place(this.wetOne.points[0]).map((v) => v + 0.01));
      c.stroke();
    }
    if (this.cursor) ring(c, ...place([this.cursor.x, this.cursor.y]), this.radius * s, this.hides ? [] : [6, 4]);
    const r = this.regions()[this.current];
    if (r && r.frame === this.app.chosen) {
      const [x0, y0] = place([r.box[1], r.box[0]]);
      const [x1, y1] = place([r.box[3], r.box[2]]);
      for (const [colour, width] of [["#000000b0", 4], ["#ffffff", 1.5]]) {
        c.strokeStyle = colour;
        c.lineWidth = width * viewer.ratio;
        c.strokeRect(x0 - 6, y0 - 6, x1 - x0 + 12, y1 - y0 + 12);
      }
    }
  }

  // The result round the brush, at the same size, while the frame is on the table.
  peek() {
    const canvas = $("peek");
    const { app } = this;
    const { viewer } = app;
    canvas.hidden = !(this.active && app.view === "frame" && this.cursor && !app.held);
    if (canvas.hidden) return;
    const box = canvas.getBoundingClientRect();
    canvas.width = box.width * viewer.ratio;
    canvas.height = box.height * viewer.ratio;
    const c = canvas.getContext("2d");
    const s = Math.max(viewer.scale, viewer.ratio);
    app.resultNow().then((result) => {
      c.setTransform(s, 0, 0, s, canvas.width / 2 - this.cursor.x * s, canvas.height / 2 - this.cursor.y * s);
      c.clearRect(-1e5, -1e5, 2e5, 2e5);
      c.drawImage(result, 0, 0);
    }, () => {});
  }

  // --- the regions ---

  regions() {
    return [...this.app.state.regions].sort((a, b) => b.unsure - a.unsure || a.confidence - b.confidence);
  }

  region(way) {
    const all = this.regions();
    if (!all.length) return;
    this.current = this.current < 0 ? (way > 0 ? 0 : all.length - 1) : (this.current + way + all.length) % all.length;
    const r = all[this.current];
    this.app.chosen = r.frame;
    this.app.view = "frame";
    this.last = null;
    this.forget();
    this.app.viewer.show(r.box);
    this.tell();
    this.app.refresh();
  }

  async judge(verdict) {
    const r = this.regions()[this.current];
    if (!r) return;
    const done = await this.app.change({ do: "region", frame: r.frame, index: r.index, verdict });
    if (!done) return;
    const words = { keep: "kept", show: "no longer hidden", more: "hidden more widely" };
    this.app.say(`Region of ${r.frame}: ${words[verdict]}`);
    this.current = this.regions().findIndex((x) => x.frame === r.frame && x.index === r.index);
    if (verdict !== "more") this.region(1);
    else this.tell();
  }

  tell() {
    const all = this.regions();
    const left = all.filter((r) => r.unsure && !r.seen).length;
    const r = all[this.current];
    for (const verdict of ["keep", "show", "more"]) $(`region-${verdict}`).disabled = !r;
    for (const id of ["region-back", "region-next"]) $(id).disabled = !all.length;
    const words = { keep: "kept", show: "not hidden", more: "hidden more" };
    const count = all.length ? `${all.length} region${all.length > 1 ? "s" : ""}, ${left} uncertain left` : "none";
    $("region-about").value = r
      ? `${this.current + 1} of ${all.length}: ${r.frame}, ${r.why}, ${Math.round(r.confidence * 100)} % sure${r.unsure ? ", uncertain" : ""}${r.seen ? ` (${words[r.seen] ?? "seen"})` : ""}; ${left} uncertain left`
      : count;
  }
}

function ring(c, x, y, radius, dashes) {
  for (const [colour, width] of [["#000000b0", 3], ["#ffffff", 1.2]]) {
    c.strokeStyle = colour;
    c.lineWidth = width;
    c.setLineDash(dashes);
    c.beginPath();
    c.arc(x, y, Math.max(radius, 1), 0, 2 * Math.PI);
    c.stroke();
  }
  c.setLineDash([]);
}
