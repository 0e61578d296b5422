"""Fits a model's card from counts made with an identity calibration on photos that it was not trained on.

usage: calibrate.py CARD.toml COUNTS.json=TRUTH_DIR[=WEIGHT] [COUNTS.json=TRUTH_DIR[=WEIGHT] ...] [--write]
       calibrate.py CARD.toml COUNTS.json+NEAR_COUNTS.json=TRUTH_DIR[=WEIGHT] [...] --near [--write]      the card's [near] alone
Counts are made with: podfall count DIR --frame ... with the card's weights [0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0], without [near];
near counts with [near], its weights [3, 0, 0.5, 0, 0, 0, 0, 0, 0], and its least_photo_px_per_mm and least_heat or lower ones. Standard library and numpy.
Prints weights, misses, shift and the coverage that they give; --write puts them into the card.
"""
import glob
import json
import math
import os
import re
import sys

import numpy as np

RIDGE_SCALE = 100.
LISTED = 0.05   # as LEAST_PROBABILITY in src/score/learned.rs
MOST_MISSED, MOST_NEAR_LOGIT = .4, 4   # as in src/score/card.rs
LOGIT = lambda p: np.log(np.clip(p, 1e-6, 1 - 1e-6) / np.clip(1 - p, 1e-6, 1))


def match(D, T, tol):
    pairs = sorted((np.hypot(d[0] - t[0], d[1] - t[1]) / k, i, j) for i, d in enumerate(D) for j, (t, k) in enumerate(zip(T, tol)) if abs(d[0] - t[0]) <= k)
    a, b = {}, {}
    for s, i, j in pairs:
        if s <= 1 and i not in a and j not in b: a[i] = j; b[j] = i
    return a


def inside(p, b):
    """Whether a true object lies inside the frame as podfall found it: through a raised frame more ground is seen than lies under it."""
    c = np.array(p["frame"].get("corners_px") or [])
    if len(c) != 4: return b["inside"]
    e, v = np.roll(c, -1, 0) - c, np.array([b["x_px"], b["y_px"]]) - c; side = e[:, 0] * v[:, 1] - e[:, 1] * v[:, 0]
    return bool((side > 0).all() or (side < 0).all())


def photos(counts, folder, pod):
    """A dict a photo: p (raw), tops (the same, of all hilltops), at (where they lie), y (1 seen bean, 0 none), soft (shows less than half), target, missed."""
    P = {os.path.basename(p["photo"]): p for p in json.load(open(counts))["photos"]}
    for f in sorted(glob.glob(folder + "/*.json")):
        t = json.load(open(f)); p = P.get(t.get("photo"))
        if "beans" not in t or t.get("answer") == "refuse" or not p or not p["counts"]: continue
        if pod and t.get("pods") is None: continue
        key = "pods" if pod else "beans"
        tr = [b for b in t[key] if b["visible"] >= .1]
        tol = [max(.45 * b["length_px"], 4) if pod else max(1.2 * b["radius_px"], 3) for b in tr]
        ob = [o for o in p["objects"] if (o["kind"] == "pod") == pod]
        must = [i for i, b in enumerate(tr) if inside(p, b) and b["visible"] >= .3]; rest = [i for i in range(len(tr)) if i not in must]
        xy = lambda L: [(b["x_px"], b["y_px"]) for b in L]
        m = match(xy(ob), xy([tr[i] for i in must]), [tol[i] for i in must]); left = [i for i in range(len(ob)) if i not in m]
        s = match([xy(ob)[i] for i in left], xy([tr[i] for i in rest]), [tol[i] for i in rest])
        y = np.array([float(i in m) for i in range(len(ob))]); dull = np.zeros(len(ob), bool); dull[[left[i] for i in s]] = True
        p_raw = np.array([o["probability"] for o in ob])
        yield dict(name=t["photo"], p=p_raw, tops=p_raw, at=xy(ob), y=y, soft=dull, target=len(must), missed=len(must) - len(m), cover=(p.get("ground") or {}).get("lighter_pct", 0), scale=p["plot"]["photo_px_per_mm"], blur=math.exp(p["looks"][4]), ft2=p["plot"]["area_m2"] / .09290304)


def hilltops(q):
    """k and g of src/score/card.rs: weak and strong hilltops."""
    n = lambda which: np.log1p(which(q["tops"]).sum() / q["ft2"])
    return n(lambda p: (p >= .05) & (p < .3)) - 3, n(lambda p: p >= .5) - 2.5


