"""The self-test for the target notices frame code that is wrong: one change at a time, in C, C++ and Rust, on the host.

All of some 2,000 changes with GATEWORD_ALL_MUTANTS=1 (-s shows how many survive); the suite takes a few of each map.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from regmap.cheader import Options, generate, select
from regmap.cheader.languages import generate_in, self_test_in
from regmap.cheader.selftest import self_test

from .mutated import Mutant, mutants
from .test_header_selftest import MAIN, chip_of
from .written import ENDS, NAMES, TOOLS

#: what is wrong with a copy and changes nothing that any frame could show, and why
EQUIVALENT = {
    r"reg << n\) & 0xFFU\) \^ entry": "eight bits move a register of eight out, whatever the mask",
    r"counted(: Wide)? = .*frame": "the mask of a check bit, which is computed anew afterwards",
    r"!= 1U?\) && .*!= 2U?\) && .*!= 3U?\b": "of four codes only 0 means nothing: no narrower mask takes it for another",
    r"folded (\^= folded )?>> \d+|\(bits (\^|>>)": "a fold of bits that no parity of this map covers: each bit of each frame was wrong once",
}


def copies(
    name: str, language: str, folder: Path, tool: str
) -> tuple[str, Callable[[str, int], int]]:
    """The generated frames of a map in a language, and what runs the self-test of another text in their place."""
    chip, chips = chip_of(name), 3 if name == "line" else 0
    options = Options(prefix="gd", sections=select(["frames"]), chain=chips)
    include, end = NAMES[language], ENDS[language]
    if language == "c":
        text, tests = generate(chip, options).header, self_test(chip, options, include)
        main = (
            MAIN
            + '#include <stdio.h>\nint main(void) { (void)printf("%u", gd_self_test()); return 0; }\n'
        )
        command = [tool, "-std=c99", "-w", "main.c", "gd_test.c", "-o", "a"]
    else:
        text = generate_in(language, chip, options).header
        tests = self_test_in(language, chip, options, include)
        main = {
            "cpp": '#include <cstdio>\n#include "gd.hpp"\nnamespace gd { uint16_t self_test() noexcept; }\n'
            'int main() { std::printf("%u", gd::self_test()); }\n',
            "rust": 'mod gd;\nmod gd_test;\nfn main() { print!("{}", gd_test::self_test()); }\n',
        }[language]
        command = {
            "cpp": [tool, "-std=c++17", "-w", "main.cpp", "gd_test.cpp", "-o", "a"],
            "rust": [
                tool,
                "--edition",
                "2021",
                "-C",
                "overflow-checks=off",
                "-A",
                "warnings",
                "main.rs",
                "-o",
                "a",
            ],
        }[language]

    def run(changed: str, number: int) -> int:
        """The number of the self-test; -1 where this does not compile, or does not end."""
        own = folder / str(number)
        own.mkdir()
        for file, content in ((include, changed), (f"gd_test.{end}", tests), (f"main.{end}", main)):
            (own / file).write_text(content, "utf-8")
        if subprocess.run(command, cwd=own, capture_output=True, check=False).returncode:
            return -1
        try:
            done = subprocess.run(
                [own / "a"], capture_output=True, text=True, check=False, timeout=10
            )
        except subprocess.TimeoutExpired:
            return -1
        return int(done.stdout) if not done.returncode else -1

    return text, run


EVERY = os.environ.get("GATEWORD_ALL_MUTANTS") == "1"
SHARE = {"c": 7, "cpp": 3, "rust": 3}
MUTATED = [
    (name, language)
    for name in ("quoll16", "numbat24", "wombat24", "bilby32", "potoroo40", "line")
    for language in TOOLS
    if EVERY or language == "c" or name in ("quoll16", "line")
]


@pytest.mark.parametrize(("name", "language"), MUTATED)
def test_a_wrong_copy_of_the_frame_code_is_noticed(
    name: str,
    language: str,
    tmp_path: Path,
    need_tool: Callable[[str], str],
) -> None:
    """Commands, replies, bytes, check bits, streams of a chain: one move, mask, place or check wrong. All of them with
    GATEWORD_ALL_MUTANTS=1, else some."""
    text, run = copies(name, language, tmp_path, need_tool(TOOLS[language]))
    assert run(text, 0) == 0
    every = mutants(text)
    assert len(every) > 40
    chosen = every if EVERY else every[3 :: max(1, len(every) // SHARE[language])]

    def left(item: tuple[int, Mutant]) -> bool:
        return run(item[1].of(text), item[0]) == 0

    with ThreadPoolExecutor(2) as pool:
        lived = list(pool.map(left, enumerate(chosen, 1)))
    survivors = [m for m, lives in zip(chosen, lived, strict=True) if lives]
    unexplained = [m for m in survivors if not any(re.search(e, m.line) for e in EQUIVALENT)]
    # -s shows it
    sys.stdout.write(
        f"{name} {language}: {len(chosen)} of {len(every)} tried, {len(survivors)} survive\n"
    )
    assert not unexplained, "\n".join(
        f"{m.line}   {text[m.start : m.end]} -> {m.text}" for m in unexplained
    )
