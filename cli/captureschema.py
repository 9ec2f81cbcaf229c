"""The JSON Schema of what `gateword capture --json` writes, one object a line.

Held by a test against every bundled capture: each line is valid, and no key stands in a line that the schema does not name.
"""

from __future__ import annotations

from typing import Any

from regmap.trace.events import NOTES, WEIGHTS
from regmap.trace.telling.gate import STOPS

from .context import SCHEMA

Shape = dict[str, Any]

_INT: Shape = {"type": "integer"}
_TEXT: Shape = {"type": "string"}
_BOOL: Shape = {"type": "boolean"}
_SECONDS: Shape = {"type": "number", "description": "seconds"}
_FRAME: Shape = {"type": "integer", "minimum": 0, "description": "frames are counted from 0"}
_CHIP: Shape = {"type": "integer", "minimum": 0, "description": "position in a daisy chain"}


def _none(shape: Shape) -> Shape:
    return {"anyOf": [shape, {"type": "null"}]}


def _list(shape: Shape) -> Shape:
    return {"type": "array", "items": shape}


def _map(shape: Shape) -> Shape:
    return {"type": "object", "additionalProperties": shape}


def _object(**keys: Shape) -> Shape:
    """All keys, and no other."""
    return {
        "type": "object",
        "properties": keys,
        "required": list(keys),
        "additionalProperties": False,
    }


def _line(kind: str, about: str, **keys: Shape) -> Shape:
    shape = _object(schema={"const": SCHEMA}, kind={"const": kind}, **keys)
    return {"description": about, **shape}


def _note() -> Shape:
    return _object(
        kind={"enum": list(NOTES)}, weight={"enum": list(WEIGHTS)}, text=_TEXT, fault=_none(_TEXT), register=_none(_TEXT)
    )  # fmt: skip


def _pause() -> Shape:
    return _none(_object(start_s=_SECONDS, end_s=_SECONDS, length_s=_SECONDS, open=_BOOL))


def _times() -> Shape:
    pause = _pause()
    return _object(
        position=_CHIP, ready_s=_SECONDS,
        readbacks=_list(_object(register=_TEXT, reads=_INT, longest=pause, rest=pause)),
        polls=_list(_object(register=_TEXT, reads=_INT, between_reads=pause, told=_INT, gap=pause)),
        watchdog=_none(_object(
            field=_TEXT, services=_INT, wrong_keys=_INT, shortest=pause, longest=pause,
            window_s=_none(_list(_SECONDS)), closed_s=_none(_list(_SECONDS)),
        )),
        reactions=_list(_object(
            fault=_TEXT, after_s=_none(_SECONDS), pin_s=_none(_SECONDS), told_s=_SECONDS, told_frame=_FRAME,
            read_s=_none(_SECONDS), read_frame=_none(_FRAME), clearing_s=_none(_SECONDS),
            clearing_frame=_none(_FRAME), gone_s=_none(_SECONDS),
        )),
        early=_list(_object(
            before={"enum": ["enable", "wake-up", "unlock"]}, frames=_INT, writes=_INT, first_frame=_FRAME, time_s=_SECONDS
        )),
    )  # fmt: skip


def _interval() -> Shape:
    return _object(
        fault=_TEXT, normal_at_power_up=_BOOL, raised_frame=_FRAME, raised_s=_SECONDS, clear_before_frame=_none(_FRAME),
        clear_before_s=_none(_SECONDS), pin_s=_none(_SECONDS), cleared_by_frame=_none(_FRAME), how=_none(_TEXT),
        gone_frame=_none(_FRAME), gone_s=_none(_SECONDS),
    )  # fmt: skip


def _share() -> Shape:
    reason = _object(name=_TEXT, count=_INT, first_frame=_FRAME, text=_TEXT)
    return _object(believed=_INT, of=_INT, reasons=_list(reason))


def _stage() -> Shape:
    row = _object(
        register=_TEXT, wanted=_INT, mask=_INT, holds=_none(_INT), verdict=_TEXT, held=_none(_BOOL), written=_none(_FRAME), read_back=_none(_FRAME)
    )  # fmt: skip
    return _none(_object(
        name=_TEXT, time_s=_SECONDS, holds=_BOOL, order=_TEXT, lock=_TEXT, locked=_none(_BOOL), void=_none(_TEXT), rows=_list(row)
    ))  # fmt: skip


