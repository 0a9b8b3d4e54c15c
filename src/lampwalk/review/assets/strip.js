// The frames as slides on the table.

import { colourOf, share } from "./palette.js";

const make = (tag, given = {}, ...inside) => {
  const element = Object.assign(document.createElement(tag), given);
  element.append(...inside);
  return element;
};

export function fillStrip(app) {
  const slides = app.state.frames.map((f) => {
    const image = make("img", { src: `thumb?frame=${encodeURIComponent(f.file)}`, alt: "", loading: "lazy" });
    const name = make("b", { textContent: `${f.number}  ${f.file}` });
    const button = make("button", { className: "slide" }, image, make("span", { className: "name" }, name, make("span", { className: "swatch" }), make("span", { className: "share" })));
    button.dataset.file = f.file;
    button.onclick = () => app.choose(f.file);
    button.ondblclick = () => app.show("frame");
    return make("li", {}, button);
  });
  document.getElementById("slides").replaceChildren(...slides);
}

export function markStrip(app) {
  for (const slide of document.querySelectorAll(".slide")) {
    const f = app.state.frames.find((x) => x.file === slide.dataset.file);
    if (!f) continue;
    const chosen = f.file === app.chosen;
    if (chosen && slide.getAttribute("aria-pressed") !== "true") slide.scrollIntoView({ block: "nearest", inline: "nearest" });
    slide.setAttribute("aria-pressed", chosen);
    slide.classList.toggle("off", !f.on);
    const role = f.role === "ambient" ? "no flash" : f.on ? "lamp" : "lamp off";
    slide.setAttribute("aria-label", `Frame ${f.number}, ${f.file}, ${role}${f.by_hand ? ", mask by hand" : ""}${f.share == null ? "" : `, gives ${share(f.share)} of the result`}`);
    slide.title = `${f.file}: ${role}${f.by_hand ? ", mask by hand" : ""}`;
    slide.querySelector(".share").textContent = f.on ? share(f.share) : "off";
    slide.querySelector(".swatch").style.background = `rgb(${colourOf(f.number, app.state.frames)})`;
  }
}
