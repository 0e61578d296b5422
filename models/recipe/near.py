"""The near look: a small network that judges each hilltop of the first one at twice its scale.

usage: near.py draw OUT_DIR --first beans.onnx --cutouts DIR --ground DIR [--workers 8] [--seconds 300]      patches of drawn tiles
       near.py cut OUT_DIR NAME=PHOTO_DIR [...] --first beans.onnx [--workers 8] [--watch SECONDS] [--coarser 1] [--most 180]      patches of photos with truth
       near.py train OUT_DIR PATCH_DIR [...] --val PREFIX,... [--size near-wide] [--side 64] [--minutes 4] [--seed 1] [--start FILE.pt [--of-start 0.5]]      weights, as .pt and .onnx

A patch is SIDE px square about a hilltop of the first network's heat, at PX_PER_MM; a patch file, NAME_PHOTO.npz, holds many of one photo or of some
tiles: im (n, SIDE, SIDE, 3) uint8 BGR, y (n,) 1 bean, 0 none (beans hardly seen, and second hilltops on one, are left out), split (n,), heat (n,).
With --of-start what is kept is the mean, weight by weight, of so much of what it went on from and the rest of what it became.
With --coarser each photo is cut that often again, made coarser by chance, as if taken from farther away.
"""
import argparse
import glob
import json
import math
import multiprocessing as mp
import os
import time

import cv2
import numpy as np

import net as netdef
import pack
import synth

PX_PER_MM = 2 * synth.PX_PER_MM
SIDE = 136              # px of a patch that is kept; turned and shifted at random, the middle `--side` px go in
MIDDLE = 96             # px about a hilltop that must be in the picture
LEAST_HEAT = .03        # as `least_heat` of the card
SEEN, IGNORED = .3, .1  # as in train.py


