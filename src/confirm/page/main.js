// What a person does, one action after the other; podfall decides what follows from it.
import { actionOf } from "./keys.js";
import * as show from "./show.js";
import * as talk from "./talk.js";
import { View } from "./view.js";

const { by } = show;
const state = { season: null, photo: null, kind: "plot", name: null, mode: null, asked: null, busy: Promise.resolve() };

const view = new View(by("canvas"), by("close"), { pick, drawn, broken });

const isOpen = (o) => o.doubtful && !o.verdict;
const settled = () => ["confirmed", "unusable"].includes(state.photo.standing);
const nothingToConfirm = () => !state.photo.counts && show.byHand(state.photo) === null;
const doubtful = () => (settled() ? [] : state.photo.objects.filter(isOpen));
const current = () => state.photo && state.photo.objects.find((o) => o.name === state.name);
const queued = () => state.season.photos;

/** One after the other, so that a fast hand never overtakes what was said before. */
function inTurn(work) {
  state.busy = state.busy.then(work).catch(failed);
  return state.busy;
}

async function failed(error) {
  const kept = error.lost ? "Not kept: " : "";
  show.message(kept + error.message);
  const { season, photo } = error.told || {};
  if (!season) return;
  const now = await lookedAt(season, photo).catch(() => null);
  // Without its photo the season is not taken in: what is said next would go to another one.
  if (now || !state.photo) adopt(season, now);
}

/** The photo that is looked at, in a season as it now stands: counted anew it may have another number, or be gone. */
async function lookedAt(season, told) {
  const { name } = state.photo || {};
  if (!name || (told && told.name === name)) return told;
  const same = season.photos.find((p) => p.name === name) || season.photos[0];
  return same ? talk.photo(same.n) : null;
}

function adopt(season, photo) {
  const anew = state.season && state.season.counts_version !== season.counts_version;
  state.season = season;
  if (photo) {
    if (state.photo && state.photo.name !== photo.name) leave();
    state.photo = photo;
    // Of counts made anew the same name is another object's.
    if (anew || !current()) state.name = null;
  }
  redraw();
}

function redraw() {
  const { season, photo } = state;
  // The picture is fetched and unpacked while the rest is put up.
  if (photo) {
    view.selected = current() || null;
    view.show(photo, state.kind);
  }
  show.answer(season);
  if (!photo) return;
  show.queue(season, photo.n, (n) => open(n));
  show.photo(photo, season);
  show.one(photo, current(), doubtful().length);
  buttons();
}

function buttons() {
  const { season, photo } = state;
  const off = (does, is) => {
    const button = show.toolOf(does);
    if (button) button.disabled = is;
  };
  const object = current();
  for (const does of ["bean", "split", "pod", "none", "take"]) off(does, !object);
  // Of what the tool found, "Neither" says the same.
  show.toolOf("take").hidden = !(object && object.added);
  by("pod-tools").hidden = !(object && object.verdict && object.verdict.is === "pod");
  for (const does of ["back", "next"]) off(does, !photo.objects.length);
  off("undo", !season.undo);
  off("redo", !season.redo);
  off("add", !photo.plot);
  off("corners", !photo.readable);
  off("confirm", !settled() && nothingToConfirm());
  const press = (does, is) => {
    const button = show.toolOf(does);
    if (button) button.setAttribute("aria-pressed", String(is));
  };
  press("marks", view.marks);
  press("other", state.kind === "photo");
  press("add", state.mode === "add");
  press("corners", state.mode === "corners");
  for (const [does, verdict] of [["bean", "bean"], ["split", "split"], ["pod", "pod"], ["none", "none"]]) {
    press(does, Boolean(object && object.verdict && object.verdict.is === verdict));
  }
  const confirm = show.toolOf("confirm");
  if (confirm) confirm.querySelector("span").textContent = settled() || !photo.counts ? "Next photo" : "Count is right, next photo";
  const words = {
    add: ["Click what was missed, then say what it is.", "By keys: move the cross with the arrows (Shift: farther)."],
    corners: [
      photo.ring ? "Drag the four handles onto the ring's inner edge." : "Drag the four inner corners of the frame where they belong.",
      "By keys: 1 to 4, then the arrows (Shift: farther).",
    ],
  }[state.mode];
  by("mode").hidden = !words;
  document.body.dataset.mode = state.mode || "";
  [by("mode-says").textContent, by("mode-keys").textContent] = words || ["", ""];
  const keep = show.toolOf("keep");
  if (keep) {
    keep.disabled = false;
    keep.querySelector("span").textContent = state.mode === "add" ? "Add it at the cross" : "Make the plot anew";
  }
}

