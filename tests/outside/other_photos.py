"""Practice photos drawn by other means than rowsight's own, measured by rowsight and held against their truth.

Cloth is made of photographs (scikit-image's brick, grass, gravel, coffee, retina, deep field, stained tissue), whole, tinted, or cut to
patchwork; puff and grooves are a height field from OpenCV's distance transform, shaded by its gradient; the lens is
OpenCV's projectPoints model inverted by undistortPoints; tags are OpenCV's. Nothing is shared with `src/rehearse`.

    python3 tests/outside/other_photos.py --rowsight target/release/rowsight --to 24 target/other
    python3 tests/outside/other_photos.py --no-rows --megapixels 3 --to 60 target/other-empty    # for examples/false_finds.rs

Needs numpy, scipy, opencv-python-headless (with aruco; 5.0.0 tried), scikit-image (0.26.0 tried). Prints one line a photo, then
RMS of spacing at left, centre and right (photos whose verdict is not "retake"), the share of 95 % intervals that hold,
and how many newest rows were measured rightly, wrongly, and not.
"""

import argparse
import json
import pathlib
import shutil
import subprocess

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d
from skimage import data

TEXTURE_MM = 0.3  # one pixel of the drawn quilt
TAG_MM, GAP_MM, PATCH_MM = 42.0, 12.6, 7.2
CARD_PX_PER_MM = 8.0
NEWEST = 6  # number of the newest row


def soften(picture, sigma_px):
    return cv2.GaussianBlur(picture, (0, 0), sigma_px, borderType=cv2.BORDER_REFLECT)


def noise(rng, shape):
    return rng.standard_normal(shape, dtype=np.float32)


def design(rng):
    """One repeat as points (mm), y about its middle: a random closed sum of waves, or a chain of loops."""
    repeat = rng.uniform(140, 320)
    height = rng.uniform(60, 130)
    t = np.linspace(0, 1, 600)
    if rng.random() < 0.5:
        y = np.zeros_like(t)
        for k in (1, 2, 3):
            y += rng.normal() / k * np.sin(2 * np.pi * k * t + rng.uniform(0, 2 * np.pi))
        x = t + rng.uniform(0.0, 0.06) * np.sin(4 * np.pi * t)
    else:
        loops = rng.integers(1, 4)
        phase = 2 * np.pi * loops * t
        x = t + rng.uniform(0.9, 1.7) / (2 * np.pi * loops) * np.sin(phase)
        y = np.cos(phase) + 0.5 * rng.normal() * np.sin(2 * np.pi * t)
    x, y = x - x[0], y - y[0]
    x = x / x[-1] * repeat
    y = (y - y.mean()) * height / np.ptp(y)
    return np.stack([x, y - (y.max() + y.min()) / 2], 1), repeat, height


def svg(points, path):
    shifted = points - points.min(0)
    w, h = np.ptp(points, 0)
    line = " ".join(f"{x:.3f},{y:.3f}" for x, y in shifted)
    path.write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{w:.3f}mm" height="{h:.3f}mm" viewBox="0 0 {w:.3f} {h:.3f}">'
        f'<polyline points="{line}" fill="none" stroke="black"/></svg>\n'
    )


PHOTOGRAPHS = ("brick", "grass", "gravel", "coffee", "retina", "hubble_deep_field", "immunohistochemistry")


