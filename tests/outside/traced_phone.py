"""What the phone of `traced_photos.py` makes of traced light: its lens, its sensor, its tone curve and its JPEG."""

import io

import cv2
import numpy as np
from PIL import Image

from traced_cloth import dice


def through_lens(light, camera):
    """The pinhole's picture bent as the Brown lens bends it, each pixel's ray found exactly, and cut to the photo's size."""
    w, h = camera.size
    rendered = np.array(light.shape[1::-1]) / 2
    out = np.empty((h, w, 3), np.float32)
    for top in range(0, h, 256):
        y, x = np.mgrid[top : min(top + 256, h), 0:w] + 0.5
        q = (np.stack([x, y], -1) - np.array(camera.size) / 2) / camera.f
        at = (camera.straight(q) * camera.f + rendered - 0.5).astype(np.float32)
        out[top : top + 256] = cv2.remap(light, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.maximum(out, 0)


def develop(seed, s, light, cards, path):
    """Vignetting, exposure, white balance, noise, tone, smearing, sharpening; writes the JPEG and gives back what it shows, upright."""
    rng = dice(seed, "phone")
    h, w = light.shape[:2]
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    r2 = ((x - w / 2) ** 2 + (y - h / 2) ** 2) / (np.hypot(w, h) / 2) ** 2
    light *= (1 / (1 + s["vignette"] * r2) ** 2)[..., None]
    grey = light[::5, ::5] @ np.float32([0.25, 0.6, 0.15])
    # Metered so that the picture's mean is mid-grey, but most of its brightest parts are kept.
    gain = min(s["exposure"] * 0.22 / max(grey.mean(), 1e-9), 1.15 / max(np.percentile(grey, 98.5), 1e-9))
    # White balance finds most of the lamps' colour, here told by the cards' paper, and takes some of the quilt's for it.
    mean = light[::5, ::5].reshape(-1, 3).mean(0)
    paper = np.zeros((h, w), np.uint8)
    for card in cards:
        cv2.fillPoly(paper, [np.round(card["px"]).astype(np.int32)], 255)
    white = np.percentile(light[paper > 0], 80, axis=0) if cards else mean
    balance = (white[1] / white) ** s["wb_share"] * (mean[1] / mean) ** 0.08 * np.exp(rng.normal(0, 0.03, 3))
    light *= (gain * balance).astype(np.float32)
    noise = rng.standard_normal(light.shape, dtype=np.float32)
    noise[..., ::2] = 2.0 * cv2.GaussianBlur(noise[..., ::2], (0, 0), 0.8)  # red and blue have half as many pixels
    light += s["noise"] * noise * np.sqrt(np.maximum(light, 0) * 0.9 + 0.02)
    np.clip(light, 0, 4, out=light)
    # A shoulder instead of a hard end, then sRGB, then a little contrast in the middle.
    knee = 0.75
    light = np.where(light < knee, light, knee + (1 - knee) * (1 - np.exp(-(light - knee) / (1 - knee))))
    code = np.where(light < 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055)
    code += s["contrast_curve"] * (code - 0.5) * code * (1 - code) * 2
    code = np.clip(code * 255, 0, 255).astype(np.uint8)
    if s["smear"] > 0:
        code = cv2.addWeighted(cv2.bilateralFilter(code, 5, 18, 1.5), s["smear"], code, 1 - s["smear"], 0)
    code = cv2.addWeighted(code, 1 + s["sharpen"], cv2.GaussianBlur(code, (0, 0), 1.1), -s["sharpen"], 0)
    turns = {1: 0, 6: 1, 3: 2, 8: 3}[s["orientation"]]
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Quonset", f"Quonset {s['equivalent_mm']:.0f}", s["orientation"]
    inner = exif.get_ifd(0x8769)
    inner[0x920A], inner[0xA405] = round(s["equivalent_mm"] * s["sensor_mm"] / 43.27, 2), int(round(s["equivalent_mm"]))
    exif[0x8769] = inner
    stored = Image.fromarray(np.ascontiguousarray(np.rot90(code, turns)))
    stored.save(path, quality=s["quality"], subsampling=s["chroma"], exif=exif)
    with Image.open(io.BytesIO(path.read_bytes())) as again:
        return np.ascontiguousarray(np.rot90(np.asarray(again.convert("RGB")), -turns))
