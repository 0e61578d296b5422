"""Fits a model's card from counts made with an identity calibration on photos that it was not trained on.

usage: calibrate.py CARD.toml COUNTS.json=TRUTH_DIR [COUNTS.json=TRUTH_DIR ...] [--write]
Counts are made with: podfall count DIR --frame ... with the card's knots [[-3,-3],[3,3]]. Standard library and numpy.
Prints knots, misses, shift and the coverage that they give; --write puts them into the card.
"""
import glob
import json
import math
import os
import re
import sys

import numpy as np

LISTED = 0.02   # as LEAST_PROBABILITY in src/score/learned.rs
LOGIT = lambda p: np.log(np.clip(p, 1e-6, 1 - 1e-6) / np.clip(1 - p, 1e-6, 1))


def match(D, T, tol):
    pairs = sorted((np.hypot(d[0] - t[0], d[1] - t[1]) / k, i, j) for i, d in enumerate(D) for j, (t, k) in enumerate(zip(T, tol)) if abs(d[0] - t[0]) <= k)
    a, b = {}, {}
    for s, i, j in pairs:
        if s <= 1 and i not in a and j not in b: a[i] = j; b[j] = i
    return a


def photos(counts, folder, pod):
    """A dict a photo: p (raw), y (1 seen bean, 0 none), soft (shows less than half), target, missed."""
    P = {os.path.basename(p["photo"]): p for p in json.load(open(counts))["photos"]}
    for f in sorted(glob.glob(folder + "/*.json")):
        t = json.load(open(f)); p = P.get(t.get("photo"))
        if "beans" not in t or t.get("answer") == "refuse" or not p or not p["counts"]: continue
        if pod and t.get("pods") is None: continue
        key = "pods" if pod else "beans"
        tr = [b for b in t[key] if b["visible"] >= .1]
        tol = [max(.45 * b["length_px"], 4) if pod else max(1.2 * b["radius_px"], 3) for b in tr]
        ob = [o for o in p["objects"] if (o["kind"] == "pod") == pod]
        must = [i for i, b in enumerate(tr) if b["inside"] and b["visible"] >= .3]; rest = [i for i in range(len(tr)) if i not in must]
        xy = lambda L: [(b["x_px"], b["y_px"]) for b in L]
        m = match(xy(ob), xy([tr[i] for i in must]), [tol[i] for i in must]); left = [i for i in range(len(ob)) if i not in m]
        s = match([xy(ob)[i] for i in left], xy([tr[i] for i in rest]), [tol[i] for i in rest])
        y = np.array([float(i in m) for i in range(len(ob))]); dull = np.zeros(len(ob), bool); dull[[left[i] for i in s]] = True
        yield dict(name=t["photo"], p=np.array([o["probability"] for o in ob]), y=y, soft=dull, target=len(must), missed=len(must) - len(m), cover=(p.get("ground") or {}).get("residue_cover_pct", 0), scale=p["plot"]["photo_px_per_mm"])


def fit(p, y, w):
    """Rising knots by weighted isotonic regression over bins of half a logit, logits shrunk to finite."""
    x = LOGIT(p); kn = []; part = []
    for a in np.r_[-9, np.arange(-3, 3.01, .5), 9]:
        part.append(a)
        if len(part) < 2: continue
        g = (x >= part[0]) & (x < a)
        if g.sum() >= 25 and w[g].sum() > 0: kn.append([np.average(x[g], weights=w[g]), (y[g] * w[g]).sum() + .5 * w.mean(), w[g].sum() + w.mean()]); part = [a]
    st = []
    for k in kn:                                      # pool adjacent violators
        st.append([[k[0]], k[1], k[2]])
        while len(st) > 1 and st[-2][1] / st[-2][2] >= st[-1][1] / st[-1][2]:
            b = st.pop(); st[-1] = [st[-1][0] + b[0], st[-1][1] + b[1], st[-1][2] + b[2]]
    return [[round(float(np.mean(s[0])), 3), round(float(LOGIT(np.array(s[1] / s[2]))), 3)] for s in st]


def apply(kn, p):
    x = LOGIT(p); k = np.array(kn)
    if len(k) == 1: return 1 / (1 + np.exp(-(x - k[0, 0] + k[0, 1])))
    i = np.clip(np.searchsorted(k[:, 0], x, side="right"), 1, len(k) - 1); a, b = k[i - 1], k[i]
    return 1 / (1 + np.exp(-(a[:, 1] + (b[:, 1] - a[:, 1]) * (x - a[:, 0]) / (b[:, 0] - a[:, 0]))))


