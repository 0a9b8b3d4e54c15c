// Keys. Letters act where no text is typed; what they mean is shown by the question mark.

export const KEYS = [
  ["R F L C", "result, frame, light alone, coverage"],
  ["D", "hold: before"],
  ["B", "hold: nothing hidden"],
  ["W S", "frame before, next frame"],
  ["+ − 0 1", "larger, smaller, whole, 100 %"],
  ["Arrows", "move the picture; while hiding, the brush (with Alt: the picture)"],
  ["Enter", "while hiding: paint at the brush; with Shift: a line from the last place"],
  ["E", "brush: hide or do not hide"],
  [", .", "brush smaller, larger"],
  ["M", "mask shown or not"],
  ["N P", "next region, region before"],
  ["K J H", "region: keep, do not hide, hide more"],
  ["O", "lamp takes part or not"],
  ["Ctrl+Z", "undo; with Shift: redo"],
];

export function bindKeys(app) {
  const list = document.getElementById("key-list");
  list.replaceChildren(
    ...KEYS.map(([keys, text]) => {
      const item = document.createElement("li");
      for (const key of keys.split(" ")) item.append(Object.assign(document.createElement("kbd"), { textContent: key }), " ");
      item.append(text);
      return item;
    }),
  );
  document.getElementById("open-keys").onclick = () => document.getElementById("keys").showModal();
  document.getElementById("open-remarks").onclick = () => document.getElementById("remarks-box").showModal();
  addEventListener("keydown", (e) => {
    if (e.target.closest?.("dialog")) return;
    if (press(app, e)) e.preventDefault();
  });
  addEventListener("keyup", (e) => {
    const what = { d: "day", b: "bare" }[e.key.toLowerCase()];
    if (what && app.held === what) app.hold(null);
  });
  addEventListener("blur", () => app.hold(null));
}

function press(app, e) {
  const inField = e.target.matches?.("input:not([type=checkbox]), select, textarea");
  const key = e.key.length === 1 ? e.key.toLowerCase() : e.key;
  if (e.ctrlKey || e.metaKey) {
    if (key === "z") return act(() => app.change({ do: e.shiftKey ? "redo" : "undo" }));
    if (key === "y") return act(() => app.change({ do: "redo" }));
    return false;
  }
  const onPicture = e.target === app.viewer.canvas || e.target === document.body;
  if (app.step === "hide" && onPicture && app.parts.hide.key(e)) return true;
  const arrow = key.startsWith("Arrow");
  if ((onPicture || (!arrow && !inField)) && app.viewer.key(e)) return true;
  if (inField) return false;
  const views = { r: "result", f: "frame", l: "light", c: "coverage" };
  if (views[key]) return act(() => app.show(views[key]));
  const { hide, lamps } = app.parts;
  const known = {
    d: () => app.hold("day"), b: () => app.hold("bare"), w: () => app.step_frame(-1), s: () => app.step_frame(1),
    e: () => hide.turn(), ",": () => hide.resize(1 / 1.2), ".": () => hide.resize(1.2), m: () => hide.toggleMask(),
    n: () => hide.region(1), p: () => hide.region(-1), k: () => hide.judge("keep"), j: () => hide.judge("show"), h: () => hide.judge("more"),
    o: () => lamps.toggle(),
    "?": () => { document.getElementById("keys").showModal(); },
  };
  return Object.hasOwn(known, key) ? act(known[key]) : false;
}

function act(what) {
  what();
  return true;
}
