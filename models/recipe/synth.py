"""Makes training tiles: bean cut-outs and drawn residue on ground textures, with truth.

A tile is drawn at the scale of some phone photo, given that photo's faults, then brought to the
network's scale (PX_PER_MM). Objects are laid in layers; an id picture tells how much of each is seen.
"""
import glob
import math
import os

import cv2
import numpy as np

PX_PER_MM = 2.4
CUTOUT_PX_PER_MM = 9.0


def read_cutouts(folder, originals):
    """kind -> list of RGBA pictures whose original photo's number is in `originals`."""
    out = {}
    for kind in ("intact", "broken", "impurity"):
        out[kind] = []
        for f in sorted(glob.glob(os.path.join(folder, kind, "*.png"))):
            if int(os.path.basename(f)[:4]) in originals:
                im = cv2.imread(f, cv2.IMREAD_UNCHANGED)
                if im is not None and min(im.shape[:2]) >= 12:
                    out[kind].append(im)
    return out


def noise(r, n, lo, hi):
    """n x n smooth noise, unit spread, features of lo..hi px."""
    out = np.zeros((n, n), np.float32)
    s = hi
    while s >= lo:
        k = max(2, int(n / s) + 2)
        out += cv2.resize(r.standard_normal((k, k)).astype(np.float32), (n, n), interpolation=cv2.INTER_CUBIC) * s ** 0.6
        s /= 2
    return out / (out.std() + 1e-6)


