"""Trains the networks. usage: train.py --pack DIR --cutouts DIR --ground DIR --out DIR [--minutes 8] [--seed 1] [--train PREFIX,...] [--val PREFIX,...] [--sizes grand,fine] [--grow SMALLER.pt]

All sizes see the same tiles at the same time; each after the first also learns what the first, the largest, sees (distillation).
Drawn tiles are made by worker processes all the while and join a pool on the GPU; photo tiles are cut, turned and scaled on the
GPU from the flat photos of pack.py. Time, not epochs, ends it; the seed fixes the start.
"""
import argparse
import glob
import json
import math
import mmap
import os
import queue
import threading
import time
import zlib

import cv2
import numpy as np
import torch
import torch.distributed as dist
import torch.multiprocessing as mp
import torch.nn.functional as F

import net as netdef
import synth
from synth import PX_PER_MM

N = 256          # tile, px
MOST = 192       # objects a tile at most
RANK, WORLD = int(os.environ.get("RANK", 0)), int(os.environ.get("WORLD_SIZE", 1))      # as torchrun sets them: one process a GPU
DEV = "cuda" if torch.cuda.is_available() else "cpu"
if DEV == "cuda": torch.cuda.set_device(RANK)
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


def worker(w, ring, a):
    cv2.setNumThreads(1); torch.set_num_threads(1); os.nice(10)
    r = np.random.default_rng(a.seed * 1000 + RANK * 100 + w)
    cut = synth.read_cutouts(a.cutouts, set(range(1, a.cutouts_to + 1))); gr = [cv2.imread(f) for f in sorted(glob.glob(a.ground + "/*.jpg"))]
    known = packed(a.pack, a.train.split(",")); laid_on = [p for p in (read_pack(known[i]) for i in r.permutation(len(known))[:24]) if p["pods"]]
    while True:
        try: im, rows = synth.tile(r, N, cut, gr, laid_on)
        except cv2.error: continue
        while ring.made[w] - ring.seen[w] > ring.slots: time.sleep(.01)
        ring.put(w, im, rows)


def read_pack(f):
    z = np.load(f); im = cv2.imread(f[:-4] + ".webp"); m = cv2.imread(f[:-4] + "_m.png", 0)
    return dict(name=os.path.basename(f)[:-4], im=im, m=m, rows=z["rows"], pods=bool(z["pods"]), k=float(z["scale"]), inside=z["inside"], corners=z["corners"])


def packed(pack, prefixes):
    """Files of flat photos whose names start with one of the prefixes."""
    return [f for f in sorted(glob.glob(pack + "/*.npz")) if any(os.path.basename(f).startswith(p) for p in prefixes)]


def mine(f):
    """Whether this process of several is the one that cuts tiles from that photo."""
    return zlib.crc32(os.path.basename(f).encode()) % WORLD == RANK


def photos(files, workers=8):
    with mp.get_context("fork").Pool(workers) as pool: return pool.map(read_pack, files, 2)


