"""Path-traced scenes with truth, drawn by chance and rendered side by side, on cores or GPUs.

usage: scenes.py MAKER OUT_DIR --kind close --scenes 1:400 [--workers 2] [--threads 1] [--gpus 0] [--seconds S] [--samples 6]

MAKER is a scene maker: a Python file with SOILS and Scene(conditions, scale, samples).run(folder, name), which needs the package bpy, and
beside it convert_truth.py, which turns its truth into the form that DEVELOPERS.md gives. Scene n of a kind is always the same.
  close   a one-foot frame from 50 to 90 cm up, 12 MP: a phone held right; about 3 to 6 px per mm
  usual   every frame from 85 to 140 cm up, 7 to 12 MP: about 1.4 to 3.2 px per mm
  strange every frame from 50 to 140 cm up, and what the maker itself never makes: lots of green, brown, dark or pale beans, other sizes of bean,
          soil, residue and pods of other colours, more stones, more lens bending
With --gpus each scene is rendered on one GPU, by turns; each scene lays out on one core all the same. A core takes some minutes a scene.
OUT_DIR holds the photos with truth, OUT_DIR/made the maker's own truth, OUT_DIR/labels what each pixel shows; what is there already is not made again.
"""
import argparse
import concurrent.futures as cf
import os
import subprocess
import sys
import time

import numpy as np

KINDS = dict(close=10, usual=20, strange=30)
EVERY = ["pvc1ft", "pvc1ft", "bar0.5m", "lath24d", "lath24s", "rect1x25", "hoop"]
PLACES = dict(close=["pvc1ft"], usual=EVERY, strange=EVERY)
HEIGHTS_MM = dict(close=(500, 900), usual=(850, 1400), strange=(500, 1400))
COATS = [(96, 118, 62), (134, 140, 84), (104, 72, 46), (78, 56, 42), (60, 52, 48), (228, 214, 178), (206, 170, 90), (168, 120, 74), (190, 184, 120), (150, 104, 88)]   # sRGB of whole lots
LIGHTS = ["overcast", "brightovc", "dusk"] + ["sun%d%s" % (e, s) for e in range(20, 75, 5) for s in ("", "ps")]


def conditions(kind, n, soils):
    """What scene `n` of a kind is like."""
    r = np.random.default_rng([KINDS[kind], n]); pick = lambda v: v[int(r.integers(len(v)))]; close = kind == "close"
    beans = 0 if r.random() < .06 else int(round(float(np.exp(r.uniform(np.log(2), np.log(70))))))
    return dict(n=n, seed=1_000_000 * KINDS[kind] + n, frame=pick(PLACES[kind]), soil=pick(list(soils)), wet=round(float(r.choice([0, r.uniform(0, .9)])), 2), cover=round(float(r.uniform(.05, .85)), 2), beans=beans,
                light=pick(LIGHTS), height=int(r.uniform(*HEIGHTS_MM[kind])), tilt=round(float(r.gamma(2.5, 2.5)), 1) if close else round(float(min(r.gamma(3, 2.5), 25)), 1), orient=pick([1, 6, 1, 6, 8, 3]),
                size=(4032, 3024) if close else pick([(3000, 2250), (3000, 2250), (3264, 2448), (4032, 3024)]), k1=round(float(r.normal(0, .05 if kind == "strange" else .03)), 3), tilth=pick(["crumb", "cloddy", "crust"]), rows=bool(r.random() < .65), straw=bool(r.random() < .1))


def strange(maker, n):
    """Changes what a maker makes its scenes of, by chance, for scene `n`: coats, sizes, soil, residue, pods."""
    r = np.random.default_rng([KINDS["strange"], n, 1]); S = maker["Scene"]; other = lambda c, by, tint: tuple(float(v) for v in np.clip(np.array(c) * np.exp(r.normal(0, by)) * np.exp(r.normal(0, tint, 3)), 12, 245))
    if r.random() < .6:                                # a lot of another coat, with some of the maker's own kind in it
        lot = COATS[int(r.integers(len(COATS)))]; share = r.uniform(.5, 1); (_, w), *own = [(other(c, .1, .04), w * (1 - share)) for c, w in S.BEANCOL]
        S.BEANCOL = [(other(lot, .12, .05), w + share), *own]
    else: S.BEANCOL = [(other(c, .12, .06), w) for c, w in S.BEANCOL]
    for name in maker["SOILS"]: maker["SOILS"][name] = other(maker["SOILS"][name], .25, .05)
    S.PODCOL = [other(c, .2, .08) for c in S.PODCOL]
    tint = np.exp(r.normal(0, .15)) * np.exp(r.normal(0, .05, 3)); own = S.rescol; S.rescol = lambda s, kind: np.clip(own(s, kind) * tint, 0, .92)
    size = float(r.uniform(.83, 1.15)); bean = S.add_bean
    def add_bean(s, *a, **k):
        before = len(s.beans); out = bean(s, *a, **k)
        for b in s.beans[before:]: b["ob"].scale = [v * size for v in b["ob"].scale]; b["d"] = [round(v * size, 2) for v in b["d"]]
        return out
    S.add_bean = add_bean
    return dict(stones=float(r.choice([1.5, 8, 22])), splitfrac=float(r.choice([.03, .08, .3])))


