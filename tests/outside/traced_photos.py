"""Photos of stitched quilts made by path tracing, measured by rowsight and held against their truth.

A third renderer that shares nothing with `src/rehearse` or with the other two here but how rowsight is asked and judged. The quilt is a
mesh that puffs up between sewn lines and bends over the rollers; every stitch is a little tube that dips into its holes; cards are boards
that press the batting down; lamps have size, and their light is traced from surface to surface by Blender's Cycles into a small lens with
a real depth of field. Then what a phone does to a picture. Lines: `traced_designs.py`; cloth: `traced_cloth.py`; scene: `traced_scene.py`
and `traced_render.py`; phone: `traced_phone.py`.

    python tests/outside/traced_photos.py --rowsight target/release/rowsight --to 24 target/traced
    python tests/outside/traced_photos.py --easy --to 4 target/traced-easy     # no wobble, flat, plain: checks this file's truth
    python tests/outside/traced_photos.py --from 7 --to 8 --set wobble_mm=0 --set cloth=solid target/traced-7   # one thing at a time

Needs Python 3.11 with bpy (4.2.0 tried: Blender as a module), numpy (2.4.6), scipy (1.17.1), opencv-python-headless (5.0.0), scikit-image
(0.26.0), Pillow (13.0.0), and pdftoppm. A photo whose truth.json exists is not drawn again. Prints one line a photo, then RMS of spacing
(photos whose verdict is not "retake") and the share of 95 % intervals that hold, against the rows as stitched and against the rows as set
before the hand strayed, and how many parts not stitched were told. "contrast" is by how much the newest row's thread is lighter or darker
than what lies 3 mm beside it, of 1, run by run. One core takes one to three minutes for a photo of 8 megapixels.
"""

import json
import pathlib
import time

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from other_photos import NEWEST
from relief_photos import arguments_of, measure_all, rows_and_move, settings_of
from traced_cloth import PRINTS, dice
from traced_designs import FAMILIES, design, write_svg

LIGHTS = ("window tubes", "window", "tubes", "tubes low", "window bulb", "bulb low", "tubes flash", "window low", "tubes bulb")
EASY = dict(wobble_mm=0, spacing_sd_mm=1.5, stretch=0, rounding_mm=0, missed=0, sag_mm=0, ripple_mm=0, rock_deg=0, curl_mm=0, k1=0, k2=0,
            tilt_deg=12, cloth="solid", thread_apart=0.8, card_scale=1.0, face_mm=4.0, thick_mm=2.0, kinds="sheet sheet", mm_per_px=0.35,
            orientation=1, on_rows=False, noise=0.003, smear=0.0, light="window tubes", oddments=0, machine=0, holder=False)


