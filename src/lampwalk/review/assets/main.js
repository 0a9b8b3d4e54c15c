// The review page: what is shown, which frame is chosen, which step is taken.

import { Link, Refused, fromBase64, picture } from "./link.js";
import { Viewer } from "./viewer.js";
import { paintCoverage, pixelsOf } from "./palette.js";
import { fillStrip, markStrip } from "./strip.js";
import { fillLegend, fillLook } from "./words.js";
import { Hide } from "./hide.js";
import { Lamps } from "./lamps.js";
import { Finish } from "./finish.js";
import { Deliver } from "./deliver.js";
import { Detail } from "./detail.js";
import { bindKeys } from "./keys.js";

const $ = (id) => document.getElementById(id);

export class App {
  constructor(link) {
    this.link = link;
    this.view = "result";
    this.held = null;
    this.step = "look";
    this.chosen = null;
    this.kept = new Map(); // pictures by address; those that a change may alter carry the revision
    this.result = null; // a canvas that patches go into
    this.shown = "";
  }

  get state() { return this.link.state; }
  get frame() { return this.state.frames.find((f) => f.file === this.chosen) ?? this.state.frames[0]; }

  begin() {
    const [h, w] = this.state.size.small;
    const [, fullWidth] = this.state.size.full;
    this.viewer = new Viewer($("picture"), { width: w, height: h, fullWidth });
    this.result = new OffscreenCanvas(w, h);
    this.chosen = (this.state.frames.find((f) => f.role === "lamp") ?? this.state.frames[0]).file;
    this.detail = new Detail(this);
    this.parts = { hide: new Hide(this), lamps: new Lamps(this), finish: new Finish(this), deliver: new Deliver(this) };
    this.viewer.onview = () => {
      $("zoom").value = this.viewer.fitted ? "whole" : `${Math.round(this.viewer.percent)} %`;
      this.detail?.later();
    };
    this.wire();
    fillStrip(this);
    this.goTo("look");
    this.viewer.fit();
  }

  wire() {
    for (const b of document.querySelectorAll("[data-view]")) b.onclick = () => this.show(b.dataset.view);
    for (const [id, what] of [["hold-day", "day"], ["hold-bare", "bare"]]) this.wireHold($(id), what);
    $("smaller").onclick = () => this.viewer.zoomBy(0.8);
    $("larger").onclick = () => this.viewer.zoomBy(1.25);
    $("fit").onclick = () => this.viewer.fit();
    $("actual").onclick = () => this.viewer.actual();
    $("undo").onclick = () => this.change({ do: "undo" });
    $("redo").onclick = () => this.change({ do: "redo" });
    const tabs = [...document.querySelectorAll("[role=tab]")];
    for (const [i, tab] of tabs.entries()) {
      tab.onclick = () => this.goTo(tab.id.slice(4));
      tab.onkeydown = (e) => {
        const way = { ArrowRight: 1, ArrowLeft: -1 }[e.key];
        if (!way) return;
        const next = tabs[(i + way + tabs.length) % tabs.length];
        next.focus();
        next.click();
        e.preventDefault();
        e.stopPropagation();
      };
    }
    bindKeys(this);
  }

  wireHold(button, what) {
    const hold = () => this.hold(what);
    const release = () => this.hold(null);
    button.addEventListener("pointerdown", hold);
    for (const name of ["pointerup", "pointerleave", "pointercancel", "blur"]) button.addEventListener(name, release);
    button.addEventListener("keydown", (e) => { if (e.key === " " || e.key === "Enter") hold(); });
    button.addEventListener("keyup", release);
  }

  goTo(step) {
    this.step = step;
    for (const tab of document.querySelectorAll("[role=tab]")) {
      const own = tab.id === `tab-${step}`;
      tab.setAttribute("aria-selected", own);
      tab.tabIndex = own ? 0 : -1;
      $(tab.id.slice(4)).hidden = !own;
    }
    for (const part of Object.values(this.parts)) part.leave?.();
    this.viewer.tool = null;
    this.parts[step]?.enter?.();
    this.refresh();
  }

  choose(file) {
    if (this.chosen === file) return;
    this.chosen = file;
    for (const part of Object.values(this.parts)) part.chosen?.();
    this.refresh();
  }

  step_frame(way) {
    const files = this.state.frames.map((f) => f.file);
    this.choose(files[Math.min(Math.max(files.indexOf(this.chosen) + way, 0), files.length - 1)]);
  }

  show(view) {
    this.view = view;
    this.refresh();
  }

