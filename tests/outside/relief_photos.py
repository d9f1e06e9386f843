"""Photos of stitched quilts drawn as relief, measured by rowsight and held against their truth.

A second renderer that shares nothing with `src/rehearse`, and with `other_photos.py` only how rowsight is asked and judged: the quilt is
a height field (a membrane that puffs up between sewn lines, grooves, single stitches with their holes, seams, puckers) shaded by its normals
under one low light; it lies on a sagging surface that bends away over the rollers, and every pixel's ray is met with that surface, puff
included, through a whole Brown lens. Cards are the ready-made PDFs of `calibration/`, rasterised and laid above the stitching as rocked, curled
boards. Then what a phone does to a picture. Lines and cloth: `relief_designs.py`, `relief_cloth.py`.

    python3 tests/outside/relief_photos.py --rowsight target/release/rowsight --to 40 target/relief
    python3 tests/outside/relief_photos.py --easy --to 6 target/relief-easy     # no wobble, flat, no lens: checks this file's truth
    python3 tests/outside/relief_photos.py --from 7 --to 8 --set sag_mm=0 --set wobble_mm=0 target/relief-7   # one thing at a time

Needs numpy, scipy, opencv-python-headless (5.0.0 tried), scikit-image (0.26.0 tried), Pillow, pdftoppm. Prints one line a photo, then
RMS of spacing (photos whose verdict is not "retake") and the share of 95 % intervals that hold, against the rows as stitched and
against the rows as set before the hand strayed. "contrast" is how plainly the newest row stands out in the finished picture: what is
common to its cross-sections over 30 mm of line, against the same beside the line; 1 is nothing at all. A 12 MP photo takes half a minute.
"""

import argparse
import json
import pathlib

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

import relief_camera
from other_photos import NEWEST, judged, measure, summary
from relief_cloth import PRINTS, dice
from relief_designs import FAMILIES, design, write_svg
from relief_light import radiance

HALF_WIDTH_MM = 1300.0  # of the quilt; the plan says 2600 mm
EASY = dict(wobble_mm=0, wander_mm=0, rounding_mm=0, missed=0, backtracks=0, sag_mm=0, ripple_mm=0, pucker_mm=0, rock_deg=0, curl_mm=0,
            k1=0, k2=0, p1=0, p2=0, tilt_deg=12, cloth="solid", thread=0.8, defocus_px=0.4, motion_px=0, noise=0.004, occluders=0,
            shadows=0, card_scale=1.0, stretch=0.0, mm_per_px=0.35, sensor_turn=1, tone=0.0, smear=0.0,
            # What the card's height does to the scale, and what one small card leaves open, is rowsight's to bear, not the truth's.
            card_gap_mm=4.0, cards=2, sheet=True)


