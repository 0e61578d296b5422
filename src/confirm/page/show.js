// Fills the page in from what podfall told. Text goes in as text, never as markup.
import { KEYS, rowOf } from "./keys.js";

export const by = (id) => document.getElementById(id);

export function element(name, text, ...inside) {
  const e = document.createElement(name);
  if (text) e.textContent = text;
  e.append(...inside);
  return e;
}

const noKeys = window.matchMedia("(max-width: 46rem), (hover: none) and (pointer: coarse)");

/** A sentence with its hints of keys, as " (C)", or without them where a finger does it all. */
const hinted = (text) => (noKeys.matches ? text.replace(/ \([A-Z](, then Enter)?\)/g, "") : text);

/** One of two ways to say it: by keys, by touch. */
export const either = (keys, touch) => (noKeys.matches ? touch : keys);

/** Words that a narrow screen leaves out. */
function wordy(text) {
  const e = element("span", text);
  e.className = "wordy";
  return e;
}

const number = (v, decimals) => v.toLocaleString("en-US", { minimumFractionDigits: decimals, maximumFractionDigits: decimals });

const range = (l, decimals) => `${number(l.low, decimals)} to ${number(l.high, decimals)}`;

/** A figure's limits, or what is said where they say nothing. */
const told = (f) => f.too_few || range(f.limits, f.decimals);

/** A count: without limits where there are none. */
export function counted(l) {
  const whole = (v) => number(v, Number.isInteger(v) ? 0 : 1);
  return l.low === l.high ? whole(l.estimate) : `${whole(l.estimate)} (${number(l.low, 0)} to ${number(l.high, 0)})`;
}

/** "1 pod", "3 (1 to 5) pods". */
const countedOf = (l, one) => `${counted(l)} ${counted(l) === "1" ? one : `${one}s`}`;

/** With one full stop, whether it came with one or not. */
const sentence = (text) => `${text.replace(/\.$/, "")}.`;

/** Loose beans counted by hand: the sheet's go first; null where there are none. */
export const byHand = (photo) => photo.hand.sheet.beans ?? photo.hand.page.beans ?? null;

/** What a person can do of a photo without a count. */
export const todo = (photo) => (photo.readable
  ? "Set the frame's edge (C), type in a hand count (H), or set the photo aside (X)."
  : "Type in a hand count (H), or set the file aside (X).");

const things = (n, one, many = `${one}s`) => (n === 1 ? one : many);
const plural = (n, one, many) => `${n} ${things(n, one, many)}`;

/** A button for each action, in the order given. */
export function tools(box, actions, act, { plain = false } = {}) {
  by(box).replaceChildren(...actions.map(([does, value]) => {
    const row = rowOf(does);
    const button = element("button");
    button.type = "button";
    button.dataset.does = value === undefined ? does : `${does}-${value}`;
    const label = value === undefined ? row.label : String(value);
    button.append(element("span", label));
    if (value === undefined && !plain) button.append(" ", element("kbd", row.shown.split(" or ")[0]));
    if (row.tells) button.title = row.tells;
    if (value !== undefined) button.setAttribute("aria-label", plural(value, "bean") + " in the pod");
    button.addEventListener("click", () => act({ does, key: String(value ?? "") }));
    return button;
  }));
}

export const toolOf = (does) => document.querySelector(`[data-does="${does}"]`);

export function keysTable() {
  const parts = { one: "The one enlarged", photo: "The photo", view: "How it is shown", mode: "Anywhere" };
  const rows = Object.entries(parts).flatMap(([on, title]) => {
    const head = element("th", title);
    head.colSpan = 2;
    head.scope = "colgroup";
    return [element("tr", "", head), ...KEYS.filter((row) => row.on === on).map((row) => {
      const keys = row.shown.split(" or ").flatMap((key, i) => [i ? " or " : "", element("kbd", key)]);
      return element("tr", "", element("td", "", ...keys), element("td", row.tells ? `${row.label}: ${row.tells}` : row.label));
    })];
  });
  by("keys-table").append(element("tbody", "", ...rows));
  by("legend").replaceChildren(...[
    "circle: bean; square on its corner: split bean; long box: pod",
    "unbroken line: sure; dashed: doubtful, in the count; dotted: doubtful, left out",
    "small white square: a person said so; white cross: said to be neither",
    "four corner pieces: the one that is enlarged",
  ].map((text) => element("li", text)));
}