async function open(n, name = null) {
  leave();
  return inTurn(async () => opened(await talk.photo(n), name));
}

function opened(photo, name = null) {
  state.photo = photo;
  state.name = name;
  if (!photo.plot) state.kind = "photo";
  else if (state.kind === "photo" && !state.keep) state.kind = "plot";
  if (!state.name) state.name = (doubtful()[0] || { name: null }).name;
  state.asked = null;
  show.message("");
  redraw();
  view.select(current() || null);
  show.live(`${photo.name}: ${by("one-title").textContent} ${by("one-says").textContent}`);
}

function said(what, then) {
  return inTurn(async () => {
    const told = await talk.say(state.season, state.photo.n, what);
    show.message("");
    state.asked = null;
    adopt(told.season, told.photo);
    if (then) await then(told);
  });
}

function choose(object) {
  state.name = object ? object.name : null;
  show.one(state.photo, current(), doubtful().length);
  view.select(current() || null);
  buttons();
  show.live(by("one-says").textContent);
}

/** Goes on in a list from the one that is enlarged, round and round. */
function walk(list, step) {
  if (!list.length) return choose(null);
  const order = state.photo.objects.map((o) => o.name);
  const from = order.indexOf(state.name);
  const places = list.map((o) => order.indexOf(o.name));
  let at = step > 0 ? places.findIndex((p) => p > from) : places.findLastIndex((p) => p < from);
  if (at < 0) at = step > 0 ? 0 : list.length - 1;
  choose(list[at]);
}

function verdict(is, beans) {
  const object = current();
  if (!object) return show.live("None is chosen: Space shows the next doubtful one.");
  const what = { is };
  if (is === "pod" && beans) what.beans = beans;
  return said({ do: "verdict", object: object.name, verdict: what }, () => {
    // A pod stays, so that its beans can be told.
    if (is === "pod" && !beans) return choose(current());
    return walk(doubtful(), 1);
  });
}

function nextPhoto(step) {
  const all = queued();
  const at = all.findIndex((p) => p.n === state.photo.n);
  const to = all[(at + step + all.length) % all.length];
  return open(to.n);
}

function confirm() {
  if (nothingToConfirm() && !settled()) return show.message(`This photo has no count to confirm. ${show.todo(state.photo)}`);
  if (settled() || !state.photo.counts) return goOn();
  const left = doubtful().length;
  if (left && state.asked !== state.photo.n) {
    state.asked = state.photo.n;
    const [again, on] = show.either(["Enter once more", "Space"], ["The same button once more", "“Next”"]);
    return show.message(`${left} doubtful left. ${again} takes them as they are marked: dashed ones in the count, dotted ones not. ${on} goes on with them.`);
  }
  return said({ do: "confirm" }, goOn);
}

/** To the first photo of the queue that is not done. */
function goOn() {
  const to = queued().find((p) => !p.done && p.n !== state.photo.n);
  if (to) {
    open(to.n);
  } else {
    show.message("Every photo is done, and all is kept: this page can be closed. podfall loss goes by what you said.");
  }
}