def cuda():
    """Has the GPUs used; a maker's scene begins with the program's settings as they come, so after that."""
    import bpy
    found = bpy.context.preferences.addons["cycles"].preferences; found.compute_device_type = "CUDA"; found.get_devices()
    for d in found.devices: d.use = d.type == "CUDA"


def one(a, n):
    """Renders scene `n` in this process, then turns its truth."""
    k = min(4, os.cpu_count()); os.sched_setaffinity(0, {(k * n + i) % os.cpu_count() for i in range(k)})      # else every library starts threads for all cores, in every process
    text = open(a.maker).read()
    for old, new in (("c.device = 'CPU'", "c.device = 'GPU'; cuda()" if a.gpus else "c.device = 'CPU'"), ("sc.render.threads = 2", "sc.render.threads = %d" % a.threads)):
        if old not in text: sys.exit(f"{a.maker}: has no {old!r}: another scene maker than this was written for")
        text = text.replace(old, new)
    maker = dict(__name__="maker", __file__=a.maker, cuda=cuda); exec(compile(text, a.maker, "exec"), maker); made = os.path.abspath(a.out + "/made"); name = "%s%05d" % (a.kind, n)
    here = os.path.abspath(a.out); os.makedirs(made + "/tmp%d" % n, exist_ok=True); os.chdir(made + "/tmp%d" % n)
    like = conditions(a.kind, n, maker["SOILS"])
    if a.kind == "strange": like.update(strange(maker, n))
    maker["Scene"](like, 1., a.samples).run(made, name)
    subprocess.run([sys.executable, os.path.join(os.path.dirname(os.path.abspath(a.maker)), "convert_truth.py"), made, here, name], check=True); os.chdir(made); os.rmdir("tmp%d" % n); os.remove(f"{made}/{name}.jpg")


def main():
    ap = argparse.ArgumentParser(); ap.add_argument("maker"); ap.add_argument("out"); ap.add_argument("--kind", choices=list(KINDS), default="close"); ap.add_argument("--scenes", default="1:10"); ap.add_argument("--one", type=int)
    for k, d in dict(workers=2, threads=1, gpus=0, seconds=1e9, samples=6).items(): ap.add_argument("--" + k, type=type(d), default=d)
    a = ap.parse_args(); a.maker = os.path.abspath(a.maker); os.makedirs(a.out + "/made", exist_ok=True)
    if a.one is not None: return one(a, a.one)
    first, last = map(int, a.scenes.split(":")); t0 = time.time(); todo = [n for n in range(first, last + 1) if not os.path.exists("%s/%s%05d.json" % (a.out, a.kind, n))]

    def work(n):
        if time.time() - t0 > a.seconds: return
        env = dict(os.environ, OPENBLAS_NUM_THREADS="1", **(dict(CUDA_VISIBLE_DEVICES=str(n % a.gpus)) if a.gpus else {}))
        said = subprocess.run([sys.executable, os.path.abspath(__file__), a.maker, a.out, "--kind", a.kind, "--one", str(n), "--threads", str(a.threads), "--gpus", str(a.gpus), "--samples", str(a.samples)], env=env, capture_output=True, text=True)
        print("%4.0f s %s" % (time.time() - t0, said.stdout.strip().split("\n")[-1] if said.returncode == 0 else f"not {n}: " + said.stderr[-300:]), flush=True)

    with cf.ThreadPoolExecutor(a.workers) as pool: list(pool.map(work, todo))


if __name__ == "__main__":
    main()
