"""Cloth for `relief_photos.py`: prints, stripes, patchwork, batik and pictures, as 8-bit sRGB seen from straight above.

A print is a tile that repeats, drawn with OpenCV's own strokes; patchwork cuts several cloths to shapes and says where its seams lie.
"""

import zlib

import cv2
import numpy as np
from skimage import data

PRINTS = ("scrolls", "flowers", "dots", "leafy", "arcs", "stripes", "checks", "plaid", "tonal", "batik", "picture", "solid")


def dice(seed, name):
    """Its own stream for every part, so that setting one thing leaves the rest as it was."""
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


def clouds(rng, shape, cell, octaves=1):
    """Smooth noise of unit deviation whose hills are about `cell` pixels wide."""
    out = np.zeros(shape, np.float32)
    for k in range(octaves):
        size = max(cell / 2**k, 1.0)
        small = rng.standard_normal((int(shape[0] / size) + 4, int(shape[1] / size) + 4)).astype(np.float32)
        wide = cv2.resize(small, (int(small.shape[1] * size) + 1, int(small.shape[0] * size) + 1), interpolation=cv2.INTER_CUBIC)
        out += wide[: shape[0], : shape[1]] / 2**k
    return out / max(out.std(), 1e-6)


def colour(rng, near=None, apart=0.3):
    """A dyed colour, RGB 0–255; `near` another one, `apart` of the whole range away at most."""
    h, s, v = rng.random(), 0.85 * rng.beta(1.6, 2.4), 0.12 + 0.83 * rng.beta(1.8, 1.4)
    fresh = 255 * v * (1 - s * (1 - np.clip(np.abs((h * 6 + np.array([0, 4, 2])) % 6 - 3) - 1, 0, 1)))
    return fresh if near is None else np.clip(near + np.clip(fresh - near, -255 * apart, 255 * apart), 6, 250)


class Tile:
    """A repeat of a print; whatever is drawn over one edge comes in at the other."""

    def __init__(self, ground, size_mm, px_per_mm):
        n = int(size_mm * px_per_mm)
        self.k, self.n = px_per_mm, n
        self.picture = np.tile(ground.astype(np.uint8), (n, n, 1))

    def stroke(self, points, ink, width_mm=0.0, closed=False):
        at = np.asarray(points) * self.k
        low, high = at.min(0) - 8 * self.k, at.max(0) + 8 * self.k
        for dx in (-self.n, 0, self.n):
            for dy in (-self.n, 0, self.n):
                if high[0] + dx < 0 or high[1] + dy < 0 or low[0] + dx > self.n or low[1] + dy > self.n:
                    continue
                q = np.round((at + [dx, dy]) * 16).astype(np.int32)
                if width_mm:
                    cv2.polylines(self.picture, [q], closed, ink.tolist(), max(int(width_mm * self.k), 1), cv2.LINE_AA, 4)
                else:
                    cv2.fillPoly(self.picture, [q], ink.tolist(), cv2.LINE_AA, 4)


def spots(rng, size, pitch):
    n = max(int(size / pitch), 1)
    i, j = np.meshgrid(np.arange(n), np.arange(n))
    p = np.c_[i.ravel() + 0.5 * (j.ravel() % 2), j.ravel()] * size / n
    return p + rng.uniform(-0.25, 0.25, p.shape) * size / n * rng.choice([0.0, 1.0])


