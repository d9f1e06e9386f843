"""Cloth for `traced_photos.py`: what is printed on it, where it is pieced, and how it puffs up between the sewn lines.

Pictures are 8-bit sRGB, heights millimetres above the plane of the thread, both laid out flat along the cloth.
"""

import colorsys
import zlib

import cv2
import numpy as np
from skimage import data

PRINTS = ("solid", "dots", "stripes", "gingham", "florals", "big leaves", "batik", "tone on tone", "photograph")
PHOTOGRAPHS = ("brick", "grass", "gravel", "coffee", "retina", "hubble_deep_field", "immunohistochemistry", "moon", "cell")


def dice(seed, topic):
    """Random numbers of their own for each topic, so that changing one thing leaves the rest as it was."""
    return np.random.default_rng([zlib.crc32(topic.encode()), seed, 3])


def soft(picture, sigma):
    return cv2.GaussianBlur(picture, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)


def hills(rng, shape, reach):
    """Smooth noise of unit deviation, its hills about `reach` pixels wide."""
    cells = [int(n / reach) + 5 for n in shape]
    small = soft(rng.standard_normal(cells).astype(np.float32), 0.8)
    big = cv2.resize(small, None, fx=max(reach, 1), fy=max(reach, 1), interpolation=cv2.INTER_CUBIC)[: shape[0], : shape[1]]
    return (big - big.mean()) / max(big.std(), 1e-6)


def palette(rng, n=4):
    """Dyes that go together, 0–255: a ground and inks near its hue or across from it, some close to it and some far in lightness."""
    hue, light = rng.random(), rng.uniform(0.2, 0.93)
    out = []
    for i in range(n):
        h = (hue + (0 if i == 0 else rng.choice([0, 0.06, -0.08, 0.45, 0.55]) + rng.normal(0, 0.03))) % 1
        value = light if i == 0 else np.clip(light + rng.choice([-1, 1]) * rng.choice([0.06, 0.15, 0.35, 0.6]), 0.1, 0.97)
        out.append(255 * np.array(colorsys.hsv_to_rgb(h, rng.beta(1.3, 3.2), value)))
    return out


