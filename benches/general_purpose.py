"""The steps of a check as one would script them with general-purpose libraries, timed: for docs/performance.md.

    python -m venv venv && venv/bin/pip install opencv-python-headless scikit-image scipy
    THINPROOF_BENCH_SLIDE=DIR cargo bench --bench stages        # leaves the photographs in DIR
    venv/bin/python benches/general_purpose.py DIR/LM-4100 [THREADS]

Each step is the best of five runs. The script measures no thickness and finds no defect: it only does the same kind of work
to the same pictures, with what OpenCV or scikit-image has for it, whichever was the quicker.
"""

import glob
import os
import sys
import time

folder, threads = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 1
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ[name] = str(threads)

import cv2  # noqa: E402
import numpy as np  # noqa: E402
from scipy.spatial import cKDTree  # noqa: E402
from skimage.feature import hessian_matrix, hessian_matrix_eigvals  # noqa: E402

cv2.setNumThreads(threads)


def best(step, runs=5):
    """Seconds of the quickest run, and what it made."""
    shortest = float("inf")
    for _ in range(runs):
        start = time.perf_counter()
        made = step()
        shortest = min(shortest, time.perf_counter() - start)
    return shortest, made


def linear_light(picture):
    return cv2.LUT(picture, TO_LINEAR)


def ratio(crossed, plane):
    """Crossed over plane light on cells of two by two pixels."""
    half = (plane.shape[1] // 2, plane.shape[0] // 2)
    small = lambda p: cv2.resize(p, half, interpolation=cv2.INTER_AREA)  # noqa: E731
    base = np.maximum(small(plane), 0.02)
    return [small(c) / base for c in crossed]


def path():
    """Interference colours of no dispersion under an even spectrum, for a look-up: 0 to 1500 nm in 2 nm."""
    nm, waves = np.arange(0, 1500, 2.0)[:, None], np.linspace(400, 700, 61)[None, :]
    light = np.sin(np.pi * nm / waves) ** 2
    bands = [(waves[0] > low) & (waves[0] <= high) for low, high in ((400, 490), (490, 580), (580, 700))]
    return np.stack([light[:, band].mean(axis=1) for band in bands], axis=1).astype(np.float32)


def retardation(ratios):
    """Retardation of every cell: the nearest colour of the path to the brightest of its crossed pictures."""
    brightest = np.max(np.stack(ratios), axis=0).reshape(-1, 3)
    _, index = TREE.query(brightest, workers=threads)
    return index.astype(np.float32) * 2.0


def ridges_opencv(log):
    smooth = cv2.GaussianBlur(log, (0, 0), 1.2)
    xx = cv2.Sobel(smooth, cv2.CV_32F, 2, 0)
    yy = cv2.Sobel(smooth, cv2.CV_32F, 0, 2)
    xy = cv2.Sobel(smooth, cv2.CV_32F, 1, 1)
    return (xx + yy) / 2 + np.sqrt(((xx - yy) / 2) ** 2 + xy**2)


def ridges_scikit(log):
    return hessian_matrix_eigvals(hessian_matrix(log, sigma=1.2, use_gaussian_derivatives=False))[0]


def line_search(response):
    """Mean response along stretches of 48 cells in 60 directions, the best of them."""
    best_of = np.full(response.shape, -1e9, np.float32)
    for k in range(60):
        kernel = np.zeros((49, 49), np.float32)
        dx, dy = 24 * np.cos(np.pi * k / 60), 24 * np.sin(np.pi * k / 60)
        cv2.line(kernel, (round(24 - dx), round(24 - dy)), (round(24 + dx), round(24 + dy)), 1)
        best_of = np.maximum(best_of, cv2.filter2D(response, -1, kernel / kernel.sum()))
    return best_of


codes = np.arange(256) / 255
TO_LINEAR = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4).astype(np.float32)
TREE = cKDTree(path())

files = sorted(glob.glob(os.path.join(folder, "*ppl*"))) + sorted(glob.glob(os.path.join(folder, "*xpl*")))
total = 0.0


def step(name, work, runs=5):
    global total
    seconds, made = best(work, runs)
    total += seconds
    print(f"{name:38} {1000 * seconds:9.1f} ms")
    return made


print(f"{len(files)} photographs, {threads} thread(s)")
pictures = step("decode", lambda: [cv2.imread(f) for f in files])
light = step("linear light, whole", lambda: [linear_light(p) for p in pictures])
ratios = step("crossed over plane light, binned", lambda: ratio(light[1:], light[0]))
log = np.log(np.maximum(light[0].max(axis=2), 0.03))
step("mean over 11 x 11", lambda: cv2.blur(log, (11, 11)))
step("retardation of every cell", lambda: retardation(ratios), 1)
response = step("ridge filter, OpenCV", lambda: ridges_opencv(log))
seconds, _ = best(lambda: ridges_scikit(log), 2)
print(f"{'  (scikit-image takes)':38} {1000 * seconds:9.1f} ms")
step("search for lines in 60 directions", lambda: line_search(response), 1)
step("connected components", lambda: cv2.connectedComponents((log < -0.3).astype(np.uint8)))
print(f"{'all steps':38} {1000 * total:9.1f} ms")
