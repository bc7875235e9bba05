"""Labels, read as a printer and a scanner read them.

Source of what is right: poppler renders the PDF at the printer's own resolution and says its text and page size;
zxing-cpp 3.1 reads the QR codes (ISO/IEC 18004).
"""

import subprocess

import numpy
import pytest
import zxingcpp


def greys(path):
    """A PGM picture as an array."""
    kind, size, most, data = path.read_bytes().split(b"\n", 3)
    assert (kind, most) == (b"P5", b"255")
    width, height = map(int, size.split())
    return numpy.frombuffer(data, dtype=numpy.uint8).reshape(height, width)


def pages(pdf, dpi):
    """Each page of a PDF as a printer of this resolution puts it on paper."""
    subprocess.run(["pdftoppm", "-gray", "-r", str(dpi), pdf, pdf.with_suffix("")], check=True)
    return [greys(p) for p in sorted(pdf.parent.glob(f"{pdf.stem}-*.pgm"))]


def scanned(page):
    """The texts of all QR codes on a page."""
    return sorted(code.text for code in zxingcpp.read_barcodes(page, formats=zxingcpp.BarcodeFormat.QRCode))


def words(pdf):
    return subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, text=True, check=True).stdout


def size_mm(pdf):
    """Page size as poppler says it, in mm; a point is 1/72 in (ISO 32000)."""
    info = subprocess.run(["pdfinfo", pdf], capture_output=True, text=True, check=True).stdout
    line = next(row for row in info.splitlines() if row.startswith("Page size:"))
    _, _, width, _, height, *_ = line.split()
    return float(width) * 25.4 / 72, float(height) * 25.4 / 72


@pytest.fixture
def demo(program):
    program("init")
    program("demo")
    return program


@pytest.mark.parametrize("paper", ["a4-24", "label-100x50"])
def test_labels_of_pieces(demo, paper):
    of = next(p for p in demo("label", "--paper", "list")["papers"] if p["name"] == paper)
    codes = sorted(p["piece"] for p in demo("stock", "list")["pieces"])[:27]
    pdf = demo.folder / "labels.pdf"
    made = demo("label", "pieces", *codes, "--paper", paper, "--out", pdf)
    assert made["labels"] == len(codes)
    assert made["pages"] == -(-len(codes) // of["per_page"])
    assert size_mm(pdf) == pytest.approx((of["width_mm"], of["height_mm"]), abs=0.1)
    printed = pages(pdf, of["dpi"])
    assert len(printed) == made["pages"]
    assert sorted(text for page in printed for text in scanned(page)) == codes
    text = words(pdf)
    assert all(code in text for code in codes), "and for a person to read"


def test_skipped_places_stay_empty(demo):
    codes = sorted(p["piece"] for p in demo("stock", "list")["pieces"])[:5]
    pdf = demo.folder / "skip.pdf"
    made = demo("label", "pieces", *codes, "--paper", "a4-24", "--skip", "21", "--out", pdf)
    assert made["pages"] == 2
    first, second = (scanned(page) for page in pages(pdf, 300))
    assert (len(first), len(second)) == (3, 2)
    # Seven rows of three are used already: nothing is printed over them.
    top = pages(pdf, 300)[0]
    assert top[: int(top.shape[0] * 0.8)].min() == 255


def test_labels_of_racks(demo):
    pdf = demo.folder / "racks.pdf"
    demo("label", "racks", "--paper", "a4-24", "--out", pdf)
    uuids = sorted(r["uuid"].upper() for r in demo("rack", "list")["racks"])
    assert scanned(pages(pdf, 300)[0]) == uuids


def test_a_label_as_a_picture(demo):
    code = demo("stock", "list")["pieces"][0]["piece"]
    png = demo.folder / "label.png"
    demo("label", "pieces", code, "--paper", "label-100x50", "--out", png)
    # Dots of the printer, not more and not fewer: 100 × 50 mm at 203 dpi.
    width, height = (int.from_bytes(png.read_bytes()[at : at + 4]) for at in (16, 20))
    assert (width, height) == (round(100 / 25.4 * 203), round(50 / 25.4 * 203))
