"""What does a plain pipeline cost on the same photos, one thread, ms of processor time a photo? (Arguments: photos in order.)

Decode to grey, align by ECC on locally normalised photos at quarter size, subtract under a local gain, threshold, label. No marks are
told apart and nothing is measured: it is what any program must do at least.
"""

import resource
import sys

import cv2
import numpy as np

cv2.setNumThreads(1)


def cpu():
    u = resource.getrusage(resource.RUSAGE_SELF)
    return u.ru_utime + u.ru_stime


def normalised(gray):
    f = gray.astype(np.float32)
    mean = cv2.boxFilter(f, -1, (15, 15))
    spread = np.sqrt(np.maximum(cv2.boxFilter(f * f, -1, (15, 15)) - mean * mean, 0)) + 1
    return (f - mean) / spread


def main():
    before = None
    start = cpu()
    for path in sys.argv[1:]:
        after = cv2.imread(path, cv2.IMREAD_GRAYSCALE)
        if before is not None:
            small = [normalised(cv2.resize(g, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)) for g in (before, after)]
            map_ = np.eye(3, dtype=np.float32)
            stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 30, 1e-5)
            try:
                _, map_ = cv2.findTransformECC(small[1], small[0], map_, cv2.MOTION_HOMOGRAPHY, stop, None, 5)
            except cv2.error:
                pass
            scale = np.diag([4.0, 4.0, 1.0]).astype(np.float32)
            full = scale @ map_ @ np.linalg.inv(scale)
            size = (after.shape[1], after.shape[0])
            moved = cv2.warpPerspective(before, full, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
            a, b = (cv2.boxFilter(g.astype(np.float32), -1, (9, 9)) for g in (after, moved))
            gain = cv2.boxFilter(a, -1, (255, 255)) / (cv2.boxFilter(b, -1, (255, 255)) + 1)
            change = np.abs(a / (gain * b + 1) - 1)
            cv2.connectedComponentsWithStats((change > 0.08).astype(np.uint8))
        before = after
    print(1e3 * (cpu() - start) / max(len(sys.argv) - 1, 1))


main()
