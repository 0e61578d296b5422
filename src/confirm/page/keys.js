// The one table of keys: shown on the page and read by the code.
// on: "one" a single object, "photo" the photo, "view" how it is shown, "mode" while adding or moving corners.
export const KEYS = [
  { does: "bean", keys: ["b"], shown: "B", label: "Bean", on: "one" },
  { does: "split", keys: ["s"], shown: "S", label: "Split bean", on: "one" },
  { does: "pod", keys: ["p"], shown: "P", label: "Pod", on: "one" },
  { does: "none", keys: ["n"], shown: "N", label: "Neither", on: "one", tells: "neither a bean nor a pod" },
  { does: "pod-beans", keys: ["1", "2", "3", "4", "5"], shown: "1 to 5", label: "Beans in the pod", on: "one", tells: "a pod with so many beans in it" },
  { does: "next", keys: [" ", "ArrowRight"], shown: "Space or →", label: "Next", on: "one", tells: "the next doubtful one" },
  { does: "back", keys: ["Backspace", "ArrowLeft"], shown: "←", label: "Back", on: "one", tells: "the doubtful one before" },
  { does: "next-any", keys: ["."], shown: ".", label: "Next of all", on: "one", tells: "the next object, doubtful or not" },
  { does: "back-any", keys: [","], shown: ",", label: "One before, of all", on: "one", tells: "the object before, doubtful or not" },
  { does: "take", keys: ["d", "Delete"], shown: "D", label: "Take away", on: "one", tells: "one that was added; of those found it says: neither" },
  { does: "add", keys: ["a"], shown: "A", label: "Add a missed one", on: "photo", tells: "then click it, or arrows and Enter" },
  { does: "confirm", keys: ["Enter"], shown: "Enter", label: "Count is right, next photo", on: "photo" },
  { does: "undo", keys: ["u"], shown: "U or Ctrl Z", label: "Undo", on: "photo" },
  { does: "redo", keys: ["r"], shown: "R or Ctrl Y", label: "Redo", on: "photo" },
  { does: "corners", keys: ["c"], shown: "C", label: "Frame's edge", on: "photo", tells: "drag its corners (a ring: its four handles) where they belong, or 1 to 4 and arrows, then Enter" },
  { does: "hand", keys: ["h"], shown: "H", label: "Hand count", on: "photo" },
  { does: "place", keys: ["l"], shown: "L", label: "Where it was laid", on: "photo" },
  { does: "unusable", keys: ["x"], shown: "X", label: "Cannot be used", on: "photo" },
  { does: "note", keys: ["o"], shown: "O", label: "Note", on: "photo" },
  { does: "next-photo", keys: ["]", "PageDown"], shown: "] or Page Down", label: "Next photo", on: "photo" },
  { does: "back-photo", keys: ["[", "PageUp"], shown: "[ or Page Up", label: "Photo before", on: "photo" },
  { does: "marks", keys: ["m"], shown: "M", label: "Marks", on: "view", tells: "marks on and off" },
  { does: "other", keys: ["v"], shown: "V", label: "Photo", on: "view", tells: "the plot from above, or the photo" },
  { does: "closer", keys: ["+", "="], shown: "+", label: "Closer", on: "view" },
  { does: "farther", keys: ["-"], shown: "−", label: "Farther", on: "view" },
  { does: "fit", keys: ["0"], shown: "0", label: "All of it", on: "view" },
  { does: "pan", keys: ["shift+Arrow"], shown: "Shift and arrows", label: "Move the picture", on: "view" },
  { does: "keys", keys: ["?"], shown: "?", label: "Keys and marks", on: "view" },
  { does: "keep", keys: [], shown: "Enter", label: "Keep it", on: "mode", tells: "add one at the cross; make the plot anew with the edge as it is set" },
  { does: "leave", keys: ["Escape"], shown: "Esc", label: "Leave it", on: "mode", tells: "stop adding, moving corners or typing" },
];

const byKey = new Map(KEYS.flatMap((row) => row.keys.map((key) => [key, row.does])));

/** What a key does; null for one that does nothing here. */
export function actionOf(event) {
  const held = event.ctrlKey || event.metaKey;
  if (event.altKey) return null;
  if (held) {
    const key = event.key.toLowerCase();
    if (key === "z") return { does: event.shiftKey ? "redo" : "undo" };
    return key === "y" ? { does: "redo" } : null;
  }
  if (event.shiftKey && event.key.startsWith("Arrow")) return { does: "pan", key: event.key };
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  const does = byKey.get(key);
  return does ? { does, key } : null;
}

export const rowOf = (does) => KEYS.find((row) => row.does === does);