function step(ask) {
  return inTurn(async () => {
    const told = await ask(state.season);
    show.message("");
    if (told.photo && told.photo.n !== state.photo.n) state.name = null;
    adopt(told.season, told.photo);
    view.select(current() || null);
  });
}

function add(place) {
  return said({ do: "add", ...view.named(place), verdict: { is: "bean" } }, (told) => {
    const added = told.photo.objects.filter((o) => o.added);
    choose(added[added.length - 1] || null);
    show.live("Added as a bean. S, P or N says otherwise; D takes it away.");
  });
}

function pick(p) {
  by("canvas").focus();
  if (!state.photo) return;
  if (state.mode === "add") return add(view.onPicture(p));
  if (state.mode === "corners") return;
  const object = view.objectAt(p);
  if (object) choose(object);
}

function startAdding() {
  if (state.mode === "add") return leave();
  leave();
  state.mode = "add";
  const { w, h } = view.size();
  view.cross = current() ? view.place(current()) : view.onPicture({ x: w / 2, y: h / 2 });
  view.redraw();
  buttons();
  by("canvas").focus();
  show.live(by("mode").textContent);
}

async function startCorners() {
  if (state.mode === "corners") return leave();
  leave();
  if (!state.photo.readable) return show.message(`This file has no picture to set an edge on. ${show.todo(state.photo)}`);
  state.mode = "corners";
  state.kind = "photo";
  const [w, h] = state.photo.size_px;
  const r = 0.4 * Math.min(w, h);
  const rim = state.photo.ring
    ? [[1, 0], [0, 1], [-1, 0], [0, -1]].map(([x, y]) => [w / 2 + x * r, h / 2 + y * r])
    : [[0.1, 0.1], [0.9, 0.1], [0.9, 0.9], [0.1, 0.9]].map(([x, y]) => [x * w, y * h]);
  view.corners = (state.photo.corners_px || rim).map((p) => [...p]);
  view.held = 0;
  await view.show(state.photo, "photo");
  view.fit();
  buttons();
  by("canvas").focus();
  show.live(by("mode").textContent);
}

function keepCorners() {
  const corners = view.corners.map(([x, y]) => [Math.round(x * 10) / 10, Math.round(y * 10) / 10]);
  show.live("The photo is counted anew with this edge.");
  [by("mode-says").textContent, by("mode-keys").textContent] = ["Counting anew with this edge …", ""];
  show.toolOf("keep").disabled = true;
  said({ do: "corners", corners_px: corners }, () => {
    leave();
    state.kind = "plot";
    redraw();
    choose(doubtful()[0] || null);
    show.live(`Counted anew. ${by("count").textContent}`);
  }).then(buttons);
}

function leave() {
  state.mode = null;
  view.cross = null;
  view.corners = null;
  if (state.photo) {
    view.redraw();
    buttons();
  }
}

/** Keys while adding or moving corners; true when the key was for that. */
function inMode({ does, key }, event) {
  const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  const by_ = arrows[event.key];
  if (by_) {
    const far = event.shiftKey ? 10 : 1;
    if (state.mode === "add") {
      const mm = view.perMm() * far * 1.5;
      view.cross = { x: view.cross.x + by_[0] * mm, y: view.cross.y + by_[1] * mm };
    } else {
      const [x, y] = view.corners[view.held];
      view.moveCorner(view.held, [x + by_[0] * far * 2, y + by_[1] * far * 2]);
    }
    view.redraw();
    return true;
  }
  if (does === "confirm") {
    ACTIONS.keep();
    return true;
  }
  if (state.mode === "corners" && /^[1-4]$/.test(key || "")) {
    view.held = Number(key) - 1;
    view.redraw();
    return true;
  }
  return false;
}

function fold(id, field) {
  const part = by(id);
  part.open = !part.open;
  if (part.open) by(field).focus();
}