class Crops:
    """Overlapping squares of flat photos, on the GPU, from which tiles are cut."""

    SIDE, STEP = 400, 240

    def __init__(s, items, room=55000):
        s.names, s.n = set(), 0
        z = lambda *k: torch.zeros(room, *k, device=DEV)
        s.im = torch.empty(room, s.SIDE, s.SIDE, 3, dtype=torch.uint8, device=DEV); s.rows, s.scale, s.weight, s.known = z(MOST, 8), z(), z(), z()
        for it in items: s.add(it)

    def add(s, it):
        """Cuts one flat photo up."""
        h, w = it["im"].shape[:2]; ims, rows, weight = [], [], []; s.names.add(it["name"])
        for y in range(0, max(1, h - s.SIDE + s.STEP), s.STEP):
            for x in range(0, max(1, w - s.SIDE + s.STEP), s.STEP):
                y0, x0 = max(0, min(y, h - s.SIDE)), max(0, min(x, w - s.SIDE)); c = it["im"][y0:y0 + s.SIDE, x0:x0 + s.SIDE]
                if it["m"][y0 // 4:(y0 + s.SIDE) // 4, x0 // 4:(x0 + s.SIDE) // 4].mean() < 235: continue
                if c.shape[:2] != (s.SIDE, s.SIDE): c = cv2.copyMakeBorder(c, 0, s.SIDE - c.shape[0], 0, s.SIDE - c.shape[1], cv2.BORDER_REFLECT)
                R = it["rows"]; R = R[(R[:, 1] > x0 - 8) & (R[:, 1] < x0 + s.SIDE + 8) & (R[:, 2] > y0 - 8) & (R[:, 2] < y0 + s.SIDE + 8)].copy(); R[:, 1] -= x0; R[:, 2] -= y0
                o = np.full((MOST, 8), -1, np.float32); n = min(MOST, len(R)); o[:n] = R[:n]; ims.append(c); rows.append(o); weight.append(n ** .5 + 2.5 + 2 * (R[:, 0] == 2).sum())
        i, j = s.n, min(len(s.im), s.n + len(ims))
        if j <= i: return
        t = lambda v: torch.tensor(np.array(v[:j - i]), device=DEV)
        s.im[i:j], s.rows[i:j], s.weight[i:j], s.scale[i:j], s.known[i:j], s.n = t(ims), t(rows), t(weight).float(), it["k"], float(it["pods"]), j

    def cut(s, n, gen):
        """n tiles (n,3,N,N) 0..255, turned, mirrored and scaled at random, their rows, and whether their pods are known."""
        u = lambda *k: torch.rand(*k, device=DEV, generator=gen)
        i = torch.multinomial(s.weight[:s.n], n, True, generator=gen); z = torch.exp(torch.randn(n, device=DEV, generator=gen) * .10).clamp(.8, 1.3) / s.scale[i]
        a = u(n) * 2 * math.pi; fl = torch.where(u(n) < .5, 1.0, -1.0); c, sn = torch.cos(a), torch.sin(a); h = N / 2 / z
        room = ((s.SIDE / 2 - h * (c.abs() + sn.abs()))).clamp(min=0); cx, cy = s.SIDE / 2 + (u(n) * 2 - 1) * room, s.SIDE / 2 + (u(n) * 2 - 1) * room
        # tile = A (crop - centre) + N/2; the grid needs the way back, in -1..1
        A = torch.stack([torch.stack([fl * z * c, fl * z * sn], 1), torch.stack([-z * sn, z * c], 1)], 1); back = torch.linalg.inv(A)
        th = torch.cat([back * N / s.SIDE, torch.stack([cx, cy], 1)[:, :, None] * 2 / s.SIDE - 1], 2)
        x = F.grid_sample(s.im[i].permute(0, 3, 1, 2).float(), F.affine_grid(th, (n, 3, N, N), align_corners=False), mode="bicubic", padding_mode="reflection", align_corners=False)
        R = s.rows[i].clone(); ok = R[..., 0] >= 0
        xy = torch.einsum("nij,nkj->nki", A, R[..., 1:3] - torch.stack([cx, cy], 1)[:, None]) + N / 2
        ok &= (xy > -8).all(2) & (xy < N + 8).all(2)
        R[..., 1:3] = xy; R[..., 3] *= z[:, None]; R[..., 6] *= z[:, None]; R[..., 7] = (R[..., 7] - a[:, None]) * fl[:, None]; R[..., 0] = torch.where(ok, R[..., 0], -1.0)
        return x.clamp(0, 255), R, s.known[i]


def augment(x, rows, gen, host, flip):
    """x float 0..255 BGR on the GPU; `host` draws what the whole batch shares, without waiting for the GPU."""
    B = x.shape[0]; u = lambda *s: torch.rand(*s, device=DEV, generator=gen); nrm = lambda *s: torch.randn(*s, device=DEV, generator=gen)
    if flip:
        k = int(host.integers(4)); x = torch.rot90(x, k, (2, 3))
        for _ in range(k):
            rx, ry, ra = rows[..., 1].clone(), rows[..., 2].clone(), rows[..., 7].clone(); v = rows[..., 0] >= 0
            rows[..., 1] = torch.where(v, ry, rx); rows[..., 2] = torch.where(v, N - rx, ry); rows[..., 7] = torch.where(v, ra - math.pi / 2, ra)
        if host.random() < .5:
            x = x.flip(3); v = rows[..., 0] >= 0; rows[..., 1] = torch.where(v, N - rows[..., 1], rows[..., 1]); rows[..., 7] = torch.where(v, math.pi - rows[..., 7], rows[..., 7])
    x = x / 255
    x = x.clamp(0, 1) ** torch.exp(nrm(B, 1, 1, 1) * .2)
    x = x * torch.exp(nrm(B, 1, 1, 1) * .2) * torch.exp(nrm(B, 3, 1, 1) * .06)
    g = x.mean(1, keepdim=True); x = g + (x - g) * torch.exp(nrm(B, 1, 1, 1) * .25)
    m = x.mean((1, 2, 3), keepdim=True); x = m + (x - m) * torch.exp(nrm(B, 1, 1, 1) * .15)
    if host.random() < .35:
        s = host.random() + .3; k = torch.exp(-torch.arange(-3, 4, device=DEV).float() ** 2 / 2 / s ** 2); k = k / k.sum()
        x = F.conv2d(F.conv2d(F.pad(x, (3, 3, 3, 3), mode="reflect"), k.view(1, 1, 1, 7).repeat(3, 1, 1, 1), groups=3), k.view(1, 1, 7, 1).repeat(3, 1, 1, 1), groups=3)
    if host.random() < .25:        # a photo of coarser scale, enlarged
        k = int(N * host.uniform(.5, .95)); x = F.interpolate(F.interpolate(x, (k, k), mode="bilinear", antialias=True, align_corners=False), (N, N), mode="bicubic", align_corners=False)
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


def loss_of(y, rows, pods_known, teacher=None):
    """The loss of raw output `y` against the truth, and where given against what the teacher sees (heat logits, the rest)."""
    lo, rest = split_out(y); heat, wt, (b, cls, cx, cy, good) = targets(rows, pods_known)
    p = torch.sigmoid(lo.float()).clamp(1e-4, 1 - 1e-4); pos = (heat == 1).float()
    l = -(pos * (1 - p) ** 2 * torch.log(p) + (1 - pos) * (1 - heat) ** 4 * p ** 2 * torch.log(1 - p)) * wt
    n = pos.sum((0, 2, 3)).clamp(min=8); hl = (l.sum((0, 2, 3)) / n).sum()
    if teacher is not None:
        q = torch.sigmoid(teacher); e = F.binary_cross_entropy_with_logits(lo.float(), q, reduction="none") + torch.special.xlogy(q, q) + torch.special.xlogy(1 - q, 1 - q)
        kd = (e * (.05 + q)).sum((0, 2, 3)) / n * 2
    # what else is told of each object, read at its cell; masked, not picked, so that nothing waits for the GPU
    S = rest.shape[-1]; qx, qy = (cx / 2).floor().long(), (cy / 2).floor().long()
    ins = good & (qx >= 0) & (qx < S) & (qy >= 0) & (qy < S); at = qy.clamp(0, S - 1) * S + qx.clamp(0, S - 1)
    v = rest.float().flatten(2).gather(2, at[:, None].expand(-1, rest.shape[1], -1)); r = rows.transpose(1, 2)
    mean = lambda e, k: (e * k).sum() / k.sum().clamp(min=1)
    bce = lambda i, t: F.binary_cross_entropy_with_logits(v[:, i], t.clamp(0, 1), reduction="none"); sl1 = lambda i, t: F.smooth_l1_loss(v[:, i], t, reduction="none")
    bean, pod = (ins & (cls == 0)).float(), (ins & (cls == 1)).float() * pods_known[:, None]
    el = mean(.3 * bce(0, r[:, 0]) + sl1(1, torch.log(r[:, 3].clamp(min=1) / PX_PER_MM)) + .3 * bce(2, r[:, 4]), bean)
    el = el + mean(.2 * sl1(3, r[:, 5]) + .3 * sl1(4, torch.log(r[:, 6].clamp(min=4) / PX_PER_MM)) + .15 * (sl1(5, torch.cos(2 * r[:, 7])) + sl1(6, torch.sin(2 * r[:, 7]))), pod)
    return hl + el + (kd.sum() if teacher is not None else 0), hl.detach()


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
        im = torch.from_numpy(it["im"]).to(DEV).permute(2, 0, 1); h, w = im.shape[1:]; H, W = (h + 15) // 16 * 16, (w + 15) // 16 * 16
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


def shared_gradients(nets):
    """Each process's gradients become the mean of all."""
    g = [p.grad for net in nets for p in net.parameters() if p.grad is not None]; flat = torch._utils._flatten_dense_tensors(g)
    dist.all_reduce(flat, op=dist.ReduceOp.AVG)
    for to, f in zip(g, torch._utils._unflatten_dense_tensors(flat, g)): to.copy_(f)


def look_in(a, known, found):
    """Reads photos that have come into the pack since, beside the training."""
    while True:
        for f in packed(a.pack, a.train.split(",")):
            if mine(f) and f not in known:
                try: found.put(read_pack(f)); known.add(f)
                except Exception as e: print("not yet", f, e, flush=True)
        time.sleep(3)


def main():
    ap = argparse.ArgumentParser()
    for k, d in dict(pack=None, cutouts=None, ground=None, out=None, train="rt", val="val", start="", grow="", sizes="grand,fine").items(): ap.add_argument("--" + k, default=d)
    ap.add_argument("--freeze", action="store_true", help="the first net teaches and learns no more")
    ap.add_argument("--watch", action="store_true", help="scenes still come into the pack; they join")
    ap.add_argument("--span", type=float, default=0, help="minutes of the whole course, when this run is a part of it"); ap.add_argument("--offset", type=float, default=0)
    ap.add_argument("--minutes", type=float, default=8); ap.add_argument("--seed", type=int, default=1); ap.add_argument("--workers", type=int, default=15, help="drawing tiles, a process of training")
    ap.add_argument("--batch", type=int, default=96, help="tiles a step and GPU"); ap.add_argument("--lr", type=float, default=2e-3); ap.add_argument("--synth", type=float, default=.4); ap.add_argument("--cutouts-to", type=int, default=22)
    a = ap.parse_args(); os.makedirs(a.out, exist_ok=True); t0 = time.time(); torch.manual_seed(a.seed); torch.backends.cudnn.benchmark = True; say = print if RANK == 0 else lambda *v, **k: None
    ring = Ring(a.workers, 2000); ctx = mp.get_context("fork"); ps = [ctx.Process(target=worker, args=(i, ring, a), daemon=True) for i in range(a.workers)]
    for p in ps: p.start()
    if WORLD > 1: dist.init_process_group("nccl" if DEV == "cuda" else "gloo")
    known = set(filter(mine, packed(a.pack, a.train.split(",")))); crops, found = Crops(photos(sorted(known))), queue.Queue(4)
    if a.watch: threading.Thread(target=look_in, args=(a, known, found), daemon=True).start()
    gen = torch.Generator(device=DEV); gen.manual_seed(a.seed * 1000 + RANK); host = np.random.default_rng(a.seed * 1000 + RANK); sizes = a.sizes.split(",")
    nets = [netdef.torch_net(netdef.layers(z)).to(DEV).to(memory_format=torch.channels_last) for z in sizes]
    for z, net in zip(sizes, nets):
        with torch.no_grad(): net.c["y"][0].bias[:8] = -4.0
        if a.grow: netdef.grow(net, {k.removeprefix("c."): v for k, v in torch.load(a.grow, map_location=DEV).items()}); say("grows", z)
        if a.start and os.path.exists(f"{a.start}/{z}.pt"): net.load_state_dict(torch.load(f"{a.start}/{z}.pt", map_location=DEV)); say("goes on from", z)
    opts = [torch.optim.AdamW(net.parameters(), a.lr, weight_decay=1e-2) for net in nets]; emas = [{k: v.clone() for k, v in net.state_dict().items()} for net in nets]
    cap = 60000; pool = torch.zeros(cap, N, N, 3, dtype=torch.uint8, device=DEV); prow = torch.full((cap, MOST, 8), -1.0, device=DEV); have = 0
    say("start %.0f s" % (time.time() - t0), crops.n, "crops; parameters", [sum(p.numel() for p in n.parameters()) for n in nets], WORLD, "processes", flush=True)

    def judge(which):
        rr, tt = look(which, val)
        return rr, tt, {w + ("_pod" if c else ""): figures(rr, tt, val, w, c) for w in a.val.split(",") for c in (0, 1) if any(i["name"].startswith(w) and (not c or i["pods"]) for i in val)}

    def keep():
        """Averaged weights to the disk, as a checkpoint and as ONNX."""
        for z, net, ema in zip(sizes, nets, emas):
            now = {k: v.clone() for k, v in net.state_dict().items()}; net.load_state_dict(ema); torch.save(net.state_dict(), f"{a.out}/{z}.part"); os.replace(f"{a.out}/{z}.part", f"{a.out}/{z}.pt")
            open(f"{a.out}/{z}.onnx", "wb").write(netdef.onnx_model(netdef.layers(z), netdef.folded(net))); net.load_state_dict(now)

    step, seen, T = 0, [[] for _ in nets], a.minutes * 60
    while True:
        for w in range(a.workers):
            new = ring.new(w)
            for lo in range(0, len(new), 64):
                sl = new[lo:lo + 64]; at = torch.tensor([(have + i) % cap for i in range(len(sl))], device=DEV)
                pool[at] = torch.from_numpy(ring.im[w, sl]).to(DEV); prow[at] = torch.from_numpy(ring.rows[w, sl]).to(DEV); have += len(sl)
        while not found.empty(): crops.add(found.get())
        if have < 256: time.sleep(.5); continue
        f = ((time.time() - t0) + a.offset * 60) / (a.span * 60 or T)
        if WORLD > 1: clock = torch.tensor([f], device=DEV); dist.broadcast(clock, 0); f = float(clock)        # all end at the same step
        if f * (a.span * 60 or T) - a.offset * 60 >= T: break
        lr = a.lr * min(1, step / 500) * (.5 * (1 + math.cos(math.pi * min(1, f)))) + 1e-6
        for o in opts:
            for g in o.param_groups: g["lr"] = lr
        for _ in range(8):
            ns = int(a.batch * a.synth) if crops.n else a.batch; i = torch.randint(min(have, cap), (ns,), device=DEV, generator=gen)
            parts, ok = [augment(pool[i].permute(0, 3, 1, 2).float(), prow[i].clone(), gen, host, True)], [torch.ones(ns, device=DEV)]
            if crops.n: px, pr, pk = crops.cut(a.batch - ns, gen); parts.append(augment(px, pr, gen, host, False)); ok.append(pk)
            x, rows = torch.cat([p[0] for p in parts]).contiguous(memory_format=torch.channels_last), torch.cat([p[1] for p in parts]); ok = torch.cat(ok)
            teacher, learn = None, []
            for k, net in enumerate(nets):
                if k == 0 and a.freeze:
                    with torch.no_grad(), torch.autocast(DEV, dtype=torch.bfloat16): teacher = split_out(net.eval()(x))[0].float()
                    seen[0].append(torch.zeros((), device=DEV)); continue
                with torch.autocast(DEV, dtype=torch.bfloat16): y = net(x)
                l, hl = loss_of(y, rows, ok, teacher); opts[k].zero_grad(set_to_none=True); l.backward(); seen[k].append(hl); learn.append(k)
                if k == 0 and f > .1: teacher = split_out(y.detach())[0].float()
            if WORLD > 1: shared_gradients([nets[k] for k in learn])
            for k in learn: torch.nn.utils.clip_grad_norm_(nets[k].parameters(), 5); opts[k].step()
            step += 1
        d = min(.998, 1 - 8 / (step + 80))
        for net, ema in zip(nets, emas):
            new = net.state_dict(); fl = [k for k, v in new.items() if v.dtype.is_floating_point]
            torch._foreach_lerp_([ema[k] for k in fl], [new[k] for k in fl], 1 - d)
        if step % 400 == 0: say("%5.0fs step %d loss %s tiles %d crops %d of %d photos" % (time.time() - t0, step, ["%.3f" % float(torch.stack(s[-200:]).mean()) for s in seen], have, crops.n, len(crops.names)), flush=True)
        if step % 2000 == 0 and RANK == 0: keep()
    if RANK == 0:
        keep(); val = [read_pack(f) for f in packed(a.pack, a.val.split(","))]
        for z, net, ema in zip(sizes, nets, emas):
            net.load_state_dict(ema); rr, tt, e = judge(net); print("final", z, step, have, json.dumps(e), flush=True)
            np.savez_compressed(f"{a.out}/{z}_val.npz", rows=rr, truths=np.array([(n, c, *v) for (n, c), v in tt.items()]), names=np.array([i["name"] for i in val]))
    for p in ps: p.terminate()
    os._exit(0)                                        # other processes of the group may have gone already


if __name__ == "__main__":
    main()
