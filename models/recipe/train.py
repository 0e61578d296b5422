"""Trains the network. usage: train.py --pack DIR --cutouts DIR --ground DIR --out DIR [--minutes 8] [--seed 1] [--train PREFIX,...] [--val PREFIX,...]

Synthetic tiles are made by worker processes all the while and join a pool on the GPU; photo tiles are cut,
turned and scaled on the GPU from the flat photos of pack.py. Time, not epochs, ends it; the seed fixes the start.
"""
import argparse
import glob
import json
import math
import mmap
import os
import time

import cv2
import numpy as np
import torch
import torch.nn.functional as F
import torch.multiprocessing as mp

import net as netdef
import synth
from synth import PX_PER_MM

N = 256          # tile, px
MOST = 192       # objects a tile at most
DEV = "cuda" if torch.cuda.is_available() else "cpu"
SEEN, IGNORED = 0.3, 0.1   # share visible from which an object counts; below IGNORED it is nothing


class Ring:
    """Tiles in memory shared with the workers: each writes its own slots and counts them."""

    def __init__(s, workers, slots):
        s.slots, s.workers = slots, workers
        s.im = np.frombuffer(mmap.mmap(-1, workers * slots * 3 * N * N), np.uint8).reshape(workers, slots, N, N, 3)
        s.rows = np.frombuffer(mmap.mmap(-1, workers * slots * MOST * 32), np.float32).reshape(workers, slots, MOST, 8)
        s.made, s.seen = (np.frombuffer(mmap.mmap(-1, workers * 8), np.int64) for _ in range(2)); s.taken = [0] * workers

    def put(s, w, im, rows):
        i = s.made[w] % s.slots; s.im[w, i] = im; s.rows[w, i] = -1; k = min(MOST, len(rows)); s.rows[w, i, :k] = rows[:k]; s.made[w] += 1

    def new(s, w):
        """Slots of worker w filled since last asked."""
        a, b = s.taken[w], int(s.made[w]); s.taken[w] = b; s.seen[w] = b
        return [k % s.slots for k in range(max(a, b - s.slots), b)]


def worker(w, ring, a, photo_tiles):
    cv2.setNumThreads(1); torch.set_num_threads(1); os.nice(5)
    r = np.random.default_rng(a.seed * 1000 + w)
    if photo_tiles: photos = Photos(a.pack, a.train.split(","))
    else:
        cut = synth.read_cutouts(a.cutouts, set(range(1, a.cutouts_to + 1))); gr = [cv2.imread(f) for f in sorted(glob.glob(a.ground + "/*.jpg"))]
    while True:
        try: im, rows = photos.cut(r) if photo_tiles else synth.tile(r, N, cut, gr)
        except cv2.error: continue
        while ring.made[w] - ring.seen[w] > ring.slots: time.sleep(.01)
        ring.put(w, im, rows)


class Photos:
    """Flat photos of pack.py whose names start with one of the prefixes."""

    def __init__(s, pack, prefixes):
        s.items = []
        for f in sorted(glob.glob(pack + "/*.npz")):
            n = os.path.basename(f)
            if not any(n.startswith(p) for p in prefixes): continue
            z = np.load(f); im = cv2.imread(f[:-4] + ".webp"); m = cv2.imread(f[:-4] + "_m.png", 0)
            s.items.append(dict(name=n[:-4], im=im, m=m, rows=z["rows"], pods=bool(z["pods"]), k=float(z["scale"]), inside=z["inside"], corners=z["corners"]))
        w = np.array([len(i["rows"]) ** .5 + 8 for i in s.items]); s.w = w / w.sum() if len(w) else w

    def cut(s, r):
        """One tile, turned, mirrored and scaled at random, with its rows."""
        it = s.items[r.choice(len(s.items), p=s.w)]; h, w = it["im"].shape[:2]
        z = 1 / it["k"] * math.exp(r.normal(0, .10))
        for _ in range(12):
            cx, cy = r.uniform(0, w), r.uniform(0, h)
            if len(it["rows"]) and r.random() < .5: cx, cy = np.clip(it["rows"][r.integers(len(it["rows"])), 1:3] + r.uniform(-70, 70, 2), 0, [w - 1, h - 1])
            if it["m"][min(int(cy / 4), it["m"].shape[0] - 1), min(int(cx / 4), it["m"].shape[1] - 1)] > 0: break
        a = r.uniform(0, 2 * math.pi); fl = 1 if r.random() < .5 else -1; c, sn = math.cos(a), math.sin(a)
        A = np.array([[fl * z * c, fl * z * sn, 0], [-z * sn, z * c, 0]]); A[:, 2] = N / 2 - A[:, :2] @ [cx, cy]
        B = A.copy(); B[:, 2] += A[:, :2] @ [.5, .5] - .5      # pixel centres
        im = cv2.warpAffine(it["im"], B, (N, N), flags=cv2.INTER_CUBIC if r.random() < .5 else cv2.INTER_LINEAR)
        R = it["rows"].copy(); R[:, 1:3] = R[:, 1:3] @ A[:, :2].T + A[:, 2]; R[:, 3] *= z; R[:, 6] *= z; R[:, 7] = (R[:, 7] - a) * fl
        return im, R[(R[:, 1] > -8) & (R[:, 1] < N + 8) & (R[:, 2] > -8) & (R[:, 2] < N + 8)]


