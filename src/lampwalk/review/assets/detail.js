// What the screen shows at more than preview size is fetched at full size: of the frame, or of the result as last merged.

import { picture } from "./link.js";

const PAUSE_MS = 180;

export class Detail {
  constructor(app) {
    this.app = app;
  }

  forget() {
    this.app.viewer.detail = null;
    this.key = "";
  }

  later() {
    clearTimeout(this.timer);
    const { viewer } = this.app;
    if (viewer.detail && this.owner() !== this.shownOwner) this.forget();
    if (viewer.scale > 1.15 && viewer.fullScale > 1) this.timer = setTimeout(() => this.fetch(), PAUSE_MS);
  }

  // Whose pixels: a frame's name, "" for the result, null where there is nothing finer than the preview.
  owner() {
    const { app } = this;
    if (app.held === "day") return app.state.reference;
    if (app.held) return null;
    if (app.view === "frame") return app.frame.file;
    if (app.view === "result" && app.state.merged) return "";
    return null;
  }

  async fetch() {
    const { viewer } = this.app;
    const owner = this.owner();
    if (owner === null || this.missing === owner) return;
    const v = viewer.visible();
    const k = viewer.fullScale;
    const box = { r0: Math.floor(v.y0 * k), c0: Math.floor(v.x0 * k), r1: Math.ceil(v.y1 * k), c1: Math.ceil(v.x1 * k) };
    if (box.r1 <= box.r0 || box.c1 <= box.c0 || box.r1 - box.r0 > 3000 || box.c1 - box.c0 > 3000) return;
    const key = `${owner}|${Object.values(box)}|${this.app.state.revision}`;
    if (key === this.key) return;
    this.key = key;
    try {
      const image = await picture(`window?frame=${encodeURIComponent(owner)}&${new URLSearchParams(box)}`);
      if (key !== this.key || owner !== this.owner()) return;
      viewer.detail = { image, x: box.c0 / k, y: box.r0 / k, width: (box.c1 - box.c0) / k, height: (box.r1 - box.r0) / k };
      this.shownOwner = owner;
      viewer.draw();
    } catch {
      this.missing = owner; // the frames are gone: the preview has to do
    }
  }
}
