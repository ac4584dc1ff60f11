"""Opening the bytes of a workbook: what they are, whether they fit, and one sentence where not.

An .xlsx is a zip archive of XML parts (ECMA-376, part 2). Its directory states what every part
unpacks to; Python's zipfile never yields more of a part than stated there, so that the statement
can be held against the limit before anything is unpacked, true or not.
"""

from __future__ import annotations

import io
import re
import warnings
import zipfile
import zlib
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from trialkit.errors import TrialError
from trialkit.intake.limits import check_limit
from trialkit.words import workbook_files as words

DAMAGE = (zipfile.BadZipFile, zlib.error, ElementTree.ParseError, EOFError, KeyError, ValueError,
          IndexError, TypeError, AttributeError, OverflowError, RuntimeError, NotImplementedError,
          OSError)  # fmt: skip
"""What zipfile, the XML parser and openpyxl raise on parts that are damaged. RecursionError is a
RuntimeError too, and says nothing of a file: let it through before."""
_STRICT = "{http://purl.oclc.org/ooxml/"
_OLE = bytes.fromhex("d0cf11e0a1b11ae1")


_OTHERS = {".xls": words.older, ".ods": words.open_document, ".xlsb": words.binary,
           ".numbers": words.numbers}  # fmt: skip
SPREADSHEETS = (".xlsx", ".xlsm", *_OTHERS)
"""Endings of names."""


def open_book(content: bytes, name: str) -> Any:
    """The workbook as openpyxl opens it for reading row by row.

    Raises
    ------
    TrialError
        Where the bytes are something else, are damaged, have a password or unpack to more than the
        limit.
    """
    import openpyxl

    if wrong := _something_else(content):
        raise TrialError(f"{name} {wrong}")
    _check_archive(content, name)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # on parts that are of no use here
            book = openpyxl.load_workbook(
                io.BytesIO(content), read_only=True, data_only=True, keep_links=False
            )
        titles, strict = _titles(content)
    except (MemoryError, RecursionError):  # of this machine and this call, not of the file
        raise
    except Exception as error:  # openpyxl lets through whatever the damage provokes
        raise TrialError(f"{name} {words.part_damaged(plainly(error))}") from None
    if strict:
        raise TrialError(f"{name} {words.strict()}")
    if missing := [title for title in titles if title not in book.sheetnames]:
        raise TrialError(f"{name} {words.sheet_missing(missing[0])}")
    return book


def refuse_other_kind(path: Path) -> None:
    """Say how to save a spreadsheet of another kind, going by the ending of its name.

    Raises
    ------
    TrialError
        For such an ending; others are none of a spreadsheet.
    """
    if kind := _OTHERS.get(path.suffix.casefold()):
        raise TrialError(f"{path} {kind().replace(' by its content', '')}")


def damaged_sheet(where: str, row: int, error: BaseException | str) -> TrialError:
    """A sheet that cannot be read to its end; `row` is the last that could be."""
    why = error if isinstance(error, str) else plainly(error)
    return TrialError(f"{where} {words.sheet_cut_short(row, why)}")


def plainly(error: BaseException) -> str:
    """An error, or what it comes from, in a few words on one line."""
    error = error.__cause__ or error
    text = " ".join(str(error).split("\n")[0].split())
    # A set is printed in another order by every process: "Value must be one of {...}".
    text = re.sub(r"\{.*", "…", text)[:120]
    return text if text and not isinstance(error, KeyError) else f"{type(error).__name__} {text}"


def _something_else(content: bytes) -> str:
    """What bytes are that are no .xlsx; empty where they may be one."""
    if content.startswith(b"PK"):
        return ""
    if not content:
        return words.empty()
    if content.startswith(_OLE):
        encrypted = "EncryptedPackage".encode("utf-16-le") in content
        return words.password() if encrypted else words.older()
    if content.startswith(b"%PDF"):
        return words.portable_document()
    start = content[:2000].lstrip(b"\xef\xbb\xbf \r\n\t").lower()
    if start.startswith((b"<html", b"<!doctype html", b"<table", b"<?xml")):
        return words.marked_up()
    text = b"\0" not in content[:4000] and b"\n" in content[:4000]
    return words.plain_text() if text else words.unknown()


def _check_archive(content: bytes, name: str) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            parts = archive.infolist()
            kind = archive.read("mimetype")[:100] if _small(parts, "mimetype") else b""
    except RecursionError:
        raise
    except DAMAGE as error:
        raise TrialError(f"{name} {words.cut_short(plainly(error))}") from None
    if wrong := _wrong_parts(parts, kind):
        raise TrialError(f"{name} {wrong}")
    unpacked = sum(part.file_size for part in parts if part.filename.endswith((".xml", ".rels")))
    check_limit("unpacked_bytes", unpacked, f"{name}, unpacked")


def _wrong_parts(parts: list[zipfile.ZipInfo], kind: bytes) -> str:
    """What an archive is that is no .xlsx, or is packed as none is."""
    names = {part.filename for part in parts}
    if b"opendocument" in kind:
        return words.open_document()
    if any(n.startswith(("Index/", "Index.zip")) for n in names):
        return words.numbers()
    if "xl/workbook.bin" in names:
        return words.binary()
    if names & {"word/document.xml", "ppt/presentation.xml"}:
        return words.no_spreadsheet()
    if any(part.flag_bits & 1 for part in parts):
        return words.part_with_password()
    # Only these two are allowed in an .xlsx, and only these are unpacked piece by piece.
    if any(part.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED) for part in parts):
        return words.packed_otherwise()
    return ""


def _small(parts: list[zipfile.ZipInfo], name: str) -> bool:
    return any(part.filename == name and part.file_size < 1000 for part in parts)


def _titles(content: bytes) -> tuple[list[str], bool]:
    """Names of the sheets that the workbook lists; whether it is of the strict kind."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        if "xl/workbook.xml" not in archive.namelist():
            return [], False
        root = ElementTree.fromstring(archive.read("xl/workbook.xml"))
    titles = [el.get("name", "") for el in root.iter() if el.tag.rpartition("}")[2] == "sheet"]
    return titles, root.tag.startswith(_STRICT)
