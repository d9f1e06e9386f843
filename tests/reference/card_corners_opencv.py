"""What OpenCV makes of the practice photos card_corners_*.jpg: tags by cv2.aruco, patches by cv2.cornerSubPix.

Run in tests/reference; writes card_corners_opencv.json. Made with OpenCV 5.0.0. cornerSubPix is started
from the homography of OpenCV's own tag corners (sub-pixel refined), with windows of 3 to 8 px half size;
the window with the smallest true error is kept, so the comparison favours OpenCV. Pixel centres are moved
from whole numbers to + 0.5. The card's geometry is written out here again, apart from the Rust code.
"""
import json
import cv2
import numpy as np

TAG, GAP = 42.0, 12.6
PITCH = TAG + GAP


def grid(card):
    return (4, 3, 12 * (card["number"] - 1)) if card["kind"] == "sheet" else (4, 1, 240 + 4 * (card["number"] - 1))


def patches(columns, rows):
    w, h = columns * PITCH + GAP, rows * PITCH + GAP
    return np.array([[GAP / 2 + c * PITCH - w / 2, GAP / 2 + r * PITCH - h / 2]
                     for r in range(rows + 1) for c in range(columns + 1)])


def tag(columns, rows, place):
    w, h = columns * PITCH + GAP, rows * PITCH + GAP
    x = GAP + place % columns * PITCH - w / 2
    y = GAP + place // columns * PITCH - h / 2
    return [[x, y], [x + TAG, y], [x + TAG, y + TAG], [x, y + TAG]]


out = {"source": "card_corners_opencv.py", "opencv": cv2.__version__, "photos": []}
for photo in json.load(open("card_corners.json"))["photos"]:
    grey = cv2.imread(photo["file"], cv2.IMREAD_GRAYSCALE)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
    # OpenCV's dictionary is turned by 180 degrees against the family's own frame.
    seen = {int(i): np.roll(c[0], 2, axis=0) + 0.5 for i, c in zip(ids.ravel(), corners)}
    found = []
    for card in photo["cards"]:
        columns, rows, first = grid(card)
        tags = {i: c for i, c in seen.items() if first <= i < first + columns * rows}
        on_card = np.array([p for i in tags for p in tag(columns, rows, i - first)], np.float64)
        in_photo = np.array([p for c in tags.values() for p in c], np.float64)
        h, _ = cv2.findHomography(on_card, in_photo)
        start = cv2.perspectiveTransform(patches(columns, rows)[:, None, :], h)[:, 0] - 0.5
        truth = np.array(card["patches_px"])
        best = None
        for half in range(3, 9):
            refined = cv2.cornerSubPix(grey, start.astype(np.float32).reshape(-1, 1, 2).copy(), (half, half), (-1, -1),
                                       (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 100, 1e-4))[:, 0] + 0.5
            rms = float(np.sqrt(np.mean(np.sum((refined - truth) ** 2, axis=1))))
            if best is None or rms < best["rms_px"]:
                best = {"half_window_px": half, "rms_px": rms, "patches_px": np.round(refined, 4).tolist()}
        found.append({"kind": card["kind"], "number": card["number"], **best,
                      "tags": {str(i): np.round(c, 3).tolist() for i, c in sorted(tags.items())}})
        print(photo["file"], card["kind"], card["number"], len(tags), "tags", best["half_window_px"], best["rms_px"])
    out["photos"].append({"file": photo["file"], "cards": found})
json.dump(out, open("card_corners_opencv.json", "w"), indent=1)
