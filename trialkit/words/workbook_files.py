"""What is said of a file that is no workbook, or a damaged one. Each follows the file's name."""

from __future__ import annotations

SAVE = "open it in a spreadsheet program and save it as an Excel workbook (.xlsx)"


def password() -> str:
    return "has a password; take it off in the spreadsheet program and save it again"


def older() -> str:
    return f"is an older workbook (.xls) by its content; {SAVE}"


def empty() -> str:
    return "is empty: it holds no bytes at all; take another copy of it"


def portable_document() -> str:
    return "is a PDF and no workbook; give the workbook it was printed from"


def marked_up() -> str:
    return f"is a page of text (HTML or XML) and no .xlsx; {SAVE}"


def plain_text() -> str:
    return "is text and no workbook; put tables of text as .csv into the folder of a trial"


def unknown() -> str:
    return f"is no .xlsx workbook, or its beginning is damaged; {SAVE}"


def open_document() -> str:
    return f"is an OpenDocument file (.ods) by its content; {SAVE}"


def numbers() -> str:
    return "is a Numbers document by its content; export it as an Excel workbook (.xlsx)"


def binary() -> str:
    return f"is a binary workbook (.xlsb) by its content; {SAVE}"


def strict() -> str:
    return "is saved as Strict Open XML; save it as an ordinary Excel workbook (.xlsx)"


def no_spreadsheet() -> str:
    return "is a text document or slides by its content and no workbook"


def part_with_password() -> str:
    return "is an archive with a password; take it off and save it again"


def packed_otherwise() -> str:
    return f"is packed in a way that no workbook is; {SAVE}"


def cut_short(why: str) -> str:
    return f"is cut short or damaged ({why}); take another copy of it"


def part_damaged(why: str) -> str:
    return f"cannot be opened: a part of the workbook is damaged or missing ({why}); {SAVE}"


def sheet_missing(title: str) -> str:
    return f"is damaged: it lists the sheet {title!r} but does not hold it; {SAVE}"


def sheet_cut_short(row: int, why: str) -> str:
    """`row` is the last that could be read."""
    return (
        f"is cut short or damaged after row {row} ({why}), so none of it is read: take an "
        f"undamaged copy, or {SAVE} and look whether all rows are there"
    )