def scene_of(seed, settings):
    r = dice(seed, "scene")
    pick = lambda *of: of[r.integers(len(of))]
    s = dict(
        family=pick(*FAMILIES), stagger=pick(0.0, 0.5, 1 / 3), nest_mm=r.uniform(4, 22), filled=r.uniform(0.6, 1.15),
        mm_per_px=r.uniform(0.30, 0.60), tilt_deg=40 * r.beta(1.3, 1.8), away_deg=pick(90, 90, -90, r.uniform(0, 360)) + r.normal(0, 12),
        roll_deg=r.normal(0, 3), focal=pick(0.68, 0.72, 0.78, 0.85, 1.45), portrait=bool(r.random() < 0.45),
        sensor_turn=int(pick(1, 1, 3, 6, 8)),
        k1=r.normal(0, 0.05), k2=r.normal(0, 0.03), p1=r.normal(0, 4e-4), p2=r.normal(0, 4e-4), vignette=r.uniform(0, 0.45),
        cloth=pick("patchwork", "patchwork", "patchwork", "solid", *PRINTS), thread=pick(0.0, r.uniform(0, 0.15), *r.uniform(0.1, 1.0, 4)),
        thread_mm=r.uniform(0.3, 0.5), stitch_mm=r.uniform(2.0, 3.0), sheen=r.uniform(0, 0.9), groove_mm=r.uniform(0.15, 0.7),
        loft_mm=r.uniform(1.0, 6.0), reach_mm=r.uniform(7, 24), pucker_mm=r.uniform(0, 0.25), weave_mm=r.uniform(0.01, 0.05),
        sun_deg=r.uniform(11, 50), sun_from_deg=r.uniform(0, 360), sun_share=r.uniform(0.35, 0.9), sun_kelvin=r.uniform(2700, 6500),
        sky_kelvin=r.uniform(3800, 9000), shadows=int(r.integers(0, 3)), occluders=int(pick(0, 0, 1, 1, 2)), side=pick(0, 0, 0, -1, 1),
        sag_mm=12 * r.beta(1.2, 2.5), roller_mm=r.uniform(35, 160), ripple_mm=r.uniform(0.1, 0.5),
        card_gap_mm=r.uniform(2, 7), rock_deg=1.5 * r.beta(1.2, 2), curl_mm=r.normal(0, 0.2), paper=pick("a4", "letter"),
        trimmed=bool(r.random() < 0.4),
        card_scale=pick(1.0, 1.0, r.uniform(0.975, 1.003)), sheet=bool(r.random() < 0.5), cards=int(pick(1, 1, 2, 2, 3)),
        on_rows=bool(r.random() < 0.2),
        wobble_mm=r.uniform(0.2, 1.0), wobble_reach_mm=r.uniform(8, 25), wander_mm=r.uniform(0, 0.6), wander_reach_mm=r.uniform(120, 400),
        rounding_mm=r.uniform(0.3, 1.5), missed=int(pick(0, 0, 0, 1, 2)), backtracks=int(pick(0, 0, 1, 2)), stretch=r.normal(0, 0.0015),
        defocus_px=r.gamma(2, 0.35), motion_px=pick(0.0, 0.0, r.uniform(0.3, 2.0)), noise=np.exp(r.uniform(np.log(0.003), np.log(0.03))),
        smear=pick(0.0, r.uniform(0.2, 0.9)), sharpen=r.uniform(0, 1.3), tone=r.uniform(0, 0.6), wb=r.normal(0, 0.05),
        quality=int(r.integers(75, 96)),
        chroma=int(pick(0, 1, 2, 2)), exposure=r.uniform(0.55, 0.95))
    for name, value in settings.items():
        s[name] = type(s[name])(value) if not isinstance(s[name], bool) else str(value) in ("1", "True")
    return s


def along(rng, n, reach, step):
    """Unit noise along a line, correlated over `reach` mm."""
    e = gaussian_filter1d(rng.standard_normal((n + 8, 2)), max(reach / step / 2, 0.1), axis=0)[4 : n + 4]
    return e / max(e.std(), 1e-9) if n > 10 else e * 0


