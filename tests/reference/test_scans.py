"""Labels read back: every paper at its printer's dots by two decoders, and as a phone sees them, with rates.

Source of what is right: the codes that the program itself gives (ISO/IEC 18004 symbols read by zxing-cpp, which has no part
in the program, and by the program's own reader of photos, rqrr); poppler puts the PDF on paper. The bounds of the rates are
our own: what this program reached when they were written, less a little.
"""

import itertools
import json
import math
import os
import random
import subprocess
import tomllib
from pathlib import Path
from xml.etree import ElementTree

import numpy
import pytest
import zxingcpp
from conftest import PROGRAM
from PIL import Image, ImageFilter

WHOLE = bool(os.environ.get("SHEETLOFT_WHOLE"))
PIECES = 500 if WHOLE else 24
PAPERS = Path(__file__).parents[2] / "labels/papers"
READER = PROGRAM.parent / "examples/read"


@pytest.fixture
def stocked(program):
    """A shop with pieces of many shapes, materials with long and foreign names, and racks."""
    program("init")
    names = ["Acrylic clear", "фанера берёзовая шлифованная", "ακρυλικό οπάλ", "أكريليك شفاف", "棚板 アクリル", "x" * 120]
    for n, name in enumerate(names):
        program("material", "add", "--name", f"{name} {n}", "--thickness", "3", "--grain", "long" if n % 2 else "none")
    for name in ["A1", "Wall by the window, lower shelf"]:
        program("rack", "add", name)
    rows, dice = [], random.Random(7)
    for n in range(PIECES):
        w, h = dice.randint(150, 1200), dice.randint(100, 1000)
        notch = dice.random() * 0.7
        outline = [[0, 0], [w, 0], [w, h * (1 - notch)], [w * (1 - notch), h * (1 - notch)], [w * (1 - notch), h], [0, h]]
        rows.append({"material": f"{names[n % 6]} {n % 6}", "rack": "A1", "outline": outline, "grain_deg": 90 if n % 2 else None})
    program("stock", "import", program.lines("stock.jsonl", rows))
    program("address", "http://10.0.0.20:8470")
    return program


def printed(pdf, dpi):
    """Each page as a printer of this resolution puts it on paper."""
    subprocess.run(["pdftoppm", "-gray", "-r", str(dpi), pdf, pdf.with_suffix("")], check=True)
    return [Image.open(p) for p in sorted(pdf.parent.glob(f"{pdf.stem}-*.pgm"))]


def by_zxing(image):
    # Model 2 is what labels carry; asked for any, it takes a picture among thousands for a micro code.
    found = zxingcpp.read_barcodes(numpy.asarray(image), formats=zxingcpp.BarcodeFormat.QRCodeModel2)
    return sorted(code.text for code in found)


def by_program(program, image):
    """As a person's script reads a photo."""
    path = program.folder / "photo.png"
    image.save(path)
    out = program.run("scan", "--photo", path)
    assert out.returncode in (0, 1), out.stderr
    return sorted(found["text"] for found in json.loads(out.stdout)["found"])