def augment(x, rows, gen, flip):
    """x float 0..255 BGR on the GPU."""
    B = x.shape[0]; u = lambda *s: torch.rand(*s, device=DEV, generator=gen); nrm = lambda *s: torch.randn(*s, device=DEV, generator=gen)
    if flip:
        k = int(u(1) * 4); x = torch.rot90(x, k, (2, 3))
        for _ in range(k):
            rx, ry, ra = rows[..., 1].clone(), rows[..., 2].clone(), rows[..., 7].clone(); v = rows[..., 0] >= 0
            rows[..., 1] = torch.where(v, ry, rx); rows[..., 2] = torch.where(v, N - rx, ry); rows[..., 7] = torch.where(v, ra - math.pi / 2, ra)
        if u(1) < .5:
            x = x.flip(3); v = rows[..., 0] >= 0; rows[..., 1] = torch.where(v, N - rows[..., 1], rows[..., 1]); rows[..., 7] = torch.where(v, math.pi - rows[..., 7], rows[..., 7])
    x = x / 255
    x = x.clamp(0, 1) ** torch.exp(nrm(B, 1, 1, 1) * .18)
    x = x * torch.exp(nrm(B, 1, 1, 1) * .15) * torch.exp(nrm(B, 3, 1, 1) * .05)
    g = x.mean(1, keepdim=True); x = g + (x - g) * torch.exp(nrm(B, 1, 1, 1) * .25)
    m = x.mean((1, 2, 3), keepdim=True); x = m + (x - m) * torch.exp(nrm(B, 1, 1, 1) * .15)
    if u(1) < .35:
        s = float(u(1)) * 1.0 + .3; k = torch.exp(-torch.arange(-3, 4, device=DEV).float() ** 2 / 2 / s ** 2); k = k / k.sum()
        x = F.conv2d(F.conv2d(F.pad(x, (3, 3, 3, 3), mode="reflect"), k.view(1, 1, 1, 7).repeat(3, 1, 1, 1), groups=3), k.view(1, 1, 7, 1).repeat(3, 1, 1, 1), groups=3)
    x = x + nrm(*x.shape) * u(B, 1, 1, 1) * .02
    return x.clamp(0, 1) - .5, rows


OFF = torch.stack(torch.meshgrid(torch.arange(-4, 5), torch.arange(-4, 5), indexing="ij"), -1).reshape(-1, 2).to(DEV)


def targets(rows, pods_known):
    """heat (B,2,N/2,N/2), weight same, and rows in half-resolution cells."""
    B = rows.shape[0]; S = N // 2
    heat = torch.zeros(B * 2 * S * S + 1, device=DEV); dead = torch.zeros(B * 2 * S * S + 1, device=DEV)
    cx, cy = rows[..., 1] / 2 - .5, rows[..., 2] / 2 - .5; kind = rows[..., 0]; vis = rows[..., 4]
    cls = (kind == 2).long(); b = torch.arange(B, device=DEV)[:, None].expand_as(cx)
    good, ign = (kind >= 0) & (vis >= SEEN), (kind >= 0) & (vis >= IGNORED) & (vis < SEEN)
    ix, iy = torch.round(cx).long()[..., None] + OFF[:, 1], torch.round(cy).long()[..., None] + OFF[:, 0]
    ins = (ix >= 0) & (ix < S) & (iy >= 0) & (iy < S); d2 = (ix - cx[..., None]) ** 2 + (iy - cy[..., None]) ** 2
    sg = torch.where(cls == 1, 1.6, 1.05)[..., None]; v = torch.exp(-d2 / 2 / sg ** 2); v[..., 40] = 1
    idx = ((b * 2 + cls)[..., None] * S + iy) * S + ix; off = B * 2 * S * S
    heat.scatter_reduce_(0, torch.where(good[..., None] & ins, idx, off).reshape(-1), v.reshape(-1), "amax")
    dead.scatter_reduce_(0, torch.where(ign[..., None] & ins & (d2 < 12), idx, off).reshape(-1), torch.ones_like(v).reshape(-1), "amax")
    heat, dead = heat[:-1].view(B, 2, S, S), dead[:-1].view(B, 2, S, S)
    wt = torch.where(heat > .3, torch.ones_like(heat), 1 - dead)
    wt[:, 1] *= pods_known[:, None, None]
    return heat, wt, (b, cls, cx, cy, good)


