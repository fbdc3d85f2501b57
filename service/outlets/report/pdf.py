"""A report as PDF, set in process: tagged, archivable, with its own fonts and nothing of the machine's.

What the report says reaches the typesetter as data and never as markup. The same report gives the same bytes.
"""

import json
import re
import struct
import threading
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, date, datetime, time
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from service.outlets.report.document import Report

if TYPE_CHECKING:
    import typst

_HERE = Path(__file__).parent
_FONTS = _HERE / "fonts"
_REGULAR = _FONTS / "LiberationSans-Regular.ttf"
_BOLD = _FONTS / "LiberationSans-Bold.ttf"
#: Stands for a sign that the fonts have not.
UNKNOWN_SIGN = "\N{WHITE SQUARE}"
#: Said in a report that has one.
ABOUT_UNKNOWN_SIGNS = (
    f"{UNKNOWN_SIGN} stands for a sign that the type of this sheet does not have; the page form shows it."
)
#: Kept for readers in ten years, and readable by a screen reader.
_STANDARDS: tuple[Literal["a-2a"], Literal["ua-1"]] = ("a-2a", "ua-1")
#: A word this long may be broken, so that it cannot run off the paper: after a mark, or after five signs.
_LONG_WORD = re.compile(r"\S{25,}")
_BREAKS = re.compile(r"[_/.-]|.{5}")
_BREAK_HERE = r"\g<0>" + "\N{ZERO WIDTH SPACE}"
#: Read by the typesetter itself: a picture, and names of kinds.
_NOT_SET = frozenset({"svg", "kind", "style", "side", "paper", "printed"})
_PLAIN_LAST = 0xFFFF

_one_at_a_time = threading.Lock()


def pdf_of(report: Report) -> bytes:
    """The report as PDF/A-2a and PDF/UA-1.

    Parameters
    ----------
    report : Report

    Returns
    -------
    bytes
        The same for the same report.
    """
    told = _printable(asdict(report))
    if UNKNOWN_SIGN in str(told):
        told["cautions"].append(ABOUT_UNKNOWN_SIGNS)
    shown = json.dumps(told, ensure_ascii=False)
    at = int(datetime.combine(report.printed, time(), UTC).timestamp())
    with _one_at_a_time:  # the typesetter keeps what it has read, and serves one at a time
        made = _typesetter().compile(
            input=_layout(),
            format="pdf",
            sys_inputs={"report": shown},
            pdf_standards=list(_STANDARDS),
            timestamp=at,
        )
    assert isinstance(made, bytes)  # noqa: S101 PDF is one file
    return made


def warm_up() -> None:
    """Read the fonts and the layout, so that the first report is as quick as the next."""
    _typesetter()
    _layout()
    _lacking()


@cache
def _typesetter() -> "typst.Compiler":
    import typst

    fonts = typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(_FONTS)])
    return typst.Compiler(font_paths=fonts)


@cache
def _layout() -> bytes:
    return (_HERE / "report.typ").read_bytes()


def _printable(told: Any, name: str = "") -> Any:
    """What is told, in signs that the fonts have, and with long words breakable."""
    if isinstance(told, Mapping):
        return {key: _printable(value, key) for key, value in told.items()}
    if isinstance(told, str):
        return _signs(told) if name in _NOT_SET else _LONG_WORD.sub(_broken, _signs(told))
    if isinstance(told, date):
        return told.isoformat()
    return [_printable(one) for one in told] if isinstance(told, Sequence) else told


def _signs(text: str) -> str:
    # The ends of lines are kept; other control characters are no text.
    plain = text.replace("\r\n", "\n").replace("\r", "\n").replace("\t", " ")
    return _lacking().sub(UNKNOWN_SIGN, plain)


@cache
def _lacking() -> re.Pattern[str]:
    return re.compile(f"[^\n{re.escape(''.join(sorted(known_signs())))}]")


def _broken(word: re.Match[str]) -> str:
    return _BREAKS.sub(_BREAK_HERE, word.group())


@cache
def known_signs() -> frozenset[str]:
    """The signs that both weights of the type have."""
    return _signs_of(_REGULAR) & _signs_of(_BOLD)


def _signs_of(font: Path) -> frozenset[str]:
    """The signs that a TrueType font maps to a glyph (its table `cmap`, format 4: the plane that it covers)."""
    data = font.read_bytes()
    tables = struct.unpack_from(">H", data, 4)[0]
    starts = {
        tag: start
        for tag, _, start, _ in (
            struct.unpack_from(">4sIII", data, 12 + 16 * place) for place in range(tables)
        )
    }
    cmap = starts[b"cmap"]
    found: set[str] = set()
    for place in range(struct.unpack_from(">H", data, cmap + 2)[0]):
        offset = cmap + struct.unpack_from(">HHI", data, cmap + 4 + 8 * place)[2]
        if struct.unpack_from(">H", data, offset)[0] == 4:
            found |= _mapped(data, offset)
    return frozenset(found)


def _mapped(data: bytes, offset: int) -> set[str]:
    count = struct.unpack_from(">H", data, offset + 6)[0] // 2
    lasts, firsts, deltas, ranges = (
        struct.unpack_from(f">{count}H", data, offset + 14 + 2 * count * part + (2 if part else 0))
        for part in range(4)
    )
    at_ranges = offset + 16 + 6 * count
    found = set()
    for place, (first, last, delta, shift) in enumerate(zip(firsts, lasts, deltas, ranges, strict=True)):
        for code in range(first, min(last, _PLAIN_LAST - 1) + 1):
            glyph = code + delta
            if shift:
                where = at_ranges + 2 * place + shift + 2 * (code - first)
                glyph = struct.unpack_from(">H", data, where)[0]
                glyph = glyph + delta if glyph else 0
            if glyph & 0xFFFF:
                found.add(chr(code))
    return found