def scene_of(seed, settings):
    r = dice(seed, "scene")
    pick = lambda *of: of[int(r.integers(len(of)))]
    s = dict(
        family=pick(*FAMILIES), stagger=pick(0.0, 0.5, 1 / 3), nest_mm=r.uniform(3, 25), rows=int(pick(4, 5, 5, 6)),
        megapixels=float(pick(6.0, 6.0, 8.0, 8.0, 8.0, 8.0, 12.0)), portrait=bool(r.random() < 0.35), orientation=int(pick(1, 1, 3, 6, 8)),
        mm_per_px=r.uniform(0.30, 0.60), tilt_deg=45 * r.beta(1.2, 1.9),
        lean_deg=pick(90, 90, 90, -90, r.uniform(0, 360)) + r.normal(0, 12),
        roll_deg=r.normal(0, 3.5) + pick(*[0] * 11, 180), equivalent_mm=float(pick(24, 24, 25, 26, 28)), sensor_mm=r.uniform(8, 14),
        f_number=r.uniform(1.6, 2.2), focus=r.normal(1, 0.02), k1=r.normal(0, 0.03), k2=r.normal(0, 0.02), vignette=r.uniform(0, 0.35),
        cloth=pick("patchwork", "patchwork", "patchwork", "solid", *PRINTS), loft_mm=r.uniform(1, 6), reach_mm=r.uniform(6, 20),
        pucker_mm=r.uniform(0.05, 0.35), groove_mm=r.uniform(0.2, 0.7), weave_mm=r.uniform(0.01, 0.06), cloth_sheen=r.uniform(0, 0.5),
        thread_goal=pick((1, 1, 1), (1, 0.97, 0.88), (0.02, 0.02, 0.03), tuple(r.uniform(0, 1, 3))),
        thread_apart=pick(0.0, r.uniform(0, 0.15), *r.uniform(0.15, 1, 4)), thread_mm=r.uniform(0.3, 0.5),
        thread_rough=r.uniform(0.25, 0.6), stitch_mm=r.uniform(2, 3.5), sag_mm=10 * r.beta(1.2, 2), ripple_mm=r.uniform(0.1, 0.6),
        roller_mm=r.uniform(35, 80),
        kinds=pick("sheet", "sheet", "strip strip", "strip strip", "strip", "sheet strip", "strip strip strip"), paper=pick("a4", "letter"),
        face_mm=r.uniform(2, 7), thick_mm=r.uniform(0.3, 3), rock_deg=1.5 * r.beta(1.1, 1.8), curl_mm=pick(0.0, r.normal(0, 0.8)),
        card_scale=pick(1.0, 1.0, r.uniform(0.975, 1.003)), paper_rough=r.uniform(0.35, 0.8), cards_brown=bool(r.random() < 0.4),
        trimmed=bool(r.random() < 0.6), on_rows=bool(r.random() < 0.15),
        spacing_sd_mm=r.uniform(0.5, 2.5), wobble_mm=r.uniform(0.2, 1.0), wobble_reach_mm=r.uniform(12, 50),
        rounding_mm=r.uniform(0.4, 1.5), stretch=r.normal(0, 0.0015), missed=int(r.random() < 0.35),
        light=pick(*LIGHTS), room_share=r.uniform(0.4, 1.2), holder=bool(r.random() < 0.4), machine=int(pick(0, 0, 0, -1, 1)),
        oddments=int(pick(0, 1, 2)), noise=float(np.exp(r.uniform(np.log(0.003), np.log(0.025)))),
        smear=pick(0.0, 0.0, r.uniform(0.2, 0.8)), sharpen=r.uniform(0, 1), contrast_curve=r.uniform(0, 0.6),
        exposure=r.uniform(0.75, 1.3), wb_share=r.uniform(0.6, 1),
        quality=int(r.integers(75, 96)), chroma=int(pick(0, 2, 2)), samples=int(pick(5, 6, 8)), denoise=bool(r.random() < 0.5))
    for name, value in settings.items():
        s[name] = str(value) in ("1", "True") if isinstance(s[name], bool) else type(s[name])(value)
    return s


def strayed(rng, n, reach, step):
    """Unit noise along a line in both directions, smooth over `reach` mm."""
    e = gaussian_filter1d(rng.standard_normal((n, 2)), reach / step / 2, axis=0, mode="wrap")
    return e / e.std()


def sew(seed, s, line, repeat, spacing, x_from, x_to):
    """The rows, oldest first: how each was set, the design as it was meant to lie, and every stitch from hole to hole."""
    rng, rows = dice(seed, "rows"), []
    phase, offset, slope = rng.uniform(0, repeat), 0.0, rng.normal(0, 1.5e-3)
    for i in range(s["rows"]):
        number = NEWEST - s["rows"] + 1 + i
        plan_v = (number - NEWEST) * spacing
        # What one advance does wrong stays in all later rows; the bow comes and goes.
        offset += rng.normal(0, s["spacing_sd_mm"])
        slope += rng.normal(0, 1.2e-3)
        set_to = np.array([rng.normal(0, 0.8) / 600**2, slope, offset])
        start = phase + s["stagger"] * repeat * (number - 1)
        turns = np.arange(np.floor((x_from - start) / repeat) - 1, np.ceil((x_to - start) / repeat) + 1)
        meant = np.concatenate([line[:-1] + [t * repeat, 0] for t in turns])
        meant = np.c_[meant[:, 0] + start, meant[:, 1]] * (1 + s["stretch"])
        step = np.hypot(*np.diff(line[:60], axis=0).T).mean()
        sewn = meant + s["wobble_mm"] / np.sqrt(2) * strayed(rng, len(meant), s["wobble_reach_mm"], step)
        sewn = sewn + np.c_[np.full(len(meant), rng.normal(0, 1.5)), plan_v + np.polyval(set_to, meant[:, 0])]
        if s["rounding_mm"]:
            sewn = gaussian_filter1d(sewn, s["rounding_mm"] / step, axis=0, mode="nearest")
        meant[:, 1] += plan_v
        arc = np.r_[0, np.cumsum(np.hypot(*np.diff(sewn, axis=0).T))]
        holes = np.cumsum(s["stitch_mm"] * (1 + 0.07 * rng.standard_normal(int(arc[-1] / s["stitch_mm"] * 1.1) + 9)))
        holes = holes[holes < arc[-1]]
        at = lambda path, t: np.c_[np.interp(t, arc, path[:, 0]), np.interp(t, arc, path[:, 1])]
        half = (holes[:-1] + holes[1:]) / 2
        ahead = at(meant, half + 0.5) - at(meant, half - 0.5)
        normal = np.c_[-ahead[:, 1], ahead[:, 0]] / np.maximum(np.hypot(*ahead.T), 1e-6)[:, None]
        a, b = at(sewn, holes[:-1]), at(sewn, holes[1:])
        rows.append(dict(number=number, plan_v=plan_v, set=set_to, a=a, b=b, mid=(a + b) / 2, meant=at(meant, half), normal=normal,
                         there=(a[:, 0] > x_from) & (a[:, 0] < x_to), missed=None))
    return rows


