"""What an engineer would write in an afternoon to measure rows: the reference rowsight has to beat.

OpenCV finds the tags and the homography, scikit-image's Hessian eigenvalues (Sato's filter) the ridges of both signs, and the design is laid
over them by cross-correlation: first over angle and place at 2 mm a pixel, then window by window along each row at
the rectified picture's full size. Spacing is read off quadratics fitted robustly to the windows.

    python3 tests/outside/reference_rows.py target/classes            # photos of `--example evaluate -- --classes all`
    python3 tests/outside/reference_rows.py target/classes --first 6  # six photos a class

Needs numpy, opencv-python-headless (with aruco; 5.0.0 tried), scikit-image (0.26.0 tried), scipy (1.17.1 tried).
The table has the columns of the evaluation's that apply; seconds are processor seconds, all threads together.
"""

import argparse
import collections
import json
import pathlib
import time

import cv2
import numpy as np
from scipy.optimize import least_squares
from skimage.feature import hessian_matrix, hessian_matrix_eigvals

TAG_MM, PITCH_MM = 42.0, 54.6
FINE_MM, COARSE_MM = 0.5, 2.0
SIGMAS_MM = (0.6, 1.1)
# A row's best correlation against the spread of what is found at other heights.
LEAST_Z = 6.0
EDGE_MM = 15.0