def clear(q):
    """r of src/score/card.rs: the share of the strong hilltops that are beyond doubt."""
    n = lambda least: (q["tops"] >= least).sum()
    return (n(.85) + 2) / (n(.5) + 4) - .5


def columns(q):
    """What src/score/card.rs multiplies with the weights; of hilltops that were looked at from near (they have z) with those of [near]."""
    x = LOGIT(q["p0"]); one = np.ones(len(x)); c = one * (min(max(q["cover"], 0), 90) - 30) / 30; s = one * scale(q)
    k, g = (one * v for v in hilltops(q)); r = one * clear(q); b = one * math.log(min(max(q["blur"], .12), .6) / .3)
    if "z" in q: return np.stack([one, x, np.clip(q["z"], -MOST_NEAR_LOGIT, MOST_NEAR_LOGIT), c, s, k, g, r, b], 1)
    return np.stack([one, x, np.minimum(x, -.5), c, c * x, s, s * x, k, k * x, g, g * x, r, b], 1)


def near_photos(both, folder, least_heat):
    """As `photos`, of the hilltops of at least this heat that were looked at from near, with z, what the near look gave as a logit."""
    counts, near = both.split("+"); seen = {os.path.basename(p["photo"]): {(o["x_px"], o["y_px"]): o["probability"] for o in p["objects"] if o["kind"] != "pod"} for p in json.load(open(near))["photos"]}
    for q in photos(counts, folder, False):
        z = np.array([seen[q["name"]].get(at, 0) for at in q["at"]]); looked = (z > .2) & (q["p"] >= least_heat)            # with those weights: at least .269 where it was looked at
        if not looked.any() and len(z): continue
        q["missed"] += int(q["y"][~looked].sum()); q["z"] = 2 * (LOGIT(z[looked]) - 3)
        for k in ("p", "y", "soft"): q[k] = q[k][looked]
        yield q


def fit(ph, w, pod):
    """Weighted logistic regression, ridge; for pods, of which there are few, the surroundings are left out."""
    keep = [~q["soft"] for q in ph]; X = np.concatenate([columns(q)[k] for q, k in zip(ph, keep)]); y = np.concatenate([q["y"][k] for q, k in zip(ph, keep)]); W = np.concatenate([np.full(k.sum(), v) for k, v in zip(keep, w)]); W = W / W.mean()
    ridge = [1e-6, .5, .5, .5, RIDGE_SCALE, 5., 5., 5., 5.] if "z" in ph[0] else [1e-6] + [.5] * 4 + [RIDGE_SCALE] * 2 + [5.] * 6   # scale goes with the kind of photo here: held tight, lest it speak for that
    use = [0, 1] if pod else list(range(len(ridge))); X = X[:, use]; b = np.zeros(len(use)); out = np.zeros(len(ridge)); ridge = np.diag(ridge[:len(use)])
    for _ in range(40):
        p = 1 / (1 + np.exp(-X @ b)); b = b + np.linalg.solve((X * (W * p * (1 - p))[:, None]).T @ X + ridge, X.T @ (W * (y - p)) - ridge @ b)
    out[use] = b
    return [round(float(v), 3) for v in out]


def apply(weights, q):
    return 1 / (1 + np.exp(-columns(q) @ np.array(weights)))


def pmf_limits(p, missed, stray, shift):
    z, w = np.polynomial.hermite_e.hermegauss(7); w = w / w.sum(); n = len(p) + 400; mix = np.zeros(n); mean = 0
    for zi, wi in zip(z, w):
        o = p / np.maximum(1 - p, 1e-12) * math.exp(zi * shift); q = o / (1 + o); d = np.zeros(n); d[0] = 1
        for v in q: d[1:] = d[1:] * (1 - v) + d[:-1] * v; d[0] *= 1 - v
        mu = q.sum() * missed + stray; mean = p.sum() * (1 + missed) + stray   # as the tool: at no shift
        if mu > 0:
            k = np.arange(int(mu + 8 * math.sqrt(mu) + 8)); po = np.exp(-mu + k * math.log(mu) - np.array([math.lgamma(v + 1) for v in k])); d = np.convolve(d, po)[:n]
        mix += wi * d
    c = np.cumsum(mix) / mix.sum()
    return mean, min(int(np.searchsorted(c, .025)), math.floor(mean)), max(int(np.searchsorted(c, .975)), math.ceil(mean))


