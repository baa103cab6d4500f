"""Does OpenCV read what we draw and render, where it is?

    sheets_opencv.py codes SRC/tag36h11.rs            all codes against DICT_APRILTAG_36h11
    sheets_opencv.py pdf SHEETS.pdf SQUARE_MM FIRST   every page at 100, 150 and 300 dpi
    sheets_opencv.py day FOLDER                       the tripod photo of a rendered day against its truth.json

Exits 1 with a sentence when something does not hold. Needs opencv (with aruco), numpy and pypdfium2.
"""

import json
import re
import sys

import cv2
import numpy as np

FAMILY = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
SLOTS = [(0, 1), (1, 0), (1, 2), (2, 1), (3, 0), (3, 2)]  # (row, column) of the white squares


def fail(words):
    sys.exit("sheets_opencv: " + words)


def codes(path):
    ours = [int(w, 16) for w in re.findall(r"^\s+0x([0-9a-f]+),$", open(path).read(), re.M)]
    theirs = []
    for i in range(FAMILY.bytesList.shape[0]):
        image = cv2.aruco.generateImageMarker(FAMILY, i, 8)
        bits = (image[1:7, 1:7] > 127).astype(int).ravel()
        theirs.append(int("".join(map(str, bits)), 2))
    if ours != theirs:
        fail(f"{len(ours)} codes here, {len(theirs)} in OpenCV, {sum(a != b for a, b in zip(ours, theirs))} differ")
    print(f"codes: all {len(ours)} equal OpenCV's")


def expected_corners(row, column, square, left, top, scale):
    """The tag's corners, px, pixel centres at whole numbers."""
    u0, v0 = (column + 0.125) * square, (row + 0.125) * square
    side = 0.75 * square
    mm = np.array([(u0, v0), (u0 + side, v0), (u0 + side, v0 + side), (u0, v0 + side)])
    return (mm + [left, top]) * scale - 0.5


def edges(gray, corners):
    """Corners of an upright black square from where its four sides cross half-way, found over the middle third of each."""
    (x0, y0), (x1, y1) = corners[0], corners[2]
    reach = 3

    def crossing(at, lo, hi, axis, rising):
        lines = slice(int(lo + (hi - lo) / 3), int(hi - (hi - lo) / 3))
        start = int(round(at)) - reach
        cut = slice(start, int(round(at)) + reach + 1)
        profile = (gray[lines, cut].mean(0) if axis == 0 else gray[cut, lines].mean(1)) / 255.0
        dark = (1 - profile).sum()  # area under: where the step lies, exactly, when the side is straight
        return start - 0.5 + (len(profile) - dark if rising else dark)

    left, right = crossing(x0, y0, y1, 0, True), crossing(x1, y0, y1, 0, False)
    top, bottom = crossing(y0, x0, x1, 1, True), crossing(y1, x0, x1, 1, False)
    return np.array([(left, top), (right, top), (right, bottom), (left, bottom)])