def split_out(y):
    """raw (B,15,h,w) -> heat logits (B,2,2h,2w), the rest (B,7,h,w)."""
    return F.pixel_shuffle(y[:, :8], 2), y[:, 8:]


def loss_of(y, rows, pods_known):
    lo, rest = split_out(y); heat, wt, (b, cls, cx, cy, good) = targets(rows, pods_known)
    p = torch.sigmoid(lo.float()).clamp(1e-4, 1 - 1e-4); pos = (heat == 1).float()
    l = -(pos * (1 - p) ** 2 * torch.log(p) + (1 - pos) * (1 - heat) ** 4 * p ** 2 * torch.log(1 - p)) * wt
    n = pos.sum((0, 2, 3)).clamp(min=8); hl = (l.sum((0, 2, 3)) / n * torch.tensor([1.0, 1.0], device=DEV)).sum()
    S = rest.shape[-1]; qx, qy = (cx / 2).floor().long(), (cy / 2).floor().long()
    k = good & (qx >= 0) & (qx < S) & (qy >= 0) & (qy < S) & (cls == 0); v = rest[b[k], :, qy[k], qx[k]].float(); r = rows[k]
    el = F.binary_cross_entropy_with_logits(v[:, 0], r[:, 0]) * .3 + F.smooth_l1_loss(v[:, 1], torch.log(r[:, 3].clamp(min=1) / PX_PER_MM)) + .3 * F.binary_cross_entropy_with_logits(v[:, 2], r[:, 4]) if k.any() else 0
    k = good & (qx >= 0) & (qx < S) & (qy >= 0) & (qy < S) & (cls == 1)
    if k.any():
        v = rest[b[k], :, qy[k], qx[k]].float(); r = rows[k]
        el = el + .2 * F.smooth_l1_loss(v[:, 3], r[:, 5]) + .3 * F.smooth_l1_loss(v[:, 4], torch.log(r[:, 6].clamp(min=4) / PX_PER_MM)) + .3 * F.smooth_l1_loss(v[:, 5:7], torch.stack([torch.cos(2 * r[:, 7]), torch.sin(2 * r[:, 7])], 1))
    return hl + el, hl.detach()


def peaks(heat, rad=2, least=.05):
    """heat (H,W) probabilities -> x, y in cells, p."""
    m = F.max_pool2d(heat[None, None], 2 * rad + 1, 1, rad)[0, 0]; k = (heat == m) & (heat > least); ys, xs = torch.nonzero(k, as_tuple=True)
    P = F.pad(heat[None, None], (1, 1, 1, 1), mode="replicate")[0, 0]
    def sub(a, b, c): d = a - 2 * b + c; return torch.where(d < -1e-6, ((a - c) / 2 / d).clamp(-.5, .5), torch.zeros_like(d))
    ox = sub(P[ys + 1, xs], P[ys + 1, xs + 1], P[ys + 1, xs + 2]); oy = sub(P[ys, xs + 1], P[ys + 1, xs + 1], P[ys + 2, xs + 1])
    return xs + ox, ys + oy, heat[k]


def match(D, T, tol):
    """greedy by distance / tolerance, one to one: arrays (n,2), (m,2), (m,) -> index of truth or -1."""
    out = np.full(len(D), -1); used = set()
    if len(D) and len(T):
        d = np.linalg.norm(D[:, None] - T[None], axis=2) / tol[None]; ij = np.argwhere(d <= 1)
        for i, j in ij[np.argsort(d[ij[:, 0], ij[:, 1]], kind="stable")]:
            if out[i] < 0 and j not in used: out[i] = j; used.add(j)
    return out


