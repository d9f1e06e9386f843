"""The frame, the quilt, the cards, the lamps and the camera of `traced_photos.py`, as a scene for Cycles.

Lengths here are millimetres, x to the right, y down the quilt, z towards the camera; Blender gets metres with y turned about. (u, v) are
lengths along the cloth itself, so that a spacing in v is what a tape laid on the quilt reads.
"""

import math
import subprocess
import tempfile

import bpy
import cv2
import numpy as np

OVERSCAN = 1.06  # rendered wider than the photo, so that the lens has something to bend inwards
FINEST_MM = 0.9  # grid of the quilt's mesh, where memory allows


class Frame:
    """The cloth between two rollers: it sags by a parabola and bends away over them; slow ripples run through it."""

    def __init__(self, rng, s, v_top, v_bottom):
        self.top, self.bottom = v_top, v_bottom
        self.v = np.arange(v_top - 900, v_bottom + 900, 1.0)
        across = np.clip((self.v - v_top) / (v_bottom - v_top), 0, 1)
        angle = -4 * s["sag_mm"] / (v_bottom - v_top) * (1 - 2 * across)
        angle -= np.clip(self.v - v_bottom, 0, None) / s["roller_mm"] - np.clip(v_top - self.v, 0, None) / s["roller_mm"]
        angle = np.clip(angle, -1.35, 1.35)
        self.angle = angle
        self.y, self.z = np.cumsum(np.cos(angle)), np.cumsum(np.sin(angle))
        middle = np.searchsorted(self.v, (v_top + v_bottom) / 2)
        self.y += self.v[middle] - self.y[middle]
        self.z -= self.z[middle]
        self.waves = [(rng.uniform(0, 2 * np.pi), 2 * np.pi / rng.uniform(120, 500), rng.uniform(0, 7),
                       s["ripple_mm"] * rng.uniform(0.2, 0.6)) for _ in range(4)]

    def point(self, u, v, h=0.0):
        """Place in space of a point of the cloth, `h` above the thread's plane."""
        for way, k, phase, size in self.waves:
            h = h + size * np.sin(k * (u * np.cos(way) + v * np.sin(way)) + phase)
        angle = np.interp(v, self.v, self.angle)
        return np.stack([u, np.interp(v, self.v, self.y) - h * np.sin(angle), np.interp(v, self.v, self.z) + h * np.cos(angle)], -1)


class Camera:
    """A pinhole over `aim`, leaning back by `tilt_deg`, and the Brown lens that the photo gets afterwards."""

    def __init__(self, s, size, aim):
        tilt, way, roll = np.radians([s["tilt_deg"], s["lean_deg"], s["roll_deg"]])
        back = np.array([np.sin(tilt) * np.cos(way), np.sin(tilt) * np.sin(way), np.cos(tilt)])
        right = np.array([1.0, 0, 0]) - back[0] * back
        right /= np.linalg.norm(right)
        up = np.cross(right, back)
        c, t = np.cos(roll), np.sin(roll)
        self.right, self.up, self.back = c * right + t * up, c * up - t * right, back
        self.size = size
        self.f = s["equivalent_mm"] / 43.27 * np.hypot(*size)
        self.distance = self.f * s["mm_per_px"]
        self.at = aim + self.distance * back
        self.k1, self.k2 = s["k1"], s["k2"]

    def bent(self, q):
        r2 = (q**2).sum(-1, keepdims=True)
        return q * (1 + self.k1 * r2 + self.k2 * r2 * r2)

    def straight(self, q):
        """The inverse of `bent`, to a millionth of the focal length."""
        p = q.copy()
        for _ in range(30):
            p = p + q - self.bent(p)
        return p

    def project(self, points):
        """Pixels of the finished photo; the first pixel's middle is at 0.5."""
        d = points - self.at
        ahead = -(d @ self.back)[..., None]
        q = np.stack([d @ self.right, -(d @ self.up)], -1) / np.maximum(ahead, 1)
        # Beyond a right angle or so nothing is seen, and the lens's polynomial means nothing.
        fair = (ahead > 1) & ((q**2).sum(-1, keepdims=True) < 2)
        return np.where(fair, self.bent(np.clip(q, -2, 2)) * self.f + np.array(self.size) / 2, -1e6)

    def rays(self, px):
        q = (px - np.array(self.size) / 2) / self.f
        return q[..., :1] * self.right - q[..., 1:] * self.up - self.back

    def on_level(self, px, z=0.0):
        d = self.rays(px)
        return self.at + d * ((z - self.at[2]) / d[..., 2])[..., None]