def skip_some(seed, s, rows, in_view):
    """Leaves 30 to 100 mm of the line unstitched in one row, where the picture shows it."""
    rng = dice(seed, "missed")
    for _ in range(s["missed"] * 20):
        row = rows[int(rng.choice([-1, -1, -2]))]
        n = int(rng.uniform(30, 100) / s["stitch_mm"])
        first = int(rng.integers(len(row["a"]) - n))
        part = slice(first, first + n)
        if in_view(row["mid"][part])[1].all() and row["there"][part].all():
            row["there"][part] = False
            row["missed"] = part
            return


def paths_of(row):
    """The row's line as polylines, parted where it was not stitched."""
    ends = np.flatnonzero(np.diff(np.r_[0, row["there"].astype(int), 0]))
    return [np.vstack([row["a"][p:q], row["b"][q - 1 : q]]) for p, q in ends.reshape(-1, 2)]


def lay_out(seed, s, frame, camera, height, v_bottom):
    """Cards where a quilter lays them, on the free band or (rarely) on older rows, each wholly in the picture and clear of the rest."""
    from traced_scene import card_point, pose_card  # here, as only drawing needs Blender
    rng, cards = dice(seed, "cards"), []
    page = (297.0, 210.0) if s["paper"] == "a4" else (279.4, 215.9)
    counts = dict(sheet=0, strip=0)
    for kind in s["kinds"].split():
        counts[kind] += 1
        number = counts[kind]
        # Two strips share a page; trimmed cards keep a white border of some millimetres round the pattern and its bar.
        tall = page[1] if kind == "sheet" else page[1] / 2
        top = 0.0 if kind == "sheet" or number % 2 else tall
        side = page[0] / 2 - 127.0 if s["trimmed"] else 0.0
        cut = (side, top + (7.0 if s["trimmed"] else 0.0), page[0] - 2 * side, tall - (11.0 if s["trimmed"] else 0.0))
        for _ in range(400):
            u = rng.uniform(-0.5, 0.5) * camera.size[0] * s["mm_per_px"]
            low, high = height / 2 + cut[3] / 2 + 3, max(v_bottom - cut[3] / 2 + 5, height / 2 + cut[3] / 2 + 12)
            v = rng.uniform(low, high) if not (s["on_rows"] and not cards) else rng.uniform(-2.2, -1) * height
            card = dict(kind=kind, number=number, page=number if kind == "sheet" else 3 + (number - 1) // 2, cut=cut, u=u, v=v,
                        turn=np.radians(rng.normal(0, 3 if rng.random() < 0.85 else 10)), curl_mm=s["curl_mm"], face_mm=s["face_mm"],
                        rock=np.radians(rng.normal(0, s["rock_deg"] / 1.4, 2)), thick_mm=min(s["thick_mm"], s["face_mm"] - 0.4))
            pose_card(card, frame, s["card_scale"])
            a, b = np.array([-1, 0, 1, 1, 1, 0, -1, -1.0]), np.array([-1, -1, -1, 0, 1, 1, 1, 0.0])
            px = camera.project(card_point(card, a, b))
            inside = (px > 15).all() and (px < np.array(camera.size) - 15).all()
            clear = all(abs(u - o["u"]) > (card["w"] + o["w"]) * 0.53 or abs(v - o["v"]) > (card["h"] + o["h"]) * 0.55 for o in cards)
            if inside and clear:
                card["px"] = px
                cards.append(card)
                break
    return cards