export function answer(season) {
  const { answer, before, behind } = season;
  by("title").textContent = season.title;
  document.title = `${season.title}: put the counts right`;
  by("who").textContent = season.who;
  const done = season.photos.filter((p) => p.done).length;
  const [photos, left] = [season.photos.length, season.doubtful_left];
  by("progress").replaceChildren(`${done} of ${photos} `, wordy(`${things(photos, "photo")} `), `done · ${left} doubtful `,
    wordy(`${things(left, "object")} `), "left");
  const late = behind && `What you said is kept, but the answer shown is that of before it: ${sentence(behind)}`;
  if (!answer) {
    by("answer-value").textContent = "no answer yet";
    by("answer-says").textContent = late || hinted("No photo has a count. Set the edge of a frame (C), or type in a hand count (H).");
    for (const id of ["answer-unit", "answer-limits", "answer-before"]) by(id).textContent = "";
    by("bar").hidden = true;
    return;
  }
  const { first } = answer;
  by("answer-name").textContent = first.name;
  by("answer-value").textContent = number(first.limits.estimate, first.decimals);
  by("answer-unit").textContent = first.unit;
  const inside = (a) => [a.first.too_few ? "too few frames to say how sure" : range(a.first.limits, a.first.decimals), a.half_width].filter(Boolean).join("; ");
  by("answer-limits").textContent = `(${inside(answer)})`;
  by("answer-says").textContent = late || answer.says;
  by("answer-says").classList.toggle("enough", answer.enough && !late);
  const same = before && before.first.unit === first.unit && before.first.name === first.name;
  by("answer-before").textContent = same ? `before anything was said: ${number(before.first.limits.estimate, first.decimals)}${before.first.too_few ? "" : ` (${inside(before)})`}` : "";
  // Limits that say nothing are not drawn either: they would press all else flat.
  by("bar").hidden = Boolean(first.too_few);
  if (!first.too_few) bar(first.limits, same && !before.first.too_few ? before.first.limits : null);
  by("answer-table").replaceChildren(...[first, ...answer.more].map((f) => {
    const cell = element("td", `${number(f.limits.estimate, f.decimals)} ${f.unit} (${told(f)})`);
    const head = element("th", f.name);
    head.scope = "row";
    return element("tr", "", head, cell);
  }));
  const gone = season.gone.map((name) => `${name}: something was said of it, but it is not among the counts; its marks are kept.`);
  by("answer-cautions").replaceChildren(...[...answer.cautions, ...gone].map((text) => element("li", text)));
}

function bar(now, before) {
  const most = Math.max(now.high, before ? before.high : 0, 1e-9) * 1.08;
  const share = (v) => `${100 * Math.max(0, v) / most}%`;
  const put = (id, l) => {
    const part = by(id);
    part.hidden = !l;
    if (!l) return;
    part.style.left = share(l.low);
    part.style.width = `${100 * (l.high - Math.max(0, l.low)) / most}%`;
  };
  put("bar-before", before);
  put("bar-now", now);
  by("bar-dot").style.left = share(now.estimate);
  by("bar").setAttribute("aria-label", `Limits now ${range(now, 2)}${before ? `, before ${range(before, 2)}` : ""}`);
}

const STANDING = { untouched: "", partly: "begun", confirmed: "confirmed", unusable: "set aside" };

/** The rows of the queue by the photo's number: of 200, an act changes one. */
const rows = new Map();

function rowFor(n, open) {
  const button = element("button", "", element("span"), element("small"));
  button.type = "button";
  button.addEventListener("click", () => open(n));
  const row = { item: element("li", "", button), button, told: "" };
  rows.set(n, row);
  return row;
}

