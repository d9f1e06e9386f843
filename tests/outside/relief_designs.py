"""Continuous edge-to-edge lines of our own invention, for `relief_photos.py`.

Every family gives one repeat as an (n, 2) polyline in mm, x to the right, y down, that ends a repeat to the right of where it began.
They loop, cross themselves, turn at cusps, double back and echo; some are all straight strokes. Run it to look at them:

    python3 tests/outside/relief_designs.py designs.png
"""

import sys

import numpy as np
from scipy.interpolate import CubicSpline

STEP_MM = 0.5


def resampled(points, step=STEP_MM):
    """The polyline with points every `step`, its corners kept to within half a step."""
    points = np.asarray(points, float)
    keep = np.r_[True, np.hypot(*np.diff(points, axis=0).T) > 1e-6]
    points = points[keep]
    s = np.r_[0, np.cumsum(np.hypot(*np.diff(points, axis=0).T))]
    at = np.linspace(0, s[-1], max(int(s[-1] / step), 2) + 1)
    return np.c_[np.interp(at, s, points[:, 0]), np.interp(at, s, points[:, 1])]


def smooth(points, period=None):
    """A spline through the points by chord length; with a `period` the ends meet smoothly a repeat further on."""
    points = np.asarray(points, float)
    if period is None:
        t = np.r_[0, np.cumsum(np.hypot(*np.diff(points, axis=0).T) ** 0.7)]
        return CubicSpline(t, points)(np.linspace(0, t[-1], 60 * len(points)))
    t = np.r_[0, np.cumsum(np.hypot(*np.diff(np.vstack([points, points[0] + [period, 0]]), axis=0).T) ** 0.7)]
    drift = np.outer(t / t[-1], [period, 0])
    knots = np.vstack([points, points[0] + [period, 0]]) - drift
    knots[-1] = knots[0]  # they are, but for rounding
    spline = CubicSpline(t, knots, bc_type="periodic")
    at = np.linspace(0, t[-1], 60 * len(points))
    return spline(at) + np.outer(at / t[-1], [period, 0])


def turned(points, angle, about=(0, 0)):
    c, s = np.cos(angle), np.sin(angle)
    return (np.asarray(points) - about) @ np.array([[c, s], [-s, c]]) + about


def curls(rng):
    """Double spirals, in by one arm and out by the other, above and below by turns."""
    pieces, x = [], 0.0
    for i in range(rng.integers(1, 3) * 2):
        turns, size = rng.uniform(1.0, 1.9), rng.uniform(22, 38)
        theta = np.linspace(turns * 2 * np.pi, 0, 240)
        arm = (size * theta / theta[0])[:, None] * np.c_[np.cos(theta - theta[0] + np.pi), np.sin(theta - theta[0] + np.pi)]
        side = 1 if i % 2 else -1
        spiral = np.vstack([arm, -arm[::-1]]) * [1, side]
        pieces += [turned(spiral, rng.uniform(-0.5, 0.5)) + [x + size, side * rng.uniform(0, 26)]]
        x += 2 * size + rng.uniform(8, 26)
    line = [pieces[0]]
    for piece in pieces[1:] + [pieces[0] + [x, 0]]:
        a, b = line[-1][-1], piece[0]
        ta, tb = line[-1][-1] - line[-1][-4], piece[3] - piece[0]
        reach = np.hypot(*(b - a)) * 0.6 + 4
        p1, p2 = a + ta / np.hypot(*ta) * reach, b - tb / np.hypot(*tb) * reach
        u = np.linspace(0, 1, 60)[:, None]
        line += [(1 - u) ** 3 * a + 3 * u * (1 - u) ** 2 * p1 + 3 * u * u * (1 - u) * p2 + u**3 * b, piece]
    return np.vstack(line[:-1]), x


def leaves(rng):
    """A waving stem with pointed leaves on both sides, some with a vein sewn out and back."""
    repeat, n = rng.uniform(140, 240), rng.integers(3, 6)
    amplitude = rng.uniform(6, 22)
    stem = lambda u: np.c_[repeat * u, amplitude * np.sin(2 * np.pi * u)]
    line = []
    for i in range(n):
        u0, u1 = i / n, (i + 1) / n
        line += [stem(np.linspace(u0, u1, 50))]
        foot = line[-1][-1]
        length, width = rng.uniform(32, 62), rng.uniform(0.2, 0.36)
        t = np.linspace(0, 1, 70)
        belly = width * length * np.sin(np.pi * t**0.8) * (1 - 0.25 * t)
        bent = rng.uniform(-0.25, 0.25) * length * t * t
        out, back = np.c_[t * length, belly + bent], np.c_[t * length, -belly + bent][::-1]
        leaf = np.vstack([out, back])
        if rng.random() < 0.6:
            vein = np.c_[t * length * 0.72, bent * 0.9]
            leaf = np.vstack([leaf, vein, vein[::-1] + [0, rng.uniform(0.3, 1.2)]])
        leaf = turned(leaf, (1 if i % 2 else -1) * rng.uniform(0.6, 1.5))
        line += [leaf - leaf[0] + foot]
    line = np.vstack(line)
    line[-1] = [repeat, line[0, 1]]
    return line, repeat


