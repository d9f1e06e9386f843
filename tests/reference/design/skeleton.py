"""Draws a mask of lines of several widths, crossings and a ring, and writes what OpenCV's thinning makes of it.

python3 -m pip install opencv-contrib-python-headless==5.0.0 numpy, then python3 skeleton.py > skeleton.txt

`#` is ink that goes, `@` ink that stays. (scikit-image 0.26.0's skeletonize takes a table with corners of
staircases removed as well; it is no exact reference for the published algorithm.)
"""

import cv2
import numpy as np

h, w = 72, 110
y, x = np.mgrid[0:h, 0:w].astype(float)


def stroke(x0, y0, x1, y1, width):
    dx, dy = x1 - x0, y1 - y0
    t = np.clip(((x - x0) * dx + (y - y0) * dy) / (dx * dx + dy * dy), 0, 1)
    return np.hypot(x - x0 - t * dx, y - y0 - t * dy) <= width / 2


mask = stroke(6, 8, 100, 60, 7) | stroke(8, 60, 96, 12, 4) | stroke(40, 4, 44, 66, 2)
mask |= abs(np.hypot(x - 76, y - 36) - 20) <= 2.2
mask |= abs(y - 36 - 14 * np.sin(x / 9)) <= 1.6
mask[:2] = mask[-2:] = False
mask[:, :2] = mask[:, -2:] = False
line = cv2.ximgproc.thinning(
    mask.astype(np.uint8) * 255, thinningType=cv2.ximgproc.THINNING_ZHANGSUEN
)
print(f"% OpenCV {cv2.__version__}, ximgproc.thinning, THINNING_ZHANGSUEN; see skeleton.py")
for m, s in zip(mask, line > 0):
    print("".join("@" if b else "#" if a else "." for a, b in zip(m, s)))
