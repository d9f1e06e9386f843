"""Photos of several cards on one plane, solved by general libraries: `mosaic.json` for `tests/reference_mosaic.rs`.

Corners are drawn by OpenCV's projectPoints with noise. Each photo's pose on its own comes from solvePnP (all cards
of one photo, as they were laid). Then all poses and the cards' places are one least-squares problem, whose residuals
are OpenCV's projectPoints and whose solver is scipy's least_squares: nothing of rowsight is in it.

    python3 make.py        (needs numpy, scipy, opencv; versions are written into the file)
"""

import json

import cv2
import numpy as np
import scipy
from scipy.optimize import least_squares

rng = np.random.default_rng(7)
SIZE = (4000, 3000)
K = np.array([[3000.0, 0, 2010.0], [0, 3000.0, 1490.0], [0, 0, 1]])
DIST = np.array([-0.05, 0.0, 0.0, 0.0, 0.0])
NOISE_PX = 0.05
PITCH = 54.6


def grid(columns, rows):
    return [((i - (columns - 1) / 2) * PITCH, (j - (rows - 1) / 2) * PITCH) for j in range(rows) for i in range(columns)]


# Name, points on the card, x, y, angle: the first fixes the frame.
CARDS = [
    ("sheet 1", grid(5, 4), 0.0, 0.0, 0.0),
    ("strip 1", grid(5, 2), 620.0, 90.0, 0.7),
    ("strip 2", grid(5, 2), 180.0, 560.0, -2.1),
    ("sheet 2", grid(5, 4), 900.0, 650.0, 1.3),
]
# What each photo looks at, from how far, turned by (rotation vector).
PHOTOS = [
    ((150.0, 150.0), 1300.0, (0.25, -0.10, 0.05), (0, 1, 2)),
    ((550.0, 300.0), 1500.0, (-0.20, 0.22, 1.60), (0, 1, 2, 3)),
    ((650.0, 500.0), 1250.0, (0.05, 0.30, -0.40), (1, 2, 3)),
    ((500.0, 350.0), 1700.0, (-0.35, -0.15, 3.00), (0, 1, 2, 3)),
]


def on_quilt(points, x, y, angle):
    c, s = np.cos(angle), np.sin(angle)
    p = np.array(points)
    return np.column_stack([x + c * p[:, 0] - s * p[:, 1], y + s * p[:, 0] + c * p[:, 1], np.zeros(len(p))])


def project(points, rvec, tvec):
    return cv2.projectPoints(points, np.asarray(rvec, float), np.asarray(tvec, float), K, DIST)[0].reshape(-1, 2)


photos = []
for target, distance, turn, cards in PHOTOS:
    rvec = np.array(turn)
    rotation, _ = cv2.Rodrigues(rvec)
    tvec = np.array([0, 0, distance]) - rotation @ np.array([*target, 0.0])
    seen = {}
    for card in cards:
        name, points, x, y, angle = CARDS[card]
        px = project(on_quilt(points, x, y, angle), rvec, tvec)
        # Scatter within two standard deviations: none that a robust loss would weigh otherwise.
        noise = np.clip(rng.normal(0, NOISE_PX, px.shape), -2 * NOISE_PX, 2 * NOISE_PX)
        px = np.round(px + noise, 6)
        assert (px > 0).all() and (px < np.array(SIZE)).all(), (name, px.min(0), px.max(0))
        seen[card] = px
    photos.append(seen)

alone = []
for seen in photos:
    points = np.concatenate([on_quilt(*CARDS[c][1:]) for c in seen])
    px = np.concatenate([seen[c] for c in seen])
    ok, rvec, tvec = cv2.solvePnP(points, px, K, DIST)
    assert ok
    alone.append((rvec.ravel(), tvec.ravel()))


def unpack(p):
    poses = p[: 6 * len(photos)].reshape(-1, 6)
    places = np.vstack([[0.0, 0.0, 0.0], p[6 * len(photos) :].reshape(-1, 3)])
    return poses, places


def residuals(p):
    poses, places = unpack(p)
    parts = []
    for pose, seen in zip(poses, photos):
        for card, px in seen.items():
            found = project(on_quilt(CARDS[card][1], *places[card]), pose[:3], pose[3:])
            parts.append((found - px).ravel() / NOISE_PX)
    return np.concatenate(parts)


start = np.concatenate([np.concatenate(a) for a in alone] + [np.array(c[2:]) for c in CARDS[1:]])
fit = least_squares(residuals, start, method="lm", x_scale="jac", xtol=1e-14, ftol=1e-14, gtol=1e-14)
poses, places = unpack(fit.x)
covariance = np.linalg.inv(fit.jac.T @ fit.jac)
u = np.sqrt(np.diag(covariance))
json.dump(
    {
        "versions": {"opencv": cv2.__version__, "scipy": scipy.__version__, "numpy": np.__version__},
        "size_px": SIZE,
        "focal_px": K[0, 0],
        "centre_px": [K[0, 2], K[1, 2]],
        "k1": DIST[0],
        "noise_px": NOISE_PX,
        "cards": [{"name": c[0], "on_card_mm": c[1]} for c in CARDS],
        "photos": [[{"card": int(c), "px": px.tolist()} for c, px in seen.items()] for seen in photos],
        "solve_pnp": [{"rvec": r.tolist(), "tvec": t.tolist()} for r, t in alone],
        "poses": [{"rvec": p[:3].tolist(), "tvec": p[3:].tolist()} for p in poses],
        "places": places.tolist(),
        "places_u": u[6 * len(photos) :].reshape(-1, 3).tolist(),
        "cost": float((fit.fun**2).sum()),
    },
    open("mosaic.json", "w"),
    indent=1,
)
print(len(fit.fun), "residuals, sum of squares", (fit.fun**2).sum(), "largest", abs(fit.fun).max())
