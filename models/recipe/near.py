"""The near look: a small network that judges each hilltop of the first one at twice its scale, where the photo has the pixels.

usage: near.py draw OUT_DIR --first beans.onnx --cutouts DIR --ground DIR [--workers 8] [--seconds 300]      patches of drawn tiles
       near.py cut OUT_DIR NAME=PHOTO_DIR [...] --first beans.onnx [--workers 8] [--watch SECONDS]           patches of photos with truth
       near.py train OUT_DIR PATCH_DIR [...] --val PREFIX,... [--size near] [--minutes 4] [--seed 1]         weights, as .pt and .onnx

A patch is SIDE px square about a hilltop of the first network's heat, at PX_PER_MM; a patch file holds many of one photo or of some tiles:
im (n, SIDE, SIDE, 3) uint8 BGR, y (n,) 1 bean, 0 none, -1 neither (hardly seen, a second hilltop on one bean), split (n,), heat (n,).
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
SIDE = 96               # px of a patch that is kept; turned and shifted at random, the middle IN px go in
IN = 64
LEAST_HEAT = .03        # as `least_heat` of the card
SEEN, IGNORED = .3, .1  # as in train.py


class First:
    """The first network, looking twice, on one core."""

    def __init__(s, file):
        import onnxruntime as ort
        o = ort.SessionOptions(); o.intra_op_num_threads = o.inter_op_num_threads = 1; s.run = ort.InferenceSession(netdef.finished(netdef.first_alone(open(file, "rb").read())), o, providers=["CPUExecutionProvider"]).run

    def heat(s, im):
        """Bean heat, a cell for 2 px, of a BGR picture at the first network's scale."""
        h, w = (-(-v // 16) * 16 for v in im.shape[:2]); im = cv2.copyMakeBorder(im, 0, h - im.shape[0], 0, w - im.shape[1], cv2.BORDER_REPLICATE); one = []
        for x in (im, im[:, ::-1]):
            y = s.run(None, {"x": np.ascontiguousarray(x.transpose(2, 0, 1)[None], np.float32) / 255 - .5})[0][0, :4]
            one.append((1 / (1 + np.exp(-y))).reshape(2, 2, *y.shape[1:]).transpose(2, 0, 3, 1).reshape(h // 2, w // 2))
        return (one[0] + one[1][:, ::-1]) / 2


def hilltops(heat):
    """x, y in px of the first network's picture, and heat, of every cell that is warmest within two."""
    top = (heat >= cv2.dilate(heat, np.ones((5, 5), np.uint8))) & (heat > LEAST_HEAT); y, x = np.nonzero(top)
    return np.stack([2 * x + 1., 2 * y + 1., heat[y, x]], 1)


def patches(first, im, rows, ok=None):
    """Patches about the hilltops of one flat picture at PX_PER_MM with truth `rows` (as in pack.py); `ok`: 255 where there is picture."""
    tops = hilltops(first.heat(cv2.resize(im, None, fx=.5, fy=.5, interpolation=cv2.INTER_AREA))); tops[:, :2] *= 2
    beans = rows[(rows[:, 0] < 2) & (rows[:, 4] >= IGNORED)]; y, split = np.zeros(len(tops), np.int8), np.zeros(len(tops), np.int8)
    if len(beans) and len(tops):
        d = np.hypot(tops[:, None, 0] - beans[None, :, 1], tops[:, None, 1] - beans[None, :, 2]) / np.maximum(1.2 * beans[None, :, 3], 6); taken = set()
        for i in np.argsort(d.min(1)):
            j = int(d[i].argmin())
            if d[i, j] > 1: continue
            y[i] = 1 if beans[j, 4] >= SEEN and j not in taken else -1; split[i] = beans[j, 0]; taken.add(j)
    h = SIDE // 2; wide = cv2.copyMakeBorder(im, h, h, h, h, cv2.BORDER_REPLICATE); out = []; keep = []
    for k, (x, t, _) in enumerate(tops):
        a, b = int(t) - IN // 2, int(x) - IN // 2
        if a < 0 or b < 0 or a + IN > im.shape[0] or b + IN > im.shape[1] or (ok is not None and ok[a:a + IN, b:b + IN].min() == 0): continue      # not all there
        if y[k] == 0 and tops[k, 2] < .1 and k % 4: continue                                       # of the many weak ones, one in four
        out.append(cv2.getRectSubPix(wide, (SIDE, SIDE), (x + h - .5, t + h - .5))); keep.append(k)
    return dict(im=np.array(out, np.uint8).reshape(-1, SIDE, SIDE, 3), y=y[keep], split=split[keep], heat=tops[keep, 2].astype(np.float32))


def keep(path, d):
    np.savez(path + ".part.npz", **d); os.replace(path + ".part.npz", path)


def draw(a, w):
    cv2.setNumThreads(1); os.nice(5); r = np.random.default_rng(a.seed * 1000 + w); first = First(a.first); cut = synth.read_cutouts(a.cutouts, set(range(a.cutouts_from, a.cutouts_to + 1))); gr = [cv2.imread(f) for f in sorted(glob.glob(a.ground + "/*.jpg"))]
    t0, n = time.time(), 0
    while time.time() - t0 < a.seconds:
        some = []
        for _ in range(8):
            try: some.append(patches(first, *synth.tile(r, 512, cut, gr, (), PX_PER_MM, (3.0, 9.0))))
            except cv2.error: continue
        keep(f"{a.out}/{a.name}_{w:02}_{n:04}.npz", {k: np.concatenate([s[k] for s in some]) for k in some[0]}); n += 1


def cut_one(job):
    a, name, f = job; out = "%s/%s_%s.npz" % (a.out, name, os.path.basename(f)[:-5])
    try:
        t = json.load(open(f))
        if os.path.exists(out) or "beans" not in t or t.get("answer") == "refuse" or t["frame"].get("inner_ring_px"): return
        cv2.setNumThreads(1); cut_one.first = getattr(cut_one, "first", None) or First(a.first); im = pack.upright(os.path.join(os.path.dirname(f), t["photo"])); fl, H = pack.flat(im, t, PX_PER_MM)
        rows, _ = pack.rows_of(t, H); ok = cv2.warpPerspective(np.full(im.shape[:2], 255, np.uint8), H, fl.shape[1::-1]); d = patches(cut_one.first, fl, rows, ok); keep(out, d)
        print(os.path.basename(out), fl.shape, len(d["y"]), int((d["y"] > 0).sum()), flush=True)
    except Exception as e: print("not", f, repr(e)[:200], flush=True)


def cut(a):
    t0, done = time.time(), set()
    with mp.Pool(a.workers) as pool:
        while True:
            jobs = [(a, s.split("=")[0], f) for s in a.sets for f in sorted(glob.glob(s.split("=")[1] + "/*.json")) if f not in done]; done |= {j[2] for j in jobs}
            pool.map(cut_one, jobs, 1)
            if time.time() - t0 >= a.watch: break
            time.sleep(2)


def read(folders, prefixes):
    files = [f for d in folders for f in sorted(glob.glob(d + "/*.npz")) if os.path.basename(f).startswith(tuple(prefixes)) and ".part" not in f]
    z = [np.load(f) for f in files]; z = [v for v in z if len(v["y"])]
    return {k: np.concatenate([v[k] for v in z]) for k in ("im", "y", "split", "heat")}, np.concatenate([np.full(len(v["y"]), i) for i, v in enumerate(z)])


def shown(x, dev, gen=None):
    """What goes in: the middle of patches (n, SIDE, SIDE, 3), as they are or, with a generator, turned, shifted, scaled, and with another camera's colours."""
    import torch
    import torch.nn.functional as F
    x = x.to(dev).permute(0, 3, 1, 2).float(); n = len(x); m = (SIDE - IN) // 2
    if gen is None: return x[:, :, m:-m, m:-m] / 255 - .5
    u = lambda *k: torch.rand(*k, device=dev, generator=gen); g = lambda *k: torch.randn(*k, device=dev, generator=gen)
    t, z, f = u(n) * 2 * math.pi, torch.exp(g(n) * .07) * IN / SIDE, torch.where(u(n) < .5, 1., -1.); s = (u(n, 2) * 2 - 1) * 4 / SIDE     # shifted by up to 2 px: hilltops lie a little off
    A = torch.stack([torch.stack([z * torch.cos(t) * f, -z * torch.sin(t), s[:, 0]], 1), torch.stack([z * torch.sin(t) * f, z * torch.cos(t), s[:, 1]], 1)], 1)
    x = F.grid_sample(x, F.affine_grid(A, (n, 3, IN, IN), align_corners=False), mode="bicubic", padding_mode="reflection", align_corners=False).clamp(0, 255) / 255
    x = x ** torch.exp(g(n, 1, 1, 1) * .2) * torch.exp(g(n, 1, 1, 1) * .2) * torch.exp(g(n, 3, 1, 1) * .06)
    y = x.mean(1, keepdim=True); x = y + (x - y) * torch.exp(g(n, 1, 1, 1) * .25); y = x.mean((1, 2, 3), keepdim=True); x = y + (x - y) * torch.exp(g(n, 1, 1, 1) * .15)
    b = F.avg_pool2d(F.pad(x, (1, 1, 1, 1), mode="replicate"), 3, 1); x = torch.lerp(x, b, (u(n, 1, 1, 1) * 2.2 - 1).clamp(-.5, 1))           # blurred or sharpened
    return (x + g(*x.shape) * u(n, 1, 1, 1) * .03).clamp(0, 1) - .5


def train(a):
    import torch
    import torch.nn.functional as F
    dev = "cuda" if torch.cuda.is_available() else "cpu"; torch.manual_seed(a.seed); torch.backends.cudnn.benchmark = True; t0 = time.time()
    d, photo = read(a.sets, a.train.split(",")); use = np.nonzero(d["y"] >= 0)[0]; x, y, sp = torch.from_numpy(d["im"][use]).to(dev), torch.from_numpy(d["y"][use]).float().to(dev), torch.from_numpy(d["split"][use]).float().to(dev)
    vals = {v: read(a.sets, [v])[0] for v in a.val.split(",")}; print("%.0f s: %d patches, %d beans, of %d files; to judge by:" % (time.time() - t0, len(y), y.sum(), photo.max() + 1), {k: (len(v["y"]), int((v["y"] > 0).sum())) for k, v in vals.items()}, flush=True)
    ls = netdef.near_layers(a.size); m = netdef.torch_net(ls).to(dev).to(memory_format=torch.channels_last); opt = torch.optim.AdamW(m.parameters(), a.lr, weight_decay=2e-2); ema = {k: v.clone() for k, v in m.state_dict().items()}; gen = torch.Generator(device=dev); gen.manual_seed(a.seed); step, seen = 0, []
    said = lambda x: m(x)[:, :, 1:3, 1:3].mean((2, 3)).float()

    def judge():
        now = {k: v.clone() for k, v in m.state_dict().items()}; m.load_state_dict(ema); m.eval(); out = {}
        for k, v in vals.items():
            with torch.no_grad(): l = torch.cat([said(shown(torch.from_numpy(v["im"][i:i + 2048]), dev).contiguous(memory_format=torch.channels_last))[:, 0] for i in range(0, len(v["y"]), 2048)]).cpu().numpy()
            q = v["y"] >= 0; h = np.log(v["heat"] / (1 - v["heat"])); out[k] = dict(near=figures(l[q], v["y"][q]), first=figures(h[q], v["y"][q]), both=figures((1.2 * l + h)[q], v["y"][q])); np.savez(f"{a.out}/{a.size}_{k}.npz", near=l, y=v["y"], heat=v["heat"])
        m.train(); m.load_state_dict(now); return out

    while (f := (time.time() - t0) / 60 / a.minutes) < 1:
        for gr in opt.param_groups: gr["lr"] = a.lr * min(1, step / 300) * .5 * (1 + math.cos(math.pi * f)) + 1e-6
        i = torch.randint(len(y), (a.batch,), device=dev, generator=gen); z = said(shown(x[i], dev, gen).contiguous(memory_format=torch.channels_last)); t = y[i]
        loss = F.binary_cross_entropy_with_logits(z[:, 0], t) + .2 * (F.binary_cross_entropy_with_logits(z[:, 1], sp[i], reduction="none") * t).sum() / t.sum().clamp(min=1)
        opt.zero_grad(set_to_none=True); loss.backward(); torch.nn.utils.clip_grad_norm_(m.parameters(), 5); opt.step(); step += 1; seen.append(loss.detach())
        k = min(.999, 1 - 4 / (step + 40)); new = m.state_dict(); fl = [n for n, v in new.items() if v.dtype.is_floating_point]; torch._foreach_lerp_([ema[n] for n in fl], [new[n] for n in fl], 1 - k)
        if step % 1000 == 0: print("%4.0f s step %d loss %.4f %s" % (time.time() - t0, step, float(torch.stack(seen[-1000:]).mean()), {k: [v["near"]["f1"], v["first"]["f1"], v["both"]["f1"]] for k, v in judge().items()}), flush=True); seen = []
    print("final", step, json.dumps(judge()), flush=True); m.load_state_dict(ema); m.eval(); torch.save(m.state_dict(), f"{a.out}/{a.size}.pt"); open(f"{a.out}/{a.size}.onnx", "wb").write(netdef.onnx_model(ls, netdef.folded(m)))


def figures(l, y):
    """Best F1 over all cuts, and log loss with the best straight line."""
    o = np.argsort(-l); tp = np.cumsum(y[o] > 0); f = 2 * tp / (np.arange(1, len(o) + 1) + (y > 0).sum()); b = np.zeros(2); X = np.stack([np.ones(len(l)), np.clip(l, -9, 9)], 1)
    for _ in range(30): p = 1 / (1 + np.exp(-X @ b)); b = b + np.linalg.solve((X * (p * (1 - p))[:, None]).T @ X + 1e-3 * np.eye(2), X.T @ (y - p))
    p = np.clip(1 / (1 + np.exp(-X @ b)), 1e-6, 1 - 1e-6)
    return dict(f1=round(float(f.max()), 4), log_loss=round(float(-(y * np.log(p) + (1 - y) * np.log(1 - p)).mean()), 4))


def main():
    ap = argparse.ArgumentParser(); ap.add_argument("what", choices=["draw", "cut", "train"]); ap.add_argument("out"); ap.add_argument("sets", nargs="*")
    for k, d in dict(first="", cutouts="", ground="", name="drawn", train="drawn", val="", size="near").items(): ap.add_argument("--" + k, default=d)
    for k, d in dict(workers=8, seed=1, batch=1024, cutouts_from=1, cutouts_to=22).items(): ap.add_argument("--" + k.replace("_", "-"), type=int, default=d)
    for k, d in dict(seconds=300, watch=0, minutes=4, lr=2e-3).items(): ap.add_argument("--" + k, type=float, default=d)
    a = ap.parse_args(); os.makedirs(a.out, exist_ok=True)
    if a.what == "cut": cut(a)
    elif a.what == "train": train(a)
    else:
        ps = [mp.Process(target=draw, args=(a, w)) for w in range(a.workers)]
        for p in ps: p.start()
        for p in ps: p.join()


if __name__ == "__main__":
    main()
