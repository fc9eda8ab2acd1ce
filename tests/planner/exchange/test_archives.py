"""CSV files in one ZIP: they come back as they went, and no ZIP made to harm gets far."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping

import pytest

from planner.exchange import LoadRefused, archive_bytes, exported_tables, load_tables, reading, sentence_of
from planner.exchange.exporting import csv_files
from tests.planner.exchange.workshop import as_csv, csv_bytes, tables
from tests.whole_database import every_row

pytestmark = pytest.mark.django_db

ITEMS = csv_bytes([{"item": "A", "name": "a", "kind": "raw"}])


def zipped(files: Mapping[str, bytes], compression: int = zipfile.ZIP_DEFLATED) -> bytes:
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", compression) as archive:
        for name, file in files.items():
            archive.writestr(name, file)
    return content.getvalue()


def refusal(content: bytes) -> list[str]:
    """The sentences of a load of this ZIP, which must be refused and change nothing."""
    before = every_row()
    with pytest.raises(LoadRefused) as refused:
        load_tables({"tables.zip": content})
    assert every_row() == before
    return [sentence_of(fault) for fault in refused.value.faults]


def test_an_exported_zip_holds_the_csv_files_and_loads_again_as_nothing_new() -> None:
    load_tables(as_csv(tables()))
    content = archive_bytes(exported_tables())
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        assert {name: archive.read(name) for name in archive.namelist()} == csv_files(exported_tables())
    assert archive_bytes(exported_tables()) == content
    before = every_row()
    report = load_tables({"tables.zip": content})
    assert (report.added, report.updated) == ({}, {})
    assert report.unchanged["items"] == len(tables()["items"])
    assert every_row() == before


def test_a_folder_packed_as_a_whole_loads_too() -> None:
    files = {f"my tables/{name}": content for name, content in as_csv(tables()).items()}
    report = load_tables({"tables.zip": zipped({"my tables/.hidden": b"x", "__extra/items.csv": b"x"} | files)})
    assert report.added["items"] == len(tables()["items"])


@pytest.mark.parametrize(
    ("files", "told"),
    [
        ({"items.csv": ITEMS, "notes.txt": b"x"}, "notes.txt: accepted: only settings.csv, items.csv"),
        ({"items.csv": ITEMS, "old/items.csv": ITEMS}, "old/items.csv: accepted: only settings.csv"),
        ({"../items.csv": ITEMS, "items.csv": ITEMS}, "../items.csv: accepted: only settings.csv"),
        ({"items.csv": ITEMS, "a\nb.csv": ITEMS}, "a b.csv: accepted: only settings.csv"),
        ({"items.csv": ITEMS, "Items.CSV": ITEMS}, "Items.CSV: accepted: one file items.csv"),
        ({"lots.csv": b"item,lot\n"}, "a table items: it is required"),
        ({}, "a table items: it is required"),
        ({"items.csv": b"item,name,kind\nA,a,raw\nB,\xff,raw\n"}, 'items.csv row 3: "byte 0xff"'),
    ],
)
def test_what_a_zip_may_not_hold_is_named(files: dict[str, bytes], told: str) -> None:
    sentences = refusal(zipped(files))
    assert any(told in sentence for sentence in sentences), sentences


@pytest.mark.parametrize(
    "content",
    [b"", b"PK\x03\x04 nonsense", b"item,name,kind\n", zipped({"items.csv": ITEMS})[:60]],
    ids=["nothing", "nonsense", "a table", "half a zip"],  # a zip tells the time: no name to be known by
)
def test_what_is_no_zip_is_told(content: bytes) -> None:
    (sentence,) = refusal(content)
    assert sentence == 'tables.zip: "not readable"; accepted: a ZIP of CSV files, without a password'


def test_a_zip_that_unpacks_to_gigabytes_is_refused_by_its_directory(monkeypatch: pytest.MonkeyPatch) -> None:
    bomb = zipped({"items.csv": ITEMS, "lots.csv": b" " * (300 * 1024**2)})
    assert len(bomb) < 1024**2
    opened: list[object] = []
    monkeypatch.setattr(zipfile.ZipFile, "open", lambda *a, **k: opened.append(a))
    assert "unpacks to at most 256 MiB" in refusal(bomb)[0]
    assert opened == []


def test_a_directory_that_lies_about_sizes_gains_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "MAX_UNPACKED_BYTES", 1024**2)
    bomb = zipped({"items.csv": ITEMS, "lots.csv": b" " * (4 * 1024**2)})
    true_size, small = (4 * 1024**2).to_bytes(4, "little"), (100).to_bytes(4, "little")
    assert bomb.replace(true_size, small) != bomb
    assert "not readable" in refusal(bomb.replace(true_size, small))[0]


@pytest.mark.parametrize("compression", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_a_bomb_of_another_compression_is_bounded_too(monkeypatch: pytest.MonkeyPatch, compression: int) -> None:
    monkeypatch.setattr(reading, "MAX_UNPACKED_BYTES", 1024**2)
    assert "too large when unpacked" in refusal(zipped({"items.csv": b" " * (4 * 1024**2)}, compression))[0]


def test_a_file_that_is_no_table_is_not_unpacked() -> None:
    assert len(refusal(zipped({"items.csv": ITEMS, "film.bin": b"x" * (200 * 1024**2)}))) == 1


def test_too_many_files_are_refused() -> None:
    assert "at most 2000 parts" in refusal(zipped({f"{number}.csv": b"" for number in range(2001)}))[0]


def test_a_locked_zip_is_refused() -> None:
    content = bytearray(zipped({"items.csv": ITEMS}))
    content[6] |= 1  # of the file's own header
    content[content.index(b"PK\x01\x02") + 8] |= 1  # of the directory
    assert "locked by a password" in refusal(bytes(content))[0]
