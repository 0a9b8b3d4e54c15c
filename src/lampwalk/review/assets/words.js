// What the page says about the run: the Look desk and the legend of the coverage.

import { colourOf, share } from "./palette.js";

const $ = (id) => document.getElementById(id);
const line = (text) => Object.assign(document.createElement("li"), { textContent: text });

export function fillLook(app) {
  const { state, frame: f } = app;
  const role = f.role === "ambient" ? "without flash" : f.on ? "lamp frame" : "lamp frame, off";
  const changes = [f.gain_ev && `${signed(f.gain_ev)} stops`, f.warmth && `warmth ${signed(f.warmth, 0)} mired`, f.by_hand && "mask by hand"];
  const level = Math.abs(f.ambient_ev) >= 0.01 ? `daylight levelled by ${signed(f.ambient_ev, 2)} stops` : "";
  const regions = state.regions.filter((r) => r.frame === f.file).length;
  const parts = [`Frame ${f.number}, ${f.file}: ${role}`, f.file === state.reference && "reference", f.share != null && `gives ${share(f.share)} of the result`];
  parts.push(regions ? `${regions} region${regions > 1 ? "s" : ""} hidden` : "", level, ...changes);
  $("about-frame").textContent = `${parts.filter(Boolean).join("; ")}.`;
  const unsure = state.regions.filter((r) => r.unsure && !r.seen).length;
  const lamps = state.frames.filter((x) => x.role === "lamp" && x.on).length;
  const run = [`${lamps} lamp${lamps === 1 ? "" : "s"} in the result`];
  if (state.unlit != null) run.push(`${share(state.unlit)} of the picture is reached by no lamp`);
  if (state.filled) run.push(`${share(state.filled)} is fill`);
  run.push(unsure ? `${unsure} uncertain region${unsure > 1 ? "s" : ""} to look at (Hide)` : "no uncertain regions left");
  if (state.left_out.length) run.push(`left out: ${state.left_out.map((x) => `${x.file} (${x.why})`).join(", ")}`);
  $("about-run").textContent = `${run.join("; ")}.`;
  $("remark-count").textContent = state.findings.length;
  $("remarks").replaceChildren(
    ...state.findings.map((x) => line([x.frame && `${x.frame}:`, x.text, x.remedy && `(${x.remedy})`].filter(Boolean).join(" "))),
  );
}

export function fillLegend(app) {
  const legend = $("legend");
  legend.hidden = app.view !== "coverage" || Boolean(app.held);
  if (legend.hidden) return;
  const { frames, filled } = app.state;
  const rows = frames.filter((f) => f.on && f.share).map((f) => [f.number, `${f.number}  ${f.file}${f.role === "ambient" ? " – no lamp reaches" : ""}`, f.share]);
  if (filled) rows.push([255, "fill behind masks", filled]);
  legend.replaceChildren(
    ...rows.map(([number, text, value]) => {
      const swatch = document.createElement("i");
      swatch.style.background = `rgb(${colourOf(number, frames)})`;
      const item = document.createElement("li");
      item.append(swatch, `${text}  ${share(value)}`);
      return item;
    }),
  );
}

export const signed = (value, digits = 1) => `${value < 0 ? "−" : "+"}${Math.abs(value).toFixed(digits)}`;
