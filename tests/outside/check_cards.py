#!/usr/bin/env python3
"""Checks printed measuring cards with tools that were not made here.

    check_cards.py --rowsight PATH/TO/rowsight          runs `rowsight card` for both papers
    check_cards.py --paper a4 --pdf cards.pdf           checks a PDF that exists
    check_cards.py --paper a4 --svg page1.svg page2.svg checks SVG pages that exist, in page order

The cards are those of `--sheets 2 --strips 4` unless the options say otherwise. Pages are rasterised
(PDF by poppler's pdftoppm, SVG by librsvg's rsvg-convert) and measured:

- pdfinfo gives the page size and the number of pages; the PDF asks for no print scaling;
- the check bar is 150.0 mm long and its ticks stand at whole inches, to 0.1 mm;
- OpenCV's ArUco reader (DICT_APRILTAG_36h11) reads every tag: the right id in the right place, every
  corner to 0.1 mm, and no other tag; its dictionary is turned by 180 degrees against the family's own
  frame, so an upright tag's top left corner is its third corner;
- every checker patch has its saddle within 0.1 mm and its black quarters top left and bottom right;
- the rest of the pattern is white, and so is a border of 6 mm around the page;
- the PDF's texts are there (pdftotext).

The numbers below are those of the card's published description, typed anew and not read from the
program. Needs Python 3.10 or later with numpy and opencv (4.7 or later). Exit code 0: all good;
1: something is off; 2: the check could not be run.
"""

import argparse
import pathlib
import re
import subprocess
import sys
import tempfile

import cv2
import numpy as np

TOLERANCE_MM = 0.1
DPI = 508  # 20 px/mm
PX_PER_MM = DPI / 25.4

PAPERS_MM = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}
TAG_MM, GAP_MM, PATCH_MM, BAR_MM, BORDER_MM = 42.0, 12.6, 7.2, 150.0, 6.0
PITCH_MM = TAG_MM + GAP_MM
COLUMNS = 4


class Card:
    """A card's specified geometry; millimetres from the pattern's top left corner."""

    def __init__(self, kind, number):
        self.name = f"{kind} {number}"
        self.rows = 3 if kind == "sheet" else 1
        first = 12 * (number - 1) if kind == "sheet" else 240 + 4 * (number - 1)
        self.ids = list(range(first, first + self.rows * COLUMNS))
        self.size = (COLUMNS * PITCH_MM + GAP_MM, self.rows * PITCH_MM + GAP_MM)
        expected = (231.0, 176.4) if kind == "sheet" else (231.0, 67.2)
        assert np.allclose(self.size, expected)

    def tag_corners(self):
        """(tags, 4, 2): top left, top right, bottom right, bottom left."""
        square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * TAG_MM
        places = [(c, r) for r in range(self.rows) for c in range(COLUMNS)]
        return np.array([np.array(p) * PITCH_MM + GAP_MM + square for p in places])

    def patches(self):
        grid = [(c, r) for r in range(self.rows + 1) for c in range(COLUMNS + 1)]
        return np.array(grid) * PITCH_MM + GAP_MM / 2


class Report:
    def __init__(self):
        self.failures = 0

    def check(self, good, text):
        print(f"  {'ok  ' if good else 'FAIL'} {text}")
        self.failures += not good


def edge(profile, start, step):
    """Place where a grey profile crosses half-way from `start` on, in px; pixel 0 is from 0 to 1."""
    i = start
    while profile[i] < 127.5:
        i += step
    a, b = profile[i - step], profile[i]
    return i - step + 0.5 + step * (127.5 - a) / (b - a)