def plume(rng):
    """A bent spine sewn out plain, lobes back along its one side and forth along the other."""
    repeat, n = rng.uniform(170, 300), rng.integers(5, 8)
    bend = rng.uniform(10, 30) * rng.choice([-1, 1])
    spine = lambda u: np.c_[repeat * (0.04 + 0.8 * u), bend * np.sin(np.pi * u) * (1 - 0.6 * u)]
    line = [[[0, 0]], spine(np.linspace(0, 1, 90))]
    for side, order in ((-1, range(n - 1, -1, -1)), (1, range(n))):
        for i in order:
            a, b = (spine(np.array([v]))[0] for v in ((i + 1) / n, i / n))
            if side > 0:
                a, b = b, a
            reach = (0.32 + 0.5 * np.sin(np.pi * (i + 0.7) / (n + 0.4))) * rng.uniform(50, 62) * side
            lean = 0.35 * abs(reach)
            top = (a + b) / 2 + [lean, reach]
            u = np.linspace(0, 1, 60)[:, None]
            wide = np.array([0.32 * abs(reach) * (1 if side < 0 else -1), 0])
            line += [(1 - u) ** 3 * a + 3 * u * (1 - u) ** 2 * (top + wide) + 3 * u * u * (1 - u) * (top - wide) + u**3 * b]
    end = np.array([[repeat * 0.92, bend * 0.1], [repeat, 0]])
    return np.vstack(line + [end]), repeat


def key(rng):
    """Straight strokes only: square spirals in and out, with zigzags of unequal height between them."""
    cell, line, x = rng.uniform(7, 12), [[0, 0]], 0.0
    for _ in range(rng.integers(1, 3)):
        turns = rng.integers(3, 6)
        inward = [np.array([x, 0.0])]
        size = cell * (turns + 2)
        corner = np.array([[0, -1], [1, 0], [0, 1], [-1, 0]])
        length = [size, size, size - cell] + [size - cell * 2 - cell * 2 * k for k in range(turns) for _ in range(2)]
        for k, stroke in enumerate(length):
            if stroke < cell:
                break
            inward += [inward[-1] + corner[k % 4] * stroke]
        inward = np.array(inward)
        middle = inward[-1]
        back = inward[::-1][1:] + (middle - inward[-1]) + rng.uniform(0.5, 1.6) * np.array([1, 1])
        line += list(inward) + list(back[:-1]) + [[x + size + cell * 1.2, back[-2][1] * 0 - size - cell * 0.8], [x + size + cell * 1.2, 0]]
        x += size + cell * 1.2
        for _ in range(rng.integers(2, 5)):
            up = rng.uniform(0.3, 1.1) * size * rng.choice([-1, 1])
            wide = rng.uniform(1.2, 2.6) * cell
            line += [[x + wide * rng.uniform(0.3, 0.6), up], [x + wide, 0]]
            x += wide
    return np.array(line, float), x


def loops(rng):
    """Sums of a few circles rolled along: big and small loops, crossings, near-cusps."""
    u = np.linspace(0, 2 * np.pi, 3000)
    repeat = rng.uniform(130, 260)
    n = rng.integers(2, 4)
    a, b = rng.uniform(0.7, 1.3, 2) * repeat / 2 / np.pi
    pa, pb = rng.uniform(0, 2 * np.pi, 2)
    x = repeat * u / 2 / np.pi + 0.9 * a * np.sin(n * u + pa) + 0.5 * b * np.sin(u + pb)
    y = 0.9 * a * np.cos(n * u + pa) + b * np.cos(u + pb) + 0.3 * a * np.sin((n + 1) * u)
    return np.c_[x, y], repeat


def wander(rng):
    """A spline through scattered places, there and back at will."""
    repeat, n = rng.uniform(150, 320), rng.integers(7, 13)
    x = np.linspace(0, repeat, n, endpoint=False) + rng.uniform(-0.9, 0.9, n) * repeat / n
    y = np.where(np.arange(n) % 2 == 0, 1, -1) * rng.uniform(8, 70, n)
    return smooth(np.c_[x, y], repeat), repeat


def shells(rng):
    """Arcs forth, back inside, and forth again, with a cusp at each end."""
    repeat = rng.uniform(120, 200)
    n = rng.integers(1, 3)
    width, line = repeat / n, []
    share = rng.uniform(0.5, 0.75, n)
    for i in range(n):
        side = -1 if n == 1 or i % 2 == 0 else 1
        for k, (size, way) in enumerate(((1.0, 1), (share[i], -1), (share[i] ** 2, 1), (share[i] ** 1.0, -1), (1.0, 1))):
            if k == 3:
                continue
            t = np.linspace(0, np.pi, 90)[::way]
            h = 0.62 * width * size
            arc = np.c_[width / 2 - width / 2 * size * np.cos(t), side * h * np.sin(t) ** rng.uniform(0.75, 1.2)]
            if k == 4:
                arc = np.c_[np.linspace(width / 2 + width / 2 * share[i] ** 2, width, 40), 9 * side * np.sin(np.linspace(0, np.pi, 40))]
            line += [arc + [i * width, 0]]
    return np.vstack(line), repeat