def scale(q):
    """s of src/score/card.rs."""
    return math.log(min(max(q["scale"], 1.2), 5) / 2.5)


def missed_rate(ph, w):
    """Beans that the sum of a photo's probabilities lacks, for each that it has = exp(a + b k + c s), by Poisson regression over photos that
    weigh `w`; a, b, c. What hardly shows counts in the sum and not in the truth: so much less is lacking."""
    A = np.array([[1, hilltops(q)[0], scale(q)] for q in ph]); has = np.array([max(q["p"].sum(), .3) for q in ph]); lacks = np.array([max(q["missed"] - q["hardly"], 0) for q in ph]); b = np.array([-2.5, 0., 0.]); ridge = np.diag([1e-6, 1., 1.])
    for _ in range(50):
        mu = has * np.exp(A @ b); b = b + np.linalg.solve((A * (w * mu)[:, None]).T @ A + ridge, A.T @ (w * (lacks - mu)) - ridge @ b)
    return b


def interval_score(low, high, n):
    """Score of 95 % limits, least where they are right and narrow (Gneiting and Raftery 2007, JASA 102:359, section 6.2), on ln(1 + count)."""
    l, h, x = np.log1p([low, high, n])
    return h - l + 2 / .05 * (max(0, l - x) + max(0, x - h))


def ece(p, y):
    e = 0
    for k in range(10):
        g = (p >= k / 10) & (p < (k + 1) / 10)
        if g.any(): e += g.sum() / len(p) * abs(p[g].mean() - y[g].mean())
    return e