def sew(seed, s, line, repeat, spacing, x_from, x_to, middle):
    """Rows as set, as stitched, and their stitches: a list of dicts, oldest first. v = 0 is where the newest was planned."""
    rng, rows = dice(seed, "rows"), []
    x_from, x_to = max(x_from, -HALF_WIDTH_MM - rng.uniform(0, 14)), min(x_to, HALF_WIDTH_MM + rng.uniform(0, 14))
    phase = rng.uniform(0, repeat)
    for i in range(s["rows"]):
        number = NEWEST - s["rows"] + 1 + i
        first = phase + s["stagger"] * repeat * (number - 1)
        turns = np.arange(np.floor((x_from - first) / repeat) - 1, np.ceil((x_to - first) / repeat) + 1)
        ideal = np.concatenate([line[:-1] + [t * repeat, 0] for t in turns]) * (1 + s["stretch"])
        ideal[:, 0] += first
        step = np.hypot(*np.diff(ideal[:50], axis=0).T).mean()
        plan_v = (number - NEWEST) * spacing
        easy = s["wobble_mm"] == 0
        offset, slope, bow = rng.normal(0, 1.2), rng.normal(0, 2e-3), rng.normal(0, 0.8) / 600**2
        set_to = np.array([bow, slope, offset])
        xm = ideal[:, 0] - middle
        hand = s["wobble_mm"] / np.sqrt(2) * along(rng, len(ideal), s["wobble_reach_mm"], step)
        hand += s["wander_mm"] * along(rng, len(ideal), s["wander_reach_mm"], step)
        sewn = ideal + hand + np.c_[np.full(len(xm), rng.normal(0, 0 if easy else 1.5)), plan_v + np.polyval(set_to, xm)]
        if s["rounding_mm"] > 0:
            sewn = gaussian_filter1d(sewn, s["rounding_mm"] / step, axis=0)
        ideal[:, 1] += plan_v
        arc = np.r_[0, np.cumsum(np.hypot(*np.diff(sewn, axis=0).T))]
        ends = np.cumsum(s["stitch_mm"] * (1 + 0.08 * rng.standard_normal(int(arc[-1] / s["stitch_mm"] * 1.1) + 5)))
        ends = ends[ends < arc[-1]]
        at = lambda q, t: np.c_[np.interp(t, arc, q[:, 0]), np.interp(t, arc, q[:, 1])]
        half = (ends[:-1] + ends[1:]) / 2
        a, b, mid, want = at(sewn, ends[:-1]), at(sewn, ends[1:]), at(sewn, half), at(ideal, half)
        near = at(ideal, half + 0.4) - at(ideal, half - 0.4)
        normal = np.c_[-near[:, 1], near[:, 0]] / np.maximum(np.hypot(*near.T), 1e-6)[:, None]
        there = (mid[:, 0] > x_from) & (mid[:, 0] < x_to)
        rows.append(dict(number=number, plan_v=plan_v, set=set_to, a=a, b=b, mid=mid, want=want, normal=normal, there=there,
                         extra=[], missed=[]))
    for _ in range(s["missed"]):
        row = rows[rng.integers(len(rows))]
        inside = np.flatnonzero(row["there"] & (np.abs(row["mid"][:, 0] - middle) < 0.35 * (x_to - x_from)))
        if len(inside):
            n = int(rng.uniform(30, 120) / s["stitch_mm"])
            first = inside[rng.integers(len(inside))]
            row["there"][first : first + n] = False
            row["missed"].append([float(v) for v in (*row["mid"][first], *row["mid"][min(first + n, len(row["mid"]) - 1)])])
    for _ in range(s["backtracks"]):
        row = rows[rng.integers(len(rows))]
        first, n = rng.integers(len(row["a"])), int(rng.uniform(15, 70) / s["stitch_mm"])
        some = slice(first, first + n)
        astray = rng.normal(0, 0.6, 2) + 0.3 * along(rng, len(row["a"][some]), 12, s["stitch_mm"])
        keep = row["there"][some]
        row["extra"] = np.c_[row["b"][some] + astray, row["a"][some] + astray][keep]
    return rows


def lay_cards(seed, s, quilt, camera, band, v_top):
    """Cards where a quilter would lay them, each wholly in the picture: page, part of it and pose; none when it cannot be."""
    rng, placed, kinds = dice(seed, "cards"), [], []
    sheet_fits = band[1] - band[0] > 205 or s["on_rows"]
    for i in range(s["cards"]):
        kinds.append(("sheet", i + 1) if s["sheet"] and sheet_fits and i < 2 else ("strip", i + 1))
    page = (297.0, 210.0) if s["paper"] == "a4" else (279.4, 215.9)
    for kind, number in kinds:
        w, h = page if kind == "sheet" else (page[0], page[1] / 2)
        top = 0 if kind == "sheet" or number % 2 else h
        number_of_page = number if kind == "sheet" else 3 + (number - 1) // 2
        trim = np.array([page[0] / 2 - 128, 8.0, page[0] / 2 - 128, 4.0]) if s["trimmed"] else np.zeros(4)
        for attempt in range(300):
            turn = rng.normal(0, 4 if rng.random() < 0.8 else 12)
            x = s["middle"] + rng.uniform(-0.45, 0.45) * s["view_mm"][0]
            low, high = band[0] + h * 0.4, band[1] - h * 0.4
            if s["on_rows"] and i == 0:
                v = rng.uniform(v_top + h * 0.5, max(band[1] - h * 0.5, v_top + h * 0.5 + 1))
            else:
                v = rng.uniform(low, max(high, low + 8))
            card = dict(kind=kind, number=number, page=number_of_page, size=(w, h), top=top, trim=trim, x=x, v=v, turn=np.radians(turn),
                        rock=np.radians(rng.normal(0, s["rock_deg"] / 1.5, 2)), gap=s["card_gap_mm"] + rng.uniform(-0.5, 0.5),
                        curl=s["curl_mm"])
            relief_camera.pose(card, quilt, s["card_scale"])
            corners = relief_camera.card_points(card, np.array([[0, 0], [w, 0], [w, h], [0, h], [w / 2, 0], [w / 2, h]]))
            px = camera.project(corners)
            inside = (px > 12).all() and (px[:, 0] < camera.size[0] - 12).all() and (px[:, 1] < camera.size[1] - 12).all()
            clear = all(abs(x - o["x"]) > (w + o["size"][0]) * 0.52 or abs(v - o["v"]) > (h + o["size"][1]) * 0.54 for o in placed)
            clear &= not s["side"] or (HALF_WIDTH_MM - s["side"] * x) > w * 0.52
            if inside and clear:
                placed.append(card)
                break
    return placed


