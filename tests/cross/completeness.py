"""How many lone marks are found, against scikit-image's and OpenCV's blob finders on the same difference images?

    python completeness.py FOLDER [--figure docs/completeness.png]

FOLDER is what `examples/completeness.rs` wrote. Every program has the same false-alarm rate, none in the pairs without marks: its threshold is
as low as that allows, ours besides never lower than it is in use. Prints one table; fails when ours finds fewer marks that can be
seen than another does, or has worse centres.
"""

import csv
import pathlib
import sys

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_laplace
from skimage.feature import blob_log

folder = pathlib.Path(sys.argv[1])
figure = sys.argv[sys.argv.index("--figure") + 1] if "--figure" in sys.argv else None
PX_PER_MM = 0.8

truth, found = {}, {}
for r in csv.DictReader(open(folder / "truth.csv")):
    photo = truth.setdefault(int(r["photo"]), [])
    if float(r["diameter_mm"]) > 0:
        photo.append({k: float(r[k]) for k in ("diameter_mm", "strength", "x_px", "y_px", "bound_px")})
for r in csv.DictReader(open(folder / "found.csv")):
    found.setdefault((int(r["photo"]), r["what"]), []).append((float(r["x_px"]), float(r["y_px"]), float(r["u_px or significance"])))

side = int(round(np.sqrt((folder / "1.f32").stat().st_size / 4)))
images = {n: np.fromfile(folder / f"{n}.f32", "<f4").reshape(side, side).astype(float) for n in truth}
blanks = [n for n, marks in truth.items() if not marks]
marked = [n for n, marks in truth.items() if marks]

own_false = [p[2] for n in blanks for p in found.get((n, "place"), [])]
own_threshold = max(own_false, default=0.0)

# Sizes that every program looks for: 15 to 45 mm across, as ours does.
RADII_PX = (0.5 * 15 * PX_PER_MM, 0.5 * 45 * PX_PER_MM)
# A disc answers a Laplacian of a Gaussian most at its radius over root 2.
SIGMAS = np.linspace(RADII_PX[0] / np.sqrt(2), RADII_PX[1] / np.sqrt(2), 5)


def log_top(d):
    """The largest answer that blob_log sees anywhere."""
    return max((-gaussian_laplace(-d, s) * s**2).max() for s in SIGMAS)


log_threshold = max(log_top(images[n]) for n in blanks)


def by_log(d):
    blobs = blob_log(-d, min_sigma=SIGMAS[0], max_sigma=SIGMAS[-1], num_sigma=len(SIGMAS), threshold=log_threshold)
    return [(b[1], b[0]) for b in blobs]


# OpenCV's finder takes 8 bits: the difference smoothed as ours is (a third of a diameter), in steps of an eighth of its noise.
def smoothed(d):
    return gaussian_filter(-d, 0.35 * 0.5 * 30 * PX_PER_MM)


noise = np.sqrt(np.mean([smoothed(images[n]).var() for n in blanks]))


def eight_bits(d):
    return np.clip(8 * smoothed(d) / noise, 0, 255).astype(np.uint8)


def blob_finder(z):
    p = cv2.SimpleBlobDetector_Params()
    p.minThreshold, p.maxThreshold, p.thresholdStep = 8 * z, 255, 8
    p.minRepeatability = 1
    p.filterByColor, p.blobColor = True, 255
    p.filterByArea, p.minArea, p.maxArea = True, 4, np.pi * (1.5 * RADII_PX[1]) ** 2
    p.filterByCircularity = p.filterByConvexity = p.filterByInertia = False
    p.minDistBetweenBlobs = RADII_PX[0]
    return cv2.SimpleBlobDetector_create(p)


for z in np.arange(3, 10, 0.1):
    finder = blob_finder(z)
    if not any(finder.detect(eight_bits(images[n])) for n in blanks):
        break


def by_opencv(d):
    return [k.pt for k in finder.detect(eight_bits(d))]


def matched(places, marks):
    """For each mark the nearest place within half a diameter; and the places that no mark has."""
    errors, taken = [], set()
    for m in marks:
        far = [np.hypot(p[0] - m["x_px"], p[1] - m["y_px"]) for p in places]
        k = int(np.argmin(far)) if far else -1
        hit = k >= 0 and far[k] < 0.5 * m["diameter_mm"] * PX_PER_MM
        taken |= {k} if hit else set()
        errors.append((places[k][0] - m["x_px"], places[k][1] - m["y_px"]) if hit else None)
    return errors, len(places) - len(taken)