class Tile:
    """One tile under construction; linear-ish BGR floats 0..1."""

    def __init__(self, r, size_mm, px_per_mm, cut, grounds, photo=None):
        self.r, self.q, self.cut = r, px_per_mm, cut
        self.n = int(round(size_mm * px_per_mm))
        self.ids = np.zeros((self.n, self.n), np.int32)
        self.objects = []
        self.az = r.uniform(0, 2 * math.pi)
        self.sun = r.random() < 0.6
        self.el = r.uniform(0.35, 1.2) if self.sun else 1.3
        self.photo = photo is not None and self.lay_on(photo)
        if not self.photo: self.im = self.ground(grounds)
        self.mean = self.im.reshape(-1, 3).mean(0)

    def lay_on(self, photo):
        """Takes a piece of a flat photo (as `train.read_pack` gives it) for ground, with what is known to lie there; False if there is none."""
        r, n = self.r, self.n; h, w = photo["im"].shape[:2]
        if min(h, w) <= n: return False
        for _ in range(8):
            y, x = int(r.integers(h - n)), int(r.integers(w - n))
            if photo["m"][y // 4:(y + n) // 4, x // 4:(x + n) // 4].min() > 250: break
        else: return False
        im = photo["im"][y:y + n, x:x + n].astype(np.float32) / 255; R = photo["rows"].astype(np.float64)
        R = R[(R[:, 1] > x) & (R[:, 1] < x + n) & (R[:, 2] > y) & (R[:, 2] < y + n) & (R[:, 4] > .03)].copy(); R[:, 1] -= x; R[:, 2] -= y
        for _ in range(int(r.integers(4))): im = np.rot90(im); R[:, [1, 2]] = np.stack([R[:, 2], n - R[:, 1]], 1); R[:, 7] -= math.pi / 2
        if r.random() < .5: im = im[:, ::-1]; R[:, 1] = n - R[:, 1]; R[:, 7] = math.pi - R[:, 7]
        light = np.clip(r.uniform(.3, .55) / (im.mean() + .01), .6, 3) * np.exp(r.normal(0, .04, 3))      # as bright as what is laid on it
        self.im = np.clip(np.ascontiguousarray(im) * light, 0, 1.2).astype(np.float32)
        for kind, cx, cy, rad, seen, beans, length, angle in sorted(R.tolist(), key=lambda o: -o[0]):   # pods below beans
            i = len(self.objects) + 1; m = np.zeros((n, n), np.uint8)
            size = (length, length / 4) if kind == 2 else (2 * rad * math.sqrt(seen),) * 2
            cv2.ellipse(m, ((cx, cy), size, math.degrees(angle)), 1, -1)
            self.ids[m > 0] = i
            self.objects.append(dict(id=i, kind=("bean", "split", "pod")[int(kind)], full=max(1.0, float(m.sum())) / seen, beans=beans, length=length, angle=angle))
        return True

    def ground(self, grounds):
        r, n = self.r, self.n
        if r.random() < 0.25 or not grounds:
            base = np.array([r.uniform(.12, .5), 0, 0]); base = base[0] * np.array([r.uniform(.45, .95), r.uniform(.7, .97), 1.0])
            g = 1 + r.uniform(.04, .2) * noise(r, n, 2, 40) + r.uniform(.02, .12) * r.standard_normal((n, n)).astype(np.float32)
            im = np.clip(g[..., None] * base, 0, 1).astype(np.float32)
            if r.random() < .6:                       # clods: lit bumps
                h = noise(r, n, 3 * self.q, 14 * self.q); gx = cv2.Sobel(h, cv2.CV_32F, 1, 0) * math.cos(self.az) + cv2.Sobel(h, cv2.CV_32F, 0, 1) * math.sin(self.az)
                im *= np.clip(1 + r.uniform(.1, .5) * gx / (gx.std() + 1e-6) * .5, .3, 1.8)[..., None]
            return np.clip(im, 0, 1)
        g = grounds[r.integers(len(grounds))]
        zoom = math.exp(r.uniform(math.log(.5), math.log(2.2))); need = int(n / zoom) + 2
        need = min(need, min(g.shape[:2]) - 1)
        y, x = r.integers(0, g.shape[0] - need), r.integers(0, g.shape[1] - need)
        im = cv2.resize(g[y:y + need, x:x + need], (n, n), interpolation=cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC).astype(np.float32) / 255
        im = np.rot90(im, r.integers(4)); im = im[:, ::-1] if r.random() < .5 else im
        im = np.clip(im, 0, 1) ** r.uniform(.75, 1.35) * np.exp(r.normal(-.1, .3)) * np.exp(r.normal(0, .12, 3)).astype(np.float32)
        if r.random() < .3:
            grey = im.mean(2, keepdims=True); im = grey + (im - grey) * r.uniform(.2, .8)
        return np.clip(np.ascontiguousarray(im), 0, 1).astype(np.float32)

    def shade_solid(self, a):
        """Shading 0..1.2 of a solid whose outline is the mask `a`, from its distance to the edge."""
        d = cv2.distanceTransform((a > .5).astype(np.uint8), cv2.DIST_L2, 3); m = d.max() + 1e-6
        h = np.sqrt(np.clip(1 - (1 - d / m) ** 2, 0, 1)) * m; h = cv2.GaussianBlur(h, (0, 0), max(.6, m * .18))
        gx, gy = cv2.Sobel(h, cv2.CV_32F, 1, 0, scale=.125), cv2.Sobel(h, cv2.CV_32F, 0, 1, scale=.125)
        nz = 1 / np.sqrt(1 + gx * gx + gy * gy)
        l = np.clip((-gx * math.cos(self.az) - gy * math.sin(self.az)) * nz * math.cos(self.el) + nz * math.sin(self.el), 0, 1.2)
        return l, nz

    def put(self, rgba, x, y, height_mm, solid, obj=None, bury=0.0, flat_shade=None):
        """Lays a float RGBA patch with its centre at (x, y) px; returns its id."""
        r, q = self.r, self.q
        h, w = rgba.shape[:2]; x0, y0 = int(x - w / 2), int(y - h / 2)
        a = rgba[..., 3].copy(); col = rgba[..., :3]
        full = float((a > .5).sum())
        if full < 3:
            return 0
        if solid > 0:
            l, nz = self.shade_solid(a)
            amb = r.uniform(.45, .65) if self.sun else r.uniform(.7, .85)
            s = amb + (1 - amb) * l / max(.3, math.sin(self.el)) if self.sun else amb + (1 - amb) * nz
            col = col * (1 + solid * (s - 1))[..., None]
        if bury > 0:                                   # the ground's line cuts it off, raggedly
            t = r.uniform(0, 2 * math.pi); yy, xx = np.mgrid[0:h, 0:w]
            v = ((xx - w / 2) * math.cos(t) + (yy - h / 2) * math.sin(t)) / (max(w, h) / 2)
            v = v + .18 * cv2.resize(r.standard_normal((4, 4)).astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC)
            a = a * np.clip((1 - 2 * bury - v) * max(w, h) / 3, 0, 1)
        # its shadow on what lies below
        if height_mm > 0:
            L = height_mm * q / math.tan(self.el) * .6 if self.sun else 0
            k = r.uniform(.35, .75) if self.sun else r.uniform(.15, .4)
            for off, soft, kk in ((L, max(.5, .12 * height_mm * q), k), (0, max(.8, .45 * height_mm * q), .35)):
                pad = int(3 * soft) + 2
                sh = cv2.GaussianBlur(np.pad(a, pad), (0, 0), soft)
                self.multiply(1 - kk * sh, x0 - pad - off * math.cos(self.az), y0 - pad - off * math.sin(self.az))
        X0, Y0, X1, Y1 = max(x0, 0), max(y0, 0), min(x0 + w, self.n), min(y0 + h, self.n)
        if X1 <= X0 or Y1 <= Y0:
            return 0
        sl = np.s_[Y0:Y1, X0:X1]; ps = np.s_[Y0 - y0:Y1 - y0, X0 - x0:X1 - x0]
        aa = a[ps][..., None]
        self.im[sl] = self.im[sl] * (1 - aa) + np.clip(col[ps], 0, 1.3) * aa
        i = 0
        if obj is not None:
            i = len(self.objects) + 1; obj.update(id=i, full=full); self.objects.append(obj)
        self.ids[sl] = np.where(a[ps] > .5, i, self.ids[sl])
        return i

    def multiply(self, m, x0, y0):
        x0, y0 = int(round(x0)), int(round(y0)); h, w = m.shape
        X0, Y0, X1, Y1 = max(x0, 0), max(y0, 0), min(x0 + w, self.n), min(y0 + h, self.n)
        if X1 > X0 and Y1 > Y0:
            self.im[Y0:Y1, X0:X1] *= m[Y0 - y0:Y1 - y0, X0 - x0:X1 - x0, None]

    # ---- things
    def cutout(self, kind):
        r = self.r
        pool = self.cut[kind]; im = pool[r.integers(len(pool))]
        s = self.q / CUTOUT_PX_PER_MM * r.uniform(.85, 1.1)
        sx, sy = s * math.exp(r.normal(0, .04)), s * math.exp(r.normal(0, .04))
        ang = r.uniform(0, 360); h, w = im.shape[:2]; d = int(math.hypot(w * sx, h * sy)) + 4
        if d < 5 or d > 400:
            return None
        f = im.astype(np.float32) / 255; f[..., :3] *= f[..., 3:]
        pre = s < .6
        if pre:
            f = cv2.resize(f, None, fx=sx, fy=sy, interpolation=cv2.INTER_AREA); sx = sy = 1.0; h, w = f.shape[:2]
        t = math.radians(ang); A = np.array([[math.cos(t) * sx, -math.sin(t) * sy, 0], [math.sin(t) * sx, math.cos(t) * sy, 0]])
        A[:, 2] = d / 2 - A[:, :2] @ [w / 2, h / 2]
        f = cv2.warpAffine(f, A, (d, d), flags=cv2.INTER_LINEAR)
        if r.random() < .5:
            f = f[:, ::-1].copy()
        f[..., :3] /= np.maximum(f[..., 3:], 1e-3)
        f = np.clip(f, 0, 1)
        f[..., :3] = f[..., :3] ** r.uniform(1, 1.3)
        return f

    def coat(self, rgb):
        """Moves a coat's colour: cream, yellow, tan, green, brown, mottled."""
        r = self.r; u = r.random()
        m = rgb.reshape(-1, 3).mean(0)
        targets = [(.55, .75, .85), (.40, .66, .82), (.62, .78, .86), (.42, .58, .70), (.40, .66, .62), (.28, .42, .55), (.70, .80, .84)]   # BGR
        if u < .6:
            t = np.array(targets[r.choice(len(targets), p=[.2, .25, .15, .14, .08, .08, .10])], np.float32)
            rgb = rgb / np.maximum(m, .05) * (m * .25 + t * .75)
        rgb = rgb * np.exp(r.normal(0, .09)) * np.exp(r.normal(0, .035, 3)).astype(np.float32)
        if r.random() < .12:
            n = max(rgb.shape[:2]); rgb = rgb * np.clip(1 + .22 * noise(r, n, 2, 8)[:rgb.shape[0], :rgb.shape[1], None], .4, 1.3)
        return np.clip(rgb, 0, 1)

    def drawn_bean(self, half):
        """A bean drawn as an ellipse with hilum, for coats that no cut-out has."""
        r, q = self.r, self.q
        a, b = r.uniform(6.0, 8.6) * q / 2, r.uniform(5.2, 7.2) * q / 2
        d = int(2 * a) + 4; yy, xx = np.mgrid[0:d, 0:d].astype(np.float32); t = r.uniform(0, math.pi)
        u = (xx - d / 2) * math.cos(t) + (yy - d / 2) * math.sin(t); v = -(xx - d / 2) * math.sin(t) + (yy - d / 2) * math.cos(t)
        e = (u / a) ** 2 + (v / b) ** 2
        al = np.clip((1 - np.sqrt(e)) * b + .5, 0, 1)
        if half:
            al *= np.clip(v + b * r.uniform(0, .5) + .5, 0, 1)
        rgb = np.ones((d, d, 3), np.float32) * .7
        if r.random() < .35:
            hx, hy = r.uniform(-.3, .3) * a, r.choice([-1, 1]) * b * r.uniform(.3, .85)
            hil = np.exp(-(((u - hx) / (.28 * a)) ** 2 + ((v - hy) / (.12 * b)) ** 2) ** 2)
            rgb = rgb * (1 - hil[..., None] * r.uniform(.1, .8))
        return np.dstack([rgb, al])

    def bean(self, x, y, on_top):
        r = self.r; half = r.random() < .12
        drawn = r.random() < .15
        f = self.drawn_bean(half) if drawn else self.cutout("broken" if half else "intact")
        if f is None:
            return
        f[..., :3] = self.coat(f[..., :3])
        u = r.random(); bury = 0 if on_top or u < .6 else r.uniform(.03, .3) if u < .88 else r.uniform(.3, .7)
        if r.random() < .25:                          # dust
            f[..., :3] = f[..., :3] * (1 - (k := r.uniform(.05, .4))) + self.mean * k * 1.1
        self.put(f, x, y, r.uniform(3, 5.5) * (1 - bury), r.uniform(.2, .9) if drawn else r.uniform(0, .7), dict(kind="split" if half else "bean"), bury)

    def residue_colour(self):
        r = self.r
        t = np.array([(.45, .62, .72), (.40, .52, .60), (.55, .70, .80), (.30, .38, .46), (.25, .33, .42), (.50, .55, .58), (.62, .76, .84), (.20, .26, .33)][r.integers(8)], np.float32)
        return np.clip(t * np.exp(r.normal(0, .18)) * np.exp(r.normal(0, .05, 3)), 0, 1).astype(np.float32)

    def stem(self, x, y, colour=None):
        r, q = self.r, self.q
        L, w = float(np.clip(math.exp(r.normal(3.9, .7)), 8, 220)) * q, r.uniform(1.2, 8) * q
        if r.random() < .35:
            L, w = r.uniform(4, 14) * q, r.uniform(3, 9) * q       # cut stem ends, chips
        n = int(math.hypot(L, w)) + 4
        yy, xx = np.mgrid[0:n, 0:n].astype(np.float32); t = r.uniform(0, math.pi); c = n / 2
        u = (xx - c) * math.cos(t) + (yy - c) * math.sin(t); v = -(xx - c) * math.sin(t) + (yy - c) * math.cos(t)
        v = v + r.normal(0, .12) * w * np.cos(u / L * r.uniform(2, 6)) + r.normal(0, .15) * L * (u / L) ** 2
        end = L / 2 + r.uniform(0, .5) * w * np.sin(v / w * r.uniform(2, 12) + r.uniform(0, 6))
        a = np.clip(end - np.abs(u) + .5, 0, 1) * np.clip(w / 2 - np.abs(v) + .5, 0, 1)
        col = self.residue_colour() if colour is None else colour
        rgb = np.ones((n, n, 3), np.float32) * col
        fib = np.sin(v / q * r.uniform(3, 9) + r.uniform(0, 6)) * r.uniform(0, .12) + cv2.resize(r.standard_normal((6, 1)).astype(np.float32), (1, n))[:, 0][np.clip((v + c).astype(int), 0, n - 1)] * .08
        rgb = rgb * np.clip(1 + fib + .06 * noise(r, n, 2, 20), .4, 1.4)[..., None]
        self.put(np.dstack([rgb, a]), x, y, w / q * r.uniform(.4, .9), r.uniform(.3, 1))

    def flake(self, x, y, lo=1.2, hi=9):
        """Chaff, leaf scraps: flat ragged pieces, some in the beans' own colour and size."""
        r, q = self.r, self.q
        R = float(np.clip(math.exp(r.normal(1.1, .5)), lo, hi)) * q
        if r.random() < .12:
            R = r.uniform(8, 26) * q
        k = int(r.integers(5, 11)); th = np.sort(r.uniform(0, 2 * math.pi, k)); rr = R * r.uniform(.45, 1, k)
        st = r.uniform(.45, 1); ro = r.uniform(0, math.pi)
        p = np.stack([rr * np.cos(th), rr * np.sin(th) * st], 1) @ np.array([[math.cos(ro), -math.sin(ro)], [math.sin(ro), math.cos(ro)]])
        n = int(2 * R) + 6
        if r.random() < .5:                            # rounded outline
            big = np.interp(np.linspace(0, 2 * math.pi, 40), np.r_[th - 2 * math.pi, th, th + 2 * math.pi], np.r_[rr, rr, rr])
            tt = np.linspace(0, 2 * math.pi, 40); p = np.stack([big * np.cos(tt), big * np.sin(tt) * st], 1) @ np.array([[math.cos(ro), -math.sin(ro)], [math.sin(ro), math.cos(ro)]])
        m = np.zeros((n, n), np.uint8); cv2.fillPoly(m, [np.round((p + n / 2) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        col = self.residue_colour() if r.random() < .6 else np.clip(np.array([.55, .74, .83]) * np.exp(r.normal(0, .12)) * np.exp(r.normal(0, .05, 3)), 0, 1)
        rgb = np.ones((n, n, 3), np.float32) * col.astype(np.float32)
        rgb *= np.clip(1 + r.uniform(.03, .18) * noise(r, n, 2, max(4, n / 2)), .4, 1.5)[..., None]
        if r.random() < .4:                            # curled: light falls off across it
            t = r.uniform(0, 2 * math.pi); yy, xx = np.mgrid[0:n, 0:n]; rgb *= np.clip(1 + r.uniform(.1, .5) * ((xx - n / 2) * math.cos(t) + (yy - n / 2) * math.sin(t)) / R, .3, 1.5)[..., None]
        self.put(np.dstack([rgb, m.astype(np.float32) / 255]), x, y, r.uniform(.2, 2.0), 0 if r.random() < .7 else r.uniform(0, .5))

    def stone(self, x, y):
        r, q = self.r, self.q
        R = float(np.clip(math.exp(r.normal(1.1, .4)), 1, 9)) * q; n = int(2.4 * R) + 6
        tt = np.linspace(0, 2 * math.pi, 32, endpoint=False); big = R * (1 + .18 * np.sin(tt * 2 + r.uniform(0, 6)) * r.random() + .12 * np.sin(tt * 3 + r.uniform(0, 6)) + .06 * np.sin(tt * 5 + r.uniform(0, 6)))
        p = np.stack([big * np.cos(tt), big * np.sin(tt) * r.uniform(.6, 1)], 1)
        m = np.zeros((n, n), np.uint8); cv2.fillPoly(m, [np.round((p + n / 2) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        if r.random() < .5:
            col = self.mean * r.uniform(.7, 1.5)       # clod
        else:
            g = r.uniform(.25, .8); col = g * np.array([r.uniform(.8, 1.05), r.uniform(.9, 1.0), 1.0])
        rgb = np.ones((n, n, 3), np.float32) * np.asarray(col, np.float32)
        rgb *= np.clip(1 + r.uniform(.05, .2) * noise(r, n, 1.5, max(4, n / 2)), .3, 1.6)[..., None]
        self.put(np.dstack([np.clip(rgb, 0, 1), m.astype(np.float32) / 255]), x, y, R / q, r.uniform(.5, 1), bury=r.uniform(0, .3))

    def pod(self, x, y, closed):
        """A closed pod with 1 to 4 beans, or an open empty half of one."""
        r, q = self.r, self.q
        nb = int(r.choice([1, 2, 3, 4], p=[.12, .36, .42, .10])); L = (9 + nb * r.uniform(9, 12.5)) * q; W = r.uniform(7.5, 12) * q
        n = int(L) + 8; yy, xx = np.mgrid[0:n, 0:n].astype(np.float32); t = r.uniform(0, 2 * math.pi); c = n / 2
        u = ((xx - c) * math.cos(t) + (yy - c) * math.sin(t)) / (L / 2); v = -(xx - c) * math.sin(t) + (yy - c) * math.cos(t)
        v = v - r.normal(0, .12) * L * (u * u - .4)
        prof = np.clip(1 - np.abs(u) ** r.uniform(2, 4), 0, 1) ** .6
        bul = .78 + .22 * np.cos((u * .82 + 1) * math.pi * nb + math.pi) if closed else 1
        half = W / 2 * prof * bul
        a = np.clip(half - np.abs(v) + .5, 0, 1)
        hgt = np.sqrt(np.clip(1 - (v / np.maximum(half, 1e-3)) ** 2, 0, 1)) * half
        col = self.residue_colour() * r.uniform(.8, 1.15)
        rgb = np.ones((n, n, 3), np.float32) * np.clip(col, 0, 1)
        h = cv2.GaussianBlur((hgt if closed else -hgt * .6).astype(np.float32), (0, 0), max(.6, .05 * W))
        gx, gy = cv2.Sobel(h, cv2.CV_32F, 1, 0, scale=.125), cv2.Sobel(h, cv2.CV_32F, 0, 1, scale=.125); nz = 1 / np.sqrt(1 + gx * gx + gy * gy)
        l = np.clip((-gx * math.cos(self.az) - gy * math.sin(self.az)) * nz * math.cos(self.el) + nz * math.sin(self.el), 0, 1.2)
        amb = r.uniform(.45, .6) if self.sun else .7
        rgb *= (amb + (1 - amb) * (l if self.sun else nz) / (math.sin(self.el) if self.sun else 1))[..., None]
        rgb *= np.clip(1 + .08 * noise(r, n, 2, 10) + .05 * r.standard_normal((n, n)), .4, 1.4)[..., None]
        if not closed and r.random() < .7:
            rgb = rgb * .55 + np.array([.6, .75, .82]) * .45 * (amb + .3)
        self.put(np.dstack([np.clip(rgb, 0, 1), a]).astype(np.float32), x, y, r.uniform(4, 7) if closed else 2, 0,
                 dict(kind="pod", beans=nb, length=L, angle=t) if closed else None)

    def impurity(self, x, y):
        f = self.cutout("impurity")
        if f is not None:
            f[..., :3] = np.clip(f[..., :3] * np.exp(self.r.normal(0, .15)), 0, 1)
            self.put(f, x, y, 2.5, self.r.uniform(0, .5))


def scene(r, size_mm, cut, grounds, px_per_mm, photo=None):
    """Lays out one tile; returns the finished Tile."""
    t = Tile(r, size_mm, px_per_mm, cut, grounds, photo)
    area = (size_mm / 100.0) ** 2
    U = lambda: (r.uniform(0, t.n), r.uniform(0, t.n))
    cover = r.choice([0, .3, 1, 2.2], p=[.2, .3, .3, .2])
    dens = r.choice([0, 4, 10, 22, 40], p=[.12, .18, .3, .25, .15])
    if t.photo: cover, dens = .5 * min(cover, 1), .6 * dens        # there is some already
    todo = []
    nb = r.poisson(dens * area)
    todo += ["bean"] * nb + ["pod"] * r.poisson(.8 * area) + ["husk"] * r.poisson(.8 * area * (.4 + cover))
    todo += ["stem"] * r.poisson(14 * cover * area) + ["flake"] * r.poisson((4 + 26 * cover) * area) + ["stone"] * r.poisson(r.choice([1, 6, 20]) * area) + ["imp"] * r.poisson(3 * area)
    r.shuffle(todo)
    for k in todo:
        x, y = U()
        if k == "bean":
            m = int(r.integers(2, 5)) if r.random() < .1 else 1
            for _ in range(m):
                t.bean(x + r.normal(0, 4.5) * t.q * (m > 1), y + r.normal(0, 4.5) * t.q * (m > 1), False)
        elif k == "pod": t.pod(x, y, True)
        elif k == "husk": t.pod(x, y, False)
        elif k == "stem": t.stem(x, y)
        elif k == "flake": t.flake(x, y)
        elif k == "stone": t.stone(x, y)
        else: t.impurity(x, y)
    if t.sun and r.random() < .3:                      # a hard shadow's edge across it
        a, d = r.uniform(0, 2 * math.pi), r.uniform(-.5, .5) * t.n; yy, xx = np.mgrid[0:t.n, 0:t.n].astype(np.float32)
        m = np.clip(((xx - t.n / 2) * math.cos(a) + (yy - t.n / 2) * math.sin(a) - d) / max(.7, r.uniform(.2, 3) * t.q) + .5, 0, 1)
        t.im *= (1 - m[..., None] * (1 - r.uniform(.25, .5) * np.array([1.15, 1.0, .9])))
    return t


def truth(t):
    """Objects as rows: kind, x, y (tile px, at the centre of what is seen), radius px, visible, beans, length px, angle."""
    cnt = np.bincount(t.ids.ravel(), minlength=len(t.objects) + 1)
    ys, xs = np.nonzero(t.ids); w = t.ids[ys, xs]
    sx, sy = np.bincount(w, xs + .5, len(t.objects) + 1), np.bincount(w, ys + .5, len(t.objects) + 1)
    rows = []
    for o in t.objects:
        i = o["id"]; c = cnt[i]
        if c == 0:
            continue
        rows.append(({"bean": 0, "split": 1, "pod": 2}[o["kind"]], sx[i] / c, sy[i] / c, math.sqrt(o["full"] / math.pi), min(1, c / o["full"]), o.get("beans", 0), o.get("length", 0), o.get("angle", 0)))
    return np.array(rows, np.float32).reshape(-1, 8)


def camera(r, im, again=False):
    """A phone's faults: exposure, white balance, tone, blur, noise, sharpening, JPEG; fewer where the picture has them already. BGR float -> uint8."""
    im = im * np.exp(r.normal(.05, .25)) * np.exp(r.normal(0, .045, 3)).astype(np.float32)
    im = np.clip(im, 0, 1.5); im = im / (1 + .18 * im * r.random())
    g = r.uniform(.8, 1.25); im = np.clip(im, 0, 1) ** g
    c = r.uniform(0, .5); im = im * (1 - c) + c * (im * im * (3 - 2 * im))
    s = r.uniform(.3, 1.0)
    if r.random() < .15: s = r.uniform(1.0, 2.0)
    if again: s = r.uniform(.2, .6)
    im = cv2.GaussianBlur(im, (0, 0), s)
    if r.random() < (.05 if again else .25):
        n = 7; k = np.zeros((n, n), np.float32); a = r.uniform(0, math.pi); L = r.uniform(1, 4)
        for u in np.linspace(-L / 2, L / 2, 25): k[int(round(3 + u * math.sin(a))), int(round(3 + u * math.cos(a)))] += 1
        im = cv2.filter2D(im, -1, k / k.sum())
    nz = r.standard_normal(im.shape).astype(np.float32); nz = .6 * nz + 1.2 * cv2.GaussianBlur(nz, (0, 0), .8)
    im = im + nz * r.uniform(.002, .008 if again else .022) * (.4 + np.sqrt(np.clip(im, 0, 1)))
    if r.random() < .7: im = im + r.uniform(.1, .9) * (im - cv2.GaussianBlur(im, (0, 0), 1.1))
    u8 = np.clip(im * 255 + .5, 0, 255).astype(np.uint8)
    if r.random() < .6:
        u8 = cv2.imdecode(cv2.imencode(".jpg", u8, [cv2.IMWRITE_JPEG_QUALITY, int(r.integers(70, 96))])[1], 1)
    return u8


def tile(r, out_px, cut, grounds, photos=(), px_per_mm=PX_PER_MM, scales=(1.5, 5.0)):
    """One finished tile: uint8 BGR out_px square at px_per_mm as a photo of one of the `scales` shows it, and its truth rows. A third lie on
    pieces of flat photos, where there are some."""
    photo = photos[r.integers(len(photos))] if len(photos) and r.random() < .33 else None
    q = px_per_mm * photo["k"] if photo else math.exp(r.uniform(*map(math.log, scales))); size_mm = out_px / px_per_mm
    t = scene(r, size_mm, cut, grounds, q, photo)
    rows = truth(t); u8 = camera(r, t.im, t.photo)
    k = out_px / t.n
    out = cv2.resize(u8, (out_px, out_px), interpolation=cv2.INTER_AREA if k < 1 else cv2.INTER_CUBIC)
    if len(rows):
        rows[:, [1, 2, 3, 6]] *= k
    return out, rows