def main():
    a = [x for x in sys.argv[1:] if not x.startswith("--")]; card = a[0]; sets = [x.split("=")[:2] for x in a[1:]]; weights = [float((x.split("=") + ["1"])[2]) for x in a[1:]]; out = {}; near = "--near" in sys.argv; of_near = open(card).read().partition("[near]")[2]; least, least_heat = (float((re.findall(r"(?m)^%s = (.+)" % k, of_near) or ["0"])[0]) for k in ("least_photo_px_per_mm", "least_heat"))
    for pod in (False,) if near else (False, True):
        S = [[q for q in (near_photos(c, d, least_heat) if near else photos(c, d, pod)) if not near or q["scale"] >= least] for c, d in sets]; ph = [q for s in S for q in s]
        if not ph: continue
        # each set weighs the same, or as told, a photo as the root of its objects: a crowded one must not speak for all;
        # figures are of photos left out one at a time, the card takes the fit over all
        for q in ph: q["p0"] = q["p"]
        root = lambda q: max(1, len(q["p"])) ** .5
        w = [v / root(q) / (1 if pod else sum(root(t) for t in s)) for s, v in zip(S, weights) for q in s]      # pods are so few that a small set would speak by chance: there each photo weighs alike
        for i, q in enumerate(ph): q["p"] = apply(fit(ph[:i] + ph[i + 1:], w[:i] + w[i + 1:], pod), q)
        kn = fit(ph, w, pod); cat = lambda k: np.concatenate([q[k] for q in ph]); keep = ~cat("soft")
        before, after = ece(cat("p0")[keep], cat("y")[keep]), ece(cat("p")[keep], cat("y")[keep])
        for q in ph:
            k = q["p"] >= LISTED; q["missed"] += int(q["y"][~k].sum()); q["hardly"] = q["p"][k & q["soft"]].sum(); q["p"], q["y"] = q["p"][k], q["y"][k]
        each = np.array([v / len(s) for s, v in zip(S, weights) for q in s]); each = each / each.mean(); found = np.array([q["y"].sum() for q in ph])
        a, weak, fine = missed_rate(ph, each) if not pod else (math.log(max(1e-3, each @ [q["missed"] for q in ph] / max(1, each @ found))), 0, 0)
        for q in ph: q["rate"] = min(MOST_MISSED, math.exp(a + weak * hilltops(q)[0] + fine * scale(q)))
        print("pods" if pod else "beans", "weights", kn, "missed %.3f, growing %.2f %.2f" % (math.exp(a), weak, fine), "ECE before %.3f after %.3f" % (before, after))
        tried = []
        for stray in (.02, .05, .1):          # it adds to an empty plot too
            for shift in np.arange(0, 1.6, .1):
                L = [pmf_limits(q["p"], q["rate"], stray, shift) for q in ph]; wd = np.median([(hi - lo) / max(q["target"], 5) for (m, lo, hi), q in zip(L, ph)])
                cov = np.average([lo <= q["target"] <= hi for (m, lo, hi), q in zip(L, ph)], weights=each)
                score = (np.average([interval_score(lo, hi, q["target"]) for (m, lo, hi), q in zip(L, ph)], weights=each), cov, wd, stray, shift)
                tried.append(score)
        most = 1.02 * min(tried)[0]; good = [t for t in tried if t[0] <= most]      # of those as good within two hundredths, less than chance makes of it, the narrowest that hold on 95 of 100, or what holds most often
        best = min((t for t in good if t[1] >= .95), key=lambda t: t[2], default=None) or min(good, key=lambda t: (-t[1], t[2]))
        print("  coverage %.3f median width %.3f with stray %.2f shift %.2f" % best[1:])
        for (c, d), s in zip(sets, S):
            L = [pmf_limits(q["p"], q["rate"], best[3], best[4]) for q in s]
            if L: print("  ", d.rstrip("/").split("/")[-1], "coverage %.3f width %.3f median relative error %.3f missed %.3f" % (np.mean([lo <= q["target"] <= hi for (m, lo, hi), q in zip(L, s)]), np.median([(hi - lo) / max(q["target"], 5) for (m, lo, hi), q in zip(L, s)]), np.median([abs(m - q["target"]) / q["target"] for (m, lo, hi), q in zip(L, s) if q["target"] >= 5] or [0]), sum(q["missed"] for q in s) / max(1, sum(q["y"].sum() for q in s))))
        out["pod" if pod else "bean"] = (kn, math.exp(a), weak, fine, best[3], best[4])
    looks = np.array([p["looks"] for c, d in sets for p in json.load(open(c.split("+")[0]))["photos"] if p.get("looks")])
    if "--write" in sys.argv:
        t = open(card).read()
        if near:
            kn, missed, weak, fine, stray, shift = out["bean"]; head, tail = t.split("[near]"); tail = re.sub(r"(?m)^weights = [^\n]+", "weights = " + json.dumps(kn), tail, count=1)
            for k, v in (("missed_beans", "%.6f" % missed), ("missed_beans_weak", "%.3f" % weak), ("missed_beans_scale", "%.3f" % fine), ("shift_logit", "%.2f" % shift), ("stray", "%.2f" % stray)): tail = re.sub(r"(?m)^%s = [^\n]+" % k, "%s = %s" % (k, v), tail, count=1)
            open(card, "w").write(head + "[near]" + tail); return
        if len(looks):                                # photos like these are known: their spread, and the farthest of them
            mean, sd = looks.mean(0), looks.std(0) + 1e-3; far = np.sqrt((((looks - mean) / sd) ** 2).mean(1))
            v = lambda a: "[" + ", ".join("%.3f" % x for x in a) + "]"
            for k, x in (("measures", json.dumps(["mean L*", "spread of L*", "mean a*", "mean b*", "ln blur mm", "ln photo px per mm"])), ("mean", v(mean)), ("sd", v(sd)), ("most_distance", "%.2f" % (1.1 * far.max()))):
                t = re.sub(r"(?m)^%s = [^\n]+" % k, lambda m: "%s = %s" % (k, x), t)
        t, of_near, rest = t.partition("[near]")      # it has an allowance of its own, by the same names
        for k, (kn, missed, weak, fine, stray, shift) in out.items():
            t = re.sub(r"(\[%s\]\nleast_heat = [^\n]+\nweights = )[^\n]+" % k, lambda m: m.group(1) + json.dumps(kn), t); t = re.sub(r"missed_%ss = [^\n]+" % k, "missed_%ss = %.6f" % (k, missed), t)
            if k == "pod": t = re.sub(r"shift_pods_logit = [^\n]+", "shift_pods_logit = %.2f" % shift, t)
            if k == "bean": t = re.sub(r"missed_beans_weak = [^\n]+", "missed_beans_weak = %.3f" % weak, t); t = re.sub(r"missed_beans_scale = [^\n]+", "missed_beans_scale = %.3f" % fine, t); t = re.sub(r"shift_logit = [^\n]+", "shift_logit = %.2f" % shift, t); t = re.sub(r"stray = [^\n]+", "stray = %.2f" % stray, t)
        if "pod" in out: rest = re.sub(r"(?m)^missed_pods = [^\n]+", "missed_pods = %.6f" % out["pod"][1], rest)
        open(card, "w").write(t + of_near + rest)


if __name__ == "__main__":
    main()
