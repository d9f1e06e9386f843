"""Surface, camera and phone for `relief_photos.py`: where a pixel's ray meets the sagging quilt or a card, and what is stored.

World: x to the right, y down the quilt, z away from the camera, mm. (u, v) are lengths along the cloth itself: v is arc length, so a
spacing in v is what a tape laid on the quilt reads. Pixel (0, 0) has its middle at (0.5, 0.5).
"""

import io
import subprocess
import tempfile

import cv2
import numpy as np
from PIL import Image
from scipy.sparse import csr_matrix

GRID_PX = 8  # rays are met exactly on a grid of this step and interpolated by cubics between


class Quilt:
    """A strip that sags by a parabola between the rollers, bends away over them, and ripples slowly."""

    def __init__(self, rng, v_top, v_bottom, sag, roller, ripple, tilt_deg):
        steepest = np.sin(np.radians(min(rng.uniform(12, 30), max(58 - tilt_deg, 6))))
        self.v = np.arange(v_top - 1500, v_bottom + 1500, 1.0)
        t = (self.v - v_top) / (v_bottom - v_top)
        rise = 4 * sag / (v_bottom - v_top) * (1 - 2 * np.clip(t, 0, 1))
        rise += np.clip(self.v - v_bottom, 0, None) / roller - np.clip(v_top - self.v, 0, None) / roller
        rise = np.clip(rise, -steepest, steepest)
        self.z = np.r_[0, np.cumsum((rise[1:] + rise[:-1]) / 2)]
        flat = np.sqrt(1 - rise**2)
        self.y = np.r_[0, np.cumsum((flat[1:] + flat[:-1]) / 2)]
        at = np.searchsorted(self.v, 0)
        self.y -= self.y[at] - self.v[at]
        self.z -= self.z[np.searchsorted(self.v, (v_top + v_bottom) / 2)]
        self.waves = [(rng.normal(0, 1, 2) * 2 * np.pi / rng.uniform(110, 400), rng.uniform(0, 7), ripple * rng.uniform(0.2, 0.6))
                      for _ in range(4)]

    def ripple(self, u, v):
        return sum(a * np.sin(k[0] * u + k[1] * v + p) for k, p, a in self.waves)

    def point(self, u, v):
        return np.stack([u, np.interp(v, self.v, self.y), np.interp(v, self.v, self.z) - self.ripple(u, v)], -1)


class Camera:
    def __init__(self, size, s, mm_per_px, aim):
        tilt, away, roll = np.radians([s["tilt_deg"], s["away_deg"], s["roll_deg"]])
        ahead = np.array([-np.sin(tilt) * np.cos(away), -np.sin(tilt) * np.sin(away), np.cos(tilt)])
        right = np.array([1.0, 0, 0]) - ahead[0] * ahead
        right /= np.linalg.norm(right)
        down = np.cross(ahead, right)
        c, si = np.cos(roll), np.sin(roll)
        self.axes = np.stack([c * right + si * down, -si * right + c * down, ahead])
        self.size, self.f = size, s["focal"] * max(size)
        self.at = aim - self.f * mm_per_px * ahead
        self.lens = s["k1"], s["k2"], s["p1"], s["p2"]
        self.centre = np.array(size) / 2 + np.array([s["p1"], s["p2"]]) * 2e4  # the optical axis is some pixels off, too

    def bent(self, q):
        k1, k2, p1, p2 = self.lens
        x, y = q[..., 0], q[..., 1]
        r2 = x * x + y * y
        radial = 1 + k1 * r2 + k2 * r2 * r2
        return np.stack([x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x), y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y], -1)

    def project(self, points):
        p = (points - self.at) @ self.axes.T
        return self.centre + self.f * self.bent(p[..., :2] / p[..., 2:])

    def rays(self, px):
        want = (px - self.centre) / self.f
        q = want.copy()
        for _ in range(25):
            q += want - self.bent(q)
        return np.concatenate([q, np.ones(q.shape[:-1] + (1,))], -1) @ self.axes


