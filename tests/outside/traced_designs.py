"""Continuous lines for `traced_photos.py`, most of them drawn by their heading: a pen that turns as it goes.

Every family gives one repeat as an (n, 2) polyline, x to the right, y down, that ends one repeat to the right of where it began; a line
drawn by its heading is levelled and brought to size afterwards. Run it to look at them:

    python3 tests/outside/traced_designs.py designs.png
"""

import sys

import numpy as np

STEP_MM = 0.5


def bell(s, middle, width):
    return np.exp(-(((s - middle) / width) ** 2) / 2)


def penned(heading):
    """The path of a pen of even speed, levelled, its length of repeat 1; None when it hardly comes forward."""
    path = np.r_[[[0, 0]], np.cumsum(np.c_[np.cos(heading), np.sin(heading)], 0)] / len(heading)
    c, s = path[-1]
    far = np.hypot(c, s)
    return None if far < 0.12 else path @ np.array([[c, -s], [s, c]]) / far**2


def ribbons(rng):
    """A swaying line that throws a full loop at each crest, now to one side, now to the other."""
    s = np.linspace(0, 1, 4000)
    n = int(rng.integers(1, 4))
    heading = rng.uniform(0.3, 0.9) * np.sin(2 * np.pi * s + rng.uniform(0, 7)) + rng.uniform(0, 0.5) * np.sin(4 * np.pi * s)
    turn = np.zeros_like(s)
    for k in range(n):
        side = (-1) ** k if n % 2 == 0 else 1
        turn += side * bell(s, (k + 0.5) / n + rng.uniform(-0.1, 0.1) / n, rng.uniform(0.05, 0.11) / n**0.7)
    density = np.cumsum(turn)  # each bell makes one whole turn
    return penned(heading + 2 * np.pi * n * density / np.abs(turn).sum())


def meander(rng):
    """A river's bends, some so wide that they lean over themselves."""
    s = np.linspace(0, 2 * np.pi, 4000)
    k = int(rng.integers(1, 3))
    a = rng.uniform(1.3, 2.05)
    heading = a * np.sin(k * s) + rng.uniform(0.1, 0.7) * np.sin((k + 1) * s + rng.uniform(0, 7))
    return penned(heading + rng.uniform(-0.5, 0.5) * np.sin(3 * s))


def volutes(rng):
    """Coils joined by their outer ends: each winds in ever tighter, turns about in its eye and comes out between its own turns."""
    pieces, x = [], 0.0
    n = int(rng.integers(1, 3))
    for k in range(n):
        wind, size = rng.uniform(1.25, 2.3) * 2 * np.pi, rng.uniform(0.8, 1.2)
        t = np.linspace(0, 1, 500)
        radius = size * (1 - 0.88 * t)
        inward = np.c_[radius * np.cos(wind * t + np.pi), -radius * np.sin(wind * t + np.pi)]
        # The way out runs half a turn's gap inside the way in, so the two never touch.
        outer = size * (1 - 0.88 * t) - size * 0.44 / (wind / 2 / np.pi)
        keep = outer > 0.06 * size
        out = np.c_[outer * np.cos(wind * t + np.pi), -outer * np.sin(wind * t + np.pi)][keep][::-1]
        leave = np.vstack([out[-1:], size * np.array([[-0.5, 1.12], [0.3, 1.25], [1.15, 0.9], [1.5, 0]])])
        u = np.linspace(0, 1, 160)[:, None]
        b = [(1 - u) ** 4, 4 * u * (1 - u) ** 3, 6 * u**2 * (1 - u) ** 2, 4 * u**3 * (1 - u), u**4]
        link = sum(w * p for w, p in zip(b, leave))
        side = (-1) ** k
        pieces += [np.vstack([inward, out, link]) * [1, side] + [x + size, 0]]
        x += 2.5 * size
    line = np.vstack(pieces)
    line = np.vstack([[[0, 0]], line]) if np.hypot(*line[0]) > 1e-6 else line
    return line / x


def stairs(rng):
    """Straight strokes at half right angles: steps up, a flight down, a tooth or a box now and then."""
    moves = {"step": [(1, 0), (0, -1)], "down": [(1, 1)], "tooth": [(1, -2), (1, 2)], "slant": [(2, -1)], "flat": [(1, 0)],
             "box": [(0, -2), (2, 0), (0, 1), (-1, 0), (0, 1), (1, 0)]}
    for _ in range(200):
        names = rng.choice(list(moves), int(rng.integers(4, 8)))
        at, line = np.zeros(2), [np.zeros(2)]
        for name in names:
            size, flip = rng.choice([1, 1, 1.5, 2]), rng.choice([-1, 1])
            for d in moves[name]:
                at = at + np.array([d[0], d[1] * flip]) * size
                line += [at]
        home = -at[1]
        line += [at + [abs(home) * rng.choice([0, 0.5, 1]) + 0.5, home]]
        line = np.array(line)
        if 0.35 < np.ptp(line[:, 1]) / line[-1, 0] < 1.1:
            return line / line[-1, 0]
    return np.array([[0, 0], [0.25, 0.3], [0.5, -0.3], [0.5, 0.1], [1, 0]])


