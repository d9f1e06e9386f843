"""Builds one scene of `traced_photos.py` and traces it: quilt, thread, cards, frame, room and lamps. Gives linear light back."""

import pathlib
import tempfile

import bpy
import cv2
import numpy as np
from mathutils import Matrix

import traced_scene as ts
from traced_cloth import cloth, dice, heights

CLOTH_PX_PER_MM = 3.0
RELIEF_PX_PER_MM = 2.0
BUMP_MM = 3.0  # of relief between black and white in the bump picture


def linear(code):
    c = np.asarray(code, float) / 255
    return np.where(c < 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def seen_extent(camera, frame, s):
    """u and v of what the camera can see of the cloth, with a margin; v no farther than it lies over the rollers."""
    w, h = camera.size
    edge = np.array([[x, y] for x in np.linspace(-0.05, 1.05, 9) * w for y in np.linspace(-0.05, 1.05, 9) * h])
    # A steep ray may pass over the far roller and never come down.
    places = camera.on_level(edge)
    places = places[camera.rays(edge)[:, 2] < -0.05]
    over = 1.3 * s["roller_mm"]
    v0, v1 = max(places[:, 1].min() - 30, frame.top - over), min(places[:, 1].max() + 30, frame.bottom + over)
    near = places[(places[:, 1] > v0 - 200) & (places[:, 1] < v1 + 200)]
    return near[:, 0].min() - 30, near[:, 0].max() + 30, v0, v1


def mask_of(paths, origin, shape, k):
    out = np.zeros(shape, np.uint8)
    for path in paths:
        cv2.polylines(out, [np.round((path - origin) * k * 16 - 8).astype(np.int32)], False, 255, 1, cv2.LINE_8, 4)
    return out


def sampled(picture, points, origin, k):
    """The picture, k pixels a mm from `origin`, at many points."""
    q = ((points - origin) * k - 0.5).astype(np.float32)
    shape = q.shape[:-1]
    q = q.reshape(-1, 2)
    n = 30000  # OpenCV's remap takes no longer rows than that
    rows = -(-len(q) // n)
    q = np.vstack([q, np.zeros((rows * n - len(q), 2), np.float32)]).reshape(rows, n, 2)
    out = cv2.remap(picture, q[..., 0], q[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return out.reshape(rows * n, -1)[: int(np.prod(shape))].reshape(*shape, -1)


def quilt(seed, s, frame, camera, rows, cards, scratch):
    """The cloth's mesh and the thread on it. Gives back the grid of heights and its origin."""
    x0, x1, v0, v1 = seen_extent(camera, frame, s)
    origin = np.array([x0, v0])
    k = RELIEF_PX_PER_MM
    shape = tuple(int(n * k) for n in (v1 - v0, x1 - x0))
    kc = CLOTH_PX_PER_MM
    fine = tuple(int(n * kc) for n in (v1 - v0, x1 - x0))
    seams = np.zeros(fine, np.uint8)
    picture = cloth(dice(seed, "cloth"), s["cloth"], fine, kc, seams)
    seams = (cv2.resize(seams, shape[::-1], interpolation=cv2.INTER_AREA) > 0).astype(np.uint8) * 255
    line = mask_of([p for r in rows for p in r["sewn_paths"]], origin, shape, k)
    relief = heights(dice(seed, "relief"), s, line, seams, k)
    ts.press(relief, cards, frame, origin, 1 / k)
    # The mesh carries all that it can resolve, the bump picture the rest: weave, needle holes, the groove's own profile.
    step = max(ts.FINEST_MM, np.sqrt((x1 - x0) * (v1 - v0) / 2.4e6))
    nu, nv = int((x1 - x0) / step), int((v1 - v0) / step)
    u, v = np.meshgrid(x0 + np.arange(nu) * step, v0 + np.arange(nv) * step)
    smooth = cv2.GaussianBlur(relief, (0, 0), 0.45 * step * k)
    h = sampled(smooth, np.stack([u, v], -1), origin, k)[..., 0]
    coarse = sampled(h, np.stack(np.meshgrid(x0 + (np.arange(shape[1]) + 0.5) / k, v0 + (np.arange(shape[0]) + 0.5) / k), -1),
                     origin - step / 2, 1 / step)[..., 0]
    rest = relief - coarse
    rest = cv2.resize(rest, fine[::-1], interpolation=cv2.INTER_CUBIC)
    rest += s["weave_mm"] * dice(seed, "weave").standard_normal(fine).astype(np.float32)
    for r in rows:
        holes = np.round((np.vstack([r["a"][r["there"]], r["b"][r["there"]][-1:]]) - origin) * kc * 16 - 8).astype(int)
        dots = np.zeros(fine, np.uint8)
        for x, y in holes:
            cv2.circle(dots, (int(x), int(y)), int(0.45 * kc * 16), 255, -1, cv2.LINE_AA, 4)
        rest -= 0.5 * cv2.GaussianBlur(dots, (0, 0), 0.6).astype(np.float32) / 255
    bump = np.clip((rest / BUMP_MM + 0.5) * 65535, 0, 65535).astype(np.uint16)
    cv2.imwrite(str(scratch / "bump.png"), bump, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    cv2.imwrite(str(scratch / "cloth.png"), picture[..., ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 1])
    fabric = ts.material("cloth", Roughness=0.85, Sheen_Weight=s["cloth_sheen"], Sheen_Roughness=0.5, Specular_IOR_Level=0.2)
    ts.pictured(fabric, scratch / "cloth.png")
    ts.pictured(fabric, scratch / "bump.png", deep_mm=BUMP_MM, interpolation="Cubic")
    places = np.stack([(u - x0) / (fine[1] / kc), 1 - (v - v0) / (fine[0] / kc)], -1).reshape(-1, 2)
    ts.mesh("quilt", frame.point(u, v, h).reshape(-1, 3), ts.quads(nv, nu), fabric, places=places)
    lay_thread(seed, s, frame, rows, h, origin - step / 2, 1 / step, linear(thread_code(s, picture)))


def thread_code(s, picture):
    """The thread's colour, 0–255: the cloth's mean moved towards white or black or another dye by the share asked for."""
    mean = picture[::7, ::7].reshape(-1, 3).mean(0)
    goal = np.array(s["thread_goal"]) * 255
    return np.clip(mean + s["thread_apart"] * (goal - mean), 3, 252)


def lay_thread(seed, s, frame, rows, h, origin, k, colour):
    rng = dice(seed, "thread")
    t = np.linspace(0, 1, 9)
    radius = s["thread_mm"] / 2
    sheen = ts.material("thread", colour, Roughness=s["thread_rough"], Specular_IOR_Level=0.5, Sheen_Weight=0.2, Anisotropic=0.4)
    for r in rows:
        a, b = r["a"][r["there"]], r["b"][r["there"]]
        if not len(a):
            continue
        flat = a[:, None] + (b - a)[:, None] * t[:, None]
        # Pulled taut between two holes; it lies on the cloth between and dips under it at both ends.
        bed = sampled(h, flat, origin, k)[..., 0]
        arch = np.minimum(1, 4.2 * np.minimum(t, 1 - t)) ** 0.6
        rise = bed + radius * (0.75 + rng.normal(0, 0.1, (len(a), 1))) * arch - (1 - arch) * 0.7
        points, faces = ts.tubes(frame.point(flat[..., 0], flat[..., 1], rise), radius)
        ts.mesh("thread", points, faces, sheen)


def lay_cards(s, cards, calibration, scratch):
    edge = ts.material("board", (0.55, 0.5, 0.42) if s["cards_brown"] else (0.8, 0.8, 0.78), Roughness=0.8)
    for i, card in enumerate(cards):
        page = ts.card_artwork(card, s["paper"], calibration).astype(np.float32) / 255
        # Ink spreads a little into the paper, and is no deeper than a dark grey.
        page = (0.035 + 0.72 * cv2.GaussianBlur(page, (0, 0), 0.9)) ** (1 / 2.2)
        cv2.imwrite(str(scratch / f"card{i}.png"), np.round(255 * page).astype(np.uint8))
        paper = ts.material("paper", Roughness=s["paper_rough"], Specular_IOR_Level=0.35)
        ts.pictured(paper, scratch / f"card{i}.png", interpolation="Cubic")
        a, b = np.meshgrid(np.linspace(-1, 1, 41), np.linspace(-1, 1, 31))
        ts.mesh("face", ts.card_point(card, a, b).reshape(-1, 3), ts.quads(31, 41), paper,
                places=np.stack([(a + 1) / 2, 1 - (b + 1) / 2], -1).reshape(-1, 2))
        t = np.linspace(-1, 1, 41)
        one = np.ones_like(t)
        rim = np.vstack([np.c_[t, -one], np.c_[one, t], np.c_[-t, one], np.c_[-one, -t]])
        sides = np.stack([ts.card_point(card, *rim.T), ts.card_point(card, *rim.T, below=card["thick_mm"])])
        ts.mesh("rim", sides.reshape(-1, 3), ts.quads(2, len(rim)), edge, smooth=False)
        ts.mesh("back", ts.card_point(card, a, b, below=card["thick_mm"]).reshape(-1, 3), ts.quads(31, 41), edge)


def surroundings(seed, s, frame, camera, cards):
    """Rails, floor, the machine and odds and ends: what lies about at the borders of such a photo."""
    rng = dice(seed, "surroundings")
    y_of = lambda v: float(np.interp(v, frame.v, frame.y))
    z_of = lambda v: float(np.interp(v, frame.v, frame.z))
    tone = rng.uniform(0.05, 0.5)
    floor = ts.material("floor", tuple(tone * np.array([1.0, rng.uniform(0.7, 1), rng.uniform(0.45, 1)])), Roughness=rng.uniform(0.3, 0.9))
    ts.mesh("floor", np.array([[-6e3, -6e3, -850], [6e3, -6e3, -850], [6e3, 6e3, -850], [-6e3, 6e3, -850]], float), [[0, 1, 2, 3]], floor)
    metal = ts.material("rail", tuple([rng.uniform(0.1, 0.8)] * 3), Metallic=float(rng.random() < 0.7), Roughness=rng.uniform(0.2, 0.6))
    for v, way in ((frame.top, -1), (frame.bottom, 1)):
        if rng.random() < 0.7:
            y = y_of(v) + way * (s["roller_mm"] + rng.uniform(40, 160))
            z, radius = z_of(v) - rng.uniform(0, 60), rng.uniform(14, 32)
            ts.rod("rail", np.array([-3000.0, y, z]), np.array([3000.0, y, z]), radius, metal)
    if s["machine"]:
        # The head stands at one side of the picture, clear of the cards; its arm runs across above the quilt, out of the picture.
        w, h = camera.size
        side = s["machine"]
        x = camera.on_level(np.array([[w * (0.5 + side * rng.uniform(0.43, 0.55)), h / 2]]))[0, 0]
        x = max([x] + [c["u"] + c["w"] / 2 + 30 for c in cards]) if side > 0 else min([x] + [c["u"] - c["w"] / 2 - 30 for c in cards])
        skin = ts.material("machine", tuple(rng.choice([0.04, 0.6, 0.75]) * np.ones(3)), Roughness=0.3)
        v = rng.uniform(-80, 60)
        ts.box("head", (min(x, x + side * 130), v - 60, 60), (max(x, x + side * 130), v + 70, 330), skin)
        ts.rod("needle bar", np.array([x + side * 60, v, 3.0]), np.array([x + side * 60 + 0.5, v, 90.0]), 4, metal)
    for _ in range(s["oddments"]):
        c = rng.uniform(0.02, 0.7, 3)
        skin = ts.material("thing", tuple(c), Roughness=rng.uniform(0.2, 0.8))
        w, h = camera.size
        at = camera.on_level(np.array([[w * rng.choice([0.02, 0.98, 0.06, 0.94]), h * rng.uniform(0.1, 0.9)]]))[0]
        if any(abs(at[0] - k["u"]) < 190 and abs(at[1] - k["v"]) < 150 for k in cards):
            continue
        a = rng.uniform(0, 2 * np.pi)
        d = np.array([np.cos(a), np.sin(a), 0]) * rng.uniform(20, 60)
        ts.rod("spool", at + [0, 0, 16] - d, at + [0, 0, 16] + d, rng.uniform(8, 14), skin)


def lamps(seed, s, camera, aim):
    """Window, tubes, bulb, low lamp, flash; a room that throws some of it back; and whoever holds the phone, who stands in its way."""
    rng = dice(seed, "lamps")
    above = lambda way, high, far: aim + np.array([np.cos(way) * np.cos(high), np.sin(way) * np.cos(high), np.sin(high)]) * far
    world = bpy.data.worlds.new("room")
    bpy.context.scene.world = world
    world.use_nodes = True
    room = ts.kelvin(rng.uniform(3200, 6500)) * rng.uniform(0.15, 0.6) * s["room_share"]
    world.node_tree.nodes["Background"].inputs["Color"].default_value = (*room, 1)
    if "window" in s["light"]:
        high = np.radians(rng.uniform(18, 55))
        at = above(rng.uniform(0, 2 * np.pi), high, rng.uniform(1500, 3000))
        ts.lamp(at, aim, (rng.uniform(700, 1600), rng.uniform(900, 1600)), rng.uniform(60, 110), ts.kelvin(rng.uniform(5200, 8000)))
    if "tubes" in s["light"]:
        turn, tone, n = rng.uniform(0, np.pi), ts.kelvin(rng.uniform(3500, 6000)), int(rng.integers(1, 4))
        d = np.array([np.cos(turn), np.sin(turn), 0])
        for i in range(n):
            at = aim + np.array([-d[1], d[0], 0]) * (i - (n - 1) / 2) * 1100 + [*rng.uniform(-500, 500, 2), rng.uniform(1500, 2000)]
            ts.lamp(at, at - [0, 0, 1000] + d * 1e-3, (1200, 90) if abs(d[0]) > 0.7 else (90, 1200), rng.uniform(30, 60), tone)
    if "bulb" in s["light"]:
        at = above(rng.uniform(0, 2 * np.pi), np.radians(rng.uniform(35, 80)), rng.uniform(1100, 2000))
        ts.lamp(at, aim, (130, 130), rng.uniform(30, 70), ts.kelvin(rng.uniform(2700, 4000)))
    if "low" in s["light"]:
        at = above(rng.uniform(0, 2 * np.pi), np.radians(rng.uniform(9, 24)), rng.uniform(1200, 2200))
        ts.lamp(at, aim, (rng.uniform(120, 500),) * 2, rng.uniform(40, 90), ts.kelvin(rng.uniform(2700, 6500)))
    if "flash" in s["light"]:
        at = camera.at + 14 * camera.right + 8 * camera.up
        ts.lamp(at, aim, (6, 6), rng.uniform(10, 25), ts.kelvin(5600))
    if s["holder"]:
        cloth_of_holder = ts.material("holder", tuple(rng.uniform(0.03, 0.5, 3)), Roughness=0.9)
        back, up = camera.back, camera.up
        # Hands, head and chest, each a ball.
        for behind, below, radius in ((30, 40, 45), (330, 60, 95), (430, 420, 190)):
            at = ts.metres(camera.at + behind * back - below * up)
            bpy.ops.mesh.primitive_uv_sphere_add(radius=radius * 1e-3, location=at, segments=24, ring_count=16)
            bpy.context.object.data.materials.append(cloth_of_holder)
            bpy.context.object.visible_camera = False


def trace(seed, s, frame, camera, aim, rows, cards, calibration, threads=1):
    """Linear light, (h, w, 3) float32, as the pinhole camera sees it, `OVERSCAN` times as wide as the photo."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    scene = bpy.context.scene
    with tempfile.TemporaryDirectory() as there:
        scratch = pathlib.Path(there)
        quilt(seed, s, frame, camera, rows, cards, scratch)
        lay_cards(s, cards, calibration, scratch)
        surroundings(seed, s, frame, camera, cards)
        lamps(seed, s, camera, aim)
        size = [int(round(n * ts.OVERSCAN / 2)) * 2 for n in camera.size]
        eye = bpy.data.cameras.new("phone")
        eye.sensor_fit = "HORIZONTAL"
        # A phone's own sensor, so that its depth of field is that of so small a lens.
        eye.lens = s["equivalent_mm"] * s["sensor_mm"] / 43.27
        eye.sensor_width = eye.lens * size[0] / camera.f
        eye.dof.use_dof, eye.dof.aperture_fstop = True, s["f_number"]
        eye.dof.focus_distance = camera.distance * s["focus"] * 1e-3
        eye.clip_start, eye.clip_end = 0.01, 100
        thing = bpy.data.objects.new("phone", eye)
        axes = np.eye(4)
        axes[:3, :3] = np.stack([v * [1, -1, 1] for v in (camera.right, camera.up, camera.back)], 1)
        axes[:3, 3] = camera.at * [1e-3, -1e-3, 1e-3]
        thing.matrix_world = Matrix(axes.tolist())
        scene.collection.objects.link(thing)
        scene.camera = thing
        scene.render.engine = "CYCLES"
        scene.render.resolution_x, scene.render.resolution_y, scene.render.resolution_percentage = *size, 100
        scene.render.threads_mode, scene.render.threads = "FIXED", threads
        c = scene.cycles
        c.samples, c.use_adaptive_sampling, c.seed, c.filter_width = s["samples"], False, seed, 1.3
        c.max_bounces, c.diffuse_bounces, c.glossy_bounces, c.caustics_reflective = 2, 2, 1, False
        c.use_denoising, c.use_light_tree = False, False
        if s["denoise"]:
            c.use_denoising, c.denoiser, c.denoising_input_passes = True, "OPENIMAGEDENOISE", "RGB_ALBEDO_NORMAL"
            c.denoising_prefilter, c.denoising_quality = "NONE", "BALANCED"
        scene.render.image_settings.file_format, scene.render.image_settings.color_depth = "OPEN_EXR", "32"
        scene.render.filepath = str(scratch / "out.exr")
        bpy.ops.render.render(write_still=True)
        out = bpy.data.images.load(scene.render.filepath)
        flat = np.empty(size[0] * size[1] * 4, np.float32)
        out.pixels.foreach_get(flat)
    return flat.reshape(size[1], size[0], 4)[::-1, :, :3].copy()