const ACTIONS = {
  bean: () => verdict("bean"),
  split: () => verdict("split"),
  pod: () => verdict("pod"),
  none: () => verdict("none"),
  "pod-beans": ({ key }) => verdict("pod", Number(key)),
  next: () => walk(doubtful(), 1),
  back: () => walk(doubtful(), -1),
  "next-any": () => walk(state.photo.objects, 1),
  "back-any": () => walk(state.photo.objects, -1),
  take: () => current() && said({ do: "take", object: current().name }, () => walk(doubtful(), 1)),
  add: startAdding,
  confirm,
  undo: () => step(talk.undo),
  redo: () => step(talk.redo),
  corners: startCorners,
  hand: () => fold("hand", "hand-beans"),
  place: () => fold("place", "place-place"),
  unusable: () => fold("unusable", "unusable-why"),
  note: () => fold("note", "note-text"),
  "next-photo": () => nextPhoto(1),
  "back-photo": () => nextPhoto(-1),
  marks: () => {
    view.marks = !view.marks;
    view.redraw();
    buttons();
  },
  other: () => {
    if (!state.photo.plot) return;
    state.kind = state.kind === "plot" ? "photo" : "plot";
    view.show(state.photo, state.kind);
    buttons();
  },
  closer: () => view.zoom(1.5),
  farther: () => view.zoom(1 / 1.5),
  fit: () => view.fit(),
  pan: ({ key }) => {
    const by_ = { ArrowLeft: [80, 0], ArrowRight: [-80, 0], ArrowUp: [0, 80], ArrowDown: [0, -80] }[key];
    if (by_) view.pan(...by_);
  },
  keys: () => {
    by("keys").open = !by("keys").open;
    if (by("keys").open) by("keys").scrollIntoView();
  },
  keep: () => {
    if (state.mode === "add") add(view.cross);
    else if (state.mode === "corners") keepCorners();
  },
  leave: () => {
    leave();
    show.message("");
    toPicture();
  },
};

function act(action) {
  if (!state.photo) return;
  ACTIONS[action.does](action);
}

document.addEventListener("keydown", (event) => {
  const field = event.target.closest("input, select, textarea");
  if (field) {
    if (event.key === "Escape") {
      field.closest("details").open = false;
      toPicture();
    }
    return;
  }
  // Enter and Space on a button or a heading that folds are its own.
  if (event.target.closest("button, summary, a") && ["Enter", " "].includes(event.key)) return;
  const action = actionOf(event);
  if (!action && !(state.mode && event.key.startsWith("Arrow"))) return;
  if (event.repeat && ["confirm", "bean", "split", "pod", "none", "take", "add"].includes(action && action.does)) return;
  event.preventDefault();
  if (state.mode && inMode(action || {}, event)) return;
  if (action) act(action);
});

/** Where keys are heard again; a file without a picture has no canvas. */
const toPicture = () => by(state.photo.readable ? "canvas" : "stage").focus();

const value = (id) => by(id).value.trim();

/** A count as typed: null for an empty field, NaN for what is none. "1,000" is a thousand to one and one to another. */
function numberOf(id) {
  const text = value(id);
  if (text === "") return null;
  return /^\d+([.,]\d{1,2})?$/.test(text) ? Number(text.replace(",", ".")) : NaN;
}

/** Both hand counts, or null where one of them is no number; `words`: what is told once they are kept. */
function handCounts() {
  const wrong = ["hand-beans", "hand-pods"].find((id) => Number.isNaN(numberOf(id)));
  if (wrong) {
    show.message(`“${value(wrong)}” is not kept: type the number in digits, such as 12 or 12.5 or 12,5, without a mark for thousands. What was kept before stays.`);
    by(wrong).focus();
    by(wrong).select();
    return null;
  }
  const now = { beans: numberOf("hand-beans"), pods: numberOf("hand-pods") };
  const gone = Object.keys(now).filter((what) => now[what] === null && (state.photo.hand.page[what] ?? null) !== null);
  const words = gone.length ? `The hand count of ${gone.join(" and ")} is taken away, for its field was left empty. Undo (U) brings it back.` : "";
  return { told: { do: "hand", ...now }, words };
}

