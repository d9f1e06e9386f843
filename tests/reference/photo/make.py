"""Makes small photos in many encodings and what Pillow reads in them (photos.json).

Run in this folder: python3 make.py
"""
import json
import numpy as np
import PIL
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

W, H = 720, 480
y, x = np.mgrid[0:H, 0:W]
rgb = np.stack([x * 255 // W, y * 255 // H, 255 - (x + y) * 255 // (W + H)], axis=2).astype(np.uint8)
rgb[100:200, 100:300] = [200, 40, 30]
rgb[250:400, 400:650] = [30, 60, 180]
picture = Image.fromarray(rgb)
exif = Image.Exif()
exif[0x010F], exif[0x0110] = "Maker\0", "Model 9"
exif.get_ifd(0x8769).update({0x9003: "2024:05:17 10:11:12", 0x920A: IFDRational(589, 100), 0xA405: 26})
picture.save("baseline.jpg", quality=90, exif=exif)
picture.save("progressive.jpg", quality=85, progressive=True)
picture.convert("L").save("gray.jpg", quality=85)
picture.convert("CMYK").save("cmyk.jpg", quality=90)
picture.save("lossless.webp", lossless=True)
picture.save("deflate.tif", compression="tiff_adobe_deflate")
picture.save("colour.png")
turned = Image.Exif()
turned[0x0112] = 6
picture.transpose(Image.Transpose.ROTATE_90).save("turned.jpg", quality=90, exif=turned)
spots = [(50, 50), (200, 150), (500, 300), (700, 470), (360, 240)]
names = ["baseline.jpg", "progressive.jpg", "gray.jpg", "cmyk.jpg", "lossless.webp", "deflate.tif", "colour.png"]
luma = {n: [Image.open(n).convert("RGB").convert("L").getpixel(s) for s in spots] for n in names}
luma["turned.jpg"] = luma["baseline.jpg"]
json.dump({"made_with": "Pillow " + PIL.__version__, "size": [W, H], "spots": spots, "luma": luma}, open("photos.json", "w"))
