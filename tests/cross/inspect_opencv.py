"""Does `pockmark inspect` read every sheet that OpenCV draws, and say where its corners were drawn?

    inspect_opencv.py POCKMARK

Sheets are drawn by `cv2.aruco.CharucoBoard.generateImage` with squares of whole pixels (a multiple of 32, so that the tags'
modules are whole too), plain, with margins, and photographed through known homographies with blur and noise. Where the corners
are follows from the drawing and the homography alone; OpenCV's own corner finder has no say.
Exits 1 with a sentence when something does not hold. Needs opencv (with aruco), numpy and scipy.
"""

import json
import pathlib
import subprocess
import sys
import tempfile

import cv2
import numpy as np

from synthetic import homography, photograph, seen_through, sharp

FAMILY = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
SHEETS = FAMILY.bytesList.shape[0] // 6
# Where a corner may be found from where it was drawn, px an axis.
FARTHEST_PX = 0.05


def fail(words):
    sys.exit("inspect_opencv: " + words)


def drawn(sheet, square, margin):
    """The sheet's image and its six corners, px, pixel centres at whole numbers."""
    ids = np.arange(6 * (sheet - 1), 6 * sheet)
    board = cv2.aruco.CharucoBoard((3, 4), 60.0, 45.0, FAMILY, ids)
    image = board.generateImage((3 * square + 2 * margin, 4 * square + 2 * margin), marginSize=margin, borderBits=1)
    corners = np.array([(margin + (i % 2 + 1) * square, margin + (i // 2 + 1) * square) for i in range(6)]) - 0.5
    return image, corners


def main(program):
    rng = np.random.default_rng(20260509)
    cases = []  # (name, sheet, image, corners, kind)
    for sheet, square, margin in [(1, 64, 0), (2, 64, 40), (8, 96, 25), (40, 128, 100), (SHEETS, 160, 7), (3, 32, 16)]:
        image, corners = drawn(sheet, square, margin)
        cases.append((f"sheet {sheet}, {square} px squares, margin {margin}", sheet, image, corners, "as drawn"))
    size = (900, 1000)
    poses = [(0, 0, 0, 0.7, 1), (8, 20, 0, 1.0, 2), (-15, 0, 35, 1.0, 2), (30, -35, 15, 0.7, 2)]
    poses += [(90, 25, -20, 1.0, 2), (180, 40, 10, 1.0, 2), (-60, -30, -30, 1.3, 3), (3, 50, 0, 1.0, 2)]
    for k, (turn, tilt, tip, blur, noise) in enumerate(poses):
        sheet, square, margin = 1 + 11 * k, 128, 96
        image, corners = drawn(sheet, square, margin)
        middle = np.array(image.shape[::-1]) / 2 - 0.5 + rng.uniform(-0.5, 0.5, 2)
        h = homography(turn, tilt, tip, 0.9, middle, size)
        photo = photograph(sharp(image, h, size), blur, noise, rng)
        name = f"sheet {sheet}, turned {turn}, tilted {tilt} and {tip} deg, blur {blur} px, noise {noise}"
        cases.append((name, sheet, photo, seen_through(h, corners), "photographed"))

    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for i, case in enumerate(cases):
            paths.append(str(pathlib.Path(folder) / f"{i}.png"))
            cv2.imwrite(paths[-1], case[2])
        out = subprocess.run([program, "inspect", "--json", *paths], capture_output=True, text=True)
        if out.returncode != 0:
            fail(f"inspect ended with {out.returncode}: {out.stderr}")
        reports = json.loads(out.stdout)

    worst = {}
    for (name, sheet, _, corners, kind), report in zip(cases, reports):
        found = {s["number"]: s for s in report["sheets"]}
        if list(found) != [sheet]:
            fail(f"{name}: sheets {list(found)} were read")
        tags = sorted(t["id"] for t in report["tags"])
        if tags != list(range(6 * (sheet - 1), 6 * sheet)):
            fail(f"{name}: tags {tags} were read")
        at = {c["index"]: (c["x_px"], c["y_px"], c["u_px"]) for c in found[sheet]["corners"]}
        if sorted(at) != list(range(6)):
            fail(f"{name}: corners {sorted(at)} of 0 to 5")
        off = np.array([at[i][:2] for i in range(6)]) - corners
        far = np.abs(off).max()
        print(f"  {name}: 6 tags, 6 corners, off by at most {far:.4f} px")
        worst[kind] = max(worst.get(kind, 0.0), far)
        if far > FARTHEST_PX:
            fail(f"{name}: a corner is {far:.3f} px from where it was drawn, more than {FARTHEST_PX}")
    print("; ".join(f"{kind}: worst {far:.4f} px" for kind, far in worst.items()) + f" ({len(cases)} images)")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    main(sys.argv[1])
