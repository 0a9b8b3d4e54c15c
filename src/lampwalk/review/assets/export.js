// The read-only page: the same viewer, nothing to change.

import { Viewer } from "./viewer.js";
import { colourOf, paintCoverage, pixelsOf, share } from "./palette.js";

const data = JSON.parse(document.getElementById("data").textContent);
const byId = (id) => document.getElementById(id);
const [height, width] = data.size;
const viewer = new Viewer(byId("picture"), { width, height, fullWidth: width });
const loaded = new Map();
let view = "result";
let chosen = Math.max(0, data.frames.findIndex((f) => f.role === "lamp"));
let held = null;

function load(address) {
  if (!loaded.has(address)) {
    const image = new Image();
    image.src = address;
    loaded.set(address, image.decode().then(() => image));
  }
  return loaded.get(address);
}

async function coverage() {
  const numbers = pixelsOf(await load(data.coverage));
  const canvas = new OffscreenCanvas(width, height);
  canvas.getContext("2d").putImageData(paintCoverage(numbers, data.frames), 0, 0);
  return canvas;
}

async function refresh() {
  const f = data.frames[chosen];
  const name = `frame ${f.number}  ${f.file}`;
  const [base, caption] = await {
    before: async () => [await load(data.before), `before: ${data.reference} as it was shot`],
    unhidden: async () => [await load(data.unhidden), "plain maximum of the frames, nothing hidden"],
    result: async () => [await load(data.result), "result"],
    frame: async () => [await load(data.pictures[chosen].frame), `${name}, outlined: what is hidden`],
    light: async () => [await load(data.pictures[chosen].light), `light alone of ${name}`],
    coverage: async () => [await coverage(), "coverage: which frame gives each part"],
  }[held ?? view]();
  viewer.base = base;
  byId("caption").textContent = caption;
  byId("picture").setAttribute("aria-label", caption);
  for (const b of document.querySelectorAll("[data-view]")) b.setAttribute("aria-pressed", b.dataset.view === view);
  for (const [i, slide] of [...document.querySelectorAll(".slide")].entries()) slide.setAttribute("aria-pressed", i === chosen);
  byId("legend").hidden = view !== "coverage" || Boolean(held);
  about(f);
  viewer.draw();
  document.body.dataset.shown = held ?? view;
}

function about(f) {
  const role = f.role === "ambient" ? "without flash" : f.on ? "lamp frame" : "lamp frame, off";
  const words = [`Frame ${f.number}, ${f.file}: ${role}`, f.share && `gives ${share(f.share)} of the result`];
  if (f.gain_ev) words.push(`${f.gain_ev > 0 ? "+" : ""}${f.gain_ev.toFixed(1)} stops`);
  if (f.warmth) words.push(`warmth ${f.warmth > 0 ? "+" : ""}${f.warmth.toFixed(0)} mired`);
  byId("about-frame").textContent = `${words.filter(Boolean).join("; ")}.`;
  const run = [`${data.frames.filter((x) => x.role === "lamp" && x.on).length} lamps in the result`, `${share(data.unlit)} of the picture is reached by no lamp`];
  if (data.filled) run.push(`${share(data.filled)} is fill`);
  for (const x of data.left_out) run.push(`left out: ${x.file} (${x.why})`);
  for (const x of data.findings) run.push([x.frame && `${x.frame}:`, x.text].filter(Boolean).join(" "));
  byId("about-run").textContent = `${run.join("; ")}.`;
}

function fill() {
  const slides = data.frames.map((f, i) => {
    const button = document.createElement("button");
    button.className = `slide${f.on ? "" : " off"}`;
    button.setAttribute("aria-label", `Frame ${f.number}, ${f.file}`);
    const image = Object.assign(new Image(), { src: data.pictures[i].frame, alt: "" });
    const words = Object.assign(document.createElement("span"), { className: "name" });
    const swatch = Object.assign(document.createElement("span"), { className: "swatch" });
    swatch.style.background = `rgb(${colourOf(f.number, data.frames)})`;
    words.append(Object.assign(document.createElement("b"), { textContent: `${f.number}  ${f.file}` }), swatch, f.on ? share(f.share) : "off");
    button.append(image, words);
    button.onclick = () => {
      chosen = i;
      if (view === "result" || view === "coverage") view = "frame";
      refresh();
    };
    const item = document.createElement("li");
    item.append(button);
    return item;
  });
  byId("slides").replaceChildren(...slides);
  const rows = data.frames.filter((f) => f.on && f.share).map((f) => [f.number, `${f.number}  ${f.file}  ${share(f.share)}`]);
  if (data.filled) rows.push([255, `fill behind masks  ${share(data.filled)}`]);
  byId("legend").replaceChildren(
    ...rows.map(([number, text]) => {
      const item = document.createElement("li");
      const swatch = document.createElement("i");
      swatch.style.background = `rgb(${colourOf(number, data.frames)})`;
      item.append(swatch, text);
      return item;
    }),
  );
}

function hold(what) {
  if (held === what) return;
  held = what;
  for (const b of document.querySelectorAll("[data-hold]")) b.classList.toggle("held", b.dataset.hold === held);
  refresh();
}

for (const b of document.querySelectorAll("[data-view]")) b.onclick = () => { view = b.dataset.view; refresh(); };
for (const b of document.querySelectorAll("[data-hold]")) {
  b.onpointerdown = () => hold(b.dataset.hold);
  b.onpointerup = b.onpointerleave = b.onblur = b.onkeyup = () => hold(null);
  b.onkeydown = (e) => { if (e.key === " " || e.key === "Enter") hold(b.dataset.hold); };
}
byId("smaller").onclick = () => viewer.zoomBy(0.8);
byId("larger").onclick = () => viewer.zoomBy(1.25);
byId("fit").onclick = () => viewer.fit();
addEventListener("keydown", (e) => {
  const views = { r: "result", f: "frame", l: "light", c: "coverage" };
  const holds = { d: "before", b: "unhidden" };
  if (e.ctrlKey || e.metaKey || e.altKey) return;
  if (views[e.key]) { view = views[e.key]; refresh(); }
  else if (holds[e.key]) hold(holds[e.key]);
  else if (e.key === "w" || e.key === "s") { chosen = Math.min(Math.max(chosen + (e.key === "s" ? 1 : -1), 0), data.frames.length - 1); refresh(); }
  else if (viewer.key(e)) e.preventDefault();
});
addEventListener("keyup", (e) => { if (e.key === "d" || e.key === "b") hold(null); });
fill();
refresh();