def pdf(path, square, first):
    import pypdfium2

    document = pypdfium2.PdfDocument(path)
    for dpi in (100, 150, 300):
        worst_tag = worst_edge = worst_board = 0.0
        tags = 0
        for number, page in enumerate(document, start=first):
            gray = np.asarray(page.render(scale=dpi / 72.0, grayscale=True).to_numpy())
            gray = np.ascontiguousarray(gray if gray.ndim == 2 else gray[..., 0])
            width_mm = page.get_width() * 25.4 / 72.0
            # The renderer stretches the page to whole pixels.
            scale = np.array([gray.shape[1] / width_mm, gray.shape[0] / (page.get_height() * 25.4 / 72.0)])
            left, top = width_mm / 2 - 1.5 * square, 10.0

            parameters = cv2.aruco.DetectorParameters()
            parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
            found, ids, _ = cv2.aruco.ArucoDetector(FAMILY, parameters).detectMarkers(gray)
            seen = {} if ids is None else {int(i): c[0] for c, i in zip(found, ids.ravel())}
            want = range(6 * (number - 1), 6 * number)
            if sorted(seen) != list(want):
                fail(f"{path} sheet {number} at {dpi} dpi: tags {sorted(seen)}, not {list(want)}")
            for tag, (row, column) in zip(want, SLOTS):
                truth = expected_corners(row, column, square, left, top, scale)
                worst_tag = max(worst_tag, np.abs(seen[tag] - truth).max())
                worst_edge = max(worst_edge, np.abs(edges(gray, truth) - truth).max())
                tags += 1

            board = cv2.aruco.CharucoBoard((3, 4), square, 0.75 * square, FAMILY, np.array(want))
            corners, corner_ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(gray)
            if corners is None or len(corners) != 6:
                fail(f"{path} sheet {number} at {dpi} dpi: {0 if corners is None else len(corners)} of 6 board corners")
            for (x, y), i in zip(corners.reshape(-1, 2), corner_ids.ravel()):
                mm = np.array([left + (i % 2 + 1) * square, top + (i // 2 + 1) * square])
                worst_board = max(worst_board, np.abs(np.array([x, y]) - (mm * scale - 0.5)).max())
        print(f"{path.rsplit('/', 1)[-1]} {dpi} dpi: {tags} tags read; off by at most {worst_edge:.3f} px (sides), {worst_tag:.2f} px (tags' corners), "
              f"{worst_board:.2f} px (board corners)")
        # Sides: eight bits of grey over seven pixels give 0.01. Tags' corners: whole-pixel contours. Board corners: the detector's own 0.1 px and a reserve.
        if worst_edge > 0.02 or worst_tag > 1.5 or worst_board > 0.25:
            fail("that is too far")


def day(folder):
    truth = json.load(open(folder + "/truth.json"))
    lens, tripod = truth["lens"], truth["tripod"]
    matrix = np.array([[lens["fx"], 0, lens["cx"]], [0, lens["fy"], lens["cy"]], [0, 0, 1]])
    rotation, eye = np.array(tripod["R"]), np.array(tripod["eye_mm"])
    gray = cv2.imread(folder + "/calibration/tripod.jpg", cv2.IMREAD_GRAYSCALE)
    height, width = gray.shape

    def project(sheet, u, v):
        x, y, turn, across, down = truth["sheets"][str(sheet)]
        right, up, a = (u - 90) * across, (252 - v) * down, np.radians(turn)
        wall = np.array([x + right * np.cos(a) - up * np.sin(a), y + right * np.sin(a) + up * np.cos(a), 0])
        seen = (rotation @ (wall - eye)).reshape(1, 3)
        return cv2.projectPoints(seen, np.zeros(3), np.zeros(3), matrix, np.array(lens["dist"]))[0].ravel()

    found, ids, _ = cv2.aruco.ArucoDetector(FAMILY).detectMarkers(gray)
    for corners, tag in zip(found, [] if ids is None else ids.ravel()):
        row, column = SLOTS[tag % 6]
        middle = project(tag // 6 + 1, (column + 0.5) * 60, (row + 0.5) * 60)
        if np.abs(corners[0].mean(0) - middle).max() > 1.0:
            fail(f"tag {tag} is at {corners[0].mean(0)}, not {middle}")
    off = []
    for sheet in truth["sheets"]:
        for i in range(6):
            at = project(sheet, (i % 2 + 1) * 60, (i // 2 + 1) * 60)
            if (at > 12).all() and at[0] < width - 13 and at[1] < height - 13:
                seen = cv2.cornerSubPix(gray, at.astype(np.float32).reshape(1, 1, 2), (5, 5), (-1, -1), (3, 50, 1e-4))
                off.append(seen.ravel() - at)
    off = np.array(off)
    rms = np.sqrt((off**2).mean())
    print(f"{len(found)} tags in place; {len(off)} corners of {width} x {height} px off by {rms:.4f} px RMS an axis, mean {off.mean(0).round(4)}")
    # The finder's own error here is 0.03 px (noise, and a window of five pixels); its mean must fall with the square root of their number.
    if len(found) < 30 or rms > 0.05 or np.abs(off.mean(0)).max() > 5 * 0.05 / np.sqrt(len(off)):
        fail("that is too far")


if __name__ == "__main__":
    if len(sys.argv) == 3 and sys.argv[1] == "codes":
        codes(sys.argv[2])
    elif len(sys.argv) == 5 and sys.argv[1] == "pdf":
        pdf(sys.argv[2], float(sys.argv[3]), int(sys.argv[4]))
    elif len(sys.argv) == 3 and sys.argv[1] == "day":
        day(sys.argv[2])
    else:
        sys.exit(__doc__)
