"""The starting files that `gateword new` writes: sound as they stand, commented for a first reader."""

from __future__ import annotations

_MAP = """\
# A register map. Replace what stands here, piece by piece, by what the data sheet says, and run
# `gateword vet` on this file after each piece: every problem comes with its line and column.
# The whole format is explained in devices/README.md; `gateword vet --schema` prints a JSON Schema
# with which editors complete and underline.
gateword_map: 1                  # version of this format

chip:
  name: mychip                   # short name, as it will stand in the C header
  title: Gate driver, 16-bit SPI with parity (replace me)
  invented: yes                  # delete this line once the map describes a real chip
  source: data sheet and its revision

spi:
  mode: 1                        # clock polarity * 2 + clock phase
  clock_max: 8 MHz
  idle: 500 ns                   # chip select inactive between two frames, at least

# One frame is what travels between two edges of chip select. Bits are numbered as in the data
# sheet, bit 0 the least significant; every bit belongs to exactly one part.
frames:
  word:
    length: 16
    command:
      rw:      {bits: 15, holds: operation, codes: {write: 0, read: 1}}
      address: {bits: 14..11, holds: address}
      data:    {bits: 10..1, holds: data}
      parity:  {bits: 0, holds: parity, parity: odd}       # over all other bits
      # a checksum instead: {bits: 7..0, holds: crc, polynomial: 0x07, init: 0xFF, over: 23..8}
    reply:
      after: 0                   # 0: in the same frame, 1: in the next one
      parts:
        fault:   {bits: 15, holds: status, fault: UV}      # which fault this bit shows
        rest:    {bits: 14..11, holds: fixed, value: 0b0101}
        data:    {bits: 10..1, holds: data, on_write: old}
        parity:  {bits: 0, holds: parity, parity: odd}

registers:
  STATUS:
    address: 0x0
    access: rc                   # ro, rw, wo, w1c, w0c, rc (clear on read), once, sc
    summary: Latched faults
    fields:
      UV:  {bits: 1, summary: supply below its threshold}
      POR: {bits: 0, reset: 1, summary: power-on reset has happened}
  GATE:
    address: 0x1
    reset: 0x041                 # word after power-up
    summary: Gate currents
    fields:
      # `role` tells the calculations what a field sets; the list of roles is fixed
      SOURCE: {bits: 7..6, role: gate.source, options: {0: 33 mA, 1: 82 mA, 2: 150 mA, 3: 330 mA}, tolerance: 20 %}
      SINK:   {bits: 5..4, role: gate.sink, options: {0: 56 mA, 1: 110 mA, 2: 240 mA, 3: 390 mA}, tolerance: 20 %}
      # value = offset + step * code
      DEAD_TIME: {bits: 3..0, role: deadtime, scale: {step: 100 ns, offset: 100 ns, tolerance: 10 %}}
    reserved: {9..8: 0}          # bits no field claims: written as stated, or `keep`

faults:
  UV:
    at: STATUS.UV
    title: Supply undervoltage
    severity: stop               # stop, warn or note
    meaning: The supply fell below its threshold.
    causes: [supply line too thin, starting of an engine]
    check_first: [supply at the chip's pin under load]
    effect: all gates off
    cleared_by: [read]
  POR:
    at: STATUS.POR
    title: Power-on reset
    severity: warn
    meaning: The configuration is at reset.
    causes: [normal after power-up, supply dip]
    check_first: [whether the drive was just switched on]
    cleared_by: [read]
    follows_from: [UV]           # faults that can cause this one
    normal_at_power_up: yes

# What to do in which order; settings, link and reports follow it.
sequences:
  power_up:
    - {wait: 1 ms}
    - {expect: STATUS.POR = 1}
  configure:
    - {configure: all}
    - {verify: all}

# The data sheet's own examples. `gateword vet` proves the map against them.
known_frames:
  - {does: GATE.DEAD_TIME = 600 ns, command: 0x088B, source: an example of the data sheet}
"""


def new_map(name: str = "mychip") -> str:
    """A commented map that vets clean, of a chip of this name."""
    return _MAP.replace("  name: mychip  ", f"  name: {name}  ", 1)