def motif_tile(rng, kind, ground, k):
    size, scale = rng.uniform(110, 260), np.exp(rng.uniform(np.log(5), np.log(70)))
    tile = Tile(ground, size, k)
    apart = rng.choice([0.12, 0.25, 0.5, 0.9])
    inks = [colour(rng, ground, apart) for _ in range(3)]
    a = np.linspace(0, 2 * np.pi, 60)
    for p in spots(rng, size, scale * rng.uniform(1.1, 1.7)):
        ink, turn, r = inks[rng.integers(3)], rng.uniform(0, 2 * np.pi), scale * rng.uniform(0.3, 0.55)
        c, s = np.cos(turn), np.sin(turn)
        place = lambda q: np.asarray(q) @ np.array([[c, s], [-s, c]]) + p
        if kind == "dots":
            tile.stroke(place(r * 0.7 * np.c_[np.cos(a), np.sin(a)]), ink)
        elif kind == "flowers":
            n = rng.integers(4, 8)
            rr = r * (0.6 + 0.4 * np.cos(n * a))
            tile.stroke(place(rr[:, None] * np.c_[np.cos(a), np.sin(a)]), ink)
            tile.stroke(place(rr[:, None] * np.c_[np.cos(a), np.sin(a)]), inks[0] * 0.6, 0.5, True)
            tile.stroke(place(0.25 * r * np.c_[np.cos(a), np.sin(a)]), inks[-1])
        elif kind == "leafy":
            t = np.linspace(0, 1, 30)
            b = 0.3 * r * np.sin(np.pi * t)
            tile.stroke(place(np.r_[np.c_[2 * r * t - r, b], np.c_[2 * r * t - r, -b][::-1]]), ink)
            tile.stroke(place(np.c_[2.4 * r * t - 1.2 * r, 0 * t]), inks[0] * 0.7, 0.5)
        elif kind == "scrolls":
            t = np.linspace(0.05, 1, 90)
            spiral = (r * t)[:, None] * np.c_[np.cos(9 * t), np.sin(9 * t)]
            tile.stroke(place(np.r_[spiral, spiral[-1:] + np.c_[t, np.sin(3 * t)] * r]), ink, rng.uniform(0.5, 2.2))
        else:
            t = np.linspace(0, rng.uniform(2, 5), 80)
            tile.stroke(place(np.c_[r * t - 2 * r, 0.8 * r * np.sin(2.2 * t)]), ink, rng.uniform(0.4, 1.2))
    return tile.picture


def bands(rng, kind, ground, k):
    size = int(rng.uniform(12, 130) * k)
    inks = [colour(rng, ground, rng.choice([0.12, 0.3, 0.9])) for _ in range(3)]
    profile = np.tile(ground, (size, 1)).astype(np.float32)
    weight = np.zeros(size, np.float32)
    for _ in range(rng.integers(1, 4)):
        at, wide = rng.integers(size), int(size * rng.uniform(0.04, 0.3)) + 2
        i = (at + np.arange(wide)) % size
        profile[i], weight[i] = inks[rng.integers(3)], 1
    if kind == "stripes":
        return np.tile(profile[None], (size, 1, 1)).astype(np.uint8)
    if kind == "checks":
        one, other = ground, inks[0]
        both = (weight[:, None] + weight[None]) / 2
        return (one + (other - one) * both[..., None]).astype(np.uint8)
    return ((profile[:, None] + profile[None]) / 2).astype(np.uint8)