def cloth(rng, shape):
    """Colour of the cloth, 0…1, by pixel, and what it is called."""
    h, w = shape

    def tint():
        return np.array(cv2.cvtColor(np.float32([[[rng.uniform(0, 360), rng.uniform(0.05, 0.6), rng.uniform(0.15, 0.95)]]]),
                                     cv2.COLOR_HSV2RGB)[0, 0])

    def plain():
        weave = soften(noise(rng, (h // 2, w // 2)), rng.uniform(0.5, 1.2))
        weave = cv2.resize(weave / weave.std() * rng.uniform(0.005, 0.03), (w, h))
        return tint()[None, None] * (1 + weave[..., None])

    def printed():
        name = PHOTOGRAPHS[rng.integers(len(PHOTOGRAPHS))]
        picture = np.asarray(getattr(data, name)(), dtype=np.float32) / 255
        if picture.ndim == 2:
            light, dark = tint(), tint()
            picture = dark + picture[..., None] * (light - dark)
        tile_px = rng.uniform(60, 300) / TEXTURE_MM
        scale = tile_px / picture.shape[1]
        picture = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        strength = rng.uniform(0.3, 1.0)
        picture = picture.mean((0, 1)) + strength * (picture - picture.mean((0, 1)))
        th, tw = picture.shape[:2]
        picture = np.tile(picture, (h // th + 1, w // tw + 1, 1))[:h, :w]
        return picture, name

    kind = rng.choice(["plain", "printed", "patchwork"], p=[0.35, 0.35, 0.3])
    if kind == "plain":
        return plain(), kind
    if kind == "printed":
        picture, name = printed()
        return picture, f"printed {name}"
    out = plain()
    for _ in range(3):
        other = printed()[0] if rng.random() < 0.6 else plain()
        side = rng.uniform(60, 150) / TEXTURE_MM
        yy, xx = np.mgrid[0:h, 0:w]
        turn = rng.choice([0.0, np.pi / 4])
        u, v = xx * np.cos(turn) + yy * np.sin(turn), yy * np.cos(turn) - xx * np.sin(turn)
        cells = (np.floor(u / side).astype(int), np.floor(v / side).astype(int))
        pick = rng.random((400, 400)) < 0.35
        mask = pick[cells[0] % 400, cells[1] % 400]
        out = np.where(mask[..., None], other, out)
    return out, kind


def card_picture(sheet):
    """A sheet card on paper of 279 x 216 mm, grey 0…1, and its half size in mm."""
    half = (139.7, 107.9)
    px = CARD_PX_PER_MM
    page = np.full((int(2 * half[1] * px), int(2 * half[0] * px)), 0.9, np.float32)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    left, top = -231.0 / 2 + GAP_MM, -176.4 / 2 + GAP_MM

    def fill(x, y, w, h, value):
        x0, y0 = int(round((x + half[0]) * px)), int(round((y + half[1]) * px))
        page[y0:y0 + int(round(h * px)), x0:x0 + int(round(w * px))] = value

    for row in range(3):
        for column in range(4):
            tag = 12 * (sheet - 1) + 4 * row + column
            small = np.rot90(cv2.aruco.generateImageMarker(family, tag, 8), 2)
            x, y = left + column * (TAG_MM + GAP_MM), top + row * (TAG_MM + GAP_MM)
            cell = TAG_MM / 8
            for j in range(8):
                for i in range(8):
                    if small[j, i] == 0:
                        fill(x + i * cell, y + j * cell, cell, cell, 0.06)
    for row in range(4):
        for column in range(5):
            x = left - GAP_MM / 2 + column * (TAG_MM + GAP_MM)
            y = top - GAP_MM / 2 + row * (TAG_MM + GAP_MM)
            q = PATCH_MM / 2
            fill(x - q, y - q, q, q, 0.06)
            fill(x, y, q, q, 0.06)
    return page, half


def stitch_rows(rng, curve, repeat, spacing, stagger, half_width):
    """Rows as stitched: polylines on the quilt, mm, and how each baseline lies, as (x, y) samples; top to bottom."""
    count = int(rng.integers(2, 5))
    y, slope, bow, rows = 0.0, 0.0, 0.0, []
    start = rng.uniform(0, repeat)
    stretch = 1 + rng.normal() * 0.003
    wobble_sd, wobble_mm = rng.uniform(0.3, 1.1), rng.uniform(25, 70)
    for k in range(count):
        if k:
            y += spacing + rng.normal() * 2.5
            slope += rng.normal() * 0.0025
            bow += rng.normal() * 1.2
        shift = start + k * stagger * repeat + rng.normal() * 3
        n = int(2 * half_width / repeat) + 4
        points = np.concatenate([curve[:-1] + [(i - n / 2) * repeat, 0] for i in range(n)])
        points[:, 0] = points[:, 0] * stretch + shift
        step = np.hypot(*np.diff(points, axis=0).T)
        arc = np.concatenate([[0], np.cumsum(step)])
        even = np.arange(0, arc[-1], 0.5)
        points = np.stack([np.interp(even, arc, points[:, i]) for i in range(2)], 1)
        hand = gaussian_filter1d(rng.normal(size=(len(even), 2)), wobble_mm / 0.5, axis=0)
        hand *= wobble_sd / hand.std()
        base = y + slope * points[:, 0] + bow * (1 - (points[:, 0] / half_width) ** 2)
        design_y = points[:, 1].copy()
        stitched = np.stack([points[:, 0] + hand[:, 0], design_y + base + hand[:, 1]], 1)
        rows.append((stitched, np.stack([points[:, 0], base + hand[:, 1]], 1)))
    return rows


def draw(seed, folder, megapixels, no_rows=False):
    rng = np.random.default_rng(seed)
    curve, repeat, height = design(rng)
    spacing = height + rng.uniform(10, 50)
    stagger = float(rng.choice([0.0, 0.5, 1 / 3]))
    mm_per_px = rng.uniform(0.35, 0.6) * np.sqrt(12 / megapixels)
    wide, high = [int(round(v * np.sqrt(megapixels / 12))) for v in (4000, 3000)]
    seen_w, seen_h = wide * mm_per_px, high * mm_per_px
    half_width = 0.8 * seen_w
    rows = stitch_rows(rng, curve, repeat, spacing, stagger, half_width)
    last = len(rows) - 1
    last_y = rows[last][1][:, 1].mean()
    # Quilt texture: the frame's middle is where the camera looks.
    aim_y = last_y - rng.uniform(0.0, 1.0) * spacing
    w, h = int(1.7 * seen_w / TEXTURE_MM), int(2.2 * seen_h / TEXTURE_MM)
    origin = np.array([-w / 2 * TEXTURE_MM, aim_y - h / 2 * TEXTURE_MM])
    colour, kind = cloth(rng, (h, w))
    colour = colour.astype(np.float32)

    def to_px(points):
        return (points - origin) / TEXTURE_MM

    line = np.zeros((h, w), np.uint8)
    thread = np.zeros((h, w), np.uint8)
    stitch, thick = rng.uniform(2.0, 3.2), max(1, int(round(rng.uniform(0.4, 0.7) / TEXTURE_MM)))
    for stitched, _ in [] if no_rows else rows:
        px = to_px(stitched)
        cv2.polylines(line, [np.round(px * 8).astype(np.int32)], False, 255, 1, cv2.LINE_8, 3)
        per = max(2, int(round(stitch / 0.5)))
        for i in range(0, len(px) - per, per):
            part = px[i:i + max(2, int(per * 0.85))]
            cv2.polylines(thread, [np.round(part * 8).astype(np.int32)], False, 255, thick, cv2.LINE_AA, 3)
    # Puff: the cloth rises away from the stitching.
    away = cv2.distanceTransform(255 - line, cv2.DIST_L2, 5) * TEXTURE_MM
    puff = rng.uniform(0.3, 1.5)
    lift = puff * (1 - np.exp(-away / rng.uniform(2, 6)))  # all the same where nothing is stitched
    gy, gx = np.gradient(soften(lift, 1.2), TEXTURE_MM)
    sun, low = rng.uniform(0, 2 * np.pi), rng.uniform(0.4, 1.4)
    shade = 1 - low * (np.cos(sun) * gx + np.sin(sun) * gy)
    shade = np.clip(shade, 0.2, 1.8)
    contrast = rng.uniform(0.08, 0.5) * rng.choice([-1, 1])
    mean = colour.mean((0, 1))
    thread_colour = np.clip(mean + contrast, 0.02, 0.98)
    alpha = soften(thread.astype(np.float32) / 255, 0.5)[..., None]
    colour = colour * (1 - alpha) + thread_colour * alpha
    light = (0.8 + rng.uniform(-0.3, 0.3) * np.linspace(-1, 1, w)[None] + rng.uniform(-0.2, 0.2) * np.linspace(-1, 1, h)[:, None]).astype(np.float32)
    quilt = colour * (shade * light)[..., None]
    # Rails across, and the floor beyond.
    for side in (-1, 1):
        at = aim_y + side * rng.uniform(0.36, 0.6) * seen_h
        y0 = int((at - origin[1]) / TEXTURE_MM)
        floor = slice(0, max(y0, 0)) if side < 0 else slice(min(max(y0, 0), h), h)
        quilt[floor] = rng.uniform(0.1, 0.5) * light[floor][..., None]
        rail = slice(max(y0 - 60, 0), max(y0 + 60, 0))
        n = quilt[rail].shape[0]
        if n:
            quilt[rail] = (0.3 + 0.5 * np.sin(np.linspace(0, np.pi, n)) ** 2)[:, None, None]
    quilt = np.clip(quilt, 0, 1.5).astype(np.float32)

    # Camera over the aim, tilted, with a lens.
    f = rng.uniform(0.72, 0.95) * wide
    k = np.array([[f, 0, wide / 2 + rng.normal() * 8], [0, f, high / 2 + rng.normal() * 8], [0, 0, 1.0]])
    lens = np.array([rng.uniform(-0.06, 0.05), rng.uniform(-0.02, 0.02), 0, 0, 0])
    tilt, roll, yaw = np.radians([rng.uniform(0, 35), rng.normal() * 3, rng.normal() * 6])
    lean = cv2.Rodrigues(np.array([tilt, 0, 0]))[0] @ cv2.Rodrigues(np.array([0, yaw, 0]))[0] @ cv2.Rodrigues(np.array([0, 0, roll]))[0]
    distance = f * mm_per_px
    eye = np.array([0, aim_y, 0]) - lean.T @ np.array([0, 0, distance])
    jj, ii = np.mgrid[0:high, 0:wide].astype(np.float32)
    rays = cv2.undistortPoints(np.stack([ii.ravel(), jj.ravel()], 1)[:, None], k, lens)[:, 0]
    rays = np.concatenate([rays, np.ones((len(rays), 1))], 1) @ lean
    sag, sag_across = rng.uniform(0, 6), rng.uniform(0, 2)

    def on_plane(level):
        t = (level - eye[2]) / rays[:, 2]
        return eye[None, :2] + rays[:, :2] * t[:, None]

    # The cloth hangs between the rails: z grows away from the camera.
    place = on_plane(0.0)
    for _ in range(2):
        z = sag * np.clip(1 - ((place[:, 1] - aim_y) / (0.6 * seen_h)) ** 2, -1, 1) + sag_across * np.clip(
            1 - (place[:, 0] / (0.5 * seen_w)) ** 2, -1, 1)
        place = on_plane(z)
    px = to_px(place).astype(np.float32).reshape(high, wide, 2)
    photo = cv2.remap(soften(quilt, 0.45 * mm_per_px / TEXTURE_MM), px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    # The card lies on the puff, a few millimetres above the stitching, a little askew and rocked.
    sheet = int(rng.integers(1, 21))
    page, half = card_picture(sheet)
    middle = np.array([rng.uniform(-0.25, 0.25) * seen_w, last_y + height / 2 + half[1] + rng.uniform(-60, 40)])
    above = sag * (1 - ((middle[1] - aim_y) / (0.6 * seen_h)) ** 2) + sag_across * (1 - (middle[0] / (0.5 * seen_w)) ** 2)
    rock = rng.normal(size=2) * 0.008
    level = above - rng.uniform(2.5, 6.0)
    normal = np.array([rock[0], rock[1], 1.0])
    corner = np.array([middle[0], middle[1], level])
    t = ((corner - eye) @ normal) / (rays @ normal)
    on = (eye + rays * t[:, None])[:, :2] - middle
    turn = rng.normal() * 0.08
    u = on[:, 0] * np.cos(turn) + on[:, 1] * np.sin(turn)
    v = on[:, 1] * np.cos(turn) - on[:, 0] * np.sin(turn)
    cx, cy = ((u + half[0]) * CARD_PX_PER_MM - 0.5).astype(np.float32), ((v + half[1]) * CARD_PX_PER_MM - 0.5).astype(np.float32)
    paper = soften(page, 0.45 * mm_per_px * CARD_PX_PER_MM)
    seen_page = cv2.remap(paper, cx.reshape(high, wide), cy.reshape(high, wide), cv2.INTER_LINEAR, borderValue=-1)
    inside = ((np.abs(u) < half[0] - 0.2) & (np.abs(v) < half[1] - 0.2)).reshape(high, wide)
    photo = np.where(inside[..., None], seen_page[..., None] * 0.85, photo)
    # Lens and sensor.
    blur = rng.uniform(0.5, 1.1)
    photo = soften(photo.astype(np.float32), blur)
    r2 = ((ii - wide / 2) ** 2 + (jj - high / 2) ** 2) / (wide / 2) ** 2
    photo *= ((1 - rng.uniform(0, 0.25) * r2)[..., None] * rng.uniform(0.7, 1.0)).astype(np.float32)
    full = rng.uniform(1500, 12000)
    photo += noise(rng, photo.shape) * np.sqrt(np.clip(photo, 0.001, None) / np.float32(full))
    photo = np.clip(photo, 0, 1) ** (1 / 2.2)
    if rng.random() < 0.5:
        photo = np.clip(photo + 0.4 * (photo - soften(photo, 1.5)), 0, 1)
    picture = np.round(photo * 255).astype(np.uint8)[..., ::-1]
    folder.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(folder / "row.jpg"), picture, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(78, 95))])
    svg(curve, folder / "drawn.svg")
    truth = {
        "kind": kind, "contrast": float(contrast), "puff_mm": float(puff), "repeat_mm": float(repeat), "height_mm": float(height),
        "spacing_mm": float(spacing), "stagger": stagger, "rows": len(rows), "mm_per_px": float(mm_per_px),
        "baselines": [[b[::40, 0].round(3).tolist(), b[::40, 1].round(4).tolist()] for _, b in rows],
        "card_middle_mm": middle.tolist(),
    }
    (folder / "truth.json").write_text(json.dumps(truth))
    return truth


def measure(rowsight, folder, truth):
    """What rowsight says of the photo: the JSON, or the last line of what it complains about."""
    quilt = folder / "quilt"
    # The plan is given with more rows than the photo shows, as in use.
    plan = [rowsight, "plan", str(quilt), "--width", "2600mm", "--length", "3000mm", "--design", str(folder / "drawn.svg"),
            "--repeat", f"{truth['repeat_mm']:.3f}mm", "--spacing", f"{truth['spacing_mm']:.3f}mm", "--stagger", f"{truth['stagger']:.5f}",
            "--card-bar", f"{truth.get('card_bar_mm', 150.0):.2f}mm"]
    if not (quilt / "plan.toml").exists():
        subprocess.run(plan, check=True, capture_output=True)
    run = subprocess.run([rowsight, "snap", str(quilt), str(folder / "row.jpg"), "--row", str(NEWEST), "--look", "--json"],
                         capture_output=True, text=True)
    (folder / "said.txt").write_text(run.stdout + run.stderr)
    if not run.stdout.strip():
        return None, run.stderr.strip().splitlines()[-1] if run.stderr.strip() else "nothing"
    return json.loads(run.stdout), None


def errors(said, truth):
    """Errors of spacing and their u, gap by gap from the newest up; the tool's x is the truth's but for a move."""
    out = []
    fits = []
    span = [min(r["seen_from_mm"] for r in said["rows"]), max(r["seen_to_mm"] for r in said["rows"])]
    for x, y in truth["baselines"]:
        x, y = np.array(x), np.array(y)
        near = (x > span[0]) & (x < span[1])
        fits.append(np.polyfit(x[near], y[near], 2))
    newest = said["rows"][-1]["row"]
    for gap in said["gaps"]:
        i = len(fits) - 1 - (newest - gap["to_row"])
        if i < 1:
            out.append((gap["to_row"], None, None))
            continue
        for s in gap["spacing"]:
            true = np.polyval(fits[i], s["x_mm"]) - np.polyval(fits[i - 1], s["x_mm"])
            slope = np.polyval(np.polyder(fits[i - 1]), s["x_mm"])
            out.append((gap["to_row"], s["value"] - true * np.cos(np.arctan(slope)), s["u"]))
    return out


def judged(seed, truth, said, refused, found):
    """Whether a photo was answered "right", "WRONG" or with "retake", and a line about it; `found` as `errors` gives it."""
    about = f"{seed:3d} {truth['kind']:<24} contrast {truth['contrast']:+.2f} puff {truth['puff_mm']:.1f} rows {truth['rows']}"
    if said is None:
        return "retake", f"{about}: {refused[-150:]}"
    verdict = said["verdict"]
    worst = max((abs(e) / u for _, e, u in found if e is not None), default=0.0)
    gross = any(e is None or abs(e) > 8 for _, e, _ in found)
    state = "retake" if verdict["action"] == "retake" else "WRONG" if gross else "right"
    rms = np.sqrt(np.mean([e * e for _, e, _ in found if e is not None])) if found and not gross else float("nan")
    return state, (f"{about}: {state} {verdict['action']}, {len(said['gaps'])} gaps, RMS {rms:.2f} mm, worst {worst:.1f} u"
                   + (f" | {verdict['reasons'][0][:90]}" if state == "retake" else ""))


def summary(states, found, against=""):
    """Of all photos: how many were answered how, and by how much the spacings of those that are right are off."""
    e = np.array([(e, u) for _, e, u in found]).reshape(-1, 2)
    counts = f"{states.count('right')} right, {states.count('WRONG')} wrong, {states.count('retake')} retaken or refused; {len(e)} spacings"
    if not len(e):
        return counts
    held = np.mean(np.abs(e[:, 0]) <= 1.96 * e[:, 1])
    return (f"{counts}{against}, RMS {np.sqrt(np.mean(e[:, 0] ** 2)):.2f} mm, "
            f"95 % intervals hold {100 * held:.1f} %, worst {np.max(np.abs(e[:, 0]) / e[:, 1]):.1f} u")


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=pathlib.Path)
    parser.add_argument("--rowsight", default="target/release/rowsight")
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--to", type=int, default=24)
    parser.add_argument("--megapixels", type=float, default=12.0)
    parser.add_argument("--no-rows", action="store_true", help="draw cloth without a row, measure nothing")
    arguments = parser.parse_args()
    all_errors, states = [], []
    if arguments.no_rows:
        # No thread to draw, and pixels of 0.7 mm or more: a coarser quilt will do.
        globals()["TEXTURE_MM"] = 0.6
    for seed in range(arguments.first, arguments.to):
        if arguments.no_rows:
            arguments.folder.mkdir(parents=True, exist_ok=True)
            here = arguments.folder / f"{seed:03d}"
            draw(seed, here, arguments.megapixels, no_rows=True)
            (here / "row.jpg").rename(arguments.folder / f"empty-{seed:03d}.jpg")
            shutil.rmtree(here)
            continue
        folder = arguments.folder / f"{seed:03d}"
        if (folder / "truth.json").exists():
            truth = json.loads((folder / "truth.json").read_text())
        else:
            truth = draw(seed, folder, arguments.megapixels)
        said, refused = measure(arguments.rowsight, folder, truth)
        found = errors(said, truth) if said else []
        state, line = judged(seed, truth, said, refused, found)
        states.append(state)
        if state == "right":
            all_errors += found
        print(line)
    if arguments.no_rows:
        return
    print(summary(states, all_errors))


if __name__ == "__main__":
    main()