def tag_corners_mm(tag):
    """Card name and the four corners (top left first, clockwise) of a tag on it, mm about the card's middle."""
    if tag < 240:
        card, place, columns, rows = ("sheet", tag // 12), tag % 12, 4, 3
    else:
        card, place, columns, rows = ("strip", (tag - 240) // 4), (tag - 240) % 4, 4, 1
    x = (place % columns - (columns - 1) / 2) * PITCH_MM
    y = (place // columns - (rows - 1) / 2) * PITCH_MM
    h = TAG_MM / 2
    return card, np.array([[x - h, y - h], [x + h, y - h], [x + h, y + h], [x - h, y + h]])


def rigid(a, b):
    """Rotation and translation that take points a to b (Kabsch)."""
    ma, mb = a.mean(0), b.mean(0)
    u, _, vt = np.linalg.svd((a - ma).T @ (b - mb))
    r = (u @ np.diag([1, np.sign(np.linalg.det(u @ vt))]) @ vt).T
    return r, mb - r @ ma


def plane_from_photo(gray, bar_mm):
    """Homography from the photo to millimetres, and the corners of each card in the plane; None without a card."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, options).detectMarkers(gray)
    if ids is None:
        return None
    cards = collections.defaultdict(lambda: ([], []))
    for tag, found in zip(np.ravel(ids), corners):
        if tag >= 480:
            continue
        card, mm = tag_corners_mm(int(tag))
        # OpenCV's dictionary holds the family's tags turned by half a turn, and its pixels' centres are whole numbers.
        cards[card][0].append(np.roll(found.reshape(4, 2), 2, axis=0) + 0.5)
        cards[card][1].append(mm * bar_mm / 150.0)
    cards = [(np.concatenate(px), np.concatenate(mm)) for px, mm in cards.values()]
    if not cards:
        return None
    cards.sort(key=lambda c: -len(c[0]))
    # The largest card lays the plane; the others are moved onto it, then all corners fit it together.
    px, mm = cards[0]
    plane, _ = cv2.findHomography(px, mm, 0)
    if plane is None:
        return None
    for _ in range(10 if len(cards) > 1 else 0):
        placed = [mm]
        for other_px, other_mm in cards[1:]:
            seen = cv2.perspectiveTransform(other_px[None], plane)[0]
            r, t = rigid(other_mm, seen)
            placed.append(other_mm @ r.T + t)
        plane, _ = cv2.findHomography(np.concatenate([c[0] for c in cards]), np.concatenate(placed), 0)
    return plane, [cv2.perspectiveTransform(c[0][None], plane)[0] for c in cards]


def both_signs(image, sigmas):
    """What skimage.filters.sato gives for light and for dark lines, whichever is more, for the price of one."""
    ridges = np.zeros(image.shape, np.float32)
    for sigma in sigmas:
        bends = hessian_matrix_eigvals(hessian_matrix(image, sigma, order="rc", use_gaussian_derivatives=True))
        np.maximum(ridges, sigma**2 * np.maximum(bends[0], -bends[1]), out=ridges)
    return ridges


def rectified(gray, plane, cards):
    """Ridge strength on the plane at FINE_MM a pixel, its mask, and the plane's origin there."""
    h, w = gray.shape
    border = np.array([[x, y] for x, y in [(0, 0), (w, 0), (w, h), (0, h)]], float)
    inside = plane[2, 0] * border[:, 0] + plane[2, 1] * border[:, 1] + plane[2, 2]
    if inside.min() * inside.max() <= 0:
        return None
    outline = cv2.perspectiveTransform(border[None], plane)[0]
    middle = cv2.perspectiveTransform(np.array([[[w / 2, h / 2]]]), plane)[0, 0]
    low = np.maximum(outline.min(0), middle - 1100)
    high = np.minimum(outline.max(0), middle + 1100)
    size = np.ceil((high - low) / FINE_MM).astype(int)
    scale = np.array([[1 / FINE_MM, 0, -low[0] / FINE_MM], [0, 1 / FINE_MM, -low[1] / FINE_MM], [0, 0, 1]])
    to_plane = scale @ plane @ np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    flat = cv2.warpPerspective(gray, to_plane, tuple(size), flags=cv2.INTER_LINEAR)
    mask = cv2.warpPerspective(np.full_like(gray, 255), to_plane, tuple(size), flags=cv2.INTER_NEAREST)
    mask = cv2.erode(mask, np.ones((13, 13), np.uint8), borderValue=0)
    for card in cards:
        hull = cv2.convexHull(((card - low) / FINE_MM).astype(np.float32)).astype(np.int32)
        cv2.fillConvexPoly(mask, hull, 0)
        cv2.polylines(mask, [hull], True, 0, int(2 * 30 / FINE_MM))
    # Brightness is evened out before the filter, and its answers against those around after it.
    flat = flat.astype(np.float32)
    mean = cv2.blur(flat, (41, 41))
    spread = np.sqrt(np.maximum(cv2.blur(flat * flat, (41, 41)) - mean * mean, 4.0))
    even = (flat - mean) / spread
    ridges = both_signs(even, [s / FINE_MM for s in SIGMAS_MM])
    ridges = np.minimum(ridges / np.maximum(cv2.blur(ridges, (121, 121)), 1e-3), 4.0)
    ridges[mask == 0] = 0
    return ridges, mask, low


def drawn(curve, repeat, first, last, step, soft_mm):
    """The design from repeat `first` to `last` as a soft line, and where (0, 0) of repeat `first` lies in it, px."""
    points = np.concatenate([curve + [k * repeat, 0] for k in range(last - first)])
    low = points.min(0) - 6
    size = np.ceil((points.max(0) + 6 - low) / step).astype(int)
    image = np.zeros((size[1], size[0]), np.float32)
    cv2.polylines(image, [np.round((points - low) / step * 16).astype(np.int32)], False, 1.0, 1, cv2.LINE_AA, 4)
    image = cv2.GaussianBlur(image, (0, 0), soft_mm / step)
    return image / image.max(), -low / step


def turned(image, degrees):
    """The picture turned about its middle onto a canvas that holds it, and the 2 × 3 matrix that did it."""
    h, w = image.shape
    m = cv2.getRotationMatrix2D((w / 2, h / 2), degrees, 1.0)
    c, s = abs(m[0, 0]), abs(m[0, 1])
    size = (int(w * c + h * s), int(w * s + h * c))
    m[0, 2] += size[0] / 2 - w / 2
    m[1, 2] += size[1] / 2 - h / 2
    return cv2.warpAffine(image, m, size), m


def heights(ridges, mask, template, anchor, repeat_px):
    """For each height of a baseline: best mean evidence along a row laid there over all phases, and that phase."""
    th, tw = template.shape
    padded = cv2.copyMakeBorder(ridges, th, th, tw, tw, cv2.BORDER_CONSTANT)
    seen = cv2.copyMakeBorder(mask, th, th, tw, tw, cv2.BORDER_CONSTANT)
    # Summed over the repeats first: a row is the same every repeat.
    n = int(round(repeat_px))

    folded = np.zeros((padded.shape[0], n), np.float32)
    known = np.zeros((padded.shape[0], n), np.float32)
    starts = np.arange(0, padded.shape[1] - n, repeat_px)
    for start in starts:
        s = int(round(start))
        folded += padded[:, s : s + n]
        known += seen[:, s : s + n]
    folded = np.concatenate([folded] * 3, axis=1)
    known = np.concatenate([known] * 3, axis=1)
    one = template
    sums = cv2.filter2D(folded, cv2.CV_32F, one, anchor=(int(anchor[0]), int(anchor[1])))[:, n : 2 * n]
    count = cv2.filter2D(known, cv2.CV_32F, one, anchor=(int(anchor[0]), int(anchor[1])))[:, n : 2 * n]
    mean = (sums - count) / np.sqrt(np.maximum(count, 1e-6))
    mean[count < 0.25 * count.max()] = 0
    # Rails, seams and boards answer alike in every phase; a row in one.
    mean -= mean.mean(1, keepdims=True)
    best = mean.argmax(1)
    rows = slice(th, th + ridges.shape[0])
    return mean[np.arange(len(best)), best][rows], best[rows] - tw


def find_rows(ridges, mask, plan):
    """Angle, and for each row found from top to bottom (height, phase), coarse pixels in the turned picture."""
    curve, repeat = np.array(plan["curve_mm"]), plan["repeat_mm"]

    def shrunk(mm):
        size = {"fx": FINE_MM / mm, "fy": FINE_MM / mm, "interpolation": cv2.INTER_AREA}
        small, seen = (cv2.resize(i, None, **size) for i in (ridges, (mask > 0).astype(np.float32)))
        small -= seen * (small.sum() / max(seen.sum(), 1)) - seen
        template, anchor = drawn(curve, repeat, 0, 1, mm, 0.6 * mm)

        def at(degrees):
            image, _ = turned(small, degrees)
            where, _ = turned(seen, degrees)
            return heights(image, where, template, anchor, repeat / mm)

        return at

    # Half a degree moves the ends of a metre by as much as the line is wide here.
    first, closer = shrunk(2 * COARSE_MM), shrunk(COARSE_MM)
    angles = np.arange(-92, 92.1, 0.6)
    best = angles[np.argmax([first(a)[0].max() for a in angles])]
    around = best + 0.2 * np.arange(-3, 4)
    best = around[np.argmax([closer(a)[0].max() for a in around])]
    profile, phase = closer(best)
    middle = np.median(profile)
    spread = max(1.4826 * np.median(np.abs(profile - middle)), 1e-6)
    z = (profile - middle) / spread
    # From the strongest row up and down by about the spacing, as long as something stands out.
    space = plan["spacing_mm"] / COARSE_MM
    reach = int(round(12 / COARSE_MM))
    start = int(z.argmax())
    rows = [start] if z[start] >= LEAST_Z else []
    for way in (-1, 1) if rows else ():
        y = start
        while True:
            y0 = int(round(y + way * space))
            near = np.arange(max(y0 - reach, 0), min(y0 + reach + 1, len(z)))
            if len(near) == 0 or z[near].max() < LEAST_Z:
                break
            y = int(near[z[near].argmax()])
            rows.append(y)
    return best, [(y, int(phase[y])) for y in sorted(rows)], z


def measure_row(ridges, mask, plan, y_px, phase_px):
    """Baseline of one row: (x, y) of windows of half a repeat, fine pixels, from the place found coarsely."""
    curve, repeat = np.array(plan["curve_mm"]), plan["repeat_mm"]
    inner = []
    reach_y, reach_x = int(14 / FINE_MM), int(10 / FINE_MM)
    half = len(curve) // 2
    pieces = [curve[: half + 1], curve[half:]]
    for k in range(-12, 13):
        for piece in pieces:
            template, anchor = drawn(piece, 0, 0, 1, FINE_MM, 0.7)
            x0 = int(round(phase_px + k * repeat / FINE_MM - anchor[0]))
            y0 = int(round(y_px - anchor[1]))
            th, tw = template.shape
            left, top = x0 - reach_x, y0 - reach_y
            right, bottom = x0 + tw + reach_x, y0 + th + reach_y
            if left < 0 or top < 0 or right > ridges.shape[1] or bottom > ridges.shape[0]:
                continue
            if (mask[top:bottom, left:right] > 0).mean() < 0.6:
                continue
            score = cv2.matchTemplate(ridges[top:bottom, left:right], template, cv2.TM_CCORR)
            _, peak, _, (i, j) = cv2.minMaxLoc(score)
            if not (0 < i < score.shape[1] - 1 and 0 < j < score.shape[0] - 1):
                continue

            def vertex(a, b, c):
                bend = a - 2 * b + c
                return 0.0 if bend == 0 else 0.5 * (a - c) / bend

            dx = i + vertex(score[j, i - 1], score[j, i], score[j, i + 1]) - reach_x
            dy = j + vertex(score[j - 1, i], score[j, i], score[j + 1, i]) - reach_y
            middle = piece.mean(0) / FINE_MM
            # The template lies on whole pixels; what rounding took is given back.
            inner.append(
                (x0 + anchor[0] + dx + middle[0], y0 + anchor[1] + dy, peak / max(score.mean(), 1e-6))
            )
    return np.array(inner)


def fit(points):
    """Quadratic through the windows, soft-L1: coefficients about the middle, its covariance."""
    x, y = points[:, 0] * FINE_MM, points[:, 1] * FINE_MM
    middle, unit = x.mean(), max(np.ptp(x) / 2, 1.0)
    degree = 2 if len(x) >= 6 else 1 if len(x) >= 3 else 0
    a = ((x - middle) / unit)[:, None] ** np.arange(degree + 1)
    start = np.zeros(degree + 1)
    start[0] = np.median(y)
    found = least_squares(lambda p: a @ p - y, start, loss="soft_l1", f_scale=0.5)
    rest = y - a @ found.x
    spread = 1.4826 * np.median(np.abs(rest)) if len(x) > 3 else 1.0
    freedom = max(len(x) - degree - 1, 1)
    covariance = np.linalg.pinv(a.T @ a) * spread**2 * len(x) / freedom

    def at(where):
        row = ((where - middle) / unit) ** np.arange(degree + 1)
        return row @ found.x, np.sqrt(row @ covariance @ row)

    return at, x.min(), x.max()


def measure(path, plan):
    """Rows of a photo: functions from x to (y, u), their ends, and how to get back to the photo; a word if not."""
    gray = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    found = plane_from_photo(gray, plan["card_bar_mm"])
    if found is None:
        return "no card"
    plane, cards = found
    flat = rectified(gray, plane, cards)
    if flat is None:
        return "horizon"
    ridges, mask, low = flat
    angle, rows, z = find_rows(ridges, mask, plan)
    if len(rows) < 2:
        return f"no rows, z {z.max():.1f}"
    image, m = turned(ridges, angle)
    where, _ = turned(mask, angle)
    factor = COARSE_MM / FINE_MM
    fits = []
    for y, phase in rows:
        points = measure_row(image, where, plan, y * factor, phase * factor)
        if len(points) >= 3:
            fits.append(fit(points))
    if len(fits) < 2:
        return "too little of the rows"
    back = np.linalg.inv(np.vstack([m, [0, 0, 1]]))

    def to_photo(x, y):
        at = back @ [x / FINE_MM, y / FINE_MM, 1]
        mm = at[:2] * FINE_MM + low
        return cv2.perspectiveTransform(np.array([[mm]]), np.linalg.inv(plane))[0, 0]

    return fits, to_photo


def on_fabric(truth, px):
    """A point of the photo on the fabric, by the nearest nine known places."""
    places = sorted(truth["places"], key=lambda p: np.hypot(*(np.array(p["photo_px"]) - px)))[:9]
    a = np.array([p["photo_px"] for p in places])
    b = np.array([p["fabric_mm"] for p in places])
    return cv2.perspectiveTransform(np.array([[px]]), cv2.findHomography(a, b, 0)[0])[0, 0]


def s_at(row, x):
    a, b, c = row["stitched"]["polynomial"]
    return a + x * (b + x * c)


def compare(result, truth):
    """Whether the lowest row is the newest that a person can read, and (error, u) of the newest gap's spacing."""
    fits, to_photo = result
    upper, lower = fits[-2], fits[-1]
    ends = max(upper[1], lower[1]), min(upper[2], lower[2])
    middle = (lower[1] + lower[2]) / 2
    fabric = on_fabric(truth, to_photo(middle, lower[0](middle)[0]))
    readable = [r for r in truth["rows"] if r["readable"]]
    if not readable or abs(s_at(readable[-1], fabric[0]) - fabric[1]) >= 20:
        return False, []
    newest = readable[-1]
    above = [r for r in truth["rows"] if r["row"] == newest["row"] - 1]
    errors = []
    for x in (ends[0], (ends[0] + ends[1]) / 2, ends[1]) if above else ():
        (y1, u1), (y0, u0) = lower[0](x), upper[0](x)
        true = s_at(newest, x + fabric[0] - middle) - s_at(above[0], x + fabric[0] - middle)
        errors.append((y1 - y0 - true, np.hypot(u0, u1)))
    return True, errors


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("folder", type=pathlib.Path)
    arguments.add_argument("--first", type=int, default=10**9, help="only seeds below this")
    arguments.add_argument("--classes", nargs="*", help="only these classes")
    arguments.add_argument("--each", action="store_true", help="one line for each photo")
    chosen = arguments.parse_args()
    table = collections.OrderedDict()

    def seed_and_class(path):
        name, _, seed = path.name[: -len(".plan.json")].rpartition("-")
        return int(seed.lstrip("s")), name

    # One photo of every class first, so that a run that is cut short says something about all.
    for path in sorted(chosen.folder.glob("*.plan.json"), key=seed_and_class):
        stem = path.name[: -len(".plan.json")]
        seed, name = seed_and_class(path)
        if seed >= chosen.first or (chosen.classes and name not in chosen.classes):
            continue
        plan = json.loads(path.read_text())
        truth = json.loads(path.with_name(stem + ".truth.json").read_text())
        start, wall = time.process_time(), time.perf_counter()
        result = measure(path.with_name(stem + ".jpg"), plan)
        seconds = time.process_time() - start, time.perf_counter() - wall
        right, errors = (None, []) if isinstance(result, str) else compare(result, truth)
        readable = bool(truth["rows"]) and truth["rows"][-1]["readable"]
        if name in ("no-row", "other-design"):
            right = None if right is None else False
        table.setdefault(name, []).append((readable, right, errors, seconds))
        if chosen.each:
            rms = np.sqrt(np.mean([e * e for e, _ in errors])) if errors else np.nan
            word = result if isinstance(result, str) else "right" if right else "WRONG ROW"
            print(f"{stem} rms {rms:.2f}, {seconds[0]:.1f} s: {word}", flush=True)
    print("| class | scenes | readable | found | none | wrong | n | spacing mm | median mm | 95 % | cpu s |")
    print("|" + " --- |" * 11)
    everything = [row for rows in table.values() for row in rows]
    for name, rows in [*sorted(table.items()), ("all", everything)]:
        errors = np.array([e for row in rows for e in row[2]]).reshape(-1, 2)
        rms = np.sqrt((errors[:, 0] ** 2).mean()) if len(errors) else np.nan
        held = 100 * (np.abs(errors[:, 0]) <= 1.96 * errors[:, 1]).mean() if len(errors) else np.nan
        middle = np.median(np.abs(errors[:, 0])) if len(errors) else np.nan
        print(
            f"| {name} | {len(rows)} | {sum(r[0] for r in rows)} | {sum(r[1] is True for r in rows)} "
            f"| {sum(r[1] is None for r in rows)} | {sum(r[1] is False for r in rows)} | {len(errors)} | {rms:.2f} "
            f"| {middle:.2f} | {held:.0f} | {np.median([r[3][0] for r in rows]):.1f} |"
        )


if __name__ == "__main__":
    main()
