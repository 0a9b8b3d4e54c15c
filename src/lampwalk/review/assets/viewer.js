// The picture on its canvas: zoom, pan, and what is drawn over it. Used by the page and by the exported file.
// World coordinates are preview pixels of the result, pixel edges at integers.

const MOST_ZOOM = 8; // screen pixels for one pixel of the frame

export class Viewer {
  constructor(canvas, { width, height, fullWidth }) {
    this.canvas = canvas;
    this.context = canvas.getContext("2d");
    this.world = { width, height };
    this.fullScale = fullWidth / width; // frame pixels for one preview pixel
    this.base = null;
    this.detail = null; // { image, x, y, width, height } in world units
    this.overlays = []; // functions (context, viewer): drawn in world units
    this.marks = []; // functions (context, viewer): drawn in screen pixels
    this.tool = null; // { down, move, up, cancel }: gets points of the world
    this.pointers = new Map();
    this.fitted = true;
    this.scale = 1;
    this.x = 0;
    this.y = 0;
    this.onview = () => {};
    this.listen();
    new ResizeObserver(() => this.resize()).observe(canvas);
    this.resize();
  }

  resize() {
    const ratio = window.devicePixelRatio || 1;
    const box = this.canvas.getBoundingClientRect();
    this.ratio = ratio;
    this.canvas.width = Math.max(1, Math.round(box.width * ratio));
    this.canvas.height = Math.max(1, Math.round(box.height * ratio));
    if (this.fitted) this.fit();
    this.draw();
  }

  fit() {
    const margin = 12 * this.ratio;
    const { width, height } = this.canvas;
    this.scale = Math.max(0.01, Math.min((width - 2 * margin) / this.world.width, (height - 2 * margin) / this.world.height));
    this.x = (width - this.world.width * this.scale) / 2;
    this.y = (height - this.world.height * this.scale) / 2;
    this.fitted = true;
    this.changed();
  }

  zoomTo(scale, at) {
    const anchor = at || { x: this.canvas.width / 2, y: this.canvas.height / 2 };
    const least = Math.min(this.canvas.width / this.world.width, this.canvas.height / this.world.height) / 3;
    const next = Math.min(Math.max(scale, least), MOST_ZOOM * this.fullScale);
    this.x = anchor.x - ((anchor.x - this.x) * next) / this.scale;
    this.y = anchor.y - ((anchor.y - this.y) * next) / this.scale;
    this.scale = next;
    this.fitted = false;
    this.changed();
  }

  zoomBy(factor, at) { this.zoomTo(this.scale * factor, at); }

  actual() { this.zoomTo(this.fullScale); }

  pan(dx, dy) {
    this.x += dx;
    this.y += dy;
    this.fitted = false;
    this.changed();
  }

  // Shows a box [row, column, end row, end column] with room round it.
  show(box) {
    const [r0, c0, r1, c1] = box;
    const room = 2.2;
    const wide = Math.max(c1 - c0, 60) * room;
    const high = Math.max(r1 - r0, 60) * room;
    this.scale = Math.min(this.canvas.width / wide, this.canvas.height / high, Math.max(this.fullScale, 2.5 * this.ratio));
    this.x = this.canvas.width / 2 - ((c0 + c1) / 2) * this.scale;
    this.y = this.canvas.height / 2 - ((r0 + r1) / 2) * this.scale;
    this.fitted = false;
    this.changed();
  }

  // What part of the world is on the screen, cut to the picture.
  visible() {
    return {
      x0: Math.max(0, -this.x / this.scale),
      y0: Math.max(0, -this.y / this.scale),
      x1: Math.min(this.world.width, (this.canvas.width - this.x) / this.scale),
      y1: Math.min(this.world.height, (this.canvas.height - this.y) / this.scale),
    };
  }

  get percent() { return (this.scale / this.fullScale) * 100; }

  changed() {
    this.onview(this);
    this.draw();
  }

  draw() {
    if (this.waiting) return;
    this.waiting = requestAnimationFrame(() => {
      this.waiting = 0;
      this.paint();
    });
  }

