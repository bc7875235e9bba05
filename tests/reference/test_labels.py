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


def test_ticket_of_a_plan(demo):
    """The ticket's code is the plan's, its words are those of the plan, and each picture keeps its scale."""
    order = next(o["order"] for o in demo("order", "list")["orders"] if o["name"] == "Lens table")
    plan = demo("plan", order, "--rounds", "0")
    pdf = demo.folder / "ticket.pdf"
    demo("ticket", plan["plan"], "--out", pdf)
    assert size_mm(pdf) == pytest.approx((210, 297), abs=0.1)  # A4: ISO 216
    sheets = pages(pdf, 150)
    assert scanned(sheets[0]) == [plan["plan"]]
    said = words(pdf)
    for piece in plan["pieces"]:
        assert piece["piece"] in said and (piece["rack"] or "—") in said
    for text in ("Lens table", "Scale 1 :", "this side to the stop", "Local rules", "Never leave a laser unattended"):
        assert text in said, text
    # The stop's bar under each piece is as long as the datum side at the scale that is printed: a thick line, 1 mm.
    scales = [int(line.split(":")[1].split()[0]) for line in said.splitlines() if "Scale 1 :" in line]
    assert len(scales) == len(plan["pieces"])
    longest = []
    for sheet in sheets:
        dark = sheet < 128
        runs = [run_length(row) for row in dark]
        longest.append(max(runs) / 150 * 25.4)
    sides = [numpy.hypot(*(numpy.subtract(*p["datum"]))) / s for p, s in zip(plan["pieces"], scales)]
    for side in sides:
        # The bar begins 2 mm before the corner.
        assert any(abs(run - side - 2) < 0.6 for run in longest + all_runs(sheets)), (side, longest)


def run_length(row):
    """The longest run of dark dots in a row."""
    edges = numpy.flatnonzero(numpy.diff(numpy.concatenate(([0], row.astype(numpy.int8), [0]))))
    return int((edges[1::2] - edges[::2]).max()) if len(edges) else 0


def all_runs(sheets):
    """Lengths in mm of all thick level lines: those that are dark over at least four rows at 150 dpi."""
    found = []
    for sheet in sheets:
        dark = sheet < 128
        thick = dark[:-3] & dark[1:-2] & dark[2:-1] & dark[3:]
        found += [run_length(row) / 150 * 25.4 for row in thick if row.any()]
    return found