def pmf_limits(p, missed, stray, shift):
    z, w = np.polynomial.hermite_e.hermegauss(7); w = w / w.sum(); n = len(p) + 400; mix = np.zeros(n); mean = 0
    for zi, wi in zip(z, w):
        o = p / np.maximum(1 - p, 1e-12) * math.exp(zi * shift); q = o / (1 + o); d = np.zeros(n); d[0] = 1
        for v in q: d[1:] = d[1:] * (1 - v) + d[:-1] * v; d[0] *= 1 - v
        mu = q.sum() * missed + stray; mean += wi * (q.sum() + mu)
        if mu > 0:
            k = np.arange(int(mu + 8 * math.sqrt(mu) + 8)); po = np.exp(-mu + k * math.log(mu) - np.array([math.lgamma(v + 1) for v in k])); d = np.convolve(d, po)[:n]
        mix += wi * d
    c = np.cumsum(mix) / mix.sum()
    return mean, int(np.searchsorted(c, .025)), int(np.searchsorted(c, .975))


def ece(p, y):
    e = 0
    for k in range(10):
        g = (p >= k / 10) & (p < (k + 1) / 10)
        if g.any(): e += g.sum() / len(p) * abs(p[g].mean() - y[g].mean())
    return e


def main():
    a = [x for x in sys.argv[1:] if not x.startswith("--")]; card = a[0]; sets = [x.rsplit("=", 1) for x in a[1:]]; out = {}
    for pod in (False, True):
        S = [[q for q in photos(c, d, pod)] for c, d in sets]; ph = [q for s in S for q in s]
        if not ph: continue
        # each set weighs the same
        tot = [sum(len(q["p"]) for q in s) or 1 for s in S]; cat = lambda k: np.concatenate([q[k] for q in ph]) if ph else np.zeros(0)
        w = np.concatenate([np.full(len(q["p"]), len(ph) and max(tot) / t) for s, t in zip(S, tot) for q in s])
        p, y, soft = cat("p"), cat("y"), cat("soft"); keep = ~soft
        kn = fit(p[keep], y[keep], w[keep] / w.max()); missed = sum(q["missed"] for q in ph) / max(1, sum(q["y"].sum() for q in ph))
        for q in ph:
            q["p"] = apply(kn, q["p"]); k = q["p"] >= LISTED; q["missed"] += int(q["y"][~k].sum()); q["p"], q["y"] = q["p"][k], q["y"][k]
        missed = sum(q["missed"] for q in ph) / max(1, sum(q["y"].sum() for q in ph))
        print("pods" if pod else "beans", "knots", kn, "missed %.3f" % missed, "ECE before %.3f after %.3f" % (ece(p[keep], y[keep]), ece(apply(kn, p[keep]), y[keep])))
        best = None
        for stray in (.02, .1, .2, .4):
            for shift in np.arange(0, 1.6, .1):
                L = [pmf_limits(q["p"], missed, stray, shift) for q in ph]; cov = np.mean([lo <= q["target"] <= hi for (m, lo, hi), q in zip(L, ph)]); wd = np.median([(hi - lo) / max(q["target"], 5) for (m, lo, hi), q in zip(L, ph)])
                score = (max(0, .955 - cov) * 20 + wd, cov, wd, stray, shift)
                if best is None or score < best: best = score
        print("  coverage %.3f median width %.3f with stray %.2f shift %.2f" % best[1:])
        for (c, d), s in zip(sets, S):
            L = [pmf_limits(q["p"], missed, best[3], best[4]) for q in s]
            if L: print("  ", d.rstrip("/").split("/")[-1], "coverage %.3f width %.3f median relative error %.3f missed %.3f" % (np.mean([lo <= q["target"] <= hi for (m, lo, hi), q in zip(L, s)]), np.median([(hi - lo) / max(q["target"], 5) for (m, lo, hi), q in zip(L, s)]), np.median([abs(m - q["target"]) / q["target"] for (m, lo, hi), q in zip(L, s) if q["target"] >= 5] or [0]), sum(q["missed"] for q in s) / max(1, sum(q["y"].sum() for q in s))))
        out["pod" if pod else "bean"] = (kn, missed, best[3], best[4])
    if "--write" in sys.argv:
        t = open(card).read()
        for k, (kn, missed, stray, shift) in out.items():
            t = re.sub(r"(\[%s\]\nleast_heat = [^\n]+\nknots = )[^\n]+" % k, lambda m: m.group(1) + json.dumps(kn), t); t = re.sub(r"missed_%ss = [^\n]+" % k, "missed_%ss = %.3f" % (k, missed), t)
            if k == "bean": t = re.sub(r"shift_logit = [^\n]+", "shift_logit = %.2f" % shift, t); t = re.sub(r"stray = [^\n]+", "stray = %.2f" % stray, t)
        open(card, "w").write(t)


if __name__ == "__main__":
    main()
