"""Makes the README's pictures anew from the program's own demonstration.

    cargo build --release && python docs/make_pictures.py target/release/pockmark

Needs numpy, opencv, pillow, pypdfium2, and `chromium` on the path (it photographs the report).
"""

import csv
import pathlib
import shutil
import subprocess
import sys
import tempfile

import cv2
import numpy as np
import pypdfium2
from PIL import Image

DOCS = pathlib.Path(__file__).parent
# A README's pictures are loaded by everyone who looks at it.
MOST_BYTES = 250_000


def save(image, name, colours):
    """RGB to an indexed PNG."""
    path = DOCS / name
    Image.fromarray(image).quantize(colours, dither=Image.Dither.FLOYDSTEINBERG if colours > 64 else Image.Dither.NONE).save(path, optimize=True)
    size = path.stat().st_size
    print(f"{path}: {image.shape[1]} x {image.shape[0]} px, {size / 1000:.0f} kB")
    if size > MOST_BYTES:
        sys.exit(f"{path} is larger than {MOST_BYTES / 1000:.0f} kB")


def sheet(program, folder):
    pdf = folder / "sheets.pdf"
    subprocess.run([program, "sheets", "--count", "1", "-o", pdf], check=True, stdout=subprocess.DEVNULL)
    page = pypdfium2.PdfDocument(pdf)[0].render(scale=55 / 72).to_numpy()[..., ::-1]
    save(np.pad(page, ((1, 1), (1, 1), (0, 0)), constant_values=190), "sheet.png", 16)


def marks(session, volley="6"):
    """A volley's photo around its marks, with the outlines that results/shots.csv says; older marks stand between them."""
    rows = list(csv.DictReader(open(session / "results" / "shots.csv")))
    mine = sorted((r for r in rows if r["volley"] == volley), key=lambda r: float(r["px_y"]))
    wall = np.array([[float(r["x_mm"]), float(r["y_mm"])] for r in rows])
    pixel = np.array([[float(r["px_x"]), float(r["px_y"])] for r in rows])
    # The lens bends less than a line's width over this part of the photo.
    h, _ = cv2.findHomography(wall, pixel)
    photo = cv2.imread(str(session / "photos" / mine[0]["photo"]))
    middle = np.mean([[float(r["px_x"]), float(r["px_y"])] for r in mine], 0)
    half, grow = np.array([165, 95]), 2.4
    low = np.round(middle - half + [35, 0]).astype(int)
    cut = photo[low[1] : low[1] + 2 * half[1], low[0] : low[0] + 2 * half[0]]
    cut = cv2.resize(cut, None, fx=grow, fy=grow, interpolation=cv2.INTER_CUBIC)
    shift, ink = 4, (150, 60, 0)

    def at(points):
        return np.round(((points - low + 0.5) * grow - 0.5) * 2**shift).astype(np.int32)

    angle = np.linspace(0, 2 * np.pi, 73)
    for i, r in enumerate(mine):
        centre, radius = np.array([float(r["x_mm"]), float(r["y_mm"])]), 0.5 * float(r["diameter_mm"])
        circle = centre + radius * np.column_stack([np.cos(angle), np.sin(angle)])
        seen = at(cv2.perspectiveTransform(circle[None], h)[0])
        cv2.polylines(cut, [seen], True, ink, 2, cv2.LINE_AA, shift)
        # Labels stand in a column to the right, each with a line to its mark.
        x, y = cut.shape[1] - 205, cut.shape[0] // 2 + int(34 * (i - (len(mine) - 1) / 2))
        rim = seen[np.argmin(np.linalg.norm(seen - np.array([x - 8, y]) * 2**shift, axis=1))]
        cv2.line(cut, tuple(int(v) for v in rim), ((x - 8) << shift, y << shift), ink, 1, cv2.LINE_AA, shift)
        u = 2 * float(r["release_u_deg"])
        cv2.putText(cut, f"{r['mark']}: {float(r['release_deg']):.2f} +/- {u:.2f} deg", (x, y + 6), cv2.FONT_HERSHEY_SIMPLEX, 0.55, ink, 1, cv2.LINE_AA)
    save(np.ascontiguousarray(cut[..., ::-1]), "marks.png", 96)


def report(session, folder):
    shot = folder / "report.png"
    quiet = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"]
    browser = shutil.which("chromium") or sys.exit("no chromium on the path")
    page = (session / "results" / "report.html").resolve().as_uri()
    subprocess.run(
        [browser, *quiet, f"--user-data-dir={folder / 'browser'}", f"--screenshot={shot}", "--window-size=1000,1560", "--hide-scrollbars", page],
        check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )
    save(cv2.resize(cv2.imread(str(shot)), None, fx=0.8, fy=0.8, interpolation=cv2.INTER_AREA)[..., ::-1], "report.png", 64)


def label(program, session):
    subprocess.run([program, "label", session], check=True, stdout=subprocess.DEVNULL)
    drawn = cv2.imread(str(min((session / "results" / "labels").glob("2-*.png"))))
    small = cv2.resize(drawn, (800, round(800 * drawn.shape[0] / drawn.shape[1])), interpolation=cv2.INTER_AREA)[..., ::-1]
    save(np.pad(small, ((1, 1), (1, 1), (0, 0)), constant_values=190), "label.png", 32)


def main(program):
    program = pathlib.Path(program).resolve()
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        session = folder / "demo"
        subprocess.run([program, "demo", session], check=True, stdout=subprocess.DEVNULL)
        sheet(program, folder)
        marks(session)
        report(session, folder)
        label(program, session)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    main(sys.argv[1])
