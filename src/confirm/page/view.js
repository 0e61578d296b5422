// The picture: zoomed, moved, picked from. Knows plot and photo; keeps nothing of what was said.
import * as draw from "./draw.js";

const CLOSE_MM = 14;

export class View {
  /** told: { pick(place), corner(i, px), changed() } */
  constructor(canvas, close, told) {
    this.canvas = canvas;
    this.close = close;
    this.told = told;
    this.image = null;
    this.photo = null;
    this.kind = "plot";
    this.marks = true;
    this.selected = null;
    this.cross = null;
    this.corners = null;
    this.held = 0;
    this.at = { scale: 1, x: 0, y: 0 };
    this.pointers = new Map();
    this.frame = 0;
    new ResizeObserver(() => this.resized()).observe(canvas);
    this.listen();
  }

  /** Shows a photo. The picture of the one before stays until the new one is there. */
  async show(photo, kind) {
    this.photo = photo;
    // A photo without a plot: that of the one before stays until its picture is gone.
    this.plot = photo.plot || this.plot;
    if (!photo.readable) {
      [this.image, this.url, this.wanted] = [null, null, null];
      this.told.drawn();
      return;
    }
    const url = kind === "plot" && photo.plot ? photo.plot.url : photo.photo_url;
    const shown = kind === "plot" && photo.plot ? "plot" : "photo";
    if (this.url === url) {
      this.redraw();
      return;
    }
    const image = new Image();
    image.src = url;
    this.wanted = url;
    try {
      await image.decode();
    } catch {
      if (this.wanted === url) {
        this.image = null;
        this.url = null;
        this.redraw();
        this.told.broken(url);
      }
      return;
    }
    if (this.wanted !== url) return;
    const same = this.image && this.kind === shown && this.shownPhoto === photo.n;
    [this.image, this.kind, this.url, this.shownPhoto] = [image, shown, url, photo.n];
    if (!same) this.fit();
    this.redraw();
    this.told.drawn();
  }

  size() {
    return { w: this.canvas.clientWidth, h: this.canvas.clientHeight };
  }

  /** What is looked at stays in the middle; a picture that was shown whole is shown whole. */
  resized() {
    const { w, h } = this.size();
    if (!w || !h) return;
    const { w: w0, h: h0 } = this.before || { w, h };
    this.before = { w, h };
    const ratio = Math.min(window.devicePixelRatio || 1, 2);
    this.ratio = ratio;
    this.canvas.width = Math.round(w * ratio);
    this.canvas.height = Math.round(h * ratio);
    if (this.at.scale === this.least) this.fit();
    else this.pan((w - w0) / 2, (h - h0) / 2);
  }

  fit() {
    if (!this.image) return;
    const { w, h } = this.size();
    const scale = Math.min(w / this.image.width, h / this.image.height);
    this.least = scale;
    this.at = { scale, x: (w - this.image.width * scale) / 2, y: (h - this.image.height * scale) / 2 };
    this.redraw();
  }

  zoom(by, centre) {
    const { w, h } = this.size();
    const c = centre || (this.selected ? this.onCanvas(this.place(this.selected)) : { x: w / 2, y: h / 2 });
    const scale = Math.min(Math.max(this.at.scale * by, this.least * 0.8), Math.max(12, this.least * 4));
    const k = scale / this.at.scale;
    this.at = { scale, x: c.x - (c.x - this.at.x) * k, y: c.y - (c.y - this.at.y) * k };
    this.redraw();
  }

  pan(dx, dy) {
    this.at.x += dx;
    this.at.y += dy;
    this.redraw();
  }

  /** Picture pixels of an object or of a place in mm and px. */
  place(o) {
    if (this.kind === "photo") return { x: o.x_px, y: o.y_px };
    const { px_per_mm, margin_mm, quarters } = this.plot;
    const { width_mm: w, height_mm: h } = this.photo;
    // The picture of the plot stands as the photo does: so many quarter turns, clockwise.
    const [x, y] = [[o.x_mm, o.y_mm], [h - o.y_mm, o.x_mm], [w - o.x_mm, h - o.y_mm], [o.y_mm, w - o.x_mm]][quarters];
    return { x: (x + margin_mm) * px_per_mm, y: (y + margin_mm) * px_per_mm };
  }

  perMm() {
    const plot = this.plot;
    if (!plot) return 1;
    return this.kind === "photo" ? plot.photo_px_per_mm : plot.px_per_mm;
  }