  hold(what) {
    if (this.held === what) return;
    this.held = what;
    $("hold-day").classList.toggle("held", what === "day");
    $("hold-bare").classList.toggle("held", what === "bare");
    this.refresh();
  }

  // --- state ---

  onState(state, before) {
    if (!this.viewer) this.begin();
    document.title = `${state.run} – lampwalk review`;
    $("run").textContent = state.run;
    $("undo").disabled = !state.undo;
    $("undo").title = state.undo ? `Take back: ${state.undo} (Ctrl+Z)` : "Nothing to take back";
    $("redo").disabled = !state.redo;
    $("redo").title = state.redo ? `Bring back: ${state.redo} (Ctrl+Shift+Z)` : "Nothing to bring back";
    $("saved").value = state.not_saved || (state.saved ? "saved" : "saving …");
    const others = before && before.revision !== state.revision && this.link.own !== state.revision && !this.link.underway;
    const settledNow = state.settled && !(before && before.settled && before.revision === state.revision);
    const filledNow = state.filled_anew && !(before && before.filled_anew && before.revision === state.revision);
    if (!before || others || (filledNow && !this.link.underway) || (settledNow && !this.link.underway)) this.stale();
    this.notices(state);
    markStrip(this);
    fillLook(this);
    for (const part of Object.values(this.parts)) part.state?.(state, before);
    this.refresh();
  }

  // What changes may alter is fetched anew.
  stale() {
    for (const key of [...this.kept.keys()]) if (!key.startsWith("frame?")) this.kept.delete(key);
    this.resultKnown = false;
    this.parts?.hide.forget();
    this.detail?.forget();
  }

  notices(state) {
    const said = [];
    const box = $("notice");
    if (this.lost) said.push("lampwalk does not answer: it has ended, or this machine was asleep. Nothing is lost; start it again and use its new address.");
    if (state.pages > 1) said.push(`This run is open in ${state.pages} pages. What one changes appears in the other.`);
    if (state.problem) said.push(state.problem);
    if (this.complaint) said.push(this.complaint);
    for (const text of state.conflict ? [] : state.notices) if (!this.dismissed) said.push(text);
    box.replaceChildren(...said.map((text) => Object.assign(document.createElement("span"), { textContent: text })));
    if (state.conflict) this.askConflict(box);
    else if (said.length && !this.lost) {
      const close = Object.assign(document.createElement("button"), { textContent: "Close" });
      close.onclick = () => {
        this.dismissed = true;
        this.complaint = "";
        box.hidden = true;
        this.viewer.canvas.focus();
      };
      box.append(close);
    }
    box.hidden = !(said.length || state.conflict) || (this.dismissed && said.length === 1 && state.pages > 1 && !this.complaint);
  }

  askConflict(box) {
    const text = "The worksheet was changed outside this page, so nothing more is saved here until you choose.";
    box.append(Object.assign(document.createElement("span"), { textContent: text }));
    for (const [take, words] of [["theirs", "Take the worksheet from the disk"], ["mine", "Keep what this page shows"]]) {
      const button = Object.assign(document.createElement("button"), { textContent: words });
      button.onclick = async () => {
        try {
          this.link.take(await this.link.post("conflict", { take }));
          this.stale();
          this.refresh();
        } catch (error) {
          this.complain(error);
        }
      };
      box.append(button);
    }
  }

  complain(error) {
    this.complaint = error.message;
    this.notices(this.state);
    this.say(error.message);
  }

  say(text) { $("say").textContent = text; }

  // --- changes ---

  // Carries out a change and shows it; gives whether it was done.
  async change(request) {
    const before = this.state.revision;
    const began = performance.now();
    try {
      const done = await this.link.change(request);
      this.complaint = "";
      this.resultMade = done.revision;
      if (done.patch) await this.patch(done.box, done.patch);
      else if (done.box[2] > done.box[0]) this.resultKnown = false;
      this.forgetChanged(request);
      this.link.take(done.state);
      this.refresh();
      await this.drawn;
      this.link.shown = performance.now() - began;
      if (request.do === "undo" || request.do === "redo") this.say(`${request.do} done`);
      return true;
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      if (error.stale || before !== this.state.revision) this.stale();
      this.complain(error);
      this.refresh();
      return false;
    }
  }

  forgetChanged(request) {
    const all = request.do === "undo" || request.do === "redo";
    for (const key of [...this.kept.keys()]) {
      const mask = key.startsWith("mask?") && (all || ["paint", "region"].includes(request.do));
      const light = (key.startsWith("light?") || key === "unhidden") && (all || request.do === "lamp");
      if (mask || light || key === "coverage") this.kept.delete(key);
    }
    this.parts.hide.forget();
    this.detail.forget();
  }