function fill(row, p, current) {
  const state = p.standing === "partly" || p.standing === "untouched"
    ? (p.basis === "hand" ? "hand count" : STANDING[p.standing]) : STANDING[p.standing];
  const doubt = p.done ? "" : p.problem ? "no count" : p.doubtful ? `${p.doubtful} doubtful` : "";
  const says = [state, p.place, doubt].filter(Boolean).join(" · ");
  const share = p.done ? "" : `${number(p.share_pct, p.share_pct < 10 ? 1 : 0)} % of all that is in doubt`;
  const told = [p.name, says, share, p.done, p.n === current].join("|");
  if (row.told === told) return;
  row.told = told;
  const { button } = row;
  const [name, small] = button.children;
  name.textContent = `${p.done ? "✓ " : ""}${p.name}`;
  small.textContent = says;
  button.title = share;
  button.classList.toggle("done", p.done);
  if (p.n === current) button.setAttribute("aria-current", "true");
  else button.removeAttribute("aria-current");
}

export function queue(season, current, open) {
  const box = by("queue-list");
  season.photos.forEach((p, i) => {
    const row = rows.get(p.n) || rowFor(p.n, open);
    fill(row, p, current);
    if (box.children[i] !== row.item) box.insertBefore(row.item, box.children[i] || null);
  });
  while (box.children.length > season.photos.length) box.lastChild.remove();
  const shown = document.querySelector("#queue [aria-current]");
  if (shown) {
    const list = by("queue-list");
    const off = shown.offsetTop - list.offsetTop;
    if (off < list.scrollTop || off > list.scrollTop + list.clientHeight - 60) list.scrollTop = off - 60;
  }
}

/** Why a count that was confirmed does not stand. */
const LAPSED = {
  "other-frame": "It was confirmed for a frame of another shape or size, and that count does not stand. Look again and confirm, or set the frame back in podfall.toml and count again.",
  "not-counted": "It was confirmed, but cannot be counted now, and that count does not stand. Set the frame's edge (C) and confirm it again, or set back what was changed and count again.",
};

export function photo(photo, season) {
  by("photo-name").textContent = photo.name;
  const state = { untouched: "", partly: "Begun.", confirmed: "Confirmed: every object shown is taken as it is marked.", unusable: `Set aside: ${photo.unusable}.` }[photo.standing];
  const problem = photo.standing === "unusable" ? "" : photo.problem || "";
  const more = [
    photo.corners_by_hand ? "The frame's edge was set by hand." : "",
    photo.recount_missing ? "The count with this edge of the frame is not there any more: keep the edge once more (C, then Enter)." : "",
    photo.differs ? "Counted anew since it was confirmed, with other objects; the confirmed count stands. Look again and confirm, or undo." : "",
    photo.recount_missing ? "" : LAPSED[photo.lapsed] || "",
  ];
  const none = byHand(photo) !== null ? "Counted by hand alone." : `${photo.readable ? "No count yet." : "There is no picture to look at."} ${todo(photo)}`;
  const here = photo.standing !== "unusable" && !photo.counts ? none : "";
  by("photo-state").textContent = hinted([state, here, ...more].filter(Boolean).join(" "));
  by("photo-why").textContent = problem && `Why: ${sentence(problem)}`;
  document.body.dataset.picture = photo.readable ? "" : "none";
  by("photo-cautions").replaceChildren(...photo.cautions.map((c) => element("li", sentence(c.message))));
  by("cautions").hidden = photo.cautions.length === 0;
  by("cautions-title").textContent = plural(photo.cautions.length, "caution");
  const homeless = by("homeless");
  homeless.hidden = photo.homeless.length === 0;
  by("homeless-list").replaceChildren(...photo.homeless.map((h) =>
    element("li", `${h.verdict.is} at ${number(h.object.x_mm, 0)}, ${number(h.object.y_mm, 0)} mm (mark ${h.seq}): ${h.why}; it is kept, and counts for nothing.`)));
  count(photo);
  forms(photo, season);
}

