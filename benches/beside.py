"""Times podfall beside two yardsticks in one run, on one core: decoding the same JPEGs with libjpeg-turbo, and a plain script with a
general-purpose vision library (decode, warp, L*a*b*, threshold, watershed) that is told where the frame is.

    pip install numpy opencv-python-headless PyTurboJPEG        and the system's libturbojpeg (PyTurboJPEG<2 for one below 3)
    cargo build --release
    python3 benches/beside.py demo-images --frame 12x12in

Prints CPU time, which a busy machine changes little, and wall time. Ratios, of CPU time, compare within one run only."""

import argparse
import json
import os
import pathlib
import shutil
import subprocess
import tempfile
import time

os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"
import cv2  # noqa: E402
import numpy as np  # noqa: E402

PX_PER_MM = 2.4
MARGIN_MM = 12.0


def run(command, core):
    """Wall seconds, CPU seconds and peak memory (MB) of a command; `core`: pinned to that one core."""
    pin = ["taskset", "-c", "0"] if core and shutil.which("taskset") else []
    begun = time.perf_counter()
    process = subprocess.Popen(pin + command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    wall = time.perf_counter() - begun
    code = os.waitstatus_to_exitcode(status)
    if code not in (0, 1, 3):
        raise SystemExit(f"{command}: exit code {code}")
    return wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1000


def decode_times(photos, repeats):
    """Best seconds of decoding each photo to RGB."""
    try:
        import turbojpeg

        name, decoder = "libjpeg-turbo", turbojpeg.TurboJPEG()

        def one(data):
            decoder.decode(data, pixel_format=turbojpeg.TJPF_RGB)
    except (ImportError, RuntimeError):
        name = "libjpeg-turbo inside the vision library"

        def one(data):
            cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)

    total = 0.0
    for data in photos:
        best = 1e9
        for _ in range(repeats):
            begun = time.process_time()
            one(data)
            best = min(best, time.process_time() - begun)
        total += best
    return name, total


def plain(data, corners, size_mm):
    """The plain script: what one writes in an hour. Gives a number of blobs, which nobody should trust."""
    photo = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    w, h = (int((mm + 2 * MARGIN_MM) * PX_PER_MM) for mm in size_mm)
    m = MARGIN_MM * PX_PER_MM
    to = np.float32([[m, m], [w - m, m], [w - m, h - m], [m, h - m]])
    way = cv2.getPerspectiveTransform(np.float32(corners), to)
    plot = cv2.warpPerspective(photo, way, (w, h), flags=cv2.INTER_LINEAR)
    lab = cv2.cvtColor(plot, cv2.COLOR_BGR2LAB)
    smooth = cv2.GaussianBlur(lab, (0, 0), 1.5)
    _, mask = cv2.threshold(smooth[:, :, 2], 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    distance = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
    _, sure = cv2.threshold(distance, 2.0 * PX_PER_MM, 255, cv2.THRESH_BINARY)
    count, markers = cv2.connectedComponents(sure.astype(np.uint8))
    markers = markers + 1
    markers[(mask > 0) & (sure == 0)] = 0
    cv2.watershed(plot, markers)
    return count - 1


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("photos", nargs="+", type=pathlib.Path)
    parser.add_argument("--frame", default="12x12in")
    parser.add_argument("--podfall", default="target/release/podfall")
    parser.add_argument("--repeats", type=int, default=3)
    args = parser.parse_args()
    cv2.setNumThreads(1)
    paths = [p for path in args.photos for p in (sorted(path.glob("*.jp*g")) if path.is_dir() else [path])]
    data = [path.read_bytes() for path in paths]
    print(f"{len(paths)} photos; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")

    with tempfile.TemporaryDirectory() as folder:
        out = pathlib.Path(folder)

        def count(name, *more, core=True):
            best = (1e9, 1e9, 0.0)
            for k in range(args.repeats):
                command = [args.podfall, "count", *map(str, paths), "--frame", args.frame, "--out", str(out / f"{name}{k}"), *more]
                best = min(best, run(command, core), key=lambda took: took[1])
            return best

        one = run([args.podfall, "--version"], True)
        bare = count("bare", "--jobs", "1", "--no-pictures")
        drawn = count("drawn", "--jobs", "1")
        two = count("two", "--jobs", "2", core=False)
        free = count("one", "--jobs", "1", core=False)
        counts = json.loads((out / "bare0" / "counts.json").read_text())["photos"]

    spec = [p["frame"] for p in counts]
    corners = [f and f["corners_px"] for f in spec]
    # Written as 304.8x304.8mm.
    size_mm = [float(side) for side in counts[0]["frame_spec"].removesuffix("mm").split("x")]
    pairs = [(d, cs) for d, cs in zip(data, corners) if cs]
    plain_s = 0.0
    for d, cs in pairs:
        best = 1e9
        for _ in range(args.repeats):
            begun = time.process_time()
            plain(d, cs, size_mm)
            best = min(best, time.process_time() - begun)
        plain_s += best
    plain_s *= len(paths) / max(1, len(pairs))
    decoder, decode_s = decode_times(data, args.repeats)

    n = len(paths)
    rows = [
        (f"decode, {decoder}", decode_s, None, None),
        ("plain script", plain_s, None, None),
        ("podfall, no pictures", bare[1], bare[0], bare[2]),
        ("podfall, with pictures and report", drawn[1], drawn[0], drawn[2]),
        ("podfall, 1 job, not pinned", free[1], free[0], free[2]),
        ("podfall, 2 jobs", two[1], two[0], two[2]),
    ]
    print(f"{'a photo':36} {'CPU ms':>7} {'x decode':>9} {'wall ms':>8} {'peak MB':>8}")
    for name, cpu, wall, peak in rows:
        more = f"{1000 * wall / n:8.0f} {peak:8.0f}" if wall else ""
        print(f"{name:36} {1000 * cpu / n:7.0f} {cpu / decode_s:9.2f} {more}")
    print(f"start-up: {1000 * one[0]:.0f} ms")
    print(f"pictures and report: {100 * (drawn[1] - bare[1]) / drawn[1]:.0f} % of the CPU time")
    print(f"2 jobs against 1, wall: {free[0] / two[0]:.2f} x")


if __name__ == "__main__":
    main()