  onCanvas(p) {
    return { x: p.x * this.at.scale + this.at.x, y: p.y * this.at.scale + this.at.y };
  }

  onPicture(p) {
    return { x: (p.x - this.at.x) / this.at.scale, y: (p.y - this.at.y) / this.at.scale };
  }

  /** How podfall is told of a place in the picture. */
  named(p) {
    if (this.kind === "photo") return { px: [p.x, p.y] };
    const { px_per_mm, margin_mm, quarters } = this.plot;
    const { width_mm: w, height_mm: h } = this.photo;
    const [x, y] = [p.x / px_per_mm - margin_mm, p.y / px_per_mm - margin_mm];
    return { mm: [[x, y], [y, h - x], [w - x, h - y], [w - y, x]][quarters] };
  }

  select(object) {
    this.selected = object;
    if (object && this.image && this.shownPhoto === this.photo.n) {
      const p = this.onCanvas(this.place(object));
      const { w, h } = this.size();
      const rim = Math.min(60, w / 6);
      if (p.x < rim || p.y < rim || p.x > w - rim || p.y > h - rim) {
        this.pan(w / 2 - p.x, h / 2 - p.y);
      }
    }
    this.redraw();
  }

  redraw() {
    if (this.frame) return;
    this.frame = requestAnimationFrame(() => {
      this.frame = 0;
      this.drawAll();
    });
  }

  drawAll() {
    const context = this.canvas.getContext("2d");
    const { w, h } = this.size();
    context.setTransform(this.ratio || 1, 0, 0, this.ratio || 1, 0, 0);
    context.fillStyle = "#2a2a2e";
    context.fillRect(0, 0, w, h);
    if (!this.image || !this.photo) return;
    const { scale, x, y } = this.at;
    context.imageSmoothingQuality = "high";
    context.drawImage(this.image, x, y, this.image.width * scale, this.image.height * scale);
    // Until the picture of another photo is there, the one before stays without its marks.
    if (this.shownPhoto === this.photo.n && (this.photo.plot || this.kind === "photo")) {
      this.drawFrame(context);
      this.drawMarks(context);
    }
    if (this.cross) draw.cross(context, this.onCanvas(this.cross));
    this.drawClose();
  }

  drawFrame(context) {
    const ring = this.photo.ring;
    if (this.corners) {
      if (this.kind === "photo") {
        draw.frame(context, this.corners.map(([x, y]) => this.onCanvas({ x, y })), this.held, ring);
      }
      return;
    }
    if (!this.marks) return;
    if (this.kind === "photo" && this.photo.corners_px) {
      draw.frame(context, this.photo.corners_px.map(([x, y]) => this.onCanvas({ x, y })), null, ring);
    } else if (this.kind === "plot") {
      const { width_mm: w, height_mm: h } = this.photo;
      const at = ([x_mm, y_mm]) => this.onCanvas(this.place({ x_mm, y_mm }));
      const edge = ring ? [[w, h / 2], [w / 2, h], [0, h / 2], [w / 2, 0]] : [[0, 0], [w, 0], [w, h], [0, h]];
      draw.frame(context, edge.map(at), null, ring);
    }
  }

  /** A corner goes where it is put. Of a ring the opposite handle stays, and the other two go with the middle. */
  moveCorner(i, [x, y]) {
    const [x0, y0] = this.corners[i];
    this.corners[i] = [x, y];
    if (!this.photo.ring) return;
    for (const other of [(i + 1) % 4, (i + 3) % 4]) {
      const [a, b] = this.corners[other];
      this.corners[other] = [a + (x - x0) / 2, b + (y - y0) / 2];
    }
  }

  drawMarks(context) {
    if (this.corners) return;
    const scale = this.perMm() * this.at.scale;
    const confirmed = this.photo.standing === "confirmed";
    const [a, b] = this.photo.corners_px || [[0, 0], [1, 0]];
    const onPhoto = this.photo.ring ? 0 : Math.atan2(b[1] - a[1], b[0] - a[0]);
    const turn = this.kind === "photo" ? onPhoto : this.plot.quarters * Math.PI / 2;
    for (const object of this.photo.objects) {
      const selected = this.selected && object.name === this.selected.name;
      if (!this.marks && !selected) continue;
      const p = this.onCanvas(this.place(object));
      draw.mark(context, object, { ...p, turn }, scale, { selected, confirmed });
    }
  }