  paint() {
    const c = this.context;
    c.setTransform(1, 0, 0, 1, 0, 0);
    c.clearRect(0, 0, this.canvas.width, this.canvas.height);
    c.setTransform(this.scale, 0, 0, this.scale, this.x, this.y);
    c.imageSmoothingEnabled = this.scale < 3;
    c.imageSmoothingQuality = "high";
    if (this.base) c.drawImage(this.base, 0, 0, this.world.width, this.world.height);
    const d = this.detail;
    if (d) c.drawImage(d.image, d.x, d.y, d.width, d.height);
    for (const overlay of this.overlays) overlay(c, this);
    c.setTransform(1, 0, 0, 1, 0, 0);
    for (const mark of this.marks) mark(c, this);
  }

  toWorld(event) {
    const box = this.canvas.getBoundingClientRect();
    const x = (event.clientX - box.left) * this.ratio;
    const y = (event.clientY - box.top) * this.ratio;
    return { x: (x - this.x) / this.scale, y: (y - this.y) / this.scale, screen: { x, y } };
  }

  listen() {
    const c = this.canvas;
    c.addEventListener("pointerdown", (e) => this.down(e));
    c.addEventListener("pointermove", (e) => this.move(e));
    for (const name of ["pointerup", "pointercancel"]) c.addEventListener(name, (e) => this.up(e, name === "pointercancel"));
    c.addEventListener("contextmenu", (e) => e.preventDefault());
    c.addEventListener(
      "wheel",
      (e) => {
        e.preventDefault();
        const step = Math.max(-60, Math.min(60, e.deltaY * (e.deltaMode ? 16 : 1)));
        this.zoomBy(Math.exp(-step * (e.ctrlKey ? 0.012 : 0.004)), this.toWorld(e).screen);
      },
      { passive: false },
    );
  }

  down(e) {
    this.canvas.focus({ preventScroll: true });
    try { this.canvas.setPointerCapture(e.pointerId); } catch { /* the pointer is gone already */ }
    const at = this.toWorld(e);
    this.pointers.set(e.pointerId, at.screen);
    if (this.pointers.size > 1) {
      // A second finger: the hand wants to move the picture.
      if (this.using) this.tool?.cancel?.();
      this.using = false;
      return;
    }
    this.using = Boolean(this.tool && e.button !== 1 && e.button !== 2 && this.tool.down(at, e));
  }

  move(e) {
    const at = this.toWorld(e);
    if (!this.pointers.has(e.pointerId)) {
      this.tool?.hover?.(at, e);
      return;
    }
    if (this.using) {
      const points = e.getCoalescedEvents?.() ?? [];
      this.tool.move(points.length ? points.map((p) => this.toWorld(p)) : [at], e);
      return;
    }
    const before = new Map(this.pointers);
    this.pointers.set(e.pointerId, at.screen);
    if (this.pointers.size === 1) {
      const from = before.get(e.pointerId);
      this.pan(at.screen.x - from.x, at.screen.y - from.y);
    } else if (this.pointers.size === 2) this.pinch([...before.values()], [...this.pointers.values()]);
  }

  pinch(from, to) {
    const middle = ([a, b]) => ({ x: (a.x + b.x) / 2, y: (a.y + b.y) / 2 });
    const apart = ([a, b]) => Math.max(1, Math.hypot(a.x - b.x, a.y - b.y));
    const [m0, m1] = [middle(from), middle(to)];
    this.pan(m1.x - m0.x, m1.y - m0.y);
    this.zoomBy(apart(to) / apart(from), m1);
  }

  up(e, cancelled) {
    const at = this.toWorld(e);
    if (this.using) {
      if (cancelled) this.tool.cancel?.();
      else this.tool.up(at, e);
      this.using = false;
    }
    this.pointers.delete(e.pointerId);
  }

  // Keys that move the picture; returns whether the key was one of them.
  key(e) {
    const step = 60 * this.ratio;
    const keys = {
      "+": () => this.zoomBy(1.25), "=": () => this.zoomBy(1.25), "-": () => this.zoomBy(0.8), 0: () => this.fit(), 1: () => this.actual(),
      ArrowLeft: () => this.pan(step, 0), ArrowRight: () => this.pan(-step, 0), ArrowUp: () => this.pan(0, step), ArrowDown: () => this.pan(0, -step),
    };
    if (!Object.hasOwn(keys, e.key) || e.ctrlKey || e.metaKey) return false;
    keys[e.key]();
    return true;
  }
}
