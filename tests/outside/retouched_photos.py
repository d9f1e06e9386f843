"""Photos as a phone's own software leaves them: those that the other scripts drew, sharpened, smoothed, toned or squeezed.

    python3 tests/outside/retouched_photos.py target/relief target/relief-sharpened --retouch sharpened --to 16
    python3 tests/outside/relief_photos.py target/relief-sharpened --to 16

The first folder is one that `other_photos.py`, `relief_photos.py` or `traced_photos.py` has drawn, and the same script measures what
stands in the second. Needs opencv-python-headless, numpy and Pillow. Strengths: common practice, no source; the filters are OpenCV's,
not ours.
"""

import argparse
import pathlib
import shutil

import cv2
import numpy as np
from PIL import Image


def unsharp(picture, sigma_px, amount):
    """Unsharp mask, clipped as a camera clips it."""
    soft = cv2.GaussianBlur(picture, (0, 0), sigma_px).astype(float)
    return np.clip(picture + amount * (picture - soft), 0, 255).astype(np.uint8)


def smoothed(picture):
    """Noise taken out until texture goes with it, then sharpened again, as small sensors need it."""
    soft = cv2.bilateralFilter(cv2.bilateralFilter(picture, 9, 40, 4), 9, 40, 4)
    return unsharp(soft, 1.5, 1.2)


def toned(picture):
    """Contrast evened out place by place."""
    lab = cv2.cvtColor(picture, cv2.COLOR_RGB2LAB)
    lab[..., 0] = cv2.createCLAHE(2.5, (8, 8)).apply(lab[..., 0])
    return cv2.cvtColor(lab, cv2.COLOR_LAB2RGB)


def noisy(picture):
    """The grain of a small sensor in a dim room."""
    grain = np.random.default_rng(1).normal(0, 28, picture.shape).astype(np.float32)
    return np.clip(picture + cv2.GaussianBlur(grain, (0, 0), 0.8), 0, 255).astype(np.uint8)


def sent(picture):
    """As a messenger sends it on: six tenths of its side, strongly compressed."""
    height, width = picture.shape[:2]
    small = cv2.resize(picture, (int(0.6 * width), int(0.6 * height)), interpolation=cv2.INTER_AREA)
    _, squeezed = cv2.imencode(".jpg", small[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 60])
    return cv2.imdecode(squeezed, cv2.IMREAD_COLOR)[..., ::-1]


# What is done to the picture, and the JPEG quality it is kept with.
RETOUCHES = {
    "none": (lambda picture: picture, 95),
    "sharpened": (lambda picture: unsharp(picture, 1.6, 1.5), 92),
    "sharpened-finely": (lambda picture: unsharp(picture, 1.0, 3.0), 92),
    "sharpened-broadly": (lambda picture: unsharp(picture, 4.0, 1.0), 92),
    "smoothed": (smoothed, 88),
    "toned": (toned, 90),
    "noisy": (noisy, 85),
    "compressed": (lambda picture: picture, 40),
    "sent": (sent, 70),
}


def retouched(folder, to, retouch):
    """A drawn photo's folder with its photo retouched."""
    change, quality = RETOUCHES[retouch]
    shutil.copytree(folder, to, ignore=shutil.ignore_patterns("row.jpg", "said.txt"), dirs_exist_ok=True)
    photo = Image.open(folder / "row.jpg")
    picture = change(np.array(photo.convert("RGB")))
    Image.fromarray(np.ascontiguousarray(picture)).save(to / "row.jpg", quality=quality, exif=photo.getexif())


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("drawn", type=pathlib.Path)
    parser.add_argument("folder", type=pathlib.Path)
    parser.add_argument("--retouch", choices=RETOUCHES, default="sharpened")
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--to", type=int, default=24)
    arguments = parser.parse_args()
    for seed in range(arguments.first, arguments.to):
        retouched(arguments.drawn / f"{seed:03d}", arguments.folder / f"{seed:03d}", arguments.retouch)


if __name__ == "__main__":
    main()
