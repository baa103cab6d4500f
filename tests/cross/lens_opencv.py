"""Does OpenCV fit the same lens to the same corners?

    lens_opencv.py FIT_LENS [CORNERS.json]

Boards are photographed by invented lenses (normal, wide, a telephoto, few photos, corners missing), their corners get noise, and
both programs fit them: every term must agree within a twentieth of its standard error, the RMS to a thousandth, the standard errors to two
per cent; and both must find the truth within 4.5 standard errors. CORNERS.json, where given, is fitted by both in the same way.
Needs opencv and numpy.
"""

import json
import pathlib
import subprocess
import sys
import tempfile

import cv2
import numpy as np

TERMS = ["fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"]
# Of a standard error: both stop where their cost no longer falls.
AGREE_U = 0.05
RMS_RELATIVE = 1e-3
ERRORS_RELATIVE = 0.02
# 9 terms of each of 5 lenses: one in 3000 such runs goes beyond by chance.
TRUTH_U = 4.5


def opencv(board, terms):
    """fx fy cx cy k1 k2 p1 p2 k3, their standard errors, and the RMS, by calibrateCamera with the board taken as true."""
    columns, rows, square = board["columns"], board["rows"], board["square_mm"]
    grid = np.array([(i % columns * square, i // columns * square, 0) for i in range(columns * rows)], np.float32)
    objects, images = [], []
    for name in sorted(board["corners"]):
        seen = [i for i, c in enumerate(board["corners"][name]) if c is not None]
        objects.append(grid[seen])
        images.append(np.array([board["corners"][name][i] for i in seen], np.float32).reshape(-1, 1, 2))
    flags = 0
    if "k1" not in terms:
        flags |= cv2.CALIB_FIX_K1
    if "k2" not in terms:
        flags |= cv2.CALIB_FIX_K2
    if "k3" not in terms:
        flags |= cv2.CALIB_FIX_K3
    if "p1" not in terms:
        flags |= cv2.CALIB_ZERO_TANGENT_DIST
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 500, 1e-14)
    rms, k, d, _, _, errors, _, _ = cv2.calibrateCameraExtended(
        objects, images, (board["width"], board["height"]), None, None, flags=flags, criteria=stop
    )
    d = d.ravel()[:5]
    return np.array([k[0, 0], k[1, 1], k[0, 2], k[1, 2], *d]), errors.ravel()[:9], rms


def ours(program, board, terms):
    with tempfile.TemporaryDirectory() as folder:
        path = pathlib.Path(folder) / "corners.json"
        path.write_text(json.dumps(board))
        out = subprocess.run([program, str(path), *(terms or ["none"])], capture_output=True, text=True)
    if out.returncode != 0:
        sys.exit(f"lens_opencv: fit_lens ended with {out.returncode}: {out.stderr}")
    fit = json.loads(out.stdout)
    return np.array([fit[t] for t in TERMS]), np.array([fit["standard_errors"][t] for t in TERMS]), fit["rms_px"]


def invented(rng, width, height, lens, photos, noise, missing):
    """Corner lists of a board of 9 x 6 corners, 25 mm, tilted up to 45 deg, as a lens sees them."""
    fx, fy, cx, cy, *d = lens
    columns, rows, square = 9, 6, 25.0
    grid = np.array([(i % columns * square, i // columns * square, 0) for i in range(columns * rows)], float)
    corners = {}
    while len(corners) < photos:
        turn = rng.uniform(-0.75, 0.75, 3) * np.array([1, 1, 0.6])
        distance = fx / width * square * columns * rng.uniform(1.1, 1.6)
        middle = np.array([*rng.uniform(-0.25, 0.25, 2) * distance * width / fx, distance])
        rotation, _ = cv2.Rodrigues(turn)
        at = middle - rotation @ np.array([square * (columns - 1) / 2, square * (rows - 1) / 2, 0])
        p, _ = cv2.projectPoints(grid, turn, at, np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1.0]]), np.array(d))
        p = p.reshape(-1, 2) + rng.normal(0, noise, (len(grid), 2))
        inside = (p > 0).all(1) & (p < [width - 1, height - 1]).all(1) & (rng.uniform(size=len(p)) >= missing)
        if inside.sum() < 30:
            continue
        corners[f"photo{len(corners):02}"] = [[float(x), float(y)] if ok else None for (x, y), ok in zip(p, inside)]
    return {"columns": columns, "rows": rows, "square_mm": square, "width": width, "height": height, "corners": corners}


def compare(name, program, board, terms, truth, bad):
    a, ua, ra = ours(program, board, terms)
    b, ub, rb = opencv(board, terms)
    free = [k for k, t in enumerate(TERMS) if k < 4 or t in terms]
    apart = np.abs(a - b)[free] / ub[free]
    ratio = np.abs(ua / np.where(ub > 0, ub, 1) - 1)[free]
    print(f"{name:26} fx {a[0]:9.3f} ({b[0]:9.3f}, u {ub[0]:.3f})  rms {ra:.5f} ({rb:.5f})  apart {apart.max():.4f} u, errors {100 * ratio.max():.2f} %")
    if apart.max() > AGREE_U:
        bad.append(f"{name}: {TERMS[free[int(apart.argmax())]]} is {apart.max():.3f} standard errors from OpenCV's")
    if ratio.max() > ERRORS_RELATIVE:
        bad.append(f"{name}: a standard error differs by {100 * ratio.max():.1f} % from OpenCV's")
    if abs(ra / rb - 1) > RMS_RELATIVE:
        bad.append(f"{name}: RMS {ra:.5f}, OpenCV {rb:.5f}")
    if truth is not None:
        off = np.abs(a - truth)[free] / ua[free]
        if off.max() > TRUTH_U:
            bad.append(f"{name}: {TERMS[free[int(off.argmax())]]} is {off.max():.1f} standard errors from the truth")


def main(program, real):
    rng = np.random.default_rng(20260511)
    everything = ["k1", "k2", "p1", "p2", "k3"]
    cases = [
        ("normal", 2080, 1560, (1600, 1603, 1030, 785, 0.06, -0.11, 4e-4, -3e-4, 0.0), 8, 0.03, 0.0, everything),
        ("wide", 2080, 1560, (1010, 1010, 1045, 772, -0.24, 0.075, 6e-4, -4e-4, -0.008), 8, 0.03, 0.0, everything),
        ("telephoto, k1 only", 4000, 3000, (9100, 9100, 2010, 1490, 0.02, 0, 0, 0, 0), 12, 0.05, 0.0, ["k1"]),
        ("three photos", 640, 480, (560, 558, 322, 236, -0.28, 0.09, 0, 0, 0), 3, 0.1, 0.0, ["k1", "k2"]),
        ("corners missing", 1650, 2200, (2260, 2260, 830, 1090, 0.05, -0.09, 3e-4, 2e-4, 0.0), 9, 0.04, 0.2, everything),
    ]
    bad = []
    for name, width, height, lens, photos, noise, missing, terms in cases:
        board = invented(rng, width, height, lens, photos, noise, missing)
        compare(name, program, board, terms, np.array(lens), bad)
    if real:
        board = json.loads(pathlib.Path(real).read_text())
        for terms in (everything, ["k1", "k2"]):
            compare(f"real photos, {len(terms)} terms", program, board, terms, None, bad)
    if bad:
        sys.exit("lens_opencv: " + "; ".join(bad))


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3):
        sys.exit(__doc__)
    main(sys.argv[1], sys.argv[2] if len(sys.argv) == 3 else None)