  /** The object spoken of, enlarged, without a mark over it. */
  drawClose() {
    const context = this.close.getContext("2d");
    const side = this.close.width;
    context.fillStyle = "#2a2a2e";
    context.fillRect(0, 0, side, side);
    const place = this.cross || (this.selected && this.place(this.selected));
    if (!place || !this.image || this.shownPhoto !== this.photo.n) return;
    const long = this.selected && !this.cross ? this.selected.length_mm : 0;
    const mm = Math.max(CLOSE_MM, 0.72 * long);
    const reach = mm * this.perMm();
    context.imageSmoothingQuality = "high";
    context.drawImage(this.image, place.x - reach, place.y - reach, 2 * reach, 2 * reach, 0, 0, side, side);
    const c = side / 2;
    const r = Math.min(0.46 * side, ((long || 8) / 2 + 2.5) / mm * c);
    for (const [colour, width] of [["#101014", 9], ["#ffffff", 4]]) {
      context.strokeStyle = colour;
      context.lineWidth = width;
      context.beginPath();
      for (const [sx, sy] of [[-1, -1], [1, -1], [1, 1], [-1, 1]]) {
        context.moveTo(c + sx * r, c + sy * r * 0.65);
        context.lineTo(c + sx * r, c + sy * r);
        context.lineTo(c + sx * r * 0.65, c + sy * r);
      }
      context.stroke();
    }
  }

  /** The object at a place on the canvas; null where there is none. */
  objectAt(p) {
    let best = null;
    for (const object of this.photo ? this.photo.objects : []) {
      const q = this.onCanvas(this.place(object));
      const d = Math.hypot(q.x - p.x, q.y - p.y);
      const reach = Math.max(22, (object.length_mm / 2) * this.perMm() * this.at.scale + 6);
      if (d <= reach && (!best || d < best.d)) best = { d, object };
    }
    return best && best.object;
  }

  listen() {
    const c = this.canvas;
    const at = (event) => {
      const box = c.getBoundingClientRect();
      return { x: event.clientX - box.left, y: event.clientY - box.top };
    };
    c.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.zoom(Math.exp(-event.deltaY * 0.0015), at(event));
    }, { passive: false });
    c.addEventListener("pointerdown", (event) => {
      c.setPointerCapture(event.pointerId);
      const p = at(event);
      this.pointers.set(event.pointerId, p);
      this.from = { ...p, moved: false, corner: this.cornerAt(p) };
      if (this.from.corner !== null) {
        this.held = this.from.corner;
        this.redraw();
      }
    });
    c.addEventListener("pointermove", (event) => {
      const before = this.pointers.get(event.pointerId);
      if (!before) return;
      const p = at(event);
      this.moved(event.pointerId, before, p);
      this.pointers.set(event.pointerId, p);
    });
    const up = (event) => {
      const p = this.pointers.get(event.pointerId);
      this.pointers.delete(event.pointerId);
      if (event.type === "pointerup" && p && !this.from.moved && this.from.corner === null) {
        this.told.pick(p);
      }
    };
    c.addEventListener("pointerup", up);
    c.addEventListener("pointercancel", up);
  }

  moved(id, before, p) {
    if (this.pointers.size === 2) {
      const other = [...this.pointers].find(([key]) => key !== id)[1];
      const far = (a, b) => Math.max(10, Math.hypot(a.x - b.x, a.y - b.y));
      this.from.moved = true;
      this.zoom(far(p, other) / far(before, other), { x: (p.x + other.x) / 2, y: (p.y + other.y) / 2 });
      return;
    }
    if (!this.from.moved && Math.hypot(p.x - this.from.x, p.y - this.from.y) < 5) return;
    this.from.moved = true;
    if (this.from.corner !== null) {
      const q = this.onPicture(p);
      this.moveCorner(this.from.corner, [q.x, q.y]);
      this.redraw();
    } else {
      this.pan(p.x - before.x, p.y - before.y);
    }
  }

  cornerAt(p) {
    if (!this.corners || this.kind !== "photo") return null;
    const far = this.corners.map(([x, y]) => {
      const q = this.onCanvas({ x, y });
      return Math.hypot(q.x - p.x, q.y - p.y);
    });
    const least = Math.min(...far);
    return least < 34 ? far.indexOf(least) : null;
  }
}