def card_artwork(card, paper, calibration):
    """The card's part of its page as printed, grey 0–1, and pixels a mm."""
    with tempfile.TemporaryDirectory() as there:
        subprocess.run(["pdftoppm", "-r", "300", "-gray", "-png", "-f", str(card["page"]), "-l", str(card["page"]), "-singlefile",
                        str(calibration / f"cards-{paper}.pdf"), there + "/page"], check=True)
        page = cv2.imread(there + "/page.png", cv2.IMREAD_GRAYSCALE)
    k = 300 / 25.4
    left, top, w, h = card["cut"]
    return page[round(top * k) : round((top + h) * k), round(left * k) : round((left + w) * k)]


def pose_card(card, frame, scale):
    """Where the card's face lies: on the cloth's tangent there, turned, rocked, its middle `face_mm` above the thread's plane."""
    u, v = card["u"], card["v"]
    ahead = frame.point(u, v + 50) - frame.point(u, v - 50)
    down = ahead / np.linalg.norm(ahead)
    right = np.array([1.0, 0, 0])
    normal = np.array([0, -down[2], down[1]])
    right = right + card["rock"][0] * normal
    right /= np.linalg.norm(right)
    down = down + card["rock"][1] * normal
    down -= (down @ right) * right
    down /= np.linalg.norm(down)
    c, t = np.cos(card["turn"]), np.sin(card["turn"])
    normal = np.cross(right, down)
    normal *= np.sign(normal[2])
    w, h = np.array(card["cut"][2:]) * scale
    card |= dict(right=c * right + t * down, down=c * down - t * right, normal=normal, w=w, h=h,
                 middle=frame.point(u, v) + card["face_mm"] * normal)


def card_point(card, a, b, below=0.0):
    """Points of the card by their places on it, −1 to 1 along both sides, `below` its face."""
    lift = card["curl_mm"] * (a * a - 0.33) - below
    return card["middle"] + (a * card["w"] / 2)[..., None] * card["right"] + (b * card["h"] / 2)[..., None] * card["down"] + lift[
        ..., None] * card["normal"]


def press(height, cards, frame, origin, step):
    """Presses the heights down where cards lie: nowhere higher than a card's underside."""
    for card in cards:
        reach = np.hypot(card["w"], card["h"]) / 2 + 30
        lo = np.maximum(((np.array([card["u"], card["v"]]) - reach - origin) / step).astype(int), 0)
        hi = ((np.array([card["u"], card["v"]]) + reach - origin) / step).astype(int)
        part = height[lo[1] : hi[1], lo[0] : hi[0]]
        if not part.size:
            continue
        v, u = np.mgrid[lo[1] : lo[1] + part.shape[0], lo[0] : lo[0] + part.shape[1]] * step + 0.0
        flat = frame.point(u + origin[0], v + origin[1])
        d = flat - card["middle"]
        a, b = d @ card["right"] / (card["w"] / 2), d @ card["down"] / (card["h"] / 2)
        over = -(d @ card["normal"]) + card["curl_mm"] * (np.clip(a, -1, 1) ** 2 - 0.33) - card["thick_mm"] - 0.1
        aside = np.hypot(np.maximum(np.abs(a) - 1, 0) * card["w"] / 2, np.maximum(np.abs(b) - 1, 0) * card["h"] / 2)
        limit = over + 0.25 * aside + 0.01 * aside**2
        part[...] = np.where(aside < 30, np.minimum(part, limit), part)


def metres(points):
    return (np.asarray(points, np.float64) * [1e-3, -1e-3, 1e-3]).astype(np.float32)


def mesh(name, points, faces, material, smooth=True, places=None):
    """An object of quads; `places` (n, 2) are where its pictures are looked up."""
    m = bpy.data.meshes.new(name)
    faces = np.asarray(faces, np.int32)
    m.vertices.add(len(points))
    m.vertices.foreach_set("co", metres(points).ravel())
    m.loops.add(faces.size)
    m.loops.foreach_set("vertex_index", faces[:, ::-1].ravel())  # y turned about turns every face about
    m.polygons.add(len(faces))
    m.polygons.foreach_set("loop_start", np.arange(0, faces.size, 4, dtype=np.int32))
    m.polygons.foreach_set("use_smooth", np.full(len(faces), smooth))
    if places is not None:
        a = m.attributes.new("place", "FLOAT_VECTOR", "POINT")
        a.data.foreach_set("vector", np.c_[places, np.zeros(len(places))].astype(np.float32).ravel())
    m.update(calc_edges=True)
    m.validate()
    m.materials.append(material)
    thing = bpy.data.objects.new(name, m)
    bpy.context.scene.collection.objects.link(thing)
    return thing


