"""Words beside the numbers: phases, stages, and what testers note at the end of a stage."""

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.analysis.series import PHASES, Floats, StageNote
from service.errors import Place, RefusedFile
from service.findings import Finding, finding
from service.intake.layout import Column
from service.intake.numerals import MISSING, as_text, to_number
from service.intake.options import DecimalMark
from service.intake.terms import RpeScale
from service.intake.values import Values

_PRESSURE = re.compile(r"(\d{2,3})\s*[/|-]\s*(\d{2,3})")
_STAGE = re.compile(r"[^\W\d_]*[\s.:#-]*(\d{1,3})(?:\.0+)?")


def _text(cell: Any) -> str:
    text = as_text(cell)
    return "" if text.casefold() in MISSING else text


def phases(
    column: Column, cells: Sequence[Any], rows: Sequence[int], read_phase: Callable[[str], int | None]
) -> tuple[NDArray[np.int8], NDArray[np.int64], list[Finding]]:
    """Phase of each row, and the stage where the column says both (``Stage 3``).

    Where each word stands once, at the first row of its phase, it holds until the next one; that is said.
    """
    texts = [_text(cell) for cell in cells]
    phase = np.full(len(texts), -1, dtype=np.int8)
    stage = np.full(len(texts), -1, dtype=np.int64)
    unknown: dict[str, int] = {}
    for at, text in enumerate(texts):
        if not text:
            continue
        found = read_phase(text)
        if found is not None:
            phase[at] = found
            continue
        number = _STAGE.fullmatch(text)
        if number is not None and not text.isdigit():
            phase[at], stage[at] = 2, int(number.group(1))
        else:
            unknown.setdefault(text, at)
    findings = [
        finding(
            "phase_word_unknown",
            f"'{text[:40]}' in column '{column.header}' (row {rows[at]}) names no phase; those rows have none.",
            row=rows[at],
            column=column.header,
        )
        for text, at in list(unknown.items())[:5]
    ]
    given = [text for text in texts if text]
    if (
        texts
        and texts[0]
        and len(set(given)) == len(given)
        and len(given) < len(texts)
        and not unknown
        and len(given) > 1
    ):
        held = -1
        for at in range(len(texts)):
            held = int(phase[at]) if texts[at] else held
            phase[at] = held
        findings.append(
            finding(
                "phase_carried_down",
                f"Each word in column '{column.header}' stands once and was taken to hold until the next.",
                column=column.header,
            )
        )
    return phase, stage, findings


def stages(
    column: Column,
    cells: Sequence[Any],
    rows: Sequence[int],
    mark: DecimalMark,
    read_phase: Callable[[str], int | None],
) -> tuple[NDArray[np.int64], NDArray[np.int8], list[Finding]]:
    """Stage number of each row, and the phase where the column has a word for one instead."""
    stage = np.full(len(cells), -1, dtype=np.int64)
    words = np.full(len(cells), -1, dtype=np.int8)
    unread: list[int] = []
    for at, cell in enumerate(cells):
        text = _text(cell)
        if not text:
            continue
        number = to_number(cell, mark)
        if not isinstance(number, str) and number >= 0 and number == int(number):
            stage[at] = int(number)
            continue
        found = read_phase(text)
        counted = _STAGE.fullmatch(text)
        if counted is not None:
            stage[at] = int(counted.group(1))
        elif found is not None:
            words[at] = found
        else:
            unread.append(at)
    findings = []
    if unread:
        at = unread[0]
        findings.append(
            finding(
                "phase_word_unknown",
                f"'{as_text(cells[at])[:40]}' in column '{column.header}' (row {rows[at]}) is no stage number; "
                f"{len(unread)} rows have no stage.",
                row=rows[at],
                column=column.header,
            )
        )
    return stage, words, findings


def stage_notes(
    texts: Mapping[str, tuple[Column, list[Any]]],
    noted: Mapping[str, Values],
    end_s: Floats,
    phase: NDArray[np.int8],
    stage: NDArray[np.int64],
    rows: Sequence[int],
) -> tuple[tuple[StageNote, ...], list[Finding]]:
    """Notes of the rows that have any; a note repeated row after row stands once, at the last of them."""
    columns = {key: values.values for key, values in noted.items()}
    pressures = _pressures(texts, rows)
    scale = _rpe_scale(noted)
    findings: list[Finding] = []
    answer: list[StageNote] = []
    previous: dict[str, Any] | None = None
    previous_at = -2
    filled = np.zeros(end_s.size, dtype=np.bool_)
    for values in columns.values():
        filled |= np.isfinite(values)
    for _, cells in texts.values():
        filled |= np.array([bool(_text(cell)) for cell in cells], dtype=np.bool_)
    for at in np.flatnonzero(filled).tolist():
        fields: dict[str, Any] = {
            key: float(values[at]) for key, values in columns.items() if np.isfinite(values[at])
        }
        if fields.keys() & {"rpe", "rpe_legs", "rpe_breathing"}:
            fields["rpe_scale"] = scale
        fields |= pressures.get(at, {})
        for name, field in (("comment", "note"), ("symptoms", "symptoms")):
            if name in texts and (words := _text(texts[name][1][at])):
                fields[field] = words
        if fields.get("note") and (previous is None or previous.get("note") != fields["note"]):
            findings.append(
                finding(
                    "comment_kept",
                    f"Row {rows[at]}: '{fields['note'][:200]}'.",
                    first_seq=int(at),
                    last_seq=int(at),
                    row=rows[at],
                    column=texts["comment"][0].header,
                )
            )
        place: dict[str, Any] = {
            "stage": int(stage[at]) if stage[at] >= 0 else None,
            "phase": PHASES[phase[at]] if phase[at] >= 0 else None,
        }
        if previous_at == at - 1 and previous == place | fields:
            answer.pop()
        previous, previous_at = place | fields, int(at)
        answer.append(StageNote(time_s=float(end_s[at]), **place, **fields))
    return tuple(answer), findings


def _rpe_scale(noted: Mapping[str, Values]) -> RpeScale | None:
    """The scale, where the header says it or only one of the two has such values."""
    held = [noted[key] for key in ("rpe", "rpe_legs", "rpe_breathing") if key in noted]
    for values in held:
        if values.column.rpe_scale is not None:
            return values.column.rpe_scale
    numbers = np.concatenate([values.values for values in held]) if held else np.array([])
    numbers = numbers[np.isfinite(numbers)]
    if numbers.size and numbers.max() > 10:
        return "6-20" if numbers.min() >= 6 else None
    if numbers.size and numbers.min() < 6:
        return "0-10"
    return None


def _pressures(
    texts: Mapping[str, tuple[Column, list[Any]]], rows: Sequence[int]
) -> dict[int, dict[str, float]]:
    if "blood_pressure" not in texts:
        return {}
    column, cells = texts["blood_pressure"]
    answer: dict[int, dict[str, float]] = {}
    faults: list[Place] = []
    for at, cell in enumerate(cells):
        text = _text(cell)
        if not text:
            continue
        found = _PRESSURE.fullmatch(text)
        if found is None:
            faults.append(
                Place(
                    "file",
                    "Blood pressure is written systolic/diastolic, 120/80.",
                    text[:60],
                    rows[at],
                    column.header,
                )
            )
            continue
        answer[at] = {"systolic_mmhg": float(found.group(1)), "diastolic_mmhg": float(found.group(2))}
    if faults:
        raise RefusedFile("Blood pressures cannot be read.", tuple(faults[:50]))
    return answer