function count(photo) {
  const c = photo.counts;
  const words = !c ? "No count." : `${countedOf(c.beans, "bean")}, of them ${counted(c.split_beans)} split; ${countedOf(c.pods, "pod")} with ${countedOf(c.beans_in_pods, "bean")} in them.`;
  const hand = byHand(photo);
  const by_hand = hand === null ? "" : ` Counted by hand: ${plural(hand, "bean")}, which goes first.`;
  const if_ = photo.standing === "confirmed" || !c ? "" : ` Confirmed as it stands it would be ${plural(photo.if_confirmed.beans.estimate, "bean")}, ${plural(photo.if_confirmed.pods.estimate, "pod")}.`;
  by("count").textContent = words + by_hand + if_;
}

function forms(photo, season) {
  const busy = document.activeElement && document.activeElement.form;
  const put = (id, value) => {
    // What is being typed is not overwritten.
    if (!busy || busy !== by(id).form) by(id).value = value ?? "";
  };
  const of_sheet = (names, note) => {
    const told = names.filter(([, value]) => value !== null && value !== undefined);
    by(note).textContent = told.length ? `sheet.csv says ${told.map(([name, value]) => `${name} ${value}`).join(", ")}, which goes first; change it there.` : "";
  };
  put("hand-beans", photo.hand.page.beans);
  put("hand-pods", photo.hand.page.pods);
  of_sheet([["beans", photo.hand.sheet.beans], ["pods", photo.hand.sheet.pods]], "hand-note");
  const words = ["", ...season.places];
  if (by("place-place").options.length === 0) {
    by("place-place").append(...words.map((word) => {
      const option = element("option", word || "not told");
      option.value = word;
      return option;
    }));
  }
  put("place-place", photo.place.page.place);
  put("place-check", photo.place.page.check);
  put("place-setting", photo.place.page.setting);
  const sheet = photo.place.sheet;
  of_sheet([["place", sheet.place], ["check", sheet.check], ["setting", sheet.setting]], "place-note");
  const list = (id, values) => by(id).replaceChildren(...values.map((value) => {
    const option = element("option");
    option.value = value;
    return option;
  }));
  list("checks", season.checks);
  list("settings", season.settings);
  put("unusable-why", photo.unusable);
  by("usable").hidden = photo.unusable === null;
  put("note-text", photo.note);
}

/** Why a person is asked of a photo on which no object is doubtful. */
const why = (photo) => (photo.status === "confirm" && !photo.objects.some((o) => o.doubtful)
  ? `No object is doubtful; you are asked because of ${things(photo.cautions.length, "the caution", "the cautions")} under the picture. ` : "");

/** What is known of the one enlarged. */
export function one(photo, object, left) {
  const says = by("one-says");
  by("one").classList.toggle("empty", !object);
  by("one-title").replaceChildren(...(left ? [`${left} doubtful left`, wordy(" here"), ". What is this", wordy(" one"), "?"]
    : [photo.counts ? "Nothing doubtful left here" : "No count"]));
  if (!object) {
    says.textContent = photo.standing === "confirmed" ? "Confirmed." : !photo.counts ? (photo.readable ? "This photo has no count yet." : "This file cannot be read as a photo.")
      : photo.objects.length === 0 ? hinted(`Nothing was found on this photo. Add what you see (A); if there is nothing, ${either("press Enter", "tap “Count is right”")}.`)
      : left ? either("Space shows the first.", "“Next” shows the first.")
      : why(photo) + either("If the marks are right, press Enter: the count is right, and the next photo follows.", "If the marks are right, tap “Count is right”; the next photo follows.");
    return;
  }
  const kinds = { bean: "a bean", "split-bean": "a split bean", pod: "a pod" };
  const said = object.verdict && {
    bean: "You said: bean.", split: "You said: split bean.", none: "You said: neither.",
    pod: object.verdict.beans ? `You said: pod with ${plural(object.verdict.beans, "bean")}.` : "You said: pod. How many beans are in it? 1 to 5.",
  }[object.verdict.is];
  const name = object.added ? "Added by hand." : `No. ${object.id}: ${kinds[object.kind]}, ${number(100 * object.probability, 0)} % likely, ${object.counted ? "in the count" : "not in the count"}.`;
  says.textContent = said ? `${name} ${said}` : name;
}

export function message(text) {
  by("message").textContent = hinted(text || "");
  by("message").hidden = !text;
}

export const live = (text) => {
  by("live").textContent = text;
};
