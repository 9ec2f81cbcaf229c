"""The cautions, once: what goes with every figure, frame and file that acts on a power stage."""

from __future__ import annotations

#: Stands with verdicts, frames that act, headers, decks, plots, records, and in their JSON.
CAUTION = (
    "Figures and frames support, and do not replace, the data sheet, measurement, local codes and "
    "qualified, licensed practice."
)

#: Stands where a fault is explained, before somebody goes to look.
TOUCHING = (
    "Before touching hardware: supply off, capacitors discharged, rotor standing; the data sheet, "
    "local codes and licensed practice decide."
)

#: Stands before the first write to a chip.
FIRST_WRITE = (
    "Before the first write: a wrong setting can switch both MOSFETs of a half-bridge on, start a "
    "motor, or leave a fault unprotected. Keep hands and loose parts away from the motor and secure "
    "what it drives; disconnect the bridge supply or limit its current; DC-link capacitors stay "
    f"charged after the supply is off, so measure before touching. {CAUTION}"
)