def _summary() -> Shape:
    number = {"type": "number"}
    recurrence = _object(
        position=_CHIP, count=_INT, first_s=_SECONDS, last_s=_SECONDS, total_s=_SECONDS, longest_s=_SECONDS, episodes=_list(_INT)
    )  # fmt: skip
    # the explanation of its first episode stands beside: the same keys as in `gateword explain --json`
    recurrence = {**recurrence, "additionalProperties": True}
    line = _line(
        "summary", "the last line: everything that the capture proves",
        identity={"type": "object"}, file=_TEXT, format=_TEXT, chips=_list(_TEXT), transfers=_INT, frames=_INT, counts=_map(_INT),
        start_s=_SECONDS, end_s=_SECONDS, registers=_map(_object(reads=_INT, writes=_INT)),
        wiring=_list(_object(name=_TEXT, grave=_BOOL, text=_TEXT)), faults=_map(_list(_interval())),
        episodes=_list(_object(position=_CHIP, start_s=_SECONDS, end_s=_SECONDS, over=_BOOL, faults=_list(_TEXT))),
        recurrences=_list(recurrence),
        limits=_list(_object(limit=_TEXT, count=_INT, of=_INT, worst=number, allowed=number, transfer=_INT, time_s=_SECONDS, text=_TEXT)),
        stage=_stage(), faulty=_BOOL, notes=_list(_TEXT), problems=_list(_TEXT),
        evidence=_object(
            commands=_share(), replies=_share(), unseen_faults=_map(_list(_TEXT)),
            fault_pin_unexplained=_list(_object(start_s=_SECONDS, end_s=_SECONDS, status_read=_BOOL)), fault_pin_dead=_list(_TEXT),
        ),
        times=_list(_times()), missed=_list(_object(position=_CHIP, figure=_TEXT, text=_TEXT)),
        stops=_list(_object(name={"enum": list(STOPS)}, text=_TEXT)),
        sentences=_list(_object(kind=_TEXT, bad=_BOOL, text=_TEXT)), caution=_TEXT,
    )  # fmt: skip
    # only with --follow: the summary of a part of a capture that goes on
    line["properties"]["chapter"] = {"type": "integer", "minimum": 1}
    # and, in the last one, all parts together
    fault = _object(position=_CHIP, fault=_TEXT, raised=_INT, first_s=_SECONDS, last_s=_SECONDS)
    line["properties"]["whole"] = _object(chapters=_INT, frames=_INT, faults=_list(fault))
    return line


def capture_schema() -> Shape:
    """JSON Schema (draft 2020-12) of one line."""
    lines = [
        _line(
            "event", "a frame that told something new, or a pin that moved (number -1)",
            time_s=_SECONDS, number=_INT, transfer=_INT, position=_CHIP, what=_TEXT, register=_none(_TEXT), address=_none(_INT),
            frame=_none(_INT), bits=_INT, reply=_none(_INT), data=_none(_INT), **{"from": _none(_INT)}, changes=_list(_TEXT),
            status=_list(_TEXT), notes=_list(_note()),
        ),
        _line(
            "quiet", "frames first to last told nothing new",
            position=_CHIP, first=_FRAME, last=_FRAME, start_s=_SECONDS, end_s=_SECONDS, counts=_map(_INT),
        ),
        _line(
            "remark", "what only the whole capture told of a frame above",
            chip=_CHIP, frame=_FRAME, time_s=_SECONDS, note=_object(kind={"enum": list(NOTES)}, weight={"enum": list(WEIGHTS)}, text=_TEXT),
        ),
        _line(
            "at", "what is known of the registers at the time asked for (--at)",
            position=_CHIP, time_s=_SECONDS, states=_map(_none(_BOOL)), registers=_map(_object(word=_INT, known=_INT)),
        ),
        _summary(),
    ]  # fmt: skip
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "one line of gateword capture --json",
        "oneOf": lines,
    }
