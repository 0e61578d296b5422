// Draws marks. The kind is told by the shape, how sure by the line; colour only repeats it.

const COLOURS = { bean: "#70e0ff", "split-bean": "#ffd838", pod: "#ffa8e0" };
const DARK = "#101014";

/** What an object now counts as: "bean", "split-bean", "pod" or null. */
export function kindOf(object) {
  if (object.verdict) {
    return { bean: "bean", split: "split-bean", pod: "pod", none: null }[object.verdict.is];
  }
  return object.kind;
}

/** How it is drawn: "said", "not", "sure", "doubtful", "left-out" or null for no mark. */
export function standingOf(object, confirmed) {
  if (object.verdict) return object.verdict.is === "none" ? "not" : "said";
  if (confirmed) return object.counted ? "sure" : null;
  if (object.counted) return object.doubtful ? "doubtful" : "sure";
  return object.doubtful ? "left-out" : null;
}

function path(context, object, at, scale) {
  const gap = Math.max(3, Math.min(7, 0.3 * object.width_mm * scale / 2));
  const long = object.length_mm * scale / 2;
  const wide = object.width_mm * scale / 2;
  const round = Math.max(6, Math.max(long, wide) + gap);
  const kind = kindOf(object) || object.kind;
  context.beginPath();
  if (kind === "pod") {
    const [w, h] = [Math.max(9, long + gap), Math.max(6, wide + gap)];
    context.save();
    context.translate(at.x, at.y);
    context.rotate(object.angle_deg * Math.PI / 180 + at.turn);
    context.rect(-w, -h, 2 * w, 2 * h);
    context.restore();
    return Math.max(w, h);
  }
  if (kind === "split-bean") {
    const r = round * 1.1;
    context.moveTo(at.x, at.y - r);
    context.lineTo(at.x + r, at.y);
    context.lineTo(at.x, at.y + r);
    context.lineTo(at.x - r, at.y);
    context.closePath();
    return r;
  }
  context.arc(at.x, at.y, round, 0, 2 * Math.PI);
  return round;
}

function cased(context, colour, width, dash) {
  context.lineCap = "round";
  context.setLineDash(dash);
  context.strokeStyle = DARK;
  context.lineWidth = width + 3;
  context.stroke();
  context.strokeStyle = colour;
  context.lineWidth = width;
  context.stroke();
  context.setLineDash([]);
}

/** Draws one object's mark. `at`: x, y in canvas pixels and the turn of the picture; `scale`: canvas pixels a mm. */
export function mark(context, object, at, scale, { selected, confirmed }) {
  const standing = standingOf(object, confirmed);
  if (standing || selected) {
    const radius = path(context, object, at, scale);
    const colour = COLOURS[kindOf(object) || object.kind];
    if (standing === "not") {
      context.globalAlpha = 0.9;
      const r = Math.max(7, radius * 0.75);
      context.beginPath();
      context.moveTo(at.x - r, at.y - r);
      context.lineTo(at.x + r, at.y + r);
      context.moveTo(at.x + r, at.y - r);
      context.lineTo(at.x - r, at.y + r);
      cased(context, "#ffffff", 2.5, []);
      context.globalAlpha = 1;
    } else if (standing) {
      const dash = { doubtful: [8, 7], "left-out": [1.5, 7] }[standing] || [];
      context.globalAlpha = standing === "left-out" ? 0.85 : 1;
      cased(context, colour, 2.5, dash);
      context.globalAlpha = 1;
    }
    if (standing === "said") {
      // A filled square: a person said so.
      context.fillStyle = DARK;
      context.fillRect(at.x + radius * 0.7 - 1, at.y - radius * 0.7 - 9, 12, 12);
      context.fillStyle = "#ffffff";
      context.fillRect(at.x + radius * 0.7 + 2, at.y - radius * 0.7 - 6, 6, 6);
    }
    if (selected) brackets(context, at, radius + 9);
  }
}

/** Four corner pieces about the object that is spoken of. */
function brackets(context, at, r) {
  const arm = Math.max(8, r * 0.45);
  context.beginPath();
  for (const [sx, sy] of [[-1, -1], [1, -1], [1, 1], [-1, 1]]) {
    context.moveTo(at.x + sx * r, at.y + sy * (r - arm));
    context.lineTo(at.x + sx * r, at.y + sy * r);
    context.lineTo(at.x + sx * (r - arm), at.y + sy * r);
  }
  cased(context, "#ffffff", 3.5, []);
}

/** The ellipse of which four points are the ends of two diameters. */
function ringPath(context, [a, b, c, d]) {
  const middle = { x: (a.x + b.x + c.x + d.x) / 4, y: (a.y + b.y + c.y + d.y) / 4 };
  const u = { x: (a.x - c.x) / 2, y: (a.y - c.y) / 2 };
  const v = { x: (b.x - d.x) / 2, y: (b.y - d.y) / 2 };
  for (let i = 0; i < 120; i += 1) {
    const [cos, sin] = [Math.cos(i * Math.PI / 60), Math.sin(i * Math.PI / 60)];
    const [x, y] = [middle.x + u.x * cos + v.x * sin, middle.y + u.y * cos + v.y * sin];
    if (i) context.lineTo(x, y);
    else context.moveTo(x, y);
  }
}

/** The frame's inner edge, with handles where it can be moved. */
export function frame(context, points, held, ring) {
  context.beginPath();
  if (ring) ringPath(context, points);
  else points.forEach((p, i) => (i ? context.lineTo(p.x, p.y) : context.moveTo(p.x, p.y)));
  context.closePath();
  cased(context, "#ffffff", 2, held === null ? [10, 8] : []);
  if (held === null) return;
  points.forEach((p, i) => {
    context.beginPath();
    context.arc(p.x, p.y, i === held ? 17 : 13, 0, 2 * Math.PI);
    cased(context, "#ffffff", i === held ? 5 : 3, []);
    context.font = "bold 20px sans-serif";
    context.lineWidth = 5;
    context.strokeStyle = DARK;
    context.strokeText(String(i + 1), p.x + 20, p.y - 12);
    context.fillStyle = "#ffffff";
    context.fillText(String(i + 1), p.x + 20, p.y - 12);
  });
}

/** A cross where a missed one is to be added. */
export function cross(context, at) {
  context.beginPath();
  for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
    context.moveTo(at.x + 6 * dx, at.y + 6 * dy);
    context.lineTo(at.x + 26 * dx, at.y + 26 * dy);
  }
  cased(context, "#ffffff", 3, []);
}