programs = {"Pockmark": lambda n: [p for p in found.get((n, "place"), []) if p[2] > own_threshold], "blob_log": lambda n: by_log(images[n]), "SimpleBlobDetector": lambda n: by_opencv(images[n])}
groups = {}
false = dict.fromkeys(programs, 0)
for n in marked:
    key = (truth[n][0]["diameter_mm"], truth[n][0]["strength"])
    g = groups.setdefault(key, {"bound": [], **{p: [] for p in programs}, "centres": []})
    g["bound"] += [m["bound_px"] for m in truth[n]]
    for p, look in programs.items():
        errors, extra = matched(look(n), truth[n])
        g[p] += errors
        false[p] += extra
    g["centres"] += matched(found.get((n, "mark"), []), truth[n])[0]
blank_false = {p: sum(len(look(n)) for n in blanks) for p, look in programs.items()}


def rms_mm(errors):
    e = np.array([e for e in errors if e is not None])
    return np.sqrt(np.mean(e**2)) / PX_PER_MM if len(e) >= 3 else np.nan


def word(v, form):
    return "" if np.isnan(v) else format(v, form)


print(f"noise {noise:.5f} after smoothing; blob_log threshold {log_threshold:.4f}; SimpleBlobDetector at {z:.1f} times the noise")
print("| across | strength | Pockmark | blob_log | SimpleBlobDetector | centre, RMS an axis | blob_log | SimpleBlobDetector | least possible |")
print("|---|---|---|---|---|---|---|---|---|")
for (diameter, strength), g in sorted(groups.items()):
    share = {p: np.mean([e is not None for e in g[p]]) for p in programs}
    bound = np.sqrt(np.mean(np.square(g["bound"]))) / PX_PER_MM
    cells = [f"{100 * share[p]:.0f} %" for p in programs]
    cells += [word(rms_mm(g[k]), ".2f") for k in ("centres", "blob_log", "SimpleBlobDetector")]
    print(f"| {diameter:.0f} mm | {strength:g} | " + " | ".join(cells) + f" | {bound:.2f} mm |")
n_marks = len(next(iter(groups.values()))["bound"])
print(f"{n_marks} marks a row; false in {len(blanks)} pairs without marks: {blank_false}; ours at the threshold in use: {len(own_false)}; beside the marks in {len(marked)} pairs: {false}")

if figure:
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    diameters = sorted({d for d, _ in groups})
    fig, axes = plt.subplots(1, len(diameters), figsize=(9, 3.1), sharey=True)
    looks = {"Pockmark": ("#1f5fa8", "-", "o"), "blob_log": ("#b5541c", "--", "s"), "SimpleBlobDetector": ("#4c7a34", ":", "^")}
    for ax, d in zip(axes, diameters):
        strengths = sorted(s for e, s in groups if e == d)
        for p, (colour, line, dot) in looks.items():
            ax.plot(strengths, [100 * np.mean([e is not None for e in groups[d, s][p]]) for s in strengths], line, color=colour, marker=dot, ms=4, label=p)
        ax.set_xscale("log")
        ax.set_xticks([0.01, 0.03, 0.1, 0.4], ["1 %", "3 %", "10 %", "40 %"])
        ax.minorticks_off()
        ax.set_title(f"{d:.0f} mm across", fontsize=10)
        ax.set_xlabel("strength of the mark")
        ax.grid(alpha=0.3)
    axes[0].set_ylabel("marks found, %")
    axes[-1].legend(fontsize=8, loc="lower right")
    fig.tight_layout()
    fig.savefig(figure, dpi=110)

# The faintest marks are a matter of how large a disc smooths; from here on a mark must be found, whoever looks for it.
SEEN = 0.03
for (diameter, strength), g in groups.items():
    if strength < SEEN:
        continue
    ours, n = np.mean([e is not None for e in g["Pockmark"]]), len(g["bound"])
    for p in ("blob_log", "SimpleBlobDetector"):
        other = np.mean([e is not None for e in g[p]])
        # Two shares of n marks differ by chance with this standard deviation; three of them.
        slack = 3 * np.sqrt(max(other * (1 - other), 0.25 / n) * 2 / n)
        if ours < other - slack:
            sys.exit(f"{p} finds {100 * other:.0f} % of marks {diameter} mm across of strength {strength}, ours {100 * ours:.0f} %")
        # An RMS of 2n errors is known to 1 / sqrt(4 n); three of them, of both.
        a, b = rms_mm(g["centres"]), rms_mm(g[p])
        if a > b * (1 + 3 * np.sqrt(2 / (4 * n))):
            sys.exit(f"centres of marks {diameter} mm across of strength {strength}: ours {a:.2f} mm, {p} {b:.2f} mm")
    if strength >= 0.15 and ours < 1:
        sys.exit(f"{100 * ours:.0f} % of strong marks {diameter} mm across are found")