def quads(rows, columns, closed=False):
    i = np.arange(rows * columns).reshape(rows, columns)
    if closed:
        i = np.c_[i, i[:, :1]]
    return np.stack([i[:-1, :-1], i[:-1, 1:], i[1:, 1:], i[1:, :-1]], -1).reshape(-1, 4)


def tubes(paths, radius, sides=6):
    """Tubes around many paths of equally many points, (n, points, 3): their points and faces."""
    n, m, _ = paths.shape
    along = np.gradient(paths, axis=1)
    along /= np.maximum(np.linalg.norm(along, axis=-1, keepdims=True), 1e-9)
    flank = np.cross(along, [0.0, 0, 1.0])
    flank /= np.maximum(np.linalg.norm(flank, axis=-1, keepdims=True), 1e-9)
    over = np.cross(flank, along)
    a = np.arange(sides) * 2 * np.pi / sides
    points = (paths[:, :, None] + radius * (np.cos(a)[:, None] * flank[:, :, None] + np.sin(a)[:, None] * over[:, :, None])).reshape(-1, 3)
    one = quads(m, sides, closed=True)
    return points, (one[None] + np.arange(n)[:, None, None] * m * sides).reshape(-1, 4)


def material(name, colour=(0.5, 0.5, 0.5), **inputs):
    """A principled material; `colour` linear RGB."""
    m = bpy.data.materials.new(name)
    m.use_nodes = True
    node = m.node_tree.nodes["Principled BSDF"]
    node.inputs["Base Color"].default_value = (*colour, 1)
    for key, value in inputs.items():
        node.inputs[key.replace("_", " ")].default_value = value
    return m


def pictured(m, path, to="Base Color", deep_mm=0.0, interpolation="Linear"):
    """Puts a picture into a material, by the mesh's `place`; as relief of `deep_mm` between black and white when that is given."""
    nodes, links = m.node_tree.nodes, m.node_tree.links
    place = nodes.new("ShaderNodeAttribute")
    place.attribute_name = "place"
    image = nodes.new("ShaderNodeTexImage")
    image.image = bpy.data.images.load(str(path))
    image.extension, image.interpolation = "EXTEND", interpolation
    links.new(place.outputs["Vector"], image.inputs["Vector"])
    if not deep_mm:
        links.new(image.outputs["Color"], nodes["Principled BSDF"].inputs[to])
        return
    image.image.colorspace_settings.name = "Non-Color"
    bump = nodes.new("ShaderNodeBump")
    bump.inputs["Distance"].default_value = deep_mm * 1e-3
    links.new(image.outputs["Color"], bump.inputs["Height"])
    links.new(bump.outputs["Normal"], nodes["Principled BSDF"].inputs["Normal"])


def kelvin(t):
    """Colour of a lamp, linear RGB about green 1; rough, it only has to look right."""
    x = math.log(t / 6500)
    return np.array([np.clip(1 - 0.75 * x, 0.7, 2.0), 1.0, np.clip(1 + 1.1 * x, 0.2, 1.7)])


def lamp(at, towards, size_mm, watts, tone):
    light = bpy.data.lights.new("lamp", "AREA")
    light.shape, light.size, light.size_y = "RECTANGLE", size_mm[0] * 1e-3, size_mm[1] * 1e-3
    light.energy, light.color = watts, tone
    thing = bpy.data.objects.new("lamp", light)
    a, b = metres(at), metres(towards)
    thing.location = a
    from mathutils import Vector
    thing.rotation_euler = Vector(b - a).to_track_quat("-Z", "Y").to_euler()
    thing.visible_camera = False
    bpy.context.scene.collection.objects.link(thing)


def box(name, low, high, m, bevel_mm=8.0):
    corners = np.array([[x, y, z] for z in (low[2], high[2]) for y in (low[1], high[1]) for x in (low[0], high[0])], float)
    faces = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    thing = mesh(name, corners, faces, m, smooth=False)
    if bevel_mm:
        rounding = thing.modifiers.new("rounding", "BEVEL")
        rounding.width, rounding.segments = bevel_mm * 1e-3, 3
    return thing


def rod(name, a, b, radius, m, sides=40):
    """A round bar from a to b; where a point is doubled the tube has no direction and shrinks to it, which closes the ends."""
    points, faces = tubes(np.stack([a, a, b, b])[None], radius, sides)
    return mesh(name, points, faces, m)
