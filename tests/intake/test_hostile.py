"""Sources that mean harm or are damaged: one clear message, soon, and little memory. PDFs are made by fpdf2."""

from __future__ import annotations

import subprocess
import sys
import time
import zlib
from pathlib import Path

import pytest

from regmap.errors import FileError
from regmap.intake import read_sources

pytest.importorskip("pdfplumber")
SHEETS = Path(__file__).parent / "sheets"


def _refused(path: Path, said: str, pages: str = "") -> None:
    with pytest.raises(FileError, match=said):
        read_sources([str(path)], pages)


def test_a_pdf_cut_anywhere(tmp_path: Path) -> None:
    whole = (SHEETS / "ruled.pdf").read_bytes()
    for part in (6, 1000, len(whole) // 2, len(whole) - 2000):
        path = tmp_path / f"{part}.pdf"
        path.write_bytes(whole[:part])
        try:
            read_sources([str(path)])
        except FileError as error:
            assert "Traceback" not in str(error)  # noqa: PT017 - either it reads, or it says why


def test_what_is_no_pdf(tmp_path: Path) -> None:
    path = tmp_path / "x.pdf"
    path.write_bytes(b"%PDF-1.7\n" + bytes(range(256)) * 40)
    _refused(path, "PDF|pages")
    path.write_bytes(b"")
    _refused(path, "PDF")


def test_a_locked_pdf(tmp_path: Path) -> None:
    fpdf = pytest.importorskip("fpdf")
    document = fpdf.FPDF()
    document.set_encryption(owner_password="one", user_password="two")
    document.add_page()
    document.set_font("helvetica", size=12)
    document.cell(text="Bit Name Access")
    document.output(str(tmp_path / "locked.pdf"))
    _refused(tmp_path / "locked.pdf", "an encrypted PDF")


def test_five_hundred_pages_ask_for_pages(tmp_path: Path) -> None:
    fpdf = pytest.importorskip("fpdf")
    document = fpdf.FPDF()
    document.set_font("helvetica", size=12)
    for _ in range(500):
        document.add_page()
        document.cell(text="nothing of registers here")
    path = tmp_path / "long.pdf"
    document.output(str(path))
    begun = time.monotonic()
    _refused(path, "500 pages; expected at most 120: name those of the registers")
    _refused(path, "no table of registers", "3-4")
    _refused(path, "--pages 3-900", "3-900")
    assert time.monotonic() - begun < 30


def test_a_million_objects_and_little_memory(tmp_path: Path) -> None:
    """In a process of its own with at most 700 MB with the interpreter and libraries."""
    path = tmp_path / "many.pdf"
    with path.open("wb") as file:
        file.write(b"%PDF-1.4\n")
        for start in range(1, 1_000_001, 10_000):
            file.write(b"".join(b"%d 0 obj<<>>endobj\n" % n for n in range(start, start + 10_000)))
    code = (
        "import sys; from regmap.intake import read_sources; from regmap.errors import FileError\n"
        "try: read_sources([sys.argv[1]])\n"
        "except FileError as error: print(error)\n"
        # ru_maxrss would count what the parent had before this process was started
        "print(int(open('/proc/self/status').read().split('VmHWM:')[1].split()[0]) // 1024)"
    )
    begun = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    said, megabytes = done.stdout.splitlines()
    assert "more than 300000 objects" in said
    assert int(megabytes) < 700
    assert time.monotonic() - begun < 30


def test_a_small_pdf_that_unpacks_to_a_huge_one(tmp_path: Path) -> None:
    packer = zlib.compressobj(9)
    packed = b"".join(packer.compress(bytes(1_000_000)) for _ in range(160)) + packer.flush()
    assert len(packed) < 1_000_000
    path = tmp_path / "bomb.pdf"
    path.write_bytes(
        b"%%PDF-1.4\n1 0 obj<</Filter/FlateDecode/Length %d>>stream\n" % len(packed)
        + packed
        + b"\nendstream endobj\n"
    )
    _refused(path, "more than 150 MB once it is unpacked")


def test_a_table_of_too_many_columns(tmp_path: Path) -> None:
    path = tmp_path / "wide.csv"
    path.write_text(",".join(["Bit"] * 10_000) + "\n")
    _refused(path, "10000 columns")


def test_html_with_merges_beyond_measure(tmp_path: Path) -> None:
    path = tmp_path / "m.html"
    path.write_text(
        "<table>" + "<tr><td colspan=999999999 rowspan=999999999>a</td></tr>" * 50 + "</table>"
    )
    _refused(path, "no table of registers")