def looker(frame, camera, cards):
    """A function from places on the cloth to pixels and to whether the photo shows them, but for what spools and the machine hide."""
    hidden = np.zeros((camera.size[1] // 4 + 1, camera.size[0] // 4 + 1), np.uint8)
    for card in cards:
        cv2.fillPoly(hidden, [np.round(card["px"] / 4).astype(np.int32)], 255)
    hidden = cv2.dilate(hidden, np.ones((3, 3)))

    def in_view(p):
        px = camera.project(frame.point(p[:, 0], p[:, 1]))
        inside = (px > 4).all(1) & (px < np.array(camera.size) - 4).all(1)
        inside &= (p[:, 1] > frame.top - 25) & (p[:, 1] < frame.bottom + 25)  # the rest has rolled away
        i = np.clip((px / 4).astype(int), 0, np.array(hidden.shape)[::-1] - 1)
        return px, inside & (hidden[i[:, 1], i[:, 0]] == 0)

    return in_view


def truth_of(s, rows, in_view, photo):
    """Each row's baseline as set and as stitched over what is in view: the quadratic that best takes the design as meant onto the stitches,
    by distances along its normals; and what of it is seen."""
    grey = cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY).astype(np.float32) / 255
    look = lambda p: cv2.remap(grey, *[(c - 0.5).astype(np.float32)[:, None] for c in in_view(p)[0].T], cv2.INTER_LINEAR)[:, 0]
    out = dict(baselines=[], as_set=[], seen=[], contrasts=[], missed=[])
    for i, row in enumerate(rows):
        px, seen = in_view(row["mid"])
        kept = seen & row["there"]
        d, n, x = row["mid"] - row["meant"], row["normal"], row["meant"][:, 0]
        use = kept if kept.sum() > 50 else row["there"]
        unit = np.array([1, 1, 1e-3, 1e-6])
        terms = np.c_[n[:, 0], n[:, 1], n[:, 1] * x, n[:, 1] * x * x] * unit
        _, offset, slope, bow = np.linalg.lstsq(terms[use], (d * n).sum(1)[use], rcond=None)[0] * unit
        span = [float(x[kept].min()), float(x[kept].max())] if kept.any() else [0.0, 0.0]
        out["baselines"].append([float(bow), float(slope), float(offset + row["plan_v"])])
        out["as_set"].append([float(v) for v in row["set"] + [0, 0, row["plan_v"]]])
        out["seen"].append(span + [float(kept.sum() / max((row["there"] & (x > span[0]) & (x < span[1])).sum(), 1))])
        aside = [look(row["mid"] + off * n)[kept] for off in (-3, 0, 3)]
        apart = aside[1] - (aside[0] + aside[2]) / 2
        runs = [apart[j : j + 12].mean() for j in range(0, len(apart) - 12, 12)]
        out["contrasts"].append(float(np.median(runs)) if runs else 0.0)
        if row["missed"] is not None:
            part = row["mid"][row["missed"]]
            length = np.hypot(*(row["b"] - row["a"])[row["missed"]].T).sum()
            out["missed"].append(dict(row=i, from_mm=float(part[:, 0].min()), to_mm=float(part[:, 0].max()), line_mm=float(length),
                                      middle_px=[float(v) for v in in_view(part)[0].mean(0)]))
    return out | dict(contrast=out["contrasts"][-1])


def draw(seed, folder, settings, threads):
    """Draws one photo, its design and its truth into the folder; gives the truth."""
    import traced_phone
    import traced_render
    import traced_scene
    s = scene_of(seed, settings)
    folder.mkdir(parents=True, exist_ok=True)
    line, repeat = design(dice(seed, "design"), s["family"])
    height = float(np.ptp(line[:, 1]))
    spacing = height + s["nest_mm"]
    rng = dice(seed, "frame")
    long, short = np.sqrt(s["megapixels"] * 1e6 * 4 / 3), np.sqrt(s["megapixels"] * 1e6 * 3 / 4)
    size = tuple(int(n) // 8 * 8 for n in ((short, long) if s["portrait"] else (long, short)))
    free = rng.uniform(225, 290) if "sheet" in s["kinds"] and not s["on_rows"] else rng.uniform(95, 150)
    v_bottom = height / 2 + free
    v_top = max(-(s["rows"] - 1) * spacing - height / 2 - rng.uniform(10, 60), v_bottom - rng.uniform(600, 950))
    # The card band, the newest row and the one before it are what whoever takes the photo wants in it.
    needed = free + height + 1.15 * spacing
    s["mm_per_px"] = float(min(max(s["mm_per_px"], needed / size[1]), 0.62))
    frame = traced_scene.Frame(dice(seed, "sag"), s, v_top, v_bottom)
    for _ in range(25):
        tall = size[1] * s["mm_per_px"]
        aim_v = v_bottom + rng.uniform(0, 60) - tall / 2 if tall < v_bottom - v_top else (v_top + v_bottom) / 2 + rng.uniform(-30, 30)
        aim = frame.point(np.array(0.0), np.array(aim_v))
        camera = traced_scene.Camera(s, size, aim)
        cards = lay_out(seed, s, frame, camera, height, v_bottom)
        if len(cards) == len(s["kinds"].split()):
            break
        s["mm_per_px"] = min(s["mm_per_px"] * 1.03, 0.66)
    in_view = looker(frame, camera, cards)
    x0, x1, _, _ = traced_render.seen_extent(camera, frame, s)
    rows = sew(seed, s, line, repeat, spacing, x0 - 20, x1 + 20)
    skip_some(seed, s, rows, in_view)
    for row in rows:
        row["sewn_paths"] = paths_of(row)
    calibration = pathlib.Path(__file__).resolve().parents[2] / "calibration"
    light = traced_render.trace(seed, s, frame, camera, aim, rows, cards, calibration, threads)
    photo = traced_phone.develop(seed, s, traced_phone.through_lens(light, camera), cards, folder / "row.jpg")
    truth = dict(kind=f"{s['cloth']}/{s['family']}", puff_mm=s["loft_mm"], rows=len(rows), repeat_mm=repeat, spacing_mm=spacing,
                 stagger=s["stagger"], height_mm=height, card_bar_mm=round(150 * s["card_scale"] * 4) / 4, middle_mm=0.0,
                 cards=[f"{c['kind']} {c['number']}" for c in cards])
    truth |= truth_of(s, rows, in_view, photo) | dict(scene=s)
    write_svg(line, folder / "drawn.svg")
    (folder / "truth.json").write_text(json.dumps(truth, indent=1, default=float))
    return truth


def missed_told(said, truth):
    """Parts not stitched that were told, that were not, and those told that are stitched, over all rows.

    A spool that lies over a line hides it, and the truth knows nothing of spools: look at the picture before calling such a one false.
    """
    pairs, move = rows_and_move(said, truth)
    told = [(i, m["from_mm"] + move, m["to_mm"] + move) for i, r in pairs for m in r["missed"]]
    meets = lambda t, m: t[0] == m["row"] and t[1] < m["to_mm"] + 15 and t[2] > m["from_mm"] - 15
    right = sum(any(meets(t, m) for t in told) for m in truth["missed"])
    return right, len(truth["missed"]) - right, sum(not any(meets(t, m) for m in truth["missed"]) for t in told)


def main():
    arguments = arguments_of(threads=1)
    settings = settings_of(arguments, EASY)
    missed = np.zeros(3, int)

    def draw_photo(seed, folder):
        begun = time.time()
        truth = draw(seed, folder, settings, arguments.threads)
        print(f"{seed:3d} drawn in {time.time() - begun:.0f} s", flush=True)
        return truth

    def of_missed(said, truth):
        counts = missed_told(said, truth)
        missed[:] += counts
        return " | missed: {} told, {} not, {} false".format(*counts)

    measure_all(arguments, draw_photo, of_missed)
    if not arguments.draw_only:
        print("parts not stitched: {} told, {} not told, {} told of stitched line".format(*missed))


if __name__ == "__main__":
    main()