def stars(rng):
    """Stars of one stroke, hung on a swinging line."""
    repeat, n = rng.uniform(120, 210), rng.integers(1, 3)
    line = []
    for i in range(n):
        x0, x1 = repeat * i / n, repeat * (i + 1) / n
        points, radius = rng.choice([5, 7]), rng.uniform(26, 40)
        u = np.linspace(0, 1, 50)
        lead = np.c_[x0 + (x1 - x0) * 0.5 * u, rng.uniform(10, 26) * np.sin(np.pi * u) * (-1) ** i]
        a = np.arange(points + 1) * 2 * np.pi * (points // 2) / points + np.pi / 2
        star = radius * np.c_[np.cos(a), -np.sin(a)]
        star = star - star[0] + lead[-1]
        away = np.c_[x0 + (x1 - x0) * (0.5 + 0.5 * u), -rng.uniform(10, 26) * np.sin(np.pi * u) * (-1) ** i]
        line += [lead, star, away]
    return np.vstack(line), repeat


def blooms(rng):
    """Round petals about a middle, stems with a small loop between."""
    repeat, petals = rng.uniform(130, 230), rng.integers(4, 7)
    radius = rng.uniform(0.16, 0.24) * repeat
    centre = np.array([repeat * 0.45, -rng.uniform(0, 20)])
    u = np.linspace(0, 1, 700)
    a = np.pi + 2 * np.pi * u * (1 + 0.5 / petals)
    r = radius * (0.42 + 0.58 * np.abs(np.sin(petals * (a - np.pi) / 2)) ** 0.8)
    bloom = centre + np.c_[r * np.cos(a), r * np.sin(a)]
    into = smooth([[0, 14], [repeat * 0.1, 22], [repeat * 0.14, 4], bloom[0] + [-3, 1], bloom[0]])
    knot = [[repeat * 0.83, 30], [repeat * 0.88, 2], [repeat * 0.80, 10], [repeat * 0.92, 24]]
    out = smooth([bloom[-1], bloom[-1] + [8, 6], *knot, [repeat, 14]])
    return np.vstack([into, bloom, out]), repeat


FAMILIES = {f.__name__: f for f in (curls, leaves, plume, key, loops, wander, shells, stars, blooms)}


def design(rng, family):
    """One repeat of 120 to 330 mm, 60 to 210 mm high: its points every half millimetre, middle of its height at 0."""
    line, repeat = FAMILIES[family](rng)
    size = np.clip(repeat * rng.uniform(0.85, 1.25), 120, 330) / repeat
    line = (line - [line[0, 0], 0]) * size
    repeat *= size
    height = np.ptp(line[:, 1])
    line[:, 1] *= np.clip(height, 60, 210) / height * rng.choice([-1, 1])
    line[:, 1] -= (line[:, 1].max() + line[:, 1].min()) / 2
    line[-1] = [repeat, line[0, 1]]
    return resampled(line), float(repeat)


def write_svg(points, repeat, path):
    top, height = points[:, 1].min() - 5, np.ptp(points[:, 1]) + 10
    d = "M" + " L".join(f"{x:.3f},{y:.3f}" for x, y in points)
    path.write_text(f'<svg xmlns="http://www.w3.org/2000/svg" width="{repeat:.3f}mm" height="{height:.3f}mm" '
                    f'viewBox="0 {top:.3f} {repeat:.3f} {height:.3f}"><path d="{d}" fill="none" stroke="black"/></svg>\n')


def draw_families(families, design, each, path):
    """A picture of some designs of each family, to look at."""
    import cv2
    tiles = []
    for name in families:
        for seed in range(each):
            points, repeat = design(np.random.default_rng(seed), name)
            tile = np.full((240, 720, 3), 255, np.uint8)
            for k in range(-1, 6):
                at = np.round((points + [k * repeat, 120]) * 16).astype(np.int32)
                cv2.polylines(tile, [at], False, (0, 0, 0) if k % 2 else (200, 60, 0), 1, cv2.LINE_AA, 4)
            cv2.putText(tile, f"{name} {seed} {repeat:.0f} x {np.ptp(points[:, 1]):.0f}", (4, 14), 0, 0.45, (0, 0, 255))
            tiles.append(tile)
    cv2.imwrite(path, np.vstack([np.hstack(tiles[i : i + each]) for i in range(0, len(tiles), each)]))


if __name__ == "__main__":
    draw_families(FAMILIES, design, 2, sys.argv[1])
