"""Makes two small HEIC photos and what libheif reads in them (heic.json).

Run in this folder: python3 make_heic.py (needs pillow-heif)
"""
import json
import numpy as np
import pillow_heif
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

pillow_heif.register_heif_opener()
W, H = 720, 480
y, x = np.mgrid[0:H, 0:W]
rgb = np.stack([x * 255 // W, y * 255 // H, 255 - (x + y) * 255 // (W + H)], axis=2).astype(np.uint8)
rgb[100:200, 100:300] = [200, 40, 30]
rgb[250:400, 400:650] = [30, 60, 180]
picture = Image.fromarray(rgb)
exif = Image.Exif()
exif[0x010F], exif[0x0110] = "Maker\0", "Model 9"
exif.get_ifd(0x8769).update({0x9003: "2024:05:17 10:11:12", 0x920A: IFDRational(589, 100), 0xA405: 26})
picture.save("plain.heic", quality=80, exif=exif)
# Stored lying on its side, to be turned a quarter clockwise.
exif[0x0112] = 6
turned = picture.transpose(Image.Transpose.ROTATE_90)
turned.info["exif"] = exif.tobytes()
turned.save("turned.heic", quality=80)
assert b"irot\x03" in open("turned.heic", "rb").read()
spots = [(50, 50), (200, 150), (500, 300), (700, 470), (360, 240)]
luma = {}
for name in ["plain.heic", "turned.heic"]:
    read = Image.open(name)
    assert read.size == (W, H), (name, read.size)
    luma[name] = [read.convert("L").getpixel(s) for s in spots]
versions = f"pillow-heif {pillow_heif.__version__}, libheif {pillow_heif.libheif_version()}"
json.dump({"made_with": versions, "size": [W, H], "spots": spots, "luma": luma}, open("heic.json", "w"))