class Roll:
    """One repeat of a print; what runs over its edge comes in at the other side."""

    def __init__(self, ground, side_mm, k):
        self.k, self.n = k, int(side_mm * k)
        self.picture = np.full((self.n, self.n, 3), ground, np.uint8)

    def put(self, outline_mm, ink, width_mm=0.0):
        p = np.asarray(outline_mm) * self.k
        pad = width_mm * self.k
        for dx in (-self.n, 0, self.n):
            for dy in (-self.n, 0, self.n):
                q = p + [dx, dy]
                if (q.max(0) < -pad).any() or (q.min(0) > self.n + pad).any():
                    continue
                at = np.round(q * 8).astype(np.int32)
                if width_mm:
                    cv2.polylines(self.picture, [at], False, tuple(map(float, ink)), max(int(round(pad)), 1), cv2.LINE_AA, 3)
                else:
                    cv2.fillPoly(self.picture, [at], tuple(map(float, ink)), cv2.LINE_AA, 3)

    def spread(self, shape):
        reps = [s // self.n + 1 for s in shape]
        return np.tile(self.picture, (*reps, 1))[: shape[0], : shape[1]]


def round_about(centre, radius, petals, depth, turn, n=72):
    a = np.linspace(0, 2 * np.pi, n)
    r = radius * (1 - depth * (0.5 - 0.5 * np.cos(petals * a)))
    return centre + np.c_[r * np.cos(a + turn), r * np.sin(a + turn)]


def leaf(centre, length, width, turn):
    t = np.linspace(0, 1, 40)
    side = width * np.sin(np.pi * t**0.75)
    p = np.vstack([np.c_[t * length, side], np.c_[t * length, -side][::-1]])
    c, s = np.cos(turn), np.sin(turn)
    return centre + (p - [length / 2, 0]) @ np.array([[c, s], [-s, c]])


def scattered(rng, roll, kind, inks):
    side = roll.n / roll.k
    size = rng.uniform(*{"dots": (1.5, 14), "florals": (6, 30), "big leaves": (45, 110), "tone on tone": (5, 25)}[kind])
    for place in rng.uniform(0, side, (int(side**2 / size**2 / rng.uniform(0.9, 3)) + 1, 2)):
        ink, turn = inks[rng.integers(len(inks))], rng.uniform(0, 2 * np.pi)
        big = size * rng.uniform(0.6, 1.2)
        if kind == "dots":
            roll.put(round_about(place, size / 2, 1, 0, 0, 30), ink)
        elif kind == "florals":
            t = np.linspace(0, 1, 20)
            stalk = place + big * np.c_[t * np.cos(turn), t * np.sin(turn) + 0.3 * t**2]
            roll.put(stalk, inks[-1], max(0.06 * big, 0.4))
            roll.put(leaf(stalk[12], big * 0.7, big * 0.14, turn + 0.8), inks[-1])
            roll.put(round_about(place, big / 2, rng.integers(4, 9), rng.uniform(0.2, 0.5), turn), ink)
            roll.put(round_about(place, big * 0.14, 1, 0, 0, 20), inks[0])
        elif kind == "big leaves":
            roll.put(leaf(place, big, big * rng.uniform(0.12, 0.26), turn), ink)
            d = np.array([np.cos(turn), np.sin(turn)])
            roll.put(place + np.linspace(-0.48, 0.5, 20)[:, None] * big * d, inks[-1], 0.012 * big)
            for f in np.linspace(-0.3, 0.35, 6):
                for e in (-0.7, 0.7):
                    vein = np.array([np.cos(turn + e), np.sin(turn + e)])
                    roll.put(place + f * big * d + np.linspace(0, 0.14 * big, 8)[:, None] * vein, inks[-1], 0.006 * big)
        else:
            a = np.linspace(0, rng.uniform(3, 9), 50)
            swirl = place + (size * a / a[-1])[:, None] * 0.5 * np.c_[np.cos(a + turn), np.sin(a + turn)]
            roll.put(swirl, ink, max(0.05 * size, 0.5))


def printed(rng, kind, shape, k):
    """The cloth's colours, RGB 0–255."""
    ground, *inks = palette(rng)
    if kind == "solid":
        return np.full((*shape, 3), ground, np.float32)
    if kind in ("dots", "florals", "big leaves", "tone on tone"):
        if kind == "tone on tone":
            inks = [np.clip(ground + rng.choice([-1, 1]) * rng.uniform(6, 26), 0, 255) for _ in range(2)]
        roll = Roll(ground, rng.uniform(120, 280), k)
        scattered(rng, roll, kind, inks)
        return roll.spread(shape).astype(np.float32)
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32) / k
    if kind == "stripes":
        a = rng.choice([0, np.pi / 2, rng.uniform(0, np.pi)])
        pitch = rng.uniform(4, 60)
        t = ((x * np.cos(a) + y * np.sin(a)) / pitch) % 1
        cuts = np.sort(rng.random(3))
        bands = np.array([ground, *inks])
        return bands[np.searchsorted(cuts, t.ravel())].reshape(*shape, 3).astype(np.float32)
    if kind == "gingham":
        pitch = rng.uniform(3, 30)
        share = ((np.sign(np.sin(np.pi * x / pitch)) + np.sign(np.sin(np.pi * y / pitch))) / 4 + 0.5)[..., None]
        return (ground * (1 - share) + inks[0] * share).astype(np.float32)
    if kind == "batik":
        mix = hills(rng, shape, rng.uniform(20, 60) * k) + 0.6 * hills(rng, shape, 9 * k)
        share = np.clip(0.5 + 0.4 * mix, 0, 1)[..., None]
        cloth = ground * (1 - share) + inks[0] * share
        crackle = np.abs(hills(rng, shape, 14 * k) + 0.4 * hills(rng, shape, 4 * k)) < 0.05
        cloth[crackle] = 0.6 * cloth[crackle] + 0.4 * inks[1]
        return cloth.astype(np.float32)
    picture = np.asarray(getattr(data, PHOTOGRAPHS[rng.integers(len(PHOTOGRAPHS))])(), np.float32)
    if picture.ndim == 2:
        picture = ground + (inks[0] - ground) * picture[..., None] / 255
    scale = rng.uniform(80, 320) * k / picture.shape[1]
    picture = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
    picture = picture.mean((0, 1)) + rng.uniform(0.3, 1) * (picture - picture.mean((0, 1)))
    reps = [s // n + 1 for s, n in zip(shape, picture.shape)]
    return np.clip(np.tile(picture, (*reps, 1))[: shape[0], : shape[1]], 0, 255).astype(np.float32)


def cloth(rng, kind, shape, k, seams):
    """Colours of the whole cloth; `seams` (8-bit, same shape) gets a mark where pieces meet, when it is pieced."""
    if kind != "patchwork":
        picture = printed(rng, kind, shape, k)
    else:
        picks = [printed(rng, PRINTS[rng.integers(len(PRINTS))], shape, k) for _ in range(int(rng.integers(3, 6)))]
        side, turn = rng.uniform(55, 160) * k, rng.choice([0, 0, np.pi / 4, rng.normal(0, 0.02)])
        y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
        u, v = (x * np.cos(turn) + y * np.sin(turn)) / side + 900, (y * np.cos(turn) - x * np.sin(turn)) / side + 900
        label = (np.floor(u) * 7 + np.floor(v) * 13 + rng.integers(9)).astype(int)
        if rng.random() < 0.5:  # half-square triangles
            label += ((u % 1 + v % 1) > 1) * (1 + (np.floor(u) + np.floor(v)).astype(int) % 2)
        else:
            label = np.where(((np.floor(u) + np.floor(v)) % 2 == 0), 0, label)
        label %= len(picks)
        picture = np.zeros((*shape, 3), np.float32)
        for i, p in enumerate(picks):
            picture[label == i] = p[label == i]
        edge = np.zeros(shape, bool)
        edge[:, 1:] |= label[:, 1:] != label[:, :-1]
        edge[1:] |= label[1:] != label[:-1]
        seams[edge] = 255
    faded = 1 + rng.uniform(0.005, 0.03) * hills(rng, shape, 1.5) + 0.02 * hills(rng, shape, 40 * k)
    return np.clip(picture * faded[..., None], 0, 255).astype(np.uint8)


def heights(rng, s, line, seams, k):
    """Millimetres above the plane of the thread: puff, seams' ridges, puckers and the grooves that the stitches pull.

    `line` and `seams` are 8-bit masks at `k` texels a mm.
    """
    shape = line.shape
    far = cv2.distanceTransform(255 - line, cv2.DIST_L2, cv2.DIST_MASK_PRECISE) / k
    puff = s["loft_mm"] * (1 - np.exp(-((far / s["reach_mm"]) ** 1.15)))
    # Batting rounds the ridge half-way between two lines; close to a line the stitches hold the cloth down.
    round_off = np.clip((far - 1.5) / 5, 0, 1)
    puff += round_off * (soft(puff, 3 * k) - puff)
    puff *= 1 + 0.12 * hills(rng, shape, 60 * k)
    pull = np.exp(-(((far - 4) / 4) ** 2))
    puff += s["pucker_mm"] * (pull + 0.25) * hills(rng, shape, 5.5 * k)
    if seams.any():
        near = cv2.distanceTransform(255 - seams, cv2.DIST_L2, cv2.DIST_MASK_PRECISE) / k
        # The allowance lies beneath, some 7 mm to each side, and the pieces meet in a crease.
        puff += 0.35 * (1 - 1 / (1 + np.exp(-(near - 6.5) / 0.7))) - 0.6 * np.exp(-((near / 0.7) ** 2))
    puff -= s["groove_mm"] * np.exp(-((far / 1.0) ** 2))
    return puff.astype(np.float32)