def draw(seed, folder, megapixels=12.0, settings=()):
    s = scene_of(seed, dict(settings))
    folder.mkdir(parents=True, exist_ok=True)
    line, repeat = design(dice(seed, "design"), s["family"])
    height = np.ptp(line[:, 1])
    spacing = float(np.clip(height + s["nest_mm"], 75, 260))
    rng = dice(seed, "frame")
    long, short = np.sqrt(megapixels * 1e6 * 4 / 3), np.sqrt(megapixels * 1e6 * 3 / 4)
    size = tuple(int(v) // 8 * 8 for v in ((short, long) if s["portrait"] else (long, short)))
    mm_per_px = s["mm_per_px"] * np.sqrt(12 / megapixels)
    s["view_mm"] = (size[0] * mm_per_px, size[1] * mm_per_px)
    # The newest row's middle is v = 0; the free band with the cards below it, the rollers beyond.
    free = rng.uniform(95, 150) if not s["sheet"] else rng.uniform(215, 280)
    throat = min(s["filled"] * s["view_mm"][1], rng.uniform(650, 1000))
    s["rows"] = int(np.clip(round((throat - free - height) / spacing + 1), 2, NEWEST))
    v_bottom, v_top = height / 2 + free, -(s["rows"] - 1) * spacing - height / 2 - rng.uniform(-20, 90)
    if s["side"]:
        s["middle"] = s["side"] * (HALF_WIDTH_MM + rng.uniform(40, 160) - s["view_mm"][0] / 2)
    else:
        s["middle"] = float(rng.uniform(-700, 700))
    quilt = relief_camera.Quilt(dice(seed, "quilt"), v_top, v_bottom, s["sag_mm"], s["roller_mm"], s["ripple_mm"], s["tilt_deg"])
    for attempt in range(12):
        aim = (s["middle"], np.clip(rng.normal((v_top + v_bottom) / 2 + 20, 25), v_top, v_bottom))
        camera = relief_camera.Camera(size, s, mm_per_px, quilt.point(*[np.array([v]) for v in aim])[0])
        cards = lay_cards(seed, s, quilt, camera, (height / 2 + 2, v_bottom + 6), v_top)
        if cards:
            break
        mm_per_px, s["view_mm"] = mm_per_px * 1.1, tuple(v * 1.1 for v in s["view_mm"])
    s["cards_laid"] = [f"{c['kind']} {c['number']}" for c in cards]
    view = relief_camera.View(camera, quilt)
    x0, x1, v0, v1 = view.extent(v_top - 330, v_bottom + 330)
    k = 5 if mm_per_px < 0.38 else 4 if mm_per_px < 0.5 else 3
    while (x1 - x0) * (v1 - v0) * k * k > 55e6 and k > 2:
        k -= 1
    origin, cells = np.floor([x0, v0]), (int(np.ceil(v1 - v0)), int(np.ceil(x1 - x0)))
    rows = sew(seed, s, line, repeat, spacing, origin[0] - 20, origin[0] + cells[1] + 20, s["middle"])
    light, lifted, hidden, about = radiance(seed, s, quilt, rows, cards, origin, cells, k, v_top, v_bottom)
    picture = view.take(light, lifted, origin, k, cards, about, s, pathlib.Path(__file__).resolve().parents[2] / "calibration")
    del light
    upright = relief_camera.phone(dice(seed, "phone"), s, picture, about["on_card"].reshape(-1, 3).mean(0), folder / "row.jpg")
    truth = dict(kind=f"{s['cloth']}/{s['family']}", puff_mm=s["loft_mm"], rows=len(rows), repeat_mm=repeat, spacing_mm=spacing,
                 stagger=s["stagger"], height_mm=float(height), card_bar_mm=round(150 * s["card_scale"] * 4) / 4, middle_mm=s["middle"])
    truth |= truth_of(s, rows, quilt, camera, cards, hidden, origin, upright)
    truth["scene"] = {n: v if not isinstance(v, np.generic) else v.item() for n, v in s.items()}
    write_svg(line, repeat, folder / "drawn.svg")
    (folder / "truth.json").write_text(json.dumps(truth, indent=1, default=float))
    return truth


def truth_of(s, rows, quilt, camera, cards, hidden, origin, upright):
    """Each row's baseline as set and as stitched over what is in view, where that is, and how plainly the row shows."""
    grey = cv2.GaussianBlur(cv2.cvtColor(upright, cv2.COLOR_RGB2GRAY).astype(np.float32), (0, 0), 0.7)
    everything = np.vstack([r["mid"][r["there"]] for r in rows])
    crowd = np.zeros(hidden.shape, np.uint8)
    i = np.round(everything - origin).astype(int)
    i = i[(i > 0).all(1) & (i[:, 0] < hidden.shape[1]) & (i[:, 1] < hidden.shape[0])]
    crowd[i[:, 1], i[:, 0]] = 1
    crowd = cv2.dilate(crowd, np.ones((13, 13)))
    out = dict(baselines=[], as_set=[], readability=[], seen=[], missed=[r["missed"] for r in rows], stitches_px=[])

    def in_view(p):
        px = camera.project(quilt.point(p[:, 0], p[:, 1]))
        i = np.clip(np.round(p - origin - 0.5).astype(int), 0, np.array(hidden.shape)[::-1] - 1)
        return px, (px > 4).all(1) & (px < np.array(camera.size) - 4).all(1) & ~hidden[i[:, 1], i[:, 0]]

    for row in rows:
        px, seen = in_view(row["mid"])
        seen &= row["there"]
        d, n, x = row["mid"] - row["want"], row["normal"], row["want"][:, 0] - s["middle"]
        keep = seen if seen.sum() > 50 else row["there"]
        unit = np.array([1, 1, 1e-3, 1e-6])
        design_matrix = np.c_[n[:, 0], n[:, 1], n[:, 1] * x, n[:, 1] * x * x] * unit
        shift, offset, slope, bow = np.linalg.lstsq(design_matrix[keep], (d * n).sum(1)[keep], rcond=None)[0] * unit
        span = [float(x[seen].min()), float(x[seen].max())] if seen.any() else [0.0, 0.0]
        out["baselines"].append([float(bow), float(slope), float(offset + row["plan_v"])])
        out["as_set"].append([float(v) for v in row["set"] + [0, 0, row["plan_v"]]])
        out["seen"].append(span + [float(seen.sum() / max((row["there"] & (x > span[0]) & (x < span[1])).sum(), 1))])
        out["readability"].append(plainness(grey, in_view, row, seen, crowd, origin))
        out["stitches_px"].append(np.round(px[seen][::8], 1).tolist())
    return out | dict(contrast=out["readability"][-1])


def plainness(grey, in_view, row, seen, crowd, origin):
    """How much of the line's cross-section, −4 to 4 mm, is common to 30 mm of line, against the same 8 to 40 mm beside it."""
    if seen.sum() < 60:
        return 0.0
    across = np.arange(-4, 4.1, 0.4)
    at = lambda p: cv2.remap(grey, *[(v - 0.5).astype(np.float32)[:, None] for v in p.T], cv2.INTER_LINEAR)[:, 0]

    def strength(off):
        base = row["mid"] + off * row["normal"]
        i = np.clip(np.round(base - origin).astype(int), 0, np.array(crowd.shape)[::-1] - 1)
        _, ok = in_view(base)
        ok &= seen & ((crowd[i[:, 1], i[:, 0]] == 0) | (off == 0))
        profile = np.stack([at(in_view(base + a * row["normal"])[0]) for a in across], 1)
        profile -= profile.mean(1, keepdims=True)
        profile -= (profile @ across)[:, None] * across / (across @ across)
        n = max(int(30 / np.hypot(*(row["b"] - row["a"]).T).mean()), 4)
        runs = [profile[j : j + n].mean(0) for j in range(0, len(profile) - n, n) if ok[j : j + n].all()]
        return [float((r * r).mean()) for r in runs]

    beside = sum((strength(off) for off in (-40, -30, -22, -15, -10, 10, 15, 22, 30, 40)), [])
    on = strength(0)
    return float(np.sqrt(np.median(on) / max(np.median(beside), 1e-3))) if on and beside else 0.0


def rows_and_move(said, truth):
    """The rows that are in the truth, each with its place there, and by how much the tool's x lies off the truth's: the move that most ends
    of rows agree on, as rowsight may stop short of a thing that hides an end, or see past it."""
    newest, n = said["rows"][-1]["row"], len(truth["seen"])
    pairs = [(n - 1 - (newest - r["row"]), r) for r in said["rows"] if newest - r["row"] < n]
    moves = np.array([v for i, r in pairs for v in (truth["seen"][i][0] - r["seen_from_mm"], truth["seen"][i][1] - r["seen_to_mm"])])
    return pairs, min(moves, key=lambda m: np.minimum(np.abs(moves - m), 15).sum())


def errors(said, truth, of="baselines"):
    """Errors of spacing and their u, gap by gap."""
    newest = said["rows"][-1]["row"]
    _, move = rows_and_move(said, truth)
    if said["rows"][0].get("x_origin") == "quilt":
        move = -truth["middle_mm"]
    out = []
    for gap in said["gaps"]:
        i = len(truth[of]) - 1 - (newest - gap["to_row"])
        if i < 1:
            out.append((gap["to_row"], None, None))
            continue
        for s in gap["spacing"]:
            x = s["x_mm"] + move
            out.append((gap["to_row"], s["value"] - float(np.polyval(truth[of][i], x) - np.polyval(truth[of][i - 1], x)), s["u"]))
    return out


def arguments_of(**more):
    """The command's arguments, `more` of them with their defaults."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=pathlib.Path)
    parser.add_argument("--rowsight", default="target/release/rowsight")
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--to", type=int, default=24)
    for name, value in more.items():
        parser.add_argument(f"--{name}", type=type(value), default=value)
    parser.add_argument("--easy", action="store_true", help="no wobble, flat quilt, plain cloth, no lens distortion")
    parser.add_argument("--set", action="append", default=[], help="name=value: one thing of the scene, the rest as drawn")
    parser.add_argument("--draw-only", action="store_true", help="measure nothing")
    return parser.parse_args()


def settings_of(arguments, easy):
    """What is settled of every scene."""
    return dict(easy if arguments.easy else {}) | dict(one.split("=", 1) for one in arguments.set)


def measure_all(arguments, draw_photo, also=lambda said, truth: ""):
    """Draws what is not there yet with `draw_photo(seed, folder)`, measures it, and prints how near the truth it is, with what `also` says
    of each photo."""
    all_errors, set_errors, states = [], [], []
    for seed in range(arguments.first, arguments.to):
        folder = arguments.folder / f"{seed:03d}"
        if (folder / "truth.json").exists():
            truth = json.loads((folder / "truth.json").read_text())
        else:
            truth = draw_photo(seed, folder)
        if arguments.draw_only:
            continue
        said, refused = measure(arguments.rowsight, folder, truth)
        found = errors(said, truth) if said else []
        state, line = judged(seed, truth, said, refused, found)
        states.append(state)
        if state == "right":
            all_errors += found
            set_errors += errors(said, truth, "as_set")
        print(line + (also(said, truth) if said else ""), flush=True)
    if not arguments.draw_only:
        print(summary(states, all_errors, " against the rows as stitched"))
        print(summary(states, set_errors, " against the rows as set"))


def main():
    arguments = arguments_of(megapixels=12.0)
    settings = settings_of(arguments, EASY)
    measure_all(arguments, lambda seed, folder: draw(seed, folder, arguments.megapixels, settings))


if __name__ == "__main__":
    main()
