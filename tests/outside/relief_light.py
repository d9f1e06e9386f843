"""From cloth and stitches to the light that leaves the quilt, for `relief_photos.py`: heights, normals, shadows, and what lies about.

Everything is laid out along the cloth, k texels a mm; heights in mm towards the camera.
"""

import cv2
import numpy as np

from relief_camera import kelvin
from relief_cloth import clouds, cloth, colour, dice

FULL = 20000.0  # light of 1.0 as it is stored, 16 bits


def linear(code):
    c = np.asarray(code, np.float32) / 255
    return np.where(c < 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4).astype(np.float32)


def floor(rng, shape, k):
    """Boards, carpet or tiles, out of focus and darker than the quilt."""
    h, w = shape
    small = (h // 4 + 1, w // 4 + 1)
    base = colour(rng)
    base = (0.25 * base + 0.75 * base.mean() * np.array([1.08, 1.0, 0.88])) * rng.uniform(0.3, 0.9)
    kind = rng.integers(3)
    grain = clouds(rng, small, 3 if kind == 1 else 40, 3) * (0.12 if kind else 0.05)
    if kind == 0:
        grain = cv2.resize(clouds(rng, (small[0], small[1] // 24 + 2), 3, 3), small[::-1], interpolation=cv2.INTER_LINEAR) * 0.12
        grain[(np.arange(small[0]) % max(int(26 * k), 8)) < 2] -= 0.4
    picture = np.clip(base * (1 + grain[..., None]), 0, 255).astype(np.uint8)
    return cv2.resize(cv2.GaussianBlur(picture, (0, 0), 1.5), (w, h), interpolation=cv2.INTER_LINEAR)


def rail(rng, n):
    """A tube across: shade by angle, one bright streak."""
    a = np.linspace(-1, 1, max(n, 2))
    shade = 0.25 + 0.6 * np.sqrt(np.clip(1 - a * a, 0, 1)) + 0.5 * np.exp(-(((a + rng.uniform(-0.6, 0.2)) / 0.08) ** 2))
    return np.clip(shade[:, None] * rng.choice([rng.uniform(40, 80), rng.uniform(120, 210)]) * (1 + rng.normal(0, 0.03, 3)), 0, 255)


def capsule(mask, p, q, r, value=255):
    cv2.line(mask, tuple(np.round(p).astype(int).tolist()), tuple(np.round(q).astype(int).tolist()), value, max(int(2 * r), 1), cv2.LINE_AA)


def objects(seed, s, cells, origin, cards):
    """Things laid on the rows, clear of the cards: (mask on the 1 mm grid, height, dome radius, colour)."""
    rng, out = dice(seed, "objects"), []
    for _ in range(s["occluders"]):
        for _ in range(12):
            one = thing(rng, s, cells, origin)
            if not any((cards & (m > 100)).any() for m, *_ in one):
                out += one
                break
    return out


def thing(rng, s, cells, origin):
    out = []
    h, w = cells
    x_of = lambda: s["middle"] + rng.uniform(-0.42, 0.42) * s["view_mm"][0] - origin[0]
    y_of = lambda low, high: rng.uniform(low, high) - origin[1]
    kind = rng.choice(["hand", "ruler", "scissors", "sleeve", "head", "threads", "paper"])
    m, x, y = np.zeros(cells, np.uint8), x_of(), y_of(-150, 60)
    turn = rng.uniform(0, 2 * np.pi)
    d = np.array([np.cos(turn), np.sin(turn)])
    if kind == "hand":
        side = rng.choice([-1, 1])
        d = np.array([side * rng.uniform(0.2, 1), -rng.uniform(0.5, 1)])
        d /= np.hypot(*d)
        n = np.array([-d[1], d[0]])
        p = np.array([x, y])
        capsule(m, p, p + 15 * d, 36)
        capsule(m, p - 30 * d, p - 1500 * d, 29)
        for i, length in enumerate((66, 78, 72, 56)):
            spread = (i - 1.5) * 19
            capsule(m, p + spread * n, p + (30 + length) * d + 1.35 * spread * n, 8.5)
        capsule(m, p - 25 * d, p + 22 * d - side * 62 * n, 10)
        tone = np.array([[226, 178, 150], [188, 132, 100], [126, 84, 60], [84, 56, 42], [240, 200, 178]][rng.integers(5)], float)
        out.append((m, 20, 16, tone))
        cuff = np.zeros(cells, np.uint8)
        capsule(cuff, p - rng.uniform(90, 200) * d, p - 1500 * d, 43)
        out.append((cuff, 28, 20, colour(rng)))
    elif kind == "sleeve":
        capsule(m, (x, h + 60), (x + rng.uniform(-150, 150), y + 100), 60)
        out.append((m, 40, 35, colour(rng)))
    elif kind == "ruler":
        q = cv2.boxPoints(((float(x), float(y)), (float(rng.uniform(200, 460)), float(rng.uniform(26, 64))), float(rng.normal(0, 40))))
        cv2.fillConvexPoly(m, np.round(q).astype(np.int32), 255, cv2.LINE_AA)
        out.append((m, 1.2, 1.0, np.array([[214, 184, 128], [190, 194, 198], [232, 214, 90]][rng.integers(3)], float)))
        ticks, base, edge = np.zeros(cells, np.uint8), q[0], (q[1] - q[0], q[3] - q[0])
        long = max(edge, key=lambda e: np.hypot(*e))
        wide = min(edge, key=lambda e: np.hypot(*e))
        for t in np.arange(5, np.hypot(*long) - 4, 5):
            p = base + long / np.hypot(*long) * t
            capsule(ticks, p, p + wide / np.hypot(*wide) * (10 if t % 25 == 0 else 5), 0.5)
        out.append((ticks, 1.25, 1.0, np.array([30.0, 30, 30])))
    elif kind == "scissors":
        p, n = np.array([x, y]), np.array([-d[1], d[0]])
        for side in (-1, 1):
            blade = np.array([p, p + 95 * d + side * 9 * n, p + 20 * d - side * 9 * n])
            cv2.fillConvexPoly(m, np.round(blade).astype(np.int32), 255, cv2.LINE_AA)
            centre = p - 62 * d + side * 26 * n
            capsule(m, p, centre + 20 * d, 4)
            cv2.ellipse(m, tuple(np.round(centre).astype(int).tolist()), (26, 17), float(np.degrees(turn)), 0, 360, 255, 8, cv2.LINE_AA)
        out.append((m, 4, 3, np.array([[170, 174, 180], [200, 60, 50], [40, 40, 44]][rng.integers(3)], float)))
    elif kind == "head":
        x = x if rng.random() < 0.5 else s["middle"] - origin[0] + rng.choice([-1, 1]) * 0.44 * s["view_mm"][0]
        foot, wide = y_of(-120, 20), rng.uniform(48, 75)
        capsule(m, (x, -120), (x, foot - wide), wide)
        capsule(m, (x, foot - wide), (x, foot + 25), 9)
        capsule(m, (x, foot + 22), (x, foot + 23), 17)
        out.append((m, 60, 40, np.array([[236, 236, 230], [46, 48, 54], [120, 30, 40]][rng.integers(3)], float)))
    elif kind == "paper":
        q = cv2.boxPoints(((float(x), float(y)), (120.0, 76.0), float(rng.uniform(-50, 50))))
        cv2.fillConvexPoly(m, np.round(q).astype(np.int32), 255, cv2.LINE_AA)
        out.append((m, 0.4, 1.0, np.array([238.0, 236, 226])))
    else:
        for _ in range(rng.integers(2, 7)):
            walk = np.cumsum(np.cumsum(rng.normal(0, 0.5, (60, 2)), 0) + rng.normal(0, 2, 2), 0) + [x_of(), y_of(-250, 120)]
            cv2.polylines(m, [np.round(walk * 8).astype(np.int32)], False, 255, 1, cv2.LINE_AA, 3)
        out.append((m, 0.5, 0.5, colour(rng)))
    return out


def sunshine(seed, s, cells, origin, cards, solid, sun, v_top, v_bottom):
    """How much of the one light reaches each 4 mm cell: falling off, and shadows of things above; the second without cards."""
    rng = dice(seed, "shadows")
    h, w = cells[0] // 4 + 1, cells[1] // 4 + 1
    y, x = np.mgrid[0:h, 0:w].astype(np.float32) * 4
    d = rng.uniform(900, 3500)
    at = np.array([w, h]) * 2
    toward = sun * d
    r2 = (x - at[0] - toward[0]) ** 2 + (y - at[1] - toward[1]) ** 2 + toward[2] ** 2
    m = (d * d / r2).astype(np.float32)
    for _ in range(s["shadows"]):
        kind = rng.choice(["window", "rail", "head", "person", "band"])
        shade = np.zeros((h, w), np.float32)
        if kind == "window":
            a, pitch, wide = rng.uniform(0, np.pi), rng.uniform(160, 420), rng.uniform(0.06, 0.25)
            shade = ((((x * np.cos(a) + y * np.sin(a)) / pitch) % 1) < wide).astype(np.float32)
        elif kind in ("rail", "band"):
            a = rng.normal(0, 0.05 if kind == "rail" else 0.8)
            c = (v_top - origin[1] + rng.uniform(0, 120)) if kind == "rail" else rng.uniform(0, h * 4)
            shade = (np.abs(y - c + (x - w * 2) * np.tan(a)) < rng.uniform(8, 45)).astype(np.float32)
        elif kind == "head":
            px, py = rng.uniform(0.2, 0.8) * w * 4, rng.uniform(0.2, 0.7) * h * 4
            shade = ((np.abs(x - px) < rng.uniform(30, 80)) & (y < py)).astype(np.float32)
        else:
            px = rng.uniform(0.1, 0.9) * w * 4
            shade = ((((x - px) / rng.uniform(120, 260)) ** 2 + ((y - h * 4) / rng.uniform(200, 500)) ** 2) < 1).astype(np.float32)
        m *= 1 - rng.uniform(0.25, 0.9) * cv2.GaussianBlur(shade, (0, 0), np.exp(rng.uniform(np.log(0.6), np.log(12))))
    bare = m.copy()
    slide = -sun[:2] / max(sun[2], 0.15)
    for mask, height, *_ in solid:
        small = cv2.resize(mask, (w, h), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
        moved = cv2.warpAffine(small, np.float32([[1, 0, slide[0] * height / 4], [0, 1, slide[1] * height / 4]]), (w, h))
        m *= 1 - 0.85 * cv2.GaussianBlur(moved, (0, 0), 0.4 + height * 0.02)
    on_card = m.copy()
    for c in cards:
        q = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * np.array(c["size"])
        t = c["trim"]
        q = np.clip(q, [t[0], t[1]], [c["size"][0] - t[2], c["size"][1] - t[3]]) - np.array(c["size"]) / 2
        co, si = np.cos(c["turn"]), np.sin(c["turn"])
        q = q * c["scale"] @ np.array([[co, si], [-si, co]]) + [c["x"], c["v"]] - origin + slide * c["gap"]
        shade = np.zeros((h, w), np.float32)
        cv2.fillPoly(shade, [np.round(q / 4 * 64).astype(np.int32)], 1.0, cv2.LINE_AA, 6)
        m *= 1 - 0.8 * cv2.GaussianBlur(shade, (0, 0), 0.45)
    return m, cv2.GaussianBlur(on_card, (0, 0), 0.7)


def membrane(pinned, loft, reach):
    """Height of a membrane under pressure held down where `pinned`, mm on a 1 mm grid: (loft - h)/reach² + ∇²h = 0, coarse to fine."""
    h = None
    for cell in (8, 4, 2, 1):
        size = (pinned.shape[1] // cell, pinned.shape[0] // cell)
        held = cv2.resize(pinned.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.3 / cell
        rest = cv2.resize(loft, size, interpolation=cv2.INTER_AREA)
        h = rest.copy() if h is None else cv2.resize(h, size, interpolation=cv2.INTER_LINEAR)
        pull = (cell / reach) ** 2
        for _ in range(30):
            around = cv2.blur(h, (3, 3), borderType=cv2.BORDER_REPLICATE) * 9 - h
            h = (around / 8 * 4 + pull * rest) / (4 + pull)
            h[held] = 0
    return h


def stamp(s, canvas, origin, k, a, b, sun):
    """Draws the stitches a→b into the canvas: thread cover, thread height (1/400 mm), holes, and how much each stitch shines."""
    cover, thick, hole, shine = canvas
    h, w = cover.shape
    width, rng = s["thread_mm"], np.random.default_rng(len(a))
    r = int(np.ceil((s["stitch_mm"] * 0.62 + 0.5) * k)) + 1
    oy, ox = np.mgrid[-r : r + 1, -r : r + 1].astype(np.float32)
    for i in range(0, len(a), 1500):
        p, q = a[i : i + 1500], b[i : i + 1500]
        c = (p + q) / 2
        half = np.hypot(*(q - p).T) / 2
        t = (q - p) / np.maximum(2 * half, 1e-6)[:, None]
        px, py = (c[:, 0] - origin[0]) * k - 0.5, (c[:, 1] - origin[1]) * k - 0.5
        ok = (px > r + 1) & (px < w - r - 2) & (py > r + 1) & (py < h - r - 2)
        px, py, half, t = px[ok], py[ok], half[ok], t[ok]
        if not len(px):
            continue
        ix, iy = np.round(px).astype(int), np.round(py).astype(int)
        dx = (ox[None] + (ix - px)[:, None, None]) / k
        dy = (oy[None] + (iy - py)[:, None, None]) / k
        u = dx * t[:, 0, None, None] + dy * t[:, 1, None, None]
        v = -dx * t[:, 1, None, None] + dy * t[:, 0, None, None]
        seen = np.maximum(half - 0.12, 0.3)[:, None, None]
        over = np.hypot(np.maximum(np.abs(u) - seen + width / 2, 0), v)
        flat = (ix[:, None, None] + ox[None].astype(int)) + (iy[:, None, None] + oy[None].astype(int)) * w
        alpha = np.clip((width / 2 - over) * k + 0.5, 0, 1)
        rise = np.sqrt(np.clip(1 - (2 * v / width) ** 2, 0, 1)) * np.sqrt(np.clip(1 - (u / (seen + 0.05)) ** 2, 0, 1))
        np.maximum.at(cover.ravel(), flat.ravel(), (alpha * 255).astype(np.uint8).ravel())
        np.maximum.at(thick.ravel(), flat.ravel(), (np.clip(alpha * rise * width, 0, 0.62) * 400).astype(np.uint8).ravel())
        ends = np.minimum(np.hypot(u - half[:, None, None], v), np.hypot(u + half[:, None, None], v))
        np.maximum.at(hole.ravel(), flat.ravel(), (255 * np.clip((0.3 - ends) * k + 0.5, 0, 1)).astype(np.uint8).ravel())
        gloss = np.sqrt(np.clip(1 - (t @ sun[:2]) ** 2, 0, 1)) ** 6 * (0.7 + 0.3 * rng.random(len(t)))
        np.maximum.at(shine.ravel(), flat.ravel(), (alpha * 255 * gloss[:, None, None]).astype(np.uint8).ravel())


def radiance(seed, s, quilt, rows, cards, origin, cells, k, v_top, v_bottom):
    """Light of every texel (16 bit), the puff on the 1 mm grid, where stitches cannot be seen, and the light on the cards."""
    rng = dice(seed, "ground")
    h, w = cells[0] * k, cells[1] * k
    el, az = np.radians(s["sun_deg"]), np.radians(s["sun_from_deg"])
    sun = np.array([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)])

    # Where the quilt ends: rails at top and bottom, its side when that is in view; batting and backing beyond the side.
    over = [rng.uniform(8, 45), rng.uniform(8, 45)]
    top, bottom = int((v_top - over[0] - origin[1])), int((v_bottom + over[1] - origin[1]))
    picture = floor(rng, (h, w), k)
    for edge in (slice(0, 30 * k), slice(h - 30 * k, h)):
        # Beyond this the last row goes on; an even one goes on without streaks.
        fade = np.linspace(0, 1, 30 * k)[:, None, None] if edge.start == 0 else np.linspace(1, 0, 30 * k)[:, None, None]
        picture[edge] = (fade * picture[edge] + (1 - fade) * picture[edge].mean((0, 1))).astype(np.uint8)
    covered = np.zeros(cells, bool)
    covered[max(top, 0) : max(bottom, 0)] = True
    piece = (slice(max(top, 0) * k, max(min(bottom, cells[0]), 1) * k), slice(None))
    edges = [s["side"] * 1300.0 - origin[0] if s["side"] else None, rng.uniform(25, 70), rng.uniform(40, 120)]
    part, seams, mean = cloth(dice(seed, "cloth"), (piece[0].stop - piece[0].start, w), k, s["cloth"])
    picture[piece] = part
    del part
    if s["side"]:
        wavy = edges[0] + 0.8 * clouds(rng, (1, cells[0]), 60)[0]
        x = np.arange(cells[1])[None] * s["side"]
        beyond = x - wavy[:, None] * s["side"]
        end = edges[1] + edges[2]
        for low, high, ink in ((0, edges[1], np.array([236, 232, 222])), (edges[1], end, colour(rng)), (end, 1e9, None)):
            zone = (beyond > low) & (beyond <= high) & covered
            full = cv2.resize(zone.astype(np.uint8), (w, h), interpolation=cv2.INTER_NEAREST).astype(bool)
            if ink is not None:
                picture[full] = ink.astype(np.uint8)
            else:
                picture[full] = floor(rng, (64, 64), k)[0, 0]
                covered &= ~zone
        del full
    for at, way in ((top, -1), (bottom, 1)):
        wide = int(rng.uniform(25, 70))
        a, b = sorted((at, at + way * wide))
        if b > 0 and a < cells[0]:
            tube = rail(rng, (b - a) * k)
            a0, b0 = max(a, 0), min(b, cells[0])
            picture[a0 * k : b0 * k] = tube[(a0 - a) * k : (b0 - a) * k, None].astype(np.uint8)

    # The 1 mm grid: puff held down by the stitches, seams, puckers, slow unevenness.
    sewn = np.vstack([r["mid"][r["there"]] for r in rows])
    fine = np.vstack([np.vstack([r["a"][r["there"]] * (1 - t) + r["b"][r["there"]] * t for t in (0, 0.25, 0.5, 0.75)]) for r in rows])
    pinned = np.zeros(cells, np.uint8)
    i = np.floor(fine - origin).astype(int)
    i = i[(i >= 0).all(1) & (i[:, 0] < cells[1]) & (i[:, 1] < cells[0])]
    pinned[i[:, 1], i[:, 0]] = 1
    loft = (s["loft_mm"] * np.clip(1 + 0.25 * clouds(rng, cells, 60, 2), 0.3, 2)).astype(np.float32)
    puff = membrane(pinned, loft, s["reach_mm"])
    puff = cv2.resize(puff, cells[::-1], interpolation=cv2.INTER_LINEAR)
    if s["pucker_mm"] > 0:
        tug = np.zeros(cells, np.float32)
        some = sewn[rng.random(len(sewn)) < 0.5]
        i = np.round(some - origin).astype(int)
        i = i[(i > 4).all(1) & (i[:, 0] < cells[1] - 5) & (i[:, 1] < cells[0] - 5)]
        np.add.at(tug, (i[:, 1], i[:, 0]), rng.standard_normal(len(i)).astype(np.float32))
        tug = cv2.GaussianBlur(tug, (0, 0), 1.0) - cv2.GaussianBlur(tug, (0, 0), 3.0)
        puff += s["pucker_mm"] * tug / max(tug[pinned > 0].std(), 1e-6) if len(i) else 0
    ridge = np.zeros(cells, np.float32)
    for q in seams:
        p = q / k + [0, piece[0].start / k]
        n = np.array([-(p[1] - p[0])[1], (p[1] - p[0])[0]])
        n /= max(np.hypot(*n), 1e-6)
        side = rng.choice([-1, 1])
        for off, value, wide in ((3.2, 1.0, 6),):
            cv2.line(ridge, *[tuple(np.round(v + side * off * n).astype(int).tolist()) for v in p], float(value), wide, cv2.LINE_AA)
    for q in seams:
        p = q / k + [0, piece[0].start / k]
        cv2.line(ridge, *[tuple(np.round(v).astype(int).tolist()) for v in p], -0.7, 1, cv2.LINE_AA)
    ridge = cv2.GaussianBlur(ridge, (0, 0), 0.9) * rng.uniform(0.35, 1.0)
    slow = 0.15 * clouds(rng, cells, 12, 2) * s["loft_mm"] / 4 * np.clip(puff / max(s["loft_mm"], 0.1), 0.15, 1)
    puff = (puff + ridge + slow) * covered
    lifted = cv2.GaussianBlur(puff, (0, 0), 0.6)

    under = np.zeros(cells, np.uint8)
    for c in cards:
        q = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * np.array(c["size"]) - np.array(c["size"]) / 2
        co, si = np.cos(c["turn"]), np.sin(c["turn"])
        q = q @ np.array([[co, si], [-si, co]]) + [c["x"], c["v"]] - origin
        cv2.fillPoly(under, [np.round(q).astype(np.int32)], 1)
    solid = objects(seed, s, cells, origin, under > 0)
    hidden = ~covered | (under > 0)
    body = puff.copy()
    bare = (~covered).astype(np.uint8) * 255
    for mask, height, dome, ink in solid:
        on = mask > 100
        if not on.any():
            continue
        inner = cv2.distanceTransform(on.astype(np.uint8), cv2.DIST_L2, 5)
        t = np.clip(inner / dome, 0, 1)
        shape = min(height, dome) * np.sqrt(1 - (1 - t) ** 2)
        body[on] = (shape + (0.4 * clouds(rng, cells, 25) if height > 15 else 0))[on] if height > 1.3 else 0.5 * puff[on] + shape[on]
        hidden |= on
        bare[on] = 255
        y0, y1 = np.flatnonzero(on.any(1))[[0, -1]]
        big = cv2.resize(mask[y0 : y1 + 1], (w, (y1 + 1 - y0) * k), interpolation=cv2.INTER_LINEAR) > 127
        picture[y0 * k : (y1 + 1) * k][big] = np.clip(ink, 0, 255).astype(np.uint8)
    body = cv2.GaussianBlur(body, (0, 0), 0.7)
    deep = np.clip((cv2.GaussianBlur(body, (0, 0), 7) - body) * 0.16, -0.2, 0.5)

    # Thread.
    canvas = [np.zeros((h, w), np.uint8) for _ in range(4)]
    for r in rows:
        stamp(s, canvas, origin, k, r["a"][r["there"]], r["b"][r["there"]], sun)
        if len(r["extra"]):
            stamp(s, canvas, origin, k, r["extra"][:, :2], r["extra"][:, 2:], sun)
    cover, thick, hole, shine = canvas
    away = np.where(linear(mean).mean() > 0.2, 12.0, 244.0)
    ink = linear(np.clip(mean + s["thread"] * (np.clip(colour(dice(seed, "thread")) * 0.35 + away * 0.65, 0, 255) - mean), 0, 255))

    # Light: one low sun, the sky, both coloured; weights such that level cloth in the open gets 1.
    key, open_card = sunshine(seed, s, cells, origin, cards, solid, sun, v_top, v_bottom)
    warm, cool = kelvin(s["sun_kelvin"]) * s["sun_share"] / sun[2], kelvin(s["sky_kelvin"]) * (1 - s["sun_share"])
    flat = np.clip(sun[2], 0, 1)
    on_card = ((open_card * flat)[..., None] * warm + cool).astype(np.float32) * FULL

    light = np.empty((h, w, 3), np.uint16)
    to_linear = linear(np.arange(256))
    weave_rng, band, margin = dice(seed, "weave"), 160, 8
    pitch = weave_rng.uniform(0.4, 1.1)
    tex_y, tex_x = np.mgrid[0 : (band + 2 * margin) * k, 0:w].astype(np.float32) / k
    lattice = np.sin(2 * np.pi * tex_x / pitch) * np.sin(2 * np.pi * tex_y / pitch * weave_rng.uniform(0.8, 1.2))
    del tex_x, tex_y
    speck = weave_rng.standard_normal(lattice.shape, dtype=np.float32)
    weft = cv2.GaussianBlur(speck, (0, 0), sigmaX=4 * k * 0.3, sigmaY=0.5)
    warp = cv2.GaussianBlur(speck, (0, 0), sigmaX=0.5, sigmaY=4 * k * 0.3)
    speck = 0.6 * speck + weft * 1.5 + warp * 1.5
    steps = [(d, d * np.tan(el)) for d in (0.35, 0.7, 1.2, 2.5)]
    for a in range(0, cells[0], band):
        b = min(a + band, cells[0])
        lo, hi = max(a - margin, 0), min(b + margin, cells[0])
        n = (hi - lo) * k
        rows_ = slice(lo * k, hi * k)
        part = lambda m: cv2.resize(m[lo:hi], (w, n), interpolation=cv2.INTER_CUBIC)
        base = part(body)
        naked = cv2.resize(bare[lo:hi], (w, n), interpolation=cv2.INTER_LINEAR).astype(np.float32) / 255
        alpha = cover[rows_].astype(np.float32) / 255 * (1 - naked)
        groove = cv2.GaussianBlur(alpha, (0, 0), 0.75 * k)
        clad = 1 - naked
        pierced = hole[rows_].astype(np.float32) / 255 * clad * (1 - alpha)
        relief = base - s["groove_mm"] * np.clip(groove * 2.2, 0, 1.2)
        relief += s["weave_mm"] * (lattice[:n] + 0.6 * speck[:n]) * (1 - alpha) * clad
        relief += thick[rows_].astype(np.float32) / 400 * clad - 0.35 * pierced
        gx = cv2.Sobel(relief, cv2.CV_32F, 1, 0, ksize=1) * (k / 2)
        gy = cv2.Sobel(relief, cv2.CV_32F, 0, 1, ksize=1) * (k / 2)
        lambert = np.clip((-gx * sun[0] - gy * sun[1] + sun[2]) / np.sqrt(1 + gx * gx + gy * gy), 0, None)
        blocked = np.full_like(relief, -9)
        for d, climb in steps:
            dx, dy = int(round(sun[0] / max(np.hypot(*sun[:2]), 1e-6) * d * k)), int(round(sun[1] / max(np.hypot(*sun[:2]), 1e-6) * d * k))
            there = np.float32([[1, 0, -dx], [0, 1, -dy]])
            moved = cv2.warpAffine(relief, there, (w, n), flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
            np.maximum(blocked, moved - relief - climb, out=blocked)
        lambert *= 1 - 0.8 * np.clip(blocked / 0.12, 0, 1)
        lambert *= part_of(key, lo, hi, k, w)
        hollow = np.clip((cv2.GaussianBlur(relief, (0, 0), 1.6 * k) - relief) * 0.7, -0.15, 0.6)
        sky = (1 - hollow) * (1 - part(deep)) * (1 - 0.45 * pierced)
        fleck = 1 + 0.035 * speck[:n] * (1 - naked)
        gloss = 1 + s["sheen"] * 1.6 * (shine[rows_].astype(np.float32) / 255 - 0.25)
        keep = slice((a - lo) * k, (b - lo) * k)
        for c in range(3):
            albedo = to_linear[picture[rows_, :, c][keep]] * fleck[keep]
            albedo += alpha[keep] * (ink[c] * np.clip(gloss[keep], 0.4, 3) - albedo)
            light[a * k : b * k, :, c] = np.clip(albedo * (lambert[keep] * warm[c] + sky[keep] * cool[c]) * FULL, 0, 65535)
    return light, lifted, hidden, dict(on_card=on_card)


def part_of(coarse, lo, hi, k, w):
    """Rows lo..hi (mm) of a 4 mm map, k texels a mm."""
    r0, r1 = lo // 4, min(hi // 4 + 2, coarse.shape[0])
    big = cv2.resize(coarse[r0:r1], (coarse.shape[1] * 4 * k, (r1 - r0) * 4 * k), interpolation=cv2.INTER_LINEAR)
    skip = (lo - r0 * 4) * k
    out = big[skip : skip + (hi - lo) * k, :w]
    return cv2.copyMakeBorder(out, 0, (hi - lo) * k - out.shape[0], 0, 0, cv2.BORDER_REPLICATE) if out.shape[0] < (hi - lo) * k else out
