// Lamps: on or off, stops, warmth, for the lamp of the chosen frame; a suggested balance for all.

import { latest } from "./link.js";
import { signed } from "./words.js";

const $ = (id) => document.getElementById(id);

export class Lamps {
  constructor(app) {
    this.app = app;
    this.gesture = 0;
    this.offer = latest((request) => this.app.change(request));
    $("lamp-on").onchange = () => this.app.change({ do: "lamp", frame: this.app.chosen, on: $("lamp-on").checked }).then(() => this.fill());
    for (const [id, name] of [["lamp-ev", "gain_ev"], ["lamp-warmth", "warmth"]]) {
      const slider = $(id);
      slider.onpointerdown = slider.onfocus = () => { this.gesture += 1; };
      slider.oninput = () => {
        this.words();
        this.offer({ do: "lamp", frame: this.app.chosen, [name]: Number(slider.value), gesture: `${id} ${this.gesture} ${this.app.link.page}` }).then(() => { if (!this.offer.busy) this.fill(); });
      };
    }
    $("lamp-reset").onclick = () => this.app.change({ do: "lamp", frame: this.app.chosen, on: true, gain_ev: 0, warmth: 0 }).then(() => this.fill());
    $("balance").onclick = () => this.suggest();
  }

  enter() {
    this.active = true;
    if (this.app.view === "frame") this.app.view = "result";
    this.fill();
  }

  leave() { this.active = false; }
  chosen() { this.fill(); }
  state() { if (!this.offer.busy) this.fill(); }
  toggle() {
    const f = this.app.frame;
    this.app.change({ do: "lamp", frame: f.file, on: !f.on });
  }

  fill() {
    const f = this.app.frame;
    $("lamp-name").textContent = f.role === "lamp" ? `Lamp of frame ${f.number}, ${f.file}` : `Frame ${f.number}, ${f.file}: without flash, its daylight only`;
    $("lamp-on").checked = f.on;
    $("lamp-ev").value = f.gain_ev;
    $("lamp-warmth").value = f.warmth;
    for (const id of ["lamp-ev", "lamp-warmth", "lamp-reset"]) $(id).disabled = f.role !== "lamp";
    this.words();
  }

  words() {
    const [ev, warmth] = [Number($("lamp-ev").value), Number($("lamp-warmth").value)];
    $("lamp-ev-out").value = signed(ev);
    $("lamp-warmth-out").value = signed(warmth, 0);
    $("lamp-why").textContent = warmth ? `${Math.abs(warmth)} mired ${warmth > 0 ? "warmer" : "cooler"}, as with a gel on the lamp; the daylight stays.` : "";
  }

  async suggest() {
    const list = $("balance-list");
    $("balance-box").showModal();
    list.replaceChildren("…");
    const answer = await fetch("offer");
    const { lamps } = await answer.json();
    const worth = lamps.filter((s) => s.gain_ev);
    list.replaceChildren(
      ...worth.map((s) => {
        const button = document.createElement("button");
        button.textContent = `${s.frame}: ${signed(s.gain_ev)} stops – ${s.why}`;
        button.onclick = async () => {
          this.app.choose(s.frame);
          if (await this.app.change({ do: "lamp", frame: s.frame, gain_ev: s.gain_ev })) button.disabled = true;
        };
        const item = document.createElement("li");
        item.append(button);
        return item;
      }),
    );
    if (!worth.length) list.replaceChildren("The lamps are well balanced.");
  }
}