@torch.no_grad()
def look(net, items):
    """Runs the net over whole val plots; a row per peak: photo, class, x, y, p, hit (1 right, 0 wrong, -1 does not matter), rest..."""
    net.eval(); rows, truths = [], {}
    for n, it in enumerate(items):
        im = torch.from_numpy(it["im"]).to(DEV).permute(2, 0, 1); h, w = im.shape[1:]; H, W = (h + 7) // 8 * 8, (w + 7) // 8 * 8
        x = F.pad(im[None].float() / 255, (0, W - w, 0, H - h), mode="replicate") - .5
        lo, rest = split_out(net(x).float()); heat = torch.sigmoid(lo)[0]
        T = it["rows"]; ins = it["inside"]; c = it["corners"].astype(np.float32)
        for cls in (0, 1):
            if cls and not it["pods"]: continue
            X, Y, P = peaks(heat[cls], 2 if cls == 0 else 6)
            D = torch.stack([X, Y], 1).cpu().numpy() * 2 + 1; P = P.cpu().numpy()
            keep = np.array([cv2.pointPolygonTest(c.reshape(-1, 1, 2), (float(a), float(b)), False) >= 0 for a, b in D], bool) if len(D) else np.zeros(0, bool); D, P = D[keep], P[keep]
            R = rest[0, :, (torch.tensor(D[:, 1] / 4).long()).clamp(0, H // 4 - 1), (torch.tensor(D[:, 0] / 4).long()).clamp(0, W // 4 - 1)].cpu().numpy() if len(D) else np.zeros((7, 0))
            tk = (T[:, 0] == 2) if cls else (T[:, 0] < 2); must = tk & ins & (T[:, 4] >= .5); soft = tk & ~must
            tol = lambda k: np.maximum(.45 * T[k][:, 6], 4) if cls else np.maximum(1.2 * T[k][:, 3], 3)
            m = match(D, T[must][:, 1:3], tol(must)); rest_i = np.nonzero(m < 0)[0]; s = match(D[rest_i], T[soft][:, 1:3], tol(soft))
            hit = (m >= 0).astype(int); hit[rest_i[s >= 0]] = -1
            for i in range(len(D)): rows.append((n, cls, D[i, 0], D[i, 1], P[i], hit[i], *R[:, i]))
            truths[(n, cls)] = (int(must.sum()), int((tk & ins & (T[:, 4] >= .3)).sum()))
    net.train(); return np.array(rows).reshape(-1, 13), truths


def figures(rows, truths, items, which, cls):
    ns = [n for n, it in enumerate(items) if it["name"].startswith(which) and (n, cls) in truths]
    r = rows[np.isin(rows[:, 0], ns) & (rows[:, 1] == cls)]; tot = sum(truths[(n, cls)][0] for n in ns); best = (0, 0)
    for t in np.arange(.1, .8, .02):
        k = r[:, 4] >= t; tp, fp = (r[k, 5] == 1).sum(), (r[k, 5] == 0).sum(); f = 2 * tp / max(1, tp + fp + tot)
        best = max(best, (f, t))
    return dict(f1=round(float(best[0]), 4), at=round(float(best[1]), 2), truths=tot)


def main():
    ap = argparse.ArgumentParser()
    for k, d in dict(pack=None, cutouts=None, ground=None, out=None, train="rend", val="val", start="").items(): ap.add_argument("--" + k, default=d)
    ap.add_argument("--minutes", type=float, default=8); ap.add_argument("--seed", type=int, default=1); ap.add_argument("--workers", type=int, default=15)
    ap.add_argument("--batch", type=int, default=64); ap.add_argument("--lr", type=float, default=2e-3); ap.add_argument("--synth", type=float, default=.5); ap.add_argument("--cutouts-to", type=int, default=22)
    a = ap.parse_args(); os.makedirs(a.out, exist_ok=True); t0 = time.time(); torch.manual_seed(a.seed); r = np.random.default_rng(a.seed)
    np_ = max(1, a.workers // 5); ring = Ring(a.workers, 4000); ctx = mp.get_context("fork")
    ps = [ctx.Process(target=worker, args=(i, ring, a, i < np_), daemon=True) for i in range(a.workers)]
    for p in ps: p.start()
    gen = torch.Generator(device=DEV); gen.manual_seed(a.seed)
    val = Photos(a.pack, a.val.split(","))
    ls = netdef.layers(); net = netdef.torch_net(ls).to(DEV).to(memory_format=torch.channels_last)
    with torch.no_grad(): net.c["y"][0].bias[:8] = -4.0
    if a.start: net.load_state_dict(torch.load(a.start, map_location=DEV))
    opt = torch.optim.AdamW(net.parameters(), a.lr, weight_decay=1e-3); ema = {k: v.clone() for k, v in net.state_dict().items()}
    caps = (np_ * 4000, (a.workers - np_) * 4000); pool = [torch.zeros(c, N, N, 3, dtype=torch.uint8, device=DEV) for c in caps]; prow = [torch.zeros(c, MOST, 8, device=DEV) for c in caps]; have = [0, 0]
    print("start", len(val.items), "photos held back; parameters", sum(p.numel() for p in net.parameters()), flush=True)
    step, seen, log, T = 0, [], [], a.minutes * 60
    while time.time() - t0 < T:
        for w in range(a.workers):
            new = ring.new(w); k = 0 if w < np_ else 1
            for lo in range(0, len(new), 64):
                sl = new[lo:lo + 64]; at = torch.tensor([(have[k] + i) % caps[k] for i in range(len(sl))], device=DEV)
                pool[k][at] = torch.from_numpy(ring.im[w, sl]).to(DEV); prow[k][at] = torch.from_numpy(ring.rows[w, sl]).to(DEV); have[k] += len(sl)
        if min(have) < 256: time.sleep(.05); continue
        for _ in range(8):
            parts = []
            for k, ns in ((0, a.batch - int(a.batch * a.synth)), (1, int(a.batch * a.synth))):
                i = torch.randint(min(have[k], caps[k]), (ns,), device=DEV, generator=gen)
                parts.append(augment(pool[k][i].permute(0, 3, 1, 2).float(), prow[k][i].clone(), gen, True))
            x, rows = torch.cat([p[0] for p in parts]), torch.cat([p[1] for p in parts]); known = torch.ones(len(x), device=DEV)
            f = (time.time() - t0) / T; lr = a.lr * min(1, step / 300) * .5 * (1 + math.cos(math.pi * min(1, f))) + 1e-6
            for g in opt.param_groups: g["lr"] = lr
            with torch.autocast(DEV, dtype=torch.bfloat16): y = net(x.contiguous(memory_format=torch.channels_last))
            l, hl = loss_of(y, rows, known); opt.zero_grad(); l.backward(); torch.nn.utils.clip_grad_norm_(net.parameters(), 5); opt.step(); seen.append(hl); step += 1
            if step % 4: continue
            d = min(.997, 1 - 4 / (step + 40))
            for k, v in net.state_dict().items():
                if v.dtype.is_floating_point: ema[k].mul_(d).add_(v, alpha=1 - d)
                else: ema[k].copy_(v)
        if step % 400 == 0: print("%5.0fs step %d loss %.3f tiles %s" % (time.time() - t0, step, float(torch.stack(seen[-200:]).mean()), have), flush=True)
        if step % 2400 == 0:
            keep = {k: v.clone() for k, v in net.state_dict().items()}; net.load_state_dict(ema); rr, tt = look(net, val.items)
            e = {w + ("_pod" if c else ""): figures(rr, tt, val.items, w, c) for w in a.val.split(",") for c in (0, 1) if any(i["name"].startswith(w) and (not c or i["pods"]) for i in val.items)}
            print(json.dumps(e), flush=True); net.load_state_dict(keep)
    net.load_state_dict(ema); rr, tt = look(net, val.items)
    e = {w + ("_pod" if c else ""): figures(rr, tt, val.items, w, c) for w in a.val.split(",") for c in (0, 1) if any(i["name"].startswith(w) and (not c or i["pods"]) for i in val.items)}
    print("final", step, have, json.dumps(e), flush=True)
    torch.save(net.state_dict(), a.out + "/net.pt"); np.savez_compressed(a.out + "/val.npz", rows=rr, truths=np.array([(n, c, *v) for (n, c), v in tt.items()]), names=np.array([i["name"] for i in val.items]))
    w = netdef.folded(net); np.savez_compressed(a.out + "/weights.npz", **{k + s: v for k, (x, y) in w.items() for s, v in ((".w", x), (".b", y))})
    open(a.out + "/beans.onnx", "wb").write(netdef.onnx_model(ls, w))
    for p in ps: p.terminate()


if __name__ == "__main__":
    main()