def pose(card, quilt, scale):
    """Where the card's middle and axes are: on the cloth's tangent, turned, rocked, `gap` above the stitching."""
    p, before, beyond = (quilt.point(np.array([card["x"]]), np.array([card["v"] + d]))[0] for d in (0, -40, 40))
    ahead = beyond - before
    right, down = np.array([1.0, 0, 0]), ahead / np.linalg.norm(ahead)
    up = np.cross(down, right)  # towards the camera: -z
    a, b = card["rock"]
    right, down = right + a * up, down + b * up
    right /= np.linalg.norm(right)
    down -= (down @ right) * right
    down /= np.linalg.norm(down)
    c, s = np.cos(card["turn"]), np.sin(card["turn"])
    up = np.cross(down, right)
    card |= dict(right=c * right + s * down, down=-s * right + c * down, up=up, middle=p + card["gap"] * up, scale=scale)


def card_points(card, q):
    w, h = card["size"]
    d = (q - np.array([w, h]) / 2) * card["scale"]
    lift = card["curl"] * ((2 * d[:, 0] / w) ** 2 - 0.3)
    return card["middle"] + d[:, :1] * card["right"] + d[:, 1:] * card["down"] + lift[:, None] * card["up"]


def cubic(positions, n):
    """Sparse Catmull-Rom weights from a grid of n values to the positions, in grid steps."""
    i = np.clip(np.floor(positions).astype(int), 1, n - 3)
    t = positions - i
    w = np.stack([-t + 2 * t**2 - t**3, 2 - 5 * t**2 + 3 * t**3, t + 4 * t**2 - 3 * t**3, -(t**2) + t**3], 1) / 2
    rows = np.repeat(np.arange(len(positions)), 4)
    return csr_matrix((w.ravel(), (rows, (i[:, None] + np.arange(-1, 3)).ravel())), (len(positions), n))


