"""Checks `rowsight report FOLDER --pdf FILE` with tools that know nothing of rowsight: pikepdf (qpdf) reads the file
without a complaint, pypdf finds its structure, and poppler's pdftotext finds every word of the HTML page in it.

    python3 tests/outside/check_pdf.py FOLDER/report.html FILE.pdf
needs poppler-utils and `pip install pikepdf pypdf`.
"""

import html.parser
import re
import subprocess
import sys

import pikepdf
import pypdf

# ISO 216 A4 and US Letter, in points.
PAPERS = [(595.276, 841.89), (612.0, 792.0)]


class Words(html.parser.HTMLParser):
    """The text that a reader sees in the page, and what drawings and photos are called."""

    def __init__(self):
        super().__init__()
        self.within, self.words, self.names = [], [], []

    def handle_starttag(self, tag, attributes):
        if tag == "img":
            self.names.append(dict(attributes)["alt"])
        if tag not in ("img", "meta", "br", "link"):
            self.within.append(tag)

    def handle_endtag(self, tag):
        while self.within and self.within.pop() != tag:
            pass

    def handle_data(self, data):
        if not {"style", "title", "desc"} & set(self.within):
            self.words += data.split()
        if self.within[-2:] == ["svg", "title"]:
            self.names.append(data)


def elements(node):
    node = node.get_object() if hasattr(node, "get_object") else node
    if isinstance(node, list):
        for child in node:
            yield from elements(child)
    elif isinstance(node, dict):
        if "/S" in node:
            yield node
        if "/K" in node:
            yield from elements(node["/K"])


def main(page, file):
    with pikepdf.open(file) as opened:
        check = getattr(opened, "check_pdf_syntax", None) or opened.check
        assert not check(), check()
    reader = pypdf.PdfReader(file, strict=True)
    sizes = {(float(p.mediabox.width), float(p.mediabox.height)) for p in reader.pages}
    assert len(sizes) == 1, sizes
    (size,) = sizes
    assert any(abs(size[0] - w) < 0.01 and abs(size[1] - h) < 0.01 for w, h in PAPERS), size
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] and root["/Lang"] == "en" and reader.metadata.title

    marks = [entry.title for entry in reader.outline]

    words = Words()
    words.feed(open(page, encoding="utf-8").read())
    text = subprocess.run(["pdftotext", file, "-"], check=True, capture_output=True).stdout.decode()
    # Words may be broken where a column is narrow: blanks do not count, but the letters have to be there.
    letters = re.sub(r"\s+", "", text)
    lost = [w for w in words.words if w not in letters]
    assert not lost, lost
    tree = root["/StructTreeRoot"]
    assert tree["/K"]["/P"] == tree, "the document's element lies in no tree"
    found = [e for e in elements(tree["/K"])]
    headings = sum(e["/S"] in ("/H1", "/H2") for e in found)
    assert len(marks) == headings - 1, marks
    figures = [e.get("/Alt", "") for e in found if e["/S"] == "/Figure"]
    assert len(figures) == len(words.names), (len(figures), len(words.names))
    for name, figure in zip(words.names, figures):
        assert figure.startswith(name), (name, figure)
    fonts = subprocess.run(["pdffonts", file], check=True, capture_output=True).stdout.decode().splitlines()[2:]
    assert fonts and all(re.search(r" yes +\w+ +yes ", line) for line in fonts), fonts
    roles = sorted({str(e["/S"]) for e in found})
    print(f"{len(reader.pages)} pages of {size[0]} x {size[1]}, {len(words.words)} words, {len(figures)} figures, {len(marks)} bookmarks")
    print(f"elements: {' '.join(roles)}; fonts embedded with Unicode: {len(fonts)}")


main(*sys.argv[1:])