class Decoders:
    """The program's reader of photos over many pictures: one process reads them all."""

    def __init__(self, folder):
        self.path = folder / "seen.png"
        self.process = subprocess.Popen([READER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def both(self, image):
        """The texts that zxing reads in a picture, and those that the program reads; both at work at once."""
        image.save(self.path, compress_level=1)
        self.process.stdin.write(f"{self.path}\n")
        self.process.stdin.flush()
        by_other = by_zxing(image)
        return by_other, json.loads(self.process.stdout.readline())


@pytest.fixture
def decoders(tmp_path):
    decoders = Decoders(tmp_path)
    yield decoders
    decoders.process.stdin.close()
    assert decoders.process.wait(60) == 0


def sheets(program, pdf, dpi, pages):
    """Each page as a printer of this resolution puts it on paper, a few at a time: five hundred would fill the disk."""
    for first in range(1, pages + 1, 25):
        some = ["-f", str(first), "-l", str(min(first + 24, pages))]
        subprocess.run(["pdftoppm", "-gray", "-r", str(dpi), *some, pdf, pdf.with_suffix("")], check=True)
        for path in sorted(program.folder.glob(f"{pdf.stem}-*.pgm")):
            with Image.open(path) as page:
                page.load()
            path.unlink()
            yield page


def address(code):
    return f"HTTP://10.0.0.20:8470/{code}"


def test_every_label_on_every_paper_is_read_by_both(stocked, decoders):
    codes = sorted(p["piece"] for p in stocked("stock", "list")["pieces"])
    for number, paper in enumerate(stocked("label", "--paper", "list")["papers"]):
        some = codes if WHOLE else codes[: max(6, min(24, paper["per_page"]))]
        pdf = stocked.folder / f"paper{number}.pdf"
        made = stocked("label", "pieces", *some, "--paper", paper["name"], "--out", pdf)
        read = {"zxing": [], "program": []}
        for page in sheets(stocked, pdf, paper["dpi"], made["pages"]):
            for texts, said in zip(read.values(), decoders.both(page)):
                texts += said
        for who, texts in read.items():
            assert sorted(texts) == [address(code) for code in some], (paper["name"], who)
        print(f"{paper['name']}: both read {len(some)} of {len(some)} on {made['pages']} pages")


def boxes(pdf):
    """The words of each page with the box of each, mm, as poppler sees them: left, top, right, bottom. ISO 32000: a point is
    1/72 in."""
    said = subprocess.run(["pdftotext", "-bbox", pdf, "-"], capture_output=True, check=True).stdout
    mm = 25.4 / 72
    for page in ElementTree.fromstring(said).findall(".//{*}page"):
        words = [[float(word.get(n)) * mm for n in ("xMin", "yMin", "xMax", "yMax")] for word in page.findall("{*}word")]
        yield float(page.get("width")) * mm, float(page.get("height")) * mm, words


@pytest.mark.parametrize("path", sorted(PAPERS.glob("*.toml")), ids=lambda path: path.stem)
def test_text_lies_on_its_label(stocked, path):
    """Against the paper's own measurements: labels in the page and apart, each word on one label, no word over another; with
    names in several languages, and absurd ones."""
    paper = tomllib.loads(path.read_text())
    grid = paper["grid"]
    places = [
        (left, top, left + grid["label_width_mm"], top + grid["label_height_mm"])
        for row in range(grid["rows"])
        for column in range(grid["columns"])
        for left, top in [(grid["margin_left_mm"] + column * grid["pitch_x_mm"], grid["margin_top_mm"] + row * grid["pitch_y_mm"])]
    ]
    for left, top, right, bottom in places:
        assert left >= 0 and top >= 0 and right <= paper["width_mm"] + 0.001 and bottom <= paper["height_mm"] + 0.001
    assert not any(apart(a, b) < -0.001 for a, b in itertools.combinations(places, 2))
    pdf = stocked.folder / "text.pdf"
    made = stocked("label", "pieces", "--paper", paper["name"], "--out", pdf)
    assert made["labels"] == PIECES
    seen = 0
    for width, height, words in boxes(pdf):
        assert (width, height) == pytest.approx((paper["width_mm"], paper["height_mm"]), abs=0.1)
        on = {}
        for word in words:
            (place,) = [n for n, (l, t, r, b) in enumerate(places) if l <= word[0] and t <= word[1] and word[2] <= r and word[3] <= b]
            on.setdefault(place, []).append(word)
        for several in on.values():
            # A box is as high as the typeface, its letters are not: a sixth of it is air at either end.
            tight = [(l, t + (b - t) / 6, r, b - (b - t) / 6) for l, t, r, b in several]
            over = [(a, b) for a, b in itertools.combinations(tight, 2) if apart(a, b) < -0.05]
            assert not over, over
        seen += len(on)
    assert seen == PIECES


def apart(a, b):
    """How far two boxes are apart, less than 0 where one lies over the other."""
    return max(a[0] - b[2], b[0] - a[2], a[1] - b[3], b[1] - a[3])


@pytest.mark.parametrize("paper", ["a4-2", "label-100x150", "label-62x29"])
def test_racks_and_flags_are_read_by_both(stocked, paper):
    of = next(p for p in stocked("label", "--paper", "list")["papers"] if p["name"] == paper)
    racks = sorted(f"HTTP://10.0.0.20:8470/{r['uuid'].upper()}" for r in stocked("rack", "list")["racks"])
    code = stocked("stock", "list")["pieces"][0]["piece"]
    for args, texts in [(["racks"], racks), (["pieces", code, "--flag"], [f"HTTP://10.0.0.20:8470/{code}"] * 2)]:
        pdf = stocked.folder / "some.pdf"
        for old in stocked.folder.glob("some-*.pgm"):
            old.unlink()
        stocked("label", *args, "--paper", paper, "--out", pdf)
        pages = printed(pdf, of["dpi"])
        assert sorted(text for page in pages for text in by_zxing(page)) == texts
        assert sorted(text for page in pages for text in by_program(stocked, page)) == texts


def turned(image, dice):
    return image.rotate(dice.uniform(0, 360), expand=True, fillcolor=255, resample=Image.BICUBIC)


def pale(image, dice):
    """70 % of the contrast, anywhere between black and white."""
    low = dice.uniform(0, 0.3) * 255
    return image.point(lambda level: int(low + level * 0.7))


def soiled(image, dice):
    """5 % of the very code under three blots anywhere on it, the corner squares by which it is found included: level M mends
    15 % (ISO/IEC 18004)."""
    (code,) = zxingcpp.read_barcodes(numpy.asarray(image), formats=zxingcpp.BarcodeFormat.QRCodeModel2)
    (left, top), right = (code.position.top_left.x, code.position.top_left.y), code.position.bottom_right.x
    image = image.copy()
    blot = int((right - left) * math.sqrt(0.05 / 3))
    for _ in range(3):
        x, y = (low + dice.randrange(right - left - blot) for low in (left, top))
        image.paste(dice.choice([0, 255, 128]), (x, y, x + blot, y + blot))
    return image


def photo(image, dice):
    """As a phone sees it: from 30° aside, a little unsharp, with noise."""
    w, h = image.size
    far = 1 / (1 + 0.5 * math.sin(math.radians(30)))
    inset = h * (1 - far) / 2
    wide = w * math.cos(math.radians(30))
    corners = [(0, 0), (wide, inset), (wide, h - inset), (0, h)]
    grid = Image.new("L", (int(w * 1.2), int(h * 1.3)), 200)
    rows, right = [], []
    for (x, y), (u, v) in zip(corners, [(0, 0), (w, 0), (w, h), (0, h)]):
        x, y = x + w * 0.1, y + h * 0.15
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        right += [u, v]
    lens = numpy.linalg.solve(numpy.array(rows), numpy.array(right))
    seen = image.transform(grid.size, Image.PERSPECTIVE, lens, resample=Image.BICUBIC, fillcolor=200)
    seen = seen.filter(ImageFilter.GaussianBlur(1))
    noise = numpy.random.default_rng(dice.randrange(1 << 30)).normal(0, 12, (seen.size[1], seen.size[0]))
    return Image.fromarray(numpy.clip(numpy.asarray(seen, dtype=float) + noise, 0, 255).astype(numpy.uint8))


def soiled_photo(image, dice):
    return photo(soiled(image, dice), dice)


def labels(program, paper, codes):
    """A picture of each label by itself, cut out of its page around its code where the page has several."""
    pdf = program.folder / "labels.pdf"
    made = program("label", "pieces", *codes, "--paper", paper["name"], "--out", pdf)
    for number, page in enumerate(sheets(program, pdf, paper["dpi"], made["pages"])):
        if paper["per_page"] == 1:
            yield codes[number], page
            continue
        for code in zxingcpp.read_barcodes(numpy.asarray(page), formats=zxingcpp.BarcodeFormat.QRCodeModel2):
            left, top = code.position.top_left.x, code.position.top_left.y
            right, bottom = code.position.bottom_right.x, code.position.bottom_right.y
            more = (right - left) // 2
            yield code.text.rsplit("/")[-1], page.crop((left - more, top - more, right + more, bottom + more))


@pytest.mark.parametrize(
    "how, least", [(turned, 0.99), (pale, 0.99), (soiled, 0.95), (photo, 0.98), (soiled_photo, 0.9)], ids=lambda how: getattr(how, "__name__", "")
)
def test_labels_as_a_phone_sees_them(stocked, decoders, how, least, record_property):
    """Every piece's label once, on the papers in turn."""
    codes = sorted(p["piece"] for p in stocked("stock", "list")["pieces"])
    papers = stocked("label", "--paper", "list")["papers"]
    if not WHOLE:
        papers = [paper for paper in papers if paper["name"] in ("label-100x50", "label-62x29")]
    dice = random.Random(11)
    read = {"zxing": 0, "program": 0}
    for number, paper in enumerate(papers):
        for code, image in labels(stocked, paper, codes[number :: len(papers)]):
            for who, said in zip(read, decoders.both(how(image, dice))):
                read[who] += said == [address(code)]
    for who, count in read.items():
        record_property(f"{how.__name__} {who}", f"{count} of {len(codes)}")
        print(f"{how.__name__}: {who} reads {count} of {len(codes)}")
    assert read["program"] >= least * len(codes), read
    assert read["program"] >= read["zxing"], read


def test_a_whole_sheet_in_one_photo(stocked, decoders):
    """Twenty-four labels at once, as a phone sees the sheet."""
    codes = sorted(p["piece"] for p in stocked("stock", "list")["pieces"])[:24]
    pdf = stocked.folder / "sheet.pdf"
    stocked("label", "pieces", *codes, "--paper", "a4-24", "--out", pdf)
    (page,) = printed(pdf, 300)
    _, read = decoders.both(photo(page, random.Random(3)))
    assert read == [address(code) for code in codes]