def remapped(picture, x, y):
    """The picture at (x, y), its first pixel's middle at 0; beyond its edge the edge goes on."""
    return cv2.remap(picture, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


class View:
    """Where each pixel's ray meets the quilt: u, v, and how far u and v move for a mm of height."""

    def __init__(self, camera, quilt):
        self.camera = camera
        w, h = camera.size
        self.gx, self.gy = np.arange(-3, w // GRID_PX + 5), np.arange(-3, h // GRID_PX + 5)
        px = np.stack(np.meshgrid(self.gx * GRID_PX, self.gy * GRID_PX), -1).astype(float)
        d = camera.rays(px)
        self.d = d
        c = camera.at
        u = c[0] + d[..., 0] / d[..., 2] * -c[2]
        v = c[1] + d[..., 1] / d[..., 2] * -c[2]
        for _ in range(40):
            y = np.interp(v, quilt.v, quilt.y)
            z = np.interp(v, quilt.v, quilt.z) - quilt.ripple(u, v)
            t = (z - c[2]) / d[..., 2]
            u = c[0] + t * d[..., 0]
            v = v + 0.8 * (c[1] + t * d[..., 1] - y)
        self.left_over = float(np.abs(c[1] + t * d[..., 1] - y).max())
        self.maps = [u, v, -d[..., 0] / d[..., 2], -d[..., 1] / d[..., 2]]

    def extent(self, low, high):
        u, v = self.maps[:2]
        ok = (v > low) & (v < high)
        return float(u[ok].min()) - 3, float(u[ok].max()) + 3, float(max(v.min(), low)) - 3, float(min(v.max(), high)) + 3

    def fine(self, maps, xs, ys):
        """The maps at the pixels xs × ys, float32."""
        ax, ay = (cubic(p / GRID_PX - g[0], len(g)) for p, g in ((xs, self.gx), (ys, self.gy)))
        return [(ax @ (ay @ m).T).T for m in maps]

    def take(self, light, lifted, origin, k, cards, about, s, calibration):
        """The picture in linear light, float32: 2 × 2 rays a pixel."""
        w, h = self.camera.size
        out = np.empty((h, w, 3), np.float32)
        pages = [card_picture(c, s["paper"], calibration) for c in cards]
        grids = [self.card_grid(c) for c in cards]
        xs, step = (np.arange(2 * w) + 0.5) / 2, 160
        for a in range(0, h, step):
            b = min(a + step, h)
            ys = (np.arange(2 * a, 2 * b) + 0.5) / 2
            u, v, du, dv = self.fine(self.maps, xs, ys)
            small = [m[::4, ::4].astype(np.float32) for m in (u, v, du, dv)]
            lift = np.zeros_like(small[0])
            for _ in range(3):
                at = [(small[i] + lift * small[i + 2] - origin[i]).astype(np.float32) - np.float32(0.5) for i in (0, 1)]
                lift = 0.3 * lift + 0.7 * remapped(lifted, *at)
            lift = cv2.resize(lift, (u.shape[1], u.shape[0]), interpolation=cv2.INTER_LINEAR)
            mx, my = ((p + lift * q - o) * k - 0.5 for p, q, o in ((u, du, origin[0]), (v, dv, origin[1])))
            strip = remapped(light, mx, my).astype(np.float32)
            for card, page, (maps, box) in zip(cards, pages, grids):
                if box[3] < a or box[1] > b:
                    continue
                l, r = max(int(box[0]) * 2, 0), min(int(box[2]) * 2 + 2, 2 * w)
                p, q = self.fine(maps, xs[l:r], ys)
                t, (cw, ch) = card["trim"], card["size"]
                inside = np.minimum.reduce([p - t[0], cw - t[2] - p, q - t[1], ch - t[3] - q])
                on = np.clip(inside * 4 + 0.5, 0, 1)[..., None].astype(np.float32)
                paper = remapped(page[0], p * page[1] - 0.5, q * page[1] - 0.5)
                glow = remapped(about["on_card"], (u[:, l:r] - origin[0]) / 4, (v[:, l:r] - origin[1]) / 4)
                strip[:, l:r] += on * (paper[..., None] * glow - strip[:, l:r])
            out[a:b] = cv2.resize(strip, (w, b - a), interpolation=cv2.INTER_AREA)
        return out

    def card_grid(self, card):
        """Card coordinates of every grid ray, mm from the page's top left, and the card's box in the picture."""
        c, d = self.camera.at, self.d
        w, h = card["size"]
        lift = 0.0
        for _ in range(4):
            foot = card["middle"] + np.asarray(lift)[..., None] * card["up"]
            t = ((foot - c) @ card["up"]) / (d @ card["up"])
            q = c + t[..., None] * d - card["middle"]
            p = np.stack([q @ card["right"], q @ card["down"]], -1)
            lift = card["curl"] * (np.clip(2 * p[..., 0] / w, -2, 2) ** 2 - 0.3)
        p = p / card["scale"] + np.array([w, h]) / 2
        corners = self.camera.project(card_points(card, np.array([[0, 0], [w, 0], [w, h], [0, h]])))
        return [p[..., 0], p[..., 1]], np.r_[corners.min(0) - 6, corners.max(0) + 6]


def card_picture(card, paper, calibration):
    """Albedo of the card's part of its page, and pixels a mm."""
    dpi = 300
    with tempfile.TemporaryDirectory() as there:
        subprocess.run(["pdftoppm", "-r", str(dpi), "-gray", "-png", "-f", str(card["page"]), "-l", str(card["page"]), "-singlefile",
                        str(calibration / f"cards-{paper}.pdf"), there + "/page"], check=True)
        page = cv2.imread(there + "/page.png", cv2.IMREAD_GRAYSCALE)
    per_mm = dpi / 25.4
    top, rows = int(round(card["top"] * per_mm)), int(card["size"][1] * per_mm)
    # The printer lets ink spread a little.
    part = cv2.GaussianBlur(page[top : top + rows].astype(np.float32) / 255, (0, 0), 0.09 * per_mm)
    return (0.045 + 0.74 * part).astype(np.float32), per_mm


def kelvin(t):
    """Linear RGB of a black body against 6500 K, green 1: a rough fit, from memory, that only has to look right."""
    x = (t - 6500) / 6500
    return np.array([np.clip(1 - 0.55 * x - (0.5 * x if x < 0 else 0), 0.6, 2.2), 1.0, np.clip(1 + 0.75 * x, 0.25, 1.8)])


def blurred(picture, s):
    r = s["defocus_px"]
    if r > 0.15:
        n = int(np.ceil(r)) + 1
        y, x = np.mgrid[-n : n + 1, -n : n + 1]
        disc = np.clip(r - np.hypot(x, y) + 0.5, 0, 1)
        picture = cv2.filter2D(picture, -1, disc / disc.sum(), borderType=cv2.BORDER_REFLECT)
    m = s["motion_px"]
    if m > 0.2:
        n = int(np.ceil(m)) + 1
        y, x = np.mgrid[-n : n + 1, -n : n + 1]
        c, si = np.cos(s["sun_from_deg"]), np.sin(s["sun_from_deg"])
        streak = np.clip(m / 2 - np.abs(x * c + y * si) + 0.5, 0, 1) * np.clip(1 - np.abs(-x * si + y * c), 0, 1)
        picture = cv2.filter2D(picture, -1, streak / streak.sum(), borderType=cv2.BORDER_REFLECT)
    return cv2.GaussianBlur(picture, (0, 0), 0.45)


def phone(rng, s, picture, lamp, path):
    """Optics, sensor and what the phone makes of it; writes the JPEG and gives back what it shows, upright."""
    h, w = picture.shape[:2]
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    r2 = ((x - w / 2) ** 2 + (y - h / 2) ** 2) / (np.hypot(w, h) / 2) ** 2
    picture *= (1 - s["vignette"] * r2 * (1.15 - 0.15 * r2))[..., None]
    del x, y, r2
    picture = blurred(picture, s)
    gain = s["exposure"] / max(np.percentile(picture[::7, ::7, 1], 98), 1e-6)
    picture *= gain
    white = picture[::9, ::9].reshape(-1, 3).mean(0)
    # Automatic white balance: most of the lamp's colour goes, a little of the quilt's too, and some error stays.
    balance = (lamp[1] / lamp) ** 0.8 * (white[1] / np.maximum(white, 1e-6)) ** 0.1 * np.array([1 + s["wb"], 1, 1 - s["wb"]])
    picture *= np.clip(balance, 0.4, 2.5).astype(np.float32)
    # Shot noise falls on a mosaic: green is sharp, red and blue are spread over two pixels and noisier.
    for c in range(3):
        noise = rng.standard_normal((h, w), dtype=np.float32)
        if c != 1:
            noise = cv2.GaussianBlur(noise, (0, 0), 0.9) * 2.6
        picture[..., c] += noise * s["noise"] * np.sqrt(np.clip(picture[..., c], 0.002, None) + 0.01)
        del noise
    np.clip(picture, 0, 1.3, out=picture)
    code = np.where(picture < 0.0031308, 12.92 * picture, 1.055 * np.power(np.maximum(picture, 1e-6), 1 / 2.4) - 0.055).astype(np.float32)
    del picture
    if s["tone"] > 0:
        grey = code.mean(2)
        small = cv2.resize(grey, (w // 16, h // 16), interpolation=cv2.INTER_AREA)
        base = cv2.resize(cv2.GaussianBlur(small, (0, 0), 0.012 * w / 16), (w, h))
        code *= (0.45 / np.clip(base, 0.08, None))[..., None] ** np.float32(0.35 * s["tone"])
    code = 1 - np.exp(-code * 1.0 - 0.9 * code**3) if s["tone"] > 0.3 else np.clip(code, 0, 1)
    code = np.clip(code * 255, 0, 255).astype(np.uint8)
    if s["smear"] > 0:
        ycc = cv2.cvtColor(code, cv2.COLOR_RGB2YCrCb)
        sigma = 4 + 700 * s["noise"]
        plain = cv2.bilateralFilter(ycc[..., 0], 5, sigma, 1.6)
        ycc[..., 0] = cv2.addWeighted(plain, s["smear"], ycc[..., 0], 1 - s["smear"], 0)
        ycc[..., 1:] = cv2.GaussianBlur(ycc[..., 1:], (0, 0), 2.0)
        code = cv2.cvtColor(ycc, cv2.COLOR_YCrCb2RGB)
    if s["sharpen"] > 0:
        soft = cv2.GaussianBlur(code, (0, 0), 1.2)
        code = cv2.addWeighted(code, 1 + s["sharpen"], soft, -s["sharpen"], 0)
    turns = {1: 0, 6: 1, 3: 2, 8: 3}[s["sensor_turn"]]
    stored = Image.fromarray(np.ascontiguousarray(np.rot90(code, turns)))
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Veldspar", f"Veldspar {int(s['focal'] * 100)}", s["sensor_turn"]
    inner = exif.get_ifd(0x8769)
    inner[0x920A], inner[0xA405] = round(s["focal"] * 6.4, 2), int(round(s["focal"] * 36 * 43.27 / 45.0))
    exif[0x8769] = inner
    stored.save(path, quality=s["quality"], subsampling=s["chroma"], exif=exif)
    with Image.open(io.BytesIO(path.read_bytes())) as again:
        return np.ascontiguousarray(np.rot90(np.asarray(again.convert("RGB")), -turns))