def one_cloth(rng, shape, k, kind):
    """A cloth of one kind over all of `shape`, k pixels a mm."""
    ground = colour(rng)
    if kind in ("solid", "tonal", "batik"):
        out = np.empty(shape + (3,), np.uint8)
        out[:] = ground.astype(np.uint8)
        if kind == "batik":
            other, third = colour(rng, ground, 0.35), colour(rng, ground, 0.2)
            small = (shape[0] // 4 + 1, shape[1] // 4 + 1)
            m = 1 / (1 + np.exp(-3 * clouds(rng, small, rng.uniform(10, 60) * k / 4, 4)))[..., None]
            w = 1 / (1 + np.exp(-5 * (clouds(rng, small, rng.uniform(3, 12) * k / 4, 3) - 0.8)))[..., None]
            mixed = (ground * (1 - m) + other * m) * (1 - w) + third * w
            out[:] = cv2.resize(mixed.astype(np.uint8), shape[::-1], interpolation=cv2.INTER_LINEAR)
        if kind == "tonal":
            return one_cloth_from(rng, shape, k, motif_tile(rng, rng.choice(["scrolls", "arcs", "leafy", "dots"]), ground, k), ground, 0.25)
        return out
    if kind == "picture":
        name = rng.choice(["chelsea", "coins", "moon", "rocket", "page", "clock", "text"])
        picture = getattr(data, str(name))()
        picture = picture if picture.ndim == 3 else np.repeat(picture[..., None], 3, 2)
        width = int(rng.uniform(150, 420) * k)
        picture = cv2.resize(picture, (width, int(width * picture.shape[0] / picture.shape[1])), interpolation=cv2.INTER_CUBIC)
        picture = np.hstack([picture, picture[:, ::-1]])
        return one_cloth_from(rng, shape, k, np.vstack([picture, picture[::-1]]), ground, rng.uniform(0.3, 0.9), turn=False)
    draw = bands if kind in ("stripes", "checks", "plaid") else motif_tile
    return one_cloth_from(rng, shape, k, draw(rng, kind, ground, k), ground, 1.0)


def one_cloth_from(rng, shape, k, tile, ground, strength, turn=True):
    """The tile laid over and over, a little askew, mixed with its ground."""
    h, w = shape
    angle = rng.choice([0, 0, 90, 45, rng.uniform(0, 180)]) + rng.normal(0, 1) if turn else rng.normal(0, 1)
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    out = np.empty((h, w, 3), np.uint8)
    x = np.arange(w, dtype=np.float32)[None]
    ox, oy = rng.uniform(0, 5000, 2)
    tile = np.concatenate([tile, tile[:1]], 0)
    tile = np.concatenate([tile, tile[:, :1]], 1)
    th, tw = tile.shape[0] - 1, tile.shape[1] - 1
    for a in range(0, h, 512):
        y = np.arange(a, min(a + 512, h), dtype=np.float32)[:, None]
        at = (np.mod(c * x - s * y + ox, tw).astype(np.float32), np.mod(s * x + c * y + oy, th).astype(np.float32))
        part = cv2.remap(tile, *at, cv2.INTER_LINEAR)
        out[a : a + part.shape[0]] = part if strength == 1 else cv2.addWeighted(part, strength, np.full_like(part, ground), 1 - strength, 0)
    return out


def cut(rng, shape, k):
    """Patchwork: polygons in pixels, each with a cloth's number, and the seams between them as pairs of points."""
    h, w = shape
    block, kind = rng.uniform(60, 180) * k, rng.choice(["squares", "bricks", "triangles", "strips"])
    patches, seams = [], []
    reach = np.hypot(h, w) * 0.75
    for j, y in enumerate(np.arange(-reach, reach, block)):
        long = 1.0 if kind != "bricks" else 2.1
        for x in np.arange(-reach + (j % 2) * (kind == "bricks") * block, reach, block * (long if kind != "strips" else 99)):
            wide = block * (long if kind != "strips" else 99)
            q = np.array([[x, y], [x + wide, y], [x + wide, y + block], [x, y + block]])
            patches += [q[[0, 1, 2]], q[[0, 2, 3]]] if kind == "triangles" else [q]
            seams += [q[[0, 1]], q[[0, 3]]] + ([q[[0, 2]]] if kind == "triangles" else [])
    angle = rng.choice([0, 0, 45, rng.uniform(0, 90)]) * np.pi / 180 + rng.normal(0, 0.008)
    c, s = np.cos(angle), np.sin(angle)
    turn = lambda q: q @ np.array([[c, s], [-s, c]]) + [w / 2, h / 2]
    return [turn(q) for q in patches], [turn(q) for q in seams]


def cloth(rng, shape, k, kind):
    """sRGB picture, seams (pairs of points, pixels; none for whole cloth), and the mean colour."""
    if kind != "patchwork":
        out = one_cloth(rng, shape, k, kind)
        return out, [], out[:: 37, :: 37].reshape(-1, 3).mean(0)
    n = rng.integers(3, 6)
    kinds = rng.choice(PRINTS, n)
    patches, seams = cut(rng, shape, k)
    which = np.zeros(shape, np.uint8)
    for q in patches:
        cv2.fillPoly(which, [np.round(q).astype(np.int32)], int(rng.integers(n)))
    out = np.empty(shape + (3,), np.uint8)
    for i in range(n):
        part = one_cloth(rng, shape, k, str(kinds[i]))
        np.copyto(out, part, where=(which == i)[..., None])
    return out, seams, out[:: 37, :: 37].reshape(-1, 3).mean(0)
