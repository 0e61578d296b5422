"""Lays photos with truth flat: seen from straight above at the network's scale, whole picture, with truth beside.

usage: pack.py OUT_DIR NAME=PHOTO_DIR [NAME=PHOTO_DIR ...]
Writes OUT_DIR/NAME_photo.jpg and .npz (rows: kind, x, y, radius px, visible, beans, length px, angle; inside; inner corners).
"""
import glob
import json
import math
import os
import sys

import cv2
import numpy as np

from synth import PX_PER_MM

PACK_SCALE = float(os.environ.get("PACK_SCALE", "0.8"))     # of photos to train on; 1 keeps all there is, at three times the bytes


def upright(path):
    return cv2.imread(path, cv2.IMREAD_COLOR)          # OpenCV applies EXIF orientation


def flat(im, t, px_per_mm=PX_PER_MM):
    """Top-down picture, 3 x 3 map flat_px <- photo_px."""
    w, h = t["frame"]["inner_mm"]
    dst = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32) * px_per_mm
    if t["frame"].get("inner_corners_px"):
        src = np.array(t["frame"].get("inner_corners_ground_px") or t["frame"]["inner_corners_px"], np.float32)
        e = [np.linalg.norm(src[i] - src[(i + 1) % 4]) for i in range(4)]
        if (e[0] + e[2] > e[1] + e[3]) != (w >= h) and abs(w - h) > 1: src = np.roll(src, 1, 0)
        H = cv2.getPerspectiveTransform(src, dst)
        if np.linalg.det(H[:2, :2]) < 0: H = cv2.getPerspectiveTransform(src[::-1].copy(), dst)
    else:                                              # a ring: taken as seen straight on
        r = np.array(t["frame"]["inner_ring_px"], np.float32); c, d, a = cv2.fitEllipse(r)
        k = w * px_per_mm / ((d[0] + d[1]) / 2); H = np.array([[k, 0, w * px_per_mm / 2 - k * c[0]], [0, k, h * px_per_mm / 2 - k * c[1]], [0, 0, 1.0]])
    hh, ww = im.shape[:2]
    q = cv2.perspectiveTransform(np.array([[[0, 0], [ww, 0], [ww, hh], [0, hh]]], np.float32), H)[0]
    around = 1400 / PX_PER_MM * px_per_mm; lo, hi = np.maximum(q.min(0), -around), np.minimum(q.max(0), np.array([w, h]) * px_per_mm + around)
    H = np.array([[1, 0, -lo[0]], [0, 1, -lo[1]], [0, 0, 1.0]]) @ H
    size = (int(hi[0] - lo[0]), int(hi[1] - lo[1]))
    k = math.sqrt(abs(np.linalg.det(np.linalg.inv(H)[:2, :2] / np.linalg.inv(H)[2, 2])))   # photo px per flat px, about
    pre, A = im, np.eye(3)
    if k > 1.15:
        f = 1 / k; pre = cv2.resize(im, None, fx=f, fy=f, interpolation=cv2.INTER_AREA); A = np.diag([pre.shape[1] / ww, pre.shape[0] / hh, 1.0])
    out = cv2.warpPerspective(pre, H @ np.linalg.inv(A), size, flags=cv2.INTER_CUBIC)
    return out, H


def rows_of(t, H):
    def go(x, y): return cv2.perspectiveTransform(np.array([[[x, y]]], np.float32), H)[0, 0]
    R, ins = [], []
    for b in t["beans"]:
        p = go(b["x_px"], b["y_px"]); e = go(b["x_px"] + 1, b["y_px"]); k = float(np.linalg.norm(e - p))
        R.append((1 if b["half"] else 0, p[0], p[1], b["radius_px"] * k, b["visible"], 0, 0, 0)); ins.append(b["inside"])
    for b in t.get("pods") or []:
        p = go(b["x_px"], b["y_px"]); a = math.radians(b["angle_deg"]); L = b["length_px"] / 2
        e1, e2 = go(b["x_px"] + L * math.cos(a), b["y_px"] + L * math.sin(a)), go(b["x_px"] - L * math.cos(a), b["y_px"] - L * math.sin(a))
        d = e1 - e2; R.append((2, p[0], p[1], 0, b["visible"], b["beans"], np.linalg.norm(d), math.atan2(d[1], d[0]))); ins.append(b["inside"])
    return np.array(R, np.float32).reshape(-1, 8), np.array(ins, bool)


def main():
    out = sys.argv[1]; os.makedirs(out, exist_ok=True)
    for arg in sys.argv[2:]:
        name, folder = arg.split("=", 1)
        for f in sorted(glob.glob(folder + "/*.json")):
            t = json.load(open(f))
            if "beans" not in t or t.get("answer") == "refuse": continue
            stem = "%s_%s" % (name, os.path.splitext(t["photo"])[0])
            if os.path.exists(os.path.join(out, stem + ".npz")): continue
            im = upright(os.path.join(folder, t["photo"]))
            if im is None: continue
            fl, H = flat(im, t); rows, ins = rows_of(t, H)
            ok = cv2.warpPerspective(np.full(im.shape[:2], 255, np.uint8), H, fl.shape[1::-1])
            c = t["frame"].get("inner_corners_ground_px") or t["frame"].get("inner_corners_px") or t["frame"]["inner_ring_px"]
            c = cv2.perspectiveTransform(np.array([c], np.float32), H)[0]; k = 1.0
            if name.startswith("val"):                 # only the frame and a margin about it are looked at
                lo, hi = np.floor(c.min(0) - 30).astype(int), np.ceil(c.max(0) + 30).astype(int); lo = np.maximum(lo, 0)
                fl, ok = fl[lo[1]:hi[1], lo[0]:hi[0]], ok[lo[1]:hi[1], lo[0]:hi[0]]; rows[:, 1:3] -= lo; c = c - lo
            else:                                      # kept a little smaller: these photos hold no more
                k = PACK_SCALE; fl = cv2.resize(fl, None, fx=k, fy=k, interpolation=cv2.INTER_AREA); ok = cv2.resize(ok, fl.shape[1::-1])
                rows[:, [1, 2, 3, 6]] *= k; c = c * k
            cv2.imwrite(os.path.join(out, stem + ".webp"), fl, [cv2.IMWRITE_WEBP_QUALITY, 95 if name.startswith("val") else 84]); cv2.imwrite(os.path.join(out, stem + "_m.png"), cv2.resize(ok, None, fx=.25, fy=.25, interpolation=cv2.INTER_NEAREST))
            np.savez_compressed(os.path.join(out, stem + ".npz"), rows=rows, inside=ins, pods=t.get("pods") is not None, corners=c, scale=k)
            print(stem, fl.shape, len(rows), int(ins.sum()), flush=True)


if __name__ == "__main__":
    main()
