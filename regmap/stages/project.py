"""A folder to begin with: map, stage, Makefile, a script for CI and a README that walks from vet to record.

What it holds is a worked example around an invented chip, sound from the first minute, to be replaced piece by piece.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from ..errors import CallError
from ..maps.load import bundled, load_map
from .load import load_stage
from .new import new_stage

#: the worked example, where no map of one's own is given
CHIP, STAGE = "quoll16", "coolant_pump"

_MAKEFILE = """\
# From map and stage to header, verdicts, simulated faults and record. `make` does all of it; no network is needed.
GATEWORD ?= gateword
STAGE := {stage}
OUT := out

all: vet check header faults record

vet:                      # the map is proven against its known frames, the stage against the map
\t$(GATEWORD) vet driver.yaml $(STAGE)

check: vet                # every verdict; a failed one stops here
\t$(GATEWORD) check $(STAGE) --only fails --only low-margin

header: $(OUT)/{name}.h   # C tables for the firmware build, made anew exactly when map or stage changed

$(OUT)/{name}.h: $(STAGE) | $(OUT)
\t$(GATEWORD) header $(STAGE) -o $@ --depfile $(OUT)/{name}.d

faults: | $(OUT)          # every fault of the map on the simulated chip, with the time to react
\t$(GATEWORD) campaign $(STAGE) -o $(OUT)/faults.jsonl --junit $(OUT)/faults.xml

record: | $(OUT)          # the page to review and to sign
\t$(GATEWORD) report $(STAGE) -o $(OUT)/{name}.html

stale: header             # for CI: is the header that was built what map and stage say?
\t$(GATEWORD) header $(STAGE) -o $(OUT)/{name}.h --check

$(OUT):
\tmkdir -p $@

clean:
\trm -rf $(OUT)

-include $(OUT)/{name}.d
.PHONY: all vet check header faults record stale clean
"""

_CI = """\
#!/bin/sh
# One job for any CI: everything is made anew, and anything that fails, fails the job.
# Keep out/ as the job's artefact: {name}.html is the record, faults.xml the results as JUnit XML.
set -eu
cd "$(dirname "$0")/.."
make clean
make all stale
"""

_README = """\
# {name}

A drive whose gate driver is configured, proven and recorded with gateword. Chip, stage and figures are an invented
example that holds as it stands: replace them piece by piece, and let `make` say what that does.

| file | what it is |
| --- | --- |
| `driver.yaml` | the map: what the chip is, written from its data sheet |
| `{stage}` | the stage: what it must drive, and the settings wanted |
| `Makefile` | from vet to record |
| `ci/run.sh` | the same as one job for CI |
| `out/` | what is made: header, results, record; not to be committed |

## The first hour

1. `make vet`. The map is proven: the frames that its data sheet prints are made from it, bit by bit.
2. `make check`. Every setting is held against the power stage, at the worst corner; what fails stops here.
   `gateword check {stage} --explain deadtime.enough.high` shows how one verdict comes about.
3. `gateword compose {stage}`. Change a setting or a value of the stage and see what moves before you accept it;
   `why deadtime.enough.high` opens a verdict with all that it depends on. Ctrl-S saves, Ctrl-Q leaves.
4. `make header`. C tables for the firmware; `make stale` fails when they are not what map and stage say.
5. `make faults`. Every fault of the map on the simulated chip: is it seen, and in what time?
6. `make record`. `out/{name}.html` is what a reviewer reads and signs.

Then write down your own chip (`gateword new map -o driver.yaml --force`, devices' format: `gateword help map`), your own
stage, and copy the data sheet's own frames into the map: `make vet` proves it against them. On the bench:
`gateword link PORT apply {stage}`, and `gateword capture bench.vcd --stage {stage}` for what the SPI really carried.

{caution}
"""


def new_project(name: str, caution: str, map_name: str = "") -> Mapping[str, str]:
    """The files of a project by their path in its folder. Raises CallError for a name that cannot be one.

    With `map_name` the folder holds a copy of that map, and an empty stage for it.
    """
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_\-]{0,63}", name):
        raise CallError(
            f"{name[:40]!r} is no name for a project", "letters, digits, _ and -, a letter first"
        )
    stage = f"{name}.yaml" if name != "driver" else "stage.yaml"
    words = {"name": name, "stage": stage, "caution": caution}
    documents = bundled("devices")
    files: dict[str, str] = {}
    if map_name:
        chip = load_map(map_name)
        if len(chip.files) != 1:
            raise CallError(
                f"{map_name} is made of {len(chip.files)} files",
                "a map of one file, which is copied",
            )
        files["driver.yaml"] = Path(chip.files[0]).read_text(encoding="utf-8")
        files[stage] = new_stage(map_name, name=name, written="driver.yaml")
    else:
        files["driver.yaml"] = documents[CHIP].read_text(encoding="utf-8")
        text = documents[STAGE].read_text(encoding="utf-8")
        made = load_stage(STAGE)
        text = re.sub(rf"(?m)^map: {re.escape(CHIP)}$", "map: driver.yaml", text)
        files[stage] = re.sub(rf"(?m)^(  name: ){re.escape(made.name)}$", rf"\g<1>{name}", text)
    files["Makefile"] = _MAKEFILE.format(**words)
    files["ci/run.sh"] = _CI.format(**words)
    files["README.md"] = _README.format(**words)
    files[".gitignore"] = "out/\n"
    return files