  async patch(box, data) {
    const image = await fromBase64(data);
    this.result.getContext("2d").drawImage(image, box[1], box[0]);
    this.viewer.draw();
    this.parts.hide.peek();
  }

  // --- pictures ---

  get(path) {
    if (!this.kept.has(path)) {
      const made = picture(path);
      this.kept.set(path, made);
      made.catch(() => this.kept.delete(path));
      if (this.kept.size > 60) this.kept.delete(this.kept.keys().next().value);
    }
    return this.kept.get(path);
  }

  async resultNow() {
    if (!this.resultKnown) {
      this.resultKnown = true;
      try {
        const image = await picture("result");
        this.result.getContext("2d").drawImage(image, 0, 0, this.result.width, this.result.height);
      } catch (error) {
        this.resultKnown = false;
        throw error;
      }
    }
    return this.result;
  }

  async coverageNow() {
    const numbers = pixelsOf(await this.get("coverage"));
    const canvas = new OffscreenCanvas(numbers.width, numbers.height);
    canvas.getContext("2d").putImageData(paintCoverage(numbers, this.state.frames), 0, 0);
    return canvas;
  }

  // What belongs on the table now: { base, caption, coverage? }
  async wanted() {
    const f = this.frame;
    const name = encodeURIComponent(f.file);
    if (this.held === "day") {
      const reference = this.state.reference;
      return { base: await this.get(`frame?frame=${encodeURIComponent(reference)}`), caption: `before: ${reference} as it was shot` };
    }
    if (this.held === "bare") return { base: await this.get("unhidden"), caption: "plain maximum of the frames, nothing hidden" };
    if (this.view === "frame") return { base: await this.get(`frame?frame=${name}`), caption: `frame ${f.number}  ${f.file}` };
    if (this.view === "light") return { base: await this.get(`light?frame=${name}`), caption: `light alone of frame ${f.number}  ${f.file}` };
    if (this.view === "coverage") return { base: await this.coverageNow(), caption: "coverage: which frame gives each part" };
    return { base: await this.resultNow(), caption: this.state.ready ? "result" : "result of the last merge; the frames are being prepared …" };
  }

  // What the crop cuts off: gone, but dimmed only while the crop is being chosen.
  cutOff(c, [r0, c0, r1, c1]) {
    const { width, height } = this.viewer.world;
    const choosing = this.parts.finish.active && this.parts.finish.part === "crop";
    c.fillStyle = choosing ? "#262626b8" : "#262626";
    c.beginPath();
    c.rect(-1, -1, width + 2, height + 2);
    c.rect(c0, r0, c1 - c0, r1 - r0);
    c.fill("evenodd");
  }

  refresh() {
    for (const b of document.querySelectorAll("[data-view]")) b.setAttribute("aria-pressed", b.dataset.view === this.view);
    markStrip(this);
    fillLook(this);
    fillLegend(this);
    const turn = (this.turn = (this.turn ?? 0) + 1);
    this.drawn = this.wanted().then(
      ({ base, caption }) => {
        if (turn !== this.turn) return;
        this.viewer.base = base;
        $("caption").textContent = caption;
        $("picture").setAttribute("aria-label", caption);
        const masked = this.view === "frame" || this.parts.hide.active;
        const cut = this.view === "result" && !this.held && this.state.crop_box;
        this.viewer.overlays = [];
        if (cut) this.viewer.overlays.push((c) => this.cutOff(c, cut));
        if (masked && !this.held) this.viewer.overlays.push((c) => this.parts.hide.overlay(c));
        this.viewer.marks = this.held ? [] : Object.values(this.parts).filter((p) => p.active && p.marks).map((p) => (c, v) => p.marks(c, v));
        this.detail.later();
        this.viewer.draw();
        this.parts.hide.peek();
        document.body.dataset.shown = `${this.held ?? this.view} ${this.state.revision} ${this.state.settled}`;
      },
      (error) => { if (turn === this.turn) $("caption").textContent = error.message; },
    );
  }
}

const link = new Link();
const app = new App(link);
globalThis.lampwalkReview = app; // for the tests, and for the curious
link.onstate = (state, before) => app.onState(state, before);
link.onlost = (lost) => {
  if (app.lost === lost || !link.state) return;
  app.lost = lost;
  app.notices(link.state);
};
link.listen();
addEventListener("pagehide", () => {
  const body = JSON.stringify({ page: link.page });
  fetch("bye", { method: "POST", keepalive: true, headers: { "Content-Type": "application/json" }, body });
});