def check_bars(report, grey, count):
    """Bars are found by their shape alone: long, low and black. Returns their left ends, mm."""
    black = (grey < 128).astype(np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(black)
    size = stats[:, 2:4] / PX_PER_MM
    found = stats[(size[:, 0] > 120) & (size[:, 0] < 180) & (size[:, 1] < 8)]
    report.check(len(found) == count, f"{count} check bar(s), found {len(found)}")
    for x, y, width, height, _ in found:
        row = grey[y + round(1.0 * PX_PER_MM)].astype(float)
        middle = x + width // 2
        left, right = edge(row, middle, -1), edge(row, middle, 1)
        length = (right - left) / PX_PER_MM
        report.check(abs(length - BAR_MM) <= TOLERANCE_MM, f"check bar {length:.3f} mm long")
        # Ticks below the bar: middles of the black runs half a millimetre above its lower end.
        row = grey[y + height - round(0.5 * PX_PER_MM)].astype(float)
        weight = np.clip(127.5 - row[x : x + width], 0, None) > 0
        starts = np.flatnonzero(np.diff(np.concatenate([[0], weight.astype(int), [0]])))
        runs = starts.reshape(-1, 2)
        ticks = [(a + b) / 2 / PX_PER_MM for a, b in runs][1:-1]
        inches = [25.4 * n for n in range(1, 6)]
        good = len(ticks) == 5 and np.allclose(ticks, inches, atol=TOLERANCE_MM, rtol=0)
        report.check(good, "inch ticks at " + ", ".join(f"{t:.2f}" for t in ticks) + " mm")


def read_tags(grey):
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.cornerRefinementWinSize = 9
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
    ids = [] if ids is None else ids.ravel().tolist()
    # OpenCV puts a pixel's centre at whole numbers. Upright: its corners 2, 3, 0, 1.
    upright = [np.roll(c.reshape(4, 2), -2, axis=0) + 0.5 for c in corners]
    return ids, [c / PX_PER_MM for c in upright]


def check_page(report, grey, paper, cards):
    width, height = PAPERS_MM[paper]
    # Rasterisers round the page up to whole pixels.
    size = grey.shape[1] / PX_PER_MM, grey.shape[0] / PX_PER_MM
    report.check(
        abs(size[0] - width) < 0.1 and abs(size[1] - height) < 0.1,
        f"page {size[0]:.2f} x {size[1]:.2f} mm",
    )
    inked = np.argwhere(grey < 250)
    top, left = inked.min(axis=0) / PX_PER_MM
    bottom, right = (np.array(grey.shape) - 1 - inked.max(axis=0)) / PX_PER_MM
    least = min(top, left, bottom, right)
    report.check(least >= BORDER_MM, f"unprinted border {least:.2f} mm")
    check_bars(report, grey, len(cards))

    ids, corners = read_tags(grey)
    expected_ids = sorted(sum((card.ids for card in cards), []))
    report.check(sorted(ids) == expected_ids, f"tags {sorted(ids)}")
    if sorted(ids) != expected_ids:
        print(f"       expected {expected_ids}")
        return
    found = dict(zip(ids, corners))
    previous_top = 0.0
    for card in cards:
        check_card(report, grey, width, card, np.array([found[i] for i in card.ids]))
        top = found[card.ids[0]][0][1]
        report.check(top > previous_top, f"{card.name}: in its order down the page")
        previous_top = top


def check_card(report, grey, page_width, card, found):
    specified = card.tag_corners()
    # Only the card's place on the page is free: turned, mirrored or scaled cards must not pass.
    origin = (found - specified).mean(axis=(0, 1))
    error = np.linalg.norm(found - specified - origin, axis=-1)
    report.check(
        error.max() <= TOLERANCE_MM,
        f"{card.name}: {error.size} tag corners, RMS {np.sqrt((error**2).mean()):.3f} mm, "
        f"largest {error.max():.3f} mm",
    )
    off_centre = origin[0] + card.size[0] / 2 - page_width / 2
    report.check(abs(off_centre) <= TOLERANCE_MM, f"{card.name}: {off_centre:+.3f} mm off centre")

    patches = (card.patches() + origin) * PX_PER_MM
    window = (round(PX_PER_MM), round(PX_PER_MM))
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 100, 1e-4)
    # Start one pixel off, so that a refinement that does nothing shows.
    guess = (patches - 0.5 + 1.0).astype(np.float32).reshape(-1, 1, 2)
    saddles = cv2.cornerSubPix(grey, guess, window, (-1, -1), stop).reshape(-1, 2) + 0.5
    error = np.linalg.norm(saddles - patches, axis=1) / PX_PER_MM
    report.check(
        error.max() <= TOLERANCE_MM, f"{card.name}: {len(error)} patches, largest {error.max():.3f} mm"
    )
    quarter = PATCH_MM / 4 * PX_PER_MM
    signs = [(-1, -1, True), (1, 1, True), (1, -1, False), (-1, 1, False)]
    wrong = 0
    for x, y in patches:
        for sx, sy, black in signs:
            wrong += (grey[int(y + sy * quarter), int(x + sx * quarter)] < 128) != black
    report.check(wrong == 0, f"{card.name}: patch quarters black and white as specified")

    # Paint out tags and patches with 0.1 mm around them; nothing may be left inside the pattern.
    left_over = grey.copy()
    boxes = [(c[0] + origin, c[2] + origin) for c in specified]
    boxes += [(p + origin - PATCH_MM / 2, p + origin + PATCH_MM / 2) for p in card.patches()]
    for least, most in boxes:
        x0, y0 = np.floor((least - TOLERANCE_MM) * PX_PER_MM).astype(int)
        x1, y1 = np.ceil((most + TOLERANCE_MM) * PX_PER_MM).astype(int)
        left_over[y0:y1, x0:x1] = 255
    x0, y0 = np.round(origin * PX_PER_MM).astype(int)
    x1, y1 = np.round((origin + card.size) * PX_PER_MM).astype(int)
    ink = int((left_over[y0:y1, x0:x1] < 250).sum())
    report.check(ink == 0, f"{card.name}: {ink} px of other ink inside the pattern")