function forms() {
  const submit = (id, what) => by(`${id}-form`).addEventListener("submit", (event) => {
    event.preventDefault();
    const { told, words } = what() || {};
    if (!told) return;
    const { name } = state.photo;
    const typed = [...event.target.elements].filter((e) => e.id).map((e) => [e, e.value]);
    let kept = false;
    toPicture();
    said(told, () => {
      kept = true;
      by(id).open = false;
      show.live("Kept.");
      show.message(words);
    }).then(() => {
      // What was not kept need not be typed once more.
      if (!kept && state.photo.name === name) for (const [field, text] of typed) field.value = text;
    });
  });
  submit("hand", handCounts);
  submit("place", () => ({ told: { do: "place", place: value("place-place") || null, check: value("place-check") || null, setting: value("place-setting") || null } }));
  submit("note", () => ({ told: { do: "note", text: value("note-text") } }));
  submit("unusable", () => {
    if (!value("unusable-why")) {
      show.message("Say why the photo cannot be used.");
      return null;
    }
    return { told: { do: "unusable", why: value("unusable-why") } };
  });
  by("usable").addEventListener("click", () => said({ do: "usable" }, () => {
    by("unusable").open = false;
  }));
}

function drawn() {
  document.body.dataset.drawn = state.photo ? state.photo.name : "";
  // By which it is measured how long a person waits.
  requestAnimationFrame(() => performance.mark("photo drawn"));
}

async function broken(url) {
  const { n } = state.photo;
  const why = await talk.whyNot(url);
  if (state.photo.n === n) show.message(`The picture cannot be shown. ${why}.`);
}

/** The picture takes the height that is left below what stands over it. */
function room() {
  const top = by("canvas-box").getBoundingClientRect().top + window.scrollY;
  document.documentElement.style.setProperty("--over", `${Math.round(top)}px`);
}

/** Another tab, or counts made anew: looked at whenever this page comes to the front. */
async function look() {
  if (document.hidden || !state.photo) return;
  inTurn(async () => {
    const season = await talk.season();
    const before = state.season;
    const anew = season.counts_version !== before.counts_version;
    const elsewhere = season.seq !== before.seq;
    const photo = anew || elsewhere ? await lookedAt(season, null) : state.photo;
    if (anew) show.message("The photos were counted anew; they are shown as they now stand.");
    else if (elsewhere) show.message("Something was said elsewhere; it is shown as it now stands.");
    adopt(season, photo);
  });
}

async function start() {
  const asked = talk.opening();
  show.tools("say-tools", [["bean"], ["split"], ["pod"], ["none"]], act);
  show.tools("pod-tools", [1, 2, 3, 4, 5].map((n) => ["pod-beans", n]), act);
  show.tools("walk-tools", [["back"], ["next"], ["take"]], act);
  show.tools("photo-tools", [["confirm"], ["undo"], ["redo"], ["add"], ["corners"]], act);
  show.tools("mode-tools", [["keep"], ["leave"]], act);
  show.tools("view-tools", [["other"], ["marks"], ["closer"], ["farther"], ["fit"]], act);
  // On a phone the enlarged object comes before what the tool had to say of the photo.
  by("cautions").open = !window.matchMedia("(max-width: 46rem)").matches;
  await inTurn(async () => {
    const told = await asked;
    state.season = told.season;
    if (told.photo) opened(told.photo);
    else show.answer(state.season);
  });
  const over = new ResizeObserver(room);
  for (const part of [document.querySelector("header"), by("message"), by("over")]) over.observe(part);
  show.keysTable();
  forms();
  if (!state.photo) return;
  by("canvas").focus({ preventScroll: true });
  window.addEventListener("focus", look);
  document.addEventListener("visibilitychange", look);
}

start();