def ferns(rng):
    """A bowed spine with barbs sewn out and back a hair beside themselves, on both sides by turns."""
    n, bow = int(rng.integers(5, 10)), rng.uniform(-0.15, 0.15)
    spine = lambda u: np.array([u, bow * np.sin(2 * np.pi * u)])
    line = [spine(0)]
    lean = rng.uniform(0.5, 1.1)
    for k in range(n):
        line += [spine((k + v) / n) for v in np.linspace(0.1, 1, 12)]
        length = (0.18 + 0.3 * np.sin(np.pi * (k + 0.8) / (n + 0.6))) * rng.uniform(0.85, 1.1)
        side = (-1) ** k
        t = np.linspace(0, 1, 40)
        bend = 0.16 * length * np.sin(np.pi * t)
        barb = np.c_[t * length * np.cos(lean) + bend * np.sin(lean), side * (t * length * np.sin(lean) - bend * np.cos(lean))]
        foot = line[-1]
        back = barb[::-1] + np.c_[0.05 * length * np.sin(np.pi * t[::-1]), np.zeros(40)]
        line += list(foot + barb) + list(foot + back)
    line += [spine(1)]
    return np.array(line)


def scales(rng):
    """Two tiers of arcs: small ones forth, one wide arc back over them, and home beneath."""
    n, high = int(rng.integers(2, 5)), rng.uniform(0.45, 0.8)
    t = np.linspace(0, np.pi, 120)
    width = 0.86 / n
    line = [np.c_[width * (k + 0.5 - 0.5 * np.cos(t)), -rng.uniform(0.5, 0.95) * width * np.sin(t)] for k in range(n)]
    over = np.c_[0.43 + 0.43 * np.cos(t), -high * np.sin(t) ** rng.uniform(0.8, 1.3)]
    dip = rng.uniform(0.08, 0.22)
    under = np.c_[np.linspace(0, 1, 160), dip * np.sin(np.linspace(0, np.pi, 160)) ** 2]
    return np.vstack([*line, over, under])


def fans(rng):
    """Leaves like open fans, straight sided with a scalloped edge, hung on a stem above and below."""
    n, line = int(rng.integers(1, 4)), [np.zeros((1, 2))]
    sway = rng.uniform(0.02, 0.08)
    for k in range(n):
        u = np.linspace(k / n, (k + 0.6) / n, 40)
        line += [np.c_[u, sway * np.sin(2 * np.pi * n * u)]]
        foot, side = line[-1][-1], (-1) ** k if n > 1 else rng.choice([-1, 1])
        reach, spread, lobes = rng.uniform(0.34, 0.5) / n**0.5, rng.uniform(0.5, 0.95), int(rng.integers(2, 5))
        a = np.linspace(-spread, spread, 160)
        r = reach * (1 - 0.16 * (1 - np.abs(np.sin(lobes * (a + spread) / spread * np.pi / 2))))
        edge = np.c_[r * np.sin(a + 0.25), -side * r * np.cos(a + 0.25)]
        line += [foot + edge, foot[None] + [[0.004, 0]]]
        u = np.linspace((k + 0.6) / n, (k + 1) / n, 30)
        line += [np.c_[u, sway * np.sin(2 * np.pi * n * u)]]
    return np.vstack(line)


FAMILIES = {f.__name__: f for f in (ribbons, meander, volutes, stairs, ferns, scales, fans)}


def resampled(points, step=STEP_MM):
    """The polyline with points every `step`, its ends kept."""
    keep = np.r_[True, np.hypot(*np.diff(points, axis=0).T) > 1e-6]
    points = points[keep]
    s = np.r_[0, np.cumsum(np.hypot(*np.diff(points, axis=0).T))]
    at = np.linspace(0, s[-1], max(int(s[-1] / step), 2) + 1)
    return np.c_[np.interp(at, s, points[:, 0]), np.interp(at, s, points[:, 1])]


def design(rng, family):
    """One repeat of 120 to 350 mm, 60 to 200 mm high: its points every half millimetre, middle of its height at 0."""
    line = None
    while line is None or not 0.12 < np.ptp(line[:, 1]) < 1.5:
        line = FAMILIES[family](rng)
    high = np.ptp(line[:, 1])
    shortest = min(max(120, 60 / high), 330)
    repeat = float(rng.uniform(shortest, max(min(350, 170 / high), shortest + 15)))
    line = line * repeat * [1, rng.choice([-1, 1])]
    line[:, 1] *= np.clip(np.ptp(line[:, 1]), 60, 200) / np.ptp(line[:, 1])
    line -= [line[0, 0], (line[:, 1].max() + line[:, 1].min()) / 2]
    line[-1] = [repeat, line[0, 1]]
    return resampled(line), repeat


def write_svg(points, path):
    """The repeat as the plan wants it: a drawing in millimetres."""
    low, size = points.min(0) - 4, np.ptp(points, 0) + 8
    trail = " ".join(f"{x:.3f},{y:.3f}" for x, y in points - low)
    path.write_text(f'<svg xmlns="http://www.w3.org/2000/svg" width="{size[0]:.3f}mm" height="{size[1]:.3f}mm" '
                    f'viewBox="0 0 {size[0]:.3f} {size[1]:.3f}"><polyline points="{trail}" fill="none" stroke="black"/></svg>\n')


if __name__ == "__main__":
    from relief_designs import draw_families
    draw_families(FAMILIES, design, 3, sys.argv[1])
