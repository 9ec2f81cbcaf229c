"""What a stage adds to a header: its tables, the routines that run them, other boards, positions of a chain.

A map alone needs none of it, nor the rules of behaviour that plans of frames take.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from ..behaviour.hazards import hazards_of
from ..behaviour.settings import bring_up_sequence
from ..errors import CallError
from ..frames.codec import Codec
from .careful import answerable, careful, watched
from .chain import write_chain
from .chosen import write_chosen
from .clearing import write_clearing, write_forget_reset, write_not_reset
from .frames import FrameNames, write_frames
from .modes import all_ways, write_mode_tables, write_modes
from .monitors import write_monitor_tables, write_test_monitors
from .names import Namer
from .plans import configured
from .readback import write_places, write_verify
from .resets import reset_told, unguarded
from .runner import write_runner, write_watch_times
from .shadow import write_shadow
from .sheet import Sheet
from .steps import (
    step_table,
    write_init,
    write_status_steps,
    write_warm,
)
from .variants import write_chosen_ones, write_variants

if TYPE_CHECKING:
    from ..behaviour.settings import Action
    from ..stages.load import Stage


def write_tables(sheet: Sheet, frames: dict[str, FrameNames], variants: Sequence[Stage]) -> None:
    """The tables of the stage, and of its other boards. Raises CallError."""
    if variants and (sheet.stage is None or not sheet.has("init") or sheet.chained):
        raise CallError(
            "variants need the section init of a stage that is alone on its chip select"
        )
    sheet.boards = 1 + len(variants)
    sheet.stages = [s for s in (sheet.stage, *variants) if s is not None]
    _write_stage(sheet, frames)
    if variants:
        write_variants(sheet, frames, variants, _write_stage)


def write_routines(sheet: Sheet, frames: dict[str, FrameNames]) -> None:
    """The routines that run the tables of the stage."""
    assert sheet.stage is not None
    write_runner(sheet, frames, sheet.stage)
    write_test_monitors(sheet)
    write_modes(sheet)
    write_chosen_ones(sheet)


def write_chained(sheet: Sheet, frames: dict[str, FrameNames], others: Sequence[Stage]) -> None:
    """The routines of a daisy chain, and the tables of its other positions. Raises CallError."""
    places = _positions(sheet, frames, others)
    if sheet.has("run") and sheet.stage is not None and "readback" in sheet.tables:
        # of all positions, which are known now
        sheet.stages = [sheet.stage, *others]
        write_watch_times(sheet, frames, sheet.stage)
    write_chain(sheet, frames, sheet.chips, places)


def _positions(
    sheet: Sheet, frames: dict[str, FrameNames], others: Sequence[Stage]
) -> dict[int, dict[str, tuple[str, str]]]:
    """The tables of each position of a chain that has a stage; those of the others are written here."""
    places: dict[int, dict[str, tuple[str, str]]] = {}
    for stage in (sheet.stage, *others):
        if stage is None:
            continue
        if stage.position in places:
            raise CallError(
                f"stage {stage.name} is for position {stage.position}, as one before it",
                "one stage for a position",
            )
        if stage is not sheet.stage and (
            stage.chip.digest != sheet.chip.digest
            or len(stage.chain) != len(sheet.stage.chain if sheet.stage else ())
        ):
            raise CallError(
                f"stage {stage.name} is of another map or chain",
                "the chain and the map of the first stage",
            )
        place = "" if stage is sheet.stage else f"P{stage.position}"
        names: dict[str, tuple[str, str]] = {}
        if place:
            sheet.section(f"position {stage.position}: stage {stage.name}")
            # its steps, in names of their own
            draft = Sheet(
                chip=sheet.chip, stage=stage, options=sheet.options, names=Namer(sheet.names.prefix), sections=sheet.sections,
                chips=sheet.chips, kept=sheet.kept,
            )  # fmt: skip
            _write_stage(draft, write_frames(draft))
            sheet.hazards += [h for h in draft.hazards if h not in sheet.hazards]
            sheet.readback_frames = max(sheet.readback_frames, draft.readback_frames)
            if draft.after_power_up != sheet.after_power_up:
                raise CallError(
                    f"stage {stage.name} begins its bring-up in other steps than {sheet.stage.name if sheet.stage else ''}",
                    "settings with which both do the same after power-up",
                )
            if sheet.has("values"):
                write_chosen(sheet, stage, place)
            for name, steps in draft.plans.items():
                about = f"{steps.about} Of position {stage.position}."
                names[name] = step_table(
                    sheet, name, steps.actions, frames, steps.by_setting, about, place
                )
            write_places(sheet, draft.readback_at, place, f"position {stage.position}")
        else:
            names = {name: (steps.table, steps.size) for name, steps in sheet.plans.items()}
        places[stage.position] = names
        sheet.positions[stage.position] = sheet.plans if stage is sheet.stage else draft.plans
    return places


def _write_stage(sheet: Sheet, frames: dict[str, FrameNames]) -> None:
    """Init, readback and shadow tables, as selected."""
    stage = sheet.stage
    assert stage is not None
    actions: list[Action] = []
    if sheet.has("values"):
        write_chosen(sheet, stage)
    if any(sheet.has(s) for s in ("init", "verify", "shadow")):
        plan = answerable(sheet, bring_up_sequence(sheet.chip, stage.bank), frames)
        sheet.hazards += hazards_of(plan)
        bank = configured(stage, plan).bank
        sheet.format_at_end = Codec(sheet.chip).frame_in_force(bank).name
        actions = watched(sheet, stage, careful(sheet, stage, plan, frames))
        sheet.reset_told = reset_told(stage, actions)
        sheet.reset_doubted = sheet.reset_told and unguarded(sheet.chip)
    if sheet.has("init"):
        write_init(sheet, stage, actions, frames)
        if sheet.has("run"):
            write_warm(sheet, stage, actions, frames)
            write_clearing(sheet, stage, actions, frames)
            write_not_reset(sheet, stage, actions, frames)
            write_forget_reset(sheet, stage, actions, frames)
        if sheet.has("run") and sheet.has("faults") and sheet.chip.faults:
            write_status_steps(sheet, stage, actions, frames)
    if sheet.has("tests") and sheet.chip.monitor_tests:
        write_monitor_tables(sheet, stage, actions, frames)
    if sheet.has("verify"):
        write_verify(sheet, stage, actions, frames)
    if sheet.has("modes") and all_ways(sheet.options):
        write_mode_tables(sheet, stage, frames)
    if sheet.has("shadow"):
        # not what the stage wants alone: sequences write keys and switches as well
        write_shadow(sheet, configured(stage, actions).bank.words)
