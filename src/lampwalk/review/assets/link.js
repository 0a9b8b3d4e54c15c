// What is asked of the server: the state, pictures, changes. Changes go one after the other.

export class Refused extends Error {}

export class Link {
  constructor() {
    this.page = crypto.randomUUID?.() ?? String(Math.random());
    this.state = null;
    this.queue = Promise.resolve();
    this.underway = 0;
    this.onstate = () => {};
    this.onlost = () => {};
  }

  async listen() {
    for (;;) {
      try {
        const serial = this.state ? this.state.serial : -1;
        const answer = await fetch(`news?serial=${serial}&page=${this.page}`);
        if (!answer.ok) throw new Error(await answer.text());
        this.take(await answer.json());
        this.onlost(false);
      } catch {
        this.onlost(true);
        await new Promise((wake) => setTimeout(wake, 1500));
      }
    }
  }

  take(state) {
    if (this.state && state.serial < this.state.serial) return;
    const before = this.state;
    this.state = { pages: before?.pages ?? 1, ...state };
    this.onstate(this.state, before);
  }

  // Sends a change when those before it are done; gives { box, patch } or throws Refused.
  change(request) {
    this.underway += 1;
    const turn = this.queue.then(async () => {
      try {
        const began = performance.now();
        const done = await this.post("change", { ...request, seen: this.state.revision });
        this.took = performance.now() - began;
        this.own = done.revision;
        return done;
      } finally {
        this.underway -= 1;
      }
    });
    this.queue = turn.catch(() => {});
    return turn;
  }

  async post(path, data) {
    const answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(data) });
    if (answer.ok) return answer.json();
    let said = {};
    try { said = JSON.parse(await answer.text()); } catch { /* no words */ }
    const error = new Refused([said.file, said.error || "that was refused", said.remedy && `(${said.remedy})`].filter(Boolean).join(" "));
    error.stale = answer.status === 409;
    throw error;
  }
}

export async function picture(path) {
  const answer = await fetch(path);
  if (!answer.ok) {
    let said = {};
    try { said = JSON.parse(await answer.text()); } catch { /* no words */ }
    throw new Refused(said.error || "the picture cannot be shown");
  }
  return createImageBitmap(await answer.blob());
}

export function fromBase64(text) {
  const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  return createImageBitmap(new Blob([bytes], { type: "image/png" }));
}

// Calls `send` with the latest value only, never twice at a time; `offer.busy` while values are under way.
export function latest(send) {
  let waiting = null;
  async function offer(value) {
    waiting = { value };
    if (offer.busy) return;
    offer.busy = true;
    try {
      while (waiting) {
        const next = waiting.value;
        waiting = null;
        await send(next);
      }
    } finally {
      offer.busy = false;
    }
  }
  offer.busy = false;
  return offer;
}
