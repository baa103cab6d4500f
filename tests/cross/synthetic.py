"""Photographs of a flat drawing through a known homography, for the checks beside this file."""

import numpy as np
from scipy import ndimage

# Samples a pixel, each way.
FINER = 4


def homography(turn_deg, tilt_deg, tip_deg, scale, middle, size):
    """Drawing to photo, px: a lens with a focal length of 1.2 photo widths looks at a plane that is turned, tilted and tipped.

    The drawing's `middle` comes near the photo's; there, before tilting, a pixel of the drawing is `scale` pixels of the photo.
    """
    turn, tilt, tip = np.radians([turn_deg, tilt_deg, tip_deg])
    rz = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    ry = np.array([[np.cos(tilt), 0, np.sin(tilt)], [0, 1, 0], [-np.sin(tilt), 0, np.cos(tilt)]])
    rx = np.array([[1, 0, 0], [0, np.cos(tip), -np.sin(tip)], [0, np.sin(tip), np.cos(tip)]])
    rotation = rz @ ry @ rx
    focal = 1.2 * size[0]
    # Off the middle by parts of a pixel, so that nothing lies on the grid by chance.
    lens = np.array([[focal, 0, size[0] / 2 - 0.23], [0, focal, size[1] / 2 - 0.81], [0, 0, 1]])
    plane = np.column_stack([rotation[:, 0], rotation[:, 1], [0, 0, focal / scale]])
    return lens @ plane @ np.array([[1, 0, -middle[0]], [0, 1, -middle[1]], [0, 0, 1.0]])


def seen_through(h, points):
    """Points of the drawing as the photo shows them, px, pixel centres at whole numbers."""
    p = np.column_stack([points, np.ones(len(points))]) @ h.T
    return p[:, :2] / p[:, 2:]


def sharp(image, h, size, around=230.0):
    """The drawing through h as a sensor of perfect lens would see it (the mean over each pixel), 0 to 255.

    Every pixel is the mean of FINER x FINER samples. Between the drawing's pixels the samples are interpolated: an edge is
    a ramp, symmetric about where it is. (Taking the nearest pixel would put edges on the grid of the samples.)
    """
    back = np.linalg.inv(h)
    offsets = (np.arange(FINER) + 0.5) / FINER - 0.5
    x = (np.arange(size[0])[:, None] + offsets).ravel()
    out = np.empty((size[1], size[0]))
    source = image.astype(np.float64)
    for row in range(size[1]):
        gx, gy = np.meshgrid(x, row + offsets)
        p = back @ np.stack([gx.ravel(), gy.ravel(), np.ones(gx.size)])
        value = ndimage.map_coordinates(source, [p[1] / p[2], p[0] / p[2]], order=1, cval=around)
        out[row] = value.reshape(FINER, size[0], FINER).mean((0, 2))
    return out


def photograph(clean, blur, noise, rng):
    """Paper and ink instead of 255 and 0, a Gaussian blur (SD, px), noise (SD, grey values), eight bits."""
    photo = ndimage.gaussian_filter(25 + 0.8 * clean, blur) + rng.normal(0, noise, clean.shape)
    return np.clip(np.rint(photo), 0, 255).astype(np.uint8)