def pages_of(arguments):
    sheets = range(arguments.first_sheet, arguments.first_sheet + arguments.sheets)
    strips = [Card("strip", n) for n in
              range(arguments.first_strip, arguments.first_strip + arguments.strips)]
    pages = [[Card("sheet", n)] for n in sheets]
    return pages + [strips[n : n + 2] for n in range(0, len(strips), 2)]


def run(*command):
    return subprocess.run([str(c) for c in command], check=True, capture_output=True).stdout


def grey_png(path):
    grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    if grey is None:
        raise OSError(f"{path}: no picture")
    return grey


def check_pdf(report, path, paper, pages, scratch):
    print(f"{path}")
    info = run("pdfinfo", path).decode()
    count = int(re.search(r"Pages:\s+(\d+)", info)[1])
    report.check(count == len(pages), f"{count} pages")
    size = [float(n) for n in re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", info).groups()]
    expected = [mm * 72 / 25.4 for mm in PAPERS_MM[paper]]
    # pdfinfo prints six digits.
    good = np.allclose(size, expected, atol=0.006, rtol=0)
    report.check(good, f"pdfinfo page size {size[0]} x {size[1]} pts")
    unscaled = re.search(rb"/PrintScaling\s*/None", pathlib.Path(path).read_bytes())
    report.check(unscaled is not None, "viewer is asked to print unscaled")
    for number, cards in enumerate(pages, 1):
        print(f" page {number}: {', '.join(card.name for card in cards)}")
        text = " ".join(run("pdftotext", "-layout", "-f", number, "-l", number, path, "-").decode().split())
        words = [f"rowsight {card.name}" for card in cards] + [
            "this edge toward the rows already stitched", "--card-bar", "Print at 100 %"]
        report.check(all(w in text for w in words), "number, arrow words, bar and printing line")
        stem = scratch / f"pdf-{paper}-{number}"
        run("pdftoppm", "-gray", "-png", "-r", DPI, "-f", number, "-l", number, "-singlefile", path, stem)
        check_page(report, grey_png(f"{stem}.png"), paper, cards)


def check_svgs(report, paths, paper, pages, scratch):
    report.check(len(paths) == len(pages), f"{len(paths)} SVG pages")
    for path, cards in zip(paths, pages):
        print(f"{path}: {', '.join(card.name for card in cards)}")
        picture = scratch / "svg.png"
        run("rsvg-convert", "-d", DPI, "-p", DPI, "-o", picture, path)
        check_page(report, grey_png(picture), paper, cards)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rowsight", type=pathlib.Path, help="the program to run")
    parser.add_argument("--paper", choices=PAPERS_MM, help="paper of the files given")
    parser.add_argument("--pdf", type=pathlib.Path)
    parser.add_argument("--svg", type=pathlib.Path, nargs="+", default=[])
    parser.add_argument("--sheets", type=int, default=2)
    parser.add_argument("--first-sheet", type=int, default=1)
    parser.add_argument("--strips", type=int, default=4)
    parser.add_argument("--first-strip", type=int, default=1)
    arguments = parser.parse_args()
    if not arguments.rowsight and not (arguments.paper and (arguments.pdf or arguments.svg)):
        parser.error("expected --rowsight, or --paper with --pdf or --svg")
    report, pages = Report(), pages_of(arguments)
    with tempfile.TemporaryDirectory() as scratch:
        scratch = pathlib.Path(scratch)
        if arguments.rowsight:
            for paper in PAPERS_MM:
                file = scratch / f"cards-{paper}.pdf"
                run(arguments.rowsight, "card", "--paper", paper, "--sheets", arguments.sheets,
                    "--strips", arguments.strips, "-o", file)
                check_pdf(report, file, paper, pages, scratch)
        if arguments.pdf:
            check_pdf(report, arguments.pdf, arguments.paper, pages, scratch)
        if arguments.svg:
            check_svgs(report, arguments.svg, arguments.paper, pages, scratch)
    print("all good" if report.failures == 0 else f"{report.failures} check(s) failed")
    return min(report.failures, 1)


if __name__ == "__main__":
    try:
        sys.exit(main())
    except subprocess.CalledProcessError as error:
        print(f"{error}\n{error.stderr.decode(errors='replace')}", file=sys.stderr)
        sys.exit(2)
    except OSError as error:
        print(error, file=sys.stderr)
        sys.exit(2)