class First:
    """The first network, from its ONNX file, on the GPU where there is one."""

    def __init__(s, file):
        import onnx
        import torch
        from onnx import numpy_helper as nh
        torch.set_num_threads(1); torch.backends.cudnn.benchmark = False; s.dev = "cuda:%d" % (os.getpid() % torch.cuda.device_count()) if torch.cuda.is_available() else "cpu"
        v = {i.name: nh.to_array(i) for i in onnx.load(file).graph.initializer}; t = lambda a: torch.tensor(a, dtype=torch.float32, device=s.dev)
        s.w = {k[:-2]: (t(v[k].astype(np.float32) * v[k[:-2] + ".s"][:, None, None, None]), t(v[k[:-2] + ".b"])) for k in v if k.endswith(".q") and not k.startswith("near")}
        s.ls = next(ls for ls in map(netdef.layers, netdef.SIZES) if {n for n, op, _, _ in ls if op == "conv"} == set(s.w))      # whose names the file's are
        s.out = lambda x: netdef.run(s.ls, x, lambda name, x, a: torch.conv2d(x, *s.w[name], a[3], a[2] // 2))

    def heat(s, im, twice=True):
        """Bean heat, a cell for 2 px, of a BGR picture at the first network's scale; looked at mirrored too, or not."""
        import torch
        h, w = (-(-v // 16) * 16 for v in im.shape[:2]); im = cv2.copyMakeBorder(im, 0, h - im.shape[0], 0, w - im.shape[1], cv2.BORDER_REPLICATE); one = []
        with torch.no_grad():
            for x in (im, im[:, ::-1])[:1 + twice]:
                y = torch.sigmoid(s.out(torch.from_numpy(np.ascontiguousarray(x.transpose(2, 0, 1)[None])).to(s.dev).float() / 255 - .5)[0, :4]).cpu().numpy()
                one.append(y.reshape(2, 2, *y.shape[1:]).transpose(2, 0, 3, 1).reshape(h // 2, w // 2))
        return (one[0] + one[1][:, ::-1]) / 2 if twice else one[0]


def hilltops(heat):
    """x, y in px of the first network's picture, and heat, of every cell that is warmest within two."""
    top = (heat >= cv2.dilate(heat, np.ones((5, 5), np.uint8))) & (heat > LEAST_HEAT); y, x = np.nonzero(top)
    return np.stack([2 * x + 1., 2 * y + 1., heat[y, x]], 1)


def patches(first, im, rows, r, ok=None, twice=True, most=180):
    """Patches about the hilltops of one flat picture at PX_PER_MM with truth `rows` (as in pack.py), at most `most` with a bean and likewise without; `ok`: 255 where there is picture."""
    tops = hilltops(first.heat(cv2.resize(im, None, fx=.5, fy=.5, interpolation=cv2.INTER_AREA), twice)); tops[:, :2] *= 2; tops = tops[(tops[:, 0] < im.shape[1]) & (tops[:, 1] < im.shape[0])]      # what is looked at is a little larger
    beans = rows[(rows[:, 0] < 2) & (rows[:, 4] >= IGNORED)]; y, split = np.zeros(len(tops), np.int8), np.zeros(len(tops), np.int8)
    if len(beans) and len(tops):
        d = np.hypot(tops[:, None, 0] - beans[None, :, 1], tops[:, None, 1] - beans[None, :, 2]) / np.maximum(1.2 * beans[None, :, 3], 6); taken = set()
        for i in np.argsort(d.min(1)):
            j = int(d[i].argmin())
            if d[i, j] > 1: continue
            y[i] = 1 if beans[j, 4] >= SEEN and j not in taken else -1; split[i] = beans[j, 0]; taken.add(j)
    h, m = SIDE // 2, MIDDLE // 2; wide = cv2.copyMakeBorder(im, h, h, h, h, cv2.BORDER_REPLICATE); there = np.zeros(im.shape[:2], bool)
    there[m:-m, m:-m] = True if ok is None else cv2.erode(ok, np.ones((MIDDLE, MIDDLE), np.uint8))[m:-m, m:-m] > 0
    use = [i for i, (x, t, heat) in enumerate(tops) if there[int(t), int(x)] and (y[i] or heat >= .1 or r.random() < .25)]      # of the many weak ones without a bean, one in four
    use = sorted(int(i) for v in (1, 0) for i in r.permutation([i for i in use if y[i] == v])[:most])
    cut = [cv2.getRectSubPix(wide, (SIDE, SIDE), (tops[i, 0] + h - .5, tops[i, 1] + h - .5)) for i in use]
    return dict(im=np.array(cut, np.uint8).reshape(-1, SIDE, SIDE, 3), y=y[use], split=split[use], heat=tops[use, 2].astype(np.float32))


def keep(path, d):
    np.savez(path + ".part.npz", **d); os.replace(path + ".part.npz", path)


def draw(a, w):
    cv2.setNumThreads(1); os.nice(5); r = np.random.default_rng(a.seed * 1000 + w); first = First(a.first); cut = synth.read_cutouts(a.cutouts, set(range(a.cutouts_from, a.cutouts_to + 1))); gr = [cv2.imread(f) for f in sorted(glob.glob(a.ground + "/*.jpg"))]
    t0, n = time.time(), 0
    while time.time() - t0 < a.seconds:
        some = []
        for _ in range(8):
            try: some.append(patches(first, *synth.tile(r, 608, cut, gr, (), PX_PER_MM, (1.5, 9.0)), r))
            except cv2.error: continue
        keep(f"{a.out}/{a.name}_{w:02}_{n:04}.npz", {k: np.concatenate([s[k] for s in some]) for k in some[0]}); n += 1


def coarser(im, H, r):
    """A photo as from farther away, by chance down to 1.4 px per mm where it was finer than 1.8; with the map that belongs to it."""
    h, w = im.shape[:2]; c = np.linalg.inv(H); c = cv2.perspectiveTransform(cv2.perspectiveTransform(np.array([[[w / 2, h / 2]]], np.float32), H) + np.array([[[0, 0]], [[PX_PER_MM, 0]]], np.float32), c)
    fine = float(np.linalg.norm(c[1] - c[0]))
    if fine < 1.8: return None
    f = math.exp(r.uniform(math.log(1.4), math.log(.9 * fine))) / fine; small = cv2.resize(im, None, fx=f, fy=f, interpolation=cv2.INTER_AREA)
    if r.random() < .7: small = cv2.addWeighted(small, 1 + (k := r.uniform(0, .6)), cv2.GaussianBlur(small, (0, 0), 1), -k, 0)      # as a phone sharpens
    small = cv2.imdecode(cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, int(r.integers(72, 96))])[1], 1)
    return small, H @ np.diag([w / small.shape[1], h / small.shape[0], 1])


def cut_one(job):
    a, name, f = job; stem = "%s_%s" % (name, os.path.basename(f)[:-5])
    try:
        t = json.load(open(f))
        if os.path.exists(f"{a.out}/{stem}.npz") or "beans" not in t or t.get("answer") == "refuse" or t["frame"].get("inner_ring_px"): return
        cv2.setNumThreads(1); cut_one.first = getattr(cut_one, "first", None) or First(a.first); im = pack.upright(os.path.join(os.path.dirname(f), t["photo"])); fl, H = pack.flat(im, t, PX_PER_MM); rows, _ = pack.rows_of(t, H)
        r = np.random.default_rng([a.seed, *stem.encode()]); done = []
        for k in range(1 + a.coarser):
            pic, M = (im, H) if k == 0 else coarser(im, H, r) or (None, None)
            if pic is None: continue
            if k: fl = cv2.warpPerspective(pic, M, fl.shape[1::-1], flags=cv2.INTER_CUBIC)
            d = patches(cut_one.first, fl, rows, r, cv2.warpPerspective(np.full(pic.shape[:2], 255, np.uint8), M, fl.shape[1::-1]), twice=not a.coarser, most=a.most)      # to train on, one look will do
            keep(f"{a.out}/{stem}{'_coarse%d' % k if k else ''}.npz", d); done += [len(d["y"]), int(d["y"].sum())]
        print(stem, fl.shape, done, flush=True)
    except Exception as e: print("not", f, repr(e)[:200], flush=True)


def cut(a):
    t0, done = time.time(), set()
    with mp.Pool(a.workers) as pool:
        while True:
            jobs = [(a, s.split("=")[0], f) for s in a.sets for f in sorted(glob.glob(s.split("=")[1] + "/*.json")) if f not in done]; done |= {j[2] for j in jobs}
            pool.map(cut_one, jobs, 1)
            if time.time() - t0 >= a.watch: break
            time.sleep(2)


def read(folders, names, side):
    """Patches of `names`, of which only as much as turning needs is kept; and of how many files they are."""
    files = [f for d in folders for f in sorted(glob.glob(d + "/*.npz")) if os.path.basename(f).startswith(tuple(n + "_" for n in names)) and ".part" not in f]; m = (SIDE - min(SIDE, side * 3 // 2)) // 2; got = []
    for f in files:
        try: v = dict(np.load(f))
        except (OSError, ValueError, EOFError): print("not", f); continue
        if len(v["y"]): v["im"] = np.ascontiguousarray(v["im"][:, m:SIDE - m, m:SIDE - m]); got.append(v)
    return {k: np.concatenate([v.pop(k) for v in got]) for k in ("im", "y", "split", "heat")}, len(got)


def shown(x, dev, side, gen=None):
    """What goes in: the middle of patches (n, h, h, 3), as they are or, with a generator, turned, shifted, scaled, and with another camera's colours."""
    import torch
    import torch.nn.functional as F
    x = x.to(dev).permute(0, 3, 1, 2).float(); n, h = len(x), x.shape[2]; m = (h - side) // 2
    if gen is None: return x[:, :, m:m + side, m:m + side] / 255 - .5
    u = lambda *k: torch.rand(*k, device=dev, generator=gen); g = lambda *k: torch.randn(*k, device=dev, generator=gen)
    t, z, f = u(n) * 2 * math.pi, torch.exp(g(n) * .07) * side / h, torch.where(u(n) < .5, 1., -1.); s = (u(n, 2) * 2 - 1) * 4 / h     # shifted by up to 2 px: hilltops lie a little off
    A = torch.stack([torch.stack([z * torch.cos(t) * f, -z * torch.sin(t), s[:, 0]], 1), torch.stack([z * torch.sin(t) * f, z * torch.cos(t), s[:, 1]], 1)], 1)
    x = F.grid_sample(x, F.affine_grid(A, (n, 3, side, side), align_corners=False), mode="bicubic", padding_mode="reflection", align_corners=False).clamp(0, 255) / 255
    x = x ** torch.exp(g(n, 1, 1, 1) * .2) * torch.exp(g(n, 1, 1, 1) * .2) * torch.exp(g(n, 3, 1, 1) * .07)
    y = x.mean(1, keepdim=True); x = y + (x - y) * torch.exp(g(n, 1, 1, 1) * .25); y = x.mean((1, 2, 3), keepdim=True); x = y + (x - y) * torch.exp(g(n, 1, 1, 1) * .15)
    b = F.avg_pool2d(F.pad(x, (1, 1, 1, 1), mode="replicate"), 3, 1); x = torch.lerp(x, b, (u(n, 1, 1, 1) * 2.2 - 1).clamp(-.5, 1))           # blurred or sharpened
    return (x + g(*x.shape) * u(n, 1, 1, 1) * .03).clamp(0, 1) - .5


def train(a):
    import torch
    import torch.nn.functional as F
    dev = "cuda" if torch.cuda.is_available() else "cpu"; torch.manual_seed(a.seed); torch.backends.cudnn.benchmark = True; t0 = time.time(); name = "%s-%d" % (a.size, a.side)
    d, files = read(a.sets, a.train.split(","), a.side); x, y, sp = torch.from_numpy(d["im"]).to(dev), torch.from_numpy(d["y"]).float().to(dev), torch.from_numpy(d["split"]).float().to(dev); del d
    vals = {v: read(a.sets, [v], a.side)[0] for v in a.val.split(",")}; print("%.0f s: %d patches, %d beans, in %d files; to judge by:" % (time.time() - t0, len(y), y.sum(), files), {k: (len(v["y"]), int((v["y"] > 0).sum())) for k, v in vals.items()}, flush=True)
    ls = netdef.near_layers(a.size); m = netdef.torch_net(ls).to(dev).to(memory_format=torch.channels_last)
    if a.start: m.load_state_dict(torch.load(a.start, map_location=dev))
    opt = torch.optim.AdamW(m.parameters(), a.lr, weight_decay=2e-2); ema = {k: v.clone() for k, v in m.state_dict().items()}; gen = torch.Generator(device=dev); gen.manual_seed(a.seed); step, seen, mid = 0, [], a.side // 32
    said = lambda x: m(x)[:, :, mid - 1:mid + 1, mid - 1:mid + 1].float().mean((2, 3)); ch = lambda t: t.contiguous(memory_format=torch.channels_last)

    def judge():
        now = {k: v.clone() for k, v in m.state_dict().items()}; m.load_state_dict(ema); m.eval(); out = {}
        for k, v in vals.items():
            with torch.no_grad(): l = torch.cat([said(ch(shown(torch.from_numpy(v["im"][i:i + 2048]), dev, a.side)))[:, 0] for i in range(0, len(v["y"]), 2048)]).cpu().numpy()
            h = np.log(v["heat"] / (1 - v["heat"])); out[k] = dict(near=figures(l, v["y"]), first=figures(h, v["y"]), both=figures(1.2 * l + h, v["y"])); np.savez(f"{a.out}/{name}_{k}.npz", near=l, y=v["y"], heat=v["heat"])
        m.train(); m.load_state_dict(now); return out

    while (f := (time.time() - t0) / 60 / a.minutes) < 1:
        for gr in opt.param_groups: gr["lr"] = a.lr * min(1, step / 300) * .5 * (1 + math.cos(math.pi * f)) + 1e-6
        i = torch.randint(len(y), (a.batch,), device=dev, generator=gen); z = said(ch(shown(x[i], dev, a.side, gen))); t = y[i]
        loss = F.binary_cross_entropy_with_logits(z[:, 0], t) + .2 * (F.binary_cross_entropy_with_logits(z[:, 1], sp[i], reduction="none") * t).sum() / t.sum().clamp(min=1)
        opt.zero_grad(set_to_none=True); loss.backward(); torch.nn.utils.clip_grad_norm_(m.parameters(), 5); opt.step(); step += 1; seen.append(loss.detach())
        k = min(.999, 1 - 4 / (step + 40)); new = m.state_dict(); fl = [n for n, v in new.items() if v.dtype.is_floating_point]; torch._foreach_lerp_([ema[n] for n in fl], [new[n] for n in fl], 1 - k)
        if step % 2000 == 0: print("%4.0f s step %d loss %.4f %s" % (time.time() - t0, step, float(torch.stack(seen[-2000:]).mean()), {k: [v["near"]["f1"], v["first"]["f1"], v["both"]["f1"], v["both"]["log_loss"]] for k, v in judge().items()}), flush=True); seen = []
    print("final", name, step, json.dumps(judge()), flush=True)
    if a.of_start:
        was = torch.load(a.start, map_location=dev); ema = {k: torch.lerp(v, was[k], a.of_start) if v.dtype.is_floating_point else v for k, v in ema.items()}
        print("with %g of the start" % a.of_start, json.dumps(judge()), flush=True)
    m.load_state_dict(ema); m.eval(); torch.save(m.state_dict(), f"{a.out}/{name}.pt"); open(f"{a.out}/{name}.onnx", "wb").write(netdef.onnx_model(ls, netdef.folded(m)))


def figures(l, y):
    """Best F1 over all cuts, and log loss with the best straight line."""
    o = np.argsort(-l); tp = np.cumsum(y[o] > 0); f = 2 * tp / (np.arange(1, len(o) + 1) + (y > 0).sum()); b = np.zeros(2); X = np.stack([np.ones(len(l)), np.clip(l, -9, 9)], 1)
    for _ in range(30): p = 1 / (1 + np.exp(-X @ b)); b = b + np.linalg.solve((X * (p * (1 - p))[:, None]).T @ X + 1e-3 * np.eye(2), X.T @ (y - p))
    p = np.clip(1 / (1 + np.exp(-X @ b)), 1e-6, 1 - 1e-6)
    return dict(f1=round(float(f.max()), 4), log_loss=round(float(-(y * np.log(p) + (1 - y) * np.log(1 - p)).mean()), 4))


def main():
    ap = argparse.ArgumentParser(); ap.add_argument("what", choices=["draw", "cut", "train"]); ap.add_argument("out"); ap.add_argument("sets", nargs="*")
    for k, d in dict(first="", cutouts="", ground="", name="drawn", train="drawn", val="", size="near", start="").items(): ap.add_argument("--" + k, default=d)
    for k, d in dict(workers=8, seed=1, batch=1024, cutouts_from=1, cutouts_to=22, side=64, coarser=0, most=180).items(): ap.add_argument("--" + k.replace("_", "-"), type=int, default=d)
    for k, d in dict(seconds=300, watch=0, minutes=4, lr=2e-3, of_start=0).items(): ap.add_argument("--" + k.replace("_", "-"), type=float, default=d)
    a = ap.parse_args(); os.makedirs(a.out, exist_ok=True)
    if a.what == "cut": cut(a)
    elif a.what == "train": train(a)
    else:
        ps = [mp.Process(target=draw, args=(a, w)) for w in range(a.workers)]
        for p in ps: p.start()
        for p in ps: p.join()


if __name__ == "__main__":
    main()
